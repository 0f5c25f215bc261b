//! Blindness with a witness: all bytes of the terminal's screen, all bytes between the sitting and its witness with the time
//! of each, the journal, files and calls to the player are the same up to the closing, whichever side X is.
//!
//! The witness's page is served by the real server over loopback; the clock is the sitting's own, which stands still while
//! bytes travel. Links are those of a chain that is known here, so that secrets can be chosen that draw the wanted orders.

use std::fmt::Write as _;
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;

use earwitness::ballot::witnessing::{Code, WitnessServer};
use earwitness::conduct::Clock as _;
use earwitness::conduct::witness::{At, Invitation, Request, Shown, WitnessService};
use earwitness::screen::Scene;
use earwitness::sitting::Ending;
use earwitness::stats::Protocol;
use earwitness::trial::schedule::Draws;
use earwitness::trial::witness::{Links, trial_key};
use earwitness::trial::{Definition, Digest, Part, Secret, TrialId};

use super::rig::{self, Setting, TestClock, keys, sit_watched};
use crate::blind;

/// Trials of each sitting here.
const TRIALS: u32 = 3;

/// The only witness, at the real desk: everything that passes is written down.
struct Wire {
    desk: WitnessServer,
    clock: TestClock,
    links: Links,
    /// Links that the phone opens before it sleeps.
    awake_for: usize,
    opened: usize,
    joined: bool,
    code: Option<Code>,
    host: String,
    /// What the page does next, and what it waits for.
    does: Option<(&'static str, String)>,
    waits: Option<JoinHandle<String>>,
    passed: String,
}

impl Wire {
    fn new(clock: TestClock, links: Links, awake_for: usize) -> Self {
        Self {
            desk: WitnessServer::at("127.0.0.1:0".parse().expect("an address"), |_| {}).expect("a port"),
            clock,
            links,
            awake_for,
            opened: 0,
            joined: false,
            code: None,
            host: String::new(),
            does: None,
            waits: None,
            passed: String::new(),
        }
    }

    /// What passed, at which time of the sitting. The server's own clock, port and code differ from sitting to sitting.
    fn note(&mut self, what: &str, bytes: &str) {
        let lines: Vec<&str> = bytes.lines().filter(|line| !line.starts_with("date: ")).collect();
        let bytes = blind::without_digests(&lines.join("\n")).replace(&self.host, "HOST");
        let _ = writeln!(self.passed, "{} ms {what}\n{bytes}", self.clock.elapsed().as_millis());
    }

    /// The request as the witness's page sends it.
    fn request(&self, method: &str, path: &str, body: &str) -> String {
        let look = self.code.as_ref().expect("the desk is open").look();
        format!(
            "{method} {path} HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nX-Witness: {look}\r\nContent-Type: \
             application/json\r\nContent-Length: {1}\r\nConnection: close\r\n\r\n{body}",
            self.host,
            body.len()
        )
    }

    /// The page takes a state, and decides what it does.
    fn look(&mut self, shown: &Shown) {
        let request = self.request("GET", "/witness-state?seen=0&after=0", "");
        let answer = sent(&self.host, &request);
        self.note("asked", &request);
        self.note("told", &answer);
        let body = answer.split("\r\n\r\n").nth(1).expect("a body");
        let told: serde_json::Value = serde_json::from_str(body).expect("JSON");
        let own = shown.witnesses.iter().find(|seen| Some(seen.last) == self.place());
        if shown.at == At::Joining && !self.joined && shown.sealings == 0 {
            self.joined = true;
            let end = self.links.end();
            let proof = self.code.as_ref().expect("the desk is open").join("Jorin", end);
            let body = serde_json::json!({ "name": "Jorin", "end": end, "proof": proof });
            self.does = Some(("/witness-join", body.to_string()));
        } else if told.get("asked").is_some()
            && own.is_some_and(|own| !own.opened)
            && self.opened < self.awake_for
        {
            let last = self.place();
            self.opened += 1;
            let body = serde_json::json!({ "last": last, "link": self.place() });
            self.does = Some(("/witness-link", body.to_string()));
        }
    }

    /// The link given last.
    fn place(&self) -> Option<Digest> {
        if self.opened == 0 { Some(self.links.end()) } else { self.links.link(self.opened) }
    }
}

/// Sends a request and reads all of its answer.
fn sent(host: &str, request: &str) -> String {
    let mut stream = TcpStream::connect(host).expect("it listens");
    stream.write_all(request.as_bytes()).expect("it reads");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("it answers");
    answer
}

impl WitnessService for Wire {
    fn open(&mut self, journal: &Path) -> Result<Invitation, String> {
        let real = self.desk.open(journal)?;
        let (host, code) = real.address.trim_start_matches("http://").split_once("/#").expect("a code");
        (self.host, self.code) = (host.to_owned(), Some(Code::new(code)));
        // The code is drawn anew for each sitting: the screen shows the same one here.
        Ok(Invitation { address: "http://192.0.2.7:8411/#ACDEFHJKLMNPQRTU".to_owned(), code: Vec::new() })
    }

    fn next(&mut self, wait: Duration) -> Option<Request> {
        if let Some(waits) = self.waits.take() {
            let answer = waits.join().expect("the page lives");
            self.note("answered", &answer);
        }
        let Some((path, body)) = self.does.take() else {
            self.clock.pass(wait);
            return None;
        };
        let (host, request) = (self.host.clone(), self.request("POST", path, &body));
        self.note("sent", &request);
        self.waits = Some(std::thread::spawn(move || sent(&host, &request)));
        let taken = self.desk.next(Duration::from_secs(20));
        assert!(taken.is_some(), "the sitting is asked");
        taken
    }

