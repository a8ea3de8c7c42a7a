"""Frames sent by the Python side must come out of `dunlin decode`, byte for byte.

Two hundred and forty random frames over every mode, rates from 8 to 192 kHz,
levels from -40 to -3 dBFS, tones that are off, sound clocks that are off, and
four kinds of sample. Sources: those of wire.py, frames.py and sound.py.
"""

import numpy as np
import program
import pytest
import sound
import wire
from frames import Dice

FRAMES_EACH = 12

# mode, rate, level dBFS, offset (Hz; at baseband a share of the deviation),
# sender's clock, kind of sample. Noise is 25 dB below the signal's peak, so
# that nothing depends on a perfect recording.
CASES = [
    ("afsk300", 8000, -12, 0.0, 1.0, "i16"),
    ("afsk300", 11025, -30, 25.0, 1.0001, "i16"),
    ("afsk300", 44100, -3, -25.0, 0.9999, "float32"),
    ("afsk300", 48000, -6, 10.0, 1.0, "u8"),
    ("afsk1200", 8000, -12, 0.0, 1.0, "i16"),
    ("afsk1200", 22050, -3, 30.0, 1.0001, "u8"),
    ("afsk1200", 48000, -40, -30.0, 0.9999, "i16"),
    ("afsk1200", 96000, -20, 15.0, 1.0, "i32"),
    ("fsk1200", 8000, -12, 0.0, 1.0, "i16"),
    ("fsk1200", 22050, -6, 0.1, 1.0001, "float32"),
    ("fsk1200", 48000, -40, -0.1, 0.9999, "i16"),
    ("fsk1200", 96000, -3, 0.05, 1.0, "u8"),
    ("fsk4800", 22050, -12, 0.0, 1.0, "i16"),
    ("fsk4800", 44100, -6, 0.1, 1.0001, "u8"),
    ("fsk4800", 48000, -40, -0.1, 0.9999, "i16"),
    ("fsk4800", 96000, -3, 0.05, 1.0, "float32"),
    ("fsk9600", 44100, -12, 0.0, 1.0, "i16"),
    ("fsk9600", 48000, -40, 0.1, 1.0001, "i16"),
    ("fsk9600", 96000, -6, -0.1, 0.9999, "u8"),
    ("fsk9600", 192000, -3, 0.05, 1.0, "i32"),
]


def test_there_are_enough_frames():
    assert len(CASES) * FRAMES_EACH >= 200
    assert {case[0] for case in CASES} == set(sound.MODES)


def sent_and_recorded(path, case, longest):
    """Writes one recording of three transmissions; returns its frames."""
    name, rate, level, offset, clock, kind = case
    mode = sound.MODES[name]
    dice = Dice(f"{case}")
    sent = [dice.frame(longest).encode() for _ in range(FRAMES_EACH)]
    third = FRAMES_EACH // 3
    groups = [sent[:third], sent[third : 2 * third], sent[2 * third :]]
    lead = int(0.3 * mode.baud / 8) + 1  # 300 ms of flags
    parts = [
        sound.samples(wire.enclose(group, lead, between), mode, rate, offset, clock)
        for between, group in enumerate(groups, start=1)
    ]
    program.write_wav(path, sound.recording(parts, rate, level, 25, seed=rate), rate, kind)
    return [octets.hex() for octets in sent]


def as_id(case):
    return "-".join(str(part) for part in case)


@pytest.mark.parametrize("case", CASES, ids=as_id)
def test_every_frame_comes_out(case, tmp_path):
    path = tmp_path / "sent.wav"
    # At 300 Bd a long frame takes seven seconds; the length is not the point there.
    sent = sent_and_recorded(path, case, longest=40 if case[0] == "afsk300" else 256)
    heard = program.decode(path, case[0])
    assert [each["frame"] for each in heard] == sent
    assert {each["mode"] for each in heard} == {case[0]}
    starts = [each["start_s"] for each in heard]
    assert starts == sorted(starts) and starts[0] > 0.25
    for each in heard:
        measured_as_sent(each, case)


def measured_as_sent(heard, case):
    """The figures beside a frame against what we know that we sent."""
    name, _, level, offset, *_ = case
    assert heard["snr_db"] > 20
    if sound.MODES[name].tones:
        assert abs(heard["level_dbfs"] - level) < 1
        assert abs(heard["offset_hz"] - offset) < 3
        assert abs(heard["twist_db"]) < 0.5
    else:
        assert heard["offset_hz"] is None and heard["twist_db"] is None


@pytest.mark.parametrize("emphasis", [1, -1], ids=["pre", "de"])
def test_emphasis_is_read_and_measured_as_twist(emphasis, tmp_path):
    # A time constant of 750 us has its corner at 212.2 Hz and lifts 2200 Hz by
    # 5.17 dB over 1200 Hz (from the formula |1 + jf/f0|). Twist is lower less higher.
    # Within 1.5 dB: keyed tones are not the steady ones of the formula, and what the
    # operator wants to know is whether a station is flat (0) or not (5).
    case = ("afsk1200", 48000, -12, 0.0, 1.0, "i16")
    sent = sent_and_recorded(tmp_path / "flat.wav", case, longest=100)
    samples, rate = program.read_wav(tmp_path / "flat.wav")
    spectrum = np.fft.rfft(samples)
    response = (1 + 1j * np.fft.rfftfreq(len(samples), 1 / rate) / 212.2) ** emphasis
    bent = np.fft.irfft(spectrum * response, len(samples))
    program.write_wav(tmp_path / "bent.wav", bent / np.max(np.abs(bent)) / 2, rate, "i16")
    heard = program.decode(tmp_path / "bent.wav", "afsk1200")
    assert [each["frame"] for each in heard] == sent
    for each in heard:
        assert abs(each["twist_db"] + emphasis * 5.17) < 1.5


@pytest.mark.parametrize("name", sound.MODES)
def test_the_mode_is_found(name, tmp_path):
    case = (name, 48000, -12, 0.0, 1.0, "i16")
    path = tmp_path / "sent.wav"
    sent = sent_and_recorded(path, case, longest=20)
    heard = program.decode(path, "auto")
    assert [each["frame"] for each in heard] == sent
    assert {each["mode"] for each in heard} == {name}
