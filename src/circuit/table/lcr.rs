//! Tables of LCR meters, in the pairs of readings that meters offer.

use num_complex::Complex64;

use super::columns::{
    ACCURACY, Column, DISSIPATION_FACTOR, PARALLEL_CAPACITANCE, PARALLEL_CONDUCTANCE, PARALLEL_RESISTANCE,
    PLAUSIBLE_CAPACITANCE, PLAUSIBLE_INDUCTANCE, PLAUSIBLE_RESISTANCE, QUALITY_FACTOR, SERIES_INDUCTANCE,
    SERIES_RESISTANCE,
};
use super::error::TableError;
use super::impedances::impedances;
use super::sheet::Sheet;
use crate::circuit::interpolation::OverFrequency;
use crate::circuit::per_metre::PerMetre;

/// Largest share in percent that a meter may be off by and say anything.
const LARGEST_PERCENT: f64 = 90.0;

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
    notes: Vec<String>,
}

/// Loss as it is read: nothing, siemens, or a dissipation factor.
enum Readings {
    None,
    Conductance(Vec<f64>),
    DissipationFactor(Vec<f64>),
}

/// Series resistance in ohm and inductance in henry of a sweep with the far end shorted: `Rs` and `Ls`, `Ls` and `Q`, or an
/// impedance.
fn series_readings(
    sheet: &Sheet<'_>,
    frequencies: &[f64],
    both: bool,
) -> Result<(Vec<f64>, Vec<f64>), TableError> {
    let omega = || frequencies.iter().map(|frequency| std::f64::consts::TAU * frequency);
    if !both
        && !sheet.has(&SERIES_INDUCTANCE)
        && let Some(impedances) = impedances(sheet)?
    {
        let resistance = impedances.iter().map(|value| value.re).collect();
        let inductance = impedances.iter().zip(omega()).map(|(value, omega)| value.im / omega).collect();
        return Ok((
            sheet.not_negative(&SERIES_RESISTANCE, resistance)?,
            sheet.not_negative(&SERIES_INDUCTANCE, inductance)?,
        ));
    }
    let read = |column: &Column| -> Result<Option<Vec<f64>>, TableError> {
        sheet.values(column)?.map(|values| sheet.not_negative(column, values)).transpose()
    };
    // A missing resistance is complained about first, unless a quality factor can stand for it.
    if !sheet.has(&SERIES_RESISTANCE)
        && sheet.has(&QUALITY_FACTOR)
        && let (Some(inductance), Some(quality)) = (read(&SERIES_INDUCTANCE)?, sheet.values(&QUALITY_FACTOR)?)
    {
        let quality = sheet.positive(&QUALITY_FACTOR, quality)?;
        let resistance =
            omega().zip(inductance.iter().zip(&quality)).map(|(omega, (l, q))| omega * l / q).collect();
        return Ok((resistance, inductance));
    }
    let resistance = read(&SERIES_RESISTANCE)?.ok_or_else(|| sheet.missing(&SERIES_RESISTANCE))?;
    let inductance = read(&SERIES_INDUCTANCE)?.ok_or_else(|| sheet.missing(&SERIES_INDUCTANCE))?;
    Ok((resistance, inductance))
}

/// Parallel capacitance in farad and its loss of a sweep with the far end open: `Cp` alone or with `G`, `D`, `Q` or `Rp`, or
/// an impedance.
fn shunt_readings(
    sheet: &Sheet<'_>,
    frequencies: &[f64],
    both: bool,
) -> Result<(Vec<f64>, Readings), TableError> {
    let read = |column: &Column| -> Result<Option<Vec<f64>>, TableError> {
        sheet.values(column)?.map(|values| sheet.not_negative(column, values)).transpose()
    };
    if !both
        && !sheet.has(&PARALLEL_CAPACITANCE)
        && let Some(impedances) = impedances(sheet)?
    {
        let admittances: Vec<Complex64> = impedances.iter().map(Complex64::inv).collect();
        let capacitance = admittances
            .iter()
            .zip(frequencies)
            .map(|(value, frequency)| value.im / (std::f64::consts::TAU * frequency))
            .collect();
        // A good dielectric's loss is less than a meter's error of phase: below 0 is none.
        let conductance = admittances.iter().map(|value| value.re.max(0.0)).collect();
        return Ok((
            sheet.not_negative(&PARALLEL_CAPACITANCE, capacitance)?,
            Readings::Conductance(conductance),
        ));
    }
    let capacitance = read(&PARALLEL_CAPACITANCE)?.ok_or_else(|| sheet.missing(&PARALLEL_CAPACITANCE))?;
    let inverse = |values: Vec<f64>| values.into_iter().map(f64::recip).collect::<Vec<f64>>();
    let loss = if let Some(conductance) = read(&PARALLEL_CONDUCTANCE)? {
        Readings::Conductance(conductance)
    } else if let Some(factor) = read(&DISSIPATION_FACTOR)? {
        Readings::DissipationFactor(factor)
    } else if let Some(resistance) = sheet.values(&PARALLEL_RESISTANCE)? {
        Readings::Conductance(inverse(sheet.positive(&PARALLEL_RESISTANCE, resistance)?))
    } else if both && !sheet.has(&SERIES_RESISTANCE) {
        // The quality factor of such a table is the inductance's.
        Readings::None
    } else if let Some(quality) = sheet.values(&QUALITY_FACTOR)? {
        Readings::DissipationFactor(inverse(sheet.positive(&QUALITY_FACTOR, quality)?))
    } else {
        Readings::None
    };
    Ok((capacitance, loss))
}

