//! The mail: `[mail]` and `[[partner]]`.

use std::ops::Range;

use dunlin_ax25::CallSign;
use dunlin_clock::Duration;
use dunlin_mail::post::{HoldRules, Keeping, Much, PartnerRule, Room, Routes};
use dunlin_station::{MailRule, NodeRule, Partner};

use crate::crossing::port;
use crate::fault::Faults;
use crate::finding::{Finding, Severity};
use crate::port::PortRead;
use crate::section::Section;
use crate::settings;

/// Reads the mail of a station. The outer `None` = something in it is wrong, the inner one = no mail is kept.
pub(crate) fn read(
    section: &mut Section<'_>,
    own: Option<CallSign>,
    node: Option<&NodeRule>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
    findings: &mut Vec<Finding>,
) -> Option<Option<MailRule>> {
    let mut table = section.table_or_empty("mail", "[mail]", faults);
    let keep = table.take(&settings::MAIL_KEEP, faults);
    let keeps_for = table.take(&settings::KEEPS_FOR, faults);
    let areas = table.take(&settings::MAIL_AREAS, faults);
    let share = table.take(&settings::MAIL_SHARE, faults);
    let holds = holds(&mut table, faults);
    let room = room(&mut table, faults);
    let keeping = keeping(&mut table, faults);
    let at = table.at("keep");
    table.finish(faults);
    let tables = section.tables("partner", "[[partner]]", settings::MOST_PARTNERS, faults);
    let read: Vec<_> = tables
        .into_iter()
        .map(|t| partner(t, ports, faults))
        .collect();
    let partners: Option<Vec<(Partner, PartnerRule)>> = read.into_iter().collect();
    let partners = partners?;
    if !keep? {
        if let Some((partner, _)) = partners.first() {
            findings.push(no_mail(partner.call, faults.line_of(at.start)));
        }
        return Some(None);
    }
    let Some(node) = node else {
        let what = "keep: mail goes by the call sign of the node, and there is no node";
        faults.add(at, what, "call = \"QA1SKY-5\" in [node]");
        return None;
    };
    let own = own?.with_ssid(0)?;
    if !partners_fit(own, node, at, &partners, faults) {
        return None;
    }
    let (partners, rules) = partners.into_iter().unzip();
    let areas = upper(areas?);
    Some(Some(MailRule {
        routes: Routes {
            own,
            keeps_for: bare(keeps_for?.into_iter().map(|call| call.value)),
            partners: rules,
        },
        holds: holds?,
        areas: (!areas.is_empty()).then_some(areas),
        partners,
        most_share: share? / 100.0,
        room: room?,
        keeping: keeping?,
        salt: 0,
    }))
}

/// Partners differ in more than the SSID, none is the station itself, and the node answers where they call.
fn partners_fit(
    own: CallSign,
    node: &NodeRule,
    at: Range<usize>,
    partners: &[(Partner, PartnerRule)],
    faults: &mut Faults<'_>,
) -> bool {
    let mut fits = true;
    let mut fault = |what: String, allowed: &str| {
        faults.add(at.clone(), what, allowed);
        fits = false;
    };
    for (n, (partner, rule)) in partners.iter().enumerate() {
        let call = partner.call;
        if rule.partner == own {
            let what = format!("partner {call} is the station itself");
            fault(what, "the call sign of another station");
        }
        if partners[..n]
            .iter()
            .any(|(_, other)| other.partner == rule.partner)
        {
            let what = format!("partner {} stands there twice", rule.partner);
            fault(what, "one [[partner]] for each station");
        }
        if !node.ports.contains(&partner.port) {
            let what = format!("partner {call} is on a port on which the node does not answer");
            fault(what, "that port in 'ports' of [node]");
        }
    }
    fits
}

