//! `earwitness verify`.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{Failure, note};
use crate::session::Session;
use crate::stimulus::{NoProgress, StimulusSet};
use crate::trial::against::{self, Receipt};
use crate::trial::record::{Count, Occasion};
use crate::trial::register::REGISTER;
use crate::trial::verify::{Checked, RegisterView, Registered, State, register};
use crate::trial::wager::Settlement;
use crate::trial::{Definition, verify};
use crate::verdict::no_listening_test;

/// What was typed after `verify`.
#[derive(Debug, clap::Args)]
pub struct VerifyArguments {
    /// Journals, or folders of sessions whose journals and register are all verified
    #[arg(value_name = "JOURNAL", required = true)]
    journals: Vec<PathBuf>,
    /// A receipt that somebody kept: its words or its 64 hex digits; may be given several times
    #[arg(long, value_name = "PHRASE")]
    receipt: Vec<String>,
    /// The session that the journals came from: its file and its stimuli, made anew, are held against their digests
    #[arg(long, value_name = "DIR")]
    session: Option<PathBuf>,
    /// JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &VerifyArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let session = match &arguments.session {
        None => None,
        Some(path) => Some(load(path)?),
    };
    let (files, registers) = expand(&arguments.journals)?;
    let sessions = beside(&arguments.journals);
    let mut all = Vec::with_capacity(files.len());
    let mut known = against::Registers::default();
    for file in files {
        let mut checked = verify::check_with(&file, &mut known);
        hold_inputs(&mut checked, &sessions);
        if let Some((session, stimuli)) = &session {
            against::session(&mut checked, session, Some(stimuli));
        }
        all.push(checked);
    }
    let receipts = hold(&arguments.receipt, &mut all)?;
    if arguments.json {
        let document = json!({
            "schema": "earwitness.verify/1",
            "journals": all.iter().map(document).collect::<Vec<Value>>(),
            "registers": registers.iter().map(register_document).collect::<Vec<Value>>(),
        });
        serde_json::to_writer_pretty(&mut *out, &document).map_err(std::io::Error::from)?;
        writeln!(out)?;
    } else {
        for checked in &all {
            print(checked, out)?;
        }
        for line in &receipts {
            writeln!(out, "{line}")?;
        }
        for (folder, view) in &registers {
            print_register(folder, view, out)?;
        }
    }
    ended(&all, &registers)
}

fn load(path: &Path) -> Result<(Session, StimulusSet), Failure> {
    let session = crate::session::load(path).map_err(Failure::bad)?;
    note("making the session's stimuli anew, to hold them against the published digests");
    let stimuli = crate::stimulus::prepare(&session, &NoProgress).map_err(Failure::bad)?;
    Ok((session, stimuli))
}

/// Sessions in the folders that were given, with the folder of their sittings; or why one cannot be read.
type Sessions = Vec<(PathBuf, Result<Session, String>)>;

fn beside(paths: &[PathBuf]) -> Sessions {
    let with_session = paths.iter().filter(|path| path.join("session.toml").is_file());
    with_session
        .map(|path| (path.join("sittings"), crate::session::load(path).map_err(|error| error.to_string())))
        .collect()
}

/// Holds a journal of a session's folder against the files that the session reads now.
fn hold_inputs(checked: &mut Checked, sessions: &Sessions) {
    let folder = checked.file.parent().map(Path::to_path_buf);
    let own = sessions.iter().find(|(sittings, _)| folder.as_ref() == Some(sittings));
    match own {
        Some((_, Ok(session))) => against::inputs(checked, session),
        Some((_, Err(error))) if checked.opening.is_some() => {
            let message = format!("the session beside it cannot be read any more: {error}");
            checked.problems.push(verify::Problem { record: None, message });
        }
        _ => {}
    }
}

type Registers = Vec<(PathBuf, RegisterView)>;

/// Folders become their journals; their registers are verified too.
fn expand(paths: &[PathBuf]) -> Result<(Vec<PathBuf>, Registers), Failure> {
    let (mut files, mut registers) = (Vec::new(), Vec::new());
    for path in paths {
        if !path.is_dir() {
            // `sittings/*.jsonl` names the register too, which is no journal: it is verified as what it is.
            if path.is_file() && path.file_name().is_some_and(|name| name == REGISTER) {
                let folder = match path.parent() {
                    Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
                    _ => PathBuf::from("."),
                };
                let view = register(&folder);
                registers.push((folder, view));
            } else {
                files.push(path.clone());
            }
            continue;
        }
        let below = path.join("sittings");
        let folder = if below.is_dir() { below } else { path.clone() };
        let entries = std::fs::read_dir(&folder)
            .map_err(|error| Failure::bad(format!("{}: cannot be read: {error}", folder.display())))?;
        let mut found: Vec<PathBuf> = entries
            .filter_map(Result::ok)
            .map(|entry| entry.path())
            .filter(|file| file.extension().is_some_and(|extension| extension == "jsonl"))
            .filter(|file| file.file_name().is_some_and(|name| name != REGISTER))
            .collect();
        found.sort();
        let view = register(&folder);
        if found.is_empty() && view.announced.is_empty() && view.problem.is_none() {
            return Err(Failure::bad(format!("{}: no journals are in this folder", folder.display())));
        }
        files.append(&mut found);
        registers.push((folder, view));
    }
    Ok((files, registers))
}

