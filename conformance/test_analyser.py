"""Our frames as a general network analyser (tshark) reads them.

Sources: link type 202 from the tcpdump group's list of link-layer header types;
the meaning of the analyser's fields from its own field list (tshark -G fields).
"""

import json
import re

import capture
import program
import sound
import wire
from frames import UNNUMBERED, Dice, Frame

# The analyser (4.0 seen) reads a PID after UI only if P/F is 0, though AX.25
# v2.2 rev 4 section 3.4 gives every UI frame one. Left out of the comparison.
UI_WITH_POLL = 0x13


def expected(frame):
    """What the analyser should say about this frame, field by field."""
    chain = [frame.destination, frame.source, *frame.repeaters]
    octets = frame.encode()
    names = ["ax25.dst", "ax25.src", *(f"ax25.via{n + 1}" for n in range(len(frame.repeaters)))]
    said = {name: octets[7 * n : 7 * n + 7].hex(":") for n, name in enumerate(names)}
    said["ax25.ctl"] = f"0x{frame.control:02x}"
    if frame.pid is not None and frame.control != UI_WITH_POLL:
        said["ax25.pid"] = f"0x{frame.pid:02x}"
    command = chain[0].bit7
    said.update(_control(frame.control, command))
    return said


def _control(control, command):
    """The parts of a control octet (AX.25 v2.2 rev 4, Figs 4.1 to 4.4)."""
    said = {}
    if control & 0x10:
        said["ax25.ctl.p" if command else "ax25.ctl.f"] = "1"
    if control & 1 == 0:
        said["ax25.ctl.n_s"] = str(control >> 1 & 7)
        said["ax25.ctl.n_r"] = str(control >> 5)
    elif control & 2 == 0:
        said["ax25.ctl.ftype_s"] = f"0x{control >> 2 & 3:02x}"
        said["ax25.ctl.n_r"] = str(control >> 5)
    else:
        kind = (control & 0xEC) >> 2
        said["ax25.ctl.u_cmd" if command else "ax25.ctl.u_resp"] = f"0x{kind:02x}"
    return said


def fields(layers):
    """The analyser's fields of the AX.25 layer, without its raw octets."""
    flat = {**layers["ax25"], **layers["ax25"].get("ax25.ctl_tree", {})}
    wanted = ("ax25.dst", "ax25.src", "ax25.via", "ax25.ctl", "ax25.pid")
    skipped = ("_raw", "_tree", "ftype_i", "ftype_su")
    return {
        name: value
        for name, value in flat.items()
        if name.startswith(wanted) and not name.endswith(skipped)
    }


def information(layers):
    """The octets that the analyser leaves over as data."""
    inner = layers.get("ax25_nol3", layers)
    return bytes.fromhex(inner["data_raw"][0]) if "data_raw" in inner else b""


# The one line in which our program shows a frame.
LINE = re.compile(
    r"(?P<source>\S+) > (?P<destination>\S+)(?: via (?P<via>[^:]+))? : (?P<kind>[A-Z]+)"
    r"(?P<role> command| response)?(?: ns (?P<ns>\d))?(?: nr (?P<nr>\d))?(?P<bit> poll| final)?"
)
# The analyser's numbers for the kinds of frame, from its list of values.
KINDS_S = {"0x00": "RR", "0x01": "RNR", "0x02": "REJ", "0x03": "SREJ"}
KINDS_U = {
    f"0x{(base & 0xEC) >> 2:02x}": name for name, (base, _) in {**UNNUMBERED, "FRMR": (0x87, "")}.items()
}


def same_in_words(line, layers, ends):
    """Our line about a frame says what the analyser's fields say."""
    ours = LINE.match(line)
    assert ours, f"unknown form: {line}"
    said = fields(layers)
    assert (ours["source"], ours["destination"]) == ends
    via = [name for name in said if name.startswith("ax25.via")]
    assert len(ours["via"].split(",") if ours["via"] else []) == len(via)
    if "ax25.ctl.n_s" in said:
        kind = "I"
    elif "ax25.ctl.ftype_s" in said:
        kind = KINDS_S[said["ax25.ctl.ftype_s"]]
    else:
        kind = KINDS_U[said.get("ax25.ctl.u_cmd") or said["ax25.ctl.u_resp"]]
    assert ours["kind"] == kind
    assert (ours["ns"], ours["nr"]) == (said.get("ax25.ctl.n_s"), said.get("ax25.ctl.n_r"))
    bits = {"1": " poll"}.get(said.get("ax25.ctl.p")), {"1": " final"}.get(said.get("ax25.ctl.f"))
    assert ours["bit"] == (bits[0] or bits[1])
    if ours["role"]:
        other = {" command": "ax25.ctl.u_resp", " response": "ax25.ctl.u_cmd"}[ours["role"]]
        assert other not in said


def agree(frames, path):
    """Every field of every frame, as meant and as read."""
    capture.write(path, [frame.encode() for frame in frames])
    read = capture.dissect(path)
    ends = capture.ends(path)
    assert len(read) == len(ends) == len(frames)
    for frame, layers, (source, destination) in zip(frames, read, ends):
        assert fields(layers) == expected(frame)
        assert (source, destination) == (str(frame.source), str(frame.destination))
        if frame.pid == 0xF0 and frame.control != UI_WITH_POLL:
            assert information(layers) == frame.info


