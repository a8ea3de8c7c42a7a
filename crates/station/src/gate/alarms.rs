//! Alarms: one of a kind for each port. What the engine sees itself and what it is told from
//! outside count alike.

use std::collections::BTreeMap;

use dunlin_clock::{Duration, Instant};

use super::{AlarmKind, AlarmView};
use crate::event::{PortId, ms};

/// The words of an alarm that holds are told again at most this often.
const RETELL_EVERY: Duration = Duration::from_secs(60);
/// Alarms kept; from outside there can be no more than kinds and ports.
const MOST: usize = 512;
/// Longest text from outside, characters.
pub(crate) const LONGEST: usize = 500;

/// Who sees the trouble.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Seen {
    Inside,
    Outside,
}

/// What changed about an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Change {
    Begins(AlarmView),
    Goes(AlarmView),
    Ends(AlarmView),
}

#[derive(Debug)]
struct Alarm {
    inside: Option<String>,
    outside: Option<String>,
    since: Instant,
    told: String,
    told_at: Instant,
}

impl Alarm {
    fn text(&self) -> Option<&String> {
        self.inside.as_ref().or(self.outside.as_ref())
    }
}

/// All alarms that hold.
#[derive(Debug, Default)]
pub(crate) struct Alarms {
    held: BTreeMap<(AlarmKind, Option<PortId>), Alarm>,
}

impl Alarms {
    /// An alarm holds with this text, or holds no longer. What there is to tell.
    pub(crate) fn set(
        &mut self,
        now: Instant,
        (kind, port): (AlarmKind, Option<PortId>),
        seen: Seen,
        text: Option<String>,
    ) -> Option<Change> {
        let key = (kind, port);
        if !self.held.contains_key(&key) && (text.is_none() || self.held.len() >= MOST) {
            return None;
        }
        let view = |active, since, text: &str| AlarmView {
            kind,
            port,
            active,
            since_ms: ms(since),
            text: text.to_owned(),
        };
        let is_new = !self.held.contains_key(&key);
        let alarm = self.held.entry(key).or_insert_with(|| Alarm {
            inside: None,
            outside: None,
            since: now,
            told: String::new(),
            told_at: now,
        });
        match seen {
            Seen::Inside => alarm.inside = text,
            Seen::Outside => alarm.outside = text,
        }
        let Some(text) = alarm.text().cloned() else {
            let over = view(false, now, &alarm.told);
            self.held.remove(&key);
            return Some(Change::Ends(over));
        };
        let again = text != alarm.told && now.since(alarm.told_at) >= RETELL_EVERY;
        if !is_new && !again {
            return None;
        }
        alarm.told.clone_from(&text);
        alarm.told_at = now;
        let view = view(true, alarm.since, &text);
        Some(match is_new {
            true => Change::Begins(view),
            false => Change::Goes(view),
        })
    }

    pub(crate) fn holds(&self, kind: AlarmKind, port: PortId) -> bool {
        self.held.contains_key(&(kind, Some(port)))
    }

    /// All that hold, as people see them.
    pub(crate) fn views(&self) -> Vec<AlarmView> {
        let view = |(key, alarm): (&(AlarmKind, Option<PortId>), &Alarm)| AlarmView {
            kind: key.0,
            port: key.1,
            active: true,
            since_ms: ms(alarm.since),
            text: alarm.told.clone(),
        };
        self.held.iter().map(view).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_grow_are_told_once_a_minute_also_from_two_sides() {
        let mut alarms = Alarms::default();
        let key = (AlarmKind::Stuck, Some(PortId(0)));
        let mut told = Vec::new();
        for tick in 0..=600_u64 {
            let now = Instant::from_millis(tick * 500);
            for seen in [Seen::Inside, Seen::Outside] {
                if alarms
                    .set(now, key, seen, Some(format!("for {tick} ticks")))
                    .is_some()
                {
                    told.push(tick / 2);
                }
            }
        }
        assert_eq!(told, [0, 60, 120, 180, 240, 300]);
    }

    #[test]
    fn alarms_end_also_when_there_is_no_room_for_more() {
        let mut alarms = Alarms::default();
        let kinds = [AlarmKind::Stuck, AlarmKind::Device, AlarmKind::Deaf];
        let keys = kinds.map(|k| (0..=255).map(move |p| (k, Some(PortId(p)))));
        for key in keys.into_iter().flatten() {
            alarms.set(Instant::ZERO, key, Seen::Inside, Some("bad".into()));
        }
        assert_eq!(alarms.views().len(), MOST);
        let key = (AlarmKind::Stuck, Some(PortId(7)));
        let ends = alarms.set(Instant::ZERO, key, Seen::Inside, None);
        assert!(matches!(ends, Some(Change::Ends(_))));
    }

    #[test]
    fn an_alarm_begins_once_goes_on_and_ends_when_nobody_sees_it() {
        let mut alarms = Alarms::default();
        let key = (AlarmKind::Device, Some(PortId(1)));
        let mut set = |s: u64, seen, text: Option<&str>| {
            alarms.set(Instant::from_secs(s), key, seen, text.map(str::to_owned))
        };
        assert_eq!(set(1, Seen::Inside, None), None);
        let begins = set(2, Seen::Inside, Some("gone"));
        assert!(matches!(begins, Some(Change::Begins(v)) if v.active && v.since_ms == 2000));
        assert_eq!(set(3, Seen::Outside, Some("gone, says the driver")), None);
        assert_eq!(set(4, Seen::Inside, Some("gone for 2 s")), None, "too soon");
        let goes = set(70, Seen::Inside, Some("gone for 68 s"));
        assert!(matches!(goes, Some(Change::Goes(v)) if v.text == "gone for 68 s"));
        assert!(!matches!(
            set(80, Seen::Inside, None),
            Some(Change::Ends(_))
        ));
        let ends = set(90, Seen::Outside, None);
        assert!(matches!(ends, Some(Change::Ends(v)) if !v.active && v.since_ms == 90_000));
    }
}
