//! A world drawn by chance, as the text of a scenario, so that one that breaks a promise can be
//! kept and looked at.
//!
//! Each world leaves out about half of all features, which makes worlds unlike each other and lets
//! those that hide each other's faults be absent (A. Groce et al., "Swarm testing", ISSTA 2012).

use std::fmt::Write;

use dunlin_clock::Chance;

/// What a world may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feature {
    /// Paths go away for a while.
    Gaps,
    /// Paths that lose some frames or most.
    Weak,
    /// Paths that carry one way only.
    OneWay,
    /// Pairs that do not hear each other.
    Hidden,
    /// A station that sends much, without regard to others.
    Babbler,
    /// Stations of both versions of the link.
    Versions,
    /// Text length and window follow the loss.
    Adapting,
    /// Unlike windows, lengths, tries, slot times and persistence.
    Settings,
    /// A digipeater, and talks by way of it.
    Digipeater,
    /// A second band, and a crossing to it.
    Crossing,
    /// People who call again at once.
    Restless,
    /// Much text in one talk.
    Bulk,
    /// People who end their talk without waiting for an answer.
    Hasty,
    /// Calls to stations that are not there.
    Nobody,
    /// The operator stops and starts the station and cuts talks.
    Stops,
    /// Frames of 9600 Bd and 300 Bd on the second band.
    Rates,
}

impl Feature {
    pub const ALL: [Feature; 16] = [
        Feature::Gaps,
        Feature::Weak,
        Feature::OneWay,
        Feature::Hidden,
        Feature::Babbler,
        Feature::Versions,
        Feature::Adapting,
        Feature::Settings,
        Feature::Digipeater,
        Feature::Crossing,
        Feature::Restless,
        Feature::Bulk,
        Feature::Hasty,
        Feature::Nobody,
        Feature::Stops,
        Feature::Rates,
    ];
}

/// One world.
#[derive(Debug)]
pub struct World {
    pub features: Vec<Feature>,
    pub text: String,
}

const CALLS: [&str; 12] = [
    "QA1SKY", "QM3BAR", "QD2HIL", "QF1BOT", "QE7SKE", "QB4COV", "QC5LEE", "QX0RLF", "QS2TUG",
    "QH8LIS", "QG6MIL", "QK9HAR",
];
/// The first is the operator's and carries the crossing; the second is the digipeater.
const HILL: usize = 1;
/// These are on the second band, together with the first.
const FAR: std::ops::Range<usize> = 7..10;

struct Draw {
    chance: Chance,
    features: Vec<Feature>,
}

/// The world with this number.
pub fn world(number: u64) -> World {
    let mut chance = Chance::stream(number, "swarm/world");
    let mut features = Feature::ALL.to_vec();
    features.retain(|_| chance.unit() < 0.5);
    let mut draw = Draw { chance, features };
    let mut text = String::new();
    draw.write(number, &mut text).expect("a string takes it");
    World {
        features: draw.features,
        text,
    }
}

impl Draw {
    fn has(&self, feature: Feature) -> bool {
        self.features.contains(&feature)
    }

    fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.chance.below(of.len() as u64) as usize]
    }

    fn write(&mut self, number: u64, out: &mut String) -> std::fmt::Result {
        let far = self.has(Feature::Crossing);
        let stations = 4 + self.chance.below(4) as usize;
        let mut members: Vec<usize> = (0..stations).collect();
        if far {
            members.extend(FAR.take(1 + self.chance.below(3) as usize));
        }
        let near: Vec<usize> = (0..stations).collect();
        let away: Vec<usize> = std::iter::once(0)
            .chain(members[stations..].iter().copied())
            .collect();
        writeln!(
            out,
            "title = \"World {number}\"\nseed = {number}\nlasts = \"24 h\"\noperator = \"QA1SKY\""
        )?;
        self.band(out, "VHF", "fm", &near)?;
        if far {
            self.band(out, "HF", "ssb", &away)?;
        }
        let second = match self.has(Feature::Rates) {
            true => self.one_of(&["afsk300", "afsk1200"]),
            false => "afsk300",
        };
        for &member in &members {
            writeln!(
                out,
                "[[place]]\n[place.station]\ncall = \"{}\"",
                CALLS[member]
            )?;
            if member < stations {
                self.port(out, "VHF", "afsk1200", member)?;
            }
            if far && away.contains(&member) {
                self.port(out, "HF", second, member)?;
            }
            if far && member == 0 {
                let most = 1 + self.chance.below(3);
                writeln!(
                    out,
                    "[[place.crossing]]\nname = \"across\"\nfrom = \"VHF\"\nto = \"HF\"\n\
                     call = \"QA1SKY-7\"\nallow = \"all\"\nmost_visitors = {most}"
                )?;
            }
        }
        let crossing = far.then(|| away[1..].to_vec());
        for &member in &members {
            self.person(out, member, &near, crossing.as_deref())?;
        }
        writeln!(out, "[[promise]]\nthat = \"words at every end\"")
    }

    fn band(&mut self, out: &mut String, name: &str, kind: &str, on: &[usize]) -> std::fmt::Result {
        writeln!(
            out,
            "[[band]]\nname = \"{name}\"\nkind = \"{kind}\"\npaths = ["
        )?;
        for (n, &a) in on.iter().enumerate() {
            for &b in &on[n + 1..] {
                // The operator and the digipeater hear all.
                let apart = a > HILL && self.has(Feature::Hidden) && self.chance.unit() < 0.4;
                if apart {
                    continue;
                }
                let mut level = || match self.has(Feature::Weak) && self.chance.unit() < 0.4 {
                    true => 2.0 + 6.0 * self.chance.unit(),
                    false => 12.0 + 12.0 * self.chance.unit(),
                };
                let (there, back) = (level(), level());
                write!(
                    out,
                    "  {{ from = \"{}\", to = \"{}\", level = \"{there:.1} dB\"",
                    CALLS[a], CALLS[b]
                )?;
                match self.has(Feature::OneWay) && self.chance.unit() < 0.15 {
                    true => write!(out, ", one_way = true")?,
                    false => write!(out, ", back = \"{back:.1} dB\"")?,
                }
                if kind == "ssb" {
                    let fading = self.one_of(&["none", "quiet", "moderate", "disturbed"]);
                    write!(out, ", fading = \"{fading}\"")?;
                }
                if self.has(Feature::Gaps) && self.chance.unit() < 0.5 {
                    write!(out, ", open = [{}]", self.hours())?;
                }
                writeln!(out, " }},")?;
            }
        }
        writeln!(out, "]")
    }

    /// One to four gaps of minutes or hours in a day.
    fn hours(&mut self) -> String {
        let mut at = 0;
        let mut spans = Vec::new();
        for _ in 0..1 + self.chance.below(4) {
            let until = at + 30 + self.chance.below(500) as u32;
            let next = until + 1 + self.chance.below(90) as u32;
            if next >= 24 * 60 - 60 {
                break;
            }
            spans.push((at, until));
            at = next;
        }
        spans.push((at, 24 * 60));
        let clock = |minute: u32| format!("{:02}:{:02}", minute / 60, minute % 60);
        let spans = spans
            .iter()
            .map(|(a, b)| format!("\"{}-{}\"", clock(*a), clock(*b)));
        spans.collect::<Vec<_>>().join(", ")
    }

    fn port(
        &mut self,
        out: &mut String,
        name: &str,
        mode: &str,
        member: usize,
    ) -> std::fmt::Result {
        writeln!(out, "[[place.port]]\nname = \"{name}\"\nmode = \"{mode}\"")?;
        if self.has(Feature::Versions) && self.chance.unit() < 0.5 {
            writeln!(out, "link_version = \"2.2\"")?;
        }
        if self.has(Feature::Adapting) {
            writeln!(out, "adapt_frames = {}", self.chance.unit() < 0.7)?;
        }
        if self.has(Feature::Settings) {
            let window = 1 + self.chance.below(7);
            let length = self.one_of(&[32, 64, 128, 200, 256]);
            let tries = 2 + self.chance.below(12);
            let persistence = self.one_of(&[0.05, 0.25, 0.6, 1.0]);
            let slot = self.one_of(&[50, 100, 300]);
            let idle = self.one_of(&[30, 120, 600]);
            writeln!(
                out,
                "window_frames = {window}\ninfo_length_octets = {length}\nretries = {tries}\n\
                 persistence = {persistence}\nslot_time_ms = {slot}\nidle_check_s = {idle}"
            )?;
        }
        if self.has(Feature::Digipeater) && member == HILL && name == "VHF" {
            writeln!(out, "digipeat = [\"{}\"]", CALLS[HILL])?;
        }
        if self.has(Feature::Babbler) && member == 2 {
            writeln!(
                out,
                "[[place.port.beacon]]\ninterval_min = 0.5\nfirst_delay_s = 3\ntext = \"much ado about nothing\""
            )?;
        }
        Ok(())
    }

    fn person(
        &mut self,
        out: &mut String,
        member: usize,
        near: &[usize],
        across: Option<&[usize]>,
    ) -> std::fmt::Result {
        let me = CALLS[member];
        writeln!(out, "[[person]]\nname = \"At {me}\"\nat = \"{me}\"")?;
        let repeat = match self.has(Feature::Restless) {
            true => 1 + self.chance.below(60),
            false => 120 + self.chance.below(1800),
        };
        writeln!(out, "repeat = \"{repeat} s\"\ntries = 2\ndoes = [")?;
        let wait = self.chance.below(600);
        writeln!(
            out,
            "  {{ do = \"wait\", time = \"{wait} s\", spread = \"5 min\" }},"
        )?;
        for _ in 0..1 + self.chance.below(3) {
            self.talk(out, member, near, across)?;
        }
        writeln!(out, "]\nanswers = [")?;
        let answer = match self.has(Feature::Bulk) && self.chance.unit() < 0.5 {
            true => lines(&format!("Here is the list of {me}"), 5, "\\n"),
            false => format!("{me} has that."),
        };
        writeln!(out, "  {{ to = \"?\", say = \"{answer}\", times = 3 }},\n]")
    }

    /// A call, some lines, the end.
    fn talk(
        &mut self,
        out: &mut String,
        member: usize,
        near: &[usize],
        across: Option<&[usize]>,
    ) -> std::fmt::Result {
        let is_near = near.contains(&member);
        let far = across.filter(|_| is_near && member != 0 && self.chance.unit() < 0.5);
        let others: Vec<usize> = match (is_near, across) {
            (true, _) => near.iter().copied().filter(|n| *n != member).collect(),
            (false, Some(away)) => {
                let away = away.iter().copied().filter(|n| *n != member);
                std::iter::once(0).chain(away).collect()
            }
            (false, None) => vec![0],
        };
        let other = self.one_of(&others);
        let to = match self.has(Feature::Nobody) && self.chance.unit() < 0.2 {
            true => "QZ0NIL",
            false => CALLS[other],
        };
        let by_hill = self.has(Feature::Digipeater)
            && is_near
            && member != HILL
            && other != HILL
            && self.chance.unit() < 0.5;
        let (to, via) = match (far, by_hill) {
            (Some(_), _) => ("QA1SKY-7", String::new()),
            (None, true) => (to, format!(", via = [\"{}\"]", CALLS[HILL])),
            (None, false) => (to, String::new()),
        };
        writeln!(
            out,
            "  {{ do = \"call\", to = \"{to}\", patience = \"10 min\"{via} }},"
        )?;
        if let Some(away) = far {
            let reached = CALLS[self.one_of(away)];
            writeln!(
                out,
                "  {{ do = \"await\", text = \"Which station\", patience = \"10 min\" }},\n  \
                 {{ do = \"say\", text = \"{reached}\" }},\n  \
                 {{ do = \"await\", text = \"goes there\", patience = \"15 min\" }},"
            )?;
        }
        for n in 0..1 + self.chance.below(3) {
            let many = match self.has(Feature::Bulk) && self.chance.unit() < 0.4 {
                true => 2 + self.chance.below(5) as usize,
                false => 1,
            };
            for text in lines(&format!("Line {n} of {}", CALLS[member]), many, "\n").lines() {
                writeln!(out, "  {{ do = \"say\", text = \"{text}\" }},")?;
            }
            writeln!(out, "  {{ do = \"say\", text = \"Do you have that?\" }},")?;
            if !self.has(Feature::Hasty) || self.chance.unit() < 0.5 {
                writeln!(
                    out,
                    "  {{ do = \"await\", text = \"a\", patience = \"20 min\" }},"
                )?;
            }
        }
        writeln!(out, "  {{ do = \"close\" }},")
    }
}

/// Numbered lines, no two of them alike.
fn lines(about: &str, count: usize, between: &str) -> String {
    let line = |n: usize| {
        format!(
            "{about}, part {n}: {}",
            "0123456789".repeat(1 + n * 17 % 60)
        )
    };
    (0..count).map(line).collect::<Vec<_>>().join(between)
}
