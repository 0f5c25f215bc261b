//! Counts of many listeners, from a CSV file or from journals.

use std::collections::HashMap;
use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};

use super::super::{Failure, extend, print_json};
use super::table::lines;
use super::{ALPHA, ScoreArguments, analyse, protocol_named, similarity_fits, text};
use crate::session::Family;
use crate::stats::one::Analysis;
use crate::stats::protocol::Inquiry;
use crate::stats::{binomial, similarity};
use crate::units::printed;
use crate::units::printed::{count, probability};
use crate::verdict::counts::{Batch, Group, Row, Rules};

/// The names of the columns.
const COLUMNS: [&str; 5] = ["listener", "comparison", "protocol", "correct", "trials"];

/// Scores CSV files of counts.
pub(super) fn run(arguments: &ScoreArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let mut rows = Vec::new();
    for file in &arguments.files {
        rows.extend(read(file)?);
    }
    if rows.is_empty() {
        return Err(Failure::bad("there are no counts in these files: only a header"));
    }
    let rules = Rules {
        session: None,
        alpha: arguments.alpha.unwrap_or(ALPHA),
        family: arguments.family.unwrap_or(Family::Holm),
        sequential: None,
    };
    let batches = [Batch { rules, rows }];
    if arguments.json {
        return print_json(out, &document(arguments, &batches)?);
    }
    print(arguments, &batches, out)
}

/// Reads a CSV file of counts.
fn read(path: &Path) -> Result<Vec<Row>, Failure> {
    let mut rows = Vec::new();
    for line in lines(path, COLUMNS)? {
        let line = line?;
        let protocol = protocol_named(line.cell(2)).map_err(|failure| match failure {
            Failure::Bad(message) => line.complaint(message),
            other @ Failure::No(_) => other,
        })?;
        let (correct, trials) = (line.whole(3)?, line.whole(4)?);
        if trials == 0 {
            return Err(line.complaint("there are no trials: at least 1 is needed"));
        }
        if trials > crate::stats::MOST_TRIALS {
            return Err(line.complaint(format!("{trials} trials are too many")));
        }
        if correct > trials {
            return Err(line.complaint(format!("{correct} right of {trials} trials is not possible")));
        }
        rows.push(Row {
            listener: line.cell(0).to_owned(),
            comparison: line.cell(1).to_owned(),
            inquiry: protocol.into(),
            correct,
            trials,
            found: false,
        });
    }
    Ok(rows)
}

/// The JSON document of counts.
pub(super) fn document(arguments: &ScoreArguments, batches: &[Batch]) -> Result<Value, Failure> {
    let mut comparisons = Vec::new();
    for batch in batches {
        let mut known: HashMap<(Inquiry, u64, u64), Value> = HashMap::new();
        for group in batch.groups().map_err(Failure::bad)? {
            comparisons.push(group_document(arguments, &batch.rules, &group, &mut known)?);
        }
    }
    let alpha = batches.first().map_or(ALPHA, |batch| batch.rules.alpha);
    Ok(json!({
        "schema": "earwitness.score/1",
        "alpha": alpha,
        "level": arguments.level,
        "comparisons": comparisons,
    }))
}

fn group_document(
    arguments: &ScoreArguments,
    rules: &Rules,
    group: &Group,
    known: &mut HashMap<(Inquiry, u64, u64), Value>,
) -> Result<Value, Failure> {
    let mut of = |inquiry, correct, trials| -> Result<Value, Failure> {
        if let Some(found) = known.get(&(inquiry, correct, trials)) {
            return Ok(found.clone());
        }
        let analysis: Analysis = analyse(arguments, inquiry, correct, trials, rules.alpha)?;
        let value = serde_json::to_value(&analysis).map_err(Failure::bad)?;
        known.insert((inquiry, correct, trials), value.clone());
        Ok(value)
    };
    let listeners: Vec<Value> = group
        .rows
        .iter()
        .zip(&group.panel.holm)
        .map(|(row, holm)| {
            let mut value = json!({ "listener": row.listener });
            extend(&mut value, of(row.inquiry, row.correct, row.trials)?);
            extend(&mut value, json!({ "holm_p_value": holm }));
            Ok(value)
        })
        .collect::<Result<_, Failure>>()?;
    let panel = &group.panel;
    let (correct, trials) = (panel.pooled.correct, panel.pooled.trials);
    similarity_fits(arguments, group.inquiry)?;
    let similarity = match arguments.similarity {
        Some(limit) => Some(
            similarity::test(group.inquiry, correct, trials, limit, arguments.beta).map_err(Failure::bad)?,
        ),
        None => None,
    };
    Ok(json!({
        "comparison": group.comparison,
        "session": rules.session,
        "protocol": group.inquiry.protocol,
        "alpha": rules.alpha,
        "family": rules.family.name(),
        "family_tests": group.tests,
        "pooled": of(group.inquiry, correct, trials)?,
        "sequential": group.sequential,
        "family_p_value": group.family_p_value,
        "similarity": similarity,
        "passers": panel.passers,
        "passers_holm": panel.passers_holm,
        "best": {
            "listener": group.rows[panel.best.index].listener,
            "p_value_alone": panel.best.p_value_alone,
            "p_value": panel.best.p_value,
        },
        "fisher": panel.fisher,
        "stouffer": panel.stouffer,
        "heterogeneity": panel.heterogeneity,
        "beta_binomial": panel.beta_binomial,
        "listeners": listeners,
    }))
}

/// Most listeners in a printed table; `--json` has all.
const MOST_LINES: usize = 40;

