//! Right answers out of answers: the one shape that every count of answers has.

use std::iter::Sum;
use std::ops::{Add, AddAssign};

use serde::{Deserialize, Serialize, Serializer};

/// Right answers out of answers. Part of the written format of journals: the fields in this order, nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tally {
    /// Answers.
    pub trials: u64,
    /// Right ones; of a preference the answers for side B.
    pub correct: u64,
}

impl Tally {
    /// So many right of so many.
    pub fn new(correct: u64, trials: u64) -> Self {
        Self { trials, correct }
    }

    /// One answer more.
    pub fn count(&mut self, right: bool) {
        self.correct += u64::from(right);
        self.trials += 1;
    }
}

impl From<(u64, u64)> for Tally {
    fn from((correct, trials): (u64, u64)) -> Self {
        Self { trials, correct }
    }
}

/// What strangers wrote is added up too: at the end of the numbers it stays there.
impl Add for Tally {
    type Output = Self;

    fn add(self, more: Self) -> Self {
        Self {
            trials: self.trials.saturating_add(more.trials),
            correct: self.correct.saturating_add(more.correct),
        }
    }
}

impl AddAssign for Tally {
    fn add_assign(&mut self, more: Self) {
        *self = *self + more;
    }
}

impl Sum for Tally {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::default(), Add::add)
    }
}

impl<'t> Sum<&'t Tally> for Tally {
    fn sum<I: Iterator<Item = &'t Tally>>(all: I) -> Self {
        all.copied().sum()
    }
}

/// "12/16"; "-" where nobody answered.
impl std::fmt::Display for Tally {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.trials == 0 { f.write_str("-") } else { write!(f, "{}/{}", self.correct, self.trials) }
    }
}

/// As documents of a report have it: `[right, answers]`.
///
/// # Errors
/// Those of the serializer.
pub fn as_pair<S: Serializer>(tally: &Tally, serializer: S) -> Result<S::Ok, S::Error> {
    (tally.correct, tally.trials).serialize(serializer)
}

/// The same of several.
///
/// # Errors
/// Those of the serializer.
pub fn as_pairs<S: Serializer>(tallies: &[Tally], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(tallies.iter().map(|tally| (tally.correct, tally.trials)))
}

/// [`as_pair`] where there is one.
///
/// # Errors
/// Those of the serializer.
#[allow(clippy::ref_option, reason = "serde hands it over so")]
pub fn as_optional_pair<S: Serializer>(tally: &Option<Tally>, serializer: S) -> Result<S::Ok, S::Error> {
    tally.map(|tally| (tally.correct, tally.trials)).serialize(serializer)
}
