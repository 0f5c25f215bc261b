//! Wald's test against published examples, enumeration and simulation.

use earwitness::stats::Protocol;
use earwitness::stats::sequential::{Decision, SequentialTest};
use earwitness::stats::simulate::{Generator, means};

use super::close;

fn course(test: &SequentialTest, running: &[u64]) -> Vec<Decision> {
    running.iter().zip(1..).map(|(correct, trials)| test.decision(*correct, trials)).collect()
}

#[test]
fn duo_trio_example_of_the_standard() {
    // Source: ISO 16820:2004 example 2 (decisions printed, parameters fitted).
    let test = SequentialTest::new(Protocol::DuoTrio, 0.1, 0.1, 0.7, 200).expect("a test");
    close(test.slope(), 0.6029, 1e-4);
    close(test.intercepts().0, -2.5932, 1e-4);
    close(test.intercepts().1, 2.5932, 1e-4);
    let similar = course(&test, &[0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4]);
    assert!(similar[..10].iter().all(|decision| *decision == Decision::Continue));
    assert_eq!(similar[10], Decision::NoDifference);
    let different = course(&test, &[1, 2, 3, 4, 4, 5, 6, 7, 7, 8, 9, 10]);
    assert!(different[..11].iter().all(|decision| *decision == Decision::Continue));
    assert_eq!(different[11], Decision::Difference);
    assert_eq!(test.decision(19, 30), Decision::Continue);
}

#[test]
fn inspection_example() {
    // Source: NIST/SEMATECH e-Handbook 7.2.6 (second hand): "right" are defectives, accepting is no difference.
    let test = SequentialTest::between(0.01, 0.10, 0.05, 0.10, 1000, false).expect("a test");
    close(test.slope(), 0.0397, 2e-3);
    close(test.intercepts().0, -0.939, 1e-3);
    close(test.intercepts().1, 1.205, 1e-3);
    let first = |defectives: u64| {
        (1..1000).find(|n| test.boundaries(*n).0.is_some_and(|accept| accept >= defectives)).expect("some n")
    };
    assert_eq!([first(0), first(1), first(2), first(3)], [24, 49, 74, 100]);
}

#[test]
fn wald_example() {
    // Source: Wald 1947 (memory).
    let test = SequentialTest::between(0.1, 0.3, 0.02, 0.03, 1000, false).expect("a test");
    close(test.slope(), 0.186, 3e-3);
    close(test.intercepts().0, -2.58, 4e-3);
    close(test.intercepts().1, 2.88, 4e-3);
}

/// Probabilities by walking every single path.
fn enumerate(test: &SequentialTest, p: f64, correct: u64, trials: u64, weight: f64, sums: &mut [f64; 4]) {
    let slot = match test.decision(correct, trials) {
        Decision::Continue => {
            enumerate(test, p, correct + 1, trials + 1, weight * p, sums);
            enumerate(test, p, correct, trials + 1, weight * (1.0 - p), sums);
            return;
        }
        Decision::Difference => 0,
        Decision::NoDifference => 1,
        Decision::Undecided => 2,
    };
    sums[slot] += weight;
    sums[3] += weight * trials as f64;
}

#[test]
fn exact_risks_agree_with_every_path() {
    for protocol in [Protocol::Abx, Protocol::Triangle, Protocol::Preference] {
        let test = SequentialTest::new(protocol, 0.1, 0.15, 0.8, 16).expect("a test");
        for p in [protocol.chance(), 0.6, 0.8, 1.0, 0.0] {
            let mut sums = [0.0; 4];
            enumerate(&test, p, 0, 0, 1.0, &mut sums);
            let exact = test.exact(p).expect("a proportion");
            for (found, expected) in
                [exact.difference, exact.no_difference, exact.undecided, exact.expected_trials]
                    .into_iter()
                    .zip(sums)
            {
                assert!(
                    (found - expected).abs() <= 1e-11 * expected.max(1e-3),
                    "{protocol} {p}: {found} {expected}"
                );
            }
        }
    }
}

#[test]
fn exact_risks_agree_with_simulation_and_with_wald() {
    let test = SequentialTest::new(Protocol::Abx, 0.05, 0.1, 0.75, 2000).expect("a test");
    for p in [0.5, 0.75] {
        let exact = test.exact(p).expect("a proportion");
        let [difference, length] = means(100_000, 3, |generator: &mut Generator| {
            let (mut correct, mut trials) = (0, 0);
            loop {
                trials += 1;
                correct += u64::from(generator.uniform() < p);
                match test.decision(correct, trials) {
                    Decision::Continue => {}
                    decision => {
                        return [f64::from(u8::from(decision == Decision::Difference)), trials as f64];
                    }
                }
            }
        });
        assert!((difference.value - exact.difference).abs() < 4.5 * difference.standard_error);
        assert!((length.value - exact.expected_trials).abs() < 4.5 * length.standard_error);
        close(exact.difference + exact.no_difference + exact.undecided, 1.0, 1e-12);
    }
    // Without a limit in the way the achieved risks stay within Wald's bounds, and the length is near his approximation.
    let (guessing, hearing) = (test.exact(0.5).expect("p"), test.exact(0.75).expect("p"));
    assert!(guessing.difference <= 0.05 / 0.9 && hearing.no_difference <= 0.1 / 0.95);
    let (at_chance, at_effect) = test.approximate_expected_trials();
    // The approximation leaves out that the last answer carries the path beyond the line, so the exact length is greater.
    assert!((1.0..1.25).contains(&(guessing.expected_trials / at_chance)));
    assert!((1.0..1.25).contains(&(hearing.expected_trials / at_effect)));
}

#[test]
fn boundaries_are_where_decisions_change() {
    for protocol in [Protocol::Triangle, Protocol::Abx, Protocol::Preference] {
        let test = SequentialTest::new(protocol, 0.05, 0.1, 0.75, 300).expect("a test");
        for trials in 1..=300 {
            let (accept, reject) = test.boundaries(trials);
            let decisions: Vec<Decision> = (0..=trials).map(|c| test.decision(c, trials)).collect();
            let half = if protocol == Protocol::Preference { trials.div_ceil(2) as usize } else { 0 };
            let first = decisions
                .iter()
                .skip(half)
                .position(|d| *d == Decision::Difference)
                .map(|i| (i + half) as u64);
            let last = decisions.iter().rposition(|d| *d == Decision::NoDifference).map(|i| i as u64);
            assert_eq!(reject, first, "{protocol} {trials}");
            assert_eq!(accept, last, "{protocol} {trials}");
        }
    }
}
