//! Scores of journals: each sitting by itself, then all countable ones together.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::super::Failure;
use super::counts;
use super::group::{Batch, Family, Row, Rules};
use super::{ScoreArguments, text, write_json};
use crate::stats::description;
use crate::stats::protocol::Definition;
use crate::trial::Digest;
use crate::trial::against::Registers;
use crate::trial::record::{Occasion, Opening, Outcome};
use crate::trial::register::REGISTER;
use crate::trial::score::{self, Decision};
use crate::trial::verify::{self, Checked, Problem, State};
use crate::verdict::{self, Described, VerdictInput, no_listening_test};

/// Everything that files on the command line mean: journals themselves, and those in folders.
fn expand(files: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut journals = Vec::new();
    for file in files {
        let folder = if file.is_dir() {
            let inner = file.join("sittings");
            if inner.is_dir() { inner } else { file.clone() }
        } else if file.file_name().is_some_and(|name| name == "session.toml") {
            file.parent().unwrap_or(Path::new(".")).join("sittings")
        } else {
            // `sittings/*.jsonl` names the register too, which is no journal.
            if file.file_name().is_none_or(|name| name != REGISTER) {
                journals.push(file.clone());
            }
            continue;
        };
        let entries = std::fs::read_dir(&folder)
            .map_err(|error| Failure::bad(format!("{}: cannot be read: {error}", folder.display())))?;
        let mut found: Vec<PathBuf> = entries
            .filter_map(|entry| entry.ok().map(|entry| entry.path()))
            .filter(|path| {
                path.extension().is_some_and(|end| end == "jsonl")
                    && path.file_name().is_some_and(|name| name != REGISTER)
            })
            .collect();
        if found.is_empty() {
            return Err(Failure::bad(format!("{}: there are no sittings in this folder", folder.display())));
        }
        found.sort();
        journals.extend(found);
    }
    if journals.is_empty() {
        return Err(Failure::bad(
            "a register is no journal: give the journals of its sittings, or their folder",
        ));
    }
    Ok(journals)
}

/// Leaves one journal of each sitting to be counted: a copy is no further evidence.
fn one_of_each(sittings: &mut [Checked]) {
    let mut seals: HashMap<Digest, PathBuf> = HashMap::new();
    for checked in sittings.iter_mut().filter(|checked| left_out(checked).is_none()) {
        let Some(opening) = &checked.opening else { continue };
        match seals.entry(opening.commitment) {
            Entry::Vacant(place) => {
                place.insert(checked.file.clone());
            }
            Entry::Occupied(first) => {
                let message =
                    format!("it holds the same sitting as {}: a sitting counts once", first.get().display());
                checked.problems.push(Problem { record: None, message });
            }
        }
    }
}

/// Why a sitting takes no part in the panel, if it does not.
fn left_out(checked: &Checked) -> Option<&'static str> {
    match (checked.state, checked.closing.as_ref().map(|closing| closing.outcome)) {
        _ if !checked.problems.is_empty() => Some("does not verify"),
        (State::Closed, Some(Outcome::StoppedEarly)) => Some("stopped early"),
        (State::Closed, Some(Outcome::NotQualified)) => Some("not qualified"),
        (State::Closed, _) => None,
        _ => Some("not closed: nothing of it can be scored yet"),
    }
}

/// Whether a person listened to something.
fn listened(checked: &Checked) -> bool {
    !checked.silent() && checked.opening.as_ref().is_some_and(|opening| opening.simulated.is_none())
}

/// Scores journals.
pub(super) fn run(arguments: &ScoreArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if arguments.family.is_some() {
        return Err(Failure::bad(
            "--family is for CSV files of counts: journals carry what their session agreed on before anyone listened",
        ));
    }
    let mut sittings: Vec<Checked> = Vec::new();
    let mut registers = Registers::default();
    for path in expand(&arguments.files)? {
        let checked = verify::check_with(&path, &mut registers);
        if checked.bad_input {
            let problem = checked.problems.first().map(ToString::to_string).unwrap_or_default();
            return Err(Failure::bad(format!("{}: {problem}", path.display())));
        }
        sittings.push(checked);
    }
    one_of_each(&mut sittings);
    let batches = batches(arguments, &sittings)?;
    if batches.len() > 1 {
        crate::cli::note(&format!(
            "these journals belong to {} sessions (or texts of one): comparisons of the same name are kept apart, by session",
            batches.len()
        ));
    }
    if arguments.json {
        let journals: Vec<Value> =
            sittings.iter().map(|checked| document(arguments, checked)).collect::<Result<_, _>>()?;
        let mut whole = counts::document(arguments, &batches)?;
        let heard = sittings.iter().any(|checked| left_out(checked).is_none() && listened(checked));
        super::merge(&mut whole, json!({ "listening_test": heard, "journals": journals }));
        write_json(out, &whole)?;
    } else {
        for checked in &sittings {
            print(arguments, checked, out)?;
        }
        if sittings.len() > 1 && !batches.is_empty() {
            let (all, countable) =
                (sittings.len(), sittings.iter().filter(|checked| left_out(checked).is_none()));
            let (complete, heard) =
                countable.fold((0, 0), |(n, h), checked| (n + 1, h + usize::from(listened(checked))));
            if heard == 0 {
                let simulated = sittings.iter().any(|checked| {
                    checked.opening.as_ref().is_some_and(|opening| opening.simulated.is_some())
                });
                let silent = sittings.iter().any(Checked::silent);
                writeln!(out, "{}", no_listening_test(simulated, silent).unwrap_or_default())?;
            } else {
                writeln!(out, "Together: {heard} of {all} sittings; {complete} are complete and verify.")?;
            }
            counts::print(arguments, &batches, out)?;
        }
    }
    let broken = sittings.iter().filter(|checked| !checked.problems.is_empty()).count();
    if broken > 0 {
        return Err(Failure::No(format!(
            "{broken} of {} journals do not verify and were left out; `earwitness verify` says why",
            sittings.len()
        )));
    }
    Ok(())
}

