//! What so many trials achieve: simulated listeners, whose threshold is known.

use std::sync::Arc;

use super::Curve;
use super::grid::Grid;
use super::track::{Method, Track};
use crate::stats::simulate::{Generator, Simulated};
use rayon::prelude::*;

/// How simulated sittings came out.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Outcome {
    /// Upper over lower bound of the 95 % interval: the mean of its logarithm, as a ratio.
    pub width: f64,
    /// Share of sittings whose interval holds the listener's threshold.
    pub coverage: Simulated,
    /// Share of sittings whose interval is no wider than was asked for.
    pub narrow: Simulated,
    /// Trials that a sitting took: fewer than were planned where it ends when the interval is narrow enough.
    pub trials: Simulated,
}

/// A plan: how many trials, and when to end earlier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Most trials.
    pub trials: u32,
    /// Ratio of the interval's bounds that is narrow enough.
    pub ratio: f64,
    /// Whether the sitting ends as soon as it is.
    pub until_narrow: bool,
}

/// One simulated sitting.
pub fn sitting(
    grid: &Arc<Grid>,
    method: Method,
    listener: &Curve,
    plan: &Plan,
    generator: &mut Generator,
) -> Track {
    let mut track = Track::new(grid, method);
    for _ in 0..plan.trials {
        let size = grid.levels()[track.next()];
        track.answer(generator.uniform() < listener.right(size, grid.chance()));
        if plan.until_narrow && track.narrow(plan.ratio) {
            break;
        }
    }
    track
}

/// Simulated sittings of listeners whose threshold `listener` draws. The same seed gives the same result on any machine.
pub fn sittings(
    grid: &Arc<Grid>,
    method: Method,
    listener: impl Fn(&mut Generator) -> Curve + Sync,
    plan: &Plan,
    simulations: u64,
    seed: u64,
) -> Outcome {
    let all: Vec<[f64; 4]> = (0..simulations)
        .into_par_iter()
        .map(|index| {
            let mut generator = Generator::new(seed, index);
            let curve = listener(&mut generator);
            let track = sitting(grid, method, &curve, plan, &mut generator);
            let found = track.posterior().threshold();
            let ratio = found.upper / found.lower;
            let covered = (found.lower..=found.upper).contains(&curve.threshold);
            [
                ratio.ln(),
                f64::from(u8::from(covered)),
                f64::from(u8::from(ratio <= plan.ratio)),
                track.answers().len() as f64,
            ]
        })
        .collect();
    let n = simulations.max(1) as f64;
    let mean = |column: usize| {
        let value = all.iter().map(|row| row[column]).sum::<f64>() / n;
        let variance = all.iter().map(|row| (row[column] - value).powi(2)).sum::<f64>() / n;
        Simulated { value, standard_error: (variance / n).sqrt(), simulations }
    };
    Outcome { width: mean(0).value.exp(), coverage: mean(1), narrow: mean(2), trials: mean(3) }
}
