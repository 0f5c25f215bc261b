//! Input files, opened in one guarded way.
//!
//! Comes in: a path that somebody named. Goes out: an open file that is a regular one, or its bytes up to a limit. A named
//! pipe would be waited for, a device has no end, and a file may grow while it is read: none of that is input. Must not
//! know: what stands in the file.

use std::fs::{File, FileType, OpenOptions};
use std::io::{Error, ErrorKind, Read as _, Result};
use std::path::{Path, PathBuf};

use crate::system::{OwnerOnly as _, identity};

/// Most bytes that a table is read with.
pub const LARGEST_TABLE_BYTES: u64 = 64 * 1024 * 1024;

/// Most bytes that a journal is handed out with.
pub const LARGEST_JOURNAL_BYTES: u64 = 1024 * 1024 * 1024;

/// Why the operating system did not do what was asked, in words for people: neither its number nor a temporary file's name.
pub fn reason(error: &Error) -> String {
    let known = match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder",
        ErrorKind::PermissionDenied => "permission is denied",
        ErrorKind::AlreadyExists => "it is there already",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::NotADirectory => "a part of the path is a file, not a folder",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "no space is left there",
        ErrorKind::ReadOnlyFilesystem => "that disk is read-only",
        ErrorKind::FileTooLarge => "the file would be too large",
        ErrorKind::ConnectionRefused => "nobody answers there",
        ErrorKind::ConnectionReset | ErrorKind::ConnectionAborted | ErrorKind::BrokenPipe => {
            "the connection was lost"
        }
        ErrorKind::TimedOut => "there was no answer in time",
        ErrorKind::AddrInUse => "that port is in use",
        ErrorKind::AddrNotAvailable => "this machine has no such address",
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => "that network cannot be reached",
        ErrorKind::UnexpectedEof => "it ends too early",
        _ => "",
    };
    // Our own refusals carry their own words; only the system's are put in ours.
    let ours = error.get_ref().is_some() && error.raw_os_error().is_none();
    let text = error.to_string();
    let text = text.split(" at path \"").next().unwrap_or_default();
    if known.is_empty() || ours && !text.contains("(os error ") {
        return text.split(" (os error ").next().unwrap_or_default().to_owned();
    }
    known.to_owned()
}

/// The last part of a path as text, with what is no text replaced; empty where there is none.
pub fn name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Refuses what is at this place and is no regular file; nothing there is fine.
///
/// # Errors
/// A folder, a named pipe, a socket or a device is there.
pub fn regular_or_none(path: &Path) -> Result<()> {
    match std::fs::metadata(path) {
        Ok(there) => refuse_other(there.file_type()),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}

/// Makes the name of a new or renamed file durable: without this a loss of power may take the name, whatever the file holds.
///
/// # Errors
/// Its folder cannot be opened or written.
pub fn sync_names(path: &Path) -> Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    crate::system::sync_folder(folder)
}

/// Makes a folder and those above it that are not there, each of them durable.
///
/// # Errors
/// One cannot be made, or not be made durable.
pub fn make_folder(path: &Path) -> Result<()> {
    let missing: Vec<&Path> =
        path.ancestors().take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists()).collect();
    std::fs::create_dir_all(path)?;
    missing.into_iter().try_for_each(sync_names)
}

/// Everything in a folder whose name ends in this, in the order of names.
///
/// # Errors
/// The folder cannot be read, or not to its end: what was not seen must not be taken for not being there.
pub fn with_extension(folder: &Path, extension: &str) -> Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|end| end == extension) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

/// Opens a regular file, without waiting for anybody.
///
/// # Errors
/// It cannot be opened, or is a folder, a named pipe, a socket or a device.
pub fn open(path: &Path) -> Result<File> {
    // Looked at first, for a better message than that of opening; and again once it is open, for then nobody can change it.
    refuse_other(std::fs::metadata(path)?.file_type())?;
    let mut options = OpenOptions::new();
    options.read(true);
    crate::system::never_wait(&mut options);
    let file = options.open(path)?;
    refuse_other(file.metadata()?.file_type())?;
    Ok(file)
}

/// Opens a regular file to add to its end, without waiting for anybody; where none is, one that only its owner reads is made.
///
/// # Errors
/// It cannot be opened or made, or is a folder, a named pipe, a socket or a device.
pub fn append(path: &Path) -> Result<File> {
    regular_or_none(path)?;
    let mut options = OpenOptions::new();
    crate::system::never_wait(options.append(true).create(true).owner_only());
    let file = options.open(path)?;
    refuse_other(file.metadata()?.file_type())?;
    Ok(file)
}

/// Cuts off a file that is [open to add to its end](append) after so many bytes, durably. Through that handle Windows would
/// shorten nothing.
///
/// # Errors
/// Another file stands there now, it cannot be opened, or the disk did not take it.
pub fn cut(path: &Path, open: &File, bytes: u64) -> Result<()> {
    let mut options = OpenOptions::new();
    crate::system::never_wait(options.write(true));
    let file = options.open(path)?;
    if identity(&file)? != identity(open)? {
        return Err(Error::other("another file stands there now"));
    }
    file.set_len(bytes).and_then(|()| file.sync_all())
}

/// The bytes of a regular file, at most so many.
///
/// # Errors
/// As [`open`]; it is longer, or becomes longer while it is read.
pub fn read(path: &Path, most: u64) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.take(most + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        return Err(Error::new(
            ErrorKind::FileTooLarge,
            format!("it is more than {most} bytes long, and no more is read; is it the right file?"),
        ));
    }
    Ok(bytes)
}

fn refuse_other(kind: FileType) -> Result<()> {
    if kind.is_file() {
        return Ok(());
    }
    let what = crate::system::kind(kind);
    Err(Error::new(
        ErrorKind::InvalidInput,
        format!("it is {what}, and only regular files are used; copy what it gives into a file"),
    ))
}

/// Where large files that nobody keeps belong; it is on a disk where the folder for temporary files may be in memory.
const LARGE: &str = "/var/tmp";

/// A file without a name that its owner alone may read, and the folder that holds it.
///
/// # Errors
/// Neither folder for temporary files takes it; the last one that was tried.
pub fn nameless() -> std::result::Result<(File, PathBuf), (PathBuf, Error)> {
    let within = |folder: &Path| -> Result<File> {
        let file = tempfile::tempfile_in(folder)?;
        crate::system::keep_to_owner(&file)?;
        Ok(file)
    };
    let large = PathBuf::from(LARGE);
    if let Ok(file) = within(&large) {
        return Ok((file, large));
    }
    let folder = std::env::temp_dir();
    within(&folder).map(|file| (file, folder.clone())).map_err(|error| (folder, error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_open_to_add_to_is_cut_off_and_nothing_that_took_its_place() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("journal");
        std::fs::write(&path, "whole\ntor").expect("written");
        let open = append(&path).expect("open");
        cut(&path, &open, 6).expect("cut off");
        assert_eq!(std::fs::read_to_string(&path).expect("text"), "whole\n");
        std::fs::rename(&path, folder.path().join("moved")).expect("moved");
        std::fs::write(&path, "somebody else's").expect("written");
        let refused = cut(&path, &open, 6).expect_err("another file").to_string();
        assert_eq!(refused, "another file stands there now");
        assert_eq!(std::fs::read_to_string(&path).expect("text"), "somebody else's");
    }
}
