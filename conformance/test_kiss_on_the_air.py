"""The whole station between KISS and KISS: Python plays the hardware controller on one side and
another program of the shack on the other. Frames are built from AX.25 2.2, section 3."""

import json
import socket
import subprocess
import time
import urllib.request

import pytest
from kiss import DATA, PATIENCE, frame, frames, parameters
from program import dunlin


def address(call, last, flag):
    """Section 3.12: six characters shifted left, then the SSID octet with C bit, two reserved
    bits that are one, and the extension bit."""
    name, _, ssid = call.partition("-")
    octets = bytes(ord(c) << 1 for c in name.ljust(6))
    return octets + bytes([flag << 7 | 0x60 | int(ssid or 0) << 1 | last])


def ui(source, to, text):
    """A UI command (section 4.3.3.6, control 03) without layer 3 (PID F0)."""
    return address(to, 0, 1) + address(source, 1, 0) + b"\x03\xf0" + text


class Stream:
    """One end of a TCP connection that speaks KISS."""

    def __init__(self, sock):
        self.sock, self.seen = sock, b""
        sock.settimeout(0.2)

    def send(self, octets):
        self.sock.sendall(octets)

    def wait(self, wanted, limit=PATIENCE):
        """The first frame for which `wanted` is true."""
        end = time.monotonic() + limit
        while time.monotonic() < end:
            for found in frames(self.seen):
                if wanted(found):
                    return found
            try:
                piece = self.sock.recv(4096)
            except TimeoutError:
                continue
            assert piece, f"closed after {frames(self.seen)}"
            self.seen += piece
        raise AssertionError(f"not within {limit} s; seen: {frames(self.seen)}")


@pytest.fixture
def shack(tmp_path):
    """A station with a controller on TCP, and the address of its own KISS server."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(PATIENCE)
    with socket.create_server(("127.0.0.1", 0)) as free:
        served = free.getsockname()[1]
    plan = tmp_path / "station.toml"
    plan.write_text(
        f"""
[station]
plan_version = 1
call = "1X1ABC"
[[port]]
name = "VHF"
mode = "afsk1200"
persistence = 0.1
[port.controller]
link = "tcp"
address = "127.0.0.1:{listener.getsockname()[1]}"
number = 3
[port.key]
method = "controller"
[port.limits]
settle_s = 0
[kiss_server]
enabled = true
port = {served}
"""
    )
    log = tmp_path / "log"
    process = subprocess.Popen(
        [dunlin(), "run", str(plan), "--port", "0"],
        stdout=open(log, "w"),
        stderr=subprocess.STDOUT,
        env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin"},
    )
    end = time.monotonic() + PATIENCE
    while "The page: " not in log.read_text():
        assert process.poll() is None and time.monotonic() < end, log.read_text()
        time.sleep(0.02)
    controller = Stream(listener.accept()[0])
    client = Stream(socket.create_connection(("127.0.0.1", served), timeout=PATIENCE))
    client.send(b"\xc0")
    page = log.read_text().split("The page: ")[1].split()[0]
    yield controller, client, page
    process.terminate()
    try:
        process.wait(30)
    finally:
        process.kill()
        listener.close()


def do(page, **command):
    request = urllib.request.Request(
        page + "api/command",
        data=json.dumps(command).encode(),
        headers={"Content-Type": "application/json", "Origin": page.rstrip("/")},
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        return json.load(answer)


def test_frames_pass_between_programs_people_and_the_controller(shack):
    controller, client, page = shack
    for expected in parameters(3):
        controller.wait(lambda found: found == expected)
    # A person writes to all: the frame reaches the controller as AX.25 octets.
    do(page, do="say_to_all", port=0, to="CQ", text="Ferry at 0740")
    controller.wait(lambda found: found == (3, DATA, ui("1X1ABC", "CQ", b"Ferry at 0740")))
    # Another program of the shack sends by our port, which is its port 0.
    other = ui("1X2DEF", "CQ", b"\xc0 and \xdb")
    client.send(frame(0, DATA, other))
    controller.wait(lambda found: found == (3, DATA, other))
    # What the controller hears reaches that program, and the list of stations heard.
    heard = ui("1X3GHI", "CQ", b"Wind is rising")
    controller.send(frame(3, DATA, heard))
    client.wait(lambda found: found == (0, DATA, heard))
    with urllib.request.urlopen(page + "api/snapshot", timeout=10) as answer:
        snapshot = json.load(answer)["snapshot"]
    assert any(station["call"] == "1X3GHI" for station in snapshot["heard"]), snapshot["heard"]


def test_a_stop_holds_what_programs_want_to_send(shack):
    controller, client, page = shack
    for expected in parameters(3):
        controller.wait(lambda found: found == expected)
    do(page, do="stop", by="a test", why="interference")
    held = ui("1X2DEF", "CQ", b"held")
    client.send(frame(0, DATA, held))
    time.sleep(2)
    with pytest.raises(AssertionError):
        controller.wait(lambda found: found[1] == DATA, limit=2)
    do(page, do="start", by="a test")
    controller.wait(lambda found: found == (3, DATA, held))
