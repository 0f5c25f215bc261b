//! Every protocol in one file: its name, what is presented and in which orders, what may be answered and which answer is
//! right, and with that what a guesser achieves.
//!
//! Comes in: nothing. Goes out: [`Protocol`], the name that files and other rooms use, and its [`Definition`], data plus
//! two functions. The conductor, the screens, the journal, the verifier and the statistics read nothing else.
//!
//! To add a protocol: a variant of [`Protocol`] in [`Protocol::ALL`], and its [`Definition`]. Nothing else has to be
//! touched, unless listeners are thought to decide in a way that no psychometric [`Model`] describes yet. Indices into
//! [`Definition::orders`] are what the seal draws and positions in [`Definition::alternatives`] are what votes count, so
//! neither list ever changes for a protocol that exists.

use serde::{Deserialize, Serialize};

use super::psychometric::Model;

/// A forced-choice protocol. The name is the one used in `session.toml`, journals and JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// A and B are known, X is one of them: which?
    Abx,
    /// One reference, then two: which one is the reference? (ISO 10399)
    DuoTrio,
    /// Three, two of them alike: which is the odd one? (ISO 4120)
    Triangle,
    /// Four, two of each: which two belong together? (specified tetrad pairs them into two groups of two)
    Tetrad,
    /// Two, differing in a named attribute: which has more of it? (ISO 5495)
    TwoAfc,
    /// Two: which is preferred? (two-sided, no right answer)
    Preference,
}

impl Protocol {
    /// Every protocol, in the order of the documentation.
    pub const ALL: [Self; 6] =
        [Self::Abx, Self::DuoTrio, Self::Triangle, Self::Tetrad, Self::TwoAfc, Self::Preference];

    /// The name in files and on the command line.
    pub fn name(self) -> &'static str {
        Definition::of(self).name
    }

    /// The protocol with this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|protocol| protocol.name() == name)
    }

    /// Probability that a guesser is right in one trial: all alternatives are equally likely to be the right one.
    pub fn chance(self) -> f64 {
        1.0 / Definition::of(self).alternatives.len() as f64
    }
}

impl std::fmt::Display for Protocol {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(self.name())
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
    /// What screens say.
    pub label: &'static str,
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
    /// What is asked; `{attribute}` stands for the session's attribute.
    pub question: &'static str,
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
        match protocol {
            Protocol::Abx => &ABX,
            Protocol::DuoTrio => &DUO_TRIO,
            Protocol::Triangle => &TRIANGLE,
            Protocol::Tetrad => &TETRAD,
            Protocol::TwoAfc => &TWO_AFC,
            Protocol::Preference => &PREFERENCE,
        }
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
        self.question.replace("{attribute}", attribute.unwrap_or("more pronounced"))
    }
}

use Side::{A, B};

const fn slot(label: &'static str, role: &'static str, must_hear: bool) -> Slot {
    Slot { label, role, must_hear }
}

const fn alternative(name: &'static str, label: &'static str) -> Alternative {
    Alternative { name, label }
}

/// A and B are known, X is one of them.
static ABX: Definition = Definition {
    protocol: Protocol::Abx,
    name: "abx",
    title: "ABX",
    question: "Is X the same as A or as B?",
    slots: &[slot("A", "side A", false), slot("B", "side B", false), slot("X", "A or B?", true)],
    alternatives: &[alternative("a", "X is A"), alternative("b", "X is B")],
    orders: &[&[A, B, A], &[A, B, B]],
    model: Model::Differencing,
    right: |sides, _| Some(usize::from(sides[2] == B)),
    chosen: |_, alternative| Some(if alternative == 0 { A } else { B }),
};

/// One reference, then two; either side may be the reference (ISO 10399, balanced reference).
static DUO_TRIO: Definition = Definition {
    protocol: Protocol::DuoTrio,
    name: "duo-trio",
    title: "duo-trio",
    question: "Which of the two is the same as the reference R?",
    slots: &[slot("R", "reference", true), slot("1", "", true), slot("2", "", true)],
    alternatives: &[alternative("1", "1 is R"), alternative("2", "2 is R")],
    orders: &[&[A, A, B], &[A, B, A], &[B, A, B], &[B, B, A]],
    model: Model::Differencing,
    right: |sides, _| Some(usize::from(sides[1] != sides[0])),
    chosen: |sides, alternative| sides.get(alternative + 1).copied(),
};

