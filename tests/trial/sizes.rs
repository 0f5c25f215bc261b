//! Sittings that look for a threshold: answers choose the sizes, the seal alone the sides, and both are derived again.

use earwitness::session::{ControlName, Scale};
use earwitness::stats::Protocol;
use earwitness::stats::threshold::staircase::Rule;
use earwitness::stats::threshold::track::{Method, Track};
use earwitness::stimulus::PairKind;
use earwitness::trial::record::{ControlTerms, ThresholdTerms};
use earwitness::trial::{Conductor, Digest, Draft, Effect, Occasion, Outcome, Part, Record};

use super::blindness::seen;
use super::kit::{self, Answering, Scripted};
use super::python;

const BAYES: ThresholdTerms = ThresholdTerms {
    scale: Scale::Multiple,
    smallest: 0.5,
    largest: 32.0,
    method: Method::Bayes,
    narrow_enough: None,
};

fn draft(protocol: Protocol, threshold: ThresholdTerms, trials: u32) -> Draft {
    let mut terms = kit::terms(protocol);
    terms.trials = trials;
    terms.threshold = Some(threshold);
    terms.controls.push(ControlTerms {
        control: ControlName::Largest,
        amount: threshold.largest,
        unit: "multiple".to_owned(),
        trials: 2,
        more: None,
    });
    let mut draft = kit::draft(terms);
    for real in draft.stimuli.clone().into_iter().filter(|stimulus| stimulus.control.is_none()) {
        draft.stimuli.extend((0..19).map(|level| {
            let digest = Digest::of(format!("{level} {real:?}").as_bytes());
            earwitness::trial::record::StimulusTerms { level: Some(level), a: digest, ..real.clone() }
        }));
    }
    draft
}

fn played(draft: &Draft, seed: u64, right: bool) -> Scripted<kit::Memory> {
    let mut draft = draft.clone();
    if right {
        draft.simulated = Some(1.0);
    }
    let mut scripted = kit::in_memory(&draft, seed);
    if right {
        scripted.answering = Answering::Right;
    }
    scripted.disturb = Some(4);
    scripted.finish()
}

/// Comparison and level of each size that the player was given, in order.
fn sizes(scripted: &Scripted<kit::Memory>) -> Vec<(usize, usize)> {
    let size = |effect: &Effect| match effect {
        Effect::Load { pair: PairKind::Level { comparison, level, .. }, .. } => Some((*comparison, *level)),
        _ => None,
    };
    scripted.effects.iter().filter_map(size).collect()
}

#[test]
fn screens_and_journal_are_the_same_whichever_side_x_is_and_whatever_size_follows() {
    for protocol in [Protocol::Abx, Protocol::Triangle] {
        let draft = draft(protocol, BAYES, 5);
        let (first, other) = (seen(&draft, 0, Some(3)), seen(&draft, 1, Some(3)));
        assert_eq!(first.views, other.views);
        assert_eq!(first.journal, other.journal);
        assert_eq!(first.record_lengths, other.record_lengths);
        assert_eq!(first.effects, other.effects);
        assert_ne!(first.sides, other.sides);
    }
}

/// Listeners who are right in the same trials get the same sizes, whatever was drawn: a size tells of earlier answers, and of
/// nothing else.
#[test]
fn the_next_size_follows_from_rightness_alone() {
    let draft = draft(Protocol::Abx, BAYES, 5);
    let of = |seed: u64, comparison: usize| -> Vec<usize> {
        let all = sizes(&played(&draft, seed, true));
        // The warm-up trial is at the top, of whichever comparison was drawn.
        assert_eq!(all[0].1, 18);
        let own = all[1..].iter().filter(|size| size.0 == comparison).map(|size| size.1);
        let mut levels: Vec<usize> = own.collect();
        // A disturbed trial is repeated at the size it had.
        levels.dedup();
        levels
    };
    let first = of(1, 0);
    assert!(first.windows(2).all(|two| two[1] < two[0]), "all right: ever smaller, {first:?}");
    for seed in 2..6 {
        assert_eq!(of(seed, 0), first);
    }
    assert_ne!(played(&draft, 1, false).journal.bytes, played(&draft, 2, false).journal.bytes);
}

#[test]
fn every_size_is_derived_again_from_the_opened_seal_by_three_readers() {
    for method in [
        Method::Bayes,
        Method::Staircase { rule: Rule::Weighted },
        Method::Staircase { rule: Rule::TwoDown },
        Method::Ladder { steps: 4 },
    ] {
        let terms = ThresholdTerms { method, ..BAYES };
        let draft = draft(Protocol::Abx, terms, 6);
        let scripted = played(&draft, 7, false);
        let heard = sizes(&scripted);
        let (_folder, path) = kit::written(&scripted.journal.bytes);
        python::agree(&path);
        let checked = kit::check(&path);
        let opening = checked.opening.clone().expect("an opening");
        let levels: Vec<(usize, usize)> = checked
            .answers
            .iter()
            .filter_map(|answer| {
                let stimulus = &opening.stimuli[answer.presented.expect("drawn").stimulus];
                Some((stimulus.comparison, stimulus.level?))
            })
            .collect();
        assert_eq!(levels, heard, "what was played is what is derived");
        // The same once more, from the rights alone.
        let grid = terms.grid(Protocol::Abx).expect("a grid");
        let mut tracks = vec![Track::new(&grid, method); 2];
        for answer in checked.answers.iter().filter(|answer| answer.id.part == Part::Main) {
            let stimulus = &opening.stimuli[answer.presented.expect("drawn").stimulus];
            let Some(level) = stimulus.level else { continue };
            assert_eq!(tracks[stimulus.comparison].next(), level);
            if let Some(right) = answer.right {
                tracks[stimulus.comparison].answer(right);
            }
        }
    }
}

