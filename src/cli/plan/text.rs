//! Plans as people read them.

use std::io::Write;

use super::super::{Failure, paragraph};
use super::planned::{SessionPlan, Supported};
use super::{Panel, Sequential};
use crate::session::LeaveOut;
use crate::stats::Protocol;
use crate::stats::panel_power::PanelRow;
use crate::stats::power::{Design, Plan, Risks};
use crate::stats::protocol::{Asks, Sides};
use crate::stats::sequential::Exact;
use crate::stats::similarity::SimilarityPlan;
use crate::stats::simulate::Simulated;
use crate::units::printed::{self, count, percent, stated, uncertain};
use crate::verdict::panel::for_whom_words;

/// "right 75 % of the time (heard in 50 % of trials, d-prime 2.02)".
fn effect(design: &Design) -> String {
    let (d, share) = design.effect();
    let share_of_one_side = stated(design.proportion);
    match (design.protocol.asks(), design.sides) {
        (Asks::Preference, _) => format!("one side preferred in {share_of_one_side} of answers"),
        (Asks::Attribute, Sides::Two) => format!("one side named in {share_of_one_side} of answers"),
        _ if design.proportion >= 1.0 => "right in every trial".to_string(),
        (Asks::Attribute | Asks::Difference, _) => format!(
            "right in {} of trials (heard in {}, the others guessed; d-prime {d:.2})",
            stated(design.proportion),
            percent(share)
        ),
    }
}

fn needed(risks: &Risks) -> String {
    risks
        .critical
        .map_or_else(|| "no score is enough".to_string(), |critical| format!("score needed {critical}"))
}

/// The plan, or the risks of a given number of trials.
pub(super) fn plan(
    out: &mut dyn Write,
    design: &Design,
    wanted: f64,
    risks: &Risks,
    plan: Option<&Plan>,
) -> Result<(), Failure> {
    writeln!(out, "{}: {}. Error risk {}.", design.protocol, effect(design), stated(design.alpha))?;
    let line = |risks: &Risks| {
        format!(
            "{}, {}: a guesser passes in {} of tests, the difference is found in {}",
            count(risks.trials, "trial"),
            needed(risks),
            percent(risks.alpha),
            percent(uncertain(risks.power))
        )
    };
    match plan {
        None => {
            writeln!(out, "{}.", line(risks))?;
            if risks.power < 0.8 {
                writeln!(
                    out,
                    "So few trials prove little if nothing is found: they miss a difference of this size in {} of tests.",
                    percent(1.0 - risks.power)
                )?;
            }
        }
        Some(plan) => {
            writeln!(out, "To find it in {} of tests:", stated(wanted))?;
            writeln!(out, "  at least    {}.", line(&plan.first))?;
            if plan.stable.trials != plan.first.trials {
                writeln!(out, "  to be safe  {}.", line(&plan.stable))?;
                writeln!(
                    out,
                    "Some numbers of trials between the two fall short, because scores are whole numbers."
                )?;
            }
        }
    }
    Ok(())
}

/// What a number of trials finds.
pub(super) fn within_reach(
    out: &mut dyn Write,
    design: &Design,
    wanted: f64,
    risks: &Risks,
) -> Result<(), Failure> {
    writeln!(
        out,
        "{}: {}, {}: a guesser passes in {} of tests.",
        design.protocol,
        count(risks.trials, "trial"),
        needed(risks),
        percent(risks.alpha)
    )?;
    writeln!(
        out,
        "Found in {} of tests: {}. Smaller differences are missed more often.",
        stated(wanted),
        effect(design)
    )?;
    Ok(())
}

/// A table over numbers of trials.
pub(super) fn table(out: &mut dyn Write, rows: &[Risks]) -> Result<(), Failure> {
    writeln!(out)?;
    writeln!(out, "{:>8} {:>8} {:>10} {:>10}", "trials", "needed", "risk", "power")?;
    for row in rows {
        let critical = row.critical.map_or("-".to_string(), |critical| critical.to_string());
        writeln!(out, "{:>8} {critical:>8} {:>10.6} {:>10.6}", row.trials, row.alpha, row.power)?;
    }
    Ok(())
}

