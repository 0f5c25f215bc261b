//! Calls the statistics for each comparison and listener, and collects what they say.

use std::collections::{BTreeSet, HashMap};

use super::caveat::{self, Case};
use super::findings::{ComparisonResult, ControlResult, ListenerResult, Method, PanelFacts, PlaceFacts};
use super::listener::{answers, listener_result, roc};
use super::rooms::room_trials;
use super::whole::Findings;
use super::{OnPaper, Verdict, clips, ladder, panel as declared, spoken, threshold};
use crate::evidence::{self, Agreed, Basis, Evidence, TrialFacts};
use crate::session::{ControlKind, Family, Stopping};
use crate::stats::one::Analysis;
use crate::stats::panel::{self, Heterogeneity};
use crate::stats::psychometric::Model;
use crate::stats::room;
use crate::stats::sequential::SequentialTest;
use crate::stats::tally::Tally;
use crate::stats::{binomial, description, many, one};
use crate::trial::Decision;

/// What the evidence supports.
pub fn judge(agreed: &Agreed, evidence: &Evidence, on_paper: &OnPaper) -> Findings {
    let controls = controls(agreed, evidence);
    let leak = leak(agreed, evidence);
    let mut trials: Vec<Vec<&TrialFacts>> = by_comparison(agreed, evidence);
    let looked: Vec<declared::Looking> =
        trials.iter().map(|trials| declared::looking(agreed, evidence, trials)).collect();
    // What came after a look that ended it belongs to nobody's result.
    let mut after: Vec<Vec<usize>> = Vec::with_capacity(trials.len());
    for (trials, looked) in trials.iter_mut().zip(&looked) {
        let mut late = BTreeSet::new();
        if let Some(members) = &looked.ended {
            trials.retain(|trial| {
                let stays = trial.listener.is_some_and(|own| members.contains(&(own as usize)));
                if !stays {
                    late.insert(trial.sitting as usize);
                }
                stays
            });
        }
        after.push(late.into_iter().collect());
    }
    let mut comparisons: Vec<ComparisonResult> = trials
        .iter()
        .enumerate()
        .map(|(comparison, trials)| numbers(agreed, evidence, on_paper, comparison, trials))
        .collect();
    for ((comparison, looked), trials) in comparisons.iter_mut().zip(&looked).zip(&trials) {
        declared::looked(agreed, looked, comparison);
        comparison.clips = clips::clips(agreed, comparison, trials);
    }
    for (comparison, after) in comparisons.iter_mut().zip(after) {
        comparison.came_after = after;
    }
    let complete = evidence.panel.as_ref().is_none_or(crate::evidence::PanelStanding::is_complete);
    let crossed = if complete { clips::crossed(agreed, &comparisons, &trials) } else { None };
    for (comparison, trials) in comparisons.iter_mut().zip(&trials) {
        // Votes on a shared draw are not independent, and numbers of trials that depend on the answers are no binomial ones.
        if comparison.room.is_none() && agreed.stopping == Stopping::AllTrials {
            comparison.between_places = between_places(trials, &evidence.places);
        }
    }
    adjust(agreed, &mut comparisons);
    adjust_listeners(agreed, &mut comparisons);
    for comparison in &mut comparisons {
        spoken::words(agreed, evidence, &controls, leak, comparison);
    }
    for (index, comparison) in comparisons.iter_mut().enumerate() {
        yardsticks(evidence, on_paper, index, comparison);
    }
    if let Some(panel) = evidence.panel.as_ref().filter(|panel| !panel.is_complete()) {
        for (comparison, looked) in comparisons.iter_mut().zip(&looked) {
            if !comparison.results.is_empty() && looked.ended.is_none() {
                declared::not_complete(panel, comparison);
            }
        }
    }
    for (index, comparison) in comparisons.iter_mut().enumerate() {
        comparison.everybody = declared::everybody(agreed, evidence, index, comparison);
        comparison.worst_case = declared::worst_case(agreed, evidence, comparison);
    }
    let case = Case { agreed, evidence, comparisons: &comparisons, controls: &controls, leak, on_paper };
    let caveats = caveat::found(&case);
    let places = place_facts(evidence, &trials);
    Findings { comparisons, controls, places, crossed, caveats }
}

