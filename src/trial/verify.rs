//! Re-derives every draw, every score and every rule from the opened seal, and holds a journal against its register.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::closing::Decision;
use super::conductor::INTERRUPTED;
use super::digest::Digest;
use super::hands::{Hand, LastWord};
use super::journal::{self, Journal, JournalError};
use super::ledger::{Ledger, MAX_TEXT};
use super::protocol::Side;
use super::record::{
    Ballot, Closing, Counts, Listening, Occasion, Opening, Outcome, Part, Record, TrialId, Voided,
};
use super::replay::Replay;
use super::schedule::{Presented, Subject};
use super::wager::Settlement;
use crate::stats::tally::Tally;

pub use super::register_view::{Announced, RegisterView, view as register};

/// Something that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Problem {
    /// Number of the record, from 1, where it is one's.
    pub record: Option<u64>,
    /// What.
    pub message: String,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.record {
            Some(number) => write!(formatter, "record {number}: {}", self.message),
            None => formatter.write_str(&self.message),
        }
    }
}

/// What a file turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Closed: the seal is open.
    Closed,
    /// Not closed: abandoned, or still going on.
    Unfinished,
    /// A journal whose chain or rules are broken.
    Broken,
    /// No journal, or one from a newer program.
    Unreadable,
}

/// How a journal stands in its folder's register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Registered {
    /// There is no register beside it.
    NoRegister,
    /// Listed as it should be.
    Listed,
    /// Not listed, or not as it should be; there is a problem that says so.
    Wrong,
}

/// A finished attempt, with what was drawn for it once the seal is open.
#[derive(Debug, Clone, PartialEq)]
pub struct Answered {
    /// Number of the record that finished it; of a night's vote the one that holds the vote as it counts.
    pub record: u64,
    /// Which attempt.
    pub id: TrialId,
    /// Seat and alias of a night's vote.
    pub seat: Option<(u32, String)>,
    /// How a night's vote came.
    pub by: Option<Ballot>,
    /// What disturbed a void attempt.
    pub void: Option<Voided>,
    /// Index of the answered alternative; `None` for a void attempt, or a vote of a night that never came.
    pub answer: Option<usize>,
    /// Confidence, 1 to 5.
    pub confidence: Option<u8>,
    /// What was listened to.
    pub listening: Listening,
    /// Milliseconds of the sitting at its end.
    pub at_ms: u64,
    /// Names of the witnesses whose links drew it.
    pub witnesses: Arc<[String]>,
    /// Names of those without whose links it began.
    pub passed: Arc<[String]>,
    /// What was drawn; `None` before the closing.
    pub presented: Option<Presented>,
    /// Whether the answer is right; `None` before the closing and for preference.
    pub right: Option<bool>,
    /// The side that the answer points to, where the protocol has one; `None` before the closing.
    pub chosen: Option<Side>,
}

/// A record's proof that the passphrase of its sitting's lock was at hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proof {
    /// Number of the record.
    pub record: u64,
    /// The chain of its line.
    pub chain: Digest,
    /// The proof, see [`LockKey::proof`](super::lock::LockKey::proof).
    pub proof: Digest,
}

