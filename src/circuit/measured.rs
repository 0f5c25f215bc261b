//! A measured complex quantity over frequency, as one smooth function.
//!
//! Comes in: values at frequencies. Goes out: [`Measured`], a rational function where one fits ([`vector_fit`]), which
//! also says with physics in it what lies outside of the values; otherwise values averaged over a stated window, whose
//! end values are held. What either leaves out is not lost: it is [`Measured::left_out`], the values' own uncertainty.
//!
//! [`vector_fit`]: super::vector_fit

use num_complex::Complex64;

use super::interpolation::ComplexOverFrequency;
use super::vector_fit::{Fit, Shape, fit};

/// Points closer than this are averaged, in octaves.
pub const AVERAGED_OCTAVES: f64 = 1.0 / 48.0;
/// Width of the window that values are smoothed with where no function fits them, in octaves.
pub const WINDOW_OCTAVES: f64 = 1.0 / 24.0;
/// A function may leave out this much of an impedance (root mean square, relative): 0.2 % of a load changes a response
/// of 0.5 dB by 0.001 dB.
const ENOUGH: f64 = 2e-3;
/// Or this many times what the values scatter about their neighbours.
const SCATTERS: f64 = 2.0;

/// What was left out of measured values, relative to their magnitude.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LeftOut {
    /// Root mean square.
    pub rms: f64,
    /// Largest.
    pub largest: f64,
    /// Where the largest is, in Hz.
    pub at_hz: f64,
}

/// Scatter is a part of what is unknown above this root mean square: rounding to five digits is below.
const WORTH_COUNTING: f64 = 1e-4;
/// From so many points an octave on, what smoothed values scatter about their neighbours is noise and not their course.
const DENSE: f64 = 12.0;

#[derive(Debug, Clone, PartialEq)]
enum Curve {
    Fitted(Fit),
    Smoothed(Smoothed),
}

/// A measured complex quantity over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    curve: Curve,
    left_out: LeftOut,
    /// What values that no function fits still scatter about their neighbours, relative (root mean square).
    kept: f64,
    points: usize,
}

impl Measured {
    /// Through values at strictly increasing, positive frequencies in Hz; at least two.
    pub fn new(frequencies_hz: &[f64], values: &[Complex64], shape: Shape) -> Self {
        let (frequencies, averaged) = averaged(frequencies_hz, values);
        let enough = ENOUGH.max(SCATTERS * scatter(&averaged));
        let curve = match fit(&frequencies, &averaged, shape) {
            Some(fit) if fit.rms <= enough => Curve::Fitted(fit),
            _ => Curve::Smoothed(Smoothed::new(&frequencies, &averaged)),
        };
        let octaves = (frequencies[frequencies.len() - 1] / frequencies[0]).log2();
        let dense = frequencies.len() as f64 > DENSE * octaves;
        let kept = if dense && matches!(curve, Curve::Smoothed(_)) { scatter(&averaged) } else { 0.0 };
        let mut measured = Self { curve, left_out: LeftOut::default(), kept, points: values.len() };
        let mut power = 0.0;
        for (frequency, value) in frequencies_hz.iter().zip(values) {
            let left = (measured.at(*frequency) - value).norm() / value.norm();
            power += left * left;
            if left > measured.left_out.largest {
                (measured.left_out.largest, measured.left_out.at_hz) = (left, *frequency);
            }
        }
        measured.left_out.rms = (power / values.len() as f64).sqrt();
        measured
    }

    /// The value at a frequency in Hz; real at 0 Hz.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        match &self.curve {
            Curve::Fitted(fit) => fit.function.at(frequency_hz),
            Curve::Smoothed(smoothed) => smoothed.at(frequency_hz),
        }
    }

    /// What it leaves out of the values, relative to their magnitude.
    pub fn left_out(&self) -> LeftOut {
        self.left_out
    }

    /// The standard deviation of magnitude (relative) and of angle (radians) that its values are known with, if it is worth
    /// counting: half the power each of what was left out and of what noise is left in. Nobody knows whether what was left
    /// out was noise, of which a function through many points keeps little, or a ripple of the thing itself, so all of
    /// it counts.
    pub fn scatter(&self) -> Option<f64> {
        let all = self.left_out.rms.max(self.kept);
        (all > WORTH_COUNTING).then_some(all * std::f64::consts::FRAC_1_SQRT_2)
    }

    /// How many values it was made from.
    pub fn points(&self) -> usize {
        self.points
    }

    /// The poles of the rational function that it is; `None` if none fits and it is interpolated.
    pub fn poles(&self) -> Option<usize> {
        match &self.curve {
            Curve::Fitted(fit) => Some(fit.function.poles()),
            Curve::Smoothed(_) => None,
        }
    }
}

