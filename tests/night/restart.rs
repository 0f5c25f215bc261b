//! The real program, killed in the middle of voting and started again.

use std::collections::HashMap;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use earwitness::trial::{Record, journal};

use super::stage::{self, Phone, join, raw, request};

/// A running `earwitness night --plain`.
pub(super) struct Program {
    pub(super) child: Child,
    typed: ChildStdin,
    said: Receiver<String>,
}

impl Program {
    pub(super) fn start(folder: &Path, more: &[&str]) -> Self {
        Self::of(Command::new(env!("CARGO_BIN_EXE_earwitness")), folder, more)
    }

    fn of(mut command: Command, folder: &Path, more: &[&str]) -> Self {
        let mut child = command
            .arg("night")
            .arg(folder)
            .args(["--plain", "--output", "silent", "--gap", "0.05", "--vote-time", "600"])
            .args(more)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let typed = child.stdin.take().expect("its input");
        let (sender, said) = channel();
        let out = child.stdout.take().expect("its output");
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self { child, typed, said }
    }

    pub(super) fn say(&mut self, line: &str) {
        writeln!(self.typed, "{line}").expect("the program listens");
    }

    /// Waits for a line that begins so, and returns the rest of it.
    pub(super) fn wait_for(&self, beginning: &str) -> String {
        let mut seen = Vec::new();
        loop {
            match self.said.recv_timeout(Duration::from_secs(60)) {
                Ok(line) => {
                    if let Some(rest) = line.strip_prefix(beginning) {
                        return rest.trim().to_owned();
                    }
                    seen.push(line);
                }
                Err(error) => panic!("no line begins with {beginning:?} ({error}); there were {seen:#?}"),
            }
        }
    }

    /// Waits until votes are taken. A trial that is void since this machine stood still is played again.
    pub(super) fn wait_for_votes(&mut self) {
        loop {
            let phase = self.wait_for("phase ");
            if phase.starts_with("voting") {
                return;
            }
            if !phase.starts_with("presenting") {
                self.say("next");
            }
        }
    }

    fn address(&self) -> (SocketAddr, String) {
        let join = self.wait_for("join http://");
        let (address, code) = join.split_once("/#").expect("an address and a code");
        (address.parse().expect("an address"), code.to_owned())
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_process_with_a_secret_leaves_no_core_dump_and_swaps_nothing_out_where_it_may() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let program = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    assert_eq!(program.wait_for("preparing"), "the stimuli");
    program.address();
    let of_process = |file: &str| {
        std::fs::read_to_string(format!("/proc/{}/{file}", program.child.id())).expect("a running process")
    };
    let limits = of_process("limits");
    let limit = |name: &str| {
        let line = limits.lines().find(|line| line.starts_with(name)).expect("a limit");
        line[name.len()..].split_whitespace().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(limit("Max core file size")[..2], ["0", "0"], "{limits}");
    let status = of_process("status");
    let locked = status.lines().find(|line| line.starts_with("VmLck:")).expect("locked memory");
    let some = locked.split_whitespace().nth(1) != Some("0");
    assert_eq!(some, limit("Max locked memory")[0] == "unlimited", "{locked}");
}

/// A night's own files, exchanged for what never gives an answer while its program was away.
#[test]
fn a_pipe_in_place_of_a_nights_file_is_refused_and_not_waited_for() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let listen = ["--listen", "127.0.0.1:0"];
    Program::start(folder.path(), &listen).address();
    let sittings = folder.path().join("sittings");
    let beside = |ending: &str| {
        let files = std::fs::read_dir(&sittings).expect("sittings").map(|file| file.expect("a file").path());
        files
            .into_iter()
            .find(|path| path.extension().is_some_and(|is| is == ending))
            .expect("a file of the night")
    };
    for ending in ["refused", "addresses", "passes", "secret"] {
        let (own, kept) = (beside(ending), folder.path().join("kept"));
        std::fs::rename(&own, &kept).expect("moved");
        assert!(Command::new("mkfifo").arg(&own).status().expect("mkfifo").success());
        let mut program = Program::start(folder.path(), &listen);
        let ended = (0..300).find_map(|_| {
            std::thread::sleep(Duration::from_millis(100));
            program.child.try_wait().expect("it ran")
        });
        let code = ended.unwrap_or_else(|| panic!("{ending}: it waits")).code();
        let mut said = String::new();
        program.child.stderr.take().expect("its messages").read_to_string(&mut said).expect("text");
        assert!(code == Some(2) && said.contains("a named pipe"), "{ending}: {code:?} {said}");
        std::fs::rename(&kept, &own).expect("moved back");
    }
    Program::start(folder.path(), &listen).address();
}

/// An attack of fifteen minutes: the secret is in the memory of a program of the attacker's own user.
#[cfg(target_os = "linux")]
#[test]
fn no_other_program_of_the_same_user_looks_into_a_process_with_a_secret() {
    use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, chown};
    use std::os::unix::process::CommandExt as _;
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    // The superuser may read everything, so tests that it runs are somebody else's here.
    let superuser = std::fs::metadata("/proc/self").expect("this process").uid() == 0;
    let program = folder.path().join("earwitness");
    std::fs::copy(env!("CARGO_BIN_EXE_earwitness"), &program).expect("copied");
    let as_somebody = |program: &Path| {
        let mut command = Command::new(program);
        if superuser {
            command.uid(65_534).gid(65_534);
        }
        command
    };
    if superuser {
        std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).expect("open to all");
        for path in [folder.path(), &folder.path().join("session.toml")] {
            chown(path, Some(65_534), Some(65_534)).expect("given away");
        }
    }
    let looks_into = |process: u32| {
        let mut command = as_somebody(Path::new("/bin/cat"));
        let looked = command.arg(format!("/proc/{process}/maps")).output().expect("cat runs");
        looked.status.success() && !looked.stdout.is_empty()
    };
    let mut ordinary = as_somebody(Path::new("/bin/sleep")).arg("60").spawn().expect("it starts");
    assert!(looks_into(ordinary.id()), "an ordinary process of the same user can be read");
    ordinary.kill().and_then(|()| ordinary.wait()).expect("ended");
    let program = Program::of(as_somebody(&program), folder.path(), &["--listen", "127.0.0.1:0"]);
    program.address();
    assert!(!looks_into(program.child.id()));
}

