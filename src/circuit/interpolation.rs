//! Interpolation that is smooth in log frequency and never overshoots.
//!
//! Piecewise cubic Hermite with the slopes of Fritsch & Butland (1984, SIAM J. Sci. Stat. Comput. 5:300-304) and the
//! three-point end slopes of Moler, Numerical Computing with MATLAB, 3.6. Outside the table its end values are held.

use num_complex::Complex64;

/// A monotone cubic through points.
#[derive(Debug, Clone, PartialEq)]
pub struct MonotoneCubic {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

impl MonotoneCubic {
    /// Through at least two points with strictly increasing `x`.
    pub fn new(x: Vec<f64>, y: Vec<f64>) -> Self {
        debug_assert!(x.len() == y.len() && x.len() >= 2, "a table has at least two points");
        let slope = slopes(&x, &y);
        Self { x, y, slope }
    }

    /// The value at `x`; the nearest end's value outside.
    pub fn at(&self, x: f64) -> f64 {
        let last = self.x.len() - 1;
        if x <= self.x[0] {
            return self.y[0];
        }
        if x >= self.x[last] {
            return self.y[last];
        }
        let right = self.x.partition_point(|node| *node <= x);
        let left = right - 1;
        let width = self.x[right] - self.x[left];
        let t = (x - self.x[left]) / width;
        let u = 1.0 - t;
        u * u * ((1.0 + 2.0 * t) * self.y[left] + t * width * self.slope[left])
            + t * t * ((1.0 + 2.0 * u) * self.y[right] - u * width * self.slope[right])
    }
}

fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let width: Vec<f64> = x.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let secant: Vec<f64> =
        y.windows(2).zip(&width).map(|(pair, width)| (pair[1] - pair[0]) / width).collect();
    if secant.len() == 1 {
        return vec![secant[0]; 2];
    }
    let count = x.len();
    let mut slope = vec![0.0; count];
    for i in 1..count - 1 {
        let (before, after) = (secant[i - 1], secant[i]);
        if before * after > 0.0 {
            let w1 = 2.0 * width[i] + width[i - 1];
            let w2 = width[i] + 2.0 * width[i - 1];
            slope[i] = (w1 + w2) / (w1 / before + w2 / after);
        }
    }
    slope[0] = end_slope(width[0], width[1], secant[0], secant[1]);
    slope[count - 1] = end_slope(width[count - 2], width[count - 3], secant[count - 2], secant[count - 3]);
    slope
}

/// One-sided three-point slope, limited so that the end keeps its shape.
fn end_slope(width: f64, next_width: f64, secant: f64, next_secant: f64) -> f64 {
    let slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width);
    if slope * secant <= 0.0 {
        0.0
    } else if secant * next_secant < 0.0 && slope.abs() > 3.0 * secant.abs() {
        3.0 * secant
    } else {
        slope
    }
}

/// A positive or signed real quantity over frequency, smooth in log frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct OverFrequency(MonotoneCubic);

impl OverFrequency {
    /// Through values at strictly increasing, positive frequencies in Hz; a single one is held everywhere.
    pub fn new(frequencies_hz: &[f64], values: Vec<f64>) -> Self {
        if let [value] = values[..] {
            return Self(MonotoneCubic::new(vec![0.0, 1.0], vec![value; 2]));
        }
        Self(MonotoneCubic::new(frequencies_hz.iter().map(|frequency| frequency.ln()).collect(), values))
    }

    /// The value at a frequency in Hz; 0 Hz takes the lowest frequency's value.
    pub fn at(&self, frequency_hz: f64) -> f64 {
        self.0.at(frequency_hz.ln())
    }
}

/// A complex quantity over frequency: magnitude and unwrapped phase, each a monotone cubic in log frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct ComplexOverFrequency {
    magnitude: OverFrequency,
    phase: OverFrequency,
}

impl ComplexOverFrequency {
    /// Through magnitudes and phases in radians (unwrapped here) at strictly increasing, positive frequencies in Hz.
    pub fn polar(frequencies_hz: &[f64], magnitude: Vec<f64>, phase: Vec<f64>) -> Self {
        Self {
            magnitude: OverFrequency::new(frequencies_hz, magnitude),
            phase: OverFrequency::new(frequencies_hz, unwrapped(phase)),
        }
    }

    /// Through complex values at strictly increasing, positive frequencies in Hz.
    pub fn new(frequencies_hz: &[f64], values: &[Complex64]) -> Self {
        Self::polar(
            frequencies_hz,
            values.iter().map(|value| value.norm()).collect(),
            values.iter().map(|value| value.arg()).collect(),
        )
    }

    /// The value at a frequency in Hz; real at 0 Hz, where only the real part of the held end value is left.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let value = Complex64::from_polar(self.magnitude.at(frequency_hz), self.phase.at(frequency_hz));
        if frequency_hz == 0.0 { Complex64::new(value.re, 0.0) } else { value }
    }

    /// Magnitude, and phase in radians, at a frequency in Hz.
    pub fn polar_at(&self, frequency_hz: f64) -> (f64, f64) {
        (self.magnitude.at(frequency_hz), self.phase.at(frequency_hz))
    }
}

/// The phases with steps over half a turn taken out, radians.
pub fn unwrapped(mut phase: Vec<f64>) -> Vec<f64> {
    let turn = std::f64::consts::TAU;
    for i in 1..phase.len() {
        let step = phase[i] - phase[i - 1];
        phase[i] -= turn * (step / turn).round();
    }
    phase
}
