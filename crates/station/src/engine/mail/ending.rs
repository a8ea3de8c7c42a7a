//! How exchanges of mail end before they are through: on purpose, or because nothing passes.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};
use dunlin_mail::carriage::{Carriage, Input};

use super::Exchange;
use crate::command::{Refusal, Reply};
use crate::engine::Station;
use crate::event::ExchangeId;
use crate::gate::stops::{LONGEST_REASON, clean};

/// An exchange on which nothing passes for so long is ended.
const IDLE: Duration = Duration::from_secs(900);
/// After the end the other side may release the link first for so long.
const RELEASE_WITHIN: Duration = Duration::from_secs(60);
/// The partner waits so long for this side's keeper, at most. Half a minute is longer than any disk takes that is well,
/// and no longer than a turn.
const KEEPER_WITHIN: Duration = Duration::from_secs(30);

/// How an exchange, or a call for one, has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum How {
    /// Both sides were through.
    Well,
    /// Somebody here wanted it to end.
    Meant,
    Failed,
}

impl Exchange {
    /// When something has to be done if nothing happens.
    pub(super) fn deadline(&self) -> Instant {
        let last = self.last + if self.over { RELEASE_WITHIN } else { IDLE };
        let late = self.waits.map(|since| since + KEEPER_WITHIN);
        late.map_or(last, |late| late.min(last))
    }

    /// Notes whether the keeper holds up this side's turn.
    pub(super) fn note_waiting(&mut self, now: Instant) {
        let waits = !self.over && self.carriage.as_ref().is_some_and(Carriage::waits);
        self.waits = waits.then(|| self.waits.unwrap_or(now));
    }
}

impl Station {
    /// A person wants the exchange with a partner to end now.
    pub(in crate::engine) fn end_partner(
        &mut self,
        now: Instant,
        call: CallSign,
        why: &str,
    ) -> Result<Reply, Refusal> {
        let number = self.partner_number(call)?;
        let exchange = self.post.partners[number].exchange;
        let id = exchange.ok_or(Refusal::NotExchanging(call))?;
        let why = clean(why, LONGEST_REASON);
        let words = match why.is_empty() {
            true => "ended by the operator".to_owned(),
            false => format!("ended by the operator: {why}"),
        };
        self.end_exchange(now, id, words);
        Ok(Reply::Done)
    }

    /// Somebody is muted, whatever the SSID.
    pub(in crate::engine) fn end_exchange_of_muted(&mut self, now: Instant, call: CallSign) {
        let exchanges = self.post.exchanges.iter();
        let theirs = exchanges.filter(|(_, e)| e.key.remote.with_ssid(0) == Some(call) && !e.over);
        let ids: Vec<ExchangeId> = theirs.map(|(id, _)| *id).collect();
        for id in ids {
            self.end_exchange(now, id, "it is muted at the other station".to_owned());
        }
    }

    fn end_exchange(&mut self, now: Instant, id: ExchangeId, words: String) {
        if let Some(exchange) = self.post.exchanges.get_mut(&id) {
            exchange.meant = true;
            self.say_end(now, id, words);
        }
    }

    /// Ends an exchange and tells the partner why. If there is nothing to tell it yet, or if this side is in the midst of
    /// a turn, which may take a minute more, the link is released without words.
    fn say_end(&mut self, now: Instant, id: ExchangeId, words: String) {
        let Some(exchange) = self.post.exchanges.get(&id) else {
            return;
        };
        let key = exchange.key;
        if exchange.carriage.is_some() && exchange.outbox.is_empty() {
            // The carriage ends, and with it the link.
            self.exchange_input(now, id, Input::End(words));
            return;
        }
        self.exchange_dropped(now, id, &words);
        if self.owns_link(id, &key) {
            self.close_link(now, key);
        }
    }

    /// Exchanges that go on, or whose link is not released yet.
    pub fn exchanges_open(&self) -> usize {
        let exchanges = self.post.exchanges.iter();
        let open = exchanges.filter(|(id, e)| !e.over || self.owns_link(**id, &e.key));
        open.count()
    }

    /// Goes on without a slow keeper, and ends what stands still. Long after the end the last answers are not waited for
    /// any more.
    pub(super) fn overdue_exchanges(&mut self, now: Instant) {
        let exchanges = self.post.exchanges.iter();
        let due = exchanges.filter(|(_, e)| e.deadline() <= now);
        let due: Vec<ExchangeId> = due.map(|(id, _)| *id).collect();
        for id in due {
            let Some(exchange) = self.post.exchanges.get_mut(&id) else {
                continue;
            };
            let (key, over) = (exchange.key, exchange.over);
            if exchange.waits.take().is_some() && exchange.deadline() > now {
                self.exchange_input(now, id, Input::GoOn);
                continue;
            }
            exchange.last = now;
            if !over {
                // The partner releases the link, or this side does a little later.
                self.say_end(now, id, "nothing has passed for too long".to_owned());
                continue;
            }
            match self.owns_link(id, &key) {
                true => self.close_link(now, key),
                false => drop(self.post.exchanges.remove(&id)),
            }
        }
    }
}