/// All that a journal says and whether it holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The file.
    pub file: PathBuf,
    /// What it is.
    pub state: State,
    /// What does not hold; empty for a sound journal. Not being closed is no problem of this list.
    pub problems: Vec<Problem>,
    /// The file was written by a newer program, or is no journal: bad input rather than a bad journal.
    pub bad_input: bool,
    /// The opening.
    pub opening: Option<Opening>,
    /// Hands of all sealings, in order.
    pub hands: Vec<Hand>,
    /// Who could have chosen the last hand of the last sealing; `None` where nothing could be read.
    pub last_word: Option<LastWord>,
    /// Seats of a night: number, alias.
    pub seats: Vec<(u32, String)>,
    /// At which table a seat is, where the night has tables.
    pub tables: BTreeMap<u32, u32>,
    /// The closing.
    pub closing: Option<Closing>,
    /// Digest of each record.
    pub digests: Vec<Digest>,
    /// Digest of the last record.
    pub receipt: Option<Digest>,
    /// Finished attempts; of a night one for each seat whose listener was there ([`Ledger::there`]).
    pub answers: Vec<Answered>,
    /// Counts re-derived from the draws; `None` before the closing.
    pub counts: Option<Counts>,
    /// Decisions of the sequential rule; empty without one.
    pub decisions: Vec<Decision>,
    /// Who won the wager, see [`RunningCounts::settlement`](super::score::RunningCounts::settlement); `None` without one.
    pub settlement: Option<Settlement>,
    /// Records about what carried the sound and how loud it was, and notes, each with its number.
    pub noted: Vec<(u64, Record)>,
    /// Void attempts.
    pub void: u32,
    /// Rests.
    pub rests: u32,
    /// Times that it was resumed.
    pub resumed: u32,
    /// See [`Checked::silent`].
    silent: bool,
    /// Where the computer's clock and the sitting's own time do not fit, in words.
    pub clock: Vec<String>,
    /// When its last record was written, in milliseconds since 1970; `None` in format 1.
    pub written_ms: Option<i64>,
    /// What is odd about how its closing came into the register, in words.
    pub late: Option<String>,
    /// What the records of a locked sitting prove, for whoever has the passphrase.
    pub proofs: Vec<Proof>,
    /// Bytes of a cut-off write at the end.
    pub torn_bytes: u64,
    /// Records read.
    pub records: u64,
    /// How it stands in the register.
    pub registered: Registered,
    /// Its files and terms were compared with those of a session.
    pub session_compared: bool,
}

impl Checked {
    fn empty(file: &Path) -> Self {
        Self {
            file: file.to_path_buf(),
            state: State::Unreadable,
            problems: Vec::new(),
            bad_input: false,
            opening: None,
            hands: Vec::new(),
            last_word: None,
            seats: Vec::new(),
            tables: BTreeMap::new(),
            closing: None,
            digests: Vec::new(),
            receipt: None,
            answers: Vec::new(),
            counts: None,
            decisions: Vec::new(),
            settlement: None,
            noted: Vec::new(),
            void: 0,
            rests: 0,
            resumed: 0,
            silent: false,
            clock: Vec::new(),
            written_ms: None,
            late: None,
            proofs: Vec::new(),
            torn_bytes: 0,
            records: 0,
            registered: Registered::NoRegister,
            session_compared: false,
        }
    }

    /// Closed, and everything holds.
    pub fn is_sound(&self) -> bool {
        self.state == State::Closed && self.problems.is_empty()
    }

    /// The name that reports show.
    pub fn name(&self) -> &str {
        match &self.opening {
            Some(opening) => opening.alias.as_deref().unwrap_or(&opening.listener),
            None => "",
        }
    }

    /// Nobody could hear anything, at least for a part of it: see
    /// [`Record::is_silent`](super::record::Record::is_silent).
    pub fn silent(&self) -> bool {
        self.silent
    }

    /// Answered trials of the main part that witnesses' links drew, and all of them. Of a night each trial once.
    pub fn witnessed(&self) -> (u32, u32) {
        let mut trials: Vec<&Answered> = self.answers.iter().collect();
        trials.retain(|answer| answer.id.part == Part::Main && answer.void.is_none());
        trials.dedup_by_key(|answer| answer.id);
        let watched = trials.iter().filter(|answer| !answer.witnesses.is_empty()).count();
        (watched as u32, trials.len() as u32)
    }

    /// Names of all whose links drew a trial, each once.
    pub fn witnesses(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for name in self.answers.iter().flat_map(|answer| &*answer.witnesses) {
            if !names.contains(&name.as_str()) {
                names.push(name);
            }
        }
        names
    }

