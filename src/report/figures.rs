//! Figures of what was answered: scores against chance, intervals, running scores.
//!
//! Everything is computed by `stats`; here it is only drawn and put into words.

use std::fmt::Write as _;

use super::model::{ClipFacts, SequentialFacts};
use super::svg::{Axis, Chart, Figure, Tone, cut};
use crate::stats::one::Analysis;
use crate::stats::protocol::Inquiry;
use crate::stats::room::Distribution;
use crate::stats::sequential::SequentialTest;
use crate::stats::{Protocol, binomial, one};
use crate::units::printed;
use crate::verdict::{ComparisonResult, ListenerResult};

/// Most rows of a forest plot that can carry names.
const MOST_NAMED: usize = 40;
/// Height of such a row, in units of the view box.
const ROW: f64 = 14.5;
/// Most running scores that are drawn one by one; more are drawn as bands.
const MOST_PATHS: usize = 4;
/// Most listeners whose running scores are drawn at all.
const MOST_RUNNING: usize = 2000;
/// Longest x axis that is drawn trial by trial.
const MOST_BARS: u64 = 400;

/// Scores of listeners with equally many trials against what as many guessers would get. Nothing without listeners.
pub fn scores(protocol: Protocol, comparison: &ComparisonResult, alpha: f64) -> Option<Figure> {
    let trials = commonest(comparison.results.iter().map(|result| result.trials))?;
    let scores: Vec<&ListenerResult> =
        comparison.results.iter().filter(|result| result.trials == trials).collect();
    if trials == 0 || trials > MOST_BARS {
        return None;
    }
    let chance = protocol.chance();
    let listeners = scores.len() as f64;
    let critical = one::critical(protocol, trials, alpha);
    let mut seen = vec![0_u32; trials as usize + 1];
    for result in &scores {
        seen[result.correct as usize] += 1;
    }
    let expected: Vec<f64> = (0..=trials).map(|k| listeners * binomial::mass(k, trials, chance)).collect();
    let most = expected.iter().copied().fold(0.0, f64::max).max(if scores.len() > 1 {
        f64::from(seen.iter().copied().max().unwrap_or(0))
    } else {
        0.0
    });
    let label = if scores.len() == 1 { "probability".to_owned() } else { "number of listeners".to_owned() };
    let what = Inquiry::from(protocol).counted_answers();
    let mut chart = Chart::new(
        format!("{}: scores against chance", comparison.name),
        Axis::linear(format!("{what} of {trials}"), -0.5, trials as f64 + 0.5)
            .with_ticks(whole_ticks(trials)),
        people(label, most * 1.12, scores.len() > 1),
    )
    .tall(230.0);
    for (k, height) in expected.iter().enumerate() {
        chart.bar(Tone::Quiet, (k as f64 - 0.42, 0.0), (k as f64 + 0.42, *height));
    }
    chart.name_band(
        Tone::Quiet,
        if scores.len() == 1 {
            "a guesser".to_owned()
        } else {
            format!("{} guessers, on average", scores.len())
        },
    );
    if scores.len() == 1 {
        chart.upright(Tone::First, scores[0].correct as f64);
        chart.mark(Tone::First, scores[0].correct as f64, most * 0.98);
        chart.name_mark(Tone::First, format!("{}: {}", cut(&scores[0].name, 30), scores[0].correct));
    } else {
        for (k, count) in seen.iter().enumerate().filter(|(_, count)| **count > 0) {
            chart.mark(Tone::First, k as f64, f64::from(*count));
            chart.line(Tone::First, &[(k as f64, 0.0), (k as f64, f64::from(*count))]);
        }
        chart.name_mark(Tone::First, "these listeners");
    }
    let mut words = format!(
        "{} with {trials} trials each. A guesser gets {:.1} {what} on average.",
        listeners_word(scores.len()),
        chance * trials as f64
    );
    if let Some(critical) = critical {
        chart.upright(Tone::Critical, critical as f64 - 0.5);
        chart.name(Tone::Critical, format!("score needed alone: {critical}"));
        let passed =
            scores.iter().filter_map(|result| result.analysis.as_ref()).filter(|of| of.significant).count();
        let _ = write!(words, " A single listener needs {critical}; {passed} reached it.");
    }
    let list: Vec<String> = (0..=trials)
        .filter(|k| seen[*k as usize] > 0)
        .map(|k| format!("{k}: {}", listeners_word(seen[k as usize] as usize)))
        .collect();
    let _ = write!(words, " Seen: {}.", list.join("; "));
    Some(chart.finish(words))
}

