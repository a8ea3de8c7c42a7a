//! Reads a radiogram out of the body of a message.
//!
//! It takes what [`Radiogram::body`] writes, and a little more: lower case, empty lines, NR before the
//! number, the precedence as a word, a phone number without TEL, and the Morse signs `=` and `+` for BT and AR. A
//! check that is wrong or a time that is missing is no fault here: a relay carries it on.

use std::iter::Enumerate;
use std::str::{FromStr, Split};

use dunlin_ax25::CallSign;

use super::check::Check;
use super::fault::{Fault, Located, Part};
use super::preamble::{Date, Filed, Handling, fits_handling, handlings, is_handling, precedence};
use super::words::{Line, Phone, Text, groups_of, only_figures};
use super::write::{BREAK, END, PHONE};
use super::{
    FIGURES_OF_PHONE, MOST_ADDRESS, MOST_FORM, Radiogram, fits_address, fits_number, fits_origin,
    fits_place,
};
use crate::Precedence;

impl FromStr for Radiogram {
    type Err = Located;

    /// Reads the body of a message that holds one radiogram and nothing else (G5).
    ///
    /// # Errors
    /// The first place that is wrong, and what to do.
    fn from_str(body: &str) -> Result<Self, Located> {
        if body.len() > MOST_FORM {
            return Err(Located::at_line(1, Fault::LongForm(body.len())));
        }
        let mut lines = Lines::new(body);
        let preamble = Preamble::read(&mut lines)?;
        let (to, phone) = address(&mut lines)?;
        let text = text(&mut lines)?;
        let signature = signature(&mut lines)?;
        let form = Radiogram {
            number: preamble.number,
            precedence: preamble.precedence,
            handling: preamble.handling,
            origin: preamble.origin,
            check: preamble.check,
            place: preamble.place,
            filed: preamble.filed,
            date: preamble.date,
            to,
            phone,
            text,
            signature,
        };
        // Each part was looked at where it stands; this keeps reading and writing of one mind.
        form.fits().map_err(|unfit| match unfit.part {
            Part::Address(line) => Located::at_line(line + 1, unfit.fault),
            _ => Located::at_line(1, unfit.fault),
        })?;
        Ok(form)
    }
}

/// The lines of the input that are not empty, with their numbers.
struct Lines<'a> {
    rest: Enumerate<Split<'a, char>>,
    /// The last line that was given.
    at: usize,
}

/// What a line is in the order of the form.
#[derive(PartialEq, Eq)]
enum Sign {
    Break,
    End,
    None,
}

impl<'a> Lines<'a> {
    fn new(body: &'a str) -> Self {
        Lines {
            rest: body.split('\n').enumerate(),
            at: 1,
        }
    }

    fn next(&mut self) -> Option<(usize, &'a str)> {
        let (before, line) = self.rest.find(|(_, line)| !line.trim().is_empty())?;
        self.at = before + 1;
        Some((self.at, line))
    }

    /// The next line, or the fault that the form ends before it.
    fn wanted(&mut self, what: &'static str) -> Result<(usize, &'a str), Located> {
        let at = self.at;
        self.next().ok_or(Located::at_line(at, Fault::Ended(what)))
    }
}

fn sign(line: &str) -> Sign {
    let line = line.trim();
    if line == "=" || line.eq_ignore_ascii_case(BREAK) {
        Sign::Break
    } else if line == "+" || line.eq_ignore_ascii_case(END) {
        Sign::End
    } else {
        Sign::None
    }
}

/// The groups of a line, faults with their place.
fn groups(line: usize, text: &str) -> Result<Vec<(usize, String)>, Located> {
    groups_of(text).map_err(|(column, fault)| Located {
        line,
        column,
        fault,
    })
}

fn line_of(line: usize, groups: &[(usize, String)]) -> Result<Line, Located> {
    let words: Vec<String> = groups.iter().map(|(_, group)| group.clone()).collect();
    let column = groups.first().map_or(1, |(column, _)| *column);
    Line::from_groups(&words).map_err(|fault| Located {
        line,
        column,
        fault,
    })
}

