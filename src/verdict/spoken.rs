//! Puts the numbers of a comparison into words, by the sentences of [`super`].

use std::collections::HashMap;

use super::findings::{ComparisonResult, ControlResult, ListenerResult, Method};
use super::panel as declared;
use super::{self as verdict, Controls, Finding, Tally, Together, Verdict, VerdictInput, threshold, title};
use crate::evidence::{Agreed, Basis, Evidence};
use crate::session::Stopping;
use crate::stats::protocol::Asks;
use crate::stats::{StatsError, binomial};
use crate::trial::Decision;
use crate::units::printed;
use crate::units::printed::{count, percent, risk};

/// Score, audible and identical controls of a listener, and the adjusted p-value: with the rest they fix the verdict.
type Score = (Tally, Tally, Tally, Option<u64>);

/// The verdict in words, on the comparison and on each listener.
pub(super) fn words(
    agreed: &Agreed,
    evidence: &Evidence,
    controls: &[ControlResult],
    leak: Option<f64>,
    comparison: &mut ComparisonResult,
) {
    let terms = &agreed.terms;
    let simulated = comparison.basis == Basis::Simulated;
    let silent = comparison.basis == Basis::Silent || (simulated && evidence.is_silent());
    // A room has no rule of its own: a night ends after all of its trials.
    let rule = if comparison.method == Method::SharedDraws { Stopping::AllTrials } else { agreed.stopping };
    let input = |correct: u64, trials: u64| VerdictInput {
        stopped_early: evidence.stopped_early(),
        planned_trials: planned(agreed, evidence, comparison, trials),
        simulated,
        silent,
        side_a: comparison.a.clone(),
        side_b: comparison.b.clone(),
        attribute: terms.attribute.clone(),
        sides: agreed.inquiry.sides,
        more: terms.attribute_side,
        rule,
        ..VerdictInput::new(terms.protocol, correct, trials, terms.alpha)
    };
    let all = |positive: bool| {
        let sum = controls.iter().filter(|control| control.positive == positive);
        sum.map(|control| Tally::new(control.correct, control.trials)).sum()
    };
    // A room has no qualification.
    let qualified = terms.qualification.is_some() && comparison.method != Method::SharedDraws;
    let mut whole = input(comparison.correct, comparison.trials);
    whole.controls = Controls { positive: all(true), identical: all(false), leak, qualified };
    whole.room.clone_from(&comparison.room);
    (whole.population, whole.listeners) = (comparison.population, comparison.results.len());
    whole.looked = declared::at_look(evidence, comparison);
    whole.together = comparison
        .adjusted_p_value
        .map(|adjusted_p| Together { members: terms.comparisons.len() as u64, adjusted_p });
    let several = comparison.results.len() > 1;
    let found = if let Some(found) = &comparison.threshold {
        threshold::words(found, &whole)
    } else if several && rule != Stopping::AllTrials {
        several_sequential(&whole, comparison, terms.alpha)
    } else if comparison.method == Method::SharedDraws && comparison.room.is_none() {
        Verdict {
            finding: Finding::NotComputed,
            title: title::title(Finding::NotComputed, &whole),
            headline:
                "The room's exact test could not be computed: there is no verdict on all listeners together."
                    .to_owned(),
            ..Verdict::default()
        }
    } else {
        said(verdict::sentence(&whole), &whole)
    };
    let mut cache: HashMap<Score, Verdict> = HashMap::new();
    let mut each = Vec::with_capacity(comparison.results.len());
    for (index, own) in comparison.results.iter().enumerate() {
        let listener = &evidence.listeners[own.listener];
        let single = || {
            let mut single = input(own.correct, own.trials);
            single.controls = Controls {
                positive: listener.positive_controls,
                identical: listener.identical_controls,
                leak: None,
                qualified,
            };
            single
        };
        if let Some(found) = comparison.threshold.as_ref().and_then(|found| found.listeners.get(index)) {
            each.push(threshold::verdict(&found.result, &single()));
            continue;
        }
        let key = (
            Tally::new(own.correct, own.trials),
            listener.positive_controls,
            listener.identical_controls,
            own.adjusted_p_value.map(f64::to_bits),
        );
        let words = cache.entry(key).or_insert_with(|| {
            let mut single = single();
            if own.family > 1 && rule == Stopping::AllTrials {
                single.together =
                    own.adjusted_p_value.map(|adjusted_p| Together { members: own.family, adjusted_p });
            }
            said(verdict::sentence(&single), &single)
        });
        each.push(words.clone());
    }
    comparison.verdict = found;
    if comparison.basis == Basis::Listening {
        let clips = comparison.clips.as_ref().and_then(super::findings::Clips::words);
        for words in clips.into_iter().chain(some_hear_it(comparison)) {
            comparison.verdict.limits.insert(0, words);
        }
    }
    comparison.one_by_one = one_by_one(agreed, comparison);
    for (own, words) in comparison.results.iter_mut().zip(each) {
        own.verdict = words;
    }
}

fn some_hear_it(comparison: &ComparisonResult) -> Option<String> {
    let mixture = comparison.mixture.as_ref()?;
    declared::some_hear_it(mixture, comparison.results.len())
}

/// Most listeners that a sentence names.
const MOST_NAMED: usize = 6;

