//! Who won a wager: one rule for every surface, and the facts that it needs in each opening.
//!
//! Only the claimant's own sittings decide, heard by a person and ended by their rule, and only those that were agreed on
//! before: the first, or the first so many together. Whoever could sit again until it fits would win too often: of
//! guessers with five tries and a risk of 3.84 % each time (12 of 16), 17.8 % get there.

use super::closing::{Decision, EarlierSitting};
use super::protocol::Side;
use super::record::{Opening, Outcome, WagerTerms};
use crate::session::same_person;
use crate::stats::tally::Tally;

/// Who won, by one sitting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settlement {
    /// The claimant reached what was agreed on.
    Claimant,
    /// The claimant did not.
    Skeptic,
    /// Nobody, by this sitting.
    Nobody(Why),
}

/// Why a sitting decides nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// A preference is neither right nor wrong.
    Preference,
    /// Somebody else sat.
    NotTheClaimant,
    /// No person sat.
    Simulated,
    /// Nothing could be heard.
    Silent,
    /// It was stopped before its rule allowed.
    Stopped,
    /// Its qualification was not passed.
    NotQualified,
    /// Its sequential rule came to no decision.
    Undecided,
    /// It came after those that decide.
    Later {
        /// Which sitting of the claimant it is.
        this: u32,
        /// How many decide.
        of: u32,
    },
    /// Others that decide with it are still to come.
    MoreToCome {
        /// Which sitting of the claimant it is.
        this: u32,
        /// How many decide.
        of: u32,
    },
    /// One of the earlier ones that decide with it was not ended by its rule.
    EarlierOpen,
    /// What it says of the earlier ones does not fit their journals.
    Contradicted,
}

/// What a sitting that was closed came to.
#[derive(Debug, Clone, Copy)]
pub struct Ended<'e> {
    /// Its opening.
    pub opening: &'e Opening,
    /// Nobody could hear anything, at least for a part of it.
    pub silent: bool,
    /// How it ended.
    pub outcome: Outcome,
    /// Counts by comparison.
    pub comparisons: &'e [Tally],
    /// What a sequential rule said of each comparison; empty without one.
    pub decisions: &'e [Decision],
}

/// What a sitting means for its wager, before it is held: which one it is, and what the earlier ones were. `earlier` are
/// those of the claimant; `None` for a sitting that the wager does not look at.
pub fn standing(wager: &WagerTerms, listener: &str, earlier: Option<&[EarlierSitting]>) -> Vec<String> {
    let claimant = &wager.claimant;
    let Some(earlier) = earlier else {
        return vec![if same_person(listener, claimant) {
            "This sitting decides nothing of the wager: nobody hears anything.".to_owned()
        } else {
            format!("This sitting decides nothing of the wager: only {claimant}'s own sittings do.")
        }];
    };
    let (this, of) = (earlier.len() + 1, wager.deciding().sittings() as usize);
    let mut lines = vec![match of {
        1 if this == 1 => {
            format!("This is {claimant}'s first sitting. It decides the wager, and no later one does.")
        }
        1 => format!(
            "This is sitting {this} of {claimant}. Only the first decides the wager: this one decides nothing."
        ),
        of if this > of => {
            format!(
                "This is sitting {this} of {claimant}. Only the first {of} decide the wager: this one decides nothing."
            )
        }
        of => format!("This is sitting {this} of the {of} of {claimant} that decide the wager together."),
    }];
    for (number, one) in earlier.iter().enumerate() {
        let came_to = match one.outcome {
            None => "not finished".to_owned(),
            Some(Outcome::StoppedEarly) => "stopped before its end".to_owned(),
            Some(Outcome::NotQualified) => "qualification not passed".to_owned(),
            Some(_) => format!("{} of {} right", one.counted.correct, one.counted.trials),
        };
        lines.push(format!("Sitting {}: {came_to}.", number + 1));
    }
    lines
}

