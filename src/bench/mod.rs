//! The measuring bench: sweeps, captures, responses, impedance, distortion and null tests.
//!
//! Comes in: recordings of one or two channels. Goes out: transfer functions with their standard deviation, impedances,
//! distortion, and what is left of two recordings. Must not know: listeners.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`sweep`] | the synchronised exponential sweep |
//! | [`apart`] | two responses held against each other |
//! | [`approach`] | the way up to a capture's level |
//! | [`chain`] | a sound device's output joined to its input |
//! | [`clicks`] | what a relay sounds like |
//! | [`clock`] | the clocks of what was played and what was recorded |
//! | [`bands`] | the bands of a response and the transfer function in each |
//! | [`capture`] | playing and recording at once; dividers for an amplifier |
//! | [`recording`] | a recording: what is refused, where its sweeps are, how loud its silence is |
//! | [`recognised`] | the phase of an exponential sweep from its zero crossings |
//! | [`whole`] | which sounds of a recording are one sweep, and which sweeps are whole |
//! | [`repeats`] | repeats side by side; one with a dropout is thrown away |
//! | [`excess`] | the delay and polarity that are not the response's own |
//! | [`response`] | two channels to a transfer function |
//! | [`distortion`] | harmonics and THD over frequency, the difference of two |
//! | [`tones`] | intermodulation of two tones; THD+N of stepped tones |
//! | [`impedance`] | an impedance from a known resistor |
//! | [`foreseen`] | what the circuit predicts that two recordings leave of each other |
//! | [`null`] | what two recordings leave of each other |
//!
//! ```
//! use earwitness::bench::{recording::Recording, response, sweep::Sweep};
//!
//! let sweep = Sweep { from_hz: 20.0, to_hz: 9000.0, seconds: 0.5, rate_hz: 24_000, repeats: 2, ..Sweep::default() };
//! let reference = sweep.samples()?;
//! let halved = reference.iter().map(|sample| 0.5 * sample).collect();
//! let recording = Recording::new("example", 24_000, vec![reference, halved])?;
//! let response = response::measured(&recording, &response::Options::default())?;
//! assert!(response.gain_db.iter().all(|gain| (gain + 6.0206).abs() < 1e-3));
//! # Ok::<(), earwitness::bench::BenchError>(())
//! ```

pub mod apart;
pub mod approach;
pub mod bands;
pub mod capture;
pub mod chain;
pub mod clicks;
pub mod clock;
pub mod distortion;
pub mod excess;
pub mod foreseen;
pub mod impedance;
pub mod null;
pub mod recognised;
pub mod recording;
pub mod repeats;
pub mod response;
pub mod sweep;
pub mod tones;
pub mod whole;

/// Why the bench has no answer. The message names the file, the value, what is allowed and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BenchError(pub String);

impl From<crate::clip::ClipError> for BenchError {
    fn from(error: crate::clip::ClipError) -> Self {
        Self(error.0)
    }
}

/// A level in dB relative to a sine at full scale, as AES17 has it: a full-scale sine's root mean square is 0 dBFS.
pub fn dbfs(root_mean_square: f64) -> f64 {
    20.0 * (root_mean_square * std::f64::consts::SQRT_2).log10()
}

/// Root mean square of samples; 0 of none.
pub(crate) fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|sample| sample * sample).sum::<f64>() / samples.len().max(1) as f64).sqrt()
}

/// Centres in Hz of bands from one frequency to another, `per_octave` of them in each octave, both ends included.
pub(crate) fn logarithmic(from_hz: f64, to_hz: f64, per_octave: f64) -> Vec<f64> {
    let count = ((to_hz / from_hz).log2() * per_octave).floor() as usize;
    let mut frequencies: Vec<f64> =
        (0..=count).map(|step| from_hz * (step as f64 / per_octave).exp2()).collect();
    if frequencies.last().is_some_and(|last| last * (1.0 + 1e-9) < to_hz) {
        frequencies.push(to_hz);
    }
    frequencies
}