#[test]
fn a_locked_night_goes_on_and_ends_only_with_the_guests_passphrase() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let locked = ["--listen", "127.0.0.1:0", "--guest"];
    let mut program = Program::start(folder.path(), &locked);
    program.wait_for("== A guest locks the draws");
    for line in ["short", "aaaaaaaaaaaa", "lamp on the stairs", "lamp on the stairs"] {
        program.say(line);
    }
    program.address();
    program.say("next");
    program.wait_for("phase joining");
    program.say("next");
    program.wait_for("phase ready");
    program.child.kill().expect("it ran");
    drop(program);
    let sittings = folder.path().join("sittings");
    let secret = std::fs::read_dir(&sittings)
        .expect("sittings")
        .map(|file| file.expect("a file").path())
        .find(|path| path.extension().is_some_and(|extension| extension == "secret"))
        .expect("a secret");
    let text = std::fs::read_to_string(secret).expect("text");
    assert!(text.contains("\"locked\"") && !text.contains("secrets"), "{text}");

    // The host alone does not go on.
    let mut alone = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    alone.wait_for("== A guest unlocks the night");
    for guess in ["lamp", "stairs", "a lamp on the stairs"] {
        alone.say(guess);
    }
    assert_eq!(alone.child.wait().expect("it ends").code(), Some(2));
    let mut guest = Program::start(folder.path(), &["--listen", "127.0.0.1:0", "--guest"]);
    guest.wait_for("== A guest unlocks the night");
    guest.say("lamp on the stairs");
    guest.address();
    guest.say("stop");
    guest.say("confirm");
    guest.wait_for("the seal is open");
    guest.say("results");
    guest.wait_for("Receipt of the night:");
    drop(guest);
    let run = |arguments: &[&str]| crate::commands::earwitness(folder.path(), arguments);
    let held = run(&["verify", ".", "--passphrase", "lamp on the stairs"]);
    assert_eq!(held.code, 0, "{}{}", held.out, held.err);
    assert!(held.out.contains("passphrase: 2 of 2 records prove it"), "{}", held.out);

    // A night that nobody locked cannot be locked in the middle.
    stage::session(folder.path(), "abx", 3, "");
    let open = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    open.address();
    drop(open);
    let late = run(&["night", ".", "--plain", "--output", "silent", "--listen", "127.0.0.1:0", "--guest"]);
    assert_eq!(late.code, 2, "{}", late.out);
    assert!(late.err.contains("opened without a guest's passphrase"), "{}", late.err);
}

