//! What a protocol's answers, claims and findings are called, for every surface alike.

use super::{Asks, Definition, Inquiry, Side, Sides};

/// What a comparison is about: the names of both sides, the session's attribute, and the side that has more of it by
/// claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Compared<'s> {
    /// Name of side A.
    pub a: &'s str,
    /// Name of side B.
    pub b: &'s str,
    /// The attribute, where the protocol asks for one.
    pub attribute: Option<&'s str>,
    /// The side that has more of it by claim.
    pub more: Side,
}

impl<'s> Compared<'s> {
    /// The name of a side.
    pub fn name(&self, side: Side) -> &'s str {
        match side {
            Side::A => self.a,
            Side::B => self.b,
        }
    }

    fn attribute(&self) -> &'s str {
        self.attribute.unwrap_or("more pronounced")
    }
}

impl Side {
    /// The other side.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

impl Inquiry {
    /// What counts, after a number: "12 of 16 right", "12 of 16 for braid".
    pub fn counted(self, compared: &Compared<'_>) -> String {
        match (self.protocol.asks(), self.sides) {
            (Asks::Difference, _) | (Asks::Attribute, Sides::One) => "right".to_owned(),
            (Asks::Attribute, Sides::Two) | (Asks::Preference, _) => format!("for {}", compared.b),
        }
    }

    /// The same where the names of the sides are not known.
    pub fn counted_unnamed(self) -> &'static str {
        match (self.protocol.asks(), self.sides) {
            (Asks::Difference, _) | (Asks::Attribute, Sides::One) => "right",
            (Asks::Attribute, Sides::Two) | (Asks::Preference, _) => "for side B",
        }
    }

    /// The same in the head of a narrow column.
    pub fn counted_short(self) -> &'static str {
        match (self.protocol.asks(), self.sides) {
            (Asks::Difference, _) | (Asks::Attribute, Sides::One) => "right",
            (Asks::Attribute, Sides::Two) | (Asks::Preference, _) => "for B",
        }
    }

    /// What counted answers are called in a table's head or on an axis.
    pub fn counted_answers(self) -> &'static str {
        match (self.protocol.asks(), self.sides) {
            (Asks::Difference, _) | (Asks::Attribute, Sides::One) => "right answers",
            (Asks::Attribute, Sides::Two) | (Asks::Preference, _) => "answers for side B",
        }
    }

    /// The same in the head of a narrow column.
    pub fn share_short(self) -> &'static str {
        if self.protocol.asks().has_lead() && self.two_sided() { "lead of B" } else { "hears it in" }
    }

    /// What the share of counted answers is where nothing is heard, or nothing preferred.
    pub fn without_it(self) -> &'static str {
        match self.protocol.asks() {
            Asks::Difference | Asks::Attribute => "by guessing",
            Asks::Preference => "without a preference",
        }
    }

    /// The claim that is tested: "flex and braid sound different", "braid is brighter than flex".
    pub fn claim(self, compared: &Compared<'_>) -> String {
        let Compared { a, b, .. } = *compared;
        match (self.protocol.asks(), self.sides) {
            (Asks::Difference, _) => format!("{a} and {b} sound different"),
            (Asks::Attribute, Sides::One) => format!(
                "{} is {} than {}",
                compared.name(compared.more),
                compared.attribute(),
                compared.name(compared.more.other())
            ),
            (Asks::Attribute, Sides::Two) => format!("one of {a} and {b} is {}", compared.attribute()),
            (Asks::Preference, _) => format!("one of {a} and {b} is preferred"),
        }
    }

    /// What a finding says in the past tense; `side` is the side that most answers were for, where answers have sides:
    /// "a difference between flex and braid was heard", "braid was heard as brighter", "braid was preferred".
    pub fn found(self, compared: &Compared<'_>, side: Side) -> String {
        match self.protocol.asks() {
            Asks::Difference => format!("a difference between {} and {} was heard", compared.a, compared.b),
            Asks::Attribute => format!("{} was heard as {}", compared.name(side), compared.attribute()),
            Asks::Preference => format!("{} was preferred", compared.name(side)),
        }
    }

    /// What is to be heard for how long before an answer is taken: "X", "R, 1 and 2".
    pub fn asked_about(self) -> String {
        let labels: Vec<&str> = Definition::of(self.protocol).asked_about().collect();
        match labels.split_last() {
            Some((last, [])) => (*last).to_owned(),
            Some((last, before)) => format!("{} and {last}", before.join(", ")),
            None => String::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Protocol;
    use super::*;

    #[test]
    fn each_protocol_says_what_it_claims_and_finds() {
        let compared = Compared { a: "flex", b: "braid", attribute: Some("brighter"), more: Side::A };
        let say = |protocol, sides| {
            let inquiry = Inquiry::new(protocol, sides).expect("offered");
            (inquiry.claim(&compared), inquiry.found(&compared, Side::B), inquiry.counted(&compared))
        };
        let difference = (
            "flex and braid sound different".to_owned(),
            "a difference between flex and braid was heard".to_owned(),
            "right".to_owned(),
        );
        for protocol in Protocol::ALL {
            if protocol.asks() == Asks::Difference {
                assert_eq!(say(protocol, Sides::One), difference);
                assert_eq!(Inquiry::new(protocol, Sides::Two), None, "{protocol}");
            }
        }
        let texts = |claim: &str, found: &str, counted: &str| {
            (claim.to_owned(), found.to_owned(), counted.to_owned())
        };
        assert_eq!(
            say(Protocol::TwoAfc, Sides::One),
            texts("flex is brighter than braid", "braid was heard as brighter", "right")
        );
        assert_eq!(
            say(Protocol::TwoAfc, Sides::Two),
            texts("one of flex and braid is brighter", "braid was heard as brighter", "for braid")
        );
        assert_eq!(
            say(Protocol::Preference, Sides::Two),
            texts("one of flex and braid is preferred", "braid was preferred", "for braid")
        );
        assert_eq!(Inquiry::new(Protocol::Preference, Sides::One), None);
        let heard: Vec<String> =
            Protocol::ALL.iter().map(|protocol| Inquiry::from(*protocol).asked_about()).collect();
        assert_eq!(
            heard,
            ["X", "R, 1 and 2", "1, 2 and 3", "1, 2, 3 and 4", "1 and 2", "1 and 2", "1 and 2", "R and X"]
        );
    }
}
