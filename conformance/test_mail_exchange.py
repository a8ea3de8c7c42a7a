"""The exchange of messages of the program against a second one, written from its page: messages
both ways, over links that drop after any number of octets, and all compared."""

import json
import os
import subprocess
from pathlib import Path

import pytest

import mail_exchange as mx
from program import dunlin

DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
NOW = 1_796_000_000
US, THEM = "QM2REE", "QA1SKY"


def id_text(id):
    n, digits = id[1], ""
    for _ in range(13):
        n, digit = divmod(n, 32)
        digits = DIGITS[digit] + digits
    return f"{id[0]}:{digits}"


def address(pair):
    return f"{pair[0]} at {pair[1]}" if pair[1] else pair[0]


def as_json(message):
    """A message of the second implementation in the program's form."""
    shown = dict(message, id=id_text(message["id"]), written=message["written"] * 1000)
    shown["from"] = address(message["from"])
    shown["chain"] = [{"station": who, "at": at * 1000} for who, at in message["chain"]]
    if "to" in message:
        shown["to"] = address(message["to"])
    if "about" in message:
        shown["about"] = id_text(message["about"])
    return shown


def message(n, origin, kind, body, precedence="routine"):
    made = {
        "id": (origin, n * 0x123456789ABCD + 1),
        "kind": kind,
        "precedence": precedence,
        "from": ("QM3BAR", None if n % 2 else "QX0RLF"),
        "written": NOW - 1000 * n,
        "title": f"Number {n} – ferry",
        "body": body,
        "chain": [(origin, NOW - 1000 * n + 5)],
    }
    if kind == "bulletin":
        made["topic"], made["area"] = "FERRY", "ISLES"
    else:
        made["to"] = ("QX0RLF", "QA2HUT" if n % 3 else None)
    if kind == "service":
        made["about"] = ("QM3BAR", 2**64 - 1)
    return made


LETTER = (Path(mx.PAGE).parent.parent / "crates/mail/tests/exchange/english.txt").read_text()
OURS = [
    message(1, "QX3PEL", "personal", LETTER[:700]),
    message(2, "QX3PEL", "bulletin", "Ä ferry at noon.\n", "priority"),
    message(3, "QX3PEL", "service", "Delivered.\n"),
    message(4, "QX3PEL", "formal", LETTER[1000:4000], "welfare"),
]
THEIRS = [
    message(5, "QM3BAR", "formal", LETTER[5000:8000], "emergency"),
    message(6, "QM3BAR", "bulletin", LETTER[3000:3400]),
    message(7, "QM3BAR", "personal", ""),
]


class Station:
    """Keeps what the second implementation gets."""

    def __init__(self):
        self.stored, self.told, self.room = [], {}, None

    def decide(self, offer, octets):
        """What was accepted before takes of the room."""
        if any(m["id"] == offer["id"] for m in self.stored):
            return mx.HAVE_IT
        if self.room is not None:
            if octets > self.room:
                return mx.NO_ROOM
            self.room -= octets
        return mx.WANTED

    def store(self, message):
        message["chain"] = message["chain"] + [(US, NOW)]
        self.stored.append(message)
        return NOW

    def taken(self, id, moment):
        self.told[id] = moment

    def refused(self, id, code):
        self.told[id] = -code


def program():
    path = Path(dunlin()).parent / "examples/exchange_partner"
    assert path.is_file(), f"{path} is not built; run ./check conformance"
    return path


