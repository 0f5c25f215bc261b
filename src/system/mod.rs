//! What is asked of the operating system beyond the standard library, in one place.
//!
//! Comes in: an open file, a limit, a piece of work. Goes out: what the system says or does of it. Must not know: what any of it
//! is for. Only this room names rustix, signal-hook and the standard library's modules of one system; `unix` and `windows` have the same
//! functions, which a test holds against each other.
//!
//! All of it was run on Linux. What macOS lacks is left out there; `.ci/elsewhere` checks that it compiles for macOS, where nobody has
//! run it. The functions for Windows are compiled in tests, and built by the same script, which tries the program under Wine; no
//! real Windows has run it.

use std::fs::OpenOptions;
use std::io::Write;

mod wide;
pub use wide::wide;

#[cfg(unix)]
mod unix;
#[cfg(unix)]
pub use unix::*;

#[cfg(any(windows, test))]
mod windows;
#[cfg(windows)]
pub use windows::*;

/// A way out that waits for no lock.
pub type Output = Box<dyn Write + Send>;

/// Files that their owner alone may read and write.
pub trait OwnerOnly {
    /// A file that is made with these options belongs to its owner alone, where the system keeps owners apart.
    fn owner_only(&mut self) -> &mut Self;
}

impl OwnerOnly for OpenOptions {
    fn owner_only(&mut self) -> &mut Self {
        for_owner(self);
        self
    }
}

#[cfg(test)]
mod tests {
    use std::fs::{File, FileType, OpenOptions};
    use std::io::{self, Write as _};
    use std::path::Path;

    use super::Output;

    /// A function that is missing for one system, or differs there, does not compile.
    macro_rules! both {
        ($($name:ident: $type:ty;)*) => {
            $({
                let _: [$type; 2] = [super::unix::$name, super::windows::$name];
            })*
        };
    }

    #[test]
    fn both_systems_have_the_same_functions() {
        both! {
            never_wait: fn(&mut OpenOptions);
            for_owner: fn(&mut OpenOptions);
            as_masked: fn(&mut tempfile::Builder<'_, '_>);
            keep_to_owner: fn(&File) -> io::Result<()>;
            set_mode: fn(&Path, u32) -> io::Result<()>;
            sync_folder: fn(&Path) -> io::Result<()>;
            identity: fn(&File) -> io::Result<(u64, u64)>;
            identity_at: fn(&Path) -> io::Result<(u64, u64)>;
            kind: fn(FileType) -> &'static str;
            keep_memory_private: fn();
            allow_files: fn(u64);
            processor_seconds: fn() -> f64;
            most_memory: fn() -> Option<u64>;
            umask: fn() -> u32;
            is_hung_up: fn(&io::Stdin) -> bool;
            on_request_to_end: fn(fn() -> bool) -> io::Result<()>;
            standard_output: fn() -> io::Result<Output>;
            quietly: fn(fn() -> u8) -> u8;
        }
        let typing = [
            super::unix::Typing::now().map(|typing| typing.hidden().set()).is_ok(),
            super::windows::Typing::now().map(|typing| typing.hidden().set()).is_ok(),
        ];
        // Whether a test has a terminal nobody knows; a console of Windows it has not.
        assert!(!typing[1], "{typing:?}");
        assert_eq!(super::windows::quietly(|| 3), super::unix::quietly(|| 3));
    }

    #[test]
    fn a_console_is_given_whole_characters() {
        let text = "1 Ω, 0.4 ± 0.1 dB 🎧\n";
        for length in 1..=text.len() {
            let (mut shown, mut pieces) = (String::new(), 0);
            let mut writer = super::windows::Text::new(|piece: &str| {
                shown.push_str(piece);
                pieces += 1;
                Ok(())
            });
            for piece in text.as_bytes().chunks(length) {
                writer.write_all(piece).expect("shown");
            }
            assert_eq!(shown, text, "in pieces of {length} bytes");
            assert!(pieces > 0 && pieces <= text.len().div_ceil(length));
        }
        let mut shown = Vec::new();
        let long = "±".repeat(30_000);
        super::windows::Text::new(|piece: &str| {
            shown.push(piece.to_owned());
            Ok(())
        })
        .write_all(long.as_bytes())
        .expect("shown");
        assert_eq!((shown.concat() == long, shown.iter().all(|piece| piece.len() <= 8192)), (true, true));
    }

    #[test]
    fn a_file_of_its_owner_is_closed_to_others_and_keeps_its_identity() {
        use super::{OwnerOnly as _, identity, identity_at};
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("secret");
        let file = OpenOptions::new().write(true).create_new(true).owner_only().open(&path).expect("made");
        let about = file.metadata().expect("there");
        assert_eq!(about.permissions().mode() & 0o777, 0o600);
        std::fs::rename(&path, folder.path().join("moved")).expect("moved");
        std::fs::write(&path, "another").expect("written");
        let ours = identity(&file).expect("told");
        assert_ne!(identity_at(&path).expect("told"), ours);
        assert_eq!(identity_at(&folder.path().join("moved")).expect("told"), ours);
        assert!(identity_at(&folder.path().join("nothing")).is_err());
        let link = folder.path().join("link");
        std::os::unix::fs::symlink(folder.path().join("moved"), &link).expect("a link");
        assert_ne!(identity_at(&link).expect("told"), ours);
    }
}
