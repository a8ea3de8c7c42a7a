//! Texts of service messages: what became of a radiogram, told to its station of origin.
//!
//! A relay that cannot go on, or that finds a radiogram unlawful, does not pass it on and tells the
//! station of origin (G2). The plain words are ours; the published lists have numbered texts for the same.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::Radiogram;
use super::fault::{Fault, Located};
use super::preamble::{Date, Filed, Handling};
use super::words::Text;

/// Groups of a reason in words of one's own, at most.
pub const MOST_REASON: usize = 12;

/// Why a radiogram was not delivered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Failure {
    /// Nobody is found at the address.
    NoSuchAddress,
    /// Nobody answers the phone.
    NoAnswer,
    /// The phone number is wrong or out of service.
    WrongPhone,
    /// The addressee does not want it.
    Refused,
    /// It would have cost a toll call, which HXG forbids.
    Toll,
    /// The hours of HXB are over.
    TooLate,
    /// It may not be passed on by the rules that hold here.
    NotLawful,
    /// Nobody was found who takes it on.
    NoStation,
    /// The words came in so that they make no sense.
    Garbled,
    /// Another reason, of which the first 12 groups are taken.
    Other(Text),
}

/// All but the one in words of one's own.
const PLAIN: [Failure; 9] = [
    Failure::NoSuchAddress,
    Failure::NoAnswer,
    Failure::WrongPhone,
    Failure::Refused,
    Failure::Toll,
    Failure::TooLate,
    Failure::NotLawful,
    Failure::NoStation,
    Failure::Garbled,
];

impl FromStr for Failure {
    type Err = Fault;

    /// Reads a reason as [`words`](Failure::words) writes it; other words are a reason of one's own. A full stop at the
    /// end is left out.
    ///
    /// # Errors
    /// What no radiogram can hold.
    fn from_str(text: &str) -> Result<Failure, Fault> {
        let text: Text = text
            .trim()
            .trim_end_matches('.')
            .parse()
            .map_err(|located: Located| located.fault)?;
        let said = text.groups().join(" ");
        let mut plain = PLAIN.into_iter();
        Ok(plain
            .find(|failure| failure.words() == said)
            .unwrap_or(Failure::Other(text)))
    }
}

impl Failure {
    /// The reason in the capital words of the service message.
    pub fn words(&self) -> String {
        let fixed = match self {
            Failure::NoSuchAddress => "ADDRESSEE NOT KNOWN AT ADDRESS",
            Failure::NoAnswer => "PHONE NOT ANSWERED",
            Failure::WrongPhone => "PHONE NUMBER NOT IN SERVICE",
            Failure::Refused => "ADDRESSEE REFUSED IT",
            Failure::Toll => "TOLL CALL NEEDED",
            Failure::TooLate => "TIME LIMIT PASSED",
            Failure::NotLawful => "RULES HERE DO NOT ALLOW IT",
            Failure::NoStation => "NO STATION FOUND NEAR ADDRESSEE",
            Failure::Garbled => "TEXT GARBLED ON ARRIVAL",
            Failure::Other(text) => {
                let groups = text.groups();
                return groups[..groups.len().min(MOST_REASON)].join(" ");
            }
        };
        fixed.to_owned()
    }
}

/// The text that tells the station of origin that its radiogram was not delivered, and why. It asks for
/// advice unless nothing can be done.
pub fn not_delivered(about: &Radiogram, why: &Failure) -> Text {
    let asks = match why {
        Failure::Refused | Failure::Toll | Failure::TooLate | Failure::NotLawful => {
            "CANCELLED HERE"
        }
        Failure::Garbled => "PLEASE REPEAT",
        _ => "PLEASE ADVISE",
    };
    text(about, &format!("NOT DELIVERED X {} X {asks}", why.words()))
}

/// The text that reports a delivery, for HXC.
pub fn delivered(about: &Radiogram, date: Date, time: Filed) -> Text {
    text(about, &format!("DELIVERED {date} {time}"))
}

