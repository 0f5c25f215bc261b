//! Delay and polarity of a measured response, apart from what its gain explains.
//!
//! An analyser's own latency, the way from a microphone, a probe put on the wrong way round: none of it is the cable, and
//! all of it is heard at once when two sides are switched. A circuit of resistances, inductances and capacitances between
//! amplifier and loudspeaker has as much phase as its gain has slope (Bode 1945, Network Analysis and Feedback Amplifier
//! Design, ch. 14: minimum phase). What is left beyond that is a straight line over frequency, the delay, that begins at
//! 0 or, with reversed polarity, at half a turn.

use num_complex::Complex64;

/// Longest delay that is looked for, in seconds, either way.
const LONGEST_S: f64 = 0.5;
/// A delay shorter than this in seconds stays in the response: it may be the circuit's own, of slopes above the points.
const SHORTEST_S: f64 = 2e-6;
/// Steps of phase above this, in degrees, between two points may hide a turn.
pub const SAFE_STEP_DEGREES: f64 = 120.0;

/// What a response has beyond its own minimum phase.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Excess {
    /// Delay in seconds; 0 if there is none worth removing.
    pub delay_s: f64,
    /// Its standard error in seconds, from how the phases scatter about the line.
    pub error_s: f64,
    /// The polarity is reversed.
    pub inverted: bool,
    /// Largest step of phase between two neighbouring points that is left without the delay, in degrees.
    pub largest_step_degrees: f64,
    /// The frequency in Hz above that step.
    pub step_at_hz: f64,
}

impl Excess {
    /// Of gains in dB and phases in radians, wrapped or not, at strictly increasing, positive frequencies in Hz.
    pub fn of(frequencies_hz: &[f64], gain_db: &[f64], phase: &[f64]) -> Self {
        let own = minimum_phase(frequencies_hz, gain_db);
        let beyond: Vec<f64> = phase.iter().zip(&own).map(|(phase, own)| phase - own).collect();
        let coarse = searched(frequencies_hz, &beyond);
        // With nearly the whole delay gone, neighbours are within half a turn, and a straight line is left.
        let mut unwrapped: Vec<f64> = beyond
            .iter()
            .zip(frequencies_hz)
            .map(|(phase, f)| phase + std::f64::consts::TAU * f * coarse)
            .collect();
        unwrap(&mut unwrapped);
        let offset = line(frequencies_hz, &unwrapped).1;
        let inverted = (offset / std::f64::consts::PI).round().rem_euclid(2.0) == 1.0;
        let turns = (offset / std::f64::consts::PI).round() * std::f64::consts::PI;
        let (fine, error_s) = slope_through(frequencies_hz, &unwrapped, turns);
        let mut found = Self { delay_s: coarse + fine, error_s, inverted, ..Self::default() };
        if found.delay_s.abs() < SHORTEST_S.max(3.0 * error_s) {
            found.delay_s = 0.0;
        }
        for (index, pair) in frequencies_hz.windows(2).enumerate() {
            let step =
                phase[index + 1] - phase[index] + std::f64::consts::TAU * (pair[1] - pair[0]) * found.delay_s;
            let step = Complex64::cis(step).arg().abs().to_degrees();
            if step > found.largest_step_degrees {
                (found.largest_step_degrees, found.step_at_hz) = (step, pair[1]);
            }
        }
        found
    }
}

/// Takes steps of more than half a turn out of phases in radians.
fn unwrap(phase: &mut [f64]) {
    let turn = std::f64::consts::TAU;
    for index in 1..phase.len() {
        let step = phase[index] - phase[index - 1];
        phase[index] -= turn * (step / turn).round();
    }
}

/// Points above this frequency in Hz say nothing that those below do not, and each octave more doubles the looks.
const HIGHEST_SEARCHED_HZ: f64 = 200e3;

