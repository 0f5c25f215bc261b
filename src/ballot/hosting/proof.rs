//! The proof that a night's switch switches: both positions are measured before the first and after the last trial.
//!
//! Sweeps play, so the host says when: `next` before the first trial, `next` after the last one and `next` at the end of a break
//! that was offered measure first and then go on. Everything waits meanwhile, phones too; no vote is open then.

use super::HostedNight;
use crate::ballot::command::Command;
use crate::conduct::environment::Bench;
use crate::session::Session;
use crate::trial::positions::When;
use crate::trial::{Stage, TrialId};

/// What is left to be measured of real cables.
pub(super) struct Proof {
    session: Session,
    bench: Option<Bench>,
    /// The host was told that it is about to begin.
    told: Option<(When, Option<TrialId>)>,
    /// What was done last, and of a rest the trial after it.
    done: Option<(When, Option<TrialId>)>,
}

impl Proof {
    pub(super) fn of(session: Session, bench: Option<Bench>) -> Self {
        Self { session, bench, told: None, done: None }
    }
}

impl HostedNight {
    /// What the host reads where `next` measures both positions first.
    pub(super) fn measures_first(&mut self) -> Option<String> {
        let view = self.night().view();
        let agreed = view.terms.switcher.as_ref().is_some_and(|switcher| switcher.measured == Some(true));
        if !agreed || self.driver.stopped().is_some() || self.night().hears_ears() {
            return None;
        }
        let due = match view.stage {
            Stage::Announce { .. } if self.proof.done.is_none() => (When::Before, None),
            Stage::Rest { offered: true, next, .. } => (When::Between, Some(next)),
            Stage::Counting => (When::After, None),
            _ => return None,
        };
        if self.proof.done == Some(due) {
            return None;
        }
        self.proof.told = Some(due);
        Some(match self.proof.bench {
            Some(_) => "both positions of the switch are measured: sweeps follow, quietly; then it goes on"
                .to_owned(),
            None => {
                "no --input was named, so the positions are not measured, and the journal says so".to_owned()
            }
        })
    }

    /// Measures what the host was told of, and goes on.
    pub(super) fn prove_the_switch(&mut self) {
        let Some(due) = self.proof.told.take() else { return };
        self.proof.done = Some(due);
        let Proof { session, bench, .. } = &self.proof;
        // What stopped it is kept by the driver.
        let missed = self.driver.measure_positions(session, bench.as_ref(), due.0);
        self.notices.extend(missed.unwrap_or_default());
        if let Err(why) = self.do_as_said(&Command::Next) {
            self.notices.push(why);
        }
    }
}
