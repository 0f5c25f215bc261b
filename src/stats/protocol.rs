//! Every protocol in one folder: its name, what is presented and in which orders, what may be answered and which answer
//! is right, with that what a guesser achieves, and what its answers can prove.
//!
//! Comes in: nothing. Goes out: [`Protocol`], the name that files and other rooms use; its [`Definition`], data plus two
//! functions; [`Asks`], what kind of question it is, from which follow the tests, the claims, the controls and the words;
//! and [`Inquiry`], a protocol with the session's choice of one or two sides. The conductor, the screens, the journal, the
//! verifier and the statistics read nothing else.
//!
//! To add a protocol: a variant of [`Protocol`] in [`Protocol::ALL`], and its [`Definition`], all in `protocol/entries.rs`.
//! Nothing else has to be touched, unless listeners are thought to decide in a way that no psychometric [`Model`]
//! describes yet. Indices into [`Definition::orders`] are what the seal draws and positions in
//! [`Definition::alternatives`] are what votes count, so neither list ever changes for a protocol that exists.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::model::Model;

mod entries;
mod words;

pub use entries::Protocol;
pub use words::Compared;

impl Protocol {
    /// The name in files and on the command line.
    pub fn name(self) -> &'static str {
        Definition::of(self).name
    }

    /// All names, as a list to read: "abx, duo-trio, ... or a-not-a".
    pub fn names() -> String {
        let names: Vec<&str> = Self::ALL.iter().map(|protocol| protocol.name()).collect();
        names.split_last().map_or(String::new(), |(last, before)| format!("{} or {last}", before.join(", ")))
    }

    /// The protocol with this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|protocol| protocol.name() == name)
    }

    /// Probability that a guesser is right in one trial: all alternatives are equally likely to be the right one.
    pub fn chance(self) -> f64 {
        1.0 / Definition::of(self).alternatives.len() as f64
    }

    /// What kind of question it asks.
    pub fn asks(self) -> Asks {
        Definition::of(self).asks
    }

    /// Whether side A always stands in one place, where listeners can learn it.
    pub fn has_a(self) -> bool {
        let Definition { slots, orders, .. } = Definition::of(self);
        (0..slots.len()).any(|slot| orders.iter().all(|order| order[slot] == Side::A))
    }
}

impl std::fmt::Display for Protocol {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(self.name())
    }
}

/// What kind of question a protocol asks. Everything that differs between protocols beyond their presentation follows
/// from this: which tests and claims apply, what a control can show, what an answer is called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Asks {
    /// Which presentations are alike? One answer is right by what was played. Whoever hears nothing is right by chance;
    /// a score well below chance needs another explanation than "nothing heard".
    Difference,
    /// Which has more of a named attribute? Right by the session's claim, which may be the wrong way round: a score well
    /// below chance shows a difference against the claim.
    Attribute,
    /// Which is liked better? Nobody is right or wrong.
    Preference,
}

impl Asks {
    /// Whether an answer can be right or wrong.
    pub fn has_right_answer(self) -> bool {
        match self {
            Self::Difference | Self::Attribute => true,
            Self::Preference => false,
        }
    }

    /// Whether answers point to one of two sides, so that a share of answers means a lead of one side over the other.
    pub fn has_lead(self) -> bool {
        match self {
            Self::Difference => false,
            Self::Attribute | Self::Preference => true,
        }
    }
}

/// Which deviations from guessing a test looks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sides {
    /// More counted answers than a guesser gives.
    One,
    /// More or fewer: a lead of either side.
    Two,
}

impl Sides {
    /// The share of an error risk that each direction gets.
    pub fn of_risk(self, alpha: f64) -> f64 {
        match self {
            Self::One => alpha,
            Self::Two => alpha / 2.0,
        }
    }
}

/// A protocol with the direction in which its answers are tested. A bare [`Protocol`] stands for its usual direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Inquiry {
    /// The protocol.
    pub protocol: Protocol,
    /// One- or two-sided.
    pub sides: Sides,
}

impl Inquiry {
    /// An inquiry with these sides, or `None` where the protocol does not offer them: a preference is always two-sided,
    /// a difference always one-sided, an attribute either.
    pub fn new(protocol: Protocol, sides: Sides) -> Option<Self> {
        let offered = match protocol.asks() {
            Asks::Difference => sides == Sides::One,
            Asks::Attribute => true,
            Asks::Preference => sides == Sides::Two,
        };
        offered.then_some(Self { protocol, sides })
    }

    /// Whether the test is two-sided.
    pub fn two_sided(self) -> bool {
        self.sides == Sides::Two
    }

    /// Whether an answer to a counted trial can be right or wrong: not where nobody claims which side is which.
    pub fn has_right_answer(self) -> bool {
        self.protocol.asks().has_right_answer() && !self.two_sided()
    }

    /// Probability that a guesser gives a counted answer.
    pub fn chance(self) -> f64 {
        self.protocol.chance()
    }
}

impl From<Protocol> for Inquiry {
    fn from(protocol: Protocol) -> Self {
        let sides = match protocol.asks() {
            Asks::Difference | Asks::Attribute => Sides::One,
            Asks::Preference => Sides::Two,
        };
        Self { protocol, sides }
    }
}

