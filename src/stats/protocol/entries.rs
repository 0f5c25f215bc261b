//! The protocols: a line of the list and an entry each.

use serde::{Deserialize, Serialize};

use super::{Alternative, Asks, Definition, Side, Slot};
use crate::stats::model::Model;

macro_rules! protocols {
    ($($protocol:ident $entry:ident $about:literal,)*) => {
        /// A forced-choice protocol. The name is the one used in `session.toml`, journals and JSON.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Protocol { $(#[doc = $about] $protocol,)* }

        impl Protocol {
            /// Every protocol, in the order of the documentation.
            pub const ALL: [Self; [$(stringify!($protocol)),*].len()] = [$(Self::$protocol),*];

            /// What it is, for whoever writes a session.
            pub const fn about(self) -> &'static str {
                match self { $(Self::$protocol => $about,)* }
            }
        }

        /// The definition of a protocol.
        pub(super) fn of(protocol: Protocol) -> &'static Definition {
            match protocol { $(Protocol::$protocol => &$entry,)* }
        }
    };
}

protocols! {
    Abx ABX "A and B are known, X is one of them: which?",
    DuoTrio DUO_TRIO "a reference, then two: which one is the same as the reference?",
    Triangle TRIANGLE "three, two of them alike: which one is different?",
    Tetrad TETRAD "four, two of each: sort them into two pairs that sound the same",
    TwoAfc TWO_AFC "two: which is, for example, brighter? (needs `attribute`, and `attribute_side` or sides = \"two\")",
    Preference PREFERENCE "two: which do you prefer? (there is no right answer)",
    SameDifferent SAME_DIFFERENT "two: do they sound the same, or different?",
    ANotA A_NOT_A "side A is the reference, X is A or B: is X the same as the reference?",
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
    asks: Asks::Difference,
    question: "Is X the same as A or as B?",
    slots: &[slot("A", "side A", false), slot("B", "side B", false), slot("X", "A or B?", true)],
    alternatives: &[alternative("a", "same as A"), alternative("b", "same as B")],
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
    asks: Asks::Difference,
    question: "Which one is the same as the reference R?",
    slots: &[slot("R", "reference", true), slot("1", "", true), slot("2", "", true)],
    alternatives: &[
        alternative("1", "1 is the same as the reference"),
        alternative("2", "2 is the same as the reference"),
    ],
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
    asks: Asks::Difference,
    question: "Which one is different?",
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
    asks: Asks::Difference,
    question: "Sort the four into two pairs that sound the same.",
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
    asks: Asks::Attribute,
    question: "Which of the two is {attribute}?",
    slots: &[slot("1", "", true), slot("2", "", true)],
    alternatives: &[alternative("1", "1 is {attribute}"), alternative("2", "2 is {attribute}")],
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
    asks: Asks::Preference,
    question: "Which of the two do you prefer?",
    slots: &[slot("1", "", true), slot("2", "", true)],
    alternatives: &[alternative("1", "I prefer 1"), alternative("2", "I prefer 2")],
    orders: &[&[A, B], &[B, A]],
    model: Model::TwoAfc,
    right: |_, _| None,
    chosen: |sides, alternative| sides.get(alternative).copied(),
};

/// Two, alike or not; all four orders, so that each answer is right in half of the trials whatever the bias.
static SAME_DIFFERENT: Definition = Definition {
    protocol: Protocol::SameDifferent,
    name: "same-different",
    title: "same-different",
    asks: Asks::Difference,
    question: "Do the two sound the same, or different?",
    slots: &[slot("1", "", true), slot("2", "", true)],
    alternatives: &[
        alternative("same", "they sound the same"),
        alternative("different", "they sound different"),
    ],
    orders: &[&[A, A], &[A, B], &[B, A], &[B, B]],
    model: Model::SameDifferent,
    right: |sides, _| Some(usize::from(sides[0] != sides[1])),
    chosen: |_, _| None,
};

/// Side A as the reference, then one that is or is not side A (ISO 8588, with the reference at hand in every trial).
static A_NOT_A: Definition = Definition {
    protocol: Protocol::ANotA,
    name: "a-not-a",
    title: "A-not-A with a reference",
    asks: Asks::Difference,
    question: "Is X the same as the reference R?",
    slots: &[slot("R", "reference", true), slot("X", "R or not?", true)],
    alternatives: &[
        alternative("a", "X is the same as the reference"),
        alternative("not-a", "X is not the reference"),
    ],
    orders: &[&[A, A], &[A, B]],
    model: Model::YesNo,
    right: |sides, _| Some(usize::from(sides[1] == B)),
    chosen: |_, alternative| Some(if alternative == 0 { A } else { B }),
};