/// Puts a listener's own smallest step next to the verdict. Nobody vouches for the name at a night's seat.
fn yardsticks(evidence: &Evidence, on_paper: &OnPaper, index: usize, comparison: &mut ComparisonResult) {
    let alone = comparison.results.len() == 1;
    for own in &mut comparison.results {
        if evidence.listeners[own.listener].seat.is_some() {
            continue;
        }
        let words: Vec<String> = on_paper.of_listener(&own.name, index).collect();
        if alone {
            comparison.verdict.limits.splice(0..0, words.iter().cloned());
        }
        own.verdict.limits.splice(0..0, words);
    }
}

/// Counted trials of each comparison, in the order of sittings and trials.
fn by_comparison<'r>(agreed: &Agreed, evidence: &'r Evidence) -> Vec<Vec<&'r TrialFacts>> {
    let mut all: Vec<Vec<&TrialFacts>> = vec![Vec::new(); agreed.terms.comparisons.len()];
    for trial in &evidence.trials {
        let counts = evidence.takes_part(trial) && evidence::counts(trial);
        if let Some(list) = trial.comparison.filter(|_| counts).and_then(|c| all.get_mut(usize::from(c))) {
            list.push(trial);
        }
    }
    all
}

/// Results of controls. Where listeners shared draws, their votes on a control are no more independent than any others:
/// the exact distribution over the draws says how well chance alone does.
fn controls(agreed: &Agreed, evidence: &Evidence) -> Vec<ControlResult> {
    let mut answers: Vec<Vec<&TrialFacts>> = vec![Vec::new(); agreed.controls.len()];
    for (control, trial, _) in evidence.control_answers() {
        if let Some(list) = answers.get_mut(control) {
            list.push(trial);
        }
    }
    agreed
        .controls
        .iter()
        .zip(&answers)
        .enumerate()
        // Those that only the qualification draws from have their result there.
        .filter(|(index, _)| agreed.terms.controls.get(*index).is_none_or(|terms| terms.trials > 0))
        .map(|(_, (control, answers))| ControlResult {
            kind: control.name(),
            amount: control.amount(),
            positive: control.is_positive(),
            correct: answers.iter().filter(|trial| trial.correct == Some(true)).count() as u64,
            trials: answers.len() as u64,
        })
        .collect()
}

/// Probability that chance alone is right as often where both sides were identical, all listeners together.
fn leak(agreed: &Agreed, evidence: &Evidence) -> Option<f64> {
    let answers: Vec<&TrialFacts> = evidence
        .control_answers()
        .filter(|(control, ..)| agreed.controls.get(*control) == Some(&ControlKind::Identical))
        .map(|(_, trial, _)| trial)
        .collect();
    let rooms = room_trials(agreed.terms.protocol, &answers);
    room::test(agreed.inquiry, &rooms, agreed.terms.alpha).ok().map(|found| found.p_value)
}

fn sequential_test(agreed: &Agreed) -> Option<SequentialTest> {
    match agreed.stopping {
        Stopping::Sequential { alpha, beta, proportion } => {
            SequentialTest::new(agreed.inquiry, alpha, beta, proportion, u64::from(agreed.terms.trials)).ok()
        }
        Stopping::AllTrials => None,
    }
}

