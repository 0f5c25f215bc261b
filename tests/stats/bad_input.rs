//! What has no answer says why; what is extreme has a finite one.

use earwitness::stats::power::{Design, Effect};
use earwitness::stats::sequential::SequentialTest;
use earwitness::stats::tally::Tally;
use earwitness::stats::{
    MOST_TRIALS, Protocol, StatsError, beta_binomial, interval, many, one, panel, similarity,
};

#[test]
fn impossible_counts_and_risks_are_refused() {
    for (correct, trials, alpha, words) in [
        (5, 4, 0.05, "5 right of 4 trials"),
        (0, 0, 0.05, "no trials"),
        (1, MOST_TRIALS + 1, 0.05, "too many"),
        (1, 4, 0.0, "alpha is 0"),
        (1, 4, 1.0, "alpha is 1"),
        (1, 4, -0.1, "alpha is -0.1"),
        (1, 4, f64::NAN, "alpha is NaN"),
        (1, 4, f64::INFINITY, "alpha is inf"),
    ] {
        let message = one::analyse(Protocol::Abx, correct, trials, alpha).expect_err("refused").to_string();
        assert!(message.contains(words), "{message}");
    }
    assert!(matches!(interval::wilson(1, 4, 1.0), Err(StatsError::Outside { .. })));
    assert!(similarity::critical(Protocol::Abx, 10, 1.0, 0.05).is_err());
    assert!(many::holm(&[]).is_err() && many::holm(&[1.5]).is_err() && many::fisher(&[f64::NAN]).is_err());
    assert!(many::stouffer(&[0.5], &[]).is_err() && many::stouffer(&[0.5], &[0.0]).is_err());
    assert!(panel::analyse(Protocol::Abx, &[], 0.05).is_err());
    assert!(panel::analyse(Protocol::Abx, &[Tally::new(2, 1)], 0.05).is_err());
    assert!(beta_binomial::fit(&[Tally::new(1, 2)], 0.0).is_err());
    assert!(beta_binomial::fit(&[Tally::new(1, 2); 2], 1.0).is_err());
    for effect in [
        Effect::Proportion(0.5),
        Effect::Proportion(1.1),
        Effect::Discriminators(0.0),
        Effect::DPrime(f64::NAN),
    ] {
        assert!(Design::new(Protocol::Abx, 0.05, effect).is_err(), "{effect:?}");
    }
    for (alpha, beta, proportion) in [(0.0, 0.1, 0.7), (0.6, 0.5, 0.7), (0.05, 0.1, 0.5), (0.05, 0.1, 1.0)] {
        assert!(SequentialTest::new(Protocol::Abx, alpha, beta, proportion, 50).is_err());
    }
}

#[test]
fn every_number_of_every_score_is_finite_and_in_order() {
    for protocol in Protocol::ALL {
        for n in [1, 2, 3, 7, 16, 100, 5000, 1_000_000] {
            let mut scores = vec![0, 1, n / 3, n / 2, n - 1, n];
            if n <= 16 {
                scores = (0..=n).collect();
            }
            for correct in scores {
                let a = one::analyse(protocol, correct, n, 0.05).expect("counts");
                let json = serde_json::to_string(&a).expect("JSON");
                assert!(!json.contains("NaN") && !json.contains("inf"), "{json}");
                for value in [
                    a.p_value,
                    a.mid_p,
                    a.d_prime.value,
                    a.d_prime.lower,
                    a.d_prime.upper,
                    a.bayes_factor_10,
                    a.ln_bayes_factor_10,
                    a.discriminators_at_most,
                    a.d_prime_at_most,
                ] {
                    assert!(value.is_finite(), "{protocol} {correct}/{n}: {a:?}");
                }
                for (low, mid, high) in [
                    (a.interval.lower, a.proportion, a.interval.upper),
                    (a.discriminators.lower, a.discriminators.estimate, a.discriminators.upper),
                    (a.d_prime.lower, a.d_prime.value, a.d_prime.upper),
                    (0.0, a.p_value, 1.0),
                    (0.0, a.mid_p, a.p_value.max(a.mid_p)),
                ] {
                    assert!(low <= mid && mid <= high, "{protocol} {correct}/{n}: {low} {mid} {high}");
                }
                assert_eq!(
                    a.significant,
                    a.critical.is_some_and(|c| if protocol == Protocol::Preference {
                        correct.max(n - correct) >= c
                    } else {
                        correct >= c
                    }),
                    "{protocol} {correct}/{n}"
                );
            }
        }
    }
}