/// Three, two of them alike; six orders (ISO 4120).
static TRIANGLE: Definition = Definition {
    protocol: Protocol::Triangle,
    name: "triangle",
    title: "triangle",
    question: "Which of the three is the odd one?",
    slots: &[slot("1", "", true), slot("2", "", true), slot("3", "", true)],
    alternatives: &[
        alternative("1", "1 is different"),
        alternative("2", "2 is different"),
        alternative("3", "3 is different"),
    ],
    orders: &[&[A, A, B], &[A, B, A], &[B, A, A], &[B, B, A], &[B, A, B], &[A, B, B]],
    model: Model::Triangle,
    right: |sides, _| {
        let odd = |slot: &usize| sides.iter().filter(|&&side| side == sides[*slot]).count() == 1;
        (0..sides.len()).find(odd)
    },
    chosen: |sides, alternative| sides.get(alternative).copied(),
};

/// Four, two of each, to be sorted into two pairs; six orders.
static TETRAD: Definition = Definition {
    protocol: Protocol::Tetrad,
    name: "tetrad",
    title: "tetrad",
    question: "Which two pairs belong together?",
    slots: &[slot("1", "", true), slot("2", "", true), slot("3", "", true), slot("4", "", true)],
    alternatives: &[
        alternative("12-34", "1 with 2, 3 with 4"),
        alternative("13-24", "1 with 3, 2 with 4"),
        alternative("14-23", "1 with 4, 2 with 3"),
    ],
    orders: &[&[A, A, B, B], &[A, B, A, B], &[A, B, B, A], &[B, B, A, A], &[B, A, B, A], &[B, A, A, B]],
    model: Model::Tetrad,
    right: |sides, _| sides[1..].iter().position(|&side| side == sides[0]),
    chosen: |_, _| None,
};

/// Two, differing in a named attribute (ISO 5495).
static TWO_AFC: Definition = Definition {
    protocol: Protocol::TwoAfc,
    name: "two-afc",
    title: "2-AFC",
    question: "Which of the two is {attribute}?",
    slots: &[slot("1", "", true), slot("2", "", true)],
    alternatives: &[alternative("1", "1 is"), alternative("2", "2 is")],
    orders: &[&[A, B], &[B, A]],
    model: Model::TwoAfc,
    right: |sides, more| sides.iter().position(|&side| side == more),
    chosen: |sides, alternative| sides.get(alternative).copied(),
};

/// Two, which is preferred; nobody is right or wrong.
static PREFERENCE: Definition = Definition {
    protocol: Protocol::Preference,
    name: "preference",
    title: "paired preference",
    question: "Which of the two do you prefer?",
    slots: &[slot("1", "", true), slot("2", "", true)],
    alternatives: &[alternative("1", "I prefer 1"), alternative("2", "I prefer 2")],
    orders: &[&[A, B], &[B, A]],
    model: Model::TwoAfc,
    right: |_, _| None,
    chosen: |sides, alternative| sides.get(alternative).copied(),
};

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
                assert!(order.contains(&A) && order.contains(&B), "{protocol}");
                if let Some(answer) = definition.right(index, A) {
                    right[answer] += 1;
                }
            }
            if protocol == Protocol::Preference {
                assert!(right.iter().all(|&count| count == 0));
            } else {
                assert!(right.iter().all(|&count| count == right[0] && count > 0), "{protocol}: {right:?}");
            }
            assert_eq!(definition.model.chance(), protocol.chance(), "{protocol}");
            assert_eq!(serde_json::to_value(protocol).ok(), Some(definition.name.into()), "{protocol}");
            assert_eq!(Protocol::from_name(definition.name), Some(protocol));
        }
    }
}