    fn publish(&mut self, shown: Shown) {
        self.desk.publish(shown.clone());
        self.look(&shown);
    }
}

/// Everything that could be seen of a sitting up to the closing.
struct Seen {
    bytes: Vec<u8>,
    passed: String,
    journal: String,
    calls: Vec<String>,
    scenes: Vec<Scene>,
}

impl Seen {
    fn assert_same(&self, other: &Self, what: &str) {
        assert!(self.bytes == other.bytes, "{what}: the terminal's bytes differ");
        assert!(self.passed == other.passed, "{what}: what passed between sitting and witness differs");
        assert!(self.journal == other.journal, "{what}: the journals differ");
        assert_eq!(self.calls, other.calls, "{what}: calls to the player differ");
    }
}

fn links() -> Links {
    Links::from_last(Digest::of(b"Jorin's phone"), 60)
}

/// Plays the keys; the witness opens so many links, and the secrets are those of one seal after the other.
fn play(setting: &Setting<'_>, typed: &str, secrets: Vec<Secret>, awake_for: usize) -> Seen {
    let (sat, wire) =
        sit_watched(setting, keys(typed), secrets, |clock| Wire::new(clock, links(), awake_for));
    let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(finished.ending, Ending::Left, "the seal stays closed");
    let journal = std::fs::read_to_string(&finished.journal).expect("the journal is there");
    Seen {
        bytes: sat.bytes,
        passed: wire.passed,
        journal: blind::without_digests(&journal),
        calls: sat.calls,
        scenes: sat.scenes,
    }
}

/// From the first page to the trials, with a hand and a witness.
const BEGINNING: &str =
    ". PgDn PgDn PgDn PgDn PgDn PgDn Enter . . PgDn PgDn Enter . h i Enter Enter . PgDn Enter . .";

#[test]
fn screen_and_witness_see_the_same_whichever_side_x_is() {
    for protocol in [Protocol::Abx, Protocol::Triangle] {
        let definition = Definition::of(protocol);
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), protocol.name(), TRIALS, "", "");
        let draft = blind::draft_of_session(&session, &rig::stimuli(&session));
        let mut typed = BEGINNING.to_owned();
        for trial in 0..TRIALS {
            for slot in definition.slots {
                let _ = write!(typed, " {} . .", slot.label.to_lowercase());
            }
            for _ in 0..=trial as usize % definition.alternatives.len() {
                typed.push_str(" Down");
            }
            typed.push_str(" . ");
            // The last answer is not given: the seal stays closed.
            typed.push_str(if trial + 1 < TRIALS { "Enter . ." } else { "." });
        }
        let played = |orders: &[usize]| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = rig::session(folder.path(), protocol.name(), TRIALS, "", "");
            let mut setting = Setting::new(&session);
            setting.hidden = true;
            let secret = blind::secret_under(&draft, &["hi"], Some(&links()), orders);
            play(&setting, &typed, vec![secret], usize::MAX)
        };
        let reference = played(&[0; TRIALS as usize]);
        let answers = reference.journal.matches("\"kind\":\"answer\"").count();
        let opened = reference.journal.matches("\"kind\":\"link-opened\"").count();
        assert_eq!((answers as u32, opened as u32), (TRIALS - 1, TRIALS), "{protocol}: the last trial is on");
        assert!(
            reference.passed.contains("\"at\":\"asking\"") && reference.passed.contains("\"at\":\"trial\"")
        );
        for order in 1..definition.orders.len() {
            for orders in [[order; TRIALS as usize], [0, order, 0], [order, 0, order]] {
                reference.assert_same(&played(&orders), &format!("{protocol} {orders:?}"));
            }
        }
    }
}

/// The phone sleeps in the second trial; after ten seconds the sitting goes on under a fresh seal, without it.
#[test]
fn a_lost_witness_and_a_fresh_seal_look_the_same_whatever_is_drawn() {
    let typed = format!(
        "{BEGINNING} x . . Down . Enter . . . . . . . . . . . . Enter . . Enter . Enter . Enter . . x . . Down ."
    );
    let played = |first: usize, second: usize| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), "abx", 2, "", "");
        let draft = blind::draft_of_session(&session, &rig::stimuli(&session));
        let mut setting = Setting::new(&session);
        setting.hidden = true;
        let sealed = blind::secret_under(&draft, &["hi"], Some(&links()), &[first]);
        let key = sealed.key(2, [b"hi".as_slice()]);
        let opening = blind::opening(&draft, &sealed);
        let id = |trial| TrialId { part: Part::Main, trial, attempt: 1 };
        let fresh = (1_000_000..1_001_000).map(blind::secret).find(|fresh| {
            let mut draws = Draws::new(&opening, key);
            draws.draw_anew(trial_key(&key, &[links().link(1).expect("a link")]), id(1));
            draws.present(id(1)).expect("the first trial");
            draws.seal_anew(fresh.key(2, []), id(2));
            draws.present(id(2)).is_some_and(|presented| presented.order == second)
        });
        play(&setting, &typed, vec![sealed, fresh.expect("one of a few")], 1)
    };
    let reference = played(0, 0);
    let headings: Vec<_> = reference.scenes.iter().map(super::few_keys::heading).collect();
    assert_eq!(
        reference.journal.matches("\"kind\":\"resealed\"").count(),
        1,
        "{headings:?}\n{}",
        reference.journal
    );
    assert_eq!(reference.journal.matches("\"kind\":\"answer\"").count(), 1, "{headings:?}");
    assert!(reference.calls.iter().filter(|call| call.starts_with("load")).count() >= 2, "{headings:?}");
    for (first, second) in [(0, 1), (1, 0), (1, 1)] {
        reference.assert_same(&played(first, second), &format!("orders {first}, {second}"));
    }
}
