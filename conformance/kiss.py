"""KISS, written from the published paper: M. Chepponis, P. Karn, "The KISS TNC: A Simple
Host-to-TNC Communications Protocol", 6th ARRL Computer Networking Conference, 1987.
Nothing here was taken from the Rust side.
"""

import os
import queue
import select
import subprocess
import threading
import time
import tty
from pathlib import Path

from program import dunlin

# Section 2: the four special octets.
FEND, FESC, TFEND, TFESC = 0xC0, 0xDB, 0xDC, 0xDD
# Section 4: commands in the low nibble of the type octet.
DATA, TXDELAY, PERSISTENCE, SLOT_TIME, TX_TAIL, FULL_DUPLEX = range(6)
# Far more than anything here ever takes.
PATIENCE = 30


def frame(port, command, content):
    """The octets of one frame on the line."""
    body = bytes([port << 4 | command]) + bytes(content)
    # Escape the escapes first, or those made for frame ends would be escaped again.
    body = body.replace(bytes([FESC]), bytes([FESC, TFESC]))
    body = body.replace(bytes([FEND]), bytes([FESC, TFEND]))
    return bytes([FEND]) + body + bytes([FEND])


def frames(stream):
    """All whole frames of a stream as (port, command, content). Strict: fails on anything
    that a correct sender does not send."""
    assert not stream or stream[0] == FEND, stream[:10].hex()
    found = []
    for body in stream[: stream.rfind(FEND) + 1].split(bytes([FEND])):
        if not body:
            continue  # Section 2: frame ends in a row are one.
        plain, octets = bytearray(), iter(body)
        for octet in octets:
            if octet == FESC:
                follower = next(octets)
                assert follower in (TFEND, TFESC), f"escape and {follower:02X}"
                octet = FEND if follower == TFEND else FESC
            plain.append(octet)
        found.append((plain[0] >> 4, plain[0] & 15, bytes(plain[1:])))
    return found


def parameters(port, txdelay=30, persistence=25, slot_time=10, duplex=0):
    """What the program under test sends for a port that keys 300 ms ahead, with persistence
    0.1 (section 4: P = 0.1 * 256 - 1, rounded), slots of 100 ms, in half duplex."""
    values = [
        (TXDELAY, txdelay),
        (PERSISTENCE, persistence),
        (SLOT_TIME, slot_time),
        (FULL_DUPLEX, duplex),
    ]
    return [(port, command, bytes([value])) for command, value in values]


class Terminal:
    """A pseudo-terminal that plays a controller on a serial line."""

    def __init__(self):
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)
        self.seen = b""

    def send(self, octets):
        while octets:
            octets = octets[os.write(self.master, octets) :]

    def frames(self, count):
        """The first `count` frames that were received so far, waiting for them."""
        deadline = time.monotonic() + PATIENCE
        while len(found := frames(self.seen)) < count:
            assert time.monotonic() < deadline, f"only {found}"
            if select.select([self.master], [], [], 0.05)[0]:
                try:
                    self.seen += os.read(self.master, 4096)
                except OSError:  # Nobody has the far side open.
                    time.sleep(0.02)
        return found

    def close(self):
        os.close(self.master)


class Peer:
    """The program under test: lines in, lines out."""

    def __init__(self, *arguments):
        path = Path(dunlin()).parent / "examples/kiss_peer"
        assert path.is_file(), f"{path} is not built; run ./check conformance"
        self.process = subprocess.Popen(
            [path, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        self.lines = queue.Queue()
        self.past = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.put(line.rstrip("\n"))

    def order(self, *words):
        self.process.stdin.write(" ".join(map(str, words)) + "\n")
        self.process.stdin.flush()

    def wait(self, start, part=""):
        """The first line, not given out before, that begins and contains so."""
        deadline = time.monotonic() + PATIENCE
        while True:
            for line in self.past:
                if line.startswith(start) and part in line:
                    self.past.remove(line)
                    return line
            try:
                self.past.append(self.lines.get(timeout=max(0.01, deadline - time.monotonic())))
            except queue.Empty:
                raise AssertionError(f"no '{start} ... {part}', only {self.past}") from None

    def rest(self, start, seconds=0.3):
        """The lines with this beginning that have come or come in the next moments."""
        deadline = time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            try:
                self.past.append(self.lines.get(timeout=left))
            except queue.Empty:
                break
        return [line for line in self.past if line.startswith(start)]

    def close(self):
        self.process.stdin.close()
        assert self.process.wait(timeout=PATIENCE) == 0
