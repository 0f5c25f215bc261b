//! "No difference" as a claim, against the standards' tables.

use earwitness::stats::{Protocol, interval, one, similarity};

use super::close;

/// Largest score that supports similarity. Source: ISO 5495 Table A.3, ISO 4120 (recomputed; the printed rows 126 and 132 agree
/// but for beta .001, which prints one lower). Cells: n | chance 1/3 | chance 1/2; in each beta .001 / .01 / .05 / .10 / .20; in
/// each pd 10 20 30 40 50 %.
const LARGEST: &str = "30 | 3 5 7 9 11 / 5 7 9 11 13 / 7 9 11 13 15 / 8 10 11 14 16 / 9 11 13 15 17 | 7 9 10 12 14 / 9 11 12 14 16 / 11 13 14 16 17 / 12 14 15 17 18 / 13 15 16 18 20
36 | 5 7 9 11 14 / 7 9 11 14 16 / 9 11 13 16 18 / 10 12 14 17 19 / 11 13 16 18 21 | 10 11 13 15 17 / 12 14 16 18 20 / 14 16 18 20 22 / 15 17 19 21 23 / 16 18 20 22 24
42 | 6 9 11 14 17 / 9 11 14 17 20 / 11 13 16 19 22 / 12 14 17 20 23 / 13 16 19 22 24 | 12 14 16 19 21 / 15 17 19 21 24 / 17 19 21 23 26 / 18 20 22 25 27 / 19 22 24 26 28
48 | 8 11 14 17 21 / 11 13 17 20 23 / 13 16 19 22 26 / 14 17 20 23 27 / 15 18 22 25 28 | 15 17 20 22 25 / 17 20 22 25 28 / 20 22 25 27 30 / 21 23 26 28 31 / 23 25 27 30 33
54 | 10 13 17 20 24 / 12 16 19 23 27 / 15 18 22 25 29 / 16 20 23 27 31 / 18 21 25 28 32 | 17 20 23 26 29 / 20 23 26 29 32 / 23 25 28 31 34 / 24 27 30 32 35 / 26 28 31 34 37
60 | 12 15 19 23 27 / 14 18 22 26 30 / 17 21 25 29 33 / 18 22 26 30 34 / 20 24 28 32 36 | 20 23 26 30 33 / 23 26 29 33 36 / 26 29 32 35 38 / 27 30 33 36 40 / 29 32 35 38 41
66 | 14 18 22 26 31 / 16 20 25 29 34 / 19 23 28 32 37 / 20 25 29 33 38 / 22 26 31 35 40 | 23 26 30 33 37 / 26 29 33 36 40 / 29 32 35 39 43 / 30 33 37 40 44 / 32 35 39 42 46
72 | 15 20 24 29 34 / 18 23 28 32 38 / 21 26 30 35 40 / 22 27 32 37 42 / 24 29 34 39 44 | 26 29 33 37 41 / 29 32 36 40 44 / 32 35 39 43 47 / 33 37 41 44 48 / 35 39 42 46 50
84 | 19 24 30 35 41 / 22 28 33 39 45 / 25 31 36 42 48 / 27 32 38 44 49 / 29 34 40 46 51 | 31 35 40 44 49 / 35 39 43 48 52 / 38 42 46 51 55 / 39 44 48 52 57 / 41 46 50 54 59
96 | 23 29 35 42 48 / 26 33 39 45 52 / 30 36 42 49 55 / 31 38 44 50 57 / 33 40 46 53 59 | 37 42 47 52 57 / 40 45 50 56 61 / 44 49 54 59 64 / 46 50 55 60 66 / 48 53 57 62 67
126 | 33 41 49 57 66 / 37 45 53 62 70 / 40 49 57 66 74 / 42 51 59 68 76 / 45 53 61 70 79 | 51 57 64 71 78 / 55 62 68 75 82 / 59 66 72 79 85 / 61 68 74 81 87 / 64 70 76 83 89
132 | 35 43 52 61 70 / 39 47 56 65 74 / 43 51 60 69 78 / 45 53 62 71 80 / 47 56 65 73 82 | 54 61 68 75 82 / 58 65 72 79 86 / 62 69 76 83 90 / 64 71 78 85 92 / 67 73 80 87 94";

