//! What one listener's answers to one comparison amount to: counts, analysis, habits.

use std::collections::HashMap;

use super::Verdict;
use super::findings::{Habits, ListenerResult};
use crate::evidence::{Agreed, Evidence, TrialFacts};
use crate::stats::description::Roc;
use crate::stats::one::Analysis;
use crate::stats::protocol::Inquiry;
use crate::stats::psychometric::Model;
use crate::stats::sequential::{Decision as Sequential, MOST_EXACT, SequentialTest};
use crate::stats::tally::Tally;
use crate::stats::{Protocol, description, one, room};
use crate::trial::Decision;

/// A listener's result on a comparison; with a sequential rule up to its decision.
pub(super) fn listener_result(
    agreed: &Agreed,
    evidence: &Evidence,
    listener: usize,
    own: &[&TrialFacts],
    test: Option<&SequentialTest>,
    cache: &mut HashMap<Tally, Analysis>,
) -> Option<ListenerResult> {
    let mut path: Vec<u8> = own.iter().map(|trial| u8::from(trial.is_hit())).collect();
    let mut decision = None;
    if let Some(test) = test {
        // What came after the decision, while other comparisons went on, does not belong to it.
        let mut correct = 0;
        let mut reached = Decision::Undecided;
        let mut end = path.len();
        for (index, right) in path.iter().enumerate() {
            correct += u64::from(*right);
            reached = match test.decision(correct, index as u64 + 1) {
                Sequential::Difference => Decision::Difference,
                Sequential::NoDifference => Decision::NoDifference,
                Sequential::Continue | Sequential::Undecided => continue,
            };
            end = index + 1;
            break;
        }
        path.truncate(end);
        decision = Some(reached);
    }
    let correct = path.iter().map(|right| u64::from(*right)).sum();
    let trials = path.len() as u64;
    let analysis = match cache.get(&Tally::new(correct, trials)) {
        Some(analysis) => analysis.clone(),
        None => {
            // A sitting that was stopped before the rule ended it is described as if its length had been fixed.
            let (inquiry, alpha) = (agreed.inquiry, agreed.terms.alpha);
            let ended = test
                .filter(|test| test.most_trials <= MOST_EXACT)
                .and_then(|test| one::analyse_sequential(inquiry, test, correct, trials, alpha).ok());
            let analysis = match ended {
                Some(analysis) => analysis,
                None => one::analyse(inquiry, correct, trials, alpha).ok()?,
            };
            cache.insert(Tally::new(correct, trials), analysis.clone());
            analysis
        }
    };
    let tested = agreed.terms.threshold.is_none().then_some(analysis);
    let own = &own[..path.len()];
    let mut times: Vec<u64> = own.iter().map(|trial| trial.took_ms).collect();
    times.sort_unstable();
    let night = own.iter().any(|trial| evidence.sittings[trial.sitting as usize].night);
    Some(ListenerResult {
        listener,
        name: evidence.listeners[listener].name.clone(),
        correct,
        trials,
        verdict: Verdict::default(),
        adjusted_p_value: tested.as_ref().map(|analysis| analysis.p_value),
        family: 1,
        analysis: tested,
        sequential: decision,
        median_trial_s: (!night).then(|| times.get(times.len() / 2).map(|ms| *ms as f64 / 1000.0)).flatten(),
        switches_per_trial: (!night && !own.is_empty())
            .then(|| own.iter().map(|trial| f64::from(trial.switches)).sum::<f64>() / own.len() as f64),
        habits: habits(agreed.inquiry, own, &path),
        path,
    })
}

/// How often each alternative was given (columns) where each was right (rows; of preference one row).
pub(super) fn answers(protocol: Protocol, trials: &[&TrialFacts]) -> Vec<Vec<u64>> {
    let alternatives = room::alternatives(protocol);
    let rows = if protocol.asks().has_right_answer() { alternatives } else { 1 };
    let mut answers = vec![vec![0; alternatives]; rows];
    for trial in trials {
        let Some(given) = trial.answer.map(usize::from) else { continue };
        let row = trial.right.map_or(0, usize::from);
        if let Some(cell) = answers.get_mut(row).and_then(|row| row.get_mut(given)) {
            *cell += 1;
        }
    }
    answers
}

/// How well answers and confidence tell the two kinds of trials apart, where the second alternative says that there is a
/// difference.
pub(super) fn roc(protocol: Protocol, trials: &[&TrialFacts]) -> Option<Roc> {
    match Model::of(protocol) {
        Model::SameDifferent | Model::YesNo => {
            let answer =
                |trial: &&TrialFacts| Some((trial.right? == 1, trial.answer? == 1, trial.confidence?));
            description::roc(&trials.iter().filter_map(answer).collect::<Vec<_>>())
        }
        Model::Differencing
        | Model::IndependentObservation
        | Model::TwoAfc
        | Model::Triangle
        | Model::Tetrad => None,
    }
}

fn habits(inquiry: Inquiry, own: &[&TrialFacts], path: &[u8]) -> Habits {
    let protocol = inquiry.protocol;
    let right: Vec<bool> = path.iter().map(|right| *right == 1).collect();
    let sides: Vec<bool> = own.iter().filter_map(|trial| trial.for_side_a).collect();
    let confidences: Vec<(bool, u8)> =
        own.iter().zip(&right).filter_map(|(trial, right)| Some((*right, trial.confidence?))).collect();
    let answers = answers(protocol, own);
    let table = description::Table::of(&answers);
    Habits {
        course: if inquiry.has_right_answer() { description::course(&right).ok() } else { None },
        for_side_a: (sides.iter().filter(|for_a| **for_a).count() as u64, sides.len() as u64),
        bias: table.and_then(|table| description::bias(table, Model::of(protocol)).ok().flatten()),
        lean: description::lean(&answers).ok().flatten(),
        // Sure of a liking is neither right nor wrong.
        confidence: inquiry.has_right_answer().then(|| description::confidence(&confidences)).flatten(),
    }
}
