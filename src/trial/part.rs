//! Which trial: the part of a sitting, the trial within it, the attempt at it.

use serde::{Deserialize, Serialize};

/// Part of a sitting that a trial belongs to. Controls are part of `main`; which trials they are is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// Positive controls that must be passed first.
    Qualification,
    /// Uncounted.
    WarmUp,
    /// Counted trials and controls.
    Main,
}

/// One attempt at one trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrialId {
    /// The part.
    pub part: Part,
    /// Trial within the part, from 1.
    pub trial: u32,
    /// 1, and one more for each void attempt before.
    pub attempt: u32,
}