def test_frames_of_every_kind_through_our_receiver(tmp_path):
    dice = Dice("analyser")
    frames = [dice.frame(longest=40) for _ in range(60)]
    audio = sound.samples(wire.enclose([f.encode() for f in frames]), sound.MODES["fsk9600"], 48000)
    program.write_wav(tmp_path / "a.wav", sound.recording([audio], 48000, -6, 30, 1), 48000, "i16")
    heard = program.decode(tmp_path / "a.wav", "fsk9600")
    octets = [bytes.fromhex(each["frame"]) for each in heard]
    assert octets == [frame.encode() for frame in frames]
    agree(frames, tmp_path / "a.pcap")
    read = capture.dissect(tmp_path / "a.pcap")
    ends = capture.ends(tmp_path / "a.pcap")
    for each, layers, both in zip(heard, read, ends, strict=True):
        same_in_words(each["text"], layers, both)


def test_the_capture_that_our_decoder_writes(tmp_path):
    dice = Dice("capture")
    frames = [dice.frame(longest=40) for _ in range(20)]
    audio = sound.samples(wire.enclose([f.encode() for f in frames]), sound.MODES["fsk9600"], 48000)
    program.write_wav(tmp_path / "a.wav", sound.recording([audio], 48000, -6, 30, 1), 48000, "i16")
    said = program.run("decode", tmp_path / "a.wav", "--json", "--pcap", tmp_path / "a.pcap")
    starts = [json.loads(line)["start_s"] for line in said.splitlines()]
    read = capture.dissect(tmp_path / "a.pcap")
    assert len(read) == len(frames) == len(starts)
    for frame, layers, start in zip(frames, read, starts, strict=True):
        assert fields(layers) == expected(frame)
        assert layers["frame"]["frame.protocols"].startswith("ax25_kiss:ax25")
        assert abs(float(layers["frame"]["frame.time_relative"]) - (start - starts[0])) < 0.001


def test_frames_of_a_rehearsal(tmp_path):
    # Connected talks, a digipeater, beacons: frames that our own links have made.
    said = program.run("rehearse", "--headless", "--for", "3m", "--json", "--seed", 7, judge=False)
    happenings = [json.loads(line) for line in said.splitlines()]
    sent = [each for each in happenings if each["happening"] == "frame"]
    frames = [Frame.decode(bytes.fromhex(each["octets"])) for each in sent]
    agree(frames, tmp_path / "rehearsal.pcap")
    read = capture.dissect(tmp_path / "rehearsal.pcap")
    ends = capture.ends(tmp_path / "rehearsal.pcap")
    for each, layers, both in zip(sent, read, ends, strict=True):
        same_in_words(each["text"], layers, both)
    kinds = {LINE.match(each["text"])["kind"] for each in sent}
    assert {"UI", "I", "RR", "SABM", "UA"} <= kinds
    assert any(each["via"] for each in sent)


def test_frames_that_our_program_made_from_words(tmp_path):
    cases = [
        ("QA1SKY", "QM3BAR-15", [], "weather fair"),
        ("Q1A-7", "QX0RLF", ["QD2HIL-1"], "a"),
        ("QM3BAR", "QA1SKY-1", ["QD2HIL-1", "QD4CAP", "QD5TOR-15"], "12 sacks of meal"),
    ]
    for number, (source, destination, via, text) in enumerate(cases):
        wav, pcap = tmp_path / f"{number}.wav", tmp_path / f"{number}.pcap"
        words = ["--from", source, "--to", destination, "--text", text]
        words += ["--via", ",".join(via)] if via else []
        program.run("encode", *words, "--mode", "afsk1200", "-o", wav)
        (heard,) = program.decode(wav, "afsk1200")
        octets = bytes.fromhex(heard["frame"])
        capture.write(pcap, [octets])
        (layers,) = capture.dissect(pcap)
        assert capture.ends(pcap) == [(source, destination)]
        assert information(layers) == text.encode()
        assert layers["ax25"]["ax25.ctl"] == "0x03" and layers["ax25"]["ax25.pid"] == "0xf0"
        said = fields(layers)
        repeaters = [Frame.decode(octets).repeaters[n] for n in range(len(via))]
        assert [str(each) for each in repeaters] == via
        assert [said[f"ax25.via{n + 1}"] for n in range(len(via))] == [
            each.encode(last=n + 1 == len(via)).hex(":") for n, each in enumerate(repeaters)
        ]


def test_the_analyser_can_disagree(tmp_path):
    dice = Dice("disagree")
    frame = dice.frame()
    other = Frame(frame.source, frame.destination, frame.repeaters, frame.control, frame.pid)
    capture.write(tmp_path / "one.pcap", [frame.encode()])
    (layers,) = capture.dissect(tmp_path / "one.pcap")
    assert fields(layers) == expected(frame)
    assert fields(layers) != expected(other)
