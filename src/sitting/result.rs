//! The words of the end: verdict, wager, receipt, where the files are.

use std::path::Path;

use super::pages::{counted, needed};
use crate::report::verdict::{self, Controls, Rule, Tally, VerdictInput};
use crate::screen::{Block, PageScene, StageKind};
use crate::stats::Protocol;
use crate::stats::one::Analysis;
use crate::trial::record::{Count, StoppingTerms};
use crate::trial::{Checked, Counts, Decision, Outcome, Part, ResultView, Terms, View, verify};

/// The last page; its blocks are also printed when the screen has closed.
pub fn page(view: &View, shown: &ResultView, journal: &Path) -> PageScene {
    let mut blocks = Vec::new();
    heard(view, &mut blocks);
    outcome_words(shown, &mut blocks);
    let checked = verify::alone(journal);
    for index in 0..view.terms.comparisons.len() {
        comparison(view, shown, index, &checked, &mut blocks);
    }
    wager(view, shown, &mut blocks);
    blocks.push(Block::Gap);
    receipt(view, journal, &mut blocks);
    PageScene {
        kind: StageKind::Result,
        id: 1_000_000,
        heading: "The seal is open".to_string(),
        blocks,
        entry: None,
        proceed: Some("close".to_string()),
        progress: None,
        stoppable: false,
    }
}

/// What this was, if it was no listening test.
fn heard(view: &View, blocks: &mut Vec<Block>) {
    if let Some(probability) = view.simulated {
        blocks.push(Block::caution(format!(
            "Simulated: a program answered, right with probability {probability}. This is no listening test."
        )));
    }
    if view.silent && view.simulated.is_none() {
        blocks.push(Block::caution("Silent output: nothing was heard. This is no listening test."));
    }
    if view.invented {
        blocks.push(Block::caution("The session's data is invented."));
    }
}

fn outcome_words(shown: &ResultView, blocks: &mut Vec<Block>) {
    let qualification = shown.counts.qualification;
    if qualification.trials > 0 {
        blocks.push(Block::pair(
            "Qualification",
            format!("{} right of {}", qualification.correct, qualification.trials),
        ));
    }
    match shown.outcome {
        Outcome::NotQualified => blocks.push(Block::text(
            "The qualification was not passed, so the counted trials never started. This says nothing about the cables: \
             the rig or the listener could not have heard the difference.",
        )),
        Outcome::StoppedEarly => blocks.push(Block::text(
            "The sitting was stopped before its rule allowed it: no verdict, whatever the score.",
        )),
        Outcome::AllTrials | Outcome::Sequential => {}
    }
    if shown.counts.void > 0 {
        blocks.push(Block::pair(
            "Disturbed",
            format!("{} attempts were void and repeated with fresh draws", shown.counts.void),
        ));
    }
}

fn tally(count: Count) -> Tally {
    Tally { correct: u64::from(count.correct), trials: u64::from(count.trials) }
}

/// Control answers, added up by whether they could have been heard.
fn controls(terms: &Terms, counts: &Counts) -> Controls {
    let mut sum = Controls::default();
    for (control, count) in terms.controls.iter().zip(&counts.controls) {
        let part = if control.is_positive() { &mut sum.positive } else { &mut sum.identical };
        part.correct += u64::from(count.correct);
        part.trials += u64::from(count.trials);
    }
    sum
}

/// What the verdict on one comparison is made of.
pub fn verdict_input(view: &View, shown: &ResultView, index: usize) -> VerdictInput {
    let terms = &view.terms;
    let count = tally(shown.counts.comparisons.get(index).copied().unwrap_or_default());
    let comparison = &terms.comparisons[index];
    // The journal counts preferences for side B, the verdict those for side A.
    let correct =
        if terms.protocol == Protocol::Preference { count.trials - count.correct } else { count.correct };
    VerdictInput {
        planned_trials: u64::from(terms.trials),
        stopped_early: shown.outcome == Outcome::StoppedEarly,
        simulated: view.simulated.is_some(),
        silent: view.silent,
        controls: controls(terms, &shown.counts),
        side_a: comparison.a.clone(),
        side_b: comparison.b.clone(),
        attribute: terms.attribute.clone(),
        rule: match terms.stopping {
            StoppingTerms::AllTrials {} => Rule::AllTrials,
            StoppingTerms::Sequential { alpha, beta, proportion } => {
                Rule::Sequential { alpha, beta, proportion }
            }
        },
        together: together(terms, &shown.counts, index),
        ..VerdictInput::new(terms.protocol, correct, count.trials, terms.alpha)
    }
}

/// Holm's adjustment over the session's comparisons, where the session asks for it.
fn together(terms: &Terms, counts: &Counts, index: usize) -> Option<verdict::Together> {
    let sequential = matches!(terms.stopping, StoppingTerms::Sequential { .. });
    if terms.family != "holm" || terms.comparisons.len() < 2 || sequential {
        return None;
    }
    let p_values: Vec<f64> = counts
        .comparisons
        .iter()
        .map(|count| {
            if count.trials == 0 {
                1.0
            } else {
                crate::stats::one::p_value(terms.protocol, u64::from(count.correct), u64::from(count.trials))
            }
        })
        .collect();
    let adjusted = crate::stats::many::holm(&p_values).ok()?;
    Some(verdict::Together { members: p_values.len() as u64, adjusted_p: *adjusted.get(index)? })
}

