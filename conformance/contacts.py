"""A reader of ADIF, written from the words of the format and not from the program.

ADIF 3.1.x, ADI form: `<NAME:length>` or `<NAME:length:type>` and then that many characters;
anything else between fields is ignored; `<EOH>` ends the header, `<EOR>` a record. The type
String has the characters 32 to 126.
"""

import re

SPECIFIER = re.compile(rb"<([^:<>]+)(?::(\d+)(?::([A-Za-z]))?)?>")


def read(octets):
    """The header and the records, each a dictionary of names in capitals."""
    header, records, fields, at = None, [], {}, 0
    while found := SPECIFIER.search(octets, at):
        name, length, _ = found.groups()
        name, at = name.decode("ascii").upper(), found.end()
        if name == "EOH":
            assert header is None and not records, "a header comes once, and first"
            header, fields = fields, {}
        elif name == "EOR":
            records.append(fields)
            fields = {}
        else:
            value = octets[at : at + int(length)]
            assert len(value) == int(length) and all(32 <= octet <= 126 for octet in value), value
            assert name not in fields, f"{name} comes twice"
            fields[name] = value.decode("ascii")
            at += int(length)
    assert not fields, "the last record has no end"
    return header, records
