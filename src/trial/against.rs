//! What stands outside a journal, and holds it: its register, a receipt that somebody kept, the session it came from.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use super::clock::lasting;
use super::digest::Digest;
use super::journal_writer::utc_ms;
use super::lock::LockKey;
use super::record::{InputTerms, Occasion, StimulusTerms, Terms};
use super::register::{self, Entry, REGISTER, Register, RegisterIndex};
use super::terms::changed_inputs;
use super::verify::{self, Checked, Problem, Proof, Registered, State};
use crate::session::Session;
use crate::stimulus::StimulusSet;

/// A closing that comes into the register later than this many milliseconds after its record was made up for by another sitting.
const LATE_MS: i64 = 60_000;

/// A register that was read, with the places of its lines, or why it cannot be trusted.
type Read = Result<(Register, RegisterIndex), String>;

/// Registers that were read, each folder's once, however many of its journals are checked.
#[derive(Debug, Default)]
pub struct Registers(HashMap<PathBuf, Option<Read>>);

/// What was found of the register of a folder.
#[derive(Debug, Clone, Copy)]
pub struct FoundRegister<'r>(Option<&'r Read>);

impl Registers {
    /// The register of a folder, read if it was not yet.
    pub fn of(&mut self, folder: &Path) -> FoundRegister<'_> {
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        let known = self.0.entry(folder.to_path_buf()).or_insert_with_key(|folder| {
            let read = || {
                let found = register::read(folder)
                    .map_err(|error| format!("the register cannot be trusted: {error}"))?;
                let index = RegisterIndex::of(&found);
                Ok((found, index))
            };
            folder.join(REGISTER).exists().then(read)
        });
        FoundRegister(known.as_ref())
    }
}

/// Checks a journal in its folder: chain, rules, draws, scores, and the register beside it, which may have been read already.
pub fn check(path: &Path, registers: &mut Registers) -> Checked {
    let mut checked = verify::alone(path);
    if checked.opening.is_some() {
        register(&mut checked, registers);
    }
    checked
}

/// Holds a journal against the register beside it, if there is one.
pub fn register(checked: &mut Checked, registers: &mut Registers) {
    let folder = checked.file.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    found_register(checked, registers.of(&folder));
}

/// Holds a journal against what was found of the register of its folder.
pub fn found_register(checked: &mut Checked, found: FoundRegister<'_>) {
    let (Some(register), Some(opening)) = (found.0, &checked.opening) else { return };
    let opening = opening.clone();
    let name = crate::files::name(&checked.file);
    let before = std::mem::take(&mut checked.problems);
    match register {
        Err(message) => checked.problem(None, message.clone()),
        Ok((found, index)) => {
            let announced = index.line(opening.register);
            match announced.map(|index| &found.entries[index]) {
                Some(Entry::Opened {
                    commitment, session, listener, occasion, simulated, journal, ..
                }) => {
                    let same = *commitment == opening.commitment
                        && *session == opening.session
                        && *listener == opening.listener
                        && *occasion == opening.occasion
                        && *simulated == opening.simulated;
                    if !same {
                        checked.problem(Some(1), "the register announced something else under its line");
                    }
                    let number = announced.map(|place| index.announced_by(place));
                    if opening.sitting.is_some() && opening.sitting != number {
                        checked.problem(
                            Some(1),
                            "it was opened as another sitting of its folder than the register says: lines of the \
                             register are gone",
                        );
                    }
                    if *journal != name {
                        checked.problem(None, format!("the register knows this journal as {journal}"));
                    }
                    let closed = index.closed(journal).map(|place| &found.entries[place]);
                    closed_in_register(checked, closed);
                    head_at_closing(checked, index, announced);
                }
                _ => checked.problem(Some(1), "the register beside it does not announce this journal"),
            }
        }
    }
    let found = std::mem::replace(&mut checked.problems, before);
    checked.registered = if found.is_empty() { Registered::Listed } else { Registered::Wrong };
    checked.problems_once(found);
}

/// Holds the register's head and number that a closing kept against the register: lines that came before it are there.
fn head_at_closing(checked: &mut Checked, index: &RegisterIndex, announced: Option<usize>) {
    let closing = checked.closing.as_ref();
    let Some((head, number)) = closing.and_then(|closing| Some((closing.register?, closing.sittings?)))
    else {
        return;
    };
    let place = index.line(head);
    if !place.is_some_and(|place| Some(place) >= announced && index.announced_by(place) == number) {
        checked.problem(
            Some(checked.records),
            "the register that it was closed under had other lines: some are gone, or were written anew",
        );
    }
}

