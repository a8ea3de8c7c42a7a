"""What does the receiver make of hours of noise? Every frame that it claims there is a false one.

    .venv/bin/python conformance/noise.py --mode afsk300 --hours 24 --log noise.jsonl

Noise is made by the hour, each hour from its number, and goes through `dunlin decode`, the whole
receiver, once. One line of JSON an hour goes to the log; hours that stand there are not heard again,
so the same command goes on after a stop. `--sum` only adds the log up.

Kinds of noise: `white` (Gaussian), `discriminator` (Gaussian noise in the 15 kHz of an intermediate
frequency through an FM discriminator: what an open squelch gives, its power rises with the square of
the frequency; S. O. Rice, "Noise in FM receivers", 1963, from memory), `voice` (the same with the 6 dB per octave of
de-emphasis, as at a loudspeaker), `narrow` (white through 500 Hz around 1700 Hz, as from a short-wave
receiver's filter; for 300 Bd). Without --noise the hours take turns.
"""

import argparse
import json
import os
import resource
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.signal import firwin, lfilter

TOP = Path(__file__).resolve().parent.parent
KINDS = ["white", "discriminator", "voice"]
RATE = {"afsk300": 8000, "afsk600": 8000, "afsk1200": 8000}  # the others: 48000
PIECE_S = 10
PEAK = 3.5  # standard deviations at full scale
IF_RATE_HZ = 48000
IF_HALF_WIDTH_HZ = 7500


class Noise:
    """An endless noise of one kind, at `rate` samples a second, in pieces of PIECE_S."""

    def __init__(self, kind, rate, seed):
        self.kind, self.rate = kind, rate
        self.random = np.random.default_rng(seed)
        self.states = {}

    def piece(self):
        if self.kind == "white":
            return self._normal(self.rate)
        if self.kind == "narrow":
            taps = firwin(801, [1450, 1950], fs=self.rate, pass_zero=False)
            x = self._run("band", taps, [1.0], self._normal(self.rate))
            return x / np.sqrt(np.sum(taps**2))
        return self._discriminated()

    def _normal(self, rate):
        return self.random.standard_normal(PIECE_S * rate)

    def _run(self, name, b, a, x):
        """A filter that goes on where it stopped."""
        state = self.states.get(name, np.zeros(max(len(a), len(b)) - 1))
        y, self.states[name] = lfilter(b, a, x, zi=state)
        return y

    def _discriminated(self):
        taps = firwin(101, IF_HALF_WIDTH_HZ, fs=IF_RATE_HZ)
        i, q = (self._run(n, taps, [1.0], self._normal(IF_RATE_HZ)) for n in "iq")
        z = i + 1j * q
        before = self.states.get("last", 1.0)
        self.states["last"] = z[-1]
        turn = np.angle(z * np.conj(np.concatenate([[before], z[:-1]])))
        if self.kind == "voice":
            pole = np.exp(-2 * np.pi * 300 / IF_RATE_HZ)
            turn = self._run("de-emphasis", [1 - pole], [1.0, -pole], turn)
        if self.rate != IF_RATE_HZ:
            step = IF_RATE_HZ // self.rate
            turn = self._run("low", firwin(121, 0.45 * self.rate, fs=IF_RATE_HZ), [1.0], turn)[::step]
        return turn / np.std(turn)


