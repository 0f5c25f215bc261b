//! The loudspeaker as a load.

use num_complex::Complex64;

pub use super::driver::{Driver, VoiceCoil};
use super::limit::{Limit, Quantity};
use super::network::{Immittance, Network};
use super::table::ImpedanceTable;

/// What is between the loudspeaker's terminals.
#[derive(Debug, Clone, PartialEq)]
pub enum Load {
    /// A resistance in ohm.
    Resistor(f64),
    /// Measured.
    Table(ImpedanceTable),
    /// One driver.
    Driver(Driver),
    /// A crossover with its drivers.
    Network(Network),
}

/// The loudspeaker as a load.
#[derive(Debug, Clone, PartialEq)]
pub struct Loudspeaker {
    /// What is between its terminals.
    pub load: Load,
    /// Rated impedance in ohm, if known.
    pub rated_impedance_ohm: Option<f64>,
    /// A resistor and a capacitor in series across its terminals, if there are any.
    pub zobel: Option<Zobel>,
    /// Its impedance (without the network above) is known within so large a share, either way.
    pub impedance_tolerance: f64,
    /// Share by which its impedance is moved, along it and across; 0 is as written.
    pub(super) impedance_shift: Complex64,
}

/// A resistor and a capacitor in series, across a loudspeaker's terminals: it ends a cable at high frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zobel {
    /// Ohm.
    pub resistance_ohm: f64,
    /// Farad.
    pub capacitance_f: f64,
}

impl Zobel {
    fn immittance(&self, frequency_hz: f64) -> Immittance {
        let susceptance = std::f64::consts::TAU * frequency_hz * self.capacitance_f;
        Immittance::impedance(Complex64::new(self.resistance_ohm, 0.0))
            .then(Immittance::admittance(Complex64::new(0.0, susceptance)))
    }
}

impl Loudspeaker {
    /// A load of which nothing else is known.
    pub fn of(load: Load) -> Self {
        Self {
            load,
            rated_impedance_ohm: None,
            zobel: None,
            impedance_tolerance: 0.0,
            impedance_shift: Complex64::ZERO,
        }
    }

    /// How well its impedance is known: as somebody says, and what was left out of its table.
    pub(super) fn limits(&self) -> Vec<Limit> {
        let mut limits = vec![Limit::new(Quantity::LoadImpedance, self.impedance_tolerance)];
        if let Load::Table(table) = &self.load {
            limits.extend(table.scatter(Quantity::LoadScatter, Quantity::LoadAngleScatter));
        }
        limits
    }

    /// A resistor.
    pub fn resistor(ohm: f64) -> Self {
        Self::of(Load::Resistor(ohm))
    }

    /// What is between the terminals at a frequency in Hz, infinite impedance included.
    pub fn immittance(&self, frequency_hz: f64) -> Immittance {
        let bare = match &self.load {
            Load::Resistor(ohm) => Immittance::impedance(Complex64::new(*ohm, 0.0)),
            Load::Table(table) => Immittance::impedance(table.impedance(frequency_hz)),
            Load::Driver(driver) => Immittance::impedance(driver.impedance(frequency_hz)),
            Load::Network(network) => network.immittance(frequency_hz),
        };
        let moved = self.moved(bare);
        self.zobel.map_or(moved, |zobel| moved.beside(zobel.immittance(frequency_hz)))
    }

    /// An impedance of its own, moved as far as the whole is.
    pub(super) fn moved(&self, of: Immittance) -> Immittance {
        if self.impedance_shift == Complex64::ZERO { of } else { of.scaled(1.0 + self.impedance_shift) }
    }

    /// The impedance of smallest magnitude between two frequencies in Hz: `(ohm, Hz)`, searched on 48 points per octave.
    pub fn lowest_impedance(&self, from_hz: f64, to_hz: f64) -> (f64, f64) {
        let steps = ((to_hz / from_hz).log2() * 48.0).ceil() as usize;
        (0..=steps)
            .map(|step| {
                let frequency = from_hz * (to_hz / from_hz).powf(step as f64 / steps as f64);
                (self.immittance(frequency).to_impedance().norm(), frequency)
            })
            .fold((f64::INFINITY, from_hz), |least, next| if next.0 < least.0 { next } else { least })
    }
}
