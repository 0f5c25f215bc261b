//! Planning a panel: listeners who differ from each other; exactly where that is affordable, and by seeded simulation.
//!
//! Each listener's proportion of trials in which the difference is heard comes from a beta distribution with mean `mu`
//! and over-dispersion `gamma` (chance-corrected beta-binomial, see [`super::beta_binomial`]); answers are pooled.

use serde::Serialize;

use super::population::Profile;
use super::power::{Design, Risks};
use super::protocol::Inquiry;
use super::simulate::{Scores, Simulated, means};
use super::special::ln_binomial_raw;
use super::tally::Tally;
use super::{StatsError, error, one};

/// A panel to be simulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PanelDesign {
    /// What each listener does, at which risk, and the mean proportion right.
    pub design: Design,
    /// Listeners.
    pub listeners: u64,
    /// Trials of each.
    pub trials: u64,
    /// Over-dispersion of the proportions heard, 0 (all alike) to below 1.
    pub gamma: f64,
}

/// What such a panel achieves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PanelPower {
    /// Risks of the pooled test if all listeners were alike, exact.
    pub alike: Risks,
    /// Probability that the pooled test shows a difference, by convolution; nothing where that would take long.
    pub pooled_exact: Option<f64>,
    /// The same by simulation.
    pub pooled: Simulated,
    /// Probability that at least one listener shows one after Holm's adjustment.
    pub any_listener: Simulated,
    /// Mean number of listeners who would pass judged alone, without adjustment.
    pub passers_alone: Simulated,
    /// Seed of the simulation.
    pub seed: u64,
}

/// Probabilities of 0..=trials right for a listener drawn from the panel.
pub fn score_probabilities(chance: f64, mu: f64, gamma: f64, trials: u64) -> Vec<f64> {
    let n = trials as usize;
    let theta = gamma / (1.0 - gamma);
    let rise = |base: f64| -> Vec<f64> {
        let mut sum = 0.0;
        std::iter::once(0.0)
            .chain((0..n).map(|i| {
                sum += (base + i as f64 * theta).max(0.0).ln();
                sum
            }))
            .collect()
    };
    let (right, wrong, all) = (rise(mu), rise(1.0 - mu), rise(1.0));
    // Heard in h of n trials; of the others each is right by chance.
    let ln_choose = |k: usize, of: usize| {
        ln_binomial_raw(k as f64, (of - k) as f64, 0.5, 0.5) + of as f64 * std::f64::consts::LN_2
    };
    let mut probabilities = vec![0.0; n + 1];
    for heard in 0..=n {
        let ln_heard = ln_choose(heard, n) + right[heard] + wrong[n - heard] - all[n];
        if ln_heard == f64::NEG_INFINITY {
            continue;
        }
        for guessed in 0..=(n - heard) {
            probabilities[heard + guessed] += (ln_heard
                + ln_binomial_raw(guessed as f64, (n - heard - guessed) as f64, chance, 1.0 - chance))
            .exp();
        }
    }
    probabilities
}

/// Refuses impossible panels.
fn check(panel: &PanelDesign) -> Result<(), StatsError> {
    let PanelDesign { listeners, trials, gamma, .. } = *panel;
    error::counts(0, trials)?;
    if !(1..=100_000).contains(&listeners) {
        return Err(StatsError::Other(format!("{listeners} listeners cannot be simulated: 1 to 100000 can")));
    }
    if trials > 2000 {
        return Err(StatsError::Other(format!(
            "{trials} trials of each listener are too many to simulate: at most 2000"
        )));
    }
    if !(0.0..1.0).contains(&gamma) {
        return Err(StatsError::Outside {
            what: "the over-dispersion gamma",
            value: gamma,
            above: 0.0,
            below: 1.0,
        });
    }
    Ok(())
}

