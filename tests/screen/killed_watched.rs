//! The real program with a witness at a second terminal, either side killed with SIGKILL at every kind of record, gone on
//! with, finished, held against the witness's copy.
//!
//! `EARWITNESS_KILLS=100` kills so many more times, after one record more or less each time.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use earwitness::trial::verify;

use super::killed::{Lines, durable};
use super::rig;
use crate::commands::{PROGRAM, earwitness};
use crate::trial::python;

/// Long enough for a busy machine; nothing waits for it when all is well.
const PATIENCE: Duration = Duration::from_secs(60);

/// What is asked in plain lines, and what is typed then.
const ANSWERS: [(&str, &str); 8] = [
    ("Press Enter: accept", "\n"),
    ("Press Enter: that is everybody", "\n"),
    ("Mara, your hand", "our hand\n"),
    ("Another hand", "\n"),
    ("Press Enter: start", "\n"),
    ("== Warm-up 1 of", "x\nwait 1.1\nanswer 1\nrecord\n"),
    ("== Trial ", "x\nwait 1.1\nanswer 1\nrecord\n"),
    ("== Nothing was played. ==", "leave\n"),
];

/// A sitting, its witness, and the folder of both.
struct Watched {
    folder: tempfile::TempDir,
    port: String,
    lines: Option<Lines>,
    witness: Option<Child>,
    /// Whole lines of the journal that were seen.
    kept: Vec<u8>,
}