#[test]
fn killed_in_the_middle_of_voting_every_acknowledged_vote_is_there() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let mut program = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    let (address, code) = program.address();
    let phones: Vec<Phone> = (0..12)
        .map(|number| {
            let reply = join(address, &code, &format!("Listener {number}"), None);
            assert_eq!(reply.status, 200, "{reply:?}");
            Phone::seated(address, &reply)
        })
        .collect();
    program.say("next");
    program.wait_for("phase joining");
    program.say("next");
    program.wait_for("phase ready");
    program.say("next");
    program.wait_for_votes();

    let state = phones[0].state();
    let trial = state["trial"]["id"].as_str().expect("a trial");
    // Everybody votes and changes the vote again and again; at some moment the power goes.
    let child = program.child.id();
    let killer = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(60));
        let status = Command::new("kill").args(["-9", &child.to_string()]).status().expect("kill");
        assert!(status.success());
    });
    let acknowledged: Vec<HashMap<u64, (String, String)>> = std::thread::scope(|scope| {
        let threads: Vec<_> = phones
            .iter()
            .map(|phone| {
                scope.spawn(move || {
                    let mut acknowledged = HashMap::new();
                    for sequence in 1..=10_u64 {
                        let answer = if (sequence + u64::from(phone.seat)) % 2 == 0 { "a" } else { "b" };
                        let body =
                            serde_json::json!({ "trial": trial, "answer": answer, "sequence": sequence })
                                .to_string();
                        let bytes =
                            request(phone.address, "POST", "/vote", &[("Cookie", &phone.cookie)], &body);
                        match raw(phone.address, &bytes) {
                            Ok(reply) if reply.status == 200 => {
                                let receipt =
                                    reply.json()["vote"]["hex"].as_str().expect("a receipt").to_owned();
                                acknowledged.insert(sequence, (answer.to_owned(), receipt));
                            }
                            _ => break,
                        }
                        std::thread::sleep(Duration::from_millis(5));
                    }
                    acknowledged
                })
            })
            .collect();
        threads.into_iter().map(|thread| thread.join().expect("a phone")).collect()
    });
    killer.join().expect("killed");
    drop(program);
    let count: usize = acknowledged.iter().map(HashMap::len).sum();
    assert!(count > 0, "some votes were acknowledged before the end");

    // The same command resumes the night at the same address; every phone finds its seat and its last vote.
    let mut program = Program::start(folder.path(), &[]);
    program.wait_for("resumed");
    let (again, same_code) = program.address();
    assert_eq!((again, same_code), (address, code), "phones need no new address and no new code");
    let sittings = folder.path().join("sittings");
    let path = std::fs::read_dir(&sittings)
        .expect("the folder")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.to_string_lossy().ends_with("-host.jsonl"))
        .expect("the journal");
    let read = journal::read(&path).expect("a sound journal");
    let digests: Vec<String> = read.digests.iter().map(earwitness::trial::Digest::hex).collect();
    for (phone, votes) in phones.iter().zip(&acknowledged) {
        for (answer, receipt) in votes.values() {
            let place = digests
                .iter()
                .position(|digest| digest == receipt)
                .expect("an acknowledged vote is in the journal");
            assert!(
                matches!(&read.records[place], Record::Vote { seat, answer: said, .. } if *seat == phone.seat && said == answer)
            );
        }
        let state = phone.state();
        if let Some(last) = votes.keys().max() {
            // The very last vote may have been written and not acknowledged any more.
            assert!(state["sequence"].as_u64().expect("a number") >= *last);
            assert!(state["vote"].is_null(), "what was being presented is void: {state}");
        }
    }

    // A fresh secret is sealed, the trial comes again, and the evening ends as if nothing had happened.
    program.say("next");
    program.wait_for("phase ready");
    for _ in 0..4 {
        program.say("next");
        program.wait_for_votes();
        program.say("close");
        program.wait_for("phase");
    }
    program.say("next");
    program.wait_for("the seal is open");
    program.say("results");
    program.wait_for("The room:");
    program.say("quit");
    let status = program.child.wait().expect("it ends");
    assert!(status.success());
    let checked = crate::trial::kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    let left: Vec<_> = std::fs::read_dir(&sittings)
        .expect("the folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|name| name.ends_with(".secret"))
        .collect();
    assert!(left.is_empty(), "nothing secret is left: {left:?}");
}

#[test]
fn a_second_host_and_bad_options_end_with_2() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let program = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    program.address();
    let night = |more: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_earwitness"))
            .arg("night")
            .arg(folder.path())
            .args(["--plain", "--output", "silent"])
            .args(more)
            .stdin(Stdio::null())
            .output()
            .expect("the program runs")
    };
    let second = night(&["--listen", "127.0.0.1:0"]);
    assert_eq!(second.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&second.stderr).contains("one host at a time"));
    drop(program);
    for (options, word) in [
        (&["--gap", "0"][..], "--gap"),
        (&["--rounds", "0"], "--rounds"),
        (&["--vote-time", "9999"], "--vote-time"),
        (&["--listen", "0.0.0.0:0"], "--listen"),
        (&["--output", "trumpet"], "--output"),
        (&["--device", "D"], "--device"),
    ] {
        let output = night(options);
        assert_eq!(output.status.code(), Some(2), "{options:?}");
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(message.contains(word), "{options:?}: {message}");
    }
}

