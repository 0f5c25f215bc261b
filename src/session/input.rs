//! The files that a session reads, so that a sitting can seal them: name, length and SHA-256 of each.
//!
//! Whatever reads a file that `session.toml` names tells the table whose key named it ([`Table::reads`]); the rest follows.
//!
//! [`Table::reads`]: super::reader::Table::reads

use std::io::Read as _;
use std::path::PathBuf;

use sha2::{Digest as _, Sha256};

/// Length and SHA-256 of a file's bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Contents {
    /// Length in bytes.
    pub bytes: u64,
    /// SHA-256 (FIPS 180-4).
    pub sha256: [u8; 32],
}

impl Contents {
    /// Of bytes that were read.
    pub fn of(bytes: &[u8]) -> Self {
        Self { bytes: bytes.len() as u64, sha256: Sha256::digest(bytes).into() }
    }

    /// Of a file that is read now, block by block.
    ///
    /// # Errors
    /// The file cannot be read to its end.
    pub fn of_file(path: &std::path::Path) -> std::io::Result<Self> {
        let mut file = crate::files::open(path)?;
        let (mut hash, mut block, mut bytes) = (Sha256::new(), vec![0_u8; 1 << 16], 0);
        loop {
            match file.read(&mut block)? {
                0 => return Ok(Self { bytes, sha256: hash.finalize().into() }),
                read => {
                    hash.update(&block[..read]);
                    bytes += read as u64;
                }
            }
        }
    }
}

/// A file that a session reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Input {
    /// Its name as the session writes it; the session file's own name first.
    pub name: String,
    /// Where it is.
    pub path: PathBuf,
    /// What was read from it together with the session, of a photograph or logo the picture alone; `None` for sound, which is read
    /// when stimuli are made.
    pub read: Option<Contents>,
}

impl Input {
    /// Its length and digest: those of the bytes that were used where they are in memory, else of the file as it is now.
    ///
    /// # Errors
    /// The file can no longer be read.
    pub fn contents(&self) -> std::io::Result<Contents> {
        self.read.map_or_else(|| Contents::of_file(&self.path), Ok)
    }
}
