//! When partners of the mail are called.

use dunlin_ax25::CallSign;
use dunlin_clock::{Chance, Duration, Instant};
use dunlin_mail::Precedence;
use dunlin_mail::post::{Head, Leg, Standing};

use super::ending::How;
use super::{Exchange, PartnerState, about};
use crate::command::{Refusal, Reply};
use crate::config::Partner;
use crate::engine::{Station, WakeupReason};
use crate::event::{Event, ExchangeId, PartnerView, Urgency, ms};
use crate::gate::AlarmKind;
use crate::links::{LinkKey, Owner};

/// After a start nobody is called for so long, on average: first the channel is listened to. Common practice, no
/// source.
const FIRST_AFTER: Duration = Duration::from_secs(300);
/// What is queued is gathered for so long before the partner is called.
const GATHER: Duration = Duration::from_secs(60);
/// What is urgent goes after so long.
pub(super) const AT_ONCE: Duration = Duration::from_secs(2);
/// The first pause after a call that came to nothing; it doubles each time.
const FIRST_PAUSE: Duration = Duration::from_secs(300);
const MOST_DOUBLINGS: u32 = 6;
/// Outside the hours of a partner, and while its port is out of service, it is looked again so often.
const LOOK_AGAIN: Duration = Duration::from_secs(60);
/// So many calls in a row that came to nothing make an alarm, if no exchange ended well in so many polls either.
const ALARM_FAILED: u32 = 4;
const ALARM_POLLS: u32 = 2;

impl Station {
    /// Partners are first called some time after the start.
    pub(in crate::engine) fn begin_post(&mut self) {
        let Some(mail) = &self.config.mail else {
            return;
        };
        self.post.chance = Chance::stream(mail.salt, "mail");
        for _ in 0..mail.partners.len() {
            let due = Instant::ZERO + about(&mut self.post.chance, FIRST_AFTER);
            self.post.partners.push(PartnerState {
                due: Some(due),
                words: "not called yet".into(),
                ..PartnerState::default()
            });
        }
        self.begin_sweeps();
        self.begin_emergencies();
    }

    pub(super) fn partner(&self, number: usize) -> Option<&Partner> {
        self.config.mail.as_ref()?.partners.get(number)
    }

    /// The partner at the other end of a link to the node, if it is one.
    pub(in crate::engine) fn partner_of(&self, key: &LinkKey) -> Option<usize> {
        let node = self.config.node.as_ref()?;
        let mail = self
            .config
            .mail
            .as_ref()
            .filter(|_| node.call == key.local)?;
        mail.partners.iter().position(|p| p.call == key.remote)
    }

    pub(in crate::engine) fn post_wakeup(&self) -> Option<(Instant, WakeupReason)> {
        let free = |state: &PartnerState| state.due.filter(|_| state.exchange.is_none());
        let states = self.post.partners.iter().enumerate();
        let due = states.filter_map(|(n, state)| {
            let port = self.partner(n)?.port;
            Some((free(state)?, WakeupReason::Mail(port)))
        });
        let exchanges = self.post.exchanges.values();
        let idle = exchanges.map(|e| (e.deadline(), WakeupReason::Mail(e.key.port)));
        let sweep = self.post.sweep_due.map(|at| (at, WakeupReason::Sweep));
        let emergency = self.post.emergency_due;
        let emergency = emergency.map(|at| (at, WakeupReason::Emergency));
        let rest = sweep.into_iter().chain(emergency);
        due.chain(idle).chain(rest).min_by_key(|(at, _)| *at)
    }

    /// Calls partners that are due, and ends exchanges that stand still.
    pub(in crate::engine) fn look_at_post(&mut self, now: Instant) {
        for number in 0..self.post.partners.len() {
            let state = &self.post.partners[number];
            if state.exchange.is_none() && state.due.is_some_and(|due| due <= now) {
                self.call_partner(now, number);
            }
        }
        self.overdue_exchanges(now);
        self.sweep_if_due(now);
        self.look_for_emergencies(now);
    }

