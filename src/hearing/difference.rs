//! The difference of two transfer functions, as wired and after the best single level match.

use num_complex::Complex64;

use crate::circuit::delay::Excess;
use crate::circuit::{Chain, CircuitError};
use crate::units::printed;

/// The audible band in Hz over which differences are summed up.
pub const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// Points per decade of the grid that a [`Summary`] is taken from: narrow enough that a loudspeaker's resonance of
/// Q 30 has ten points within its width.
const POINTS_PER_DECADE: f64 = 400.0;

/// Side A minus side B over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// Gain of A over gain of B in dB.
    pub gain_db: Vec<f64>,
    /// Phase of A minus phase of B in degrees, -180 to 180.
    pub phase_deg: Vec<f64>,
}

/// The difference in a few numbers, over 20 Hz to 20 kHz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Largest magnitude of the difference as wired, in dB.
    pub max_abs_db: f64,
    /// Where it is, in Hz.
    pub max_abs_at_hz: f64,
    /// Largest magnitude that is left after the best single level match, in dB.
    pub shape_max_abs_db: f64,
    /// Where that is, in Hz.
    pub shape_max_abs_at_hz: f64,
    /// The best single level match: the mean of the difference over the logarithm of frequency, in dB.
    pub level_db: f64,
    /// Difference at 1 kHz in dB.
    pub at_1khz_db: f64,
    /// Difference at 20 kHz in dB.
    pub at_20khz_db: f64,
    /// Level of the signal A minus B relative to A in dB, for a sound of equal power in every octave; minus infinity where
    /// both are the same. Delay and polarity count in it, which gains alone do not show.
    pub signal_db: f64,
    /// Delay of A against B in seconds beyond what their gains explain; 0 if there is none worth telling.
    pub delay_s: f64,
    /// One side has the other's polarity reversed.
    pub reversed: bool,
}

/// Gain in dB of a transfer function's value.
pub fn gain_db(value: Complex64) -> f64 {
    20.0 * value.norm().log10()
}

impl Difference {
    /// From the transfer functions of both sides at the same frequencies in Hz.
    pub fn new(frequency_hz: &[f64], a: &[Complex64], b: &[Complex64]) -> Self {
        let ratio = |(a, b): (&Complex64, &Complex64)| a / b;
        let ratios: Vec<Complex64> = a.iter().zip(b).map(ratio).collect();
        Self {
            frequency_hz: frequency_hz.to_vec(),
            gain_db: ratios.iter().map(|&ratio| gain_db(ratio)).collect(),
            phase_deg: ratios.iter().map(|ratio| ratio.arg().to_degrees()).collect(),
        }
    }

    /// Of two chains at frequencies in Hz.
    pub fn between(a: &Chain, b: &Chain, frequency_hz: &[f64]) -> Result<Self, CircuitError> {
        Ok(Self::new(frequency_hz, &a.transfer(frequency_hz)?, &b.transfer(frequency_hz)?))
    }
}

/// Frequencies in Hz, `count` of them (at least two), evenly spaced on a logarithmic axis, both ends included.
pub fn logarithmic(from_hz: f64, to_hz: f64, count: usize) -> Vec<f64> {
    let steps = count.max(2) - 1;
    (0..=steps)
        .map(
            |step| {
                if step == steps {
                    to_hz
                } else {
                    from_hz * (to_hz / from_hz).powf(step as f64 / steps as f64)
                }
            },
        )
        .collect()
}

impl Summary {
    /// Level of A minus B, polarity and delay in one line.
    pub fn signal_words(&self) -> String {
        let level = if self.signal_db.is_finite() {
            format!("{} relative to A", printed::fixed(self.signal_db, 1, "dB"))
        } else {
            "nothing".to_owned()
        };
        let polarity = if self.reversed { "polarity REVERSED" } else { "equal polarity" };
        let delay = if self.delay_s == 0.0 {
            "no delay".to_owned()
        } else {
            format!(
                "A is {} {} than B",
                printed::fixed(1e3 * self.delay_s.abs(), 3, "ms"),
                if self.delay_s > 0.0 { "later" } else { "earlier" }
            )
        };
        format!("{level}; {polarity}, {delay}")
    }

    /// Of two chains, on a grid of 400 points per decade from 20 Hz to 20 kHz.
    ///
    /// The level match is the least-squares one: the mean over a logarithmic axis, by the trapezium rule.
    pub fn between(a: &Chain, b: &Chain) -> Result<Self, CircuitError> {
        let (from, to) = BAND_HZ;
        let count = ((to / from).log10() * POINTS_PER_DECADE).round() as usize + 1;
        let frequencies = logarithmic(from, to, count);
        let (in_a, in_b) = (a.transfer(&frequencies)?, b.transfer(&frequencies)?);
        let difference = Difference::new(&frequencies, &in_a, &in_b);
        let power =
            |values: &mut dyn Iterator<Item = Complex64>| values.map(|value| value.norm_sqr()).sum::<f64>();
        let apart = power(&mut in_a.iter().zip(&in_b).map(|(a, b)| a - b));
        let signal_db = 10.0 * (apart / power(&mut in_a.iter().copied())).log10();
        // Fifty points a decade tell a delay as well, and a hundred times sooner.
        let some = |values: &[f64]| values.iter().copied().step_by(8).collect::<Vec<f64>>();
        let phase: Vec<f64> = difference.phase_deg.iter().map(|degrees| degrees.to_radians()).collect();
        let excess = Excess::of(&some(&frequencies), &some(&difference.gain_db), &some(&phase));
        let at_1khz = Difference::between(a, b, &[1000.0])?.gain_db[0];
        let gains = &difference.gain_db;
        let ends = 0.5 * (gains[0] + gains[count - 1]);
        let level_db = (gains.iter().sum::<f64>() - ends) / (count - 1) as f64;
        let largest = |level: f64| {
            gains.iter().zip(&difference.frequency_hz).fold((0.0_f64, from), |best, (gain, &frequency)| {
                let size = (gain - level).abs();
                if size > best.0 { (size, frequency) } else { best }
            })
        };
        let (max_abs_db, max_abs_at_hz) = largest(0.0);
        let (shape_max_abs_db, shape_max_abs_at_hz) = largest(level_db);
        Ok(Self {
            max_abs_db,
            max_abs_at_hz,
            shape_max_abs_db,
            shape_max_abs_at_hz,
            level_db,
            at_1khz_db: at_1khz,
            at_20khz_db: gains[count - 1],
            signal_db,
            delay_s: excess.delay_s,
            reversed: excess.inverted,
        })
    }
}