/// The first line, read.
struct Preamble {
    number: u32,
    precedence: Precedence,
    handling: Vec<Handling>,
    origin: CallSign,
    check: Check,
    place: Line,
    filed: Option<Filed>,
    date: Date,
}

/// Walks through the groups of the preamble.
struct Walk {
    line: usize,
    groups: Vec<(usize, String)>,
    /// The next group.
    at: usize,
    /// Where the part that is read from the front ends.
    end: usize,
}

impl Walk {
    fn fault(&self, at: usize, fault: Fault) -> Located {
        let beyond = || {
            let last = self.groups.last();
            last.map_or(1, |(column, group)| column + group.len())
        };
        let column = self
            .groups
            .get(at)
            .map_or_else(beyond, |(column, _)| *column);
        Located {
            line: self.line,
            column,
            fault,
        }
    }

    fn peek(&self) -> Option<&str> {
        let group = self.groups[..self.end].get(self.at);
        group.map(|(_, group)| group.as_str())
    }

    /// Reads the next group, which is wanted as `what`.
    fn read<T>(
        &mut self,
        what: &'static str,
        read: impl Fn(&str) -> Result<T, Fault>,
    ) -> Result<T, Located> {
        let group = self.peek().ok_or(Fault::Ended(what));
        let value = group
            .and_then(read)
            .map_err(|fault| self.fault(self.at, fault))?;
        self.at += 1;
        Ok(value)
    }
}

impl Preamble {
    fn read(lines: &mut Lines) -> Result<Preamble, Located> {
        let (line, text) = lines.wanted(
            "the preamble: number, precedence, station of origin, check, place, time, date",
        )?;
        let groups = groups(line, text)?;
        let end = groups.len();
        let mut walk = Walk {
            line,
            groups,
            at: 0,
            end,
        };
        if walk.peek() == Some("NR") {
            walk.at += 1;
        }
        let number = walk.read("the number", number)?;
        let precedence = walk.read("the precedence", precedence)?;
        let handling = handling(&mut walk)?;
        let origin = walk.read("the station of origin", origin)?;
        let check = check(&mut walk)?;
        // The place may have any number of words, so what follows it is read from the end.
        let date = date(&mut walk)?;
        let filed = filed(&mut walk);
        let place = place(&mut walk)?;
        Ok(Preamble {
            number,
            precedence,
            handling,
            origin,
            check,
            place,
            filed,
            date,
        })
    }
}

fn number(group: &str) -> Result<u32, Fault> {
    let wrong = || Fault::Number(group.to_owned());
    let plain = group.len() <= 5 && group.bytes().all(|b| b.is_ascii_digit());
    let number = group.parse().ok().filter(|_| plain).ok_or_else(wrong)?;
    fits_number(number).map(|()| number)
}

fn handling(walk: &mut Walk) -> Result<Vec<Handling>, Located> {
    let mut all = Vec::new();
    while walk.peek().is_some_and(is_handling) {
        all.extend(walk.read("a handling instruction", handlings)?);
        fits_handling(&all).map_err(|fault| walk.fault(walk.at - 1, fault))?;
    }
    Ok(all)
}

fn origin(group: &str) -> Result<CallSign, Fault> {
    let call: CallSign = group.parse().map_err(|_| Fault::Origin(group.to_owned()))?;
    fits_origin(call).map(|()| call)
}

fn check(walk: &mut Walk) -> Result<Check, Located> {
    let rest: Vec<&str> = walk.groups[walk.at..]
        .iter()
        .take(4)
        .map(|(_, g)| g.as_str())
        .collect();
    let Some((check, used)) = Check::of_groups(&rest) else {
        let fault = match rest.first() {
            Some(group) => Fault::Check((*group).to_owned()),
            None => Fault::Ended("the check"),
        };
        return Err(walk.fault(walk.at, fault));
    };
    walk.at += used;
    Ok(check)
}

