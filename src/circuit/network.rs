//! Ladder networks of resistors, inductors, capacitors and drivers: crossovers.
//!
//! Each way is a ladder from the terminals to its driver; all ways of one pair of terminals are in parallel.

use num_complex::Complex64;

use super::driver::Driver;

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
const ONE: Complex64 = Complex64::new(1.0, 0.0);

/// An impedance that may be infinite, as voltage over current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Immittance {
    voltage: Complex64,
    current: Complex64,
}

impl Immittance {
    /// Nothing connected.
    pub const OPEN: Self = Self { voltage: ONE, current: ZERO };
    /// A short circuit.
    pub const SHORT: Self = Self { voltage: ZERO, current: ONE };

    /// From an impedance in ohm.
    pub fn impedance(ohm: Complex64) -> Self {
        Self { voltage: ohm, current: ONE }
    }

    /// From an admittance in siemens.
    pub fn admittance(siemens: Complex64) -> Self {
        Self { voltage: ONE, current: siemens }
    }

    /// An impedance so many times as large.
    #[must_use]
    pub fn scaled(self, factor: Complex64) -> Self {
        Self { voltage: self.voltage * factor, current: self.current }
    }

    /// Both in series.
    #[must_use]
    pub fn then(self, other: Self) -> Self {
        if self.current == ZERO || other.current == ZERO {
            return Self::OPEN;
        }
        Self { voltage: self.voltage / self.current + other.voltage / other.current, current: ONE }
    }

    /// Both in parallel.
    #[must_use]
    pub fn beside(self, other: Self) -> Self {
        if self.voltage == ZERO || other.voltage == ZERO {
            return Self::SHORT;
        }
        Self { voltage: ONE, current: self.current / self.voltage + other.current / other.voltage }
    }

    /// In ohm; infinite if open.
    pub fn to_impedance(self) -> Complex64 {
        if self.current == ZERO { Complex64::new(f64::INFINITY, 0.0) } else { self.voltage / self.current }
    }

    /// In siemens; infinite if short.
    pub fn to_admittance(self) -> Complex64 {
        if self.voltage == ZERO { Complex64::new(f64::INFINITY, 0.0) } else { self.current / self.voltage }
    }

    /// Whether it is a short circuit.
    pub fn is_short(self) -> bool {
        self.voltage == ZERO
    }
}

/// How the parts of one branch are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Joined {
    /// One after another.
    Series,
    /// Side by side.
    Parallel,
}

/// A branch of up to three parts and a driver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Branch {
    /// Resistance in ohm.
    pub resistance_ohm: Option<f64>,
    /// Inductance in henry.
    pub inductance_h: Option<f64>,
    /// Capacitance in farad.
    pub capacitance_f: Option<f64>,
    /// A driver.
    pub driver: Option<Driver>,
    /// How they are joined.
    pub joined: Joined,
}

impl Branch {
    fn immittance(&self, frequency_hz: f64) -> Immittance {
        let omega = std::f64::consts::TAU * frequency_hz;
        let parts = [
            self.resistance_ohm.map(|ohm| Immittance::impedance(Complex64::new(ohm, 0.0))),
            self.inductance_h.map(|henry| Immittance::impedance(Complex64::new(0.0, omega * henry))),
            self.capacitance_f.map(|farad| Immittance::admittance(Complex64::new(0.0, omega * farad))),
            self.driver.map(|driver| Immittance::impedance(driver.impedance(frequency_hz))),
        ];
        let parts = parts.into_iter().flatten();
        match self.joined {
            Joined::Series => parts.fold(Immittance::SHORT, Immittance::then),
            Joined::Parallel => parts.fold(Immittance::OPEN, Immittance::beside),
        }
    }
}

/// Where a branch of a ladder is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// In the way of the current.
    Series,
    /// Across.
    Shunt,
}

/// Which pair of terminals a way hangs on, in a loudspeaker with two pairs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Terminals {
    /// The low-frequency pair, or the only one.
    Low,
    /// The high-frequency pair.
    High,
}

/// A ladder from the terminals inward; its last branch is usually a driver across.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// Name, such as `woofer`.
    pub name: String,
    /// Which terminals it hangs on.
    pub terminals: Terminals,
    /// Branches in order from the terminals.
    pub branches: Vec<(Place, Branch)>,
}

impl Way {
    /// What the terminals see at a frequency in Hz.
    pub fn immittance(&self, frequency_hz: f64) -> Immittance {
        self.branches.iter().rev().fold(Immittance::OPEN, |inner, (place, branch)| {
            let outer = branch.immittance(frequency_hz);
            match place {
                Place::Series => outer.then(inner),
                Place::Shunt => outer.beside(inner),
            }
        })
    }

    /// Voltage at the innermost branch over the voltage at the terminals at a frequency in Hz.
    pub fn drive(&self, frequency_hz: f64) -> Complex64 {
        // From the inside out with one volt at the innermost branch.
        let (mut voltage, mut current) = (ONE, ZERO);
        for (index, (place, branch)) in self.branches.iter().enumerate().rev() {
            let part = branch.immittance(frequency_hz);
            match place {
                Place::Shunt if index + 1 == self.branches.len() => {
                    current = part.to_admittance();
                }
                Place::Shunt => current += voltage * part.to_admittance(),
                Place::Series => {
                    if current != ZERO {
                        voltage += current * part.to_impedance();
                    }
                }
            }
        }
        let drive = voltage.inv();
        if drive.is_finite() { drive } else { ZERO }
    }
}

/// All ways of a loudspeaker.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// The ways, at least one.
    pub ways: Vec<Way>,
}

impl Network {
    /// What the joined terminals see at a frequency in Hz.
    pub fn immittance(&self, frequency_hz: f64) -> Immittance {
        self.ways.iter().map(|way| way.immittance(frequency_hz)).fold(Immittance::OPEN, Immittance::beside)
    }

    /// What one pair of terminals sees at a frequency in Hz; open if nothing hangs on it.
    pub fn immittance_at(&self, terminals: Terminals, frequency_hz: f64) -> Immittance {
        self.ways
            .iter()
            .filter(|way| way.terminals == terminals)
            .map(|way| way.immittance(frequency_hz))
            .fold(Immittance::OPEN, Immittance::beside)
    }

    /// Whether both pairs of terminals have a way.
    pub fn has_two_pairs(&self) -> bool {
        [Terminals::Low, Terminals::High]
            .iter()
            .all(|pair| self.ways.iter().any(|way| way.terminals == *pair))
    }
}