/// Holds every receipt against the journals; each must be some record's.
fn hold(receipts: &[String], all: &mut [Checked]) -> Result<Vec<String>, Failure> {
    let mut lines = Vec::new();
    for kept in receipts {
        let mut held = false;
        for checked in all.iter() {
            let file = checked.file.display();
            match against::receipt(checked, kept)
                .map_err(|error| Failure::bad(format!("--receipt: {error}")))?
            {
                Receipt::Whole => lines.push(format!("{file}: the receipt holds for the whole journal")),
                Receipt::UpTo(number) => {
                    lines.push(format!("{file}: the receipt holds for everything up to record {number}"));
                }
                Receipt::Foreign => continue,
            }
            held = true;
        }
        if !held {
            for checked in all.iter_mut().filter(|checked| !checked.bad_input) {
                let record = Some(checked.records);
                let message = "the receipt that was kept is no record's of this journal: it is another journal, or it was \
                               written anew";
                checked.problems.push(verify::Problem { record, message: message.to_owned() });
            }
        }
    }
    Ok(lines)
}

/// What does not hold, an open end included.
fn objections(checked: &Checked) -> Vec<String> {
    let mut objections: Vec<String> = checked.problems.iter().map(ToString::to_string).collect();
    if checked.state == State::Unfinished {
        objections.push(format!(
            "not closed: the chain holds for {} records, but the seal was not opened, so no draw can be re-derived",
            checked.records
        ));
    }
    objections
}

fn count(count: Count) -> Value {
    json!({"trials": count.trials, "correct": count.correct})
}

fn document(checked: &Checked) -> Value {
    let total = checked.total();
    let opening = checked.opening.as_ref();
    json!({
        "file": checked.file.display().to_string(),
        "listener": opening.map(|opening| opening.listener.clone()),
        "ok": objections(checked).is_empty(),
        "problems": objections(checked),
        "trials": total.map(|(trials, _)| trials),
        "correct": total.map(|(_, correct)| correct),
        "state": match checked.state {
            State::Closed => "closed",
            State::Unfinished => "unfinished",
            State::Broken => "broken",
            State::Unreadable => "unreadable",
        },
        "outcome": checked.closing.as_ref().map(|closing| closing.outcome),
        "protocol": opening.map(|opening| opening.terms.protocol),
        "simulated": opening.and_then(|opening| opening.simulated),
        "silent": checked.silent(),
        "comparisons": opening.zip(checked.counts.as_ref()).map(|(opening, counts)| {
            opening.terms.comparisons.iter().zip(&counts.comparisons).map(|(terms, tally)| {
                json!({"name": terms.name, "trials": tally.trials, "correct": tally.correct})
            }).collect::<Vec<Value>>()
        }),
        "controls": opening.zip(checked.counts.as_ref()).map(|(opening, counts)| {
            opening.terms.controls.iter().zip(&counts.controls).map(|(terms, tally)| {
                json!({"control": terms.control, "amount": terms.amount, "unit": terms.unit,
                       "trials": tally.trials, "correct": tally.correct})
            }).collect::<Vec<Value>>()
        }),
        "hands": checked.hands.iter().map(|hand| json!({"by": hand.by, "text": hand.text()})).collect::<Vec<Value>>(),
        "claimant_won": checked.settlement.and_then(Settlement::claimant_won),
        "qualification": checked.counts.as_ref().map(|counts| count(counts.qualification)),
        "void": checked.void,
        "resumed": checked.resumed,
        "records": checked.records,
        "commitment": opening.map(|opening| opening.commitment.hex()),
        "receipt": checked.receipt.map(|receipt| json!({"hex": receipt.hex(), "phrase": receipt.phrase()})),
        "registered": match checked.registered {
            Registered::NoRegister => Value::Null,
            Registered::Listed => json!(true),
            Registered::Wrong => json!(false),
        },
    })
}

fn register_document((folder, view): &(PathBuf, RegisterView)) -> Value {
    json!({
        "folder": folder.display().to_string(),
        "problem": view.problem,
        "announced": view.announced.iter().map(|announced| json!({
            "journal": announced.journal,
            "listener": announced.listener,
            "utc": announced.utc,
            "closed": announced.closed.is_some(),
            "outcome": announced.closed.map(|(_, outcome)| outcome),
            "there": announced.there,
        })).collect::<Vec<Value>>(),
        "unregistered": view.unregistered,
    })
}

