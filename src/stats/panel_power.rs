//! Planning a panel: listeners who differ from each other, by seeded simulation.
//!
//! Each listener's proportion of trials in which the difference is heard comes from a beta distribution with mean `mu`
//! and over-dispersion `gamma` (chance-corrected beta-binomial, see [`super::beta_binomial`]); answers are pooled.

use serde::Serialize;

use super::power::{Design, Risks};
use super::simulate::{Scores, Simulated, means};
use super::special::ln_binomial_raw;
use super::{Protocol, StatsError, error, one};

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
    /// Probability that the pooled test shows a difference.
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

/// Simulates the panel.
///
/// # Errors
/// No listeners or trials, more than 2000 trials or 100,000 listeners, gamma outside 0..1, no simulations or too many.
pub fn simulate(panel: &PanelDesign, simulations: u64, seed: u64) -> Result<PanelPower, StatsError> {
    let PanelDesign { design, listeners, trials, gamma } = *panel;
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
    let alone_critical = one::critical(design.protocol, trials, design.alpha).unwrap_or(u64::MAX);
    // Holm's first step: the best listener's p-value at alpha/m.
    let holm_critical =
        one::critical(design.protocol, trials, design.alpha / listeners as f64).unwrap_or(u64::MAX);
    let two_sided = design.protocol == Protocol::Preference;
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
    Ok(PanelPower { alike, pooled, any_listener, passers_alone, seed })
}
