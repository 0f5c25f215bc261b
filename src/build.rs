//! Tells the program what it is built from: the digest of its sources, and in a release build the commit. Journals name both.
//!
//! The digest is that of `find Cargo.lock Cargo.toml src -type f | LC_ALL=C sort | xargs sha256sum | sha256sum` in the project's
//! folder, so anybody who has the sources can compute it, on any machine, without building.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use sha2::{Digest as _, Sha256};

fn main() {
    for path in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo::rerun-if-changed={path}");
    }
    println!("cargo::rustc-env=EARWITNESS_BUILD=source {}, {}", source(), commit());
}

/// SHA-256 over a line for each source file: its own SHA-256, two blanks, its name.
fn source() -> String {
    let mut files = vec![PathBuf::from("Cargo.lock"), PathBuf::from("Cargo.toml")];
    gather(Path::new("src"), &mut files);
    let mut names: Vec<String> =
        files.iter().map(|path| path.to_string_lossy().replace(std::path::MAIN_SEPARATOR, "/")).collect();
    names.sort();
    let mut list = String::new();
    for name in names {
        let bytes = std::fs::read(&name).unwrap_or_else(|error| panic!("{name} cannot be read: {error}"));
        let _ = writeln!(list, "{}  {name}", hex(&Sha256::digest(&bytes)));
    }
    hex(&Sha256::digest(list.as_bytes()))
}

fn gather(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("the folder of sources can be read") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            gather(&path, files);
        } else {
            files.push(path);
        }
    }
}

/// The commit of a release build, where the project's own repository and git are at hand.
fn commit() -> String {
    // While somebody works on it, each commit would have everything built anew, and sources say more.
    if std::env::var("PROFILE").as_deref() != Ok("release") {
        return "development build".to_owned();
    }
    let git = |arguments: &[&str]| -> Option<String> {
        let ran = Command::new("git").args(arguments).output().ok().filter(|ran| ran.status.success())?;
        Some(String::from_utf8_lossy(&ran.stdout).trim().to_owned())
    };
    let own = || {
        let top = git(&["rev-parse", "--show-toplevel"])?;
        let here = std::env::current_dir().ok()?.canonicalize().ok()?;
        (Path::new(&top).canonicalize().ok()? == here).then_some(())
    };
    let Some(head) = own().and_then(|()| git(&["rev-parse", "HEAD"])) else {
        return "commit not known where it was built".to_owned();
    };
    if let Some(log) = git(&["rev-parse", "--git-path", "logs/HEAD"]) {
        println!("cargo::rerun-if-changed={log}");
    }
    let changed = git(&["status", "--porcelain", "--", "src", "Cargo.toml", "Cargo.lock"]);
    let remark = if changed.is_none_or(|changed| !changed.is_empty()) { " and changes" } else { "" };
    format!("commit {head}{remark}")
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
