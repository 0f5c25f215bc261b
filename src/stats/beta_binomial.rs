//! Listeners who differ: the beta-binomial model, with and without correction for chance, by maximum likelihood.
//!
//! Each listener's proportion is drawn from a beta distribution with mean mu and over-dispersion gamma = 1/(a + b + 1)
//! (0: all alike, 1: everybody always or never). Plain: that is the proportion right. Chance-corrected (Brockhoff 2003,
//! Food Quality and Preference 14:405-417): it is the proportion p of trials in which the difference is heard, and the
//! proportion right is chance + (1 - chance) p.

use std::collections::BTreeMap;

use serde::Serialize;

use super::special::{chi_squared_upper, ln_binomial_raw};
use super::tally::Tally;
use super::{StatsError, binomial, error};

/// A fitted model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fit {
    /// Mean of the listeners' proportions.
    pub mu: f64,
    /// Over-dispersion, 0 where the binomial model fits as well.
    pub gamma: f64,
    /// Standard error of mu from the observed information; nothing where mu or gamma lies on its border.
    pub mu_standard_error: Option<f64>,
    /// Standard error of gamma, likewise.
    pub gamma_standard_error: Option<f64>,
    /// Log-likelihood at the maximum, binomial coefficients included.
    pub ln_likelihood: f64,
    /// The same for listeners who are all alike.
    pub ln_likelihood_binomial: f64,
    /// Likelihood-ratio statistic for over-dispersion.
    pub g_squared: f64,
    /// p-value of it against chi-squared with one degree of freedom, as usually printed; conservative.
    pub p_value_chi_squared: f64,
    /// p-value against the half-and-half mixture of 0 and chi-squared that holds because gamma = 0 is the border of what
    /// is possible (Self & Liang 1987).
    pub p_value: f64,
}

/// Listeners with the same score counted together.
pub(super) struct Scores {
    groups: Vec<Group>,
    chance: f64,
    most: usize,
    constant: f64,
}

/// One distinct score.
struct Group {
    correct: usize,
    missed: usize,
    listeners: f64,
    /// Of the right answers, ln of the ways in which 0, 1, .. were heard and the others guessed; empty for the plain
    /// model.
    guessed: Vec<f64>,
}

/// Largest sum of right answers over distinct scores that the chance-corrected fit works through.
const MOST_TERMS: u64 = 2_000_000;

/// Value and slope of the log-likelihood.
#[derive(Clone, Copy)]
struct Point {
    value: f64,
    by_mu: f64,
    by_theta: f64,
}

impl Scores {
    pub(super) fn new(scores: &[Tally], chance: f64) -> Self {
        let mut groups = BTreeMap::new();
        for &score in scores {
            *groups.entry(score).or_insert(0.0) += 1.0;
        }
        let most = groups.keys().map(|score| score.trials).max().unwrap_or(0) as usize;
        let constant =
            groups.iter().map(|(score, times)| times * ln_choose(score.correct, score.trials)).sum();
        let (ln_chance, ln_other) = (chance.ln(), (1.0 - chance).ln());
        let groups = groups
            .into_iter()
            .map(|(Tally { trials: n, correct: x }, listeners)| {
                let ways = |heard: u64| {
                    ln_choose(heard, x) + (x - heard) as f64 * ln_chance + (heard + n - x) as f64 * ln_other
                };
                Group {
                    correct: x as usize,
                    missed: (n - x) as usize,
                    listeners,
                    guessed: if chance == 0.0 { Vec::new() } else { (0..=x).map(ways).collect() },
                }
            })
            .collect();
        Self { groups, chance, most, constant }
    }

