//! The amplifier as a source with an output impedance.

use num_complex::Complex64;

use super::limit::{Limit, Quantity};
use super::table::ImpedanceTable;

/// What is behind the amplifier's terminals.
#[derive(Debug, Clone, PartialEq)]
pub enum OutputImpedance {
    /// A resistance and an inductance in series.
    Lumped {
        /// Ohm.
        resistance_ohm: f64,
        /// Henry.
        inductance_h: f64,
    },
    /// Measured.
    Table(ImpedanceTable),
}

/// The amplifier as a source with an output impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct Amplifier {
    /// Its output impedance.
    pub output: OutputImpedance,
    /// The lowest load impedance in ohm that its maker allows, if known.
    pub lowest_load_ohm: Option<f64>,
    /// Its output impedance is known within so large a share, either way.
    pub impedance_tolerance: f64,
    /// Share by which its output impedance is moved, along it and across; 0 is as written.
    pub(super) impedance_shift: Complex64,
}

impl Amplifier {
    /// Output resistance in ohm and inductance in henry.
    pub fn lumped(resistance_ohm: f64, inductance_h: f64) -> Self {
        Self::of(OutputImpedance::Lumped { resistance_ohm, inductance_h })
    }

    /// Of which nothing but its output impedance is known.
    pub fn of(output: OutputImpedance) -> Self {
        Self { output, lowest_load_ohm: None, impedance_tolerance: 0.0, impedance_shift: Complex64::ZERO }
    }

    /// How well it is known: as somebody says, and what was left out of its table.
    pub(super) fn limits(&self) -> Vec<Limit> {
        let mut limits = vec![Limit::new(Quantity::OutputImpedance, self.impedance_tolerance)];
        if let OutputImpedance::Table(table) = &self.output {
            limits.extend(table.scatter(Quantity::OutputScatter, Quantity::OutputAngleScatter));
        }
        limits
    }

    /// Output impedance in ohm at a frequency in Hz.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        let nominal = match &self.output {
            OutputImpedance::Lumped { resistance_ohm, inductance_h } => {
                Complex64::new(*resistance_ohm, std::f64::consts::TAU * frequency_hz * inductance_h)
            }
            OutputImpedance::Table(table) => table.impedance(frequency_hz),
        };
        nominal * (1.0 + self.impedance_shift)
    }
}

/// Damping factor: load impedance over the magnitude of the source impedance (IEC 60268-3).
pub fn damping_factor(load_ohm: f64, source: Complex64) -> f64 {
    load_ohm / source.norm()
}
