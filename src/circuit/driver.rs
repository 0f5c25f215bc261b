//! A moving-coil driver as an impedance.

use num_complex::Complex64;

/// How a voice coil in its iron departs from a resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum VoiceCoil {
    /// An inductance in henry.
    Inductance(f64),
    /// `K (j w)^n` (Leach 2002, JAES 50:442): 1 is an inductance of `K` henry, 0 a resistance of `K` ohm.
    Lossy {
        /// `K` in ohm times seconds to the power `n`.
        coefficient: f64,
        /// `n`, 0 to 1.
        exponent: f64,
    },
    /// `Kr w^xr + j Ki w^xi` (Wright 1990, JAES 38:749).
    TwoPowers {
        /// `Kr`.
        resistance_coefficient: f64,
        /// `xr`.
        resistance_exponent: f64,
        /// `Ki`.
        reactance_coefficient: f64,
        /// `xi`.
        reactance_exponent: f64,
    },
}

impl VoiceCoil {
    /// Impedance in ohm at a frequency in Hz, without the coil's DC resistance.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        let omega = std::f64::consts::TAU * frequency_hz;
        match *self {
            Self::Inductance(henry) => Complex64::new(0.0, omega * henry),
            Self::Lossy { coefficient, exponent } => {
                if omega == 0.0 {
                    return Complex64::new(if exponent == 0.0 { coefficient } else { 0.0 }, 0.0);
                }
                Complex64::from_polar(
                    coefficient * omega.powf(exponent),
                    exponent * std::f64::consts::FRAC_PI_2,
                )
            }
            Self::TwoPowers {
                resistance_coefficient,
                resistance_exponent,
                reactance_coefficient,
                reactance_exponent,
            } => {
                if omega == 0.0 {
                    return Complex64::new(0.0, 0.0);
                }
                Complex64::new(
                    resistance_coefficient * omega.powf(resistance_exponent),
                    reactance_coefficient * omega.powf(reactance_exponent),
                )
            }
        }
    }
}

/// A moving-coil driver in its small-signal parameters (Thiele 1971, JAES 19:382; Small 1972, JAES 20:383).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driver {
    /// `Re`, ohm.
    pub dc_resistance_ohm: f64,
    /// What the coil adds to it.
    pub voice_coil: VoiceCoil,
    /// `fs`, Hz.
    pub resonance_hz: f64,
    /// `Qms`.
    pub q_mechanical: f64,
    /// `Qes`.
    pub q_electrical: f64,
}

impl Driver {
    /// `Re + Z_coil + Re (Qms/Qes) (jF/Qms)/(1 + jF/Qms - F^2)` in ohm, `F = f/fs`.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        let relative = frequency_hz / self.resonance_hz;
        let damping = Complex64::new(0.0, relative / self.q_mechanical);
        let motion = self.dc_resistance_ohm * (self.q_mechanical / self.q_electrical) * damping
            / (1.0 + damping - relative * relative);
        self.dc_resistance_ohm + motion + self.voice_coil.impedance(frequency_hz)
    }
}
