"""Files over a talk of the program against a second implementation, written from its page: files both
ways while both sides type, over links that drop after any number of octets, and all compared."""

import hashlib
import json
import os
import random
import select
import subprocess
from pathlib import Path

import pytest

import files
from program import dunlin

US, THEM = "QM2REE", "QA1SKY"
TYPED = 12


def content(seed, octets):
    return random.Random(seed).randbytes(octets)


OURS = {"ferry.txt": content(1, 3000), "Fähre 2.png": content(2, 700)}
THEIRS = {"map.png": content(3, 4000), "tide.csv": content(4, 1), "log": content(5, 128)}


def program():
    path = Path(dunlin()).parent / "examples/files_partner"
    assert path.is_file(), f"{path} is not built; run ./check conformance"
    return path


class Run:
    """What both stations have between talks."""

    def __init__(self, folder, ours=OURS, theirs=THEIRS, portion=128):
        self.offered, self.taken = folder / "offered", folder / "taken"
        self.ours, self.portion = dict(ours), portion
        self.partials, self.got = {}, {}
        for path in (self.offered, self.taken):
            path.mkdir(parents=True)
        for name, data in theirs.items():
            (self.offered / name).write_bytes(data)

    def talk(self, drop=10**6, chunk=50, lie=None, decide=None):
        """One talk over a link that drops after so many octets of both ways."""
        side = files.Side(US, self.partials, self.got, portion=self.portion, decide=decide)
        for name, data in self.ours.items():
            side.offer(name, data, **(lie or {}))
        words = [THEM, self.portion, TYPED, self.offered, self.taken]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        peer = subprocess.Popen([program(), *map(str, words)], **pipes)
        try:
            said = self.carry(side, peer, drop, chunk)
            peer.stdin.close()
            told = peer.stderr.read().decode()
            assert peer.wait(30) == 0, told
        finally:
            peer.kill()
        events = list(map(json.loads, told.splitlines()))
        for name, outcome in side.told.items():
            if outcome in ("stored", files.HAVE_IT):
                self.ours.pop(name)
        for event in events:
            if "delivered" in event or event.get("why") == "it is there already":
                (self.offered / (event.get("delivered") or event["refused"])).unlink()
        heard = bytes.fromhex(events.pop()["heard"])
        assert said.startswith(heard)
        if drop == 10**6:
            assert heard == said
        return side, events

    def carry(self, side, peer, drop, chunk):
        """Moves octets until both are through or the link drops. Returns what this side typed."""
        said, typed = b"", 0
        while drop > 0:
            for line in side.typed[:1]:
                said += line
            octets = side.give()
            if octets and typed < TYPED:
                typed += 1
                side.type(b"Ours %d \x1c\x00\x05\r" % typed)
            for at in range(0, min(len(octets), drop), chunk):
                peer.stdin.write(octets[at : min(at + chunk, drop)])
                peer.stdin.flush()
            drop -= min(len(octets), drop)
            if drop <= 0:
                break
            if octets:
                wait = 0
            else:
                # An answer may be under way; it is not when all is settled.
                wait = 0.3 if self.through(side) else 20
            if select.select([peer.stdout], [], [], wait)[0]:
                heard = os.read(peer.stdout.fileno(), min(chunk, drop))
                if not heard:
                    break
                drop -= len(heard)
                side.hear(heard)
            elif not octets:
                assert self.through(side), "it stands still"
                break
        return said

    @staticmethod
    def through(side):
        settled = all(item["state"] == "settled" for item in side.ours.values())
        lines = side.heard.count(b", with \x1c in it\r")
        return settled and lines == TYPED and not any(side.theirs.values())

    def compare(self, ours=OURS, theirs=THEIRS):
        assert {p.name: p.read_bytes() for p in self.taken.iterdir()} == ours
        assert sorted(self.got.values()) == sorted(theirs.values())
        assert not self.ours and not list(self.offered.iterdir()) and not self.partials


def lines_of(side):
    return [line for line in side.heard.split(b"\r") if line.startswith(b"Line ")]