/// The delay in seconds with which neighbours are most alike: it may turn them by many turns from point to point, for
/// steps of different width agree on one delay only. Of several (points at equal steps) the shortest.
fn searched(frequencies_hz: &[f64], phase: &[f64]) -> f64 {
    let steps: Vec<(f64, f64)> = frequencies_hz
        .windows(2)
        .zip(phase.windows(2))
        .filter(|(f, _)| f[1] <= HIGHEST_SEARCHED_HZ)
        .map(|(f, phase)| (std::f64::consts::TAU * (f[1] - f[0]), phase[1] - phase[0]))
        .collect();
    if steps.is_empty() {
        return 0.0;
    }
    let widest = steps.iter().map(|step| step.0).fold(0.0, f64::max);
    let narrowest = steps.iter().map(|step| step.0).fold(f64::INFINITY, f64::min);
    let alike = |delay: f64| steps.iter().map(|(width, step)| (step + width * delay).cos()).sum::<f64>();
    let longest = LONGEST_S.min(std::f64::consts::PI / narrowest);
    // Eight looks per turn of the widest step; thousands of evenly spaced points need few of them.
    let look = std::f64::consts::TAU / widest / 8.0;
    let count = (longest / look).ceil() as i64;
    let (mut best, mut most) = (0.0, f64::NEG_INFINITY);
    // From look to look each step turns by the same angle, which a product says as well as a cosine, and much sooner.
    let mut turns: Vec<[Complex64; 3]> = steps
        .iter()
        .map(|(width, step)| [Complex64::cis(*step), Complex64::ONE, Complex64::cis(width * look)])
        .collect();
    for index in 0..=count {
        let (mut even, mut odd) = (0.0, 0.0);
        for [step, turned, turn] in &mut turns {
            even += step.re * turned.re;
            odd += step.im * turned.im;
            *turned *= *turn;
        }
        let delay = index as f64 * look;
        for (delay, value) in [(delay, even - odd), (-delay, even + odd)] {
            if value > most + 1e-6 * steps.len() as f64 {
                (best, most) = (delay, value);
            }
        }
    }
    // Golden section in the neighbourhood of the best look.
    let (mut low, mut high) = (best - look, best + look);
    for _ in 0..40 {
        let (a, b) = (low + 0.382 * (high - low), low + 0.618 * (high - low));
        if alike(a) < alike(b) { low = a } else { high = b }
    }
    f64::midpoint(low, high)
}

/// The straight line `-2 pi f delay + offset` through phases: delay in seconds, offset in radians.
fn line(frequencies_hz: &[f64], phase: &[f64]) -> (f64, f64) {
    let count = phase.len() as f64;
    let (f, p) = (frequencies_hz.iter().sum::<f64>() / count, phase.iter().sum::<f64>() / count);
    let (mut across, mut along) = (0.0, 0.0);
    for (frequency, phase) in frequencies_hz.iter().zip(phase) {
        across += (frequency - f) * (phase - p);
        along += (frequency - f).powi(2);
    }
    let slope = if along > 0.0 { across / along } else { 0.0 };
    (-slope / std::f64::consts::TAU, p - slope * f)
}

/// The delay in seconds of the line through phases that begins at `offset`, and its standard error.
fn slope_through(frequencies_hz: &[f64], phase: &[f64], offset: f64) -> (f64, f64) {
    let along: f64 = frequencies_hz.iter().map(|f| f * f).sum();
    let slope = frequencies_hz.iter().zip(phase).map(|(f, phase)| f * (phase - offset)).sum::<f64>() / along;
    let left: f64 =
        frequencies_hz.iter().zip(phase).map(|(f, phase)| (phase - offset - slope * f).powi(2)).sum();
    let freedom = (phase.len() as f64 - 1.0).max(1.0);
    (-slope / std::f64::consts::TAU, (left / freedom / along).sqrt() / std::f64::consts::TAU)
}

/// The phase in radians that goes with a gain: Bode's integral of the gain's slope over the logarithm of frequency,
/// weighted with `ln coth |u/2|`. Between points the gain is a straight line, below them it is constant; above them a gain
/// that falls is that of the one pole that falls so (an inductance before a resistance has most of its slope up there),
/// and one that rises goes on for an octave.
pub fn minimum_phase(frequencies_hz: &[f64], gain_db: &[f64]) -> Vec<f64> {
    let nepers = std::f64::consts::LN_10 / 20.0;
    let last = frequencies_hz.len() - 1;
    let logs: Vec<f64> = frequencies_hz.iter().map(|frequency| frequency.ln()).collect();
    // Many hundreds of points are more than a smooth gain needs, and the sum grows with their square.
    let every = frequencies_hz.len().div_ceil(400);
    let mut course: Vec<(f64, f64)> = (0..=last)
        .filter(|index| index % every == 0 || *index == last)
        .map(|index| (logs[index], nepers * gain_db[index]))
        .collect();
    let octave = frequencies_hz.partition_point(|f| *f < frequencies_hz[last] / 2.0).min(last - 1);
    let slope = nepers * rise(&logs[octave..], &gain_db[octave..]);
    let (end, level) = (logs[last], nepers * gain_db[last]);
    if slope < 0.0 {
        // One pole falls by x^2/(1 + x^2) nepers per e-fold at x times its corner; an octave's mean stands at its middle.
        let middle = (-slope).min(0.9);
        let square = middle / (1.0 - middle) * 2.0;
        let pole = |beyond: f64| -0.5 * (square * (2.0 * beyond).exp()).ln_1p();
        course.extend((1..=60).map(|step| {
            let beyond = 0.15 * f64::from(step);
            (end + beyond, level + pole(beyond) - pole(0.0))
        }));
    } else {
        course.push((end + std::f64::consts::LN_2, level + slope * std::f64::consts::LN_2));
    }
    logs.iter()
        .map(|own| {
            let mut sum = 0.0;
            let mut before = weight(course[0].0 - own);
            for pair in course.windows(2) {
                let after = weight(pair[1].0 - own);
                sum += (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0) * (after - before);
                before = after;
            }
            sum / std::f64::consts::PI
        })
        .collect()
}

