//! What people kept, held against journals: receipts, photographed seals, witnesses' copies, the passphrase of a lock.

use std::path::PathBuf;

use super::super::{Failure, note};
use crate::trial::Digest;
use crate::trial::against::{self, Receipt};
use crate::trial::copy::{Vouched, WitnessCopy};
use crate::trial::journal::{self, JournalError};
use crate::trial::lock::LockKey;
use crate::trial::verify::{self, Checked, State};
use crate::units::foreign;

/// What people kept, held against one journal.
#[derive(Debug, Clone, Default)]
pub(super) struct Held {
    /// Receipts were given, and the best of them vouches so far; `None`: none was given.
    pub(super) receipt: Option<Receipt>,
    /// Seals were given, and one of them is this sitting's; `None`: none was given.
    pub(super) seal: Option<bool>,
    /// Records that proved the passphrase; `None`: it was not asked for.
    pub(super) proven: Option<usize>,
    /// What witnesses' copies say.
    pub(super) vouched: Vec<Vouched>,
    /// The lock's key, where the passphrase opened it and the sitting is closed.
    pub(super) key: Option<Digest>,
}

impl Held {
    /// What was kept fits, and what comes after it was seen by nobody who kept anything.
    pub(super) fn only_in_part(&self) -> bool {
        let copies_end_early =
            !self.vouched.is_empty() && self.vouched.iter().all(|copy| copy.records_after > 0);
        match self.receipt {
            Some(Receipt::UpTo(_)) => true,
            Some(Receipt::Whole) => false,
            Some(Receipt::Foreign) | None => copies_end_early,
        }
    }
}

/// Holds every receipt against the journals. A receipt is one journal's: it says nothing of the others.
pub(super) fn hold(receipts: &[String], all: &mut [Checked]) -> Result<Vec<Held>, Failure> {
    let mut held = vec![Held::default(); all.len()];
    for kept in receipts {
        for (checked, held) in all.iter().zip(&mut held) {
            let found = against::receipt(checked, kept)
                .map_err(|error| Failure::bad(format!("--receipt: {error}")))?;
            held.receipt = Some(match (held.receipt, found) {
                (Some(Receipt::Whole), _) | (_, Receipt::Whole) => Receipt::Whole,
                (Some(Receipt::UpTo(before)), Receipt::UpTo(number)) => Receipt::UpTo(before.max(number)),
                (Some(Receipt::UpTo(number)), _) | (_, Receipt::UpTo(number)) => Receipt::UpTo(number),
                (_, Receipt::Foreign) => Receipt::Foreign,
            });
        }
    }
    let nobodys = receipts
        .iter()
        .filter(|kept| all.iter().all(|checked| against::receipt(checked, kept) == Ok(Receipt::Foreign)));
    if all.len() > 1 {
        nobodys.for_each(|kept| {
            note(&format!(
                "--receipt \"{}\": none of these {} journals has it: its sitting was taken away, or written anew",
                foreign::shown(kept),
                all.len()
            ));
        });
    }
    for (checked, held) in all.iter_mut().zip(&held) {
        if held.receipt == Some(Receipt::Foreign) && !checked.bad_input {
            let record = Some(checked.records);
            let message = "no receipt that was kept matches a record of this journal: it belongs to another journal, or the \
                           file was rewritten";
            checked.problems.push(verify::Problem { record, message: message.to_owned() });
        }
    }
    Ok(held)
}

/// Holds every kept seal against the journals. Gives those that are no sitting's here: one of a sitting that was taken away is
/// told by that alone.
pub(super) fn hold_seals(
    seals: &[String],
    all: &[Checked],
    held: &mut [Held],
) -> Result<Vec<String>, Failure> {
    let mut nobodys = Vec::new();
    for kept in seals {
        let mut found = false;
        for (checked, held) in all.iter().zip(held.iter_mut()) {
            let its =
                against::seal(checked, kept).map_err(|error| Failure::bad(format!("--seal: {error}")))?;
            held.seal = Some(its || held.seal == Some(true));
            found |= its;
        }
        if !found {
            nobodys.push(kept.clone());
        }
    }
    Ok(nobodys)
}

/// Holds every witness's copy against the journal of its sitting. Gives those whose sitting is not there.
pub(super) fn watch(
    copies: &[PathBuf],
    all: &mut [Checked],
    held: &mut [Held],
) -> Result<Vec<String>, Failure> {
    let mut strangers = Vec::new();
    for path in copies {
        let copy = WitnessCopy::read(path).map_err(|error| Failure::bad(format!("--witness: {error}")))?;
        let mut found = false;
        for (checked, held) in all.iter_mut().zip(held.iter_mut()).filter(|(checked, _)| !checked.bad_input) {
            let journal = match journal::read(&checked.file) {
                Ok(journal) => journal,
                Err(JournalError::Broken { sound, .. }) => *sound,
                Err(_) => continue,
            };
            if let Some(vouched) = copy.against(&journal) {
                found = true;
                checked.problems.extend(vouched.problems.iter().cloned());
                held.vouched.push(vouched);
            }
        }
        if !found {
            strangers.push(path.display().to_string());
        }
    }
    Ok(strangers)
}

/// Holds the passphrase against every locked journal.
pub(super) fn unlock(passphrase: &str, all: &mut [Checked], held: &mut [Held]) -> Result<(), Failure> {
    let mut locked = 0;
    for (checked, held) in all.iter_mut().zip(held) {
        if checked.opening.as_ref().is_none_or(|opening| opening.lock.is_none()) {
            continue;
        }
        locked += 1;
        let file = checked.file.display().to_string();
        let proven = against::passphrase(checked, passphrase)
            .map_err(|error| Failure::bad(format!("--passphrase: {file}: {error}")))?;
        held.proven = Some(proven);
        // Before the closing this key still guards the secrets.
        if let (State::Closed, Some(opening)) = (checked.state, &checked.opening)
            && let Some(lock) = &opening.lock
        {
            held.key =
                LockKey::open(lock, opening.commitment, passphrase).ok().map(|key| key.to_check_with());
        }
    }
    if locked == 0 {
        return Err(Failure::bad("--passphrase: none of these sittings is locked: leave it out"));
    }
    Ok(())
}
