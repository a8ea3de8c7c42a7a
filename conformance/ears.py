"""A receiver: samples to frames, by noncoherent detection.

AFSK: the energy of each tone over one symbol, compared (textbook noncoherent
FSK; J. G. Proakis, Digital Communications, section on noncoherent detection of
orthogonal signals, from memory). Baseband: low-pass filter and a slicer. There
is no clock recovery: the whole recording is read at several fixed phases and
what any of them finds is taken, which is slow, simple and hard to get wrong.
"""

import numpy as np
import wire
from scipy.signal import fftconvolve, firwin

PHASES = 8


def frames(samples, mode, rate, offset=0.0):
    """Every frame with a right FCS, as octets without FCS, in order of time.
    `offset` in Hz moves the expected tones."""
    found = {}
    for bits in streams(samples, mode, rate, offset):
        for position, octets in wire.disclose(bits):
            # The same frame at another phase starts within a bit or two.
            near = [key for key in found if abs(key - position) <= 4]
            if not near:
                found[position] = octets
    return [found[position] for position in sorted(found)]


def streams(samples, mode, rate, offset=0.0):
    """The bits as they are read at each of the phases."""
    symbols = _tone_balance if mode.tones else _slice
    for phase in range(PHASES):
        soft = symbols(np.asarray(samples, dtype=float), mode, rate, offset, phase / PHASES)
        levels = (soft > 0).astype(np.uint8)
        if mode.scrambled:
            levels = wire.descramble(levels)
        yield wire.from_nrzi(levels)


def _tone_balance(samples, mode, rate, offset, phase):
    """For each symbol: magnitude of the tone of 1 less that of the tone of 0."""
    time = np.arange(len(samples)) / rate
    length = rate / mode.baud
    edges = np.arange(phase * length, len(samples), length)
    strengths = []
    for tone in mode.tones:
        turned = samples * np.exp(-2j * np.pi * (tone + offset) * time)
        total = np.concatenate([[0], np.cumsum(turned)])
        # Symbols do not begin on whole samples: read the running sum between them.
        at = np.interp(edges, np.arange(len(total)), total)
        strengths.append(np.abs(np.diff(at)))
    return strengths[0] - strengths[1]


def _slice(samples, mode, rate, _offset, phase):
    """For each symbol: how far its middle lies above the middle of the swing."""
    cutoff = 0.8 * mode.baud
    if cutoff < 0.45 * rate:
        taps = firwin(2 * int(3 * rate / mode.baud) + 1, cutoff, fs=rate)
        samples = fftconvolve(samples, taps, mode="same")
    loud = samples[np.abs(samples) > 0.3 * np.max(np.abs(samples))]
    middle = (np.percentile(loud, 90) + np.percentile(loud, 10)) / 2
    at = np.arange(phase * rate / mode.baud, len(samples) - 1, rate / mode.baud)
    return np.interp(at, np.arange(len(samples)), samples) - middle
