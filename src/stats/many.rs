//! Several p-values at once: adjustment for many comparisons, combination into one, and what luck does among many.

use super::StatsError;
use super::special::{chi_squared_upper, normal, normal_quantile};

fn check(p_values: &[f64]) -> Result<(), StatsError> {
    if p_values.is_empty() {
        return Err(StatsError::Other("there are no p-values: at least one is needed".to_string()));
    }
    for &p in p_values {
        if !(0.0..=1.0).contains(&p) {
            return Err(StatsError::Outside { what: "a p-value", value: p, above: 0.0, below: 1.0 });
        }
    }
    Ok(())
}

/// Positions in ascending order of p-value.
fn ascending(p_values: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&i, &j| p_values[i].total_cmp(&p_values[j]));
    order
}

/// Holm's step-down adjusted p-values, in the order given (Holm 1979, Scandinavian Journal of Statistics 6:65-70). To
/// reject where the adjusted value is at most alpha keeps the risk of any false rejection at alpha, however the tests
/// depend on each other.
///
/// # Errors
/// No p-values, or one outside 0..=1.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, StatsError> {
    check(p_values)?;
    let m = p_values.len();
    let mut adjusted = vec![0.0; m];
    let mut highest = 0.0_f64;
    for (rank, index) in ascending(p_values).into_iter().enumerate() {
        highest = highest.max(((m - rank) as f64 * p_values[index]).min(1.0));
        adjusted[index] = highest;
    }
    Ok(adjusted)
}

/// A combined test.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Combined {
    /// Chi-squared (Fisher) or z (Stouffer).
    pub statistic: f64,
    /// Combined p-value.
    pub p_value: f64,
}

/// Fisher's combination: -2 sum ln p against chi-squared with 2 m degrees of freedom (Statistical Methods for Research
/// Workers, 21.1). For independent p-values; conservative for discrete ones.
///
/// # Errors
/// As [`holm`].
pub fn fisher(p_values: &[f64]) -> Result<Combined, StatsError> {
    check(p_values)?;
    // A p-value that underflowed to 0 counts as the smallest double, which keeps the statistic finite.
    let half: f64 = p_values.iter().map(|p| -p.max(f64::MIN_POSITIVE).ln()).sum();
    let m = p_values.len();
    // With even degrees of freedom the tail is a finite Poisson sum of positive terms: exact.
    let p_value =
        if m <= 100_000 { poisson_tail(half, m) } else { chi_squared_upper(2.0 * m as f64, 2.0 * half) };
    Ok(Combined { statistic: 2.0 * half, p_value })
}

/// P(chi-squared with 2 m degrees > 2 h) = e^-h sum over i < m of h^i/i!, in logarithms.
fn poisson_tail(h: f64, m: usize) -> f64 {
    let mut ln_term = 0.0_f64;
    let mut highest = 0.0_f64;
    let mut logs = Vec::with_capacity(m);
    for i in 0..m {
        if i > 0 {
            ln_term += (h / i as f64).ln();
        }
        highest = highest.max(ln_term);
        logs.push(ln_term);
    }
    let sum: f64 = logs.iter().map(|l| (l - highest).exp()).sum();
    (highest + sum.ln() - h).exp().min(1.0)
}

/// Stouffer's combination with weights: z = sum w z_i / sqrt(sum w^2), z_i from one-sided p-values. The usual weights
/// for listeners are the square roots of their trials (Lipták 1958).
///
/// # Errors
/// As [`holm`]; weights of another number, or none positive, or a negative one.
pub fn stouffer(p_values: &[f64], weights: &[f64]) -> Result<Combined, StatsError> {
    check(p_values)?;
    if weights.len() != p_values.len() {
        return Err(StatsError::Other(format!(
            "{} weights were given for {} p-values: one each is needed",
            weights.len(),
            p_values.len()
        )));
    }
    let square: f64 = weights.iter().map(|w| w * w).sum();
    if weights.iter().any(|w| !w.is_finite() || *w < 0.0) || square <= 0.0 {
        return Err(StatsError::Other("weights must be 0 or more, and one must be more".to_string()));
    }
    // p-values of exactly 0 or 1, which discrete tests give, are kept finite.
    let sum: f64 = p_values
        .iter()
        .zip(weights)
        .map(|(p, w)| -w * normal_quantile(p.clamp(f64::MIN_POSITIVE, 1.0 - f64::EPSILON / 2.0)))
        .sum();
    let z = sum / square.sqrt();
    Ok(Combined { statistic: z, p_value: normal(-z) })
}

/// How many of these guessers would "pass" by luck.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct LuckyPassers {
    /// Expected number.
    pub expected: f64,
    /// Probability that at least one does.
    pub at_least_one: f64,
    /// Probability that at least as many do as were seen.
    pub at_least_seen: f64,
    /// Number seen.
    pub seen: u64,
}

/// Passers by luck among independent guessers whose probabilities of passing are `risks` (exact Poisson-binomial sum).
///
/// # Errors
/// A risk outside 0..=1.
pub fn lucky_passers(risks: &[f64], seen: u64) -> Result<LuckyPassers, StatsError> {
    for &risk in risks {
        if !(0.0..=1.0).contains(&risk) {
            return Err(StatsError::Outside {
                what: "a risk of passing",
                value: risk,
                above: 0.0,
                below: 1.0,
            });
        }
    }
    // Probabilities of 0..seen passers; all others are lumped into the last cell, so the work is len * (seen + 1).
    let cap = (seen as usize).min(risks.len());
    let mut exactly = vec![0.0; cap + 1];
    exactly[0] = 1.0;
    for (position, &risk) in risks.iter().enumerate() {
        let last = exactly[cap];
        for k in (1..=cap.min(position + 1)).rev() {
            exactly[k] = exactly[k] * (1.0 - risk) + exactly[k - 1] * risk;
        }
        if cap == 0 {
            exactly[0] = 1.0;
        } else {
            // The last cell is absorbing.
            exactly[cap] += last * risk;
            exactly[0] *= 1.0 - risk;
        }
    }
    let none: f64 = risks.iter().map(|r| (-r).ln_1p()).sum::<f64>();
    Ok(LuckyPassers {
        expected: risks.iter().sum(),
        at_least_one: -none.exp_m1(),
        at_least_seen: if seen as usize > risks.len() { 0.0 } else { exactly[cap].min(1.0) },
        seen,
    })
}
