//! Counts of many listeners, from a CSV file or from journals.

use std::collections::HashMap;
use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};

use super::super::Failure;
use super::{ALPHA, ScoreArguments, analyse, merge, protocol_named, text, write_json};
use crate::report::verdict::{count, percent};
use crate::stats::one::Analysis;
use crate::stats::panel::{self, PanelAnalysis};
use crate::stats::{Protocol, binomial, many};

/// One listener's counts on one comparison.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Row {
    /// Who.
    pub(super) listener: String,
    /// On what.
    pub(super) comparison: String,
    /// How.
    pub(super) protocol: Protocol,
    /// Right answers.
    pub(super) correct: u64,
    /// Counted trials.
    pub(super) trials: u64,
}

/// All listeners of one comparison, in the order of their first row.
struct Group {
    comparison: String,
    protocol: Protocol,
    rows: Vec<Row>,
    panel: PanelAnalysis,
}

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
    let alpha = arguments.alpha.unwrap_or(ALPHA);
    if arguments.json {
        return write_json(out, &document(arguments, rows, alpha)?);
    }
    print(arguments, rows, alpha, out)
}

/// Reads a CSV file of counts.
fn read(path: &Path) -> Result<Vec<Row>, Failure> {
    let at = path.display();
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_path(path)
        .map_err(|error| Failure::bad(format!("{at}: cannot be read: {error}")))?;
    let header = reader
        .headers()
        .map_err(|error| Failure::bad(format!("{at}: the header cannot be read: {error}")))?
        .clone();
    let mut places = [0; 5];
    for (place, column) in places.iter_mut().zip(COLUMNS) {
        *place = header
            .iter()
            .position(|name| name.trim_start_matches('\u{feff}').eq_ignore_ascii_case(column))
            .ok_or_else(|| {
                Failure::bad(format!(
                    "{at}: there is no column \"{column}\": the header must name {}",
                    COLUMNS.join(",")
                ))
            })?;
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| Failure::bad(format!("{at}: {error}")))?;
        let line = record.position().map_or(0, csv::Position::line);
        let field = |index: usize| record.get(places[index]).unwrap_or("");
        let number = |index: usize| {
            field(index).parse::<u64>().map_err(|_| {
                Failure::bad(format!(
                    "{at}, line {line}: {} is \"{}\", but must be a whole number, 0 or more",
                    COLUMNS[index],
                    field(index)
                ))
            })
        };
        let protocol = protocol_named(field(2)).map_err(|failure| match failure {
            Failure::Bad(message) => Failure::bad(format!("{at}, line {line}: {message}")),
            other @ Failure::No(_) => other,
        })?;
        let (correct, trials) = (number(3)?, number(4)?);
        if trials == 0 {
            return Err(Failure::bad(format!(
                "{at}, line {line}: there are no trials: at least 1 is needed"
            )));
        }
        if trials > crate::stats::MOST_TRIALS {
            return Err(Failure::bad(format!("{at}, line {line}: {trials} trials are too many")));
        }
        if correct > trials {
            return Err(Failure::bad(format!(
                "{at}, line {line}: {correct} right of {trials} trials is not possible"
            )));
        }
        rows.push(Row {
            listener: field(0).to_string(),
            comparison: field(1).to_string(),
            protocol,
            correct,
            trials,
        });
    }
    Ok(rows)
}

/// Rows by comparison and protocol, several rows of one listener added up.
fn group(rows: Vec<Row>, alpha: f64) -> Result<Vec<Group>, Failure> {
    let mut order: Vec<(String, Protocol)> = Vec::new();
    let mut places: HashMap<(String, Protocol), usize> = HashMap::new();
    let mut members: Vec<Vec<Row>> = Vec::new();
    let mut known: HashMap<(usize, String), usize> = HashMap::new();
    for row in rows {
        let key = (row.comparison.clone(), row.protocol);
        let place = *places.entry(key.clone()).or_insert_with(|| {
            order.push(key);
            members.push(Vec::new());
            order.len() - 1
        });
        match known.get(&(place, row.listener.clone())) {
            Some(&index) => {
                members[place][index].correct += row.correct;
                members[place][index].trials += row.trials;
            }
            None => {
                known.insert((place, row.listener.clone()), members[place].len());
                members[place].push(row);
            }
        }
    }
    order
        .into_iter()
        .zip(members)
        .map(|((comparison, protocol), rows)| {
            let scores: Vec<(u64, u64)> = rows.iter().map(|row| (row.correct, row.trials)).collect();
            let panel = panel::analyse(protocol, &scores, alpha).map_err(Failure::bad)?;
            Ok(Group { comparison, protocol, rows, panel })
        })
        .collect()
}

/// Holm-adjusted pooled p-values over all comparisons.
fn family(groups: &[Group]) -> Result<Vec<f64>, Failure> {
    if groups.is_empty() {
        return Ok(Vec::new());
    }
    let pooled: Vec<f64> = groups.iter().map(|group| group.panel.pooled.p_value).collect();
    many::holm(&pooled).map_err(Failure::bad)
}