/// A closing comes into the register in the same moment. The next sitting makes up for what a cut between the two left out, and
/// so it would for a journal that was written anew after the line was taken away.
fn late(checked: &Checked, entered_utc: Option<&str>) -> Option<String> {
    let written_ms = checked.written_ms.filter(|_| checked.closing.is_some())?;
    let how = match entered_utc.map(utc_ms) {
        None => "is not in the register".to_owned(),
        Some(entered_ms) if entered_ms.saturating_sub(written_ms) > LATE_MS => {
            format!(
                "came into the register {} after it, by a later sitting",
                lasting(entered_ms - written_ms)
            )
        }
        Some(_) => return None,
    };
    Some(format!(
        "its closing {how}: the computer was cut off in between, or the line was taken away and the journal written anew; a \
         receipt that somebody kept tells"
    ))
}

/// Holds a journal against the line of the register that closes it, if there is one.
fn closed_in_register(checked: &mut Checked, line: Option<&Entry>) {
    if checked.state == State::Broken {
        return;
    }
    let closed = line.and_then(|line| match line {
        Entry::Closed { utc, receipt, outcome, .. } => Some((utc.as_str(), *receipt, *outcome)),
        Entry::Opened { .. } => None,
    });
    checked.late = late(checked, closed.map(|(utc, ..)| utc));
    let Some((_, receipt, outcome)) = closed else { return };
    let last = Some(checked.records);
    if checked.closing.is_none() {
        checked.problem(None, "the register says that it was closed, but its closing record is gone");
    } else if checked.receipt != Some(receipt) {
        checked.problem(last, "its digest is not the receipt in the register");
    } else if checked.closing.as_ref().is_some_and(|closing| closing.outcome != outcome) {
        checked.problem(last, "the register says that it ended otherwise");
    }
}

/// What a kept receipt says of a journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Receipt {
    /// It is the last record's: the whole journal is as it was when the receipt was taken.
    Whole,
    /// It is this record's: everything up to it is as it was.
    UpTo(u64),
    /// It is no record's of this journal.
    Foreign,
}

/// Holds a kept receipt (64 hex digits or its words) against a journal.
///
/// # Errors
/// What was kept is neither.
pub fn receipt(checked: &Checked, kept: &str) -> Result<Receipt, String> {
    // Whether it can be one at all, even if there is no record.
    Digest::NOTHING.matches(kept)?;
    for (index, digest) in checked.digests.iter().enumerate().rev() {
        if digest.matches(kept)? {
            let whole = index + 1 == checked.digests.len();
            return Ok(if whole { Receipt::Whole } else { Receipt::UpTo(index as u64 + 1) });
        }
    }
    Ok(Receipt::Foreign)
}

/// Holds a kept seal (the words or digits of a photograph) against a journal: the commitment of one of its sealings, or the
/// line of the register that announced it.
///
/// # Errors
/// What was kept is neither.
pub fn seal(checked: &Checked, kept: &str) -> Result<bool, String> {
    Digest::NOTHING.matches(kept)?;
    let Some(opening) = &checked.opening else { return Ok(false) };
    let mut shown = vec![opening.commitment, opening.register];
    if let Ok(journal) = super::journal::read(&checked.file) {
        shown.extend(journal.records.iter().filter_map(super::Record::commitment));
    }
    Ok(shown.iter().any(|digest| digest.matches(kept) == Ok(true)))
}

/// Holds a passphrase against a locked journal: the lock, and every record that must prove it. Returns how many did.
///
/// # Errors
/// The sitting has no lock, or the passphrase is not the one that locked it.
pub fn passphrase(checked: &mut Checked, passphrase: &str) -> Result<usize, String> {
    let lock = checked.opening.as_ref().and_then(|opening| Some((opening.lock?, opening.commitment)));
    let Some((lock, commitment)) = lock else { return Err("this sitting is not locked".to_owned()) };
    let key = LockKey::open(&lock, commitment, passphrase).map_err(|error| error.to_string())?;
    let (proven, wrong): (Vec<Proof>, Vec<Proof>) =
        checked.proofs.iter().copied().partition(|proof| key.proof(proof.chain) == proof.proof);
    for proof in wrong {
        checked
            .problem(Some(proof.record), "it was written without the passphrase: its proof is another one");
    }
    Ok(proven.len())
}