    /// Whose links were passed over, and in how many trials of the main part.
    pub fn passed_over(&self) -> Vec<(&str, u32)> {
        let mut names: Vec<(&str, u32)> = Vec::new();
        let mut before = None;
        for answer in
            self.answers.iter().filter(|answer| answer.id.part == Part::Main && answer.void.is_none())
        {
            if before.replace(answer.id) == Some(answer.id) {
                continue;
            }
            for name in &*answer.passed {
                match names.iter_mut().find(|(known, _)| known == name) {
                    Some((_, times)) => *times += 1,
                    None => names.push((name, 1)),
                }
            }
        }
        names
    }

    /// Who witnessed how many trials, in a sentence without its full stop; `None` where nobody did.
    pub fn witnessed_sentence(&self) -> Option<String> {
        let (watched, all) = self.witnessed();
        let names = self.witnesses();
        let passed: Vec<String> =
            self.passed_over().into_iter().map(|(name, times)| format!("{name} in {times}")).collect();
        let passed =
            if passed.is_empty() { String::new() } else { format!("; passed over: {}", passed.join(", ")) };
        (!names.is_empty())
            .then(|| format!("{watched} of {all} trials witnessed by {}{passed}", names.join(", ")))
    }

    /// Counted answers and right ones of all comparisons together.
    pub fn total(&self) -> Option<Tally> {
        self.counts.as_ref().map(|counts| counts.comparisons.iter().sum())
    }

    pub(super) fn problem(&mut self, record: Option<u64>, message: impl Into<String>) {
        self.problems.push(Problem { record, message: message.into() });
    }

    /// Adds those that are not there: what was compared with a session twice is said once, and so is a file of both sides.
    pub(super) fn problems_once(&mut self, found: Vec<Problem>) {
        let mut known: HashSet<Problem> = self.problems.iter().cloned().collect();
        self.problems.extend(found.into_iter().filter(|problem| known.insert(problem.clone())));
    }
}

/// Checks a journal by itself.
pub fn alone(path: &Path) -> Checked {
    match journal::read(path) {
        Ok(journal) => verify(&journal),
        Err(JournalError::Broken { error, sound, .. }) => {
            let mut checked = verify(&sound);
            // What is missing after the break is no second problem, nor is a journal that breaks at its first record.
            checked.problems.retain(|problem| problem.record.is_some() && !sound.records.is_empty());
            checked.problem(Some(error.number), error.message);
            checked.state = State::Broken;
            checked
        }
        Err(error) => {
            let mut checked = Checked::empty(path);
            checked.bad_input = true;
            let message = error.to_string();
            let prefix = format!("{}: ", path.display());
            checked.problem(None, message.strip_prefix(&prefix).unwrap_or(&message));
            checked
        }
    }
}

