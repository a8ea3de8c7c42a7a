"""What `dunlin logs` writes, as others read it: contacts by two readers of ADIF (ours and
adif_io), tables by Python's csv and json, captures by the network analyser, recordings by
Python's wave and tarfile, scipy and the sigmf package.

The journal is one that the program made in a rehearsal. What people would not send by
themselves is put into its tables by us.
"""

import csv
import datetime
import io
import json
import re
import signal
import socket
import sqlite3
import subprocess
import tarfile
import time
import urllib.request

import adif_io
import capture
import contacts
import numpy as np
import program
import pytest
import sigmf
from scipy.io import wavfile

BEGAN = int(datetime.datetime(2027, 1, 15, 8, tzinfo=datetime.timezone.utc).timestamp() * 1000)
TALKS = "run, talk, wall_ms, port, local, remote, via, incoming, state, words, since_ms, opened_ms,"
TALKS += " waiting_octets, retries, last_heard_ms, connected_wall_ms"
LINES = "run, talk, line, wall_ms, at_ms, direction, text, complete, lost, octets"
FRAMES = "run, block, wall_ms, port, kind, start_ms, sender, addressee, via, what, text, octets, cut_octets"
HOSTILE = [
    "=HYPERLINK(\"http://example.org\";\"look\")",
    "+1+1",
    "-2+3",
    "@SUM(A1:A9)",
    "\t=1+1",
    "a,\"b\"\r\n=1+1",
    "<EOR><CALL:6>QZ9BAD<EOR>",
    "</script>\u2028\x00\x1b[2J",
    "'; DROP TABLE frames; --",
]
PLAN = """[station]
call = "QA1SKY"
[page]
password_hash = "(not kept)"
[[port]]
name = "VHF"
mode = "afsk1200"
[port.sound]
input = "pulse:a"
output = "pulse:a"
[port.radio]
kind = "vhf_fm"
dial_khz = 144800.0
"""


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    """A journal of a rehearsal with a run of ours behind it."""
    path = tmp_path_factory.mktemp("logs") / "a.journal"
    command = [program.dunlin(), "rehearse", "--port", "0", "--seed", "7", "--for", "25s", "--journal", path]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    with sqlite3.connect(path) as db:
        put_in(db)
    db.close()
    return path


def put_in(db):
    def insert(table, columns, *values):
        marks = ", ".join("?" * len(values))
        db.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", values)

    insert("runs", "run, call, began_wall_ms, ended_wall_ms", 100, "QA1SKY", BEGAN, BEGAN + 9_000_000)
    insert("ports", "run, port, name, mode, call", 100, 5, "VHF", "afsk1200", "QA1SKY")
    insert("ports", "run, port, name, mode, call", 100, 6, "K\u00fcste <EOR>", "afsk1200", "QA1SKY")
    insert("plans", "run, wall_ms, text", 100, BEGAN, PLAN)

    def talk(number, port, remote, incoming, connected, state="ended"):
        minute = number * 60_000
        insert(
            "talks", TALKS, 100, number, BEGAN + minute, port, "QA1SKY-1", remote, '["QD2HIL-1"]', incoming,
            state, "", minute + 50_000, minute, 0, 0, minute + 40_000, BEGAN + minute + 2000 if connected else None,
        )  # fmt: skip

    talk(1, 5, "QM3BAR-7", 0, True)  # We called and were answered.
    talk(2, 5, "QM3BAR", 0, False)  # We called in vain.
    talk(3, 5, "QX0RLF", 1, True)  # Was called, and nothing came: did they hear our answer?
    talk(4, 6, "QX0RLF", 1, True, "open")  # Was called, cut off, but a line came.
    insert("talk_lines", LINES, 100, 4, 1, BEGAN, 250_000, "received", "hello", 1, 0, b"hello")
    for number, text in enumerate(HOSTILE):
        insert("talk_lines", LINES, 100, 1, number, BEGAN, 61_000 + number, "received", text, 1, 0, text.encode())
    frame = bytes.fromhex("a2 82 62 a6 96 b2 e0 a2 9a 66 84 82 a4 61 03 f0") + b"hello"
    insert("frames", FRAMES, 100, 1, BEGAN, 5, "heard", 1500, "QM3BAR", "QA1SKY", "[]", "to all", "", frame, 0)
    insert("frames", FRAMES, 100, 2, BEGAN, 5, "sent", 2500, "QM3BAR", "QA1SKY", "[]", "to all", "", frame[:16], 5)
    insert("frames", FRAMES, 100, 3, BEGAN, 5, "unreadable", 3500, "", "", "[]", "", "", b"", 0)


