//! `[threshold]`: instead of a fixed size, how much of the difference a listener needs.

use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::reader::{SessionError, Table};
use super::{Control, ControlKind, Stopping};
use crate::clip::limits::CONTROL_DECIBELS;
use crate::stats::protocol::Side;
use crate::stats::threshold::staircase::Rule;
use crate::stats::threshold::track::{MOST_STEPS, Method};
use crate::stats::threshold::{self, Range};
use crate::units::Dimension;
use crate::units::printed;
use crate::units::printed::significant;

/// What a size is a size of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scale {
    /// The difference between the sides so many times: its decibels and its degrees.
    Multiple,
    /// Both cables so many times as long.
    Length,
    /// A yardstick: a step of level, in dB.
    Level,
    /// A yardstick: a spectral tilt, in dB from 20 Hz to 20 kHz.
    Tilt,
}

impl Scale {
    /// All.
    pub const ALL: [Self; 4] = [Self::Multiple, Self::Length, Self::Level, Self::Tilt];

    /// The name in `session.toml`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Multiple => "multiple",
            Self::Length => "length",
            Self::Level => "level",
            Self::Tilt => "tilt",
        }
    }

    /// A size in words: "4.2 times", "0.40 dB".
    pub fn words(self, size: f64) -> String {
        match self {
            Self::Multiple => format!("{} times", significant(size)),
            Self::Length => format!("{} times the length", significant(size)),
            Self::Level | Self::Tilt => printed::decibels(size),
        }
    }

    /// Whether size 1 is the pair of cables as it really is; the others measure the listener and the equipment.
    pub fn is_about_the_cables(self) -> bool {
        matches!(self, Self::Multiple | Self::Length)
    }
}

/// How a threshold is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Threshold {
    /// What the sizes are sizes of.
    pub scale: Scale,
    /// The sizes.
    pub range: Range,
    /// How the next one is chosen.
    pub method: Method,
    /// The sitting ends early when the upper bound of the 95 % interval is at most so many times the lower one.
    pub narrow_enough: Option<f64>,
}

/// The table, and the trials it asks for. The catch trials at the largest size become a control.
pub(super) fn threshold(
    table: &mut Table<'_>,
    asked: &Asked,
    stopping: Stopping,
    controls: &mut Vec<Control>,
) -> Result<Option<(Threshold, u32)>, SessionError> {
    let Some(mut inner) = table.table("threshold")? else { return Ok(None) };
    if asked.inquiry.two_sided() {
        return Err(inner.error(format!(
            "a threshold needs right and wrong answers; {} here has none: use another protocol such as \"abx\"",
            asked.inquiry.protocol
        )));
    }
    threshold::chance(asked.inquiry.protocol).map_err(|error| inner.error(error.to_string()))?;
    if stopping != Stopping::AllTrials {
        return Err(inner
            .error("a threshold has its own end, `trials` or `narrow_enough`; remove the table [stopping]"));
    }
    let scales: Vec<(&str, Scale)> = Scale::ALL.iter().map(|scale| (scale.name(), *scale)).collect();
    let scale = inner.choice("scale", &scales)?.unwrap_or(Scale::Multiple);
    let range = range(&mut inner, scale)?;
    let trials = inner.whole("trials", 10, 1000)?.unwrap_or(50) as u32;
    let ways = [("bayes", Way::Bayes), ("staircase", Way::Staircase), ("ladder", Way::Ladder)];
    let way = inner.choice("method", &ways)?.unwrap_or(Way::Bayes);
    let steps = inner.whole("steps", 2, u64::from(MOST_STEPS))?;
    if steps.is_some() && way != Way::Ladder {
        return Err(
            inner.error_at("steps", "belongs to method = \"ladder\"; remove it, or change the method")
        );
    }
    let rules: Vec<(&str, Rule)> = Rule::ALL.iter().map(|rule| (rule.name(), *rule)).collect();
    let method = match (way, inner.choice("rule", &rules)?) {
        (Way::Bayes, None) => Method::Bayes,
        (Way::Ladder, None) => {
            let steps = steps.unwrap_or(5) as u32;
            if !trials.is_multiple_of(steps) {
                return Err(inner.error_at(
                    "trials",
                    format!(
                        "{trials} trials are not a multiple of the ladder's {steps} steps: write {}",
                        trials.next_multiple_of(steps)
                    ),
                ));
            }
            Method::Ladder { steps }
        }
        (Way::Bayes | Way::Ladder, Some(_)) => {
            return Err(
                inner.error_at("rule", "belongs to method = \"staircase\"; remove it, or change the method")
            );
        }
        (Way::Staircase, rule) => Method::Staircase { rule: rule.unwrap_or(Rule::Weighted) },
    };
    let narrow_enough = inner.number_within("narrow_enough", 1.2, 10.0)?;
    if narrow_enough.is_some() && way == Way::Ladder {
        return Err(
            inner.error_at("narrow_enough", "a ladder has no early end: remove it, or change the method")
        );
    }
    let catch_trials = inner.whole("catch_trials", 0, 50)?.unwrap_or(2) as u32;
    // A yardstick's altered side is B, and more of it is louder, or brighter.
    if !scale.is_about_the_cables() && asked.attribute.is_some() && asked.more != Side::B {
        return Err(inner.error_at(
            "scale",
            "this yardstick alters side B upwards, so in 2-AFC attribute_side must be \"b\", with an attribute such as \"louder\" or \"brighter\"",
        ));
    }
    inner.finish()?;
    if catch_trials > 0 {
        let kind = ControlKind::Largest { size: range.largest, scale };
        controls.push(Control {
            kind,
            trials: catch_trials,
            more: asked.attribute.as_ref().map(|_| asked.more),
        });
    }
    Ok(Some((Threshold { scale, range, method, narrow_enough }, trials)))
}

/// `method` as it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Bayes,
    Staircase,
    Ladder,
}

fn range(inner: &mut Table<'_>, scale: Scale) -> Result<Range, SessionError> {
    let (smallest, largest) = match scale {
        Scale::Multiple | Scale::Length => (0.5, 32.0),
        Scale::Level => (0.05, CONTROL_DECIBELS),
        Scale::Tilt => (0.1, CONTROL_DECIBELS),
    };
    let mut size = |key: &'static str, usual: f64| -> Result<f64, SessionError> {
        // Decibels may say so; a bare number is taken as decibels too, because the scale leaves nothing else.
        let found = if !scale.is_about_the_cables() && inner.is_text(key) {
            inner.quantity(key, Dimension::Level)?
        } else {
            inner.number(key)?
        };
        Ok(found.unwrap_or(usual))
    };
    let range = Range::new(size("smallest", smallest)?, size("largest", largest)?)
        .map_err(|error| inner.error(error.to_string()))?;
    if !scale.is_about_the_cables() && range.largest > CONTROL_DECIBELS {
        return Err(inner.error_at(
            "largest",
            format!("{} dB is more than is added to a sound here, for the sake of ears: at most {CONTROL_DECIBELS} dB", range.largest),
        ));
    }
    Ok(range)
}
