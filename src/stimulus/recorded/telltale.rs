//! What could tell two recordings apart though no cable makes it: facts that a sitting publishes at its opening.

use serde::{Deserialize, Serialize};

use super::super::marks::{Mark, Usual};
use super::pair::{NOISE_APART_DB, RecordedPair};
use crate::units::printed::rounded;

/// What was found between the recordings of one comparison on one clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordedFacts {
    /// What marks were looked for against; `null` where nothing was there to hold them against, so that nobody looked.
    pub marks_against: Option<Usual>,
    /// What was found.
    pub found: Vec<Telltale>,
}

/// Something that could tell a listener which recording is played. Sizes are rounded as they are printed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Telltale {
    /// What neither a filter nor repeating the recording explains: a tone, a hiss, a click, an echo, a code in the level.
    Mark(MarkFacts),
    /// The same between side A and side A recorded again.
    MarkOfRepeat(MarkFacts),
    /// Side A's noise is so much louder than side B's, where it differs most.
    Noise {
        /// By how many dB; negative where side B's is louder.
        by_db: f64,
        /// Middle of that band in Hz.
        at_hz: f64,
    },
    /// The samples lie on steps of different bit depths.
    BitDepth {
        /// Bits of side A; `null` where it needs more than 24.
        a: Option<u32>,
        /// Bits of side B.
        b: Option<u32>,
    },
    /// A switch between the two could click.
    Offset {
        /// DC offset of A over that of B, full scale 1.
        offset: f64,
    },
    /// The recorded difference is not the one that the circuit predicts.
    Circuit {
        /// By how many dB on the average.
        off_db: f64,
        /// The most beside that in a band, in dB.
        shape_db: f64,
        /// Middle of that band in Hz.
        at_hz: f64,
    },
}

/// A [`Mark`], as it is published.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkFacts {
    /// By how much it is stronger than what is usual, in dB.
    pub over_db: f64,
    /// Its level relative to the clip's strongest band, in dB.
    pub level_db: f64,
    /// Middle of its band in Hz.
    pub at_hz: f64,
    /// Where it is strongest in seconds into the clip; `null` where it is told by its average alone.
    pub at_s: Option<f64>,
    /// Share of the clip in which it was found.
    pub share: f64,
}

impl From<Mark> for MarkFacts {
    fn from(mark: Mark) -> Self {
        Self {
            over_db: rounded(mark.over_db, 0),
            level_db: rounded(mark.level_db, 0),
            at_hz: rounded(mark.at_hz, 0),
            at_s: mark.at_s.map(|at| rounded(at, 2)),
            share: rounded(mark.share, 2),
        }
    }
}

impl Telltale {
    /// Every number means something.
    pub fn is_possible(&self) -> bool {
        let mark = |own: &MarkFacts| {
            [own.over_db, own.level_db, own.at_hz, own.at_s.unwrap_or(0.0)].into_iter().all(f64::is_finite)
                && (0.0..=1.0).contains(&own.share)
        };
        match self {
            Self::Mark(own) | Self::MarkOfRepeat(own) => mark(own),
            Self::Noise { by_db, at_hz } => by_db.is_finite() && at_hz.is_finite(),
            Self::BitDepth { a, b } => a != b,
            Self::Offset { offset } => offset.is_finite(),
            Self::Circuit { off_db, shape_db, at_hz } => {
                [off_db, shape_db, at_hz].into_iter().all(|own| own.is_finite())
            }
        }
    }
}

impl RecordedPair {
    /// What a sitting publishes of them.
    pub fn facts(&self) -> RecordedFacts {
        let mut found: Vec<Telltale> = Vec::new();
        found.extend(self.mark.map(|mark| Telltale::Mark(mark.into())));
        found.extend(self.mark_of_repeat.map(|mark| Telltale::MarkOfRepeat(mark.into())));
        let noise = self.noise_apart.filter(|(apart, _)| apart.abs() > NOISE_APART_DB);
        found.extend(
            noise
                .map(|(by_db, at_hz)| Telltale::Noise { by_db: rounded(by_db, 1), at_hz: rounded(at_hz, 0) }),
        );
        found.extend(self.grains.map(|[a, b]| Telltale::BitDepth { a, b }));
        found.extend(self.offset.map(|offset| Telltale::Offset { offset: rounded(offset, 4) }));
        let apart = self.apart().filter(|(mean, shape, _)| Self::is_apart(*mean) || Self::is_apart(*shape));
        found.extend(apart.map(|(off_db, shape_db, at_hz)| Telltale::Circuit {
            off_db: rounded(off_db, 2),
            shape_db: rounded(shape_db, 2),
            at_hz: rounded(at_hz, 0),
        }));
        RecordedFacts { marks_against: self.marks_against, found }
    }
}
