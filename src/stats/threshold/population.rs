//! The thresholds of listeners like these: a hierarchical estimate from the posterior of each.
//!
//! ln t of a listener is normal about the population's middle with its spread. Priors: flat over the grid for the middle,
//! half-normal with deviation 0.7 for the spread (a factor of two between listeners is usual, one of five is rare; common
//! practice, no source). Each listener enters with the whole marginal of the threshold, not with one number, so that a
//! listener about whom little is known says little. Source of the form: Gelman et al., Bayesian Data Analysis, 3rd edition
//! 2013, chapter 5 (from memory), here summed on a grid.

use serde::Serialize;

use super::posterior::Posterior;
use super::summary::{Estimate, quantile, three};
use crate::stats::special::normal;

/// Spreads considered, in ln units.
const SPREADS: usize = 80;
/// The widest.
const WIDEST: f64 = 2.0;
/// Deviation of the half-normal prior of the spread.
const PRIOR_DEVIATION: f64 = 0.7;

/// What is known of the listeners that these stand for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Population {
    /// The threshold of the listener in the middle.
    pub middle: Estimate,
    /// Factor within which two of three listeners lie about the middle: exp of the spread.
    pub spread: Estimate,
    /// Share of listeners whose threshold lies below size 1: who hear the real difference in every second trial or more
    /// often.
    pub below_one: Estimate,
}

/// The population of several listeners, who were asked on the same grid; `None` of fewer than two.
pub fn population(listeners: &[&Posterior]) -> Option<Population> {
    let [first, _, ..] = listeners else { return None };
    let middles = first.grid().ln_thresholds();
    let marginals: Vec<Vec<f64>> = listeners.iter().map(|listener| listener.of_thresholds()).collect();
    let step = middles[1] - middles[0];
    let mut cells = Vec::with_capacity(SPREADS * middles.len());
    for index in 0..SPREADS {
        let spread = WIDEST * (index as f64 + 0.5) / SPREADS as f64;
        let prior = -0.5 * (spread / PRIOR_DEVIATION).powi(2);
        // Mass of a normal distribution in each step, by distance in steps: exact also where the spread is below a step.
        let kernel: Vec<f64> = (0..middles.len())
            .map(|away| {
                let edge = |at: f64| normal(at * step / spread);
                edge(away as f64 + 0.5) - edge(away as f64 - 0.5)
            })
            .collect();
        for (place, middle) in middles.iter().enumerate() {
            let likelihood: f64 = marginals
                .iter()
                .map(|marginal| {
                    let seen: f64 =
                        marginal.iter().enumerate().map(|(at, mass)| mass * kernel[at.abs_diff(place)]).sum();
                    seen.max(f64::MIN_POSITIVE).ln()
                })
                .sum();
            cells.push((*middle, spread, prior + likelihood));
        }
    }
    let most = cells.iter().map(|cell| cell.2).fold(f64::NEG_INFINITY, f64::max);
    let weigh = |value: &dyn Fn(f64, f64) -> f64| -> Estimate {
        let mut sorted: Vec<(f64, f64)> =
            cells.iter().map(|&(middle, spread, log)| (value(middle, spread), (log - most).exp())).collect();
        sorted.sort_by(|one, other| one.0.total_cmp(&other.0));
        // Cells of one value become one point, or nothing lies between two values and every estimate is a grid point.
        sorted.dedup_by(|next, kept| {
            let same = next.0 == kept.0;
            kept.1 += if same { next.1 } else { 0.0 };
            same
        });
        let total: f64 = sorted.iter().map(|cell| cell.1).sum();
        let (values, masses): (Vec<f64>, Vec<f64>) =
            sorted.into_iter().map(|(value, mass)| (value, mass / total)).unzip();
        three(|probability| quantile(&values, &masses, probability))
    };
    let exp =
        |of: Estimate| Estimate { estimate: of.estimate.exp(), lower: of.lower.exp(), upper: of.upper.exp() };
    Some(Population {
        middle: exp(weigh(&|middle, _| middle)),
        spread: exp(weigh(&|_, spread| spread)),
        below_one: weigh(&|middle, spread| normal(-middle / spread)),
    })
}
