//! A second implementation by exact rational arithmetic, for every number of trials up to 30.

use earwitness::stats::{Protocol, binomial, one, similarity};

use super::close;

/// Number of ways out of `whole`: exact, 3^30 fits easily.
fn ways(k: u64, n: u64, chance: (u128, u128)) -> u128 {
    let (right, whole) = chance;
    let mut choose = 1_u128;
    for i in 0..k {
        choose = choose * u128::from(n - i) / u128::from(i + 1);
    }
    choose * right.pow(k as u32) * (whole - right).pow((n - k) as u32)
}

fn tail(k: u64, n: u64, chance: (u128, u128)) -> u128 {
    (k..=n).map(|j| ways(j, n, chance)).sum()
}

#[test]
fn every_p_value_mid_p_and_mass_up_to_thirty_trials() {
    for (protocol, chance) in
        [(Protocol::Abx, (1_u128, 2_u128)), (Protocol::Triangle, (1, 3)), (Protocol::Tetrad, (1, 3))]
    {
        for n in 1..=30 {
            let all = chance.1.pow(n as u32) as f64;
            for k in 0..=n {
                let exact = tail(k, n, chance);
                // Up to 3^30 both numbers are exact doubles.
                close(one::p_value(protocol, k, n), exact as f64 / all, 1e-13);
                let twice_mid = 2 * exact - ways(k, n, chance);
                close(one::mid_p(protocol, k, n), twice_mid as f64 / all / 2.0, 1e-13);
                close(binomial::mass(k, n, protocol.chance()), ways(k, n, chance) as f64 / all, 1e-13);
                let below = chance.1.pow(n as u32) - exact + ways(k, n, chance);
                close(binomial::lower(k, n, protocol.chance()), below as f64 / all, 1e-13);
            }
        }
    }
}

#[test]
fn every_two_sided_p_value_up_to_thirty_trials() {
    for n in 1..=30_u64 {
        let all = 2_u128.pow(n as u32);
        for k in 0..=n {
            let seen = ways(k, n, (1, 2));
            let as_unlikely: u128 = (0..=n).map(|j| ways(j, n, (1, 2))).filter(|w| *w <= seen).sum();
            close(one::p_value(Protocol::Preference, k, n), as_unlikely as f64 / all as f64, 1e-13);
        }
    }
}

#[test]
fn every_critical_score_up_to_thirty_trials() {
    for (protocol, chance) in [(Protocol::DuoTrio, (1_u128, 2_u128)), (Protocol::Triangle, (1, 3))] {
        for n in 1..=30_u64 {
            let all = chance.1.pow(n as u32);
            for thousandths in [1_u128, 5, 10, 25, 50, 100, 200, 500, 999] {
                // tail/all <= thousandths/1000, in whole numbers
                let expected = (0..=n).find(|k| tail(*k, n, chance) * 1000 <= thousandths * all);
                assert_eq!(
                    one::critical(protocol, n, thousandths as f64 / 1000.0),
                    expected,
                    "{protocol} n={n} alpha={thousandths}/1000"
                );
            }
        }
    }
}

#[test]
fn every_similarity_limit_up_to_thirty_trials() {
    // Share 1/5 of discriminators: right with 3/5 where chance is 1/2, with 7/15 where it is 1/3.
    for (protocol, right) in [(Protocol::DuoTrio, (3_u128, 5_u128)), (Protocol::Triangle, (7, 15))] {
        for n in 1..=30_u64 {
            let all = right.1.pow(n as u32);
            let below = |k: u64| (0..=k).map(|j| ways(j, n, right)).sum::<u128>();
            let expected = (0..=n).rev().find(|k| below(*k) as f64 / all as f64 <= 0.1);
            assert_eq!(
                similarity::critical(protocol, n, 0.2, 0.1).expect("counts"),
                expected,
                "{protocol} n={n}"
            );
        }
    }
}

#[test]
fn every_bayes_factor_up_to_thirty_trials_by_quadrature() {
    // Composite Simpson over the prior, far finer than needed.
    for (protocol, low) in
        [(Protocol::Abx, 0.5), (Protocol::Triangle, 1.0 / 3.0), (Protocol::Preference, 0.0)]
    {
        for n in [1_u64, 2, 7, 16, 30] {
            for k in 0..=n {
                let steps = 2000;
                let width = (1.0 - low) / f64::from(steps);
                let likelihood = |p: f64| {
                    p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)
                        / protocol.chance().powi(k as i32)
                        / (1.0 - protocol.chance()).powi((n - k) as i32)
                };
                let sum: f64 = (0..=steps)
                    .map(|i| {
                        let weight = if i == 0 || i == steps {
                            1.0
                        } else if i % 2 == 1 {
                            4.0
                        } else {
                            2.0
                        };
                        weight * likelihood(low + width * f64::from(i))
                    })
                    .sum();
                let expected = sum * width / 3.0 / (1.0 - low);
                close(one::ln_bayes_factor(protocol, k, n).exp(), expected, 1e-8);
            }
        }
    }
}
