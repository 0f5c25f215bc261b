//! How well a cable is known: limits on its values, contacts, and the same cable with its values moved.
//!
//! Comes in: a cable and what its owner says about it. Goes out: the cable as the nominal values have it, and, for whoever
//! propagates uncertainty, the cable with chosen values moved within their limits. A limit is a half-width: the value lies
//! anywhere between minus and plus it, each place as likely as the next (rectangular, JCGM 100:2008, 4.3.7); what scatters
//! has a standard deviation instead. Limits are taken as independent of each other, and as the same at every frequency
//! unless a table says otherwise.

use num_complex::Complex64;

use super::CircuitError;
use super::cable::{Cable, Solved};
use super::limit::{Limit, Quantity};
use super::per_metre::PerMetre;
use super::twoport::Abcd;

/// Joints at one end of a cable: one for each conductor.
const JOINTS_AT_AN_END: f64 = 2.0;

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
    pub(super) moved: Vec<(Limit, f64)>,
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
