//! Figures of thresholds: how sizes were answered, the curve through them, and all listeners on one axis.
//!
//! Everything is computed by `stats` and `verdict`; here it is only drawn and put into words.

use super::svg::{Axis, Chart, Figure, Tone, cut};
use crate::session::Scale;
use crate::stats::threshold::track::Method;
use crate::units::printed::percent;
use crate::verdict::ComparisonResult;
use crate::verdict::threshold::{ListenerThreshold, ThresholdFindings, at_one, headline};

/// Most listeners whose own figures are drawn.
const MOST_DRAWN: usize = 8;
/// Largest radius of a point, for the size with most answers, in units of the view box.
const LARGEST_POINT: f64 = 9.0;

/// All figures of a comparison: one axis for several listeners, then curve and trace of each.
pub fn all(comparison: &ComparisonResult) -> Vec<Figure> {
    let Some(found) = &comparison.threshold else { return Vec::new() };
    let own = found.listeners.iter().take(MOST_DRAWN);
    listeners(comparison)
        .into_iter()
        .chain(room(comparison))
        .chain(own.flat_map(|own| [curve(comparison, own), trace(&comparison.name, own, found.method)]))
        .collect()
}

fn size_axis(scale: Scale) -> &'static str {
    match scale {
        Scale::Multiple => "size, times the real difference",
        Scale::Length => "length, times the real one",
        Scale::Level => "step in level, dB",
        Scale::Tilt => "tilt from 20 Hz to 20 kHz, dB",
    }
}

/// The same where there is little room.
fn short_axis(scale: Scale) -> &'static str {
    match scale {
        Scale::Multiple | Scale::Length => "size, multiples",
        Scale::Level | Scale::Tilt => "size, dB",
    }
}

fn real_size(scale: Scale) -> &'static str {
    match scale {
        Scale::Multiple => "the real difference",
        Scale::Length => "the real length",
        Scale::Level | Scale::Tilt => "1 dB",
    }
}

/// Share right at each size, as circles whose area is the number of answers, and the curve with its 95 % band.
fn curve(comparison: &ComparisonResult, own: &ListenerThreshold) -> Figure {
    let result = &own.result;
    let (scale, range) = (result.scale, result.range);
    let mut chart = Chart::new(
        format!("{}, {}: share right by size", comparison.name, cut(&own.name, 30)),
        Axis::logarithmic(size_axis(scale), range.smallest.min(1.0), range.largest),
        Axis::linear("share right", 0.0, 1.0),
    );
    let right = |heard: f64| result.chance + (1.0 - result.chance) * heard;
    let line = |of: fn(&crate::stats::threshold::summary::Estimate) -> f64| -> Vec<(f64, f64)> {
        result.heard.iter().map(|(size, heard)| (*size, right(of(heard)))).collect()
    };
    chart.band(Tone::Quiet, &line(|heard| heard.lower), &line(|heard| heard.upper));
    chart.name_band(Tone::Quiet, "95 % of what agrees with the answers");
    chart.line(Tone::First, &line(|heard| heard.estimate));
    chart.across(Tone::Chance, result.chance);
    chart.name(Tone::Chance, "a guesser");
    let most = result.points.iter().map(|point| point.trials).max().unwrap_or(1) as f64;
    for point in &result.points {
        let radius = (LARGEST_POINT * (point.trials as f64 / most).sqrt()).max(2.0);
        chart.disc(Tone::First, point.multiple, point.correct as f64 / point.trials as f64, radius);
    }
    chart.name_mark(Tone::First, "answers; larger where there were more");
    let threshold = result.summary.confidence;
    if (range.smallest..=range.largest).contains(&threshold.estimate) {
        chart.upright(Tone::Second, threshold.estimate);
        chart.name(Tone::Second, format!("heard in every second trial: {}", scale.words(threshold.estimate)));
    }
    if scale.is_about_the_cables() && range.largest > 1.0 {
        chart.upright(Tone::Critical, 1.0);
        chart.name(Tone::Critical, real_size(scale));
    }
    let expected = expected_line(&mut chart, comparison, scale, range.smallest.min(1.0)..=range.largest);
    let points: Vec<String> = result
        .points
        .iter()
        .map(|point| format!("{}: {} of {}", scale.words(point.multiple), point.correct, point.trials))
        .collect();
    chart.finish(format!(
        "{} {}{expected} Right answers by size: {}.",
        headline(scale, range, &result.summary),
        at_one(result),
        points.join("; ")
    ))
}

