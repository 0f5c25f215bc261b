//! What a session asks and in which direction it is tested: attribute, sides, listening time, stopping, and with them
//! which answer to a control is right.

use super::reader::{SessionError, Table};
use super::{Comparison, ControlKind, ControlName, Stopping};
use crate::stats::Protocol;
use crate::stats::protocol::{Asks, Inquiry, Side, Sides};
use crate::stats::sequential::SequentialTest;
use crate::units::Dimension;
use crate::units::printed::written;

/// Shortest time in seconds that each slot asked about must be heard (common practice, no source): nobody judges less.
const SHORTEST_HEARD: f64 = 1.0;
/// Longest such time in seconds: more would tire everybody.
const LONGEST_HEARD: f64 = 30.0;

/// What is asked.
pub(super) struct Asked {
    /// The comparative of 2-AFC.
    pub(super) attribute: Option<String>,
    /// The side whose answers count; B where neither is claimed.
    pub(super) more: Side,
    /// Protocol and direction.
    pub(super) inquiry: Inquiry,
}

/// `attribute`, `attribute_side` and `sides`.
pub(super) fn asked(table: &mut Table<'_>, protocol: Protocol) -> Result<Asked, SessionError> {
    let attribute = table.text("attribute")?;
    let side = table.choice("attribute_side", &[("a", Side::A), ("b", Side::B)])?;
    let sides = table.choice("sides", &[("one", Sides::One), ("two", Sides::Two)])?;
    match protocol.asks() {
        Asks::Attribute => {}
        Asks::Difference | Asks::Preference => {
            return match (attribute, side, sides) {
                (None, None, None) => {
                    Ok(Asked { attribute: None, more: Side::A, inquiry: Inquiry::from(protocol) })
                }
                _ => Err(table.error(format!(
                    "`attribute`, `attribute_side` and `sides` belong to protocol = \"two-afc\"; this session's protocol \
                     is \"{protocol}\""
                ))),
            };
        }
    }
    let attribute = attribute.ok_or_else(|| table.missing("attribute", "\"brighter\""))?;
    let words = attribute.split_whitespace().count();
    if words == 0 || words > 2 || attribute.chars().count() > 30 {
        return Err(table.error_at(
            "attribute",
            format!(
                "\"{attribute}\" does not fit \"Which of the two is ...?\"; give a comparative of one or two words, such as \
                 \"brighter\" or \"less harsh\""
            ),
        ));
    }
    let attribute = attribute.split_whitespace().collect::<Vec<_>>().join(" ");
    let sides = sides.unwrap_or(Sides::One);
    let more = match (sides, side) {
        (Sides::Two, None) => Side::B,
        (Sides::Two, Some(_)) => {
            return Err(table.error_at(
                "attribute_side",
                "with sides = \"two\" no side is claimed: remove attribute_side, or test the claim with sides = \"one\"",
            ));
        }
        (Sides::One, Some(side)) => side,
        // Which side has more of it is the claim that is tested, so it is written down before anyone listens.
        (Sides::One, None) => {
            return Err(table.missing(
                "attribute_side",
                "\"a\" (the side that is claimed to have more of it; or sides = \"two\", which claims neither)",
            ));
        }
    };
    Ok(Asked { attribute: Some(attribute), more, inquiry: Inquiry { protocol, sides } })
}

/// `heard_at_least`, in milliseconds.
pub(super) fn heard_at_least(table: &mut Table<'_>) -> Result<u32, SessionError> {
    let seconds = table.quantity("heard_at_least", Dimension::Time)?.unwrap_or(SHORTEST_HEARD);
    if (SHORTEST_HEARD..=LONGEST_HEARD).contains(&seconds) {
        Ok((seconds * 1000.0).round() as u32)
    } else {
        Err(table.error_at(
            "heard_at_least",
            format!(
                "{} s is outside what is allowed, {SHORTEST_HEARD} to {LONGEST_HEARD} s for each thing that is \
                 asked about",
                written(seconds)
            ),
        ))
    }
}

/// The table `stopping`.
pub(super) fn stopping(
    table: &mut Table<'_>,
    inquiry: Inquiry,
    trials: u32,
) -> Result<Stopping, SessionError> {
    let Some(mut inner) = table.table("stopping")? else { return Ok(Stopping::AllTrials) };
    let sequential = inner
        .choice("kind", &[("all-trials", false), ("sequential", true)])?
        .ok_or_else(|| inner.missing("kind", "\"sequential\""))?;
    let rule = if sequential {
        let alpha = inner.probability("alpha")?.unwrap_or(0.05);
        let beta = inner.probability("beta")?.unwrap_or(0.1);
        let proportion =
            inner.probability("proportion")?.ok_or_else(|| inner.missing("proportion", "0.75"))?;
        let chance = inquiry.chance();
        if proportion <= chance {
            let message = format!(
                "{proportion} is not above the proportion that guessing achieves in this protocol, {chance:.4}"
            );
            return Err(inner.error_at("proportion", message));
        }
        if alpha + beta >= 1.0 {
            return Err(inner.error("alpha and beta together must stay below 1"));
        }
        if inquiry.two_sided() {
            return Err(inner.error(
                "a two-sided test, such as a preference, has no right answer to count towards one line, so it cannot be \
                 stopped by a sequential test; remove `stopping`",
            ));
        }
        let test = SequentialTest::new(inquiry, alpha, beta, proportion, u64::from(trials))
            .map_err(|error| inner.error(error.to_string()))?;
        if !test.can_find() {
            return Err(inner.error(format!(
                "with at most {trials} trials not even a listener who is always right reaches the upper line, so a \
                 difference can never be found; set trials to {} or more",
                least_trials(inquiry, alpha, beta, proportion)
            )));
        }
        Stopping::Sequential { alpha, beta, proportion }
    } else {
        Stopping::AllTrials
    };
    inner.finish()?;
    Ok(rule)
}

