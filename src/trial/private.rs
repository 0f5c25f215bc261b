//! What nobody else may read before the closing: the folder of sittings, and the memory of the process that holds a secret.
//!
//! Who may read a folder of sittings: while one of them is open only its owner, afterwards whoever the umask lets.
//!
//! A journal says who answered what while others still answer, and its secret lies beside it. So the folder is 0700 from the
//! moment that it is locked until every sitting in it is closed, and each file made in it is 0600 until then. An unfinished
//! sitting keeps its folder closed to others, across cut-offs and restarts. A file system without permissions is used as it
//! is: there, other users of the machine are not kept out.

use std::path::Path;

use crate::system::{set_mode, umask};

/// Keeps the memory of this process, which is to hold a secret, off the disk and from other programs of the same user as far as the
/// system lets it. The superuser can still read it, and so can a debugger that was there before.
pub fn process() {
    crate::system::keep_memory_private();
}

/// Keeps others out of the folder.
pub(super) fn shut(folder: &Path) {
    // Without permissions there is nothing to shut; see above.
    let _ = set_mode(folder, 0o700);
}

/// Lets others in again, as far as the umask does: into the folder and to its journals, its register and the logs beside
/// them. Secrets and passes stay their owner's.
pub(super) fn unshut(folder: &Path) {
    let allowed = !umask();
    if let Ok(entries) = std::fs::read_dir(folder) {
        for entry in entries.filter_map(Result::ok) {
            let name = entry.file_name().to_string_lossy().into_owned();
            let public = !name.starts_with('.') && (name.contains(".jsonl") || name.ends_with(".refused"));
            if public && entry.file_type().is_ok_and(|kind| kind.is_file()) {
                let _ = set_mode(&entry.path(), 0o666 & allowed);
            }
        }
    }
    let _ = set_mode(folder, 0o777 & allowed);
}
