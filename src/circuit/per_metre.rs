//! A metre of line at one frequency, and a length of it as a two-port.

use num_complex::Complex64;

use super::twoport::Abcd;

/// Series and shunt parameters per metre at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PerMetre {
    /// Loop resistance in ohm per metre.
    pub resistance: f64,
    /// Loop inductance in henry per metre.
    pub inductance: f64,
    /// Capacitance in farad per metre.
    pub capacitance: f64,
    /// Conductance in siemens per metre.
    pub conductance: f64,
}

impl PerMetre {
    /// The chain matrix of `length_m` metres at a frequency in Hz.
    ///
    /// `A = D = cosh(g l)`, `B = Z l sinh(g l)/(g l)`, `C = Y l sinh(g l)/(g l)` with `g^2 = Z Y` (Pozar, Microwave
    /// Engineering, Table 4.1). Written so, nothing divides by zero at 0 Hz or at no length, and the sign of the root
    /// does not matter.
    pub fn chain(&self, length_m: f64, frequency_hz: f64) -> Abcd {
        let omega = std::f64::consts::TAU * frequency_hz;
        let series = Complex64::new(self.resistance, omega * self.inductance) * length_m;
        let shunt = Complex64::new(self.conductance, omega * self.capacitance) * length_m;
        let squared = series * shunt;
        let (cosh, sinhc) = cosh_and_sinhc(squared);
        Abcd { a: cosh, b: series * sinhc, c: shunt * sinhc, d: cosh }
    }
}

/// `cosh(x)` and `sinh(x)/x` from `x^2`.
fn cosh_and_sinhc(squared: Complex64) -> (Complex64, Complex64) {
    if squared.norm() < 1e-2 {
        let series = |first: f64| {
            // sum of x^(2k)/(2k+first)!: eight terms are far below rounding at |x| = 0.1.
            let mut term = Complex64::new(1.0, 0.0);
            let mut sum = term;
            for k in 1..8 {
                let n = 2.0 * f64::from(k) + first;
                term *= squared / (n * (n - 1.0));
                sum += term;
            }
            sum
        };
        return (series(0.0), series(1.0));
    }
    let x = squared.sqrt();
    (x.cosh(), x.sinh() / x)
}

/// Metres of a helix of some diameter in a metre along its axis, one turn per lay length: `sqrt(1 + (pi D/lay)^2)`.
pub fn take_up(diameter_m: f64, lay_length_m: f64) -> f64 {
    (std::f64::consts::PI * diameter_m / lay_length_m).hypot(1.0)
}
