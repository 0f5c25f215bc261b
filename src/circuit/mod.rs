//! Amplifier, cable and loudspeaker as two-ports; the result is a complex transfer function H(f).
//!
//! Comes in: descriptions in SI units and measured tables. Goes out: [`Chain::transfer`], the voltage at the
//! loudspeaker over the amplifier's open-circuit voltage. Must not know: files' paths, audio samples.

use num_complex::Complex64;

/// The amplifier as a source with an output impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct Amplifier {}

/// A cable, or no cable, or a measured transfer function.
#[derive(Debug, Clone, PartialEq)]
pub struct Cable {}

/// The loudspeaker as a load.
#[derive(Debug, Clone, PartialEq)]
pub struct Loudspeaker {}

/// Amplifier, cable and loudspeaker connected.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// The source.
    pub amplifier: Amplifier,
    /// What connects the two.
    pub cable: Cable,
    /// The load.
    pub loudspeaker: Loudspeaker,
}

/// Why a circuit has no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{0}")]
pub struct CircuitError(pub String);

impl Chain {
    /// H(f), dimensionless, at each frequency in Hz (0 Hz included): the voltage at the loudspeaker's terminals over
    /// the amplifier's open-circuit voltage.
    pub fn transfer(&self, frequencies_hz: &[f64]) -> Result<Vec<Complex64>, CircuitError> {
        Ok(vec![Complex64::new(1.0, 0.0); frequencies_hz.len()])
    }
}