    /// What is new in the queue does not wait for the next poll.
    pub(super) fn hasten(&mut self, now: Instant, letter: &Head) {
        let after = match letter.precedence {
            Precedence::Emergency | Precedence::Priority => AT_ONCE,
            _ => GATHER,
        };
        if letter.standing != Standing::Queued {
            return;
        }
        let wall = self.wall(now);
        let waits = |leg: &&Leg| leg.is_due(wall);
        let partners = self.config.mail.as_ref().map_or(&[][..], |m| &m.partners);
        for leg in letter.legs.iter().filter(waits) {
            let is_it = |p: &Partner| p.call.characters() == leg.partner.characters();
            let Some(number) = partners.iter().position(is_it) else {
                continue;
            };
            let state = &mut self.post.partners[number];
            if letter.precedence == Precedence::Emergency
                && let Some(exchange) = state.exchange
                && let Some(exchange) = self.post.exchanges.get_mut(&exchange)
            {
                exchange.urgent = true;
            }
            // While it cannot be reached, new mail is no reason to call more often, unless it is urgent.
            let at = match (state.failed, after) {
                (0, after) => now + after,
                (_, AT_ONCE) => now + FIRST_PAUSE,
                _ if state.exchange.is_some() => now + after,
                _ => continue,
            };
            state.pressing |= state.exchange.is_some() && after == AT_ONCE;
            // The exchange that goes on takes it along, if it still can.
            let due = match state.exchange {
                Some(_) => &mut state.hastened,
                None => &mut state.due,
            };
            *due = Some(due.map_or(at, |due| due.min(at)));
        }
    }

    fn call_partner(&mut self, now: Instant, number: usize) {
        let node = self.config.node.as_ref().map(|node| node.call);
        let Some((partner, local)) = self.partner(number).cloned().zip(node) else {
            return;
        };
        let key = LinkKey {
            port: partner.port,
            local,
            remote: partner.call,
        };
        let closed = !partner.hours.open_at_wall(self.wall(now));
        let muted = self.mute_of(now, partner.call, true);
        let muted = muted.map(|_| "not called: it is muted".to_owned());
        let words = match self.out_of_service(now, partner.port) {
            _ if muted.is_some() => muted,
            _ if closed => Some(format!("outside its hours, {} UTC", partner.hours)),
            Some(why) => Some(format!("cannot be called now: {why}")),
            None if self.links.get(&key).is_some() || self.links.is_full() => {
                Some("cannot be called now: its link, or all links, are in use".to_owned())
            }
            None => None,
        };
        if let Some(words) = words {
            let state = &mut self.post.partners[number];
            state.due = Some(now + LOOK_AGAIN);
            if state.words != words {
                state.words = words;
                self.tell_partner(number);
            }
            return;
        }
        let id = self.new_exchange(now, key, number, true);
        self.call(now, key, partner.via, Owner::Exchange(id));
        self.post.partners[number].words = "calling".into();
        self.tell_partner(number);
    }

    /// Notes a new exchange with a partner.
    pub(super) fn new_exchange(
        &mut self,
        now: Instant,
        key: LinkKey,
        number: usize,
        calls: bool,
    ) -> ExchangeId {
        let id = ExchangeId(self.post.next_exchange);
        self.post.next_exchange += 1;
        let exchange = Exchange {
            key,
            partner: number,
            calls,
            carriage: None,
            outbox: Default::default(),
            last: now,
            urgent: false,
            held: false,
            dripped: now,
            waits: None,
            meant: false,
            over: false,
        };
        self.post.exchanges.insert(id, exchange);
        self.post.partners[number].exchange = Some(id);
        id
    }

