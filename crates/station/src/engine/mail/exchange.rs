//! Exchanges of mail over links.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};
use dunlin_mail::carriage::{Carriage, Input, Output, Settings};
use dunlin_mail::exchange::{self, Limits};
use dunlin_mail::post::{Ask, Much, PartnerRule, Proof};

use super::For;
use super::ending::How;
use super::partners::AT_ONCE;
use crate::engine::Station;
use crate::event::{ExchangeId, Urgency};
use crate::links::{LinkEntry, LinkKey, Owner};

/// One turn of an exchange lasts about so long on the air, seconds; then the other side gets a word in.
pub(super) const TURN_S: u32 = 55;

/// What waits sends a frame after so long, well before a partner ends an exchange on which nothing passes.
const SIGN_OF_LIFE: Duration = Duration::from_secs(600);

/// How a partner stands with whom an exchange goes on.
const EXCHANGING: &str = "exchanging mail";

impl Station {
    /// Why a partner who calls cannot exchange now.
    pub(in crate::engine) fn exchange_refusal(
        &self,
        now: Instant,
        number: usize,
        remote: CallSign,
    ) -> Option<String> {
        if let Some(left) = self.mute_of(now, remote, true) {
            return Some(format!("it is muted for {left} more"));
        }
        let state = self.post.partners.get(number)?;
        let goes_on = state.exchange.is_some();
        goes_on.then(|| "an exchange with it goes on already".to_owned())
    }

    /// A partner has called.
    pub(in crate::engine) fn exchange_called(&mut self, now: Instant, key: LinkKey) {
        let Some(number) = self.partner_of(&key) else {
            return;
        };
        let id = self.new_exchange(now, key, number, false);
        if let Some(entry) = self.links.get_mut(&key) {
            entry.owner = Owner::Exchange(id);
        }
        self.begin_carriage(now, id);
    }

    /// The partner calls while it is being called. Then both believe that they have made the link: the lower call sign
    /// counts as the caller.
    pub(in crate::engine) fn calls_met(&mut self, id: ExchangeId) {
        if let Some(exchange) = self.post.exchanges.get_mut(&id) {
            exchange.calls = exchange.key.local < exchange.key.remote;
        }
    }

    /// The partner that was called has answered.
    pub(in crate::engine) fn exchange_answered(&mut self, now: Instant, id: ExchangeId) {
        self.begin_carriage(now, id);
    }

    /// The other end has begun its link anew. If anything had passed, what it has of the exchange is not known: the
    /// exchange begins anew too, and the other end speaks first.
    pub(in crate::engine) fn exchange_afresh(
        &mut self,
        now: Instant,
        id: ExchangeId,
        key: LinkKey,
    ) {
        let entry = self.links.get(&key);
        let passed = |e: &LinkEntry| e.ever_acknowledged || e.link.counters().i_received > 0;
        if entry.is_some_and(passed) {
            self.exchange_dropped(now, id, "the other end began anew");
            self.exchange_called(now, key);
        }
    }

    fn begin_carriage(&mut self, now: Instant, id: ExchangeId) {
        let exchanges = &self.post.exchanges;
        let Some(exchange) = exchanges.get(&id).filter(|e| e.carriage.is_none()) else {
            return;
        };
        let (number, calls, port) = (exchange.partner, exchange.calls, exchange.key.port);
        let (Some(mail), Some(partner)) = (&self.config.mail, self.partner(number)) else {
            return;
        };
        let base = partner.call.with_ssid(0).unwrap_or(partner.call);
        let trusts = |rule: &PartnerRule| rule.partner == base && rule.trusted;
        let turn = self.port_config(port).line.baud() * TURN_S / 8;
        let settings = Settings {
            exchange: exchange::Settings {
                own: mail.routes.own,
                partner: base,
                calls,
                limits: Limits {
                    packed: partner.most_octets,
                    turn: turn as usize,
                },
            },
            proof: match mail.routes.partners.iter().any(trusts) {
                true => Proof::VouchedFor,
                false => Proof::KnownPath,
            },
            routes: mail.routes.clone(),
            holds: mail.holds.clone(),
            areas: mail.areas.clone(),
            asked: std::mem::take(&mut self.post.partners[number].asked),
        };
        let carriage = Carriage::new(settings, self.wall(now));
        if let Some(exchange) = self.post.exchanges.get_mut(&id) {
            exchange.carriage = Some(carriage);
        }
        self.post.partners[number].words = EXCHANGING.into();
        self.tell_partner(number);
        self.serve_exchange(now, id);
    }