/// Counts of all sittings that can be pooled, one batch per session: sound, complete, with a draw of their own, and heard
/// by a person; simulated and silent ones only where there is nothing else.
fn batches(arguments: &ScoreArguments, sittings: &[Checked]) -> Result<Vec<Batch>, Failure> {
    let countable: Vec<&Checked> = sittings
        .iter()
        .filter(|checked| left_out(checked).is_none())
        .filter(|checked| {
            checked.opening.as_ref().is_some_and(|opening| opening.occasion == Occasion::Sitting)
        })
        .collect();
    let any_heard = countable.iter().any(|checked| listened(checked));
    let mut batches: Vec<Batch> = Vec::new();
    for checked in countable.into_iter().filter(|checked| !any_heard || listened(checked)) {
        let (Some(opening), Some(counts)) = (&checked.opening, &checked.counts) else { continue };
        let session = opening.session.hex();
        let place = match batches.iter().position(|batch| batch.rules.session.as_ref() == Some(&session)) {
            Some(place) => place,
            None => {
                batches.push(Batch { rules: rules(arguments, opening, session)?, rows: Vec::new() });
                batches.len() - 1
            }
        };
        for (index, (comparison, count)) in
            opening.terms.comparisons.iter().zip(&counts.comparisons).enumerate()
        {
            if count.trials > 0 {
                batches[place].rows.push(Row {
                    listener: checked.name().to_string(),
                    comparison: comparison.name.clone(),
                    protocol: opening.terms.protocol,
                    correct: u64::from(count.correct),
                    trials: u64::from(count.trials),
                    found: checked.decisions.get(index) == Some(&Decision::Difference),
                });
            }
        }
    }
    batches.retain(|batch| !batch.rows.is_empty());
    Ok(batches)
}

/// What the sittings of a session agreed on; only the risk can be asked for otherwise.
fn rules(arguments: &ScoreArguments, opening: &Opening, session: String) -> Result<Rules, Failure> {
    Ok(Rules {
        session: Some(session),
        alpha: arguments.alpha.unwrap_or(opening.terms.alpha),
        family: if opening.terms.family == "holm" { Family::Holm } else { Family::None },
        sequential: score::rule(&opening.terms).map_err(Failure::bad)?,
    })
}