/// Simulates the panel.
///
/// # Errors
/// No listeners or trials, more than 2000 trials or 100,000 listeners, gamma outside 0..1, no simulations or too many.
pub fn simulate(panel: &PanelDesign, simulations: u64, seed: u64) -> Result<PanelPower, StatsError> {
    let PanelDesign { design, listeners, trials, gamma } = *panel;
    check(panel)?;
    if simulations == 0 || simulations.saturating_mul(listeners) > 2_000_000_000 {
        return Err(StatsError::Other(format!(
            "{simulations} simulations of {listeners} listeners cannot be done: at least 1 simulation, and at most 2000000000 sittings in all"
        )));
    }
    let chance = design.protocol.chance();
    let mu = (design.proportion - chance) / (1.0 - chance);
    let scores = Scores::new(&score_probabilities(chance, mu, gamma, trials));
    let alike = design.risks(listeners * trials)?;
    let pooled_critical = alike.critical.unwrap_or(u64::MAX);
    let alone_critical = one::critical(design.inquiry(), trials, design.alpha).unwrap_or(u64::MAX);
    // Holm's first step: the best listener's p-value at alpha/m.
    let holm_critical =
        one::critical(design.inquiry(), trials, design.alpha / listeners as f64).unwrap_or(u64::MAX);
    let two_sided = design.inquiry().two_sided();
    let outcome = |score: u64, of: u64| if two_sided { score.max(of - score) } else { score };
    let [pooled, any_listener, passers_alone] = means(simulations, seed, |generator| {
        let (mut sum, mut best, mut alone) = (0, 0, 0_u64);
        for _ in 0..listeners {
            let score = scores.draw(generator);
            sum += score;
            let score = outcome(score, trials);
            best = best.max(score);
            alone += u64::from(score >= alone_critical);
        }
        [
            f64::from(u8::from(outcome(sum, listeners * trials) >= pooled_critical)),
            f64::from(u8::from(best >= holm_critical)),
            alone as f64,
        ]
    });
    Ok(PanelPower { alike, pooled_exact: pooled_power(panel)?, pooled, any_listener, passers_alone, seed })
}

/// A panel with so many trials of each listener.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PanelRow {
    /// Trials of each listener.
    pub trials_each: u64,
    /// Exact power of the pooled test.
    pub power: f64,
    /// The risks if all listeners were alike.
    #[serde(flatten)]
    pub alike: AlikeRisks,
}

/// [`Risks`] of a panel of listeners who are all alike, under names that do not clash with the panel's own.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AlikeRisks {
    /// Trials of all listeners together.
    #[serde(rename = "trials_all")]
    pub trials: u64,
    /// Least pooled score that shows a difference.
    pub critical: Option<u64>,
    /// Achieved risk of the pooled test.
    pub alpha: f64,
    /// Power if all were alike.
    #[serde(rename = "power_if_alike")]
    pub power: f64,
}

/// Exact power of the pooled test over numbers of trials of each listener.
///
/// # Errors
/// As [`pooled_power`]; a panel too large for the exact computation.
pub fn table(
    panel: &PanelDesign,
    trials_each: impl IntoIterator<Item = u64>,
) -> Result<Vec<PanelRow>, StatsError> {
    trials_each
        .into_iter()
        .map(|trials| {
            let Risks { trials: all, critical, alpha, power } = panel.design.risks(panel.listeners * trials)?;
            let exact = pooled_power(&PanelDesign { trials, ..*panel })?.ok_or_else(|| {
                StatsError::Other(format!(
                    "{} listeners of {trials} trials each are too many for a table or a curve of exact powers: ask for \
                     fewer trials, or for one number of them with the simulation",
                    panel.listeners
                ))
            })?;
            Ok(PanelRow {
                trials_each: trials,
                power: exact,
                alike: AlikeRisks { trials: all, critical, alpha, power },
            })
        })
        .collect()
}

/// Largest work of the exact convolution.
const MOST_WORK: u128 = 2_000_000_000;

