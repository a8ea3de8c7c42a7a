#!/usr/bin/env python3
"""Runs the fuzz targets for a while, one after the other.

    fuzz/run.py 600                 each target for 600 seconds
    fuzz/run.py 600 links kiss      only these
    fuzz/run.py --keep              makes the collections small and writes them to the repository

Needs `cargo install cargo-fuzz` and a nightly toolchain. A finding stays in fuzz/artifacts.
Prints how often each target was run, as libFuzzer counts it.
"""

import pathlib
import re
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
# Where the kept inputs are: those of the short run, and those of the targets that are not part of it.
SHORT_RUN = HERE.parent / "crates/rehearsal/tests/any_input/corpus"
OTHERS = HERE / "kept"
CORPUS = HERE / "corpus"
# In all, so that the files in the repository stay small.
MOST_KEPT_OCTETS = 12_000


def targets():
    return sorted(path.stem for path in (HERE / "fuzz_targets").glob("*.rs"))


def kept(target):
    own = OTHERS / f"{target}.txt"
    return own if own.exists() else SHORT_RUN / f"{target}.txt"


def unpack(target):
    """The kept inputs as files, which libFuzzer wants."""
    folder = CORPUS / target
    folder.mkdir(parents=True, exist_ok=True)
    for number, line in enumerate(kept(target).read_text().split()):
        (folder / f"kept-{number:04}").write_bytes(bytes.fromhex(line))
    return folder


def fuzz(target, *flags):
    command = ["cargo", "+nightly", "fuzz", "run", target, str(CORPUS / target), "--"]
    return subprocess.run(command + list(flags), cwd=HERE.parent, stderr=subprocess.PIPE, text=True)


def run(target, seconds):
    unpack(target)
    done = fuzz(target, f"-max_total_time={seconds}", "-max_len=4096", "-print_final_stats=1", "-timeout=20")
    count = re.search(r"stat::number_of_executed_units: (\d+)", done.stderr)
    print(f"{target}: {int(count[1]) if count else 0} executions", flush=True)
    if done.returncode:
        print(done.stderr[-4000:])
    return done.returncode == 0


def keep(target):
    """The fewest inputs that reach what all together reach, the smallest first, up to a limit."""
    folder, small = CORPUS / target, CORPUS / f"{target}-small"
    small.mkdir(exist_ok=True)
    for path in small.iterdir():
        path.unlink()
    command = ["cargo", "+nightly", "fuzz", "run", target, str(small), str(folder), "--", "-merge=1"]
    subprocess.run(command, cwd=HERE.parent, stderr=subprocess.DEVNULL, check=True)
    inputs = sorted((path.read_bytes() for path in small.iterdir()), key=lambda o: (len(o), o))
    lines, total = [], 0
    for octets in inputs:
        total += len(octets)
        if total > MOST_KEPT_OCTETS:
            break
        if octets:
            lines.append(octets.hex())
    kept(target).write_text("".join(line + "\n" for line in lines))
    print(f"{target}: {len(lines)} of {len(inputs)} inputs kept")


def main(arguments):
    if arguments[:1] == ["--keep"]:
        for target in arguments[1:] or targets():
            keep(target)
        return 0
    seconds = int(arguments[0])
    return 0 if all([run(target, seconds) for target in arguments[1:] or targets()]) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