/// Values closer together than [`AVERAGED_OCTAVES`] become their mean, at the mean of their frequencies' logarithms.
fn averaged(frequencies_hz: &[f64], values: &[Complex64]) -> (Vec<f64>, Vec<Complex64>) {
    let bin = |frequency: f64| ((frequency / frequencies_hz[0]).log2() / AVERAGED_OCTAVES + 1e-9).floor();
    let (mut frequencies, mut means) = (Vec::new(), Vec::new());
    let mut start = 0;
    while start < values.len() {
        let own = bin(frequencies_hz[start]);
        let end = start + frequencies_hz[start..].iter().take_while(|other| bin(**other) == own).count();
        let count = (end - start) as f64;
        let log = frequencies_hz[start..end].iter().map(|frequency| frequency.ln()).sum::<f64>() / count;
        frequencies.push(if end - start == 1 { frequencies_hz[start] } else { log.exp() });
        means.push(values[start..end].iter().sum::<Complex64>() / count);
        start = end;
    }
    (frequencies, means)
}

/// How far values scatter about a smooth course through their neighbours, relative to their magnitude: the median of
/// their third differences, whose variance is 20 times the values' own (1 + 9 + 9 + 1).
fn scatter(values: &[Complex64]) -> f64 {
    let mut differences: Vec<f64> = values
        .windows(4)
        .map(|four| (four[3] - 3.0 * four[2] + 3.0 * four[1] - four[0]).norm() / four[1].norm())
        .collect();
    differences.sort_by(f64::total_cmp);
    // The median of the modulus of a complex normal variable is sqrt(ln 2) of its root mean square.
    differences
        .get(differences.len() / 2)
        .map_or(0.0, |median| median / (20.0 * std::f64::consts::LN_2).sqrt())
}

/// Magnitude and phase as sums of B-splines of degree five over the logarithm of frequency: four derivatives are
/// continuous, so nothing rings for long. The splines are the window that the values are averaged with.
#[derive(Debug, Clone, PartialEq)]
struct Smoothed {
    start: f64,
    step: f64,
    magnitude: Vec<f64>,
    phase: Vec<f64>,
}

impl Smoothed {
    fn new(frequencies_hz: &[f64], values: &[Complex64]) -> Self {
        let between = ComplexOverFrequency::new(frequencies_hz, values);
        // A B-spline of degree five is 1.7 steps wide at half its height.
        let step = WINDOW_OCTAVES * std::f64::consts::LN_2 / 1.7;
        let (first, last) = (frequencies_hz[0].ln(), frequencies_hz[frequencies_hz.len() - 1].ln());
        let count = ((last - first) / step).ceil() as usize + 1;
        let knots = (0..count).map(|index| (first + step * index as f64).exp());
        let (magnitude, phase) = knots.map(|knot| between.polar_at(knot)).unzip();
        Self { start: first, step, magnitude, phase }
    }

    fn at(&self, frequency_hz: f64) -> Complex64 {
        let last = self.magnitude.len() as f64 - 1.0;
        let place = ((frequency_hz.ln() - self.start) / self.step).clamp(-3.0, last + 3.0);
        let (mut magnitude, mut phase) = (0.0, 0.0);
        let first = place.floor() as i64 - 2;
        for index in first..first + 6 {
            let weight = quintic(place - index as f64);
            let held = index.clamp(0, last as i64) as usize;
            magnitude += weight * self.magnitude[held];
            phase += weight * self.phase[held];
        }
        let value = Complex64::from_polar(magnitude, phase);
        if frequency_hz == 0.0 { Complex64::new(value.re, 0.0) } else { value }
    }
}

/// The B-spline of degree five on equal steps, centred (de Boor, A Practical Guide to Splines, 1978).
fn quintic(x: f64) -> f64 {
    let power = |shift: f64| (shift - x.abs()).max(0.0).powi(5);
    (power(3.0) - 6.0 * power(2.0) + 15.0 * power(1.0)) / 120.0
}
