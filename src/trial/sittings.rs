//! The folder of sittings: lock, register, journals, secrets; opening, resuming and closing.
//!
//! # What happens in which order, and what a cut leaves behind
//!
//! Opening: (1) the secret's file, durable; (2) the register's line, durable; (3) the journal with its first record,
//! durable, and the folder itself. A cut after (1) leaves a secret that nobody needs; after (2) a sitting that was
//! announced and never started, which every report shows.
//!
//! Closing: (1) the closing record, durable; (2) the register's line, durable; (3) the secret's file is removed. Whoever
//! locks the folder next makes up for (2) and (3).
//!
//! A line without its newline is a write that was cut off: it was never acknowledged, so nothing was shown after it.
//! Whoever locks the folder (register) or resumes the sitting (journal) first copies those bytes to a new file
//! `<name>.torn-<n>` beside it, durably, and only then cuts them off the end. No whole line is ever changed.

mod opening;

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::files;
use crate::system::OwnerOnly as _;

use super::chain::Appender;
use super::closing::EarlierSitting;
use super::conductor::ReplayError;
use super::digest::Digest;
use super::earlier;
use super::journal::{self, Journal, JournalError};
use super::lock::LockKey;
use super::private;
use super::record::{FORMAT, Occasion, Outcome, Record, WagerTerms};
use super::register::{self, Entry, REGISTER, RegisterError};
use super::rest::{self, SecretError};
use super::seal::Secret;

pub use opening::Opened;

/// The program's name and version, as journals hold it.
pub const PROGRAM: &str = concat!("earwitness ", env!("CARGO_PKG_VERSION"), ", ", env!("EARWITNESS_BUILD"));

/// How often a locked folder is tried, and the pause between two tries, before a second sitting on it is refused.
const LOCK_TRIES: u32 = 50;
const LOCK_PAUSE: Duration = Duration::from_millis(20);

/// Why a sitting cannot be opened, resumed or kept.
#[derive(Debug, thiserror::Error)]
pub enum SittingsError {
    /// Another sitting holds the folder.
    #[error(
        "{}: another sitting is going on in this session's folder; end it or wait until it ends, then try again",
        folder.display()
    )]
    Busy {
        /// The folder.
        folder: PathBuf,
    },
    /// A file cannot be made, read or written.
    #[error("{}: {what}: {}", file.display(), crate::files::reason(source))]
    File {
        /// The file.
        file: PathBuf,
        /// What was tried.
        what: &'static str,
        /// Why it failed.
        source: io::Error,
    },
    /// The register is no longer where it was, or not what this program wrote.
    #[error(
        "{}: the register was moved, removed, replaced or written to by another program while this sitting went on, so nothing \
         was written to it; the journal is whole. Put the register back if it is elsewhere: the next sitting in this folder \
         enters what is missing",
        file.display()
    )]
    Displaced {
        /// The register.
        file: PathBuf,
    },
    /// The register cannot be trusted.
    #[error("the register must be whole before a sitting: {0}")]
    Register(#[from] RegisterError),
    /// A journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The journal's records do not lead to a state.
    #[error("{}: {source}", file.display())]
    Replay {
        /// The journal.
        file: PathBuf,
        /// Which record, and what is wrong.
        source: ReplayError,
    },
    /// The secret cannot be had.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// This cannot be conducted.
    #[error("this sitting cannot be conducted: {0}")]
    Terms(String),
    /// It was opened by a program that did not draw anew after an interruption.
    #[error(
        "{}: this sitting was opened by an earlier program, whose draws could be known after an interruption; it cannot go \
         on. Its journal stays as it is: start a new sitting",
        file.display()
    )]
    Older {
        /// The journal.
        file: PathBuf,
    },
    /// The sitting was closed.
    #[error("{}: this sitting is closed; nothing can be added to it", file.display())]
    Closed {
        /// The journal.
        file: PathBuf,
    },
}

