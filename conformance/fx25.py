"""Blocks of forward error correction around frames, by the published FX.25 framing.

After "FX.25, Forward Error Correction Extension to AX.25 Link Protocol for Amateur Packet
Radio", Stensat Group, draft of 2006 (title and date from memory; the tags are in several public
copies of its table). The code is that of the package `reedsolo`: GF(256) by 0x11D, first root
alpha^1. Shortened blocks have their zeros behind the data (from memory, see docs/fec.md).
"""

import numpy as np
import reedsolo
import wire

# Tag number: value, octets of the data area, check octets.
TAGS = {
    0x01: (0xB74DB7DF8A532F3E, 239, 16),
    0x02: (0x26FF60A600CC8FDE, 128, 16),
    0x03: (0xC7DC0508F3D9B09E, 64, 16),
    0x04: (0x8F056EB4369660EE, 32, 16),
    0x05: (0x6E260B1AC5835FAE, 223, 32),
    0x06: (0xFF94DC634F1CFF4E, 128, 32),
    0x07: (0x1EB7B9CDBC09C00E, 64, 32),
    0x08: (0xDBF869BD2DBB1776, 32, 32),
    0x09: (0x3ADB0C13DEAE2836, 191, 64),
    0x0A: (0xAB69DB6A543188D6, 128, 64),
    0x0B: (0x4A4ABEC4A724B796, 64, 64),
}
CODES = {n: reedsolo.RSCodec(n, nsize=255, fcr=1, prim=0x11D, generator=2, c_exp=8) for n in (16, 32, 64)}


def check_octets(data, count):
    """The check octets of a data area, whose left-out octets are zeros behind it."""
    whole = bytes(data) + bytes(255 - count - len(data))
    return bytes(CODES[count].encode(whole)[-count:])


def block(frame, tag):
    """Octets of a frame's data area and check octets, in a block of this kind."""
    _, size, count = TAGS[tag]
    bits = wire.enclose([frame], lead=1, tail=size)[: size * 8]
    data = wire.octets_of(bits)
    return data + check_octets(data, count)


def enclose(octets, tag, lead=40, tail=4):
    """A block to the bits of one transmission: flags, tag, block, flags."""
    sent = TAGS[tag][0].to_bytes(8, "little") + octets
    return np.concatenate([np.tile(wire.FLAG, lead), wire.bits_of(sent), np.tile(wire.FLAG, tail)])


def blocks(bits):
    """All blocks behind a faultless tag in a stream of bits: place, tag and octets."""
    text = "".join(map(str, np.asarray(bits, dtype=np.uint8)))
    found = []
    for tag, (value, size, count) in TAGS.items():
        pattern = "".join(map(str, wire.bits_of(value.to_bytes(8, "little"))))
        at = text.find(pattern)
        while at >= 0:
            first, length = at + 64, (size + count) * 8
            if first + length <= len(text):
                found.append((at, tag, wire.octets_of(bits[first : first + length])))
            at = text.find(pattern, at + 1)
    return sorted(found)
