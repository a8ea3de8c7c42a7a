"""A sender: bits to samples, for each mode, at any sample rate.

Tones: Bell 202 for 1200 Bd (1200/2200 Hz), 1600/1800 Hz for 300 Bd as used
for packet on short wave (both from public modem tables). Baseband FSK at 4800
and 9600 Bd is scrambled after J. Miller, "9600 Baud Packet Radio Modem
Design", 1988, and shaped by raised-cosine pulses whose spectrum is 6 dB down
at half the rate and ends at three quarters of it, near that paper's filter
(-6 dB at 4800 Hz, -60 dB at 7500 Hz). 1200 Bd baseband FSK is not scrambled,
as small satellites send it (common practice, no source).
"""

from dataclasses import dataclass

import numpy as np
import wire


@dataclass(frozen=True)
class Mode:
    """A way to send bits. `tones` are those of 1 and 0 in Hz; none at baseband."""

    name: str
    baud: int
    tones: tuple | None
    scrambled: bool


MODES = {
    mode.name: mode
    for mode in [
        Mode("afsk300", 300, (1600.0, 1800.0), False),
        Mode("afsk1200", 1200, (1200.0, 2200.0), False),
        Mode("fsk1200", 1200, None, False),
        Mode("fsk4800", 4800, None, True),
        Mode("fsk9600", 9600, None, True),
    ]
}
ROLL_OFF = 0.5
PULSE_REACH = 8  # symbols to each side


def samples(bits, mode, rate, offset=0.0, clock=1.0):
    """One transmission with peaks near 1.

    `rate` in samples a second; `offset` in Hz on the tones, or at baseband the
    added steady part as a share of the deviation; `clock` is the sender's sense
    of time, 1.0001 being 100 ppm fast.
    """
    levels = wire.nrzi(bits)
    if mode.scrambled:
        levels = wire.scramble(levels)
    count = int(np.ceil(len(levels) * rate / (mode.baud * clock)))
    time = np.arange(count) * (mode.baud * clock / rate)  # in symbols
    if mode.tones is None:
        return _baseband(levels, time) + offset
    return _tones(levels, time, mode, offset)


def _tones(levels, time, mode, offset):
    """Continuous phase: each symbol goes on where the last one stopped."""
    one, zero = mode.tones
    cycles = (np.where(levels == 1, one, zero) + offset) / mode.baud
    before = np.concatenate([[0.0], np.cumsum(cycles)])
    symbol = np.minimum(time.astype(int), len(levels) - 1)
    return np.sin(2 * np.pi * (before[symbol] + cycles[symbol] * (time - symbol)))


def _baseband(levels, time):
    """The sum of one pulse per symbol, centred on the symbol's middle."""
    padded = np.concatenate([np.zeros(PULSE_REACH), 2.0 * levels - 1, np.zeros(PULSE_REACH + 1)])
    nearest = time.astype(int)
    total = np.zeros(len(time))
    for step in range(-PULSE_REACH, PULSE_REACH + 1):
        total += padded[nearest + step + PULSE_REACH] * _pulse(time - nearest - step - 0.5)
    return total / 1.3  # overshoot of the pulses between the symbols


def _pulse(t):
    """Raised cosine: 1 at 0, 0 at all other whole symbols."""
    denominator = 1 - (2 * ROLL_OFF * t) ** 2
    safe = np.where(np.abs(denominator) < 1e-9, 1.0, denominator)
    shaped = np.sinc(t) * np.cos(np.pi * ROLL_OFF * t) / safe
    limit = np.pi / 4 * np.sinc(1 / (2 * ROLL_OFF))
    return np.where(np.abs(denominator) < 1e-9, limit, shaped)


def recording(parts, rate, level_dbfs, noise_db, seed, quiet=0.25):
    """Transmissions with silence around each, scaled so that the loudest sample
    of the signal is `level_dbfs`, over white noise `noise_db` below that."""
    gap = np.zeros(int(quiet * rate))
    pieces = [gap]
    for part in parts:
        pieces += [part, gap]
    signal = np.concatenate(pieces)
    signal /= np.max(np.abs(signal))
    noise = np.random.default_rng(seed).standard_normal(len(signal))
    return (signal + noise * 10 ** (-noise_db / 20)) * 10 ** (level_dbfs / 20)
