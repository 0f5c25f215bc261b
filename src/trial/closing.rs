//! The last record of a journal: what it opens, what it counts, how the sitting ended.
//!
//! Part of the written format: which version has which field is said in [`record`](super::record).

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use crate::stats::tally::Tally;

/// How a sitting ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// All trials were answered.
    AllTrials,
    /// The sequential rule decided every comparison.
    Sequential,
    /// Fewer right than the qualification needs: counted trials never started.
    NotQualified,
    /// Stopped before its rule allowed: no verdict.
    StoppedEarly,
}

/// What was drawn once for a whole sitting.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DrawnOnce {
    /// Where comparisons come one after the other: the row of the Williams design.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub row: Option<usize>,
    /// Where the cable that is heard as A is drawn: of each comparison whether its two cables changed places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exchanged: Option<Vec<bool>>,
}

/// What the sequential rule says of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Not decided.
    Undecided,
    /// A difference was heard.
    Difference,
    /// No difference of the stated size was heard.
    NoDifference,
}

/// All counts of a sitting; a night's counts add up the votes of all seats.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Counts {
    /// Counted answers by comparison.
    pub comparisons: Vec<Tally>,
    /// Answers to controls, by control, the qualification's not among them.
    pub controls: Vec<Tally>,
    /// Qualification trials.
    pub qualification: Tally,
    /// Warm-up trials.
    pub warm_up: Tally,
    /// Void attempts.
    pub void: u32,
}

/// The last record: opens the seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Closing {
    /// Time of the sitting in milliseconds.
    pub at_ms: u64,
    /// How it ended.
    pub outcome: Outcome,
    /// The secret of the last sealing, 64 hex digits.
    pub secret: Digest,
    /// The key that this secret and the last sealing's hands give.
    pub key: Digest,
    /// Counts, to be re-derived by whoever doubts them.
    pub counts: Counts,
    /// As in the opening.
    pub simulated: Option<f64>,
    /// Format 2: the sealings before the last one, in order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier: Option<Vec<Unsealed>>,
    /// Format 2, where the sitting is locked: the [proof](super::lock) that the passphrase was at hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proof: Option<Digest>,
    /// Format 2: the register's head when the sitting was closed, before its closing was entered there: SHA-256 of the last
    /// line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub register: Option<Digest>,
    /// Format 2: how many sittings the register had announced by then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sittings: Option<u64>,
    /// Format 2, where the panel asks for it and a key was made: what was drawn once for the whole sitting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawn: Option<DrawnOnce>,
}

impl Closing {
    /// Secret and key of every sealing, in order.
    pub fn opened(&self) -> Vec<Unsealed> {
        let last = Unsealed { secret: self.secret, key: self.key };
        self.earlier.iter().flatten().copied().chain([last]).collect()
    }
}

/// A sealing that was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unsealed {
    /// Its secret, 64 hex digits.
    pub secret: Digest,
    /// The key that secret and hands give.
    pub key: Digest,
}

/// A sitting of the claimant that stood in the folder when another one was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EarlierSitting {
    /// Its commitment.
    pub commitment: Digest,
    /// How it ended; `null` if it was not closed, or its journal could not be read.
    pub outcome: Option<Outcome>,
    /// Its counted answers, of all comparisons together; none before the closing.
    pub counted: Tally,
}
