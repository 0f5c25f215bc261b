//! Caveats about controls, scores and risks, and what they can show.

use std::collections::BTreeMap;

use super::{Case, Caveat, Kind, MOST_NAMED, Weight, listed, when};
use crate::evidence::{Basis, TrialFacts};
use crate::session::{Family, Levels, Stopping, Takes};
use crate::stats::power::{Design, Effect};
use crate::stats::protocol::Definition;
use crate::stats::{one, pattern};
use crate::trial::record::Part;
use crate::units::printed;
use crate::units::printed::{count, rate};
use crate::verdict::known::sentence;
use crate::verdict::{ComparisonResult, Controls, Tally, controls_missed as missed, rig_suspect};

/// A level difference that may be heard by itself: common practice in matching levels, no source.
const AUDIBLE_LEVEL_DB: f64 = 0.1;
/// Proportion of discriminators that a test should find more often than not.
const LOOKED_FOR: f64 = 0.5;
/// A score from which the rest of a journal has to fit; answers faster than this are hasty; oddities in this share of the
/// trials count. Common practice, no source.
const NEARLY_PERFECT: f64 = 0.9;
pub(super) const HASTY_MS: u64 = 1000;
pub(super) const OFTEN: f64 = 0.25;
/// Share of sittings whose answers follow the sound that may be told to follow a pattern, at most.
const PATTERNED: f64 = 0.001;

pub(super) fn no_positive_controls(case: &Case<'_>) -> Vec<Caveat> {
    let terms = &case.agreed.terms;
    let heard = |trials: u32| trials > 0 || terms.qualification.is_some();
    let there = terms.controls.iter().any(|control| control.is_positive() && heard(control.trials));
    when(!there, || {
        Caveat {
        kind: Kind::NoPositiveControls,
        weight: Weight::Minor,
        text: "This session has no control that should be heard, so nothing shows that the equipment and the listeners could have shown a \
               real difference."
            .to_owned(),
        remedy: "Add a `level` or `tilt` control to the session.",
    }
    })
}

pub(super) fn controls_missed(case: &Case<'_>) -> Vec<Caveat> {
    let counted = case.evidence.listeners.iter().filter(|listener| listener.counted);
    let names: Vec<&str> = counted
        .clone()
        .filter(|listener| missed(case.agreed.terms.protocol, listener.positive_controls))
        .map(|listener| listener.name.as_str())
        .collect();
    when(!names.is_empty(), || Caveat {
        kind: Kind::ControlsMissed,
        weight: Weight::Serious,
        text: match (&names[..], counted.count()) {
            ([alone], 1) => format!(
                "{alone} missed the controls that should be heard: this equipment or hearing could not show even so large a \
                 difference."
            ),
            (_, all) => format!(
                "{} of {} missed the controls that should be heard ({}). Their equipment or hearing could not show even so \
                 large a difference.",
                names.len(),
                count(all as u64, "listener"),
                listed(&names)
            ),
        },
        remedy: "Check the equipment and the level, train, and sit again.",
    })
}

pub(super) fn leak(case: &Case<'_>) -> Vec<Caveat> {
    let identical = case.controls.iter().filter(|control| !control.positive);
    let (correct, trials) =
        identical.fold((0, 0), |sum, control| (sum.0 + control.correct, sum.1 + control.trials));
    let controls = Controls { identical: Tally { correct, trials }, leak: case.leak, ..Controls::default() };
    let recorded = case.agreed.terms.comparisons.iter().any(|own| own.recorded == Some(Takes::Two));
    when(rig_suspect(case.agreed.terms.protocol, &controls), || Caveat {
        kind: Kind::Leak,
        weight: Weight::Decisive,
        text: if recorded {
            format!(
                "All listeners together: {correct} of {trials} right where both sides were one cable recorded twice. The \
                 recordings give the answer away, and not the cables."
            )
        } else {
            format!(
                "All listeners together: {correct} of {trials} right where both stimuli were identical. Something other than \
                 their sound gives the answer away."
            )
        },
        remedy: "Find the leak: sounds of the machine, the screen, the other person. Then sit again.",
    })
}

/// Comparisons whose number of trials was fixed, each with a draw of its own.
fn fixed<'c>(case: &Case<'c>) -> impl Iterator<Item = &'c ComparisonResult> + use<'c> {
    let all_trials = case.agreed.stopping == Stopping::AllTrials;
    case.comparisons
        .iter()
        .filter(move |found| all_trials && found.basis != Basis::Nothing && found.room.is_none())
}

/// What to do where there were not enough trials.
const PLAN: &str = "Plan the number of trials with the `plan` command before anyone listens.";

fn no_score_is_enough(case: &Case<'_>, found: &ComparisonResult) -> bool {
    one::critical(case.agreed.inquiry, found.trials, case.agreed.terms.alpha).is_none()
}

