//! Plans against the standards' tables and against trying every number of trials.

use earwitness::stats::panel_power::{self, PanelDesign};
use earwitness::stats::power::{Design, Effect};
use earwitness::stats::{Protocol, one};

use super::close;

/// Number of assessors. Source: ISO 4120 / ASTM E1885 (printed). Rows: proportion of discriminators; groups: alpha .20, .10,
/// .05, .01, .001; in each group beta .20 .10 .05 .01 .001.
const ASSESSORS: &str = "50 | 7 12 16 25 36 | 12 15 20 30 43 | 16 20 23 35 48 | 25 30 35 47 62 | 36 43 48 62 81
40 | 12 17 25 36 55 | 17 25 30 46 67 | 23 30 40 57 79 | 35 47 56 76 102 | 55 68 76 102 130
30 | 20 28 39 64 97 | 30 43 54 81 119 | 40 53 66 98 136 | 62 82 97 131 181 | 93 120 138 181 233
20 | 39 64 86 140 212 | 62 89 119 178 260 | 87 117 147 213 305 | 136 176 211 292 397 | 207 257 302 396 513
10 | 149 238 325 529 819 | 240 348 457 683 1011 | 325 447 572 828 1181 | 525 680 824 1132 1539 | 803 996 1165 1530 1992";

#[test]
fn number_of_assessors_of_the_triangle_test() {
    let mut cells = 0;
    for row in ASSESSORS.lines() {
        let mut parts = row.split('|');
        let share: f64 = parts.next().expect("share").trim().parse().expect("a number");
        for (alpha, group) in [0.20, 0.10, 0.05, 0.01, 0.001].into_iter().zip(parts) {
            let design = Design::new(Protocol::Triangle, alpha, Effect::Discriminators(share / 100.0))
                .expect("design");
            for (beta, printed) in [0.20, 0.10, 0.05, 0.01, 0.001].into_iter().zip(group.split_whitespace()) {
                let printed: u64 = printed.parse().expect("a number");
                // The one cell where the standard prints another number than the exact first one.
                let expected = if printed == 1181 { 1178 } else { printed };
                let plan = design.plan(1.0 - beta).expect("a plan");
                assert_eq!(plan.first.trials, expected, "pd {share} alpha {alpha} beta {beta}");
                assert!(plan.stable.trials >= plan.first.trials);
                cells += 1;
            }
        }
    }
    assert_eq!(cells, 125);
}

#[test]
fn first_and_stable_numbers_agree_with_trying_all() {
    for protocol in [Protocol::Abx, Protocol::Triangle, Protocol::Preference] {
        for alpha in [0.2, 0.05, 0.01, 0.001] {
            for share in [0.2, 0.35, 0.6, 0.95, 1.0] {
                let design = Design::new(protocol, alpha, Effect::Discriminators(share)).expect("design");
                for power in [0.1, 0.5, 0.8, 0.95, 0.999] {
                    let plan = design.plan(power).expect("a plan");
                    let far = 3 * plan.stable.trials + 60;
                    let reached = |n: u64| design.risks(n).expect("counts").power >= power;
                    let first = (1..=far).find(|n| reached(*n)).expect("reached");
                    let stable = (1..=far).rev().find(|n| !reached(*n)).map_or(1, |n| n + 1);
                    assert_eq!(plan.first.trials, first, "{protocol} {alpha} {share} {power}");
                    assert_eq!(plan.stable.trials, stable, "{protocol} {alpha} {share} {power}");
                }
            }
        }
    }
}

#[test]
fn a_known_plan() {
    // Recomputed: 2-AFC, d-prime 1, risk .05, power .90.
    let design = Design::new(Protocol::TwoAfc, 0.05, Effect::DPrime(1.0)).expect("design");
    let plan = design.plan(0.9).expect("a plan");
    assert_eq!(plan.first.trials, 30);
    close(plan.first.power, 0.917255, 1e-6);
    assert!(plan.first.alpha <= 0.05);
    assert_eq!(plan.first.critical, one::critical(Protocol::TwoAfc, 30, 0.05));
}