/// The pooled score of a room that shared its draws, against its exact distribution over the draws.
pub fn room(comparison: &ComparisonResult, distribution: &Distribution) -> Option<Figure> {
    let room = comparison.room.as_ref()?;
    let cells: Vec<(f64, f64)> = distribution
        .probabilities
        .iter()
        .enumerate()
        .map(|(index, p)| ((distribution.least + index as u64 * distribution.step) as f64, *p))
        .collect();
    // Tails that no eye could see are left out, the seen score is kept in.
    let visible = |cell: &&(f64, f64)| cell.1 > 1e-6;
    let low = cells.iter().find(visible)?.0.min(room.correct as f64);
    let high = cells.iter().rev().find(visible)?.0.max(room.correct as f64);
    // Many fine cells are joined, so that the picture stays small.
    let wide = ((high - low) / 160.0).ceil().max(distribution.step as f64);
    let mut bars: Vec<(f64, f64)> = Vec::new();
    for (votes, p) in cells.iter().filter(|(votes, _)| *votes >= low && *votes <= high) {
        let at = low + ((votes - low) / wide).floor() * wide;
        match bars.last_mut() {
            Some(bar) if bar.0 == at => bar.1 += p,
            _ => bars.push((at, *p)),
        }
    }
    let most = bars.iter().map(|bar| bar.1).fold(0.0, f64::max);
    let mut chart = Chart::new(
        format!("{}: the room's votes against the draws", comparison.name),
        Axis::linear("right votes of all together", low - wide, high + wide),
        Axis::linear("probability", 0.0, most * 1.12),
    );
    for (at, p) in bars {
        chart.bar(Tone::Quiet, (at - 0.42 * wide, 0.0), (at + 0.42 * wide, p));
    }
    chart.name_band(Tone::Quiet, "the same votes, other draws");
    chart.upright(Tone::First, room.correct as f64);
    chart.mark(Tone::First, room.correct as f64, most * 0.98);
    chart.name_mark(Tone::First, format!("this room: {} of {}", room.correct, room.votes));
    if let Some(critical) = room.critical {
        chart.upright(Tone::Critical, critical as f64);
        chart.name(Tone::Critical, format!("score needed: {critical}"));
    }
    Some(chart.finish(format!(
        "All votes are kept as they were cast and every possible draw of X is weighed alike: {:.1} right on average, \
         standard deviation {:.1}. Seen: {} of {}.",
        room.expected, room.standard_deviation, room.correct, room.votes
    )))
}