/// How far the readings of a meter may be off, as a share of each, at each frequency: what its data sheet tabulates.
#[derive(Debug, Clone, PartialEq)]
pub struct AccuracyTable {
    /// Of resistance, inductance and capacitance, where the table has them.
    pub shares: [Option<OverFrequency>; 3],
}

impl AccuracyTable {
    /// Reads `frequency_hz` and at least one of `resistance_percent`, `inductance_percent`, `capacitance_percent`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let mut shares = [None, None, None];
        for (share, column) in shares.iter_mut().zip(&ACCURACY) {
            let Some(values) = sheet.values(column)? else { continue };
            let values = sheet.not_negative(column, values)?;
            if let Some(row) = values.iter().position(|percent| *percent > LARGEST_PERCENT) {
                return Err(sheet.at(
                    row,
                    format!(
                        "{} of {} % is too much to compute with; at most {LARGEST_PERCENT} % is allowed",
                        column.name, values[row]
                    ),
                ));
            }
            *share = Some(OverFrequency::new(
                &frequency,
                values.into_iter().map(|percent| percent / 100.0).collect(),
            ));
        }
        if shares.iter().all(Option::is_none) {
            return Err(TableError::new(
                name,
                sheet.header_line(),
                "a table of a meter's accuracy has frequency_hz and at least one of resistance_percent, inductance_percent, \
                 capacitance_percent",
            ));
        }
        Ok(Self { shares })
    }
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
        let both = std::ptr::eq(shorted, open);
        let (resistance, inductance) = series_readings(shorted, &along, both)?;
        let (capacitance, loss) = shunt_readings(open, &across, both)?;
        for (sheet, column, values, plausible) in [
            (shorted, &SERIES_RESISTANCE, &resistance, &PLAUSIBLE_RESISTANCE),
            (shorted, &SERIES_INDUCTANCE, &inductance, &PLAUSIBLE_INDUCTANCE),
            (open, &PARALLEL_CAPACITANCE, &capacitance, &PLAUSIBLE_CAPACITANCE),
        ] {
            sheet.plausible(column, values, plausible, sample_length_m)?;
        }
        let mut notes = shorted.notes().to_vec();
        if !both {
            notes.extend(open.notes().iter().cloned());
        }
        if along.len() == 1 {
            notes.push(format!(
                "it has one point, {} Hz, and its values are held at every frequency: skin effect and the like are not in it",
                along[0]
            ));
        }
        let low = along[0].max(across[0]);
        let loss = match loss {
            Readings::None => Loss::None,
            Readings::Conductance(values) => Loss::Conductance(OverFrequency::new(&across, values)),
            Readings::DissipationFactor(values) => {
                Loss::DissipationFactor(OverFrequency::new(&across, values))
            }
        };
        Ok(Self {
            sample_length_m,
            resistance: OverFrequency::new(&along, resistance),
            inductance: OverFrequency::new(&along, inductance),
            capacitance: OverFrequency::new(&across, capacitance),
            loss,
            range_hz: (low, along[along.len() - 1].min(across[across.len() - 1]).max(low)),
            notes,
        })
    }

    /// What was put in order, averaged or left out when the table was read.
    pub fn notes(&self) -> &[String] {
        &self.notes
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
