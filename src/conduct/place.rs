//! Where the journal is: each record is written to the file that its path leads to, or to none.
//!
//! A file that was removed, replaced or shortened while a sitting goes on still takes records, and nobody would find them.

use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

use crate::files;
use crate::system::{OwnerOnly as _, identity, identity_at};
use crate::trial::sittings::secret_file;

/// What became of a journal that is no longer at its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Displaced {
    /// The path leads nowhere.
    #[error("it was removed or renamed")]
    Gone,
    /// The path leads to another file.
    #[error("another file stands there")]
    Replaced,
    /// It has another length than was written.
    #[error("it was shortened, or somebody else wrote to it")]
    OtherLength,
}

/// The journal's file as it was after the last record.
#[derive(Debug)]
pub(super) struct Place {
    path: PathBuf,
    /// Open for reading.
    file: File,
    /// Which file it is, of all on this machine.
    identity: (u64, u64),
    /// What it holds, to be kept whatever becomes of it.
    bytes: Vec<u8>,
}

impl Place {
    /// The file that the path leads to now.
    pub(super) fn of(path: PathBuf) -> io::Result<Self> {
        let mut file = files::open(&path)?;
        let identity = identity(&file)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        Ok(Self { path, file, identity, bytes })
    }

    fn look(&self) -> Result<Metadata, Displaced> {
        let now = std::fs::symlink_metadata(&self.path).map_err(|_| Displaced::Gone)?;
        let there = identity_at(&self.path).map_err(|_| Displaced::Gone)?;
        if there == self.identity { Ok(now) } else { Err(Displaced::Replaced) }
    }

    /// Whether the path still leads to the file, and the file is what was written; before a record.
    pub(super) fn check(&self) -> Result<(), Displaced> {
        if self.look()?.len() == self.bytes.len() as u64 { Ok(()) } else { Err(Displaced::OtherLength) }
    }

    /// A record was written: whether the path leads to it.
    pub(super) fn written(&mut self) -> Result<(), Displaced> {
        let length = self.look()?.len();
        let before = self.bytes.len() as u64;
        // The reader stands where the last record ended.
        self.file.read_to_end(&mut self.bytes).map_err(|_| Displaced::Gone)?;
        if length > before && length == self.bytes.len() as u64 {
            Ok(())
        } else {
            Err(Displaced::OtherLength)
        }
    }

    /// Whether the secret of its draws lies beside it.
    pub(super) fn has_its_secret(&self) -> bool {
        let name = self.path.file_name().map(|name| name.to_string_lossy().into_owned());
        let folder = self.path.parent().unwrap_or(Path::new("."));
        name.is_some_and(|name| secret_file(folder, &name).exists())
    }

    /// Writes what the file held to a new file near its place, or else in the system's temporary folder. Gives the path;
    /// `None` if it cannot be kept anywhere.
    pub(super) fn keep_elsewhere(&self) -> Option<PathBuf> {
        let name = self.path.file_name()?.to_string_lossy().into_owned();
        let session = self.path.parent().and_then(Path::parent).map(Path::to_path_buf);
        for folder in session.into_iter().chain([std::env::temp_dir()]) {
            for number in 1..100 {
                let path = folder.join(format!("kept-{number}-{name}"));
                match self.copy_to(&path) {
                    Ok(()) => return Some(path),
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                    Err(_) => break,
                }
            }
        }
        None
    }

    fn copy_to(&self, path: &Path) -> io::Result<()> {
        let mut kept = OpenOptions::new().write(true).create_new(true).owner_only().open(path)?;
        kept.write_all(&self.bytes)?;
        kept.sync_all()?;
        files::sync_names(path)
    }
}
