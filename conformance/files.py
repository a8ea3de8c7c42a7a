"""Files over a talk, written from docs/files.md alone. One side of it, without a link: octets go in
by `hear`, and `give` says what goes out next."""

import hashlib
import re
from pathlib import Path

PAGE = Path(__file__).resolve().parent.parent / "docs/files.md"
INTRODUCER = 0x1C
HELLO, OFFER, WANT, REFUSE, PIECE, STORED, WITHDRAW, QUIT = range(1, 9)
NOT_WANTED, HAVE_IT, TOO_LARGE, NO_ROOM, TOO_MANY, LATER, NOT_ALLOWED, DAMAGED, UNFIT = range(9)
MOST_PAYLOAD, MOST_FAULTS, MOST_LINE = 1024, 8, 512
DEVICES = re.compile(r"CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|CLOCK\$|(COM|LPT)[0-9¹²³]")
UNSEEN = "\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
BAD = re.compile(f'[/\\\\:*?"<>|\x00-\x1f\x7f-\x9f{UNSEEN}]')
MEDIA = re.compile(r"([A-Za-z0-9+.-]+/[A-Za-z0-9+.-]+)?")
TAG = re.compile(r" \[files ([0-9]+) ([0-9a-f]{8})\]$")


class Unfit(Exception):
    """The other side sent what does not fit."""


def number(n):
    octets = b""
    while n > 127:
        octets += bytes([n % 128 + 128])
        n //= 128
    return octets + bytes([n])


def text(words):
    return number(len(words.encode())) + words.encode()


class Reader:
    def __init__(self, octets):
        self.octets = octets

    def take(self, count):
        if count > len(self.octets):
            raise Unfit("a field is cut")
        taken, self.octets = self.octets[:count], self.octets[count:]
        return taken

    def octet(self):
        return self.take(1)[0]

    def number(self):
        n = 0
        for place in range(9):
            octet = self.octet()
            n += (octet & 127) << 7 * place
            if octet < 128:
                return n
        raise Unfit("a number is too long")

    def text(self):
        try:
            return self.take(self.number()).decode()
        except UnicodeDecodeError as wrong:
            raise Unfit("a text is not UTF-8") from wrong


def allowed(name, media, size):
    stem = name.split(".")[0].rstrip().upper()
    edges = name[:1] + name[-1:]
    return (
        1 <= len(name.encode()) <= 64
        and not BAD.search(name)
        and "." not in edges
        and not any(c.isspace() for c in edges)
        and not DEVICES.fullmatch(stem)
        and len(media) <= 40
        and bool(MEDIA.fullmatch(media))
        and 1 <= size <= 2**40
    )


def record(kind, payload, portion):
    """As many records as it takes so that each fits."""
    octets, room = b"", min(portion - 3, 254)
    while len(payload) > room:
        octets += bytes([INTRODUCER, room + 1, kind | 0x80]) + payload[:room]
        payload = payload[room:]
    return octets + bytes([INTRODUCER, len(payload) + 1, kind]) + payload


