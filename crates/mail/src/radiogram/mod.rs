//! Formal traffic: the radiogram of the published ARRL guides.
//!
//! A radiogram is a form that every relay copies as it is, word by word, until a person hands it to the
//! addressee. This is the form alone: what stands in it, how its words are counted, how it is written
//! into the body of a [`Message`](crate::Message) of [`Kind::Formal`](crate::Kind::Formal) and read out
//! of one, how it is read aloud, and the log beside it. Who takes it and when is decided elsewhere, and
//! nothing here promises delivery.
//!
//! The sources, G1 to G5, are described on the page docs/radiogram.md. What none of them told says `from memory`
//! or `common practice, no source`.

mod blank;
mod check;
mod fault;
mod log;
mod number;
mod preamble;
mod read;
mod service;
mod spoken;
mod words;
mod write;

use dunlin_ax25::CallSign;
use serde::{Deserialize, Serialize};

use crate::{MOST_TITLE, Precedence};

pub use blank::{Amiss, Blank, Field, Tally};
pub use check::{Check, Count, Numbered, Receipt, Remark, numbered_texts, spelled_number};
pub use fault::{Fault, Located, Part, Unfit};
pub use log::{Log, LogEntry, MOST_ENTRIES, MOST_REMARKS};
pub use number::Numbers;
pub use preamble::{Date, Filed, Handling};
pub use service::{Failure, MOST_REASON, delivered, not_delivered};
pub use spoken::{FigureWords, spell};
pub use words::{Line, MOST_GROUP, MOST_GROUPS, MOST_LINE, Phone, Text};

use preamble::fits_handling;

/// The highest number of a radiogram.
pub const MOST_NUMBER: u32 = 99_999;
/// Lines of an address, at most.
pub const MOST_ADDRESS: usize = 6;
/// Octets of a radiogram in a message, at most. The longest that can be written has fewer.
pub const MOST_FORM: usize = 8_000;
/// Groups of a text that the guides recommend at most: about 25 (G1).
pub const RECOMMENDED_GROUPS: usize = 25;
/// Figures with which a line of them alone is taken for a telephone number.
const FIGURES_OF_PHONE: usize = 7;

/// One radiogram, its parts in the order of the form (G1).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Radiogram {
    /// Given by the station of origin, 1 to [`MOST_NUMBER`]. It restarts with 1 each year and never
    /// changes under way.
    pub number: u32,
    /// How soon it is handled.
    pub precedence: Precedence,
    /// What the deliverer has to do; each at most once, often none.
    pub handling: Vec<Handling>,
    /// The station that put it on the air first; the SSID is 0.
    pub origin: CallSign,
    /// The count of the groups of the text.
    pub check: Check,
    /// The place of origin: where the one who signs is, not the station.
    pub place: Line,
    /// When it was handed in. Routine and welfare traffic may leave it out.
    pub filed: Option<Filed>,
    /// The day on which it was handed in.
    pub date: Date,
    /// Name and address, 1 to [`MOST_ADDRESS`] lines; the last names the town.
    pub to: Vec<Line>,
    /// The telephone number of the addressee.
    pub phone: Option<Phone>,
    /// The text; relays never alter it.
    pub text: Text,
    /// Who signs.
    pub signature: Line,
}

impl Radiogram {
    /// Whether it keeps to the form, so that it can be written and read again. It says nothing of a
    /// wrong check or a missing time: what came from elsewhere is carried on with these.
    ///
    /// # Errors
    /// The first part that does not, and what to do.
    pub fn fits(&self) -> Result<(), Unfit> {
        let part = |part, result: Result<(), Fault>| result.map_err(|fault| Unfit { part, fault });
        part(Part::Number, fits_number(self.number))?;
        part(Part::Handling, fits_handling(&self.handling))?;
        part(Part::Origin, fits_origin(self.origin))?;
        part(Part::Check, self.check.fits())?;
        part(Part::Place, fits_place(&self.place))?;
        let lines = self.to.len();
        if !(1..=MOST_ADDRESS).contains(&lines) {
            return part(Part::Address(0), Err(Fault::Address(lines)));
        }
        for (at, line) in self.to.iter().enumerate() {
            part(Part::Address(at + 1), fits_address(line))?;
        }
        part(Part::Signature, not_the_end(&self.signature))
    }

    /// What the station of origin must have right before it gives the radiogram to anybody: the form, the
    /// check, and the time filed of urgent traffic (G1).
    ///
    /// # Errors
    /// The first part that is not right, and what to do.
    pub fn fit_to_send(&self) -> Result<(), Unfit> {
        self.fits()?;
        let counted = Count::of(&self.text);
        if self.check != Check::from(counted) {
            return Err(Unfit {
                part: Part::Check,
                fault: Fault::Miscounted {
                    stated: self.check.to_string(),
                    counted: counted.to_string(),
                },
            });
        }
        if self.is_urgent() && self.filed.is_none() {
            return Err(Unfit {
                part: Part::Filed,
                fault: Fault::TimeNeeded,
            });
        }
        Ok(())
    }

    /// The title of the message that carries it: the town and the first part of the telephone number, so
    /// that whoever may take it sees whether a local call is enough (G5). A long town is cut, so that it is one.
    pub fn title(&self) -> String {
        let town = self.to.last().map_or("", Line::as_str);
        let phone = self.phone.as_ref();
        let phone = phone.map_or_else(String::new, |phone| format!(" {}", phone.first_part()));
        let mut room = town.len().min(MOST_TITLE.saturating_sub(phone.len()));
        while !town.is_char_boundary(room) {
            room -= 1;
        }
        format!("{}{phone}", town[..room].trim_end())
    }

    fn is_urgent(&self) -> bool {
        self.precedence >= Precedence::Priority
    }
}

fn fits_number(number: u32) -> Result<(), Fault> {
    match number {
        1..=MOST_NUMBER => Ok(()),
        _ => Err(Fault::Number(number.to_string())),
    }
}

/// A number or a word is a call sign for AX.25, but none that a station has.
fn fits_origin(origin: CallSign) -> Result<(), Fault> {
    let is_figure = |b: u8| b.is_ascii_digit();
    let characters = origin.characters();
    let mixed = characters.bytes().any(is_figure) && !characters.bytes().all(is_figure);
    match origin.ssid() {
        0 if mixed => Ok(()),
        0 => Err(Fault::Origin(origin.to_string())),
        _ => Err(Fault::Ssid(origin)),
    }
}

/// The preamble is one line, and a time may follow the place.
fn fits_place(place: &Line) -> Result<(), Fault> {
    match place.groups().next_back() {
        Some(last) if last.parse::<Filed>().is_ok() => Err(Fault::PlaceLikeTime(last.to_owned())),
        _ => Ok(()),
    }
}

/// The telephone number follows the address and is told by its looks.
fn fits_address(line: &Line) -> Result<(), Fault> {
    not_the_end(line)?;
    let labelled = line.groups().next() == Some(write::PHONE);
    let figures = line.as_str().bytes().filter(u8::is_ascii_digit).count();
    if labelled || words::only_figures(line) && figures >= FIGURES_OF_PHONE {
        return Err(Fault::LikePhone(line.to_string()));
    }
    Ok(())
}

fn not_the_end(line: &Line) -> Result<(), Fault> {
    match line.as_str() {
        write::END => Err(Fault::End),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod examples;
