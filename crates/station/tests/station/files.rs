//! Files over a talk, with a partner that does not know them, or begins its link anew.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::Control;
use dunlin_station::{Command, Direction, FileState, FileView, Refusal, Reply, TalkId};

use crate::peer::{Peer, SOON, command, response};

/// The digits of a hash; the first eight of them are the tag.
const HASH: &str = "3fa9c2d13fa9c2d13fa9c2d13fa9c2d13fa9c2d13fa9c2d13fa9c2d13fa9c2d1";
/// The hello that answers a line with this tag; it takes 1 MiB.
const HELLO: &[u8] = &[0x1c, 9, 1, 1, 0x3f, 0xa9, 0xc2, 0xd1, 0x80, 0x80, 0x40];

fn offer(p: &mut Peer, talk: TalkId) {
    let command = Command::OfferFile {
        talk,
        name: "map.png".into(),
        media: None,
        size: 10_000,
        hash: HASH.into(),
    };
    assert!(matches!(p.cable.command(0, command), Reply::File(_)));
}

fn file(p: &Peer) -> FileView {
    let files = p.cable.stations[0].snapshot(p.cable.now).files;
    files.last().expect("a file").clone()
}

/// Text of the other side, number `ns`, that acknowledges what was sent before `nr`.
fn text(ns: u8, nr: u8, octets: &[u8]) -> Frame {
    let mut frame = command(Control::I { ns, nr, p: false });
    frame.info = octets.to_vec();
    frame
}

/// Octets of text that the station has sent.
fn sent(p: &Peer) -> Vec<u8> {
    let frames = p.cable.handed[0].iter();
    let frames = frames.filter_map(|(_, octets)| Frame::decode(octets).ok());
    let texts = frames.filter(|f| matches!(f.control, Control::I { .. }));
    texts.flat_map(|f| f.info).collect()
}

fn received(p: &Peer) -> Vec<u8> {
    let lines = p.lines().into_iter();
    let lines = lines.filter(|l| l.direction == Direction::Received);
    lines.flat_map(|l| l.octets).collect()
}

#[test]
fn a_partner_that_knows_nothing_of_files_reads_a_line_and_says_no() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    offer(&mut p, talk);
    p.waits(SOON);
    let line = String::from_utf8(sent(&p)).expect("text");
    let begins = line.starts_with("QA1SKY offers the file map.png, 10000 octets, about ");
    assert!(begins && line.ends_with("[files 1 3fa9c2d1]\r"), "{line}");
    assert_eq!(
        p.lines()[0].text,
        line.trim_end(),
        "it is a part of the talk"
    );
    assert_eq!(file(&p).state, FileState::Offered);
    assert!(file(&p).airtime_ms > 60_000, "{:?}", file(&p));
    // Whatever octets it types are text.
    let odd: &[u8] = b"what?\x1c\x09\x01 \x1c\x00\x80 eh\r";
    p.says(&text(0, 1, odd));
    p.says(&text(1, 1, b"No.\r"));
    p.waits(SOON);
    assert_eq!(received(&p), [odd, b"No.\r"].concat());
    assert_eq!(file(&p).state, FileState::Refused);
    assert_eq!(
        String::from_utf8(sent(&p)).expect("text"),
        line,
        "nothing more"
    );
}

#[test]
fn a_link_that_begins_anew_stops_what_goes() {
    // Once nothing is in doubt, so that the link tells nothing of it, and once what the station said last is.
    for in_doubt in [false, true] {
        let mut p = Peer::new();
        let talk = p.is_connected();
        offer(&mut p, talk);
        p.waits(SOON);
        p.says(&text(0, 1, HELLO));
        p.waits(SOON);
        let octets = sent(&p);
        // What the station takes follows behind the tag.
        let hello = &HELLO[..8];
        assert!(octets.windows(8).any(|w| w == hello), "{octets:02x?}");
        if !in_doubt {
            let frames = p.cable.handed[0].iter();
            let frames = frames.filter_map(|(_, o)| Frame::decode(o).ok());
            let count = frames
                .filter(|f| matches!(f.control, Control::I { .. }))
                .count();
            let nr = count as u8;
            p.says(&response(Control::Rr { nr, pf: false }));
        }
        p.says(&command(Control::Sabm { p: true }));
        p.waits(SOON);
        assert_eq!(file(&p).state, FileState::Stopped, "{in_doubt}");
        let before = received(&p);
        p.says(&text(0, 0, b"\x1c\x02\x06\x00 as text\r"));
        p.waits(SOON);
        assert_eq!(received(&p)[before.len()..], *b"\x1c\x02\x06\x00 as text\r");
    }
}

#[test]
fn what_waits_when_a_talk_is_closed_is_said_before_it_ends() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    offer(&mut p, talk);
    p.waits(SOON);
    p.says(&text(0, 1, HELLO));
    p.waits(SOON);
    p.cable.command(0, Command::CloseTalk { talk });
    p.says(&response(Control::Rr { nr: 2, pf: false }));
    p.waits(SOON);
    assert_eq!(file(&p).state, FileState::Stopped);
    let quit = [b"\x1c\x0e\x08".as_slice(), b"the talk ends"].concat();
    let octets = sent(&p);
    assert!(
        octets.windows(quit.len()).any(|w| w == quit),
        "{octets:02x?}"
    );
    let refused = p.cable.stations[0].command(
        p.cable.now,
        Command::OfferFile {
            talk,
            name: "b".into(),
            media: None,
            size: 1,
            hash: HASH.into(),
        },
    );
    assert!(matches!(refused, Err(Refusal::TalkEnded(_))));
}
