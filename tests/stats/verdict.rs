//! The sentences, word for word where they matter.

use earwitness::session::Stopping;
use earwitness::stats::Protocol;
use earwitness::stats::protocol::{Asks, Side, Sides};
use earwitness::verdict::{Finding, Tally, Together, VerdictInput, sentence};

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
        "13 of 16 right: a difference between flex and braid was heard. A guesser does this well once in 94 tests \
         (p = 0.011)."
    );
    assert!(heard.limits[0].contains("in about 62 % of trials, and in at least"), "{:?}", heard.limits);

    let not = sentence(&abx(9)).expect("counts");
    assert_eq!(not.finding, Finding::NotShown);
    assert_eq!(
        not.headline,
        "9 of 16 right: no difference between flex and braid was shown. A guesser does this well in 40 of 100 tests \
         (p = 0.40). The score needed was 12."
    );
    // A null result says what it excludes and what the test could have shown.
    assert!(
        not.limits[0].contains("does not prove that flex and braid sound the same")
            && not.limits[0].contains("55 %")
    );
    assert!(not.limits[1].contains("63 of 100 such tests"), "{:?}", not.limits);
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
    assert!(
        sentence(&abx(9))
            .expect("counts")
            .limits
            .iter()
            .any(|l| l.contains("There were no controls that should be heard"))
    );
}

#[test]
fn one_of_several_comparisons() {
    let input = VerdictInput { together: Some(Together { members: 4, adjusted_p: 0.15 }), ..abx(12) };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::NotShown);
    assert!(
        found.headline.contains("By itself that score would do, but not as one of several"),
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
    let rule = Stopping::Sequential { alpha: 0.1, beta: 0.1, proportion: 0.7 };
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

fn bright(correct: u64, trials: u64, sides: Sides) -> VerdictInput {
    VerdictInput {
        side_a: "thin".into(),
        side_b: "thick".into(),
        attribute: Some("brighter".into()),
        more: if sides == Sides::One { Side::A } else { Side::B },
        sides,
        ..VerdictInput::new(Protocol::TwoAfc, correct, trials, 0.05)
    }
}

#[test]
fn a_claim_the_wrong_way_round_is_a_difference_against_it() {
    // None of 8: a guesser is as far from 4 of 8 in 2/256 of tests.
    let found = sentence(&bright(0, 8, Sides::One)).expect("counts");
    assert_eq!(found.finding, Finding::BelowGuessing);
    assert_eq!(
        found.headline,
        "0 of 8 right: the answers point the other way. thick was heard as brighter, against the claim that thin is \
         brighter than thick. A guesser strays this far from chance, in either direction, once in 128 tests \
         (two-sided p = 0.0078)."
    );
    let whole = format!("{} {:?}", found.headline, found.limits);
    assert!(!whole.contains("rules out") && !whole.contains("no difference"), "{whole}");
    // The claim itself, and a two-sided question: the finding names the cable.
    let right = sentence(&bright(8, 8, Sides::One)).expect("counts");
    assert!(right.headline.starts_with("8 of 8 right: thin was heard as brighter."), "{}", right.headline);
    let two = sentence(&bright(8, 8, Sides::Two)).expect("counts");
    assert!(two.headline.starts_with("8 of 8 for thick: thick was heard as brighter."), "{}", two.headline);
    let two = sentence(&bright(0, 8, Sides::Two)).expect("counts");
    assert!(two.headline.starts_with("8 of 8 for thin: thin was heard as brighter."), "{}", two.headline);
    assert!(two.limits[0].contains("a lead of 100 % of all answers"), "{:?}", two.limits);
}

#[test]
fn a_score_far_below_guessing_shows_neither_a_difference_nor_none() {
    for protocol in Protocol::ALL.into_iter().filter(|protocol| protocol.asks() == Asks::Difference) {
        let found = sentence(&VerdictInput::new(protocol, 0, 16, 0.05)).expect("counts");
        assert_eq!(found.finding, Finding::BelowGuessing, "{protocol}");
        assert!(found.headline.contains("answered the other way round"), "{}", found.headline);
        assert!(!format!("{:?}", found.limits).contains("rules out"), "{:?}", found.limits);
    }
    // 4 of 16 is no such score: P(X <= 4) is 2517/65536, more than 2.5 %.
    assert_eq!(sentence(&abx(4)).expect("counts").finding, Finding::NotShown);
    assert_eq!(sentence(&abx(3)).expect("counts").finding, Finding::BelowGuessing);
}

#[test]
fn a_preference_has_shares_and_a_lead_and_nobody_misses_its_controls() {
    let mut input = VerdictInput {
        side_a: "flex".into(),
        side_b: "braid".into(),
        ..VerdictInput::new(Protocol::Preference, 3, 16, 0.05)
    };
    input.controls.positive = Tally { correct: 0, trials: 6 };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::Difference);
    // Clopper-Pearson of 13 of 16 is 0.5435 to 0.9595 (scipy 1.17: binomtest(13, 16).proportion_ci()), the lead twice that less 1.
    assert_eq!(
        found.limits[0],
        "How strong the preference is: 81 % of answers for flex, 19 % for braid: a lead of 62 % of all answers, \
         somewhere between 9 % and 92 % (95 % interval, two-sided)."
    );
    let all = format!("{} {:?}", found.headline, found.limits);
    for wrong in ["right of", "missed", "d-prime", "guess"] {
        assert!(!all.contains(wrong), "{wrong} in {all}");
    }
    assert!(
        all.contains("the altered side was chosen 0 of 6 times") && all.contains("the change was noticed")
    );
    input.correct = 8;
    let none = sentence(&input).expect("counts");
    assert_eq!(none.finding, Finding::NotShown);
    assert!(none.limits[0].contains("below 0 means that the other side leads"), "{:?}", none.limits);
}

#[test]
fn a_sequential_rule_says_how_it_misses_and_excludes_with_the_rule_in_mind() {
    let rule = Stopping::Sequential { alpha: 0.05, beta: 0.1, proportion: 0.75 };
    let input = VerdictInput { rule, trials: 9, planned_trials: 24, ..abx(2) };
    let found = sentence(&input).expect("counts");
    assert_eq!(found.finding, Finding::Excluded);
    assert!(found.limits[0].contains("the rule for stopping included"), "{:?}", found.limits);
    let misses = found.limits.iter().find(|limit| limit.contains("It misses someone")).expect("said");
    assert!(misses.contains("\"no difference\" in") && misses.contains("undecided in"), "{misses}");
}
