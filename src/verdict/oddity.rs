//! Facts that do not fit a score.

/// A fact that does not fit a nearly perfect score.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Oddity {
    /// Audible controls were missed.
    ControlsMissed {
        /// Right ones.
        correct: u64,
        /// All.
        trials: u64,
    },
    /// Answers came faster than anybody listens.
    Hasty {
        /// Answers under a second.
        answers: u64,
        /// All.
        trials: u64,
    },
    /// No two of the sounds were played, so that nothing could be compared.
    NothingCompared {
        /// Such trials.
        answers: u64,
        /// All.
        trials: u64,
    },
}

impl std::fmt::Display for Oddity {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::ControlsMissed { correct, trials } => {
                write!(formatter, "only {correct} of {trials} audible controls were right")
            }
            Self::Hasty { answers, trials } => {
                write!(formatter, "{answers} of {trials} answers came in under a second")
            }
            Self::NothingCompared { answers, trials } => {
                write!(formatter, "in {answers} of {trials} trials no two of the sounds were played")
            }
        }
    }
}
