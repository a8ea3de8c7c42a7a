//! What is said to the machine, and what it says.

use dunlin_clock::Instant;

use super::head::{Head, HeadError};
use super::why::Why;

/// A file of this talk. The numbers of both sides begin at 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum File {
    /// One that this side offers.
    Ours(u8),
    /// One that the partner offers.
    Theirs(u8),
}

/// What happens. What is said of a file that is settled or not there is left out.
#[derive(Clone, Debug)]
pub enum Input {
    /// Octets of the link, in order, and when they came.
    Received(Instant, Vec<u8>),
    /// A person takes an offered file. The octets are what an earlier talk brought of a file with the same hash
    /// and size, or none.
    Accept(File, Vec<u8>),
    /// It is not taken, or no longer, also while it comes.
    Refuse(File, Why, String),
    /// The file is stored so that a loss of power does it no harm, or, with [`Why`], it cannot be.
    Stored(File, Result<(), Why>),
    /// The octets that [`Output::Need`] asked for, and where they begin; none if they cannot be read.
    Octets(File, u64, Vec<u8>),
    /// An own file is no longer offered, also while it goes.
    Withdraw(File, String),
    /// No more files in this talk; the words go to the partner.
    Quit(String),
    /// The link has dropped or was begun anew. A later talk is another machine.
    Dropped,
}

/// What follows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// The partner typed this. Lines may come in parts.
    Text(Vec<u8>),
    /// Say this line in the talk, as if a person had typed it.
    Say(String),
    /// The partner speaks the protocol, and takes files of at most so many octets.
    Speaks(u64),
    /// The partner offers this. Show size and airtime, and decide with [`Input::Accept`] or [`Input::Refuse`].
    Offered(File, Head),
    /// An offer was refused without asking anybody. Of a partner that offers too much only the first is told.
    TurnedAway(Why),
    /// The partner takes it, from this octet on; that is not 0 if an earlier talk brought the beginning.
    Wanted(File, u64),
    /// Read so many octets of this file from this octet on, and say [`Input::Octets`].
    Need(File, u64, usize),
    /// So many octets of how many are given to the link. They may not have arrived yet.
    Sent {
        /// Which.
        file: File,
        /// Octets given, from the start of the file.
        done: u64,
        /// Octets of the file.
        total: u64,
    },
    /// Write these octets; they are the next after those that are there.
    Write {
        /// Which.
        file: File,
        /// The place in the file of the first of them.
        from: u64,
        /// The octets.
        octets: Vec<u8>,
        /// Octets of the file.
        total: u64,
    },
    /// All octets came and the hash is wrong. Drop what is there: it comes again from octet 0.
    Damaged(File),
    /// All octets came and the hash is right. Store it durably, then say [`Input::Stored`].
    Store(File),
    /// The partner has stored it.
    Delivered(File),
    /// The partner does not take it, or no longer. With [`Why::HaveIt`] it is where it should be.
    Refused(File, Why, String),
    /// Nothing more comes or goes of this file in this talk.
    Stopped {
        /// Which.
        file: File,
        /// Whether a later talk can go on from what was written of it.
        keep: bool,
        /// Why.
        words: String,
    },
    /// No more files go in this talk, and why. What is typed goes on.
    Over(String),
}

/// Why a file is not offered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotOffered {
    /// What is to be said of it is not allowed.
    #[error(transparent)]
    Head(#[from] HeadError),
    /// The partner has said that it takes less.
    #[error("{0} octets are too many for the other station, which takes {1}")]
    TooLarge(u64, u64),
    /// There are open offers enough, or all numbers are used.
    #[error("enough files are offered in this talk; wait until one is through")]
    TooMany,
    /// The same file is offered already.
    #[error("this file is offered already, perhaps by another name")]
    Already,
    /// The files of this talk are over.
    #[error("no more files go in this talk")]
    Over,
}
