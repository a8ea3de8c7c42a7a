"""A journal of a million rows, and what the exports take for it: time and most memory.

    python3 conformance/speed/journal.py target/release/dunlin /tmp/big

The journal is made by the program itself (a rehearsal of some seconds) and then filled by
its own tables: a million frames, a hundred thousand lines and notes, ten thousand talks.
"""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

FRAMES, LINES, TALKS, NOTES, HEARD = 1_000_000, 100_000, 10_000, 100_000, 2_000
BEGAN = 1_800_000_000_000
COLUMNS = {
    "frames": "frame, run, block, wall_ms, port, kind, start_ms, end_ms, sender, addressee, via, what,"
    " text, octets, level_dbfs, offset_hz, twist_db, snr_db, why",
    "talks": "run, talk, wall_ms, port, local, remote, via, incoming, state, words, since_ms, opened_ms,"
    " waiting_octets, retries, last_heard_ms, connected_wall_ms",
    "talk_lines": "run, talk, line, wall_ms, at_ms, direction, text, complete, lost, octets",
    "notes": "run, wall_ms, at_ms, port, urgency, text",
    "stations_heard": "run, port, call, first_wall_ms, last_wall_ms, first_ms, last_ms, count, said",
}


def address(call, last):
    """Seven octets of an AX.25 address (version 2.2, section 3.12)."""
    return bytes(ord(c) << 1 for c in call.ljust(6)) + bytes([0x61 if last else 0xE0])


def call(n):
    return f"Q{chr(65 + n % 26)}{n // 26 % 10}{chr(65 + n // 260 % 26)}{chr(65 + n // 6760 % 26)}A"


def rows():
    """The rows of each table."""
    header = address("QA1SKY", False) + address("QM3BAR", True) + b"\x00\xf0"
    words = "The ferry leaves Bar Island at {:02}:{:02} if the wind allows it, number {}."
    for n in range(FRAMES):
        text = words.format(n // 60 % 24, n % 60, n)
        yield "frames", (
            n + 1_000_000, 1000 + n // 100_000, n, BEGAN + n * 3000, n % 2, ("heard", "sent")[n % 5 == 0], n * 3000,
            n * 3000 + 900, call(n % 200), "QA1SKY", "[]", "text 0", f'{call(n % 200)} > QA1SKY : I "{text}"',
            header + text.encode(), -20.5, 3.25, 0.5, 22.0, None,
        )  # fmt: skip
    for n in range(TALKS):
        at = n * 300_000
        yield "talks", (
            1000 + n * 10 // TALKS, n, BEGAN + at, n % 2, "QA1SKY", call(n % 200), "[]", n % 2, "ended",
            "ended by the other station", at + 200_000, at, 0, 0, at + 199_000, BEGAN + at + 4000 if n % 3 else None,
        )  # fmt: skip
    for n in range(LINES):
        talk = n * TALKS // LINES
        yield "talk_lines", (
            1000 + talk * 10 // TALKS, talk, n, BEGAN + n * 30_000, n * 30_000, ("received", "sent")[n % 2],
            words.format(0, 0, n), 1, 0, words.format(0, 0, n).encode(),
        )  # fmt: skip
    for n in range(NOTES):
        yield "notes", (1000 + n * 10 // NOTES, BEGAN + n * 30_000, n * 30_000, None, "plain", f"note {n}")
    for n in range(HEARD):
        yield "stations_heard", (1000 + n % 10, n % 2, call(n), BEGAN, BEGAN + n, 0, n, n, "here I am")


def make(program, path):
    """A journal by the program, filled by us."""
    command = [program, "rehearse", "--port", "0", "--journal", path]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as rehearsal:
        time.sleep(4)
        rehearsal.send_signal(signal.SIGINT)
    with sqlite3.connect(path) as db:
        for run in range(1000, 1010):
            db.execute("INSERT INTO runs VALUES (?, 'QA1SKY', ?, ?)", (run, BEGAN, BEGAN + 1))
            for port, name in enumerate(("VHF", "HF")):
                db.execute("INSERT INTO ports VALUES (?, ?, ?, 'afsk1200', 'QA1SKY')", (run, port, name))
        for table, row in rows():
            marks = ", ".join("?" * len(row))
            db.execute(f"INSERT INTO {table} ({COLUMNS[table]}) VALUES ({marks})", row)
    db.close()


def measured(*command):
    """Seconds and most memory (MB) of a command, which only this function waits for."""
    began = time.monotonic()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    assert status in (0, 256), f"{command}: {status}"  # 256: counted only, nothing deleted
    return time.monotonic() - began, usage.ru_maxrss / 1000


def main():
    program, folder = sys.argv[1], Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    journal = folder / "big.journal"
    if not journal.exists():
        make(program, str(journal))
    print(f"journal: {journal.stat().st_size / 1e6:.0f} MB")
    for form in ("adif", "csv", "json", "pcap"):
        out = folder / f"big.{form}"
        seconds, mb = measured(program, "logs", form, str(journal), "-o", str(out))
        print(f"{form:7} {seconds:6.1f} s {mb:6.0f} MB of memory, {out.stat().st_size / 1e6:.0f} MB written")
    for more in ([], ["--yes"]):
        seconds, mb = measured(program, "logs", "forget", str(journal), "number 777777", "--no-mail", *more)
        print(f"forget {' '.join(more):5} {seconds:6.1f} s {mb:6.0f} MB of memory")


if __name__ == "__main__":
    main()
