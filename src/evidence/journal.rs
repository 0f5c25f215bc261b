//! From journals to the facts that count: verified, replayed against the opened seal, and reduced to what a report needs.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{MAIN_SEPARATOR, Path, PathBuf};

use rayon::prelude::*;

use super::facts::{EventFacts, State, TrialFacts};
use super::noted::Noted;
use crate::files;
use crate::session::{SittingFact, Written};
use crate::stats::tally::Tally;
use crate::stimulus::WordFacts;
use crate::trial::against::{self, FoundRegister, Registers};
use crate::trial::hands::LastWord;
use crate::trial::positions::{Positions, When};
use crate::trial::record::DrawnOnce;
use crate::trial::record::EarlierSitting;
use crate::trial::record::{
    Ballot, Counts, InputTerms, Occasion, Opening, Outcome, Output, Part, StimulusTerms, Terms,
};
use crate::trial::register::{self, Register};
use crate::trial::told;
use crate::trial::training::{self, Trained};
use crate::trial::verify::{self, Answered, Checked, Problem, Registered};
use crate::trial::wager::Settlement;
use crate::trial::waits;
use crate::trial::{Digest, Side};

/// What a folder of sittings holds.
#[derive(Debug)]
pub struct Readings {
    /// Name of the place, if several are joined.
    pub place: Option<Written>,
    /// One entry per journal file, in the order of file names.
    pub journals: Vec<Reading>,
    /// The register, or why it cannot be trusted.
    pub register: Result<Register, String>,
    /// Training that was kept, or why it cannot be trusted.
    pub training: Result<Vec<Trained>, String>,
    /// Lines of sittings that the folder's last report told of and that the register does not announce.
    pub gone: Vec<Digest>,
}

/// A journal file and what came of it.
#[derive(Debug)]
pub struct Reading {
    /// Name of the file without its folder.
    pub file: Written,
    /// Its facts, or why there are none.
    pub content: Result<Box<Gathered>, String>,
}

/// The facts of one journal.
#[derive(Debug)]
pub struct Gathered {
    /// The opening.
    pub opening: OpeningFacts,
    /// How it stands.
    pub state: State,
    /// What the verifier objects to.
    pub problems: Vec<String>,
    /// Typed hands, with who typed them.
    pub hands: Vec<(Written, Written)>,
    /// Who could have chosen the last hand.
    pub last_hand: Option<LastWord>,
    /// Trials of the main part that witnesses' links drew, all of them, and whose phones; `None` where nobody watched.
    pub witnessed: Option<Witnessed>,
    /// Secret and key, once opened.
    pub opened: Option<(Digest, Digest)>,
    /// The register's head at the closing, and how many sittings it had announced, where the journal says so.
    pub register_at_closing: Option<(Digest, u64)>,
    /// What was drawn once for the whole sitting, once opened.
    pub drawn: Option<DrawnOnce>,
    /// Digest of the last record.
    pub receipt: Option<Digest>,
    /// Counts, once opened.
    pub counts: Counts,
    /// Who won the wager by this sitting alone; `None` without one.
    pub settlement: Option<Settlement>,
    /// Seats of a night: number and alias.
    pub seats: Vec<(u32, Written)>,
    /// At which table a seat of a night is, where it has tables.
    pub tables: BTreeMap<u32, u32>,
    /// Finished attempts and votes; `listener` is the number of the seat here.
    pub trials: Vec<TrialFacts>,
    /// Notes, and what happened to the device, with the lines that hold it.
    pub events: Vec<EventFacts>,
    /// What the device's words make of the differences, at each level that was set.
    pub words: Vec<WordFacts>,
    /// Positions of a switch as they were measured before the first answer and after the last one.
    pub positions: Vec<Positions>,
    /// Void attempts.
    pub void: u64,
    /// Times that it was resumed.
    pub resumed: u32,
    /// Length in milliseconds.
    pub length_ms: u64,
    /// The journal's bytes as they were checked.
    pub bytes: Vec<u8>,
}

/// A journal's facts with the place that holds it and its file name.
pub(super) type Held = (usize, Written, Box<Gathered>);

impl Gathered {
    /// Seats of a night that voted on a counted trial, in the order of their numbers.
    pub(super) fn voters(&self) -> Vec<(u32, &Written)> {
        let voted: BTreeSet<u32> = self
            .trials
            .iter()
            .filter(|trial| super::facts::counts(trial) && trial.answer.is_some())
            .filter_map(|trial| trial.listener)
            .collect();
        let mut seats: Vec<(u32, &Written)> = self.seats.iter().map(|(seat, alias)| (*seat, alias)).collect();
        seats.retain(|(seat, _)| voted.contains(seat));
        seats.sort_by_key(|(seat, _)| *seat);
        seats
    }