/// The sessions beside folders of sittings, each read once; nothing where there is none, or why it cannot be read.
#[derive(Debug, Default)]
pub struct Sessions(HashMap<PathBuf, Option<Result<Beside, String>>>);

/// What a session beside journals reads, and gives.
#[derive(Debug)]
struct Beside {
    inputs: Vec<InputTerms>,
    /// Its digest and its terms, where it can be read as a session.
    gives: Option<(Digest, Terms)>,
    /// The journals lie in its folder of sittings, and are no others'.
    owns: bool,
}

impl Beside {
    /// The session of a folder of sittings, or one in the folder of journals that were put there.
    fn of(journals: &Path) -> Option<Result<Self, String>> {
        // Where the folder of sittings is a link, the session beside the link is meant, and not the one beside what it leads to.
        let (sittings, above) = if journals.ends_with("sittings") {
            (true, journals.with_file_name("session.toml"))
        } else {
            let folder = if journals.as_os_str().is_empty() { Path::new(".") } else { journals };
            let inside = folder.canonicalize().is_ok_and(|folder| folder.ends_with("sittings"));
            (inside, journals.join("..").join("session.toml"))
        };
        // Whatever stands there has to be read, or the reason is told.
        let owns = sittings && above.symlink_metadata().is_ok();
        let path = if owns { above } else { journals.join("session.toml") };
        if !owns && !path.is_file() {
            return None;
        }
        match crate::session::load(&path) {
            Ok(session) => Some(Ok(Self {
                inputs: InputTerms::here(&session),
                gives: Some((Digest::of(session.source.as_bytes()), Terms::of(&session))),
                owns,
            })),
            Err(error) => owns.then(|| Err(error.to_string())),
        }
    }

    /// Whether it says anything about the journal: another one's session may lie in the same folder.
    fn is_about(&self, checked: &Checked) -> bool {
        let session = checked.opening.as_ref().map(|opening| opening.session);
        self.owns || self.gives.as_ref().map(|(digest, _)| *digest) == session
    }
}

impl Sessions {
    /// What the session of a folder of sittings reads is known already.
    pub fn know(&mut self, sittings: PathBuf, inputs: Vec<InputTerms>) {
        self.0.insert(sittings, Some(Ok(Beside { inputs, gives: None, owns: true })));
    }
}

/// Holds what a sitting sealed, files and terms, against the session beside its folder, or beside itself, as it is now, if there is
/// one.
pub fn session_beside(checked: &mut Checked, sessions: &mut Sessions) {
    if checked.opening.is_none() {
        return;
    }
    let folder = checked.file.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    match sessions.0.entry(folder).or_insert_with_key(|folder| Beside::of(folder)) {
        Some(Ok(beside)) if beside.is_about(checked) => {
            checked.session_compared = true;
            compare_inputs(checked, &beside.inputs);
            if let Some((digest, terms)) = &beside.gives {
                compare_terms(checked, *digest, terms);
            }
        }
        None | Some(Ok(_)) => {}
        Some(Err(error)) => {
            let message = format!("the session beside it cannot be read any more: {error}");
            checked.problem(None, message);
        }
    }
}

/// Holds the files that a sitting sealed against those that its session reads here and now.
fn compare_inputs(checked: &mut Checked, here: &[InputTerms]) {
    let Some(sealed) = checked.opening.as_ref().and_then(|opening| opening.inputs.clone()) else { return };
    let said = |name: String| {
        format!("{name} is not what was sealed: it was changed, or is gone, since this sitting was opened")
    };
    checked.problems_once(
        changed_inputs(&sealed, here).into_iter().map(|name| of_opening(said(name))).collect(),
    );
}

/// A problem of the opening, which is the first record.
fn of_opening(message: String) -> Problem {
    Problem { record: Some(1), message }
}

/// Holds the terms of a journal's opening against those that its own session gives. A session that was changed since is told by its
/// digest.
fn compare_terms(checked: &mut Checked, session: Digest, terms: &Terms) {
    let other = checked.opening.as_ref().filter(|opening| opening.session == session).and_then(|opening| {
        let night = opening.occasion == Occasion::Night;
        other_terms(terms, &opening.terms, night, opening.format)
    });
    checked.problems_once(other.map(of_opening).into_iter().collect());
}