/// Proportion right with its interval, one row per listener, all together below, with the score needed alone at the risk
/// `alpha` (nothing where a sequential rule decides). Nothing without listeners.
pub fn forest(protocol: Protocol, comparison: &ComparisonResult, alpha: Option<f64>) -> Option<Figure> {
    let rows: Vec<(&ListenerResult, &Analysis)> =
        comparison.results.iter().filter_map(|row| Some((row, row.analysis.as_ref()?))).collect();
    if rows.is_empty() {
        return None;
    }
    let pooled = comparison.analysis.as_ref().filter(|_| rows.len() > 1);
    let named = rows.len() <= MOST_NAMED;
    let lines = rows.len() + usize::from(pooled.is_some());
    let height = if named { 66.0 + ROW * lines as f64 } else { 460.0 };
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|a, b| rows[*b].1.proportion.total_cmp(&rows[*a].1.proportion).then(a.cmp(b)));
    let what = format!("proportion {}", Inquiry::from(protocol).counted_unnamed());
    let mut chart = Chart::new(
        format!("{}: {what}, with 95 % intervals", comparison.name),
        Axis::linear(what, 0.0, 1.0),
        Axis::linear("", 0.0, lines as f64).with_ticks(Vec::new()),
    )
    .tall(height)
    .right(if named { 66.0 } else { 24.0 });
    chart = if named {
        chart.left_for(rows.iter().map(|(row, _)| row.name.as_str()).chain(["all together"]))
    } else {
        chart.left(24.0)
    };
    let chance = protocol.chance();
    chart.upright(Tone::Chance, chance);
    chart.name(Tone::Chance, "a guesser");
    let critical = commonest(rows.iter().map(|(row, _)| row.trials))
        .and_then(|trials| one::critical(protocol, trials, alpha?).map(|critical| (critical, trials)));
    if let Some((critical, trials)) = critical {
        // The score that one listener needs is not the one of all together: the line ends above their row.
        let (x, low) = (critical as f64 / trials as f64, if pooled.is_some() { 1.0 } else { 0.0 });
        chart.line(Tone::Critical, &[(x, low), (x, lines as f64)]);
        chart.name(Tone::Critical, format!("score needed alone: {critical} of {trials}"));
    }
    for (place, index) in order.iter().enumerate() {
        let (row, analysis) = rows[*index];
        let y = lines as f64 - place as f64 - 0.5;
        let interval = analysis.interval;
        let tone = if named { Tone::First } else { Tone::Quiet };
        chart.line(tone, &[(interval.lower, y), (interval.upper, y)]);
        if named {
            chart.mark(Tone::First, analysis.proportion, y);
            chart.words(&row.name, (0.0, y), "end", -8.0, 4.0);
            chart.words(&format!("{}/{}", row.correct, row.trials), (1.0, y), "start", 8.0, 4.0);
        }
    }
    if !named {
        let points: Vec<(f64, f64)> = order
            .iter()
            .enumerate()
            .map(|(place, index)| (rows[*index].1.proportion, lines as f64 - place as f64 - 0.5))
            .collect();
        chart.line(Tone::First, &points);
        chart.name(Tone::First, "listeners, best at the top");
    }
    let mut words = String::new();
    if let Some(pooled) = pooled {
        chart.line(Tone::Second, &[(pooled.interval.lower, 0.5), (pooled.interval.upper, 0.5)]);
        chart.mark(Tone::Second, pooled.proportion, 0.5);
        chart.name_mark(Tone::Second, "all together");
        if named {
            chart.words("all together", (0.0, 0.5), "end", -8.0, 4.0);
            chart.words(&format!("{}/{}", pooled.correct, pooled.trials), (1.0, 0.5), "start", 8.0, 4.0);
        }
        let _ = write!(
            words,
            "All together: {:.3}, interval {:.3} to {:.3}. ",
            pooled.proportion, pooled.interval.lower, pooled.interval.upper
        );
    }
    let _ = write!(words, "{}. A guesser: {chance:.3}.", listeners_word(rows.len()));
    if named {
        let list: Vec<String> = rows
            .iter()
            .map(|(row, analysis)| {
                let (interval, proportion) = (analysis.interval, analysis.proportion);
                format!("{}: {proportion:.2}, {:.2} to {:.2}", row.name, interval.lower, interval.upper)
            })
            .collect();
        let _ = write!(words, " {}.", list.join("; "));
    } else {
        words += " The table below has every listener.";
    }
    Some(chart.finish(words))
}

