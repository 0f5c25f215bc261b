//! Quantities with units as people write them (`"10 ft"`, `"8 ohm"`), turned into SI values.
//!
//! Comes in: text from a session file or the command line. Goes out: `f64` in SI base units. Must not know: physics.

/// What kind of quantity is expected, which fixes the units that are understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dimension {
    /// Metres: `m`, `cm`, `mm`, `um`, `km`, `ft`, `in`.
    Length,
    /// Square metres: `mm2`.
    Area,
    /// Ohm.
    Resistance,
    /// Henry.
    Inductance,
    /// Farad.
    Capacitance,
    /// Siemens.
    Conductance,
    /// Hertz.
    Frequency,
    /// Seconds: `s`, `ms`, `min`.
    Time,
    /// Degrees Celsius.
    Temperature,
    /// Decibel.
    Level,
    /// Ohm per metre.
    ResistancePerLength,
    /// Henry per metre.
    InductancePerLength,
    /// Farad per metre.
    CapacitancePerLength,
    /// Siemens per metre.
    ConductancePerLength,
}

/// Why a text is not the expected quantity: what was tried and which units would do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{0}")]
pub struct UnitError(pub String);

/// The SI value of a quantity such as `"0.2 uH/ft"`.
///
/// # Errors
/// The text is not a finite number followed by a unit of this dimension; the message names the units that are.
pub fn parse(text: &str, dimension: Dimension) -> Result<f64, UnitError> {
    Err(UnitError(format!("\"{text}\" is not understood as {dimension:?}")))
}
