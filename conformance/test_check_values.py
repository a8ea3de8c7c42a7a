"""Values that the standards print, against the Python side.

The same values are checked against the Rust side in its own unit tests; here
they keep the second implementation honest.
"""

import numpy as np
import wire
from frames import Address, Frame


def test_crc_check_value():
    # CRC-16/X.25 check value 0x906E over "123456789": ISO 3309 / X.25, as printed in
    # the public catalogues of CRC parameters.
    assert wire.fcs(b"123456789") == 0x906E


def test_crc_residue():
    # Data and its own FCS leave 0xF0B8 before the final complement (ITU-T X.25
    # section 2.2.7, the same remainder in reflected order).
    data = b"123456789"
    check = wire.fcs(data)
    assert wire.fcs(data + bytes([check & 0xFF, check >> 8])) ^ 0xFFFF == 0xF0B8


FIG_3_4 = bytes.fromhex("9C946EA04040E0" "9C6E988A9A4061" "3E" "F0")
FIG_3_8_ADDRESS = bytes.fromhex("9C946EA04040E0" "9C6E988A9A4060" "9C6E9E9E4040E3")


def test_standard_example_without_repeater():
    # AX.25 v2.2 rev 4, Fig 3.4: the standard's own worked octets.
    frame = Frame(Address("NJ7P", 0, True), Address("N7LEM"), (), 0x3E, 0xF0)
    assert frame.encode() == FIG_3_4
    assert Frame.decode(FIG_3_4) == frame


def test_standard_example_with_repeater():
    # AX.25 v2.2 rev 4, Fig 3.8: N7OO-1 has repeated the frame.
    chain = [Address("NJ7P", 0, True), Address("N7LEM"), Address("N7OO", 1, True)]
    frame = Frame(chain[0], chain[1], (chain[2],), 0x3E, 0xF0)
    assert frame.encode()[:21] == FIG_3_8_ADDRESS
    assert Frame.decode(frame.encode()) == frame


def test_scrambler_impulse():
    # Polynomial 1 + x^12 + x^17 (Miller 1988); positions of ones after a single one
    # worked out by hand from s[n] = d[n] ^ s[n-12] ^ s[n-17].
    impulse = np.zeros(64, dtype=np.uint8)
    impulse[0] = 1
    ones = np.flatnonzero(wire.scramble(impulse))
    assert list(ones) == [0, 12, 17, 24, 34, 36, 41, 46, 48, 51, 60]


def test_scrambler_one_error_becomes_three():
    # Miller 1988: one wrong bit on the line gives three, at distances 0, 12 and 17.
    clean = wire.scramble(np.ones(100, dtype=np.uint8))
    spoiled = clean.copy()
    spoiled[40] ^= 1
    wrong = np.flatnonzero(wire.descramble(clean) != wire.descramble(spoiled))
    assert list(wrong) == [40, 52, 57]


def test_stuffing():
    # AX.25 section 3.6: a 0 after five consecutive 1 bits.
    assert list(wire.stuff([1] * 11)) == [1] * 5 + [0] + [1] * 5 + [0] + [1]
    assert wire.unstuff("1111101111101") == "1" * 11
    assert wire.unstuff("0111111") is None