/// Exact probability that the pooled test shows a difference: the distribution of the sum of all listeners' scores by
/// repeated doubling. Nothing where that would take long.
///
/// # Errors
/// No listeners or trials, too many, gamma outside 0..1.
pub fn pooled_power(panel: &PanelDesign) -> Result<Option<f64>, StatsError> {
    let PanelDesign { design, listeners, trials, gamma } = *panel;
    check(panel)?;
    let all = listeners * trials;
    if u128::from(all) * u128::from(all) > MOST_WORK {
        return Ok(None);
    }
    let Some(critical) = design.risks(all)?.critical else { return Ok(Some(0.0)) };
    let chance = design.protocol.chance();
    let one = score_probabilities(chance, (design.proportion - chance) / (1.0 - chance), gamma, trials);
    let mut sum = vec![1.0];
    let mut power = one;
    let mut left = listeners;
    while left > 0 {
        if left % 2 == 1 {
            sum = convolve(&sum, &power);
        }
        left /= 2;
        if left > 0 {
            power = convolve(&power, &power);
        }
    }
    let upper: f64 = sum.iter().skip(critical as usize).rev().sum();
    let lower: f64 = if design.inquiry().two_sided() && 2 * critical > all {
        sum.iter().take((all - critical) as usize + 1).sum()
    } else {
        0.0
    };
    Ok(Some((upper + lower).min(1.0)))
}

fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut result = vec![0.0; a.len() + b.len() - 1];
    for (i, p) in a.iter().enumerate() {
        for (cell, q) in result[i..].iter_mut().zip(b) {
            *cell += p * q;
        }
    }
    result
}

/// Fewest trials of each listener for which the pooled test reaches `power`, with that power; nothing where not even
/// `most` do, as when listeners differ so much that more trials of the same ones do not help.
///
/// # Errors
/// As [`pooled_power`]; a panel too large for the exact computation.
pub fn trials_needed(panel: &PanelDesign, power: f64, most: u64) -> Result<Option<(u64, f64)>, StatsError> {
    error::inside("the power", power, 0.0, 1.0)?;
    for trials in 1..=most {
        let reached = pooled_power(&PanelDesign { trials, ..*panel })?;
        match reached {
            Some(reached) if reached >= power => return Ok(Some((trials, reached))),
            Some(_) => {}
            None => return Ok(None),
        }
    }
    Ok(None)
}

/// Probability that a panel of guessers supports "listeners like these hear it in at most `limit` of trials" at a risk
/// ([`super::population`]; a score below guessing supports nothing), by simulation.
///
/// # Errors
/// Fewer than two listeners; no or too many trials; limit or risk outside 0..1.
pub fn supported_for_others(
    inquiry: Inquiry,
    listeners: u64,
    trials: u64,
    (limit, risk): (f64, f64),
    simulations: u64,
    seed: u64,
) -> Result<Simulated, StatsError> {
    error::inside("the limit of the share of discriminators", limit, 0.0, 1.0)?;
    error::inside("the risk", risk, 0.0, 1.0)?;
    let chance = inquiry.chance();
    let design = Design { protocol: inquiry.protocol, sides: inquiry.sides, alpha: risk, proportion: chance };
    check(&PanelDesign { design, listeners, trials, gamma: 0.0 })?;
    if listeners < 2 || simulations == 0 {
        return Err(StatsError::Other(format!(
            "{simulations} simulations of {listeners} listeners say nothing of others: at least 1 simulation of 2 listeners"
        )));
    }
    let guesser = Scores::new(&score_probabilities(chance, 0.0, 0.0, trials));
    let below = one::most_below_guessing(inquiry, listeners * trials);
    let [supported] = means(simulations, seed, |generator| {
        let scores: Vec<Tally> =
            (0..listeners).map(|_| Tally::new(guesser.draw(generator), trials)).collect();
        let all: u64 = scores.iter().map(|score| score.correct).sum();
        let supported = below.is_none_or(|most| all > most)
            && Profile::new(&scores, chance).is_ok_and(|profile| profile.p_value_at_most(limit) <= risk);
        [f64::from(u8::from(supported))]
    });
    Ok(supported)
}
