"""The data link of the program against a second one, written from the standard, over KISS and
TCP, with frames lost both ways: a file each way, octet for octet. With MEGABYTE set in the
environment it is a megabyte, which takes half a minute to a minute each."""

import os
import random
import subprocess
from pathlib import Path

import pytest

import link
from program import dunlin

LENGTH = 1_000_000 if os.environ.get("MEGABYTE") else 100_000


@pytest.mark.parametrize(
    "ours, theirs, calls",
    [
        ("2.2", "2.2", True),
        ("2.2", "2.2", False),
        ("2.0", "2.0", True),
        ("2.2", "2.0", True),
        ("2.0", "2.0", False),
    ],
)
def test_a_file_each_way(tmp_path, ours, theirs, calls):
    chance = random.Random(f"{ours} {theirs} {calls}")
    out, back = (chance.randbytes(LENGTH) for _ in range(2))
    (tmp_path / "out").write_bytes(out)
    other = link.Link("QM3BAR", "QA1SKY", theirs, back, 0.02, chance.random())
    path = Path(dunlin()).parent / "examples/link_peer"
    assert path.is_file(), f"{path} is not built; run ./check conformance"
    names = [other.address, "QA1SKY", "QM3BAR", ours, tmp_path / "out", tmp_path / "in"]
    count = [str(LENGTH)] if calls else []
    peer = subprocess.Popen([path, *names, *count], stdout=subprocess.PIPE, text=True)
    try:
        other.run(not calls, LENGTH, 240)
        told, _ = peer.communicate(timeout=30)
    finally:
        peer.kill()
    assert (tmp_path / "in").read_bytes() == back, told
    assert bytes(other.received) == out, told
    print(f"{other.lost} lost, {other.resent} sent again by the other side\n{told}")