/// Which of the terms that a sitting published are not those that its session gives, if any: who changes them in a journal, and
/// computes everything else anew, changes what the answers are judged by.
pub fn other_terms(gives: &Terms, published: &Terms, night: bool, format: u32) -> Option<String> {
    let gives = if night { gives.clone().in_a_room() } else { gives.clone() };
    let gives = as_old_as(gives, published);
    if gives == *published {
        return None;
    }
    let differing = differing(&gives, published, format);
    let named = || format!("its terms are not those that the session gives: {}", differing.join(", "));
    (!differing.is_empty()).then(named)
}

/// The terms without what openings did not say yet when these were published: how a switch is used came bit by bit.
fn as_old_as(mut gives: Terms, published: &Terms) -> Terms {
    if let (Some(here), Some(published)) = (&mut gives.switcher, &published.switcher) {
        here.spread_ms = here.spread_ms.filter(|_| published.spread_ms.is_some());
        here.filled = here.filled.filter(|_| published.filled.is_some());
    }
    gives
}

/// Holds the digests in a journal's opening against a session and its stimuli as they are made here and now.
pub fn session(checked: &mut Checked, session: &Session, stimuli: Option<&StimulusSet>) {
    let Some(opening) = checked.opening.clone() else { return };
    if opening.session != Digest::of(session.source.as_bytes()) {
        let message = "the session file is not the one that this sitting was opened with".to_owned();
        checked.problems_once(vec![of_opening(message)]);
        return;
    }
    checked.session_compared = true;
    compare_inputs(checked, &InputTerms::here(session));
    compare_terms(checked, opening.session, &Terms::of(session));
    let Some(stimuli) = stimuli else { return };
    let here = StimulusTerms::of(stimuli);
    if here.len() != opening.stimuli.len() {
        let message = format!(
            "{} pairs of stimuli were published, {} are made here",
            opening.stimuli.len(),
            here.len()
        );
        checked.problems_once(vec![of_opening(message)]);
        return;
    }
    let mut found = Vec::new();
    for (published, made) in opening.stimuli.iter().zip(&here) {
        if !published.is_made(made) {
            let comparison = &opening.terms.comparisons[published.comparison].name;
            let clip = &opening.terms.clips[published.clip];
            let message =
                format!("the stimuli of {comparison} on {clip} are made otherwise here than published");
            found.push(of_opening(message));
        }
        // Left out, a fact leaves no other trace: journals from before facts were published have none either.
        let told = made.recorded.as_ref().is_some_and(|facts| !facts.found.is_empty());
        if told && published.recorded.is_none() {
            let comparison = &opening.terms.comparisons[published.comparison].name;
            let message = format!(
                "something could tell the recordings of {comparison} apart, and the opening does not say so: it was taken out, or \
                 the sitting is from before openings said it"
            );
            found.push(of_opening(message));
        }
    }
    checked.problems_once(found);
}

/// Names of the terms that differ. A journal of format 1 knows nothing of what came with format 2.
fn differing(here: &Terms, published: &Terms, format: u32) -> Vec<String> {
    let (Ok(serde_json::Value::Object(here)), Ok(serde_json::Value::Object(published))) =
        (serde_json::to_value(here), serde_json::to_value(published))
    else {
        return vec!["all of them".to_owned()];
    };
    let all = format > 1;
    let names = here.keys().chain(published.keys().filter(|name| !here.contains_key(*name)));
    let differs = |name: &&String| match (here.get(*name), published.get(*name)) {
        (Some(here), Some(published)) => !agrees(here, published, all),
        (Some(_), None) => all,
        (None, _) => true,
    };
    names.filter(differs).cloned().collect()
}

/// Whether all that was published is what it is here; with `all`, whether nothing else is here.
fn agrees(here: &serde_json::Value, published: &serde_json::Value, all: bool) -> bool {
    use serde_json::Value::{Array, Object};
    match (here, published) {
        (Object(here), Object(published)) => {
            (!all || here.len() == published.len())
                && published
                    .iter()
                    .all(|(name, value)| here.get(name).is_some_and(|here| agrees(here, value, all)))
        }
        (Array(here), Array(published)) => {
            here.len() == published.len()
                && here.iter().zip(published).all(|(here, published)| agrees(here, published, all))
        }
        (here, published) => here == published,
    }
}