/// Running scores, counted from what a guesser gets on average, with the lines of the sequential rule or the range of
/// guessers. Nothing without trials, or with so many that a picture would show nothing.
pub fn running(
    protocol: Protocol,
    comparison: &ComparisonResult,
    sequential: Option<&SequentialFacts>,
    most_trials: u64,
    alpha: f64,
) -> Option<Figure> {
    let rows = &comparison.results;
    let longest = rows.iter().map(|row| row.path.len()).max()? as u64;
    if longest == 0 || rows.len() > MOST_RUNNING || longest > 5000 {
        return None;
    }
    let chance = protocol.chance();
    let above = |correct: u64, trials: u64| correct as f64 - chance * trials as f64;
    let test = sequential.and_then(|rule| {
        SequentialTest::new(protocol, rule.alpha, rule.beta, rule.proportion, most_trials.max(longest)).ok()
    });
    let paths: Vec<Vec<(f64, f64)>> = rows
        .iter()
        .map(|row| {
            let mut correct = 0;
            std::iter::once((0.0, 0.0))
                .chain(row.path.iter().enumerate().map(|(index, right)| {
                    correct += u64::from(*right);
                    ((index + 1) as f64, above(correct, index as u64 + 1))
                }))
                .collect()
        })
        .collect();
    let mut bounds: Vec<((f64, f64), (f64, f64))> = Vec::new();
    let mut low_k = 0_u64;
    let mut high_k = 0_u64;
    for trials in 1..=longest {
        if let Some(test) = &test {
            let (low, high) = test.intercepts();
            let line = |intercept: f64| {
                (trials as f64, test.slope() * trials as f64 + intercept - chance * trials as f64)
            };
            bounds.push((line(low), line(high)));
        } else {
            while low_k < trials && binomial::lower(low_k, trials, chance) < 0.025 {
                low_k += 1;
            }
            while high_k < trials && binomial::upper(high_k + 1, trials, chance) > 0.025 {
                high_k += 1;
            }
            bounds.push(((trials as f64, above(low_k, trials)), (trials as f64, above(high_k, trials))));
        }
    }
    let (lower, upper): (Vec<_>, Vec<_>) = bounds.into_iter().unzip();
    let values = || paths.iter().flatten().chain(&lower).chain(&upper).map(|point| point.1);
    let least = values().fold(-1.0, f64::min);
    let most = values().fold(1.0, f64::max);
    let what = Inquiry::from(protocol).counted_answers();
    let mut chart = Chart::new(
        format!("{}: running score", comparison.name),
        Axis::linear("counted trial", 0.0, longest as f64),
        Axis::linear(format!("{what} above chance"), least.floor(), most.ceil()),
    )
    .tall(230.0);
    chart.across(Tone::Chance, 0.0);
    let mut words = String::new();
    if test.is_some() {
        chart.line(Tone::Critical, &upper);
        chart.line(Tone::Critical, &lower);
        chart.name(Tone::Critical, "the rule: a difference above, none below");
        words += "The two slanting lines are those of the sequential rule. ";
    } else {
        chart.band(Tone::Quiet, &lower, &upper);
        chart.name_band(Tone::Quiet, "95 % of guessers");
    }
    if rows.len() <= MOST_PATHS {
        for (index, (row, path)) in rows.iter().zip(&paths).enumerate() {
            chart.line(Tone::of(index), path);
            chart.name(Tone::of(index), cut(&row.name, 40));
        }
    } else {
        let [least, quarter, middle, most] = [0.0, 0.25, 0.5, 1.0].map(|share| quantile(&paths, share));
        chart.band(Tone::First, &least, &most);
        chart.band(Tone::First, &quarter, &quantile(&paths, 0.75));
        chart.line(Tone::First, &middle);
        chart.name_band(Tone::First, format!("{} listeners: all, middle half, middle one", rows.len()));
    }
    if let (None, Some(critical)) = (&test, one::critical(protocol, longest, alpha)) {
        chart.mark(Tone::Critical, longest as f64, above(critical, longest));
        chart.name_mark(Tone::Critical, format!("score needed at the end: {critical} of {longest}"));
        let _ = write!(words, "At the end {critical} of {longest} are needed. ");
    }
    let ends: Vec<String> =
        rows.iter().map(|row| format!("{} ended with {} of {}", row.name, row.correct, row.trials)).collect();
    let _ = write!(words, "{}.", ends.join("; "));
    Some(chart.finish(words))
}