@pytest.mark.parametrize("portion", [16, 40, 128, 257])
def test_files_both_ways_while_both_type(tmp_path, portion):
    run = Run(tmp_path, portion=portion)
    side, _ = run.talk()
    run.compare()
    typed = [b"Line %d of QA1SKY, with \x1c in it" % n for n in range(TYPED)]
    assert lines_of(side) == typed
    assert side.told == {name: "stored" for name in OURS}
    assert b"QA1SKY offers the file map.png, 4000 octets, about" in side.heard


def test_a_drop_at_many_octets(tmp_path):
    """One drop at octets spread over the whole talk, and then a link that holds."""
    for drop in range(1, 9000, 311):
        run = Run(tmp_path / str(drop))
        run.talk(drop, chunk=40)
        side, events = run.talk()
        run.compare()
        typed = lines_of(side)
        assert len(typed) == TYPED and typed == sorted(typed, key=lambda line: int(line.split()[1]))


def test_what_was_kept_is_not_sent_again(tmp_path):
    run = Run(tmp_path)
    run.talk(5000)
    kept = {digest: len(data) for (digest, _), data in run.partials.items()}
    parts = {p.name[:-5]: p.stat().st_size for p in run.taken.glob("*.part")}
    assert kept and parts
    side, events = run.talk()
    run.compare()
    theirs = {e["wanted"]: e["from"] for e in events if "wanted" in e}
    for name, data in THEIRS.items():
        digest = hashlib.sha256(data).digest()
        assert theirs.get(name, 0) == kept.get(digest, 0)
    for name, data in OURS.items():
        assert side.wanted.get(name, 0) == parts.get(hashlib.sha256(data).hexdigest(), 0)


def test_a_wrong_hash_is_told_once_and_then_refused(tmp_path):
    run = Run(tmp_path, ours={"x": b"hello"}, theirs={})
    side, events = run.talk(lie={"digest": bytes(32)})
    assert side.told == {"x": files.DAMAGED} and {"damaged": True} in events
    assert not list(run.taken.iterdir())


def test_more_octets_than_were_offered_are_refused(tmp_path):
    run = Run(tmp_path, ours={"x": b"hello" * 100}, theirs={})
    side, _ = run.talk(lie={"size": 400})
    assert side.told == {"x": files.UNFIT} and not (run.taken / "x").exists()


def test_names_that_could_do_harm_are_refused(tmp_path):
    for number, name in enumerate(["../x", "a\\b", ".x", "con.txt", "x ", "a\u202eb", "LPT¹"]):
        assert not files.allowed(name, "", 5)
        run = Run(tmp_path / str(number), ours={name: b"hello"}, theirs={})
        side, _ = run.talk()
        assert side.told == {name: files.NOT_ALLOWED}, name


def test_this_side_refuses_and_the_program_is_told(tmp_path):
    run = Run(tmp_path, ours={})
    side, events = run.talk(decide=lambda name, size, media: files.NO_ROOM)
    assert [e["why"] for e in events if "refused" in e] == ["there is no room for it"] * len(THEIRS)
    assert not run.got


def page_talks():
    """The talks of the page: who, and the octets."""
    block = files.PAGE.read_text().split("## Octet by octet")[1].split("## What it costs")[0]
    talks = []
    for part in block.split("In the next talk"):
        talks.append([])
        for line in part.splitlines():
            if line.strip() in (US, THEM):
                talks[-1].append((line.strip(), b""))
            elif line.startswith("      ") and "= " not in line:
                who, octets = talks[-1][-1]
                talks[-1][-1] = who, octets + bytes.fromhex(line[15:])
    return talks


def test_the_page_reads_as_it_says():
    """The second implementation takes the place of QM2REE in both talks."""
    partials, got = {}, {}
    for number, turns in enumerate(page_talks()):
        side = files.Side(US, partials, got, largest=1 << 20)
        for index, (who, octets) in enumerate(turns):
            if who == US:
                said = b""
                while more := side.give():
                    said += more
                assert said == octets
            else:
                # In the first talk the link drops after 20 octets of the second piece, of 56.
                side.hear(octets[:-36] if number == 0 and index == len(turns) - 1 else octets)
        if number == 0:
            assert list(map(len, partials.values())) == [60]
            assert side.heard.endswith(b"]\rHere it comes.\r")
    assert list(map(len, got.values())) == [112] and not partials