    /// The link has brought something.
    pub(in crate::engine) fn exchange_data(
        &mut self,
        now: Instant,
        id: ExchangeId,
        octets: Vec<u8>,
    ) {
        self.exchange_input(now, id, Input::Received(octets));
    }

    /// The link is gone, for this reason.
    pub(in crate::engine) fn exchange_dropped(
        &mut self,
        now: Instant,
        id: ExchangeId,
        words: &str,
    ) {
        let Some(exchange) = self.post.exchanges.get_mut(&id) else {
            return;
        };
        exchange.outbox.clear();
        let number = exchange.partner;
        if !std::mem::replace(&mut exchange.over, true) {
            let how = if exchange.meant {
                How::Meant
            } else {
                How::Failed
            };
            self.exchange_over(now, number, how, words);
        }
        self.exchange_input(now, id, Input::Dropped);
    }

    pub(super) fn exchange_input(&mut self, now: Instant, id: ExchangeId, input: Input) {
        let wall = self.wall(now);
        let Some(exchange) = self.post.exchanges.get_mut(&id) else {
            return;
        };
        if !matches!(input, Input::GoOn | Input::Queued) {
            exchange.last = now;
        }
        if let Some(carriage) = &mut exchange.carriage {
            carriage.handle(input, wall);
        }
        self.serve_exchange(now, id);
    }

    /// What was queued for a partner with whom an exchange goes on is offered in it, if its turn comes. It was kept
    /// before this is called, so the queue holds it when the exchange asks.
    pub(super) fn tell_exchanges(&mut self, now: Instant) {
        let states = self.post.partners.iter();
        let new = states.filter(|state| state.hastened.is_some());
        let ids: Vec<ExchangeId> = new.filter_map(|state| state.exchange).collect();
        for id in ids {
            self.exchange_input(now, id, Input::Queued);
        }
    }

    /// Does what an exchange wants.
    fn serve_exchange(&mut self, now: Instant, id: ExchangeId) {
        while let Some(exchange) = self.post.exchanges.get_mut(&id)
            && let Some(output) = exchange.carriage.as_mut().and_then(Carriage::poll)
        {
            let (key, number, over) = (exchange.key, exchange.partner, exchange.over);
            match output {
                Output::Send(octets) if !over => exchange.outbox.extend(octets),
                Output::Send(_) => {}
                Output::Ask(ticket, mut ask) => {
                    let came = match &mut ask {
                        Ask::Keep(letter) => Some(Box::new(letter.head())),
                        // What has come so far is in the queue by the time that it is read.
                        Ask::Outgoing { .. } => {
                            let state = &mut self.post.partners[number];
                            (state.hastened, state.pressing) = (None, false);
                            None
                        }
                        // The others of this moment were promised room too.
                        Ask::Room { more, .. } => {
                            *more = more.and(self.promised_beside(id));
                            None
                        }
                        _ => None,
                    };
                    self.ask_keeper(now, For::Exchange(id, ticket, came), ask);
                }
                Output::Note(words) => {
                    self.note(now, Some(key.port), Urgency::Attention, words);
                }
                Output::CameToNothing(head) => self.report(now, &head),
                Output::Ended { well, words } => self.carriage_ended(now, id, well, &words),
            }
        }
        if let Some(exchange) = self.post.exchanges.get_mut(&id) {
            exchange.note_waiting(now);
        }
        self.exchange_drip(now, id);
        self.forget_exchange(id);
    }

    /// The room that was promised in all exchanges but this one.
    fn promised_beside(&self, id: ExchangeId) -> Much {
        let others = self
            .post
            .exchanges
            .iter()
            .filter(|(other, _)| **other != id);
        let carriages = others.filter_map(|(_, exchange)| exchange.carriage.as_ref());
        let promised = carriages.map(Carriage::promised);
        promised.fold(Much::default(), Much::and)
    }

