//! What was measured at both positions of a switch of real cables, held against what the circuit predicts.

use serde::{Deserialize, Serialize};

/// What the bench leaves unknown beside what repeats show, in dB: contacts, temperature (common practice, no source).
const BESIDE_DB: f64 = 0.03;
/// Share by which a prediction may be off: loads and cables are known so well at best (common practice, no source).
const SHARE: f64 = 0.1;
/// Levels at the terminals are matched within so many dB (a usual demand on listening tests; common practice, no source).
pub const MATCHED_DB: f64 = 0.1;

/// When positions were measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    /// Before the first trial, or before a sitting goes on.
    Before,
    /// In a rest that was offered between two trials.
    Between,
    /// After the last trial.
    After,
}

/// Both positions measured at the loudspeaker's terminals, over the amplifier's: the cable that the terms name first minus the
/// second. Arrays run over frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Positions {
    /// When.
    pub when: When,
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// Difference in dB.
    pub measured_db: Vec<f64>,
    /// What repeating leaves unknown of it, at 95 %, plus or minus, in dB.
    pub uncertainty_db: Vec<f64>,
    /// What the circuit predicts of it, in dB.
    pub predicted_db: Vec<f64>,
}

/// What a measurement of both positions shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Found {
    /// The difference that the circuit predicts.
    AsPredicted,
    /// The same with the other sign: the cables are interchanged.
    Interchanged,
    /// None, though the circuit predicts one.
    None,
    /// Another one.
    Another,
    /// The predicted difference is too small for this measurement to show.
    TooSmall,
}

impl Found {
    /// The same to a person.
    pub fn words(self) -> &'static str {
        match self {
            Self::AsPredicted => "the two positions differ as the circuit predicts",
            Self::Interchanged => "the two cables are interchanged",
            Self::None => "the two positions could not be told apart",
            Self::Another => "the two positions differ otherwise than the circuit predicts",
            Self::TooSmall => "the predicted difference is too small for this measurement",
        }
    }
}

impl Positions {
    /// Whether it is a measurement at all.
    pub fn is_sound(&self) -> bool {
        let arrays = [&self.frequency_hz, &self.measured_db, &self.uncertainty_db, &self.predicted_db];
        let length = self.frequency_hz.len();
        length > 0
            && length <= 1000
            && arrays.iter().all(|array| array.len() == length && array.iter().all(|value| value.is_finite()))
            && self.uncertainty_db.iter().all(|uncertainty| *uncertainty >= 0.0)
    }

    /// What it shows.
    pub fn found(&self) -> Found {
        let within = |index: usize, wanted: f64, share: f64| {
            let allowed = self.uncertainty_db[index] + BESIDE_DB + share * self.predicted_db[index].abs();
            (self.measured_db[index] - wanted).abs() <= allowed
        };
        let all = |wanted: &dyn Fn(usize) -> f64, share: f64| {
            (0..self.frequency_hz.len()).all(|index| within(index, wanted(index), share))
        };
        let seen = |index: usize| {
            (1.0 - SHARE) * self.predicted_db[index].abs() > self.uncertainty_db[index] + BESIDE_DB
        };
        if !(0..self.frequency_hz.len()).any(seen) {
            return Found::TooSmall;
        }
        if all(&|index| self.predicted_db[index], SHARE) {
            Found::AsPredicted
        } else if all(&|index| -self.predicted_db[index], SHARE) {
            Found::Interchanged
        } else if all(&|_| 0.0, 0.0) {
            Found::None
        } else {
            Found::Another
        }
    }

    /// Difference of the levels at the terminals in dB: the mean over the frequencies, which are evenly spaced in their
    /// logarithms.
    pub fn level_db(&self) -> f64 {
        self.measured_db.iter().sum::<f64>() / self.measured_db.len().max(1) as f64
    }

    /// The largest measured difference in dB, where it is in Hz, its uncertainty and what is predicted there.
    pub fn largest(&self) -> (f64, f64, f64, f64) {
        let index = (0..self.measured_db.len())
            .max_by(|a, b| self.measured_db[*a].abs().total_cmp(&self.measured_db[*b].abs()))
            .unwrap_or(0);
        (
            self.measured_db[index],
            self.frequency_hz[index],
            self.uncertainty_db[index],
            self.predicted_db[index],
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_is_as_predicted_interchanged_absent_another_or_too_small() {
        let predicted = vec![-0.30, -0.32, -0.40];
        let positions = |measured: &[f64], uncertainty: f64| Positions {
            when: When::Before,
            frequency_hz: vec![100.0, 1000.0, 10_000.0],
            measured_db: measured.to_vec(),
            uncertainty_db: vec![uncertainty; 3],
            predicted_db: predicted.clone(),
        };
        assert_eq!(positions(&[-0.31, -0.30, -0.41], 0.01).found(), Found::AsPredicted);
        assert_eq!(positions(&[0.31, 0.32, 0.38], 0.01).found(), Found::Interchanged);
        assert_eq!(positions(&[0.01, 0.0, -0.01], 0.01).found(), Found::None);
        assert_eq!(positions(&[-0.31, -0.30, -1.5], 0.01).found(), Found::Another);
        assert_eq!(positions(&[-0.31, -0.30, -0.41], 0.5).found(), Found::TooSmall);
        assert!((positions(&[-0.3, -0.3, -0.6], 0.01).level_db() + 0.4).abs() < 1e-12);
        assert!(!positions(&[-0.3, f64::NAN, -0.6], 0.01).is_sound());
    }
}
