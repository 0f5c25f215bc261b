//! `earwitness verify`.

mod kept;

use std::io::Write;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde_json::{Value, json};

use kept::{Held, hold, hold_seals, unlock, watch};

use super::archive::{self, Unpacked};
use super::{Failure, note, print_json};
use crate::files;
use crate::session::Session;
use crate::stats::tally::Tally;
use crate::stimulus::{NoProgress, StimulusSet};
use crate::trial::against::{self, Receipt, Sessions};
use crate::trial::record::Occasion;
use crate::trial::register::REGISTER;
use crate::trial::verify::{Checked, RegisterView, Registered, State, register};
use crate::trial::wager::Settlement;
use crate::trial::{Definition, Digest, told, verify};
use crate::units::{foreign, printed};
use crate::verdict::no_listening_test;

/// What was typed after `verify`.
#[derive(Debug, clap::Args)]
pub struct VerifyArguments {
    /// Journals, session folders with all their journals and the register, or archives by `report --archive`
    #[arg(value_name = "JOURNAL", required_unless_present = "format")]
    journals: Vec<PathBuf>,
    /// A receipt that somebody kept: its words or its 64 hex digits; may be repeated
    #[arg(long, value_name = "WORDS")]
    receipt: Vec<String>,
    /// A seal that somebody photographed: its words or 64 digits, or the words of the register next to it; may be repeated
    #[arg(long, value_name = "WORDS")]
    seal: Vec<String>,
    /// The session of the journals: its files and sounds are made again and compared with their digests
    #[arg(long, value_name = "DIR")]
    session: Option<PathBuf>,
    /// The passphrase that locked a sitting: checks every record that needed it
    #[arg(long, value_name = "WORDS")]
    passphrase: Option<String>,
    /// A witness's copy, as the phone saved it, to compare with the journal; may be repeated
    #[arg(long, value_name = "FILE")]
    witness: Vec<PathBuf>,
    /// Print the written format, with which anybody can check a journal without this program
    #[arg(long)]
    format: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &VerifyArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if arguments.format {
        return Ok(out.write_all(crate::trial::format::PAGE.as_bytes())?);
    }
    super::timings::stage("session");
    let session = match &arguments.session {
        None => None,
        Some(path) => Some(load(path)?),
    };
    super::timings::stage("journals");
    let (journals, archives) = take_apart(&arguments.journals)?;
    let (files, mut registers) = expand(&journals)?;
    let mut sessions = Sessions::default();
    for archive in &archives {
        sessions.know(archive.folder().join("sittings"), archive.inputs());
    }
    let mut all = Vec::with_capacity(files.len());
    let mut known = against::Registers::default();
    let read: Vec<Checked> = files.par_iter().map(|file| verify::alone(file)).collect();
    for mut checked in read {
        if checked.opening.is_some() {
            against::register(&mut checked, &mut known);
        }
        let inside = archives.iter().find(|archive| checked.file.starts_with(archive.folder()));
        match inside.and_then(|archive| archive.session.as_ref().ok()) {
            Some(session) => against::session(&mut checked, session, None),
            None => against::session_beside(&mut checked, &mut sessions),
        }
        if let Some((session, stimuli)) = &session {
            against::session(&mut checked, session, Some(stimuli));
        }
        all.push(checked);
    }
    let mut held = hold(&arguments.receipt, &mut all)?;
    let nobodys = hold_seals(&arguments.seal, &all, &mut held)?;
    let copies = watch(&arguments.witness, &mut all, &mut held)?;
    if let Some(passphrase) = &arguments.passphrase {
        unlock(passphrase, &mut all, &mut held)?;
    }
    super::timings::stage("output");
    // Everything was read: from here on what lies in an archive is called so.
    for archive in &archives {
        for checked in &mut all {
            checked.file = archive.shown(&checked.file);
        }
        for (folder, _) in &mut registers {
            *folder = archive.shown(folder);
        }
    }
    if arguments.json {
        let mut document = json!({
            "schema": "earwitness.verify/1",
            "journals": all.iter().zip(&held).map(|(checked, held)| document(checked, held)).collect::<Vec<Value>>(),
            "registers": registers.iter().map(register_document).collect::<Vec<Value>>(),
        });
        if !archives.is_empty() {
            document["archives"] = archives.iter().map(Unpacked::document).collect();
        }
        print_json(out, &document)?;
    } else {
        for archive in &archives {
            archive.print(out)?;
        }
        for (checked, held) in all.iter().zip(&held) {
            print(checked, held, out)?;
        }
        for (folder, view) in &registers {
            print_register(folder, view, out)?;
        }
    }
    ended(&all, &held, &registers)?;
    if let Some(problem) = archives.iter().find_map(Unpacked::problem) {
        return Err(Failure::No(problem));
    }
    if let Some(unchecked) = archives.iter().find_map(Unpacked::unchecked) {
        return Err(Failure::No(unchecked));
    }
    if let [kept, ..] = &nobodys[..] {
        return Err(Failure::No(format!(
            "--seal \"{}\": no journal here has this seal: its sitting was taken away, or written anew",
            foreign::shown(kept)
        )));
    }
    if copies.is_empty() {
        return Ok(());
    }
    Err(Failure::No(format!("{}: no journal of its sitting was given", copies.join(", "))))
}

