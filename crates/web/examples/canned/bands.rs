//! Two invented bands: who sends what, for how long, and what the receiver makes of it.

use dunlin_clock::Chance;
use dunlin_station::{Block, BlockKind, Event, GuessView, HeardView, PortId, Urgency};

use crate::picture::Picture;

/// What goes over one port: from, to, digipeaters, kind in words, text, length in ms.
type Script = (
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    u64,
);

const VHF: [Script; 9] = [
    (
        "QM3BAR",
        "CQ",
        "",
        "beacon",
        "Barra Holm, weather wind SW 5, visibility good",
        780,
    ),
    (
        "QF4TER",
        "QM3BAR",
        "QD2GUL*",
        "text 3",
        "Ferry leaves Great Marrow 1540, 12 places left",
        910,
    ),
    ("QM3BAR", "QF4TER", "QD2GUL", "acknowledges 4", "", 320),
    (
        "QF4TER",
        "FERRY",
        "QD2GUL*",
        "beacon",
        "Ferry Tern, alongside at Little Marrow",
        820,
    ),
    ("QW5RIG", "QA1SKY-1", "", "acknowledges 2", "", 310),
    (
        "QA1SKY-1",
        "QW5RIG",
        "",
        "text 1",
        "Supplies for the light house are on the pier",
        930,
    ),
    ("QS6ALT", "QM3BAR", "", "connect", "", 300),
    ("?", "", "", "", "", 640),
    ("-", "", "", "", "", 450),
];
const HF: [Script; 6] = [
    (
        "QX0RLF",
        "CQ",
        "",
        "beacon",
        "Mainland relief, listening for the Marrow Isles",
        3400,
    ),
    (
        "QX1WXR",
        "WX",
        "",
        "beacon",
        "Gale warning Outer Marrow NW 8 from 1800 UTC",
        3900,
    ),
    (
        "QA1SKY-2",
        "QX0RLF",
        "",
        "text 5",
        "Two boxes of insulin needed at Barra Holm",
        4100,
    ),
    ("QX0RLF", "QA1SKY-2", "", "acknowledges 6", "", 1300),
    ("?", "", "", "", "", 2600),
    ("-", "", "", "", "", 1900),
];

pub struct Bands {
    chance: Chance,
    next_id: u64,
    /// For each port: when the block on the air ends and what it is, or when the next begins.
    lanes: [Lane; 2],
    next_level_ms: u64,
}

#[derive(Clone)]
struct Lane {
    begins_ms: u64,
    on_air: Option<(Block, Script)>,
}

impl Bands {
    pub fn new() -> Bands {
        let lane = Lane {
            begins_ms: 500,
            on_air: None,
        };
        Bands {
            chance: Chance::stream(7, "canned"),
            next_id: 1,
            lanes: [lane.clone(), lane],
            next_level_ms: 0,
        }
    }

    pub fn turn(&mut self, now: u64, picture: &mut Picture) {
        for port in 0..2_u8 {
            let lane = &self.lanes[usize::from(port)];
            match &lane.on_air {
                Some((block, script)) if now >= block.start_ms + script.5 => {
                    self.end(port, picture)
                }
                None if now >= lane.begins_ms => self.begin(port, now, picture),
                _ => {}
            }
        }
        if now >= self.next_level_ms {
            self.next_level_ms = now + 1000;
            self.levels(now, picture);
        }
    }

    fn begin(&mut self, port: u8, now: u64, picture: &mut Picture) {
        let script = match port {
            0 => VHF[self.chance.below(VHF.len() as u64) as usize],
            _ => HF[self.chance.below(HF.len() as u64) as usize],
        };
        let own = script.0.starts_with("QA1SKY");
        if own && picture.stopped[usize::from(port)] {
            self.lanes[usize::from(port)].begins_ms = now + 1000;
            return;
        }
        let block = Block {
            id: self.next_id,
            port: PortId(port),
            kind: if own {
                BlockKind::Sent
            } else {
                BlockKind::Busy
            },
            start_ms: now,
            end_ms: None,
            from: String::new(),
            to: String::new(),
            via: Vec::new(),
            what: String::new(),
            text: String::new(),
            octets: Vec::new(),
            level_dbfs: None,
            offset_hz: None,
            twist_db: None,
            snr_db: None,
            why: None,
            line: None,
            heard_on: None,
            guess: None,
        };
        self.next_id += 1;
        picture.tell(Event::Block(block.clone()));
        picture.port(port, |view| {
            view.busy = !own;
            view.transmitting = own;
        });
        self.lanes[usize::from(port)].on_air = Some((block, script));
    }

