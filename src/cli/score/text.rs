//! Scores as people read them.

use std::io::Write;

use super::super::{Failure, print_lines};
use crate::stats::one::{Analysis, DPrime, Extreme};
use crate::stats::protocol::Sides;
use crate::stats::psychometric::Model;
use crate::stats::similarity::Similarity;
use crate::units::printed;
use crate::units::printed::{count, percent, probability, stated};
use crate::verdict::Verdict;

fn d_prime(d: &DPrime, sides: Sides) -> String {
    let (value, lower, upper) = (d.value, d.lower, d.upper);
    match d.extreme {
        Some(Extreme::AllRight) => {
            let all = match sides {
                Sides::One => "all right",
                Sides::Two => "all for side B",
            };
            format!("above {lower:.2}; {all}, so no upper limit (about {value:.2} as a stand-in)")
        }
        Some(Extreme::NoneRight) => {
            format!("below {upper:.2}; all for side A, so no lower limit (about {value:.2} as a stand-in)")
        }
        Some(Extreme::AtOrBelowChance) | None => format!("{value:.2}, {lower:.2} to {upper:.2} (two-sided)"),
    }
}

fn model(model: Model) -> &'static str {
    match model {
        Model::Differencing => "the listener compares differences",
        Model::IndependentObservation => "the listener uses all three observations",
        Model::TwoAfc => "the larger of two",
        Model::Triangle => "the farthest of three",
        Model::Tetrad => "two groups of two",
        Model::SameDifferent => "same or different by a fixed distance",
        Model::YesNo => "above or below a line",
    }
}

/// One score.
pub(super) fn one(out: &mut dyn Write, analysis: &Analysis, verdict: &Verdict) -> Result<(), Failure> {
    writeln!(out, "{}", verdict.headline)?;
    // The scope sentence and control notes belong to sittings; of bare numbers only what the numbers say.
    print_lines(out, verdict.limits.iter().take(2))?;
    writeln!(out)?;
    numbers(out, analysis)
}

/// The numbers of one score.
pub(super) fn numbers(out: &mut dyn Write, analysis: &Analysis) -> Result<(), Failure> {
    let level = stated(analysis.interval.level);
    let critical = analysis.critical.map_or_else(
        || format!("no score of {} reaches {}", count(analysis.trials, "trial"), stated(analysis.alpha)),
        |critical| {
            format!("{critical} of {} for a risk of at most {}", analysis.trials, stated(analysis.alpha))
        },
    );
    let mut line =
        |name: &str, value: String| -> Result<(), Failure> { Ok(writeln!(out, "  {name:<26}{value}")?) };
    line("protocol", format!("{}, chance {}", analysis.protocol, percent(analysis.chance)))?;
    line("score", format!("{} of {} ({})", analysis.correct, analysis.trials, percent(analysis.proportion)))?;
    if analysis.p_value >= f64::MIN_POSITIVE {
        line(
            "p-value",
            format!("{} (mid-p {})", probability(analysis.p_value), probability(analysis.mid_p)),
        )?;
    } else {
        line("p-value", format!("about 1e{:.0}", analysis.log10_p_value.floor()))?;
    }
    line("score needed", critical)?;
    for (name, interval) in
        [("Clopper-Pearson", analysis.interval), ("Wilson", analysis.wilson), ("Jeffreys", analysis.jeffreys)]
    {
        line(
            &format!("{level} {name}"),
            format!("{} to {} (two-sided)", percent(interval.lower), percent(interval.upper)),
        )?;
    }
    if analysis.below_guessing {
        line(
            "two-sided p-value",
            format!("{}: so low a score disagrees with guessing", probability(analysis.two_sided_p_value)),
        )?;
    }
    if let Some(lead) = analysis.lead.filter(|_| analysis.sides == Sides::Two || analysis.below_guessing) {
        let whose = match analysis.sides {
            Sides::Two => "lead of side B",
            Sides::One => "lead of the claimed side",
        };
        let share = |share: f64| printed::percent(share);
        line(
            whose,
            format!(
                "{} of answers, {} to {} (two-sided)",
                share(lead.estimate),
                share(lead.lower),
                share(lead.upper)
            ),
        )?;
    } else if !analysis.below_guessing {
        let share = analysis.discriminators;
        line(
            "heard in",
            format!(
                "{} of trials, {} to {} (two-sided); at most {} (one-sided)",
                percent(share.estimate),
                percent(share.lower),
                percent(share.upper),
                percent(analysis.discriminators_at_most)
            ),
        )?;
    }
    if !analysis.protocol.asks().has_right_answer() {
        return line("Bayes factor", bayes(analysis, "no preference"));
    }
    if analysis.below_guessing {
        return line("Bayes factor", bayes(analysis, "guessing"));
    }
    line(
        "d-prime",
        format!("{} ({})", d_prime(&analysis.d_prime, analysis.sides), model(analysis.d_prime.model)),
    )?;
    if let Some(other) = &analysis.d_prime_independent_observation
        && other.model != analysis.d_prime.model
    {
        line("", format!("{} ({})", d_prime(other, analysis.sides), model(other.model)))?;
    }
    if analysis.d_prime.extreme != Some(Extreme::AllRight) && analysis.sides == Sides::One {
        line("", format!("at most {:.2} with {level} confidence (one-sided)", analysis.d_prime_at_most))?;
    }
    line("Bayes factor", bayes(analysis, "guessing"))
}

fn bayes(analysis: &Analysis, against: &str) -> String {
    format!("{} against {against} (prior: {})", factor(analysis), analysis.bayes_prior)
}

fn factor(analysis: &Analysis) -> String {
    let value = analysis.bayes_factor_10;
    if analysis.ln_bayes_factor_10 > f64::MAX.ln() {
        return format!("about 1e{:.0}", analysis.ln_bayes_factor_10 / std::f64::consts::LN_10);
    }
    if (0.01..10_000.0).contains(&value) { printed::significant(value) } else { format!("{value:.1e}") }
}

/// The similarity verdict beside the difference verdict.
pub(super) fn similarity(out: &mut dyn Write, found: &Similarity) -> Result<(), Failure> {
    let (limit, risk) = (stated(found.limit), stated(found.beta));
    writeln!(out)?;
    if found.below_guessing {
        writeln!(
            out,
            "\"Heard in at most {limit} of trials\": not supported, because so low a score disagrees with guessing: \
             something was heard and answered the other way round, or answers were mixed up."
        )?;
    } else if found.below_chance {
        writeln!(
            out,
            "\"Heard in at most {limit} of trials\": no conclusion, because the score is below what guessing gives on \
             average (ISO 4120 8.2)."
        )?;
    } else if found.similar {
        writeln!(
            out,
            "\"Heard in at most {limit} of trials\" is supported at a risk of {risk} ({}).",
            printed::p_value(found.p_value)
        )?;
    } else {
        let needed = found.critical.map_or_else(
            || "no score of so few trials would do".to_string(),
            |critical| format!("at most {critical} right would do"),
        );
        writeln!(
            out,
            "\"Heard in at most {limit} of trials\" is not supported at a risk of {risk} ({}; {needed}). What is \
             supported: at most {}.",
            printed::p_value(found.p_value),
            percent(found.discriminators_at_most)
        )?;
    }
    Ok(())
}