    /// Log-likelihood at mean mu and theta = gamma/(1 - gamma) = 1/(a + b), with slopes. With these,
    /// B(a+j, b+k)/B(a, b) = prod (mu + i theta) prod (1 - mu + i theta) / prod (1 + i theta), regular at theta = 0.
    fn at(&self, mu: f64, theta: f64) -> Point {
        let size = self.most + 1;
        let (mut right, mut wrong, mut all) =
            (vec![[0.0; 3]; size], vec![[0.0; 3]; size], vec![[0.0; 3]; size]);
        for i in 0..self.most {
            let step = i as f64;
            let next = |from: [f64; 3], base: f64, sign: f64| {
                let term = base + step * theta;
                [from[0] + term.ln(), from[1] + sign / term, from[2] + step / term]
            };
            right[i + 1] = next(right[i], mu, 1.0);
            wrong[i + 1] = next(wrong[i], 1.0 - mu, -1.0);
            all[i + 1] = next(all[i], 1.0, 0.0);
        }
        let mut point = Point { value: self.constant, by_mu: 0.0, by_theta: 0.0 };
        let mut logs = Vec::new();
        for group in &self.groups {
            let missed = group.missed;
            let term =
                |heard: usize| [0, 1, 2].map(|k| right[heard][k] + wrong[missed][k] - all[heard + missed][k]);
            let found = if self.chance == 0.0 {
                term(group.correct)
            } else {
                logs.clear();
                logs.extend(group.guessed.iter().enumerate().map(|(heard, ways)| term(heard)[0] + ways));
                let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let mut sum = [0.0; 3];
                for (heard, log) in logs.iter().enumerate() {
                    let weight = (log - highest).exp();
                    let slopes = term(heard);
                    sum[0] += weight;
                    sum[1] += weight * slopes[1];
                    sum[2] += weight * slopes[2];
                }
                [highest + sum[0].ln(), sum[1] / sum[0], sum[2] / sum[0]]
            };
            let times = group.listeners;
            point.value += times * found[0];
            point.by_mu += times * found[1];
            point.by_theta += times * found[2];
        }
        point
    }

    /// Log-likelihood at mean mu and theta = gamma/(1 - gamma).
    pub(super) fn value(&self, mu: f64, theta: f64) -> f64 {
        self.at(mu, theta).value
    }

    /// The same over u = logit(mu), v = ln(theta).
    fn free(&self, u: f64, v: f64) -> Point {
        let mu = 1.0 / (1.0 + (-u).exp());
        let theta = v.exp();
        let point = self.at(mu, theta);
        Point { value: point.value, by_mu: point.by_mu * mu * (1.0 - mu), by_theta: point.by_theta * theta }
    }
}

fn ln_choose(x: u64, n: u64) -> f64 {
    // binomial(x; n, 1/2) without its power of two
    ln_binomial_raw(x as f64, (n - x) as f64, 0.5, 0.5) + n as f64 * std::f64::consts::LN_2
}

/// Second derivatives from central differences of the exact first ones.
fn curvature(at: impl Fn(f64, f64) -> Point, x: f64, y: f64, dx: f64, dy: f64) -> [f64; 3] {
    let (right, left) = (at(x + dx, y), at(x - dx, y));
    let (up, down) = (at(x, y + dy), at(x, y - dy));
    [
        (right.by_mu - left.by_mu) / (2.0 * dx),
        0.5 * ((right.by_theta - left.by_theta) / (2.0 * dx) + (up.by_mu - down.by_mu) / (2.0 * dy)),
        (up.by_theta - down.by_theta) / (2.0 * dy),
    ]
}

/// Fits scores; `chance` 0 is the plain model.
///
/// # Errors
/// Fewer than two listeners, impossible counts, more than 100,000 trials of one listener, chance outside 0..1.
pub fn fit(scores: &[Tally], chance: f64) -> Result<Fit, StatsError> {
    if scores.len() < 2 {
        return Err(StatsError::Other(format!(
            "a beta-binomial fit needs at least 2 listeners, but there are {}",
            scores.len()
        )));
    }
    for &Tally { trials: n, correct } in scores {
        error::counts(correct, n)?;
        if n > 100_000 {
            return Err(StatsError::Other(format!(
                "a beta-binomial fit takes at most 100000 trials of one listener, but there are {n}"
            )));
        }
    }
    if !(0.0..1.0).contains(&chance) {
        return Err(StatsError::Outside { what: "the chance level", value: chance, above: 0.0, below: 1.0 });
    }
    if !affordable(scores) {
        return Err(StatsError::Other(
            "there are too many different scores of too many trials for a beta-binomial fit".to_string(),
        ));
    }
    let likelihood = Scores::new(scores, chance);
    let together: Tally = scores.iter().sum();
    let (right, all) = (together.correct as f64, together.trials as f64);
    let mean = ((right / all - chance) / (1.0 - chance)).clamp(0.0, 1.0);
    let binomial = alike(scores, chance, mean);
    let (u, v) = maximise(&likelihood, mean);
    let (mu, theta) = (1.0 / (1.0 + (-u).exp()), v.exp());
    let best = likelihood.free(u, v).value;
    let gamma = theta / (1.0 + theta);
    let g_squared = 2.0 * (best - binomial);
    if g_squared <= 1e-8 || gamma < 1e-7 {
        // The border: nothing is gained by letting listeners differ.
        let standard_error = (mean > 0.0 && mean < 1.0)
            .then(|| (right / all * (1.0 - right / all) / all).sqrt() / (1.0 - chance));
        return Ok(Fit {
            mu: mean,
            gamma: 0.0,
            mu_standard_error: standard_error,
            gamma_standard_error: None,
            ln_likelihood: binomial,
            ln_likelihood_binomial: binomial,
            g_squared: 0.0,
            p_value_chi_squared: 1.0,
            p_value: 1.0,
        });
    }
    let p = chi_squared_upper(1.0, g_squared);
    let (mu_standard_error, gamma_standard_error) = standard_errors(&likelihood, mu, gamma);
    Ok(Fit {
        mu,
        gamma,
        mu_standard_error,
        gamma_standard_error,
        ln_likelihood: best,
        ln_likelihood_binomial: binomial,
        g_squared,
        p_value_chi_squared: p,
        p_value: 0.5 * p,
    })
}