/// The JSON document of counts.
pub(super) fn document(arguments: &ScoreArguments, rows: Vec<Row>, alpha: f64) -> Result<Value, Failure> {
    let groups = group(rows, alpha)?;
    let family = family(&groups)?;
    let mut known: HashMap<(Protocol, u64, u64), Value> = HashMap::new();
    let mut of = |protocol, correct, trials| -> Result<Value, Failure> {
        if let Some(found) = known.get(&(protocol, correct, trials)) {
            return Ok(found.clone());
        }
        let analysis: Analysis = analyse(arguments, protocol, correct, trials, alpha)?;
        let value = serde_json::to_value(&analysis).map_err(Failure::bad)?;
        known.insert((protocol, correct, trials), value.clone());
        Ok(value)
    };
    let comparisons: Vec<Value> = groups
        .iter()
        .zip(&family)
        .map(|(group, adjusted)| {
            let listeners: Vec<Value> = group
                .rows
                .iter()
                .zip(&group.panel.holm)
                .map(|(row, holm)| {
                    let mut value = json!({ "listener": row.listener });
                    merge(&mut value, of(row.protocol, row.correct, row.trials)?);
                    merge(&mut value, json!({ "holm_p_value": holm }));
                    Ok(value)
                })
                .collect::<Result<_, Failure>>()?;
            let panel = &group.panel;
            let (correct, trials) = (panel.pooled.correct, panel.pooled.trials);
            Ok(json!({
                "comparison": group.comparison,
                "protocol": group.protocol,
                "pooled": of(group.protocol, correct, trials)?,
                "family_p_value": adjusted,
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
        })
        .collect::<Result<_, Failure>>()?;
    Ok(json!({
        "schema": "earwitness.score/1",
        "alpha": alpha,
        "level": arguments.level,
        "comparisons": comparisons,
    }))
}

/// Most listeners in a printed table; `--json` has all.
const MOST_LINES: usize = 40;

/// The table of counts.
pub(super) fn print(
    arguments: &ScoreArguments,
    rows: Vec<Row>,
    alpha: f64,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let groups = group(rows, alpha)?;
    let family = family(&groups)?;
    for (group, adjusted) in groups.iter().zip(&family) {
        let (rows, panel) = (&group.rows, &group.panel);
        writeln!(out, "{} ({}, {})", group.comparison, group.protocol, count(rows.len() as u64, "listener"))?;
        let width = rows
            .iter()
            .map(|row| unicode_width::UnicodeWidthStr::width(row.listener.as_str()))
            .max()
            .unwrap_or(8)
            .clamp(8, 24);
        writeln!(out, "  {:<width$} {:>11} {:>10} {:>10}", "listener", "right", "p-value", "Holm")?;
        for ((row, p), holm) in rows.iter().zip(&panel.p_values).zip(&panel.holm).take(MOST_LINES) {
            let star = if binomial::at_most(*holm, alpha) { "  shown" } else { "" };
            let used = unicode_width::UnicodeWidthStr::width(row.listener.as_str());
            let pad = " ".repeat(width.saturating_sub(used));
            let score = format!("{}/{}", row.correct, row.trials);
            writeln!(
                out,
                "  {}{pad} {score:>11} {:>10} {:>10}{star}",
                row.listener,
                text::p_value(*p),
                text::p_value(*holm)
            )?;
        }
        if rows.len() > MOST_LINES {
            writeln!(out, "  ... and {} more: --json has all", rows.len() - MOST_LINES)?;
        }
        if rows.len() > 1 {
            let passers = &panel.passers;
            writeln!(
                out,
                "  Passed alone: {} of {}; luck alone gives {:.2} on average, and this many or more in {} of such panels.",
                passers.seen,
                rows.len(),
                passers.expected,
                percent(passers.at_least_seen)
            )?;
            writeln!(
                out,
                "  Best: {}, p {} alone, {} as the best of {}.",
                rows[panel.best.index].listener,
                text::p_value(panel.best.p_value_alone),
                text::p_value(panel.best.p_value),
                rows.len()
            )?;
            writeln!(
                out,
                "  Combined: Fisher p {}, Stouffer p {}.",
                text::p_value(panel.fisher.p_value),
                text::p_value(panel.stouffer.p_value)
            )?;
            if let Some(fit) = &panel.beta_binomial {
                let error = fit.gamma_standard_error.map_or(String::new(), |error| format!(" +- {error:.3}"));
                writeln!(
                    out,
                    "  Listeners differ: over-dispersion {:.3}{error}, p {} (beta-binomial likelihood ratio).",
                    fit.gamma,
                    text::p_value(fit.p_value)
                )?;
            }
        }
        writeln!(out, "  Pooled, if nobody shared a draw with another:")?;
        text::numbers(
            out,
            &super::analyse(arguments, group.protocol, panel.pooled.correct, panel.pooled.trials, alpha)?,
        )?;
        if groups.len() > 1 {
            writeln!(
                out,
                "  {:<26}{} (Holm over {} comparisons)",
                "family p-value",
                text::p_value(*adjusted),
                groups.len()
            )?;
        }
        writeln!(out)?;
    }
    Ok(())
}
