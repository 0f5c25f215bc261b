//! What the circuit, the clips and a listener's yardstick say, for whoever has the session and not only the journals.

use super::yardstick::{Yardstick, yardsticks};
use crate::hearing::{Ears, Summary};
use crate::session::Session;
use crate::stimulus::on_paper::SizesOnPaper;

/// What the circuit and the clips say of a session's comparisons, on paper.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OnPaper {
    /// Difference in level in dB, A minus B, by comparison, where it can be computed.
    pub level_db: Vec<Option<f64>>,
    /// Largest difference as it is played and what is unknown about it (95 %), in dB, by comparison, where that is known.
    pub known_db: Vec<Option<(f64, f64)>>,
    /// What the sizes of a threshold are, by comparison, where one is looked for.
    pub sizes: Vec<Option<SizesOnPaper>>,
    /// Smallest steps of listeners, found in a session of their own.
    pub yardsticks: Vec<Yardstick>,
    /// Largest difference in dB, 20 Hz to 20 kHz, by comparison, where yardsticks are held against it.
    pub largest_db: Vec<Option<f64>>,
    /// What could not be computed.
    pub problems: Vec<String>,
}

/// Factor by which sizes are looked at beyond both ends of the range: as far as thresholds are considered.
const BEYOND: f64 = 4.0;

impl OnPaper {
    /// Sizes and yardsticks of a session; nothing of one that has neither. Yardsticks name people: `names` says whether they
    /// may be shown.
    pub fn of(session: &Session, names: bool) -> Self {
        let mut paper = Self::default();
        if let Some(threshold) = session.threshold {
            let range = threshold.range;
            let mut sizes = range.levels();
            sizes.insert(0, range.smallest / BEYOND);
            sizes.push(range.largest * BEYOND);
            let mut ears = Ears::default();
            for comparison in &session.comparisons {
                let found = SizesOnPaper::of(session, comparison, threshold.scale, &sizes, &mut ears);
                paper.problems.extend(
                    found
                        .as_ref()
                        .err()
                        .map(|problem| format!("comparison {}: {problem}", comparison.name.as_written())),
                );
                paper.sizes.push(found.ok());
            }
        }
        if names && session.yardstick.is_some() {
            match yardsticks(session) {
                Ok(found) => paper.yardsticks = found,
                Err(problem) => paper.problems.push(problem),
            }
        }
        if !paper.yardsticks.is_empty() {
            let largest = |a: usize, b: usize| Summary::between(&session.chain(a), &session.chain(b));
            let all = session.comparisons.iter();
            paper.largest_db = all
                .map(|comparison| largest(comparison.a, comparison.b).ok().map(|summary| summary.max_abs_db))
                .collect();
        }
        paper
    }

    /// What a listener's yardsticks say next to a comparison.
    pub(super) fn of_listener(&self, listener: &str, comparison: usize) -> impl Iterator<Item = String> {
        let cables_db = self.largest_db.get(comparison).copied().flatten();
        let own = self.yardsticks.iter().filter(move |yardstick| yardstick.listener == listener);
        own.map(move |yardstick| yardstick.sentence(cables_db))
    }
}
