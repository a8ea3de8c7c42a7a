"""KISS in both directions: the program as host of a controller that Python plays, and as
controller for hosts that Python plays."""

import os
import random
import socket

import pytest
from frames import Dice
from kiss import DATA, FEND, FESC, PATIENCE, TFEND, TFESC, Peer, Terminal, frame, frames, parameters


@pytest.fixture
def peers():
    """Starts programs under test, and ends them; each must end well."""
    started = []

    def start(*arguments):
        started.append(Peer(*arguments))
        return started[-1]

    yield start
    for peer in started:
        peer.close()


@pytest.fixture
def line(peers):
    """A serial line with the program at its other end, parameters already taken."""
    terminal = Terminal()
    peer = peers("serial", terminal.path, 9600, 0, 12)
    assert terminal.frames(8) == parameters(0) + parameters(12)
    peer.wait("ready")
    terminal.seen = b""
    yield terminal, peer
    terminal.close()


@pytest.fixture
def server(peers):
    """The program as a server of its ports 0 and 3, and its address."""
    peer = peers("serve", 0, 3)
    host, port = peer.wait("listening").split()[1].rsplit(":", 1)
    return peer, (host, int(port))


def connect(address):
    return socket.create_connection(address, timeout=PATIENCE)


def receive(sock, count):
    """The first `count` frames from a socket."""
    seen = b""
    while len(found := frames(seen)) < count:
        piece = sock.recv(4096)
        assert piece, f"closed after {found}"
        seen += piece
    return found


def test_octets_worked_by_hand():
    # Sections 2 to 4 of the paper, worked on paper.
    assert frame(0, DATA, b"\x01\xc0\x02\xdb\x03").hex() == "c00001dbdc02dbdd03c0"
    assert frame(0, 1, b"\x1e").hex() == "c0011ec0"
    assert frame(12, DATA, b"\x55").hex() == "c0dbdc55c0"
    assert frames(bytes.fromhex("c0c00001dbdc02dbdd03c0c0")) == [(0, 0, b"\x01\xc0\x02\xdb\x03")]


def test_controller_any_frames_both_ways(line):
    terminal, peer = line
    dice = Dice(8)
    ours = [dice.frame().encode() for _ in range(40)]
    nasty = bytes([FEND, FESC, TFEND, TFESC, FESC, FESC, FEND])
    ours.append(ours[0] + nasty * 20)
    for index, octets in enumerate(ours):
        peer.order("send", (0, 12)[index % 2], octets.hex())
        peer.wait(f"handed {index}")
    expected = [((0, 12)[i % 2], DATA, octets) for i, octets in enumerate(ours)]
    assert terminal.frames(len(ours)) == expected
    theirs = [dice.frame().encode() for _ in range(40)] + [ours[0][:20] + nasty * 9]
    for index, octets in enumerate(theirs):
        number = (12, 0)[index % 2]
        terminal.send(frame(number, DATA, octets))
        assert peer.wait("heard") == f"heard {number} {octets.hex().upper()}"


def test_controller_stream_cut_anywhere(line):
    terminal, peer = line
    pick, dice = random.Random(3), Dice(9)
    octets = [dice.frame().encode() + bytes([FEND, FESC]) for _ in range(20)]
    stream = b"".join(frame(0, DATA, each) for each in octets)
    while stream:
        size = pick.choice([1, 1, 2, 3, 50])
        terminal.send(stream[:size])
        stream = stream[size:]
    for each in octets:
        assert peer.wait("heard") == f"heard 0 {each.hex().upper()}"


def test_controller_every_cut_of_an_escape(line):
    terminal, peer = line
    whole = frame(12, DATA, b"\xc0\xdb" + bytes(range(20)))
    for cut in range(1, len(whole)):
        terminal.send(whole[:cut])
        # The program has surely read the first part when it has handed over another frame.
        peer.order("send", 0, "00")
        peer.wait(f"handed {cut - 1}")
        terminal.send(whole[cut:])
        assert peer.wait("heard").startswith("heard 12 C0DB")