    /// Everybody whose name is in it.
    pub(super) fn people(&self) -> impl Iterator<Item = Written> {
        let opening = [&self.opening.name, &self.opening.listener].into_iter();
        let hands = self.hands.iter().map(|(by, _)| by);
        opening.chain(hands).chain(self.seats.iter().map(|(_, alias)| alias)).cloned()
    }
}

/// What a report needs of an opening.
#[derive(Debug)]
pub struct OpeningFacts {
    /// UTC time of the opening.
    pub utc: String,
    /// A night.
    pub night: bool,
    /// The name that reports show.
    pub name: Written,
    /// The listener's name, which reports show only where it is the same.
    pub listener: Written,
    /// The journal's file name may be shown: it holds no hidden name.
    pub file_is_public: bool,
    /// The seal.
    pub commitment: Digest,
    /// Digest of the session file.
    pub session: Digest,
    /// What was agreed, in the fields that the format has.
    pub terms: Box<Terms>,
    /// The format of the journal.
    pub format: u32,
    /// Digest of the register's line.
    pub register: Digest,
    /// Which sitting of its folder it is, where the journal says so.
    pub sitting: Option<u64>,
    /// What carried the sound.
    pub output: Output,
    /// The stimuli, by their digests.
    pub stimuli: Vec<StimulusTerms>,
    /// A simulated listener's probability of a right answer.
    pub simulated: Option<f64>,
    /// Nobody could hear anything: nothing was played, or it went into a file.
    pub silent: bool,
    /// Files that the session read; nothing where the journal does not say.
    pub inputs: Option<Vec<InputTerms>>,
    /// Facts about listener and place.
    pub facts: Vec<SittingFact>,
    /// What a wager looks at: the claimant's sitting, with the earlier ones that it tells of.
    pub claimants: Option<Vec<EarlierSitting>>,
}

impl OpeningFacts {
    fn new(opening: &Opening, silent: bool) -> Self {
        Self {
            utc: opening.utc.clone(),
            night: opening.occasion == Occasion::Night,
            name: Written::new(opening.alias.as_ref().unwrap_or(&opening.listener)),
            listener: Written::new(&opening.listener),
            file_is_public: opening.alias.as_ref().is_none_or(|alias| *alias == opening.listener),
            commitment: opening.commitment,
            session: opening.session,
            terms: Box::new(opening.terms.clone()),
            format: opening.format,
            register: opening.register,
            sitting: opening.sitting,
            output: opening.output.clone(),
            stimuli: opening.stimuli.clone(),
            simulated: opening.simulated,
            silent,
            inputs: opening.inputs.clone(),
            facts: opening.facts.clone().unwrap_or_default(),
            claimants: opening
                .terms
                .wager
                .as_ref()
                .filter(|wager| !silent && opening.is_claimants(wager))
                .map(|_| opening.earlier.clone().unwrap_or_default()),
        }
    }
}

/// Reads and verifies every journal of a sittings folder. A folder that is not there holds none.
///
/// # Errors
/// The folder cannot be listed.
pub fn folder(sittings: &Path, place: Option<String>) -> std::io::Result<Readings> {
    let mut files: Vec<PathBuf> = match crate::files::with_extension(sittings, "jsonl") {
        Ok(found) => found,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(error),
    };
    files.retain(|path| path.file_name().is_some_and(|name| name != register::REGISTER));
    let register = register::read(sittings).map_err(|error| {
        let path = sittings.join(register::REGISTER);
        without_folder(&error.to_string(), &path)
    });
    let mut registers = Registers::default();
    let beside = registers.of(sittings);
    // All that was checked of a journal is let go as soon as its facts are taken: a folder can hold thousands.
    let journals = files
        .par_iter()
        .map(|path| {
            let mut checked = verify::alone(path);
            announced(&mut checked, beside);
            Reading { file: Written::new(files::name(path)), content: facts_of(&checked).map(Box::new) }
        })
        .collect();
    let training = training::read(sittings);
    let gone = register.as_ref().map_or_else(|_| Vec::new(), |register| told::gone(sittings, register));
    Ok(Readings { place: place.map(Written::new), journals, register, training, gone })
}

/// Holds a journal of a folder against the register there: what no register announces, or what one contradicts, is no
/// evidence.
pub fn announced(checked: &mut Checked, beside: FoundRegister<'_>) {
    if checked.opening.is_none() {
        return;
    }
    against::found_register(checked, beside);
    if checked.registered == Registered::NoRegister {
        let message = "there is no register in its folder that announces it".to_owned();
        checked.problems.push(Problem { record: None, message });
    }
}

