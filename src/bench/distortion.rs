//! Harmonic distortion over frequency, from the sweep.
//!
//! The n-th harmonic of a sweep has n times its phase at every moment (that is what synchronised means: Novak, Simon &
//! Lotton 2015). So each harmonic is read off where the sweep passes a frequency: the sound times `e^(-j n phase)` under a
//! Kaiser window that is wide enough to leave the neighbours 150 dB down. The halves between the orders hold noise alone:
//! they are the floor.

use num_complex::Complex64;
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::recognised::SweepPhase;
use super::recording::Channel;
use super::repeats::{Dropped, Repeats};
use super::sweep::{FADE_IN_OCTAVES, FADE_OUT_OCTAVES, MEASURED_SHARE};
use super::{BenchError, logarithmic};
use crate::clip::shift::kaiser;
use crate::units::printed;

/// The highest harmonic.
pub const HIGHEST_ORDER: usize = 9;
/// Frequencies in an octave.
const PER_OCTAVE: f64 = 12.0;
/// A window holds so many periods at least ...
const PERIODS: f64 = 12.0;
/// ... or so much of an octave.
const WINDOW_OCTAVES: f64 = 1.0 / 6.0;
/// Periods in a time constant of the sweep, below which a window sees too few of them before its middle.
const SETTLED: f64 = 16.0;
/// Confidence of the uncertainty of a difference.
const CONFIDENCE: f64 = 0.95;

/// One harmonic over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Harmonic {
    /// Its order, 2 to 9.
    pub order: usize,
    /// Level in dB relative to the fundamental, at the fundamental's frequency; `None` where it lies beyond the band.
    pub level_db: Vec<Option<f64>>,
}

/// Distortion over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Distortion {
    /// Frequencies of the fundamental in Hz.
    pub frequency_hz: Vec<f64>,
    /// Second to ninth harmonic.
    pub harmonics: Vec<Harmonic>,
    /// Total harmonic distortion in percent of the fundamental: root of the sum of the harmonics' squares.
    pub thd_percent: Vec<f64>,
    /// Standard deviation of the mean of the same, over the repeats; `None` of one repeat.
    pub thd_std_percent: Option<Vec<f64>>,
    /// What noise alone gives as one harmonic, in dB relative to the fundamental.
    pub floor_db: Vec<f64>,
    /// Each repeat's THD in percent, root mean square over the frequencies.
    pub overall_percent: Vec<f64>,
    /// Noise while nothing is played, in dBFS.
    pub noise_dbfs: Option<f64>,
    /// Repeats that were thrown away.
    pub dropped: Vec<Dropped>,
}

/// The difference of two distortions: of sweeps, of two tones or of steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// First minus second, in percent of the fundamental, root mean square over frequency.
    pub percent: f64,
    /// Its uncertainty at 95 %, in percent of the fundamental; `None` without repeats.
    pub uncertainty_percent: Option<f64>,
}

impl std::fmt::Display for Apart {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Some(uncertainty) = self.uncertainty_percent else {
            return write!(
                formatter,
                "{}, of one signal each: record two or more to know what repeating the same cable gives",
                printed::fine_percent(self.percent)
            );
        };
        // As many decimals as the uncertainty has in its two first digits.
        let places = (1.0 - uncertainty.max(1e-6).log10().floor()).max(0.0) as usize;
        let percent = |value: f64| printed::fixed(value, places, "%");
        write!(
            formatter,
            "{} ± {}: {}",
            percent(self.percent),
            percent(uncertainty),
            if self.percent.abs() <= uncertainty {
                "not distinguishable from repeating the same cable"
            } else {
                "more than repeating the same signal explains; put the first cable back and measure again before you believe it"
            }
        )
    }
}

/// One repeat: harmonics at each frequency relative to the fundamental, complex, with the fundamental's phase taken out.
struct Single {
    orders: Vec<Vec<Complex64>>,
    floor: Vec<f64>,
}

/// Amplitudes of a sound at the multiples `1, 1.5, 2, ..` of a sweep's phase, around a place.
fn amplitudes(samples: &[f64], phase: &SweepPhase, place: f64, half: f64) -> Vec<Complex64> {
    let count = 2 * HIGHEST_ORDER;
    let mut sums = vec![Complex64::ZERO; count];
    let mut weights = 0.0;
    let first = (place - half).ceil() as usize;
    for (index, sample) in samples[first..=(place + half).floor() as usize].iter().enumerate() {
        let at = (first + index) as f64;
        let weight = kaiser((at - place) / half);
        weights += weight;
        let turn = Complex64::cis(-std::f64::consts::PI * phase.turns(at).rem_euclid(2.0));
        let mut power = turn;
        let value = weight * sample;
        for sum in &mut sums {
            power *= turn;
            *sum += value * power;
        }
    }
    sums.into_iter().map(|sum| 2.0 * sum / weights).collect()
}