/// Right and wrong in order, for the counted answers of one comparison.
fn in_order(checked: &Checked, index: usize) -> Vec<bool> {
    let Some(opening) = &checked.opening else { return Vec::new() };
    checked
        .answers
        .iter()
        .filter(|answer| answer.id.part == Part::Main && answer.control().is_none())
        .filter(|answer| answer.comparison(opening) == Some(index))
        .filter_map(|answer| answer.right)
        .collect()
}

fn comparison(view: &View, shown: &ResultView, index: usize, checked: &Checked, blocks: &mut Vec<Block>) {
    let terms = &view.terms;
    if shown.outcome == Outcome::NotQualified {
        return;
    }
    let count = shown.counts.comparisons.get(index).copied().unwrap_or_default();
    if terms.comparisons.len() > 1 {
        blocks.push(Block::Gap);
        blocks.push(Block::heading(terms.comparisons[index].name.clone()));
    }
    if terms.protocol != Protocol::Preference && count.trials > 0 {
        let goal = if terms.comparisons.len() == 1 { needed(terms) } else { None };
        blocks.push(Block::Score {
            trials: count.trials,
            needed: goal.filter(|goal| *goal <= count.trials),
            chance: f64::from(count.trials) * terms.protocol.chance(),
            reached: Some(count.correct),
        });
        let answers = in_order(checked, index);
        if !answers.is_empty() {
            blocks.push(Block::Answers(answers));
        }
    }
    match verdict::sentence(&verdict_input(view, shown, index)) {
        Ok(verdict) => {
            blocks.push(Block::loud(verdict.headline));
            if let Some(analysis) = &verdict.analysis {
                blocks.push(Block::pair("Numbers", numbers(analysis)));
            }
            blocks.extend(verdict.limits.into_iter().map(Block::text));
        }
        Err(error) => blocks.push(Block::text(format!("No verdict can be computed: {error}"))),
    }
    if index == 0 {
        for (control, count) in terms.controls.iter().zip(&shown.counts.controls) {
            let amount = if control.is_positive() {
                format!(" ({} {})", control.amount, control.unit)
            } else {
                String::new()
            };
            blocks.push(Block::pair(
                format!("Control {}", control.control),
                format!("{} right of {}{amount}", count.correct, count.trials),
            ));
        }
    }
}

/// The numbers behind a verdict: exact p-value, and the 95 % Clopper-Pearson interval of the proportion right.
fn numbers(analysis: &Analysis) -> String {
    let p_value = analysis.p_value;
    let p_text = if p_value >= 0.001 { format!("{p_value:.3}") } else { format!("{p_value:.1e}") };
    let (lower, upper) =
        (verdict::percent(analysis.interval.lower), verdict::percent(analysis.interval.upper));
    format!(
        "p = {p_text} (exact binomial); proportion {}, 95 % interval {lower} to {upper}",
        verdict::percent(analysis.proportion)
    )
}

/// Who won, in the words agreed before.
fn wager(view: &View, shown: &ResultView, blocks: &mut Vec<Block>) {
    let Some(wager) = &view.terms.wager else { return };
    blocks.push(Block::Gap);
    blocks.push(Block::heading("The wager"));
    let correct: u32 = shown.counts.comparisons.iter().map(|count| count.correct).sum();
    if shown.decisions.is_empty() {
        blocks.push(Block::pair(
            "Score",
            format!("{correct} right of {}; {} were needed", counted(&view.terms), wager.needed),
        ));
    } else {
        let decided = shown.decisions.iter().filter(|decision| **decision == Decision::Difference).count();
        blocks
            .push(Block::pair("Rule", format!("{decided} of {} comparisons decided", shown.decisions.len())));
    }
    match shown.claimant_won {
        Some(true) => {
            blocks.push(Block::loud(format!("{} wins: {}", wager.claimant, wager.claimant_wins)));
        }
        Some(false) => {
            blocks.push(Block::loud(format!("{} wins: {}", wager.skeptic, wager.skeptic_wins)));
        }
        None => blocks.push(Block::text("Nobody wins: there is no verdict, or nobody listened.")),
    }
}

fn receipt(view: &View, journal: &Path, blocks: &mut Vec<Block>) {
    blocks.push(Block::heading("The receipt: photograph it, or write the words down"));
    if let Some(receipt) = view.receipt {
        blocks.push(Block::loud(receipt.phrase()));
        blocks.push(Block::Digits(receipt.hex()));
    }
    let phrase = view.receipt.map(|receipt| receipt.phrase()).unwrap_or_default();
    blocks.push(Block::Copy("Journal".to_string(), journal.display().to_string()));
    blocks.push(Block::Copy(
        "Check it".to_string(),
        format!("earwitness verify {} --receipt \"{phrase}\"", shell_word(&journal.display().to_string())),
    ));
}

/// A path as one word of a command line.
fn shell_word(path: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "/._-+:,".contains(c);
    if path.chars().all(plain) { path.to_string() } else { format!("'{}'", path.replace('\'', "'\\''")) }
}
