//! Measured tables: CSV with a header, `#` starts a comment.
//!
//! Comes in: the text of a table and the name to complain about. Goes out: [`LcrTable`], [`ImpedanceTable`],
//! [`ResponseTable`]. Between its points an LCR table is a monotone cubic in log frequency; outside, its end values are
//! held. Impedances and responses are smooth functions, see [`measured`](super::measured).

mod columns;
mod sheet;

use num_complex::Complex64;

use columns::{
    Column, DISSIPATION_FACTOR, GAIN, MAGNITUDE, PARALLEL_CAPACITANCE, PARALLEL_CONDUCTANCE, PHASE,
    REACTANCE, RESISTANCE, SERIES_INDUCTANCE, SERIES_RESISTANCE,
};
use sheet::Sheet;
pub use sheet::decode;

use super::interpolation::OverFrequency;
use super::line::PerMetre;
use super::measured::Measured;
use super::vector_fit::Shape;

/// What is wrong with a measured table, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{name}{}: {message}", line.map(|line| format!(":{line}")).unwrap_or_default())]
pub struct TableError {
    /// The table's name.
    pub name: String,
    /// Line, from 1, where there is one.
    pub line: Option<usize>,
    /// What was tried, with which value, what is allowed.
    pub message: String,
}

impl TableError {
    pub(super) fn new(name: &str, line: impl Into<Option<usize>>, message: impl Into<String>) -> Self {
        Self { name: name.to_owned(), line: line.into(), message: message.into() }
    }
}

/// Series resistance and inductance with the far end shorted, parallel capacitance and loss with it open, of a sample.
///
/// Valid while the sample is electrically short: a meter's reading departs from the sum over the length by about
/// `|Z Y|/3`, see [`LcrTable::electrical_length`].
#[derive(Debug, Clone, PartialEq)]
pub struct LcrTable {
    sample_length_m: f64,
    resistance: OverFrequency,
    inductance: OverFrequency,
    capacitance: OverFrequency,
    loss: Loss,
    range_hz: (f64, f64),
}

#[derive(Debug, Clone, PartialEq)]
enum Loss {
    None,
    Conductance(OverFrequency),
    DissipationFactor(OverFrequency),
}

impl LcrTable {
    /// Reads a table that was measured on `sample_length_m` metres of cable.
    ///
    /// Heads: `frequency_hz`, `series_resistance_ohm`, `series_inductance_h`, `parallel_capacitance_f`, and optionally
    /// `parallel_conductance_s` or `dissipation_factor`; or those of meters, `Freq`, `Rs`, `Ls`, `Cp`, `G`, `D`, in any
    /// case, with a unit in brackets if it is not the base unit.
    pub fn parse(text: &str, name: &str, sample_length_m: f64) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        Self::from_sheets(&sheet, &sheet, sample_length_m)
    }

    /// Reads the two sweeps of a meter from tables of their own: `Rs` and `Ls` with the far end shorted, `Cp` and `G` or
    /// `D` with it open. Each is its text and its name; their frequencies need not be the same.
    pub fn parse_two(
        shorted: (&str, &str),
        open: (&str, &str),
        sample_length_m: f64,
    ) -> Result<Self, TableError> {
        Self::from_sheets(&Sheet::read(shorted.0, shorted.1)?, &Sheet::read(open.0, open.1)?, sample_length_m)
    }

    fn from_sheets(shorted: &Sheet<'_>, open: &Sheet<'_>, sample_length_m: f64) -> Result<Self, TableError> {
        if !(sample_length_m.is_finite() && sample_length_m > 0.0) {
            return Err(TableError::new(
                shorted.name(),
                None,
                format!("the sample length is {sample_length_m} m; it must be larger than 0 m"),
            ));
        }
        let (along, across) = (shorted.frequencies()?, open.frequencies()?);
        let optional = |sheet: &Sheet<'_>, column: &Column| {
            sheet.values(column)?.map(|values| sheet.not_negative(column, values)).transpose()
        };
        let needed = |sheet: &Sheet<'_>, column: &Column| {
            optional(sheet, column)?.ok_or_else(|| sheet.missing(column))
        };
        let resistance = needed(shorted, &SERIES_RESISTANCE)?;
        let inductance = needed(shorted, &SERIES_INDUCTANCE)?;
        let capacitance = needed(open, &PARALLEL_CAPACITANCE)?;
        let loss = match (optional(open, &PARALLEL_CONDUCTANCE)?, optional(open, &DISSIPATION_FACTOR)?) {
            (Some(conductance), _) => Loss::Conductance(OverFrequency::new(&across, conductance)),
            (None, Some(factor)) => Loss::DissipationFactor(OverFrequency::new(&across, factor)),
            (None, None) => Loss::None,
        };
        let low = along[0].max(across[0]);
        Ok(Self {
            sample_length_m,
            resistance: OverFrequency::new(&along, resistance),
            inductance: OverFrequency::new(&along, inductance),
            capacitance: OverFrequency::new(&across, capacitance),
            loss,
            range_hz: (low, along[along.len() - 1].min(across[across.len() - 1]).max(low)),
        })
    }

    /// Values per metre at a frequency in Hz.
    pub fn per_metre(&self, frequency_hz: f64) -> PerMetre {
        let capacitance = self.capacitance.at(frequency_hz);
        let conductance = match &self.loss {
            Loss::None => 0.0,
            Loss::Conductance(conductance) => conductance.at(frequency_hz),
            Loss::DissipationFactor(factor) => {
                factor.at(frequency_hz) * std::f64::consts::TAU * frequency_hz * capacitance
            }
        };
        PerMetre {
            resistance: self.resistance.at(frequency_hz) / self.sample_length_m,
            inductance: self.inductance.at(frequency_hz) / self.sample_length_m,
            capacitance: capacitance / self.sample_length_m,
            conductance: conductance / self.sample_length_m,
        }
    }

    /// Length in metres of the cable that was measured.
    pub fn sample_length_m(&self) -> f64 {
        self.sample_length_m
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }

    /// `|Z Y|` of the whole sample at the highest measured frequency; the meter reads the sum over the length only
    /// while this is small against 1.
    pub fn electrical_length(&self) -> f64 {
        let frequency = self.range_hz.1;
        let metre = self.per_metre(frequency);
        let omega = std::f64::consts::TAU * frequency;
        let series = Complex64::new(metre.resistance, omega * metre.inductance);
        let shunt = Complex64::new(metre.conductance, omega * metre.capacitance);
        (series * shunt).norm() * self.sample_length_m.powi(2)
    }
}