impl Ended<'_> {
    /// Who won by this sitting; `None` without a wager. `seen` is how many earlier sittings of the claimant are known from
    /// elsewhere: an opening that tells of fewer is not believed.
    pub fn settle(&self, seen: u32) -> Option<Settlement> {
        let wager = self.opening.terms.wager.as_ref()?;
        let nobody = |why| Some(Settlement::Nobody(why));
        // In a two-sided test the wager has to name a side.
        if self.opening.terms.inquiry().two_sided() && wager.side.is_none() {
            return nobody(Why::Preference);
        }
        if self.opening.simulated.is_some() {
            return nobody(Why::Simulated);
        }
        if !self.opening.is_claimants(wager) {
            return nobody(Why::NotTheClaimant);
        }
        if self.silent {
            return nobody(Why::Silent);
        }
        let deciding = wager.deciding();
        let earlier = self.opening.earlier.as_deref().unwrap_or_default();
        let this = (earlier.len() as u32).max(seen).saturating_add(1);
        let of = deciding.sittings();
        if this > of {
            return nobody(Why::Later { this, of });
        }
        match self.outcome {
            Outcome::StoppedEarly => nobody(Why::Stopped),
            Outcome::NotQualified => nobody(Why::NotQualified),
            Outcome::AllTrials if !self.decisions.is_empty() => nobody(Why::Undecided),
            Outcome::Sequential => Some(won(self.decisions.iter().all(|&one| one == Decision::Difference))),
            Outcome::AllTrials if this < of => nobody(Why::MoreToCome { this, of }),
            Outcome::AllTrials if earlier.iter().any(|one| one.outcome != Some(Outcome::AllTrials)) => {
                nobody(Why::EarlierOpen)
            }
            Outcome::AllTrials => {
                let sum: Tally = self.comparisons.iter().chain(earlier.iter().map(|one| &one.counted)).sum();
                let score = match wager.side {
                    // Answers for side B are counted.
                    Some(Side::A) => sum.trials.saturating_sub(sum.correct),
                    Some(Side::B) | None => sum.correct,
                };
                Some(won(score >= u64::from(wager.needed)))
            }
        }
    }
}

fn won(claimant: bool) -> Settlement {
    if claimant { Settlement::Claimant } else { Settlement::Skeptic }
}

impl Settlement {
    /// `Some(true)`: the claimant; `Some(false)`: the skeptic.
    pub fn claimant_won(self) -> Option<bool> {
        match self {
            Self::Claimant => Some(true),
            Self::Skeptic => Some(false),
            Self::Nobody(_) => None,
        }
    }

    /// In a sentence, with the names and words of the wager.
    pub fn sentence(self, wager: &WagerTerms) -> String {
        let why = match self {
            Self::Claimant => return format!("{} wins: {}", wager.claimant, wager.claimant_wins),
            Self::Skeptic => return format!("{} wins: {}", wager.skeptic, wager.skeptic_wins),
            Self::Nobody(why) => why,
        };
        let reason = match why {
            Why::Preference => "a preference is neither right nor wrong".to_owned(),
            Why::NotTheClaimant => format!("only {}'s own sittings decide the wager", wager.claimant),
            Why::Simulated => "no person listened".to_owned(),
            Why::Silent => "nothing was played that could be heard".to_owned(),
            Why::Stopped => "the sitting was stopped before its end".to_owned(),
            Why::NotQualified => "the qualification was not passed".to_owned(),
            Why::Undecided => "the sequential rule came to no decision".to_owned(),
            Why::Later { this, of: 1 } => {
                format!("this is sitting {this} of {}, and only the first decides", wager.claimant)
            }
            Why::Later { this, of } => {
                format!("this is sitting {this} of {}, and only the first {of} decide", wager.claimant)
            }
            Why::MoreToCome { this, of } => {
                return format!("Not decided yet: this is sitting {this} of {of} that decide together");
            }
            Why::Contradicted => {
                "what it says of the earlier sittings does not fit their journals".to_owned()
            }
            Why::EarlierOpen => "an earlier sitting that decides with it was not finished".to_owned(),
        };
        format!("Nobody wins by this sitting: {reason}")
    }
}
