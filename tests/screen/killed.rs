//! The real program in plain lines, killed with SIGKILL at chosen moments of a person's sitting, resumed, finished,
//! verified.

use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use earwitness::trial::{Record, journal, verify};

use super::rig;
use crate::commands::{PROGRAM, earwitness};
use crate::trial::python;

/// Long enough for a busy machine; nothing waits for it when all is well.
const PATIENCE: Duration = Duration::from_secs(60);

/// A sitting in plain lines whose two ends are pipes.
pub(super) struct Lines {
    pub(super) child: Child,
    typed: ChildStdin,
    pub(super) said: Arc<Mutex<String>>,
    /// Where the next thing that is waited for may begin.
    pub(super) from: usize,
}

impl Lines {
    pub(super) fn start(folder: &Path, more: &[&str]) -> Self {
        let mut child = Command::new(PROGRAM)
            .args(["run", ".", "--listener", "Mara", "--output", "silent", "--plain"])
            .args(more)
            .current_dir(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let said = Arc::new(Mutex::new(String::new()));
        let (mut out, heard) = (child.stdout.take().expect("a pipe"), Arc::clone(&said));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = out.read(&mut buffer) {
                heard.lock().expect("nobody panicked").push_str(&String::from_utf8_lossy(&buffer[..count]));
            }
        });
        let typed = child.stdin.take().expect("a pipe");
        Self { child, typed, said, from: 0 }
    }

    /// Waits until this is said, after what was waited for before.
    fn wait(&mut self, text: &str) {
        let started = Instant::now();
        loop {
            let said = self.said.lock().expect("nobody panicked").clone();
            if let Some(at) = said[self.from..].find(text) {
                self.from += at + text.len();
                return;
            }
            assert!(started.elapsed() < PATIENCE, "\"{text}\" never came:\n{said}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    pub(super) fn say(&mut self, lines: &str) {
        self.typed.write_all(lines.as_bytes()).expect("it reads");
    }

    /// SIGKILL: nothing can be tidied up.
    pub(super) fn kill(mut self) {
        self.child.kill().expect("it runs");
        self.child.wait().expect("it is gone");
    }

    /// Seals without another hand, and begins the counted trials.
    fn seal(&mut self) {
        self.wait("Mara, your hand");
        self.say("\n");
        self.wait("Another hand");
        self.say("\n");
        self.wait("== The trials that count ==");
        self.say("\n");
    }

    /// Goes on with a sitting that was cut off among its trials.
    fn resumed(folder: &Path, trial: u32) -> Self {
        let mut lines = Self::start(folder, &["--resume"]);
        lines.seal();
        lines.wait(&format!("== Trial {trial} of 6"));
        lines
    }
}

fn only_journal(folder: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder.join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
        .collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

fn answers(path: &Path) -> usize {
    let bytes = std::fs::read(path).unwrap_or_default();
    String::from_utf8_lossy(&bytes).lines().filter(|line| line.contains("\"kind\":\"answer\"")).count()
}

/// Insists that nothing that was durable is gone or changed; gives what is durable now.
pub(super) fn durable(path: &Path, kept: &[u8]) -> Vec<u8> {
    let bytes = std::fs::read(path).expect("the journal is there");
    assert!(bytes.starts_with(kept), "a durable record is gone");
    assert_eq!(crate::trial::kit::check(path).problems, []);
    let whole = bytes.iter().rposition(|&byte| byte == b'\n').expect("a whole line") + 1;
    bytes[..whole].to_vec()
}

#[test]
fn a_persons_sitting_killed_at_every_kind_of_moment_resumes_finishes_and_verifies() {
    crate::unless_sound_drops_out(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let here = folder.path();
        rig::session(here, "abx", 6, "", "");

        // While hands are typed.
        let mut lines = Lines::start(here, &[]);
        lines.wait("Press Enter: accept");
        lines.say("\n");
        lines.wait("Mara, your hand");
        lines.say("our hand\n");
        lines.wait("Another hand");
        lines.say("amber river\n");
        lines.wait("whose hand is this?");
        lines.say("Tomas\n");
        lines.wait("Hands so far");
        lines.wait("2 (Mara, Tomas)");
        lines.kill();
        let path = only_journal(here);
        let kept = durable(&path, b"");

        // Between two trials.
        let mut lines = Lines::start(here, &["--resume"]);
        lines.seal();
        lines.wait("== Trial 1 of 6 ==");
        lines.say("x\nwait 1.2\nanswer 1\nrecord\n");
        lines.wait("== Trial 2 of 6 ==");
        lines.kill();
        let kept = durable(&path, &kept);
        assert_eq!(answers(&path), 1);

        // As soon as an answer is in the file.
        let mut lines = Lines::resumed(here, 2);
        lines.say("x\nwait 1.2\nanswer 2\nrecord\n");
        let started = Instant::now();
        while answers(&path) < 2 {
            assert!(started.elapsed() < PATIENCE, "the answer is never written");
        }
        lines.kill();
        let kept = durable(&path, &kept);

        // In the middle of a trial: what was chosen and not recorded is gone, and nothing else.
        let mut lines = Lines::resumed(here, 3);
        lines.say("x\nwait 1.2\nanswer 1\n");
        lines.wait("Chosen: same as A");
        lines.kill();
        let kept = durable(&path, &kept);
        assert_eq!(answers(&path), 2);

        // In the middle of a write: the last line, an answer, is cut.
        let mut lines = Lines::resumed(here, 3);
        lines.say("x\nwait 1.2\nanswer 1\nrecord\n");
        lines.wait("== Trial 4 of 6 ==");
        lines.kill();
        let whole = durable(&path, &kept);
        let last =
            whole[..whole.len() - 1].iter().rposition(|&byte| byte == b'\n').expect("a line before") + 1;
        let half = last + (whole.len() - last) / 2;
        std::fs::write(&path, &whole[..half]).expect("the journal can be cut");
        let mut lines = Lines::resumed(here, 3);
        let torn =
            path.with_file_name(format!("{}.torn-1", path.file_name().expect("a name").to_string_lossy()));
        assert_eq!(std::fs::read(torn).expect("the torn bytes are kept"), &whole[last..half]);

        // Meanwhile nobody else can start one on this folder, nor on this sitting.
        for more in [&["--listener", "Tomas"][..], &["--listener", "Mara", "--resume"]] {
            let second =
                earwitness(here, &[&["run", ".", "--output", "silent", "--plain"][..], more].concat());
            assert_eq!(second.code, 2, "{}", second.out);
            assert!(second.err.contains("another sitting is going on"), "{}", second.err);
            assert!(second.err.contains("end it or wait"), "{}", second.err);
        }

        for trial in 3..=6 {
            if trial > 3 {
                lines.wait(&format!("== Trial {trial} of 6 =="));
            }
            lines.say("x\nwait 1.2\nanswer 2\nrecord\n");
        }
        lines.wait("== Nothing was played. ==");
        lines.say("leave\n");
        assert_eq!(lines.child.wait().expect("it ends").code(), Some(0));
        durable(&path, &whole[..last]);
        python::agree(&path);
        let checked = crate::trial::kit::check(&path);
        assert_eq!((checked.resumed, checked.total().map(|total| total.trials)), (5, Some(6)));
        let hands: Vec<(&str, String)> =
            checked.hands.iter().map(|hand| (hand.by.as_str(), hand.text())).collect();
        assert_eq!(hands, [("Mara", "our hand".to_owned()), ("Tomas", "amber river".to_owned())]);
        let torn: Vec<u64> = journal::read(&path)
            .expect("it reads")
            .records
            .iter()
            .filter_map(|record| match record {
                Record::Resumed { torn_bytes, .. } => Some(*torn_bytes),
                _ => None,
            })
            .collect();
        assert_eq!(torn, [0, 0, 0, 0, (half - last) as u64]);
        let register = verify::register(&here.join("sittings"));
        assert_eq!(register.announced.len(), 1);
        assert_eq!(register.announced[0].closed.map(|(receipt, _)| receipt), checked.receipt);
        let ran = earwitness(here, &["verify", "."]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    });
}

#[test]
fn a_program_that_was_stopped_in_the_middle_of_sound_voids_the_trial() {
    use rustix::process::{Pid, Signal, kill_process};
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    rig::session(here, "abx", 6, "", "");
    let mut lines = Lines::start(here, &[]);
    lines.wait("Press Enter: accept");
    lines.say("\n");
    lines.seal();
    lines.wait("== Trial 1 of 6 ==");
    lines.say("x\nwait 0.3\n");
    let path = only_journal(here);
    std::thread::sleep(Duration::from_millis(200));
    let pid = Pid::from_raw(lines.child.id() as i32).expect("a process");
    let journal = || std::fs::read_to_string(&path).unwrap_or_default();
    assert!(!journal().contains("the sound dropped out"));
    kill_process(pid, Signal::STOP).expect("it stops");
    std::thread::sleep(Duration::from_millis(900));
    kill_process(pid, Signal::CONT).expect("it goes on");
    let started = Instant::now();
    while !journal().contains("the sound dropped out") {
        assert!(started.elapsed() < PATIENCE, "nobody noticed:\n{}", journal());
        std::thread::sleep(Duration::from_millis(5));
    }
    lines.say("x\nwait 1.2\nanswer 1\nrecord\n");
    lines.wait("== Trial 2 of 6 ==");
    lines.kill();
    let voids = journal::read(&path)
        .expect("it reads")
        .records
        .iter()
        .filter(|record| matches!(record, Record::Void { .. }))
        .count();
    assert_eq!((voids, answers(&path)), (1, 1));
}