def export(form, journal, tmp_path, *more):
    """The octets of an export to a file; to standard output they are the same."""
    path = tmp_path / f"a.{form}"
    program.run("logs", form, journal, "-o", path, *more)
    piped = subprocess.run(
        [program.dunlin(), "logs", form, journal, *more], capture_output=True, timeout=60, check=True
    )
    octets = path.read_bytes()
    # The time of writing is another one.
    assert re.sub(rb"STAMP:15>.{15}", b"", octets) == re.sub(rb"STAMP:15>.{15}", b"", piped.stdout)
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
    return octets


def test_contacts_as_two_readers_see_them(journal, tmp_path):
    octets = export("adif", journal, tmp_path)
    header, ours = contacts.read(octets)
    assert header["ADIF_VER"] == "3.1.6" and header["PROGRAMID"] == "Dunlin"
    assert re.fullmatch(r"\d{8} \d{6}", header["CREATED_TIMESTAMP"])
    theirs, their_header = adif_io.read_from_string(octets.decode("ascii"))
    assert [dict(each) for each in theirs] == ours
    assert their_header["ADIF_VER"] == "3.1.6"
    first, second = [each for each in ours if each["QSO_DATE"] == "20270115"]
    assert first == {
        "CALL": "QM3BAR", "QSO_DATE": "20270115", "TIME_ON": "080102", "QSO_DATE_OFF": "20270115",
        "TIME_OFF": "080150", "BAND": "2m", "FREQ": "144.800000", "MODE": "PKT", "STATION_CALLSIGN": "QA1SKY",
        "APP_DUNLIN_ADDRESS": "QM3BAR-7", "APP_DUNLIN_STATION_ADDRESS": "QA1SKY-1", "APP_DUNLIN_PORT": "VHF",
        "APP_DUNLIN_LINE_MODE": "afsk1200", "APP_DUNLIN_VIA": "QD2HIL-1", "APP_DUNLIN_CALLED_BY": "us",
    }  # fmt: skip
    assert second["CALL"] == "QX0RLF" and second["APP_DUNLIN_PORT"] == "K?ste <EOR>"
    assert second["TIME_OFF"] == "080440" and "FREQ" not in second and "BAND" not in second
    assert adif_io.time_on(theirs[-1]).isoformat().startswith("2027-01-15T08:04:02")


def test_tables_hold_everything_and_no_formula(journal, tmp_path):
    octets = export("csv", journal, tmp_path)
    text = octets.decode("utf-8")
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", "")
    table = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert all(None not in row and None not in row.values() for row in table)
    for row in table:
        for name, cell in row.items():
            number = re.fullmatch(r"-?\d+\.\d\d", cell)
            assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), (name, cell)
    (tmp_path / "a.csv").unlink()
    lines = export("json", journal, tmp_path).decode("utf-8").splitlines()
    objects = [json.loads(line) for line in lines]
    assert [each["record"] for each in objects] == [row["record"] for row in table]
    assert [each["time"] for each in objects] == [row["time"] for row in table]
    said = [each["text"] for each in objects if each["record"] == "line" and each["run"] == 100]
    assert sorted(said) == sorted([*HOSTILE, "hello"]), "in JSON every text is whole"
    kinds = {each["record"] for each in objects}
    assert kinds >= {"start", "frame", "talk", "line", "heard"}
    cut = [each for each in objects if each.get("cut_octets")]
    assert [(each["record"], each["cut_octets"]) for each in cut] == [("frame", 5)]


def test_filters(journal):
    def records(*more):
        return [json.loads(line) for line in program.run("logs", "json", journal, *more).splitlines()]

    some = records("--from", "2027-01-15T08:00", "--to", "2027-01-15T08:01")
    assert [each["record"] for each in some] == ["start", "frame", "frame", "frame"]
    assert {each["port"] for each in records("--port", "VHF", "--from", "2027-01-01")} == {"VHF"}
    assert records("--port", "there is none") == []
    for wrong in (["--from", "yesterday"], ["--from", "2027-01-02", "--to", "2027-01-01"]):
        done = subprocess.run([program.dunlin(), "logs", "csv", journal, *wrong], capture_output=True)
        assert done.returncode != 0 and not done.stdout


