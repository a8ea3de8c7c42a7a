"""The Python sender against the Python receiver: the ground that the other
comparisons stand on. It also shows that the receiver can fail."""

import numpy as np
import pytest
import sound
import wire
from ears import frames as receive
from frames import Dice, Frame


def test_random_frames_survive_their_own_codec():
    dice = Dice("codec")
    for _ in range(300):
        frame = dice.frame()
        assert Frame.decode(frame.encode()) == frame


def test_random_frames_survive_the_line():
    dice = Dice("line")
    sent = [dice.frame().encode() for _ in range(50)]
    bits = wire.from_nrzi(wire.nrzi(wire.enclose(sent)))
    assert [octets for _, octets in wire.disclose(bits)] == sent


@pytest.mark.parametrize("clock", [0.9999, 1.0001])
@pytest.mark.parametrize("mode", sound.MODES.values(), ids=sound.MODES)
def test_random_frames_survive_the_sound(mode, clock):
    dice = Dice(mode.name)
    sent = [dice.frame(longest=60).encode() for _ in range(5)]
    audio = sound.samples(wire.enclose(sent), mode, 48000, clock=clock)
    recording = sound.recording([audio], 48000, -10, 25, seed=1)
    assert receive(recording, mode, 48000) == sent


def test_noise_alone_and_spoiled_frames_give_nothing():
    mode = sound.MODES["afsk1200"]
    noise = np.random.default_rng(5).standard_normal(48000 * 3)
    assert receive(noise, mode, 48000) == []
    bits = wire.enclose([Dice("spoiled").frame().encode()])
    bits[30 * 8 + 40] ^= 1
    assert receive(sound.samples(bits, mode, 48000), mode, 48000) == []
