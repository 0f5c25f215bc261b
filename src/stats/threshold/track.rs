//! One comparison's run of sizes: the answers so far decide the next one, by either method.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::grid::{Grid, LEVELS};
use super::posterior::Posterior;
use super::staircase::{Rule, Staircase};

/// How the next size is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Method {
    /// The one whose answer leaves the least expected entropy of the threshold.
    Bayes,
    /// An up-down rule.
    Staircase {
        /// Which.
        rule: Rule,
    },
    /// Fixed sizes from the largest down, then over again: whatever is answered. The only one for a room.
    Ladder {
        /// How many, 2 to 19, evenly spread over the levels.
        steps: u32,
    },
}

/// Most steps of a ladder.
pub const MOST_STEPS: u32 = LEVELS as u32;

/// The level of a ladder's trial, counted from 0.
pub fn rung(steps: u32, trial: usize) -> usize {
    let steps = steps.clamp(2, MOST_STEPS) as usize;
    let from_top = trial % steps;
    (((steps - 1 - from_top) * (LEVELS - 1)) as f64 / (steps - 1) as f64).round() as usize
}

/// The answers of one comparison so far, and the next size.
#[derive(Debug, Clone)]
pub struct Track {
    posterior: Posterior,
    staircase: Option<Staircase>,
    ladder: Option<u32>,
    presented: usize,
    next: usize,
}

impl Track {
    /// Before the first trial.
    pub fn new(grid: &Arc<Grid>, method: Method) -> Self {
        let posterior = Posterior::new(grid);
        let staircase = match method {
            Method::Bayes | Method::Ladder { .. } => None,
            Method::Staircase { rule } => Some(Staircase::new(rule, grid.chance())),
        };
        let ladder = match method {
            Method::Ladder { steps } => Some(steps),
            Method::Bayes | Method::Staircase { .. } => None,
        };
        let mut track = Self { posterior, staircase, ladder, presented: 0, next: 0 };
        track.choose();
        track
    }

    fn choose(&mut self) {
        self.next = match (&self.staircase, self.ladder) {
            (Some(staircase), _) => staircase.level(),
            (None, Some(steps)) => rung(steps, self.presented),
            (None, None) => self.posterior.place(),
        };
    }

    /// The level of the next trial.
    pub fn next(&self) -> usize {
        self.next
    }

    /// Goes on without an answer: a room's votes decide nothing.
    pub fn pass(&mut self) {
        self.presented += 1;
        self.choose();
    }

    /// Takes the answer at the next trial's level.
    pub fn answer(&mut self, right: bool) {
        self.presented += 1;
        self.posterior.answer(self.next, right);
        if let Some(staircase) = &mut self.staircase {
            staircase.answer(right);
        }
        self.choose();
    }

    /// What the answers say so far, whichever method chose the sizes.
    pub fn posterior(&self) -> &Posterior {
        &self.posterior
    }

    /// Whether the 95 % interval is no wider than this ratio of its bounds.
    pub fn narrow(&self, ratio: f64) -> bool {
        let found = self.posterior.confidence();
        found.upper <= ratio * found.lower
    }
}