/// Checks what was read: which record may follow which, and with the opened seal every draw and count.
pub fn verify(journal: &Journal) -> Checked {
    let mut checked = Checked::empty(&journal.file);
    checked.torn_bytes = journal.torn_bytes;
    checked.records = journal.records.len() as u64;
    checked.receipt = journal.receipt();
    checked.digests.clone_from(&journal.digests);
    checked.state = State::Unfinished;
    let Some(opening) = journal.opening() else {
        checked.state = State::Broken;
        checked.problem(Some(1), "a journal begins with its opening");
        return checked;
    };
    checked.opening = Some(opening.clone());
    let mut ledger = match Ledger::new(opening.clone()) {
        Ok(ledger) => ledger,
        Err(message) => {
            checked.state = State::Broken;
            checked.problem(Some(1), message);
            return checked;
        }
    };
    if opening.listener.len() > MAX_TEXT {
        checked.problem(Some(1), "the listener's name is too long");
    }
    // Which record finished which attempt, and where each sitting might have ended.
    let mut finished = Vec::new();
    let mut votes = HashMap::new();
    for (index, record) in journal.records.iter().enumerate().skip(1) {
        let number = index as u64 + 1;
        let before = ledger.attempts.len();
        if let Err(message) = ledger.apply(record) {
            checked.state = State::Broken;
            checked.problem(Some(number), message);
            break;
        }
        if ledger.attempts.len() > before {
            finished.push(number);
        }
        if let Some(proof) = record.guarded() {
            match proof {
                _ if proof.is_some() == opening.lock.is_some() => {
                    let chain = journal.digests[index - 1];
                    checked.proofs.extend(proof.map(|proof| Proof { record: number, chain, proof }));
                }
                None => checked
                    .problem(Some(number), "this sitting is locked, and it does not prove the passphrase"),
                Some(_) => {
                    checked.problem(Some(number), "it proves a passphrase, and this sitting has no lock");
                }
            }
        }
        match record {
            // A later vote of a seat replaces an earlier one.
            Record::Vote { id, seat, .. } => {
                votes.insert((*id, *seat), number);
            }
            Record::Note { .. }
            | Record::Level { .. }
            | Record::OutputChanged { .. }
            | Record::OpenEars { .. }
            | Record::Resolution { .. }
            | Record::Measured { .. } => checked.noted.push((number, record.clone())),
            _ => {}
        }
    }
    if journal.torn_bytes > 0 && ledger.closing.is_some() {
        let number = checked.records + 1;
        checked.state = State::Broken;
        checked.problem(Some(number), format!("{} bytes stand after the closing record", journal.torn_bytes));
    }
    checked.hands =
        ledger.earlier.iter().chain([&ledger.sealing]).flat_map(|sealing| sealing.hands.clone()).collect();
    checked.last_word = Some(ledger.sealing.last_word());
    checked.clock = super::clock::remarks(journal);
    checked.written_ms = journal.utc_ms.last().copied();
    let tables = ledger.seats.iter().filter_map(|(number, seat)| Some((*number, seat.table?)));
    checked.tables = tables.collect();
    checked.seats = ledger.seats.iter().map(|(number, seat)| (*number, seat.alias.clone())).collect();
    checked.void = ledger.void();
    checked.rests = ledger.rests;
    checked.resumed = ledger.resumed;
    checked.silent = ledger.silent;
    let presented = match ledger.closing.clone() {
        Some(closing) => open(&mut checked, journal, &closing),
        None => Vec::new(),
    };
    checked.answers = answers(&mut ledger, &finished, &presented, &votes);
    if ledger.closing.is_some() && checked.state == State::Unfinished {
        checked.state = State::Closed;
    }
    checked
}

/// Opens the seal: commitments, keys, draws, counts, outcome. Returns what was drawn for each finished attempt.
fn open(checked: &mut Checked, journal: &Journal, closing: &Closing) -> Vec<Presented> {
    let last = checked.records;
    let Some(opening) = journal.opening() else { return Vec::new() };
    checked.closing = Some(closing.clone());
    if closing.simulated != opening.simulated {
        checked.problem(Some(last), "it says something else than record 1 about a simulated listener");
    }
    let opened = closing.opened();
    let Ok(mut replay) = Replay::opened(opening, closing) else { return Vec::new() };
    let mut ended = None;
    for (index, record) in journal.records.iter().enumerate().skip(1) {
        let number = Some(index as u64 + 1);
        let before = (replay.ledger.attempts.len(), replay.presented.len());
        // What a sealing leaves behind is held before the next one takes its place.
        if record.commitment().is_some() || matches!(record, Record::Closing(_)) {
            let sealing = replay.ledger.earlier.len();
            match (replay.secret(), opened.get(sealing)) {
                (Ok(secret), Some(opened)) => {
                    if secret.key(opening.format, replay.ledger.sealing.bytes()) != opened.key {
                        checked.problem(Some(last), "its key is not the one that secret and hands give");
                    }
                }
                _ => checked.problem(Some(last), "its secret is not the one that was committed to"),
            }
            let going_on = ended.is_none() && replay.on.is_some();
            let void = replay.ledger.attempts.last().and_then(|attempt| attempt.void.as_ref());
            let interrupted = void.is_some_and(|void| void.cause == INTERRUPTED);
            if going_on && matches!(record, Record::Resumed { .. }) && !interrupted {
                checked.problem(number, "it went on without voiding what was being presented");
            }
        }
        if let Err(message) = replay.take(record) {
            checked.problem(Some(last), message);
            break;
        }
        if matches!(record, Record::VotesVoid { .. }) {
            ended = None;
        }
        if replay.ledger.attempts.len() == before.0 {
            continue;
        }
        if let Some(outcome) = ended {
            checked.problem(number, format!("the sitting had ended before it ({})", words(outcome)));
            break;
        }
        if replay.presented.len() == before.1 {
            checked.problem(number, "no such trial was drawn");
            break;
        }
        ended = replay.tally.ended(&replay.ledger);
    }
    if opened.len() != replay.ledger.earlier.len() + 1 {
        checked.problem(Some(last), "it opens another number of secrets than were committed to");
    }
    let tally = replay.final_tally();
    let expected = ended.unwrap_or(Outcome::StoppedEarly);
    // A night may be stopped for good while ballots on paper are entered.
    let stopped_counting = opening.occasion == Occasion::Night && closing.outcome == Outcome::StoppedEarly;
    if closing.outcome != expected && !stopped_counting {
        checked.problem(
            Some(last),
            format!("it says {}, the answers say {}", words(closing.outcome), words(expected)),
        );
    }
    if closing.counts != tally.counts {
        checked.problem(Some(last), "its counts are not those that draws and answers give");
    }
    if closing.drawn.as_ref() != replay.once() {
        checked.problem(Some(last), "the order of comparisons or the cable heard as A is not what was drawn");
    }
    checked.settlement = tally.settlement(&replay.ledger, closing.outcome);
    checked.counts = Some(tally.counts);
    checked.decisions = tally.decisions;
    replay.presented
}

