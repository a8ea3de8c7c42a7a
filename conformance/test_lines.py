"""Several modes at once on one sound: what overlaps in time comes out whole, each
transmission once, and true repeats stay.

The recordings are made by the Python sender; the rule that a repeat of the same
octets is a frame of its own, and a second reading of one transmission is not, is
that of the project's issue. Sources of signal and frames: those of sound.py,
wire.py and frames.py.
"""

from dataclasses import replace

import numpy as np
import program
import sound
import wire
from frames import Dice, Frame

RATE = 48000
# 300 Bd above the tones of 1200 Bd (1200 and 2200 Hz, whose spectrum ends near 3 kHz).
HIGH = replace(sound.MODES["afsk300"], tones=(3400.0, 3600.0))
SLOW = sound.MODES["afsk300"]
FAST = sound.MODES["afsk1200"]


def transmission(mode, frames, between=2):
    """300 ms of flags, the frames with flags between them, and a closing flag."""
    lead = int(0.3 * mode.baud / 8) + 1
    octets = [frame.encode() for frame in frames]
    return sound.samples(wire.enclose(octets, lead, between), mode, RATE)


def laid(*placed):
    """One recording of transmissions, each beginning at so many seconds, 12 dB
    below full scale, over noise 30 dB below that."""
    length = max(int(start * RATE) + len(part) for start, part in placed) + RATE
    whole = np.zeros(length)
    for start, part in placed:
        first = int(start * RATE)
        whole[first : first + len(part)] += part
    noise = np.random.default_rng(7).standard_normal(length)
    return (whole + noise * 10 ** (-30 / 20)) * 10 ** (-12 / 20)


def heard(path, modes):
    return [(each["mode"], each["frame"]) for each in program.decode(path, modes)]


def text(dice, length):
    """A UI frame with text of this length."""
    return Frame(dice.address(True), dice.address(False), (), 0x03, 0xF0, bytes(range(32, 32 + length)))


def test_a_slow_frame_and_a_fast_one_at_the_same_time(tmp_path):
    dice = Dice("overlap")
    slow, fast = text(dice, 60), text(dice, 80)
    path = tmp_path / "both.wav"
    # The fast one begins while the slow one runs and ends before it.
    parts = (0.5, transmission(HIGH, [slow])), (1.2, transmission(FAST, [fast]))
    assert len(parts[0][1]) > len(parts[1][1]) + RATE
    program.write_wav(path, laid(*parts), RATE, "i16")
    found = heard(path, "afsk1200,afsk300:3400/3600")
    assert found == [("afsk300", slow.encode().hex()), ("afsk1200", fast.encode().hex())]


def test_two_tunings_read_one_transmission_as_one_frame(tmp_path):
    frame = text(Dice("tunings"), 40)
    path = tmp_path / "off.wav"
    program.write_wav(path, laid((0.5, transmission(SLOW, [frame]))), RATE, "i16")
    off = heard(path, "afsk300:1650/1850")
    assert off == [("afsk300", frame.encode().hex())], "50 Hz off it is read too"
    assert heard(path, "afsk300,afsk300:1650/1850") == off


def test_modes_one_after_the_other_and_each_frame_once(tmp_path):
    dice = Dice("turns")
    frames = [dice.frame(30) for _ in range(4)]
    path = tmp_path / "turns.wav"
    parts, at = [], 0.5
    for mode, frame in zip([SLOW, FAST, FAST, SLOW], frames):
        part = transmission(mode, [frame])
        parts.append((at, part))
        at += len(part) / RATE + 0.4
    program.write_wav(path, laid(*parts), RATE, "i16")
    wanted = [
        (mode.name, frame.encode().hex())
        for mode, frame in zip([SLOW, FAST, FAST, SLOW], frames)
    ]
    assert heard(path, "afsk300,afsk1200") == wanted
    # The order in which modes are named, naming one twice, and auto change nothing.
    assert heard(path, "afsk1200,afsk300,afsk1200") == wanted
    assert heard(path, "auto") == wanted


def test_true_repeats_stay(tmp_path):
    frame = Dice("repeats").frame(30)
    path = tmp_path / "repeats.wav"
    # Three times in one transmission with one flag between them, then once more.
    first = transmission(FAST, [frame] * 3, between=1)
    parts = (0.5, first), (0.8 + len(first) / RATE, transmission(FAST, [frame]))
    program.write_wav(path, laid(*parts), RATE, "i16")
    assert heard(path, "afsk300,afsk1200") == [("afsk1200", frame.encode().hex())] * 4
