//! Amplifier, cable and loudspeaker connected.

use num_complex::Complex64;

use super::amplifier::damping_factor;
use super::cable::{BiWiredVoltage, Solved};
use super::line::PerMetre;
use super::loudspeaker::Load;
use super::network::{Immittance, Network, Terminals};
use super::twoport::Abcd;
use super::{Amplifier, Cable, CircuitError, Loudspeaker};

/// Amplifier, cable and loudspeaker connected.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// The source.
    pub amplifier: Amplifier,
    /// What connects the two.
    pub cable: Cable,
    /// The load.
    pub loudspeaker: Loudspeaker,
}

/// What is known of a chain beside its transfer function; one value per frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct ChainParameters {
    /// Loop resistance of the whole cable in ohm; `None` for a measured response.
    pub loop_resistance_ohm: Option<Vec<f64>>,
    /// Loop inductance of the whole cable in henry; `None` for a measured response.
    pub loop_inductance_h: Option<Vec<f64>>,
    /// Capacitance of the whole cable in farad; `None` for a measured response, and where a measurement has it below 0.
    pub capacitance_f: Option<Vec<f64>>,
    /// Loop resistance of the whole cable at 0 Hz in ohm; `None` for a measured response.
    pub dc_resistance_ohm: Option<f64>,
    /// Magnitude of the load impedance over that of the source (amplifier and cable) as the loudspeaker sees it;
    /// infinite without any source impedance, `None` for a measured response.
    pub damping_factor: Option<Vec<f64>>,
}

impl Chain {
    /// H(f), dimensionless, at each frequency in Hz (0 Hz included): the voltage at the loudspeaker's terminals over
    /// the amplifier's open-circuit voltage.
    ///
    /// For a bi-wired loudspeaker the two pairs of terminals have different voltages; what is returned is what the cable's
    /// [`BiWiredVoltage`] says.
    pub fn transfer(&self, frequencies_hz: &[f64]) -> Result<Vec<Complex64>, CircuitError> {
        let response = match self.cable.solve(frequencies_hz)? {
            Solved::Response(response) => response,
            Solved::TwoPort(cable) => frequencies_hz
                .iter()
                .zip(cable)
                .map(|(&frequency, (_, chain))| {
                    voltage(
                        chain,
                        self.amplifier.impedance(frequency),
                        self.loudspeaker.immittance(frequency),
                    )
                })
                .collect(),
            Solved::BiWired(low, high) => {
                let network = self.two_pairs()?;
                frequencies_hz
                    .iter()
                    .zip(low.iter().zip(&high))
                    .map(|(&frequency, (low, high))| {
                        let loads = [Terminals::Low, Terminals::High]
                            .map(|pair| self.loudspeaker.moved(network.immittance_at(pair, frequency)));
                        let source = self.amplifier.impedance(frequency);
                        let voltages = bi_wired([low.1, high.1], loads, source);
                        heard_voltage(self.heard(), network, voltages, frequency)
                    })
                    .collect()
            }
        };
        Ok(frequencies_hz
            .iter()
            .zip(response)
            .map(|(&frequency, value)| if frequency == 0.0 { Complex64::new(value.re, 0.0) } else { value })
            .collect())
    }

    /// What an LCR meter would read of the cable, and the damping factor, at each frequency in Hz.
    pub fn parameters(&self, frequencies_hz: &[f64]) -> Result<ChainParameters, CircuitError> {
        let at_rest = self.cable.solve(&[0.0])?;
        let solved = self.cable.solve(frequencies_hz)?;
        let damping = |chain: Abcd, frequency: f64| {
            let source = chain.output_impedance(self.amplifier.impedance(frequency));
            damping_factor(self.loudspeaker.immittance(frequency).to_impedance().norm(), source)
        };
        let (totals, dc, damping) = match (solved, at_rest) {
            (Solved::TwoPort(cable), Solved::TwoPort(at_rest)) => {
                let damping =
                    frequencies_hz.iter().zip(&cable).map(|(f, (_, chain))| damping(*chain, *f)).collect();
                (cable.into_iter().map(|(total, _)| total).collect::<Vec<PerMetre>>(), at_rest[0].0, damping)
            }
            (Solved::BiWired(low, high), Solved::BiWired(low_at_rest, high_at_rest)) => {
                // What a meter reads with both pairs of terminals joined.
                let join = |a: &(PerMetre, Abcd), b: &(PerMetre, Abcd), f: f64| {
                    (super::cable::in_parallel(a.0, b.0, f), a.1.beside(b.1))
                };
                let joined: Vec<(PerMetre, Abcd)> =
                    low.iter().zip(&high).zip(frequencies_hz).map(|((a, b), f)| join(a, b, *f)).collect();
                let damping =
                    frequencies_hz.iter().zip(&joined).map(|(f, (_, chain))| damping(*chain, *f)).collect();
                let dc = join(&low_at_rest[0], &high_at_rest[0], 0.0).0;
                (joined.into_iter().map(|(total, _)| total).collect(), dc, damping)
            }
            _ => {
                return Ok(ChainParameters {
                    loop_resistance_ohm: None,
                    loop_inductance_h: None,
                    capacitance_f: None,
                    dc_resistance_ohm: None,
                    damping_factor: None,
                });
            }
        };
        Ok(ChainParameters {
            loop_resistance_ohm: Some(totals.iter().map(|total| total.resistance).collect()),
            loop_inductance_h: Some(totals.iter().map(|total| total.inductance).collect()),
            // Below 0 it is an error of calibration, which the session's notes tell: nobody is to compute with it.
            capacitance_f: (totals.iter().all(|total| total.capacitance >= 0.0))
                .then(|| totals.iter().map(|total| total.capacitance).collect()),
            dc_resistance_ohm: Some(dc.resistance),
            damping_factor: Some(damping),
        })
    }

