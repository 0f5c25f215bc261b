//! The words of the end: verdict, wager, receipt, where the files are.

use std::path::Path;

use super::agreed::{counted as counted_at_most, needed};
use super::{pages, review};
use crate::screen::{Action, Block, Fold, PageScene, StageKind};
use crate::stats::one::Analysis;
use crate::stats::protocol::Definition;
use crate::stats::psychometric::Model;
use crate::stats::tally::Tally;
use crate::trial::Side;
use crate::trial::record::{Closing, ComparisonTerms, StoppingTerms};
use crate::trial::{Decision, Outcome, ResultView, View, verify};
use crate::units::printed::{self, percent};
use crate::verdict::caveat::Kind;
use crate::verdict::threshold::ListenerThreshold;
use crate::verdict::{self, ComparisonResult, OnPaper};

/// The last page; what it says is also printed when the screen has closed. `known` is how well the differences are known.
/// First the verdict in one sentence, then the score against chance, what it means and what limits it, the receipt; trial by
/// trial behind a key.
pub fn page(
    view: &View,
    shown: &ResultView,
    journal: &Path,
    on_paper: &OnPaper,
    known: &[String],
) -> PageScene {
    let mut blocks = Vec::new();
    let checked = verify::alone(journal);
    let mut heading = "The seal is open.".to_string();
    heard(view, shown, &mut blocks);
    outcome_words(view, shown, &mut blocks);
    // The verdicts of the report: made from the journal as it lies on the disk.
    match verdict::of_journal(&checked, on_paper) {
        Ok((_, _, findings)) => {
            let judged = shown.outcome != Outcome::NotQualified;
            match &findings.comparisons[..] {
                _ if !judged => "The qualification was not passed.".clone_into(&mut heading),
                [only] => heading.clone_from(&only.verdict.title),
                several => {
                    heading = format!("Verdicts on {}", printed::count(several.len() as u64, "comparison"));
                }
            }
            wager(view, shown, &mut blocks);
            for found in findings.comparisons.iter().filter(|_| judged) {
                comparison(view, found, &mut blocks);
            }
            if judged {
                blocks.extend(controls(view, shown));
            }
            let odd = findings.caveats.iter().filter(|caveat| {
                matches!(caveat.kind, Kind::Implausible | Kind::Hurried | Kind::SoundServer)
            });
            blocks.extend(odd.map(|caveat| Block::caution(caveat.text.clone())));
            let answered = findings.comparisons.iter().any(|found| found.trials > 0);
            blocks.extend(known.iter().filter(|_| answered).map(Block::text));
        }
        Err(problem) => {
            wager(view, shown, &mut blocks);
            blocks.push(Block::caution(format!("There is no verdict: {problem}.")));
        }
    }
    blocks.push(Block::Gap);
    receipt(view, checked.closing.as_ref(), journal, &mut blocks);
    let trials = review::list(&checked);
    let again = (!trials.is_empty()).then(|| "trial by trial, with sound".to_string());
    PageScene {
        kind: StageKind::Verdict,
        heading,
        blocks,
        proceed: Some(again.unwrap_or_else(|| "end".to_string())),
        folds: vec![Fold { action: Action::Trials, heading: "Trial by trial".to_string(), blocks: trials }],
        ..pages::page(StageKind::Verdict, 1_000_000, "")
    }
}

/// What this was, if it was no listening test.
fn heard(view: &View, shown: &ResultView, blocks: &mut Vec<Block>) {
    if let Some(probability) = view.simulated {
        blocks.push(Block::caution(format!(
            "Simulated: a program answered, right with probability {probability}."
        )));
    }
    // The verdict on counted answers says it by itself.
    let answered = shown.counts.comparisons.iter().any(|count| count.trials > 0);
    if let Some(why) = verdict::no_listening_test(view.simulated.is_some(), view.silent)
        && !answered
    {
        blocks.push(Block::caution(why));
    }
    if view.invented {
        blocks.push(Block::text("The data of this session is invented."));
    }
}

