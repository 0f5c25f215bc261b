//! Simulated coverage and false-positive rates, seeded, each with its own limits of error; and exact ones where all scores
//! can be listed.

use earwitness::stats::psychometric::Model;
use earwitness::stats::simulate::{Generator, means};
use earwitness::stats::tally::Tally;
use earwitness::stats::{Protocol, binomial, interval, one, panel};

/// Exact coverage of a method at `p`: sum over all scores.
fn coverage(method: impl Fn(u64) -> (f64, f64), n: u64, p: f64) -> f64 {
    (0..=n)
        .filter(|k| {
            let (lower, upper) = method(*k);
            lower <= p && p <= upper
        })
        .map(|k| binomial::mass(k, n, p))
        .sum()
}

#[test]
fn exact_intervals_never_cover_less_than_they_say() {
    for n in [5, 16, 40] {
        for step in 1..100 {
            let p = f64::from(step) / 100.0;
            let of = |method: fn(u64, u64, f64) -> Result<interval::Interval, _>| {
                coverage(|k| method(k, n, 0.95).map(|i| (i.lower, i.upper)).expect("counts"), n, p)
            };
            assert!(of(interval::clopper_pearson) >= 0.95 - 1e-12, "n={n} p={p}");
            // One-sided limits too.
            let upper = coverage(|k| (0.0, interval::upper_limit(k, n, 0.95).expect("counts")), n, p);
            let lower = coverage(|k| (interval::lower_limit(k, n, 0.95).expect("counts"), 1.0), n, p);
            assert!(upper >= 0.95 - 1e-12 && lower >= 0.95 - 1e-12, "n={n} p={p}");
        }
        // The others are right on average (Brown, Cai & DasGupta 2001), not everywhere.
        for method in [interval::wilson, interval::jeffreys] {
            let mean: f64 = (1..200)
                .map(|step| {
                    let p = f64::from(step) / 200.0;
                    coverage(|k| method(k, n, 0.95).map(|i| (i.lower, i.upper)).expect("counts"), n, p)
                })
                .sum::<f64>()
                / 199.0;
            assert!((0.935..0.985).contains(&mean), "n={n}: {mean}");
        }
    }
}

#[test]
fn guessers_pass_no_more_often_than_agreed() {
    for protocol in Protocol::ALL {
        for n in 1..=60 {
            for alpha in [0.2, 0.05, 0.001] {
                let passes = |k: u64| binomial::at_most(one::p_value(protocol, k, n), alpha);
                let passed: f64 =
                    (0..=n).filter(|k| passes(*k)).map(|k| binomial::mass(k, n, protocol.chance())).sum();
                assert!(passed <= alpha * (1.0 + 1e-10), "{protocol} n={n} alpha={alpha}: {passed}");
                // A whole analysis takes much longer: it says the same on both sides of each place where that changes.
                for k in (0..=n).filter(|&k| k == 0 || k == n || passes(k - 1) != passes(k)) {
                    for k in [k.saturating_sub(1), k] {
                        let analysis = one::analyse(protocol, k, n, alpha).expect("counts");
                        assert_eq!(analysis.significant, passes(k), "{protocol} n={n} alpha={alpha} k={k}");
                    }
                }
            }
        }
    }
}

#[test]
fn d_prime_limits_cover() {
    for (protocol, model) in [
        (Protocol::Abx, Model::Differencing),
        (Protocol::Abx, Model::IndependentObservation),
        (Protocol::Triangle, Model::Triangle),
        (Protocol::Tetrad, Model::Tetrad),
    ] {
        let n = 20;
        let ends: Vec<(f64, f64)> = (0..=n)
            .map(|k| {
                let exact = interval::clopper_pearson(k, n, 0.95).expect("counts");
                let d = one::d_prime(protocol, model, k, n, exact).expect("counts");
                (d.lower, d.upper)
            })
            .collect();
        for tenths in 1..30 {
            let d = f64::from(tenths) / 10.0;
            let p = model.proportion(d);
            let covered: f64 = (0..=n)
                .filter(|k| (ends[*k as usize].0..=ends[*k as usize].1).contains(&d))
                .map(|k| binomial::mass(k, n, p))
                .sum();
            assert!(covered >= 0.95 - 1e-9, "{protocol} {d}: {covered}");
        }
    }
}

#[test]
fn panels_of_guessers_pass_no_more_often_than_agreed() {
    // Six listeners of sixteen trials, 2000 panels, seeded; each rate may exceed its level by four standard errors.
    let panels = 2000;
    let [pooled, any, best, fisher, spread] = means(panels, 42, |generator: &mut Generator| {
        let scores: Vec<Tally> =
            (0..6).map(|_| Tally::new((generator.bits() & 0xffff).count_ones().into(), 16)).collect();
        let found = panel::analyse(Protocol::Abx, &scores, 0.05).expect("scores");
        let flag = |hit: bool| f64::from(u8::from(hit));
        [
            flag(found.pooled.significant),
            flag(found.passers_holm > 0),
            flag(found.best.p_value <= 0.05),
            flag(found.fisher.is_some_and(|fisher| fisher.p_value <= 0.05)),
            flag(found.beta_binomial.is_some_and(|fit| fit.p_value <= 0.05)),
        ]
    });
    for (name, rate) in
        [("pooled", pooled), ("holm", any), ("best", best), ("fisher", fisher), ("spread", spread)]
    {
        assert!(
            rate.value <= 0.05 + 4.0 * (0.05_f64 * 0.95 / panels as f64).sqrt(),
            "{name}: {}",
            rate.value
        );
        assert!(rate.value > 0.001, "{name}: {}", rate.value);
    }
}
