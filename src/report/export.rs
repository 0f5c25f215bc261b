//! The report for those who would rather compute: a tidy table of trials, and the JSON document.

use std::io::Write;

use super::dictionary::COLUMNS;
use super::model::Report;
use crate::evidence::TrialFacts;
use crate::session::Fact;
use crate::trial::protocol::{Definition, Side};
use crate::trial::record::Part;

/// One row per finished attempt (of a night: per vote), comma-separated with a head, UTF-8, lines ended by a newline.
///
/// # Errors
/// The output cannot be written.
pub fn csv(report: &Report, out: &mut dyn Write) -> std::io::Result<()> {
    let mut table = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
    table.write_record(COLUMNS.iter().map(|column| column.name))?;
    let mut row = csv::StringRecord::new();
    for trial in &report.trials {
        row.clear();
        fill(report, trial, &mut row);
        table.write_record(&row)?;
    }
    table.flush()
}

fn fill(report: &Report, trial: &TrialFacts, row: &mut csv::StringRecord) {
    let sitting = &report.sittings[trial.sitting as usize];
    let own = report.session.qualified_by.filter(|_| trial.part == Part::Qualification);
    let definition = Definition::of(own.unwrap_or(report.session.protocol));
    // In capitals both R and pandas read them as truth values.
    let flag = |value: bool| if value { "TRUE" } else { "FALSE" };
    let alternative = |index: Option<u8>| {
        index.and_then(|index| definition.alternatives.get(usize::from(index))).map_or("", |found| found.name)
    };
    let comparison = trial.comparison.and_then(|comparison| report.comparisons.get(usize::from(comparison)));
    let name = |names: &[String], index: Option<u16>| {
        index
            .and_then(|index| names.get(usize::from(index)))
            .map_or(String::new(), |name| safe(name).into_owned())
    };
    let number = |value: u64| value.to_string();
    let seconds = |milliseconds: u64| format!("{}.{:03}", milliseconds / 1000, milliseconds % 1000);
    row.push_field(&safe(sitting.place.as_deref().unwrap_or("")));
    row.push_field(&number(u64::from(trial.sitting) + 1));
    let listener = trial.listener.and_then(|listener| report.listeners.get(listener as usize));
    row.push_field(&safe(listener.map_or("", |listener| &listener.name)));
    let seat = listener.and_then(|listener| listener.seat);
    row.push_field(&seat.map_or_else(String::new, |seat| seat.to_string()));
    let table = listener.and_then(|listener| listener.table);
    row.push_field(&table.map_or_else(String::new, |table| table.to_string()));
    row.push_field(flag(counts(report, trial)));
    row.push_field(sitting.state.code());
    row.push_field(flag(sitting.simulated.is_some()));
    row.push_field(flag(sitting.silent));
    row.push_field(&sitting.opened_utc);
    row.push_field(sitting.receipt.as_deref().unwrap_or(""));
    row.push_field(&safe(sitting.journal.as_deref().unwrap_or("")));
    row.push_field(&number(u64::from(trial.record)));
    row.push_field(match trial.part {
        Part::Qualification => "qualification",
        Part::WarmUp => "warm-up",
        Part::Main => "main",
    });
    row.push_field(&number(u64::from(trial.trial)));
    row.push_field(&number(u64::from(trial.attempt)));
    row.push_field(flag(trial.void));
    row.push_field(&safe(comparison.map_or("", |comparison| &comparison.name)));
    let cables = comparison.map_or(("", ""), |comparison| {
        let exchanged = sitting.drawn.as_ref().zip(trial.comparison);
        if exchanged.is_some_and(|(drawn, of)| drawn.is_exchanged(usize::from(of))) {
            (comparison.b.as_str(), comparison.a.as_str())
        } else {
            (comparison.a.as_str(), comparison.b.as_str())
        }
    });
    row.push_field(&safe(cables.0));
    row.push_field(&safe(cables.1));
    row.push_field(&name(&report.session.clips, trial.clip));
    row.push_field(&name(&report.session.controls, trial.control));
    let size = trial.level.and_then(|level| report.session.threshold?.size(usize::from(level)));
    row.push_field(&size.map_or_else(String::new, |size| size.to_string()));
    let order = trial.order.and_then(|order| definition.orders.get(usize::from(order)));
    let presented: String = order.map_or_else(String::new, |sides| {
        sides.iter().map(|side| if *side == Side::A { 'A' } else { 'B' }).collect()
    });
    row.push_field(&presented);
    row.push_field(alternative(trial.answer));
    // Where neither side is claimed nobody is right or wrong, but where the answer is known: of a control.
    let claimed = trial.control.is_some() || !report.session.inquiry.two_sided();
    row.push_field(if claimed { alternative(trial.right) } else { "" });
    row.push_field(match trial.correct.filter(|_| claimed) {
        Some(true) => "1",
        Some(false) => "0",
        None => "",
    });
    row.push_field(match trial.for_side_a {
        Some(true) => "A",
        Some(false) => "B",
        None => "",
    });
    row.push_field(&trial.confidence.map_or_else(String::new, |confidence| confidence.to_string()));
    row.push_field(&seconds(trial.took_ms));
    row.push_field(&seconds(trial.heard_ms));
    row.push_field(&number(u64::from(trial.listens)));
    row.push_field(&number(u64::from(trial.switches)));
    let cables = trial.presentations > 0;
    row.push_field(&if cables { number(u64::from(trial.presentations)) } else { String::new() });
    row.push_field(&trial.silences_ms.iter().max().map_or_else(String::new, |longest| seconds(*longest)));
    for fact in Fact::ALL {
        let told = sitting.facts.iter().find(|told| told.fact == fact);
        row.push_field(&safe(told.map_or("", |told| &told.answer)));
    }
}