/// A table over the trials of each listener of a panel.
pub(super) fn panel_table(out: &mut dyn Write, rows: &[PanelRow]) -> Result<(), Failure> {
    writeln!(out)?;
    writeln!(
        out,
        "{:>8} {:>8} {:>8} {:>10} {:>10} {:>10}",
        "each", "all", "needed", "risk", "power", "if alike"
    )?;
    for row in rows {
        let critical = row.alike.critical.map_or("-".to_string(), |critical| critical.to_string());
        writeln!(
            out,
            "{:>8} {:>8} {critical:>8} {:>10.6} {:>10.6} {:>10.6}",
            row.trials_each, row.alike.trials, row.alike.alpha, row.power, row.alike.power
        )?;
    }
    Ok(())
}

/// A similarity test.
pub(super) fn similarity(
    out: &mut dyn Write,
    protocol: Protocol,
    limit: f64,
    beta: f64,
    share: f64,
    plan: &SimilarityPlan,
) -> Result<(), Failure> {
    writeln!(
        out,
        "{protocol}: to support \"heard in at most {} of trials\" at a risk of {}, if it is heard in {}:",
        stated(limit),
        stated(beta),
        stated(share)
    )?;
    writeln!(
        out,
        "{}, at most {} right: supported wrongly in {} of tests, rightly in {}.",
        count(plan.trials, "trial"),
        plan.critical,
        percent(plan.beta),
        percent(plan.power)
    )?;
    if plan.stable_trials != plan.trials {
        writeln!(out, "With {} or more the power is always reached.", count(plan.stable_trials, "trial"))?;
    }
    Ok(())
}

/// A sequential test.
pub(super) fn sequential(out: &mut dyn Write, design: &Design, plan: &Sequential) -> Result<(), Failure> {
    let test = &plan.test;
    writeln!(
        out,
        "{}: {}; sequential test, at most {}.",
        design.protocol,
        effect(design),
        count(test.most_trials, "trial")
    )?;
    let (low, high) = test.intercepts();
    writeln!(
        out,
        "Stop for \"a difference\" at {} + {:.4} n right or more, for \"no difference\" at {} + {:.4} n or less.",
        printed::fixed(high, 3, ""),
        test.slope(),
        printed::fixed(low, 3, ""),
        test.slope()
    )?;
    for (who, exact) in [("a guesser", plan.guessing), ("a listener", plan.hearing)] {
        writeln!(
            out,
            "  {who:<13} \"a difference\" in {}, \"no difference\" in {}, undecided in {} of sittings; {:.1} trials on average.",
            percent(exact.difference),
            percent(exact.no_difference),
            percent(exact.undecided),
            exact.expected_trials
        )?;
    }
    let missed = 1.0 - plan.hearing.difference;
    writeln!(
        out,
        "It misses such a listener in {} of sittings: \"no difference\" in {}, undecided in {}.{}",
        percent(missed),
        percent(plan.hearing.no_difference),
        percent(plan.hearing.undecided),
        if missed > 2.0 * test.beta {
            " That is more than twice the agreed risk, because the trials run out too soon: allow more."
        } else {
            ""
        }
    )?;
    writeln!(out)?;
    writeln!(out, "{:>8} {:>22} {:>22}", "trials", "no difference, at most", "difference, at least")?;
    for trials in 1..=test.most_trials.min(40) {
        let (accept, reject) = test.boundaries(trials);
        let show = |value: Option<u64>| value.map_or("-".to_string(), |value| value.to_string());
        writeln!(out, "{trials:>8} {:>22} {:>22}", show(accept), show(reject))?;
    }
    Ok(())
}

fn simulated(value: &Simulated) -> String {
    // All or none of a simulation's panels leave no spread to print.
    if value.standard_error == 0.0 {
        return if value.value >= 1.0 { "all" } else { "none" }.to_owned();
    }
    format!("{} ± {}", percent(value.value), percent(value.standard_error))
}

