"""Frames with forward error correction, between our program and the Python package `reedsolo`.

Sources: those of fx25.py and wire.py.
"""

import itertools
import random

import ears
import fx25
import program
import pytest
import sound
import wire
from frames import Dice

RATE = 48000


def test_the_tags_differ_in_half_of_their_bits():
    words = [value for value, _, _ in fx25.TAGS.values()]
    distances = {(a ^ b).bit_count() for a, b in itertools.combinations(words, 2)}
    assert distances == {32}


def sent_by_us(tmp_path, name, strength, frames):
    """What `dunlin encode` makes of frames, as samples."""
    path = tmp_path / "ours.wav"
    hexes = [part for octets in frames for part in ("--hex", octets.hex())]
    program.run("encode", *hexes, "--mode", name, "--fec", strength, "--rate", RATE, "-o", path)
    samples, rate = program.read_wav(path)
    assert rate == RATE
    return samples


@pytest.mark.parametrize("name", ["afsk1200", "fsk9600"])
@pytest.mark.parametrize("strength", [16, 32, 64])
def test_our_blocks_are_codewords_of_reedsolo(name, strength, tmp_path):
    dice = Dice(f"fec {name} {strength}")
    frames = [dice.frame(longest).encode() for longest in (10, 20, 60, 100, 150)]
    frames = [frame for frame in frames if len(frame) < 170]
    samples = sent_by_us(tmp_path, name, strength, frames)
    mode = sound.MODES[name]
    # Whoever knows nothing of blocks reads the frames.
    assert ears.frames(samples, mode, RATE) == frames
    best = max((fx25.blocks(bits) for bits in ears.streams(samples, mode, RATE)), key=len)
    assert len(best) == len(frames)
    for (_, tag, octets), frame in zip(best, frames):
        _, size, count = fx25.TAGS[tag]
        assert count == strength
        assert octets == fx25.block(frame, tag)
        smaller = [t for t, (_, s, c) in fx25.TAGS.items() if c == count and s < size]
        needed = len(wire.enclose([frame], lead=1, tail=1))
        assert all(fx25.TAGS[t][1] * 8 < needed for t in smaller)


@pytest.mark.parametrize("tag", fx25.TAGS)
def test_we_correct_as_many_octets_as_the_code_can(tag, tmp_path):
    _, size, count = fx25.TAGS[tag]
    dice, chance = Dice(f"fec tag {tag}"), random.Random(tag)
    mode, sent, parts = sound.MODES["afsk1200"], [], []
    while len(sent) < 3:
        frame = dice.frame(size // 2).encode()
        if len(wire.enclose([frame], lead=1, tail=1)) > size * 8:
            continue
        octets = bytearray(fx25.block(frame, tag))
        # The second octet is in the destination: no plain reading is left.
        wrong = {1} | set(chance.sample(range(2, size + count), count // 2 - 1))
        for place in wrong:
            octets[place] ^= chance.randrange(1, 256)
        sent.append(frame.hex())
        parts.append(sound.samples(fx25.enclose(bytes(octets), tag), mode, RATE))
    path = tmp_path / "theirs.wav"
    program.write_wav(path, sound.recording(parts, RATE, -6, 40, seed=tag), RATE, "i16")
    heard = program.decode(path, "afsk1200")
    assert [each["frame"] for each in heard] == sent
    for each in heard:
        assert each["fec"] == {"tag": tag, "corrected_octets": count // 2, "erased_octets": 0}


def test_twice_as_many_wrong_octets_give_no_frame(tmp_path):
    frame = Dice("fec too much").frame(20).encode()
    octets = bytearray(fx25.block(frame, 0x02))
    for place in range(1, 17):
        octets[place] ^= 0x55
    path = tmp_path / "spoiled.wav"
    part = sound.samples(fx25.enclose(bytes(octets), 0x02), sound.MODES["afsk1200"], RATE)
    program.write_wav(path, sound.recording([part], RATE, -6, 40, seed=1), RATE, "i16")
    assert program.decode(path, "afsk1200") == []