    /// An exchange, or a call, has come to its end: when to call again.
    pub(super) fn exchange_over(&mut self, now: Instant, number: usize, how: How, words: &str) {
        let Some(partner) = self.partner(number).cloned() else {
            return;
        };
        let state = &mut self.post.partners[number];
        state.exchange = None;
        let pause = match how {
            How::Well => {
                (state.failed, state.contact) = (0, Some(now));
                partner.every
            }
            // Whoever ended it does not want it again at once.
            How::Meant => {
                state.hastened = None;
                partner.every
            }
            How::Failed => {
                state.failed = state.failed.saturating_add(1);
                // What was to be taken along waits like the rest.
                if !state.pressing {
                    state.hastened = None;
                }
                let doublings = (state.failed - 1).min(MOST_DOUBLINGS);
                (FIRST_PAUSE * (1 << doublings)).min(partner.every.max(FIRST_PAUSE))
            }
        };
        let again = now + about(&mut self.post.chance, pause);
        // What was queued meanwhile is not put off to the next poll.
        let soonest = now
            + if how == How::Well {
                AT_ONCE
            } else {
                FIRST_PAUSE
            };
        state.pressing = false;
        let hastened = state.hastened.take().map(|at| at.max(soonest));
        state.due = Some(hastened.map_or(again, |at| at.min(again)));
        state.words = words.to_owned();
        self.alarm_of_partner(now, number, &partner);
        self.tell_partner(number);
        let urgency = match how {
            How::Well => Urgency::Plain,
            How::Meant | How::Failed => Urgency::Attention,
        };
        let text = format!("mail with {}: {words}", partner.call);
        self.note(now, Some(partner.port), urgency, text);
        self.tell(Event::MailChanged);
    }

    /// Whether a person should look after a partner.
    fn alarm_of_partner(&mut self, now: Instant, number: usize, partner: &Partner) {
        let state = &mut self.post.partners[number];
        let since = now.since(state.contact.unwrap_or(Instant::ZERO));
        let silent = state.failed >= ALARM_FAILED && since > partner.every * ALARM_POLLS;
        if !silent && !state.alarmed {
            return;
        }
        state.alarmed = silent;
        let text = format!(
            "{}, a partner of the mail, was not reached {} times in a row; the last time: {}. \
             Look whether it is heard, ask its keeper, or give its mail to another partner",
            partner.call, state.failed, state.words
        );
        let text = silent.then_some(text);
        self.trouble(now, AlarmKind::Partner, Some(partner.port), text.as_deref());
    }

    /// A person wants a partner called now.
    pub(in crate::engine) fn call_partner_now(
        &mut self,
        now: Instant,
        call: CallSign,
    ) -> Result<Reply, Refusal> {
        let number = self.partner_number(call)?;
        let state = &mut self.post.partners[number];
        if state.exchange.is_some() {
            return Err(Refusal::Exchanging(call));
        }
        state.due = Some(now);
        state.asked = true;
        self.look_at_post(now);
        Ok(Reply::Done)
    }

    /// Which of the partners this is.
    pub(super) fn partner_number(&self, call: CallSign) -> Result<usize, Refusal> {
        let partners = self.config.mail.as_ref().map(|mail| &mail.partners);
        let number = partners.and_then(|p| p.iter().position(|p| p.call == call));
        number.ok_or(Refusal::NoPartner(call))
    }

    fn partner_view(&self, number: usize) -> Option<PartnerView> {
        let (partner, state) = (self.partner(number)?, self.post.partners.get(number)?);
        Some(PartnerView {
            call: partner.call,
            port: partner.port,
            words: state.words.clone(),
            exchanging: state.exchange.is_some(),
            contact_ms: state.contact.map(ms),
            next_ms: state.due.map(ms).filter(|_| state.exchange.is_none()),
            failed: state.failed,
        })
    }

    pub(in crate::engine) fn partner_views(&self) -> Vec<PartnerView> {
        let numbers = 0..self.post.partners.len();
        numbers.filter_map(|n| self.partner_view(n)).collect()
    }

    pub(super) fn tell_partner(&mut self, number: usize) {
        if let Some(view) = self.partner_view(number) {
            self.tell(Event::Partner(view));
        }
    }
}
