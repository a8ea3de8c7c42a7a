//! Radiograms that are written here, and those that are passed on by hand.

use dunlin_clock::Instant;
use dunlin_mail::radiogram::{Blank, Radiogram, Tally};
use dunlin_mail::{Address, Kind};
use serde::{Deserialize, Serialize};

use super::letter::{Draft, DraftError};
use super::reckon::Reckoning;
use crate::engine::Station;

/// A radiogram that is being filled in, and the station that is to deliver it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FormalDraft {
    /// Who delivers it; `None` = not said yet.
    #[serde(default)]
    pub to: Option<Address>,
    /// The form.
    pub radiogram: Blank,
    /// It is not to be sent yet.
    #[serde(default)]
    pub keep_back: bool,
}

/// What can be said of a radiogram before it is sent.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FormalReckoning {
    /// The count, and what is wrong.
    #[serde(flatten)]
    pub tally: Tally,
    /// What it would cost, once all of it is there.
    pub cost: Option<Reckoning>,
}

impl Station {
    /// Counts a radiogram as it stands, and says what it would cost. Nothing is changed, and no number given.
    ///
    /// # Errors
    /// No mail is kept here.
    pub fn reckon_formal(
        &self,
        now: Instant,
        draft: FormalDraft,
    ) -> Result<FormalReckoning, DraftError> {
        let mail = self.config.mail.as_ref().ok_or(DraftError::NoMail)?;
        let tally = draft.radiogram.tally(mail.routes.own, self.wall(now));
        // Three figures are usual; the number costs hardly anything.
        let whole = self.formal_draft(now, 100, draft).ok();
        let cost = whole.and_then(|draft| self.reckon(now, draft).ok());
        Ok(FormalReckoning { tally, cost })
    }

    /// Makes a draft of a radiogram with this number, which whoever keeps the mail has given.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn formal_draft(
        &self,
        now: Instant,
        number: u32,
        draft: FormalDraft,
    ) -> Result<Draft, DraftError> {
        let mail = self.config.mail.as_ref().ok_or(DraftError::NoMail)?;
        let nobody = || DraftError::Formal("say which station is to deliver it".into());
        let to = draft.to.ok_or_else(nobody)?;
        let filled = draft
            .radiogram
            .fill(number, mail.routes.own, self.wall(now));
        let form = filled.map_err(|amiss| {
            let words: Vec<String> = amiss.iter().map(ToString::to_string).collect();
            DraftError::Formal(words.join("; "))
        })?;
        let body = form.body().map_err(unfit)?;
        Ok(Draft {
            kind: Kind::Formal { to },
            precedence: form.precedence,
            title: form.title(),
            body,
            keep_back: draft.keep_back,
        })
    }
}

/// What the operator hands to the mail as a radiogram is one, and its check agrees with its text. Title and precedence
/// are those of the form.
pub(super) fn checked(draft: Draft) -> Result<Draft, DraftError> {
    let Kind::Formal { .. } = draft.kind else {
        return Ok(draft);
    };
    let form: Radiogram = draft.body.parse().map_err(unfit)?;
    if let Some(finding) = form.receive().finding {
        return Err(DraftError::Formal(finding));
    }
    Ok(Draft {
        precedence: form.precedence,
        title: form.title(),
        ..draft
    })
}

fn unfit(fault: impl std::fmt::Display) -> DraftError {
    DraftError::Formal(fault.to_string())
}
