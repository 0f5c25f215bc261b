//! From a response to an impulse response.
//!
//! Up to 0.45 of the rate the filter is the response itself. A physical response has some phase left at half the rate,
//! where a sampled filter can only be real; cut off hard there, the filter would ring for ever. So between 0.45 and 0.5
//! of the rate the response is led smoothly (all derivatives continuous) to the real number of the same magnitude as
//! the response at half the rate. The filter's magnitude there is never above the largest magnitude of the response in
//! that band. At 44.1 kHz this begins at 19.8 kHz, at 48 kHz at 21.6 kHz.
//!
//! The same holds at the other end: at 0 Hz a filter can only be real, and a measured table whose end values are held
//! down to 0 Hz is not. So below 10 Hz the phase that a response would have left at 0 Hz is led smoothly to 0; the
//! magnitude stays, and a response that is real at 0 Hz is not touched. Where a response changes so slowly that its
//! memory is long (a transformer's primary passes 0.2 Hz and stops there), the filter is the [`closest`] from 10 Hz on.
//!
//! That band-limiting lets a few hundred taps act before the direct sound. All filtering is offline, so they simply
//! start at a negative time: nothing is delayed and there is no latency to remove.
//!
//! The length follows from the response: the period of the inverse transform is doubled until what lies far from the
//! direct sound is negligible, then whatever is negligible at both ends is cut.

use num_complex::Complex64;

use super::closest::closest;
use super::plans;
use super::{FilterError, Response, Sampled};

/// Up to this fraction of the rate a filter is the response itself.
pub const PASS_BAND_FRACTION: f64 = 0.45;
/// From this frequency in Hz on a filter is the response itself.
const LOWEST_HZ: f64 = 10.0;
/// Two frequencies in Hz, one twice the other, that tell the phase left at 0 Hz.
const NEAR_REST_HZ: [f64; 2] = [1e-3, 2e-3];
/// A phase at 0 Hz below this, in radians, is none.
const NO_PHASE: f64 = 1e-9;
/// Largest gain in dB that a response may add.
const LARGEST_GAIN_DB: f64 = 20.0;
/// Longest filter in seconds.
const LONGEST_SECONDS: f64 = 24.0;
/// What may be cut off, as a sum of magnitudes relative to the sum of all: it bounds the error of the response to 0.0001 dB.
const NEGLIGIBLE: f64 = 1e-5;
/// A filter longer than this in seconds may cut off more, as long as its measured accuracy is within [`CLOSE`]: the
/// kinks that any interpolated table has ring on for ever, fainter and fainter.
const LONG_SECONDS: f64 = 0.5;
/// What a long filter may cut off, as a sum of magnitudes relative to the sum of all.
const TOLERABLE: f64 = 2e-5;
/// A filter longer than this in seconds (16,384 taps at 48 kHz) is cut as far as [`CLOSE`] allows.
const WANTED_SECONDS: f64 = 16_384.0 / 48_000.0;
/// Accuracy that a filter must still have when more is cut from it, measured: under half of what is promised.
const CLOSE: Accuracy = Accuracy { max_abs_db: 0.0004, max_abs_degrees: 0.004 };
/// What is sought from 10 Hz on is sought from a little below, so that the edge itself is met.
const NEARLY: f64 = 0.95;
/// Accuracy of every filter: 0.001 dB and 0.01 degree, with a little in hand for frequencies between those measured.
const PROMISED: Accuracy = Accuracy { max_abs_db: 0.0008, max_abs_degrees: 0.008 };
/// A response that differs from a real constant by less than this is one: a single tap, no rounding.
const CONSTANT: f64 = 1e-12;

/// Largest errors of a filter against the response, 10 Hz to 20 kHz (to 0.45 of the rate where that is lower),
/// measured at frequencies between those that it was designed from.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Accuracy {
    /// Magnitude in dB.
    pub max_abs_db: f64,
    /// Phase in degrees.
    pub max_abs_degrees: f64,
}

impl Accuracy {
    /// Whether neither error is larger than another's.
    fn is_within(self, other: Self) -> bool {
        self.max_abs_db <= other.max_abs_db && self.max_abs_degrees <= other.max_abs_degrees
    }
}

