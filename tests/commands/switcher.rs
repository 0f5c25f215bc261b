//! Real cables under the seal: the real program and a simulated relay on a pseudo-terminal.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex};

use portable_pty::{PtySize, native_pty_system};

use crate::commands::{self, earwitness, material, refused, succeeded};

/// How the relay behaves.
const SOUND: u8 = 0;
const DEAD: u8 = 1;
/// Its contacts stick from the second presentation on, and it says `ok` all the same.
const STICKS: u8 = 2;
/// The same once.
const GLITCH: u8 = 3;
/// Lines of a sitting up to the second order to connect: parked at the start and at the attempt, apart, connected, apart,
/// each read back.
const LINES_BEFORE: usize = 10;

/// A relay on a pseudo-terminal that speaks the line protocol.
struct Relay {
    port: String,
    heard: Arc<Mutex<Vec<String>>>,
    behaviour: Arc<AtomicU8>,
    /// Keeps the terminal open between two runs of the program.
    _slave: Box<dyn portable_pty::SlavePty + Send>,
    _master: Box<dyn portable_pty::MasterPty + Send>,
}

impl Relay {
    fn start() -> Self {
        let pair = native_pty_system().openpty(PtySize::default()).expect("a pseudo-terminal");
        let port = pair.master.tty_name().expect("a name").to_string_lossy().into_owned();
        let reader = BufReader::new(pair.master.try_clone_reader().expect("a reader"));
        let mut writer = pair.master.take_writer().expect("a writer");
        let heard = Arc::new(Mutex::new(Vec::new()));
        let behaviour = Arc::new(AtomicU8::new(SOUND));
        let (log, how) = (Arc::clone(&heard), Arc::clone(&behaviour));
        std::thread::spawn(move || {
            let mut connected = "0".to_owned();
            for line in reader.lines() {
                let Ok(line) = line else { return };
                let before = {
                    let mut log = log.lock().expect("one writer");
                    log.push(line.clone());
                    log.len() - 1
                };
                let answer = match (how.load(Ordering::SeqCst), line.as_str()) {
                    (DEAD, _) => continue,
                    (_, "?") => connected.clone(),
                    (STICKS, _) if before >= LINES_BEFORE => "ok".to_owned(),
                    (GLITCH, _) if before == LINES_BEFORE => "ok".to_owned(),
                    (_, "0" | "1" | "2") => {
                        connected = line;
                        "ok".to_owned()
                    }
                    _ => "what?".to_owned(),
                };
                if writer.write_all(format!("{answer}\n").as_bytes()).is_err() {
                    return;
                }
            }
        });
        Self { port, heard, behaviour, _slave: pair.slave, _master: pair.master }
    }

    fn takes(&self) -> Vec<String> {
        std::mem::take(&mut self.heard.lock().expect("one reader"))
    }

    fn behaves(&self, how: u8) {
        self.behaviour.store(how, Ordering::SeqCst);
    }
}

pub(super) fn session(at: &Path, table: &str) {
    material::session(at, material::SYNTH, material::PAIR, material::RESISTOR);
    let file = at.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session").replace("trials = 6", "trials = 1");
    // A round lasts as long as four clips.
    let text = text.replace("length = \"2 s\"", "length = \"500 ms\"");
    std::fs::write(&file, format!("{text}\n[switcher]\nterminals = [\"one\", \"none\"]\n{table}\n"))
        .expect("the session");
}

pub(super) const RUN: [&str; 9] =
    ["run", ".", "--listener", "Una", "--simulate", "1", "--output", "silent", "--new"];

/// What went to the relay, the terminals alike.
fn masked(lines: &[String]) -> String {
    lines.join(" ").replace('2', "1")
}

#[test]
fn a_whole_sitting_switches_a_relay_by_the_same_bytes_whatever_is_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let relay = Relay::start();
    session(
        at,
        &format!("kind = \"serial\"\nport = \"{}\"\napart = \"200 ms\"\nsettle = \"200 ms\"", relay.port),
    );
    let tried = succeeded(at, &["check", ".", "--switch", "--output", "silent"]).out;
    assert!(tried.contains("connected each terminal twice"), "{tried}");
    let lines = relay.takes();
    assert_eq!(lines, ["0", "?", "1", "?", "2", "?", "1", "?", "2", "?", "0", "?"], "each is read back");
    let mut traffic = Vec::new();
    for _ in 0..2 {
        succeeded(at, &RUN);
        let lines = relay.takes();
        // Parked at the start, at each attempt and at the end; apart and connected for each of three slots and a
        // filling; each read back.
        let presentations = lines.iter().filter(|line| matches!(line.as_str(), "1" | "2")).count();
        assert_eq!(presentations, 4, "{lines:?}");
        assert_eq!(lines[lines.len() - 2..], ["0", "?"], "parked at the end: {lines:?}");
        for pair in lines.windows(4).filter(|lines| matches!(lines[2].as_str(), "1" | "2")) {
            assert_eq!((pair[0].as_str(), pair[1].as_str(), pair[3].as_str()), ("0", "?", "?"), "{lines:?}");
        }
        traffic.push(lines);
    }
    assert_eq!(masked(&traffic[0]), masked(&traffic[1]), "only the number of the terminal follows the draw");
    succeeded(at, &["verify", "."]);
    let said = commands::json(at, &["report", ".", "--json"]).to_string();
    assert!(said.contains("Real cables are switched"), "{said}");
    assert!(!said.contains("the stimuli were made from a difference"), "nothing of the circuit was played");
}