def test_controller_what_is_no_frame_for_us(line):
    terminal, peer = line
    terminal.send(frame(5, DATA, Dice(1).frame().encode()))  # no such port in the plan
    terminal.send(frame(0, 7, b"\x01") + frame(0, 1, b"\x1e") + b"\xc0\xff\xc0")
    terminal.send(bytes([FEND] * 9))  # no frames at all
    terminal.send(bytes([FEND, 0, FEND]))  # an empty one
    terminal.send(bytes([FEND, 0, 1, 2, FESC, 0x41, FEND]))  # octets are missing
    terminal.send(frame(0, DATA, bytes(3000)))  # too long
    terminal.send(frame(0, DATA, b"good"))
    assert peer.wait("heard") == f"heard 0 {b'good'.hex().upper()}"
    assert peer.rest("heard") == []
    assert "its port 5" in peer.wait("advice", "port 5")
    peer.order("counts")
    counts = peer.wait("counts")
    for part in ["unknown_ports: 1", "unknown_commands: 3", "too_long: 1", "damaged: 1"]:
        assert part in counts, counts


@pytest.mark.parametrize(
    "octets",
    [b"\r\nReady.\r\n> ", b"? what\r\n", b"Welcome to the controller " * 30],
)
def test_controller_that_speaks_text(line, octets):
    terminal, peer = line
    terminal.send(octets)
    advice = peer.wait("advice")
    assert "plain text" in advice and "KISS mode as its handbook tells" in advice
    assert all(" " <= letter <= "~" for letter in advice)
    terminal.send(frame(0, DATA, b"good"))
    peer.wait("heard 0")


def test_controller_at_another_speed(line):
    terminal, peer = line
    pick = random.Random(5)
    terminal.send(bytes(pick.choice([0x80, 0xF8, 0xFE, 0x9B, 0xE6, 0x00]) for _ in range(200)))
    assert "speed" in peer.wait("advice", "make no frames")


def test_controller_that_repeats_what_it_gets(line):
    terminal, peer = line
    ours = Dice(2).frame().encode()
    peer.order("send", 0, ours.hex())
    peer.wait("handed")
    terminal.send(frame(0, DATA, ours))
    assert "returns our own frames" in peer.wait("advice")
    assert peer.rest("heard") == []


def test_controller_that_floods(line):
    terminal, peer = line
    terminal.send(frame(0, DATA, Dice(4).frame(20).encode()) * 4000)
    peer.wait("advice", "more than any radio")
    assert len(peer.rest("heard", 2)) < 2000
    assert len(peer.rest("advice")) == 0, "told once"
    peer.order("send", 0, "00")
    peer.wait("handed 0")


def test_controller_any_octets_do_no_harm(line):
    terminal, peer = line
    pick = random.Random(6)
    special = [FEND, FESC, TFEND, TFESC]
    for _ in range(30):
        junk = [pick.choice(special) if pick.random() < 0.3 else pick.randrange(256) for _ in range(400)]
        terminal.send(bytes(junk))
    terminal.send(bytes([FEND]) + frame(12, DATA, b"still there"))
    peer.wait(f"heard 12 {b'still there'.hex().upper()}")


def test_controller_unplugged_and_back(peers, tmp_path):
    name, first = tmp_path / "controller", Terminal()
    name.symlink_to(first.path)
    peer = peers("serial", name, 9600, 0)
    first.frames(4)
    peer.wait("ready")
    name.unlink()
    first.close()
    peer.wait("lost")
    peer.order("send", 0, "00")
    peer.wait("nothanded 0")
    second = Terminal()
    name.symlink_to(second.path)
    peer.wait("ready")
    assert second.frames(4) == parameters(0)
    peer.order("send", 0, "01")
    peer.wait("handed 1")
    assert second.frames(5)[4] == (0, DATA, b"\x01")
    second.close()


def test_controller_on_the_network(peers):
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(PATIENCE)
        peer = peers("tcp", f"127.0.0.1:{listener.getsockname()[1]}", 0, 15)
        for number in range(3):
            sock, _ = listener.accept()
            sock.settimeout(PATIENCE)
            assert receive(sock, 8) == parameters(0) + parameters(15)
            peer.wait("ready")
            peer.order("send", 15, "C0DB")
            peer.wait(f"handed {number}")
            assert receive(sock, 1) == [(15, DATA, b"\xc0\xdb")]
            sock.sendall(frame(15, DATA, bytes([number])))
            peer.wait(f"heard 15 0{number}")
            sock.close()
            peer.wait("lost")


@pytest.mark.parametrize(
    ("device", "words"),
    [(__file__, "a file and no serial line"), ("/tmp", "a folder"), ("ttyS0", "whole path")],
)
def test_controller_that_is_none(device, words):
    peer = Peer("serial", device, 9600, 0)
    assert words in peer.wait("error")
    assert peer.process.wait(timeout=PATIENCE) == 1


