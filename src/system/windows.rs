//! Windows, as far as the standard library goes. Compiled in tests only; see the room.
//!
//! What only a call of the system's own could do is not done, and the caller hears so where it matters: typing cannot be hidden, a
//! folder keeps the access rights that it inherits, memory is not locked.

#![cfg_attr(
    not(windows),
    allow(
        dead_code,
        unreachable_pub,
        clippy::unnecessary_wraps,
        clippy::unused_self,
        reason = "compiled in tests, used on Windows"
    )
)]

use std::fs::{File, FileType, Metadata, OpenOptions};
use std::io;
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Opening a file waits for nobody here.
pub fn never_wait(_: &mut OpenOptions) {}

/// A new file has the access rights of its folder; a user's own folders are closed to other users.
pub fn for_owner(_: &mut OpenOptions) {}

/// Likewise.
pub fn as_masked(_: &mut tempfile::Builder<'_, '_>) {}

/// Likewise.
///
/// # Errors
/// None.
pub fn keep_to_owner(_: &File) -> io::Result<()> {
    Ok(())
}

/// There are no modes here.
///
/// # Errors
/// None.
pub fn set_mode(_: &Path, _: u32) -> io::Result<()> {
    Ok(())
}

/// Which file it is, as far as it can be told without opening it: when it was made, to 100 ns.
pub fn identity(about: &Metadata) -> (u64, u64) {
    let made = about.created().ok().and_then(|made| made.duration_since(UNIX_EPOCH).ok());
    made.map_or((0, 0), |made| (made.as_secs(), u64::from(made.subsec_nanos())))
}

/// What something is that is no regular file.
pub fn kind(_: FileType) -> &'static str {
    "a folder or a device"
}

/// A folder cannot be opened here as a file is; its file system keeps names in a journal of its own.
///
/// # Errors
/// None.
pub fn sync_folder(_: &Path) -> io::Result<()> {
    Ok(())
}

/// Nothing can be done without a call of the system's own.
pub fn keep_memory_private() {}

/// There is no such limit.
pub fn allow_files(_: u64) {}

/// Not told by the standard library: 0.
pub fn processor_seconds() -> f64 {
    0.0
}

/// Not told by the standard library.
pub fn most_memory() -> Option<u64> {
    None
}

/// There are no modes here.
pub fn umask() -> u32 {
    0
}

/// A window that was closed ends its programs.
pub fn is_hung_up<T>(_: &T) -> bool {
    false
}

/// Such requests end the program at once; what is in the journal is on the disk already.
///
/// # Errors
/// None.
pub fn on_request_to_end<F>(_: F) -> io::Result<()> {
    Ok(())
}

/// Standard output, to be written without its lock.
///
/// # Errors
/// There is no console.
pub fn standard_output() -> io::Result<File> {
    OpenOptions::new().write(true).open("CONOUT$")
}

/// How the console is set: not known.
#[derive(Debug)]
pub struct Typing(());

impl Typing {
    /// As it is now.
    ///
    /// # Errors
    /// Always: what is typed cannot be hidden, and the listener is told.
    pub fn now() -> io::Result<Self> {
        Err(io::ErrorKind::Unsupported.into())
    }

    /// The same, showing nothing of what is typed.
    #[must_use]
    pub fn hidden(&self) -> Self {
        Self(())
    }

    /// Sets the console so.
    ///
    /// # Errors
    /// Always.
    pub fn set(&self) -> io::Result<()> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

/// Runs `action`; sound libraries of Windows print nothing.
pub fn quietly<T>(action: impl FnOnce() -> T) -> T {
    action()
}