/// Whether a row is in the result: its sitting counts, its listener does, and it is a counted trial.
fn counts(report: &Report, trial: &TrialFacts) -> bool {
    report.sittings[trial.sitting as usize].counted
        && trial.listener.is_none_or(|listener| report.listeners[listener as usize].counted)
        && crate::evidence::counts(trial)
        // What came after a look that ended the comparison is no part of its result.
        && trial.comparison.and_then(|of| report.comparisons.get(usize::from(of))).is_none_or(|of| {
            !of.came_after.contains(&(trial.sitting as usize))
        })
}

/// A name that a spreadsheet will not take for a formula: `=`, `+`, `-`, `@`, tab or return at its start get an
/// apostrophe before them.
fn safe(text: &str) -> std::borrow::Cow<'_, str> {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        std::borrow::Cow::Owned(format!("'{text}"))
    } else {
        std::borrow::Cow::Borrowed(text)
    }
}

/// The dictionary of the table's columns as CSV.
///
/// # Errors
/// The output cannot be written.
pub fn dictionary(report: &Report, out: &mut dyn Write) -> std::io::Result<()> {
    let mut table = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
    table.write_record(["column", "type", "unit", "values", "meaning"])?;
    for column in COLUMNS {
        let values = column.values(report.session.protocol);
        table.write_record([column.name, column.kind.name(), column.unit, &values, column.meaning])?;
    }
    table.flush()
}

/// The trials as JSON: the dictionary, and one object per row of the table, typed; what is empty there is null here.
///
/// # Errors
/// The output cannot be written.
pub fn trials(report: &Report, out: &mut dyn Write) -> std::io::Result<()> {
    let columns: Vec<serde_json::Value> = COLUMNS
        .iter()
        .map(|column| {
            serde_json::json!({
                "column": column.name,
                "type": column.kind.name(),
                "unit": column.unit,
                "values": column.values(report.session.protocol),
                "meaning": column.meaning,
            })
        })
        .collect();
    let mut row = csv::StringRecord::new();
    let mut rows = Vec::with_capacity(report.trials.len());
    for trial in &report.trials {
        row.clear();
        fill(report, trial, &mut row);
        let cells =
            COLUMNS.iter().zip(&row).map(|(column, text)| (column.name.to_owned(), column.kind.typed(text)));
        rows.push(serde_json::Value::Object(cells.collect()));
    }
    let document = serde_json::json!({
        "schema": "earwitness.trials/1",
        "program": report.program,
        "session_sha256": report.session.digest,
        "columns": columns,
        "trials": rows,
    });
    serde_json::to_writer_pretty(&mut *out, &document)?;
    out.write_all(b"\n")
}

/// The JSON document, indented, with a newline at its end.
///
/// # Errors
/// The output cannot be written.
pub fn json(report: &Report, out: &mut dyn Write) -> std::io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, report)?;
    out.write_all(b"\n")
}