/// An outcome in words.
pub fn words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::AllTrials => "all trials were answered",
        Outcome::Sequential => "the sequential rule had decided",
        Outcome::NotQualified => "the qualification was not passed",
        Outcome::StoppedEarly => "it was stopped early",
    }
}

fn answers(
    ledger: &mut Ledger,
    finished: &[u64],
    presented: &[Presented],
    votes: &HashMap<(TrialId, u32), u64>,
) -> Vec<Answered> {
    // What was listened to is handed on: nobody asks the ledger for it any more.
    let attempts = std::mem::take(&mut ledger.attempts);
    let opening = &ledger.opening;
    let mut found = Vec::with_capacity(attempts.len());
    for (index, (mut attempt, record)) in attempts.into_iter().zip(finished).enumerate() {
        let drawn = presented.get(index).copied();
        let row = Answered {
            record: *record,
            id: attempt.id,
            seat: None,
            by: None,
            void: attempt.void.clone(),
            answer: attempt.answer,
            confidence: attempt.confidence,
            listening: std::mem::take(&mut attempt.listening),
            at_ms: attempt.at_ms,
            witnesses: attempt.witnesses.clone(),
            passed: attempt.passed.clone(),
            presented: drawn,
            right: None,
            chosen: None,
        };
        let judged = |mut row: Answered| {
            if let (Some(drawn), Some(answer)) = (drawn, row.answer) {
                row.right = drawn.right(opening).map(|right| right == answer);
                row.chosen = drawn.chosen(opening, answer);
            }
            row
        };
        if opening.occasion == Occasion::Night && attempt.void.is_none() {
            for seat in ledger.there(&attempt) {
                let alias = ledger.seats.get(&seat).map(|seat| seat.alias.clone()).unwrap_or_default();
                let mut vote = row.clone();
                vote.record = votes.get(&(attempt.id, seat)).copied().unwrap_or(*record);
                vote.seat = Some((seat, alias));
                if let Some((answer, by)) = attempt.votes.get(&seat) {
                    vote.by = Some(*by);
                    vote.answer = Some(*answer);
                }
                found.push(judged(vote));
            }
        } else {
            found.push(judged(row));
        }
    }
    found
}

impl Answered {
    /// Index of the control, once the seal is open; `None` for a comparison's trial.
    pub fn control(&self) -> Option<usize> {
        match self.presented?.subject {
            Subject::Control(control) => Some(control),
            Subject::Comparison(_) => None,
        }
    }
}