class Run:
    """The files of the program between sessions, and the other station."""

    def __init__(self, folder):
        self.offer, self.stored, self.kept = (folder / n for n in ("offer", "stored", "kept"))
        self.theirs = list(THEIRS)
        self.station, self.partials, self.arrived = Station(), {}, 0
        self.room = None

    def session(self, we_call, drop, chunk=50):
        """One session over a link that drops after so many octets of both ways."""
        self.offer.write_text("".join(json.dumps(as_json(m)) + "\n" for m in self.theirs))
        ours = [m for m in OURS if m["id"] not in self.station.told]
        side = mx.Side(US, THEM, we_call, self.station, ours, self.partials)
        words = [THEM, US, "called" if we_call else "calls", self.offer, self.stored, self.kept]
        words += [] if self.room is None else [self.room]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        peer = subprocess.Popen([program(), *map(str, words)], **pipes)
        try:
            self.talk(side, peer, drop, chunk)
            peer.stdin.close()
            told = peer.stderr.read().decode()
            assert peer.wait(30) == 0, told
        finally:
            peer.kill()
        side.dropped()
        events = list(map(json.loads, told.splitlines()))
        gone = {e.get("taken") or e.get("refused") for e in events}
        self.theirs = [m for m in self.theirs if id_text(m["id"]) not in gone]
        return side.ended, events

    def talk(self, side, peer, drop, chunk):
        sending = side.begin()
        while drop > 0:
            while sending and drop > 0:
                part = sending[: min(chunk, drop)]
                sending = sending[len(part) :]
                drop -= len(part)
                peer.stdin.write(part)
                peer.stdin.flush()
            if side.ended is not None or drop <= 0:
                return
            heard = os.read(peer.stdout.fileno(), min(chunk, drop))
            if not heard:
                return
            drop -= len(heard)
            sending = side.hear(heard)

    def compare(self):
        got = [json.loads(line) for line in self.stored.read_text().splitlines()]
        expected = [as_json(dict(m, chain=m["chain"] + [(THEM, NOW)])) for m in OURS]
        assert sorted(got, key=lambda m: m["id"]) == expected
        want = [dict(m, chain=m["chain"] + [(US, NOW)]) for m in THEIRS]
        assert sorted(self.station.stored, key=lambda m: m["id"]) == want
        assert not self.partials and not self.kept.read_text()


@pytest.mark.parametrize("we_call", [True, False])
def test_messages_both_ways_without_a_drop(tmp_path, we_call):
    run = Run(tmp_path)
    ended, events = run.session(we_call, 10**6)
    assert ended == "" and events[-1]["well"], (ended, events)
    run.compare()
    # Each side knows who has it now, since when.
    assert run.station.told == {m["id"]: NOW for m in OURS}
    steps = [e["step"] for e in events if "taken" in e]
    assert steps == [{"station": US, "at": NOW * 1000}] * len(THEIRS)
    # The urgent first: theirs as they were stored by us.
    assert [m["precedence"] for m in run.station.stored][0] == "emergency"


@pytest.mark.parametrize("we_call", [True, False])
def test_drops_at_many_octets(tmp_path, we_call):
    """One drop at octets spread over the whole exchange, and then a link that holds."""
    for drop in range(1, 5200, 149):
        folder = tmp_path / str(drop)
        folder.mkdir()
        run = Run(folder)
        ended, _ = run.session(we_call, drop, chunk=40)
        assert ended in (None, ""), (drop, ended)
        ended, events = run.session(not we_call, 10**6)
        assert ended == "" and events[-1]["well"], (drop, ended, events)
        run.compare()


def test_a_link_that_drops_again_and_again(tmp_path):
    """Every session is a few hundred octets, hardly more than the offers."""
    run = Run(tmp_path)
    for count in range(60):
        ended, _ = run.session(count % 2 == 0, 480 + 7 * count)
        if ended == "" and not run.theirs:
            break
    assert 5 < count < 59
    run.compare()