fn numbers(
    agreed: &Agreed,
    evidence: &Evidence,
    on_paper: &OnPaper,
    index: usize,
    trials: &[&TrialFacts],
) -> ComparisonResult {
    let terms = &agreed.terms.comparisons[index];
    let (protocol, alpha) = (agreed.terms.protocol, agreed.terms.alpha);
    let mut result = ComparisonResult {
        name: terms.name.clone(),
        a: terms.a.clone(),
        b: terms.b.clone(),
        basis: if trials.is_empty() { Basis::Nothing } else { evidence.basis },
        verdict: Verdict::default(),
        one_by_one: None,
        listeners: 0,
        correct: 0,
        trials: 0,
        method: Method::Nothing,
        p_value: None,
        adjusted_p_value: None,
        analysis: None,
        room: None,
        similarity: Vec::new(),
        population: None,
        mixture: None,
        everybody: None,
        worst_case: None,
        clips: None,
        looks: Vec::new(),
        look_limits: None,
        came_after: Vec::new(),
        panel: None,
        trend_z: None,
        lean: None,
        bias: None,
        roc: None,
        between_places: None,
        distribution: None,
        results: Vec::new(),
        threshold: None,
    };
    let test = sequential_test(agreed);
    let mut cache: HashMap<Tally, Analysis> = HashMap::new();
    for (listener, own) in by_listener(trials) {
        if let Some(found) = listener_result(agreed, evidence, listener, &own, test.as_ref(), &mut cache) {
            result.correct += found.correct;
            result.trials += found.trials;
            result.results.push(found);
        }
    }
    result.listeners = result.results.len();
    if result.results.is_empty() {
        return result;
    }
    let shared = trials.iter().any(|trial| evidence.sittings[trial.sitting as usize].night);
    if !shared {
        let courses = result.results.iter().filter_map(|own| own.habits.course.as_ref());
        result.trend_z = description::joined_trend(courses);
    }
    if let Some(terms) = &agreed.terms.threshold {
        result.method = Method::Threshold;
        let paper = on_paper.sizes.get(index).and_then(Option::as_ref);
        result.threshold = threshold::findings(terms, protocol, &by_listener(trials), evidence, paper);
        if let Some(found) = result.threshold.as_mut().filter(|_| shared) {
            // Votes on shared draws are not independent: nothing is said of listeners like these.
            found.population = None;
            let rooms = |of: &[&TrialFacts]| room_trials(protocol, of);
            let whole = rooms(trials);
            result.room = room::test(agreed.inquiry, &whole, alpha).ok();
            let cast: Vec<Vec<u32>> = whole.iter().map(|room| room.votes.clone()).collect();
            result.distribution = room::distribution(&cast).ok();
            let mut sizes: Vec<u8> = trials.iter().filter_map(|trial| trial.level).collect();
            sizes.sort_unstable();
            sizes.dedup();
            let by_size = sizes.into_iter().filter_map(|level| {
                let of: Vec<&TrialFacts> =
                    trials.iter().copied().filter(|trial| trial.level == Some(level)).collect();
                Some((terms.size(usize::from(level))?, rooms(&of)))
            });
            found.room = ladder::rungs(agreed.inquiry, alpha, by_size);
            result.method = Method::Ladder;
        }
        return result;
    }
    let answers = answers(protocol, trials);
    result.lean = description::lean(&answers).ok().flatten();
    result.bias = description::Table::of(&answers)
        .and_then(|table| description::bias(table, Model::of(protocol)).ok().flatten());
    result.roc = roc(protocol, trials);
    result.analysis = one::analyse(agreed.inquiry, result.correct, result.trials, alpha).ok();
    result.p_value = result.analysis.as_ref().map(|analysis| analysis.p_value);
    result.method = if result.results.len() == 1 { Method::OneListener } else { Method::Pooled };
    if shared {
        result.method = Method::SharedDraws;
        let rooms = room_trials(protocol, trials);
        let cast: Vec<Vec<u32>> = rooms.iter().map(|room| room.votes.clone()).collect();
        result.room = room::test(agreed.inquiry, &rooms, alpha).ok();
        result.distribution = room::distribution(&cast).ok();
        result.p_value = result.room.as_ref().map(|room| room.p_value);
    } else if let Some(test) = &test {
        result.p_value = None;
        result.method = Method::Rule;
        if let [own] = &result.results[..] {
            result.analysis.clone_from(&own.analysis);
        } else {
            let found =
                result.results.iter().filter(|own| own.sequential == Some(Decision::Difference)).count();
            let (found, score) = (
                Tally::new(found as u64, result.results.len() as u64),
                Tally::new(result.correct, result.trials),
            );
            result.analysis = one::analyse_found(agreed.inquiry, test, found, score, alpha).ok();
            result.p_value = result.analysis.as_ref().map(|analysis| analysis.p_value);
            result.method = Method::RuleOfMany;
        }
    }
    declared::claims(agreed, &mut result);
    result.mixture = declared::mixture(agreed, &result);
    together(agreed, &mut result, shared || test.is_some());
    result
}

/// Listeners compared: adjusted p-values, and the panel where draws are independent.
fn together(agreed: &Agreed, result: &mut ComparisonResult, dependent: bool) {
    let p_values: Vec<f64> = result.results.iter().filter_map(ListenerResult::p_value).collect();
    if p_values.len() < 2 {
        return;
    }
    let scores: Vec<Tally> = result.results.iter().map(|own| Tally::new(own.correct, own.trials)).collect();
    let passed = |p: &&f64| binomial::at_most(**p, agreed.terms.alpha);
    let best = (0..p_values.len()).min_by(|a, b| p_values[*a].total_cmp(&p_values[*b])).unwrap_or(0);
    result.panel = Some(PanelFacts {
        passers: p_values.iter().filter(passed).count() as u64,
        passers_holm: 0,
        best: result.results[best].name.clone(),
        independent: if dependent {
            None
        } else {
            panel::analyse(agreed.inquiry, &scores, agreed.terms.alpha).ok()
        },
    });
}

