//! Clip by clip: what each clip gave, whether one of them carried the difference, and listeners and clips crossed.

use std::collections::{BTreeMap, HashMap};

use super::findings::{ClipResult, Clips, ComparisonResult, CrossedFindings, Method};
use crate::evidence::{Agreed, TrialFacts};
use crate::session::Stopping;
use crate::stats::crossed::{self, Cell};
use crate::stats::panel;
use crate::stats::tally::Tally;
use crate::stats::{binomial, many, one};
use crate::units::printed;
use crate::units::printed::percent;

impl Clips {
    /// That one clip carried the difference, if it did.
    pub fn words(&self) -> Option<String> {
        let best = &self.each[self.carried_by?];
        let others = self.each.iter().filter(|clip| clip.clip != best.clip);
        let (correct, trials) = others.fold((0, 0), |sum, clip| (sum.0 + clip.correct, sum.1 + clip.trials));
        Some(format!(
            "One clip carried it: {}, with {} of {} ({} as one of {} clips). On the others together it was {correct} of {trials} \
             ({}). Nobody agreed to judge clips one by one, so take this as a hint for the next test.",
            best.clip,
            best.correct,
            best.trials,
            printed::p_value(best.adjusted_p_value),
            self.each.len(),
            printed::p_value(self.others_p_value?)
        ))
    }
}

impl CrossedFindings {
    /// In words.
    pub fn words(&self) -> String {
        let heard: Vec<String> = self
            .comparisons
            .iter()
            .enumerate()
            .map(|(place, name)| format!("{name} in {} of trials", percent(self.model.heard(place))))
            .collect();
        let (listeners, clips) = (self.model.listeners, self.model.clips);
        let more = if clips > 1.5 * listeners {
            "Which clip it was mattered more than who listened"
        } else if listeners > 1.5 * clips {
            "Who listened mattered more than which clip it was"
        } else {
            "Who listened and which clip it was mattered about equally"
        };
        format!(
            "A typical listener hears the difference on a typical clip: {}. {more} (standard deviations in log odds: {listeners:.2} \
             between {} listeners, {clips:.2} between {} clips).",
            heard.join(", "),
            self.listeners,
            self.clips
        )
    }
}

fn judged(agreed: &Agreed, method: Method) -> bool {
    agreed.stopping == Stopping::AllTrials
        && matches!(method, Method::OneListener | Method::Pooled | Method::Looks)
}

/// What each clip of a comparison gave, where it has several and draws are independent.
pub(super) fn clips(agreed: &Agreed, result: &ComparisonResult, trials: &[&TrialFacts]) -> Option<Clips> {
    if !judged(agreed, result.method) {
        return None;
    }
    let mut scores: BTreeMap<u16, Tally> = BTreeMap::new();
    for trial in trials {
        scores.entry(trial.clip?).or_default().count(trial.is_hit());
    }
    if scores.len() < 2 {
        return None;
    }
    let counts: Vec<Tally> = scores.values().copied().collect();
    let p_values: Vec<f64> =
        counts.iter().map(|score| one::p_value(agreed.inquiry, score.correct, score.trials)).collect();
    let holm = many::holm(&p_values).ok()?;
    let each: Vec<ClipResult> = scores
        .iter()
        .zip(p_values.iter().zip(&holm))
        .map(|((clip, score), (p_value, adjusted))| ClipResult {
            clip: agreed.terms.clips.get(usize::from(*clip)).cloned().unwrap_or_default(),
            correct: score.correct,
            trials: score.trials,
            p_value: *p_value,
            adjusted_p_value: *adjusted,
        })
        .collect();
    let alike = panel::heterogeneity(&counts);
    let best = (0..counts.len()).min_by(|a, b| p_values[*a].total_cmp(&p_values[*b]))?;
    let others: Tally =
        counts.iter().enumerate().filter(|(place, _)| *place != best).map(|(_, own)| own).sum();
    let others_p = one::p_value(agreed.inquiry, others.correct, others.trials);
    let alpha = agreed.terms.alpha;
    let carried = alike.is_some_and(|test| binomial::at_most(test.p_value, alpha))
        && binomial::at_most(holm[best], alpha)
        && !binomial::at_most(others_p, alpha);
    Some(Clips {
        each,
        alike,
        carried_by: carried.then_some(best),
        others_p_value: carried.then_some(others_p),
    })
}

/// Most listeners and clips that are crossed: beyond, a report would keep its reader waiting.
const MOST_CROSSED: (usize, usize) = (200, 40);
/// Fewest listeners: the spread of fewer is anybody's guess. Common practice, no source.
const FEWEST_LISTENERS: usize = 4;

/// Listeners and clips crossed, over the comparisons in which more than guessing was right.
pub(super) fn crossed(
    agreed: &Agreed,
    results: &[ComparisonResult],
    trials: &[Vec<&TrialFacts>],
) -> Option<CrossedFindings> {
    let chance = agreed.terms.protocol.chance();
    let heard: Vec<usize> = (0..results.len())
        .filter(|at| {
            let result = &results[*at];
            judged(agreed, result.method)
                && !agreed.inquiry.two_sided()
                && result.correct as f64 > chance * result.trials as f64
                && result.correct < result.trials
        })
        .collect();
    let mut of_listeners: HashMap<u32, usize> = HashMap::new();
    let mut of_clips: HashMap<u16, usize> = HashMap::new();
    let mut cells: BTreeMap<(usize, usize, usize), Tally> = BTreeMap::new();
    for (comparison, at) in heard.iter().enumerate() {
        for trial in &trials[*at] {
            let (next, clip) = (of_listeners.len(), of_clips.len());
            let listener = *of_listeners.entry(trial.listener?).or_insert(next);
            let clip = *of_clips.entry(trial.clip?).or_insert(clip);
            cells.entry((listener, clip, comparison)).or_default().count(trial.is_hit());
        }
    }
    let (listeners, clips) = (of_listeners.len(), of_clips.len());
    if listeners < FEWEST_LISTENERS || clips < 2 || listeners > MOST_CROSSED.0 || clips > MOST_CROSSED.1 {
        return None;
    }
    let cells: Vec<Cell> = cells
        .into_iter()
        .map(|((listener, clip, comparison), Tally { trials, correct })| Cell {
            listener,
            clip,
            comparison,
            correct,
            trials,
        })
        .collect();
    let model = crossed::fit(&cells, chance).ok()?;
    let comparisons = heard.into_iter().map(|at| results[at].name.clone()).collect();
    Some(CrossedFindings { comparisons, listeners, clips, model })
}
