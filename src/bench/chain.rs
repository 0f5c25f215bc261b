//! The listening chain measured: a device's output joined to its input, against the difference that is tested.

use super::BenchError;
use super::distortion;
use super::recording::{Channel, Recording};
use super::response::{Options, against_sweep};
use super::sweep::Sweep;

/// The audible band in Hz.
const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// What a device does to what it plays, its own input included.
#[derive(Debug, Clone, PartialEq)]
pub struct Loopback {
    /// Input over output at 1 kHz in dB.
    pub gain_db: f64,
    /// Lowest and highest response from 20 Hz to 20 kHz (or as far as the rate goes), relative to 1 kHz, in dB.
    pub response_db: (f64, f64),
    /// Noise while nothing is played in dBFS of the output.
    pub noise_dbfs: Option<f64>,
    /// Largest total harmonic distortion in percent, and where, in Hz.
    pub thd_percent: (f64, f64),
    /// Sweeps that were averaged.
    pub repeats: usize,
}

/// The sweep that measures a device: short, and 20 dB below full scale.
pub fn sweep(rate_hz: u32) -> Sweep {
    Sweep {
        from_hz: 10.0,
        to_hz: super::sweep::HIGHEST_SHARE * f64::from(rate_hz),
        seconds: 2.0,
        rate_hz,
        level_dbfs: -20.0,
        repeats: 3,
        ..Sweep::default()
    }
}

/// Measures a recording of [`sweep`] over a loopback.
///
/// # Errors
/// Silence, clipping, another sound, dropouts.
pub fn loopback(recording: &Recording, sweep: &Sweep) -> Result<Loopback, BenchError> {
    let played = Recording::new("three sweeps of 2 s", sweep.rate_hz, vec![sweep.samples()?])?;
    let response = against_sweep(recording, &played, None, &Options::default())?;
    let at = |wanted: f64| {
        let distance = |index: &usize| (response.frequency_hz[*index] / wanted).ln().abs();
        (0..response.gain_db.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0)
    };
    let gain_db = response.gain_db[at(1000.0)];
    let within = response.frequency_hz.iter().zip(&response.gain_db);
    let (low, high) = within
        .filter(|(frequency, _)| (BAND_HZ.0..=BAND_HZ.1).contains(*frequency))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, gain)| (low.min(*gain), high.max(*gain)));
    let channel: Channel<'_> = recording.last();
    let found = distortion::measured(&channel)?;
    let thd_percent = found
        .thd_percent
        .iter()
        .zip(&found.frequency_hz)
        .fold((0.0, 0.0), |most: (f64, f64), (thd, at)| if *thd > most.0 { (*thd, *at) } else { most });
    Ok(Loopback {
        gain_db,
        response_db: (low - gain_db, high - gain_db),
        noise_dbfs: response.noise_dbfs.map(|noise| noise - gain_db),
        thd_percent,
        repeats: response.repeats,
    })
}

/// A device's noise and distortion against a difference, in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Margins {
    /// The difference over the noise; `None` where the noise is not known.
    pub noise_db: Option<f64>,
    /// The difference over the largest distortion of the sound.
    pub distortion_db: f64,
}

impl Loopback {
    /// Against a difference of `difference_dbfs` in a sound of `sound_dbfs`.
    pub fn against(&self, sound_dbfs: f64, difference_dbfs: f64) -> Margins {
        Margins {
            noise_db: self.noise_dbfs.map(|noise| difference_dbfs - noise),
            distortion_db: difference_dbfs
                - sound_dbfs
                - 20.0 * (self.thd_percent.0 / 100.0).max(1e-10).log10(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_device_is_measured_and_held_against_a_difference() {
        // Half the level, 0.01 x^2 added (THD is half of 0.01 times the peak: 0.05 %), silence of -100 dBFS.
        let sweep = sweep(48_000);
        let mut state = 1_u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        };
        // A uniform value of +-a has a root mean square of a/sqrt(3); a full-scale sine has 1/sqrt(2).
        let hiss = 1e-5 * (1.5_f64).sqrt();
        let samples = sweep.samples().expect("allowed");
        let heard = samples.iter().map(|x| 0.5 * (x + 0.01 * x * x) + hiss * noise()).collect();
        let recording = Recording::new("loop", 48_000, vec![heard]).expect("samples");
        let found = loopback(&recording, &sweep).expect("a sweep");
        assert!((found.gain_db + 6.0206).abs() < 0.01, "{found:?}");
        assert!(found.response_db.0 > -0.02 && found.response_db.1 < 0.02, "{found:?}");
        assert!((found.noise_dbfs.expect("silence") + 100.0 - 6.0206).abs() < 0.5, "{found:?}");
        assert!((found.thd_percent.0 / 0.05 - 1.0).abs() < 0.1, "{found:?}");
        let margins = found.against(-20.0, -60.0);
        assert!((margins.noise_db.expect("known") - 34.0).abs() < 0.6, "{margins:?}");
        assert!((margins.distortion_db - 26.0).abs() < 1.0, "{margins:?}");
    }
}