fn outcome_words(view: &View, shown: &ResultView, blocks: &mut Vec<Block>) {
    let qualification = shown.counts.qualification;
    if qualification.trials > 0 {
        blocks.push(Block::pair(
            "Qualification",
            format!("{} right of {}", qualification.correct, qualification.trials),
        ));
    }
    match shown.outcome {
        Outcome::NotQualified => blocks.push(Block::text(
            format!(
                "{} of {}: the agreed {} of {} was not reached, so the trials that count never started. This says nothing about \
                 the cables. Either the equipment or the listener could not show even a larger difference.",
                shown.counts.qualification.correct,
                shown.counts.qualification.trials,
                view.terms.qualification.map_or(0, |agreed| agreed.correct),
                view.terms.qualification.map_or(0, |agreed| agreed.trials)
            ),
        )),
        Outcome::StoppedEarly => blocks.push(Block::text(
            "You stopped before the agreed end. So there is no verdict, whatever the score.",
        )),
        Outcome::Sequential => {
            let counted: u64 = shown.counts.comparisons.iter().map(|count| count.trials).sum();
            blocks.push(Block::text(format!(
                "The agreed rule for stopping has decided, after {counted} of at most {} trials that count.",
                counted_at_most(&view.terms)
            )));
        }
        Outcome::AllTrials => {}
    }
    if let Some(drawn) = shown.drawn.as_ref().filter(|drawn| drawn.exchanged.is_some()) {
        let cable = |(index, of): (usize, &ComparisonTerms)| {
            let (a, b) = if drawn.is_exchanged(index) { (&of.b, &of.a) } else { (&of.a, &of.b) };
            format!("{}: A was {a}, B was {b}", of.name)
        };
        let cables: Vec<String> = view.terms.comparisons.iter().enumerate().map(cable).collect();
        blocks.push(Block::pair("Drawn", cables.join("; ")));
    }
    if shown.counts.void > 0 {
        blocks.push(Block::pair(
            "Disturbed",
            match shown.counts.void {
                1 => "1 trial was drawn again and repeated".to_string(),
                void => format!("{void} times a trial was drawn again and repeated"),
            },
        ));
    }
}

fn comparison(view: &View, found: &ComparisonResult, blocks: &mut Vec<Block>) {
    let terms = &view.terms;
    if terms.comparisons.len() > 1 {
        blocks.push(Block::Gap);
        blocks.push(Block::heading(format!("{}: {}", found.name, found.verdict.title)));
    }
    blocks.push(Block::text(found.verdict.headline.clone()));
    let trials = u32::try_from(found.trials).unwrap_or(u32::MAX);
    if let Some(thresholds) = &found.threshold {
        for own in &thresholds.listeners {
            blocks.extend(trace(own));
        }
    } else if terms.inquiry().two_sided() && found.trials > 0 {
        blocks.push(Block::pair(
            "Answers",
            format!("{} for {}, {} for {}", found.trials - found.correct, found.a, found.correct, found.b),
        ));
    } else if found.trials > 0 {
        let goal = if terms.comparisons.len() == 1 { needed(terms) } else { None };
        blocks.push(Block::Score {
            trials,
            needed: goal.filter(|goal| *goal <= trials),
            chance: f64::from(trials) * terms.protocol.chance(),
            reached: u32::try_from(found.correct).ok(),
        });
        for own in &found.results {
            blocks.push(Block::Answers(own.path.iter().map(|right| *right == 1).collect()));
        }
    }
    blocks.push(Block::Gap);
    blocks.extend(found.verdict.limits.iter().cloned().map(Block::text));
    if let Some(analysis) = &found.verdict.analysis {
        let fixed = matches!(terms.stopping, StoppingTerms::AllTrials {});
        blocks.push(Block::pair("Numbers", numbers(analysis, fixed)));
    }
    let model = Definition::of(terms.protocol).model;
    if let Some(bias) = found.bias.filter(|_| matches!(model, Model::SameDifferent | Model::YesNo)) {
        let roc = found.roc.as_ref().map_or(String::new(), |roc| format!("; {}", roc.words()));
        blocks.push(Block::pair("Answers", format!("{}{roc}", bias.words(model))));
    }
}

/// How each control was answered.
fn controls(view: &View, shown: &ResultView) -> Vec<Block> {
    let terms = &view.terms;
    let what = if terms.protocol.asks().has_right_answer() { "right" } else { "for the altered side" };
    let among = terms.controls.iter().zip(&shown.counts.controls);
    among
        .filter(|(control, _)| control.trials > 0)
        .map(|(control, count)| {
            let score = match count.trials {
                0 => "not presented before the end".to_string(),
                trials => format!("{} of {trials} {what}", count.correct),
            };
            Block::pair("Control", format!("{}: {score}", control.kind()))
        })
        .collect()
}

/// The sizes that were presented, and how each was answered.
fn trace(own: &ListenerThreshold) -> Vec<Block> {
    let scale = own.result.scale;
    let points = own.result.points.iter().map(|point| {
        let size = scale.words(point.multiple);
        Block::pair(size, format!("{} right of {}", point.correct, point.trials))
    });
    let path = own.trace.iter().map(|(_, right)| *right).collect();
    std::iter::once(Block::Answers(path)).chain(points).collect()
}