/// An impulse response: tap `i` acts `start + i` samples after its input.
#[derive(Debug, Clone, PartialEq)]
pub struct Fir {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// The taps, at least one.
    pub taps: Vec<f64>,
    /// Time of the first tap in samples; negative where band-limiting reaches ahead of the direct sound.
    pub start: i64,
    /// Delay of the direct sound in whole samples; 0 for anything but a measured response with a delay in it.
    pub delay: i64,
    /// How close it is to the response.
    pub accuracy: Accuracy,
}

impl Fir {
    /// A filter that only multiplies.
    pub fn gain(rate_hz: u32, gain: f64) -> Self {
        Self { rate_hz, taps: vec![gain], start: 0, delay: 0, accuracy: Accuracy::default() }
    }

    /// Whether it only multiplies.
    pub fn is_gain(&self) -> bool {
        self.taps.len() == 1 && self.start == 0
    }
}

/// A step from 0 at 0 to 1 at 1, all of whose derivatives are 0 at both ends.
fn smooth_step(x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    1.0 / (1.0 + (1.0 / x - 1.0 / (1.0 - x)).exp())
}

/// The phase in radians that a response would have left at 0 Hz, and its value there without it.
fn phase_at_rest(response: &Response<'_>) -> Result<(f64, f64), FilterError> {
    let near = response(&NEAR_REST_HZ).map_err(FilterError::Response)?;
    let [first, second] = near[..] else { return Ok((0.0, 0.0)) };
    let sign = if first.re < 0.0 { -1.0 } else { 1.0 };
    // Twice the first minus the second takes out a phase that grows in proportion, as every circuit's does.
    let phase = (sign * first * first / second).arg();
    let told = phase.is_finite() && phase.abs() > NO_PHASE;
    Ok((if told { phase } else { 0.0 }, sign * first.norm()))
}

/// Inverse transform of half a spectrum with `period / 2 + 1` bins.
fn inverse(spectrum: &[Complex64], period: usize) -> Vec<f64> {
    let plan = plans::inverse(period);
    let mut input = spectrum.to_vec();
    input[0].im = 0.0;
    input[period / 2].im = 0.0;
    let mut output = plan.make_output_vec();
    plan.process(&mut input, &mut output).expect("lengths and end bins fit the plan");
    let scale = 1.0 / period as f64;
    for sample in &mut output {
        *sample *= scale;
    }
    output
}

/// The spectrum that is designed from: the response without its delay, led to a real number at half the rate.
fn target(sampled: &Sampled, rate_hz: u32, delay: i64, period: usize) -> Vec<Complex64> {
    let rate = f64::from(rate_hz);
    let undelayed = |f: f64| match delay {
        0 => sampled.at(f),
        delay => sampled.at(f) * Complex64::from_polar(1.0, std::f64::consts::TAU * f / rate * delay as f64),
    };
    let sign = if undelayed(PASS_BAND_FRACTION * rate).re < 0.0 { -1.0 } else { 1.0 };
    let end = sign * sampled.at(rate / 2.0).norm();
    (0..=period / 2)
        .map(|k| {
            let fraction = k as f64 / period as f64;
            let value = undelayed(fraction * rate);
            let step = smooth_step((fraction - PASS_BAND_FRACTION) / (0.5 - PASS_BAND_FRACTION));
            value * (1.0 - step) + step * end
        })
        .collect()
}

/// Signed time of an index of a circular impulse response.
fn signed(index: usize, period: usize) -> i64 {
    if index < period / 2 { index as i64 } else { index as i64 - period as i64 }
}

