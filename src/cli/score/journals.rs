//! Scores of journals: each sitting by itself, then all countable ones together.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::io::Write;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde_json::{Value, json};

use super::super::{Failure, extend, print_json, print_lines};
use super::counts;
use super::{ScoreArguments, text};
use crate::evidence::{self, Agreed, Evidence};
use crate::stats::protocol::Definition;
use crate::trial::Decision;
use crate::trial::Digest;
use crate::trial::against::{self, Registers, Sessions};
use crate::trial::record::{Occasion, Opening, Outcome, Terms};
use crate::trial::register::REGISTER;
use crate::trial::score;
use crate::trial::verify::{self, Checked, Problem, Registered, State};
use crate::units::foreign;
use crate::units::printed;
use crate::units::printed::probability;
use crate::verdict::caveat::Kind;
use crate::verdict::counts::{Batch, Row, Rules};
use crate::verdict::{self, ComparisonResult, Findings, OnPaper, no_listening_test};

/// Everything that files on the command line mean: journals themselves, and those in folders; with each, whether it came
/// from a folder, whose register has to announce it.
fn expand(files: &[PathBuf]) -> Result<Vec<(PathBuf, bool)>, Failure> {
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
                journals.push((file.clone(), false));
            }
            continue;
        };
        let mut found = crate::files::with_extension(&folder, "jsonl")
            .map_err(Failure::of_file(&folder, "cannot be read"))?;
        found.retain(|path| path.file_name().is_some_and(|name| name != REGISTER));
        if found.is_empty() {
            return Err(Failure::bad(format!("{}: there are no sittings in this folder", folder.display())));
        }
        journals.extend(found.into_iter().map(|path| (path, true)));
    }
    if journals.is_empty() {
        return Err(Failure::bad(
            "a register is not a journal: give the journals of its sittings, or their folder",
        ));
    }
    Ok(journals)
}

