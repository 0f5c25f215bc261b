//! From a checked journal to the verdict's input: one for each comparison.

use std::collections::BTreeMap;

use super::{Controls, Rule, Tally, Together, VerdictInput};
use crate::stats::description::{self, Bias, Lean, Table};
use crate::stats::psychometric::Model;
use crate::stats::room::{self, RoomResult, RoomTrial};
use crate::stats::{Protocol, many, one};
use crate::trial::protocol::{Definition, Side};
use crate::trial::record::{Count, Occasion, Opening, Outcome, Part, StoppingTerms};
use crate::trial::verify::{Answered, Checked};

/// The verdict inputs of a journal, one for each comparison of its terms; none before its closing.
///
/// Controls are those of the whole sitting; the qualification's are not among them. With `family = "holm"` and several
/// comparisons the adjusted p-values are those within this sitting. A night's counts are votes, judged by the exact
/// randomisation distribution over its draws.
pub fn of_sitting(checked: &Checked) -> Vec<VerdictInput> {
    let (Some(opening), Some(closing), Some(counts)) = (&checked.opening, &checked.closing, &checked.counts)
    else {
        return Vec::new();
    };
    let terms = &opening.terms;
    let night = opening.occasion == Occasion::Night;
    let mut controls = Controls::default();
    for (control, count) in terms.controls.iter().zip(&counts.controls) {
        let tally = if control.is_positive() { &mut controls.positive } else { &mut controls.identical };
        tally.correct += u64::from(count.correct);
        tally.trials += u64::from(count.trials);
    }
    let mut inputs: Vec<VerdictInput> = terms
        .comparisons
        .iter()
        .zip(&counts.comparisons)
        .enumerate()
        .map(|(index, (comparison, count))| {
            let Tally { correct, trials } = tally(*count);
            VerdictInput {
                planned_trials: if night { trials } else { u64::from(terms.trials) },
                stopped_early: closing.outcome == Outcome::StoppedEarly,
                simulated: opening.simulated.is_some(),
                silent: checked.silent(),
                controls,
                side_a: comparison.a.clone(),
                side_b: comparison.b.clone(),
                attribute: terms.attribute.clone(),
                sides: terms.inquiry().sides,
                more: terms.attribute_side,
                rule: match terms.stopping {
                    StoppingTerms::Sequential { alpha, beta, proportion } if !night => {
                        Rule::Sequential { alpha, beta, proportion }
                    }
                    _ => Rule::AllTrials,
                },
                room: if night { room_of(checked, opening, index) } else { None },
                ..VerdictInput::new(terms.protocol, correct, trials, terms.alpha)
            }
        })
        .collect();
    // A sequential rule has its own risks, comparison by comparison.
    let fixed = inputs.iter().all(|input| input.rule == Rule::AllTrials);
    if terms.family == "holm" && inputs.len() > 1 && fixed {
        adjust(&mut inputs);
    }
    inputs
}

fn tally(count: Count) -> Tally {
    Tally { correct: u64::from(count.correct), trials: u64::from(count.trials) }
}

/// Holm's adjustment over the comparisons of one sitting.
fn adjust(inputs: &mut [VerdictInput]) {
    let p_values: Vec<f64> = inputs
        .iter()
        .map(|input| match &input.room {
            Some(room) => room.p_value,
            None if input.trials == 0 => 1.0,
            None => one::p_value(input.inquiry(), input.correct, input.trials),
        })
        .collect();
    let members = inputs.len() as u64;
    if let Ok(adjusted) = many::holm(&p_values) {
        for (input, adjusted_p) in inputs.iter_mut().zip(adjusted) {
            input.together = Some(Together { members, adjusted_p });
        }
    }
}

/// Counted answers on a comparison.
fn counted<'a>(
    checked: &'a Checked,
    opening: &'a Opening,
    comparison: usize,
) -> impl Iterator<Item = &'a Answered> {
    checked.answers.iter().filter(move |answer| {
        answer.id.part == Part::Main
            && answer.void.is_none()
            && answer.answer.is_some()
            && answer.presented.is_some()
            && answer.control().is_none()
            && answer.comparison(opening) == Some(comparison)
    })
}