/// Slope of the straight line through points.
fn rise(x: &[f64], y: &[f64]) -> f64 {
    let count = x.len() as f64;
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / count, y.iter().sum::<f64>() / count);
    let across: f64 = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    across / x.iter().map(|x| (x - mean_x).powi(2)).sum::<f64>()
}

/// The integral of `ln coth |v/2|` from 0 to `u`: `2 sum (1 - e^(-k|u|))/k^2` over odd `k`, odd in `u`, at most `pi^2/4`.
fn weight(u: f64) -> f64 {
    let size = u.abs();
    let value = if size < 0.3 {
        // ln coth(v/2) = ln(2/v) + v^2/12 - ...
        if size == 0.0 { 0.0 } else { size * (1.0 - (size / 2.0).ln()) + size.powi(3) / 36.0 }
    } else {
        let mut rest = 0.0;
        let mut k = 1.0;
        while k * size < 40.0 {
            rest += (-k * size).exp() / (k * k);
            k += 2.0;
        }
        std::f64::consts::PI.powi(2) / 4.0 - 2.0 * rest
    };
    value.copysign(u)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_low_pass_has_the_phase_of_its_gain() {
        // One pole at 3 kHz: phase -atan(f/3 kHz).
        let frequencies: Vec<f64> = (0..400).map(|i| 10.0 * 1e4_f64.powf(f64::from(i) / 399.0)).collect();
        let gain: Vec<f64> = frequencies.iter().map(|f| -10.0 * (1.0 + (f / 3e3).powi(2)).log10()).collect();
        // What the gain does beyond the last point has to be guessed, so the outermost two octaves are left out.
        let inside = |frequency: f64| (40.0..=25e3).contains(&frequency);
        let found = minimum_phase(&frequencies, &gain);
        for (frequency, found) in frequencies.iter().zip(found).filter(|(f, _)| inside(**f)) {
            let exact = -(frequency / 3e3).atan();
            assert!((found - exact).abs() < 5e-3, "{frequency} Hz: {found} is not {exact}");
        }
    }

    #[test]
    fn an_inductance_whose_corner_is_far_above_the_points_is_no_delay() {
        // 0.7 ohm and 8 uH into 6 ohm: 133 kHz. What its gain has lost at 20 kHz is a tenth of a dB.
        let response = |f: f64| 6.0 / Complex64::new(6.7, std::f64::consts::TAU * f * 8e-6);
        let frequencies: Vec<f64> = (0..150).map(|i| 20.0 * 1e3_f64.powf(f64::from(i) / 149.0)).collect();
        let gain: Vec<f64> = frequencies.iter().map(|f| 20.0 * response(*f).norm().log10()).collect();
        for delay in [0.0, 1e-3] {
            let phase: Vec<f64> = frequencies
                .iter()
                .map(|f| (response(*f) * Complex64::cis(-std::f64::consts::TAU * f * delay)).arg())
                .collect();
            let found = Excess::of(&frequencies, &gain, &phase);
            assert!((found.delay_s - delay).abs() < 2e-7, "{delay}: {found:?}");
        }
    }

    #[test]
    fn the_weight_meets_itself() {
        for near in [0.299_999_9, -0.299_999_9] {
            assert!((weight(near) - weight(near * 1.000_001)).abs() < 1e-5, "{near}");
        }
        assert!((weight(50.0) - std::f64::consts::PI.powi(2) / 4.0).abs() < 1e-12);
    }
}
