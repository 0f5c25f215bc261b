//! Cables: uniform lines, their cascades and parallels, lumped and measured ones.

use num_complex::Complex64;

use super::line::Line;
use super::per_metre::PerMetre;
use super::table::ResponseTable;
use super::tolerance::Toleranced;
pub use super::two_port_table::TwoPortTable;
use super::twoport::Abcd;
use super::{CircuitError, check_frequencies};

/// What connects amplifier and loudspeaker.
#[expect(clippy::large_enum_variant, reason = "a session holds a handful of cables")]
#[derive(Debug, Clone, PartialEq)]
pub enum Cable {
    /// No cable at all.
    Direct,
    /// A uniform line.
    Line(Line),
    /// Totals, as a pi: half the shunt at each end, the series part between.
    Lumped(PerMetre),
    /// A measured two-port.
    TwoPort(TwoPortTable),
    /// A measured transfer function from amplifier to loudspeaker terminals, load and amplifier included.
    Response(ResponseTable),
    /// Sections one after another from the amplifier on.
    Series(Vec<Cable>),
    /// Cables side by side, joined at both ends.
    Parallel(Vec<Cable>),
    /// One cable to each pair of terminals of a loudspeaker with two.
    BiWired {
        /// To the low-frequency terminals.
        low: Box<Cable>,
        /// To the high-frequency terminals.
        high: Box<Cable>,
        /// Which of its voltages is heard.
        heard: BiWiredVoltage,
    },
    /// A cable with its contacts and how well it is known.
    Toleranced(Box<Toleranced>),
}

/// A loudspeaker with two pairs of terminals has two voltages; a stimulus has one signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BiWiredVoltage {
    /// The mean of both, weighted at each frequency by the power that the crossover passes to the drivers behind each.
    PowerMean,
    /// The low-frequency terminals' alone.
    Low,
    /// The high-frequency terminals' alone.
    High,
    /// What the drivers' voltages add up to in phase, over what they would add up to at one volt: as on an axis where all
    /// drivers are equally far and equally sensitive.
    InPhaseSum,
}

/// A cable at each of some frequencies.
#[derive(Debug, Clone, PartialEq)]
pub enum Solved {
    /// A two-port: what a meter reads of the whole cable, and its chain matrix.
    TwoPort(Vec<(PerMetre, Abcd)>),
    /// Two two-ports, to the low and the high pair of terminals.
    BiWired(Vec<(PerMetre, Abcd)>, Vec<(PerMetre, Abcd)>),
    /// A transfer function.
    Response(Vec<Complex64>),
}

/// Nothing in series and nothing across.
const NOTHING: PerMetre = PerMetre { resistance: 0.0, inductance: 0.0, capacitance: 0.0, conductance: 0.0 };

impl Cable {
    /// The cable at each frequency in Hz.
    pub fn solve(&self, frequencies_hz: &[f64]) -> Result<Solved, CircuitError> {
        check_frequencies(frequencies_hz)?;
        match self {
            Self::Response(table) => {
                Ok(Solved::Response(frequencies_hz.iter().map(|&frequency| table.at(frequency)).collect()))
            }
            Self::BiWired { low, high, .. } => {
                Ok(Solved::BiWired(low.two_port(frequencies_hz)?, high.two_port(frequencies_hz)?))
            }
            Self::Toleranced(known) => known.solve(frequencies_hz, known.cable.solve(frequencies_hz)?),
            _ => Ok(Solved::TwoPort(self.two_port(frequencies_hz)?)),
        }
    }

    /// The cable by itself, without contacts and tolerances.
    pub fn bare(&self) -> &Self {
        match self {
            Self::Toleranced(known) => known.cable.bare(),
            other => other,
        }
    }

    /// Whether it is a transfer function or goes to two pairs of terminals, and so is no two-port.
    pub fn is_no_two_port(&self) -> bool {
        matches!(self.bare(), Self::Response(_) | Self::BiWired { .. })
    }

    /// Every part of the cable that says how well it is known, in a fixed order.
    pub(super) fn for_each_toleranced(&mut self, visit: &mut dyn FnMut(&mut Toleranced)) {
        match self {
            Self::Direct | Self::Line(_) | Self::Lumped(_) | Self::TwoPort(_) | Self::Response(_) => {}
            Self::Series(parts) | Self::Parallel(parts) => {
                for part in parts {
                    part.for_each_toleranced(visit);
                }
            }
            Self::BiWired { low, high, .. } => {
                low.for_each_toleranced(visit);
                high.for_each_toleranced(visit);
            }
            Self::Toleranced(known) => {
                visit(known);
                known.cable.for_each_toleranced(visit);
            }
        }
    }