fn load(path: &Path) -> Result<(Session, StimulusSet), Failure> {
    let session = crate::session::load(path).map_err(Failure::bad)?;
    note("making the session's stimuli again, to compare them with the published digests");
    let stimuli = crate::stimulus::prepare(&session, &NoProgress).map_err(Failure::bad)?;
    Ok((session, stimuli))
}

/// Archives become folders; everything else stays what it is.
fn take_apart(paths: &[PathBuf]) -> Result<(Vec<PathBuf>, Vec<Unpacked>), Failure> {
    let (mut given, mut archives) = (Vec::new(), Vec::new());
    for path in paths {
        match archive::unpack(path)? {
            None => given.push(path.clone()),
            Some(unpacked) => {
                given.extend(unpacked.sittings());
                archives.push(unpacked);
            }
        }
    }
    Ok((given, archives))
}

type Registers = Vec<(PathBuf, RegisterView)>;

/// Folders become their journals; their registers are verified too.
fn expand(paths: &[PathBuf]) -> Result<(Vec<PathBuf>, Registers), Failure> {
    let (mut journals, mut registers) = (Vec::new(), Vec::new());
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
                journals.push(path.clone());
            }
            continue;
        }
        let below = path.join("sittings");
        let folder = if below.is_dir() { below } else { path.clone() };
        let mut found =
            files::with_extension(&folder, "jsonl").map_err(Failure::of_file(&folder, "cannot be read"))?;
        found.retain(|file| file.file_name().is_some_and(|name| name != REGISTER));
        let view = register(&folder);
        if found.is_empty() && view.announced.is_empty() && view.problem.is_none() && view.gone.is_empty() {
            return Err(Failure::bad(format!("{}: no journals are in this folder", folder.display())));
        }
        journals.append(&mut found);
        registers.push((folder, view));
    }
    Ok((journals, registers))
}

/// What does not hold, an open end included.
fn objections(checked: &Checked) -> Vec<String> {
    let mut objections: Vec<String> = checked.problems.iter().map(ToString::to_string).collect();
    if checked.state == State::Unfinished {
        objections.push(format!(
            "unfinished: its chain fits for {} records, but its seal is still closed, so its draws cannot be checked yet",
            checked.records
        ));
    }
    objections
}

fn count(count: Tally) -> Value {
    json!({"trials": count.trials, "correct": count.correct})
}

fn document(checked: &Checked, held: &Held) -> Value {
    let total = checked.total();
    let opening = checked.opening.as_ref();
    json!({
        "file": checked.file.display().to_string(),
        "listener": opening.map(|opening| opening.listener.clone()),
        "ok": objections(checked).is_empty(),
        "problems": objections(checked),
        "trials": total.map(|total| total.trials),
        "correct": total.map(|total| total.correct),
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
        "last_word": checked.last_word,
        "witnesses": checked.witnesses(),
        "witnessed_trials": checked.witnessed().0,
        "witness_copies": held.vouched.iter().map(|vouched| json!({
            "name": vouched.name, "trials": vouched.trials, "of": vouched.of, "records": vouched.records,
            "records_after": vouched.records_after, "fits": vouched.problems.is_empty(),
        })).collect::<Vec<Value>>(),
        "claimant_won": checked.settlement.and_then(Settlement::claimant_won),
        "qualification": checked.counts.as_ref().map(|counts| count(counts.qualification)),
        "void": checked.void,
        "resumed": checked.resumed,
        "records": checked.records,
        "commitment": opening.map(|opening| opening.commitment.hex()),
        "receipt": checked.receipt.map(|receipt| json!({"hex": receipt.hex(), "words": receipt.in_words()})),
        "receipt_held": match held.receipt {
            None => Value::Null,
            Some(Receipt::Whole) => json!("whole"),
            Some(Receipt::UpTo(number)) => json!({"up_to_record": number}),
            Some(Receipt::Foreign) => json!("none"),
        },
        "seal_held": held.seal,
        "locked": opening.is_some_and(|opening| opening.lock.is_some()),
        "passphrase_proven": held.proven,
        "lock_key": held.key.map(|key| key.hex()),
        "session_compared": checked.session_compared,
        "sitting_of_folder": opening.and_then(|opening| opening.sitting),
        "clock": checked.clock,
        "closing_in_register": checked.late,
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
        "head": view.head.map(|head| head.hex()),
        "next_sitting": view.announced.len() + 1,
        "announced": view.announced.iter().map(|announced| json!({
            "journal": announced.journal,
            "listener": announced.listener,
            "utc": announced.utc,
            "closed": announced.closed.is_some(),
            "outcome": announced.closed.map(|(_, outcome)| outcome),
            "there": announced.there,
        })).collect::<Vec<Value>>(),
        "unregistered": view.unregistered,
        "gone": view.gone.iter().map(Digest::hex).collect::<Vec<String>>(),
    })
}