/// Whether a fit of these scores ends soon.
pub fn affordable(scores: &[Tally]) -> bool {
    let distinct: std::collections::BTreeSet<Tally> = scores.iter().copied().collect();
    distinct.iter().map(|score| score.correct).sum::<u64>() <= MOST_TERMS
        && distinct.iter().all(|score| score.trials <= 100_000)
}

/// Log-likelihood of listeners who are all alike.
fn alike(scores: &[Tally], chance: f64, mean: f64) -> f64 {
    let p = chance + (1.0 - chance) * mean;
    scores.iter().map(|score| binomial::ln_mass(score.correct, score.trials, p)).sum()
}

/// Damped Newton steps from the best point of a coarse grid.
fn maximise(likelihood: &Scores, mean: f64) -> (f64, f64) {
    let logit = |p: f64| (p / (1.0 - p)).ln();
    let mut best = (0.0, 0.0, f64::NEG_INFINITY);
    for mu in [mean.clamp(0.01, 0.99), 0.5 * mean + 0.02, 0.5 * mean + 0.48, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9] {
        for gamma in [0.001, 0.01, 0.05, 0.15, 0.3, 0.5, 0.7, 0.9] {
            let (u, v) = (logit(mu), logit(gamma));
            let value = likelihood.free(u, v).value;
            if value > best.2 {
                best = (u, v, value);
            }
        }
    }
    let (mut u, mut v, mut value) = best;
    let mut damping = 1e-3;
    for _ in 0..200 {
        let here = likelihood.free(u, v);
        let [uu, uv, vv] = curvature(|x, y| likelihood.free(x, y), u, v, 1e-5, 1e-5);
        let mut moved = false;
        for _ in 0..40 {
            // Solve (-H + damping) step = gradient.
            let scale = damping * (uu.abs() + vv.abs()).max(1e-8);
            let (a, b, c) = (-uu + scale, -uv, -vv + scale);
            let determinant = a * c - b * b;
            if determinant > 0.0 && a > 0.0 {
                let du = ((here.by_mu * c - here.by_theta * b) / determinant).clamp(-3.0, 3.0);
                let dv = ((here.by_theta * a - here.by_mu * b) / determinant).clamp(-3.0, 3.0);
                let (next_u, next_v) = ((u + du).clamp(-30.0, 30.0), (v + dv).clamp(-30.0, 20.0));
                let next = likelihood.free(next_u, next_v).value;
                if next >= value {
                    moved = (next_u - u).abs() + (next_v - v).abs() > 1e-13;
                    (u, v, value) = (next_u, next_v, next);
                    damping = (damping * 0.1).max(1e-14);
                    break;
                }
            }
            damping *= 4.0;
        }
        // Below this theta the border is as near as matters.
        if !moved || v < -18.0 {
            break;
        }
    }
    (u, v)
}

/// Standard errors of mu and gamma by the inverse of the observed information.
fn standard_errors(likelihood: &Scores, mu: f64, gamma: f64) -> (Option<f64>, Option<f64>) {
    let at = |m: f64, g: f64| {
        let point = likelihood.at(m, g / (1.0 - g));
        Point { by_theta: point.by_theta / ((1.0 - g) * (1.0 - g)), ..point }
    };
    let (dm, dg) = (1e-4 * mu.min(1.0 - mu), 1e-4 * gamma.min(1.0 - gamma));
    let [mm, mg, gg] = curvature(at, mu, gamma, dm, dg);
    let determinant = mm * gg - mg * mg;
    if mm < 0.0 && gg < 0.0 && determinant > 0.0 && mu > 1e-9 && mu < 1.0 - 1e-9 {
        (Some((-gg / determinant).sqrt()), Some((-mm / determinant).sqrt()))
    } else {
        (None, None)
    }
}
