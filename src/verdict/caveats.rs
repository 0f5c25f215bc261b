//! Which caveats apply.

use std::collections::HashMap;

use super::caveat::Caveat;
use super::oddity::Oddity;
use super::{ComparisonResult, ControlResult, Controls, OnPaper, Tally, controls_missed, rig_suspect};
use crate::evidence::{Agreed, Basis, Evidence, State, TrialFacts};
use crate::session::{Family, Levels, Stopping};
use crate::stats::power::{Design, Effect};
use crate::stats::protocol::Definition;
use crate::stats::{binomial, one};
use crate::trial::record::Terms;

/// A level difference that may be heard by itself: common practice in matching levels, no source.
const AUDIBLE_LEVEL_DB: f64 = 0.1;
/// Proportion of discriminators that a test should find more often than not.
const LOOKED_FOR: f64 = 0.5;
/// A score from which the rest of a journal has to fit; answers faster than this are hasty; oddities in this share of the
/// trials count. Common practice, no source.
const NEARLY_PERFECT: f64 = 0.9;
const HASTY_MS: u64 = 1000;
const OFTEN: f64 = 0.25;
/// Most caveats of one kind that are listed by name.
const MOST_NAMED: usize = 12;

/// All caveats, heaviest first, else in the order of this list.
pub(super) fn caveats(
    agreed: &Agreed,
    evidence: &Evidence,
    comparisons: &[ComparisonResult],
    control_results: &[ControlResult],
    leak: Option<f64>,
    on_paper: &OnPaper,
) -> Vec<Caveat> {
    let mut found = Vec::new();
    if agreed.invented {
        found.push(Caveat::Invented);
    }
    files(evidence, &mut found);
    qualification(agreed, evidence, &mut found);
    sittings(evidence, &mut found);
    hurried(agreed, evidence, &mut found);
    prepared(evidence, &mut found);
    words(evidence, &mut found);
    let files = evidence.changed_inputs();
    if !files.is_empty() {
        found.push(Caveat::InputsChanged { files });
    }
    stimuli(evidence, &mut found);
    controls(agreed, evidence, control_results, leak, &mut found);
    for (index, comparison) in comparisons.iter().enumerate() {
        let level = on_paper.level_db.get(index).copied().flatten();
        of_comparison(agreed, comparison, level, &mut found);
        implausible(agreed, evidence, comparison, index, &mut found);
        if let Some((decibels, unknown_db)) = on_paper.known_db.get(index).copied().flatten() {
            found.push(Caveat::KnownDifference { comparison: comparison.name.clone(), decibels, unknown_db });
        }
    }
    let unadjusted = agreed.family == Family::None || !matches!(agreed.stopping, Stopping::AllTrials);
    if unadjusted && agreed.terms.comparisons.len() > 1 {
        found.push(Caveat::NoFamilyControl { comparisons: agreed.terms.comparisons.len() });
    }
    for problem in &on_paper.problems {
        found.push(Caveat::NotComputed { problem: problem.trim_end_matches('.').to_owned() });
    }
    found.sort_by_key(Caveat::weight);
    found
}

fn files(evidence: &Evidence, found: &mut Vec<Caveat>) {
    if evidence.sittings.is_empty() && evidence.unusable.is_empty() {
        found.push(Caveat::NoSittings);
    }
    let count = |state: State| evidence.sittings.iter().filter(|sitting| sitting.state == state).count();
    let invalid = count(State::Invalid) + evidence.unusable.len();
    if invalid > 0 {
        found.push(Caveat::InvalidJournals { journals: invalid });
    }
    if count(State::Foreign) > 0 {
        found.push(Caveat::ForeignJournals { journals: count(State::Foreign) });
    }
    if let Some(problem) = &evidence.register.problem {
        found.push(Caveat::RegisterBroken { problem: problem.trim_end_matches('.').to_owned() });
    }
    if !evidence.register.missing.is_empty() {
        found.push(Caveat::JournalsMissing { sittings: evidence.register.missing.len() });
    }
    if evidence.register.unregistered > 0 {
        found.push(Caveat::Unregistered { sittings: evidence.register.unregistered });
    }
    for (state, caveat) in [
        (State::Unfinished, (|sittings| Caveat::Abandoned { sittings }) as fn(usize) -> Caveat),
        (State::StoppedEarly, |sittings| Caveat::StoppedEarly { sittings }),
    ] {
        if count(state) > 0 {
            found.push(caveat(count(state)));
        }
    }
}