/// Leaves one journal of each sitting to be counted: a copy is no further evidence. The one that a register announces keeps
/// its right, wherever it stands among the others.
fn one_of_each(sittings: &mut [Checked]) {
    let mut seals: HashMap<Digest, PathBuf> = HashMap::new();
    let mut all: Vec<&mut Checked> =
        sittings.iter_mut().filter(|checked| left_out(checked).is_none()).collect();
    all.sort_by_key(|checked| checked.registered != Registered::Listed);
    for checked in all {
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
    let mut sessions = Sessions::default();
    let files = expand(&arguments.files)?;
    let read: Vec<Checked> = files.par_iter().map(|(path, _)| verify::alone(path)).collect();
    for ((path, of_folder), mut checked) in files.into_iter().zip(read) {
        if of_folder {
            let folder = path.parent().unwrap_or(Path::new("."));
            evidence::announced(&mut checked, registers.of(folder));
        } else if checked.opening.is_some() {
            against::register(&mut checked, &mut registers);
        }
        against::session_beside(&mut checked, &mut sessions);
        // Of a folder the rest is scored all the same, and this one is named.
        if checked.bad_input && !of_folder {
            let problem = checked.problems.first().map(ToString::to_string).unwrap_or_default();
            return Err(Failure::bad(format!("{}: {problem}", path.display())));
        }
        sittings.push(checked);
    }
    one_of_each(&mut sittings);
    let batches = batches(arguments, &sittings)?;
    if sittings.len() > 1
        && sittings.iter().any(|checked| checked.opening.as_ref().is_some_and(|o| o.terms.panel.is_some()))
    {
        crate::cli::note(
            "these sittings belong to a declared panel and are not put together here: `earwitness report` judges it when \
             everybody has sat",
        );
    }
    if batches.len() > 1 {
        crate::cli::note(&format!(
            "these journals belong to {} sessions (or texts of one): comparisons with the same name stay separate, by session",
            batches.len()
        ));
    }
    if arguments.json {
        let journals: Vec<Value> =
            sittings.iter().map(|checked| document(arguments, checked)).collect::<Result<_, _>>()?;
        let mut whole = counts::document(arguments, &batches)?;
        let heard = sittings.iter().any(|checked| left_out(checked).is_none() && listened(checked));
        extend(&mut whole, json!({ "listening_test": heard, "journals": journals }));
        print_json(out, &whole)?;
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
        let (Some(opening), Some((_, findings))) = (&checked.opening, judged(arguments, checked)?) else {
            continue;
        };
        // A declared panel is judged once, when everybody has sat, by the report, which knows the folder.
        if opening.terms.panel.is_some() {
            continue;
        }
        let session = opening.session.hex();
        let place = match batches.iter().position(|batch| batch.rules.session.as_ref() == Some(&session)) {
            Some(place) => place,
            None => {
                let agreed = agreed(arguments, opening);
                let rules = Rules {
                    session: Some(session),
                    alpha: agreed.terms.alpha,
                    family: agreed.family,
                    sequential: score::rule(&opening.terms).map_err(Failure::bad)?,
                };
                batches.push(Batch { rules, rows: Vec::new() });
                batches.len() - 1
            }
        };
        for found in &findings.comparisons {
            batches[place].rows.extend(found.results.iter().map(|own| Row {
                listener: own.name.clone(),
                comparison: found.name.clone(),
                inquiry: opening.terms.inquiry(),
                correct: own.correct,
                trials: own.trials,
                found: own.sequential == Some(Decision::Difference),
            }));
        }
    }
    batches.retain(|batch| !batch.rows.is_empty());
    Ok(batches)
}

/// What a journal proves by itself; nothing of one that does not verify or is not closed.
fn judged(arguments: &ScoreArguments, checked: &Checked) -> Result<Option<(Evidence, Findings)>, Failure> {
    let Some(opening) = checked.opening.as_ref().filter(|_| checked.is_sound()) else { return Ok(None) };
    let agreed = agreed(arguments, opening);
    let evidence = Evidence::of_journal(&agreed, checked).map_err(Failure::bad)?;
    let findings = verdict::judge(&agreed, &evidence, &OnPaper::default());
    Ok(Some((evidence, findings)))
}

/// What the sittings of a session agreed on; only the risk can be asked for otherwise.
fn agreed(arguments: &ScoreArguments, opening: &Opening) -> Agreed {
    let mut agreed = Agreed::of_opening(opening);
    agreed.terms.alpha = arguments.alpha.unwrap_or(agreed.terms.alpha);
    agreed
}

fn document(arguments: &ScoreArguments, checked: &Checked) -> Result<Value, Failure> {
    let (mut comparisons, mut caveats) = (Vec::new(), Vec::new());
    if let Some((evidence, findings)) = judged(arguments, checked)? {
        caveats.clone_from(&findings.caveats);
        let controls = |positive: bool| {
            let all = findings.controls.iter().filter(|control| control.positive == positive);
            let (correct, trials) =
                all.fold((0, 0), |sum, control| (sum.0 + control.correct, sum.1 + control.trials));
            json!({ "correct": correct, "trials": trials })
        };
        for found in &findings.comparisons {
            let own = found.results.first().filter(|_| found.room.is_none());
            comparisons.push(json!({
                "comparison": found.name,
                "correct": found.correct,
                "trials": found.trials,
                "finding": found.verdict.finding,
                "verdict": found.verdict.headline,
                "limits": found.verdict.limits,
                "analysis": found.verdict.analysis,
                "adjusted_p_value": found.adjusted_p_value,
                "room": found.room,
                "seats": found
                    .results
                    .iter()
                    .filter(|own| evidence.listeners[own.listener].seat.is_some())
                    .map(|own| {
                        json!({
                            "alias": own.name,
                            "correct": own.correct,
                            "trials": own.trials,
                            "p_value": own.p_value(),
                            "adjusted_p_value": own.adjusted_p_value,
                            "verdict": own.verdict.headline,
                        })
                    })
                    .collect::<Vec<_>>(),
                "controls": { "positive": controls(true), "identical": controls(false) },
                "description": {
                    "alternatives": alternatives(checked),
                    "lean": found.lean,
                    "bias": found.bias,
                    "roc": found.roc,
                    "course": own.and_then(|own| own.habits.course.as_ref()),
                    "confidence": own.and_then(|own| own.habits.confidence.as_ref()),
                },
            }));
        }
    }
    Ok(json!({
        "file": crate::files::name(&checked.file),
        "listener": checked.name(),
        "session": checked.opening.as_ref().map(|opening| opening.session.hex()),
        "ok": checked.is_sound(),
        "registered": checked.registered == Registered::Listed,
        "session_compared": checked.session_compared,
        "caveats": caveats,
        "problems": checked.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "left_out": left_out(checked),
        "simulated": checked.opening.as_ref().is_some_and(|opening| opening.simulated.is_some()),
        "silent": checked.silent(),
        "comparisons": comparisons,
    }))
}

/// Journal names of the protocol's alternatives.
fn alternatives(checked: &Checked) -> Vec<&'static str> {
    let terms = checked.opening.as_ref().map(|opening| &opening.terms);
    let definition = terms.map(|terms| Definition::of(terms.protocol));
    definition
        .map_or(&[][..], |found| found.alternatives)
        .iter()
        .map(|alternative| alternative.name)
        .collect()
}