fn print(checked: &Checked, out: &mut dyn Write) -> std::io::Result<()> {
    let file = checked.file.display();
    let objections = objections(checked);
    if objections.is_empty() {
        writeln!(out, "{file}: holds")?;
    } else {
        for objection in &objections {
            writeln!(out, "{file}: {objection}")?;
        }
    }
    let Some(opening) = &checked.opening else { return Ok(()) };
    let definition = Definition::of(opening.terms.protocol);
    let who = match opening.occasion {
        Occasion::Sitting => "listener",
        Occasion::Night => "night of",
    };
    write!(out, "  {who} {}, {}", printable(&opening.listener), definition.title)?;
    if let Some(probability) = opening.simulated {
        write!(out, ", simulated (right with probability {probability})")?;
    }
    if checked.silent() {
        write!(out, ", silent output")?;
    }
    writeln!(out)?;
    if let Some(why) = no_listening_test(opening.simulated.is_some(), checked.silent()) {
        writeln!(out, "  {why}")?;
    }
    if let (true, Some(closing)) = (checked.is_sound(), &checked.closing) {
        writeln!(
            out,
            "  {}; {} records, {} void",
            verify::words(closing.outcome),
            checked.records,
            checked.void
        )?;
        let right = opening.terms.inquiry().counted_unnamed();
        for (terms, tally) in opening.terms.comparisons.iter().zip(&closing.counts.comparisons) {
            let name = printable(&terms.name);
            writeln!(out, "  comparison {name}: {} of {} {right}", tally.correct, tally.trials)?;
        }
        for (terms, tally) in opening.terms.controls.iter().zip(&closing.counts.controls) {
            let amount = if terms.unit.is_empty() {
                String::new()
            } else {
                format!(" {} {}", terms.amount, terms.unit)
            };
            let name = printable(&terms.control);
            writeln!(out, "  control {name}{amount}: {} of {} {right}", tally.correct, tally.trials)?;
        }
    }
    for hand in &checked.hands {
        let by = if hand.by.is_empty() { "unnamed".to_owned() } else { printable(&hand.by) };
        writeln!(out, "  hand of {by}: {}", printable(&hand.text()))?;
    }
    if let (true, Some(wager)) = (checked.is_sound(), &opening.terms.wager) {
        let who = checked.settlement.map_or_else(String::new, |settlement| settlement.sentence(wager));
        writeln!(out, "  wager: {}", printable(&who))?;
    }
    if let Some(receipt) = checked.receipt {
        // A receipt is compared with what was kept: that of a part is none of the whole.
        let of = if checked.is_sound() { "receipt" } else { "receipt of the part that holds" };
        writeln!(out, "  {of}: {}", receipt.phrase())?;
        writeln!(out, "           {}", receipt.hex())?;
    }
    Ok(())
}

/// Names come from files that anybody may have written: no control characters reach the terminal.
fn printable(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { '?' } else { character }).collect()
}

fn print_register(folder: &Path, view: &RegisterView, out: &mut dyn Write) -> std::io::Result<()> {
    let closed = view.announced.iter().filter(|announced| announced.closed.is_some()).count();
    let name = folder.join(REGISTER);
    writeln!(
        out,
        "{}: {} sittings announced, {closed} of them closed",
        name.display(),
        view.announced.len()
    )?;
    for objection in register_objections(view) {
        writeln!(out, "  {objection}")?;
    }
    Ok(())
}

fn register_objections(view: &RegisterView) -> Vec<String> {
    let mut objections: Vec<String> = view.problem.iter().cloned().collect();
    for announced in view.announced.iter().filter(|announced| !announced.there) {
        objections.push(if announced.closed.is_some() {
            format!("{}: announced and closed, but its journal is gone", printable(&announced.journal))
        } else {
            format!("{}: announced, but there is no journal", printable(&announced.journal))
        });
    }
    for stranger in &view.unregistered {
        objections.push(format!("{}: not announced", printable(stranger)));
    }
    objections
}

fn ended(all: &[Checked], registers: &Registers) -> Result<(), Failure> {
    let no = all.iter().filter(|checked| !checked.bad_input && !objections(checked).is_empty()).count();
    let bad = all.iter().filter(|checked| checked.bad_input).count();
    let register_no = registers.iter().any(|(_, view)| !register_objections(view).is_empty());
    if no > 0 {
        Err(Failure::No(format!("{no} of {} journals do not hold", all.len())))
    } else if bad > 0 {
        Err(Failure::Bad(format!("{bad} of {} files cannot be verified: see above", all.len())))
    } else if register_no {
        Err(Failure::No("the register and the journals beside it do not fit".to_owned()))
    } else {
        Ok(())
    }
}