/// Who did not qualify, and whether the qualification keeps guessers out.
fn qualification(agreed: &Agreed, evidence: &Evidence, found: &mut Vec<Caveat>) {
    let Some(terms) = agreed.terms.qualification else { return };
    let failed = evidence.sittings.iter().filter(|sitting| sitting.state == State::NotQualified);
    let scores: Vec<(u64, u64)> = failed.filter_map(|sitting| sitting.qualification).collect();
    let (correct, trials) = (u64::from(terms.correct), u64::from(terms.trials));
    if !scores.is_empty() {
        found.push(Caveat::NotQualified { scores, agreed: (correct, trials) });
    }
    // A room has no qualification.
    if evidence.sittings.iter().any(|sitting| sitting.counted && !sitting.night) {
        found.extend(weak_qualification(&agreed.terms));
    }
}

/// That a qualification keeps nobody out, where a guesser passes it more often than once in five (common practice, no
/// source).
pub fn weak_qualification(terms: &Terms) -> Option<Caveat> {
    let qualification = terms.qualification?;
    let (trials, correct) = (u64::from(qualification.trials), u64::from(qualification.correct));
    let passes = binomial::upper(correct, trials, terms.protocol.chance());
    (passes > 0.2).then_some(Caveat::WeakQualification { correct, trials, passes })
}

/// Listeners who often answered after little more than the least that has to be heard. Of a night nothing is known of how
/// somebody listened.
fn hurried(agreed: &Agreed, evidence: &Evidence, found: &mut Vec<Caveat>) {
    let asked = Definition::of(agreed.terms.protocol).asked_about().count() as u64;
    let least_ms = asked * u64::from(agreed.terms.heard_at_least_ms.unwrap_or(HASTY_MS as u32));
    let under_ms = least_ms + least_ms / 2;
    let own = |index: usize| {
        evidence.trials.iter().filter(move |trial| {
            let sitting = &evidence.sittings[trial.sitting as usize];
            trial.listener == Some(index as u32)
                && sitting.counted
                && !sitting.night
                && sitting.simulated.is_none()
                && crate::evidence::counts(trial)
        })
    };
    let hurried = evidence.listeners.iter().enumerate().filter_map(|(index, listener)| {
        let trials = own(index).count() as u64;
        let answers = own(index).filter(|trial| trial.heard_ms < under_ms).count() as u64;
        (answers > 0 && answers as f64 >= OFTEN * trials as f64).then(|| Caveat::Hurried {
            listener: listener.name.clone(),
            answers,
            trials,
            under_s: under_ms as f64 / 1000.0,
        })
    });
    found.extend(hurried.take(MOST_NAMED));
}

fn sittings(evidence: &Evidence, found: &mut Vec<Caveat>) {
    let finished = || {
        evidence.sittings.iter().filter(|sitting| matches!(sitting.state, State::Complete | State::Decided))
    };
    let counted = || evidence.sittings.iter().filter(|sitting| sitting.counted);
    let simulated = finished().filter(|sitting| sitting.simulated.is_some()).count();
    if simulated > 0 {
        found.push(Caveat::Simulated {
            sittings: simulated,
            only: counted().any(|sitting| sitting.simulated.is_some()),
        });
    }
    let silent = finished().filter(|sitting| sitting.silent && sitting.simulated.is_none()).count();
    if silent > 0 {
        let only = counted().any(|sitting| sitting.silent && sitting.simulated.is_none());
        found.push(Caveat::Silent { sittings: silent, only });
    }
    let disturbed: u64 = counted().map(|sitting| sitting.void).sum();
    if disturbed > 0 {
        let answered = counted().map(|sitting| sitting.answered).sum();
        found.push(Caveat::Disturbed { attempts: disturbed, answered });
    }
    let resumed = counted().filter(|sitting| sitting.resumed > 0).count();
    if resumed > 0 {
        found.push(Caveat::Resumed { sittings: resumed });
    }
    let without = counted().filter(|sitting| sitting.phrases.is_empty()).count();
    if without > 0 {
        found.push(Caveat::NoPhrases { sittings: without });
    }
    let nights = counted().filter(|sitting| sitting.night).count();
    if nights > 0 {
        found.push(Caveat::SharedRoom { nights });
    }
    let again = evidence.listeners.iter().filter_map(|listener| {
        let sittings =
            listener.sittings.iter().filter(|sitting| evidence.sittings[**sitting].counted).count();
        (sittings > 1).then(|| Caveat::SeveralSittings { listener: listener.name.clone(), sittings })
    });
    found.extend(again.take(MOST_NAMED));
}

