//! The player and the real program on a sound device that runs in real time: a PulseAudio null sink behind ALSA, recorded
//! from its monitor.
//!
//! ALSA is set up through the environment, so whatever plays does so in a process of its own: the program, or this test
//! binary again, with a role.

mod account;
mod library;
mod program;

use std::ffi::OsStr;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Scenarios are timed, so one at a time.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

/// Long enough for a busy machine; nothing waits for it when all is well.
const PATIENCE: Duration = Duration::from_secs(60);

/// A sound device of the tests' own.
pub(crate) struct VirtualDevice {
    folder: PathBuf,
    pub(crate) environment: Vec<(String, String)>,
    recorder: Option<Child>,
    _guard: MutexGuard<'static, ()>,
    _root: tempfile::TempDir,
}

fn script(verb: &str, folder: &Path, settings: &[(&str, &str)]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/virtual-device.sh");
    let output = Command::new("sh")
        .arg(script)
        .arg(verb)
        .arg(folder)
        .envs(settings.iter().copied())
        .output()
        .expect("sh runs");
    assert!(
        output.status.success(),
        "the virtual device needs pulseaudio, pulseaudio-utils and libasound2-plugins: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("text")
}

impl VirtualDevice {
    pub(crate) fn start(settings: &[(&str, &str)]) -> Self {
        let guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let root = tempfile::tempdir().expect("a folder");
        let folder = root.path().join("device");
        let environment = script("start", &folder, settings)
            .lines()
            .filter_map(|line| line.split_once('='))
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        Self { folder, environment, recorder: None, _guard: guard, _root: root }
    }

    fn plug_in_again(&self) {
        script("start", &self.folder, &[]);
    }

    fn unplug(&self) {
        script("unplug", &self.folder, &[]);
    }

    fn daemon(&self) -> String {
        std::fs::read_to_string(self.folder.join("pid")).expect("a process id").trim().to_owned()
    }

    /// Records what is played, at this rate and in this format of the sink's.
    fn record(&mut self, rate: &str, format: &str) -> PathBuf {
        let path = self.folder.join("played.raw");
        let recorder = playing("parec")
            .args(["-d", "bench.monitor", "--raw", "--channels=2", "--latency-msec=50"])
            .arg(format!("--format={format}"))
            .arg(format!("--rate={rate}"))
            .envs(self.environment.iter().cloned())
            .stdout(File::create(&path).expect("a file"))
            .spawn()
            .expect("parec runs");
        self.recorder = Some(recorder);
        std::thread::sleep(Duration::from_millis(500));
        path
    }

    fn stop_recording(&mut self) {
        if let Some(mut recorder) = self.recorder.take() {
            std::thread::sleep(Duration::from_millis(300));
            let _ = recorder.kill();
            let _ = recorder.wait();
        }
    }
}

impl Drop for VirtualDevice {
    fn drop(&mut self) {
        self.stop_recording();
        script("stop", &self.folder, &[]);
    }
}

/// A program that plays or records: before other work where that is allowed, so that a busy machine does not make it stutter.
pub(crate) fn playing(program: impl AsRef<OsStr>) -> Command {
    let mut command = Command::new("sh");
    command.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/before-others.sh")).arg(program);
    command
}

/// Sends a signal to a process that this test started.
fn signal(name: &str, process: &str) {
    assert!(Command::new("kill").args([name, process]).status().expect("kill runs").success());
}

fn pause(milliseconds: u64) {
    std::thread::sleep(Duration::from_millis(milliseconds));
}

/// Lines that a process prints, which can be waited for.
struct Lines {
    incoming: Receiver<String>,
    heard: Vec<String>,
}

impl Lines {
    fn of(output: ChildStdout) -> Self {
        let (sender, incoming) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(output).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Self { incoming, heard: Vec::new() }
    }

    /// Waits for a line with these words.
    fn wait_for(&mut self, wanted: &str) -> String {
        self.wait_for_one_of(&[wanted])
    }

    /// Waits for a line with the words of one of these.
    fn wait_for_one_of(&mut self, wanted: &[&str]) -> String {
        let start = Instant::now();
        while let Ok(line) = self.incoming.recv_timeout(PATIENCE.saturating_sub(start.elapsed())) {
            self.heard.push(line.clone());
            if wanted.iter().any(|words| line.contains(words)) {
                return line;
            }
        }
        panic!("{wanted:?} was not said, only:\n{}", self.heard.join("\n"));
    }

    /// Whether a line with these words has been said since the last look, without waiting for one.
    fn has_said(&mut self, words: &str) -> bool {
        let news: Vec<String> = self.incoming.try_iter().collect();
        let said = news.iter().any(|line| line.contains(words));
        self.heard.extend(news);
        said
    }

    /// Everything that was said until the process ended.
    fn all(mut self) -> String {
        self.heard.extend(self.incoming.iter());
        self.heard.join("\n")
    }
}
