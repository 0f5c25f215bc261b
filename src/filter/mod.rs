//! H(f) to an impulse response; offline convolution.
//!
//! Comes in: a frequency response as a function of frequency in Hz, audio as planar `f64` blocks. Goes out: [`Fir`],
//! and blocks filtered by it. Time is counted in samples of the clip's rate; tap `i` of a [`Fir`] acts `start + i`
//! samples after its input. Must not know: anything real-time, where a response comes from.
//!
//! ```
//! use earwitness_numerics::filter::{Convolver, design};
//! use num_complex::Complex64;
//!
//! // A one-pole low pass at 5 kHz.
//! let response = |frequencies_hz: &[f64]| {
//!     Ok(frequencies_hz.iter().map(|f| 1.0 / Complex64::new(1.0, f / 5000.0)).collect())
//! };
//! let fir = design(&response, 48_000)?;
//! assert!(fir.accuracy.max_abs_db < 0.001);
//! let mut convolver = Convolver::new(&[&fir], 1);
//! let block = vec![vec![0.0; 100]];
//! let mut output = convolver.push(&block);
//! output.extend(&convolver.finish());
//! assert_eq!(output.sides[0][0].len(), 100);
//! # Ok::<(), earwitness_numerics::filter::FilterError>(())
//! ```

mod closest;
mod convolve;
mod design;
pub mod plans;
pub mod progress;
mod sampled;

pub use convolve::{Convolver, Filtered};
pub use design::{Accuracy, Fir, PASS_BAND_FRACTION, design};
pub use progress::{NoProgress, Progress};
pub use sampled::Sampled;

use num_complex::Complex64;

use crate::units::printed;

/// A frequency response: frequencies in Hz, ascending, from 0, to dimensionless complex gains, one each. The error is
/// a sentence for the user.
pub type Response<'r> = dyn Fn(&[f64]) -> Result<Vec<Complex64>, String> + Sync + 'r;

/// Why a response cannot be made a filter.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The response itself has no answer.
    #[error("{0}")]
    Response(String),
    /// The response is not a number somewhere.
    #[error("the response is not a finite number at {}; check the values around it", printed::hertz(*.frequency_hz))]
    NotFinite {
        /// Where.
        frequency_hz: f64,
    },
    /// The response adds more than is allowed.
    #[error(
        "the response adds {} at {}; at most {limit_db} dB are allowed, to protect ears and amplifiers; check the units of \
         the table",
        printed::fixed(*.gain_db, 1, "dB"),
        printed::hertz(*.frequency_hz)
    )]
    TooMuchGain {
        /// Gain in dB.
        gain_db: f64,
        /// Where, in Hz.
        frequency_hz: f64,
        /// Largest allowed gain in dB.
        limit_db: f64,
    },
    /// The response rings or delays for longer than a filter may be.
    #[error(
        "the response has not died away after {}, the longest filter allowed (what is left is {left:.1e} of the direct \
         sound); it has a very narrow resonance, a long delay or noise: smooth the measured table or use more points at low \
         frequencies",
        printed::seconds(*.seconds)
    )]
    TooLong {
        /// Longest filter in seconds.
        seconds: f64,
        /// Sum of the magnitudes that would be cut off, relative to the sum of all.
        left: f64,
    },
    /// The sample rate is out of range.
    #[error("a rate of {rate_hz} Hz is not allowed; 8000 to 384000 Hz are")]
    Rate {
        /// The rate in Hz.
        rate_hz: u32,
    },
}