    fn heard(&self) -> BiWiredVoltage {
        match self.cable.bare() {
            Cable::BiWired { heard, .. } => *heard,
            _ => BiWiredVoltage::PowerMean,
        }
    }

    fn two_pairs(&self) -> Result<&Network, CircuitError> {
        if self.loudspeaker.zobel.is_some() {
            return Err(CircuitError::Combination(
                "a Zobel network hangs on one pair of terminals, and a bi-wired loudspeaker has two; make it a way of \
                 the loudspeaker's network"
                    .to_owned(),
            ));
        }
        match &self.loudspeaker.load {
            Load::Network(network) if network.has_two_pairs() => Ok(network),
            _ => Err(CircuitError::Combination(
                "a bi-wired cable needs a loudspeaker with two pairs of terminals: give it a network whose ways say \
                 terminals = \"low\" or \"high\""
                    .to_owned(),
            )),
        }
    }
}

fn voltage(chain: Abcd, source: Complex64, load: Immittance) -> Complex64 {
    if load.is_short() {
        return Complex64::new(0.0, 0.0);
    }
    chain.voltage_ratio(source, load.to_admittance())
}

/// Both cables hang on the amplifier's terminals, each with its part of the loudspeaker at its end.
fn bi_wired(cables: [Abcd; 2], loads: [Immittance; 2], source: Complex64) -> [Complex64; 2] {
    let mut admittance = Complex64::new(0.0, 0.0);
    for (chain, load) in cables.iter().zip(loads) {
        // As an admittance: a way that lets nothing pass is 0 siemens, and would be an infinite impedance.
        admittance += if load.is_short() {
            chain.d / chain.b
        } else {
            let load = load.to_admittance();
            (chain.c + chain.d * load) / (chain.a + chain.b * load)
        };
    }
    let at_amplifier = (1.0 + source * admittance).inv();
    let zero = Complex64::new(0.0, 0.0);
    [0, 1].map(|index| at_amplifier * voltage(cables[index], zero, loads[index]))
}

/// The one voltage that stands for those of the low and the high pair of terminals.
fn heard_voltage(
    heard: BiWiredVoltage,
    network: &Network,
    voltages: [Complex64; 2],
    frequency_hz: f64,
) -> Complex64 {
    let ways = |pair: Terminals| network.ways.iter().filter(move |way| way.terminals == pair);
    match heard {
        BiWiredVoltage::Low => return voltages[0],
        BiWiredVoltage::High => return voltages[1],
        BiWiredVoltage::InPhaseSum => {
            let sums = [Terminals::Low, Terminals::High]
                .map(|pair| ways(pair).map(|way| way.drive(frequency_hz)).sum::<Complex64>());
            let whole = sums[0] + sums[1];
            let sum = (sums[0] * voltages[0] + sums[1] * voltages[1]) / whole;
            return if sum.is_finite() { sum } else { voltages[0] };
        }
        BiWiredVoltage::PowerMean => {}
    }
    let power = [Terminals::Low, Terminals::High]
        .map(|pair| ways(pair).map(|way| way.drive(frequency_hz).norm_sqr()).sum::<f64>());
    let share = if power[0] + power[1] > 0.0 { power[1] / (power[0] + power[1]) } else { 0.0 };
    voltages[0] * (1.0 - share) + voltages[1] * share
}