    fn end(&mut self, port: u8, picture: &mut Picture) {
        let Some((mut block, script)) = self.lanes[usize::from(port)].on_air.take() else {
            return;
        };
        let end = block.start_ms + script.5;
        block.end_ms = Some(end);
        let quiet = self.chance.between(-2.0, 2.0) as f32;
        let own = block.kind == BlockKind::Sent;
        match script.0 {
            "-" => {}
            "?" => {
                block.kind = BlockKind::Unreadable;
                if self.chance.below(2) == 0 {
                    block.why =
                        Some("likely too weak: 4 dB above the noise, frame check wrong".into());
                    guess(&mut block);
                } else {
                    block.why =
                        Some("likely a collision: a second carrier began 210 ms later".into());
                }
            }
            _ => fill(&mut block, &script, own),
        }
        if !own {
            block.level_dbfs = Some(-19.0 + quiet);
            block.snr_db = Some(17.0 + quiet);
        }
        if matches!(block.kind, BlockKind::Heard | BlockKind::Unreadable) {
            // As the engine does: the tones are one block, what was in them is another.
            picture.tell(Event::Block(tones(&block)));
            block.id = self.next_id;
            self.next_id += 1;
        }
        if block.kind == BlockKind::Heard {
            block.offset_hz = Some(if port == 1 { -23.0 + 4.0 * quiet } else { 6.0 });
            block.twist_db = Some(if script.0 == "QW5RIG" {
                6.2
            } else {
                0.8 + quiet / 2.0
            });
            hear(&block, &script, picture);
        }
        picture.tell(Event::Block(block));
        picture.port(port, |view| (view.busy, view.transmitting) = (false, false));
        if script.0 == "?" && self.chance.below(4) == 0 {
            let text = "Nothing was read of a transmission; QM3BAR and QF4TER likely collided";
            picture.note(end, Some(port), Urgency::Attention, text);
        }
        let pause = self
            .chance
            .between(900.0, [6000.0, 14_000.0][usize::from(port)]) as u64;
        self.lanes[usize::from(port)].begins_ms = end + pause;
    }

    fn levels(&mut self, now: u64, picture: &mut Picture) {
        for port in 0..2_u8 {
            let of = |kind: Option<BlockKind>| {
                let from = now.saturating_sub(600_000);
                let all = picture.blocks().iter().filter(|b| b.port == PortId(port));
                let in_time = all.filter(|b| kind.is_none_or(|k| b.kind == k));
                let ms: u64 = in_time
                    .map(|b| b.end_ms.unwrap_or(now).saturating_sub(b.start_ms.max(from)))
                    .sum();
                ms as f32 / 600_000.0
            };
            let (occupied, own) = (of(None), of(Some(BlockKind::Sent)));
            let level = self.chance.between(-3.0, 3.0) as f32;
            picture.port(port, |view| {
                view.occupied = occupied;
                view.own_share = own;
                view.level_dbfs = Some(if view.busy { -19.0 } else { -46.0 } + level);
            });
        }
    }
}

/// The tones in which something was heard, without it.
fn tones(heard: &Block) -> Block {
    Block {
        kind: BlockKind::Busy,
        from: String::new(),
        to: String::new(),
        via: Vec::new(),
        what: String::new(),
        text: String::new(),
        octets: Vec::new(),
        why: None,
        line: None,
        heard_on: None,
        guess: None,
        ..heard.clone()
    }
}

/// What a weak frame may have been.
fn guess(block: &mut Block) {
    let text = "QS6ALT to QM3BAR: text 5 Gangway \u{fffd}s clear";
    block.guess = Some(GuessView {
        from: "QS6ALT".into(),
        text: text.into(),
        octets: text.bytes().collect(),
        doubtful: vec![33, 34, 35],
        address: 0.97,
    });
}

fn fill(block: &mut Block, script: &Script, own: bool) {
    let (from, to, via, what, text, _) = *script;
    block.kind = if own {
        BlockKind::Sent
    } else {
        BlockKind::Heard
    };
    block.from = from.into();
    block.to = to.into();
    block.via = via.split_whitespace().map(Into::into).collect();
    block.what = what.into();
    let path = if via.is_empty() {
        String::new()
    } else {
        format!(" via {via}")
    };
    block.text = format!("{from} to {to}{path}: {what} {text}").trim().into();
    block.octets = block.text.bytes().collect();
}

fn hear(block: &Block, script: &Script, picture: &mut Picture) {
    let end = block.end_ms.unwrap_or(block.start_ms);
    let by = script.2.strip_suffix('*');
    let old = picture.heard(block.port.0, script.0);
    let beacon = script.3 == "beacon";
    let view = HeardView {
        port: block.port,
        call: script.0.into(),
        by: by.map(Into::into),
        first_ms: old.map_or(end, |h| h.first_ms),
        last_ms: end,
        count: old.map_or(1, |h| h.count + 1),
        level_dbfs: block.level_dbfs.filter(|_| by.is_none()),
        offset_hz: block.offset_hz.filter(|_| by.is_none()),
        twist_db: block.twist_db.filter(|_| by.is_none()),
        snr_db: block.snr_db.filter(|_| by.is_none()),
        said: match old {
            Some(h) if !beacon => h.said.clone(),
            _ if beacon => script.4.into(),
            _ => String::new(),
        },
        line: None,
        advice: None,
    };
    picture.tell(Event::Heard(view));
}
