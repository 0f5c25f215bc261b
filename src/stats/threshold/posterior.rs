//! What the answers so far say, and which size is asked next.

use std::sync::Arc;

use super::grid::{CELLS, Grid, LAPSES, LEVELS, SLOPES, THRESHOLDS};
use super::{Point, StatsError};

/// Expected entropies closer than this, in nats, are equal: the smaller size is asked then. Two programs that add up in
/// another order still choose the same.
pub const TIE: f64 = 1e-9;

/// The weight of every cell of a [`Grid`] after some answers.
#[derive(Debug, Clone)]
pub struct Posterior {
    grid: Arc<Grid>,
    /// One for each cell; they sum to 1.
    weights: Vec<f64>,
}

impl Posterior {
    /// Before any answer.
    pub fn new(grid: &Arc<Grid>) -> Self {
        Self { grid: Arc::clone(grid), weights: grid.prior().to_vec() }
    }

    /// After these answers, at any sizes.
    ///
    /// # Errors
    /// Impossible counts; answers that no cell of the grid can give.
    pub fn of(grid: &Arc<Grid>, points: &[Point]) -> Result<Self, StatsError> {
        let mut logs: Vec<f64> = grid.prior().iter().map(|weight| weight.ln()).collect();
        for point in points {
            crate::stats::error::counts(point.correct, point.trials)?;
            let (right, wrong) = (point.correct as f64, (point.trials - point.correct) as f64);
            let missed = grid.missed_at(point.multiple);
            for (logs, missed) in logs.chunks_exact_mut(LAPSES.len()).zip(missed) {
                for (log, (lapse, _)) in logs.iter_mut().zip(LAPSES) {
                    let unheard = lapse + (1.0 - lapse) * missed;
                    if right > 0.0 {
                        *log += right * (-(1.0 - grid.chance()) * unheard).ln_1p();
                    }
                    if wrong > 0.0 {
                        *log += wrong * ((1.0 - grid.chance()) * unheard).ln();
                    }
                }
            }
        }
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !most.is_finite() {
            return Err(StatsError::Other(
                "no curve of the grid can give these answers: widen --smallest and --largest".to_owned(),
            ));
        }
        let mut posterior =
            Self { grid: Arc::clone(grid), weights: logs.iter().map(|log| (log - most).exp()).collect() };
        posterior.normalise();
        Ok(posterior)
    }

    /// The grid.
    pub fn grid(&self) -> &Arc<Grid> {
        &self.grid
    }

    /// Weight of each cell; they sum to 1.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Takes an answer at one of the grid's levels.
    pub fn answer(&mut self, level: usize, right: bool) {
        let rest = 1.0 - self.grid.chance();
        for (weights, &missed) in self.weights.chunks_exact_mut(LAPSES.len()).zip(self.grid.missed(level)) {
            for (weight, (lapse, _)) in weights.iter_mut().zip(LAPSES) {
                let wrong = rest * (lapse + (1.0 - lapse) * missed);
                *weight *= if right { 1.0 - wrong } else { wrong };
            }
        }
        self.normalise();
    }

    fn normalise(&mut self) {
        let total: f64 = self.weights.iter().sum();
        for weight in &mut self.weights {
            *weight /= total;
        }
    }

    /// The marginal over thresholds.
    pub fn of_thresholds(&self) -> Vec<f64> {
        self.weights.chunks_exact(SLOPES * LAPSES.len()).map(|of| of.iter().sum()).collect()
    }

    /// The marginal over slopes.
    pub fn of_slopes(&self) -> Vec<f64> {
        let mut marginal = vec![0.0; SLOPES];
        for (cell, weight) in self.weights.iter().enumerate() {
            marginal[cell / LAPSES.len() % SLOPES] += weight;
        }
        marginal
    }

    /// The level whose answer leaves the least expected entropy of the threshold's marginal; of equal ones the smallest.
    pub fn place(&self) -> usize {
        let expected = self.expected_entropies();
        let least = expected.iter().copied().fold(f64::INFINITY, f64::min);
        expected.iter().position(|entropy| *entropy <= least + TIE).unwrap_or(LEVELS - 1)
    }

    /// Of each level: the entropy of the threshold's marginal, in nats, to be expected after one answer there.
    pub fn expected_entropies(&self) -> [f64; LEVELS] {
        // The lapses are summed first: of each threshold and slope only two sums are needed, whatever the level.
        let mut sums = Vec::with_capacity(CELLS / LAPSES.len());
        for weights in self.weights.chunks_exact(LAPSES.len()) {
            let (mut lapsed, mut attentive) = (0.0, 0.0);
            for (weight, (lapse, _)) in weights.iter().zip(LAPSES) {
                lapsed += weight * lapse;
                attentive += weight * (1.0 - lapse);
            }
            sums.push((lapsed, attentive));
        }
        let marginal = self.of_thresholds();
        let rest = 1.0 - self.grid.chance();
        let (mut right, mut wrong) = ([0.0; THRESHOLDS], [0.0; THRESHOLDS]);
        std::array::from_fn(|level| {
            let missed = self.grid.missed(level);
            for (threshold, (sums, missed)) in
                sums.chunks_exact(SLOPES).zip(missed.chunks_exact(SLOPES)).enumerate()
            {
                let unheard: f64 = sums
                    .iter()
                    .zip(missed)
                    .map(|((lapsed, attentive), missed)| lapsed + attentive * missed)
                    .sum();
                wrong[threshold] = rest * unheard;
                right[threshold] = (marginal[threshold] - wrong[threshold]).max(0.0);
            }
            weighted_entropy(&right) + weighted_entropy(&wrong)
        })
    }
}

/// The entropy in nats of masses that sum to their total, times that total.
fn weighted_entropy(masses: &[f64]) -> f64 {
    let total: f64 = masses.iter().sum();
    if total <= 0.0 {
        return 0.0;
    }
    let sum: f64 = masses.iter().filter(|mass| **mass > 0.0).map(|mass| mass * mass.ln()).sum();
    total * total.ln() - sum
}
