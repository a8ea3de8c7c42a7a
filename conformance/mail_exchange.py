"""The exchange of messages, written from docs/mail-exchange.md alone. One side of it, without a
link: octets go in by `hear`, and what it wants sent comes back."""

import hashlib
import re
import zlib
from pathlib import Path

PAGE = Path(__file__).resolve().parent.parent / "docs/mail-exchange.md"
HELLO, OFFER, ANSWERS, CHAIN, PIECE, OVER, END = 0xD1, 2, 3, 4, 5, 6, 7
WANTED, TAKEN, HAVE_IT, TOO_LARGE, NOT_AREA, HELD, NO_ROOM, LATER, DAMAGED = range(9)
PRECEDENCES = ["routine", "welfare", "priority", "emergency"]
KINDS = ["personal", "bulletin", "formal", "service"]
LETTERS = " 0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MOST_CONTENT = 100_090
MOST_ADDED, MOST_HELD = 64, 1_048_576
MOST_IDLE, FAIR_OCTETS = 16, 2048


class Unfit(Exception):
    """The other side sent what does not fit."""


def dictionary():
    block = re.search(r"```dictionary\n(.*?)```", PAGE.read_text(), re.S)[1]
    return " ".join(block.splitlines()).encode()


# Numbers and texts.


def number(n):
    octets = b""
    while n >= 128:
        octets += bytes([n & 127 | 128])
        n >>= 7
    return octets + bytes([n])


def signed(n):
    return number(2 * n if n >= 0 else -2 * n - 1)


def call(text):
    n = 0
    for letter in f"{text or '':6}":
        n = n * 37 + LETTERS.index(letter)
    return n.to_bytes(4, "big")


def identifier(id):
    return call(id[0]) + id[1].to_bytes(8, "big")


def text(words):
    return number(len(words.encode())) + words.encode()


class Cut(Unfit):
    """A field is not all there."""


class Reader:
    def __init__(self, octets):
        self.octets, self.at = octets, 0

    def left(self):
        return len(self.octets) - self.at

    def take(self, count):
        if self.left() < count:
            raise Cut("a field is cut")
        self.at += count
        return self.octets[self.at - count : self.at]

    def octet(self):
        return self.take(1)[0]

    def number(self):
        n = 0
        for place in range(9):
            octet = self.octet()
            n |= (octet & 127) << 7 * place
            if octet < 128:
                return n
        raise Unfit("a number is too long")

    def signed(self):
        n = self.number()
        return n // 2 if n % 2 == 0 else -(n + 1) // 2

    def call(self):
        n = int.from_bytes(self.take(4), "big")
        letters = ""
        for _ in range(6):
            n, digit = divmod(n, 37)
            letters = LETTERS[digit] + letters
        words = letters.rstrip()
        if n or " " in words:
            raise Unfit("no call sign")
        return words or None

    def identifier(self):
        return self.call(), int.from_bytes(self.take(8), "big")

    def text(self):
        return self.take(self.number()).decode()


# Messages. One is a dict: id (call, number), kind, precedence, from, written (seconds), title, body, chain
# (pairs of call and seconds), and of to (call, home), topic, area, about (an id) what its kind has.


def pack(message):
    content = call(message["from"][0]) + call(message["from"][1])
    content += text(message["title"]) + message["body"].encode()
    packer = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zdict=dictionary())
    return packer.compress(content) + packer.flush(), len(content)


def head(message, packed, content):
    kind = message["kind"]
    to = message.get("to")
    first = PRECEDENCES.index(message["precedence"]) | KINDS.index(kind) << 2
    if to and to[1]:
        first |= 16
    octets = bytes([first]) + identifier(message["id"]) + signed(message["written"])
    octets += number(packed) + number(content)
    if to:
        octets += call(to[0]) + (call(to[1]) if to[1] else b"")
    if kind == "service":
        octets += identifier(message["about"])
    if kind == "bulletin":
        octets += text(message["topic"]) + text(message["area"])
    return octets


def read_head(octets):
    reader = Reader(octets)
    first = reader.octet()
    offer = {
        "precedence": PRECEDENCES[first & 3],
        "kind": KINDS[first >> 2 & 3],
        "id": reader.identifier(),
        "written": reader.signed(),
    }
    sizes = reader.number(), reader.number()
    if offer["kind"] == "bulletin":
        offer["topic"], offer["area"] = reader.text(), reader.text()
    else:
        offer["to"] = reader.call(), reader.call() if first & 16 else None
    if offer["kind"] == "service":
        offer["about"] = reader.identifier()
    return offer, *sizes


def unpack(offer, packed, size, chain):
    unpacker = zlib.decompressobj(-15, zdict=dictionary())
    content = unpacker.decompress(packed, size + 1)
    if len(content) != size or not unpacker.eof or unpacker.unused_data:
        raise Unfit("it does not unpack to its size")
    reader = Reader(content)
    message = dict(offer, chain=chain)
    message["from"] = reader.call(), reader.call()
    message["title"] = reader.text()
    message["body"] = reader.take(reader.left()).decode()
    return message


