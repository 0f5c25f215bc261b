//! How well a cable is known: limits on its values, contacts, and the same cable with its values moved.
//!
//! Comes in: a cable and what its owner says about it. Goes out: the cable as the nominal values have it, and, for whoever
//! propagates uncertainty, the cable with chosen values moved within their limits. A limit is a half-width: the value lies
//! anywhere between minus and plus it, each place as likely as the next (rectangular, JCGM 100:2008, 4.3.7); what scatters
//! has a standard deviation instead. Limits are taken as independent of each other, and as the same at every frequency
//! unless a table says otherwise.

use std::sync::Arc;

use num_complex::Complex64;

use super::cable::{Cable, Solved};
use super::interpolation::OverFrequency;
use super::line::PerMetre;
use super::twoport::Abcd;
use super::{Chain, CircuitError};

/// Joints at one end of a cable: one for each conductor.
const JOINTS_AT_AN_END: f64 = 2.0;

/// What a limit is a limit of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Loop resistance, relative.
    Resistance,
    /// Loop inductance, relative.
    Inductance,
    /// Capacitance, relative.
    Capacitance,
    /// Length, relative.
    Length,
    /// The resistance of all joints, relative.
    Contacts,
    /// The meter's reading of resistance, relative.
    MeterResistance,
    /// The meter's reading of inductance, relative.
    MeterInductance,
    /// The meter's reading of capacitance, relative.
    MeterCapacitance,
    /// The gain of a measured response, in dB, at each frequency by itself.
    Gain,
    /// The gain of a measured response as it scatters: a standard deviation in dB.
    GainScatter,
    /// The phase of a measured response as it scatters: a standard deviation in degrees.
    PhaseScatter,
    /// What smoothing left out of a measured two-port's series impedance, relative: a standard deviation.
    SeriesScatter,
    /// The magnitude of the loudspeaker's impedance, relative: the same on both sides.
    LoadImpedance,
    /// What smoothing left out of the magnitude of the loudspeaker's impedance, relative: a standard deviation.
    LoadScatter,
    /// What smoothing left out of its angle, in radians: a standard deviation.
    LoadAngleScatter,
    /// The amplifier's output impedance, relative: the same on both sides.
    OutputImpedance,
    /// What smoothing left out of the magnitude of the amplifier's output impedance, relative: a standard deviation.
    OutputScatter,
    /// What smoothing left out of its angle, in radians: a standard deviation.
    OutputAngleScatter,
}

impl Quantity {
    /// A short name that scripts may rely on.
    pub fn name(self) -> &'static str {
        match self {
            Self::Resistance => "resistance",
            Self::Inductance => "inductance",
            Self::Capacitance => "capacitance",
            Self::Length => "length",
            Self::Contacts => "contacts",
            Self::MeterResistance => "meter-resistance",
            Self::MeterInductance => "meter-inductance",
            Self::MeterCapacitance => "meter-capacitance",
            Self::Gain => "gain",
            Self::GainScatter => "gain-scatter",
            Self::PhaseScatter => "phase-scatter",
            Self::SeriesScatter => "series-scatter",
            Self::LoadImpedance => "load-impedance",
            Self::LoadScatter => "load-scatter",
            Self::LoadAngleScatter => "load-angle-scatter",
            Self::OutputImpedance => "output-impedance",
            Self::OutputScatter => "output-scatter",
            Self::OutputAngleScatter => "output-angle-scatter",
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::MeterResistance => "the meter's resistance",
            Self::MeterInductance => "the meter's inductance",
            Self::MeterCapacitance => "the meter's capacitance",
            Self::Gain => "measured gain",
            Self::GainScatter => "scatter of the measured gain",
            Self::PhaseScatter => "scatter of the measured phase",
            Self::SeriesScatter => "scatter of the measured two-port",
            Self::LoadImpedance => "loudspeaker impedance",
            Self::LoadScatter => "scatter of the loudspeaker's impedance",
            Self::LoadAngleScatter => "scatter of the loudspeaker's angle",
            Self::OutputImpedance => "the amplifier's output impedance",
            Self::OutputScatter => "scatter of the amplifier's output impedance",
            Self::OutputAngleScatter => "scatter of the amplifier's angle",
            _ => self.name(),
        }
    }

    /// Whether errors at different frequencies have nothing to do with each other.
    pub fn varies_over_frequency(self) -> bool {
        self == Self::Gain || self.is_scatter()
    }

    /// Whether it is known by its standard deviation, and not by how far off it may be at most.
    pub fn is_scatter(self) -> bool {
        matches!(
            self,
            Self::GainScatter
                | Self::PhaseScatter
                | Self::SeriesScatter
                | Self::LoadScatter
                | Self::LoadAngleScatter
                | Self::OutputScatter
                | Self::OutputAngleScatter
        )
    }
}