/// Draws the size from which a published model expects the difference to be heard, if it lies on the axis, and says it.
fn expected_line(
    chart: &mut Chart,
    comparison: &ComparisonResult,
    scale: Scale,
    axis: std::ops::RangeInclusive<f64>,
) -> String {
    let found = comparison.threshold.as_ref().and_then(ThresholdFindings::first_expected);
    let Some((size, clip)) = found else { return String::new() };
    let words = format!("a published model: {} on {clip}", scale.words(size));
    if axis.contains(&size) {
        chart.upright(Tone::Third, size);
        chart.name(Tone::Third, words.clone());
    }
    format!(" {}{}.", words[..1].to_uppercase(), &words[1..])
}

/// The sizes in the order in which they were presented, and how each was answered.
fn trace(comparison: &str, own: &ListenerThreshold, method: Method) -> Figure {
    let result = &own.result;
    let (scale, range, trials) = (result.scale, result.range, own.trace.len());
    let mut chart = Chart::new(
        format!("{comparison}, {}: sizes in order", cut(&own.name, 30)),
        Axis::linear("counted trial", 0.0, trials as f64 + 1.0),
        Axis::logarithmic(short_axis(scale), range.smallest, range.largest),
    );
    let threshold = result.summary.confidence;
    let ends = [0.0, trials as f64 + 1.0];
    chart.band(Tone::Quiet, &ends.map(|x| (x, threshold.lower)), &ends.map(|x| (x, threshold.upper)));
    chart.name_band(Tone::Quiet, "the threshold at the end, 95 %");
    let path: Vec<(f64, f64)> =
        own.trace.iter().enumerate().map(|(index, (size, _))| (index as f64 + 1.0, *size)).collect();
    chart.line(Tone::Quiet, &path);
    for ((at, size), (_, right)) in path.iter().zip(&own.trace) {
        chart.mark(if *right { Tone::First } else { Tone::Second }, *at, *size);
    }
    chart.name_mark(Tone::First, "right");
    chart.name_mark(Tone::Second, "wrong");
    let told: Vec<String> = own
        .trace
        .iter()
        .map(|(size, right)| format!("{} {}", scale.words(*size), if *right { "right" } else { "wrong" }))
        .collect();
    let chosen = match method {
        Method::Ladder { .. } => "The sizes were fixed beforehand.",
        Method::Bayes | Method::Staircase { .. } => "Each answer chose the size of the next trial.",
    };
    chart.finish(format!("{chosen} In order: {}.", told.join(", ")))
}