def digest(head, packed):
    return hashlib.sha256(head + packed).digest()[:6]


def urgency(item):
    message = item["message"]
    rank = PRECEDENCES.index(message["precedence"])
    return -rank, message["kind"] == "bulletin", len(item["packed"])


class Side:
    """One side. `station` has `decide(offer, octets)`, which gives 0 or the code of a refusal for one with
    a text of so many octets at most, `store(message)`, which gives the moment in seconds, and `taken(id, moment)` and `refused(id, code)`."""

    def __init__(self, own, partner, calls, station, messages, partials, packed=100_000, turn=1024):
        self.own, self.partner, self.station = own, partner, station
        self.limits, self.theirs = (packed, turn), None
        self.partials = partials
        self.waiting = []
        for message in messages:
            octets, content = pack(message)
            top = head(message, len(octets), content)
            if partner != message["id"][0] and partner not in (c for c, _ in message["chain"]):
                self.waiting.append({"message": message, "packed": octets, "head": top})
        self.waiting.sort(key=urgency)
        self.offered, self.items = [], []
        self.answers = b""
        self.buffer, self.left, self.piece = b"", 0, None
        # Turns heard, and octets of chains and pieces, since an item was settled.
        self.idle, self.moved = 0, 0
        self.said_hello, self.ended, self.their_more, self.ours = False, None, True, calls

    def begin(self):
        return self.speak() if self.ours else b""

    # Hearing.

    def hear(self, octets):
        """What follows from octets of the other side: octets to send."""
        self.buffer += octets
        try:
            while self.ended is None and self.step():
                pass
        except (Unfit, UnicodeDecodeError, IndexError) as wrong:
            self.ended = f"{self.partner}: {wrong}"
            return self.record(END, str(wrong).encode()[:120])
        return self.speak() if self.ours and self.ended is None else b""

    def step(self):
        if self.left:
            part = self.buffer[: self.left]
            self.buffer = self.buffer[len(part) :]
            self.left -= len(part)
            if part and self.piece is not None:
                self.grow(part)
            return bool(part)
        reader = Reader(self.buffer)
        try:
            kind, length = reader.octet(), reader.number()
            numbers = (reader.number(), reader.number()) if kind == PIECE else None
        except Cut:
            return False
        start = Reader(self.buffer)
        start.octet(), start.number()
        if kind == PIECE:
            self.left = length - (reader.at - start.at)
            self.begin_piece(*numbers, self.left)
            self.moved += self.left
            self.buffer = self.buffer[reader.at :]
            if self.left == 0:
                self.grow(b"")
            return True
        if kind not in (HELLO, OFFER, ANSWERS, CHAIN, OVER, END):
            self.buffer, self.left, self.piece = self.buffer[start.at :], length, None
            return True
        if start.left() < length:
            return False
        payload = start.take(length)
        self.buffer = self.buffer[start.at :]
        self.take(kind, payload)
        return True

    def take(self, kind, payload):
        reader = Reader(payload)
        if kind == END:
            self.ended = payload.decode()
        elif self.ours:
            raise Unfit("out of turn")
        elif kind == HELLO:
            if self.theirs or reader.octet() < 1:
                raise Unfit("a second hello, or version 0")
            self.theirs = reader.number(), reader.number()
            self.waiting = [i for i in self.waiting if len(i["packed"]) <= self.theirs[0]]
        elif kind == OFFER:
            self.hear_offer(reader.take(6), payload[6:])
        elif kind == ANSWERS:
            if not payload:
                raise Unfit("answers without an entry")
            while reader.left():
                self.hear_answer(reader)
        elif kind == CHAIN:
            self.moved += len(payload)
            item = self.wanted(reader.number())
            item["chain"], last = [], item["offer"]["written"]
            while reader.left():
                who, last = reader.call(), last + reader.signed()
                item["chain"].append((who, last))
        elif kind == OVER:
            self.their_more = bool(reader.octet() & 1)
            self.ours = True
            self.idle += 1

    def hear_offer(self, hash, top):
        offer, packed, content = read_head(top)
        item = {"offer": offer, "hash": hash, "head": top, "packed": packed, "content": content}
        number_of = len(self.items)
        self.items.append(item)
        mine = [i for i in self.waiting if i["message"]["id"] == offer["id"]]
        for same in mine:
            self.waiting.remove(same)
            self.station.refused(offer["id"], HAVE_IT)
        if mine or offer["id"][0] == self.own:
            code = HAVE_IT
        elif packed > min(self.limits[0], content + MOST_ADDED) or content > MOST_CONTENT:
            code = TOO_LARGE
        else:
            # Beside the text there are two call signs, the length of the title, and the title.
            code = self.station.decide(offer, content - 8 - 1 - 1)
            held = sum(i["packed"] for i in self.items if i.get("open"))
            if code == WANTED and held + packed > MOST_HELD:
                code = LATER
        item["open"] = code == WANTED
        if item["open"]:
            item["octets"] = self.partials.get((offer["id"], hash), b"")
            self.answer(number_of, WANTED, number(len(item["octets"])))
        else:
            self.answer(number_of, code)

    def hear_answer(self, reader):
        item, code = self.offered[reader.number()], reader.octet()
        id = item["message"]["id"]
        if code == WANTED:
            item["from"] = reader.number()
            return
        self.idle, self.moved = 0, 0
        if code == TAKEN:
            moment = item["message"]["written"] + reader.signed()
            item["from"] = None
            item["settled"] = True
            self.station.taken(id, moment)
        else:
            item["from"], item["settled"] = None, True
            self.station.refused(id, code)

    # What comes in.

    def wanted(self, n):
        if n >= len(self.items) or not self.items[n].get("open"):
            raise Unfit(f"item {n} is not wanted")
        return self.items[n]

    def begin_piece(self, n, offset, length):
        item = self.wanted(n)
        if self.ours or offset != len(item["octets"]) or "chain" not in item:
            raise Unfit(f"a piece of item {n} out of order")
        if length == 0 and offset < item["packed"]:
            raise Unfit(f"a piece of item {n} without octets")
        self.piece = n

    def grow(self, octets):
        item = self.wanted(self.piece)
        item["octets"] += octets
        if len(item["octets"]) > item["packed"]:
            raise Unfit("a piece goes beyond the end")
        if len(item["octets"]) == item["packed"]:
            self.whole(self.piece, item)

    def whole(self, n, item):
        key = item["offer"]["id"], item["hash"]
        self.partials.pop(key, None)
        if digest(item["head"], item["octets"]) != item["hash"]:
            if item.get("again"):
                item["open"] = False
                return self.answer(n, DAMAGED)
            item["again"], item["octets"] = True, b""
            return self.answer(n, WANTED, number(0))
        item["open"] = False
        try:
            message = unpack(item["offer"], item["octets"], item["content"], item["chain"])
        except (Unfit, zlib.error, UnicodeDecodeError):
            return self.answer(n, DAMAGED)
        if self.own in (who for who, _ in item["chain"]):
            return self.answer(n, HAVE_IT)
        moment = self.station.store(message)
        return self.answer(n, TAKEN, signed(moment - message["written"]))

    def dropped(self):
        """The link has dropped, or the session ended: keep what is not whole."""
        for item in self.items:
            if item.get("open") and item["octets"]:
                self.partials[item["offer"]["id"], item["hash"]] = item["octets"]

    # Speaking.

    def answer(self, n, code, more=b""):
        self.answers += number(n) + bytes([code]) + more
        if code != WANTED:
            self.idle, self.moved = 0, 0

    @staticmethod
    def record(kind, payload):
        return bytes([kind]) + number(len(payload)) + payload

    def speak(self):
        octets = b""
        if not self.said_hello:
            self.said_hello = True
            limits = number(self.limits[0]) + number(self.limits[1])
            octets += self.record(HELLO, b"\x01" + limits)
        if self.answers:
            octets += self.record(ANSWERS, self.answers)
            self.answers = b""
        now = []
        while self.waiting and len(now) < 32 and len(self.offered) < 255:
            item = self.waiting.pop(0)
            now.append(item)
            self.offered.append(item)
            octets += self.record(OFFER, digest(item["head"], item["packed"]) + item["head"])
        bodies = self.bodies(min(map(urgency, now))[0] if now else 0)
        octets += bodies
        self.moved += len(bodies)
        if self.moved >= FAIR_OCTETS:
            self.idle, self.moved = 0, 0
        more = bool(self.waiting) or any(i.get("from") is not None for i in self.offered)
        idle = not more and all(i.get("settled") for i in self.offered)
        if idle and not self.their_more and not any(i["open"] for i in self.items):
            self.ended = ""
            return octets + self.record(END, b"")
        if self.idle >= MOST_IDLE:
            self.ended = "nothing gets done"
            return octets + self.record(END, self.ended.encode())
        self.ours = False
        return octets + self.record(OVER, bytes([more]))

    def bodies(self, floor):
        octets = b""
        room = min(self.limits[1], self.theirs[1]) if self.theirs else 0
        for item in sorted((i for i in self.offered if i.get("from") is not None), key=urgency):
            n, start, packed = self.offered.index(item), item["from"], item["packed"]
            chain = b"" if item.get("chain_sent") else self.chain(n, item)
            count = min(len(packed) - start, room - len(chain) - 6)
            if urgency(item)[0] > floor and floor < 0 or count < min(1, len(packed) - start):
                continue
            item["chain_sent"] = True
            payload = number(n) + number(start) + packed[start : start + count]
            octets += chain + self.record(PIECE, payload)
            room -= len(chain) + len(payload)
            item["from"] = start + count if start + count < len(packed) else None
        return octets

    def chain(self, n, item):
        payload, last = number(n), item["message"]["written"]
        for who, moment in item["message"]["chain"]:
            payload += call(who) + signed(moment - last)
            last = moment
        return self.record(CHAIN, payload)