/// Designs the filter of a response at a sample rate.
///
/// # Errors
/// The response has no finite answer, adds more than 20 dB below 0.45 of the rate, or rings for longer than 24 s
/// and is not close enough to the response when cut there.
pub fn design(response: &Response<'_>, rate_hz: u32) -> Result<Fir, FilterError> {
    if !(8_000..=384_000).contains(&rate_hz) {
        return Err(FilterError::Rate { rate_hz });
    }
    let rate = f64::from(rate_hz);
    let (left, at_rest) = phase_at_rest(response)?;
    let led = |frequencies: &[f64]| {
        let mut values = response(frequencies)?;
        for (value, &frequency) in values.iter_mut().zip(frequencies).filter(|(_, f)| **f < LOWEST_HZ) {
            *value = if frequency == 0.0 {
                Complex64::new(at_rest, 0.0)
            } else {
                *value * Complex64::from_polar(1.0, -left * (1.0 - smooth_step(frequency / LOWEST_HZ)))
            };
        }
        Ok(values)
    };
    let sampled =
        if left == 0.0 { Sampled::new(response, rate / 2.0)? } else { Sampled::new(&led, rate / 2.0)? };
    for (frequency_hz, value) in sampled.values() {
        let gain_db = 20.0 * value.norm().log10();
        if gain_db > LARGEST_GAIN_DB {
            return Err(FilterError::TooMuchGain { gain_db, frequency_hz, limit_db: LARGEST_GAIN_DB });
        }
    }
    let direct = sampled.at(0.0);
    if sampled.values().all(|(_, value)| (value - direct.re).norm() <= CONSTANT * direct.norm()) {
        return Ok(Fir::gain(rate_hz, direct.re));
    }
    let (delay, looked_at) = first_look(&sampled, rate_hz);
    let first = of_length(&sampled, rate_hz, delay, LONG_SECONDS, looked_at);
    if first.as_ref().is_ok_and(|fir| fir.taps.len() <= wanted_taps(rate_hz)) {
        return first;
    }
    let fir = forgetful(&sampled, rate_hz, delay);
    if fir.accuracy.is_within(CLOSE) {
        return Ok(fir);
    }
    let long = first.or_else(|_| of_length(&sampled, rate_hz, delay, LONGEST_SECONDS, None))?;
    Ok(shortened(long, &sampled))
}

/// Period in samples that a response is looked at first: a third of a second.
fn first_period(rate_hz: u32) -> usize {
    (rate_hz as usize / 3).next_power_of_two()
}

/// The delay of the direct sound in samples, if there is one: where the largest tap is. If there is none, the taps too.
fn first_look(sampled: &Sampled, rate_hz: u32) -> (i64, Option<Vec<f64>>) {
    let period = first_period(rate_hz);
    let taps = inverse(&target(sampled, rate_hz, 0, period), period);
    let largest = (0..period).max_by(|&a, &b| taps[a].abs().total_cmp(&taps[b].abs())).unwrap_or(0);
    let delay = signed(largest, period);
    (delay, (delay == 0).then_some(taps))
}

/// The filter of a sampled response, if it can be had in a period of at most `seconds` (or the next power of two). What the
/// first period gives may be known.
fn of_length(
    sampled: &Sampled,
    rate_hz: u32,
    delay: i64,
    seconds: f64,
    mut known: Option<Vec<f64>>,
) -> Result<Fir, FilterError> {
    let rate = f64::from(rate_hz);
    let mut period = first_period(rate_hz);
    let longest = (seconds * rate) as usize;
    loop {
        let taps = known.take().unwrap_or_else(|| inverse(&target(sampled, rate_hz, delay, period), period));
        let sum: f64 = taps.iter().map(|tap| tap.abs()).sum();
        let far: f64 = taps[period / 4..3 * period / 4].iter().map(|tap| tap.abs()).sum();
        let last = period >= longest;
        if far <= NEGLIGIBLE * sum {
            return Ok(cut(&taps, delay, rate_hz, sampled, NEGLIGIBLE * sum / 4.0));
        }
        if period as f64 >= LONG_SECONDS * rate {
            let fir = cut(&taps, delay, rate_hz, sampled, TOLERABLE * sum / 4.0);
            let enough = if last && seconds > LONG_SECONDS { PROMISED } else { CLOSE };
            if fir.accuracy.is_within(enough) {
                return Ok(fir);
            }
        }
        if last {
            return Err(FilterError::TooLong { seconds: LONGEST_SECONDS, left: far / sum });
        }
        period *= 2;
    }
}

/// Taps in the longest filter that is wanted at a sample rate.
fn wanted_taps(rate_hz: u32) -> usize {
    (WANTED_SECONDS * f64::from(rate_hz)) as usize
}

/// The filter of a response whose memory is long only because of what it does below 10 Hz: as close to it as
/// [`wanted_taps`] can be from there on.
fn forgetful(sampled: &Sampled, rate_hz: u32, delay: i64) -> Fir {
    let after = wanted_taps(rate_hz);
    let ahead = after / 64;
    let period = (3 * after).next_power_of_two();
    let lowest = (LOWEST_HZ * NEARLY / f64::from(rate_hz) * period as f64) as usize;
    let taps = closest(&target(sampled, rate_hz, delay, period), lowest, ahead, after - ahead);
    let sum: f64 = taps.iter().map(|tap| tap.abs()).sum();
    cut(&taps, delay, rate_hz, sampled, NEGLIGIBLE * sum / 4.0)
}

