//! Links of phones: each attempt begins when the phones that are there have opened theirs, or their time is up.

use serde::Serialize;

use super::Night;
use crate::ballot::Refusal;
use crate::ballot::pass::Holder;
use crate::trial::hands::Progress;
use crate::trial::witness::{LINKS_WAIT_MS, MAX_WITNESSES, Witness};
use crate::trial::{Ballot, Digest, Effect, Event, Stage, TrialId};

/// Phones that were passed over at the attempt before have so long to be back, beside those that are waited for.
const BACK_MS: u64 = 1500;
/// How often is looked whether the links are there.
const LOOK_MS: u64 = 100;

/// What a phone has to do with its chain of links.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum LinkAsked {
    /// It has none in this sealing.
    Nothing,
    /// Draw one and give its end.
    Wanted,
    /// Keep it closed.
    Kept,
    /// Open the link of this trial.
    Asked,
    /// It is open.
    Opened,
}

/// How far an attempt is whose links were asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LinksFacts {
    /// Open links.
    pub opened: usize,
    /// Phones with a chain.
    pub of: usize,
}

impl Night {
    /// The attempt that waits for its links.
    pub(super) fn waiting(&self) -> Option<TrialId> {
        match self.conductor.view().stage {
            Stage::Waiting { next, .. } => Some(next),
            _ => None,
        }
    }

    /// The phone of this seat among the witnesses of the sealing.
    pub fn chain_of(&self, seat: u32) -> Option<(u32, &Witness)> {
        let mut all = (1..).zip(&self.sealing().witnesses);
        all.find(|(_, witness)| witness.seat == Some(seat))
    }

    /// What the phone of this seat has to do with its chain of links.
    pub fn link_of(&self, seat: u32) -> LinkAsked {
        let taking = self.sealing().progress == Progress::Taking;
        match self.chain_of(seat) {
            Some((_, own)) if own.opened => LinkAsked::Opened,
            Some(_) if self.conductor.asked_ms().is_some() && self.waiting().is_some() => LinkAsked::Asked,
            Some(_) => LinkAsked::Kept,
            None if taking && self.sealing().witnesses.len() < MAX_WITNESSES => LinkAsked::Wanted,
            None => LinkAsked::Nothing,
        }
    }

    /// How far the links of the attempt are; `None` where none are asked for.
    pub fn links(&self) -> Option<LinksFacts> {
        self.waiting().filter(|_| self.conductor.asked_ms().is_some())?;
        let all = &self.sealing().witnesses;
        Some(LinksFacts { opened: all.iter().filter(|witness| witness.opened).count(), of: all.len() })
    }

    /// The receipt at which the links of this attempt were asked for.
    pub fn head(&self) -> Option<Digest> {
        self.links().and(self.head)
    }

    /// A phone gives the end of its chain.
    ///
    /// # Errors
    /// It is not the time, or it has one.
    pub fn join_witness(&mut self, at_ms: u64, holder: Holder, end: Digest) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        let seat = self.seats.get(holder.seat).filter(|seat| seat.by == Ballot::Phone && !seat.left);
        let name = seat.ok_or(Refusal::Left)?.alias.clone();
        self.step(at_ms, Event::JoinWitness { name, end, seat: Some(holder.seat) })
    }

    /// A phone opens its link; the last one begins the trial.
    ///
    /// # Errors
    /// No link is asked for, or it is not this one.
    pub fn open_link(&mut self, at_ms: u64, holder: Holder, link: Digest) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        let (witness, _) = self.chain_of(holder.seat).ok_or(Refusal::Link)?;
        if self.links().is_none() {
            return Err(Refusal::Link);
        }
        let effects = self.step(at_ms, Event::OpenLink { witness, link }).map_err(|_| Refusal::Link)?;
        self.begun(at_ms);
        Ok(effects)
    }

    /// The trial begins: its links are asked for. Nobody, the machine included, knew it before.
    pub(super) fn ask_links(&mut self, at_ms: u64) -> Result<Vec<Effect>, Refusal> {
        if self.links().is_some() {
            return Err(Refusal::NothingHere("the phones open this trial: it begins by itself".to_owned()));
        }
        let Some(id) = self.waiting() else { return Ok(Vec::new()) };
        self.start_ms = None;
        let text = format!("{id:?} {}", self.receipts.len());
        let nonce = Digest::of_parts(&[b"earwitness links asked v2", &self.blind.0, text.as_bytes()]);
        self.step(at_ms, Event::AskLinks { nonce })
    }

    /// Links that are not there in time are passed over.
    pub(super) fn links_in_time(&mut self, at_ms: u64, effects: &mut Vec<Effect>) {
        let (Some(asked_ms), Some(_)) = (self.conductor.asked_ms(), self.links()) else { return };
        let waited_ms = at_ms.saturating_sub(asked_ms);
        let there = |witness: &Witness| {
            let seat = witness.seat.and_then(|seat| self.seats.get(seat));
            witness.missed == 0 && seat.is_some_and(|seat| !seat.left)
        };
        let awaited = self.sealing().witnesses.iter().any(|witness| !witness.opened && there(witness));
        let wait_ms = if awaited { LINKS_WAIT_MS } else { BACK_MS };
        if waited_ms >= wait_ms {
            effects.extend(self.step(at_ms, Event::PassLinks).unwrap_or_default());
            self.begun(at_ms);
        }
    }

    /// When the links are looked at again.
    pub(super) fn links_wake_ms(&self, at_ms: u64) -> Option<u64> {
        self.links().map(|_| at_ms + LOOK_MS)
    }

    /// Presents the trial whose links are there, unless the host does.
    fn begun(&mut self, at_ms: u64) {
        if self.trial().is_some() && !self.by_hand {
            self.present(at_ms);
        }
    }
}