fn no_mail(partner: CallSign, line: usize) -> Finding {
    Finding {
        id: "partner-unused",
        severity: Severity::Attention,
        line,
        what: "there are partners, but no mail is kept".into(),
        evidence: format!("[[partner]] {partner}, and keep = false in [mail]"),
        consequence: "No partner is called, and one that calls is a visitor.".into(),
        remedy: "Write keep = true into [mail], or take [[partner]] out.".into(),
    }
}

fn holds(table: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<HoldRules> {
    let words = table.take(&settings::HOLD_WORDS, faults);
    let areas = table.take(&settings::HOLD_AREAS, faults);
    let most = table.take(&settings::HOLD_OVER, faults);
    let oldest = table.take(&settings::HOLD_OLDER, faults);
    let all = table.take(&settings::HOLD_BULLETINS, faults);
    Some(HoldRules {
        most_octets: Some(most? as usize),
        areas: upper(areas?),
        words: words?,
        oldest_days: Some(oldest? as u32),
        unknown_bulletins: true,
        all_bulletins: all?,
    })
}

fn room(table: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Room> {
    let day_messages = table.take(&settings::DAY_MESSAGES, faults);
    let day_octets = table.take(&settings::DAY_OCTETS, faults);
    let messages = table.take(&settings::VISITOR_MESSAGES, faults);
    let octets = table.take(&settings::VISITOR_OCTETS, faults);
    let all_messages = table.take(&settings::MAIL_MESSAGES, faults);
    let all_mb = table.take(&settings::MAIL_MB, faults);
    let much = |messages: f64, octets: f64| Much {
        messages: messages as u64,
        octets: octets as u64,
    };
    Some(Room {
        visitor_day: much(day_messages?, day_octets?),
        visitor: much(messages?, octets?),
        all: much(all_messages?, all_mb? * 1e6),
    })
}

fn keeping(table: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Keeping> {
    let queued = table.take(&settings::QUEUED_DAYS, faults);
    let bulletins = table.take(&settings::BULLETIN_DAYS, faults);
    let done = table.take(&settings::DONE_DAYS, faults);
    let held = table.take(&settings::HELD_DAYS, faults);
    let days = |days: f64| Duration::from_secs((days * 86_400.0) as u64);
    Some(Keeping {
        queued: days(queued?),
        bulletins: days(bulletins?),
        done: days(done?),
        held: days(held?),
    })
}

fn partner(
    mut table: Section<'_>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
) -> Option<(Partner, PartnerRule)> {
    let call = table.take(&settings::PARTNER_CALL, faults);
    let port = port(&mut table, &settings::PARTNER_PORT, ports, faults);
    let via = table.take(&settings::PARTNER_VIA, faults);
    let hours = table.take(&settings::PARTNER_HOURS, faults);
    let every = table.take(&settings::PARTNER_EVERY, faults);
    let most = table.take(&settings::PARTNER_MOST, faults);
    let carries = table.take(&settings::CARRIES, faults);
    let areas = table.take(&settings::PARTNER_AREAS, faults);
    let all = table.take(&settings::CARRIES_ALL, faults);
    let trusted = table.take(&settings::TRUSTED, faults);
    table.finish(faults);
    let call = call?;
    let partner = Partner {
        call,
        port: port?,
        via: via?.into_iter().map(|call| call.value).collect(),
        hours: hours.unwrap_or_default(),
        every: Duration::from_secs((every? * 60.0) as u64),
        most_octets: most? as usize,
    };
    let rule = PartnerRule {
        partner: call.with_ssid(0)?,
        homes: bare(carries?.into_iter().map(|call| call.value)),
        areas: upper(areas?),
        carries_all: all?,
        trusted: trusted?,
    };
    Some((partner, rule))
}

/// Areas as bulletins have them.
fn upper(areas: Vec<String>) -> Vec<String> {
    areas.iter().map(|area| area.to_uppercase()).collect()
}

/// Call signs without SSID, as mail has them.
fn bare(calls: impl Iterator<Item = CallSign>) -> Vec<CallSign> {
    calls.filter_map(|call| call.with_ssid(0)).collect()
}