fn by_listener<'t>(trials: &[&'t TrialFacts]) -> Vec<(usize, Vec<&'t TrialFacts>)> {
    let mut order: Vec<(usize, Vec<&TrialFacts>)> = Vec::new();
    let mut known: HashMap<usize, usize> = HashMap::new();
    for trial in trials {
        let Some(listener) = trial.listener.map(|listener| listener as usize) else { continue };
        let place = *known.entry(listener).or_insert_with(|| {
            order.push((listener, Vec::new()));
            order.len() - 1
        });
        order[place].1.push(trial);
    }
    order.sort_by_key(|(listener, _)| *listener);
    order
}

/// Family-wise control over the session's comparisons.
fn adjust(agreed: &Agreed, comparisons: &mut [ComparisonResult]) {
    if agreed.family != Family::Holm || comparisons.len() < 2 {
        return;
    }
    let with: Vec<usize> =
        (0..comparisons.len()).filter(|index| comparisons[*index].p_value.is_some()).collect();
    let p_values: Vec<f64> = with.iter().filter_map(|index| comparisons[*index].p_value).collect();
    if let Ok(adjusted) = many::holm(&p_values) {
        for (index, adjusted) in with.into_iter().zip(adjusted) {
            comparisons[index].adjusted_p_value = Some(adjusted);
        }
    }
}

/// Family-wise control over listeners: with the session's family over all listeners and comparisons together, without
/// one over the listeners of each comparison.
fn adjust_listeners(agreed: &Agreed, comparisons: &mut [ComparisonResult]) {
    let families: Vec<&mut [ComparisonResult]> = match agreed.family {
        Family::Holm => vec![comparisons],
        Family::None => comparisons.chunks_mut(1).collect(),
    };
    for family in families {
        let p_values: Vec<f64> =
            family.iter().flat_map(|result| &result.results).filter_map(ListenerResult::p_value).collect();
        let adjusted = many::holm(&p_values).unwrap_or_else(|_| p_values.clone());
        let all = family.iter_mut().flat_map(|result| &mut result.results);
        for (own, adjusted) in all.filter(|own| own.analysis.is_some()).zip(adjusted) {
            own.adjusted_p_value = Some(adjusted);
            own.family = p_values.len() as u64;
        }
    }
    for result in comparisons {
        let passed = |p: &f64| binomial::at_most(*p, agreed.terms.alpha);
        let passers =
            result.results.iter().filter_map(|own| own.adjusted_p_value).filter(passed).count() as u64;
        if let Some(panel) = &mut result.panel {
            panel.passers_holm = passers;
        }
    }
}

fn scores_by_place(trials: &[&TrialFacts], places: &[(usize, String)]) -> Vec<Tally> {
    let count = places.iter().map(|(place, _)| place + 1).max().unwrap_or(0);
    let mut scores = vec![Tally::default(); count];
    for trial in trials {
        if let Some(score) = places.get(trial.sitting as usize).and_then(|(place, _)| scores.get_mut(*place))
        {
            score.count(trial.is_hit());
        }
    }
    scores
}

/// Whether all places have one proportion right.
fn between_places(trials: &[&TrialFacts], places: &[(usize, String)]) -> Option<Heterogeneity> {
    let mut scores = scores_by_place(trials, places);
    scores.retain(|score| score.trials > 0);
    panel::heterogeneity(&scores)
}

fn place_facts(evidence: &Evidence, trials: &[Vec<&TrialFacts>]) -> Vec<PlaceFacts> {
    let places = &evidence.places;
    let Some(last) = places.iter().map(|(place, _)| *place).max() else { return Vec::new() };
    let scores: Vec<Vec<Tally>> = trials.iter().map(|trials| scores_by_place(trials, places)).collect();
    (0..=last)
        .filter_map(|place| {
            let name = places.iter().find(|(number, _)| *number == place).map(|(_, name)| name.clone())?;
            let of: Vec<usize> =
                (0..evidence.sittings.len()).filter(|sitting| places[*sitting].0 == place).collect();
            Some(PlaceFacts {
                name,
                counted: of.iter().filter(|sitting| evidence.sittings[**sitting].counted).count(),
                sittings: of.len(),
                scores: scores.iter().map(|scores| scores.get(place).copied().unwrap_or_default()).collect(),
            })
        })
        .collect()
}