/// The room's votes at each size of a night's ladder.
fn room(comparison: &ComparisonResult) -> Option<Figure> {
    let found = comparison.threshold.as_ref()?;
    let (first, result) = (found.room.first()?, &found.listeners.first()?.result);
    let (scale, last) = (result.scale, found.room.last()?);
    let mut chart = Chart::new(
        format!("{}: the room's votes by size", comparison.name),
        Axis::logarithmic(size_axis(scale), last.size.min(1.0), first.size),
        Axis::linear("share right", 0.0, 1.0),
    );
    let share = |right: f64, votes: u64| right / votes.max(1) as f64;
    let points: Vec<(f64, f64)> =
        found.room.iter().map(|rung| (rung.size, share(rung.correct as f64, rung.votes))).collect();
    chart.line(Tone::Quiet, &points);
    for (rung, (x, y)) in found.room.iter().zip(&points) {
        chart.mark(if rung.heard { Tone::First } else { Tone::Second }, *x, *y);
        chart.mark(Tone::Third, *x, share(rung.expected, rung.votes));
    }
    chart.name_mark(Tone::First, "heard by the room");
    chart.name_mark(Tone::Second, "not heard");
    chart.name_mark(Tone::Third, "chance with these votes");
    let told: Vec<String> = found
        .room
        .iter()
        .map(|rung| format!("{}: {} of {} votes right", scale.words(rung.size), rung.correct, rung.votes))
        .collect();
    Some(chart.finish(format!("From the largest size down. {}.", told.join("; "))))
}

/// The thresholds of several listeners on one axis, with what they say of listeners like them. Nothing of one listener.
fn listeners(comparison: &ComparisonResult) -> Option<Figure> {
    let found = comparison.threshold.as_ref()?;
    let population = found.population?;
    let rows = &found.listeners;
    let scale = rows.first()?.result.scale;
    let range = rows.first()?.result.range;
    let height = rows.len() as f64 + 1.0;
    let mut chart = Chart::new(
        format!("{}: thresholds of all listeners", comparison.name),
        Axis::logarithmic(size_axis(scale), (range.smallest / 4.0).min(1.0), range.largest * 4.0),
        Axis::linear("", 0.0, height).with_ticks(Vec::new()),
    )
    .tall(70.0 + 20.0 * height)
    .left_for(rows.iter().map(|own| own.name.as_str()).chain(["in the middle"]));
    let row = |chart: &mut Chart, tone, name: &str, y: f64, of: [f64; 3]| {
        chart.line(tone, &[(of[0], y), (of[2], y)]);
        chart.mark(tone, of[1], y);
        chart.words(name, (f64::MIN_POSITIVE, y), "end", -8.0, 4.0);
    };
    // Whoever hears the smallest difference stands at the top.
    let mut sorted: Vec<&ListenerThreshold> = rows.iter().collect();
    sorted.sort_by(|one, other| {
        let of = |own: &ListenerThreshold| own.result.summary.confidence.estimate;
        of(one).total_cmp(&of(other))
    });
    for (index, own) in sorted.into_iter().enumerate() {
        let threshold = own.result.summary.confidence;
        let of = [threshold.lower, threshold.estimate, threshold.upper];
        row(&mut chart, Tone::First, &own.name, height - index as f64 - 0.5, of);
    }
    chart.name_mark(Tone::First, "each listener, with 95 %");
    let middle = population.middle;
    row(&mut chart, Tone::Second, "in the middle", 0.5, [middle.lower, middle.estimate, middle.upper]);
    chart.name_mark(Tone::Second, "the listener in the middle of all like them");
    if scale.is_about_the_cables() {
        chart.upright(Tone::Critical, 1.0);
        chart.name(Tone::Critical, real_size(scale));
    }
    let axis = (range.smallest / 4.0).min(1.0)..=range.largest * 4.0;
    let expected = expected_line(&mut chart, comparison, scale, axis);
    let list: Vec<String> = rows
        .iter()
        .map(|own| {
            let of = own.result.summary.confidence;
            format!(
                "{}: {}, {} to {}",
                own.name,
                scale.words(of.estimate),
                scale.words(of.lower),
                scale.words(of.upper)
            )
        })
        .collect();
    Some(chart.finish(format!(
        "In the middle: {}, {} to {}. Below {}: {} of listeners, {} to {} with 95 % probability.{expected} {}.",
        scale.words(middle.estimate),
        scale.words(middle.lower),
        scale.words(middle.upper),
        real_size(scale),
        percent(population.below_one.estimate),
        percent(population.below_one.lower),
        percent(population.below_one.upper),
        list.join("; ")
    )))
}
