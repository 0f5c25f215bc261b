//! Where the records of one sitting go: dated, chained, proven where the sitting is locked, durable one by one.

use std::io;
use std::path::PathBuf;

use super::chain::Appender;
use super::digest::Digest;
use super::lock::LockKey;
use super::record::{Outcome, Record};
use super::rest::{self, SecretError};
use super::seal::Secret;
use super::sittings::{Sittings, SittingsError, secret_file};

/// The computer's clock and the sitting's own at one moment.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clocked {
    pub(super) utc_ms: i64,
    pub(super) at_ms: u64,
}

/// Milliseconds since 1970 of an RFC 3339 time; 0 for what is none.
pub fn utc_ms(utc: &str) -> i64 {
    utc.parse::<jiff::Timestamp>().map_or(0, jiff::Timestamp::as_millisecond)
}

/// Takes the records of one sitting, and its closing. The folder stays locked until this is dropped.
#[derive(Debug)]
pub struct JournalWriter {
    pub(super) sittings: Sittings,
    pub(super) appender: Appender,
    pub(super) name: String,
    pub(super) utc: String,
    pub(super) clock: Clocked,
    pub(super) key: Option<LockKey>,
    pub(super) outcome: Option<Outcome>,
}

impl JournalWriter {
    /// Appends a record; durable when this returns. Returns the digest of its line: the running receipt.
    pub fn append(&mut self, record: &Record) -> io::Result<Digest> {
        self.append_all(std::slice::from_ref(record)).map(|_| self.appender.chain())
    }

    /// The computer's clock says this now, milliseconds since 1970 in UTC, at this time of the sitting. What is appended
    /// is dated from here.
    pub fn clock(&mut self, utc_ms: i64, at_ms: u64) {
        self.clock = Clocked { utc_ms, at_ms };
    }

    /// Appends several records in one write, for votes that come together; durable when this returns.
    pub fn append_all(&mut self, records: &[Record]) -> io::Result<Vec<Digest>> {
        let at_ms = records.last().map_or(0, Record::at_ms);
        let since = i64::try_from(at_ms.saturating_sub(self.clock.at_ms)).unwrap_or(i64::MAX);
        let utc_ms = self.clock.utc_ms.saturating_add(since);
        let mut records = records.to_vec();
        if let Some(Record::Closing(closing)) = records.last_mut() {
            (closing.register, closing.sittings) = self.sittings.head();
        }
        let digests = append_proven(&mut self.appender, self.key.as_ref(), utc_ms, &mut records)?;
        if let Some(Record::Closing(closing)) = records.last() {
            self.outcome = Some(closing.outcome);
        }
        Ok(digests)
    }

    /// Keeps the secret of a sealing that is about to begin, with those before it; durable when this returns.
    ///
    /// # Errors
    /// The secrets' file cannot be read or written.
    pub fn keep_secret(&self, fresh: &Secret) -> Result<(), SecretError> {
        let file = secret_file(self.sittings.folder(), &self.name);
        let mut secrets = rest::fetch(&file, self.key.as_ref())?;
        secrets.push(fresh.clone());
        rest::store(&file, &secrets, self.key.as_ref())
    }

    /// The closing record is durable: enters the closing in the register and removes the secret's file. `utc` is now;
    /// `None` takes the time at which the sitting was opened or resumed.
    pub fn close(&mut self, utc: Option<&str>) -> Result<(), SittingsError> {
        if let Some(outcome) = self.outcome.take() {
            let (name, receipt) = (self.name.clone(), self.appender.chain());
            let utc = utc.map_or_else(|| self.utc.clone(), str::to_owned);
            self.sittings.enter_closed(&utc, &name, receipt, outcome)?;
        }
        Ok(())
    }

    /// The journal's file.
    pub fn path(&self) -> PathBuf {
        self.sittings.folder().join(&self.name)
    }
}

/// Appends records; where the sitting is locked, each that goes on or ends proves that the passphrase was at hand.
pub(super) fn append_proven(
    appender: &mut Appender,
    key: Option<&LockKey>,
    utc_ms: i64,
    records: &mut [Record],
) -> io::Result<Vec<Digest>> {
    let mut digests = Vec::with_capacity(records.len());
    let mut from = 0;
    while from < records.len() {
        // The chain's head is known where everything before has its digest.
        let rest = &mut records[from..];
        let proving = rest.iter().position(|record| record.guarded().is_some());
        let count = match (proving, key) {
            (Some(0), Some(key)) => {
                match &mut rest[0] {
                    Record::Resumed { proof, .. } | Record::Resealed { proof, .. } => {
                        *proof = Some(key.proof(appender.chain()));
                    }
                    Record::Closing(closing) => closing.proof = Some(key.proof(appender.chain())),
                    _ => {}
                }
                1
            }
            (Some(before), Some(_)) => before,
            _ => rest.len(),
        };
        digests.extend(appender.append_all(Some(utc_ms), &rest[..count])?);
        from += count;
    }
    Ok(digests)
}
