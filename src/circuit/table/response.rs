//! Tables of measured transfer functions, and the distortion that analysers write beside them.

use num_complex::Complex64;

use super::columns::{
    Column, DISTORTION, DISTORTION_AND_NOISE, GAIN, GAIN_DEVIATION, PHASE, PHASE_DEVIATION,
};
use super::error::TableError;
use super::sheet::Sheet;
use crate::circuit::delay::Excess;
use crate::circuit::interpolation::OverFrequency;
use crate::circuit::limit::{Limit, Quantity};
use crate::circuit::measured::Measured;
use crate::circuit::vector_fit::Shape;

/// A measured transfer function, without the delay and with the polarity that are not the circuit's.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseTable {
    values: Measured,
    excess: Excess,
    /// The delay that was found is left in; otherwise it is removed.
    pub delay_kept: bool,
    /// A reversed polarity that was found is left as it is; otherwise it is turned round.
    pub polarity_kept: bool,
    range_hz: (f64, f64),
    distortion: Distortion,
    /// Standard deviations of gain in dB and phase in degrees, where the table has them.
    deviations: [Option<OverFrequency>; 2],
    notes: Vec<String>,
}

/// Distortion over frequency as an analyser exports it beside a response.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Distortion {
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// Total harmonic distortion in percent at each of them.
    pub thd_percent: Option<Vec<f64>>,
    /// The same and noise.
    pub thd_plus_noise_percent: Option<Vec<f64>>,
}

impl Distortion {
    /// The largest THD and the largest THD+N, each in percent and where it is in Hz.
    pub fn largest(&self) -> [Option<(f64, f64)>; 2] {
        [&self.thd_percent, &self.thd_plus_noise_percent].map(|values| {
            let pairs = values.as_ref()?.iter().copied().zip(self.frequency_hz.iter().copied());
            pairs.reduce(|best, next| if next.0 > best.0 { next } else { best })
        })
    }
}

/// A distortion in percent, whether the table gives percent, ppm or dB.
fn percent(sheet: &Sheet<'_>, [share, level]: &[Column; 2]) -> Result<Option<Vec<f64>>, TableError> {
    if sheet.has(level) {
        let decibels = sheet.values(level)?;
        return Ok(
            decibels.map(|values| values.into_iter().map(|db| 100.0 * 10_f64.powf(db / 20.0)).collect())
        );
    }
    if !sheet.has(share) {
        return Ok(None);
    }
    let Some(values) = sheet.values(share)? else { return Ok(None) };
    if sheet.is_bare(share) && values.iter().any(|value| *value < 0.0) {
        return Ok(Some(values.into_iter().map(|db| 100.0 * 10_f64.powf(db / 20.0)).collect()));
    }
    sheet.not_negative(share, values).map(Some)
}

impl ResponseTable {
    /// Reads `frequency_hz, gain_db, phase_deg`. Delay and reversed polarity are removed, see [`Excess`].
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        sheet.at_least_two()?;
        let frequency = sheet.frequencies()?;
        let gain = sheet.values(&GAIN)?.ok_or_else(|| sheet.missing(&GAIN))?;
        let phase = sheet.values(&PHASE)?.ok_or_else(|| sheet.missing(&PHASE))?;
        let excess = Excess::of(&frequency, &gain, &phase);
        let turned = if excess.inverted { std::f64::consts::PI } else { 0.0 };
        let values: Vec<Complex64> = frequency
            .iter()
            .zip(gain.iter().zip(&phase))
            .map(|(frequency, (gain, phase))| {
                let phase = phase + std::f64::consts::TAU * frequency * excess.delay_s + turned;
                Complex64::from_polar(10_f64.powf(gain / 20.0), phase)
            })
            .collect();
        let deviation = |column: &Column, scale: f64| -> Result<Option<OverFrequency>, TableError> {
            let Some(values) = sheet.values(column)? else { return Ok(None) };
            let values = sheet.not_negative(column, values)?.into_iter().map(|value| scale * value).collect();
            Ok(Some(OverFrequency::new(&frequency, values)))
        };
        let deviations =
            [deviation(&GAIN_DEVIATION, 1.0)?, deviation(&PHASE_DEVIATION, 1.0_f64.to_degrees())?];
        Ok(Self {
            deviations,
            values: Measured::new(&frequency, &values, Shape::Transfer),
            excess,
            delay_kept: false,
            polarity_kept: false,
            range_hz: (frequency[0], frequency[frequency.len() - 1]),
            distortion: Distortion {
                thd_percent: percent(&sheet, &DISTORTION)?,
                thd_plus_noise_percent: percent(&sheet, &DISTORTION_AND_NOISE)?,
                frequency_hz: frequency,
            },
            notes: sheet.notes().to_vec(),
        })
    }

    /// The transfer function at a frequency in Hz; real at 0 Hz.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let delay = if self.delay_kept { self.excess.delay_s } else { 0.0 };
        let sign = if self.polarity_kept && self.excess.inverted { -1.0 } else { 1.0 };
        self.values.at(frequency_hz)
            * Complex64::from_polar(sign, -std::f64::consts::TAU * frequency_hz * delay)
    }

    /// How far it may be off: the table's standard deviations, and without them what was left out of its values.
    pub fn scatter(&self) -> Vec<Limit> {
        let left = self.values.scatter();
        let decibels = 20.0 / std::f64::consts::LN_10;
        [(Quantity::GainScatter, decibels), (Quantity::PhaseScatter, 1.0_f64.to_degrees())]
            .into_iter()
            .zip(&self.deviations)
            .filter_map(|((quantity, scale), deviation)| match deviation {
                Some(deviation) => Some(Limit::over_frequency(quantity, deviation.clone())),
                None => left.map(|part| Limit::new(quantity, scale * part)),
            })
            .collect()
    }

    /// Distortion, where the table has it.
    pub fn distortion(&self) -> &Distortion {
        &self.distortion
    }

    /// What was put in order, averaged or left out when the table was read.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Delay and polarity that were found.
    pub fn excess(&self) -> Excess {
        self.excess
    }

    /// The function that stands for the table's values, and what it leaves out of them.
    pub fn values(&self) -> &Measured {
        &self.values
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}