/// One of the two things that a comparison compares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Side A.
    A,
    /// Side B.
    B,
}

/// Something that the listener can switch to in a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot {
    /// What it is called on screens and in journals, such as `X`; also its key.
    pub label: &'static str,
    /// What it is, in a word or two for the listener; may be empty.
    pub role: &'static str,
    /// Must have been heard before an answer is taken.
    pub must_hear: bool,
}

/// Something that may be answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Alternative {
    /// What the journal holds.
    pub name: &'static str,
    /// What screens say; `{attribute}` stands for the session's attribute.
    label: &'static str,
}

impl Alternative {
    /// What screens say, with the session's attribute in it.
    pub fn label(&self, attribute: Option<&str>) -> Cow<'static, str> {
        with_attribute(self.label, attribute)
    }
}

/// A text with the session's attribute in place of `{attribute}`.
fn with_attribute(text: &'static str, attribute: Option<&str>) -> Cow<'static, str> {
    if text.contains("{attribute}") {
        Cow::Owned(text.replace("{attribute}", attribute.unwrap_or("more pronounced")))
    } else {
        Cow::Borrowed(text)
    }
}

/// A protocol as data. The index of a presentation order in [`Definition::orders`] is what the seal draws, each with
/// equal probability; the list is part of the format and never changes for a protocol.
#[derive(Debug, Clone, Copy)]
pub struct Definition {
    /// Which protocol.
    pub protocol: Protocol,
    /// Its name in files and on the command line.
    pub name: &'static str,
    /// Its name as people say it.
    pub title: &'static str,
    /// What kind of question it is.
    pub asks: Asks,
    /// What is asked; `{attribute}` stands for the session's attribute.
    question: &'static str,
    /// What can be listened to.
    pub slots: &'static [Slot],
    /// What may be answered.
    pub alternatives: &'static [Alternative],
    /// Presentation orders: the side in each slot.
    pub orders: &'static [&'static [Side]],
    /// How a listener is thought to decide, unless another model is asked for. For ABX that is differencing: what
    /// listeners who compare X with A and X with B do, and the one under which the same score means the larger d-prime.
    pub model: Model,
    /// Index of the right alternative for an order; the second argument is the side that has more of the attribute
    /// by claim (2-AFC only). `None`: the protocol has no right answer.
    right: fn(&[Side], Side) -> Option<usize>,
    /// The side that an alternative points to in an order, for response bias and preferences; `None` where an
    /// alternative is not about a side.
    chosen: fn(&[Side], usize) -> Option<Side>,
}

impl Definition {
    /// The definition of a protocol.
    pub fn of(protocol: Protocol) -> &'static Self {
        entries::of(protocol)
    }

    /// Index of the right alternative for the order with this index; `None` where there is no right answer.
    pub fn right(&self, order: usize, more: Side) -> Option<usize> {
        self.orders.get(order).and_then(|sides| (self.right)(sides, more))
    }

    /// The side that an alternative points to in the order with this index.
    pub fn chosen(&self, order: usize, alternative: usize) -> Option<Side> {
        self.orders.get(order).and_then(|sides| (self.chosen)(sides, alternative))
    }

    /// Index of the alternative with this journal name.
    pub fn alternative(&self, name: &str) -> Option<usize> {
        self.alternatives.iter().position(|alternative| alternative.name == name)
    }

    /// The question with the session's attribute in it.
    pub fn question(&self, attribute: Option<&str>) -> String {
        with_attribute(self.question, attribute).into_owned()
    }

    /// Labels of the slots that must be heard before an answer is taken, in the order of the slots.
    pub fn asked_about(&self) -> impl Iterator<Item = &'static str> {
        self.slots.iter().filter(|slot| slot.must_hear).map(|slot| slot.label)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_order_fills_every_slot_and_alternatives_are_equally_likely() {
        for protocol in Protocol::ALL {
            let definition = Definition::of(protocol);
            assert_eq!(definition.protocol, protocol);
            let mut right = vec![0_u32; definition.alternatives.len()];
            for (index, order) in definition.orders.iter().enumerate() {
                assert_eq!(order.len(), definition.slots.len(), "{protocol}");
                if let Some(answer) = definition.right(index, Side::A) {
                    right[answer] += 1;
                }
            }
            // Each side is heard, and each slot does not always hold the same side unless it is the reference.
            assert!(definition.orders.concat().contains(&Side::A), "{protocol}");
            assert!(definition.orders.concat().contains(&Side::B), "{protocol}");
            if definition.asks.has_right_answer() {
                assert!(right.iter().all(|&count| count == right[0] && count > 0), "{protocol}: {right:?}");
            } else {
                assert!(right.iter().all(|&count| count == 0));
            }
            assert!(
                definition.asked_about().next().is_some(),
                "{protocol} asks about something that is heard"
            );
            assert_eq!(definition.model.chance(), protocol.chance(), "{protocol}");
            assert_eq!(serde_json::to_value(protocol).ok(), Some(definition.name.into()), "{protocol}");
            assert_eq!(Protocol::from_name(definition.name), Some(protocol));
        }
    }
}
