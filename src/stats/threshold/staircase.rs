//! The classical up-down rules, on the same sizes as the Bayesian method.
//!
//! Sources: Levitt 1971, Journal of the Acoustical Society of America 49:467 (so many right in a row go down, one wrong goes
//! up); Kaernbach 1991, Perception & Psychophysics 49:227 (weighted: one right goes down, one wrong goes further up).

use serde::{Deserialize, Serialize};

use super::grid::LEVELS;

/// When a staircase goes down and how far it goes up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// One step down after each right answer, and as many up after a wrong one as make half-heard sizes the balance: 3
    /// where a guesser is right in every second trial, 2 where in every third.
    Weighted,
    /// One step down after two right answers in a row, one up after a wrong one: balance at 70.7 % right.
    TwoDown,
    /// The same with three: 79.4 % right.
    ThreeDown,
}

impl Rule {
    /// All.
    pub const ALL: [Self; 3] = [Self::Weighted, Self::TwoDown, Self::ThreeDown];

    /// The name in `session.toml`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Weighted => "weighted",
            Self::TwoDown => "two-down",
            Self::ThreeDown => "three-down",
        }
    }

    /// Right answers in a row that go down one step.
    fn down_after(self) -> u32 {
        match self {
            Self::Weighted => 1,
            Self::TwoDown => 2,
            Self::ThreeDown => 3,
        }
    }

    /// Steps up after a wrong answer.
    fn up(self, chance: f64) -> usize {
        match self {
            // p / (1 - p) with p half-way between chance and certainty.
            Self::Weighted => ((1.0 + chance) / (1.0 - chance)).round() as usize,
            Self::TwoDown | Self::ThreeDown => 1,
        }
    }
}

/// A staircase over the levels of a grid. It starts at the top, where it is easy, and goes in double steps until the first
/// wrong answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Staircase {
    rule: Rule,
    up: usize,
    level: usize,
    in_a_row: u32,
    coarse: bool,
}

impl Staircase {
    /// At the top.
    pub fn new(rule: Rule, chance: f64) -> Self {
        Self { rule, up: rule.up(chance), level: LEVELS - 1, in_a_row: 0, coarse: true }
    }

    /// The level of the next trial.
    pub fn level(&self) -> usize {
        self.level
    }

    /// Takes an answer at its level.
    pub fn answer(&mut self, right: bool) {
        if right {
            self.in_a_row += 1;
            if self.in_a_row == self.rule.down_after() {
                self.in_a_row = 0;
                let step = if self.coarse { 2 } else { 1 };
                self.level = self.level.saturating_sub(step);
            }
        } else {
            self.in_a_row = 0;
            self.coarse = false;
            self.level = (self.level + self.up).min(LEVELS - 1);
        }
    }
}