fn file_name(checked: &Checked) -> String {
    checked.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn inputs(arguments: &ScoreArguments, checked: &Checked) -> Vec<VerdictInput> {
    let mut inputs = verdict::of_sitting(checked);
    if let Some(alpha) = arguments.alpha {
        for input in &mut inputs {
            input.alpha = alpha;
        }
    }
    inputs
}

/// Seats of a night with their own counts on a comparison.
fn seats(checked: &Checked, comparison: usize) -> Vec<(String, u64, u64)> {
    checked
        .seats
        .iter()
        .map(|(number, alias)| {
            let course = verdict::described(checked, comparison, Some(*number)).course;
            (alias.clone(), course.iter().filter(|right| **right).count() as u64, course.len() as u64)
        })
        .collect()
}

fn document(arguments: &ScoreArguments, checked: &Checked) -> Result<Value, Failure> {
    let mut comparisons = Vec::new();
    for (index, input) in inputs(arguments, checked).iter().enumerate() {
        let found = verdict::sentence(input).map_err(Failure::bad)?;
        let name = checked.opening.as_ref().and_then(|opening| opening.terms.comparisons.get(index));
        let described = described(checked, index);
        comparisons.push(json!({
            "comparison": name.map(|comparison| &comparison.name),
            "correct": input.correct,
            "trials": input.trials,
            "verdict": found.headline,
            "limits": found.limits,
            "analysis": found.analysis,
            "adjusted_p_value": input.together.map(|together| together.adjusted_p),
            "room": input.room,
            "seats": seats(checked, index)
                .into_iter()
                .map(|(alias, correct, trials)| json!({ "alias": alias, "correct": correct, "trials": trials }))
                .collect::<Vec<_>>(),
            "controls": {
                "positive": { "correct": input.controls.positive.correct, "trials": input.controls.positive.trials },
                "identical": { "correct": input.controls.identical.correct, "trials": input.controls.identical.trials },
            },
            "description": {
                "alternatives": Definition::of(input.protocol).alternatives.iter().map(|a| a.name).collect::<Vec<_>>(),
                "lean": described.lean(),
                "bias": described.bias(input.protocol),
                "course": description::course(&described.course).ok(),
                "confidence": description::confidence(&described.confidence),
            },
        }));
    }
    Ok(json!({
        "file": file_name(checked),
        "listener": checked.name(),
        "session": checked.opening.as_ref().map(|opening| opening.session.hex()),
        "ok": checked.is_sound(),
        "problems": checked.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "left_out": left_out(checked),
        "simulated": checked.opening.as_ref().is_some_and(|opening| opening.simulated.is_some()),
        "silent": checked.silent(),
        "comparisons": comparisons,
    }))
}

fn print(arguments: &ScoreArguments, checked: &Checked, out: &mut dyn Write) -> Result<(), Failure> {
    writeln!(out, "{}, {}", checked.name(), file_name(checked))?;
    for problem in &checked.problems {
        writeln!(out, "  does not verify: {problem}")?;
    }
    if !checked.problems.is_empty() {
        return Ok(writeln!(out)?);
    }
    if let Some(why) = left_out(checked) {
        writeln!(out, "  {why}")?;
    }
    for (index, input) in inputs(arguments, checked).iter().enumerate() {
        let found = verdict::sentence(input).map_err(Failure::bad)?;
        if let Some(comparison) =
            checked.opening.as_ref().and_then(|opening| opening.terms.comparisons.get(index))
        {
            writeln!(out, "{}", comparison.name)?;
        }
        writeln!(out, "{}", found.headline)?;
        for limit in &found.limits {
            writeln!(out, "{limit}")?;
        }
        for (alias, correct, trials) in seats(checked, index) {
            if trials > 0 {
                let p = crate::stats::one::p_value(input.protocol, correct, trials);
                writeln!(out, "  {alias}: {correct} of {trials}, p {}", text::p_value(p))?;
            }
        }
        if let (Some(analysis), None) = (&found.analysis, &input.room) {
            text::numbers(out, analysis)?;
        }
        describe(checked, index, input, out)?;
    }
    Ok(writeln!(out)?)
}

/// The answers of a sitting, or of all seats of a night, on a comparison.
fn described(checked: &Checked, comparison: usize) -> Described {
    match &checked.opening {
        Some(opening) if opening.occasion == Occasion::Night => Described {
            answers: verdict::room_answers(
                opening.terms.protocol,
                &verdict::room_trials(checked, comparison),
            ),
            ..Described::default()
        },
        _ => verdict::described(checked, comparison, None),
    }
}

/// Descriptions, never a rescue.
fn describe(
    checked: &Checked,
    index: usize,
    input: &VerdictInput,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let described = described(checked, index);
    if let Some(lean) = described.lean() {
        let alternatives = Definition::of(input.protocol).alternatives;
        let label = |at: usize| alternatives[at].label(input.attribute.as_deref());
        let mut words: Vec<String> = alternatives
            .iter()
            .enumerate()
            .map(|(at, _)| match lean.right.get(at) {
                Some(right) => format!("\"{}\" {} (right in {right})", label(at), lean.given[at]),
                None => format!("\"{}\" {}", label(at), lean.given[at]),
            })
            .collect();
        if let Some(bias) = described.bias(input.protocol) {
            words.push(format!("bias c {:+.2}", bias.criterion));
        }
        writeln!(out, "  answers                   {}", words.join(", "))?;
    }
    if let Ok(course) = description::course(&described.course) {
        let trend = course.trend_z.map_or(String::new(), |z| format!("; trend over the trials z {z:+.2}"));
        writeln!(
            out,
            "  course                    {} of {} in the first half, {} of {} in the second{trend}",
            course.first_correct, course.first_trials, course.second_correct, course.second_trials
        )?;
    }
    if let Some(confidence) = description::confidence(&described.confidence) {
        writeln!(
            out,
            "  confidence                {:.1} when right, {:.1} when wrong (area {:.2}, 0.5 says nothing)",
            confidence.when_right, confidence.when_wrong, confidence.area
        )?;
    }
    Ok(())
}