/// Who heard it alone even as one of so many. Under a sequential rule the verdict already says so.
fn one_by_one(agreed: &Agreed, comparison: &ComparisonResult) -> Option<String> {
    let panel = comparison.panel.as_ref()?;
    if agreed.stopping != Stopping::AllTrials || comparison.basis != Basis::Listening {
        return None;
    }
    let all = comparison.results.len();
    let tests = count(comparison.results.first().map_or(0, |own| own.family), "test");
    let passed: Vec<(&ListenerResult, f64)> = comparison
        .results
        .iter()
        .filter_map(|own| Some((own, own.adjusted_p_value?)))
        .filter(|(_, p)| binomial::at_most(*p, agreed.terms.alpha))
        .collect();
    if passed.is_empty() {
        let alone = match panel.passers {
            0 => "None passes alone".to_owned(),
            1 => "1 passes alone, as chance may have it".to_owned(),
            some => format!("{some} pass alone, as chance may have it"),
        };
        return Some(format!(
            "One by one: none of the {all} listeners passes after correction for {tests} (Holm). {alone}."
        ));
    }
    let mut names: Vec<String> = passed
        .iter()
        .take(MOST_NAMED)
        .map(|(own, p)| {
            format!("{} ({} of {}, adjusted {})", own.name, own.correct, own.trials, printed::p_value(*p))
        })
        .collect();
    if passed.len() > MOST_NAMED {
        names.push(format!("{} more", passed.len() - MOST_NAMED));
    }
    let group = if comparison.verdict.finding == Finding::NotShown {
        " What is said above holds for the group as a whole, not for each of its listeners."
    } else {
        ""
    };
    let what = match agreed.terms.protocol.asks() {
        Asks::Preference => "show a preference",
        Asks::Difference | Asks::Attribute => "pass",
    };
    let what = if passed.len() == 1 {
        what.replace("show", "shows").replace("pass", "passes")
    } else {
        what.to_owned()
    };
    Some(format!(
        "One by one: {} of {all} listeners {what} after correction for {tests} (Holm): {}.{group}",
        passed.len(),
        names.join(", ")
    ))
}

/// Trials agreed on: with a sequential rule the largest number; else as many as were answered where only complete sittings
/// count, since votes that never came are not owed, and those of the terms where one sitting is looked at that may have
/// been stopped.
fn planned(agreed: &Agreed, evidence: &Evidence, comparison: &ComparisonResult, trials: u64) -> u64 {
    let stopped = evidence.stopped_early() && comparison.method != Method::SharedDraws;
    if agreed.stopping != Stopping::AllTrials || stopped {
        u64::from(agreed.terms.trials).max(trials)
    } else {
        trials
    }
}

fn said(verdict: Result<Verdict, StatsError>, input: &VerdictInput) -> Verdict {
    verdict.unwrap_or_else(|error| Verdict {
        finding: Finding::NotComputed,
        title: title::title(Finding::NotComputed, input),
        headline: format!("There is no verdict: {error}."),
        ..Verdict::default()
    })
}

/// Several listeners under a sequential rule: how many it found, against how many guessers it would find.
fn several_sequential(whole: &VerdictInput, comparison: &ComparisonResult, alpha: f64) -> Verdict {
    let found = comparison.results.iter().filter(|own| own.sequential == Some(Decision::Difference)).count();
    let none = comparison.results.iter().filter(|own| own.sequential == Some(Decision::NoDifference)).count();
    let all = comparison.results.len();
    let p = comparison.adjusted_p_value.or(comparison.p_value).unwrap_or(1.0);
    let shown = binomial::at_most(p, alpha) && found > 0;
    let finding = if whole.simulated || whole.silent {
        Finding::NoListeningTest
    } else if shown && verdict::rig_suspect(whole.protocol, &whole.controls) {
        Finding::RigSuspect
    } else if shown {
        Finding::Difference
    } else {
        Finding::NotShown
    };
    let prefix = match finding {
        Finding::NoListeningTest => "This is no listening test. ",
        Finding::RigSuspect => {
            "Identical stimuli were told apart, so this does not count as a difference heard. "
        }
        _ => "",
    };
    let outcome = if shown { "more than chance explains" } else { "no more than chance explains" };
    Verdict {
        finding,
        title: title::title(finding, whole),
        headline: format!(
            "{prefix}By the sequential rule agreed beforehand, {found} of {all} listeners heard a difference between {} and {}, \
             {outcome}. Of as many guessers, at least so many are found {} ({}).",
            whole.side_a,
            whole.side_b,
            risk(p),
            printed::p_value(p)
        ),
        limits: std::iter::once(format!(
            "The rule said \"no difference\" of the agreed size for {none} of {all} listeners and stayed undecided for {}.",
            all - found - none
        ))
        .chain(if_alike(comparison))
        .chain(verdict::circumstances(whole))
        .collect(),
        analysis: None,
    }
}

/// What the number of listeners found says of their hearing, the rule for stopping included.
fn if_alike(comparison: &ComparisonResult) -> Option<String> {
    let share = comparison.analysis.as_ref()?.discriminators;
    Some(format!(
        "If all of them hear equally well, so many found agrees with a difference that is heard in {} to {} of trials (95 %, \
         two-sided, the rule for stopping included).",
        percent(share.lower),
        percent(share.upper)
    ))
}
