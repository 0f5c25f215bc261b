//! How well a cable is known: limits on its values, contacts, and the same cable with its values moved.
//!
//! Comes in: a cable and what its owner says about it. Goes out: the cable as the nominal values have it, and, for whoever
//! propagates uncertainty, the cable with chosen values moved within their limits. A limit is a half-width: the value lies
//! anywhere between minus and plus it, each place as likely as the next (rectangular, JCGM 100:2008, 4.3.7). Limits are
//! taken as independent of each other and as the same at every frequency.

use num_complex::Complex64;

use super::cable::{Cable, Solved};
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
    /// The magnitude of the loudspeaker's impedance, relative: the same on both sides.
    LoadImpedance,
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
            Self::LoadImpedance => "load-impedance",
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::MeterResistance => "the meter's resistance",
            Self::MeterInductance => "the meter's inductance",
            Self::MeterCapacitance => "the meter's capacitance",
            Self::Gain => "measured gain",
            Self::LoadImpedance => "loudspeaker impedance",
            _ => self.name(),
        }
    }

    /// Whether errors at different frequencies have nothing to do with each other.
    pub fn varies_over_frequency(self) -> bool {
        self == Self::Gain
    }
}

/// A value that is known within limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Of what.
    pub quantity: Quantity,
    /// Half-width: relative, or in dB for [`Quantity::Gain`].
    pub half_width: f64,
}

/// How far values are moved from their nominal ones: relative, the gain in dB; all 0 is the cable as written.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Shift {
    resistance: f64,
    inductance: f64,
    capacitance: f64,
    length: f64,
    contacts: f64,
    gain_db: f64,
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
    shift: Shift,
}

impl Toleranced {
    /// A cable with four joints of `contact_ohm` each, known within `limits`.
    pub fn new(cable: Cable, contact_ohm: f64, limits: Vec<Limit>) -> Self {
        Self { cable, contact_ohm, limits, shift: Shift::default() }
    }

    /// The same around another cable.
    #[must_use]
    pub(super) fn around(&self, cable: Cable) -> Self {
        Self { cable, ..self.clone() }
    }

    fn moved(&mut self, quantity: Quantity, by: f64) {
        let shift = &mut self.shift;
        match quantity {
            Quantity::Resistance | Quantity::MeterResistance => shift.resistance += by,
            Quantity::Inductance | Quantity::MeterInductance => shift.inductance += by,
            Quantity::Capacitance | Quantity::MeterCapacitance => shift.capacitance += by,
            Quantity::Length => shift.length += by,
            Quantity::Contacts => shift.contacts += by,
            Quantity::Gain => shift.gain_db += by,
            Quantity::LoadImpedance => {}
        }
    }

    /// The factor on a measured response.
    pub(super) fn gain(&self) -> f64 {
        10.0_f64.powf(self.shift.gain_db / 20.0)
    }

    /// The cable with its contacts at each frequency in Hz, from the cable by itself.
    pub(super) fn applied(&self, frequency_hz: f64, (nominal, chain): (PerMetre, Abcd)) -> (PerMetre, Abcd) {
        let Shift { resistance, inductance, capacitance, length, contacts, .. } = self.shift;
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
            Solved::Response(response) => {
                Ok(Solved::Response(response.into_iter().map(|value| value * self.gain()).collect()))
            }
            Solved::BiWired(..) => Err(CircuitError::Combination(
                "tolerances and contacts of a bi-wired pair belong to each of its two cables".to_owned(),
            )),
        }
    }
}

/// A value that is known within limits, and where it is.
#[derive(Debug, Clone, Copy, PartialEq)]
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
                inputs.extend(known.limits.iter().map(|&limit| Input { limit, side: Some(side), part }));
                part += 1;
            });
        }
        let half_width = a.loudspeaker.impedance_tolerance;
        if half_width > 0.0 {
            let limit = Limit { quantity: Quantity::LoadImpedance, half_width };
            inputs.push(Input { limit, side: None, part: 0 });
        }
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
            let Limit { quantity, half_width } = input.limit;
            let by = by * half_width;
            match input.side {
                Some(side) => {
                    let mut part = 0;
                    sides[side].cable.for_each_toleranced(&mut |known| {
                        if part == input.part {
                            known.moved(quantity, by);
                        }
                        part += 1;
                    });
                }
                None => sides.iter_mut().for_each(|chain| chain.loudspeaker.impedance_shift += by),
            }
        }
        sides
    }
}