#[test]
fn ballots_are_printed_for_the_session() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "triangle", 2, "");
    let file = folder.path().join("ballots.html");
    let output = Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .arg("night")
        .arg(folder.path())
        .arg("--ballots")
        .arg(&file)
        .args(["--seats", "3", "--first-seat", "40"])
        .output()
        .expect("the program runs");
    assert!(output.status.success(), "{output:?}");
    let page = std::fs::read_to_string(&file).expect("a page");
    assert_eq!(page.matches("class=\"ballot\"").count(), 3);
    assert!(page.contains("Seat 42"));
    // A practice trial, two counted ones and a control, three alternatives each.
    assert_eq!(page.matches("class=\"box\"").count(), 3 * 4 * 3);
    assert!(!folder.path().join("sittings").exists(), "nothing was opened");
}

/// Starts the night again and waits until it is at this phase.
fn again(folder: &Path, phase: &str) -> Program {
    let program = Program::start(folder, &["--listen", "127.0.0.1:0"]);
    program.wait_for("resumed a night");
    program.wait_for(phase);
    program
}

/// What must be there after a power cut in any phase: seats, the door, what was removed, the place of the reveal.
#[test]
fn a_power_cut_in_any_phase_loses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 1, "");
    let cut = |mut program: Program| program.child.kill().expect("it ran");
    let mut program = Program::start(folder.path(), &["--listen", "127.0.0.1:0"]);
    program.wait_for("phase ");
    for line in ["paper 1 Ida", "paper 2 Ola", "door 9", "door shut", "remove 2"] {
        program.say(line);
    }
    program.wait_for("seat 2 was taken away");
    cut(program);
    let mut program = again(folder.path(), "phase welcome");
    program.say("next");
    program.wait_for("phase joining");
    program.say("ears");
    program.wait_for("phase open ears");
    cut(program);
    let mut program = again(folder.path(), "phase joining");
    program.say("status");
    assert!(program.wait_for("  2 ").contains("has left"), "the seat that was taken away");
    program.say("next");
    program.wait_for("phase ready");
    cut(program);
    // A restart seals anew.
    let mut program = again(folder.path(), "phase joining");
    program.say("next");
    program.wait_for("phase ready");
    program.say("next");
    program.wait_for("phase presenting");
    cut(program);
    let mut program = again(folder.path(), "phase joining");
    for (line, phase) in [("next", "phase ready"), ("break", "phase a break")] {
        program.say(line);
        program.wait_for(phase);
    }
    cut(program);
    let mut program = again(folder.path(), "phase joining");
    program.say("next");
    program.wait_for("phase ready");
    loop {
        program.say("next");
        let phase = program.wait_for("phase ");
        if phase.starts_with("presenting") {
            program.wait_for_votes();
            program.say("close");
            if program.wait_for("phase ").starts_with("counting") {
                break;
            }
        }
    }
    program.say("1 a b");
    program.say("status");
    program.wait_for("display ");
    cut(program);
    let mut program = again(folder.path(), "phase counting");
    program.say("next");
    program.wait_for("reveal 1 of ");
    for step in 2..=3 {
        program.say("next");
        program.wait_for(&format!("reveal {step} of "));
    }
    cut(program);
    // In the reveal: nothing is opened twice, and it goes on at its place.
    let refused = Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .arg("night")
        .arg(folder.path())
        .args(["--plain", "--output", "silent"])
        .output()
        .expect("the program runs");
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--show"));
    let mut shown = Program::start(folder.path(), &["--show", "--listen", "127.0.0.1:0"]);
    shown.wait_for("reveal 3 of ");
    shown.say("back");
    shown.wait_for("reveal 2 of ");
    shown.say("quit");
    assert!(shown.child.wait().expect("it ends").success());
    let journal = std::fs::read_dir(folder.path().join("sittings"))
        .expect("the folder")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.extension().is_some_and(|e| e == "jsonl") && !path.ends_with("register.jsonl"))
        .expect("a journal");
    let checked = crate::trial::kit::check(&journal);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.resumed, 6);
    assert_eq!(checked.answers.iter().filter(|answer| answer.answer.is_some()).count(), 2, "both from paper");
    let read = journal::read(&journal).expect("a journal");
    assert!(read.records.iter().any(|record| matches!(record, Record::Door { open: false, seats: 9, .. })));
}
