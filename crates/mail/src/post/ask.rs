//! What is asked of whoever keeps the mail, and the answers.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::letter::{Head, Letter};
use super::room::{Keeping, Much, Room};
use super::route::Way;
use super::standing::Standing;
use crate::exchange::{Partial, Why};
use crate::identity::MessageId;
use crate::message::{Message, Precedence, Station, Step};

/// Heads in one answer, at most.
pub const MOST_LISTED: usize = 1000;

/// One thing to be done, whole or not at all. What happens is safe from loss of power before the answer is
/// given. A reader of `None` is the operator, who sees everything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ask {
    /// Keep a letter. Answered with [`Answer::Kept`], [`Answer::AlreadyKnown`], [`Answer::Full`] or
    /// [`Answer::NotKept`].
    Keep(Box<Letter>),
    /// Whether this message was ever here, offered by this partner. If it was, the partner need not get
    /// it any more. Answered with [`Answer::Known`].
    Known {
        /// The message.
        id: MessageId,
        /// Who offers it.
        partner: Station,
    },
    /// Whether there is room for so much more of the mail of partners. Asked before any of it is sent. Answered with
    /// [`Answer::Done`] or [`Answer::Full`].
    Room {
        /// A tenth of all room is left for emergencies.
        precedence: Precedence,
        /// What is offered, and all that was promised room before.
        more: Much,
    },
    /// A partner's offer was refused; only counted. Answered with [`Answer::Done`].
    TurnedAway {
        /// The message.
        id: MessageId,
        /// Who offered it.
        partner: Station,
    },
    /// What waits for a partner, the most urgent first, small before large, and all partials if they are wanted.
    /// Answered with [`Answer::Outgoing`].
    Outgoing {
        /// For whom.
        partner: Station,
        /// Messages, at most.
        most: usize,
        /// Octets of their texts together, at most; at least one message comes.
        most_octets: usize,
        /// The partials too, which may be much: megabytes are read for them.
        partials: bool,
        /// Also what was put back after a try in vain: a person has asked for the exchange.
        put_back: bool,
    },
    /// What a partner has said about a message. Answered with [`Answer::Done`].
    Settle {
        /// The message.
        id: MessageId,
        /// Who said it.
        partner: Station,
        /// What it said.
        outcome: Outcome,
    },
    /// An exchange ended badly while these were under way: put them back for a while, so that they do not
    /// stop the others. Answered with [`Answer::Done`].
    Tried {
        /// With whom.
        partner: Station,
        /// What was under way.
        ids: Vec<MessageId>,
    },
    /// Keep what has arrived of an item. Answered with [`Answer::Done`].
    KeepPartial(Partial),
    /// Forget what was kept of an item. Answered with [`Answer::Done`].
    DropPartial(MessageId),
    /// Heads, the newest arrival first. Answered with [`Answer::Heads`].
    List {
        /// Who reads.
        reader: Option<CallSign>,
        /// Which.
        which: Which,
        /// Only those that arrived before this [`Head::place`].
        after: Option<u64>,
        /// Heads, at most; and never more than [`MOST_LISTED`].
        most: usize,
    },
    /// A whole letter. It is read now, if the reader is the addressee or it is a bulletin. Answered with
    /// [`Answer::Opened`] or [`Answer::NotFound`].
    Open {
        /// The message.
        id: MessageId,
        /// Who reads.
        reader: Option<CallSign>,
        /// It is not read yet: whether it arrives at the reader is seen later.
        glance: bool,
    },
    /// Heads of what has all these words in its title or text, the newest first. Answered with
    /// [`Answer::Heads`].
    Search {
        /// Who reads.
        reader: Option<CallSign>,
        /// Whole words, whatever the case.
        words: String,
        /// Heads, at most; and never more than [`MOST_LISTED`].
        most: usize,
    },
    /// Remove a text for ever. The identifier stays known, so it never comes back. Answered with
    /// [`Answer::Done`], [`Answer::NotFound`] or [`Answer::NotAllowed`].
    Delete {
        /// The message.
        id: MessageId,
        /// Who wants it; only author, addressee and operator may.
        by: Option<CallSign>,
    },
    /// Take a message out of all queues of this station. Answered with [`Answer::Recalled`].
    Recall {
        /// The message.
        id: MessageId,
    },
    /// Send a draft, let a held message go on, or try again what had no way. Answered with
    /// [`Answer::Done`].
    Release {
        /// The message.
        id: MessageId,
        /// The way, by the rules of now.
        way: Way,
    },
    /// Hold a message until it is released. Answered with [`Answer::Done`].
    Hold {
        /// The message.
        id: MessageId,
        /// Why, in the operator's words.
        why: String,
    },
    /// How much there is. Answered with [`Answer::Counts`].
    Counts,
    /// How many emergencies wait here for a person. Answered with [`Answer::Emergencies`].
    Emergencies,
    /// Whether a visitor may leave a message now. Answered with [`Answer::MayLeave`], with [`Answer::NotAllowed`] in
    /// words for the visitor, or with [`Answer::Full`].
    MayLeave {
        /// Who wants to.
        visitor: CallSign,
        /// This station, to tell what was left here from what came by partners.
        own: Station,
        /// An emergency is held to wider limits.
        precedence: Precedence,
        /// Octets without which it is of no use.
        octets: u64,
        /// How much is taken.
        room: Room,
    },
    /// Keep what a visitor leaves, if it still may be left. Answered like [`Ask::Keep`], or with
    /// [`Answer::NotAllowed`] in words for the visitor.
    Leave {
        /// The letter.
        letter: Box<Letter>,
        /// How much is taken.
        room: Room,
    },
    /// End what has waited for too long, and delete what was kept long enough; some at a time. Answered with
    /// [`Answer::Swept`].
    Sweep(Keeping),
    /// The clock of this run is wrong, or was: whatever got its date in it has no age that could be trusted, and
    /// neither has what comes until the run ends. Such a letter's age begins with the first [`Ask::Sweep`] of a later
    /// run. Answered with [`Answer::Done`].
    ClockWrong {
        /// The date with which the run began, as its clock had it.
        began: WallTime,
    },
    /// Give the next number of a radiogram of this station; it is never given again in its year. Answered with
    /// [`Answer::Number`] or [`Answer::NotAllowed`].
    Number,
    /// The operator has looked at a letter for somebody else. Answered with [`Answer::Done`].
    Seen {
        /// The message.
        id: MessageId,
    },
    /// A person says what became of a radiogram. It waits for nobody any more. Answered with [`Answer::Done`],
    /// [`Answer::NotFound`], or [`Answer::NotAllowed`] if it stands otherwise by now.
    Conclude {
        /// The message.
        id: MessageId,
        /// Where it stood when that was said.
        stood: Standing,
        /// Where it stands from now on.
        standing: Standing,
        /// What is noted besides.
        note: Option<String>,
    },
}

