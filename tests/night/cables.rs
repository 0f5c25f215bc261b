//! Real cables on a night, by relay and by an operator's page; who may be the operator; Chromium as the operator of a sitting.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use earwitness::ballot::Phase;
use earwitness::ballot::operating::{OperatorPage, State, mask};
use earwitness::ballot::witnessing::Code;
use earwitness::session::Session;
use earwitness::stimulus::StimulusSet;
use earwitness::switcher::{Switch, SwitchError, Terminal};
use earwitness::trial::{Digest, Record, journal, verify};
use earwitness::{evidence, report};

use super::restart::Program;
use super::stage::{Host, Phone, Recorder, Reply, raw, real_environment, request, request_of, stimuli};
use crate::commands::succeeded;
use crate::screen::cables::virtual_bench;

/// The operator, as a program: the page's requests, without the page.
struct Person {
    address: SocketAddr,
    code: Code,
    holder: String,
}

impl Person {
    fn of(invitation: &str, holder: &str) -> Self {
        let (host, code) = invitation.trim_start_matches("http://").split_once("/#").expect("a code");
        let holder = Digest::of(holder.as_bytes()).hex();
        Self { address: host.parse().expect("an address"), code: Code::new(code), holder }
    }

    fn ask(&self, method: &str, path: &str, body: &str) -> Reply {
        let key = self.code.proof("operate", &self.holder);
        raw(self.address, &request(self.address, method, path, &[("X-Operator", &key)], body))
            .expect("an answer")
    }

    fn join(&self) -> u16 {
        let (holder, proof) = (&self.holder, self.code.proof("operator", &self.holder));
        let body = serde_json::json!({ "holder": holder, "proof": proof }).to_string();
        self.ask("POST", "/operator-join", &body).status
    }

    fn state(&self) -> (State, String) {
        let reply = self.ask("GET", "/operator-state", "");
        assert_eq!(reply.status, 200, "{reply:?}");
        (serde_json::from_str(&reply.body).expect("a state"), reply.body)
    }

    fn done(&self, number: u64) -> u16 {
        let proof = self.code.proof("done", &format!("{number} {}", self.holder));
        let body = serde_json::json!({ "number": number, "proof": proof }).to_string();
        self.ask("POST", "/operator-done", &body).status
    }

    /// Does what is asked for until it is over or the test is; keeps what was asked.
    fn works(&self, awake: &AtomicBool, ends: &AtomicBool) -> Vec<String> {
        let mut seen = Vec::new();
        while !ends.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(15));
            let (state, body) = self.state();
            if state.task == "over" {
                break;
            }
            if !state.done && awake.load(Ordering::SeqCst) {
                let meant = (state.masked + 3 - mask(&self.code, &self.holder, state.number)) % 3;
                seen.push(format!("{} {meant} {}", state.task, body.len() - state.number.to_string().len()));
                assert_eq!(self.done(state.number), 200);
            }
        }
        seen
    }
}

/// The session of a night with real cables.
pub(super) fn cables(folder: &Path, table: &str) -> Session {
    let mut session = super::stage::session(folder, "abx", 1, "");
    let text = std::fs::read_to_string(folder.join("session.toml")).expect("the session");
    let text = format!("{text}\n[switcher]\nterminals = [\"bell\", \"none\"]\n{table}\n");
    std::fs::write(folder.join("session.toml"), &text).expect("written");
    session.switcher = earwitness::session::load(&folder.join("session.toml")).expect("sound").switcher;
    session.source = text;
    session
}

/// Both sides of the comparison are the same sound: a cable makes the difference.
pub(super) fn alike() -> StimulusSet {
    let mut set = stimuli();
    let pair = &mut set.pairs[0];
    (pair.b, pair.digest_b) = (pair.a.clone(), pair.digest_a);
    set
}

/// A relay in the test's own memory.
struct Relay(Arc<Mutex<Vec<Terminal>>>, Arc<AtomicBool>);

impl Switch for Relay {
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        self.0.lock().expect("the log").push(terminal);
        // It dies once, in the middle of a trial.
        let dies = terminal != Terminal::Parked && self.1.swap(false, Ordering::SeqCst);
        if dies { Err(SwitchError::NotConnected) } else { Ok(()) }
    }
}

