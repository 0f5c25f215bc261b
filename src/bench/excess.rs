//! The delay and polarity that a measured response has beyond its own minimum phase.
//!
//! What gain a response has above the measured band decides how much of its phase is its own, and nobody has measured it
//! there. Two continuations are tried: an analogue circuit, whose gain falls on as that of a pole
//! ([`minimum_phase`]), and a digital filter, whose gain is mirrored at half the sample rate (Oppenheim & Schafer,
//! Discrete-Time Signal Processing, ch. 12: the phase is the Hilbert transform of the logarithm of the gain). The right one
//! leaves a straight line over frequency, which is the delay; the other leaves a bend.

use num_complex::Complex64;

use crate::circuit::delay::minimum_phase;
use crate::clip::fourier::{signal, spectrum};

/// The line is drawn through what lies below this share of the sample rate: above, the continuation weighs most.
const HIGHEST_SHARE: f64 = 0.36;
/// Points of the uniform axis of a digital filter, from 0 to half the rate.
const POINTS: usize = 1 << 16;
/// The digital filter has to leave so much less of a bend to be believed.
const CLEARLY: f64 = 0.5;

/// What a response has beyond its own minimum phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beyond {
    /// Delay in seconds.
    pub delay_s: f64,
    /// The polarity is reversed.
    pub inverted: bool,
    /// What is left of the phase, root mean square, in radians.
    pub bend: f64,
}

impl Beyond {
    /// Of values at strictly increasing frequencies in Hz, of which most of the delay has been taken out; `rate_hz` is the
    /// rate they were measured at.
    pub fn of(frequencies_hz: &[f64], values: &[Complex64], rate_hz: f64) -> Self {
        let gain_db: Vec<f64> = values.iter().map(|value| 20.0 * value.norm().log10()).collect();
        let analogue = straight(frequencies_hz, values, &minimum_phase(frequencies_hz, &gain_db), rate_hz);
        let digital = straight(frequencies_hz, values, &mirrored(frequencies_hz, &gain_db, rate_hz), rate_hz);
        if digital.bend < CLEARLY * analogue.bend { digital } else { analogue }
    }
}

/// The straight line through what is left of the phase without `own`: from 0, or from half a turn.
fn straight(frequencies_hz: &[f64], values: &[Complex64], own: &[f64], rate_hz: f64) -> Beyond {
    let mut left: Vec<f64> = values.iter().zip(own).map(|(value, own)| value.arg() - own).collect();
    for at in 1..left.len() {
        left[at] -= std::f64::consts::TAU * ((left[at] - left[at - 1]) / std::f64::consts::TAU).round();
    }
    let highest = HIGHEST_SHARE * rate_hz;
    // Points are as dense as octaves; each stands for a stretch of frequency as wide as itself.
    let points: Vec<(f64, f64)> =
        frequencies_hz.iter().copied().zip(left).filter(|(frequency, _)| *frequency <= highest).collect();
    let weight: f64 = points.iter().map(|(f, _)| f).sum();
    let (x, y) = (
        points.iter().map(|(f, _)| f * f).sum::<f64>() / weight,
        points.iter().map(|(f, phase)| f * phase).sum::<f64>() / weight,
    );
    let along: f64 = points.iter().map(|(f, _)| f * (f - x).powi(2)).sum();
    let slope = points.iter().map(|(f, phase)| f * (f - x) * (phase - y)).sum::<f64>() / along;
    let half_turns = ((y - slope * x) / std::f64::consts::PI).round();
    let offset = half_turns * std::f64::consts::PI;
    let square: f64 = points.iter().map(|(f, _)| f * f * f).sum();
    let slope = points.iter().map(|(f, phase)| f * f * (phase - offset)).sum::<f64>() / square;
    let bend = points.iter().map(|(f, phase)| f * (phase - offset - slope * f).powi(2)).sum::<f64>() / weight;
    Beyond {
        delay_s: -slope / std::f64::consts::TAU,
        inverted: half_turns.rem_euclid(2.0) == 1.0,
        bend: bend.sqrt(),
    }
}

/// The phase in radians of the digital filter of least phase with this gain.
fn mirrored(frequencies_hz: &[f64], gain_db: &[f64], rate_hz: f64) -> Vec<f64> {
    let nepers = std::f64::consts::LN_10 / 20.0;
    let logs: Vec<f64> = frequencies_hz.iter().map(|frequency| frequency.ln()).collect();
    let last = frequencies_hz[frequencies_hz.len() - 1];
    let beyond = Continued::new(frequencies_hz, gain_db, rate_hz);
    let course: Vec<f64> = (0..=POINTS)
        .map(|at| {
            let frequency = at as f64 / POINTS as f64 * rate_hz / 2.0;
            nepers
                * if frequency > last {
                    beyond.at(frequency)
                } else if frequency <= frequencies_hz[0] {
                    gain_db[0]
                } else {
                    cubic(&logs, gain_db, frequency.ln())
                }
        })
        .collect();
    // The real cepstrum; what comes before time 0 is folded onto what comes after it.
    let mut cepstrum =
        signal(course.into_iter().map(|value| Complex64::new(value, 0.0)).collect(), 2 * POINTS);
    cepstrum[1..POINTS].iter_mut().for_each(|value| *value *= 2.0);
    cepstrum[POINTS + 1..].fill(0.0);
    let phase: Vec<f64> = spectrum(&cepstrum, 2 * POINTS).iter().map(|value| value.im).collect();
    frequencies_hz
        .iter()
        .map(|frequency| {
            let place = frequency / rate_hz * 2.0 * POINTS as f64;
            let at = (place.floor() as usize).min(POINTS - 1);
            phase[at] + (place - at as f64) * (phase[at + 1] - phase[at])
        })
        .collect()
}

