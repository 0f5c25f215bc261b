//! After the closing: what each listener, the room and the podium get to read.
//!
//! Comes in: the records of a closed night and their digests. Goes out: sentences. Draws are derived anew from the opened
//! seal, numbers come from `stats`, verdicts from `report`.
//!
//! A room shares its draw. So each listener's own score is exact as it is (given the votes, every draw was equally likely),
//! the number of lucky winners to be expected is the sum of the listeners' risks whether or not they copied each other, and
//! the luck of the best of them and of all votes together are judged by [`stats::room`](crate::stats::room).

mod podium;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::seats::Seats;
use crate::stats::protocol::{Asks, Compared};
use crate::stats::room::{self, RoomTrial};
use crate::stats::{many, one};
use crate::trial::record::ControlTerms;
use crate::trial::replay::Replay;
use crate::trial::schedule::{Presented, Subject};
use crate::trial::{Ballot, Definition, Digest, Opening, Outcome, Part, Record, Terms, TrialId};
use crate::verdict::{self, Controls, Rule, Tally, Together, VerdictInput};

/// One trial of one listener.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrialLine {
    /// Such as `3`, or `4 (control: level 1.5 dB)`.
    pub name: String,
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
    /// The podium in plain words.
    pub podium: Vec<String>,
    /// Receipt of the whole night.
    pub receipt: Digest,
}

struct Closed {
    id: TrialId,
    presented: Presented,
}

/// What a counted or control vote adds to.
#[derive(Default, Clone, Copy)]
struct Score {
    votes: Tally,
    missing: u64,
    absent: u64,
}

/// What a closed night's records prove.
///
/// # Errors
/// The night is not closed, or its numbers are beyond what can be computed.
pub fn compute(records: &[Record], digests: &[Digest]) -> Result<NightResults, String> {
    let Some(Record::Opening(opening)) = records.first() else {
        return Err("the journal has no opening".to_owned());
    };
    let Some(Record::Closing(closing)) = records.last() else {
        return Err("the night is not closed: its seal cannot be opened yet".to_owned());
    };
    let mut replay = Replay::opened(opening, closing)?;
    let mut seats = Seats::default();
    let mut closed = Vec::new();
    for (record, digest) in records.iter().zip(digests) {
        seats.take(record);
        seats.written(record, *digest);
        if matches!(record, Record::Opening(_)) {
            continue;
        }
        replay.take(record)?;
        if let (Record::VotesClosed { id, .. }, Some(presented)) = (record, replay.presented.last()) {
            closed.push(Closed { id: *id, presented: *presented });
        }
    }
    let receipt = *digests.last().ok_or("the journal has no receipt")?;
    let silent = records.iter().any(Record::is_silent);
    let night = Judged { opening, closed: &closed, outcome: closing.outcome, silent };
    let results: Vec<SeatResult> =
        seats.iter().map(|(number, seat)| night.seat(number, seat)).collect::<Result<_, _>>()?;
    Ok(NightResults {
        outcome: closing.outcome,
        room: night.room(&seats, &results)?,
        podium: night.podium(&seats, &results),
        seats: results,
        receipt,
    })
}

struct Judged<'n> {
    opening: &'n Opening,
    closed: &'n [Closed],
    outcome: Outcome,
    silent: bool,
}