fn file_error(file: &Path, what: &'static str) -> impl FnOnce(io::Error) -> SittingsError {
    let file = file.to_path_buf();
    move |source| SittingsError::File { file, what, source }
}

/// The secrets of a sitting's sealings, in order, and the key of its lock.
#[derive(Debug, Clone)]
pub struct Secrets {
    pub(super) secrets: Vec<Secret>,
    pub(super) key: Option<LockKey>,
}

/// A sitting that was opened and not closed.
#[derive(Debug, Clone, PartialEq)]
pub struct Unfinished {
    /// File name of the journal.
    pub journal: String,
    /// The listener.
    pub listener: String,
    /// Sitting or night.
    pub occasion: Occasion,
    /// When it was opened.
    pub utc: String,
    /// Digest of the session file at the opening.
    pub session: Digest,
    /// The secret is locked with a passphrase.
    pub locked: bool,
    /// A simulated listener's.
    pub simulated: Option<f64>,
    /// Records in the journal.
    pub records: usize,
}

/// A folder of sittings that is ours until this is dropped.
#[derive(Debug)]
pub struct Sittings {
    folder: PathBuf,
    register: Appender,
    entries: register::Register,
    /// Held for its lock.
    _lock: File,
}

/// The secret's file of a journal: hidden, beside it.
pub fn secret_file(sittings: &Path, journal: &str) -> PathBuf {
    sittings.join(format!(".{}.secret", journal.strip_suffix(".jsonl").unwrap_or(journal)))
}

/// A listener's name as a part of a file name: letters and digits, everything else a hyphen, at most 60 bytes.
pub fn safe_name(name: &str) -> String {
    let mut safe = String::new();
    for character in name.chars() {
        let kept = if character.is_alphanumeric() { character } else { '-' };
        if kept == '-' && (safe.is_empty() || safe.ends_with('-')) {
            continue;
        }
        if safe.len() + kept.len_utf8() > 60 {
            break;
        }
        safe.push(kept);
    }
    let safe = safe.trim_end_matches('-');
    if safe.is_empty() { "listener".to_owned() } else { safe.to_owned() }
}

/// The folder is let go: others may read it again once nothing in it is open.
impl Drop for Sittings {
    fn drop(&mut self) {
        if self.entries.unclosed().next().is_none() {
            private::unshut(&self.folder);
        }
    }
}

impl Sittings {
    /// Locks the folder (made if it is not there), makes up for what a cut left undone. `utc` is now, RFC 3339.
    pub fn lock(folder: &Path, utc: &str) -> Result<Self, SittingsError> {
        files::make_folder(folder).map_err(file_error(folder, "the folder for sittings cannot be made"))?;
        private::shut(folder);
        files::sync_names(folder).map_err(file_error(folder, "the folder could not be made durable"))?;
        let lock_file = folder.join(".lock");
        // A named pipe there would be waited for.
        files::regular_or_none(&lock_file)
            .map_err(file_error(&lock_file, "the folder's lock cannot be opened"))?;
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&lock_file)
            .map_err(file_error(&lock_file, "the folder's lock cannot be opened"))?;
        let mut tries = 0;
        loop {
            tries += 1;
            match lock.try_lock() {
                Ok(()) => break,
                // One that ends in this moment, or a process that it was just starting, is waited for.
                Err(TryLockError::WouldBlock) if tries < LOCK_TRIES => std::thread::sleep(LOCK_PAUSE),
                Err(TryLockError::WouldBlock) => {
                    return Err(SittingsError::Busy { folder: folder.to_path_buf() });
                }
                Err(TryLockError::Error(error)) => {
                    return Err(file_error(&lock_file, "the folder's lock cannot be taken")(error));
                }
            }
        }
        let entries = register::read(folder)?;
        let path = folder.join(REGISTER);
        let file = OpenOptions::new()
            .create(true)
            .append(true)
            .owner_only()
            .open(&path)
            .map_err(file_error(&path, "the register cannot be opened"))?;
        cut_torn(&path, &file, entries.bytes, entries.torn_bytes)?;
        sync_folder(folder)?;
        let chain = entries.digests.last().copied().unwrap_or(Digest::NOTHING);
        let register = Appender::new(file, entries.entries.len() as u64, chain);
        let mut sittings = Self { folder: folder.to_path_buf(), register, entries, _lock: lock };
        sittings.make_up(utc)?;
        rest::sweep(folder, |journal| {
            let entries = &sittings.entries;
            let announced = entries.announced().any(|(_, known)| known == journal);
            entries.closed(journal).is_none() && (announced || folder.join(journal).exists())
        });
        Ok(sittings)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The register's head and how many sittings it has announced, as a closing holds them.
    pub(super) fn head(&self) -> (Option<Digest>, Option<u64>) {
        (self.entries.digests.last().copied(), Some(self.entries.announced().count() as u64))
    }

