//! Loudness and true peak of a stimulus (ITU-R BS.1770), block by block.

use ebur128::{EbuR128, Mode};

use super::ClipError;
use super::true_peak::TruePeak;

/// Loudness below which a clip counts as silent: the absolute gate of ITU-R BS.1770.
pub const SILENCE_LUFS: f64 = -70.0;

/// What a meter has read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Integrated loudness in LUFS; `None` for silence.
    pub integrated_lufs: Option<f64>,
    /// True peak, linear (1.0 is full scale), within 0.02 dB for sound below 0.44 of the rate.
    pub true_peak: f64,
    /// Largest magnitude of a channel's mean (its direct current), linear.
    pub mean: f64,
}

impl Loudness {
    /// True peak in dBTP.
    pub fn true_peak_dbtp(&self) -> f64 {
        20.0 * self.true_peak.log10()
    }
}

/// Sum of samples, in eight parts that a processor adds side by side.
fn sum(samples: &[f64]) -> f64 {
    let (eights, rest) = samples.as_chunks::<8>();
    let mut parts = [0.0; 8];
    for eight in eights {
        for (part, sample) in parts.iter_mut().zip(eight) {
            *part += sample;
        }
    }
    parts.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// A loudness and true-peak meter.
#[derive(Debug)]
pub struct Meter {
    meter: EbuR128,
    peak: TruePeak,
    sums: Vec<f64>,
    channels: usize,
    rate_hz: u32,
    frames: u64,
}

impl Meter {
    /// A meter for one or two channels.
    ///
    /// # Errors
    /// A rate or number of channels that the meter does not know.
    pub fn new(channels: usize, rate_hz: u32) -> Result<Self, ClipError> {
        let meter = EbuR128::new(channels as u32, rate_hz, Mode::I).map_err(|error| {
            ClipError(format!(
                "loudness cannot be measured at {rate_hz} Hz with {channels} channels: {error}"
            ))
        })?;
        Ok(Self {
            meter,
            peak: TruePeak::new(channels),
            sums: vec![0.0; channels],
            channels,
            rate_hz,
            frames: 0,
        })
    }

    /// Takes a block, `planes[channel][frame]`.
    ///
    /// # Errors
    /// The meter is out of memory.
    pub fn push(&mut self, planes: &[&[f64]]) -> Result<(), ClipError> {
        self.frames += planes.first().map_or(0, |plane| plane.len()) as u64;
        self.peak.push(planes);
        for (total, plane) in self.sums.iter_mut().zip(planes) {
            *total += sum(plane);
        }
        self.meter
            .add_frames_planar_f64(planes)
            .map_err(|error| ClipError(format!("loudness cannot be measured: {error}")))
    }

    /// The reading. A clip shorter than one gating block of 0.4 s is measured as if silence followed it: the reading is
    /// lower, by the same amount for every stimulus of that length.
    ///
    /// # Errors
    /// The meter is out of memory.
    pub fn finish(mut self) -> Result<Loudness, ClipError> {
        let frames = self.frames.max(1) as f64;
        let block = u64::from(self.rate_hz) * 2 / 5 + 1;
        if self.frames < block {
            let zeros = vec![0.0; (block - self.frames) as usize];
            self.push(&vec![zeros.as_slice(); self.channels])?;
        }
        let failed = |error: ebur128::Error| ClipError(format!("loudness cannot be measured: {error}"));
        let integrated = self.meter.loudness_global().map_err(failed)?;
        Ok(Loudness {
            integrated_lufs: (integrated.is_finite() && integrated > SILENCE_LUFS).then_some(integrated),
            true_peak: self.peak.finish(),
            mean: self.sums.iter().fold(0.0, |most, sum| f64::max(most, (sum / frames).abs())),
        })
    }
}
