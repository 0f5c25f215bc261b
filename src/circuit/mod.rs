//! Amplifier, cable and loudspeaker as two-ports; the result is a complex transfer function H(f).
//!
//! Comes in: descriptions in SI units and the text of measured tables. Goes out: [`Chain::transfer`], the voltage at
//! the loudspeaker over the amplifier's open-circuit voltage, and [`Chain::parameters`], what an LCR meter would read.
//! Must not know: files' paths, audio samples.
//!
//! Phasors turn as `exp(+j w t)`. Frequencies are in Hz and may include 0, where every quantity is real.
//!
//! | file | what it computes |
//! | --- | --- |
//! | [`twoport`] | chain (ABCD) matrices, cascades, parallels, S, Y and Z parameters |
//! | [`conductor`] | materials, wires, strands, IEC 60228, the internal impedance of a round wire |
//! | [`pair`] | two equal parallel wires with skin and proximity effect |
//! | [`crosssection`] | any set of round conductors |
//! | [`layout`], [`braid`] | rings, twisted pairs and braids from a few numbers |
//! | [`flat`] | two strips |
//! | [`insulation`] | effective permittivity of coated wires |
//! | [`coaxial`] | a wire in a tube |
//! | [`mod@line`] | the uniform line with loss |
//! | [`cable`] | lines in series and in parallel, measured cables |
//! | [`amplifier`], [`loudspeaker`], [`network`] | source and load |
//! | [`tolerance`] | contacts, and how well values are known |
//! | [`table`], [`touchstone`] | measured data as text |
//! | [`two_port_table`] | a measured two-port, continued below its lowest frequency |
//! | [`delay`] | delay and polarity that are not the circuit's |
//! | [`measured`], [`vector_fit`], [`rational`], [`interpolation`] | measured data as smooth functions |
//!
//! ```
//! use earwitness_numerics::circuit::{Amplifier, Cable, Chain, Loudspeaker};
//! let chain = Chain {
//!     amplifier: Amplifier::lumped(0.04, 0.0),
//!     cable: Cable::Direct,
//!     loudspeaker: Loudspeaker::resistor(8.0),
//! };
//! let response = chain.transfer(&[0.0, 1000.0]).expect("finite frequencies");
//! assert!((response[1].re - 8.0 / 8.04).abs() < 1e-12);
//! ```

pub mod amplifier;
mod bessel;
pub mod braid;
pub mod cable;
pub mod chain;
pub mod coaxial;
pub mod conductor;
pub mod crosssection;
pub mod delay;
pub mod driver;
pub mod flat;
pub mod insulation;
pub mod interpolation;
mod iteration;
pub mod layout;
mod least_squares;
pub mod limit;
pub mod line;
pub mod loudspeaker;
pub mod measured;
pub mod network;
pub mod pair;
pub mod per_metre;
pub mod rational;
mod smooth;
pub mod table;
pub mod tolerance;
pub mod touchstone;
pub mod two_port_table;
pub mod twoport;
pub mod uncertain;
pub mod vector_fit;

pub use amplifier::Amplifier;
pub use cable::Cable;
pub use chain::{Chain, ChainParameters};
pub use loudspeaker::Loudspeaker;

/// Magnetic constant in henry per metre (CODATA 2018 is within 2e-10 of it).
pub const MU0: f64 = 4e-7 * std::f64::consts::PI;
/// Speed of light in vacuum in metres per second (exact).
pub const SPEED_OF_LIGHT: f64 = 299_792_458.0;
/// Electric constant in farad per metre, `1/(mu0 c^2)`.
pub const EPSILON0: f64 = 1.0 / (MU0 * SPEED_OF_LIGHT * SPEED_OF_LIGHT);

/// Why a circuit has no answer: what was tried, which value, what is allowed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// A frequency is negative or not finite.
    #[error("the frequency {} Hz cannot be computed; frequencies are finite and not negative", crate::units::printed::written(*.0))]
    Frequency(f64),
    /// A shape that does not exist or cannot be solved.
    #[error("{0}")]
    Geometry(String),
    /// A value out of its bounds.
    #[error("{what} is {} {unit}, {allowed}", crate::units::printed::written(*value))]
    Value {
        /// Which quantity.
        what: &'static str,
        /// Its value in `unit`.
        value: f64,
        /// Unit of `value`.
        unit: &'static str,
        /// What would be allowed.
        allowed: &'static str,
    },
    /// Parts that do not go together.
    #[error("{0}")]
    Combination(String),
    /// A measured table that cannot be read.
    #[error(transparent)]
    Table(#[from] table::TableError),
}

/// Refuses frequencies that have no meaning.
pub(crate) fn check_frequencies(frequencies_hz: &[f64]) -> Result<(), CircuitError> {
    match frequencies_hz.iter().find(|frequency| !frequency.is_finite() || **frequency < 0.0) {
        Some(frequency) => Err(CircuitError::Frequency(*frequency)),
        None => Ok(()),
    }
}

/// Refuses a value that is not finite or below its least.
pub(crate) fn check_at_least(
    what: &'static str,
    value: f64,
    least: f64,
    unit: &'static str,
    allowed: &'static str,
) -> Result<(), CircuitError> {
    if value.is_finite() && value >= least {
        Ok(())
    } else {
        Err(CircuitError::Value { what, value, unit, allowed })
    }
}