/// Listeners who prepared the session; without a name where names are withheld.
fn prepared(evidence: &Evidence, found: &mut Vec<Caveat>) {
    let counted =
        evidence.preparers.iter().filter_map(|index| evidence.listeners.get(*index)).filter(|l| l.counted);
    if evidence.anonymous {
        let listeners = counted.count();
        if listeners > 0 {
            found.push(Caveat::PreparedSession { listener: None, listeners });
        }
    } else {
        found.extend(
            counted
                .take(MOST_NAMED)
                .map(|own| Caveat::PreparedSession { listener: Some(own.name.clone()), listeners: 1 }),
        );
    }
}

/// Devices whose words could hide a difference, comparison by comparison.
fn words(evidence: &Evidence, found: &mut Vec<Caveat>) {
    let mut hidden: Vec<Caveat> = Vec::new();
    for facts in evidence
        .sittings
        .iter()
        .filter(|sitting| sitting.counted)
        .filter_map(|sitting| sitting.words.as_ref())
        .filter(|facts| facts.could_hide)
    {
        let (Some(name), Some(clip), Some(margin)) = (&facts.comparison, &facts.clip, facts.margin_db) else {
            continue;
        };
        let same = hidden.iter_mut().find_map(|caveat| match caveat {
            Caveat::WordsCouldHide { comparison, sittings, words, clip, margin_db } if comparison == name => {
                Some((sittings, words, clip, margin_db))
            }
            _ => None,
        });
        match same {
            None => hidden.push(Caveat::WordsCouldHide {
                sittings: 1,
                words: facts.words,
                comparison: name.clone(),
                clip: clip.clone(),
                margin_db: margin,
            }),
            Some((sittings, words, faintest_on, least)) => {
                *sittings += 1;
                if margin < *least {
                    (*words, *faintest_on, *least) = (facts.words, clip.clone(), margin);
                }
            }
        }
    }
    found.extend(hidden.into_iter().take(MOST_NAMED));
}

/// Sittings that published other stimuli at the same rate.
fn stimuli(evidence: &Evidence, found: &mut Vec<Caveat>) {
    let mut published: HashMap<_, _> = HashMap::new();
    let mut pairs = evidence.stimuli.iter().flat_map(|set| &set.pairs);
    let differ = pairs.any(|pair| {
        let digests = (&pair.a_sha256, &pair.b_sha256);
        let of = (&pair.comparison, &pair.clip, &pair.control, pair.rate_hz);
        *published.entry(of).or_insert(digests) != digests
    });
    if differ {
        found.push(Caveat::StimuliDiffer { sets: evidence.stimuli.len() });
    }
}

fn controls(
    agreed: &Agreed,
    evidence: &Evidence,
    results: &[ControlResult],
    leak: Option<f64>,
    found: &mut Vec<Caveat>,
) {
    if !agreed.terms.controls.iter().any(|control| control.is_positive() && control.trials > 0) {
        found.push(Caveat::NoPositiveControls);
    }
    let missed =
        evidence.listeners.iter().filter(|listener| listener.counted).filter_map(|listener| {
            let (correct, trials) = listener.positive_controls;
            controls_missed(agreed.terms.protocol, Tally { correct, trials })
                .then(|| Caveat::ControlsMissed { listener: listener.name.clone(), correct, trials })
        });
    found.extend(missed.take(MOST_NAMED));
    let identical = results.iter().filter(|control| !control.positive);
    let (correct, trials) =
        identical.fold((0, 0), |sum, control| (sum.0 + control.correct, sum.1 + control.trials));
    if rig_suspect(
        agreed.terms.protocol,
        &Controls { identical: Tally { correct, trials }, leak, ..Controls::default() },
    ) {
        found.push(Caveat::Leak { listener: "All listeners together".to_owned(), correct, trials });
    }
}

