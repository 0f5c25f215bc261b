//! From a journal to the facts that count: replays records and draws, keeps what a report needs, drops the rest.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::report::model::{State, TrialFacts};
use crate::trial::journal::{self, Journal};
use crate::trial::ledger::{Attempt, Ledger};
use crate::trial::record::{Ballot, Occasion, Opening, Outcome, Output, Record};
use crate::trial::schedule::{Draws, Presented, Subject};
use crate::trial::score::{Decision, Tally};
use crate::trial::seal::Secret;
use crate::trial::register::{self, Register};
use crate::trial::verify;
use crate::trial::{Digest, Side};

/// What a folder of sittings holds.
#[derive(Debug)]
pub struct Readings {
    /// Name of the place, if several are joined.
    pub place: Option<String>,
    /// One entry per journal file, in the order of file names.
    pub journals: Vec<Reading>,
    /// The register, or why it cannot be trusted.
    pub register: Result<Register, String>,
}

/// A journal file and what came of it.
#[derive(Debug)]
pub struct Reading {
    /// Name of the file without its folder.
    pub file: String,
    /// Its facts, or why there are none.
    pub content: Result<Box<Gathered>, String>,
}

/// The facts of one journal.
#[derive(Debug)]
pub struct Gathered {
    /// The opening, without its stimuli and terms.
    pub opening: OpeningFacts,
    /// How it stands.
    pub state: State,
    /// What the verifier objects to.
    pub problems: Vec<String>,
    /// Phrases, with who typed them.
    pub phrases: Vec<(String, String)>,
    /// Secret and key, once opened.
    pub opened: Option<(Digest, Digest)>,
    /// Digest of the last record.
    pub receipt: Option<Digest>,
    /// Counts and decisions.
    pub tally: Tally,
    /// Who won the wager.
    pub claimant_won: Option<bool>,
    /// Seats of a night, by number.
    pub seats: Vec<(u32, String, Ballot)>,
    /// Finished attempts and votes; `listener` is the number of the seat here.
    pub trials: Vec<TrialFacts>,
    /// Void attempts.
    pub void: u64,
    /// Times that it was resumed.
    pub resumed: u32,
    /// Length in milliseconds.
    pub length_ms: u64,
}

/// What a report needs of an opening.
#[derive(Debug)]
pub struct OpeningFacts {
    /// UTC time of the opening.
    pub utc: String,
    /// A night.
    pub night: bool,
    /// The name that reports show.
    pub name: String,
    /// The journal's file name may be shown: it holds no hidden name.
    pub file_is_public: bool,
    /// The seal.
    pub commitment: Digest,
    /// Digest of the session file.
    pub session: Digest,
    /// Digest of the register's line.
    pub register: Digest,
    /// What carried the sound.
    pub output: Output,
    /// A simulated listener's probability of a right answer.
    pub simulated: Option<f64>,
}

impl OpeningFacts {
    fn new(opening: &Opening) -> Self {
        Self {
            utc: opening.utc.clone(),
            night: opening.occasion == Occasion::Night,
            name: opening.alias.clone().unwrap_or_else(|| opening.listener.clone()),
            file_is_public: opening.alias.as_ref().is_none_or(|alias| *alias == opening.listener),
            commitment: opening.commitment,
            session: opening.session,
            register: opening.register,
            output: opening.output.clone(),
            simulated: opening.simulated,
        }
    }

    /// Nobody could hear anything.
    pub fn silent(&self) -> bool {
        self.output.kind != "device"
    }
}

