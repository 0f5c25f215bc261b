//! The uniform line with loss, from what it is made of or what was measured.

use crate::units::printed;
use std::sync::Arc;

use super::braid::Braid;
use super::coaxial::Coaxial;
use super::conductor::Wire;
use super::crosssection::CrossSection;
use super::flat::FlatPair;
use super::pair::ParallelPair;
pub use super::per_metre::{PerMetre, take_up};
use super::table::LcrTable;
use super::twoport::Abcd;
use super::{CircuitError, check_at_least, check_frequencies};

/// What a metre of line is known from.
#[expect(clippy::large_enum_variant, reason = "a session holds a handful of cables")]
#[derive(Debug, Clone, PartialEq)]
pub enum LineParameters {
    /// The same values at every frequency; a loss tangent adds `w C tan d` to the conductance.
    Constant {
        /// Values per metre.
        per_metre: PerMetre,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// Two equal parallel wires.
    Pair {
        /// Their shape.
        pair: ParallelPair,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// A wire in a tube.
    Coaxial {
        /// Its shape.
        coaxial: Coaxial,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// Any set of round conductors.
    CrossSection {
        /// Its shape.
        section: CrossSection,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// A braid.
    Braid {
        /// Its shape.
        braid: Braid,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// Two flat conductors.
    Flat {
        /// Their shape.
        flat: FlatPair,
        /// Loss tangent of the dielectric.
        loss_tangent: f64,
    },
    /// What a data sheet says of a cable of two round conductors, with their skin effect.
    DataSheet(DataSheet),
    /// An LCR meter's table.
    Measured(LcrTable),
    /// Equal lines laid up side by side, each longer than the cable because it winds around something.
    LaidUp {
        /// One of them.
        of: Box<LineParameters>,
        /// How many, at least one.
        count: usize,
        /// Metres of line in a metre of cable, at least 1: see [`take_up`].
        take_up: f64,
    },
    /// Solved already, at certain frequencies and no others.
    Solved(Arc<SolvedLine>),
}

/// Parameters per metre at certain frequencies.
#[derive(Debug, Clone, PartialEq)]
pub struct SolvedLine {
    frequencies_hz: Vec<f64>,
    per_metre: Vec<PerMetre>,
    metal_area_m2: Option<f64>,
}

/// A cable of two round conductors as a data sheet gives it: resistance from the gauge, the rest as printed.
///
/// The conductors' skin effect raises the resistance and lowers the inductance with frequency; what they do to each other
/// depends on a geometry that is not known, and is left out.
#[derive(Debug, Clone, PartialEq)]
pub struct DataSheet {
    /// Either conductor.
    pub wire: Wire,
    /// Loop inductance in henry per metre, as printed.
    pub inductance: f64,
    /// Frequency in Hz at which it was measured.
    pub inductance_at_hz: f64,
    /// Capacitance in farad per metre, as printed.
    pub capacitance: f64,
    /// Loss tangent of the dielectric.
    pub loss_tangent: f64,
}

impl DataSheet {
    /// Whether there is such a cable: its conductors by themselves must not have more inductance than the whole.
    pub fn check(&self) -> Result<(), CircuitError> {
        self.wire.check()?;
        check_at_least(
            "the inductance's frequency",
            self.inductance_at_hz,
            1e-3,
            "Hz",
            "at least 0.001 Hz is needed",
        )?;
        let internal = self.internal_inductance(self.inductance_at_hz);
        if self.inductance > internal {
            return Ok(());
        }
        Err(CircuitError::Geometry(format!(
            "an inductance of {} is less than the {} within two such conductors alone; is it of both of them, \
             there and back, and is the unit right?",
            printed::fixed(self.inductance * 1e6, 4, "uH/m"),
            printed::fixed(internal * 1e6, 4, "uH/m")
        )))
    }

    fn internal_inductance(&self, frequency_hz: f64) -> f64 {
        let frequency = frequency_hz.max(1e-3);
        2.0 * self.wire.internal_impedance(frequency).im / (std::f64::consts::TAU * frequency)
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    fn series(&self, frequencies_hz: &[f64]) -> Vec<[f64; 2]> {
        let external = self.inductance - self.internal_inductance(self.inductance_at_hz);
        frequencies_hz
            .iter()
            .map(|&frequency| {
                let resistance = 2.0 * self.wire.internal_impedance(frequency).re;
                [resistance, external + self.internal_inductance(frequency)]
            })
            .collect()
    }
}

impl LineParameters {
    /// Parameters per metre at each frequency in Hz.
    pub fn per_metre(&self, frequencies_hz: &[f64]) -> Result<Vec<PerMetre>, CircuitError> {
        check_frequencies(frequencies_hz)?;
        match self {
            Self::Constant { per_metre, loss_tangent } => Ok(frequencies_hz
                .iter()
                .map(|frequency| PerMetre {
                    conductance: per_metre.conductance
                        + std::f64::consts::TAU * frequency * per_metre.capacitance * loss_tangent,
                    ..*per_metre
                })
                .collect()),
            Self::Pair { pair, loss_tangent } => Ok(with_dielectric(
                frequencies_hz,
                pair.series(frequencies_hz)?,
                pair.capacitance(),
                *loss_tangent,
            )),
            Self::Coaxial { coaxial, loss_tangent } => {
                let series = coaxial.series(frequencies_hz)?;
                Ok(with_dielectric(frequencies_hz, series, coaxial.capacitance(), *loss_tangent))
            }
            Self::CrossSection { section, loss_tangent } => {
                let series = section.series(frequencies_hz)?;
                Ok(with_dielectric(frequencies_hz, series, section.capacitance()?, *loss_tangent))
            }
            Self::Braid { braid, loss_tangent } => {
                let series = braid.series(frequencies_hz)?;
                Ok(with_dielectric(frequencies_hz, series, braid.capacitance()?, *loss_tangent))
            }
            Self::Flat { flat, loss_tangent } => {
                let series = flat.series(frequencies_hz)?;
                Ok(with_dielectric(frequencies_hz, series, flat.capacitance()?, *loss_tangent))
            }
            Self::DataSheet(sheet) => {
                sheet.check()?;
                let series = sheet.series(frequencies_hz);
                Ok(with_dielectric(frequencies_hz, series, sheet.capacitance, sheet.loss_tangent))
            }
            Self::Measured(table) => {
                Ok(frequencies_hz.iter().map(|&frequency| table.per_metre(frequency)).collect())
            }
            Self::Solved(solved) => {
                if solved.frequencies_hz != frequencies_hz {
                    return Err(CircuitError::Combination(
                        "a line that was solved at certain frequencies is asked for others".to_owned(),
                    ));
                }
                Ok(solved.per_metre.clone())
            }
            Self::LaidUp { of, count, take_up } => {
                let (along, across) = (take_up / *count as f64, take_up * *count as f64);
                let one = of.per_metre(frequencies_hz)?;
                Ok(one
                    .into_iter()
                    .map(|one| PerMetre {
                        resistance: one.resistance * along,
                        inductance: one.inductance * along,
                        capacitance: one.capacitance * across,
                        conductance: one.conductance * across,
                    })
                    .collect())
            }
        }
    }

    /// The same line, solved at exactly these frequencies in Hz and at no others.
    pub(super) fn solved_at(&self, frequencies_hz: &[f64]) -> Result<Self, CircuitError> {
        Ok(Self::Solved(Arc::new(SolvedLine {
            frequencies_hz: frequencies_hz.to_vec(),
            per_metre: self.per_metre(frequencies_hz)?,
            metal_area_m2: self.metal_area_m2(),
        })))
    }

    /// The smaller side's area of metal in square metres, where it is known.
    pub fn metal_area_m2(&self) -> Option<f64> {
        match self {
            Self::Pair { pair, .. } => Some(pair.wire.metal_area_m2),
            Self::Coaxial { coaxial, .. } => Some(coaxial.inner.metal_area_m2),
            Self::CrossSection { section, .. } => Some(section.metal_area_m2()),
            Self::Braid { braid, .. } => Some(braid.metal_area_m2()),
            Self::Flat { flat, .. } => Some(flat.metal_area_m2()),
            Self::DataSheet(sheet) => Some(sheet.wire.metal_area_m2),
            Self::LaidUp { of, count, .. } => of.metal_area_m2().map(|area| area * *count as f64),
            Self::Solved(solved) => solved.metal_area_m2,
            Self::Constant { .. } | Self::Measured(_) => None,
        }
    }
}

/// Joins series resistance and inductance with a capacitance and its loss.
fn with_dielectric(
    frequencies_hz: &[f64],
    series: Vec<[f64; 2]>,
    capacitance: f64,
    loss_tangent: f64,
) -> Vec<PerMetre> {
    frequencies_hz
        .iter()
        .zip(series)
        .map(|(frequency, [resistance, inductance])| PerMetre {
            resistance,
            inductance,
            capacitance,
            conductance: std::f64::consts::TAU * frequency * capacitance * loss_tangent,
        })
        .collect()
}

/// A uniform line of some length.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Length in metres, 0 or more.
    pub length_m: f64,
    /// What a metre of it is.
    pub parameters: LineParameters,
}

impl Line {
    /// Parameters of the whole length and chain matrices at each frequency in Hz.
    pub fn solve(&self, frequencies_hz: &[f64]) -> Result<Vec<(PerMetre, Abcd)>, CircuitError> {
        check_at_least("the length of a cable", self.length_m, 0.0, "m", "0 m or more is needed")?;
        let per_metre = self.parameters.per_metre(frequencies_hz)?;
        let length = self.length_m;
        frequencies_hz
            .iter()
            .zip(per_metre)
            .map(|(&frequency, metre)| {
                let chain = metre.chain(length, frequency);
                // Two such lines side by side multiply what is left of a signal after 1e-100: far from what overflows.
                if ![chain.a, chain.b, chain.c].iter().all(|value| value.norm() < 1e100) {
                    return Err(CircuitError::Value {
                        what: "the length of a cable",
                        value: length,
                        unit: "m",
                        allowed: "so long that nothing arrives; shorten it or lower the highest frequency",
                    });
                }
                let total = PerMetre {
                    resistance: metre.resistance * length,
                    inductance: metre.inductance * length,
                    capacitance: metre.capacitance * length,
                    conductance: metre.conductance * length,
                };
                Ok((total, chain))
            })
            .collect()
    }
}
