"""A second AX.25 data link, written from AX.25 2.2, Revision 4 (2025), alone: sections 4 and 6, with
XID (Figs 4.5, 4.6). It serves a KISS connection over TCP, as a controller would, and loses
frames on the way both ways. Nothing here was taken from the Rust side.

It is the plainest link that the standard allows: go back N or selective reject, one timer T1,
acknowledgements at once after each batch of octets.
"""

import random
import select
import socket
import time

import kiss

FEND, DATA = kiss.FEND, kiss.DATA
SABM, SABME, DISC, UA, DM, FRMR, XID = 0x2F, 0x6F, 0x43, 0x63, 0x0F, 0x87, 0xAF
RR, RNR, REJ, SREJ = 0x01, 0x05, 0x09, 0x0D
# Classes: balanced, half duplex. Functions: SREJ, modulo 128, several SREJ, and those that are
# always set. N1 256 octets, window 16, T1 0.3 s, ten tries (Fig 4.5).
OURS = bytes.fromhex("82800017 02022100 030384A822 06020800 080110 0902012C 0A010A".replace(" ", ""))
T1, TRIES = 0.3, 20


def subfield(call, top, last):
    letters = bytes(ord(letter) << 1 for letter in call.ljust(6))
    return letters + bytes([top << 7 | 0x60 | last])


