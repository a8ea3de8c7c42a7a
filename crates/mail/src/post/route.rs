//! To whom a message goes on.

use dunlin_ax25::CallSign;
use serde::{Deserialize, Serialize};

use crate::message::{Kind, Message, Station};

/// Partners that get a message which goes to one of them: the preferred and the second route.
const ROUTES: usize = 2;

/// What one partner carries. Rules stand in the order in which the operator prefers the partners.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartnerRule {
    /// The partner, without SSID.
    pub partner: Station,
    /// Stations and people whose mail it carries, besides its own.
    #[serde(default)]
    pub homes: Vec<CallSign>,
    /// Areas whose bulletins it wants.
    #[serde(default)]
    pub areas: Vec<String>,
    /// Whether it carries whatever no other does, and wants all bulletins.
    #[serde(default)]
    pub carries_all: bool,
    /// Whether the operator trusts it to know its senders.
    #[serde(default)]
    pub trusted: bool,
}

/// What a station knows of ways.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Routes {
    /// This station, without SSID.
    pub own: Station,
    /// People whose mail is kept here, besides the operator.
    #[serde(default)]
    pub keeps_for: Vec<CallSign>,
    /// The partners.
    #[serde(default)]
    pub partners: Vec<PartnerRule>,
}

/// Where a message goes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "way", rename_all = "snake_case")]
pub enum Way {
    /// It stays here.
    Here,
    /// To one of these, the preferred first.
    One {
        /// One or two partners.
        partners: Vec<Station>,
    },
    /// To each of these.
    All {
        /// At least one partner.
        partners: Vec<Station>,
    },
    /// Nowhere.
    Undeliverable {
        /// Why not.
        why: String,
    },
}