pub(super) fn too_few_trials(case: &Case<'_>) -> Vec<Caveat> {
    let caveat = |found: &ComparisonResult| Caveat {
        kind: Kind::TooFewTrials,
        weight: Weight::Serious,
        text: format!(
            "{}: with {} not even a perfect score would have met the agreed risk.",
            found.name,
            count(found.trials, "counted trial")
        ),
        remedy: PLAN,
    };
    fixed(case).filter(|found| no_score_is_enough(case, found)).map(caveat).collect()
}

/// One listener's; a test that can find nothing at all is [`too_few_trials`].
pub(super) fn little_power(case: &Case<'_>) -> Vec<Caveat> {
    let agreed = case.agreed;
    let power = Design::new(agreed.inquiry, agreed.terms.alpha, Effect::Discriminators(LOOKED_FOR))
        .and_then(|design| design.risks(u64::from(agreed.terms.trials)))
        .ok()
        .filter(|risks| risks.power < 0.5 && agreed.inquiry.has_right_answer());
    let Some(power) = power.map(|risks| risks.power) else { return Vec::new() };
    let caveat = |found: &ComparisonResult| Caveat {
        kind: Kind::LittlePower,
        weight: Weight::Minor,
        text: format!(
            "{}: {} would find somebody who really hears the difference in {} of trials in only {:.0} of 100 such tests.",
            found.name,
            count(found.trials, "counted trial"),
            printed::percent(LOOKED_FOR),
            power * 100.0
        ),
        remedy: PLAN,
    };
    let one = fixed(case).filter(|found| found.results.len() == 1 && !no_score_is_enough(case, found));
    one.map(caveat).collect()
}

pub(super) fn level_audible(case: &Case<'_>) -> Vec<Caveat> {
    let level = |index: usize| case.on_paper.level_db.get(index).copied().flatten().map(f64::abs);
    let audible = case.comparisons.iter().enumerate().filter_map(|(index, found)| {
        let decibels = level(index).filter(|decibels| *decibels >= AUDIBLE_LEVEL_DB)?;
        Some(Caveat {
            kind: Kind::LevelAudible,
            weight: Weight::Serious,
            text: format!(
                "{}: the sides differ by {decibels} in level, which may be heard by itself. The verdict is about the pair \
                 as wired, level included.",
                found.name,
                decibels = printed::decibels(decibels)
            ),
            remedy: if case.agreed.terms.switcher.is_some() {
                "Nothing to do here: over real cables the level comes with the cable."
            } else {
                "Set `levels = \"matched\"` to ask about everything but the level."
            },
        })
    });
    audible.filter(|_| case.agreed.levels == Levels::AsWired).collect()
}

pub(super) fn listeners_unlike(case: &Case<'_>) -> Vec<Caveat> {
    let unlike = case.comparisons.iter().filter_map(|found| {
        let test = found.panel.as_ref()?.independent.as_ref()?.heterogeneity?;
        (test.p_value <= 0.05).then(|| Caveat {
            kind: Kind::ListenersUnlike,
            weight: Weight::Minor,
            text: format!(
                "{}: the listeners differ more than chance allows ({}). The pooled number hides who can and who cannot.",
                found.name,
                printed::p_value(test.p_value)
            ),
            remedy: "Read the listeners one by one, with the adjusted p-values.",
        })
    });
    unlike.collect()
}

pub(super) fn places_unlike(case: &Case<'_>) -> Vec<Caveat> {
    let unlike = case.comparisons.iter().filter_map(|found| {
        let test = found.between_places.filter(|test| test.p_value <= 0.05)?;
        Some(Caveat {
            kind: Kind::PlacesUnlike,
            weight: Weight::Serious,
            text: format!(
                "{}: the places differ more than chance allows ({}). Pooling them answers a question that nobody asked.",
                found.name,
                printed::p_value(test.p_value)
            ),
            remedy: "Read the places one by one.",
        })
    });
    unlike.collect()
}