/// A message without the folder that the file stands in.
fn without_folder(message: &str, path: &Path) -> String {
    match path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        Some(folder) => message.replace(&format!("{}{MAIN_SEPARATOR}", folder.display()), ""),
        None => message.to_owned(),
    }
}

/// The facts of a checked journal.
///
/// # Errors
/// It has no opening that can be read.
pub(super) fn facts_of(checked: &Checked) -> Result<Gathered, String> {
    let problems: Vec<String> =
        checked.problems.iter().map(|problem| without_folder(&problem.to_string(), &checked.file)).collect();
    let Some(opening) = &checked.opening else {
        return Err(if problems.is_empty() { "it is no journal".to_owned() } else { problems.join("; ") });
    };
    let state = match checked.closing.as_ref().map(|closing| closing.outcome) {
        _ if !problems.is_empty() => State::Invalid,
        _ if !matches!(checked.state, verify::State::Closed | verify::State::Unfinished) => State::Invalid,
        None => State::Unfinished,
        Some(Outcome::AllTrials) => State::Complete,
        Some(Outcome::Sequential) => State::Decided,
        Some(Outcome::NotQualified) => State::NotQualified,
        Some(Outcome::StoppedEarly) => State::StoppedEarly,
    };
    let noted: Vec<(u64, Noted)> = checked
        .noted
        .iter()
        .filter_map(|(number, record)| Some((*number, Noted::of(record, opening.format)?)))
        .collect();
    let words = noted.iter().filter_map(|(_, noted)| match noted {
        Noted::Resolved(facts) => Some(*facts),
        Noted::Said { .. }
        | Noted::Host { .. }
        | Noted::Level { .. }
        | Noted::Output(_)
        | Noted::Measured(_)
        | Noted::OpenEars { .. } => None,
    });
    let words = words.collect();
    let positions = positions(checked, &noted);
    let last_ms = checked.answers.last().map_or(0, |answer| answer.at_ms);
    Ok(Gathered {
        opening: OpeningFacts::new(opening, checked.silent()),
        state,
        problems,
        hands: checked.hands.iter().map(|hand| (Written::new(&hand.by), Written::new(hand.text()))).collect(),
        last_hand: checked.last_word.clone(),
        witnessed: witnessed(checked),
        opened: checked.closing.as_ref().map(|closing| (closing.secret, closing.key)),
        register_at_closing: checked
            .closing
            .as_ref()
            .and_then(|closing| Some((closing.register?, closing.sittings?))),
        drawn: checked.closing.as_ref().and_then(|closing| closing.drawn.clone()),
        receipt: checked.receipt,
        counts: checked.counts.clone().unwrap_or_default(),
        settlement: checked.settlement,
        tables: checked.tables.clone(),
        seats: checked.seats.iter().map(|(seat, alias)| (*seat, Written::new(alias))).collect(),
        trials: rows(checked, opening),
        words,
        positions,
        events: events(checked, opening, noted),
        void: u64::from(checked.void),
        resumed: checked.resumed,
        length_ms: checked.closing.as_ref().map_or(last_ms, |closing| closing.at_ms),
        bytes: bytes_as_checked(&checked.file, checked),
    })
}

/// Trials of the main part that links drew, all of them, whose phones, and without whose links so many began.
#[derive(Debug)]
pub struct Witnessed {
    /// Trials that links drew.
    pub trials: u32,
    /// All.
    pub of: u32,
    /// Whose phones.
    pub by: Vec<Written>,
    /// Without whose links trials began, and how many.
    pub passed: Vec<(Written, u32)>,
}

/// Measurements of positions that stand where they say: a proof that came later proves nothing of what was heard before.
fn positions(checked: &Checked, noted: &[(u64, Noted)]) -> Vec<Positions> {
    let answers = || checked.answers.iter().map(|answer| answer.record);
    let (first, last) = (answers().min().unwrap_or(u64::MAX), answers().max().unwrap_or(0));
    let measured = noted.iter().filter_map(|(number, noted)| match noted {
        Noted::Measured(positions) => Some((*number, positions)),
        _ => None,
    });
    let there = measured.filter(|(number, positions)| match positions.when {
        When::Before => *number < first,
        When::Between => (first..last).contains(number),
        When::After => *number > last,
    });
    there.map(|(_, positions)| (**positions).clone()).collect()
}

fn witnessed(checked: &Checked) -> Option<Witnessed> {
    let by: Vec<Written> = checked.witnesses().into_iter().map(Written::new).collect();
    let (trials, of) = checked.witnessed();
    let passed = checked.passed_over().into_iter().map(|(name, times)| (Written::new(name), times)).collect();
    (!by.is_empty()).then_some(Witnessed { trials, of, by, passed })
}