impl Ask {
    /// Nothing is changed by it.
    pub fn only_reads(&self) -> bool {
        matches!(
            self,
            Ask::List { .. }
                | Ask::Search { .. }
                | Ask::Counts
                | Ask::Emergencies
                | Ask::MayLeave { .. }
                | Ask::Room { .. }
        )
    }
}

/// What a partner has said about a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It has stored it: this step goes into the chain.
    Taken(Step),
    /// It does not take it. [`Why::HaveIt`] is as good as taken.
    Refused(Why),
}

/// Which letters to list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "which", rename_all = "snake_case")]
pub enum Which {
    /// All that the reader may see.
    All,
    /// Mail to the reader that was not opened; for the operator, of all readers.
    Unread,
    /// Bulletins.
    Bulletins {
        /// Only those of this topic.
        topic: Option<String>,
    },
    /// Written by the reader; for the operator, what was written at this station.
    Own,
    /// Written by the reader, and queued, unread, held, or a bulletin; for the operator, such letters of everybody.
    Waiting,
    /// Waiting for partners.
    Queue,
    /// Held until a person has looked.
    Held,
}

/// How much there is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Letters, without deleted ones.
    pub letters: u64,
    /// Personal letters here that were not opened.
    pub unread: u64,
    /// Letters that wait for partners.
    pub queued: u64,
    /// Letters that are held.
    pub held: u64,
    /// Identifiers of deleted letters.
    pub deleted: u64,
    /// Partials.
    pub partials: u64,
}

/// What is answered to an [`Ask`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// The letter is safe.
    Kept,
    /// This message was here before; nothing was done.
    AlreadyKnown,
    /// The letter could not be kept, and nothing was changed.
    NotKept {
        /// Why, and what to do.
        words: String,
    },
    /// All mail together has its limit, and this would be beyond it: nothing was changed.
    Full {
        /// How much is here, and what to do, in words for the operator.
        words: String,
    },
    /// A visitor may leave a message.
    MayLeave {
        /// Of so many octets, at most.
        octets: u64,
    },
    /// About an offer.
    Known {
        /// Whether the message was ever here.
        known: bool,
        /// How often it was turned away in the last day.
        turned_away: u32,
    },
    /// What waits for a partner.
    Outgoing {
        /// The messages.
        messages: Vec<Message>,
        /// More waits than was asked for.
        more: bool,
        /// Everything kept of unfinished items, if that was asked for.
        partials: Vec<Partial>,
    },
    /// A list.
    Heads(Vec<Head>),
    /// A letter.
    Opened(Box<Letter>),
    /// A message was taken out of the queues.
    Recalled {
        /// For whom it waited.
        stopped: Vec<Station>,
        /// Who has it already.
        have_it: Vec<Station>,
    },
    /// How much there is.
    Counts(Counts),
    /// So many messages with the precedence of an emergency are here for a reader, and neither the reader nor the operator has
    /// opened them. Reports are not counted.
    Emergencies(u64),
    /// A number of a radiogram.
    Number(u32),
    /// What was ended and deleted because of its age.
    Swept {
        /// What cannot be delivered any more: its writers have to be told.
        nowhere: Vec<Head>,
        /// How many were deleted.
        deleted: usize,
        /// How many have been held for long. They stay.
        held: u64,
        /// There may be more to be swept.
        more: bool,
    },
    /// It was done, and thereby the message can go nowhere any more: its writer has to be told.
    CameToNothing(Box<Head>),
    /// It was done.
    Done,
    /// There is no such message, or the reader may not see it.
    NotFound,
    /// It may not be done.
    NotAllowed {
        /// Why not.
        words: String,
    },
    /// It could not be done, and nothing was changed.
    Failed {
        /// Why, and what to do.
        words: String,
    },
}

impl Outcome {
    /// Since when the partner has it, if it does; `now` is when it said so.
    pub fn has_it(&self, now: WallTime) -> Option<WallTime> {
        match self {
            Outcome::Taken(step) => Some(step.at),
            Outcome::Refused(Why::HaveIt) => Some(now),
            Outcome::Refused(_) => None,
        }
    }

    /// Whether the message is to be offered again later.
    pub fn passes(&self) -> bool {
        let passing = [Why::TryLater, Why::NoRoom, Why::Held];
        matches!(self, Outcome::Refused(why) if passing.contains(why))
    }
}