def test_frames_as_the_analyser_reads_them(journal, tmp_path):
    export("pcap", journal, tmp_path)
    read = capture.dissect(tmp_path / "a.pcap")
    ends = capture.ends(tmp_path / "a.pcap")
    with sqlite3.connect(journal) as db:
        kept = db.execute(
            "SELECT sender, addressee, octets, port, cut_octets FROM frames JOIN runs USING (run)"
            " WHERE kind <> 'unreadable' ORDER BY began_wall_ms + start_ms, frame"
        ).fetchall()
    db.close()
    assert len(read) == len(ends) == len(kept) > 5
    for layers, both, (sender, addressee, octets, port, cut) in zip(read, ends, kept, strict=True):
        assert layers["frame"]["frame.protocols"].startswith("ax25_kiss:ax25")
        assert both == (sender, addressee)
        whole = bytes.fromhex(layers["frame_raw"][0])
        assert whole == bytes([port << 4]) + octets
        assert int(layers["frame"]["frame.len"]) == len(whole) + cut
        assert int(layers["frame"]["frame.cap_len"]) == len(whole)
    assert float(read[-2]["frame"]["frame.time_epoch"].split("Z")[0]) == BEGAN / 1000 + 1.5


def test_a_name_is_forgotten(journal, tmp_path):
    copy = tmp_path / "b.journal"
    with sqlite3.connect(journal) as db, sqlite3.connect(copy) as other:
        db.backup(other)
        text = b"Marta VOSS asks"
        values = (100, 4, 2, BEGAN, 1, "received", text.decode(), 1, 0, text)
        other.execute(f"INSERT INTO talk_lines ({LINES}) VALUES ({', '.join('?' * 10)})", values)
    db.close()
    other.close()
    assert b"Marta VOSS" in copy.read_bytes()
    counted = program.run("logs", "forget", copy, "marta voss", "--no-mail", judge=False)
    assert counted.startswith("1 text with the name") and b"Marta VOSS" in copy.read_bytes()
    assert program.run("logs", "forget", copy, "marta voss", "--no-mail", "--yes").startswith("1 text deleted")
    assert b"marta voss" not in copy.read_bytes().lower()
    said = [json.loads(line) for line in program.run("logs", "json", copy).splitlines()]
    notes = [each["text"] for each in said if each["record"] == "note"]
    assert any("1 text was deleted from the journal" in text for text in notes)


@pytest.fixture(scope="module")
def made_up_station():
    """Serves the made-up feed of the web side, whose recording is a tone of 1000 Hz."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    example = program.TOP / "target/debug/examples/canned"
    if "DUNLIN" in program.os.environ:
        example = program.Path(program.dunlin()).parent / "examples/canned"
    with subprocess.Popen([example, str(port)], stdout=subprocess.DEVNULL) as station:
        yield f"http://127.0.0.1:{port}/api/recording?port=0&as="
        station.send_signal(signal.SIGTERM)


def fetch(address, path):
    for _ in range(100):
        try:
            with urllib.request.urlopen(address, timeout=10) as answer:
                path.write_bytes(answer.read())
                return answer.headers["Content-Disposition"]
        except (ConnectionError, urllib.error.URLError):
            time.sleep(0.1)
    raise AssertionError("nothing is served")


def is_the_tone(samples):
    assert len(samples) == 60 * 9600
    wanted = 0.5 * np.sin(2 * np.pi * 1000 / 9600 * np.arange(len(samples)))
    assert np.abs(samples - wanted).max() < 1e-6


def test_a_recording_as_others_read_it(made_up_station, tmp_path):
    offered = fetch(made_up_station + "wav", tmp_path / "a.wav")
    assert re.fullmatch(r'attachment; filename="VHF__made_up_-\d{8}T\d{9}Z\.wav"', offered)
    rate, samples = wavfile.read(tmp_path / "a.wav")
    assert rate == 9600 and samples.dtype == np.float32
    is_the_tone(samples)
    name = re.search(r'"(.*)"', fetch(made_up_station + "sigmf", tmp_path / "a.sigmf"))[1]
    with tarfile.open(tmp_path / "a.sigmf") as archive:
        stem = name.removesuffix(".sigmf")
        assert archive.getnames() == [stem, f"{stem}/{stem}.sigmf-meta", f"{stem}/{stem}.sigmf-data"]
    recording = sigmf.sigmffile.fromarchive(str(tmp_path / "a.sigmf"))
    recording.validate()
    about = recording.get_global_info()
    assert about["core:sample_rate"] == 9600 and about["core:datatype"] == "rf32_le"
    assert recording.get_captures()[0]["core:datetime"].endswith("Z")
    is_the_tone(recording.read_samples())
