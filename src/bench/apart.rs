//! Two responses held against each other: how far apart they are, and how sure.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::BenchError;
use super::response::Response;
use crate::units::printed;

/// Confidence of an uncertainty.
const CONFIDENCE: f64 = 0.95;
/// Frequencies that a difference is judged over, in Hz.
const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// First minus second, over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Apart {
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// Difference of the gains in dB.
    pub gain_db: Vec<f64>,
    /// What repeating leaves unknown about it, at 95 %, plus or minus, in dB; `None` where either has one sweep.
    pub uncertainty_db: Option<Vec<f64>>,
    /// The largest difference from 20 Hz to 20 kHz in dB, without its sign.
    pub largest_db: f64,
    /// Where it is, in Hz.
    pub at_hz: f64,
    /// Whether somewhere it is more than repeating explains, with as many looks as there are frequencies; `None` where
    /// either has one sweep.
    pub is_there: Option<bool>,
}

/// The quantile of Student's t for an interval that fails with so much probability in all.
fn quantile(freedom: f64, fails: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom.max(1.0))
        .map_or(f64::INFINITY, |student| student.inverse_cdf(1.0 - fails / 2.0))
}

/// The difference of two responses of the same sweep. The standard deviations are those of means over the repeats; the
/// degrees of freedom are taken as those of the one with fewer repeats, which errs on the large side.
///
/// # Errors
/// They are of different sweeps or rates.
pub fn apart(first: &Response, second: &Response) -> Result<Apart, BenchError> {
    if first.frequency_hz != second.frequency_hz {
        return Err(BenchError(
            "the two responses are of different sweeps or rates, so they have no frequencies in common; record both cables with the \
             same settings"
                .into(),
        ));
    }
    let gain_db: Vec<f64> = first.gain_db.iter().zip(&second.gain_db).map(|(a, b)| a - b).collect();
    let within = |index: &usize| (BAND_HZ.0..=BAND_HZ.1).contains(&first.frequency_hz[*index]);
    let looks = (0..gain_db.len()).filter(within).count();
    let largest = (0..gain_db.len())
        .filter(within)
        .max_by(|a, b| gain_db[*a].abs().total_cmp(&gain_db[*b].abs()))
        .ok_or_else(|| BenchError("the responses hold no frequency from 20 Hz to 20 kHz".into()))?;
    let scatter: Option<Vec<f64>> = first
        .gain_std_db
        .as_ref()
        .zip(second.gain_std_db.as_ref())
        .map(|(a, b)| a.iter().zip(b).map(|(a, b)| a.hypot(*b)).collect());
    let freedom = first.repeats.min(second.repeats) as f64 - 1.0;
    let fails = 1.0 - CONFIDENCE;
    let (single, every) = (quantile(freedom, fails), quantile(freedom, fails / looks.max(1) as f64));
    let is_there = scatter.as_ref().map(|scatter| {
        (0..gain_db.len()).filter(within).any(|index| gain_db[index].abs() > every * scatter[index])
    });
    Ok(Apart {
        frequency_hz: first.frequency_hz.clone(),
        uncertainty_db: scatter.map(|scatter| scatter.into_iter().map(|own| single * own).collect()),
        largest_db: gain_db[largest].abs(),
        at_hz: first.frequency_hz[largest],
        gain_db,
        is_there,
    })
}

impl Apart {
    /// The uncertainty of the largest difference, in dB.
    pub fn largest_uncertainty_db(&self) -> Option<f64> {
        let at = self.frequency_hz.iter().position(|frequency| *frequency == self.at_hz)?;
        self.uncertainty_db.as_ref().map(|uncertainty| uncertainty[at])
    }
}

impl Apart {
    /// What was found, without advice.
    pub fn found(&self) -> String {
        let at = printed::hertz(self.at_hz);
        let largest = fine(self.largest_db);
        let largest = if is_nothing(self.largest_db) { largest } else { format!("at most {largest}") };
        let Some(uncertainty) = self.largest_uncertainty_db() else {
            return format!("{largest} apart, at {at}, of one sweep each");
        };
        let what = if self.is_there == Some(true) {
            "more than repeating the same sweep explains"
        } else {
            "not distinguishable from repeating the same cable"
        };
        // What repeating scatters by is not how well the difference is known: contacts and levels come on top of it.
        format!("{largest} apart, at {at}, where sweeps repeat to {} (95 %): {what}", fine(uncertainty))
    }
}

/// Less than can be printed.
fn is_nothing(decibels: f64) -> bool {
    decibels.abs() < 0.0005
}

/// A difference in thousandths of a decibel, and never a false nothing.
pub fn fine(decibels: f64) -> String {
    if is_nothing(decibels) { "under 0.001 dB".to_owned() } else { printed::fixed(decibels, 3, "dB") }
}

impl std::fmt::Display for Apart {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&self.found())?;
        formatter.write_str(match self.is_there {
            None => ": record two or more to know what repeating gives",
            Some(false) => "",
            Some(true) => "; put the first cable back and measure again before you believe it",
        })
    }
}