/// The votes of a night on a comparison, trial by trial, with the alternative that the draw made right (preference: the
/// one that means side B).
pub fn room_trials(checked: &Checked, comparison: usize) -> Vec<RoomTrial> {
    let Some(opening) = &checked.opening else { return Vec::new() };
    let alternatives = Definition::of(opening.terms.protocol).alternatives.len();
    let mut trials: BTreeMap<_, RoomTrial> = BTreeMap::new();
    for answer in counted(checked, opening, comparison) {
        let (Some(drawn), Some(vote)) = (answer.presented, answer.answer) else { continue };
        let right = drawn.right(opening).or_else(|| {
            (0..alternatives).find(|alternative| drawn.chosen(opening, *alternative) == Some(Side::B))
        });
        let Some(right) = right else { continue };
        let trial =
            trials.entry(answer.id).or_insert_with(|| RoomTrial { votes: vec![0; alternatives], right });
        if let Some(cell) = trial.votes.get_mut(vote) {
            *cell += 1;
        }
    }
    trials.into_values().collect()
}

fn room_of(checked: &Checked, opening: &Opening, comparison: usize) -> Option<RoomResult> {
    room::test(opening.terms.inquiry(), &room_trials(checked, comparison), opening.terms.alpha).ok()
}

/// What is described, and never judged, of one listener's answers on a comparison.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Described {
    /// Answers by alternative: a row for each right one, a column for each given one; of preference one row.
    pub answers: Vec<Vec<u64>>,
    /// Right or wrong in order; empty for preference.
    pub course: Vec<bool>,
    /// Right or wrong with confidence, where it was asked.
    pub confidence: Vec<(bool, u8)>,
}

impl Described {
    /// Response bias, where the protocol has two alternatives of which one is right.
    pub fn bias(&self, protocol: Protocol) -> Option<Bias> {
        let table = Table::of(&self.answers)?;
        description::bias(table, Model::of(protocol)).ok().flatten()
    }

    /// How the answers lie over the alternatives.
    pub fn lean(&self) -> Option<Lean> {
        description::lean(&self.answers).ok().flatten()
    }
}

/// No answers yet, in the shape of [`Described::answers`].
pub fn no_answers(protocol: Protocol) -> Vec<Vec<u64>> {
    let alternatives = Definition::of(protocol).alternatives.len();
    let rows = if protocol.asks().has_right_answer() { alternatives } else { 1 };
    vec![vec![0; alternatives]; rows]
}

/// The votes of a night in the shape of [`Described::answers`].
pub fn room_answers(protocol: Protocol, trials: &[RoomTrial]) -> Vec<Vec<u64>> {
    let mut answers = no_answers(protocol);
    for trial in trials {
        let row = if protocol.asks().has_right_answer() { trial.right } else { 0 };
        let Some(cells) = answers.get_mut(row) else { continue };
        for (cell, votes) in cells.iter_mut().zip(&trial.votes) {
            *cell += u64::from(*votes);
        }
    }
    answers
}

/// The answers of a sitting (or of one seat of a night) on a comparison, for descriptions.
pub fn described(checked: &Checked, comparison: usize, seat: Option<u32>) -> Described {
    let Some(opening) = &checked.opening else { return Described::default() };
    let mut described = Described { answers: no_answers(opening.terms.protocol), ..Described::default() };
    for answer in counted(checked, opening, comparison) {
        if answer.seat.as_ref().map(|(number, _)| *number) != seat {
            continue;
        }
        let (Some(drawn), Some(given)) = (answer.presented, answer.answer) else { continue };
        let row = drawn.right(opening).unwrap_or(0);
        if let Some(cell) = described.answers.get_mut(row).and_then(|row| row.get_mut(given)) {
            *cell += 1;
        }
        let Some(right) = answer.right else { continue };
        described.course.push(right);
        if let Some(level) = answer.confidence {
            described.confidence.push((right, level));
        }
    }
    described
}
