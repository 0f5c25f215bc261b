//! Two-ports as chain matrices, their cascades and parallels, and the other parameter sets.
//!
//! Definitions after Pozar, Microwave Engineering, Tables 4.1 and 4.2: `V1 = A V2 + B I2`, `I1 = C V2 + D I2` with `I2`
//! leaving port 2.

use num_complex::Complex64;

const ONE: Complex64 = Complex64::new(1.0, 0.0);
const ZERO: Complex64 = Complex64::new(0.0, 0.0);

/// A chain (ABCD) matrix at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Abcd {
    /// Open-circuit voltage ratio `V1/V2`.
    pub a: Complex64,
    /// Short-circuit transfer impedance in ohm.
    pub b: Complex64,
    /// Open-circuit transfer admittance in siemens.
    pub c: Complex64,
    /// Short-circuit current ratio `I1/I2`.
    pub d: Complex64,
}

/// Parameters of a two-port in the order 11, 12, 21, 22.
pub type Parameters = [Complex64; 4];

impl Abcd {
    /// Nothing at all between the ports.
    pub const IDENTITY: Self = Self { a: ONE, b: ZERO, c: ZERO, d: ONE };

    /// An impedance in ohm in series.
    pub fn series(impedance: Complex64) -> Self {
        Self { a: ONE, b: impedance, c: ZERO, d: ONE }
    }

    /// An admittance in siemens across.
    pub fn shunt(admittance: Complex64) -> Self {
        Self { a: ONE, b: ZERO, c: admittance, d: ONE }
    }

    /// This two-port, then the next.
    #[must_use]
    pub fn then(self, next: Self) -> Self {
        Self {
            a: self.a * next.a + self.b * next.c,
            b: self.a * next.b + self.b * next.d,
            c: self.c * next.a + self.d * next.c,
            d: self.c * next.b + self.d * next.d,
        }
    }

    /// Both two-ports with their inputs joined and their outputs joined (both reciprocal).
    ///
    /// Admittance parameters add; written without dividing by a small `B`, so that short sections lose no digits:
    /// `C = C1 + C2 + (A1 - A2)(D2 - D1)/(B1 + B2)`. A two-port of zero `B` shorts the other out.
    #[must_use]
    pub fn beside(self, other: Self) -> Self {
        let sum = self.b + other.b;
        // Below this a quotient underflows: a millionth of an atom of cable.
        if sum.norm() < 1e-150 {
            return Self { a: ONE, b: ZERO, c: self.c + other.c, d: ONE };
        }
        Self {
            a: (self.a * other.b + other.a * self.b) / sum,
            b: self.b * other.b / sum,
            c: self.c + other.c + (self.a - other.a) * (other.d - self.d) / sum,
            d: (self.d * other.b + other.d * self.b) / sum,
        }
    }

    /// `AD - BC`: 1 for a reciprocal two-port.
    pub fn determinant(self) -> Complex64 {
        self.a * self.d - self.b * self.c
    }

    /// Impedance in ohm into port 2 with a source impedance in ohm on port 1.
    pub fn output_impedance(self, source_impedance: Complex64) -> Complex64 {
        (self.b + self.d * source_impedance) / (self.a + self.c * source_impedance)
    }

    /// Voltage at a load over the open-circuit voltage of a source.
    pub fn voltage_ratio(self, source_impedance: Complex64, load_admittance: Complex64) -> Complex64 {
        ONE / (self.a + self.b * load_admittance + source_impedance * (self.c + self.d * load_admittance))
    }

    /// From scattering parameters with one real reference resistance in ohm at both ports.
    pub fn from_scattering([s11, s12, s21, s22]: Parameters, reference: f64) -> Self {
        let two = 2.0 * s21;
        Self {
            a: ((ONE + s11) * (ONE - s22) + s12 * s21) / two,
            b: reference * ((ONE + s11) * (ONE + s22) - s12 * s21) / two,
            c: ((ONE - s11) * (ONE - s22) - s12 * s21) / two / reference,
            d: ((ONE - s11) * (ONE + s22) + s12 * s21) / two,
        }
    }

    /// Scattering parameters with one real reference resistance in ohm at both ports.
    pub fn to_scattering(self, reference: f64) -> Parameters {
        let (b, c) = (self.b / reference, self.c * reference);
        let sum = self.a + b + c + self.d;
        [
            (self.a + b - c - self.d) / sum,
            2.0 * self.determinant() / sum,
            2.0 / sum,
            (b + self.d - self.a - c) / sum,
        ]
    }

    /// From impedance parameters in ohm.
    pub fn from_impedance([z11, z12, z21, z22]: Parameters) -> Self {
        Self { a: z11 / z21, b: (z11 * z22 - z12 * z21) / z21, c: ONE / z21, d: z22 / z21 }
    }

    /// From admittance parameters in siemens.
    pub fn from_admittance([y11, y12, y21, y22]: Parameters) -> Self {
        Self { a: -y22 / y21, b: -ONE / y21, c: -(y11 * y22 - y12 * y21) / y21, d: -y11 / y21 }
    }

    /// From hybrid (H) parameters.
    pub fn from_hybrid([h11, h12, h21, h22]: Parameters) -> Self {
        Self { a: -(h11 * h22 - h12 * h21) / h21, b: -h11 / h21, c: -h22 / h21, d: -ONE / h21 }
    }

    /// From inverse hybrid (G) parameters.
    pub fn from_inverse_hybrid([g11, g12, g21, g22]: Parameters) -> Self {
        Self { a: ONE / g21, b: g22 / g21, c: g11 / g21, d: (g11 * g22 - g12 * g21) / g21 }
    }
}