/// Measures the harmonics on a channel that holds a sweep.
///
/// # Errors
/// Silence, clipping, no sweep, or one too short for a single window.
pub fn measured(channel: &Channel<'_>) -> Result<Distortion, BenchError> {
    channel.check()?;
    let mut repeats = Repeats::find(channel, None)?;
    repeats.compare(channel, 0)?;
    let rate = f64::from(channel.rate_hz);
    let highest = MEASURED_SHARE * rate;
    let constant = repeats.phases[0].constant;
    let octave = constant * std::f64::consts::LN_2;
    let windows: Vec<(f64, f64)> = repeats
        .starts
        .iter()
        .map(|start| {
            let start = (start + repeats.lead) as f64;
            (
                start + FADE_IN_OCTAVES * octave,
                start + (repeats.frames - 2 * repeats.lead) as f64 - FADE_OUT_OCTAVES * octave,
            )
        })
        .collect();
    let half = |frequency: f64| (PERIODS * rate / frequency).max(WINDOW_OCTAVES * octave) / 2.0;
    let frequency_hz: Vec<f64> = logarithmic(10.0, highest / 2.0, PER_OCTAVE)
        .into_iter()
        .filter(|frequency| {
            frequency * constant >= SETTLED * rate
                && repeats.phases.iter().zip(&windows).all(|(phase, (from, to))| {
                    let place = phase.place(frequency / rate);
                    place - half(*frequency) >= *from && place + half(*frequency) <= *to
                })
        })
        .collect();
    if frequency_hz.is_empty() {
        return Err(BenchError(format!(
            "{}: its sweeps are too short to tell harmonics apart; use a sweep of 5 s or more",
            channel.name
        )));
    }
    let singles: Vec<Single> = repeats
        .phases
        .iter()
        .map(|phase| {
            let (mut orders, mut floor) = (Vec::new(), Vec::new());
            for frequency in &frequency_hz {
                let all = amplitudes(channel.samples, phase, phase.place(frequency / rate), half(*frequency));
                let first = all[0];
                let turn = first.conj() / first.norm();
                orders.push(
                    (2..=HIGHEST_ORDER)
                        .map(|order| all[2 * order - 2] / first.norm() * turn.powu(order as u32))
                        .collect(),
                );
                let within = |index: &usize| (0.5 * *index as f64 + 1.0) * frequency < highest;
                let halves: Vec<f64> =
                    (1..all.len()).step_by(2).filter(within).map(|index| all[index].norm_sqr()).collect();
                floor.push(halves.iter().sum::<f64>() / halves.len().max(1) as f64 / first.norm_sqr());
            }
            Single { orders, floor }
        })
        .collect();
    Ok(summarised(frequency_hz, highest, &singles, channel, repeats.dropped))
}

fn summarised(
    frequency_hz: Vec<f64>,
    highest: f64,
    singles: &[Single],
    channel: &Channel<'_>,
    dropped: Vec<Dropped>,
) -> Distortion {
    let count = singles.len() as f64;
    let level = |square: f64| (10.0 * square.log10()).max(-200.0);
    let mut harmonics: Vec<Harmonic> =
        (2..=HIGHEST_ORDER).map(|order| Harmonic { order, level_db: Vec::new() }).collect();
    let (mut thd_percent, mut thd_std_percent, mut floor_db) = (Vec::new(), Vec::new(), Vec::new());
    let mut squares = vec![0.0; singles.len()];
    for (at, frequency) in frequency_hz.iter().enumerate() {
        let (mut total, mut spread) = (0.0, 0.0);
        for harmonic in &mut harmonics {
            if harmonic.order as f64 * frequency > highest {
                harmonic.level_db.push(None);
                continue;
            }
            let index = harmonic.order - 2;
            let mean = singles.iter().map(|single| single.orders[at][index]).sum::<Complex64>() / count;
            let scatter =
                singles.iter().map(|single| (single.orders[at][index] - mean).norm_sqr()).sum::<f64>()
                    / (count - 1.0).max(1.0)
                    / count;
            total += mean.norm_sqr();
            spread += mean.norm_sqr() * scatter / 2.0;
            harmonic.level_db.push(Some(level(mean.norm_sqr())));
            for (square, single) in squares.iter_mut().zip(singles) {
                *square += single.orders[at][index].norm_sqr();
            }
        }
        thd_percent.push(100.0 * total.sqrt());
        thd_std_percent.push(100.0 * (spread / total.max(f64::MIN_POSITIVE)).sqrt());
        // The mean of several sweeps has less noise than one of them.
        floor_db.push(level(singles.iter().map(|single| single.floor[at]).sum::<f64>() / count / count));
    }
    let points = frequency_hz.len() as f64;
    Distortion {
        harmonics,
        thd_percent,
        thd_std_percent: (singles.len() > 1).then_some(thd_std_percent),
        floor_db,
        overall_percent: squares.into_iter().map(|square| 100.0 * (square / points).sqrt()).collect(),
        noise_dbfs: channel.noise_dbfs(&channel.stretches()),
        frequency_hz,
        dropped,
    }
}

/// The difference of two distortions with what the repeats say of it.
pub fn apart(first: &Distortion, second: &Distortion) -> Apart {
    apart_of(&first.overall_percent, &second.overall_percent)
}

/// The difference of two means with what their repeats say of it, all in percent (Welch 1947, Biometrika 34:28).
pub fn apart_of(first: &[f64], second: &[f64]) -> Apart {
    let of = |values: &[f64]| {
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (count - 1.0) / count;
        (mean, variance, count - 1.0)
    };
    let (a, b) = (of(first), of(second));
    let uncertainty_percent = (a.2 >= 1.0 && b.2 >= 1.0).then(|| {
        let variance = a.1 + b.1;
        let freedom = if variance > 0.0 {
            variance * variance / (a.1 * a.1 / a.2 + b.1 * b.1 / b.2)
        } else {
            a.2 + b.2
        };
        let quantile = StudentsT::new(0.0, 1.0, freedom.max(1.0))
            .map_or(f64::INFINITY, |student| student.inverse_cdf(0.5 + CONFIDENCE / 2.0));
        quantile * variance.sqrt()
    });
    Apart { percent: a.0 - b.0, uncertainty_percent }
}