/// The numbers behind a verdict: exact p-value, and the 95 % Clopper-Pearson interval of the proportion right. Where a
/// rule ended the trials (`fixed` is false) they describe and do not decide.
fn numbers(analysis: &Analysis, fixed: bool) -> String {
    let p_text = printed::p_value(analysis.p_value);
    let (lower, upper) = (percent(analysis.interval.lower), percent(analysis.interval.upper));
    format!(
        "{p_text} (exact binomial); proportion {}, two-sided 95 % interval {lower} to {upper}{}",
        percent(analysis.proportion),
        if fixed { "" } else { ", as if the number of trials had been fixed; the rule decides" }
    )
}

/// Who won, in the words agreed before.
fn wager(view: &View, shown: &ResultView, blocks: &mut Vec<Block>) {
    let Some(wager) = &view.terms.wager else { return };
    let Tally { trials: answered, correct } = shown.counts.comparisons.iter().sum();
    if answered == 0 {
        blocks.push(Block::pair("The wager", "no trial that counts was answered"));
    } else if shown.decisions.is_empty() {
        blocks.push(Block::pair(
            "The wager",
            match (wager.side, view.terms.comparisons.first()) {
                (Some(side), Some(comparison)) => {
                    let (cable, score) = match side {
                        Side::A => (&comparison.a, answered - correct),
                        Side::B => (&comparison.b, correct),
                    };
                    format!("{score} of {answered} for {cable}; {} were needed", wager.needed)
                }
                _ => {
                    format!(
                        "{correct} right of {}; {} were needed",
                        counted_at_most(&view.terms),
                        wager.needed
                    )
                }
            },
        ));
    } else {
        let called = shown.decisions.iter().filter(|decision| **decision == Decision::Difference).count();
        let of = match shown.decisions.len() {
            1 => "1 comparison".to_string(),
            several => format!("{several} comparisons"),
        };
        blocks.push(Block::pair("The wager", format!("the rule called a difference in {called} of {of}")));
    }
    let Some(settlement) = shown.settlement else { return };
    let sentence = settlement.sentence(wager);
    blocks.push(if settlement.claimant_won().is_some() {
        Block::loud(sentence)
    } else {
        Block::text(format!("{sentence}."))
    });
    blocks.push(Block::Gap);
}

fn receipt(view: &View, closing: Option<&Closing>, journal: &Path, blocks: &mut Vec<Block>) {
    blocks.push(Block::heading("Your receipt (public): keep it, and show it to anyone"));
    if let Some(receipt) = view.receipt {
        blocks.push(pages::in_words(receipt));
        blocks.push(Block::Digits(receipt.hex()));
    }
    if let (Some(number), Some((of, register))) =
        (view.sitting, closing.and_then(|closing| Some((closing.sittings?, closing.register?))))
    {
        let register = register.groups();
        blocks.push(Block::pair(
            "In this folder",
            format!("sitting {number} of {of} so far; register: {register}"),
        ));
    }
    let words = view.receipt.map(|receipt| receipt.in_words()).unwrap_or_default();
    blocks.push(Block::Copy("Journal".to_string(), journal.display().to_string()));
    blocks.push(Block::Copy(
        "Check it".to_string(),
        format!("earwitness verify {} --receipt \"{words}\"", shell_word(&journal.display().to_string())),
    ));
    // The folder above that of the sittings.
    let session = journal.parent().and_then(Path::parent).map(|folder| match folder.display().to_string() {
        here if here.is_empty() => ".".to_string(),
        folder => folder,
    });
    // A paragraph of its own: plain lines repeat nothing else when it changes.
    blocks.push(Block::Gap);
    blocks.extend(
        session.map(|folder| {
            Block::Copy(REPORT.to_string(), format!("earwitness report {}", shell_word(&folder)))
        }),
    );
}

/// Label of the last line: how to write the report, and once it is written, where it is.
const REPORT: &str = "Report";

/// The report is written: the page says where, in place of how.
pub fn name_report(page: &mut PageScene, path: &Path) {
    for block in &mut page.blocks {
        if let Block::Copy(label, value) = block
            && label == REPORT
        {
            *value = path.display().to_string();
        }
    }
}

/// A path as one word of a command line.
fn shell_word(path: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "/._-+:,".contains(c);
    if path.chars().all(plain) { path.to_string() } else { format!("'{}'", path.replace('\'', "'\\''")) }
}