#[test]
fn largest_score_agrees_with_the_standards() {
    let mut cells = 0;
    for row in LARGEST.lines() {
        let parts: Vec<&str> = row.split('|').collect();
        let trials: u64 = parts[0].trim().parse().expect("n");
        for (protocol, part) in [(Protocol::Triangle, parts[1]), (Protocol::DuoTrio, parts[2])] {
            for (beta, group) in [0.001, 0.01, 0.05, 0.10, 0.20].into_iter().zip(part.split('/')) {
                for (share, expected) in [0.1, 0.2, 0.3, 0.4, 0.5].into_iter().zip(group.split_whitespace()) {
                    assert_eq!(
                        similarity::critical(protocol, trials, share, beta).expect("counts"),
                        expected.parse().ok(),
                        "{protocol} n={trials} pd={share} beta={beta}"
                    );
                    cells += 1;
                }
            }
        }
    }
    assert_eq!(cells, 12 * 50);
}

#[test]
fn known_p_values_and_power() {
    // Recomputed.
    close(similarity::test(Protocol::Triangle, 26, 75, 0.2, 0.05).expect("counts").p_value, 0.0237701, 2e-6);
    close(
        similarity::test(Protocol::Triangle, 20, 75, 0.2, 0.05).expect("counts").p_value,
        0.000306144,
        2e-6,
    );
    close(similarity::power(Protocol::Triangle, 100, 0.2, 0.05, 0.1).expect("counts"), 0.306810, 1e-6);
}

#[test]
fn verdict_and_upper_limit_say_the_same() {
    for correct in 0..=40 {
        for limit in [0.1, 0.3, 0.5] {
            let found = similarity::test(Protocol::Triangle, correct, 40, limit, 0.05).expect("counts");
            // The claim is supported exactly when the one-sided upper limit does not exceed it.
            let upper = interval::upper_limit(correct, 40, 0.95).expect("counts");
            let share = (upper - 1.0 / 3.0) / (2.0 / 3.0);
            // At 7 of 40 and below a guesser is right in 2.5 % of tests at most: no sign that nothing was heard.
            assert_eq!(found.below_guessing, correct <= 7, "{correct} of 40");
            assert_eq!(found.similar, share <= limit && correct > 7, "{correct} of 40 at {limit}");
            assert_eq!(
                found.similar,
                found.critical.is_some_and(|critical| (8..=critical).contains(&correct))
            );
            assert_eq!(found.below_chance, correct <= 13);
        }
    }
    // What the analysis of one score says is the same limit.
    let analysis = one::analyse(Protocol::Triangle, 15, 40, 0.05).expect("counts");
    let found = similarity::test(Protocol::Triangle, 15, 40, 0.3, 0.05).expect("counts");
    close(analysis.discriminators_at_most, found.discriminators_at_most, 1e-12);
    close(analysis.d_prime_at_most, found.d_prime_at_most.expect("finite"), 1e-12);
}

#[test]
fn plans_agree_with_trying_all() {
    for (protocol, limit, beta, power, share) in [
        (Protocol::Triangle, 0.3, 0.05, 0.9, 0.0),
        (Protocol::Triangle, 0.2, 0.05, 0.8, 0.05),
        (Protocol::Abx, 0.4, 0.1, 0.95, 0.0),
        (Protocol::TwoAfc, 0.9, 0.05, 0.8, 0.0),
    ] {
        let plan = similarity::plan(protocol, limit, beta, power, share).expect("a plan");
        let reached = |n: u64| similarity::power(protocol, n, limit, beta, share).expect("counts") >= power;
        let far = plan.stable_trials * 2 + 50;
        assert_eq!(plan.trials, (1..far).find(|n| reached(*n)).expect("reached"));
        assert_eq!(plan.stable_trials, (1..far).rev().find(|n| !reached(*n)).map_or(1, |n| n + 1));
        assert!(plan.beta <= beta && plan.power >= power);
    }
}
