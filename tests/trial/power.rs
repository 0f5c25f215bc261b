//! The power fails after each single flush to the disk of a whole sitting: what is there then goes on, or is closed, and no
//! record that was durable is gone. A disk may forget everything that it was not told to keep, names of files too.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::process::Command;

use earwitness::trial::register::{self, Entry, REGISTER};
use earwitness::trial::sittings::secret_file;
use earwitness::trial::{Sittings, verify};

use super::kit::{self, Resume as _, UTC};

const RUN: [&str; 7] = ["run", ".", "--listener", "Ida", "--output", "silent", "--simulate"];

/// The program with the disk's promises written down: the files that each flush makes durable, in order.
fn flushed(folder: &Path, log: &Path, arguments: &[&str]) -> Vec<Vec<u8>> {
    let shim = log.join("power.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/trial/power.c");
    let compiled = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&shim).arg(source).status();
    assert!(compiled.expect("a C compiler").success());
    let ran = Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .args(arguments)
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

/// What one flush made durable.
enum Kept {
    File {
        inode: String,
        content: Vec<u8>,
    },
    /// A folder, and the inode of each name in it.
    Names {
        of: String,
        entries: BTreeMap<String, String>,
    },
}

fn kept(flush: &[u8]) -> Kept {
    let end = flush.iter().position(|&byte| byte == b'\n').expect("a head");
    let head = std::str::from_utf8(&flush[..end]).expect("text");
    let (kind, of) = head.split_once(' ').expect("two words");
    if kind == "file" {
        return Kept::File { inode: of.to_owned(), content: flush[end + 1..].to_vec() };
    }
    let text = std::str::from_utf8(&flush[end + 1..]).expect("text");
    let entry = |line: &str| line.split_once(' ').map(|(inode, name)| (name.to_owned(), inode.to_owned()));
    Kept::Names { of: of.to_owned(), entries: text.lines().filter_map(entry).collect() }
}

/// Everything below a folder, folders before what is in them.
fn below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        found.push(path.clone());
        if path.is_dir() {
            found.extend(below(&path));
        }
    }
    found
}

#[test]
fn what_a_command_wrote_is_durable_with_its_name_when_it_ends() {
    use std::os::unix::fs::MetadataExt as _;
    let here = kit::folder();
    let here = here.path().canonicalize().expect("a path");
    crate::screen::rig::session(&here, "abx", 3, "", "");
    // A sitting that is cut off in the middle of a write, to be resumed.
    let script = format!("trap '' XFSZ; ulimit -f 3; exec \"$0\" {} 0.8", RUN.join(" "));
    let cut = Command::new("bash")
        .args(["-c", &script, env!("CARGO_BIN_EXE_earwitness")])
        .current_dir(&here)
        .output();
    assert_eq!(cut.expect("bash").status.code(), Some(2));
    let inode = |path: &Path| std::fs::metadata(path).expect("it is there").ino().to_string();
    let content = |path: &Path| path.is_file().then(|| std::fs::read(path).expect("a file"));
    let (simulated, resumed) = ([&RUN[..], &["0.8"]].concat(), [&RUN[..], &["0.8", "--resume"]].concat());
    let commands: [&[&str]; 7] = [
        &["new", "deep/bet"],
        &resumed,
        &simulated,
        &["report", ".", "--archive", "all.tar", "--figures", "figures"],
        &["night", ".", "--ballots", "ballots.html"],
        &["predict", ".", "--plot", "plot.svg"],
        &["bench", "sweep", "--out", "sweep.wav"],
    ];
    for arguments in commands {
        let state =
            || below(&here).into_iter().map(|path| (inode(&path), content(&path), path)).collect::<Vec<_>>();
        let before = state();
        let log = kit::folder();
        let (mut bytes, mut names) = (HashMap::new(), HashMap::new());
        for flush in flushed(&here, log.path(), arguments) {
            match kept(&flush) {
                Kept::File { inode, content } => drop(bytes.insert(inode, content)),
                Kept::Names { of, entries } => drop(names.insert(PathBuf::from(of), entries)),
            }
        }
        let changed: Vec<_> = state().into_iter().filter(|now| !before.contains(now)).collect();
        assert!(!changed.is_empty(), "{arguments:?} wrote nothing");
        for (inode, content, path) in changed {
            let what = format!("{arguments:?}: {}", path.display());
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            // A lock says nothing, and is made again.
            if name == ".lock" {
                continue;
            }
            if let Some(content) = content {
                assert!(bytes.get(&inode) == Some(&content), "{what}: what is in it can be gone");
            }
            if before.iter().all(|(was, _, _)| *was != inode) {
                let parent = path.parent().expect("a folder");
                let durable =
                    names.get(parent).and_then(|entries: &BTreeMap<String, String>| entries.get(&name));
                assert_eq!(durable, Some(&inode), "{what}: its name can be gone");
            }
        }
    }
}

#[test]
fn a_sitting_survives_a_loss_of_power_after_each_flush() {
    let (folder, log) = (kit::folder(), kit::folder());
    let here = folder.path().canonicalize().expect("a path");
    crate::screen::rig::session(&here, "abx", 3, "", "");
    let flushes = flushed(&here, log.path(), &[&RUN[..], &["0.8"]].concat());
    assert!(flushes.len() > 10, "{} flushes", flushes.len());
    let sittings = here.join("sittings").display().to_string();
    let mut bytes: HashMap<String, Vec<u8>> = HashMap::new();
    let mut names: BTreeMap<String, String> = BTreeMap::new();
    let (mut records, mut gone_on, mut closed, mut folder_is_there) = (0, 0, 0, false);
    for (number, flush) in flushes.iter().enumerate() {
        match kept(flush) {
            Kept::File { inode, content } => drop(bytes.insert(inode, content)),
            Kept::Names { of, entries } if of == sittings => names = entries,
            Kept::Names { of, entries } => {
                folder_is_there |= Path::new(&of) == here && entries.contains_key("sittings");
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
            assert!(kit::check(&left.path().join(name)).is_sound(), "flush {number}");
        } else {
            gone_on += 1;
            let lock = Sittings::lock(left.path(), UTC).expect("the folder is whole");
            let opened = lock.resume(name, UTC, kit::silent(), kit::secret(number as u64), None);
            opened.unwrap_or_else(|error| panic!("flush {number}: {error}"));
        }
    }
    assert!(gone_on > 4 && closed > 1, "{gone_on} went on, {closed} were closed");
}
