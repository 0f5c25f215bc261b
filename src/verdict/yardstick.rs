//! A listener's own smallest step, found in a session of its own, next to what the cables differ by.

use crate::evidence::Basis;
use crate::session::Scale;
use crate::stats::threshold::summary::{Estimate, Place};
use crate::units::printed;

/// A smallest step that a listener hears.
#[derive(Debug, Clone, PartialEq)]
pub struct Yardstick {
    /// Name of the listener, as reports show it.
    pub listener: String,
    /// [`Scale::Level`] or [`Scale::Tilt`].
    pub scale: Scale,
    /// Clips on which it was found.
    pub clips: Vec<String>,
    /// The step that is heard in every second trial, in dB.
    pub step_db: Estimate,
    /// Where it lies to the steps that were presented.
    pub place: Place,
    /// Nobody heard anything: a program answered, or nothing was played aloud.
    pub basis: Basis,
}

impl Yardstick {
    /// What was found, next to the largest difference of the cables in dB.
    pub fn sentence(&self, cables_db: Option<f64>) -> String {
        let what = if self.scale == Scale::Tilt { "tilts" } else { "steps in level" };
        let step = |size: f64| self.scale.words(size);
        let Estimate { estimate, lower, upper } = self.step_db;
        let heard = match self.place {
            Place::Within => format!(
                "hears {what} of {} in every second trial ({} to {}, with 95 % confidence)",
                step(estimate),
                step(lower),
                step(upper)
            ),
            Place::AboveLargest { bound } => {
                format!("needs {what} above {} to hear every second one, with 95 % confidence", step(bound))
            }
            Place::BelowSmallest { bound } => {
                format!("hears {what} below {} in every second trial, with 95 % confidence", step(bound))
            }
        };
        let simulated = match self.basis {
            Basis::Simulated => " A program answered in that test, so it says nothing about a person.",
            Basis::Silent => " Nothing was played aloud in that test, so it says nothing about a person.",
            Basis::Listening | Basis::Nothing => "",
        };
        let cables = cables_db.map_or_else(String::new, |db| {
            format!("; the cables differ by {db} at most", db = printed::decibels(db.max(0.0)))
        });
        format!("The yardstick: {} {heard} on {}{cables}.{simulated}", self.listener, self.clips.join(", "))
    }
}
