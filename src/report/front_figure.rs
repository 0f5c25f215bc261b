//! The one figure of page one: the score against what chance gives, with the score needed and the interval.

use std::fmt::Write as _;

use super::svg::{Axis, Chart, Figure, Tone};
use crate::stats::protocol::Inquiry;
use crate::stats::{binomial, one};
use crate::units::printed::percent;
use crate::verdict::ComparisonResult;

/// Most bars; of longer tests the middle is drawn.
const MOST_BARS: u64 = 120;
/// Bars lower than this share of the highest are left out at both ends.
const LEAST_SHARE: f64 = 2e-3;
/// Share of the axis between the middle of what chance gives and the score needed that its name needs on a narrow drawing.
const NEAR: f64 = 0.2;
/// How far the words then move back from it, in units of the view box.
const BACK: f64 = -36.0;

/// The score of all that counts against what chance gives. Nothing without answers, for a threshold, and for longer tests
/// than bars can show. `alpha` is the agreed risk where a fixed number of trials was judged.
pub(super) fn score(inquiry: Inquiry, comparison: &ComparisonResult, alpha: Option<f64>) -> Option<Figure> {
    let analysis = comparison.analysis.as_ref()?;
    if comparison.threshold.is_some() || comparison.trials == 0 {
        return None;
    }
    let trials = comparison.trials;
    let room = comparison.distribution.as_ref().filter(|_| comparison.room.is_some());
    let cells: Vec<(u64, f64)> = match room {
        Some(room) => room
            .probabilities
            .iter()
            .enumerate()
            .map(|(index, p)| (room.least + index as u64 * room.step, *p))
            .collect(),
        None => (0..=trials).map(|k| (k, binomial::mass(k, trials, analysis.chance))).collect(),
    };
    let most = cells.iter().map(|cell| cell.1).fold(0.0, f64::max);
    let seen = cells.iter().filter(|cell| cell.1 >= LEAST_SHARE * most);
    let (least, last) = (seen.clone().next()?.0, seen.clone().next_back()?.0);
    let step = room.map_or(1, |room| room.step.max(1));
    // Votes on one draw depend on one another: no interval is stated for a room.
    let interval = room
        .is_none()
        .then_some((analysis.interval.lower * trials as f64, analysis.interval.upper * trials as f64));
    let (low, high) = if room.is_none() && trials <= 60 {
        (0, trials)
    } else {
        let ends = interval.unwrap_or((comparison.correct as f64, comparison.correct as f64));
        (
            least.min(ends.0.floor() as u64).min(comparison.correct),
            last.max(ends.1.ceil() as u64).max(comparison.correct),
        )
    };
    if (high - low) / step > MOST_BARS * 4 {
        return None;
    }
    let critical = match (&comparison.room, comparison.looks.last()) {
        (Some(room), _) => room.critical,
        (None, Some(look)) => look.critical,
        (None, None) => alpha.and_then(|alpha| one::critical(inquiry, trials, alpha)),
    };
    let unit = step as f64;
    let mut chart = Chart::new(
        format!("{}: the score against chance", comparison.name),
        Axis::linear(
            format!(
                "{} of {trials}",
                if comparison.room.is_some() { "right votes" } else { inquiry.counted_answers() }
            ),
            low as f64 - 0.6 * unit,
            high as f64 + 0.6 * unit,
        )
        .with_ticks(ticks(low, high)),
        Axis::linear("", 0.0, most * 1.3).with_ticks(Vec::new()),
    )
    .tall(200.0)
    .left(16.0)
    .bare();
    for (k, p) in cells.iter().filter(|(k, _)| (low..=high).contains(k)) {
        chart.bar(Tone::Quiet, (*k as f64 - 0.38 * unit, 0.0), (*k as f64 + 0.38 * unit, *p));
    }
    let peak = cells.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |cell| cell.0);
    let guessers =
        if inquiry.protocol.asks().has_right_answer() { "what guessers get" } else { "without a preference" };
    let range = (high - low) as f64;
    // The words of the score needed stand before its line where the line is far on the right.
    let line = critical.map(|critical| critical as f64 - 0.5 * unit);
    let stands_before = line.is_some_and(|line| line > f64::midpoint(low as f64, high as f64) + 0.25 * range);
    // Beside that line, and below words that stand before it, there is no room for the second half of these.
    let is_near = critical
        .is_some_and(|critical| (critical.saturating_sub(peak) as f64) < NEAR * range && critical >= peak)
        || (stands_before && line.is_some_and(|line| line - 0.3 * range < peak as f64 + 0.22 * range));
    // Near the left edge there is room for one word.
    let (shown, back) =
        match (((peak - low) as f64) < 0.3 * range, inquiry.protocol.asks().has_right_answer()) {
            (true, true) => ("guessers", 0.0),
            (true, false) => ("no preference", 0.0),
            (false, _) => (guessers, if is_near { BACK } else { 0.0 }),
        };
    chart.words(shown, (peak as f64, most), "middle", back, -8.0);
    let at = comparison.correct as f64;
    let mut words = format!("Grey: {guessers}. ");
    if let (Some(critical), Some(line)) = (critical, line) {
        chart.upright(Tone::Critical, line);
        let (anchor, dx) = if stands_before { ("end", -6.0) } else { ("start", 6.0) };
        chart.words(&format!("needed: {critical}"), (line, most * 1.3), anchor, dx, 12.0);
        let _ = write!(words, "{critical} were needed. ");
    }
    let y = most * 0.07;
    if let Some((lower, upper)) = interval {
        chart.line(Tone::First, &[(lower, y), (upper, y)]);
        let _ = write!(
            words,
            "The line is the 95 % interval, {} to {}. ",
            percent(analysis.interval.lower),
            percent(analysis.interval.upper)
        );
    }
    chart.disc(Tone::First, at, y, 7.0);
    let anchor = if at > low as f64 + 0.85 * (high - low) as f64 {
        "end"
    } else if at < low as f64 + 0.15 * (high - low) as f64 {
        "start"
    } else {
        "middle"
    };
    chart.named(
        Tone::First,
        &format!("{} {}", comparison.correct, inquiry.counted_unnamed()),
        (at, y),
        anchor,
        0.0,
        -14.0,
    );
    Some(chart.finish(format!("{words}Seen: {} of {trials}.", comparison.correct)))
}

/// Whole numbers, at most about a dozen of them.
fn ticks(low: u64, high: u64) -> Vec<(f64, String)> {
    let step = [1, 2, 4, 5, 10, 20, 25, 50, 100, 200, 250, 500]
        .into_iter()
        .find(|step| (high - low) / step <= 12)
        .unwrap_or(1000);
    (low.next_multiple_of(step)..=high).step_by(step as usize).map(|k| (k as f64, k.to_string())).collect()
}
