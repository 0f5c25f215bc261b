//! After the closing: what each listener and the room get to read, and the steps of the reveal.
//!
//! Comes in: the records of a closed night and their digests. Goes out: sentences. The night is verified like any other
//! journal, and judged by the one judge of phone, screen, `score` and report ([`crate::verdict`]).
//!
//! A room shares its draw. So each listener's own score is exact as it is (given the votes, every draw was equally likely),
//! the number of lucky winners to be expected is the sum of the listeners' risks whether or not they copied each other, and
//! the luck of the best of them and of all votes together are judged by [`stats::room`](crate::stats::room).

use std::fmt::Write as _;
use std::path::PathBuf;

use crate::evidence::{Agreed, Evidence, TrialFacts};
use crate::session::ControlKind;
use crate::trial::journal::Journal;
use crate::trial::{Ballot, Definition, Digest, Outcome, Part, Record, verify};
use crate::units::printed::{self, count};
use crate::verdict::{self, Finding, Findings, ListenerResult, OnPaper, Tally};

use super::reveal::{self, Frequency, Step};
use super::view::facts::Shown;

/// One trial of one listener.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrialLine {
    /// Such as `3`, or `4 (control: level 1.5 dB)`.
    pub name: String,
    /// Number within its part.
    pub number: u32,
    /// It does not count: practice.
    pub practice: bool,
    /// It does not count: a control.
    pub control: bool,
    /// Name of the alternative that was answered.
    pub answer: Option<&'static str>,
    /// Name of the right alternative; nothing where nobody is right, or both sides were the same.
    pub right: Option<&'static str>,
    /// What was answered.
    pub said: String,
    /// What it was.
    pub was: String,
    /// The vote's receipt.
    pub receipt: Option<Digest>,
}

/// One listener.
#[derive(Debug, Clone, PartialEq)]
pub struct SeatResult {
    /// Number of the seat.
    pub seat: u32,
    /// Name.
    pub alias: String,
    /// How the seat votes.
    pub by: Ballot,
    /// Counted votes and right ones, all comparisons together.
    pub total: Tally,
    /// Votes that never came while the seat was taken, of counted trials.
    pub missing: u64,
    /// Counted trials before the listener came or after the listener left.
    pub absent: u64,
    /// Kind of the verdict, where there is one comparison.
    pub finding: Option<Finding>,
    /// How often a guesser does at least as well, where there is one comparison and somebody can be right.
    pub chance: Option<Frequency>,
    /// The result in plain words.
    pub sentences: Vec<String>,
    /// Every trial.
    pub trials: Vec<TrialLine>,
}

/// Everything.
#[derive(Debug, Clone, PartialEq)]
pub struct NightResults {
    /// How it ended.
    pub outcome: Outcome,
    /// Listeners by seat.
    pub seats: Vec<SeatResult>,
    /// The room in plain words.
    pub room: Vec<String>,
    /// The highest scores in plain words.
    pub highest: Vec<String>,
    /// The reveal.
    pub steps: Vec<Step>,
    /// Receipt of the whole night.
    pub receipt: Digest,
}

/// What a closed night's records prove.
///
/// # Errors
/// The night is not closed, or its records do not verify.
pub fn compute(records: &[Record], digests: &[Digest]) -> Result<NightResults, String> {
    let journal = Journal {
        file: PathBuf::new(),
        records: records.to_vec(),
        digests: digests.to_vec(),
        utc_ms: Vec::new(),
        bytes: 0,
        torn_bytes: 0,
    };
    let Some(closing) = journal.closing() else {
        return Err("the night is not closed: its seal cannot be opened yet".to_owned());
    };
    let outcome = closing.outcome;
    let receipt = journal.receipt().ok_or("the journal has no receipt")?;
    let checked = verify::verify(&journal);
    if let Some(problem) = checked.problems.first() {
        return Err(format!("the night's records do not verify: {problem}"));
    }
    let (agreed, evidence, findings) = verdict::of_journal(&checked, &OnPaper::default())?;
    let night = Judged { agreed: &agreed, evidence: &evidence, findings: &findings, records, digests };
    let seats: Vec<SeatResult> = (0..evidence.listeners.len()).map(|listener| night.seat(listener)).collect();
    let highest = verdict::highest_scores(&agreed, &evidence, |seat| {
        seats.iter().any(|own| own.seat == seat && own.by == Ballot::Paper)
    });
    Ok(NightResults {
        outcome,
        room: night.room(&seats),
        steps: reveal::steps(&agreed, &evidence, &findings, &highest, Shown::of(receipt)),
        highest: highest.lines(),
        seats,
        receipt,
    })
}