impl Watched {
    fn new(trials: u32) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        rig::session(folder.path(), "abx", trials, "warm_up = 1", "");
        let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = free.local_addr().expect("an address").to_string();
        Self { folder, port, lines: None, witness: None, kept: Vec::new() }
    }

    fn here(&self) -> &Path {
        self.folder.path()
    }

    fn sit(&mut self) {
        let resume: &[&str] = if self.kept.is_empty() { &[] } else { &["--resume"] };
        let port = self.port.clone();
        let arguments = [&["--witness", "--listen", &port][..], resume].concat();
        self.lines = Some(Lines::start(self.here(), &arguments));
    }

    /// Starts the witness, once the sitting has said where.
    fn watch(&mut self) {
        let said = self.lines.as_ref().map(|lines| lines.said.lock().expect("nobody panicked").clone());
        let after = |what: &str| said.as_deref()?.split(what).nth(1)?.split_whitespace().next();
        let (Some(address), Some(code)) = (after("Address: "), after("Code: ")) else { return };
        let child = Command::new(PROGRAM)
            .args(["witness", address, code, "--name", "Jorin", "--copy", "copy.json"])
            .current_dir(self.here())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        self.witness = Some(child.expect("the witness starts"));
    }

    fn journal(&self) -> Option<PathBuf> {
        let mut names = std::fs::read_dir(self.here().join("sittings")).ok()?.filter_map(Result::ok);
        names.find_map(|entry| {
            Some(entry.path()).filter(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
        })
    }

    /// Types what is asked for, until one more record is on the disk; its kind, or `None` at the sitting's end.
    fn next_record(&mut self) -> Option<String> {
        let started = Instant::now();
        loop {
            if self.witness.is_none() {
                self.watch();
            }
            let bytes = self.journal().and_then(|path| std::fs::read(path).ok()).unwrap_or_default();
            let rest = bytes.get(self.kept.len()..).expect("a durable record is gone");
            if let Some(end) = rest.iter().position(|&byte| byte == b'\n') {
                let line = &rest[..=end];
                self.kept.extend_from_slice(line);
                let entry: serde_json::Value = serde_json::from_slice(line).expect("a whole record");
                return Some(entry["record"]["kind"].as_str().expect("a kind").to_owned());
            }
            let lines = self.lines.as_mut().expect("a sitting is on");
            let said = lines.said.lock().expect("nobody panicked").clone();
            let asked = ANSWERS
                .iter()
                .filter_map(|(asked, typed)| Some((said[lines.from..].find(asked)? + asked.len(), typed)));
            if let Some((at, typed)) = asked.min() {
                lines.from += at;
                lines.say(typed);
            }
            if lines.child.try_wait().expect("it is a child").is_some() {
                return None;
            }
            assert!(started.elapsed() < PATIENCE, "nothing goes on:\n{said}");
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    fn kill_sitting(&mut self) {
        self.lines.take().expect("a sitting is on").kill();
        let path = self.journal().expect("a journal");
        let kept = std::mem::take(&mut self.kept);
        self.kept = durable(&path, &kept);
        self.sit();
    }

    fn kill_witness(&mut self) {
        // The first record comes before anybody can be a witness.
        let Some(mut witness) = self.witness.take() else { return };
        witness.kill().expect("it runs");
        witness.wait().expect("it is gone");
    }

    /// Waits for the end of both, and holds everything against everything.
    fn finished(mut self, trials: u32) -> verify::Checked {
        let mut witness = self.witness.take().expect("a witness was there");
        assert!(witness.wait().expect("it ends").success(), "it saw the end");
        let names = std::fs::read_dir(self.here()).expect("a folder");
        let names: BTreeSet<_> = names.map(|entry| entry.expect("an entry").file_name()).collect();
        assert!(!names.iter().any(|name| name.to_string_lossy().ends_with(".secret")), "{names:?}");
        let path = self.journal().expect("a journal");
        python::agree(&path);
        let checked = crate::trial::kit::check(&path);
        assert_eq!(checked.problems, []);
        assert_eq!(checked.total().map(|total| total.trials), Some(trials.into()));
        let held = earwitness(self.here(), &["verify", ".", "--witness", "copy.json", "--json"]);
        assert_eq!(held.code, 0, "{}{}", held.out, held.err);
        let document: serde_json::Value = serde_json::from_str(&held.out).expect("JSON");
        let copy = &document["journals"][0]["witness_copies"][0];
        assert_eq!(copy["fits"], true, "{copy}");
        assert_eq!((&copy["trials"], &copy["of"]), (&trials.into(), &trials.into()), "{copy}");
        checked
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        // Nothing stays behind when an assertion fails.
        let sitting = self.lines.take().map(|lines| lines.child);
        for mut child in sitting.into_iter().chain(self.witness.take()) {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Plays a sitting in which one side is killed as soon as a record of each kind is on the disk, the first time it is there,
/// and then so many more times, a few records later each time; the kinds at which it was killed.
fn killed(trials: u32, kill: fn(&mut Watched)) -> (BTreeSet<String>, verify::Checked) {
    let more = std::env::var("EARWITNESS_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(0_usize);
    let mut watched = Watched::new(trials);
    watched.sit();
    let (mut kinds, mut since, mut round) = (BTreeSet::new(), 0, 0);
    while let Some(kind) = watched.next_record() {
        since += 1;
        // A sitting that was killed goes on with a fresh seal: five records up to the next answer.
        let again = round < more && since > 2 + round % 7;
        if kind != "closing" && (kinds.insert(kind) || again) {
            round += usize::from(again);
            since = 0;
            kill(&mut watched);
        }
    }
    (kinds, watched.finished(trials))
}

/// The same for each of these kinds. The sitting writes on while it is being killed, so a kind may be on the disk before its
/// turn: then another sitting is killed at it.
fn killed_at_each(wanted: &[&str], kill: fn(&mut Watched)) -> Vec<(usize, verify::Checked)> {
    let trials = if std::env::var_os("EARWITNESS_KILLS").is_some() { 30 } else { 2 };
    let (mut kinds, mut sittings) = (BTreeSet::new(), Vec::new());
    while sittings.len() < 3 && !wanted.iter().all(|kind| kinds.contains(*kind)) {
        let (these, checked) = killed(trials, kill);
        sittings.push((these.len(), checked));
        kinds.extend(these);
    }
    assert!(wanted.iter().all(|kind| kinds.contains(*kind)), "{kinds:?}");
    sittings
}

#[test]
fn a_sitting_killed_at_every_kind_of_record_goes_on_with_its_witness() {
    let wanted =
        ["opening", "accepted", "witness-joined", "hand", "sealed", "link-opened", "answer", "resumed"];
    for (kinds, checked) in killed_at_each(&wanted, Watched::kill_sitting) {
        assert!(checked.resumed as usize >= kinds, "{} times, {kinds} kinds", checked.resumed);
    }
}

#[test]
fn a_witness_killed_at_every_kind_of_record_comes_back_with_its_links() {
    let wanted = ["witness-joined", "hand", "sealed", "link-opened", "answer"];
    for (_, checked) in killed_at_each(&wanted, Watched::kill_witness) {
        assert_eq!(checked.resumed, 0, "the sitting went on all the time");
    }
}