fn date(walk: &mut Walk) -> Result<Date, Located> {
    let rest = &walk.groups[walk.at..];
    let [.., (_, month), (_, day)] = rest else {
        return Err(walk.fault(
            walk.groups.len(),
            Fault::Ended("place and date, such as LEE COVE NOV 29"),
        ));
    };
    let from = walk.groups.len() - 2;
    let date = Date::of_groups(month, day).map_err(|fault| walk.fault(from, fault))?;
    walk.end = from;
    Ok(date)
}

fn filed(walk: &mut Walk) -> Option<Filed> {
    let (_, group) = walk.groups[walk.at..walk.end].last()?;
    let filed = group.parse().ok()?;
    walk.end -= 1;
    Some(filed)
}

fn place(walk: &mut Walk) -> Result<Line, Located> {
    let groups = &walk.groups[walk.at..walk.end];
    if groups.is_empty() {
        return Err(walk.fault(walk.at, Fault::NoPlace));
    }
    let place = line_of(walk.line, groups)?;
    fits_place(&place).map_err(|fault| walk.fault(walk.end - 1, fault))?;
    Ok(place)
}

/// Name, address and phone, up to the break.
fn address(lines: &mut Lines) -> Result<(Vec<Line>, Option<Phone>), Located> {
    let mut to: Vec<Line> = Vec::new();
    let mut phone = None;
    loop {
        let (at, text) =
            lines.wanted("the address, and BT in a line of its own before the text")?;
        match sign(text) {
            Sign::Break if to.is_empty() => return Err(Located::at_line(at, Fault::Address(0))),
            Sign::Break => return Ok((to, phone)),
            Sign::End => {
                return Err(Located::at_line(
                    at,
                    Fault::Wanted("BT in a line of its own, then the text"),
                ));
            }
            Sign::None => {}
        }
        if phone.is_some() {
            let fault = Fault::Wanted("BT in a line of its own: the phone number ends the address");
            return Err(Located::at_line(at, fault));
        }
        let groups = groups(at, text)?;
        let labelled = groups[0].1 == PHONE;
        let line = line_of(at, if labelled { &groups[1..] } else { &groups })?;
        let figures = line.as_str().bytes().filter(u8::is_ascii_digit).count();
        let looks_so = only_figures(&line) && figures >= FIGURES_OF_PHONE;
        if labelled || looks_so {
            phone = Some(Phone::from_line(line).map_err(|fault| Located::at_line(at, fault))?);
            continue;
        }
        fits_address(&line).map_err(|fault| Located::at_line(at, fault))?;
        to.push(line);
        if to.len() > MOST_ADDRESS {
            return Err(Located::at_line(at, Fault::Address(to.len())));
        }
    }
}

fn text(lines: &mut Lines) -> Result<Text, Located> {
    let mut all = Vec::new();
    loop {
        let (at, text) =
            lines.wanted("the text, and BT in a line of its own before the signature")?;
        if sign(text) == Sign::Break {
            return Text::from_groups(all).map_err(|fault| Located::at_line(at, fault));
        }
        all.extend(groups(at, text)?.into_iter().map(|(_, group)| group));
    }
}

fn signature(lines: &mut Lines) -> Result<Line, Located> {
    let (at, text) = lines.wanted("the signature")?;
    if sign(text) != Sign::None {
        return Err(Located::at_line(
            at,
            Fault::Wanted("the signature: one line with who signs"),
        ));
    }
    let signature = line_of(at, &groups(at, text)?)?;
    let (at, text) = lines.wanted("AR in a line of its own")?;
    if sign(text) != Sign::End {
        return Err(Located::at_line(
            at,
            Fault::Wanted("AR in a line of its own: the signature is one line"),
        ));
    }
    match lines.next() {
        Some((at, _)) => Err(Located::at_line(at, Fault::Extra)),
        None => Ok(signature),
    }
}