    /// Who has called releases the link, once all is acknowledged, and whoever has ended it on purpose; else the other
    /// side waits for that.
    fn carriage_ended(&mut self, now: Instant, id: ExchangeId, well: bool, words: &str) {
        let Some(exchange) = self.post.exchanges.get_mut(&id) else {
            return;
        };
        let (key, number) = (exchange.key, exchange.partner);
        if std::mem::replace(&mut exchange.over, true) {
            return;
        }
        let how = match (well, exchange.meant) {
            (true, _) => How::Well,
            (false, true) => How::Meant,
            (false, false) => How::Failed,
        };
        let releases = exchange.calls || exchange.meant;
        if well && exchange.carriage.as_ref().is_some_and(Carriage::has_left) {
            let state = &mut self.post.partners[number];
            let soon = now + AT_ONCE;
            state.hastened = Some(state.hastened.map_or(soon, |at| at.min(soon)));
        }
        self.exchange_over(now, number, how, words);
        if releases {
            self.close_link(now, key);
        }
    }

    pub(super) fn owns_link(&self, id: ExchangeId, key: &LinkKey) -> bool {
        let entry = self.links.get(key);
        entry.is_some_and(|e| e.owner == Owner::Exchange(id))
    }

    /// Lets exchanges go on that may take time of their port again.
    pub(in crate::engine) fn drip_exchanges(&mut self, now: Instant) {
        let ids: Vec<ExchangeId> = self.post.exchanges.keys().copied().collect();
        for id in ids {
            self.exchange_drip(now, id);
        }
    }

    /// Whether an exchange has to wait since exchanges have had their share of its port, or little of the port's key-down
    /// time is left. What is urgent never has, nor what is said at the end.
    fn exchange_waits(&mut self, now: Instant, id: ExchangeId) -> bool {
        let Some(exchange) = self.post.exchanges.get(&id) else {
            return false;
        };
        let urgent = exchange.carriage.as_ref().is_some_and(Carriage::is_urgent);
        let exempt = exchange.over || exchange.outbox.is_empty() || exchange.urgent || urgent;
        let (number, port, held) = (exchange.partner, exchange.key.port, exchange.held);
        let for_share = !exempt && self.mail_waits_for_share(now, port);
        let waits = for_share || !exempt && self.waits_for_key(now, port);
        let Some(exchange) = self.post.exchanges.get_mut(&id) else {
            return false;
        };
        exchange.held = waits;
        if waits {
            // It is not idle.
            exchange.last = now;
        }
        let words = match waits {
            true if for_share => "exchanging mail; it waits, as mail has had its share of the port",
            true => "exchanging mail; it waits, as little of the port's key-down time is left",
            false => EXCHANGING,
        };
        let over = exchange.over;
        let state = &mut self.post.partners[number];
        if (waits || held) && !over && state.words != words {
            state.words = words.to_owned();
            self.tell_partner(number);
        }
        waits
    }

    /// Hands the link what it can take and mail may send. What has to wait for long still sends a frame now and then, so that
    /// the partner does not take it for dead. True if there was any.
    pub(in crate::engine) fn exchange_drip(&mut self, now: Instant, id: ExchangeId) -> bool {
        let waits = self.exchange_waits(now, id);
        let Some(exchange) = self.post.exchanges.get_mut(&id) else {
            return false;
        };
        let owned = |entry: &&mut LinkEntry| entry.is_up() && entry.owner == Owner::Exchange(id);
        let Some(entry) = self.links.get_mut(&exchange.key).filter(owned) else {
            return false;
        };
        if waits && now < exchange.dripped + SIGN_OF_LIFE {
            return false;
        }
        let outbox = &mut exchange.outbox;
        let mut frames = if waits { 1 } else { usize::MAX };
        let any = entry.drip(now, |length| {
            let length = length.min(outbox.len());
            let any = length > 0 && frames > 0;
            frames = frames.saturating_sub(1);
            any.then(|| outbox.drain(..length).collect())
        });
        if any {
            exchange.dripped = now;
        }
        any
    }

    /// An exchange that is over is forgotten once its link is gone and all answers have come.
    fn forget_exchange(&mut self, id: ExchangeId) {
        let Some(exchange) = self.post.exchanges.get(&id) else {
            return;
        };
        let through = exchange.carriage.as_ref().is_none_or(Carriage::is_through);
        if exchange.over && through && !self.owns_link(id, &exchange.key) {
            self.post.exchanges.remove(&id);
        }
    }
}
