//! Windows, as far as the standard library and the crate below the terminal's go.
//!
//! What only another call of the system's own could do is not done: a folder keeps the access rights that it inherits, memory is not
//! locked, processor time is not told.

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

use std::fs::{File, FileType, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use super::Output;

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

/// Which file it is, of all on this machine: its volume's serial number, and its index there.
///
/// # Errors
/// The system does not say.
pub fn identity(file: &File) -> io::Result<(u64, u64)> {
    only_there::identity(file)
}

/// Which file stands at a path. A link stands for itself.
///
/// # Errors
/// Nothing is there, or it cannot be opened.
pub fn identity_at(path: &Path) -> io::Result<(u64, u64)> {
    only_there::as_it_stands(path).and_then(|file| identity(&file))
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
/// It is closed.
pub fn standard_output() -> io::Result<Output> {
    only_there::output()
}

/// Bytes of UTF-8 as the text that a console is given. A character that ends in a later piece waits for it.
pub(super) struct Text<S> {
    show: S,
    begun: Vec<u8>,
}

impl<S: FnMut(&str) -> io::Result<()>> Text<S> {
    /// Gives text to `show`.
    pub(super) fn new(show: S) -> Self {
        Self { show, begun: Vec::new() }
    }
}

impl<S: FnMut(&str) -> io::Result<()>> Write for Text<S> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // Old consoles refuse more than 64 KiB at once.
        let taken = bytes.len().min(8192);
        self.begun.extend_from_slice(&bytes[..taken]);
        let whole = match std::str::from_utf8(&self.begun) {
            Err(error) if error.error_len().is_none() => error.valid_up_to(),
            _ => self.begun.len(),
        };
        let text: Vec<u8> = self.begun.drain(..whole).collect();
        if !text.is_empty() {
            (self.show)(&String::from_utf8_lossy(&text))?;
        }
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Bit of the console's mode: what is typed is shown (ENABLE_ECHO_INPUT, SetConsoleMode in Microsoft's documentation of consoles).
const SHOWN: u32 = 0x0004;

/// How the console is set.
#[derive(Debug)]
pub struct Typing(u32);

impl Typing {
    /// As it is now.
    ///
    /// # Errors
    /// There is no console.
    pub fn now() -> io::Result<Self> {
        only_there::mode().map(Self)
    }

    /// The same, showing nothing of what is typed.
    #[must_use]
    pub fn hidden(&self) -> Self {
        Self(self.0 & !SHOWN)
    }

    /// Sets the console so.
    ///
    /// # Errors
    /// The console is gone.
    pub fn set(&self) -> io::Result<()> {
        only_there::set_mode(self.0)
    }
}

/// What is compiled on Windows alone.
#[cfg(windows)]
mod only_there {
    use std::fs::{File, OpenOptions};
    use std::io::{self, IsTerminal as _};
    use std::os::windows::fs::OpenOptionsExt as _;
    use std::os::windows::io::AsHandle as _;
    use std::path::Path;

    use crossterm_winapi::{Console, ConsoleMode, Handle};

    use super::{Output, Text};

    /// A link is opened itself, and not what it leads to (CreateFileW in Microsoft's documentation).
    const FILE_FLAG_OPEN_REPARSE_POINT: u32 = 0x0020_0000;

    pub(super) fn identity(file: &File) -> io::Result<(u64, u64)> {
        winapi_util::file::information(file).map(|about| (about.volume_serial_number(), about.file_index()))
    }

    pub(super) fn as_it_stands(path: &Path) -> io::Result<File> {
        OpenOptions::new().read(true).custom_flags(FILE_FLAG_OPEN_REPARSE_POINT).open(path)
    }

    /// Written to a console as text: bytes would be taken for those of its code page.
    pub(super) fn output() -> io::Result<Output> {
        if !io::stdout().is_terminal() {
            return Ok(Box::new(File::from(io::stdout().as_handle().try_clone_to_owned()?)));
        }
        let console = Console::from(Handle::current_out_handle()?);
        Ok(Box::new(Text::new(move |text| console.write_char_buffer(text.as_bytes()).map(drop))))
    }

    fn input() -> io::Result<ConsoleMode> {
        Ok(ConsoleMode::from(Handle::current_in_handle()?))
    }

    pub(super) fn mode() -> io::Result<u32> {
        input()?.mode()
    }

    pub(super) fn set_mode(mode: u32) -> io::Result<()> {
        input()?.set_mode(mode)
    }
}

/// Other systems compile this file for their tests, and have none of it.
#[cfg(not(windows))]
mod only_there {
    use std::fs::File;
    use std::io;
    use std::path::Path;

    use super::Output;

    pub(super) fn identity(_: &File) -> io::Result<(u64, u64)> {
        Err(io::ErrorKind::Unsupported.into())
    }

    pub(super) fn as_it_stands(_: &Path) -> io::Result<File> {
        Err(io::ErrorKind::Unsupported.into())
    }

    pub(super) fn output() -> io::Result<Output> {
        Err(io::ErrorKind::Unsupported.into())
    }

    pub(super) fn mode() -> io::Result<u32> {
        Err(io::ErrorKind::Unsupported.into())
    }

    pub(super) fn set_mode(_: u32) -> io::Result<()> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

/// Runs `action`; sound libraries of Windows print nothing.
pub fn quietly<T>(action: impl FnOnce() -> T) -> T {
    action()
}