impl Radiogram {
    /// Whether the station of origin wants to hear of a delivery (HXC, HXD).
    pub fn wants_report(&self) -> bool {
        let asks = [Handling::ReportDelivery, Handling::ReportWay];
        self.handling.iter().any(|handling| asks.contains(handling))
    }
}

/// Names the radiogram by number, date, name and town, then says the rest.
fn text(about: &Radiogram, rest: &str) -> Text {
    let name = about.to.first().map_or("", |line| line.as_str());
    let town = match &about.to[..] {
        [_, .., town] => town.as_str(),
        _ => "",
    };
    let whole = format!("YOUR {} OF {} TO {name} {town}", about.number, about.date);
    // Name and town are at most 30 groups each and the rest about 20, so nothing is ever cut.
    let all = format!("{whole} {rest}");
    Text::of_parts(all.split_ascii_whitespace().map(str::to_owned).collect())
}

#[cfg(test)]
mod tests {
    use super::super::examples::radiogram;
    use super::super::{Check, Remark};
    use super::*;

    #[test]
    fn a_failure_is_told_to_the_station_of_origin() {
        let text = not_delivered(&radiogram(), &Failure::NoAnswer);
        // The words are ours, no source.
        assert_eq!(
            text.to_string(),
            "YOUR 12 OF NOV 29 TO WARDEN OF THE SCHOOL LEE COVE NOT DELIVERED X PHONE NOT ANSWERED X PLEASE ADVISE"
        );
        let other = "THE HOUSE WAS CLEARED AND ALL WENT TO THE HALL OF BAR ISLAND YESTERDAY";
        let failure = Failure::Other(other.parse().expect("a text"));
        let text = not_delivered(&radiogram(), &failure).to_string();
        assert!(
            text.contains("X THE HOUSE WAS CLEARED AND ALL WENT TO THE HALL OF BAR X"),
            "{text}"
        );
    }

    #[test]
    fn a_reason_is_known_by_its_words_and_others_are_taken_as_they_are() {
        for why in PLAIN {
            assert_eq!(why.words().to_lowercase().parse(), Ok(why));
        }
        let moved = Failure::Other("MOVED TO BAR ISLAND".parse().expect("a text"));
        assert_eq!(" moved to Bar Island. ".parse(), Ok(moved));
        assert_eq!("".parse::<Failure>(), Err(Fault::Nothing));
        let odd = "moved, it seems".parse::<Failure>();
        assert_eq!(odd, Err(Fault::Character(',')));
    }

    #[test]
    fn a_delivery_is_reported_with_its_time() {
        let date = Date::new(11, 30).expect("a date");
        let time = Filed::utc(9, 5).expect("a time");
        let text = delivered(&radiogram(), date, time).to_string();
        assert!(text.ends_with("LEE COVE DELIVERED NOV 30 0905Z"), "{text}");
    }

    #[test]
    fn every_text_can_be_sent_as_the_text_of_a_radiogram() {
        let mut about = radiogram();
        about.to = vec!["A ".repeat(30).parse().expect("a line"); 6];
        let long = Failure::Other("A ".repeat(100).parse().expect("a text"));
        for why in PLAIN.into_iter().chain([long]) {
            let mut form = radiogram();
            form.text = not_delivered(&about, &why);
            form.check = Check::of(&form.text);
            let asks = form.text.groups().last().map(String::as_str);
            assert!(
                matches!(asks, Some("HERE" | "REPEAT" | "ADVISE")),
                "{asks:?}"
            );
            let body = form.body().expect("it fits");
            assert_eq!(body.parse(), Ok(form.clone()));
            assert!(form.remarks().iter().all(|r| matches!(r, Remark::Long(_))));
            // A text of usual length keeps to the recommendation.
            let usual = not_delivered(&radiogram(), &why).groups().len();
            assert!(usual <= 32, "{usual}");
        }
    }
}
