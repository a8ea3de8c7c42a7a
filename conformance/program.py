"""Runs the program under test as a user would: its command line and its files."""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
from scipy.io import wavfile

TOP = Path(__file__).resolve().parent.parent


def dunlin():
    """The program: named by the environment, or the one that cargo builds."""
    path = Path(os.environ.get("DUNLIN", TOP / "target/debug/dunlin"))
    assert path.is_file(), f"{path} is not built; run ./check conformance"
    return str(path)


def run(*arguments, judge=True):
    """Runs `dunlin` with these arguments and returns what it prints. With `judge`
    it must end well."""
    done = subprocess.run(
        [dunlin(), *map(str, arguments)], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0 or not judge, f"dunlin {arguments}: {done.returncode}\n{done.stderr}"
    return done.stdout


def decode(path, mode):
    """The frames that `dunlin decode` finds, as its JSON objects."""
    return list(map(json.loads, run("decode", path, "--mode", mode, "--json").splitlines()))


def write_wav(path, samples, rate, kind):
    """Samples of -1 to 1 to a WAV file of one of the kinds below."""
    samples = np.clip(samples, -1, 1)
    if kind == "float32":
        wavfile.write(path, rate, samples.astype(np.float32))
    elif kind == "u8":
        wavfile.write(path, rate, np.round(samples * 127 + 128).astype(np.uint8))
    elif kind == "i16":
        wavfile.write(path, rate, np.round(samples * 32767).astype(np.int16))
    elif kind == "i32":
        wavfile.write(path, rate, np.round(samples * (2**31 - 1)).astype(np.int32))
    else:
        raise ValueError(kind)


def read_wav(path):
    """Samples of -1 to 1, and the rate."""
    rate, samples = wavfile.read(path)
    assert samples.ndim == 1, f"{path} is not mono"
    if samples.dtype.kind == "f":
        return samples.astype(float), rate
    return samples / float(np.iinfo(samples.dtype).max), rate
