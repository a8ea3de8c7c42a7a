"""Capture files, and what a general network analyser reads in them.

Link type 202, LINKTYPE_AX25_KISS: each packet is an AX.25 frame after one KISS
type octet (the tcpdump group's list of link-layer header types). File header
and record header: the classic pcap format, draft-ietf-opsawg-pcap (field
order from memory; the analyser would refuse a wrong one).
"""

import json
import struct
import subprocess

LINKTYPE_AX25_KISS = 202
KISS_DATA_PORT_0 = b"\x00"


def write(path, frames):
    """Frames (octets without FCS) to a pcap file, one second apart."""
    with open(path, "wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, LINKTYPE_AX25_KISS))
        for second, octets in enumerate(frames):
            data = KISS_DATA_PORT_0 + octets
            file.write(struct.pack("<IIII", second, 0, len(data), len(data)) + data)


def dissect(path):
    """The analyser's reading of each packet: a dictionary of its layers."""
    done = subprocess.run(
        ["tshark", "-r", str(path), "-T", "json", "-x", "--no-duplicate-keys"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return [packet["_source"]["layers"] for packet in json.loads(done.stdout)]


def ends(path):
    """The analyser's own spelling of each packet's source and destination."""
    columns = 'gui.column.format:"source","%s","destination","%d"'
    done = subprocess.run(
        ["tshark", "-r", str(path), "-o", columns],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    # It draws an arrow between the two.
    return [(line.split()[0], line.split()[-1]) for line in done.stdout.splitlines()]
