//! The files that a session reads, so that a sitting can seal them: name, length and SHA-256 of each.
//!
//! Whatever reads a file that `session.toml` names tells the table whose key named it ([`Table::reads`]); the rest follows.
//!
//! [`Table::reads`]: super::reader::Table::reads

use std::io::Read as _;
use std::path::PathBuf;

use sha2::{Digest as _, Sha256};

use super::picture::Picture;
use super::{Photograph, Session, SessionError};

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

/// A file with its contents, as a sitting publishes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealedInput {
    /// Its name as the session writes it.
    pub name: String,
    /// What is in it.
    pub contents: Contents,
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

impl Session {
    /// Every file that the session reads, the session file first.
    pub fn all_inputs(&self) -> Vec<Input> {
        let name = self.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let read = Some(Contents::of(self.source.as_bytes()));
        let own = Input { name, path: self.file.clone(), read };
        std::iter::once(own).chain(self.inputs.iter().cloned()).collect()
    }

    /// The photographs of the set-up, where the session has some.
    pub fn photographs(&self) -> &[Photograph] {
        self.switcher.as_ref().map_or(&[], |switcher| &switcher.photographs)
    }

    /// The picture that a file of this name holds, a photograph's or a logo's: nothing else of it is handed on.
    pub fn picture(&self, name: &str) -> Option<&Picture> {
        let logo = self.club.iter().filter_map(|club| club.logo.as_ref());
        let photographs = self.photographs().iter().map(|photograph| (&photograph.file, &photograph.picture));
        let mut all = photographs.chain(logo.map(|logo| (&logo.file, &logo.picture)));
        all.find(|(file, _)| *file == name).map(|(_, picture)| picture)
    }

    /// Every file that the session reads, with its contents, as a sitting publishes it.
    ///
    /// # Errors
    /// A sound file can no longer be read.
    pub fn sealed_inputs(&self) -> Result<Vec<SealedInput>, SessionError> {
        let mut sealed = Vec::with_capacity(self.inputs.len() + 1);
        for input in self.all_inputs() {
            let contents = input.contents().map_err(|error| SessionError {
                file: self.file.clone(),
                line: None,
                message: format!(
                    "\"{}\" cannot be read as {}: {error}; each file that a session names has to stay where it is",
                    input.name,
                    input.path.display(), error = crate::files::reason(&error)),
            })?;
            sealed.push(SealedInput { name: input.name, contents });
        }
        Ok(sealed)
    }
}