    /// The same cable with its lines solved at exactly these frequencies in Hz, and at no others: to be computed many times,
    /// at other lengths or with values moved, for the work of once.
    pub fn solved_at(&self, frequencies_hz: &[f64]) -> Result<Self, CircuitError> {
        let all = |parts: &[Cable]| {
            parts.iter().map(|part| part.solved_at(frequencies_hz)).collect::<Result<Vec<_>, _>>()
        };
        Ok(match self {
            Self::Line(line) => Self::Line(Line {
                length_m: line.length_m,
                parameters: line.parameters.solved_at(frequencies_hz)?,
            }),
            Self::Series(parts) => Self::Series(all(parts)?),
            Self::Parallel(parts) => Self::Parallel(all(parts)?),
            Self::BiWired { low, high, heard } => Self::BiWired {
                low: Box::new(low.solved_at(frequencies_hz)?),
                high: Box::new(high.solved_at(frequencies_hz)?),
                heard: *heard,
            },
            Self::Toleranced(known) => {
                Self::Toleranced(Box::new(known.around(known.cable.solved_at(frequencies_hz)?)))
            }
            Self::Direct | Self::Lumped(_) | Self::TwoPort(_) | Self::Response(_) => self.clone(),
        })
    }

    fn two_port(&self, frequencies_hz: &[f64]) -> Result<Vec<(PerMetre, Abcd)>, CircuitError> {
        match self {
            Self::Direct => Ok(vec![(NOTHING, Abcd::IDENTITY); frequencies_hz.len()]),
            Self::Line(line) => line.solve(frequencies_hz),
            Self::Lumped(total) => {
                Ok(frequencies_hz.iter().map(|&frequency| (*total, pi(total, frequency))).collect())
            }
            Self::TwoPort(table) => {
                Ok(frequencies_hz.iter().map(|&frequency| (readings(table, frequency), table.chain(frequency))).collect())
            }
            Self::Series(sections) => {
                let mut sum = vec![(NOTHING, Abcd::IDENTITY); frequencies_hz.len()];
                for section in sections {
                    for (value, next) in sum.iter_mut().zip(section.two_port(frequencies_hz)?) {
                        *value = (in_series(value.0, next.0), value.1.then(next.1));
                    }
                }
                Ok(sum)
            }
            Self::Parallel(cables) => {
                let mut cables = cables.iter();
                let Some(first) = cables.next() else {
                    return Err(CircuitError::Combination("a parallel of no cables connects nothing; give one".to_owned()));
                };
                // Equal cables, of which there may be hundreds, are solved once.
                let mut solved = (first, first.two_port(frequencies_hz)?);
                let mut sum = solved.1.clone();
                for cable in cables {
                    if cable != solved.0 {
                        solved = (cable, cable.two_port(frequencies_hz)?);
                    }
                    for ((value, next), &frequency) in sum.iter_mut().zip(&solved.1).zip(frequencies_hz) {
                        *value = (in_parallel(value.0, next.0, frequency), value.1.beside(next.1));
                    }
                }
                Ok(sum)
            }
            Self::Toleranced(known) => Ok(frequencies_hz
                .iter()
                .zip(known.cable.two_port(frequencies_hz)?)
                .map(|(&frequency, solved)| known.applied(frequency, solved))
                .collect()),
            Self::Response(_) => Err(CircuitError::Combination(
                "a measured transfer function already holds amplifier and loudspeaker: it cannot be one section of a \
                 cable; measure the section as a two-port"
                    .to_owned(),
            )),
            Self::BiWired { .. } => Err(CircuitError::Combination(
                "a bi-wired pair of cables goes from amplifier to loudspeaker: it cannot be one section of a cable"
                    .to_owned(),
            )),
        }
    }