/// A sitting that goes on after it was cut off keeps its sizes: they follow from answers, which stay.
#[test]
fn going_on_under_a_fresh_seal_keeps_the_sizes() {
    let draft = draft(Protocol::Abx, BAYES, 5);
    let whole = played(&draft, 3, true);
    for cut in [14, 18, 22] {
        let records = &whole.journal.records[..cut];
        let (resumed, _) = Conductor::resume(records, &[kit::secret(3)]).expect("it goes on");
        let fresh = kit::secret(99);
        let going_on = resumed.going_on(&fresh, kit::UTC, "earwitness", 0, draft.output.clone());
        let all: Vec<_> = records.iter().cloned().chain(going_on).collect();
        let opened = Conductor::resume(&all, &[kit::secret(3), fresh]).expect("sealed anew");
        let mut rest = Scripted::new(opened, kit::Memory::default());
        rest.answering = Answering::Right;
        rest.hands.clear();
        let rest = rest.finish();
        // All right before and after: the sizes of each comparison still fall without a turn.
        for comparison in 0..2 {
            let mut own: Vec<usize> =
                sizes(&rest).into_iter().filter(|size| size.0 == comparison).map(|size| size.1).collect();
            own.dedup();
            assert!(own.windows(2).all(|two| two[1] < two[0]), "{own:?}");
            assert!(own.first().is_none_or(|level| *level < 18), "it does not start over: {own:?}");
        }
    }
}

/// A sitting that a narrow interval ends before its last trial.
pub(crate) fn narrow() -> Scripted<kit::Memory> {
    let terms = ThresholdTerms { narrow_enough: Some(10.0), largest: 8.0, ..BAYES };
    let mut draft = draft(Protocol::Abx, terms, 60);
    draft.terms.comparisons.truncate(1);
    draft.stimuli.retain(|stimulus| stimulus.comparison == 0);
    played(&draft, 5, true)
}

#[test]
fn a_narrow_interval_ends_the_sitting_and_nothing_may_follow() {
    let scripted = narrow();
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    python::agree(&path);
    let checked = kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.closing.as_ref().expect("closed").outcome, Outcome::Sequential);
    assert!(checked.total().expect("opened").trials < 60);
    // Terms that promise more leave the same answers unfinished: whoever ends early on their own is found out.
    let mut forged = scripted.journal.records;
    if let Record::Opening(opening) = &mut forged[0] {
        let terms = opening.terms.threshold.expect("a threshold");
        opening.terms.threshold = Some(ThresholdTerms { narrow_enough: Some(1.2), ..terms });
    }
    let (_folder, path) = kit::written(&super::tampering::rewritten(&forged));
    let problems = format!("{:?}", kit::check(&path).problems);
    assert!(problems.contains("the answers say it was stopped early"), "{problems}");
}

#[test]
fn openings_whose_sizes_do_not_fit_are_refused() {
    let sound = draft(Protocol::Abx, BAYES, 5);
    let secret = kit::secret(1);
    let refused = |draft: &Draft, word: &str| {
        let error = Conductor::open(kit::opening(draft, &secret), secret.clone()).expect_err("refused");
        assert!(error.contains(word), "{error}");
    };
    let mut missing = sound.clone();
    missing.stimuli.retain(|stimulus| stimulus.level != Some(7));
    refused(&missing, "19 sizes");
    let mut without = sound.clone();
    without.terms.threshold = None;
    refused(&without, "no threshold");
    let mut night = sound.clone();
    night.occasion = Occasion::Night;
    refused(&night, "one listener");
    let mut upside_down = sound.clone();
    upside_down.terms.threshold = Some(ThresholdTerms { smallest: 64.0, ..BAYES });
    refused(&upside_down, "smallest");
}

/// Votes come late, change and are void with their trial: none of them moves a step of the ladder.
#[test]
fn a_nights_ladder_goes_from_the_largest_down_whatever_is_voted() {
    let ladder = ThresholdTerms { method: Method::Ladder { steps: 3 }, ..BAYES };
    let mut draft = draft(Protocol::Abx, ladder, 6);
    draft.occasion = Occasion::Night;
    let scripted = super::night::evening(&draft, 11);
    let heard = sizes(&scripted);
    for comparison in 0..2 {
        let mut own: Vec<usize> =
            heard.iter().filter(|size| size.0 == comparison).map(|size| size.1).collect();
        own.dedup();
        let counted: Vec<usize> = own.into_iter().rev().take(6).rev().collect();
        assert_eq!(counted, [18, 9, 0, 18, 9, 0], "{heard:?}");
    }
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    python::agree(&path);
    let checked = kit::check(&path);
    assert!(checked.problems.is_empty(), "{:?}", checked.problems);
    // Answers of one would choose for all.
    let mut one = draft.clone();
    one.terms.threshold = Some(BAYES);
    let secret = kit::secret(11);
    let refused = Conductor::open(kit::opening(&one, &secret), secret).expect_err("refused");
    assert!(refused.contains("ladder"), "{refused}");
}
