//! Power curves: what a test can find.
//!
//! Comes in: a design from `stats::power`. Goes out: a figure.

use std::fmt::Write as _;

use super::svg::{Axis, Chart, Figure, Tone};
use crate::stats::StatsError;
use crate::stats::panel_power::{PanelDesign, PanelRow};
use crate::stats::power::{Design, Effect, Plan};
use crate::stats::protocol::{Inquiry, Sides};
use crate::stats::psychometric::proportion_of_discriminators;
use crate::stats::sequential::SequentialTest;
use crate::units::printed::{count, percent, stated};

/// Most points that a curve is drawn with; a longer one is thinned, and says so.
const MOST_POINTS: u64 = 600;

/// Power over the number of trials: the sawtooth, the wanted power, the first and the stable number.
///
/// # Errors
/// A design with impossible values.
pub fn over_trials(
    design: &Design,
    wanted: f64,
    plan: Option<&Plan>,
    most: u64,
) -> Result<Figure, StatsError> {
    let most = most.max(10);
    let step = most.div_ceil(MOST_POINTS).max(1);
    let mut power = Vec::new();
    let mut risk = Vec::new();
    for trials in (1..=most).step_by(step as usize) {
        let risks = design.risks(trials)?;
        power.push((trials as f64, risks.power));
        risk.push((trials as f64, risks.alpha));
    }
    let title = format!(
        "Power over trials: {}, {} right, risk {}",
        design.protocol,
        stated(design.proportion),
        stated(design.alpha)
    );
    let mut chart =
        Chart::new(title, Axis::linear("trials", 0.0, most as f64), Axis::linear("probability", 0.0, 1.0));
    chart.line(Tone::First, &power);
    chart.line(Tone::Chance, &risk);
    chart.across(Tone::Critical, wanted);
    chart.name(Tone::First, "difference found");
    chart.name(Tone::Chance, "guesser passes");
    chart.name(Tone::Critical, format!("power wanted, {}", stated(wanted)));
    let mut description = format!(
        "The probability of finding the difference rises in a sawtooth over 1 to {}",
        count(most, "trial")
    );
    if let Some(plan) = plan {
        chart.mark(Tone::First, plan.first.trials as f64, plan.first.power);
        chart.mark(Tone::Second, plan.stable.trials as f64, plan.stable.power);
        chart.name(Tone::Second, format!("stable from {}", plan.stable.trials));
        let _ = write!(
            description,
            ". It first reaches {} at {} and stays above from {} on",
            stated(wanted),
            count(plan.first.trials, "trial"),
            plan.stable.trials
        );
    }
    if step > 1 {
        let _ = write!(description, ". Every {step}th number of trials is drawn");
    }
    description.push('.');
    Ok(chart.finish(description))
}

/// Power of a panel over the trials of each listener: as the listeners are, and as if all were alike.
pub fn of_panel(panel: &PanelDesign, wanted: f64, rows: &[PanelRow]) -> Figure {
    let most = rows.last().map_or(1, |row| row.trials_each);
    let listeners = count(panel.listeners, "listener");
    let title = format!(
        "Power of {listeners}: {}, {} right on average, over-dispersion {}",
        panel.design.protocol,
        stated(panel.design.proportion),
        panel.gamma
    );
    let mut chart = Chart::new(
        title,
        Axis::linear("trials of each listener", 0.0, most as f64),
        Axis::linear("probability", 0.0, 1.0),
    );
    let points = |of: fn(&PanelRow) -> f64| -> Vec<(f64, f64)> {
        rows.iter().map(|row| (row.trials_each as f64, of(row))).collect()
    };
    chart.line(Tone::First, &points(|row| row.power));
    chart.line(Tone::Second, &points(|row| row.alike.power));
    chart.line(Tone::Chance, &points(|row| row.alike.alpha));
    chart.across(Tone::Critical, wanted);
    chart.name(Tone::First, "difference found");
    chart.name(Tone::Second, "if all were alike");
    chart.name(Tone::Chance, "guessers pass");
    chart.name(Tone::Critical, format!("power wanted, {}", stated(wanted)));
    let reached = rows.iter().find(|row| row.power >= wanted).map_or_else(
        || format!("It does not reach {} up to {} each", stated(wanted), count(most, "trial")),
        |row| format!("It first reaches {} at {} each", stated(wanted), count(row.trials_each, "trial")),
    );
    let last = rows.last().map_or(0.0, |row| row.power);
    chart.finish(format!("{reached}, and at the end is {}.", percent(last)))
}

