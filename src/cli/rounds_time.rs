//! How long the rounds of real cables take, on paper: for `check` and `plan`.

use serde_json::{Value, json};

use super::Failure;
use crate::clip::OpenClip;
use crate::conduct::listening::presented_ms;
use crate::session::{Session, Stopping};
use crate::trial::{Part, Terms, rounds};
use crate::units::printed;

/// A sitting with one round for each trial, without rests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RoundsTime {
    /// Presentations of a round of the counted trials, silent ones too.
    presentations: usize,
    /// Seconds of such a round, on the average.
    round_s: f64,
    /// Trials of the sitting, warm-up, qualification and controls too.
    trials: u64,
    /// Seconds of all of them.
    sitting_s: f64,
    /// The sitting may end before its last trial: a rule decides, or a threshold is known well enough.
    may_end_early: bool,
}

impl RoundsTime {
    /// Of a session with a switch; `None` of others.
    ///
    /// # Errors
    /// A clip cannot be read.
    pub(super) fn of(session: &Session) -> Result<Option<Self>, Failure> {
        let Some(switcher) = &session.switcher else { return Ok(None) };
        let terms = Terms::of(session);
        let mut clips_ms = Vec::new();
        for clip in session.comparisons.iter().flat_map(|comparison| &comparison.clips) {
            let clip = OpenClip::open(&session.clips[*clip].source).map_err(Failure::bad)?;
            clips_ms.push(presented_ms((1000.0 * clip.info().seconds()) as u64) as f64);
        }
        let clip_ms = clips_ms.iter().sum::<f64>() / clips_ms.len().max(1) as f64;
        let steps_ms = (switcher.apart_ms + switcher.settle_ms) as f64 + switcher.spread_ms as f64 / 2.0;
        let presentation_s = (steps_ms + clip_ms) / 1000.0;
        let presentations = |part| rounds::connections(&terms, part).map_or(0, |[a, b]| a + b);
        let controls: u64 = terms.controls.iter().map(|control| u64::from(control.trials)).sum();
        let parts = [
            (Part::Qualification, terms.qualification.map_or(0, |own| u64::from(own.trials))),
            (Part::WarmUp, u64::from(terms.warm_up)),
            (Part::Main, u64::from(terms.trials) * terms.comparisons.len() as u64 + controls),
        ];
        let all = parts.iter().map(|(part, trials)| presentations(*part) as u64 * trials).sum::<u64>();
        Ok(Some(Self {
            presentations: presentations(Part::Main),
            round_s: presentations(Part::Main) as f64 * presentation_s,
            trials: parts.iter().map(|(_, trials)| trials).sum(),
            sitting_s: all as f64 * presentation_s,
            may_end_early: matches!(session.stopping, Stopping::Sequential { .. })
                || session.threshold.is_some_and(|threshold| threshold.narrow_enough.is_some()),
        }))
    }

    /// For people.
    pub(super) fn words(self) -> String {
        let (most, about_most) =
            if self.may_end_early { ("at most ", "at most about") } else { ("", "about") };
        format!(
            "a round has {} and takes about {}. With one for each of {most}{}: {about_most} {}, rests not counted. Shorter clips \
             shorten it.",
            printed::count(self.presentations as u64, "presentation"),
            about(self.round_s),
            printed::count(self.trials, "trial"),
            about(self.sitting_s)
        )
    }

    /// The same as JSON.
    pub(super) fn document(own: Option<Self>) -> Value {
        own.map_or(Value::Null, |own| {
            json!({
                "presentations": own.presentations,
                "round_s": own.round_s,
                "trials": own.trials,
                "sitting_s": own.sitting_s,
                "may_end_early": own.may_end_early,
            })
        })
    }
}

/// Seconds, or minutes where there are many.
fn about(seconds: f64) -> String {
    if seconds < 90.0 { printed::fixed(seconds, 0, "s") } else { printed::fixed(seconds / 60.0, 0, "min") }
}