/// The cubic through the four points around a place.
fn cubic(x: &[f64], y: &[f64], at: f64) -> f64 {
    let next = x.partition_point(|value| *value < at);
    let first = next.saturating_sub(2).min(x.len().saturating_sub(4));
    let four = first..(first + 4).min(x.len());
    four.clone()
        .map(|own| {
            let others = four.clone().filter(|other| *other != own);
            y[own] * others.map(|other| (at - x[other]) / (x[own] - x[other])).product::<f64>()
        })
        .sum()
}

/// A gain above the measured band as a digital filter has it: even about half the rate, with zeros there if it falls so.
struct Continued {
    weights: [f64; 4],
    rate_hz: f64,
}

impl Continued {
    fn terms(frequency_hz: f64, rate_hz: f64) -> [f64; 4] {
        let angle = std::f64::consts::PI * frequency_hz / rate_hz;
        let even = (0.5 - frequency_hz / rate_hz).powi(2);
        [1.0, even, even * even, angle.cos().abs().max(1e-6).ln()]
    }

    /// Least squares through the octave below the end of the band.
    fn new(frequencies_hz: &[f64], gain_db: &[f64], rate_hz: f64) -> Self {
        let last = frequencies_hz[frequencies_hz.len() - 1];
        let mut normal = [[0.0; 5]; 4];
        for (frequency, gain) in frequencies_hz.iter().zip(gain_db).filter(|(f, _)| **f > 0.6 * last) {
            let terms = Self::terms(*frequency, rate_hz);
            for (row, own) in normal.iter_mut().zip(terms) {
                for (cell, other) in row.iter_mut().zip(terms) {
                    *cell += own * other;
                }
                row[4] += own * gain;
            }
        }
        Self { weights: solved(normal), rate_hz }
    }

    fn at(&self, frequency_hz: f64) -> f64 {
        Self::terms(frequency_hz, self.rate_hz)
            .iter()
            .zip(self.weights)
            .map(|(term, weight)| term * weight)
            .sum()
    }
}

/// The solution of four equations, with the smallest pivots left out.
fn solved(mut rows: [[f64; 5]; 4]) -> [f64; 4] {
    let mut answer = [0.0; 4];
    for column in 0..4 {
        let pivot = (column..4)
            .max_by(|a, b| rows[*a][column].abs().total_cmp(&rows[*b][column].abs()))
            .unwrap_or(column);
        rows.swap(column, pivot);
        if rows[column][column].abs() < 1e-14 {
            continue;
        }
        let own = rows[column];
        for row in rows.iter_mut().skip(column + 1) {
            let factor = row[column] / own[column];
            for (cell, value) in row.iter_mut().zip(own) {
                *cell -= factor * value;
            }
        }
    }
    for row in (0..4).rev() {
        let known: f64 = (row + 1..4).map(|column| rows[row][column] * answer[column]).sum();
        if rows[row][row].abs() >= 1e-14 {
            answer[row] = (rows[row][4] - known) / rows[row][row];
        }
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::logarithmic;

    #[test]
    fn an_inductance_and_a_digital_filter_both_keep_their_own_phase() {
        let frequencies = logarithmic(10.0, 21_600.0, 24.0);
        // 0.7 ohm and 8 uH into 6 ohm, and a digital one-pole shelf (bilinear), each delayed by a third of a sample.
        let analogue = |f: f64| 6.0 / Complex64::new(6.7, std::f64::consts::TAU * f * 8e-6);
        let digital = |f: f64| {
            let z = Complex64::cis(-std::f64::consts::TAU * f / 48_000.0);
            (1.2 + 0.3 * z) / (1.4 + 0.2 * z)
        };
        for (name, response) in [("analogue", &analogue as &dyn Fn(f64) -> Complex64), ("digital", &digital)]
        {
            for sign in [1.0, -1.0] {
                let delay = 0.333 / 48_000.0;
                let values: Vec<Complex64> = frequencies
                    .iter()
                    .map(|f| sign * response(*f) * Complex64::cis(-std::f64::consts::TAU * f * delay))
                    .collect();
                let found = Beyond::of(&frequencies, &values, 48_000.0);
                let error = (found.delay_s - delay) * 48_000.0;
                assert!(error.abs() < 0.005, "{name}: {error} samples, {found:?}");
                assert_eq!(found.inverted, sign < 0.0, "{name}");
            }
        }
    }
}
