//! The words that stand in the tables for the engine's closed lists.

use dunlin_station::{BlockKind, Direction, TalkState, Urgency};
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};

/// A value of a closed list, written as its word.
pub(crate) struct Word<T>(pub T);

/// A closed list with a word for each value.
pub(crate) trait Worded: Copy + 'static {
    /// Every value.
    const ALL: &'static [Self];

    /// Its word. Never changed once released: it stands in people's files.
    fn word(self) -> &'static str;
}

impl Worded for BlockKind {
    const ALL: &'static [Self] = &[
        BlockKind::Heard,
        BlockKind::Sent,
        BlockKind::Unreadable,
        BlockKind::Busy,
    ];

    fn word(self) -> &'static str {
        match self {
            BlockKind::Heard => "heard",
            BlockKind::Sent => "sent",
            BlockKind::Unreadable => "unreadable",
            BlockKind::Busy => "busy",
        }
    }
}

impl Worded for TalkState {
    const ALL: &'static [Self] = &[
        TalkState::Calling,
        TalkState::Open,
        TalkState::Checking,
        TalkState::Closing,
        TalkState::Ended,
    ];

    fn word(self) -> &'static str {
        match self {
            TalkState::Calling => "calling",
            TalkState::Open => "open",
            TalkState::Checking => "checking",
            TalkState::Closing => "closing",
            TalkState::Ended => "ended",
        }
    }
}

impl Worded for Direction {
    const ALL: &'static [Self] = &[Direction::Sent, Direction::Received];

    fn word(self) -> &'static str {
        match self {
            Direction::Sent => "sent",
            Direction::Received => "received",
        }
    }
}

impl Worded for Urgency {
    const ALL: &'static [Self] = &[Urgency::Plain, Urgency::Attention];

    fn word(self) -> &'static str {
        match self {
            Urgency::Plain => "plain",
            Urgency::Attention => "attention",
        }
    }
}

impl<T: Worded> ToSql for Word<T> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::from(self.0.word()))
    }
}

impl<T: Worded> FromSql for Word<T> {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        let text = value.as_str()?;
        let found = T::ALL.iter().find(|value| value.word() == text);
        let unknown = || FromSqlError::Other(format!("unknown word '{text}'").into());
        found.map(|value| Word(*value)).ok_or_else(unknown)
    }
}