class Link:
    """One link; `knows` is "2.0" or "2.2"."""

    def __init__(self, local, remote, knows, data, loss, seed):
        self.local, self.remote, self.knows = local, remote, knows
        self.chance, self.loss = random.Random(seed), loss
        self.pieces = [data[at : at + 256] for at in range(0, len(data), 256)]
        self.received = bytearray()
        self.state = "down"
        self.start_over(8)
        self.lost = self.resent = self.calls = 0
        self.ended = None
        server = socket.create_server(("127.0.0.1", 0))
        self.address = "127.0.0.1:%d" % server.getsockname()[1]
        self.server = server

    def start_over(self, modulo):
        self.modulo, self.window = modulo, 4 if modulo == 8 else 16
        self.first = 0  # Place in `pieces` of V(A).
        self.va = self.vs = self.vr = 0
        self.kept, self.rejected = {}, False
        self.asked, self.tries, self.owes = set(), 0, False
        self.t1 = None

    # Frames out.

    def emit(self, command, control, rest=b""):
        if self.chance.random() < self.loss:
            self.lost += 1
            return
        address = subfield(self.remote, command, 0) + subfield(self.local, not command, 1)
        self.line.sendall(kiss.frame(0, DATA, address + control + rest))

    def unnumbered(self, command, code, pf, rest=b""):
        self.emit(command, bytes([code | pf << 4]), rest)

    def supervisory(self, command, code, number, pf):
        if self.modulo == 8:
            self.emit(command, bytes([number << 5 | pf << 4 | code]))
        else:
            self.emit(command, bytes([code, number << 1 | pf]))

    def information(self, number):
        piece = self.pieces[self.first + (number - self.va) % self.modulo]
        if self.modulo == 8:
            control = bytes([self.vr << 5 | number << 1])
        else:
            control = bytes([number << 1, self.vr << 1])
        self.owes = False
        self.emit(True, control + b"\xf0", piece)

    # What goes on by itself.

    def call(self):
        self.calls += 1
        self.state = "calling"
        self.unnumbered(True, SABME if self.knows == "2.2" else SABM, 1)
        self.t1 = time.monotonic() + T1

    def outstanding(self):
        return (self.vs - self.va) % self.modulo

    def serve(self):
        """Sends what the window allows."""
        while (
            self.state == "up"
            and self.outstanding() < self.window
            and self.first + self.outstanding() < len(self.pieces)
        ):
            self.information(self.vs)
            self.vs = (self.vs + 1) % self.modulo
            self.t1 = self.t1 or time.monotonic() + T1

    def leave(self):
        self.state = "leaving"
        self.unnumbered(True, DISC, 1)
        self.t1 = time.monotonic() + T1

    def overdue(self):
        self.tries += 1
        assert self.tries <= TRIES, f"nobody answers in state {self.state}"
        if self.state == "calling":
            return self.call()
        if self.state == "leaving":
            return self.leave()
        # Section 6.4.11: asks with P=1.
        self.supervisory(True, RR, self.vr, 1)
        self.t1 = time.monotonic() + T1

    # Frames in.

    def acknowledged(self, number):
        count = (number - self.va) % self.modulo
        assert count <= self.outstanding(), f"N(R) {number} of {self.va} to {self.vs}"
        if count:
            self.first += count
            self.va = number
            self.tries = 0
        self.t1 = time.monotonic() + T1 if self.outstanding() else None

    def again_from(self, number):
        place, end = number, self.vs
        while place != end:
            self.resent += 1
            self.information(place)
            place = (place + 1) % self.modulo

    def take(self, octets):
        assert octets[:6] == subfield(self.local, 0, 0)[:6], octets.hex()
        command = bool(octets[6] & 0x80)
        control, rest = octets[14], octets[15:]
        if control & 3 == 3:
            return self.take_unnumbered(control & ~0x10, control >> 4 & 1, rest)
        if self.state != "up":
            if command and self.state == "down":
                self.unnumbered(False, DM, 1)
            return None
        if self.modulo == 8:
            pf, number, sent = control >> 4 & 1, control >> 5, control >> 1 & 7
        else:
            second, rest = rest[0], rest[1:]
            pf, number, sent = second & 1, second >> 1, control >> 1
        if control & 1 == 0:
            self.acknowledged(number)
            return self.take_information(sent, pf, rest[1:])
        code = control & 0x0F
        if code != SREJ or pf:
            self.acknowledged(number)
        if command and pf:
            self.answer()
        if code == SREJ:
            if (number - self.va) % self.modulo < self.outstanding():
                self.resent += 1
                self.information(number)
        elif code == REJ or (pf and not command):
            self.again_from(self.va)
        return None

    def answer(self):
        self.owes = False
        if self.kept:
            self.supervisory(False, SREJ, self.vr, 1)
            self.asked = {self.vr}
            self.ask()
        else:
            self.supervisory(False, RR, self.vr, 1)

    def ask(self):
        """Section 4.3.2.4: SREJ for each frame that is missing before one that is here."""
        ahead = max((n - self.vr) % self.modulo for n in self.kept)
        for n in range(ahead):
            number = (self.vr + n) % self.modulo
            if number not in self.kept and number not in self.asked:
                self.asked.add(number)
                self.supervisory(False, SREJ, number, 0)

    def take_information(self, sent, poll, info):
        ahead = (sent - self.vr) % self.modulo
        if ahead == 0:
            self.rejected = False
            self.kept[sent] = info
            while self.vr in self.kept:
                self.received += self.kept.pop(self.vr)
                self.asked.discard(self.vr)
                self.vr = (self.vr + 1) % self.modulo
        elif self.modulo == 128 and ahead < 32:
            self.kept[sent] = info
            if not poll:
                self.ask()
        elif self.modulo == 8 and not self.rejected:
            self.rejected = True
            self.supervisory(False, REJ, self.vr, poll)
            return
        if poll:
            self.answer()
        else:
            self.owes = True

    def take_unnumbered(self, code, pf, rest):
        if code == SABM or (code == SABME and self.knows == "2.2"):
            if self.state == "up":
                # Again, because our UA was lost: nothing has passed yet.
                assert self.first == 0 and not self.received, "a reset in the middle"
            self.start_over(8 if code == SABM else 128)
            self.state = "up"
            self.unnumbered(False, UA, pf)
        elif code == SABME:
            # As a station of version 2.0: the control field is not known (W).
            self.unnumbered(False, FRMR, pf, bytes([SABME | 0x10, 0, 1]))
        elif code == XID:
            assert self.knows == "2.2" and rest[:2] == b"\x82\x80", rest.hex()
            self.unnumbered(False, XID, pf, OURS)
        elif code == UA and self.state == "calling":
            self.start_over(128 if self.knows == "2.2" else 8)
            self.state = "up"
        elif self.state == "leaving" and code in (UA, DM):
            self.state, self.ended, self.t1 = "down", time.monotonic(), None
        elif code == DISC:
            self.unnumbered(False, UA, pf)
            self.state, self.ended, self.t1 = "down", time.monotonic(), None
        elif code in (FRMR, DM):
            raise AssertionError(f"refused by {code:02X} in state {self.state}")

    def is_done(self, wanted):
        return self.first == len(self.pieces) and len(self.received) == wanted

    def run(self, calls, wanted, limit):
        """Serves one connection until a second after the link has ended. Who calls also ends it,
        when all is acknowledged and as much has come as is wanted."""
        self.line, _ = self.server.accept()
        stream, deadline = b"", time.monotonic() + limit
        if calls:
            self.call()
        while self.ended is None or time.monotonic() < self.ended + 1:
            assert time.monotonic() < deadline, f"{self.first} of {len(self.pieces)} pieces went"
            self.serve()
            if calls and self.state == "up" and self.is_done(wanted) and not self.owes:
                self.leave()
            wait = 0.05 if self.t1 is None else max(0, min(0.05, self.t1 - time.monotonic()))
            if not select.select([self.line], [], [], wait)[0]:
                if self.owes:
                    self.supervisory(False, RR, self.vr, 0)
                    self.owes = False
            else:
                octets = self.line.recv(65536)
                if not octets:
                    break
                stream += octets
                end = stream.rfind(bytes([FEND])) + 1
                for _, kind, content in kiss.frames(stream[:end]):
                    if kind == DATA and self.chance.random() >= self.loss:
                        self.take(content)
                stream = stream[end - 1 :] if end else stream
                if self.owes and len(self.received) % (256 * 8) == 0:
                    self.supervisory(False, RR, self.vr, 0)
                    self.owes = False
            if self.t1 is not None and time.monotonic() >= self.t1:
                self.overdue()
        self.line.close()
        self.server.close()