/// A filter without so much of its end as leaves it [`CLOSE`] to the response, but never shorter than [`wanted_taps`].
fn shortened(fir: Fir, sampled: &Sampled) -> Fir {
    let period = (2 * fir.taps.len()).next_power_of_two();
    let (mut kept, mut least) = (fir.taps.len(), wanted_taps(fir.rate_hz));
    let expected = between_bins(sampled, fir.rate_hz, period);
    let mut best = fir;
    while least < kept {
        let length = usize::midpoint(least, kept);
        let mut shorter = Fir { taps: best.taps[..length].to_vec(), ..best };
        shorter.accuracy = measure(&shorter, &expected, period);
        if shorter.accuracy.is_within(CLOSE) {
            (kept, best) = (length, shorter);
        } else {
            least = length + 1;
        }
    }
    best
}

/// Cuts what is negligible at both ends of a circular impulse response and measures what is left.
fn cut(taps: &[f64], delay: i64, rate_hz: u32, sampled: &Sampled, negligible: f64) -> Fir {
    let period = taps.len();
    let half = period / 2;
    let after = |n: usize| taps[n];
    let before = |n: usize| taps[period - n];
    let mut end = half;
    let mut left = 0.0;
    while end > 1 && left + after(end - 1).abs() <= negligible {
        end -= 1;
        left += after(end).abs();
    }
    let mut ahead = half;
    let mut left = 0.0;
    while ahead > 0 && left + before(ahead).abs() <= negligible {
        left += before(ahead).abs();
        ahead -= 1;
    }
    let kept: Vec<f64> = taps[period - ahead..].iter().chain(&taps[..end]).copied().collect();
    let mut fir =
        Fir { rate_hz, taps: kept, start: delay - ahead as i64, delay, accuracy: Accuracy::default() };
    fir.accuracy = measure(&fir, &between_bins(sampled, rate_hz, period), period);
    fir
}

/// A response half-way between the bins of a period, from 10 Hz as far as filters follow it: the first bin, and the values.
fn between_bins(sampled: &Sampled, rate_hz: u32, period: usize) -> (usize, Vec<Complex64>) {
    let rate = f64::from(rate_hz);
    let highest = 20_000_f64.min(PASS_BAND_FRACTION * rate);
    let frequency = |bin: usize| (bin as f64 + 0.5) / period as f64 * rate;
    let first = (0..period / 2).find(|&bin| frequency(bin) >= 10.0).unwrap_or(0);
    let bins = (first..period / 2).map(frequency).take_while(|&hertz| hertz <= highest);
    (first, bins.map(|hertz| sampled.at(hertz)).collect())
}

/// Compares a filter with the response half-way between the bins that it was designed from.
fn measure(fir: &Fir, (first, expected): &(usize, Vec<Complex64>), period: usize) -> Accuracy {
    let spectrum = half_bin_spectrum(&fir.taps, period);
    let turn = |bins: f64| {
        Complex64::from_polar(1.0, -std::f64::consts::TAU * bins / period as f64 * fir.start as f64)
    };
    let (mut shift, step) = (turn(0.5), turn(1.0));
    let (mut least, mut most, mut across) = (1.0_f64, 1.0_f64, Complex64::ONE);
    for (k, value) in spectrum.iter().enumerate() {
        if let Some(expected) = k.checked_sub(*first).and_then(|bin| expected.get(bin)) {
            let ratio = value * shift / expected;
            let power = ratio.norm_sqr();
            (least, most) = (least.min(power), most.max(power));
            // Of two ratios the one at the larger angle, told without an arc tangent; one that points back is the largest.
            if ratio.re <= 0.0 || ratio.im.abs() * across.re > across.im.abs() * ratio.re {
                across = if across.re <= 0.0 { across } else { ratio };
            }
        }
        shift *= step;
    }
    Accuracy {
        max_abs_db: (10.0 * most.log10()).max(-10.0 * least.log10()),
        max_abs_degrees: across.arg().to_degrees().abs(),
    }
}

/// The transform of `taps` at (k + 1/2) / period, k from 0 to period / 2 - 1: the odd bins of twice the period.
fn half_bin_spectrum(taps: &[f64], period: usize) -> Vec<Complex64> {
    let plan = plans::forward(2 * period);
    let mut input = plan.make_input_vec();
    input[..taps.len()].copy_from_slice(taps);
    let mut output = plan.make_output_vec();
    plan.process(&mut input, &mut output).expect("lengths fit the plan");
    output.into_iter().skip(1).step_by(2).collect()
}