/// Scores of listeners that were shown a difference, nearly perfect, and do not fit what else the journal says. Of a night
/// nothing is known of how somebody listened.
pub(super) fn implausible(case: &Case<'_>) -> Vec<Caveat> {
    let (evidence, protocol) = (case.evidence, case.agreed.terms.protocol);
    let mut doubted = Vec::new();
    for (index, comparison) in case.comparisons.iter().enumerate() {
        if comparison.basis != Basis::Listening || !protocol.asks().has_right_answer() {
            continue;
        }
        for own in &comparison.results {
            let (correct, trials) = (own.correct, own.trials);
            if !own.analysis.as_ref().is_some_and(|of| of.significant)
                || (correct as f64) < NEARLY_PERFECT * trials as f64
            {
                continue;
            }
            let answers: Vec<&TrialFacts> = evidence
                .trials
                .iter()
                .filter(|trial| trial.listener == Some(own.listener as u32))
                .filter(|trial| trial.comparison == Some(index as u16) && crate::evidence::counts(trial))
                .filter(|trial| {
                    let sitting = &evidence.sittings[trial.sitting as usize];
                    sitting.counted && !sitting.night
                })
                .collect();
            let all = answers.len();
            let often = |odd: &dyn Fn(&TrialFacts) -> bool| {
                let answers = answers.iter().filter(|trial| odd(trial)).count();
                (answers > 0 && answers as f64 >= OFTEN * all as f64).then_some(answers)
            };
            let heard = evidence.listeners[own.listener].positive_controls;
            let oddities: Vec<String> = [
                missed(protocol, heard).then(|| {
                    format!(
                        "only {} of {} controls that should be heard were right",
                        heard.correct, heard.trials
                    )
                }),
                often(&|trial| trial.took_ms < HASTY_MS)
                    .map(|answers| format!("{answers} of {all} answers came in under a second")),
                often(&|trial| trial.slots_heard < 2)
                    .map(|answers| format!("in {answers} of {all} trials no two of the sounds were played")),
            ]
            .into_iter()
            .flatten()
            .collect();
            doubted.extend(when(!oddities.is_empty(), || Caveat {
                kind: Kind::Implausible,
                weight: Weight::Serious,
                text: format!(
                    "{}: {correct} of {trials} right does not fit the rest of the journal: {}. A listener who hears that well does not \
                     answer like this.",
                    own.name,
                    oddities.join("; ")
                ),
                remedy: "Ask who answered, and how X could have been known without listening. Then sit again with a witness.",
            }));
        }
    }
    doubted
}

/// Sittings whose answers repeat, from the first to the last, so regularly as answers that follow the sound do in at most one
/// sitting of a thousand ([`PATTERNED`], our choice). Somebody who always says the same is never "significant" and looks like
/// somebody who listened and heard nothing: this concerns what a lack of difference is worth.
pub(super) fn patterned(case: &Case<'_>) -> Vec<Caveat> {
    let (evidence, definition) = (case.evidence, Definition::of(case.agreed.terms.protocol));
    let alternatives = definition.alternatives.len();
    let mut runs: BTreeMap<(u32, u32), Vec<u8>> = BTreeMap::new();
    for trial in evidence.trials.iter().filter(|trial| trial.part == Part::Main) {
        let sitting = &evidence.sittings[trial.sitting as usize];
        if let (true, None, Some(listener), Some(answer)) =
            (sitting.counted, sitting.simulated, trial.listener, trial.answer)
        {
            runs.entry((listener, trial.sitting)).or_default().push(answer);
        }
    }
    let told = runs.into_iter().filter_map(|((listener, sitting), answers)| {
        let period = pattern::period(&answers)?;
        let chance = pattern::chance(period, answers.len(), alternatives);
        let name = &evidence.listeners.get(listener as usize)?.name;
        (chance <= PATTERNED).then(|| Caveat {
            kind: Kind::Patterned,
            weight: Weight::Serious,
            text: format!(
                "{name}: {} of sitting {} {}. The right answers are drawn at random, so answers that follow the sound come out this regular {}. \
                 They say nothing about what can be heard.",
                count(answers.len() as u64, "answer"),
                sitting + 1,
                match period {
                    1 => "are all the same".to_owned(),
                    2 => "alternate from the first to the last".to_owned(),
                    period => format!("repeat after every {period}, from the first to the last"),
                },
                rate(chance, "sittings"),
            ),
            remedy: "Ask whether this listener decided anew in each trial, and sit again.",
        })
    });
    told.take(MOST_NAMED).collect()
}

pub(super) fn known_difference(case: &Case<'_>) -> Vec<Caveat> {
    let known = |index: usize| case.on_paper.known_db.get(index).copied().flatten();
    let caveats = case.comparisons.iter().enumerate().filter_map(|(index, found)| {
        let (decibels, unknown_db) = known(index)?;
        let (weight, remedy) = if decibels > unknown_db {
            (Weight::Minor, "Nothing to do: the real cables differ by that much, within these limits.")
        } else {
            (
                Weight::Serious,
                "Measure the cables better: the real ones could as well be alike, or differ twice as much.",
            )
        };
        Some(Caveat {
            kind: Kind::KnownDifference,
            weight,
            text: sentence(&found.name, decibels, unknown_db),
            remedy,
        })
    });
    caveats.collect()
}

pub(super) fn no_family_control(case: &Case<'_>) -> Vec<Caveat> {
    let unadjusted = case.agreed.family == Family::None || case.agreed.stopping != Stopping::AllTrials;
    let comparisons = case.agreed.terms.comparisons.len();
    when(unadjusted && comparisons > 1, || Caveat {
        kind: Kind::NoFamilyControl,
        weight: Weight::Minor,
        text: format!(
            "{comparisons} comparisons are judged each by itself, as the session says. The risk that at least one of them passes by chance is larger than the agreed error risk."
        ),
        remedy: "Set `family = \"holm\"` before anyone listens.",
    })
}