    /// Writes what a cut between closing record and register left out.
    fn make_up(&mut self, utc: &str) -> Result<(), SittingsError> {
        let open: Vec<String> = self.entries.unclosed().map(str::to_owned).collect();
        for name in open {
            if let Ok(journal) = journal::read(&self.folder.join(&name))
                && let (Some(closing), Some(receipt)) = (journal.closing(), journal.receipt())
                && journal.torn_bytes == 0
            {
                self.enter_closed(utc, &name, receipt, closing.outcome)?;
            }
        }
        Ok(())
    }

    fn enter(&mut self, entry: Entry) -> Result<Digest, SittingsError> {
        let path = self.folder.join(REGISTER);
        if !self.register.is_at(&path) {
            return Err(SittingsError::Displaced { file: path });
        }
        let digest = self
            .register
            .append(None, &entry)
            .map_err(file_error(&path, "the register could not be written"))?;
        self.entries.entries.push(entry);
        self.entries.digests.push(digest);
        Ok(digest)
    }

    pub(super) fn enter_closed(
        &mut self,
        utc: &str,
        name: &str,
        receipt: Digest,
        outcome: Outcome,
    ) -> Result<(), SittingsError> {
        self.enter(Entry::Closed { utc: utc.to_owned(), journal: name.to_owned(), receipt, outcome })?;
        let secret = secret_file(&self.folder, name);
        match std::fs::remove_file(&secret) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                Err(file_error(&secret, "the opened secret's file could not be removed")(error))
            }
            _ => sync_folder(&self.folder),
        }
    }

    /// Sittings that were announced and not closed, oldest first, as far as their journals can be read.
    pub fn unfinished(&self) -> Vec<Unfinished> {
        let mut found = Vec::new();
        for name in self.entries.unclosed() {
            let Ok(journal) = journal::read(&self.folder.join(name)) else { continue };
            let Some(opening) = journal.opening() else { continue };
            found.push(Unfinished {
                journal: name.to_owned(),
                listener: opening.listener.clone(),
                occasion: opening.occasion,
                utc: opening.utc.clone(),
                session: opening.session,
                locked: opening.lock.is_some(),
                simulated: opening.simulated,
                records: journal.records.len(),
            });
        }
        found
    }

    /// The sittings in this folder that a wager has [looked at](super::record::Opening::is_claimants) so far, oldest first.
    pub fn earlier(&self, wager: &WagerTerms) -> Vec<EarlierSitting> {
        earlier::earlier(&self.folder, &self.entries, wager)
    }

    /// The newest sitting of a listener that was announced, has a journal and was not closed, but whose journal cannot be
    /// trusted: its file name, and why it cannot go on.
    pub fn broken(&self, listener: &str) -> Option<(String, JournalError)> {
        self.entries.entries.iter().rev().find_map(|entry| match entry {
            register::Entry::Opened { journal, listener: whose, .. } if whose == listener => {
                let path = self.folder.join(journal);
                if self.entries.closed(journal).is_some() || !path.exists() {
                    return None;
                }
                journal::read(&path).err().map(|error| (journal.clone(), error))
            }
            _ => None,
        })
    }

    fn free_name(&self, utc: &str, listener: &str) -> String {
        let time: String = utc.replace(':', "-");
        let time = safe_name(time.split('.').next().unwrap_or_default());
        let time = if time.ends_with('Z') { time } else { format!("{time}Z") };
        let base = format!("{time}-{}", safe_name(listener));
        let mut name = format!("{base}.jsonl");
        let mut number = 2;
        let announced = |name: &str| self.entries.announced().any(|(_, journal)| journal == name);
        while self.folder.join(&name).exists()
            || secret_file(&self.folder, &name).exists()
            || announced(&name)
        {
            name = format!("{base}-{number}.jsonl");
            number += 1;
        }
        name
    }

    /// The journal of a sitting that can go on.
    fn unclosed(&self, name: &str) -> Result<Journal, SittingsError> {
        let path = self.folder.join(name);
        let journal = journal::read(&path)?;
        if journal.closing().is_some() { Err(SittingsError::Closed { file: path }) } else { Ok(journal) }
    }

    /// The secrets of a sitting that was cut off. Nothing is changed, so a wrong passphrase can be asked for again.
    pub fn secrets(&self, name: &str, passphrase: Option<&str>) -> Result<Secrets, SittingsError> {
        let journal = self.unclosed(name)?;
        let Some(opening) = journal.opening() else {
            return Err(SittingsError::Terms("the journal has no opening".to_owned()));
        };
        let file = secret_file(&self.folder, name);
        if opening.format < 2 {
            return Err(SittingsError::Older { file: self.folder.join(name) });
        }
        let commitments = journal.records.iter().filter_map(Record::commitment);
        let key = match (&opening.lock, passphrase) {
            (None, _) => None,
            (Some(_), None) => return Err(SecretError::Locked.into()),
            (Some(lock), Some(passphrase)) => {
                Some(LockKey::open(lock, opening.commitment, passphrase).map_err(SecretError::from)?)
            }
        };
        let known = rest::fetch(&file, key.as_ref())?;
        let ours = |commitment: Digest| {
            let found = known.iter().find(|secret| secret.commitment(FORMAT) == commitment);
            found.cloned().ok_or_else(|| SecretError::Damaged(file.display().to_string()))
        };
        Ok(Secrets { secrets: commitments.map(ours).collect::<Result<_, _>>()?, key })
    }
}