impl Judged<'_> {
    fn terms(&self) -> &Terms {
        &self.opening.terms
    }

    fn definition(&self) -> &'static Definition {
        Definition::of(self.terms().protocol)
    }

    /// Votes of a seat for the subject of these trials.
    fn score(&self, seat: &super::seats::Seat, subject: impl Fn(Subject) -> bool) -> Score {
        let mut score = Score::default();
        let trials = self
            .closed
            .iter()
            .filter(|closed| closed.id.part == Part::Main && subject(closed.presented.subject));
        for closed in trials {
            match seat.votes.get(&closed.id).and_then(|vote| self.definition().alternative(&vote.answer)) {
                Some(answer) => {
                    score.votes.trials += 1;
                    score.votes.correct +=
                        u64::from(closed.presented.counts_as_correct(self.opening, answer));
                }
                None if seat.was_there(closed.id) => score.missing += 1,
                None => score.absent += 1,
            }
        }
        if self.terms().missing_as_wrong {
            score.votes.trials += score.missing;
        }
        score
    }

    fn controls(&self, seat: &super::seats::Seat) -> Controls {
        let of = |positive: bool| {
            self.score(seat, |subject| {
                matches!(subject, Subject::Control(control) if self.terms().controls[control].is_positive() == positive)
            })
            .votes
        };
        Controls { positive: of(true), identical: of(false) }
    }

    fn seat(&self, number: u32, seat: &super::seats::Seat) -> Result<SeatResult, String> {
        let terms = self.terms();
        let scores: Vec<Score> = (0..terms.comparisons.len())
            .map(|comparison| self.score(seat, |subject| subject == Subject::Comparison(comparison)))
            .collect();
        let controls = self.controls(seat);
        let mut total = Score::default();
        for score in &scores {
            total.votes.correct += score.votes.correct;
            total.votes.trials += score.votes.trials;
            total.missing += score.missing;
            total.absent += score.absent;
        }
        let mut sentences = Vec::new();
        let adjusted = self.holm(&scores.iter().map(|score| score.votes).collect::<Vec<_>>())?;
        for (index, score) in scores.iter().enumerate() {
            let input = VerdictInput {
                // A vote that never came is no trial that was stopped: nobody knew the score before the closing.
                planned_trials: score.votes.trials,
                stopped_early: self.outcome != Outcome::AllTrials,
                silent: self.silent,
                controls,
                side_a: terms.comparisons[index].a.clone(),
                side_b: terms.comparisons[index].b.clone(),
                attribute: terms.attribute.clone(),
                sides: terms.inquiry().sides,
                more: terms.attribute_side,
                rule: Rule::AllTrials,
                together: adjusted
                    .get(index)
                    .map(|&adjusted_p| Together { members: scores.len() as u64, adjusted_p }),
                ..VerdictInput::new(terms.protocol, score.votes.correct, score.votes.trials, terms.alpha)
            };
            let verdict = verdict::sentence(&input).map_err(|error| error.to_string())?;
            sentences.push(if scores.len() > 1 {
                format!("{}: {}", terms.comparisons[index].name, verdict.headline)
            } else {
                verdict.headline
            });
        }
        if controls.positive.trials > 0 {
            sentences.push(format!(
                "In trials whose difference is known to be audible you were right in {} of {}.",
                controls.positive.correct, controls.positive.trials
            ));
        }
        if total.missing > 0 {
            sentences.push(format!(
                "{} never came from your seat; {}.",
                verdict::count(total.missing, "vote"),
                if terms.missing_as_wrong {
                    "the session counts them as wrong"
                } else {
                    "they are reported and not counted"
                }
            ));
        }
        if total.absent > 0 {
            sentences.push(format!("You were not there for {}.", verdict::count(total.absent, "trial")));
        }
        Ok(SeatResult {
            seat: number,
            alias: seat.alias.clone(),
            by: seat.by,
            total: total.votes,
            missing: total.missing,
            absent: total.absent,
            sentences,
            trials: self.lines(seat),
        })
    }

    /// Holm-adjusted p-values over comparisons, where the session judges several together; empty otherwise.
    fn holm(&self, tallies: &[Tally]) -> Result<Vec<f64>, String> {
        if tallies.len() < 2 || self.terms().family != "holm" {
            return Ok(Vec::new());
        }
        let p_values: Vec<f64> = tallies
            .iter()
            .map(|tally| {
                if tally.trials == 0 {
                    1.0
                } else {
                    one::p_value(self.terms().inquiry(), tally.correct, tally.trials)
                }
            })
            .collect();
        many::holm(&p_values).map_err(|error| error.to_string())
    }

    fn lines(&self, seat: &super::seats::Seat) -> Vec<TrialLine> {
        let definition = self.definition();
        let attribute = self.terms().attribute.as_deref();
        let label = |index: usize| definition.alternatives[index].label(attribute).into_owned();
        self.closed
            .iter()
            .map(|closed| {
                let number = closed.id.trial;
                let (name, identical) = match (closed.id.part, closed.presented.subject) {
                    (Part::Main, Subject::Control(control)) => {
                        let control = &self.terms().controls[control];
                        (format!("{number} (control: {})", described(control)), !control.is_positive())
                    }
                    (Part::Main, Subject::Comparison(_)) => (number.to_string(), false),
                    _ => (format!("practice {number}"), false),
                };
                let vote = seat.votes.get(&closed.id);
                TrialLine {
                    name,
                    said: vote
                        .and_then(|vote| definition.alternative(&vote.answer))
                        .map_or_else(|| "no vote".to_owned(), label),
                    was: if identical {
                        "both the same".to_owned()
                    } else {
                        closed
                            .presented
                            .right(self.opening)
                            .map_or_else(|| "as you like it".to_owned(), label)
                    },
                    receipt: vote.and_then(|vote| vote.receipt),
                }
            })
            .collect()
    }

    /// The room: every comparison by the exact distribution over the draws that the votes could have met.
    fn room(&self, seats: &Seats, results: &[SeatResult]) -> Result<Vec<String>, String> {
        let terms = self.terms();
        let mut sentences = Vec::new();
        let mut found = Vec::new();
        for (index, comparison) in terms.comparisons.iter().enumerate() {
            let trials = self.room_trials(seats, |subject| subject == Subject::Comparison(index));
            let voted = trials.iter().any(|trial| trial.votes.iter().any(|&votes| votes > 0));
            let result = if voted {
                Some(room::test(terms.inquiry(), &trials, terms.alpha).map_err(|error| error.to_string())?)
            } else {
                None
            };
            found.push((comparison, result));
        }
        let adjusted = if found.len() > 1 && terms.family == "holm" {
            let p_values: Vec<f64> = found
                .iter()
                .map(|(_, result)| result.as_ref().map_or(1.0, |result| result.p_value))
                .collect();
            many::holm(&p_values).map_err(|error| error.to_string())?
        } else {
            found.iter().map(|(_, result)| result.as_ref().map_or(1.0, |result| result.p_value)).collect()
        };
        for ((comparison, result), adjusted) in found.iter().zip(adjusted) {
            let sides = format!("{} and {}", comparison.a, comparison.b);
            let compared = Compared {
                a: &comparison.a,
                b: &comparison.b,
                attribute: terms.attribute.as_deref(),
                more: terms.attribute_side,
            };
            let Some(result) = result else {
                sentences.push(format!("Nobody voted: nothing can be said about {sides}."));
                continue;
            };
            let counted = terms.inquiry().counted(&compared);
            let score = format!("{} of {} {counted}", result.correct, verdict::count(result.votes, "vote"));
            let claim = match terms.protocol.asks() {
                Asks::Preference => "a preference between",
                Asks::Difference | Asks::Attribute => "a difference between",
            };
            let meaning = if let Some(why) = verdict::no_listening_test(false, self.silent) {
                why.replacen("This", "this", 1).trim_end_matches('.').to_owned()
            } else if self.outcome != Outcome::AllTrials {
                "the night was stopped before it was complete, so it shows nothing, neither way".to_owned()
            } else if adjusted <= terms.alpha * (1.0 + 1e-12) {
                format!("the room as a whole showed {claim} {sides}")
            } else {
                format!("the room as a whole did not show {claim} {sides}")
            };
            let several =
                if adjusted > result.p_value { " (judged as one of several comparisons)" } else { "" };
            sentences.push(format!(
                "Together: {score}; with these votes the draws alone give {:.1} on average. Since all heard the same draw, \
                 the room's votes are judged together: draws alone do at least as well {}; {meaning}{several}.",
                result.expected,
                verdict::risk(result.p_value)
            ));
        }
        self.control_sentences(seats, &mut sentences);
        self.facts(results, &mut sentences);
        Ok(sentences)
    }

    fn control_sentences(&self, seats: &Seats, sentences: &mut Vec<String>) {
        let mut by_control: BTreeMap<usize, Tally> = BTreeMap::new();
        for (_, seat) in seats.iter() {
            for control in 0..self.terms().controls.len() {
                let votes = self.score(seat, |subject| subject == Subject::Control(control)).votes;
                let all = by_control.entry(control).or_default();
                all.correct += votes.correct;
                all.trials += votes.trials;
            }
        }
        for (control, tally) in by_control.into_iter().filter(|(_, tally)| tally.trials > 0) {
            let terms = &self.terms().controls[control];
            let meaning = if terms.is_positive() { "known to be audible" } else { "both sides the same" };
            let counted = if self.terms().protocol.asks().has_right_answer() {
                "right"
            } else {
                "for the altered side; nobody is right or wrong"
            };
            sentences.push(format!(
                "Control, {} ({meaning}): {} of {} {counted}.",
                described(terms),
                tally.correct,
                verdict::count(tally.trials, "vote")
            ));
        }
    }

    /// What happened besides: missing votes, late and early, paper.
    fn facts(&self, results: &[SeatResult], sentences: &mut Vec<String>) {
        let missing: u64 = results.iter().map(|seat| seat.missing).sum();
        let absent = results.iter().filter(|seat| seat.absent > 0).count() as u64;
        let paper = results.iter().filter(|seat| seat.by == Ballot::Paper).count() as u64;
        let mut said = format!("{} took part", verdict::count(results.len() as u64, "listener"));
        if paper > 0 {
            let _ = write!(said, ", {paper} on paper");
        }
        if absent > 0 {
            let _ = write!(said, "; {absent} came late or left early");
        }
        let _ = write!(said, "; {} never came", verdict::count(missing, "vote"));
        if missing > 0 {
            said.push_str(if self.terms().missing_as_wrong {
                " and by the session's rule count as wrong"
            } else {
                " and are not counted"
            });
        }
        said.push('.');
        sentences.push(said);
    }

    fn room_trials(&self, seats: &Seats, subject: impl Fn(Subject) -> bool) -> Vec<RoomTrial> {
        let definition = self.definition();
        self.closed
            .iter()
            .filter(|closed| closed.id.part == Part::Main && subject(closed.presented.subject))
            .map(|closed| {
                let mut votes = vec![0_u32; definition.alternatives.len()];
                for (_, seat) in seats.iter() {
                    if let Some(answer) =
                        seat.votes.get(&closed.id).and_then(|vote| definition.alternative(&vote.answer))
                    {
                        votes[answer] += 1;
                    }
                }
                let right = (0..votes.len())
                    .find(|&answer| closed.presented.counts_as_correct(self.opening, answer))
                    .unwrap_or(0);
                RoomTrial { votes, right }
            })
            .collect()
    }
}

fn described(control: &ControlTerms) -> String {
    if control.is_positive() {
        format!("{} {} {}", control.control, control.amount, control.unit)
    } else {
        control.control.clone()
    }
}

impl NightResults {
    /// Everything as lines, for a terminal.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec!["The room:".to_owned()];
        lines.extend(self.room.iter().map(|line| format!("  {line}")));
        lines.push("The podium:".to_owned());
        lines.extend(self.podium.iter().map(|line| format!("  {line}")));
        lines.push("Every listener:".to_owned());
        for seat in &self.seats {
            let paper = if seat.by == Ballot::Paper { ", paper" } else { "" };
            lines.push(format!("  seat {}, {}{paper}: {}", seat.seat, seat.alias, seat.sentences.join(" ")));
        }
        lines.push(format!("Receipt of the night: {}", self.receipt.phrase()));
        lines.push(format!("  {}", self.receipt.hex()));
        lines
    }
}
