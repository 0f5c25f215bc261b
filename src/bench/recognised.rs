//! The phase of an exponential sweep, found in its own zero crossings: nobody has to say which sweep was played.
//!
//! The m-th upward crossing of `sin(2 pi K e^(t/L))` stands where `K e^(t/L)` is whole. For a time constant L the crossings
//! lie on a straight line over `e^(t/L)`; the L with the straightest line is the sweep's.

use std::ops::Range;

use crate::stats::special::peak;

/// Crossings that the line is drawn through, evenly spread over time.
const MOST_CROSSINGS: usize = 400;
/// Fewer crossings are no sweep.
const FEWEST_CROSSINGS: usize = 30;
/// Crossings closer than so many samples are not where they seem.
const CLOSEST: f64 = 5.0;
/// Between two crossings the sound goes below this share of its peak.
const SWING: f64 = 0.2;
/// Root mean square deviation from the line in turns, above which the sound is no exponential sweep.
const MOST_OFF: f64 = 0.3;

/// The phase of a sweep over time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepPhase {
    /// Time constant in samples.
    pub constant: f64,
    /// Turns over `e^((t - origin)/constant)`.
    scale: f64,
    /// Turns that are added.
    offset: f64,
    /// The sample that the exponential counts from.
    origin: f64,
    /// Root mean square of the crossings' deviations, in turns.
    pub scatter: f64,
}

impl SweepPhase {
    /// Phase in turns at a place in samples.
    pub fn turns(&self, place: f64) -> f64 {
        self.scale * ((place - self.origin) / self.constant).exp() + self.offset
    }

    /// Its frequency at a place in samples, in turns per sample.
    pub fn frequency(&self, place: f64) -> f64 {
        self.scale / self.constant * ((place - self.origin) / self.constant).exp()
    }

    /// The place in samples at which the sweep has a frequency in turns per sample.
    pub fn place(&self, frequency: f64) -> f64 {
        self.origin + self.constant * (frequency * self.constant / self.scale).ln()
    }

    /// The sweep that stands at `sound` of `samples`; `None` if what stands there is none.
    pub fn of(samples: &[f64], sound: &Range<usize>) -> Option<Self> {
        let all = crossings(&samples[sound.clone()]);
        // The fade-in lifts the noise, too: the first crossings tell the least.
        let all = &all[all.len().min(2)..];
        if all.len() < FEWEST_CROSSINGS {
            return None;
        }
        let (first, last) = (all[0], all[all.len() - 1]);
        let mut chosen: Vec<(f64, f64)> = Vec::with_capacity(MOST_CROSSINGS);
        for step in 0..MOST_CROSSINGS {
            let wanted = first + (last - first) * step as f64 / (MOST_CROSSINGS - 1) as f64;
            let index = all.partition_point(|place| *place < wanted).min(all.len() - 1);
            if chosen.last().is_none_or(|before| before.1 < index as f64) {
                chosen.push((all[index], index as f64));
            }
        }
        let length = last - first;
        let fitted = |constant: f64| line(&chosen, last, constant);
        // From a sweep over a third of an octave to one over 17 octaves.
        let (low, high) = ((length / 12.0).ln(), (length / 0.25).ln());
        let steps = 300;
        let at = |step: f64| (low + (high - low) * step / f64::from(steps)).exp();
        let best = (0..=steps).map(f64::from).min_by(|a, b| fitted(at(*a)).2.total_cmp(&fitted(at(*b)).2))?;
        let constant = at(peak(best - 1.0, best + 1.0, 60, |step| -fitted(at(step)).2).0);
        let (scale, offset, scatter) = fitted(constant);
        let phase = Self { constant, scale, offset, origin: last + sound.start as f64, scatter };
        (scatter < MOST_OFF && scale > 0.0).then_some(phase)
    }
}

/// Places of upward zero crossings in samples, up to where they come too close to be told apart.
fn crossings(samples: &[f64]) -> Vec<f64> {
    let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    let mut below = true;
    let mut found: Vec<f64> = Vec::new();
    for (index, pair) in samples.windows(2).enumerate() {
        below |= pair[0] < -SWING * peak;
        if !(below && pair[0] <= 0.0 && pair[1] > 0.0) {
            continue;
        }
        below = false;
        let place = index as f64 + pair[0] / (pair[0] - pair[1]);
        if found.last().is_some_and(|last| place - last < CLOSEST) {
            break;
        }
        found.push(place);
    }
    found
}

/// The straight line through crossings over `e^((t - origin)/constant)`: turns per unit, turns at 0, and the root mean
/// square deviation in turns.
fn line(crossings: &[(f64, f64)], origin: f64, constant: f64) -> (f64, f64, f64) {
    let count = crossings.len() as f64;
    let points: Vec<(f64, f64)> =
        crossings.iter().map(|(place, turn)| (((place - origin) / constant).exp(), *turn)).collect();
    let (x, y) = (
        points.iter().map(|point| point.0).sum::<f64>() / count,
        points.iter().map(|point| point.1).sum::<f64>() / count,
    );
    let along: f64 = points.iter().map(|point| (point.0 - x).powi(2)).sum();
    let across: f64 = points.iter().map(|point| (point.0 - x) * (point.1 - y)).sum();
    let slope = across / along;
    let offset = y - slope * x;
    let left: f64 = points.iter().map(|point| (point.1 - offset - slope * point.0).powi(2)).sum();
    (slope, offset, (left / count).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::sweep::Sweep;

    #[test]
    fn a_sweep_is_recognised_and_other_sounds_are_not() {
        let sweep = Sweep { seconds: 1.0, repeats: 1, ..Sweep::default() };
        let samples = sweep.samples().expect("allowed");
        let sound = sweep.lead_frames()..samples.len() - sweep.lead_frames();
        let found = SweepPhase::of(&samples, &sound).expect("a sweep");
        assert!((found.constant / 48_000.0 / sweep.time_constant_s() - 1.0).abs() < 1e-4, "{found:?}");
        let at = found.place(1000.0 / 48_000.0);
        let exact =
            sweep.lead_frames() as f64 + 48_000.0 * sweep.time_constant_s() * (1000.0 / sweep.from_hz).ln();
        assert!((at - exact).abs() < 2.0, "{at} {exact}");
        // A linear sweep, a sine and noise.
        let linear: Vec<f64> = (0..48_000)
            .map(|n| (std::f64::consts::TAU * 0.1 * f64::from(n).powi(2) / 48_000.0).sin())
            .collect();
        let sine: Vec<f64> = (0..48_000).map(|n| (f64::from(n) * 0.1).sin()).collect();
        let noise: Vec<f64> =
            (0..48_000).map(|n| (f64::from(n) * 12.9898).sin() * 43_758.545_3 % 1.0).collect();
        for other in [linear, sine, noise] {
            assert_eq!(SweepPhase::of(&other, &(0..48_000)), None);
        }
    }
}