fn print(checked: &Checked, held: &Held, out: &mut dyn Write) -> std::io::Result<()> {
    let file = foreign::path(&checked.file);
    let objections: Vec<String> = objections(checked).iter().map(|text| foreign::shown(text)).collect();
    if objections.is_empty() {
        writeln!(out, "{file}: checked from the opened seal")?;
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
    write!(out, "  {who} {}, {}", foreign::shown(&opening.listener), definition.title)?;
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
            let name = foreign::shown(&terms.name);
            writeln!(out, "  comparison {name}: {} of {} {right}", tally.correct, tally.trials)?;
        }
        let among = opening.terms.controls.iter().zip(&closing.counts.controls);
        for (terms, tally) in among.filter(|(terms, _)| terms.trials > 0) {
            writeln!(out, "  control {}: {} of {} {right}", terms.kind(), tally.correct, tally.trials)?;
        }
    }
    for hand in &checked.hands {
        let by = if hand.by.is_empty() { "unnamed".to_owned() } else { foreign::shown(&hand.by) };
        writeln!(out, "  hand of {by}: {}", foreign::shown(&hand.text()))?;
    }
    if let (true, Some(word)) = (checked.is_sound(), &checked.last_word) {
        writeln!(out, "  {}", foreign::shown(&word.sentence(checked.resumed)))?;
    }
    if let Some(sentence) = checked.witnessed_sentence() {
        writeln!(out, "  {}", foreign::shown(&sentence))?;
        if held.vouched.is_empty() {
            writeln!(out, "  witness: no copy was given to compare (--witness)")?;
        }
    }
    for vouched in &held.vouched {
        writeln!(out, "  witness's copy: {}", foreign::shown(&vouched.sentence()))?;
    }
    if let (true, Some(wager)) = (checked.is_sound(), &opening.terms.wager) {
        let who = checked.settlement.map_or_else(String::new, |settlement| settlement.sentence(wager));
        writeln!(out, "  wager: {}", foreign::shown(&who))?;
    }
    if let Some(receipt) = checked.receipt {
        // A receipt is compared with what was kept: that of a part is none of the whole.
        let of =
            if checked.is_sound() { "receipt (public)" } else { "receipt of the part that fits (public)" };
        writeln!(out, "  {of}: {}", receipt.groups())?;
        writeln!(out, "           {}", receipt.hex())?;
    }
    for remark in &checked.clock {
        writeln!(out, "  clock: {remark}")?;
    }
    writeln!(out, "  {}", held_receipt(checked, held))?;
    match held.seal {
        Some(true) => writeln!(out, "  seal: it is the one that was photographed")?,
        Some(false) => writeln!(out, "  seal: no photograph that was given shows this sitting's")?,
        None => {}
    }
    writeln!(out, "  {}", held_register(checked))?;
    if !checked.session_compared {
        writeln!(
            out,
            "  session: none of this journal is next to it, so its files and terms were not compared (--session)"
        )?;
    }
    if let Some(late) = &checked.late {
        writeln!(out, "  register: {late}")?;
    }
    if opening.lock.is_some() {
        match held.proven {
            Some(count) => {
                writeln!(out, "  passphrase: {count} of {} records prove it", checked.proofs.len())?;
                if let Some(key) = held.key {
                    writeln!(out, "  the lock's key, for the report's own check: {}", key.hex())?;
                }
            }
            None => writeln!(
                out,
                "  passphrase: this sitting was locked, and none was given to compare (--passphrase)"
            )?,
        }
    }
    Ok(())
}