/// Reads every journal of a sittings folder. A folder that is not there holds none.
///
/// # Errors
/// The folder cannot be listed.
pub fn folder(sittings: &Path, place: Option<String>) -> std::io::Result<Readings> {
    let mut files: Vec<PathBuf> = match std::fs::read_dir(sittings) {
        Ok(entries) => entries
            .map(|entry| entry.map(|entry| entry.path()))
            .collect::<std::io::Result<Vec<PathBuf>>>()?
            .into_iter()
            .filter(|path| path.extension().is_some_and(|extension| extension == "jsonl"))
            .filter(|path| path.file_name().is_some_and(|name| name != register::REGISTER))
            .collect(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(error),
    };
    files.sort();
    let journals = files
        .par_iter()
        .map(|path| Reading { file: file_name(path), content: read(path).map(Box::new) })
        .collect();
    let register = register::read(sittings).map_err(|error| {
        let path = sittings.join(register::REGISTER);
        without_folder(&error.to_string(), &path)
    });
    Ok(Readings { place, journals, register })
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// A message without the folder that the file stands in.
fn without_folder(message: &str, path: &Path) -> String {
    message.replace(&path.display().to_string(), &file_name(path))
}

fn read(path: &Path) -> Result<Gathered, String> {
    let journal = journal::read(path).map_err(|error| {
        let message = without_folder(&error.to_string(), path);
        let prefix = format!("{}: ", file_name(path));
        message.strip_prefix(&prefix).map_or(message.clone(), str::to_owned)
    })?;
    replay(&journal)
}

/// Replays a journal: every record by the rules of the ledger, every draw from the opened seal.
fn replay(journal: &Journal) -> Result<Gathered, String> {
    let Some(opening) = journal.opening() else { return Err("it does not begin with an opening".to_owned()) };
    let mut problems = verify::verify(journal).problems;
    let mut ledger = Ledger::new(opening.clone())?;
    let secret = journal.closing().map(|closing| Secret::from_bytes(closing.secret.0));
    let mut draws: Option<Draws> = None;
    let mut tally = Tally::new(opening);
    let mut trials = Vec::new();
    let mut lines: HashMap<u32, u32> = HashMap::new();
    for (index, record) in journal.records.iter().enumerate().skip(1) {
        let line = index as u32 + 1;
        let finished = ledger.attempts.len();
        if let Err(message) = ledger.apply(record) {
            if problems.is_empty() {
                problems.push(format!("record {line}: {message}"));
            }
            break;
        }
        match record {
            Record::Sealed { .. } => {
                let phrases = ledger.phrases.iter().map(|(_, text)| text.as_str());
                draws = secret.as_ref().map(|secret| Draws::new(opening, secret, phrases));
            }
            Record::Vote { seat, .. } => {
                lines.insert(*seat, line);
            }
            _ => {}
        }
        if let Some(attempt) = ledger.attempts.get(finished) {
            let presented = draws.as_mut().and_then(|draws| draws.present(attempt.id));
            if let Some(presented) = &presented {
                tally.add(opening, attempt, presented);
            }
            add(opening, attempt, presented.as_ref(), line, &lines, &mut trials);
            lines.clear();
        }
    }
    let outcome = journal.closing().map(|closing| closing.outcome);
    let state = match outcome {
        _ if !problems.is_empty() => State::Invalid,
        None => State::Unfinished,
        Some(Outcome::AllTrials) => State::Complete,
        Some(Outcome::Sequential) => State::Decided,
        Some(Outcome::NotQualified) => State::NotQualified,
        Some(Outcome::StoppedEarly) => State::StoppedEarly,
    };
    let claimant_won = outcome.and_then(|outcome| tally.claimant_won(opening, outcome));
    Ok(Gathered {
        opening: OpeningFacts::new(opening),
        state,
        problems,
        phrases: ledger.phrases.clone(),
        opened: journal.closing().map(|closing| (closing.secret, closing.key)),
        receipt: journal.receipt(),
        tally,
        claimant_won,
        seats: ledger.seats.iter().map(|(number, seat)| (*number, seat.alias.clone(), seat.by)).collect(),
        void: u64::from(ledger.void()),
        resumed: ledger.resumed,
        length_ms: ledger.at_ms,
        trials,
    })
}

/// Facts of a finished attempt: one row, or one per vote of a night.
fn add(
    opening: &Opening,
    attempt: &Attempt,
    presented: Option<&Presented>,
    line: u32,
    lines: &HashMap<u32, u32>,
    trials: &mut Vec<TrialFacts>,
) {
    let stimulus = presented.and_then(|presented| opening.stimuli.get(presented.stimulus));
    let right = presented.and_then(|presented| presented.right(opening));
    let listening = &attempt.listening;
    let row = TrialFacts {
        sitting: 0,
        listener: None,
        record: line,
        part: attempt.id.part,
        trial: attempt.id.trial,
        attempt: attempt.id.attempt,
        comparison: stimulus.map(|stimulus| stimulus.comparison as u16),
        control: presented.and_then(|presented| match presented.subject {
            Subject::Control(control) => Some(control as u16),
            Subject::Comparison(_) => None,
        }),
        clip: stimulus.map(|stimulus| stimulus.clip as u16),
        order: presented.map(|presented| presented.order as u8),
        answer: None,
        right: right.map(|right| right as u8),
        correct: None,
        for_side_a: None,
        confidence: attempt.confidence,
        at_ms: attempt.at_ms,
        took_ms: listening.took_ms,
        switches: listening.switches,
        listens: listening.listens.iter().sum(),
        heard_ms: listening.heard_ms.iter().sum(),
        paper: false,
    };
    let answered = |answer: usize| TrialFacts {
        answer: Some(answer as u8),
        correct: right.map(|right| right == answer),
        for_side_a: presented
            .and_then(|presented| presented.chosen(opening, answer))
            .map(|side| side == Side::A),
        ..row.clone()
    };
    if attempt.void.is_some() {
        trials.push(row);
    } else if let Some(answer) = attempt.answer {
        trials.push(answered(answer));
    } else {
        for (seat, (answer, ballot)) in &attempt.votes {
            trials.push(TrialFacts {
                listener: Some(*seat),
                record: lines.get(seat).copied().unwrap_or(line),
                paper: *ballot == Ballot::Paper,
                ..answered(*answer)
            });
        }
    }
}

/// The sequential rule's decision in words.
pub fn decision_words(decision: Decision) -> &'static str {
    match decision {
        Decision::Difference => "a difference",
        Decision::NoDifference => "no difference",
        Decision::Undecided => "undecided",
    }
}