/// Fewest trials with which a listener who is always right reaches the upper line.
fn least_trials(inquiry: Inquiry, alpha: f64, beta: f64, proportion: f64) -> u64 {
    (((1.0 - beta) / alpha).ln() / (proportion / inquiry.chance()).ln()).ceil() as u64
}

/// Attributes whose meaning is a change of level or of the balance between bass and treble, and whether more of it is
/// more level or more treble.
const KNOWN: [(&str, Change, bool); 9] = [
    ("louder", Change::Level, true),
    ("softer", Change::Level, false),
    ("quieter", Change::Level, false),
    ("brighter", Change::Tilt, true),
    ("sharper", Change::Tilt, true),
    ("shriller", Change::Tilt, true),
    ("duller", Change::Tilt, false),
    ("darker", Change::Tilt, false),
    ("boomier", Change::Tilt, false),
];

/// What an attribute is a change of.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Change {
    Level,
    Tilt,
}

impl Change {
    fn control(self) -> ControlName {
        match self {
            Self::Level => ControlName::Level,
            Self::Tilt => ControlName::Tilt,
        }
    }
}

/// Which side of a control has more of the attribute: what the control is said to have (`more`), checked against what
/// the attribute means; `None` where the protocol asks for no attribute, or nothing is there to hear.
pub(super) fn more(
    table: &mut Table<'_>,
    asked: &Asked,
    kind: ControlKind,
) -> Result<Option<Side>, SessionError> {
    let said = table.choice("more", &[("a", Side::A), ("b", Side::B)])?;
    let Some(attribute) = &asked.attribute else {
        return match said {
            None => Ok(None),
            Some(_) => Err(table.error_at(
                "more",
                "only protocol = \"two-afc\" asks which side has more of an attribute; remove `more`",
            )),
        };
    };
    let (change, amount) = match kind {
        ControlKind::Identical => {
            return match said {
                None => Ok(None),
                Some(_) => {
                    Err(table.error_at("more", "an identical control has no side with more; remove it"))
                }
            };
        }
        ControlKind::Level { decibels } => (Some(Change::Level), decibels),
        ControlKind::Tilt { decibels } => (Some(Change::Tilt), decibels),
        ControlKind::HeadMovement { .. } | ControlKind::Largest { .. } => (None, 0.0),
    };
    let known = KNOWN.iter().find(|(name, ..)| name.eq_ignore_ascii_case(attribute));
    match (known, said) {
        (Some((_, of, _)), _) if change != Some(*of) => Err(table.error(format!(
            "a {} control has no right answer to \"which is {attribute}?\"; use kind = \"{}\"",
            kind.name(),
            of.control()
        ))),
        (Some((_, _, upward)), said) => {
            let means = if (amount > 0.0) == *upward { Side::B } else { Side::A };
            match said {
                Some(said) if said != means => Err(table.error_at(
                    "more",
                    format!(
                        "with an amount of {amount} dB side {} is the one that is {attribute}, where A is as it was \
                         and B is altered; correct `more` or remove it",
                        if means == Side::A { "A" } else { "B" }
                    ),
                )),
                _ => Ok(Some(means)),
            }
        }
        (None, Some(said)) => Ok(Some(said)),
        (None, None) => Err(table.missing(
            "more",
            &format!("\"b\" (which side of this control is {attribute}: \"a\" as it was, or \"b\" altered)"),
        )),
    }
}

/// The side that a wager on a two-sided test names by its cable.
pub(super) fn wagered_side(
    table: &mut Table<'_>,
    asked: &Asked,
    comparisons: &[Comparison],
    names: &[&str],
) -> Result<Option<Side>, SessionError> {
    let cable = table.text("cable")?;
    if !asked.inquiry.two_sided() {
        return match cable {
            None => Ok(None),
            Some(_) => Err(table.error_at(
                "cable",
                "only a wager on a preference, or on a test with sides = \"two\", names a cable; remove it",
            )),
        };
    }
    let [comparison] = comparisons else {
        return Err(table.error(
            "a wager on a preference or a two-sided test is about one comparison; this session has several",
        ));
    };
    let (a, b) = (names[comparison.a], names[comparison.b]);
    let cable = cable.ok_or_else(|| {
        table.missing("cable", &format!("\"{a}\" (the one that the claimant says answers will favour)"))
    })?;
    match cable.as_str() {
        name if name == a => Ok(Some(Side::A)),
        name if name == b => Ok(Some(Side::B)),
        other => Err(table.error_at("cable", super::reader::not_among(other, &[a, b]))),
    }
}