/// What a kept receipt says of a journal, in words.
fn held_receipt(checked: &Checked, held: &Held) -> String {
    match held.receipt {
        None => {
            "receipt: none was given to compare (--receipt); somebody with the file could have rewritten all of it"
                .to_owned()
        }
        Some(Receipt::Whole) => {
            "receipt: it matches; the whole journal is as it was when the receipt was kept".to_owned()
        }
        Some(Receipt::UpTo(number)) => format!(
            "receipt: it matches records 1 to {number}; it says nothing about the {} after them",
            checked.records - number
        ),
        Some(Receipt::Foreign) => "receipt: it matches no record of this journal: it belongs to another journal, or the file was rewritten"
                .to_owned(),
    }
}

fn held_register(checked: &Checked) -> String {
    let number = checked.opening.as_ref().and_then(|opening| opening.sitting);
    let which = number.map_or_else(String::new, |number| format!(" (sitting {number} of its folder)"));
    match checked.registered {
        Registered::NoRegister => format!("register: there is none next to this journal{which}"),
        Registered::Listed => format!("register: it announced this sitting before its first trial{which}"),
        Registered::Wrong => format!("register: it does not fit this journal{which}"),
    }
}

fn print_register(folder: &Path, view: &RegisterView, out: &mut dyn Write) -> std::io::Result<()> {
    let closed = view.announced.iter().filter(|announced| announced.closed.is_some()).count();
    let name = folder.join(REGISTER);
    writeln!(
        out,
        "{}: {} announced, {closed} of them closed",
        foreign::path(&name),
        printed::count(view.announced.len() as u64, "sitting")
    )?;
    if let (Some(head), None) = (view.head, &view.problem) {
        // Lines at its end can be cut away together with their journals: only what was kept elsewhere tells.
        let number = view.announced.len() + 1;
        writeln!(out, "  last line: SHA-256 {head}")?;
        writeln!(
            out,
            "  a seal or receipt that somebody kept of sitting {number}, or of a later one, would show that lines were taken away"
        )?;
    }
    for objection in register_objections(view) {
        writeln!(out, "  {}", foreign::shown(&objection))?;
    }
    Ok(())
}

fn register_objections(view: &RegisterView) -> Vec<String> {
    let mut objections: Vec<String> = view.problem.iter().cloned().collect();
    for announced in view.announced.iter().filter(|announced| !announced.there) {
        objections.push(if announced.closed.is_some() {
            format!("{}: announced and closed, but its journal is gone", foreign::shown(&announced.journal))
        } else {
            format!(
                "{}: announced, but there is no journal. Either it was taken away, or the power went before its first record: \
                 then nobody heard anything of it, nothing is lost, and nothing is to be done",
                foreign::shown(&announced.journal)
            )
        });
    }
    objections.extend(told::sentence(&view.gone));
    for stranger in &view.unregistered {
        objections.push(format!("{}: not announced", foreign::shown(stranger)));
    }
    objections
}

fn ended(all: &[Checked], held: &[Held], registers: &Registers) -> Result<(), Failure> {
    let count = |wanted: &dyn Fn(&Checked) -> bool| all.iter().filter(|checked| wanted(checked)).count();
    let no = count(&|checked| !checked.bad_input && !checked.problems.is_empty());
    let bad = count(&|checked| checked.bad_input);
    let unfinished = count(&|checked| checked.state == State::Unfinished && checked.problems.is_empty());
    let partly = held.iter().filter(|held| held.only_in_part()).count();
    let register_no = registers.iter().any(|(_, view)| !register_objections(view).is_empty());
    let of = all.len();
    if no > 0 {
        Err(Failure::No(format!(
            "{no} of {} failed the check: see above",
            printed::count(of as u64, "journal")
        )))
    } else if bad > 0 {
        Err(Failure::Bad(format!(
            "{bad} of {} cannot be checked: see above",
            printed::count(of as u64, "file")
        )))
    } else if unfinished > 0 {
        let checked = of - unfinished;
        Err(Failure::No(format!(
            "{checked} checked from the opened seal, {unfinished} unfinished: still sealed"
        )))
    } else if register_no {
        Err(Failure::No("the register does not fit the journals next to it".to_owned()))
    } else if partly > 0 {
        Err(Failure::No(format!("{partly} of {of} journals are confirmed only in part: see above")))
    } else if let Some(empty) =
        held.iter().flat_map(|held| &held.vouched).find(|copy| copy.confirms_no_trial())
    {
        Err(Failure::No(format!(
            "--witness: {}'s copy confirms no trial of its sitting: see above",
            foreign::shown(&empty.name)
        )))
    } else {
        Ok(())
    }
}