/// Says where a message goes from here: never to its origin, nor to a station that has had it.
///
/// Personal mail goes to the addressee's home, else to a partner who carries that home, else to one who carries
/// everything. An address without a home for whom no partner is known stays here: whoever has the call sign
/// reads it here. A bulletin goes to all partners of its area, and stays here as well.
pub fn route(message: &Message, routes: &Routes) -> Way {
    let own = routes.own;
    if let Some((_, earlier)) = message.chain.split_last()
        && earlier.iter().any(|step| step.station == own)
    {
        let why = format!("it goes in a circle: {own} has had it before");
        return Way::Undeliverable { why };
    }
    let fresh = |rule: &&PartnerRule| {
        let partner = rule.partner;
        partner != own && partner != message.id.origin && !message.has_been_at(partner)
    };
    let to = match &message.kind {
        Kind::Bulletin { area, .. } => {
            let wants = |rule: &&PartnerRule| rule.carries_all || rule.areas.contains(area);
            let wanting = routes.partners.iter().filter(wants).filter(fresh);
            let partners: Vec<Station> = wanting.map(|rule| rule.partner).collect();
            return match partners.is_empty() {
                true => Way::Here,
                false => Way::All { partners },
            };
        }
        Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => to,
    };
    let local = to.call == own || routes.keeps_for.contains(&to.call);
    if to.home == Some(own) || local && to.home.is_none() {
        return Way::Here;
    }
    let place = to.home.unwrap_or(to.call);
    let close = |rule: &PartnerRule| match rule.partner {
        partner if partner == place || partner == to.call => Some(0),
        _ if rule.homes.contains(&place) => Some(1),
        _ if rule.carries_all => Some(2),
        _ => None,
    };
    let near = |rule| close(rule).map(|distance| (distance, rule));
    let mut carriers: Vec<(u8, &PartnerRule)> = routes.partners.iter().filter_map(near).collect();
    carriers.sort_by_key(|(distance, _)| *distance);
    let able = carriers.iter().map(|(_, rule)| *rule).filter(fresh);
    let partners: Vec<Station> = able.map(|rule| rule.partner).take(ROUTES).collect();
    let why = match (partners.is_empty(), carriers.is_empty(), to.home) {
        (false, ..) => return Way::One { partners },
        (_, true, None) => return Way::Here,
        (_, true, Some(_)) => format!("no partner carries mail for {place}"),
        (_, false, _) => format!("every partner that carries mail for {place} has had it"),
    };
    Way::Undeliverable { why }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Precedence;
    use dunlin_clock::WallTime;

    fn call(text: &str) -> CallSign {
        text.parse().expect("a call sign")
    }

    fn message(kind: Kind, chain: &[&str]) -> Message {
        let mut message = Message {
            id: "QM3BAR:0000000000001".parse().expect("an identifier"),
            kind,
            precedence: Precedence::Routine,
            from: "QM3BAR".parse().expect("an address"),
            written: WallTime(0),
            title: "Cots".into(),
            body: "Forty.".into(),
            chain: Vec::new(),
        };
        for station in chain {
            message.taken_by(call(station), WallTime(0));
        }
        message
    }

    fn to(address: &str, chain: &[&str]) -> Message {
        let to = address.parse().expect("an address");
        message(Kind::Personal { to }, chain)
    }

    fn bulletin(area: &str, chain: &[&str]) -> Message {
        let (topic, area) = ("FERRY".into(), area.into());
        message(Kind::Bulletin { topic, area }, chain)
    }

    fn rule(partner: &str, homes: &[&str], areas: &[&str], carries_all: bool) -> PartnerRule {
        PartnerRule {
            partner: call(partner),
            homes: homes.iter().map(|home| call(home)).collect(),
            areas: areas.iter().map(|&area| area.into()).collect(),
            carries_all,
            trusted: false,
        }
    }

    /// QA1SKY with three partners.
    fn routes() -> Routes {
        Routes {
            own: call("QA1SKY"),
            keeps_for: vec![call("QA5NET")],
            partners: vec![
                rule("QM9ALL", &[], &[], true),
                rule("QM2REE", &["QX0RLF"], &["ISLES"], false),
                rule("QX0RLF", &[], &["ISLES", "REEF"], false),
            ],
        }
    }

    fn one(partners: &[&str]) -> Way {
        let partners = partners.iter().map(|p| call(p)).collect();
        Way::One { partners }
    }

    fn all(partners: &[&str]) -> Way {
        let partners = partners.iter().map(|p| call(p)).collect();
        Way::All { partners }
    }

    #[test]
    fn mail_goes_to_the_home_then_to_who_carries_it_then_to_who_carries_all() {
        let way = |address, chain: &[&str]| route(&to(address, chain), &routes());
        assert_eq!(way("QX5BOB at QX0RLF", &[]), one(&["QX0RLF", "QM2REE"]));
        assert_eq!(
            way("QX5BOB at QX0RLF", &["QM3BAR", "QX0RLF"]),
            one(&["QM2REE", "QM9ALL"])
        );
        assert_eq!(way("QZ1FAR at QZ2FAR", &[]), one(&["QM9ALL"]));
        assert_eq!(way("QX0RLF", &[]), one(&["QX0RLF", "QM2REE"]));
    }

    #[test]
    fn mail_for_people_here_stays_here() {
        let way = |address| route(&to(address, &["QM3BAR"]), &routes());
        assert_eq!(way("QA1SKY"), Way::Here);
        assert_eq!(way("QA5NET"), Way::Here);
        assert_eq!(way("QZ9ANY at QA1SKY"), Way::Here);
        assert_eq!(
            way("QA5NET at QX0RLF"),
            one(&["QX0RLF", "QM2REE"]),
            "as addressed"
        );
        let alone = Routes {
            partners: Vec::new(),
            ..routes()
        };
        assert_eq!(route(&to("QZ9ANY", &[]), &alone), Way::Here);
    }

    #[test]
    fn what_nobody_carries_or_what_goes_in_a_circle_is_told() {
        let mut few = routes();
        few.partners.remove(0);
        let why = |message| match route(&message, &few) {
            Way::Undeliverable { why } => why,
            other => panic!("{other:?}"),
        };
        assert_eq!(
            why(to("QZ1FAR at QZ2FAR", &[])),
            "no partner carries mail for QZ2FAR"
        );
        assert_eq!(
            why(to("QX5BOB at QX0RLF", &["QM2REE", "QX0RLF"])),
            "every partner that carries mail for QX0RLF has had it"
        );
        assert_eq!(
            why(to("QX5BOB at QX0RLF", &["QA1SKY", "QM2REE", "QA1SKY"])),
            "it goes in a circle: QA1SKY has had it before"
        );
    }

    #[test]
    fn a_bulletin_goes_to_all_of_its_area_but_not_back() {
        let way = |area, chain: &[&str]| route(&bulletin(area, chain), &routes());
        assert_eq!(way("ISLES", &[]), all(&["QM9ALL", "QM2REE", "QX0RLF"]));
        assert_eq!(way("REEF", &["QX0RLF"]), all(&["QM9ALL"]));
        assert_eq!(way("REEF", &["QX0RLF", "QM9ALL"]), Way::Here);
        let mut origin = routes();
        origin.partners.push(rule("QM3BAR", &[], &["ISLES"], false));
        assert_eq!(
            route(&bulletin("ISLES", &[]), &origin),
            way("ISLES", &[]),
            "not to where it was written"
        );
    }

    #[test]
    fn in_a_ring_of_three_a_message_comes_to_each_once_and_never_round() {
        let ring = ["QA1SKY", "QM2REE", "QX0RLF"];
        let knows = |at: usize| Routes {
            own: call(ring[at]),
            keeps_for: Vec::new(),
            partners: vec![rule(ring[(at + 1) % 3], &[], &[], true)],
        };
        for start in 0..3 {
            for mut message in [
                to("QZ1FAR at QZ2FAR", &["QM3BAR"]),
                bulletin("ISLES", &["QM3BAR"]),
            ] {
                let mut at = start;
                for _ in 0..2 {
                    message.taken_by(call(ring[at]), WallTime(0));
                    at = (at + 1) % 3;
                    match route(&message, &knows((at + 2) % 3)) {
                        Way::One { partners } | Way::All { partners } => {
                            assert_eq!(partners, [call(ring[at])]);
                        }
                        other => panic!("{other:?}"),
                    }
                }
                message.taken_by(call(ring[at]), WallTime(0));
                match (route(&message, &knows(at)), &message.kind) {
                    (Way::Here, Kind::Bulletin { .. }) => {}
                    (Way::Undeliverable { why }, Kind::Personal { .. }) => {
                        assert!(why.contains("has had it"), "{why}");
                    }
                    other => panic!("{other:?}"),
                }
                // A station that gives it on all the same is not followed.
                message.taken_by(call(ring[start]), WallTime(0));
                let why = format!("it goes in a circle: {} has had it before", ring[start]);
                assert_eq!(route(&message, &knows(start)), Way::Undeliverable { why });
            }
        }
    }
}