/// What this very test can find: power over the proportion of trials in which the difference is heard (preference: over
/// the proportion preferring one side).
///
/// # Errors
/// No or too many trials, alpha outside 0..1.
pub fn over_effect(inquiry: impl Into<Inquiry>, alpha: f64, trials: u64) -> Result<Figure, StatsError> {
    let inquiry = inquiry.into();
    let mut points = Vec::new();
    for hundredth in 1..=100 {
        let share = f64::from(hundredth) / 100.0;
        let design = Design::new(inquiry, alpha, Effect::Discriminators(share))?;
        points.push((share * 100.0, design.risks(trials)?.power));
    }
    let guess = points.first().map_or(0.0, |point| point.1);
    let half = points[49].1;
    let label = match inquiry.sides {
        Sides::Two => "lead of one side over the other, % of answers",
        Sides::One => "trials in which the difference is heard, %",
    };
    let mut chart = Chart::new(
        format!("What {} can show", count(trials, "trial")),
        Axis::linear(label, 0.0, 100.0),
        Axis::linear("share of tests that find it", 0.0, 1.0),
    )
    .tall(220.0);
    chart.line(Tone::First, &points);
    chart.across(Tone::Chance, alpha);
    chart.name(Tone::First, "difference found");
    chart.name(Tone::Chance, format!("agreed risk, {}", stated(alpha)));
    Ok(chart.finish(format!(
        "From {} where the difference is heard in 1 % of trials over {} at 50 % to {} at 100 %.",
        percent(guess),
        percent(half),
        percent(points[99].1)
    )))
}

/// What a sequential test says over the proportion of trials in which the difference is heard: exact, by recursion.
///
/// # Errors
/// A test of more trials than are computed exactly.
pub fn of_sequential(inquiry: impl Into<Inquiry>, test: &SequentialTest) -> Result<Figure, StatsError> {
    let inquiry = inquiry.into();
    let (mut difference, mut none) = (Vec::new(), Vec::new());
    for share in (0..=100).step_by(2) {
        let right = proportion_of_discriminators(inquiry.protocol, f64::from(share) / 100.0);
        let exact = test.exact(right)?;
        difference.push((f64::from(share), exact.difference));
        none.push((f64::from(share), exact.no_difference));
    }
    let label = match inquiry.sides {
        Sides::Two => "lead of one side over the other, % of answers",
        Sides::One => "trials in which the difference is heard, %",
    };
    let mut chart = Chart::new(
        format!("What the sequential rule says, at most {}", count(test.most_trials, "trial")),
        Axis::linear(label, 0.0, 100.0),
        Axis::linear("probability", 0.0, 1.0),
    )
    .tall(220.0);
    chart.line(Tone::First, &difference);
    chart.line(Tone::Second, &none);
    chart.across(Tone::Chance, test.alpha);
    chart.name(Tone::First, "\"a difference\"");
    chart.name(Tone::Second, "\"no difference\"");
    chart.name(Tone::Chance, format!("agreed risk, {}", stated(test.alpha)));
    Ok(chart.finish(format!(
        "It says \"a difference\" to a guesser in {} of sittings, in {} where the difference is heard in half of the trials, \
         and in {} where it is always heard.",
        percent(difference[0].1),
        percent(difference[25].1),
        percent(difference[50].1)
    )))
}