/// Copies the bytes of a cut-off write to a new file beside, durably, then cuts them off.
fn cut_torn(path: &Path, file: &File, whole: u64, torn: u64) -> Result<(), SittingsError> {
    if torn == 0 {
        return Ok(());
    }
    let failed = |source| file_error(path, "a cut-off last line could not be put aside")(source);
    let mut reader = files::open(path).map_err(failed)?;
    reader.seek(SeekFrom::Start(whole)).map_err(failed)?;
    let mut bytes = Vec::new();
    reader.take(torn).read_to_end(&mut bytes).map_err(failed)?;
    let name = crate::files::name(path);
    for number in 1.. {
        let aside = path.with_file_name(format!("{name}.torn-{number}"));
        match OpenOptions::new().write(true).create_new(true).owner_only().open(&aside) {
            Ok(mut kept) => {
                kept.write_all(&bytes).and_then(|()| kept.sync_all()).map_err(failed)?;
                break;
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(failed(error)),
        }
    }
    if let Some(folder) = path.parent() {
        sync_folder(folder)?;
    }
    files::cut(path, file, whole).map_err(failed)
}

/// Makes names of files in the folder durable.
fn sync_folder(folder: &Path) -> Result<(), SittingsError> {
    files::sync_names(&folder.join(REGISTER))
        .map_err(file_error(folder, "the folder could not be made durable"))
}
