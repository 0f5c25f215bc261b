//! The forced-choice protocols and what a guesser achieves in each.

use serde::{Deserialize, Serialize};

/// A forced-choice protocol. The name is the one used in `session.toml`, journals and JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// A and B are known, X is one of them: which?
    Abx,
    /// One reference, then two: which one is the reference? (ISO 10399)
    DuoTrio,
    /// Three, two of them alike: which is the odd one? (ISO 4120)
    Triangle,
    /// Four, two of each: which two belong together? (specified tetrad pairs them into two groups of two)
    Tetrad,
    /// Two, differing in a named attribute: which has more of it? (ISO 5495)
    TwoAfc,
    /// Two: which is preferred? (two-sided, no right answer)
    Preference,
}

impl Protocol {
    /// Every protocol, in the order of the documentation.
    pub const ALL: [Self; 6] =
        [Self::Abx, Self::DuoTrio, Self::Triangle, Self::Tetrad, Self::TwoAfc, Self::Preference];

    /// The name in files and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Abx => "abx",
            Self::DuoTrio => "duo-trio",
            Self::Triangle => "triangle",
            Self::Tetrad => "tetrad",
            Self::TwoAfc => "two-afc",
            Self::Preference => "preference",
        }
    }

    /// The protocol with this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|protocol| protocol.name() == name)
    }

    /// Probability that a guesser is right in one trial.
    pub fn chance(self) -> f64 {
        match self {
            Self::Triangle | Self::Tetrad => 1.0 / 3.0,
            Self::Abx | Self::DuoTrio | Self::TwoAfc | Self::Preference => 0.5,
        }
    }
}

impl std::fmt::Display for Protocol {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(self.name())
    }
}
