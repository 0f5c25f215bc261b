//! What can be wrong with counts and risks.

use super::MOST_TRIALS;

/// A count, risk or effect that no answer exists for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// More right than trials.
    #[error(
        "{correct} right of {trials} trials is not possible: there cannot be more right answers than trials"
    )]
    MoreThanAll {
        /// Right answers.
        correct: u64,
        /// Trials.
        trials: u64,
    },
    /// No trials.
    #[error("there are no trials: at least 1 is needed")]
    NoTrials,
    /// More than [`MOST_TRIALS`].
    #[error("{trials} trials are too many: at most {MOST_TRIALS} are computed")]
    TooMany {
        /// Trials.
        trials: u64,
    },
    /// A value outside its open interval.
    #[error("{what} is {value}, but must lie between {above} and {below}, both excluded")]
    Outside {
        /// Which quantity.
        what: &'static str,
        /// Its value.
        value: f64,
        /// Excluded lower end.
        above: f64,
        /// Excluded upper end.
        below: f64,
    },
    /// Anything else, in words.
    #[error("{0}")]
    Other(String),
}

/// Refuses `value` unless it lies strictly between `above` and `below`.
pub(crate) fn inside(what: &'static str, value: f64, above: f64, below: f64) -> Result<(), StatsError> {
    if value > above && value < below {
        Ok(())
    } else {
        Err(StatsError::Outside { what, value, above, below })
    }
}

/// Refuses impossible counts.
pub(crate) fn counts(correct: u64, trials: u64) -> Result<(), StatsError> {
    if trials == 0 {
        return Err(StatsError::NoTrials);
    }
    if trials > MOST_TRIALS {
        return Err(StatsError::TooMany { trials });
    }
    if correct > trials {
        return Err(StatsError::MoreThanAll { correct, trials });
    }
    Ok(())
}