@pytest.mark.parametrize("we_call", [True, False])
def test_without_room_no_octet_of_a_body_is_sent(tmp_path, we_call):
    run = Run(tmp_path)
    # Of each side there is room for the smallest of those that come first, and for no other.
    run.room, run.station.room = 100, 100
    bodies = []
    pieces = mx.Side.begin_piece

    def noting(side, n, offset, length):
        bodies.append(side.items[n]["offer"]["id"])
        pieces(side, n, offset, length)

    mx.Side.begin_piece = noting
    try:
        ended, events = run.session(we_call, 10**6)
    finally:
        mx.Side.begin_piece = pieces
    assert ended == "" and events[-1]["well"], (ended, events)
    # Theirs: an emergency of 3000 octets, a bulletin of 400, and nothing at all.
    assert {m["id"] for m in run.station.stored} == set(bodies) == {THEIRS[2]["id"]}
    refused = {e["refused"]: e["why"] for e in events if "refused" in e}
    assert refused == {id_text(m["id"]): "no_room" for m in THEIRS[:2]}
    # Ours: the program has room for two short ones.
    no_room = {id for id, told in run.station.told.items() if told == -mx.NO_ROOM}
    assert no_room == {OURS[0]["id"], OURS[3]["id"]}
    assert not run.partials and not run.kept.read_text()
    # Who was refused keeps it, and offers it another time.
    run.theirs = list(THEIRS)
    run.station.told = {id: told for id, told in run.station.told.items() if told > 0}
    run.room, run.station.room = None, None
    ended, events = run.session(we_call, 10**6)
    assert ended == "" and events[-1]["well"], (ended, events)
    run.compare()


def test_nothing_that_was_kept_is_sent_again(tmp_path):
    run = Run(tmp_path)
    run.session(True, 3000)
    there = sum(map(len, run.partials.values()))
    kept = [json.loads(line) for line in run.kept.read_text().splitlines()]
    there += sum(len(k["octets"]) // 2 for k in kept)
    assert there > 300
    froms = []
    hear = mx.Side.hear_answer

    def noting(side, reader):
        at = reader.at
        froms.append(mx.Reader(reader.octets[at:]))
        hear(side, reader)

    mx.Side.hear_answer = noting
    try:
        run.session(True, 10**6)
    finally:
        mx.Side.hear_answer = hear
    starts = [(r.number(), r.octet(), r.number()) for r in froms]
    assert sum(start for _, code, start in starts if code == mx.WANTED) == sum(
        len(k["octets"]) // 2 for k in kept
    )
    run.compare()


def page_turns():
    """The first exchange of the page: who, and the octets."""
    block = mx.PAGE.read_text().split("## Octet by octet")[1].split("The same personal")[0]
    turns = []
    for line in block.splitlines():
        if line.strip() in (US, THEM):
            turns.append((line.strip(), b""))
        elif line.startswith("      "):
            who, octets = turns[-1]
            turns[-1] = who, octets + bytes.fromhex(line[15:])
    return turns


def records(octets):
    reader = mx.Reader(octets)
    while reader.left():
        kind = reader.octet()
        yield kind, reader.take(reader.number())


def test_the_page_reads_as_it_says():
    """The second implementation takes the place of the called side of the page's first exchange.
    Its octets are those of the page, but for what is packed, which may be packed otherwise."""
    bulletin = {
        "id": ("QX0RLF", 7),
        "kind": "bulletin",
        "topic": "FERRY",
        "area": "ISLES",
        "precedence": "priority",
        "from": ("QX0RLF", None),
        "written": NOW - 600,
        "title": "Ferry on Thursday",
        "body": "The ferry leaves Gannet Head at 14:00 UTC.\n",
        "chain": [("QX0RLF", NOW - 500), (US, NOW - 200)],
    }
    station = Station()
    side = mx.Side(US, THEM, False, station, [bulletin], {}, turn=2048)
    said = []
    turns = page_turns()
    for who, octets in turns:
        if who == THEM:
            said += records(side.hear(octets))
    shown = [record for who, octets in turns if who == US for record in records(octets)]
    assert [kind for kind, _ in said] == [kind for kind, _ in shown]
    for ours, theirs in zip(said, shown):
        assert ours == theirs or ours[0] in (mx.OFFER, mx.PIECE)
    assert side.ended == "" and station.told == {("QX0RLF", 7): NOW}
    assert station.stored[0]["body"] == "Please send 40 cots to Lee Cove with the next ferry. Ada\n"
    assert station.stored[0]["id"] == ("QM3BAR", 0x0123456789ABCDEF)