/// A clip's mean power in third-octave bands. Nothing for a silent clip.
pub fn spectrum(clip: &ClipFacts) -> Option<Figure> {
    /// Levels further below the highest one are not drawn.
    const RANGE_DB: f64 = 80.0;
    let bands = &clip.third_octaves_hz_db;
    let (at, top) = bands.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let high = (top / 10.0).ceil() * 10.0;
    let bottom = bands.iter().map(|band| band.1).fold(top, f64::min).max(top - RANGE_DB);
    let low = (bottom / 10.0).floor() * 10.0;
    let mut chart = Chart::new(
        format!("{}: spectrum", cut(&clip.name, 40)),
        Axis::logarithmic("frequency, Hz", 20.0, 24_000.0),
        Axis::linear("dB, full scale 0", low, high),
    )
    .tall(190.0);
    let half = 10.0_f64.powf(0.045);
    for (centre, level) in bands.iter().filter(|band| band.1 > low) {
        chart.bar(Tone::First, (centre / half, low), (centre * half, *level));
    }
    let wide: Vec<&(f64, f64)> = bands.iter().filter(|band| band.1 >= top - 40.0).collect();
    let (first, last) = (wide.first()?, wide.last()?);
    Some(chart.finish(format!(
        "Mean power in third-octave bands. The strongest is at {at} with {top}; bands within 40 dB of it reach from \
         {} to {}.",
         printed::hertz(first.0),
         printed::hertz(last.0), at = printed::hertz(at), top = printed::fixed(top, 1, "dB"))))
}

/// Number of people on an axis: whole ones.
fn people(label: String, most: f64, several: bool) -> Axis {
    let axis = Axis::linear(label, 0.0, most);
    if !several {
        return axis;
    }
    let step = [1, 2, 5, 10, 20, 50, 100, 200, 500].into_iter().find(|step| most / f64::from(*step) <= 7.0);
    let step = step.unwrap_or(1000);
    axis.with_ticks((0..=most as u32).step_by(step as usize).map(|k| (f64::from(k), k.to_string())).collect())
}

/// At each trial, the value below which this share of the listeners are who got so far.
fn quantile(paths: &[Vec<(f64, f64)>], share: f64) -> Vec<(f64, f64)> {
    let longest = paths.iter().map(Vec::len).max().unwrap_or(0);
    (0..longest)
        .map(|trial| {
            let mut there: Vec<f64> =
                paths.iter().filter_map(|path| path.get(trial)).map(|at| at.1).collect();
            there.sort_by(f64::total_cmp);
            (trial as f64, there[((there.len() - 1) as f64 * share).round() as usize])
        })
        .collect()
}

/// The most frequent value, the larger one of two equally frequent.
fn commonest(values: impl Iterator<Item = u64>) -> Option<u64> {
    let mut counts = std::collections::BTreeMap::new();
    for value in values {
        *counts.entry(value).or_insert(0_u32) += 1;
    }
    counts.into_iter().max_by_key(|(value, count)| (*count, *value)).map(|(value, _)| value)
}

fn whole_ticks(trials: u64) -> Vec<(f64, String)> {
    let step = [1, 2, 5, 10, 20, 50, 100].into_iter().find(|step| trials / step <= 20).unwrap_or(200);
    (0..=trials).step_by(step as usize).map(|k| (k as f64, k.to_string())).collect()
}

fn listeners_word(number: usize) -> String {
    if number == 1 { "1 listener".to_owned() } else { format!("{number} listeners") }
}
