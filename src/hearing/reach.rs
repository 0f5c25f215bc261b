//! How long cables would have to be for a difference of a chosen size.

use super::difference::{BAND_HZ, Difference, logarithmic};
use crate::circuit::{Chain, CircuitError};

/// Longest cable in metres that is looked at: beyond, nobody connects a loudspeaker.
const LONGEST_M: f64 = 10_000.0;
/// Frequencies on which a difference is looked for; enough for a cable, which has no narrow features of its own.
const POINTS: usize = 91;

/// Largest difference in dB as wired, 20 Hz to 20 kHz, on a coarse grid.
fn largest(a: &Chain, b: &Chain) -> Result<f64, CircuitError> {
    let difference = Difference::between(a, b, &logarithmic(BAND_HZ.0, BAND_HZ.1, POINTS))?;
    Ok(difference.gain_db.iter().map(|gain| gain.abs()).fold(0.0, f64::max))
}

/// The lengths in metres of both cables, stretched by one factor, at which the largest difference as wired first
/// reaches `decibels`.
///
/// `None` if a cable's length is unknown (a measured response or two-port, lumped values), if both are no cable, or if
/// no length up to 10 km does it.
pub fn lengths_for(a: &Chain, b: &Chain, decibels: f64) -> Result<Option<(f64, f64)>, CircuitError> {
    let (Some(length_a), Some(length_b)) = (a.cable.length_m(), b.cable.length_m()) else { return Ok(None) };
    let longest = length_a.max(length_b);
    if longest <= 0.0 || decibels.is_nan() || decibels <= 0.0 {
        return Ok(None);
    }
    let at = |factor: f64| -> Result<Option<f64>, CircuitError> {
        let (Some(cable_a), Some(cable_b)) = (a.cable.stretched(factor), b.cable.stretched(factor)) else {
            return Ok(None);
        };
        largest(&Chain { cable: cable_a, ..a.clone() }, &Chain { cable: cable_b, ..b.clone() }).map(Some)
    };
    let found = first_crossing(at, 0.01 / longest, LONGEST_M / longest, decibels)?;
    Ok(found.map(|factor| (factor * length_a, factor * length_b)))
}

/// The length in metres of the cable of `longer`, from its own length upwards, at which the largest difference to `other`,
/// which stays as it is, first reaches `decibels`; its own length if it does so already.
///
/// `None` as for [`lengths_for`].
pub fn length_alone_for(longer: &Chain, other: &Chain, decibels: f64) -> Result<Option<f64>, CircuitError> {
    let Some(length) = longer.cable.length_m().filter(|length| *length > 0.0) else { return Ok(None) };
    if decibels.is_nan() || decibels <= 0.0 {
        return Ok(None);
    }
    let at = |factor: f64| -> Result<Option<f64>, CircuitError> {
        let Some(cable) = longer.cable.stretched(factor) else { return Ok(None) };
        largest(&Chain { cable, ..longer.clone() }, other).map(Some)
    };
    match at(1.0)? {
        None => Ok(None),
        Some(size) if size >= decibels => Ok(Some(length)),
        Some(_) => {
            let found = first_crossing(at, 1.0, LONGEST_M / length, decibels)?;
            Ok(found.map(|factor| factor * length))
        }
    }
}

/// The smallest factor from `start` on at which a size reaches a goal: the first crossing on a ladder of steps of a quarter,
/// then bisection between its two rungs.
fn first_crossing(
    at: impl Fn(f64) -> Result<Option<f64>, CircuitError>,
    start: f64,
    last: f64,
    goal: f64,
) -> Result<Option<f64>, CircuitError> {
    let (mut factor, mut below) = (start, 0.0);
    loop {
        match at(factor)? {
            None => return Ok(None),
            Some(size) if size >= goal => break,
            Some(_) => below = factor,
        }
        if factor >= last {
            return Ok(None);
        }
        factor *= 1.25;
    }
    let mut above = factor;
    for _ in 0..26 {
        let middle = 0.5 * (below + above);
        if at(middle)?.is_some_and(|size| size >= goal) {
            above = middle;
        } else {
            below = middle;
        }
    }
    Ok(Some(above))
}
