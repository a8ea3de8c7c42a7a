"""AX.25 frames: addresses, control octets, and a stream of random valid ones.

Written from AX.25 Link Access Protocol for Amateur Packet Radio, Version 2.2,
Revision 4 (2025): section 3.12 (addresses), Figs 4.1 to 4.4 (control), Fig 3.2
(PID), Fig 4.6 (XID). All call signs begin with Q, a series that is never
allocated (ITU Radio Regulations, Appendix 42).
"""

import random
import string
from dataclasses import dataclass, field

# Unnumbered frames with P/F = 0 (Fig 4.4), and how they are used (section 4.3.3).
UNNUMBERED = {
    "SABME": (0x6F, "command"),
    "SABM": (0x2F, "command"),
    "DISC": (0x43, "command"),
    "DM": (0x0F, "response"),
    "UA": (0x63, "response"),
    "UI": (0x03, "both"),
    "XID": (0xAF, "both"),
    "TEST": (0xE3, "both"),
}
# Supervisory frames with N(R) = 0, P/F = 0 (Fig 4.3).
SUPERVISORY = {"RR": 0x01, "RNR": 0x05, "REJ": 0x09, "SREJ": 0x0D}
PID_NO_LAYER_3 = 0xF0
# Fig 4.6 with its class-of-procedures octet corrected to half duplex (0x21).
XID_FIELD = bytes.fromhex("8280001702022100030382A82206020400080102090210000A0103")


@dataclass(frozen=True)
class Address:
    """One subfield: call sign, SSID, and the C or H bit."""

    call: str
    ssid: int = 0
    bit7: bool = False

    def encode(self, last):
        """Seven octets: the call shifted left, then C/H, R=1, R=1, SSID, and
        the extension bit."""
        letters = bytes(ord(letter) << 1 for letter in self.call.ljust(6))
        return letters + bytes([self.bit7 << 7 | 0x60 | self.ssid << 1 | last])

    @staticmethod
    def decode(octets):
        """The inverse of `encode`, and the extension bit."""
        call = bytes(octet >> 1 for octet in octets[:6]).decode("ascii").rstrip(" ")
        end = octets[6]
        return Address(call, end >> 1 & 15, bool(end >> 7)), bool(end & 1)

    def __str__(self):
        return f"{self.call}-{self.ssid}" if self.ssid else self.call


@dataclass(frozen=True)
class Frame:
    """One frame of modulo 8. `pid` is None where the frame has none."""

    destination: Address
    source: Address
    repeaters: tuple = field(default_factory=tuple)
    control: int = 0x03
    pid: int | None = None
    info: bytes = b""

    def encode(self):
        """Octets from the address to the information field, without FCS."""
        chain = [self.destination, self.source, *self.repeaters]
        parts = [each.encode(last=each is chain[-1]) for each in chain]
        parts.append(bytes([self.control]))
        if self.pid is not None:
            parts.append(bytes([self.pid]))
        return b"".join(parts) + self.info

    @staticmethod
    def decode(octets):
        """The inverse of `encode`. Fails loudly on anything malformed."""
        chain, at, last = [], 0, False
        while not last:
            if at + 7 > len(octets) or len(chain) == 10:
                raise ValueError("the address field does not end")
            address, last = Address.decode(octets[at : at + 7])
            chain.append(address)
            at += 7
        if len(chain) < 2:
            raise ValueError("the address field holds one address")
        control, at = octets[at], at + 1
        has_pid = control & 1 == 0 or control & 0xEF == 0x03
        pid, at = (octets[at], at + 1) if has_pid else (None, at)
        return Frame(chain[0], chain[1], tuple(chain[2:]), control, pid, octets[at:])


class Dice:
    """Random valid frames; the same seed gives the same frames."""

    def __init__(self, seed):
        self._random = random.Random(seed)

    def call(self):
        """Q, perhaps a letter, a digit, and one to three letters."""
        pick = self._random
        middle = pick.choice(["", pick.choice(string.ascii_uppercase)])
        tail = pick.choices(string.ascii_uppercase, k=pick.randint(1, 3))
        return f"Q{middle}{pick.choice(string.digits)}{''.join(tail)}"

    def address(self, bit7):
        return Address(self.call(), self._random.randint(0, 15), bit7)

    def info(self, longest):
        """Any octets; often those that stuffing and flags find hard."""
        pick = self._random
        length = pick.randint(0, longest)
        kind = pick.choice(["any", "text", "ones", "flags", "zeros"])
        alphabet = {
            "any": range(256),
            "text": [ord(c) for c in string.ascii_letters + string.digits + " .,:/\r"],
            "ones": [0xFF, 0xFE, 0x7F],
            "flags": [0x7E, 0x7F, 0x3F, 0xFC],
            "zeros": [0x00, 0x01, 0x80],
        }[kind]
        return bytes(pick.choices(list(alphabet), k=length))

    def frame(self, longest=256):
        """One frame of any kind, with 0 to 8 repeaters."""
        pick = self._random
        kind = pick.choice(["UI", "UI", "UI", "I", "I", *SUPERVISORY, *UNNUMBERED])
        control, command, pid, info = self._body(kind, longest)
        count = pick.choice([0, 0, 0, 0, 1, 1, 2, pick.randint(3, 8)])
        passed = pick.randint(0, count)
        repeaters = tuple(self.address(index < passed) for index in range(count))
        return Frame(self.address(command), self.address(not command), repeaters, control, pid, info)

    def _body(self, kind, longest):
        pick = self._random
        poll = pick.randint(0, 1) << 4
        if kind == "I":
            control = pick.randint(0, 7) << 5 | poll | pick.randint(0, 7) << 1
            return control, True, PID_NO_LAYER_3, self.info(longest)
        if kind in SUPERVISORY:
            command = kind != "SREJ" and pick.random() < 0.5
            return SUPERVISORY[kind] | pick.randint(0, 7) << 5 | poll, command, None, b""
        base, use = UNNUMBERED[kind]
        command = use == "command" or (use == "both" and pick.random() < 0.7)
        if kind == "UI":
            pid = pick.choice([PID_NO_LAYER_3, PID_NO_LAYER_3, 0xCC, 0xCD, 0x01, 0x08])
            return base | poll, command, pid, self.info(longest)
        info = {"XID": XID_FIELD, "TEST": self.info(longest)}.get(kind, b"")
        return base | poll, command, None, info