/// A panel.
pub(super) fn panel(out: &mut dyn Write, design: &Design, panel: &Panel) -> Result<(), Failure> {
    let power = &panel.power;
    writeln!(
        out,
        "{}: {}, {} each; on average {}; over-dispersion {}.",
        design.protocol,
        count(panel.listeners, "listener"),
        count(panel.trials, "trial"),
        effect(design),
        panel.gamma
    )?;
    writeln!(
        out,
        "All {} answers pooled, {}: a guessing panel passes in {} of tests.",
        power.alike.trials,
        needed(&power.alike),
        percent(power.alike.alpha)
    )?;
    if let Some(exact) = power.pooled_exact {
        writeln!(out, "  pooled test finds the difference   {} (exact)", percent(exact))?;
    }
    writeln!(out, "  the same by simulation             {}", simulated(&power.pooled))?;
    writeln!(out, "  if all listeners were alike        {}", percent(power.alike.power))?;
    writeln!(out, "  at least one listener, Holm        {}", simulated(&power.any_listener))?;
    writeln!(
        out,
        "  listeners who would pass alone     {:.2} ± {:.2} of {}",
        power.passers_alone.value, power.passers_alone.standard_error, panel.listeners
    )?;
    writeln!(out, "{} simulated panels, seed {}.", power.pooled.simulations, power.seed)?;
    Ok(())
}

/// What a panel can show whose listeners each stop by a sequential rule, in three lines.
pub(super) fn sequential_session(
    out: &mut dyn Write,
    protocol: Protocol,
    (listeners, most, needed, power): (u64, u64, Option<u64>, f64),
    (guesser, listener): (&Exact, &Exact),
) -> Result<(), Failure> {
    writeln!(
        out,
        "{protocol}: {}, each until a sequential rule decides, at most {} (on average {:.0} for a guesser, {:.0} for a listener who \
         is right in {}).",
        count(listeners, "listener"),
        count(most, "trial"),
        guesser.expected_trials,
        listener.expected_trials,
        percent(listener.proportion)
    )?;
    match needed {
        None => writeln!(
            out,
            "A difference: cannot be shown, even if the rule finds every listener: ask more of them."
        )?,
        Some(needed) => writeln!(
            out,
            "A difference: the rule must find {needed} of {}. It does in {} of such tests (exact, if all are right in {} of trials).",
            count(listeners, "listener"),
            percent(power),
            percent(listener.proportion)
        )?,
    }
    writeln!(
        out,
        "One by one: the rule finds such a listener in {} of sittings. Of guessers it says \"no difference\" to {} and leaves {} \
         undecided.",
        percent(listener.difference),
        percent(guesser.no_difference),
        percent(guesser.undecided)
    )?;
    Ok(())
}

/// A paragraph that begins with what it is about, wrapped; what hangs over is indented.
pub(super) fn said(out: &mut dyn Write, about: &str, text: &str) -> Result<(), Failure> {
    for (index, line) in paragraph(2, &format!("{about}: {text}")).iter().enumerate() {
        writeln!(out, "{}", if index == 0 { line.trim_start() } else { line })?;
    }
    Ok(())
}

/// What a session's panel can show: the panel, and a paragraph each on what can be shown of whom.
pub(super) fn session(
    out: &mut dyn Write,
    plan: &SessionPlan,
    risks: &Risks,
    wanted: f64,
) -> Result<(), Failure> {
    let declared = match &plan.panel {
        None => "No [panel] is declared, so this is one sitting of one listener.".to_owned(),
        Some(panel) => format!("The result holds {}.", for_whom_words(panel.for_whom)),
    };
    let left_out = plan.panel.as_ref().is_some_and(|panel| panel.leave_out != LeaveOut::None);
    let all = format!(
        "{}, {} each of every comparison, {} together{}. {declared}",
        count(plan.listeners, "listener"),
        count(plan.trials_each, "trial"),
        risks.trials,
        if left_out { " if nobody is left out" } else { "" }
    );
    said(out, plan.design.protocol.name(), &all)?;
    let family = |tests: u64, what: &str| match tests {
        1 => String::new(),
        _ => format!(", as the strongest of {} judged together (Holm)", count(tests, what)),
    };
    let right = |critical: Option<u64>, of: u64| match critical {
        Some(critical) => format!("it takes {critical} of {of} right"),
        None => format!("no score of {of} is enough"),
    };
    difference(out, plan, risks, wanted, (&right, &family))?;
    looks(out, plan)?;
    if let Some(leaving) = &plan.leaving {
        let text = format!(
            "the rule on controls ({}) leaves out {} of listeners who hear nine of ten, and {} of guessers.",
            count(leaving.trials, "trial"),
            percent(leaving.able),
            percent(leaving.guessing)
        );
        said(out, "Left out", &text)?;
    }
    if let Some(own) = &plan.drop_outs {
        let text = format!(
            "if {} of the invited do not come or do not finish, each by chance, invite {}. Then {} sit in {} of such panels, and \
             with {} in {} (exact). There is no verdict until all have sat.",
            stated(own.share),
            own.invite,
            plan.listeners,
            percent(own.complete),
            count(plan.listeners, "invitation"),
            percent(own.complete_without_more)
        );
        said(out, "Drop-outs", &text)?;
    }
    no_difference(out, plan, risks)?;
    let text = match &plan.alone {
        None => return said(out, "Other listeners", "one listener says nothing about them."),
        Some(alone) => format!(
            "{}{}. A listener that good passes in {} of sittings (exact), so one who fails may still hear something.",
            right(alone.critical, plan.trials_each),
            family(alone.tests, "test"),
            percent(uncertain(alone.power))
        ),
    };
    said(out, "One by one", &text)
}