def test_server_any_frames_both_ways(server):
    peer, address = server
    dice = Dice(10)
    with connect(address) as sock:
        peer.wait("came 1")
        for index in range(40):
            octets, number = dice.frame().encode() + bytes([FEND, FESC, TFEND]), (0, 3)[index % 2]
            sock.sendall(frame(number, DATA, octets))
            assert peer.wait("client") == f"client 1 {number} {octets.hex().upper()}"
            peer.order("heard", number, octets.hex())
            assert receive(sock, 1) == [(number, DATA, octets)]
    peer.wait("went 1", "closed the connection")


def test_server_several_clients(server):
    peer, address = server
    socks = [connect(address) for _ in range(8)]
    for number in range(1, 9):
        peer.wait(f"came {number}")
    with connect(address) as ninth:
        assert ninth.recv(1) == b""
    peer.wait("refused", "8 clients")
    for index, sock in enumerate(socks):
        sock.sendall(frame(3, DATA, bytes([index])))
    told = sorted(peer.wait("client") for _ in socks)
    # Which connection became which number is the system's affair; all frames are there.
    assert sorted(line.split()[3] for line in told) == [f"{i:02X}" for i in range(8)]
    assert len({line.split()[1] for line in told}) == 8
    peer.order("heard", 0, "C0")
    for sock in socks:
        assert receive(sock, 1) == [(0, DATA, b"\xc0")]
        sock.close()


def test_server_split_escapes_and_empty_frames(server):
    peer, address = server
    with connect(address) as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        stream = bytes([FEND] * 3) + frame(0, DATA, bytes([FEND, FESC])) + bytes([FEND, 0, FEND])
        for octet in stream:
            sock.sendall(bytes([octet]))
        assert peer.wait("client") == "client 1 0 C0DB"
        assert peer.rest("client") == []


def test_server_says_what_has_no_effect(server):
    peer, address = server
    with connect(address) as sock:
        for _ in range(3):
            sock.sendall(frame(0, 1, b"\x1e") + frame(3, 2, b"\xff") + b"\xc0\xff\xc0")
            sock.sendall(frame(9, DATA, b"x") + frame(0, 0xC, b"abc") + frame(0, 9, b"x"))
            sock.sendall(bytes([FEND, 0, 1, FESC, 0x41, FEND]) + frame(0, DATA, bytes(3000)))
        sock.sendall(frame(0, DATA, b"good"))
        assert peer.wait("client") == f"client 1 0 {b'good'.hex().upper()}"
        for part in [
            "a parameter",
            "leave KISS",
            "port 9, which is not offered",
            "with acknowledgement",
            "unknown command 9",
            "a wrong escape",
            "3000 octets",
        ]:
            peer.wait("note 1", part)
        assert peer.rest("note") == [], "each is told once"


def test_server_cuts_a_flood_and_serves_the_others(server):
    peer, address = server
    with connect(address) as calm, connect(address) as wild:
        peer.wait("came 2")
        try:
            wild.sendall(frame(0, DATA, b"again") * 5000)
        except OSError:
            pass  # It was cut while it still sent.
        peer.wait("went", "frames a second")
        calm.sendall(frame(3, DATA, b"calm"))
        peer.wait("client", f"3 {b'calm'.hex().upper()}")


@pytest.mark.parametrize("start", [b"GET / HTTP/1.1\r\n", b"\x16\x03\x01\x02\x00", b"\x00"])
def test_server_cuts_what_is_no_kiss(server, start):
    peer, address = server
    with connect(address) as sock:
        sock.sendall(start + frame(0, DATA, b"sneaked in"))
        peer.wait("went 1", "which is no KISS")
    assert peer.rest("client") == []


def test_server_any_octets_do_no_harm(server):
    peer, address = server
    pick = random.Random(7)
    with connect(address) as sock:
        # No frame ends but the first, so that it counts as one endless frame.
        junk = bytes(pick.choice([o for o in range(256) if o != FEND]) for _ in range(100_000))
        sock.sendall(bytes([FEND]) + junk + frame(3, DATA, b"there"))
        peer.wait("client", f"3 {b'there'.hex().upper()}")
        assert "a frame of" in peer.wait("note 1", "octets")


def test_server_and_controller_in_a_row(server, peers):
    # The program is a host of itself: what one end sends, the other tells.
    peer, (host, port) = server
    client = peers("tcp", f"{host}:{port}", 0, 3)
    client.wait("ready")
    peer.wait("note 1", "a parameter")
    client.order("send", 3, os.urandom(64).hex())
    sent = peer.wait("client 1 3 ")
    peer.order("heard", 0, sent.split()[3])
    assert client.wait("heard 0 ").split()[2] == sent.split()[3]
