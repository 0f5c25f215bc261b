//! How a clip's power is spread over frequency: mean power in third-octave bands.
//!
//! Comes in: planar blocks. Goes out: levels in dB of mean square, full scale 1.0, so that a full-scale sine reads -3.01 dB.
//! Welch's method (Welch 1967): Hann windows of about a third of a second, half overlapping; a rest that fills
//! no window is left out, unless it is all there is: then silence follows it. Bands have the exact centres and edges of IEC 61260-1, base ten.

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

/// Third-octave bands from 25 Hz to 20 kHz: `1000 * 10^(k/10)`, k from -16 to 13.
const BANDS: std::ops::RangeInclusive<i32> = -16..=13;

/// Gathers a clip's mean power spectrum block by block.
pub struct Spectrum {
    rate_hz: f64,
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    /// One buffer per channel, shorter than a window after each push.
    waiting: Vec<Vec<f64>>,
    power: Vec<f64>,
    windows: u64,
}

impl std::fmt::Debug for Spectrum {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("Spectrum")
            .field("rate_hz", &self.rate_hz)
            .field("windows", &self.windows)
            .finish_non_exhaustive()
    }
}

impl Spectrum {
    /// For a number of channels at a rate in Hz.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        let length = (f64::from(rate_hz) * 0.25).max(64.0) as usize;
        let length = length.next_power_of_two();
        let window = (0..length)
            .map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos())
            .collect();
        Self {
            rate_hz: f64::from(rate_hz),
            transform: RealFftPlanner::new().plan_fft_forward(length),
            window,
            waiting: vec![Vec::new(); channels],
            power: vec![0.0; length / 2 + 1],
            windows: 0,
        }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub fn push(&mut self, planes: &[&[f64]]) {
        for (waiting, plane) in self.waiting.iter_mut().zip(planes) {
            waiting.extend_from_slice(plane);
        }
        while self.waiting.first().is_some_and(|waiting| waiting.len() >= self.window.len()) {
            self.take();
        }
    }

    /// Transforms the first window of each channel and moves on by half of it.
    fn take(&mut self) {
        let length = self.window.len();
        let squares: f64 = self.window.iter().map(|w| w * w).sum();
        let mut output = self.transform.make_output_vec();
        let channels = self.waiting.len() as f64;
        for waiting in &mut self.waiting {
            let mut input: Vec<f64> = waiting.iter().zip(&self.window).map(|(x, w)| x * w).collect();
            // The lengths are the plan's own, so the transform cannot fail.
            if self.transform.process(&mut input, &mut output).is_ok() {
                for (bin, (sum, value)) in self.power.iter_mut().zip(&output).enumerate() {
                    let sides = if bin == 0 || bin == length / 2 { 1.0 } else { 2.0 };
                    *sum += sides * value.norm_sqr() / (length as f64 * squares * channels);
                }
            }
            waiting.drain(..length / 2);
        }
        self.windows += 1;
    }

    /// Centre in Hz and level in dB of each band that the rate can hold; minus infinity is silence.
    pub fn finish(mut self) -> Vec<(f64, f64)> {
        let length = self.window.len();
        let rest = self.waiting.first().map_or(0, Vec::len);
        if self.windows == 0 && rest > 0 {
            for waiting in &mut self.waiting {
                waiting.resize(length, 0.0);
            }
            self.take();
        }
        let bin_hz = self.rate_hz / length as f64;
        BANDS
            .map(|k| 1000.0 * 10.0_f64.powf(f64::from(k) / 10.0))
            .take_while(|centre| centre * 10.0_f64.powf(0.05) < 0.5 * self.rate_hz)
            .map(|centre| {
                let (low, high) = (centre * 10.0_f64.powf(-0.05), centre * 10.0_f64.powf(0.05));
                let power: f64 = self
                    .power
                    .iter()
                    .enumerate()
                    .filter(|(bin, _)| (low..high).contains(&(*bin as f64 * bin_hz)))
                    .map(|(_, power)| power)
                    .sum();
                (centre, 10.0 * (power / self.windows.max(1) as f64).log10())
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(rate: u32, hertz: f64, seconds: f64) -> Vec<f64> {
        let frames = (f64::from(rate) * seconds) as usize;
        (0..frames).map(|n| (std::f64::consts::TAU * hertz * n as f64 / f64::from(rate)).sin()).collect()
    }

    #[test]
    fn a_full_scale_sine_stands_in_its_band_alone() {
        for rate in [44_100, 48_000, 96_000] {
            for hertz in [100.0, 1000.0, 10_000.0] {
                let sound = sine(rate, hertz, 2.0);
                let mut spectrum = Spectrum::new(2, rate);
                for block in sound.chunks(4096) {
                    spectrum.push(&[block, block]);
                }
                for (centre, level) in spectrum.finish() {
                    if (centre / hertz - 1.0).abs() < 0.01 {
                        assert!((level + 3.0103).abs() < 0.05, "{rate} Hz, {hertz} Hz: {level} dB");
                    } else {
                        assert!(level < -50.0, "{rate} Hz, {hertz} Hz: {level} dB at {centre} Hz");
                    }
                }
            }
        }
    }

    #[test]
    fn short_and_silent_clips_have_an_answer() {
        let mut short = Spectrum::new(1, 48_000);
        short.push(&[&sine(48_000, 1000.0, 0.1)]);
        let levels = short.finish();
        assert_eq!(levels.len(), 30);
        assert!(levels.iter().any(|(_, level)| *level > -20.0));
        let mut silent = Spectrum::new(1, 8000);
        silent.push(&[&vec![0.0; 8000]]);
        let levels = silent.finish();
        assert!(levels.last().is_some_and(|(centre, _)| *centre < 4000.0));
        assert!(levels.iter().all(|(_, level)| *level == f64::NEG_INFINITY));
    }
}
