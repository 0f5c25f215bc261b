//! Opening a sitting, and going on with one that was cut off.

use std::fs::OpenOptions;

use super::{PROGRAM, Secrets, Sittings, SittingsError, cut_torn, file_error, secret_file, sync_folder};
use crate::system::OwnerOnly as _;
use crate::trial::chain::Appender;
use crate::trial::conductor::Conductor;
use crate::trial::digest::Digest;
use crate::trial::draft::Draft;
use crate::trial::event::{Effect, Event};
use crate::trial::journal::Journal;
use crate::trial::journal_writer::{Clocked, JournalWriter, append_proven, utc_ms};
use crate::trial::lock::LockKey;
use crate::trial::record::{FORMAT, Opening, Output};
use crate::trial::register::Entry;
use crate::trial::rest::{self, SecretError};
use crate::trial::seal::Secret;
use crate::trial::{balance, ledger};

/// A sitting that was opened or resumed: where its records go, its conductor, and the conductor's first effects.
#[derive(Debug)]
pub struct Opened {
    /// Takes the records.
    pub writer: JournalWriter,
    /// Conducts.
    pub conductor: Conductor,
    /// To be carried out now.
    pub effects: Vec<Effect>,
}

impl Sittings {
    /// Opens a sitting: secret, register, journal, in this order, all durable when this returns. With a passphrase the
    /// secret is locked with it until the closing. The opening record is written here; the conductor's effects begin
    /// after it.
    pub fn open(
        mut self,
        draft: Draft,
        secret: Secret,
        passphrase: Option<&str>,
    ) -> Result<Opened, SittingsError> {
        if [Some(&draft.listener), draft.alias.as_ref()]
            .into_iter()
            .flatten()
            .any(|name| name.is_empty() || name.len() > ledger::MAX_TEXT)
        {
            return Err(SittingsError::Terms("names have to have 1 to 4096 bytes".to_owned()));
        }
        let mut opening = Opening {
            format: FORMAT,
            program: PROGRAM.to_owned(),
            utc: draft.utc,
            occasion: draft.occasion,
            listener: draft.listener,
            alias: draft.alias,
            commitment: secret.commitment(FORMAT),
            register: Digest::NOTHING,
            session: draft.session,
            terms: draft.terms,
            stimuli: draft.stimuli,
            output: draft.output,
            simulated: draft.simulated,
            invented: draft.invented,
            sitting: Some(self.entries.announced().count() as u64 + 1),
            lock: None,
            inputs: Some(draft.inputs),
            earlier: None,
            facts: (!draft.facts.is_empty()).then_some(draft.facts),
            rows: None,
        };
        if balance::in_rows(&opening.terms) {
            let before = balance::rows_before(&self.folder, &self.entries, &opening);
            opening.rows = balance::rows(&opening.terms, &before);
        }
        if let Some(wager) = opening.terms.wager.clone()
            && opening.is_claimants(&wager)
        {
            opening.earlier = Some(self.earlier(&wager));
        }
        let mut key = None;
        if let Some(passphrase) = passphrase {
            let (terms, made) = LockKey::new(opening.commitment, passphrase).map_err(SecretError::from)?;
            opening.lock = Some(terms);
            key = Some(made);
        }
        // Nothing is written for a sitting that cannot be conducted.
        Conductor::open(opening.clone(), secret.clone()).map_err(SittingsError::Terms)?;
        let name = self.free_name(&opening.utc, &opening.listener);
        rest::store(&secret_file(&self.folder, &name), std::slice::from_ref(&secret), key.as_ref())?;
        sync_folder(&self.folder)?;
        opening.register = self.enter(Entry::Opened {
            utc: opening.utc.clone(),
            journal: name.clone(),
            occasion: opening.occasion,
            listener: opening.listener.clone(),
            commitment: opening.commitment,
            session: opening.session,
            simulated: opening.simulated,
        })?;
        let path = self.folder.join(&name);
        let file = OpenOptions::new()
            .create_new(true)
            .append(true)
            .owner_only()
            .open(&path)
            .map_err(file_error(&path, "the journal cannot be made"))?;
        let mut appender = Appender::new(file, 0, Digest::NOTHING);
        let utc = opening.utc.clone();
        let (mut conductor, effects) = Conductor::open(opening, secret).map_err(SittingsError::Terms)?;
        let mut rest = Vec::new();
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let written = appender.append(Some(utc_ms(&utc)), &*record);
                    let receipt = written.map_err(file_error(&path, "the journal could not be written"))?;
                    conductor.step(0, Event::Durable(receipt));
                }
                other => rest.push(other),
            }
        }
        sync_folder(&self.folder)?;
        let clock = Clocked { utc_ms: utc_ms(&utc), at_ms: 0 };
        let writer = JournalWriter { sittings: self, appender, name, utc, clock, key, outcome: None };
        Ok(Opened { writer, conductor, effects: rest })
    }

    /// Goes on with a sitting that was cut off: what was being presented is void, and `fresh` draws every trial that has
    /// not been answered. The journal's torn last line, if there is one, is put aside first.
    pub fn resume_with(
        self,
        name: &str,
        utc: &str,
        output: Output,
        secrets: Secrets,
        fresh: Secret,
    ) -> Result<Opened, SittingsError> {
        let path = self.folder.join(name);
        let Journal { mut records, digests, bytes, torn_bytes, .. } = self.unclosed(name)?;
        // Everything is checked before a byte is changed.
        let replay = |source| SittingsError::Replay { file: path.clone(), source };
        let Secrets { mut secrets, key } = secrets;
        let (before, _) = Conductor::resume(&records, &secrets).map_err(replay)?;
        let mut going_on = before.going_on(&fresh, utc, PROGRAM, torn_bytes, output);
        secrets.push(fresh);
        // The fresh secret is durable before its commitment is.
        rest::store(&secret_file(&self.folder, name), &secrets, key.as_ref())?;
        let file = OpenOptions::new()
            .append(true)
            .open(&path)
            .map_err(file_error(&path, "the journal cannot be opened for writing"))?;
        cut_torn(&path, &file, bytes, torn_bytes)?;
        sync_folder(&self.folder)?;
        let chain = digests.last().copied().unwrap_or(Digest::NOTHING);
        let mut appender = Appender::new(file, records.len() as u64, chain);
        let clock = Clocked { utc_ms: utc_ms(utc), at_ms: before.at_ms() };
        let written = append_proven(&mut appender, key.as_ref(), clock.utc_ms, &mut going_on);
        written.map_err(file_error(&path, "the journal could not be written"))?;
        let receipt = appender.chain();
        records.extend(going_on);
        let (mut conductor, effects) = Conductor::resume(&records, &secrets).map_err(replay)?;
        conductor.step(0, Event::Durable(receipt));
        let writer = JournalWriter {
            sittings: self,
            appender,
            name: name.to_owned(),
            utc: utc.to_owned(),
            clock,
            key,
            outcome: None,
        };
        Ok(Opened { writer, conductor, effects })
    }
}
