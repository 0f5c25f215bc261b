//! The power fails after each single flush to the disk of a whole sitting: what is there then goes on, or is closed, and no
//! record that was durable is gone. A disk may forget everything that it was not told to keep, names of files too.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::process::Command;

use earwitness::trial::register::{self, Entry, REGISTER};
use earwitness::trial::sittings::secret_file;
use earwitness::trial::{Sittings, verify};

use super::kit::{self, UTC};

/// The program with the disk's promises written down: the files that each flush makes durable, in order.
fn flushed(folder: &Path, log: &Path) -> Vec<Vec<u8>> {
    let shim = log.join("power.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/trial/power.c");
    let compiled = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&shim).arg(source).status();
    assert!(compiled.expect("a C compiler").success());
    let ran = Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .args(["run", ".", "--listener", "Ida", "--output", "silent", "--simulate", "0.8"])
        .current_dir(folder)
        .env("LD_PRELOAD", &shim)
        .env("POWER_OF", folder)
        .env("POWER_LOG", log)
        .output()
        .expect("it runs");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    std::fs::remove_file(shim).expect("removed");
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(log).expect("the log").map(|entry| entry.expect("an entry").path()).collect();
    files.sort();
    files.iter().map(|path| std::fs::read(path).expect("a piece of the log")).collect()
}

#[test]
fn a_sitting_survives_a_loss_of_power_after_each_flush() {
    let (folder, log) = (kit::folder(), kit::folder());
    let here = folder.path().canonicalize().expect("a path");
    crate::screen::rig::session(&here, "abx", 3, "", "");
    let flushes = flushed(&here, log.path());
    assert!(flushes.len() > 10, "{} flushes", flushes.len());
    let sittings = here.join("sittings").display().to_string();
    let mut bytes: HashMap<String, Vec<u8>> = HashMap::new();
    let mut names: BTreeMap<String, String> = BTreeMap::new();
    let (mut records, mut gone_on, mut closed, mut folder_is_there) = (0, 0, 0, false);
    for (number, flush) in flushes.iter().enumerate() {
        let end = flush.iter().position(|&byte| byte == b'\n').expect("a head");
        let head = std::str::from_utf8(&flush[..end]).expect("text");
        let (kind, of) = head.split_once(' ').expect("two words");
        if kind == "file" {
            bytes.insert(of.to_owned(), flush[end + 1..].to_vec());
        } else {
            let text = std::str::from_utf8(&flush[end + 1..]).expect("text");
            let entry =
                |line: &str| line.split_once(' ').map(|(inode, name)| (name.to_owned(), inode.to_owned()));
            let entries: BTreeMap<String, String> = text.lines().filter_map(entry).collect();
            if of == sittings {
                names = entries;
            } else {
                folder_is_there |= Path::new(of) == here && entries.contains_key("sittings");
            }
        }
        // What is left when the power comes back.
        let left = kit::folder();
        for (name, inode) in &names {
            let content = bytes.get(inode).map_or(&[][..], Vec::as_slice);
            std::fs::write(left.path().join(name), content).expect("written");
        }
        let register = register::read(left.path()).unwrap_or_else(|error| panic!("flush {number}: {error}"));
        let journals: Vec<&String> =
            names.keys().filter(|name| !name.starts_with('.') && *name != REGISTER).collect();
        assert!(journals.len() <= 1, "{journals:?}");
        let Some(name) = journals.first() else {
            assert_eq!(records, 0, "flush {number}: the journal is gone");
            continue;
        };
        let checked = verify::alone(&left.path().join(name));
        // A journal whose first record is not durable yet is empty, and its sitting one that never began.
        if checked.records == 0 {
            assert_eq!(records, 0, "flush {number}: its records are gone");
            continue;
        }
        assert!(folder_is_there, "flush {number}: the folder of sittings itself can be gone");
        assert!(checked.problems.is_empty(), "flush {number}: {:?}", checked.problems);
        assert!(checked.records >= records, "flush {number}: {} after {records} records", checked.records);
        records = checked.records;
        let announced = |entry: &Entry| matches!(entry, Entry::Opened { journal, .. } if journal == *name);
        assert!(register.entries.iter().any(announced), "flush {number}: nobody announced it");
        if checked.closing.is_some() {
            closed += 1;
            Sittings::lock(left.path(), UTC).expect("closed for good");
            assert!(!secret_file(left.path(), name).exists(), "flush {number}: an opened secret is left");
            assert!(verify::check(&left.path().join(name)).is_sound(), "flush {number}");
        } else {
            gone_on += 1;
            let lock = Sittings::lock(left.path(), UTC).expect("the folder is whole");
            let opened = lock.resume(name, UTC, kit::silent(), kit::secret(number as u64), None);
            opened.unwrap_or_else(|error| panic!("flush {number}: {error}"));
        }
    }
    assert!(gone_on > 4 && closed > 1, "{gone_on} went on, {closed} were closed");
}
