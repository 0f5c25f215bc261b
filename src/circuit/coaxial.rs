//! A round wire in the middle of a round tube.

use num_complex::Complex64;

use super::conductor::{Material, Wire};
use super::smooth::{self, Pair};
use super::{CircuitError, EPSILON0, MU0, check_at_least};

/// The outer conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shield {
    /// A solid tube.
    Tube {
        /// Wall thickness in metres.
        thickness_m: f64,
        /// Resistivity in ohm metre.
        resistivity_ohm_m: f64,
    },
    /// A braid or foil so thin that its current fills it: a constant resistance in ohm per metre.
    Thin {
        /// Ohm per metre.
        ohm_per_m: f64,
    },
}

impl Shield {
    /// A tube of a material at a temperature.
    pub fn tube(thickness_m: f64, material: Material, celsius: f64) -> Self {
        Self::Tube { thickness_m, resistivity_ohm_m: material.resistivity_at(celsius) }
    }
}

/// A coaxial line in a homogeneous dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct Coaxial {
    /// The inner conductor.
    pub inner: Wire,
    /// Inner diameter of the outer conductor in metres.
    pub shield_inner_diameter_m: f64,
    /// The outer conductor.
    pub shield: Shield,
    /// Effective relative permittivity.
    pub permittivity: f64,
}

impl Coaxial {
    /// Whether the shape exists.
    pub fn check(&self) -> Result<(), CircuitError> {
        self.inner.check()?;
        check_at_least("the permittivity", self.permittivity, 1.0, "(relative)", "at least 1 is needed")?;
        let inner = 2.0 * self.inner.radius_m;
        if !(self.shield_inner_diameter_m > inner && self.shield_inner_diameter_m.is_finite()) {
            return Err(CircuitError::Geometry(format!(
                "the shield's inner diameter, {:.4} mm, must be larger than the inner conductor's diameter, {:.4} mm",
                self.shield_inner_diameter_m * 1e3,
                inner * 1e3
            )));
        }
        match self.shield {
            Shield::Tube { thickness_m, .. } => {
                check_at_least("the shield's thickness", thickness_m, 1e-7, "m", "at least 1e-7 m is needed")
            }
            Shield::Thin { ohm_per_m } => check_at_least(
                "the shield's resistance",
                ohm_per_m,
                0.0,
                "ohm/m",
                "0 ohm/m or more is needed",
            ),
        }
    }

    /// Capacitance in farad per metre, `2 pi eps/ln(b/a)` (Pozar, Microwave Engineering, Table 2.1).
    pub fn capacitance(&self) -> f64 {
        std::f64::consts::TAU * EPSILON0 * self.permittivity / self.ratio().ln()
    }

    /// Inductance in henry per metre of the field between the conductors, `(mu0/2 pi) ln(b/a)`.
    pub fn external_inductance(&self) -> f64 {
        MU0 / std::f64::consts::TAU * self.ratio().ln()
    }

    fn ratio(&self) -> f64 {
        self.shield_inner_diameter_m / (2.0 * self.inner.radius_m)
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    pub fn series(&self, frequencies_hz: &[f64]) -> Result<Vec<Pair>, CircuitError> {
        self.check()?;
        // 1 mHz is far below any change in a conductor that fits a hand.
        smooth::over_frequency(frequencies_hz, 1e-3, |frequencies| {
            Ok(frequencies
                .iter()
                .map(|&frequency| {
                    let omega = std::f64::consts::TAU * frequency;
                    let impedance = self.inner.internal_impedance(frequency) + self.shield_impedance(omega);
                    [impedance.re, self.external_inductance() + impedance.im / omega]
                })
                .collect())
        })
    }

    /// Internal impedance in ohm per metre at the inner surface of the outer conductor.
    fn shield_impedance(&self, omega: f64) -> Complex64 {
        match self.shield {
            Shield::Thin { ohm_per_m } => Complex64::new(ohm_per_m, 0.0),
            Shield::Tube { thickness_m, resistivity_ohm_m } => {
                tube_impedance(self.shield_inner_diameter_m / 2.0, thickness_m, resistivity_ohm_m, omega)
            }
        }
    }
}

/// Impedance in ohm per metre at the inner surface of a tube that returns the current of the conductor inside it.
///
/// The field obeys `E'' + E'/r = k^2 E` with `E' = 0` at the outer surface, where no field is left. It is followed
/// inwards through layers by its Taylor series; in that direction the solution grows, so that nothing cancels, and only
/// the ratio `E/E'` is kept, so that nothing overflows. Same result as Schelkunoff's Bessel form (1934, BSTJ 13:532).
fn tube_impedance(inner_m: f64, thickness_m: f64, resistivity: f64, omega: f64) -> Complex64 {
    const TERMS: usize = 28;
    let squared = Complex64::new(0.0, omega * MU0 / resistivity);
    let layer = (0.5 * inner_m).min(1.0 / squared.norm().sqrt());
    // Below twenty skin depths the wall's far side no longer matters.
    let wall = thickness_m.min(40.0 / squared.norm().sqrt());
    let layers = (wall / layer).ceil().max(1.0);
    let step = wall / layers;
    let (mut field, mut slope) = (Complex64::new(1.0, 0.0), Complex64::new(0.0, 0.0));
    for index in 0..layers as usize {
        let radius = inner_m + wall - step * index as f64;
        let mut terms = [Complex64::new(0.0, 0.0); TERMS];
        terms[0] = field;
        terms[1] = slope;
        for n in 0..TERMS - 2 {
            let before = if n == 0 { Complex64::new(0.0, 0.0) } else { terms[n - 1] };
            let order = n as f64;
            terms[n + 2] = (squared * (radius * terms[n] + before) - (order + 1.0).powi(2) * terms[n + 1])
                / (radius * (order + 2.0) * (order + 1.0));
        }
        field = terms.iter().rev().fold(Complex64::new(0.0, 0.0), |sum, term| sum * -step + term);
        slope = terms
            .iter()
            .enumerate()
            .skip(1)
            .rev()
            .fold(Complex64::new(0.0, 0.0), |sum, (n, term)| sum * -step + *term * n as f64);
        let size = field.norm();
        field /= size;
        slope /= size;
    }
    -resistivity * squared * field / (std::f64::consts::TAU * inner_m * slope)
}