/// A value that is known within limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Of what.
    pub quantity: Quantity,
    /// Half-width, or standard deviation of what scatters: relative, in dB, degrees or radians as the quantity says.
    pub half_width: f64,
    /// What the half-width is multiplied by at each frequency; `None` is 1 everywhere.
    over: Option<Arc<OverFrequency>>,
}

impl Limit {
    /// The same at every frequency.
    pub fn new(quantity: Quantity, half_width: f64) -> Self {
        Self { quantity, half_width, over: None }
    }

    /// Different half-widths at different frequencies.
    pub fn over_frequency(quantity: Quantity, half_widths: OverFrequency) -> Self {
        Self { quantity, half_width: 1.0, over: Some(Arc::new(half_widths)) }
    }

    /// Half-width at a frequency in Hz.
    pub fn at(&self, frequency_hz: f64) -> f64 {
        self.half_width * self.over.as_ref().map_or(1.0, |over| over.at(frequency_hz))
    }

    /// What a standard deviation is in half-widths: what is known by its limits lies anywhere between them.
    pub fn standard(&self) -> f64 {
        if self.quantity.is_scatter() { 1.0 } else { 1.0 / 3.0_f64.sqrt() }
    }
}

/// How far values are moved from their nominal ones at one frequency: relative, the gain in dB, the phase in degrees.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Shift {
    resistance: f64,
    inductance: f64,
    capacitance: f64,
    length: f64,
    contacts: f64,
    gain_db: f64,
    phase_deg: f64,
}

/// A cable, its contacts, and how well it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Toleranced {
    /// The cable by itself.
    pub cable: Cable,
    /// Resistance of each of its four joints in ohm.
    pub contact_ohm: f64,
    /// What is known of its values.
    pub limits: Vec<Limit>,
    /// What is moved, and by how many half-widths; nothing is the cable as written.
    moved: Vec<(Limit, f64)>,
}

impl Toleranced {
    /// A cable with four joints of `contact_ohm` each, known within `limits`.
    pub fn new(cable: Cable, contact_ohm: f64, limits: Vec<Limit>) -> Self {
        Self { cable, contact_ohm, limits, moved: Vec::new() }
    }

    /// The same around another cable.
    #[must_use]
    pub(super) fn around(&self, cable: Cable) -> Self {
        Self { cable, ..self.clone() }
    }

    /// How far its values are moved at a frequency in Hz.
    fn shift(&self, frequency_hz: f64) -> Shift {
        let mut shift = Shift::default();
        for (limit, by) in &self.moved {
            let by = by * limit.at(frequency_hz);
            match limit.quantity {
                Quantity::Resistance | Quantity::MeterResistance => shift.resistance += by,
                Quantity::Inductance | Quantity::MeterInductance => shift.inductance += by,
                Quantity::Capacitance | Quantity::MeterCapacitance => shift.capacitance += by,
                Quantity::SeriesScatter => {
                    shift.resistance += by;
                    shift.inductance += by;
                }
                Quantity::Length => shift.length += by,
                Quantity::Contacts => shift.contacts += by,
                Quantity::Gain | Quantity::GainScatter => shift.gain_db += by,
                Quantity::PhaseScatter => shift.phase_deg += by,
                Quantity::LoadImpedance
                | Quantity::LoadScatter
                | Quantity::LoadAngleScatter
                | Quantity::OutputImpedance
                | Quantity::OutputScatter
                | Quantity::OutputAngleScatter => {}
            }
        }
        shift
    }

    /// The factor on a measured response at a frequency in Hz.
    fn gain(&self, frequency_hz: f64) -> Complex64 {
        let Shift { gain_db, phase_deg, .. } = self.shift(frequency_hz);
        Complex64::from_polar(10.0_f64.powf(gain_db / 20.0), phase_deg.to_radians())
    }

