//! The sentences, word for word where they matter.

use earwitness::stats::Protocol;
use earwitness::verdict::{Finding, Rule, Tally, Together, VerdictInput, count, percent, risk, sentence};

fn abx(correct: u64) -> VerdictInput {
    VerdictInput {
        side_a: "flex".to_string(),
        side_b: "braid".to_string(),
        ..VerdictInput::new(Protocol::Abx, correct, 16, 0.05)
    }
}

#[test]
fn a_difference_and_none() {
    let heard = sentence(&abx(13)).expect("counts");
    assert_eq!(heard.finding, Finding::Difference);
    assert_eq!(
        heard.headline,
        "13 of 16 right: a difference between flex and braid was heard; pure guessing does at least as well about once in \
         94 tests."
    );
    assert!(
        heard.limits[0].contains("in about 62.5 % of trials, and with 95 % confidence in at least"),
        "{:?}",
        heard.limits
    );

    let not = sentence(&abx(9)).expect("counts");
    assert_eq!(not.finding, Finding::NotShown);
    assert_eq!(
        not.headline,
        "9 of 16 right: no difference between flex and braid was heard beyond chance; pure guessing does at least as well \
         in 40.2 % of tests; 12 were needed."
    );
    // A null result says what it excludes and what the test could have shown.
    assert!(not.limits[0].contains("does not prove that there is none") && not.limits[0].contains("54.7 %"));
    assert!(not.limits[1].contains("probability of 63 %"), "{:?}", not.limits);
}

#[test]
fn what_is_no_listening_test_never_sounds_like_one() {
    for (simulated, silent) in [(true, false), (false, true), (true, true)] {
        let found = sentence(&VerdictInput { simulated, silent, ..abx(16) }).expect("counts");
        assert_eq!(found.finding, Finding::NoListeningTest);
        assert!(found.headline.starts_with("This is no listening test"), "{}", found.headline);
        assert!(
            !found.headline.contains("was heard")
                && found.limits[0].starts_with("Nothing about anybody's hearing")
        );
    }
}

#[test]
fn stopped_early_has_no_significant_verdict() {
    for input in
        [VerdictInput { stopped_early: true, ..abx(16) }, VerdictInput { planned_trials: 20, ..abx(16) }]
    {
        let found = sentence(&input).expect("counts");
        assert_eq!(found.finding, Finding::StoppedEarly);
        assert!(found.headline.contains("shows nothing about flex and braid"), "{}", found.headline);
    }
}

#[test]
fn controls_count() {
    let mut input = abx(9);
    input.controls.positive = Tally { correct: 1, trials: 4 };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::ControlsMissed);
    assert!(found.headline.contains("1 of 4 controls right"), "{}", found.headline);
    // A difference that was heard stays heard.
    input.correct = 14;
    assert_eq!(sentence(&input).expect("counts").finding, Finding::Difference);
    // Right where nothing can be heard: the rig gives it away.
    input.controls.identical = Tally { correct: 8, trials: 8 };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::RigSuspect);
    assert!(
        found.headline.contains("8 of 8 were right where both sides were identical"),
        "{}",
        found.headline
    );
    // Without controls the reader is told.
    assert!(sentence(&abx(9)).expect("counts").limits.iter().any(|l| l.contains("no audible controls")));
}

#[test]
fn one_of_several_comparisons() {
    let input = VerdictInput { together: Some(Together { members: 4, adjusted_p: 0.15 }), ..abx(12) };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::NotShown);
    assert!(
        found.headline.contains("by itself that would do, but not as one of several"),
        "{}",
        found.headline
    );
    assert!(
        found.limits.iter().any(|l| l.contains("3 others (4 in all, Holm's method)")),
        "{:?}",
        found.limits
    );
}

#[test]
fn sequential_rules_decide_by_their_lines() {
    let rule = Rule::Sequential { alpha: 0.1, beta: 0.1, proportion: 0.7 };
    let with = |correct, trials, planned| {
        sentence(&VerdictInput { rule, trials, planned_trials: planned, ..abx(correct) }).expect("counts")
    };
    assert_eq!(with(10, 12, 100).finding, Finding::Difference);
    assert_eq!(with(4, 11, 100).finding, Finding::Excluded);
    assert_eq!(with(19, 30, 100).finding, Finding::StoppedEarly);
    assert_eq!(with(19, 30, 30).finding, Finding::Undecided);
    assert!(with(4, 11, 100).headline.contains("right in 70 % of trials"));
}

#[test]
fn preference_names_the_side_and_small_tests_admit_it() {
    let input = VerdictInput {
        side_a: "flex".into(),
        side_b: "braid".into(),
        ..VerdictInput::new(Protocol::Preference, 3, 16, 0.05)
    };
    let found = sentence(&input).expect("counts");
    assert!(found.headline.starts_with("13 of 16 for flex: flex was preferred"), "{}", found.headline);
    let tiny = sentence(&VerdictInput::new(Protocol::Triangle, 2, 2, 0.05)).expect("counts");
    assert!(tiny.headline.contains("not even a perfect score"), "{}", tiny.headline);
    assert!(sentence(&VerdictInput::new(Protocol::Abx, 0, 0, 0.05)).expect("counts").analysis.is_none());
    assert!(sentence(&VerdictInput::new(Protocol::Abx, 3, 2, 0.05)).is_err());
}

#[test]
fn numbers_in_words() {
    assert_eq!([percent(0.5), percent(0.038), percent(0.0), percent(1.0)], ["50 %", "3.8 %", "0 %", "100 %"]);
    assert_eq!(
        [percent(0.00002), percent(0.0012), percent(0.99999)],
        ["less than 0.01 %", "0.12 %", "over 99.9 %"]
    );
    assert_eq!([risk(1.0 / 59049.0), risk(0.4)], ["about once in 59,049 tests", "in 40 % of tests"]);
    assert_eq!([count(1, "trial"), count(16, "trial")], ["1 trial", "16 trials"]);
}