#[test]
fn a_relay_that_dies_or_lies_voids_the_attempt_and_stops_the_sitting_and_nothing_is_lost() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let relay = Relay::start();
    session(
        at,
        &format!("kind = \"serial\"\nport = \"{}\"\napart = \"200 ms\"\nsettle = \"200 ms\"", relay.port),
    );
    let journal = || {
        let all = std::fs::read_dir(at.join("sittings"))
            .expect("a folder")
            .filter_map(|entry| Some(entry.ok()?.path()));
        let mut journals: Vec<_> = all.filter(|path| path.to_string_lossy().ends_with("Una.jsonl")).collect();
        journals.sort();
        std::fs::read_to_string(journals.last().expect("a journal")).expect("the journal")
    };
    // It fails once: the attempt is void and repeated, and the sitting goes on.
    relay.behaves(GLITCH);
    succeeded(at, &RUN);
    let written = journal();
    assert!(
        written.contains("\"void\"") && written.contains("did not connect what it was told to"),
        "{written}"
    );
    assert!(written.contains("\"closing\""), "{written}");
    // It lies for good: it says ok and does not move.
    relay.takes();
    relay.behaves(STICKS);
    let stopped = earwitness(at, &RUN);
    assert_ne!(stopped.code, 0, "{}", stopped.out);
    assert!(
        stopped.err.contains("did not connect what it was told to") && stopped.err.contains("Amplifier off"),
        "{}",
        stopped.err
    );
    let written = journal();
    assert!(written.contains("\"void\"") && !written.contains("\"closing\""), "{written}");
    assert!(written.contains("3 times in a row: it stops here"), "{written}");
    // It is mended: the sitting goes on where it stopped.
    relay.behaves(SOUND);
    let mut resumed = RUN[..8].to_vec();
    resumed.push("--resume");
    succeeded(at, &resumed);
    succeeded(at, &["verify", "."]);
    // It is dead: nothing begins.
    relay.behaves(DEAD);
    refused(at, &RUN, &["did not answer"]);
}

#[test]
fn a_program_of_ones_own_switches_too_and_mistakes_are_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    session(
        at,
        "kind = \"command\"\ncommand = [\"sh\", \"-c\", \"echo {terminal} >> switched.txt\"]\napart = \"300 ms\"\nsettle = \"300 ms\"",
    );
    let checked = succeeded(at, &["check", ".", "--full", "--output", "silent"]).out;
    let checked = checked.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(checked.contains("terminal 1 is one") && checked.contains("break before make"), "{checked}");
    succeeded(at, &RUN);
    let switched = std::fs::read_to_string(at.join("switched.txt")).expect("the program ran");
    assert_eq!(switched.lines().filter(|line| *line != "0").count(), 4, "{switched}");
    for (table, words) in [
        ("kind = \"serial\"", vec!["port"]),
        ("kind = \"command\"\ncommand = [\"./switch\"]", vec!["{terminal}"]),
        ("kind = \"serial\"\nport = \"x\"\nsettle = \"1 ms\"", vec!["settle"]),
    ] {
        session(at, table);
        refused(at, &["check", "."], &words);
    }
    // A person takes his time: four presentations of 40 s and what a clip of half a second plays.
    session(at, "kind = \"operator\"\napart = \"20 s\"\nsettle = \"20 s\"\nspread = \"0 s\"");
    let document = super::json(at, &["check", ".", "--json", "--output", "silent"]);
    let rounds = &document["rounds"];
    let (round_s, trials) = (rounds["round_s"].as_f64().unwrap(), rounds["trials"].as_f64().unwrap());
    assert_eq!(rounds["presentations"], 4, "{rounds}");
    assert!((round_s / 161.68 - 1.0).abs() < 1e-9 && rounds["sitting_s"] == trials * round_s, "{rounds}");
    let text = std::fs::read_to_string(at.join("session.toml")).expect("the session");
    std::fs::write(at.join("session.toml"), text.replace("trials = 1\n", "trials = 8\n"))
        .expect("the session");
    let planned = succeeded(at, &["plan", "--session", "."]).out;
    let planned = planned.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(planned.contains("Time: a round has 4 presentations and takes about 3 min."), "{planned}");
    let checked = succeeded(at, &["check", ".", "--output", "silent"]).out;
    assert!(
        checked.contains("a round has 4 presentations") && !checked.contains("at most about"),
        "{checked}"
    );
    // A rule may end the sitting early: what is said of its time is the most.
    let text = std::fs::read_to_string(at.join("session.toml")).expect("the session");
    let rule =
        "trials = 40\nstopping = { kind = \"sequential\", alpha = 0.05, beta = 0.2, proportion = 0.8 }\n";
    std::fs::write(at.join("session.toml"), text.replace("trials = 8\n", rule)).expect("the session");
    let full = ["check", ".", "--full", "--output", "silent"];
    for line in [&["plan", "--session", "."][..], &["check", ".", "--output", "silent"], &full] {
        let said = succeeded(at, line).out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("each of at most 40 trials: at most about 108 min"), "{line:?}: {said}");
    }
    session(at, "kind = \"serial\"\nport = \"/dev/nothing-here\"");
    refused(at, &RUN, &["/dev/nothing-here", "cannot be reached"]);
    material::session(at, material::SYNTH, material::PAIR, material::RESISTOR);
    refused(at, &["check", ".", "--switch", "--output", "silent"], &["[switcher]"]);
    session(at, "kind = \"operator\"");
    refused(at, &["check", ".", "--switch", "--output", "silent"], &["a person", "--simulate"]);
    session(at, "kind = \"serial\"\nport = \"/dev/nothing-here\"");
    refused(at, &["audition", ".", "--plain", "--output", "silent"], &["switch"]);
}