def feed(pipe, noise, seconds):
    """Writes a WAV file of 16 bits to the pipe."""
    size = seconds * noise.rate * 2
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, noise.rate, noise.rate * 2, 2, 16)
    try:
        pipe.write(struct.pack("<4sI4s", b"RIFF", 36 + size, b"WAVE") + form)
        pipe.write(struct.pack("<4sI", b"data", size))
        for _ in range(seconds // PIECE_S):
            x = np.clip(noise.piece() / PEAK, -1, 1)
            pipe.write(np.round(x * 32767).astype("<i2").tobytes())
        pipe.close()
    except BrokenPipeError:
        pass  # the reader ended and says why


def hear(arguments, mode, kind, hour):
    """One hour through the program: what it told."""
    rate = RATE.get(mode, 48000)
    seconds = arguments.seconds
    with tempfile.TemporaryDirectory() as place:
        report = Path(place) / "report.json"
        command = [arguments.dunlin, "decode", "/dev/stdin", "--mode", mode, "--json", f"--report={report}"]
        command += ["--guesses"] if arguments.guesses else []
        began, cpu = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
        program = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=False)
        # The seed is of the mode, the kind and the hour, so that no two hours are the same.
        seed = [hour, *map(ord, mode + kind)]
        writer = threading.Thread(target=feed, args=(program.stdin, Noise(kind, rate, seed), seconds))
        writer.start()
        lines = [json.loads(line) for line in program.stdout.read().splitlines()]
        writer.join()
        assert program.wait() == 0, f"{command} ended with {program.returncode}"
        told = json.loads(report.read_text())
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    count = lambda key: sum(key in line for line in lines)
    return {
        "mode": mode, "noise": kind, "hour": hour, "seconds": seconds, "rate_hz": rate,
        "frames": count("frame"), "guesses": count("guess") if arguments.guesses else None,
        "told": lines,
        "unreadable": sum(m["unreadable"] for report in told["recordings"] for m in report["modes"]),
        "wall_s": round(time.monotonic() - began, 1),
        "cpu_s": round(used.ru_utime + used.ru_stime - cpu.ru_utime - cpu.ru_stime, 1),
    }


def total(log):
    """Prints what a log adds up to, by mode and noise."""
    sums = defaultdict(lambda: defaultdict(float))
    for line in log.read_text().splitlines():
        one = json.loads(line)
        for key in [(one["mode"], one["noise"]), (one["mode"], "all")]:
            add = sums[key]
            add["hours"] += one["seconds"] / 3600
            add["frames"] += one["frames"]
            add["repaired"] += sum(t.get("repaired_bits", 0) > 0 for t in one["told"] if "frame" in t)
            add["unreadable"] += one["unreadable"]
            if one["guesses"] is not None:
                add["hours for guesses"] += one["seconds"] / 3600
                add["guesses"] += one["guesses"]
            add["cpu_s"] += one["cpu_s"]
    for (mode, kind), add in sorted(sums.items()):
        print(f"{mode:9} {kind:14}", ", ".join(f"{name} {value:g}" for name, value in add.items()))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mode", action="append", help="a mode; may be given several times, hours then take turns")
    parser.add_argument("--hours", type=int, default=1, help="hours of each mode")
    parser.add_argument("--first", type=int, default=0, help="number of the first hour")
    parser.add_argument("--seconds", type=int, default=3600, help="length of an hour, for a quick try")
    parser.add_argument("--noise", choices=[*KINDS, "narrow"], help="one kind only")
    parser.add_argument("--guesses", action="store_true", help="count guesses too")
    parser.add_argument("--log", type=Path, default=Path("noise.jsonl"))
    parser.add_argument("--sum", action="store_true", help="add up the log and hear nothing")
    parser.add_argument("--dunlin", default=os.environ.get("DUNLIN", str(TOP / "target/release/dunlin")))
    arguments = parser.parse_args()
    known = set()
    if arguments.log.exists():
        for line in arguments.log.read_text().splitlines():
            one = json.loads(line)
            known.add((one["mode"], one["noise"], one["hour"], one["seconds"]))
    if not arguments.sum:
        for hour in range(arguments.first, arguments.first + arguments.hours):
            for mode in arguments.mode or ["afsk300", "afsk1200"]:
                kind = arguments.noise or KINDS[hour % len(KINDS)]
                if (mode, kind, hour, arguments.seconds) in known:
                    continue
                line = hear(arguments, mode, kind, hour)
                with arguments.log.open("a") as log:
                    log.write(json.dumps(line) + "\n")
                for told in line["told"]:
                    print(json.dumps(told), file=sys.stderr)
    total(arguments.log)


if __name__ == "__main__":
    main()