/// How many right answers are needed of so many, in words.
type Right<'a> = dyn Fn(Option<u64>, u64) -> String + 'a;
/// What of the comparisons a sentence says, of so many.
type FamilyWords<'a> = dyn Fn(u64, &str) -> String + 'a;

/// What it takes to show a difference, and how often one of a size is found.
fn difference(
    out: &mut dyn Write,
    plan: &SessionPlan,
    risks: &Risks,
    wanted: f64,
    (right, family): (&Right<'_>, &FamilyWords<'_>),
) -> Result<(), Failure> {
    let ended: f64 = plan.looks.iter().map(|look| look.ends).sum();
    let found = match (plan.looks.is_empty(), plan.sized) {
        (false, _) => uncertain(ended),
        (true, true) => uncertain(risks.power),
        (true, false) => wanted,
    };
    let differing = plan.differing.map_or_else(String::new, |power| {
        format!("; in {} if the listeners differ by an over-dispersion of {}", percent(power), plan.gamma)
    });
    let critical = plan.looks.last().map_or(risks.critical, |last| last.critical);
    let text = format!(
        "{}{}. Found in {} of such tests (exact{}){differing}: {}. Smaller ones are missed more often.",
        right(critical, risks.trials),
        family(plan.together, "comparison"),
        percent(found),
        if plan.listeners > 1 { ", if all hear it alike" } else { "" },
        effect(&plan.design),
    );
    said(out, "A difference", &text)
}

/// When the panel may end before everybody has sat.
fn looks(out: &mut dyn Write, plan: &SessionPlan) -> Result<(), Failure> {
    let [before @ .., _] = plan.looks.as_slice() else { return Ok(()) };
    let each: Vec<String> = before
        .iter()
        .map(|look| {
            let score = look.critical.map_or_else(
                || format!("no score of {} ends it", look.trials),
                |critical| format!("{critical} of {} right end it", look.trials),
            );
            format!(
                "after {} {score}, in {} of such tests",
                count(u64::from(look.listeners), "listener"),
                percent(look.ends)
            )
        })
        .collect();
    if each.is_empty() { Ok(()) } else { said(out, "Looks", &format!("{}.", each.join("; "))) }
}

/// Whether "no difference" can be shown, and how often it is where it is true.
fn no_difference(out: &mut dyn Write, plan: &SessionPlan, risks: &Risks) -> Result<(), Failure> {
    let Some(claim) = &plan.claim else {
        return said(
            out,
            "No difference",
            "cannot be shown, because no_difference_above is not declared. \"Not shown\" only rules out differences above a \
             limit that depends on the answers.",
        );
    };
    let supported = match &claim.supported {
        Supported::Exactly(value) => format!("{} of such tests (exact)", percent(*value)),
        Supported::Simulated(value) => {
            format!("{} of {} simulated tests", simulated(value), value.simulations)
        }
    };
    let most = claim.critical.map_or_else(String::new, |critical| {
        format!(" It takes at most {critical} of {} right.", risks.trials)
    });
    let text = format!(
        "if nobody hears anything, {supported} support \"heard in at most {} of trials\", at a risk of {}.{most}",
        stated(claim.limit),
        stated(claim.risk)
    );
    said(out, "No difference", &text)
}
