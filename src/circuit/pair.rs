//! Two equal parallel round wires that carry opposite currents, with skin and proximity effect.
//!
//! The field outside is a line current and multipoles in each wire; the second wire is the first one's mirror image
//! with opposite sign, so that one wire's multipoles are the only unknowns. Inside, modified Bessel functions; matching
//! the potential and its slope at the surface gives a small linear system per frequency.
//!
//! Method after Carson 1921 (Phil. Mag. 41:607) and Manneback 1922 (J. Math. Phys. 1:123).

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use super::conductor::Wire;
use super::smooth::{self, Pair};
use super::{CircuitError, EPSILON0, MU0, check_at_least};

/// Two equal parallel wires in a homogeneous dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct ParallelPair {
    /// Either wire.
    pub wire: Wire,
    /// Distance of their centres in metres.
    pub spacing_m: f64,
    /// Effective relative permittivity.
    pub permittivity: f64,
}

/// Wires further apart than this, in metres, are no cable.
const WIDEST_M: f64 = 1.0;
/// More multipoles than this are not tried.
const MOST_MULTIPOLES: usize = 700;

impl ParallelPair {
    /// Whether the shape exists: wires that neither touch nor overlap.
    pub fn check(&self) -> Result<(), CircuitError> {
        self.wire.check()?;
        check_at_least("the permittivity", self.permittivity, 1.0, "(relative)", "at least 1 is needed")?;
        let diameter = 2.0 * self.wire.radius_m;
        if self.spacing_m > WIDEST_M {
            return Err(CircuitError::Value {
                what: "the spacing",
                value: self.spacing_m,
                unit: "m",
                allowed: "at most 1 m is computed as a pair",
            });
        }
        if !self.spacing_m.is_finite() || self.spacing_m <= diameter * 1.001 {
            return Err(CircuitError::Geometry(format!(
                "two wires of {:.4} mm diameter touch or overlap at {:.4} mm from centre to centre; the spacing must be \
                 larger than the diameter by at least 0.1 %",
                diameter * 1e3,
                self.spacing_m * 1e3
            )));
        }
        Ok(())
    }

    /// Capacitance in farad per metre, `pi eps/acosh(D/d)` (Pozar, Microwave Engineering, Table 2.1).
    pub fn capacitance(&self) -> f64 {
        std::f64::consts::PI * EPSILON0 * self.permittivity
            / (self.spacing_m / (2.0 * self.wire.radius_m)).acosh()
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    pub fn series(&self, frequencies_hz: &[f64]) -> Result<Vec<Pair>, CircuitError> {
        self.check()?;
        // At a/delta = 0.01 skin and proximity effect are below 1e-8.
        let floor = self.wire.skin_depth_m(1.0).powi(2) / (100.0 * self.wire.radius_m).powi(2);
        smooth::over_frequency(frequencies_hz, floor, |frequencies| {
            frequencies.iter().map(|&frequency| self.solve(frequency)).collect()
        })
    }

    fn solve(&self, frequency_hz: f64) -> Result<Pair, CircuitError> {
        let ratio = self.wire.radius_m / self.spacing_m;
        // Multipoles fall off at least as exp(-n acosh(D/d)), and their effect on the wire itself as its square.
        let decay = (0.5 / ratio).acosh();
        let mut count = (8.0 / decay).ceil() as usize + 4;
        let omega = std::f64::consts::TAU * frequency_hz;
        let internal = self.wire.internal_impedance(frequency_hz);
        let mut last: Option<Complex64> = None;
        loop {
            let potential = self.potential(frequency_hz, count);
            if let Some(before) = last
                && (potential - before).norm() <= 1e-9 * potential.norm()
            {
                let impedance = 2.0 * (internal + Complex64::new(0.0, omega) * potential);
                return Ok([impedance.re, impedance.im / omega]);
            }
            last = Some(potential);
            if count >= MOST_MULTIPOLES {
                return Err(CircuitError::Geometry(format!(
                    "wires of {:.4} mm diameter at {:.4} mm spacing are too close to solve with {MOST_MULTIPOLES} \
                     multipoles; increase the spacing",
                    2e3 * self.wire.radius_m,
                    1e3 * self.spacing_m
                )));
            }
            count = (count * 5 / 4 + 1).min(MOST_MULTIPOLES);
        }
    }

    /// Mean vector potential at the wire's surface in henry per metre for one ampere, with `count` multipoles.
    fn potential(&self, frequency_hz: f64, count: usize) -> Complex64 {
        let answers = self.wire.multipole_ratios(frequency_hz, count);
        MU0 / std::f64::consts::TAU * mean_potential(self.wire.radius_m / self.spacing_m, &answers)
    }
}

/// Mean potential at the surface of one of two equal cylinders of opposite line sources, in units of `source/2 pi`, of
/// radius `s` times their distance, that answer the n-th multipole around them with `answers[n - 1]` (1: a perfect
/// conductor).
pub(super) fn mean_potential(s: f64, answers: &[Complex64]) -> Complex64 {
    let count = answers.len();
    // Row m: b_m - rho_m sum_n binom(n+m-1, m) s^(n+m) b_n = rho_m s^m / m, in units of source/2pi.
    let mut matrix = DMatrix::<Complex64>::identity(count, count);
    let mut right = DVector::<Complex64>::zeros(count);
    let mut first = s * s; // binom(1+m-1, m) s^(1+m) at m = 1
    for m in 1..=count {
        let mut term = first;
        for n in 1..=count {
            matrix[(m - 1, n - 1)] -= answers[m - 1] * term;
            term *= s * (n + m) as f64 / n as f64;
        }
        right[m - 1] = answers[m - 1] * s.powi(m as i32) / m as f64;
        first *= s;
    }
    let multipoles = matrix.lu().solve(&right).expect("a contraction away from the identity has an inverse");
    let mut sum = Complex64::new(-s.ln(), 0.0);
    let mut power = s;
    for value in &multipoles {
        sum -= value * power;
        power *= s;
    }
    sum
}