/// A measured impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpedanceTable {
    values: Measured,
    range_hz: (f64, f64),
    /// Where the resistance is negative, in Hz.
    active_at_hz: Option<f64>,
}

impl ImpedanceTable {
    /// Reads `frequency_hz, magnitude_ohm, phase_deg` or `frequency_hz, resistance_ohm, reactance_ohm`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let values: Vec<Complex64> = match (sheet.values(&MAGNITUDE)?, sheet.values(&PHASE)?) {
            (Some(magnitude), Some(phase)) => {
                let magnitude = sheet.positive(&MAGNITUDE, magnitude)?;
                magnitude
                    .into_iter()
                    .zip(phase)
                    .map(|(ohm, phase)| Complex64::from_polar(ohm, phase))
                    .collect()
            }
            (Some(_), None) => return Err(sheet.missing(&PHASE)),
            (None, _) => {
                let resistance = sheet.values(&RESISTANCE)?;
                let reactance = sheet.values(&REACTANCE)?;
                let (Some(resistance), Some(reactance)) = (resistance, reactance) else {
                    return Err(TableError::new(
                        name,
                        sheet.header_line(),
                        "an impedance table has the columns frequency_hz, magnitude_ohm, phase_deg or frequency_hz, \
                         resistance_ohm, reactance_ohm",
                    ));
                };
                let values: Vec<Complex64> =
                    resistance.iter().zip(&reactance).map(|(re, im)| Complex64::new(*re, *im)).collect();
                if let Some(row) = values.iter().position(|value| value.norm() == 0.0) {
                    return Err(sheet.at(row, "the impedance is 0 ohm; a measured impedance is larger"));
                }
                values
            }
        };
        Ok(Self::new(&frequency, &values))
    }

    /// From values in ohm at strictly increasing, positive frequencies in Hz.
    pub fn new(frequencies_hz: &[f64], values: &[Complex64]) -> Self {
        Self {
            values: Measured::new(frequencies_hz, values, Shape::Impedance),
            range_hz: (frequencies_hz[0], frequencies_hz[frequencies_hz.len() - 1]),
            active_at_hz: values.iter().position(|value| value.re < 0.0).map(|index| frequencies_hz[index]),
        }
    }

    /// Impedance in ohm at a frequency in Hz; real at 0 Hz.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        self.values.at(frequency_hz)
    }

    /// The function that stands for the table's values, and what it leaves out of them.
    pub fn values(&self) -> &Measured {
        &self.values
    }

    /// The lowest measured frequency in Hz at which the table's resistance is negative, which no loudspeaker's is.
    pub fn active_at_hz(&self) -> Option<f64> {
        self.active_at_hz
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}

/// A measured transfer function.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseTable {
    gain_db: OverFrequency,
    phase: OverFrequency,
    range_hz: (f64, f64),
}

impl ResponseTable {
    /// Reads `frequency_hz, gain_db, phase_deg`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let gain = sheet.values(&GAIN)?.ok_or_else(|| sheet.missing(&GAIN))?;
        let phase = sheet.values(&PHASE)?.ok_or_else(|| sheet.missing(&PHASE))?;
        Ok(Self {
            gain_db: OverFrequency::new(&frequency, gain),
            phase: OverFrequency::new(&frequency, super::interpolation::unwrapped(phase)),
            range_hz: (frequency[0], frequency[frequency.len() - 1]),
        })
    }

    /// The transfer function at a frequency in Hz; at 0 Hz it keeps the held gain, with the sign of its real part.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let gain = 10_f64.powf(self.gain_db.at(frequency_hz) / 20.0);
        let phase = self.phase.at(frequency_hz);
        if frequency_hz == 0.0 {
            return Complex64::new(gain.copysign(phase.cos()), 0.0);
        }
        Complex64::from_polar(gain, phase)
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}
