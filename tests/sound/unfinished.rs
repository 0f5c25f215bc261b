//! A render that is killed: what it leaves is never taken for a finished file, and goes when the next one begins.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::commands::material::{PAIR, RESISTOR, SYNTH, session, wav};
use crate::commands::{PROGRAM, earwitness};

/// A session whose render takes a while, in `folder/long`, and one that is quick, in `folder/quick`.
fn sessions(folder: &Path) {
    let data: Vec<u8> = (0..48_000_u32 * 60 * 4)
        .flat_map(|i| ((i.wrapping_mul(7919) % 20_011) as i16 - 10_000).to_le_bytes())
        .collect();
    for name in ["long", "quick"] {
        std::fs::create_dir(folder.join(name)).expect("a folder");
    }
    std::fs::write(folder.join("long/song.wav"), wav(48_000, 2, 16, 1, &data, data.len() as u32))
        .expect("a file");
    session(&folder.join("long"), "file = \"song.wav\"", PAIR, RESISTOR);
    session(&folder.join("quick"), SYNTH, PAIR, RESISTOR);
}

fn begin(folder: &Path, arguments: &[&str]) -> Child {
    Command::new(PROGRAM)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

/// Names in a folder, the unfinished ones first.
fn names(folder: &Path) -> (Vec<PathBuf>, Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else { return (Vec::new(), Vec::new()) };
    let mut names: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    names.sort();
    names.into_iter().partition(|path| path.extension().is_some_and(|extension| extension == "part"))
}

/// Waits until a process is writing sound into a folder.
fn wait_for_sound(child: &mut Child, folder: &Path) {
    loop {
        let written =
            names(folder).0.iter().any(|path| path.metadata().is_ok_and(|facts| facts.len() > 1000));
        if written {
            return;
        }
        assert!(child.try_wait().expect("a child").is_none(), "it ended before it was caught");
        std::thread::sleep(Duration::from_millis(1));
    }
}

fn whole(path: &Path) -> u32 {
    hound::WavReader::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display())).duration()
}

#[test]
fn what_a_killed_render_leaves_goes_with_the_next() {
    let folder = tempfile::tempdir().expect("a folder");
    sessions(folder.path());
    let out = folder.path().join("out");
    let mut child = begin(folder.path(), &["render", "long", "--out", "out", "--format", "s16"]);
    wait_for_sound(&mut child, &out);
    child.kill().expect("a child");
    child.wait().expect("a child");
    let (unfinished, finished) = names(&out);
    assert_eq!((unfinished.len(), finished.len()), (2, 0), "{unfinished:?} {finished:?}");
    // It is hidden, and nobody can take it for sound.
    let name = unfinished[0].file_name().expect("a name").to_string_lossy().into_owned();
    assert!(name.starts_with('.'), "{name}");
    for taken in [name.clone(), "taken.wav".to_owned()] {
        if taken != name {
            std::fs::copy(&unfinished[0], out.join(&taken)).expect("a copy");
        }
        session(&out, &format!("file = \"{taken}\""), PAIR, RESISTOR);
        let ran = earwitness(&out, &["check", "."]);
        assert_eq!(ran.code, 2, "{}", ran.out);
        assert!(ran.err.contains("again"), "{}", ran.err);
        std::fs::remove_file(out.join("session.toml")).expect("the file");
    }
    std::fs::remove_file(out.join("taken.wav")).expect("the file");
    // Files that only look a little like it are nobody's business.
    for other in [".earwitness-notes.txt", "take.part"] {
        std::fs::write(out.join(other), "mine").expect("a file");
    }
    let ran = earwitness(folder.path(), &["render", "quick", "--out", "out"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let (unfinished, finished) = names(&out);
    assert_eq!(unfinished, [out.join("take.part")]);
    assert_eq!(
        finished,
        [".earwitness-notes.txt", "one-none-song-a.wav", "one-none-song-b.wav"].map(|name| out.join(name))
    );
    assert_eq!((whole(&finished[1]), whole(&finished[2])), (96_000, 96_000));
}

#[cfg(unix)]
#[test]
fn a_render_that_is_still_going_on_is_not_disturbed() {
    let folder = tempfile::tempdir().expect("a folder");
    sessions(folder.path());
    let out = folder.path().join("out");
    let mut child = begin(folder.path(), &["render", "long", "--out", "out", "--format", "s16"]);
    wait_for_sound(&mut child, &out);
    // Held still, so that it is certainly in the middle of its work while the other one begins and ends.
    let signal = |name: &str| {
        let sent = Command::new("kill").args([name, &child.id().to_string()]).status().expect("kill");
        assert!(sent.success());
    };
    signal("-STOP");
    let before = names(&out).0;
    std::fs::create_dir(out.join("sub")).expect("a folder");
    // The same folder, other names.
    let text = std::fs::read_to_string(folder.path().join("quick/session.toml")).expect("a session");
    std::fs::write(folder.path().join("quick/session.toml"), text.replace("one-none", "quick"))
        .expect("a session");
    let ran = earwitness(folder.path(), &["render", "quick", "--out", "out"]);
    let after = names(&out).0;
    signal("-CONT");
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(before, after);
    assert!(child.wait().expect("a child").success());
    let (unfinished, finished) = names(&out);
    assert_eq!(unfinished, [] as [PathBuf; 0]);
    let lengths: Vec<u32> = finished.iter().filter(|path| path.is_file()).map(|path| whole(path)).collect();
    assert_eq!(lengths, [48_000 * 60 * 2, 48_000 * 60 * 2, 96_000, 96_000]);
}

#[test]
fn what_a_killed_sitting_leaves_of_its_recording_goes_too() {
    let folder = tempfile::tempdir().expect("a folder");
    sessions(folder.path());
    let rooms = folder.path().join("rooms");
    std::fs::create_dir(&rooms).expect("a folder");
    let sitting =
        ["run", "long", "--listener", "Nora", "--simulate", "0.8", "--new", "--output", "rooms/heard.wav"];
    let mut child = begin(folder.path(), &sitting);
    wait_for_sound(&mut child, &rooms);
    child.kill().expect("a child");
    child.wait().expect("a child");
    let (unfinished, finished) = names(&rooms);
    assert_eq!((unfinished.len(), finished.len()), (1, 0), "{unfinished:?} {finished:?}");
    let ran = earwitness(folder.path(), &["render", "quick", "--out", "rooms"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(names(&rooms).0, [] as [PathBuf; 0]);
}
