//! What the circuit, the clips and a listener's yardstick say, for whoever has the session and not only the journals.

use super::yardstick::Yardstick;
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

impl OnPaper {
    /// What a listener's yardsticks say next to a comparison.
    pub(super) fn of_listener(&self, listener: &str, comparison: usize) -> impl Iterator<Item = String> {
        let cables_db = self.largest_db.get(comparison).copied().flatten();
        let own = self.yardsticks.iter().filter(move |yardstick| yardstick.listener == listener);
        own.map(move |yardstick| yardstick.sentence(cables_db))
    }
}
