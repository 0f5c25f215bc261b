//! Impedance by a known resistor: amplifier, resistor, impedance in series; the reference is the voltage across both, the
//! response the voltage across the impedance, `H = Z/(R + Z)`.
//!
//! With ideal channels `Z = R H/(1 - H)`. Leads, inputs and the channels' mismatch change H to another bilinear function of Z,
//! which three known impedances fix: open, short and load (the correction of LCR meters). By the cross-ratio, which bilinear
//! functions keep, `Z = Z_l (H - H_s)(H_o - H_l) / ((H_o - H)(H_l - H_s))`. A measurement that is not given stands at its ideal
//! value: open 1, short 0, and the resistor itself as the load, 1/2.

use num_complex::Complex64;

use super::BenchError;
use super::recording::Recording;
use super::response::{Note, Options, Raw, raw};

/// A short this quiet is a perfect one (-90 dB).
const SILENT: f64 = 3.2e-5;

/// What is measured, and so which table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A loudspeaker: magnitude and phase.
    Loudspeaker,
    /// A cable with its far end shorted: series resistance and inductance.
    Shorted,
    /// A cable with its far end open: parallel capacitance and conductance.
    Open,
}

/// Measurements that take the bench out of the result.
#[derive(Debug, Clone, Copy, Default)]
pub struct Corrections<'r> {
    /// Nothing at the end of the leads.
    pub open: Option<&'r Recording>,
    /// The leads' ends joined.
    pub short: Option<&'r Recording>,
    /// A known resistor at the end of the leads, and its value in ohm.
    pub load: Option<(&'r Recording, f64)>,
}

/// A measured impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct Impedance {
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// Impedance in ohm.
    pub ohm: Vec<Complex64>,
    /// Its relative standard deviation, over the repeats; `None` of one repeat.
    pub relative_std: Option<Vec<f64>>,
    /// Repeats that the mean is of.
    pub repeats: usize,
    /// What is to be said.
    pub notes: Vec<Note>,
}

/// Transfer function with the delay between the channels left in: it belongs to them, and the correction takes it out.
fn divider(recording: &Recording, options: &Options) -> Result<(Raw, Vec<Complex64>), BenchError> {
    let [reference, response] = recording.pair(options.swapped)?;
    let found = raw(&reference, &response, true, options)?;
    let values = found
        .frequency_hz
        .iter()
        .zip(&found.value)
        .map(|(f, value)| value * Complex64::cis(-std::f64::consts::TAU * f * found.delay_s))
        .collect();
    Ok((found, values))
}

/// Measures an impedance with a resistor of `resistor_ohm`.
///
/// # Errors
/// A resistor or load of no use; a recording that is refused; a response that is not below the reference; corrections on
/// other frequencies.
pub fn measured(
    recording: &Recording,
    resistor_ohm: f64,
    corrections: &Corrections<'_>,
    options: &Options,
) -> Result<Impedance, BenchError> {
    let usable = |what: &str, ohm: f64| {
        if ohm.is_finite() && (1e-3..=1e7).contains(&ohm) {
            return Ok(());
        }
        Err(BenchError(format!("the {what} is {ohm} ohm; 0.001 ohm to 10 Mohm are allowed")))
    };
    usable("resistor", resistor_ohm)?;
    let (found, own) = divider(recording, options)?;
    let other = |recording: Option<&Recording>, ideal: f64| -> Result<Vec<Complex64>, BenchError> {
        let Some(recording) = recording else { return Ok(vec![Complex64::from(ideal); own.len()]) };
        // With the ends joined nothing is left to hear: silence is as good as a short.
        if recording.channels.len() > 1
            && recording.pair(options.swapped)?[1].samples.iter().all(|s| s.abs() < SILENT)
        {
            return Ok(vec![Complex64::ZERO; own.len()]);
        }
        let (one, values) = divider(recording, options)?;
        if one.frequency_hz == found.frequency_hz {
            return Ok(values);
        }
        Err(BenchError(format!(
            "{} does not hold the same sweep as the measurement; record all of them with the same settings",
            recording.name
        )))
    };
    let open = other(corrections.open, 1.0)?;
    let short = other(corrections.short, 0.0)?;
    let (load, load_ohm) = match corrections.load {
        Some((recording, ohm)) => {
            usable("load", ohm)?;
            (other(Some(recording), 0.5)?, ohm)
        }
        // The resistor stands at the middle between open and short.
        None => (open.iter().zip(&short).map(|(open, short)| (open + short) / 2.0).collect(), resistor_ohm),
    };
    let mut inside: Vec<f64> = own.iter().map(|value| value.norm()).collect();
    inside.sort_by(f64::total_cmp);
    if corrections.open.is_none() && inside[inside.len() / 2] > 1.05 {
        return Err(BenchError(format!(
            "{}: the voltage across the impedance is {:.2} times that across both; it cannot be larger. Is the reference (the \
             amplifier's side of the resistor) on channel 1? --swap takes the channels the other way round",
            recording.name,
            inside[inside.len() / 2]
        )));
    }
    let ohm: Vec<Complex64> = (0..own.len())
        .map(|at| {
            load_ohm * (own[at] - short[at]) * (open[at] - load[at])
                / ((open[at] - own[at]) * (load[at] - short[at]))
        })
        .collect();
    // d ln Z = dH (H_o - H_s) / ((H - H_s)(H_o - H)).
    let relative_std = found.gain_std_db.as_ref().zip(found.phase_std_deg.as_ref()).map(|(gain, phase)| {
        (0..own.len())
            .map(|at| {
                let share = (gain[at] * std::f64::consts::LN_10 / 20.0).hypot(phase[at].to_radians())
                    * own[at].norm();
                share * ((open[at] - short[at]) / ((own[at] - short[at]) * (open[at] - own[at]))).norm()
            })
            .collect()
    });
    Ok(Impedance {
        frequency_hz: found.frequency_hz,
        ohm,
        relative_std,
        repeats: found.repeats,
        notes: found.notes.into_iter().filter(|note| !matches!(note, Note::Louder(_))).collect(),
    })
}

impl Impedance {
    /// The table that sessions read, as `impedance_table`, `lcr_table` or `open_table`.
    pub fn table(&self, kind: Kind, source: &str) -> String {
        use std::fmt::Write as _;
        let head = match kind {
            Kind::Loudspeaker => "frequency_hz,magnitude_ohm,phase_deg",
            Kind::Shorted => "frequency_hz,series_resistance_ohm,series_inductance_h",
            Kind::Open => "frequency_hz,parallel_capacitance_f,parallel_conductance_s",
        };
        let mut text = format!("# measured from {source} by Earwitness\n{head}\n");
        for (frequency, ohm) in self.frequency_hz.iter().zip(&self.ohm) {
            let omega = std::f64::consts::TAU * frequency;
            let (one, two) = match kind {
                Kind::Loudspeaker => (ohm.norm(), ohm.arg().to_degrees()),
                // A cable's resistance and inductance are not negative; where noise says so, they are too small to see.
                Kind::Shorted => (ohm.re.max(0.0), (ohm.im / omega).max(0.0)),
                Kind::Open => ((ohm.inv().im / omega).max(0.0), ohm.inv().re.max(0.0)),
            };
            let _ = writeln!(text, "{frequency:.4},{one:.7e},{two:.7e}");
        }
        text
    }
}
