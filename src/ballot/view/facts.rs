//! What pages are told of a trial, of a seat and of the round of open ears.

use serde::{Deserialize, Serialize};

use crate::ballot::night::{Ears, LinkAsked};
use crate::trial::hands::Asked;
use crate::trial::record::ComparisonTerms;
use crate::trial::{Demonstration, Digest, Part, Side};

/// The caution that stands on every listener's page.
pub const CAUTION: &str = "The level is set low first and then left alone. If anything is too loud for you, say so or \
    leave the room. Loud sound over time damages hearing; rest at least every twenty minutes.";

/// Whether a trial of a night counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NightPart {
    /// It is a warm-up.
    #[default]
    Practice,
    /// It counts.
    Main,
}

impl NightPart {
    /// Of an attempt's part.
    pub fn of(part: Part) -> Self {
        match part {
            Part::Main => Self::Main,
            Part::WarmUp | Part::Qualification => Self::Practice,
        }
    }

    /// What people say before the trial's number.
    pub fn title(self) -> &'static str {
        match self {
            Self::Practice => "Warm-up",
            Self::Main => "Trial",
        }
    }
}

/// A trial as everybody may know it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TrialFacts {
    /// Name of the attempt, such as `main-3-1`.
    pub id: String,
    /// Whether it counts.
    pub part: NightPart,
    /// Number within the part.
    pub number: u32,
    /// Trials in the part.
    pub of: u32,
    /// Name of the protocol.
    pub protocol: &'static str,
    /// What is asked about, where the protocol asks for an attribute.
    pub attribute: Option<String>,
    /// What is asked, in English.
    pub question: String,
    /// What is heard, in order.
    pub slots: Vec<&'static str>,
    /// What may be answered.
    pub alternatives: Vec<Choice>,
}

impl TrialFacts {
    /// As people say it: `Trial 3 of 12`.
    pub fn name(&self) -> String {
        format!("{} {} of {}", self.part.title(), self.number, self.of)
    }
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AskedFacts {
    /// Name of the protocol.
    pub protocol: &'static str,
    /// What is asked about, where the protocol asks for an attribute.
    pub attribute: Option<String>,
    /// The question in English.
    pub question: String,
}

/// What the room hears by name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct EarsFacts {
    /// What: `sides`, `level-step`, `practice`.
    pub shown: Demonstration,
    /// What stands for each slot.
    pub slots: &'static [&'static str],
    /// Name of side A.
    pub a: String,
    /// Name of side B.
    pub b: String,
    /// What the practice ended with, once it is told: `A` or `B`.
    pub told: Option<&'static str>,
    /// The same in an English sentence, for a terminal.
    pub said: String,
}

impl EarsFacts {
    pub(super) fn of(ears: &Ears, compared: &ComparisonTerms) -> Self {
        let told = ears.told.then_some(if ears.asked == Side::A { "A" } else { "B" });
        let (a, b) = (compared.a.clone(), compared.b.clone());
        let said = match (told, ears.shown) {
            (Some(slot), _) => format!("It was {slot}: {}", if slot == "A" { &a } else { &b }),
            (None, Demonstration::Sides) => format!("A is {a}, B is {b}"),
            (None, Demonstration::LevelStep) => "The same sound, then 1 dB softer".to_owned(),
            (None, Demonstration::Practice) => "Try it: is the last one A or B?".to_owned(),
        };
        Self { shown: ears.shown, slots: ears.labels(), a, b, told, said }
    }
}

/// Something that may be answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Choice {
    /// What is sent.
    pub name: &'static str,
    /// What is shown.
    pub label: std::borrow::Cow<'static, str>,
}

/// A digest as digits and as words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// 64 hex digits.
    pub hex: String,
    /// Words to read aloud and to write down.
    pub words: String,
}

impl Shown {
    /// Both forms of a digest.
    pub fn of(digest: Digest) -> Self {
        Self { hex: digest.hex(), words: digest.in_words() }
    }
}

/// A vote as its own listener sees it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OwnVote {
    /// Name of the alternative.
    pub answer: String,
    /// Its receipt, in words.
    pub receipt: String,
    /// Its receipt, as digits.
    pub hex: String,
}

/// A seat as the server needs it between two steps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeatFacts {
    /// Name.
    pub alias: String,
    /// Has left.
    pub left: bool,
    /// Votes on paper.
    pub paper: bool,
    /// Holder.
    pub generation: u32,
    /// Votes so far.
    pub sequence: u64,
    /// What its phone has to do with its hand.
    pub hand: Asked,
    /// And with its chain of links; which one it gave last.
    pub link: (LinkAsked, Option<Digest>),
    /// The answer in the trial that is on, and its receipt.
    pub vote: Option<(&'static str, Digest)>,
}
