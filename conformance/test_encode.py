"""What `dunlin encode` writes must come out of the Python receiver, byte for byte.

Sources: those of wire.py, frames.py and sound.py.
"""

import numpy as np
import program
import pytest
import sound
from ears import frames as receive
from frames import Address, Dice, Frame

# mode, rate, level dBFS, offset in Hz
CASES = [
    ("afsk300", 8000, -6, 0.0),
    ("afsk300", 48000, -20, 20.0),
    ("afsk1200", 8000, -12, 0.0),
    ("afsk1200", 44100, -3, -25.0),
    ("afsk1200", 48000, -40, 25.0),
    ("fsk1200", 22050, -6, 0.0),
    ("fsk1200", 48000, -20, 0.0),
    ("fsk4800", 48000, -12, 0.0),
    ("fsk4800", 96000, -6, 0.0),
    ("fsk9600", 48000, -12, 0.0),
    ("fsk9600", 192000, -6, 0.0),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: "-".join(map(str, case)))
def test_python_reads_what_we_send(case, tmp_path):
    name, rate, level, offset = case
    dice = Dice(f"encode {case}")
    sent = [dice.frame(40 if name == "afsk300" else 256).encode() for _ in range(6)]
    path = tmp_path / "ours.wav"
    hexes = [part for octets in sent for part in ("--hex", octets.hex())]
    settings = ["--rate", rate, f"--level={level}", f"--offset={offset}"]
    program.run("encode", *hexes, "--mode", name, *settings, "-o", path)
    audio, written_rate = program.read_wav(path)
    assert written_rate == rate
    assert receive(audio, sound.MODES[name], rate, offset) == sent
    peak = 20 * np.log10(np.max(np.abs(audio)))
    assert abs(peak - level) < 1.0, f"peak at {peak:.1f} dBFS"


def test_a_frame_given_in_words(tmp_path):
    path = tmp_path / "words.wav"
    words = ["--from", "QA1SKY", "--to", "QM3BAR-2", "--via", "QD2HIL-1", "--text", "ferry at ten"]
    program.run("encode", *words, "--mode", "afsk1200", "--rate", 48000, "-o", path)
    audio, rate = program.read_wav(path)
    (octets,) = receive(audio, sound.MODES["afsk1200"], rate)
    frame = Frame.decode(octets)
    assert frame.destination == Address("QM3BAR", 2, True)
    assert frame.source == Address("QA1SKY", 0, False)
    assert frame.repeaters == (Address("QD2HIL", 1, False),)
    assert (frame.control, frame.pid, frame.info) == (0x03, 0xF0, b"ferry at ten")
