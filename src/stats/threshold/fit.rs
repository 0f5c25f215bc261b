//! Does the curve describe these answers? The most likely curve, its deviance, and how often that much is chance.
//!
//! Source: Wichmann & Hill 2001, Perception & Psychophysics 63:1293 (deviance, its distribution by simulation from the fitted
//! curve, since the chi-squared approximation is poor with few trials at each size).

use serde::Serialize;

use super::grid::Grid;
use super::posterior::Posterior;
use super::{Curve, Point, StatsError};
use crate::stats::simulate::{self, Simulated};

/// The most likely curve and how well it describes the answers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fit {
    /// The most likely curve within the limits of the grid.
    pub curve: Curve,
    /// Twice the log-likelihood that is missing to a curve through every point.
    pub deviance: f64,
    /// Sizes with answers.
    pub sizes: usize,
    /// How often answers of this very curve deviate as much or more, by simulation; small values say that the curve is no
    /// good description.
    pub p_value: Simulated,
}

/// Simulated sets of answers for the deviance.
const SIMULATIONS: u64 = 4000;
/// Seed of the simulation: fixed, so that the same counts always give the same number.
const SEED: u64 = 20;

/// Fits a curve to answers, of the same size taken together.
///
/// # Errors
/// As [`Posterior::of`].
pub fn fit(grid: &std::sync::Arc<Grid>, points: &[Point]) -> Result<Fit, StatsError> {
    let points = together(points);
    let curve = most_likely(grid, &points)?;
    let chance = grid.chance();
    let deviance = deviance(&curve, chance, &points);
    let rights: Vec<f64> = points.iter().map(|point| curve.right(point.multiple, chance)).collect();
    let [p_value] = simulate::means(SIMULATIONS, SEED, |generator| {
        let drawn: f64 = points
            .iter()
            .zip(&rights)
            .map(|(point, right)| {
                // Above so many trials the normal form is as good, and the time stays bounded.
                let correct = if point.trials <= 2000 {
                    (0..point.trials).filter(|_| generator.uniform() < *right).count() as f64
                } else {
                    let (n, z) = (
                        point.trials as f64,
                        super::super::special::normal_quantile(generator.uniform().max(1e-300)),
                    );
                    (n * right + z * (n * right * (1.0 - right)).sqrt()).round().clamp(0.0, n)
                };
                one_deviance(correct, point.trials as f64, *right)
            })
            .sum();
        [f64::from(u8::from(drawn >= deviance * (1.0 - 1e-12)))]
    });
    Ok(Fit { curve, deviance, sizes: points.len(), p_value })
}

/// Answers of the same size added up, sizes rising.
pub fn together(points: &[Point]) -> Vec<Point> {
    let mut sorted = points.to_vec();
    sorted.sort_by(|one, other| one.multiple.total_cmp(&other.multiple));
    let mut added: Vec<Point> = Vec::new();
    for point in sorted {
        match added.last_mut() {
            Some(last) if last.multiple == point.multiple => {
                last.correct += point.correct;
                last.trials += point.trials;
            }
            _ => added.push(point),
        }
    }
    added
}

fn likelihood(curve: &Curve, chance: f64, points: &[Point]) -> f64 {
    points
        .iter()
        .map(|point| {
            let unheard = (1.0 - chance) * curve.unheard(point.multiple);
            let wrong = (point.trials - point.correct) as f64;
            let of_right = if point.correct > 0 { point.correct as f64 * (-unheard).ln_1p() } else { 0.0 };
            let of_wrong = if wrong > 0.0 { wrong * unheard.ln() } else { 0.0 };
            of_right + of_wrong
        })
        .sum()
}

/// Directions of the search: ln t, ln b, l.
const WAYS: [[f64; 3]; 6] = [
    [0.03, 0.0, 0.0],
    [0.0, 0.17, 0.0],
    [0.0, 0.0, 0.02],
    [0.03, 0.17, 0.0],
    [0.03, -0.17, 0.0],
    [0.0, 0.17, 0.02],
];

/// From the grid's best cell, by shrinking steps along each axis and along both diagonals of threshold and slope.
fn most_likely(grid: &std::sync::Arc<Grid>, points: &[Point]) -> Result<Curve, StatsError> {
    // The prior is divided out again, but where it is 0 nothing is lost.
    let posterior = Posterior::of(grid, points)?;
    let best = (0..posterior.weights().len())
        .max_by(|one, other| {
            let of = |cell: usize| posterior.weights()[cell] / grid.prior()[cell];
            of(*one).total_cmp(&of(*other))
        })
        .unwrap_or(0);
    let start = grid.curve(best);
    let (ln_t, ln_b) = (grid.ln_thresholds(), grid.ln_slopes());
    let limits = [
        (ln_t[0], ln_t[ln_t.len() - 1]),
        (ln_b[0], ln_b[ln_b.len() - 1]),
        (0.0, super::grid::LAPSES[super::grid::LAPSES.len() - 1].0),
    ];
    let curve = |x: &[f64; 3]| Curve { threshold: x[0].exp(), slope: x[1].exp(), lapse: x[2] };
    let of = |x: &[f64; 3]| likelihood(&curve(x), grid.chance(), points);
    let mut at = [start.threshold.ln(), start.slope.ln(), start.lapse];
    let mut best = of(&at);
    let mut size = 1.0;
    while size > 1e-7 {
        let mut moved = false;
        for way in WAYS {
            for sign in [1.0, -1.0] {
                let next: [f64; 3] =
                    std::array::from_fn(|i| (at[i] + sign * size * way[i]).clamp(limits[i].0, limits[i].1));
                let value = of(&next);
                if value > best {
                    (at, best, moved) = (next, value, true);
                }
            }
        }
        if !moved {
            size /= 2.0;
        }
    }
    Ok(curve(&at))
}

fn deviance(curve: &Curve, chance: f64, points: &[Point]) -> f64 {
    points
        .iter()
        .map(|point| {
            one_deviance(point.correct as f64, point.trials as f64, curve.right(point.multiple, chance))
        })
        .sum()
}

fn one_deviance(correct: f64, trials: f64, right: f64) -> f64 {
    let part = |count: f64, expected: f64| if count > 0.0 { count * (count / expected).ln() } else { 0.0 };
    2.0 * (part(correct, trials * right) + part(trials - correct, trials * (1.0 - right)))
}