#[test]
fn a_huge_plan_ends_and_an_impossible_one_says_so() {
    let plan = Design::new(Protocol::Abx, 0.05, Effect::Proportion(0.504))
        .expect("design")
        .plan(0.8)
        .expect("a plan");
    assert!((90_000..100_000).contains(&plan.first.trials));
    let error = Design::new(Protocol::Abx, 0.05, Effect::Proportion(0.50001)).expect("design").plan(0.8);
    assert!(error.expect_err("too many").to_string().contains("10000000"));
}

#[test]
fn simulated_panels_agree_with_the_exact_convolution() {
    let design = Design::new(Protocol::Triangle, 0.05, Effect::Discriminators(0.25)).expect("design");
    for gamma in [0.0, 0.2, 0.6] {
        let panel = PanelDesign { design, listeners: 12, trials: 8, gamma };
        let found = panel_power::simulate(&panel, 200_000, 7).expect("a panel");
        let exact = found.pooled_exact.expect("small");
        assert!(
            (found.pooled.value - exact).abs() < 4.5 * found.pooled.standard_error,
            "gamma {gamma}: {} against {exact}",
            found.pooled.value
        );
        if gamma == 0.0 {
            close(exact, found.alike.power, 1e-11);
        }
        // Same seed, same result; another one, another.
        assert_eq!(found, panel_power::simulate(&panel, 200_000, 7).expect("a panel"));
        assert_ne!(found.pooled, panel_power::simulate(&panel, 200_000, 8).expect("a panel").pooled);
    }
}

#[test]
fn probabilities_of_a_panel_listener_sum_to_one_and_keep_their_mean() {
    for (chance, mu, gamma) in [(0.5, 0.3, 0.2), (1.0 / 3.0, 0.05, 0.7), (0.5, 0.0, 0.0), (0.5, 1.0, 0.3)] {
        let probabilities = panel_power::score_probabilities(chance, mu, gamma, 20);
        close(probabilities.iter().sum(), 1.0, 1e-12);
        let mean: f64 = probabilities.iter().enumerate().map(|(k, p)| k as f64 * p).sum();
        close(mean, 20.0 * (chance + (1.0 - chance) * mu), 1e-11);
    }
}

#[test]
fn power_rises_with_the_effect() {
    let mut before = 0.0;
    for hundredths in 1..=100 {
        let effect = Effect::Discriminators(f64::from(hundredths) / 100.0);
        let power =
            Design::new(Protocol::Tetrad, 0.05, effect).expect("design").risks(24).expect("counts").power;
        assert!(power > before || power == 1.0);
        before = power;
    }
}

#[test]
fn what_a_number_of_trials_finds() {
    for protocol in Protocol::ALL {
        for (trials, power) in [(16, 0.8), (16, 0.95), (50, 0.5), (400, 0.9), (100_000, 0.8)] {
            let design = Design::within_reach(protocol, 0.05, trials, power).expect("a design");
            close(design.risks(trials).expect("risks").power, power, 1e-9);
            // A plan for that difference needs no more trials than these.
            let plan = design.plan(power * (1.0 - 1e-9)).expect("a plan");
            assert!(plan.first.trials <= trials, "{protocol} {trials} {power}");
        }
    }
    // 12 of 16 are needed: P(X >= 12 | 16, q) = 0.8 by the sum itself.
    let found = Design::within_reach(Protocol::Abx, 0.05, 16, 0.8).expect("a design").proportion;
    let sum: f64 = [(12, 1820.0), (13, 560.0), (14, 120.0), (15, 16.0), (16, 1.0)]
        .into_iter()
        .map(|(k, ways)| ways * found.powi(k) * (1.0 - found).powi(16 - k))
        .sum();
    close(sum, 0.8, 1e-12);
    for (trials, power, words) in [(4, 0.8, "plan more trials"), (0, 0.8, ""), (16, 0.01, "says nothing")] {
        let error = Design::within_reach(Protocol::Abx, 0.05, trials, power).expect_err("nothing to find");
        assert!(error.to_string().contains(words), "{error}");
    }
}
