//! How a clip's power is spread over frequency: mean power in third-octave bands.
//!
//! Comes in: planar blocks. Goes out: levels in dB of mean square, full scale 1.0, so that a full-scale sine reads -3.01 dB.
//! Windows are about a third of a second long. Bands have the exact centres and edges of IEC 61260-1, base ten.

use super::welch::Welch;

/// Third-octave bands from 25 Hz to 20 kHz: `1000 * 10^(k/10)`, k from -16 to 13.
const BANDS: std::ops::RangeInclusive<i32> = -16..=13;

/// Gathers a clip's mean power spectrum block by block.
#[derive(Debug)]
pub struct Spectrum {
    rate_hz: f64,
    length: usize,
    welch: Welch,
}

impl Spectrum {
    /// For a number of channels at a rate in Hz.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        let length = ((f64::from(rate_hz) * 0.25).max(64.0) as usize).next_power_of_two();
        Self { rate_hz: f64::from(rate_hz), length, welch: Welch::new(channels, length) }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub fn push(&mut self, planes: &[&[f64]]) {
        self.welch.push(planes);
    }

    /// Centre in Hz and level in dB of each band that the rate can hold; minus infinity is silence.
    pub fn finish(self) -> Vec<(f64, f64)> {
        let bin_hz = self.rate_hz / self.length as f64;
        let power = self.welch.finish();
        BANDS
            .map(|k| 1000.0 * 10.0_f64.powf(f64::from(k) / 10.0))
            .take_while(|centre| centre * 10.0_f64.powf(0.05) < 0.5 * self.rate_hz)
            .map(|centre| {
                let (low, high) = (centre * 10.0_f64.powf(-0.05), centre * 10.0_f64.powf(0.05));
                let (first, last) = ((low / bin_hz).ceil() as usize, (high / bin_hz).ceil() as usize);
                (centre, 10.0 * power[first..last].iter().sum::<f64>().log10())
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
