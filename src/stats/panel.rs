//! Many listeners with draws of their own: each by itself, all together, and how much they differ.
//!
//! For listeners who shared one draw see [`super::room`].

use std::collections::HashMap;

use serde::Serialize;

use super::beta_binomial::{self, Fit};
use super::many::{self, Combined, LuckyPassers};
use super::one::{self, Analysis};
use super::protocol::Inquiry;
use super::special::chi_squared_upper;
use super::tally::Tally;
use super::{StatsError, error};

/// The best of several listeners, judged as the best of several.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Best {
    /// Position in the order given.
    pub index: usize,
    /// p-value as if it were the only one.
    pub p_value_alone: f64,
    /// Probability that the best of so many guessers has a p-value as small: exact for discrete scores and unequal
    /// numbers of trials.
    pub p_value: f64,
}

/// Whether listeners differ more than chance makes them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Heterogeneity {
    /// Sum of squared standardised differences from the pooled proportion.
    pub chi_squared: f64,
    /// Listeners less one.
    pub degrees: u64,
    /// Approximate p-value; poor where numbers of trials are small.
    pub p_value: f64,
}

/// Everything about a panel's scores on one comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PanelAnalysis {
    /// All answers pooled as if from one listener: exact under guessing, when draws are independent.
    pub pooled: Analysis,
    /// p-values in the order given.
    pub p_values: Vec<f64>,
    /// Holm-adjusted p-values in the order given.
    pub holm: Vec<f64>,
    /// Listeners whose own p-value is at most alpha, against how many luck alone would give.
    pub passers: LuckyPassers,
    /// Listeners who remain after Holm's adjustment.
    pub passers_holm: u64,
    /// The best listener.
    pub best: Best,
    /// Fisher's combination of the exact p-values (conservative). Nothing in a two-sided test: two-sided p-values have no
    /// direction, so listeners who lean to opposite sides would count as agreeing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fisher: Option<Combined>,
    /// Stouffer's combination of mid-p values, weights square roots of trials.
    pub stouffer: Combined,
    /// Differences between listeners; nothing for one listener, or where all answers are right or all wrong.
    pub heterogeneity: Option<Heterogeneity>,
    /// Chance-corrected beta-binomial fit (two-sided: plain); nothing for one listener or where it would take
    /// long.
    pub beta_binomial: Option<Fit>,
}

/// Analyses the scores of independent listeners.
///
/// # Errors
/// No listeners, impossible counts, alpha outside 0..1.
pub fn analyse(
    inquiry: impl Into<Inquiry>,
    scores: &[Tally],
    alpha: f64,
) -> Result<PanelAnalysis, StatsError> {
    let inquiry = inquiry.into();
    if scores.is_empty() {
        return Err(StatsError::Other("there are no listeners: at least 1 is needed".to_string()));
    }
    for score in scores {
        error::counts(score.correct, score.trials)?;
    }
    let all: Tally = scores.iter().sum();
    let pooled = one::analyse(inquiry, all.correct, all.trials, alpha)?;
    // Scores repeat in large panels: each distinct one is computed once.
    let mut known: HashMap<Tally, (f64, f64)> = HashMap::new();
    let both: Vec<(f64, f64)> = scores
        .iter()
        .map(|&score| {
            let Tally { trials: n, correct: c } = score;
            *known
                .entry(score)
                .or_insert_with(|| (one::p_value(inquiry, c, n), one_sided_mid_p(inquiry, c, n)))
        })
        .collect();
    let p_values: Vec<f64> = both.iter().map(|b| b.0).collect();
    let mid: Vec<f64> = both.iter().map(|b| b.1).collect();
    let holm = many::holm(&p_values)?;
    let seen = p_values.iter().filter(|p| super::binomial::at_most(**p, alpha)).count() as u64;
    let passers = many::lucky_passers(&attained(inquiry, scores, alpha), seen)?;
    let index = (0..p_values.len()).min_by(|&i, &j| p_values[i].total_cmp(&p_values[j])).unwrap_or(0);
    let ln_none: f64 = attained(inquiry, scores, p_values[index]).iter().map(|risk| (-risk).ln_1p()).sum();
    let weights: Vec<f64> = scores.iter().map(|score| (score.trials as f64).sqrt()).collect();
    let mut stouffer = many::stouffer(&mid, &weights)?;
    if inquiry.two_sided() {
        stouffer.p_value = (2.0 * super::special::normal(-stouffer.statistic.abs())).min(1.0);
    }
    let chance = if inquiry.two_sided() { 0.0 } else { inquiry.chance() };
    let small = beta_binomial::affordable(scores);
    Ok(PanelAnalysis {
        pooled,
        passers,
        passers_holm: holm.iter().filter(|p| super::binomial::at_most(**p, alpha)).count() as u64,
        best: Best {
            index,
            p_value_alone: p_values[index],
            p_value: if ln_none == f64::NEG_INFINITY { 1.0 } else { -ln_none.exp_m1() },
        },
        fisher: if inquiry.two_sided() { None } else { Some(many::fisher(&p_values)?) },
        stouffer,
        heterogeneity: heterogeneity(scores),
        beta_binomial: if scores.len() >= 2 && small {
            Some(beta_binomial::fit(scores, chance)?)
        } else {
            None
        },
        p_values,
        holm,
    })
}

/// Mid-p in one direction also in a two-sided test, so that listeners who lean to opposite sides cancel.
fn one_sided_mid_p(inquiry: Inquiry, correct: u64, trials: u64) -> f64 {
    super::binomial::mid_upper(correct, trials, inquiry.chance())
}

/// Each listener's probability of a p-value of at most `alpha` by guessing.
fn attained(inquiry: Inquiry, scores: &[Tally], alpha: f64) -> Vec<f64> {
    let mut known: HashMap<u64, f64> = HashMap::new();
    scores
        .iter()
        .map(|&Tally { trials, .. }| {
            *known.entry(trials).or_insert_with(|| {
                one::critical(inquiry, trials, alpha.min(1.0))
                    .map_or(0.0, |critical| one::p_value(inquiry, critical, trials))
            })
        })
        .collect()
}

/// Pearson's chi-squared test that all listeners have the same proportion.
pub fn heterogeneity(scores: &[Tally]) -> Option<Heterogeneity> {
    let Tally { trials, correct } = scores.iter().sum();
    if scores.len() < 2 || correct == 0 || correct == trials {
        return None;
    }
    let p = correct as f64 / trials as f64;
    let chi_squared = scores
        .iter()
        .map(|&Tally { trials: n, correct: c }| {
            let difference = c as f64 - n as f64 * p;
            difference * difference / (n as f64 * p * (1.0 - p))
        })
        .sum();
    let degrees = scores.len() as u64 - 1;
    Some(Heterogeneity { chi_squared, degrees, p_value: chi_squared_upper(degrees as f64, chi_squared) })
}
