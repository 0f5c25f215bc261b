//! Rational functions of frequency: what any circuit of finitely many parts is.

use num_complex::Complex64;

/// A pole or a pair of conjugate poles, with its residue; both in units of the function's own frequency scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Term {
    /// `residue / (s - pole)`
    Real { pole: f64, residue: f64 },
    /// `residue / (s - pole)` and the conjugate of both; the pole's imaginary part is positive.
    Pair { pole: Complex64, residue: Complex64 },
}

/// A sum of poles, a constant and a part that grows with frequency: real in time, and stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Rational {
    pub(super) terms: Vec<Term>,
    pub(super) constant: f64,
    pub(super) slope: f64,
    /// Radians per second that are 1 in the terms.
    pub(super) scale: f64,
}

impl Rational {
    /// The value at a frequency in Hz; real at 0 Hz.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, std::f64::consts::TAU * frequency_hz / self.scale);
        let mut sum = Complex64::new(self.constant, 0.0) + s * self.slope;
        for term in &self.terms {
            sum += match *term {
                Term::Real { pole, residue } => residue / (s - pole),
                Term::Pair { pole, residue } => residue / (s - pole) + residue.conj() / (s - pole.conj()),
            };
        }
        sum
    }

    /// How many poles it has, each of a pair counted.
    pub fn poles(&self) -> usize {
        self.terms.iter().map(|term| if matches!(term, Term::Real { .. }) { 1 } else { 2 }).sum()
    }

    /// Where its poles make themselves felt: their natural frequencies in Hz.
    pub(super) fn natural_frequencies_hz(&self) -> impl Iterator<Item = f64> + '_ {
        self.terms.iter().map(|term| {
            let natural = match term {
                Term::Real { pole, .. } => pole.abs(),
                Term::Pair { pole, .. } => pole.norm(),
            };
            natural * self.scale / std::f64::consts::TAU
        })
    }

    /// Whether an impedance of this shape gives nothing that it was not given: its resistance is not negative at any
    /// frequency (positive-real, Brune 1931), looked at on 96 points a decade, at its poles, and at both ends.
    pub(super) fn is_passive(&self, lowest_hz: f64, highest_hz: f64) -> bool {
        if self.constant < 0.0 || self.slope < 0.0 {
            return false;
        }
        let (from, to) = (lowest_hz / 1e4, highest_hz * 1e4);
        let steps = ((to / from).log10() * 96.0).ceil() as usize;
        let grid = (0..=steps).map(|step| from * (to / from).powf(step as f64 / steps as f64));
        let resistance = |frequency: f64| self.at(frequency).re >= 0.0;
        self.at(0.0).re > 0.0 && grid.chain(self.natural_frequencies_hz()).all(resistance)
    }
}