/// The tables of counts.
pub(super) fn print(
    arguments: &ScoreArguments,
    batches: &[Batch],
    out: &mut dyn Write,
) -> Result<(), Failure> {
    for batch in batches {
        let groups = batch.groups().map_err(Failure::bad)?;
        if batches.len() > 1
            && let Some(session) = &batch.rules.session
        {
            writeln!(out, "Session {}...:", &session[..session.len().min(12)])?;
        }
        for group in &groups {
            print_group(arguments, &batch.rules, group, groups.len(), out)?;
        }
    }
    Ok(())
}

fn print_group(
    arguments: &ScoreArguments,
    rules: &Rules,
    group: &Group,
    comparisons: usize,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let (rows, panel) = (&group.rows, &group.panel);
    writeln!(
        out,
        "{} ({}, {})",
        group.comparison,
        group.inquiry.protocol,
        count(rows.len() as u64, "listener")
    )?;
    listeners(rules, group, out)?;
    if let Some(found) = &group.sequential {
        writeln!(
            out,
            "  The sequential rule decides: it found a difference in {} of {}; at least so many of as many guessers: {}.\n  \
             The other p-values treat the number of trials as fixed; they do not decide.",
            found.found,
            count(found.sittings, "sitting"),
            printed::p_value(found.p_value)
        )?;
    }
    if rows.len() > 1 {
        together(group, out)?;
    }
    writeln!(out, "  Pooled, if nobody shared a draw with another:")?;
    let (correct, trials) = (panel.pooled.correct, panel.pooled.trials);
    text::numbers(out, &analyse(arguments, group.inquiry, correct, trials, rules.alpha)?)?;
    if comparisons > 1 {
        let value = match group.family_p_value {
            Some(adjusted) => format!("{} (Holm over {comparisons} comparisons)", probability(adjusted)),
            None => format!(
                "none: each of the {comparisons} comparisons is judged by itself, as agreed, so one may pass by chance"
            ),
        };
        writeln!(out, "  {:<26}{value}", "family p-value")?;
    }
    similarity_fits(arguments, group.inquiry)?;
    if let Some(limit) = arguments.similarity {
        let found =
            similarity::test(group.inquiry, correct, trials, limit, arguments.beta).map_err(Failure::bad)?;
        text::similarity(out, &found)?;
    }
    Ok(writeln!(out)?)
}

/// A line per listener.
fn listeners(rules: &Rules, group: &Group, out: &mut dyn Write) -> Result<(), Failure> {
    let (rows, panel) = (&group.rows, &group.panel);
    let wide = |text: &str| unicode_width::UnicodeWidthStr::width(text);
    let width = rows.iter().map(|row| wide(&row.listener)).max().unwrap_or(8).clamp(8, 24);
    writeln!(
        out,
        "  {:<width$} {:>11} {:>10} {:>10}, over {}",
        "listener",
        group.inquiry.counted_short(),
        "p-value",
        "Holm",
        count(group.tests as u64, "test")
    )?;
    for ((row, p), holm) in rows.iter().zip(&panel.p_values).zip(&panel.holm).take(MOST_LINES) {
        let shown = match &group.sequential {
            Some(_) => row.found,
            None => binomial::at_most(*holm, rules.alpha),
        };
        let pad = " ".repeat(width.saturating_sub(wide(&row.listener)));
        let score = format!("{}/{}", row.correct, row.trials);
        writeln!(
            out,
            "  {}{pad} {score:>11} {:>10} {:>10}{}",
            row.listener,
            probability(*p),
            probability(*holm),
            if shown { "  shown" } else { "" }
        )?;
    }
    if rows.len() > MOST_LINES {
        writeln!(out, "  ... and {} more: --json has all", rows.len() - MOST_LINES)?;
    }
    Ok(())
}

/// What the listeners say together.
fn together(group: &Group, out: &mut dyn Write) -> Result<(), Failure> {
    let (rows, panel) = (&group.rows, &group.panel);
    let passers = &panel.passers;
    writeln!(
        out,
        "  Passed alone: {} of {}. If all of them guessed, {:.2} would pass on average, and at least as many {}.",
        passers.seen,
        rows.len(),
        passers.expected,
        printed::rate(passers.at_least_seen, "such panels")
    )?;
    writeln!(
        out,
        "  Best: {}, {} alone, {} as the best of {}.",
        rows[panel.best.index].listener,
        printed::p_value(panel.best.p_value_alone),
        probability(panel.best.p_value),
        rows.len()
    )?;
    let fisher =
        panel.fisher.map_or(String::new(), |fisher| format!("Fisher {}, ", printed::p_value(fisher.p_value)));
    writeln!(out, "  Combined: {fisher}Stouffer {}.", printed::p_value(panel.stouffer.p_value))?;
    if let Some(test) = &panel.heterogeneity {
        writeln!(
            out,
            "  All alike? chi-squared {:.2} with {}, {}.",
            test.chi_squared,
            count(test.degrees, "degree"),
            printed::p_value(test.p_value)
        )?;
    }
    if let Some(fit) = &panel.beta_binomial {
        let error = |error: Option<f64>| error.map_or(String::new(), |error| format!(" ± {error:.3}"));
        writeln!(
            out,
            "  Beta-binomial{}: mean {:.3}{}, over-dispersion {:.3}{}, likelihood ratio {}.",
            if group.inquiry.protocol.asks().has_right_answer() { " with chance correction" } else { "" },
            fit.mu,
            error(fit.mu_standard_error),
            fit.gamma,
            error(fit.gamma_standard_error),
            printed::p_value(fit.p_value)
        )?;
    }
    Ok(())
}