class Side:
    def __init__(self, own, partials=None, got=None, largest=100_000, portion=128, decide=None):
        self.own, self.largest, self.portion = own, largest, portion
        self.partials = {} if partials is None else partials  # by hash and size
        self.got = {} if got is None else got  # by hash
        self.decide = decide or (lambda name, size, media: None)
        self.typed, self.records = [], []
        self.waiting, self.line, self.part = b"", b"", None
        self.heard = b""
        self.tags_sent, self.tags = set(), set()
        self.theirs_largest, self.hello_queued, self.hello_given = None, False, False
        self.ours, self.theirs, self.order = {}, {}, []
        self.told, self.wanted = {}, {}  # our files by name: what came of it; from where
        self.faults, self.over = 0, None

    # What a person does.

    def type(self, line):
        self.typed.append(line)

    def offer(self, name, data, media="", size=None, digest=None):
        file = len(self.ours)
        size = len(data) if size is None else size
        digest = digest or hashlib.sha256(data).digest()
        self.ours[file] = dict(name=name, data=data, media=media, size=size, hash=digest, state="new")
        if self.theirs_largest is not None:
            self.offer_new()
        elif not self.hello_queued:
            self.tags_sent.add(digest[:4])
            self.tags.add(digest[:4])
            self.type(
                f"{self.own} offers the file {name}, {size} octets, about an hour on the air here."
                f" [files 1 {digest[:4].hex()}]\r".encode()
            )

    # What goes out.

    def give(self):
        if self.typed:
            line = self.typed.pop(0)
            return line.replace(b"\x1c", b"\x1c\x00") if self.hello_given else line
        if self.records:
            kind, payload = self.records.pop(0)
            self.hello_given |= kind == HELLO
            return record(kind, payload, self.portion)
        if not self.order:
            return b""
        file = self.order[0]
        item = self.ours[file]
        octets = item["data"][item["next"] : item["next"] + self.portion - 4]
        item["next"] += len(octets)
        if item["next"] >= len(item["data"]):
            item["state"] = "given"
            self.order.pop(0)
        return record(PIECE, bytes([file]) + octets, 257)

    def put(self, kind, payload):
        self.records.append((kind, payload))

    def say_hello(self, tag):
        if not self.hello_queued:
            self.hello_queued = True
            self.tags.add(tag)
            self.put(HELLO, b"\x01" + tag + number(self.largest))

    def offer_new(self):
        for file, item in self.ours.items():
            if item["state"] == "new" and item["size"] > self.theirs_largest:
                self.settle_ours(file, TOO_LARGE)
            elif item["state"] == "new":
                item["state"] = "offered"
                head = bytes([file]) + number(item["size"]) + item["hash"]
                self.put(OFFER, head + text(item["name"]) + text(item["media"]))

    def settle_ours(self, file, outcome):
        self.ours[file]["state"] = "settled"
        self.told[self.ours[file]["name"]] = outcome
        self.order = [f for f in self.order if f != file]

    # What comes in.

    def hear(self, octets):
        self.waiting += octets
        while self.waiting:
            at = self.waiting.find(INTRODUCER)
            if at:
                # Line by line, because a tag changes what may follow.
                end = re.search(rb"[\r\n\x1c]", self.waiting)
                end = len(self.waiting) if not end else end.end() - (end[0] == b"\x1c")
                self.hear_text(self.waiting[:end])
                self.waiting = self.waiting[end:]
            elif self.theirs_largest is None:
                if not self.look_for_hello():
                    return
            elif len(self.waiting) < 2 or len(self.waiting) < 2 + self.waiting[1]:
                return
            else:
                length = self.waiting[1]
                part, self.waiting = self.waiting[2 : 2 + length], self.waiting[2 + length :]
                if length:
                    self.hear_part(part)
                else:
                    self.heard += b"\x1c"

    def look_for_hello(self):
        """Whether the first octet could be dealt with."""
        w = self.waiting
        starts = any(
            (len(w) < 2 or 7 <= w[1] <= 32)
            and (len(w) < 3 or w[2] == HELLO)
            and (len(w) < 4 or w[3] > 0)
            and w[4:8] == tag[: len(w[4:8])]
            for tag in self.tags
        )
        if starts and (len(w) < 2 or len(w) < 2 + w[1]):
            return False
        try:
            if not starts:
                raise Unfit("no hello")
            reader = Reader(w[8 : 2 + w[1]])
            self.theirs_largest = reader.number()
        except Unfit:
            self.heard += w[:1]
            self.line += w[:1]
            self.waiting = w[1:]
            return True
        self.waiting = w[2 + w[1] :]
        self.say_hello(w[4:8])
        self.offer_new()
        return True

    def hear_text(self, octets):
        self.heard += octets
        if self.theirs_largest is not None:
            return
        self.line += octets
        if octets[-1:] not in (b"\r", b"\n"):
            return
        line, self.line = self.line[:-1], b""
        try:
            line = line.decode().strip()
        except UnicodeDecodeError:
            return
        if line.rstrip(".!").lower() in ("no", "no file"):
            for file, item in self.ours.items():
                if item["state"] == "new":
                    self.settle_ours(file, NOT_WANTED)
        found = TAG.search(line)
        if found and len(line.encode()) <= MOST_LINE and 1 <= int(found[1]) <= 255:
            tag = bytes.fromhex(found[2])
            if tag not in self.tags_sent:
                self.say_hello(tag)

    def hear_part(self, part):
        kind, more, octets = part[0] & 0x7F, part[0] & 0x80, part[1:]
        if self.part and self.part[0] != kind:
            self.part = (kind, None)
            self.fault(Unfit("a record in another"))
        payload = self.part[1] if self.part else b""
        if payload is not None:
            payload += octets
            if len(payload) > MOST_PAYLOAD:
                payload = None
                self.fault(Unfit("a record is too long"))
        self.part = (kind, payload) if more else None
        if more or payload is None or self.over is not None:
            return
        try:
            self.hear_record(kind, Reader(payload))
        except Unfit as wrong:
            self.fault(wrong)
            self.end_file(kind, payload, str(wrong))

    def fault(self, wrong):
        self.faults += 1
        if self.faults > MOST_FAULTS and self.over is None:
            self.over = str(wrong)
            self.put(QUIT, str(wrong).encode())

    def end_file(self, kind, payload, words):
        if not payload:
            return
        file = payload[0]
        if kind in (OFFER, PIECE) and (kind == OFFER or self.theirs.get(file)):
            self.theirs[file] = None
            self.put(REFUSE, bytes([file, UNFIT]) + words.encode())
        elif kind in (WANT, STORED, REFUSE) and file in self.ours:
            if self.ours[file]["state"] != "settled":
                self.settle_ours(file, "unfit")
                self.put(WITHDRAW, bytes([file]) + words.encode())

    def hear_record(self, kind, reader):
        if kind == HELLO:
            raise Unfit("a second hello")
        if kind == QUIT:
            self.over = reader.octets.decode()
            self.records = [r for r in self.records if r[0] == HELLO]
            self.order = []
        elif kind == OFFER:
            self.hear_offer(reader)
        elif kind == PIECE:
            self.hear_piece(reader.octet(), reader.octets)
        elif kind == WITHDRAW:
            file = reader.octet()
            if file not in self.theirs:
                raise Unfit("a withdrawal of what was not offered")
            self.theirs[file] = None
        elif kind in (WANT, REFUSE, STORED):
            self.hear_answer(kind, reader)

    def hear_answer(self, kind, reader):
        file = reader.octet()
        item = self.ours.get(file)
        if not item or item["state"] == "new":
            raise Unfit("an answer about what was not offered")
        if kind == WANT:
            start = reader.number()
            again = item["state"] == "given" and start == 0 and not item.get("again")
            if item["state"] == "settled":
                return
            if not again and not (item["state"] == "offered" and start < item["size"]):
                raise Unfit("a wish that does not fit")
            item["again"] = again
            item["state"], item["next"] = "going", start
            self.wanted[item["name"]] = start
            self.order.append(file)
        elif item["state"] == "settled":
            return
        elif kind == REFUSE:
            self.settle_ours(file, reader.octet())
        elif item["state"] == "going":
            raise Unfit("stored before all was sent")
        else:
            self.settle_ours(file, "stored")

    def hear_offer(self, reader):
        file, size, digest = reader.octet(), reader.number(), reader.take(32)
        name, media = reader.text(), reader.text()
        if self.theirs and file <= max(self.theirs):
            raise Unfit("a number that is not above those before")
        self.theirs[file] = None
        code = self.decide(name, size, media)
        if not allowed(name, media, size):
            code = NOT_ALLOWED
        elif size > self.largest:
            code = TOO_LARGE
        elif digest in self.got:
            code = HAVE_IT
        if code is not None:
            self.put(REFUSE, bytes([file, code]))
            return
        data = self.partials.get((digest, size), b"")
        self.theirs[file] = dict(name=name, size=size, hash=digest, data=data)
        if len(data) == size:
            self.whole(file)
        else:
            self.put(WANT, bytes([file]) + number(len(data)))

    def hear_piece(self, file, octets):
        if file not in self.theirs:
            raise Unfit("a piece of what is not wanted")
        item = self.theirs[file]
        if item is None:
            return
        if not octets or len(item["data"]) + len(octets) > item["size"]:
            raise Unfit("a piece without octets or beyond the end")
        item["data"] += octets
        self.partials[item["hash"], item["size"]] = item["data"]
        if len(item["data"]) == item["size"]:
            self.whole(file)

    def whole(self, file):
        item = self.theirs[file]
        if hashlib.sha256(item["data"]).digest() == item["hash"]:
            self.got[item["hash"]] = item["data"]
            self.theirs[file] = None
            self.put(STORED, bytes([file]))
        elif item.get("damaged"):
            self.theirs[file] = None
            self.put(REFUSE, bytes([file, DAMAGED]))
        else:
            item["damaged"], item["data"] = True, b""
            self.put(WANT, bytes([file]) + number(0))
        self.partials.pop((item["hash"], item["size"]), None)
