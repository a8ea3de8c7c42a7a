"""Bits of a frame as they stand on the line: FCS, stuffing, NRZI, scrambler.

Written from the texts below and from nothing in this repository's Rust code,
so that two readings of the same texts can be compared.

* AX.25 Link Access Protocol for Amateur Packet Radio, Version 2.2,
  Revision 4 (2025), cited as "AX.25": sections 3.1, 3.6 to 3.8, 3.10, 3.11.
* ISO 3309 frame check sequence, also in ITU-T X.25 section 2.2.7
  (polynomial and constants from memory; confirmed by the check value).
* J. Miller, "9600 Baud Packet Radio Modem Design", 7th ARRL Computer
  Networking Conference, 1988: scrambler 1 + x^12 + x^17.

Bits are numpy arrays of 0 and 1 (uint8).
"""

import re

import numpy as np

FLAG = np.array([0, 1, 1, 1, 1, 1, 1, 0], dtype=np.uint8)
SHORTEST_OCTETS = 17  # AX.25 section 3.9 as octets: two addresses, control, FCS


def fcs(octets):
    """The 16-bit check sequence: generator x^16+x^12+x^5+1, preset to ones,
    complemented, worked least significant bit first."""
    register = 0xFFFF
    for octet in octets:
        register ^= octet
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0x8408
    return register ^ 0xFFFF


def bits_of(octets):
    """Octets to bits, least significant bit first (AX.25 section 3.8)."""
    return np.unpackbits(np.frombuffer(bytes(octets), dtype=np.uint8), bitorder="little")


def octets_of(bits):
    """The inverse of `bits_of`; the number of bits must be a multiple of 8."""
    return np.packbits(np.asarray(bits, dtype=np.uint8), bitorder="little").tobytes()


def stuff(bits):
    """A 0 after every five consecutive 1 bits (AX.25 section 3.6)."""
    text = "".join("01"[bit] for bit in bits)
    return _from_text(text.replace("11111", "111110"))


def unstuff(text):
    """Drops the 0 after five 1s; None if six 1s stand together, which is an
    abort or a flag and never part of a frame."""
    if "111111" in text:
        return None
    return text.replace("111110", "11111")


def enclose(frames, lead=30, between=1, tail=4):
    """Frames (octets without FCS) to the bits of one transmission, with flags
    before, between and after them."""
    parts = [np.tile(FLAG, lead)]
    for index, frame in enumerate(frames):
        check = fcs(frame)
        with_check = bytes(frame) + bytes([check & 0xFF, check >> 8])
        parts.append(stuff(bits_of(with_check)))
        parts.append(np.tile(FLAG, between if index + 1 < len(frames) else tail))
    return np.concatenate(parts)


def disclose(bits):
    """All frames with a right FCS in a stream of bits, as pairs of position
    (of the bit after the opening flag) and octets without FCS."""
    text = "".join(map(str, np.asarray(bits, dtype=np.uint8)))
    flags = [found.start() for found in re.finditer("(?=01111110)", text)]
    found = []
    for opening, closing in zip(flags, flags[1:]):
        if closing - opening - 8 < SHORTEST_OCTETS * 8:
            continue
        inside = unstuff(text[opening + 8 : closing])
        if inside is None or len(inside) % 8 or len(inside) < SHORTEST_OCTETS * 8:
            continue
        octets = octets_of(_from_text(inside))
        if fcs(octets[:-2]) == octets[-2] | octets[-1] << 8:
            found.append((opening + 8, octets[:-2]))
    return found


def nrzi(bits, level=0):
    """Line levels: a 0 changes the level, a 1 holds it (common practice on
    this kind of link, from memory; AX.25 itself does not say)."""
    toggles = 1 - np.asarray(bits, dtype=np.uint8)
    return (np.cumsum(toggles, dtype=np.int64) + level).astype(np.uint8) & 1


def from_nrzi(levels):
    """Bits from line levels; the level before the first one is taken as 0."""
    levels = np.asarray(levels, dtype=np.uint8)
    before = np.concatenate([[0], levels[:-1]])
    return (levels == before).astype(np.uint8)


def scramble(bits):
    """s[n] = d[n] xor s[n-12] xor s[n-17], from a zero state (Miller)."""
    sent = np.zeros(len(bits) + 17, dtype=np.uint8)
    for index, bit in enumerate(bits):
        sent[index + 17] = bit ^ sent[index + 5] ^ sent[index]
    return sent[17:]


def descramble(bits):
    """d[n] = s[n] xor s[n-12] xor s[n-17] (Miller); synchronises itself."""
    padded = np.concatenate([np.zeros(17, dtype=np.uint8), np.asarray(bits, dtype=np.uint8)])
    return padded[17:] ^ padded[5:-12] ^ padded[:-17]


def _from_text(text):
    return np.frombuffer(text.encode(), dtype=np.uint8) - ord("0")
