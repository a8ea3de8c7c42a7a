"""What `dunlin encode` writes must come out of the Python receiver, byte for byte.

Sources: those of wire.py, frames.py and sound.py.
"""

import numpy as np
import program
import pytest
import sound
import spectrum
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


def random_frames(text, count):
    dice = Dice(text)
    return [dice.frame(256).encode() for _ in range(count)]


@pytest.mark.parametrize("emphasis", [0, 3, 6])
def test_the_occupied_bandwidth_is_the_one_told_and_theory_stands_beside(emphasis, tmp_path):
    path = tmp_path / "wide.wav"
    hexes = [part for octets in random_frames("wide", 40) for part in ("--hex", octets.hex())]
    settings = ["--mode", "afsk1200", "--rate", 24000, "--pre-emphasis", emphasis]
    told = program.run("encode", *hexes, *settings, "--bandwidth", "-o", path)
    measured, theory = (int(line.split("  ")[-1].split(" Hz")[0]) for line in told.splitlines()[1:])
    audio, rate = program.read_wav(path)
    power = np.abs(np.fft.rfft(audio)) ** 2
    own = spectrum.occupied(np.fft.rfftfreq(len(audio), 1 / rate), power)
    assert abs(own - measured) < 10, f"{own:.0f} Hz, and it says {measured} Hz"
    formula, _ = spectrum.theory(1200, 2200, 1200)
    assert abs(formula - theory) < 3
    simulated, _, _ = spectrum.simulated(1200, 2200, 1200, emphasis)
    # Whole frames with few flags are nearly random bits.
    assert abs(measured / simulated - 1) < 0.04, f"{measured} Hz, simulation {simulated:.0f} Hz"


def test_pre_emphasis_raises_the_higher_tone_and_is_read(tmp_path):
    sent = random_frames("raised", 4)
    hexes = [part for octets in sent for part in ("--hex", octets.hex())]
    settings = ["--mode", "afsk1200", "--rate", 48000, "--level=-6", "--pre-emphasis", 6]
    usual = []
    for name, more in [("raised", []), ("turned", ["--inverted"])]:
        path = tmp_path / f"{name}.wav"
        program.run("encode", *hexes, *settings, *more, "-o", path)
        audio, rate = program.read_wav(path)
        assert receive(audio, sound.MODES["afsk1200"], rate) == sent
        assert abs(20 * np.log10(np.max(np.abs(audio))) + 6) < 0.1
        # The first 300 ms are flags, and in each of them one tone lasts seven symbols of eight:
        # with exchanged polarity it is the other one.
        lead = audio[int(0.12 * rate) : int(0.38 * rate)]
        symbols = np.array_split(lead, len(lead) * 1200 // rate)
        usual.append(np.median([np.max(np.abs(part)) for part in symbols]))
    ratio = 20 * np.log10(max(usual) / min(usual))
    assert abs(ratio - 6 * np.log2(2200 / 1200)) < 0.1