    /// The same cable with every length multiplied by `factor`; `None` for one whose length is unknown.
    pub fn stretched(&self, factor: f64) -> Option<Self> {
        let all =
            |cables: &[Cable]| cables.iter().map(|cable| cable.stretched(factor)).collect::<Option<Vec<_>>>();
        Some(match self {
            Self::Direct => Self::Direct,
            Self::Line(line) => {
                Self::Line(Line { length_m: line.length_m * factor, parameters: line.parameters.clone() })
            }
            Self::Lumped(_) | Self::TwoPort(_) | Self::Response(_) => return None,
            Self::Series(sections) => Self::Series(all(sections)?),
            Self::Parallel(cables) => Self::Parallel(all(cables)?),
            Self::BiWired { low, high, heard } => Self::BiWired {
                low: Box::new(low.stretched(factor)?),
                high: Box::new(high.stretched(factor)?),
                heard: *heard,
            },
            Self::Toleranced(known) => {
                Self::Toleranced(Box::new(known.around(known.cable.stretched(factor)?)))
            }
        })
    }

    /// Length in metres from end to end, where it is known: of sections the sum, of parallels the longest.
    pub fn length_m(&self) -> Option<f64> {
        let all = |cables: &[Cable]| cables.iter().map(Self::length_m).collect::<Option<Vec<_>>>();
        match self {
            Self::Direct => Some(0.0),
            Self::Line(line) => Some(line.length_m),
            Self::Lumped(_) | Self::TwoPort(_) | Self::Response(_) => None,
            Self::Series(sections) => all(sections).map(|lengths| lengths.iter().sum()),
            Self::Parallel(cables) => all(cables).map(|lengths| lengths.into_iter().fold(0.0, f64::max)),
            Self::BiWired { low, high, .. } => Some(low.length_m()?.max(high.length_m()?)),
            Self::Toleranced(known) => known.cable.length_m(),
        }
    }

    /// The smallest area of metal in square metres that one side of the loop runs through, where it is known.
    pub fn metal_area_m2(&self) -> Option<f64> {
        match self {
            Self::Line(Line { parameters, .. }) => parameters.metal_area_m2(),
            Self::Direct | Self::Lumped(_) | Self::TwoPort(_) | Self::Response(_) => None,
            Self::Series(sections) => sections.iter().filter_map(Self::metal_area_m2).reduce(f64::min),
            Self::Parallel(cables) => {
                cables.iter().map(Self::metal_area_m2).sum::<Option<f64>>().filter(|area| *area > 0.0)
            }
            Self::BiWired { low, high, .. } => {
                [low, high].iter().filter_map(|cable| cable.metal_area_m2()).reduce(f64::min)
            }
            Self::Toleranced(known) => known.cable.metal_area_m2(),
        }
    }
}

fn pi(total: &PerMetre, frequency_hz: f64) -> Abcd {
    let omega = std::f64::consts::TAU * frequency_hz;
    let half = Abcd::shunt(Complex64::new(total.conductance, omega * total.capacitance) / 2.0);
    half.then(Abcd::series(Complex64::new(total.resistance, omega * total.inductance))).then(half)
}

/// What a meter reads of a two-port: series with the far end shorted, parallel with it open.
fn readings(table: &TwoPortTable, frequency_hz: f64) -> PerMetre {
    let frequency = frequency_hz.max(table.known_from_hz()).max(1e-3);
    let omega = std::f64::consts::TAU * frequency;
    let chain = table.chain(frequency);
    let (series, shunt) = (chain.b / chain.d, chain.c / chain.a);
    PerMetre {
        resistance: series.re,
        inductance: series.im / omega,
        capacitance: shunt.im / omega,
        conductance: shunt.re,
    }
}

fn in_series(a: PerMetre, b: PerMetre) -> PerMetre {
    PerMetre {
        resistance: a.resistance + b.resistance,
        inductance: a.inductance + b.inductance,
        capacitance: a.capacitance + b.capacitance,
        conductance: a.conductance + b.conductance,
    }
}

pub(super) fn in_parallel(a: PerMetre, b: PerMetre, frequency_hz: f64) -> PerMetre {
    // At 0 Hz the limit of the inductance is taken at a frequency far below anything that changes.
    let omega = std::f64::consts::TAU * frequency_hz.max(1e-6);
    let series = |part: PerMetre| Complex64::new(part.resistance, omega * part.inductance);
    let (za, zb) = (series(a), series(b));
    let sum = za + zb;
    let joined = if sum.norm() < 1e-150 { sum } else { za * zb / sum };
    PerMetre {
        resistance: joined.re,
        inductance: joined.im / omega,
        capacitance: a.capacitance + b.capacitance,
        conductance: a.conductance + b.conductance,
    }
}