/// How many sounds were presented over a cable before each closing of votes.
fn presentations(records: &[Record]) -> Vec<usize> {
    let of = |record: &Record| match record {
        Record::VotesClosed { listening, .. } => Some(listening.presented.as_ref().map_or(0, Vec::len)),
        _ => None,
    };
    records.iter().filter_map(of).collect()
}

/// Thirty phones hear a warm-up, a trial and a control, and vote; the seal is opened.
fn evening(host: &Host, dies: &AtomicBool) -> Vec<Record> {
    let phones: Vec<Phone> =
        (0..30).map(|number| Phone::join(host, &format!("Listener {number}"), None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for trial in 0..3 {
        if host.look().phase == Phase::Break {
            host.say("next").expect("the break is over");
            host.until(Phase::Ready);
        }
        if trial == 1 {
            dies.store(true, Ordering::SeqCst);
            host.say("next").expect("presented");
            host.until(Phase::Presenting);
            host.until(Phase::Ready);
            dies.store(false, Ordering::SeqCst);
            assert!(host.look().trial.as_ref().expect("a trial").id.ends_with("-2"), "void, and repeated");
        }
        let id = host.to_the_votes();
        for phone in &phones {
            assert_eq!(phone.vote(&id, ["a", "b"][phone.seat as usize % 2]).status, 200);
        }
        assert!(host.say("play A").is_err(), "a cable has to be connected before it is heard");
        host.say("close").expect("closed");
    }
    host.say("next").expect("the seal is opened");
    host.until(Phase::Result);
    let checked = verify::alone(&host.journal);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    let read = journal::read(&host.journal).expect("sound");
    let presented = presentations(&read.records);
    // Three slots and two fillings, since there are controls. A busy machine hears less of a slot than was agreed, and presents
    // the whole round again.
    assert_eq!(presented.len(), 3, "{presented:?}");
    let whole = presented.iter().all(|times| *times >= 5 && times % 5 == 0);
    assert!(whole, "each slot over its cable, and its time in the journal: {presented:?}");
    read.records
}

#[test]
fn a_room_of_thirty_hears_real_cables_by_relay_and_by_operator_and_a_dying_switch_voids_one_trial() {
    // By relay.
    let folder = tempfile::tempdir().expect("a folder");
    let table =
        "kind = \"serial\"\nport = \"none\"\napart = \"200 ms\"\nsettle = \"200 ms\"\nproof = \"measured\"";
    let mut session = cables(folder.path(), table);
    // A rest is offered after half a second of music.
    session.rest_after_minutes = 0.5 / 60.0;
    let agreed = session.clone();
    let (log, dies) = (Arc::new(Mutex::new(Vec::new())), Arc::new(AtomicBool::new(false)));
    let (kept, dying, connected) = (Arc::clone(&log), Arc::clone(&dies), Arc::clone(&log));
    let host = Host::start(move || {
        let mut environment = real_environment(&Recorder::default());
        environment.common.prepare = Arc::new(|_, _| Ok(alike()));
        environment.common.switch =
            Arc::new(move |_| Ok(Box::new(Relay(Arc::clone(&kept), Arc::clone(&dying)))));
        // Both positions of this rig are the same.
        environment.common.bench = Some(virtual_bench(move || {
            assert_ne!(connected.lock().expect("the log").last(), Some(&Terminal::Parked));
            -0.1
        }));
        (request_of(session), environment)
    })
    .expect("open");
    let records = evening(&host, &dies);
    let causes: Vec<&String> = records
        .iter()
        .filter_map(|record| if let Record::Void { cause, .. } = record { Some(cause) } else { None })
        .collect();
    assert_eq!(causes, ["the switch did not connect what it was told to"]);
    // Both positions before the first vote, in the rest, and after the last vote.
    let place = |wanted: &dyn Fn(&Record) -> bool| -> Vec<usize> {
        (0..records.len()).filter(|at| wanted(&records[*at])).collect()
    };
    let measured = place(&|record| matches!(record, Record::Measured { .. }));
    let votes = place(&|record| matches!(record, Record::Vote { .. } | Record::Void { .. }));
    let (first, last) = (votes[0], votes[votes.len() - 1]);
    assert!(measured.len() == 3 && measured[0] < first && measured[2] > last, "{measured:?} {first} {last}");
    assert!((first..last).contains(&measured[1]), "{measured:?} {first} {last}");
    let readings = vec![evidence::folder(&agreed.sittings_folder(), None).expect("the folder can be read")];
    let report = report::report(&agreed, readings, evidence::Options::default());
    let said: Vec<&str> = report.caveats.iter().map(|caveat| caveat.text.as_str()).collect();
    let told = said.iter().any(|text| text.contains("could not be told apart by measurement either"));
    assert!(told, "{said:?}");
    let log = log.lock().expect("the log").clone();
    // Whatever was presented, the one at which it died, and three times two positions that were measured.
    let presented: usize = presentations(&records).iter().sum();
    let connected = log.iter().filter(|terminal| **terminal != Terminal::Parked).count();
    assert_eq!(connected, presented + 1 + 3 * 2, "{log:?}");
    assert_eq!(log.last(), Some(&Terminal::Parked), "parked at the end");
    host.leave();
    // By a person, who falls asleep once. Who was first is the operator.
    let folder = tempfile::tempdir().expect("a folder");
    let table = "kind = \"operator\"\napart = \"200 ms\"\nsettle = \"200 ms\"\nlabels = \"drawn\"\nproof = \"measured\"";
    let session = cables(folder.path(), table);
    let page = OperatorPage::serve(
        "127.0.0.1:0".parse().expect("an address"),
        session.switcher.as_ref().expect("one"),
    )
    .expect("served");
    let operated = page.operated();
    let person = Person::of(&operated.invitation.address, "the person's phone");
    assert_eq!(person.join(), 200);
    assert_eq!(Person::of(&operated.invitation.address, "a listener's phone").join(), 409);
    let host = Host::start(move || {
        let mut environment = real_environment(&Recorder::default());
        environment.common.prepare = Arc::new(|_, _| Ok(alike()));
        environment.common.operator = Some(operated);
        // A person is waited for on a thread apart.
        environment.common.in_background = true;
        (request_of(session), environment)
    })
    .expect("open");
    assert!(host.notes.iter().any(|note| note.contains("For the operator alone")), "{:?}", host.notes);
    let (sleeps, ends) = (Arc::new(AtomicBool::new(false)), AtomicBool::new(false));
    let (records, seen) = std::thread::scope(|scope| {
        let work = scope.spawn(|| {
            let awake = AtomicBool::new(true);
            let mut seen = Vec::new();
            while !ends.load(Ordering::SeqCst) {
                // Asleep from the middle of a presentation until the trial is void.
                let asleep = AtomicBool::new(false);
                std::thread::scope(|inner| {
                    let once = inner.spawn(|| person.works(&awake, &asleep));
                    loop {
                        let sleeps_now = sleeps.load(Ordering::SeqCst) && host_presents(&host);
                        if ends.load(Ordering::SeqCst) || sleeps_now {
                            break;
                        }
                        std::thread::sleep(Duration::from_millis(20));
                    }
                    asleep.store(true, Ordering::SeqCst);
                    seen.extend(once.join().expect("the person works"));
                });
                while !ends.load(Ordering::SeqCst) && sleeps.load(Ordering::SeqCst) && host_presents(&host) {
                    std::thread::sleep(Duration::from_millis(20));
                }
            }
            seen
        });
        let records = evening(&host, &sleeps);
        ends.store(true, Ordering::SeqCst);
        (records, work.join().expect("the work ends"))
    });
    let text = format!("{records:?}");
    assert!(text.contains("the operator did not confirm in time"), "{text}");
    assert!(text.contains("the positions were not measured"), "nobody named an input: {text}");
    assert!(text.contains("somebody else tried to become the operator"), "the other phone is in the journal");
    let first = |task: &str| seen.iter().position(|one| one.starts_with(task)).expect("it was asked for");
    assert!(first("label") < first("connect"), "the seal says which cable is which: {seen:?}");
    // The page's bodies are as long whichever terminal is meant.
    let bodies = |task: &str| -> std::collections::BTreeSet<&str> {
        seen.iter().filter(|one| one.starts_with(task)).filter_map(|one| one.rsplit(' ').next()).collect()
    };
    assert_eq!((bodies("connect").len(), bodies("disconnect").len()), (1, 1), "{seen:?}");
    assert!(
        seen.iter().any(|one| one.starts_with("connect 1"))
            && seen.iter().any(|one| one.starts_with("connect 2"))
    );
    host.leave();
    drop(page);
}

fn host_presents(host: &Host) -> bool {
    host.look().phase == Phase::Presenting
}

#[test]
fn only_the_first_page_with_the_code_is_the_operators_and_nobody_reads_or_confirms_for_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = cables(folder.path(), "kind = \"operator\"");
    let switcher = session.switcher.as_ref().expect("one");
    let page = OperatorPage::serve("127.0.0.1:0".parse().expect("an address"), switcher).expect("served");
    let operated = page.operated();
    let person = Person::of(&operated.invitation.address, "first");
    let thief = Person { holder: Digest::of(b"thief").hex(), code: person.code.clone(), ..person };
    assert_eq!(person.ask("GET", "/operator-state", "").status, 403, "nobody has joined");
    let guesser = Person::of(&format!("http://{}/#AAAA", person.address), "guesser");
    assert_eq!(guesser.join(), 403, "without the code nobody is the operator");
    assert_eq!((person.join(), person.join(), thief.join()), (200, 200, 409), "a reload is the same page");
    for path in ["/", "/operator.js", "/hand.js", "/night.css"] {
        let reply = raw(person.address, &request(person.address, "GET", path, &[], "")).expect("an answer");
        assert_eq!(reply.status, 200, "{path}");
        assert!(reply.head.contains("content-security-policy: default-src 'none'"), "{path}");
    }
    let board = Arc::clone(&operated.board);
    let work = std::thread::spawn(move || {
        let mut operator = earwitness::switcher::Operator(board);
        operator.connect(Terminal::Two).expect("a person is no broken relay");
    });
    let number = loop {
        let (state, body) = person.state();
        assert!(!body.contains("bell"), "no cable's name");
        if !state.done {
            break state.number;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert_eq!(
        thief.ask("GET", "/operator-state", "").status,
        403,
        "who has the code and came late reads nothing"
    );
    assert_eq!(thief.done(number), 403, "nor confirms anything");
    assert_eq!(person.done(number + 1), 200);
    assert!(!operated.board.shown().done, "a task that is not on is not confirmed");
    assert_eq!(person.done(number), 200);
    work.join().expect("it was confirmed");
    assert_eq!(operated.board.turned_away(), 1);
}

/// Found by an attack: whoever reads plain lines was told that the operator is awaited, and never that the trial may begin.
#[test]
fn a_host_who_reads_lines_is_told_when_the_operator_has_confirmed() {
    let folder = tempfile::tempdir().expect("a folder");
    cables(folder.path(), "kind = \"operator\"\napart = \"1 s\"\nsettle = \"1 s\"");
    let mut host =
        Program::start(folder.path(), &["--listen", "127.0.0.1:0", "--operator", "127.0.0.1:0", "--new"]);
    let person =
        Person::of(&host.wait_for("note For the operator alone, out of everybody's sight: open "), "a phone");
    assert_eq!(person.join(), 200);
    host.say("next");
    host.wait_for("phase joining");
    host.say("next");
    assert!(host.wait_for("phase waiting for the operator").ends_with("Warm-up 1 of 1"));
    let number = loop {
        let (state, _) = person.state();
        if !state.done {
            break state.number;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert_eq!(person.done(number), 200);
    assert_eq!(host.wait_for("phase "), "ready; next presents the trial; Warm-up 1 of 1");
}

#[test]
fn chromium_is_the_operator_of_a_whole_sitting_through_a_reload_and_a_sleep() {
    let folder = tempfile::tempdir().expect("a folder");
    let table = "kind = \"operator\"\napart = \"1500 ms\"\nsettle = \"1500 ms\"\nspread = \"100 ms\"\nlabels = \"drawn\"";
    cables(folder.path(), table);
    let file = folder.path().join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    // One trial and no control: a round is four presentations.
    let (head, rest) = text.split_once("[[controls]]").expect("a control");
    let switcher = rest.find("[switcher]").expect("a switch");
    let text = head.replace("warm_up = 1", "warm_up = 0") + &rest[switcher..];
    std::fs::write(&file, text).expect("written");
    crate::in_browser("operator.mjs", folder.path(), "operator");
    succeeded(folder.path(), &["verify", "."]);
}