struct Judged<'n> {
    agreed: &'n Agreed,
    evidence: &'n Evidence,
    findings: &'n Findings,
    records: &'n [Record],
    digests: &'n [Digest],
}

impl Judged<'_> {
    fn definition(&self) -> &'static Definition {
        Definition::of(self.agreed.terms.protocol)
    }

    /// How a seat voted at last.
    fn by(&self, number: u32) -> Ballot {
        let seated = self.records.iter().rev().find_map(|record| match record {
            Record::Seat { seat, by, .. } if *seat == number => Some(*by),
            _ => None,
        });
        seated.unwrap_or(Ballot::Phone)
    }

    fn seat(&self, listener: usize) -> SeatResult {
        let facts = &self.evidence.listeners[listener];
        let seat = facts.seat.unwrap_or_default();
        let comparisons = &self.findings.comparisons;
        let mut sentences = Vec::new();
        for comparison in comparisons {
            let own = comparison.results.iter().find(|own| own.listener == listener);
            let words = own.map_or_else(
                || verdict::no_answers(&comparison.a, &comparison.b),
                |own| own.verdict.headline.clone(),
            );
            sentences.push(if comparisons.len() > 1 {
                format!("{}: {words}", comparison.name)
            } else {
                words
            });
        }
        let Tally { trials, correct } = facts.positive_controls;
        if trials > 0 {
            sentences.push(format!(
                "In trials whose difference is known to be audible you were right in {correct} of {trials}."
            ));
        }
        let missing = self.evidence.missing(listener);
        if missing > 0 {
            sentences.push(format!(
                "{} never came from your seat; {}.",
                count(missing, "vote"),
                match (self.agreed.terms.missing_as_wrong, missing) {
                    (true, 1) => "the session counts it as wrong",
                    (true, _) => "the session counts them as wrong",
                    (false, 1) => "it is reported and not counted",
                    (false, _) => "they are reported and not counted",
                }
            ));
        }
        let absent = self.evidence.absent(listener);
        if absent > 0 {
            sentences.push(format!("You were not there for {}.", count(absent, "trial")));
        }
        let single = match comparisons.as_slice() {
            [only] => only.results.iter().find(|own| own.listener == listener),
            _ => None,
        };
        let has_right = self.agreed.inquiry.has_right_answer();
        SeatResult {
            finding: single.map(|own| own.verdict.finding),
            chance: single.filter(|_| has_right).and_then(ListenerResult::p_value).map(Frequency::of),
            seat,
            alias: facts.name.clone(),
            by: self.by(seat),
            total: self.evidence.total(listener),
            missing,
            absent,
            sentences,
            trials: self.lines(listener),
        }
    }

    /// Every attempt that was not void, with what this listener said.
    fn lines(&self, listener: usize) -> Vec<TrialLine> {
        let alternatives = self.definition().alternatives;
        let attribute = self.agreed.terms.attribute.as_deref();
        let label = |index: u8| alternatives[usize::from(index)].label(attribute).into_owned();
        self.evidence
            .attempts()
            .map(|attempt| {
                let own = attempt.iter().find(|trial| trial.listener == Some(listener as u32));
                let attempt = attempt[0];
                let number = attempt.trial;
                let control = attempt
                    .control
                    .filter(|_| attempt.part == Part::Main)
                    .and_then(|control| self.agreed.controls.get(usize::from(control)));
                let vote: Option<(&TrialFacts, u8)> = own.and_then(|own| Some((*own, own.answer?)));
                let named = |index: u8| alternatives.get(usize::from(index)).map(|found| found.name);
                let identical = control == Some(&ControlKind::Identical);
                // Where nobody claims which side is which, an answer is right or wrong only where it is known: of a control.
                let right = attempt
                    .right
                    .filter(|_| attempt.control.is_some() || self.agreed.inquiry.has_right_answer());
                TrialLine {
                    number,
                    practice: attempt.part != Part::Main,
                    control: control.is_some(),
                    answer: vote.and_then(|(_, answer)| named(answer)),
                    right: right.filter(|_| !identical).and_then(named),
                    name: match (attempt.part, control) {
                        (Part::Main, Some(control)) => {
                            format!("{number} (control: {control})")
                        }
                        (Part::Main, None) => number.to_string(),
                        _ => format!("warm-up {number}"),
                    },
                    said: vote.map_or_else(|| "no vote".to_owned(), |(_, answer)| label(answer)),
                    was: if identical {
                        "both the same".to_owned()
                    } else {
                        right.map_or_else(|| "as you like it".to_owned(), label)
                    },
                    receipt: vote.and_then(|(own, _)| {
                        self.digests.get((own.record as usize).checked_sub(1)?).copied()
                    }),
                }
            })
            .collect()
    }

    /// The room: every comparison by the exact distribution over the draws that the votes could have met.
    fn room(&self, seats: &[SeatResult]) -> Vec<String> {
        let mut sentences = Vec::new();
        for comparison in &self.findings.comparisons {
            let Some(room) = &comparison.room else {
                sentences
                    .push(format!("Nobody voted. {}", verdict::no_answers(&comparison.a, &comparison.b)));
                continue;
            };
            sentences.push(format!(
                "Together: {} All heard the same draw, so the votes are judged together: with these votes chance gives about {}.",
                comparison.verdict.headline,
                printed::about_votes(room.expected)
            ));
        }
        for control in self.findings.controls.iter().filter(|control| control.trials > 0) {
            let meaning = if control.positive { "known to be audible" } else { "both sides the same" };
            let counted = if self.agreed.terms.protocol.asks().has_right_answer() {
                "right"
            } else {
                "for the altered side; nobody is right or wrong"
            };
            sentences.push(format!(
                "Control, {} ({meaning}): {} of {} {counted}.",
                control.name(),
                control.correct,
                count(control.trials, "vote")
            ));
        }
        sentences.push(self.attendance(seats));
        sentences
    }

    /// What happened besides: missing votes, late and early, paper.
    fn attendance(&self, seats: &[SeatResult]) -> String {
        let missing: u64 = seats.iter().map(|seat| seat.missing).sum();
        let absent = seats.iter().filter(|seat| seat.absent > 0).count() as u64;
        let paper = seats.iter().filter(|seat| seat.by == Ballot::Paper).count() as u64;
        let mut said = format!("{} took part", count(seats.len() as u64, "listener"));
        if paper > 0 {
            let _ = write!(said, ", {paper} on paper");
        }
        if absent > 0 {
            let _ = write!(said, "; {absent} came late or left early");
        }
        let _ = write!(said, "; {} never came", count(missing, "vote"));
        if missing > 0 {
            said.push_str(match (self.agreed.terms.missing_as_wrong, missing) {
                (true, 1) => " and by the session's rule counts as wrong",
                (true, _) => " and by the session's rule count as wrong",
                (false, 1) => " and is not counted",
                (false, _) => " and are not counted",
            });
        }
        said.push('.');
        said
    }
}

impl NightResults {
    /// Everything as lines, for a terminal.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec!["The room:".to_owned()];
        lines.extend(self.room.iter().map(|line| format!("  {line}")));
        lines.push("Highest scores:".to_owned());
        lines.extend(self.highest.iter().map(|line| format!("  {line}")));
        lines.push("Every listener:".to_owned());
        for seat in &self.seats {
            let paper = if seat.by == Ballot::Paper { ", paper" } else { "" };
            lines.push(format!("  seat {}, {}{paper}: {}", seat.seat, seat.alias, seat.sentences.join(" ")));
        }
        lines.push(format!("Receipt of the night: {}", self.receipt.groups()));
        lines.push(format!("  {}", self.receipt.hex()));
        lines
    }
}
