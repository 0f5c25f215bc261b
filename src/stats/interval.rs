//! Confidence intervals for a proportion. Two-sided unless said otherwise; `level` is 0.95 for 95 %.
//!
//! Names and formulas after Newcombe 1998, Statistics in Medicine 17:857-872, and Brown, Cai & DasGupta 2001,
//! Statistical Science 16:101-133.

use serde::Serialize;

use super::special::{beta_quantile, normal_quantile};
use super::{StatsError, error};

/// An interval at a confidence level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// Confidence level, 0.95 for 95 %.
    pub level: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

fn check(correct: u64, trials: u64, level: f64) -> Result<(), StatsError> {
    error::counts(correct, trials)?;
    error::inside("the confidence level", level, 0.0, 1.0)
}

/// Half of what the level leaves out, computed so that 0.95 gives 0.025 to the last digit.
fn tail(level: f64) -> f64 {
    (1.0 - level) / 2.0
}

/// Clopper & Pearson 1934: exact, never below its level.
pub fn clopper_pearson(correct: u64, trials: u64, level: f64) -> Result<Interval, StatsError> {
    check(correct, trials, level)?;
    let (x, n) = (correct as f64, trials as f64);
    let lower = if correct == 0 { 0.0 } else { beta_quantile(x, n - x + 1.0, tail(level)) };
    let upper = if correct == trials { 1.0 } else { beta_quantile(x + 1.0, n - x, 1.0 - tail(level)) };
    Ok(Interval { level, lower, upper })
}

/// One-sided exact upper limit: the largest proportion that the score does not reject at 1 - `level`.
pub fn upper_limit(correct: u64, trials: u64, level: f64) -> Result<f64, StatsError> {
    check(correct, trials, level)?;
    let (x, n) = (correct as f64, trials as f64);
    Ok(if correct == trials { 1.0 } else { beta_quantile(x + 1.0, n - x, level) })
}

/// One-sided exact lower limit.
pub fn lower_limit(correct: u64, trials: u64, level: f64) -> Result<f64, StatsError> {
    check(correct, trials, level)?;
    let (x, n) = (correct as f64, trials as f64);
    Ok(if correct == 0 { 0.0 } else { beta_quantile(x, n - x + 1.0, 1.0 - level) })
}

/// Wilson 1927, the score interval.
pub fn wilson(correct: u64, trials: u64, level: f64) -> Result<Interval, StatsError> {
    check(correct, trials, level)?;
    let z = -normal_quantile(tail(level));
    let (lower, upper) = wilson_ends(correct, trials, z);
    Ok(Interval { level, lower, upper })
}

fn wilson_ends(correct: u64, trials: u64, z: f64) -> (f64, f64) {
    let (x, n) = (correct as f64, trials as f64);
    let middle = x + z * z / 2.0;
    let half = z * (x * (n - x) / n + z * z / 4.0).sqrt();
    let whole = n + z * z;
    let lower = if correct == 0 { 0.0 } else { ((middle - half) / whole).max(0.0) };
    let upper = if correct == trials { 1.0 } else { ((middle + half) / whole).min(1.0) };
    (lower, upper)
}

/// Jeffreys: equal-tailed posterior limits under a Beta(1/2, 1/2) prior; lower end 0 at none right, upper end 1 at all
/// right (Brown, Cai & DasGupta 2001).
pub fn jeffreys(correct: u64, trials: u64, level: f64) -> Result<Interval, StatsError> {
    check(correct, trials, level)?;
    let (x, n) = (correct as f64, trials as f64);
    let lower = if correct == 0 { 0.0 } else { beta_quantile(x + 0.5, n - x + 0.5, tail(level)) };
    let upper = if correct == trials { 1.0 } else { beta_quantile(x + 0.5, n - x + 0.5, 1.0 - tail(level)) };
    Ok(Interval { level, lower, upper })
}
