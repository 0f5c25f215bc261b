//! Files that a command writes appear under their names whole, or not at all.

use std::io::Write;
use std::path::Path;

use super::Failure;

/// What becomes of a file that is there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Existing {
    /// The new one takes its place.
    Replace,
    /// It stays; writing is refused with [`std::io::ErrorKind::AlreadyExists`].
    Keep,
}

/// Writes a file of this command's own, in the place of one that is there.
pub(super) fn write(path: &Path, text: &str) -> Result<(), Failure> {
    write_for(path, Readers::All, text)
}

/// The same, for nobody to read but this user.
pub(super) fn write_private(path: &Path, text: &str) -> Result<(), Failure> {
    write_for(path, Readers::Owner, text)
}

/// Who may read a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Readers {
    /// As other programs make files: what the user's mask leaves.
    All,
    /// This user.
    Owner,
}

fn write_for(path: &Path, readers: Readers, text: &str) -> Result<(), Failure> {
    with_readers(path, Existing::Replace, readers, |file| file.write_all(text.as_bytes()))
        .map_err(Failure::of_file(path, CANNOT))
}

/// Writes a file through `fill`, in the place of one that is there.
pub(super) fn replace(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<(), Failure> {
    with(path, Existing::Replace, fill).map_err(Failure::of_file(path, CANNOT))
}

const CANNOT: &str = "it cannot be written";

/// Makes the folder that a command writes into, where it is not there yet.
pub(super) fn folder(folder: &Path) -> Result<(), Failure> {
    if folder.is_file() {
        return Err(Failure::bad(format!("{}: this is a file, and a folder is needed", folder.display())));
    }
    crate::files::make_folder(folder).map_err(Failure::of_file(folder, "the folder cannot be made"))
}

/// Writes a file through `fill`: into a temporary one beside it, flushed to the disk, then named.
pub(super) fn with(
    path: &Path,
    existing: Existing,
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> std::io::Result<()> {
    with_readers(path, existing, Readers::All, fill)
}

fn with_readers(
    path: &Path,
    existing: Existing,
    readers: Readers,
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut temporary = tempfile::Builder::new();
    temporary.prefix(".earwitness-");
    // Without this only its owner reads it.
    if readers == Readers::All {
        crate::system::as_masked(&mut temporary);
    }
    let mut file = std::io::BufWriter::new(temporary.tempfile_in(folder)?);
    fill(&mut file)?;
    let file = file.into_inner().map_err(std::io::IntoInnerError::into_error)?;
    file.as_file().sync_all()?;
    match existing {
        Existing::Replace => file.persist(path),
        Existing::Keep => file.persist_noclobber(path),
    }
    .map_err(|error| error.error)?;
    crate::files::sync_names(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fails_in_the_middle_leaves_nothing_and_what_is_there_can_be_kept() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("file");
        let failed = with(&path, Existing::Replace, |file| {
            file.write_all(b"half")?;
            Err(std::io::Error::other("the disk is full"))
        });
        assert_eq!(failed.expect_err("it failed").to_string(), "the disk is full");
        assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 0, "nothing is left");
        write(&path, "first").expect("written");
        let kept = with(&path, Existing::Keep, |file| file.write_all(b"second"));
        assert_eq!(kept.expect_err("it is there").kind(), std::io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read_to_string(&path).expect("text"), "first");
        write(&path, "third").expect("written");
        assert_eq!(std::fs::read_to_string(&path).expect("text"), "third");
        assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 1);
    }
}
