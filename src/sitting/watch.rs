//! A sitting with witnesses: who may join, links as they are opened, and what their phones are shown.

use std::time::Duration;

use super::pages;
use crate::conduct::witness::{Ask, Invitation, Request, Shown, Watched, WitnessService};
use crate::conduct::{Driver, News, Stopped};
use crate::screen::{Block, PageScene};
use crate::trial::{Conductor, Digest, Event, Record, Stage, View};

/// How long a listener is shown nothing new while links are opened: over a network of one's own they are there sooner.
const UNSEEN_MS: u64 = 250;

/// Witnesses of a sitting, and what serves them.
pub(super) struct Watch<'d> {
    witnesses: &'d mut dyn WitnessService,
    invitation: Invitation,
    watched: Watched,
    last: Shown,
    /// The sealing whose witnesses are all there, as the listener says.
    complete: Option<Digest>,
}

impl<'d> Watch<'d> {
    /// For a sitting whose journal holds these records already.
    pub(super) fn new(
        witnesses: &'d mut dyn WitnessService,
        invitation: Invitation,
        records: &[Record],
        digests: &[Digest],
    ) -> Self {
        let mut watched = Watched::default();
        for (record, digest) in records.iter().zip(digests) {
            watched.written(record, *digest);
        }
        Self { witnesses, invitation, watched, last: Shown::default(), complete: None }
    }

    /// A record is on the disk.
    pub(super) fn written(&mut self, record: &Record, digest: Digest) {
        self.watched.written(record, digest);
    }

    /// Takes what phones ask for; waits at most this long for the first. What else came of it is given back.
    pub(super) fn take(
        &mut self,
        driver: &mut Driver<Conductor>,
        wait: Duration,
    ) -> Result<Vec<News>, Stopped> {
        let mut other = Vec::new();
        let mut wait = wait;
        while let Some(Request { ask, reply }) = self.witnesses.next(wait) {
            wait = Duration::ZERO;
            let event = match ask {
                Ask::Join { name, end } => Event::JoinWitness { name, end, seat: None },
                Ask::Open { last, link } => {
                    let witnesses = &driver.machine().sealing().witnesses;
                    let index = witnesses.iter().position(|witness| witness.last == last);
                    Event::OpenLink { witness: index.map_or(0, |index| index as u32 + 1), link }
                }
            };
            let done = driver.event(event);
            let mut answer = Ok(());
            for news in driver.take_news() {
                match news {
                    News::Written(record, digest) => self.watched.written(&record, digest),
                    News::Refused(why) => answer = Err(why),
                    news => other.push(news),
                }
            }
            reply(if done.is_ok() { answer } else { Err("the sitting has stopped") });
            done?;
        }
        Ok(other)
    }

    /// Shows witnesses the state that is on now.
    pub(super) fn publish(&mut self, driver: &Driver<Conductor>) {
        let mut shown = self.watched.shown(driver.machine(), driver.now_ms());
        // Time alone is no news: pages count it themselves.
        let now = std::mem::replace(&mut shown.at_ms, self.last.at_ms);
        if shown != self.last {
            shown.at_ms = now;
            self.last = shown.clone();
            self.witnesses.publish(shown);
        }
    }

    /// Links are being opened, and nobody has had to wait for them yet.
    pub(super) fn is_quick(view: &View, now_ms: u64) -> bool {
        matches!(view.stage, Stage::Waiting { since_ms, .. } if now_ms.saturating_sub(since_ms) < UNSEEN_MS)
    }

    /// What witnesses had a part in, for the last page.
    pub(super) fn sentence(&self) -> Option<Block> {
        let (witnessed, answered) = self.watched.witnessed();
        (answered > 0).then(|| {
            let copy = "each witness saves a copy on the phone; `earwitness verify --witness FILE` checks this journal against it";
            Block::pair("Witnessed", format!("{witnessed} of {answered} trials; {copy}"))
        })
    }

    /// The page on which witnesses are invited; `None` once they are all there.
    pub(super) fn page(&self, driver: &Driver<Conductor>) -> Option<PageScene> {
        let sealing = driver.machine().sealing();
        let names: Vec<&str> = sealing.witnesses.iter().map(|witness| witness.name.as_str()).collect();
        (self.complete != Some(sealing.commitment))
            .then(|| pages::invitation(&self.invitation, &names, self.goes_on()))
    }

    /// The sitting was sealed before: it may go on without a witness.
    pub(super) fn goes_on(&self) -> bool {
        self.watched.sealings() > 0
    }

    /// The listener says that nobody else comes.
    pub(super) fn complete(&mut self, driver: &Driver<Conductor>) {
        self.complete = Some(driver.machine().sealing().commitment);
    }
}
