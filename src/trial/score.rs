//! Counting answers against draws, and the decisions that follow from counts alone.

use super::closing::Decision;
use super::ledger::{Attempt, Ledger};
use super::record::{Counts, Opening, Outcome, Part, StoppingTerms, Terms};
use super::schedule::{Presented, Subject};
use super::wager::{Ended, Settlement};
use crate::stats::sequential::{self, SequentialTest};
use crate::stats::tally::Tally;
use crate::stats::threshold::grid::LEVELS;
use crate::stats::threshold::track::Track;

/// The sequential rule of the terms, if there is one; the error says what is out of range.
pub fn rule(terms: &Terms) -> Result<Option<SequentialTest>, String> {
    match terms.stopping {
        StoppingTerms::AllTrials {} => Ok(None),
        StoppingTerms::Sequential { alpha, beta, proportion } => {
            SequentialTest::new(terms.inquiry(), alpha, beta, proportion, u64::from(terms.trials))
                .map(Some)
                .map_err(|error| format!("the sequential rule: {error}"))
        }
    }
}

/// What the terms' sequential rule ([`SequentialTest::decision`]) says after `count`.
pub fn sequential(terms: &Terms, count: Tally) -> Decision {
    let Ok(Some(rule)) = rule(terms) else { return Decision::Undecided };
    match rule.decision(count.correct, count.trials) {
        sequential::Decision::Difference => Decision::Difference,
        sequential::Decision::NoDifference => Decision::NoDifference,
        sequential::Decision::Continue | sequential::Decision::Undecided => Decision::Undecided,
    }
}

/// Counts that grow attempt by attempt.
#[derive(Debug, Clone)]
pub struct RunningCounts {
    /// All counts.
    pub counts: Counts,
    /// Decision of the sequential rule by comparison, as it was first reached; empty without such a rule.
    pub decisions: Vec<Decision>,
    /// The sizes of each comparison, where a threshold is looked for; empty otherwise.
    pub tracks: Vec<Track>,
}

impl RunningCounts {
    /// Nothing counted yet.
    pub fn new(opening: &Opening) -> Self {
        let terms = &opening.terms;
        let counts = Counts {
            comparisons: vec![Tally::default(); terms.comparisons.len()],
            controls: vec![Tally::default(); terms.controls.len()],
            ..Counts::default()
        };
        let sequential = matches!(terms.stopping, StoppingTerms::Sequential { .. });
        let decisions =
            if sequential { vec![Decision::Undecided; terms.comparisons.len()] } else { Vec::new() };
        let tracks = match terms.threshold.map(|threshold| (threshold, threshold.grid(terms.protocol))) {
            Some((threshold, Ok(grid))) => vec![Track::new(&grid, threshold.method); terms.comparisons.len()],
            // An opening whose range means nothing is refused where its schedule is checked.
            Some((_, Err(_))) | None => Vec::new(),
        };
        Self { counts, decisions, tracks }
    }

    /// The tally of all finished attempts with what was drawn for each.
    pub fn of(ledger: &Ledger, presented: &[Presented]) -> Self {
        let mut tally = Self::new(&ledger.opening);
        for (attempt, presented) in ledger.attempts.iter().zip(presented) {
            tally.add(&ledger.opening, attempt, presented);
        }
        tally
    }

    /// Counts a finished attempt.
    pub fn add(&mut self, opening: &Opening, attempt: &Attempt, presented: &Presented) {
        if attempt.void.is_some() {
            self.counts.void += 1;
            return;
        }
        let answers = attempt.answer.into_iter().chain(attempt.votes.values().map(|(answer, _)| *answer));
        if let (Part::Main, Subject::Comparison(comparison)) = (attempt.id.part, presented.subject)
            && let Some(track) = self.tracks.get_mut(comparison)
        {
            match attempt.answer {
                Some(answer) => track.answer(presented.counts_as_correct(opening, answer)),
                None => track.pass(),
            }
        }
        let mut added = Tally::default();
        for answer in answers {
            added.count(presented.counts_as_correct(opening, answer));
        }
        let count = match (attempt.id.part, presented.subject) {
            (Part::Qualification, _) => &mut self.counts.qualification,
            (Part::WarmUp, _) => &mut self.counts.warm_up,
            (Part::Main, Subject::Control(control)) => &mut self.counts.controls[control],
            (Part::Main, Subject::Comparison(comparison)) => &mut self.counts.comparisons[comparison],
        };
        *count += added;
        if let (Part::Main, Subject::Comparison(comparison)) = (attempt.id.part, presented.subject)
            && let Some(decision) = self.decisions.get_mut(comparison)
            && *decision == Decision::Undecided
        {
            *decision = sequential(&opening.terms, self.counts.comparisons[comparison]);
        }
    }

    /// How the sitting ended, if the last finished attempt ended it.
    pub fn ended(&self, ledger: &Ledger) -> Option<Outcome> {
        let last = ledger.attempts.last().filter(|last| last.void.is_none())?;
        if let Some(qualification) = ledger.opening.terms.qualification
            && last.id.part == Part::Qualification
            && last.id.trial == qualification.trials
            && self.counts.qualification.correct < u64::from(qualification.correct)
        {
            return Some(Outcome::NotQualified);
        }
        let decided = self.decisions.iter().all(|&decision| decision != Decision::Undecided);
        if !self.decisions.is_empty() && decided {
            return Some(Outcome::Sequential);
        }
        if let Some(ratio) = ledger.opening.terms.threshold.and_then(|threshold| threshold.narrow_enough)
            && self.tracks.iter().all(|track| track.narrow(ratio))
        {
            return Some(Outcome::Sequential);
        }
        ledger.next().is_none().then_some(Outcome::AllTrials)
    }

    /// The size that is presented next in a part: `None` where sizes are fixed, or the trial is a control.
    pub fn level(&self, part: Part, subject: Subject) -> Option<usize> {
        match (part, subject) {
            (Part::Main, Subject::Comparison(comparison)) => self.tracks.get(comparison).map(Track::next),
            // Warm-up is easy.
            (Part::WarmUp, Subject::Comparison(_)) if !self.tracks.is_empty() => Some(LEVELS - 1),
            _ => None,
        }
    }

    /// Who won the wager, see [`Ended::settle`].
    pub fn settlement(&self, ledger: &Ledger, outcome: Outcome) -> Option<Settlement> {
        let ended = Ended {
            opening: &ledger.opening,
            silent: ledger.silent,
            outcome,
            comparisons: &self.counts.comparisons,
            decisions: &self.decisions,
        };
        ended.settle(0)
    }
}
