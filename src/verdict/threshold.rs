//! The sentences about a threshold: how much of the difference was needed, and how often it is heard as it really is.

use crate::session::Scale;
use crate::stats::threshold::fit::Fit;
use crate::stats::threshold::summary::{Place, Summary};
use crate::stats::threshold::{Point, Range};
use crate::units::printed::{percent, probability, significant};

/// What is known of one threshold.
#[derive(Debug, Clone, PartialEq)]
pub struct ThresholdResult {
    /// What a size is a size of.
    pub scale: Scale,
    /// The sizes that could be presented.
    pub range: Range,
    /// What the answers say.
    pub summary: Summary,
    /// The answers at each size, sizes rising.
    pub points: Vec<Point>,
    /// How well a curve describes them; `None` without answers.
    pub fit: Option<Fit>,
}

/// Below so small a probability a curve is called a poor description (common practice, no source).
const POOR_FIT: f64 = 0.01;

/// The answer in one sentence.
pub fn headline(scale: Scale, range: Range, summary: &Summary) -> String {
    let found = summary.threshold;
    match summary.place {
        Place::AboveLargest { bound } => format!(
            "Not heard reliably even at {}. The threshold is above {}, with 95 % probability.",
            largest(scale, range.largest),
            scale.words(bound)
        ),
        Place::BelowSmallest { bound } => format!(
            "Heard even at {}. The threshold is below {}, with 95 % probability.",
            smallest(scale, range.smallest),
            scale.words(bound)
        ),
        Place::Within => {
            let (lower, upper) = (bound(scale, found.lower), bound(scale, found.upper));
            match scale {
                Scale::Multiple => format!(
                    "Heard in every second trial at {} times the real difference ({lower} to {upper}, with 95 % probability).",
                    significant(found.estimate)
                ),
                Scale::Length => format!(
                    "Heard in every second trial with both cables {} times as long ({lower} to {upper}, with 95 % probability).",
                    significant(found.estimate)
                ),
                Scale::Level | Scale::Tilt => format!(
                    "A {} of {} is heard in every second trial ({lower} to {upper}, with 95 % probability).",
                    step(scale),
                    scale.words(found.estimate)
                ),
            }
        }
    }
}

fn largest(scale: Scale, size: f64) -> String {
    match scale {
        Scale::Multiple => format!("the largest size, {} times the real difference", significant(size)),
        Scale::Length => format!("the largest size, {} times the real length", significant(size)),
        Scale::Level | Scale::Tilt => format!("the largest {}, {}", step(scale), scale.words(size)),
    }
}

fn smallest(scale: Scale, size: f64) -> String {
    largest(scale, size).replace("largest", "smallest")
}

fn step(scale: Scale) -> &'static str {
    if scale == Scale::Tilt { "tilt" } else { "step in level" }
}

fn bound(scale: Scale, size: f64) -> String {
    if scale.is_about_the_cables() { significant(size) } else { scale.words(size) }
}

/// How often size 1 is heard.
pub fn at_one(scale: Scale, summary: &Summary) -> String {
    let heard = summary.at_one;
    let share = format!(
        "{} of trials ({} to {}, with 95 % probability)",
        percent(heard.estimate),
        percent(heard.lower),
        percent(heard.upper)
    );
    match scale {
        Scale::Multiple => format!("At its real size the difference is heard in {share}."),
        Scale::Length => format!("At the real length the difference is heard in {share}."),
        Scale::Level | Scale::Tilt => format!("A {} of 1 dB is heard in {share}.", step(scale)),
    }
}

/// What limits the answer, one sentence each.
pub fn limits(result: &ThresholdResult) -> Vec<String> {
    let ThresholdResult { scale, range, summary, fit, .. } = result;
    let mut limits = Vec::new();
    if summary.place == Place::Within && summary.threshold.upper > range.largest {
        limits.push(format!(
            "No size above {} was tried, so the upper bound rests on the shape of the curve.",
            scale.words(range.largest)
        ));
    }
    if summary.place == Place::Within && summary.threshold.lower < range.smallest {
        limits.push(format!(
            "No size below {} was tried, so the lower bound rests on the shape of the curve.",
            scale.words(range.smallest)
        ));
    }
    if scale.is_about_the_cables() && range.smallest > 1.0 {
        limits.push(
            "The real size was never presented: how often it is heard is read off the curve.".to_owned(),
        );
    }
    if let Some(fit) = fit.as_ref().filter(|fit| fit.p_value.value < POOR_FIT) {
        limits.push(format!(
            "A rising curve describes these answers badly (deviance {:.1}, p {}): the listener or the equipment may have changed \
             during the test.",
            fit.deviance,
            probability(fit.p_value.value)
        ));
    }
    limits
}