    /// The cable with its contacts at each frequency in Hz, from the cable by itself.
    pub(super) fn applied(&self, frequency_hz: f64, (nominal, chain): (PerMetre, Abcd)) -> (PerMetre, Abcd) {
        let Shift { resistance, inductance, capacitance, length, contacts, .. } = self.shift(frequency_hz);
        let total = PerMetre {
            resistance: nominal.resistance * (1.0 + resistance) * (1.0 + length),
            inductance: nominal.inductance * (1.0 + inductance) * (1.0 + length),
            capacitance: nominal.capacitance * (1.0 + capacitance) * (1.0 + length),
            conductance: nominal.conductance * (1.0 + capacitance) * (1.0 + length),
        };
        let chain = match &self.cable {
            _ if total == nominal => chain,
            Cable::Line(_) => total.chain(1.0, frequency_hz),
            // What is more or less than nominal, half at each end: exact for a cable far shorter than a wavelength.
            _ => {
                let omega = std::f64::consts::TAU * frequency_hz;
                let series = Abcd::series(
                    Complex64::new(
                        total.resistance - nominal.resistance,
                        omega * (total.inductance - nominal.inductance),
                    ) / 2.0,
                );
                let shunt = Abcd::shunt(
                    Complex64::new(
                        total.conductance - nominal.conductance,
                        omega * (total.capacitance - nominal.capacitance),
                    ) / 2.0,
                );
                shunt.then(series).then(chain).then(series).then(shunt)
            }
        };
        let at_an_end = JOINTS_AT_AN_END * self.contact_ohm * (1.0 + contacts);
        if at_an_end == 0.0 {
            return (total, chain);
        }
        let joints = Abcd::series(Complex64::new(at_an_end, 0.0));
        let with_joints = PerMetre { resistance: total.resistance + 2.0 * at_an_end, ..total };
        (with_joints, joints.then(chain).then(joints))
    }

    pub(super) fn solve(&self, frequencies_hz: &[f64], inner: Solved) -> Result<Solved, CircuitError> {
        let all = |solved: Vec<(PerMetre, Abcd)>| {
            frequencies_hz
                .iter()
                .zip(solved)
                .map(|(&frequency, value)| self.applied(frequency, value))
                .collect()
        };
        match inner {
            Solved::TwoPort(solved) => Ok(Solved::TwoPort(all(solved))),
            Solved::Response(response) => Ok(Solved::Response(
                response.into_iter().zip(frequencies_hz).map(|(value, f)| value * self.gain(*f)).collect(),
            )),
            Solved::BiWired(..) => Err(CircuitError::Combination(
                "tolerances and contacts of a bi-wired pair belong to each of its two cables".to_owned(),
            )),
        }
    }
}

/// A value that is known within limits, and where it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// What it is and how well it is known.
    pub limit: Limit,
    /// Which side of the comparison it belongs to: 0 is A, 1 is B; `None`: to both.
    pub side: Option<usize>,
    part: usize,
}

/// Two chains to be compared and every value in them that is known within limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertain {
    sides: [Chain; 2],
    inputs: Vec<Input>,
}

impl Uncertain {
    /// Two chains with the same loudspeaker, ready to be computed many times at exactly these frequencies in Hz.
    pub fn new(a: &Chain, b: &Chain, frequencies_hz: &[f64]) -> Result<Self, CircuitError> {
        let mut inputs = Vec::new();
        let mut sides = [a.clone(), b.clone()];
        for (side, chain) in sides.iter_mut().enumerate() {
            let mut part = 0;
            chain.cable.for_each_toleranced(&mut |known| {
                inputs.extend(known.limits.iter().map(|limit| Input {
                    limit: limit.clone(),
                    side: Some(side),
                    part,
                }));
                part += 1;
            });
        }
        let shared = a.loudspeaker.limits().into_iter().chain(a.amplifier.limits());
        inputs.extend(shared.map(|limit| Input { limit, side: None, part: 0 }));
        inputs.retain(|input| input.limit.half_width > 0.0);
        if !inputs.is_empty() {
            for chain in &mut sides {
                chain.cable = chain.cable.solved_at(frequencies_hz)?;
            }
        }
        Ok(Self { sides, inputs })
    }

    /// Everything that is known within limits.
    pub fn inputs(&self) -> &[Input] {
        &self.inputs
    }

    /// Both chains with each input moved by so many half-widths, in the order of [`Uncertain::inputs`].
    pub fn moved(&self, half_widths: &[f64]) -> [Chain; 2] {
        let mut sides = self.sides.clone();
        for (input, by) in self.inputs.iter().zip(half_widths) {
            match input.side {
                Some(side) => {
                    let mut part = 0;
                    sides[side].cable.for_each_toleranced(&mut |known| {
                        if part == input.part {
                            known.moved.push((input.limit.clone(), *by));
                        }
                        part += 1;
                    });
                }
                None => {
                    let by = by * input.limit.half_width;
                    for chain in &mut sides {
                        match input.limit.quantity {
                            Quantity::OutputImpedance | Quantity::OutputScatter => {
                                chain.amplifier.impedance_shift.re += by;
                            }
                            Quantity::OutputAngleScatter => chain.amplifier.impedance_shift.im += by,
                            Quantity::LoadAngleScatter => chain.loudspeaker.impedance_shift.im += by,
                            _ => chain.loudspeaker.impedance_shift.re += by,
                        }
                    }
                }
            }
        }
        sides
    }
}