/// The file's bytes, if they still end with the record that was checked last.
fn bytes_as_checked(path: &Path, checked: &Checked) -> Vec<u8> {
    let bytes = files::read(path, files::LARGEST_JOURNAL_BYTES).unwrap_or_default();
    let last = bytes.strip_suffix(b"\n").and_then(|lines| lines.rsplit(|&byte| byte == b'\n').next());
    if last.map(Digest::of) == checked.receipt { bytes } else { Vec::new() }
}

/// Causes of void attempts, events that made none void, and notes, in the order of the journal. A device's name stays on
/// the machine.
fn events(checked: &Checked, opening: &Opening, noted: Vec<(u64, Noted)>) -> Vec<EventFacts> {
    let device = &opening.output.name;
    let night = opening.occasion == Occasion::Night;
    let without_device = |noted: Noted| match noted {
        Noted::Said { text } => Noted::Said { text: super::replaced::name(&text, device, "the device") },
        other => other,
    };
    let mut found: Vec<EventFacts> = Vec::new();
    let mut seen = None;
    for answer in &checked.answers {
        // A night has one row per vote, all with the events of their attempt.
        if seen.replace(answer.id) == Some(answer.id) {
            continue;
        }
        let voids = answer.void.iter().map(|void| (true, Noted::void(void, night)));
        let events = answer.listening.events.iter();
        for (void, what) in voids.chain(events.map(|text| (false, Noted::Said { text: text.clone() }))) {
            found.push(EventFacts {
                journal_line: answer.record,
                part: Some(answer.id.part),
                trial: Some(answer.id.trial),
                void,
                what: without_device(what),
            });
        }
    }
    for (number, noted) in noted {
        let what = match noted {
            Noted::Resolved(_) => continue,
            noted => without_device(noted),
        };
        found.push(EventFacts { journal_line: number, part: None, trial: None, void: false, what });
    }
    found.sort_by_key(|event| event.journal_line);
    found
}

fn rows(checked: &Checked, opening: &Opening) -> Vec<TrialFacts> {
    checked.answers.iter().map(|answer| row(answer, opening)).collect()
}

fn row(answer: &Answered, opening: &Opening) -> TrialFacts {
    let presented = answer.presented.as_ref();
    let stimulus = presented.and_then(|presented| opening.stimuli.get(presented.stimulus));
    let listening = &answer.listening;
    let right = presented.and_then(|presented| presented.right(opening));
    // A vote that never came counts as wrong only if the session says so, and where something is right at all.
    let missing = answer.answer.is_none() && answer.void.is_none();
    let wrong = missing && opening.terms.missing_as_wrong && right.is_some();
    TrialFacts {
        sitting: 0,
        listener: answer.seat.as_ref().map(|(seat, _)| *seat),
        record: answer.record as u32,
        part: answer.id.part,
        trial: answer.id.trial,
        attempt: answer.id.attempt,
        void: answer.void.is_some(),
        comparison: stimulus.map(|stimulus| stimulus.comparison as u16),
        control: answer.control().map(|control| control as u16),
        clip: stimulus.map(|stimulus| stimulus.clip as u16),
        level: stimulus.and_then(|stimulus| stimulus.level).map(|level| level as u8),
        order: presented.map(|presented| presented.order as u8),
        answer: answer.answer.map(|answer| answer as u8),
        right: right.map(|right| right as u8),
        correct: if wrong { Some(false) } else { answer.right },
        for_side_a: answer.chosen.map(|side| side == Side::A),
        confidence: answer.confidence,
        at_ms: answer.at_ms,
        took_ms: listening.took_ms,
        switches: listening.switches,
        listens: listening.listens.iter().fold(0, |sum, &listens| sum.saturating_add(listens)),
        slots_heard: listening.listens.iter().filter(|listens| **listens > 0).count() as u8,
        heard_ms: listening.heard_ms.iter().fold(0, |sum, &heard| sum.saturating_add(heard)),
        paper: answer.by == Some(Ballot::Paper),
        presentations: listening.presented.as_ref().map_or(0, Vec::len) as u16,
        silences_ms: opening
            .terms
            .switcher
            .as_ref()
            .map_or_else(Vec::new, |switcher| waits::silences_ms(switcher, listening, answer.at_ms)),
    }
}

/// Counted answers of a part, for sittings whose seal is closed.
pub(super) fn answered(trials: &[TrialFacts]) -> u64 {
    trials
        .iter()
        .filter(|trial| trial.part == Part::Main && trial.control.is_none() && trial.answer.is_some())
        .count() as u64
}

/// Right answers of all comparisons together.
pub(super) fn correct(counts: &Counts) -> u64 {
    counts.comparisons.iter().sum::<Tally>().correct
}