/// Scores of listeners that were shown a difference, nearly perfect, and do not fit what else the journal says. Of a night
/// nothing is known of how somebody listened.
fn implausible(
    agreed: &Agreed,
    evidence: &Evidence,
    comparison: &ComparisonResult,
    index: usize,
    found: &mut Vec<Caveat>,
) {
    if comparison.basis != Basis::Listening || !agreed.terms.protocol.asks().has_right_answer() {
        return;
    }
    let perfect = comparison
        .results
        .iter()
        .filter(|own| own.analysis.significant && own.correct as f64 >= NEARLY_PERFECT * own.trials as f64);
    for own in perfect {
        let listener = &evidence.listeners[own.listener];
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
        let trials = answers.len() as u64;
        let often = |odd: &dyn Fn(&TrialFacts) -> bool| {
            let answers = answers.iter().filter(|trial| odd(trial)).count() as u64;
            (answers > 0 && answers as f64 >= OFTEN * trials as f64).then_some(answers)
        };
        let (correct, of) = listener.positive_controls;
        let oddities: Vec<Oddity> = [
            controls_missed(agreed.terms.protocol, Tally { correct, trials: of })
                .then_some(Oddity::ControlsMissed { correct, trials: of }),
            often(&|trial| trial.took_ms < HASTY_MS).map(|answers| Oddity::Hasty { answers, trials }),
            often(&|trial| trial.slots_heard < 2).map(|answers| Oddity::NothingCompared { answers, trials }),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !oddities.is_empty() {
            found.push(Caveat::Implausible {
                listener: own.name.clone(),
                correct: own.correct,
                trials: own.trials,
                oddities,
            });
        }
    }
}

fn of_comparison(
    agreed: &Agreed,
    comparison: &ComparisonResult,
    level_db: Option<f64>,
    found: &mut Vec<Caveat>,
) {
    if comparison.basis != Basis::Nothing
        && agreed.stopping == Stopping::AllTrials
        && comparison.room.is_none()
    {
        if one::critical(agreed.inquiry, comparison.trials, agreed.terms.alpha).is_none() {
            found.push(Caveat::TooFewTrials {
                comparison: comparison.name.clone(),
                trials: comparison.trials,
            });
        } else if comparison.results.len() == 1
            && agreed.terms.protocol.asks().has_right_answer()
            && let Ok(design) =
                Design::new(agreed.inquiry, agreed.terms.alpha, Effect::Discriminators(LOOKED_FOR))
            && let Ok(risks) = design.risks(u64::from(agreed.terms.trials))
            && risks.power < 0.5
        {
            found.push(Caveat::LittlePower {
                comparison: comparison.name.clone(),
                trials: comparison.trials,
                discriminators: LOOKED_FOR,
                power: risks.power,
            });
        }
    }
    if let Some(decibels) = level_db.map(f64::abs)
        && agreed.levels == Levels::AsWired
        && decibels >= AUDIBLE_LEVEL_DB
    {
        found.push(Caveat::LevelAudible { comparison: comparison.name.clone(), decibels });
    }
    let unlike = comparison
        .panel
        .as_ref()
        .and_then(|panel| panel.independent.as_ref())
        .and_then(|analysis| analysis.heterogeneity)
        .filter(|test| test.p_value <= 0.05);
    if let Some(test) = unlike {
        found.push(Caveat::Unlike { comparison: comparison.name.clone(), p_value: test.p_value });
    }
    if let Some(test) = comparison.between_places
        && test.p_value <= 0.05
    {
        found.push(Caveat::PlacesUnlike { comparison: comparison.name.clone(), p_value: test.p_value });
    }
}
