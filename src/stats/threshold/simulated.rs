//! What so many trials achieve: simulated listeners, whose threshold is known.

use std::sync::Arc;

use super::Curve;
use super::grid::{Grid, LAPSES};
use super::track::{Method, Track};
use crate::stats::simulate::{Generator, Simulated};
use crate::stats::special::normal_quantile;
use rayon::prelude::*;

/// What simulated sittings have reached after so many trials.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Reach {
    /// Trials.
    pub trials: usize,
    /// Upper over lower bound of the 95 % interval: the mean of its logarithm, as a ratio.
    pub width: f64,
    /// Share of sittings whose interval is narrow enough.
    pub narrow: Simulated,
    /// Share of sittings whose interval holds the listener's threshold.
    pub coverage: Simulated,
}

/// A listener as the prior has them: threshold alike in logarithm over the range, slope and lapses by their weights.
fn by_prior(grid: &Grid, generator: &mut Generator) -> Curve {
    let range = grid.range();
    let threshold = range.smallest * (range.largest / range.smallest).powf(generator.uniform());
    let z = normal_quantile(generator.uniform().clamp(1e-12, 1.0 - 1e-12));
    let slope = (2.0_f64.ln() + 0.7 * z).exp().clamp(0.5, 8.0);
    let (mut left, mut lapse) = (generator.uniform(), 0.0);
    for (share, weight) in LAPSES {
        lapse = share;
        left -= weight;
        if left < 0.0 {
            break;
        }
    }
    Curve { threshold, slope, lapse }
}

/// What simulated sittings of listeners as the prior has them reach, trial by trial.
pub fn progress(
    grid: &Arc<Grid>,
    method: Method,
    ratio: f64,
    trials: usize,
    simulations: u64,
    seed: u64,
) -> Vec<Reach> {
    let all: Vec<Vec<[f64; 3]>> = (0..simulations)
        .into_par_iter()
        .map(|index| {
            let mut generator = Generator::new(seed, index);
            let listener = by_prior(grid, &mut generator);
            let mut track = Track::new(grid, method);
            (0..trials)
                .map(|_| {
                    let size = grid.levels()[track.next()];
                    track.answer(generator.uniform() < listener.right(size, grid.chance()));
                    let found = track.posterior().confidence();
                    let of = found.upper / found.lower;
                    let holds = (found.lower..=found.upper).contains(&listener.threshold);
                    [of.ln(), f64::from(u8::from(of <= ratio)), f64::from(u8::from(holds))]
                })
                .collect()
        })
        .collect();
    (0..trials)
        .map(|trial| {
            let column = |which: usize| mean(all.iter().map(|sitting| sitting[trial][which]), simulations);
            Reach { trials: trial + 1, width: column(0).value.exp(), narrow: column(1), coverage: column(2) }
        })
        .collect()
}

fn mean(values: impl Iterator<Item = f64> + Clone, simulations: u64) -> Simulated {
    let n = simulations.max(1) as f64;
    let value = values.clone().sum::<f64>() / n;
    let variance = values.map(|one| (one - value).powi(2)).sum::<f64>() / n;
    Simulated { value, standard_error: (variance / n).sqrt(), simulations }
}
