//! Puts the numbers of a comparison into words, by the sentences of [`super`].

use std::collections::HashMap;

use super::caveat::probability;
use super::findings::{ComparisonResult, ControlResult, ListenerResult, Words};
use super::{self as verdict, Controls, Finding, Rule, Tally, Together, VerdictInput};
use crate::evidence::{Basis, Evidence};
use crate::session::{Session, Stopping};
use crate::stats::protocol::{Asks, Side};
use crate::stats::{StatsError, binomial};

fn tally((correct, trials): (u64, u64)) -> Tally {
    Tally { correct, trials }
}

/// Score, audible and identical controls of a listener: with the rest of the session they fix the verdict.
type Score = ((u64, u64), (u64, u64), (u64, u64));

/// The verdict in words, on the comparison and on each listener.
pub(super) fn words(
    session: &Session,
    evidence: &Evidence,
    controls: &[ControlResult],
    comparison: &mut ComparisonResult,
) {
    let simulated = comparison.basis == Basis::Simulated;
    let silent = comparison.basis == Basis::Silent || (simulated && evidence.is_silent());
    let rule = match session.stopping {
        Stopping::AllTrials => Rule::AllTrials,
        Stopping::Sequential { alpha, beta, proportion } => Rule::Sequential { alpha, beta, proportion },
    };
    let input = |correct: u64, trials: u64| VerdictInput {
        simulated,
        silent,
        side_a: comparison.a.clone(),
        side_b: comparison.b.clone(),
        attribute: session.attribute.clone(),
        sides: session.inquiry().sides,
        more: if session.attribute_side_b { Side::B } else { Side::A },
        ..VerdictInput::new(session.protocol, correct, trials, session.alpha)
    };
    let all = |positive: bool| {
        let sum = controls.iter().filter(|control| control.positive == positive);
        sum.fold(Tally::default(), |sum, control| Tally {
            correct: sum.correct + control.correct,
            trials: sum.trials + control.trials,
        })
    };
    let mut whole = input(comparison.correct, comparison.trials);
    whole.controls = Controls { positive: all(true), identical: all(false) };
    whole.room.clone_from(&comparison.room);
    whole.together = comparison
        .adjusted_p_value
        .map(|adjusted_p| Together { members: session.comparisons.len() as u64, adjusted_p });
    let found = if comparison.results.len() == 1 {
        whole.rule = rule;
        whole.planned_trials = planned(session, comparison.trials);
        said(verdict::sentence(&whole))
    } else if rule != Rule::AllTrials && !comparison.results.is_empty() && comparison.room.is_none() {
        several_sequential(&whole, comparison, session.alpha)
    } else if comparison.method.starts_with("Listeners shared") && comparison.room.is_none() {
        Words {
            finding: "not-computed".to_owned(),
            headline:
                "The room's exact test could not be computed: there is no verdict on all listeners together."
                    .to_owned(),
            limits: Vec::new(),
        }
    } else {
        said(verdict::sentence(&whole))
    };
    let members = comparison.results.len() as u64;
    let mut cache: HashMap<Score, Words> = HashMap::new();
    let mut each = Vec::with_capacity(comparison.results.len());
    for own in &comparison.results {
        let listener = &evidence.listeners[own.listener];
        let key = ((own.correct, own.trials), listener.positive_controls, listener.identical_controls);
        let words = cache.entry(key).or_insert_with(|| {
            let mut single = input(own.correct, own.trials);
            single.rule = rule;
            single.planned_trials = planned(session, own.trials);
            single.controls = Controls {
                positive: tally(listener.positive_controls),
                identical: tally(listener.identical_controls),
            };
            if members > 1 && rule == Rule::AllTrials {
                single.together = Some(Together { members, adjusted_p: own.adjusted_p_value });
            }
            said(verdict::sentence(&single))
        });
        each.push(words.clone());
    }
    comparison.verdict = found;
    comparison.one_by_one = one_by_one(session, comparison);
    for (own, words) in comparison.results.iter_mut().zip(each) {
        own.verdict = words;
    }
}

/// Most listeners that a sentence names.
const MOST_NAMED: usize = 6;