fn print(arguments: &ScoreArguments, checked: &Checked, out: &mut dyn Write) -> Result<(), Failure> {
    let (name, file) = (foreign::shown(checked.name()), foreign::shown(&crate::files::name(&checked.file)));
    writeln!(out, "{name}{}{file}", if name.is_empty() { "" } else { ", " })?;
    for problem in &checked.problems {
        writeln!(out, "  does not verify: {}", foreign::shown(&problem.to_string()))?;
    }
    if !checked.problems.is_empty() {
        return Ok(writeln!(out)?);
    }
    if let Some(why) = left_out(checked) {
        writeln!(out, "  {why}")?;
    }
    if checked.registered == Registered::NoRegister {
        writeln!(out, "  no register is next to it, so it may be one of several, or made up")?;
    }
    if !checked.session_compared {
        writeln!(out, "  no session of it is next to it, so its files and terms were not compared")?;
    }
    let judged = judged(arguments, checked)?;
    let caveats = judged.iter().flat_map(|(_, findings)| &findings.caveats);
    for caveat in caveats.filter(|caveat| matches!(caveat.kind, Kind::Implausible | Kind::Patterned)) {
        writeln!(out, "! {} {}", caveat.text, caveat.remedy)?;
    }
    for found in judged.iter().flat_map(|(_, findings)| &findings.comparisons) {
        writeln!(out, "{}", foreign::shown(&found.name))?;
        writeln!(out, "{}", found.verdict.headline)?;
        print_lines(out, &found.verdict.limits)?;
        if found.room.is_some() {
            for own in &found.results {
                write!(out, "  {}: {} of {}", own.name, own.correct, own.trials)?;
                if let (Some(p), Some(adjusted)) = (own.p_value(), own.adjusted_p_value) {
                    let (p, adjusted) = (printed::p_value(p), probability(adjusted));
                    write!(out, ", {p}, judged as one of {} tests {adjusted}", own.family)?;
                }
                writeln!(out)?;
            }
        } else if let Some(analysis) = &found.verdict.analysis {
            text::numbers(out, analysis)?;
        }
        if let Some(opening) = &checked.opening {
            describe(&opening.terms, found, out)?;
        }
    }
    Ok(writeln!(out)?)
}

/// Descriptions, never a rescue.
fn describe(terms: &Terms, found: &ComparisonResult, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(words) = found.leans(terms.inquiry(), terms.attribute.as_deref()) {
        writeln!(out, "  answers                   {words}")?;
    }
    let Some(own) = found.results.first().filter(|_| found.room.is_none()) else { return Ok(()) };
    if let Some(course) = &own.habits.course {
        let trend = course
            .trend_z
            .map_or(String::new(), |z| format!("; trend over the trials z {}", printed::signed(z, 2, "")));
        writeln!(
            out,
            "  course                    {} of {} in the first half, {} of {} in the second{trend}",
            course.first_correct, course.first_trials, course.second_correct, course.second_trials
        )?;
    }
    if let Some(confidence) = &own.habits.confidence {
        writeln!(
            out,
            "  confidence                {:.1} when right, {:.1} when wrong (area {:.2}, 0.5 says nothing)",
            confidence.when_right, confidence.when_wrong, confidence.area
        )?;
    }
    Ok(())
}