/// Who heard it alone even as one of so many. Under a sequential rule the verdict already says so.
fn one_by_one(session: &Session, comparison: &ComparisonResult) -> Option<String> {
    let panel = comparison.panel.as_ref()?;
    if session.stopping != Stopping::AllTrials || comparison.basis != Basis::Listening {
        return None;
    }
    let all = comparison.results.len();
    let passed: Vec<&ListenerResult> = comparison
        .results
        .iter()
        .filter(|own| binomial::at_most(own.adjusted_p_value, session.alpha))
        .collect();
    if passed.is_empty() {
        let alone = match panel.passers {
            0 => "none of them passes alone".to_owned(),
            1 => "1 of them passes alone, as luck may have it".to_owned(),
            some => format!("{some} of them pass alone, as luck may have it"),
        };
        return Some(format!(
            "One by one: none of the {all} listeners stands out as one of so many (Holm); {alone}."
        ));
    }
    let mut names: Vec<String> = passed
        .iter()
        .take(MOST_NAMED)
        .map(|own| {
            format!(
                "{} ({} of {}, adjusted p {})",
                own.name,
                own.correct,
                own.trials,
                probability(own.adjusted_p_value)
            )
        })
        .collect();
    if passed.len() > MOST_NAMED {
        names.push(format!("{} more", passed.len() - MOST_NAMED));
    }
    let group = if comparison.verdict.finding == "not-shown" {
        " What is said above holds for the group as a whole, not for each of its listeners."
    } else {
        ""
    };
    let what = match session.protocol.asks() {
        Asks::Preference => "show a preference",
        Asks::Difference | Asks::Attribute => "stand out",
    };
    let what = if passed.len() == 1 {
        what.replace("show", "shows").replace("stand", "stands")
    } else {
        what.to_owned()
    };
    Some(format!(
        "One by one: {} of {all} listeners {what} even as one of so many (Holm): {}.{group}",
        passed.len(),
        names.join(", ")
    ))
}

/// Trials agreed on: with a sequential rule the largest number, else as many as were answered, since only complete
/// sittings count and votes that never came are not owed.
fn planned(session: &Session, trials: u64) -> u64 {
    match session.stopping {
        Stopping::Sequential { .. } => u64::from(session.trials).max(trials),
        Stopping::AllTrials => trials,
    }
}

fn said(verdict: Result<verdict::Verdict, StatsError>) -> Words {
    match verdict {
        Ok(verdict) => Words {
            finding: finding_name(verdict.finding).to_owned(),
            headline: verdict.headline,
            limits: verdict.limits,
        },
        Err(error) => Words {
            finding: "not-computed".to_owned(),
            headline: format!("There is no verdict: {error}."),
            limits: Vec::new(),
        },
    }
}

/// Several listeners under a sequential rule: how many it found, against how many guessers it would find.
fn several_sequential(whole: &VerdictInput, comparison: &ComparisonResult, alpha: f64) -> Words {
    let found = comparison.results.iter().filter(|own| own.sequential == Some("a difference")).count();
    let none = comparison.results.iter().filter(|own| own.sequential == Some("no difference")).count();
    let all = comparison.results.len();
    let p = comparison.adjusted_p_value.or(comparison.p_value).unwrap_or(1.0);
    let shown = binomial::at_most(p, alpha) && found > 0;
    let finding = if whole.simulated || whole.silent {
        "no-listening-test"
    } else if shown && verdict::rig_suspect(whole.protocol, whole.controls.identical) {
        "rig-suspect"
    } else if shown {
        "difference"
    } else {
        "not-shown"
    };
    let prefix = match finding {
        "no-listening-test" => "This is no listening test. ",
        "rig-suspect" => "Identical stimuli were told apart, so this does not count as a difference heard. ",
        _ => "",
    };
    let outcome = if shown { "more than luck explains" } else { "no more than luck explains" };
    Words {
        finding: finding.to_owned(),
        headline: format!(
            "{prefix}By the sequential rule agreed on beforehand, {found} of {all} listeners heard a difference between {} and {}, \
             {outcome}; of as many guessers at least so many are found {}.",
            whole.side_a,
            whole.side_b,
            verdict::risk(p)
        ),
        limits: std::iter::once(format!(
            "The rule said \"no difference\" of the agreed size for {none} of {all} listeners and stayed undecided for {}.",
            all - found - none
        ))
        .chain(verdict::circumstances(whole))
        .collect(),
    }
}

/// Name of a finding in JSON.
fn finding_name(finding: Finding) -> &'static str {
    match finding {
        Finding::NoListeningTest => "no-listening-test",
        Finding::NoTrials => "no-trials",
        Finding::StoppedEarly => "stopped-early",
        Finding::RigSuspect => "rig-suspect",
        Finding::Difference => "difference",
        Finding::BelowGuessing => "below-guessing",
        Finding::NotShown => "not-shown",
        Finding::ControlsMissed => "controls-missed",
        Finding::Excluded => "excluded",
        Finding::Undecided => "undecided",
    }
}
