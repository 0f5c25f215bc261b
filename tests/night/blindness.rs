//! Nothing that a phone, the display, the host's screen or the player's caller sees before the closing depends on the draw.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use earwitness::ballot::Phase;
use earwitness::ballot::hosting::NightRequest;
use earwitness::screen::Model;
use earwitness::trial::seal::hand_hash;
use earwitness::trial::witness::Links;
use earwitness::trial::{Digest, Part, TrialId};

use crate::blind;
use crate::screen::cables::{Log, masked, with_switch};

use super::cables::{alike, cables};
use super::stage::{
    HandClock, Host, Phone, Recorder, environment, join, raw, real_environment, request, request_of, session,
    stimuli,
};

/// Everything that went over the wire, what the player was told, and the journal up to the closing.
#[derive(PartialEq, Eq)]
struct Traffic {
    answers: Vec<(String, String)>,
    screens: Vec<String>,
    calls: Vec<String>,
    journal: String,
    files: Vec<(String, u64)>,
}

/// The hand of a phone: 32 bytes that happen to be letters.
const OF_THE_PHONE: &str = "thirty-two bytes of Ida's phone.";

/// A night whose every presentation has this order, answered in the same way at the same times; `guest`: locked by one;
/// `linked`: a phone's links have a part in the draws, which are then any.
fn evening(protocol: &'static str, order: usize, guest: bool, linked: bool) -> (Traffic, Vec<Vec<f32>>) {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), protocol, 2, "");
    let clock = Arc::new(HandClock::default());
    let recorder = Recorder::default();
    let (night_clock, night_recorder) = (clock.clone(), recorder.clone());
    let host = Host::start(move || {
        let mut environment = environment(night_clock, &night_recorder);
        let secret = if linked {
            // Three that draw differently.
            blind::secret(order as u64 + 3)
        } else {
            blind::secret_of_session(&session, &stimuli(), &[OF_THE_PHONE, "lamp"], &[order; 3])
        };
        environment.common.secret = Arc::new(move || Ok(secret.clone()));
        (NightRequest { guest, ..request_of(session) }, environment)
    })
    .expect("open");
    let mut answers = Vec::new();
    let mut screens = Vec::new();
    // The port is the system's choice and the date is the hour's, digests are the secret's: they are taken out, nothing else.
    let port = host.address.port().to_string();
    let mut keep = |reply: super::stage::Reply| {
        let length = reply.header("content-length").map(|length| length.parse::<usize>().expect("a length"));
        assert_eq!(length.unwrap_or_default(), reply.body.len(), "the stated length is the true one");
        // Words of digests are longer or shorter, and with them the stated length.
        let varies = |line: &str| {
            let line = line.to_ascii_lowercase();
            line.starts_with("date:") || line.starts_with("content-length:")
        };
        let head: Vec<&str> = reply.head.lines().filter(|line| !varies(line)).collect();
        let body = blind::without_digests(&reply.body.replace(&port, "PORT"));
        answers.push((head.join("\n").replace(&port, "PORT"), body));
    };
    let first = join(host.address, &host.code, "Ida", None);
    let ida = Phone::seated(host.address, &first);
    keep(first);
    let second = join(host.address, &host.code, "Ola", None);
    let ola = Phone::seated(host.address, &second);
    keep(second);
    for page in [
        "/",
        "/room",
        "/night.css",
        "/room.css",
        "/texts.js",
        "/common.js",
        "/phone.js",
        "/links.js",
        "/result.js",
        "/room.js",
    ] {
        keep(ida.get(page));
    }
    host.say("next").expect("accepted");
    let hand = Digest(OF_THE_PHONE.as_bytes().try_into().expect("32 bytes"));
    keep(ida.post("/hand", &serde_json::json!({ "hash": hand_hash(&hand).hex() })));
    keep(ida.get("/state"));
    keep(ida.post("/typed-hand", &serde_json::json!({ "text": "lamp" })));
    let links = Links::from_last(Digest([3; 32]), 60);
    let mut given = 0;
    if linked {
        keep(ida.post("/link", &serde_json::json!({ "end": links.end() })));
    }
    host.say("next").expect("the hands are closed");
    keep(ola.get("/state"));
    keep(ida.post("/hand", &serde_json::json!({ "hand": hand.hex() })));
    keep(ida.get("/state"));
    screens.push(terminal(&host));
    let display = |path: &str| {
        raw(host.address, &request(host.address, "GET", path, &[("X-Room-Key", &host.key)], ""))
            .expect("an answer")
    };
    // Open ears, to the end of the practice; then five presentations: one trial is void after its votes were closed.
    host.say("ears").expect("A and B by name");
    for _ in 0..3 {
        for _ in 0..18 {
            clock.0.fetch_add(50, Ordering::SeqCst);
            host.settle();
        }
        keep(ida.get("/state"));
        keep(display("/room-state"));
        screens.push(terminal(&host));
        host.say("next").expect("on with it");
    }
    keep(display("/room-state"));
    host.say("next").expect("the end of it");
    for trial in 0..5 {
        while host.look().phase != Phase::Presenting {
            if host.look().links.is_none() {
                host.say("next").expect("presented");
                continue;
            }
            given += 1;
            keep(ida.get("/state"));
            keep(display("/room-state"));
            screens.push(terminal(&host));
            clock.0.fetch_add(50, Ordering::SeqCst);
            host.settle();
            let link = links.link(given).expect("a link");
            keep(ida.post("/link", &serde_json::json!({ "link": link })));
            host.settle();
        }
        // The clock moves by hand; at each place everybody asks.
        for _ in 0..14 {
            clock.0.fetch_add(50, Ordering::SeqCst);
            host.settle();
            keep(ida.get("/state"));
            keep(display("/room-state"));
            screens.push(terminal(&host));
            if host.look().phase == Phase::Voting {
                break;
            }
        }
        while host.look().phase != Phase::Voting {
            clock.0.fetch_add(50, Ordering::SeqCst);
            host.settle();
        }
        let id = host.look().trial.as_ref().expect("a trial").id.clone();
        let names: Vec<&str> =
            host.look().trial.as_ref().expect("a trial").alternatives.iter().map(|c| c.name).collect();
        keep(ida.vote(&id, names[trial % names.len()]));
        keep(ola.vote(&id, names[0]));
        keep(ola.vote(&id, names[1]));
        keep(ida.vote("main-99-1", names[0]));
        keep(ida.get("/state"));
        keep(ola.get("/state"));
        keep(display("/room-state"));
        screens.push(terminal(&host));
        host.say("close").expect("closed");
        screens.push(terminal(&host));
        keep(ida.vote(&id, names[1]));
        keep(ida.get("/state"));
        keep(ida.get("/journal"));
        if trial == 2 {
            host.say("void a tram passed").expect("void after all");
            keep(ida.get("/state"));
            screens.push(terminal(&host));
        }
        assert!(host.say("results").is_err(), "there is nothing to reveal before the closing");
    }
    keep(display("/room-state"));
    let journal = blind::without_digests(&std::fs::read_to_string(&host.journal).expect("the journal"));
    assert!(journal.contains("\"kind\":\"hand-opened\""), "the phone's hand is in it");
    assert_eq!(journal.contains("\"kind\":\"link-opened\""), linked);
    let mut files: Vec<(String, u64)> = std::fs::read_dir(folder.path().join("sittings"))
        .expect("the folder")
        .map(|entry| {
            let entry = entry.expect("an entry");
            // The pass file holds the port, whose number of digits may differ.
            let length = if entry.path().extension().is_some_and(|e| e == "passes") {
                0
            } else {
                entry.metadata().expect("facts").len()
            };
            (entry.file_name().to_string_lossy().into_owned(), length)
        })
        .collect();
    files.sort();
    host.leave();
    // The code for cameras holds the port; that of this night is the system's choice.
    let screens = screens.iter().map(|screen| without_the_code(screen, &port)).collect();
    let tape = recorder.0.lock().expect("the tape");
    (Traffic { answers, screens, calls: tape.calls.clone(), journal, files }, tape.loaded.clone())
}

/// What the host's terminal shows, all of it.
fn terminal(host: &Host) -> String {
    let scene = blind::scene_without_digests(&host.screen());
    let mut model = Model::new(80, 60);
    model.meet(&scene);
    crate::screen::drawn(&model, &scene)
}

/// A terminal's text without the port and the camera's code, which is drawn in blocks on lines of their own.
fn without_the_code(screen: &str, port: &str) -> String {
    screen.lines().filter(|line| !line.contains("████")).collect::<Vec<_>>().join("\n").replace(port, "PORT")
}

#[test]
fn traffic_is_the_same_byte_by_byte_whatever_is_drawn() {
    for (protocol, orders, guest, linked) in [
        ("abx", 2, false, false),
        ("abx", 2, true, false),
        ("duo-trio", 4, false, false),
        ("triangle", 6, false, false),
        ("tetrad", 6, false, false),
        ("two-afc", 2, false, false),
        ("preference", 2, false, false),
        // With a phone that holds the other half of the draws.
        ("abx", 3, false, true),
    ] {
        let (reference, loaded) = evening(protocol, 0, guest, linked);
        assert_eq!(reference.journal.contains("\"lock\":{"), guest, "{protocol}");
        assert!(
            reference.answers.len() > 40 && reference.calls.len() > 20,
            "{protocol}: there is traffic to compare"
        );
        assert!(
            reference.screens.iter().any(|screen| screen.contains("votes close in")),
            "{protocol}: screens"
        );
        for order in 1..orders {
            let (other, other_loaded) = evening(protocol, order, guest, linked);
            assert_ne!(loaded, other_loaded, "{protocol}: the draws were different");
            for (index, (one, two)) in reference.answers.iter().zip(&other.answers).enumerate() {
                assert_eq!(one, two, "{protocol}, order {order}: answer {index}");
            }
            assert_eq!(reference.answers.len(), other.answers.len(), "{protocol}, order {order}");
            assert_eq!(reference.screens, other.screens, "{protocol}, order {order}: the host's screen");
            assert_eq!(reference.calls, other.calls, "{protocol}, order {order}: the player's calls");
            assert_eq!(reference.journal, other.journal, "{protocol}, order {order}: the journal");
            assert_eq!(reference.files, other.files, "{protocol}, order {order}: names and sizes of files");
        }
    }
}

/// What a night over real cables sends to a phone, the display, the host's screen, the player, the disk, and to the relay or the
/// operator's page with its time; both trials in this order.
fn over_cables(by_hand: bool, order: usize) -> (Vec<String>, Vec<(u128, String)>) {
    let folder = tempfile::tempdir().expect("a folder");
    let kind = if by_hand { "kind = \"operator\"" } else { "kind = \"serial\"\nport = \"none\"" };
    let table = format!("{kind}\napart = \"200 ms\"\nsettle = \"200 ms\"\nspread = \"0 s\"");
    let mut session = cables(folder.path(), &table);
    session.controls.clear();
    let mut stimuli = alike();
    stimuli.pairs.truncate(1);
    // Both rounds in one order, whichever the draw: three slots, then the filling.
    let first = |part| (TrialId { part, trial: 1, attempt: 1 }, 1);
    let rounds = [first(Part::WarmUp), first(Part::Main)];
    let draft = blind::draft_of_session(&session, &stimuli);
    let secret = blind::secret_where(&draft, &[], None, &[order; 2], |key| blind::in_order(key, &rounds, 4));
    let (clock, recorder, log) = (Arc::new(HandClock::default()), Recorder::default(), Log::default());
    let (night_clock, night_recorder, night_log) = (clock.clone(), recorder.clone(), Arc::clone(&log));
    let host = Host::start(move || {
        let mut environment = environment(night_clock, &night_recorder);
        environment.common.prepare = Arc::new(move |_, _| Ok(stimuli.clone()));
        environment.common.secret = Arc::new(move || Ok(secret.clone()));
        with_switch(&mut environment.common, &night_log, by_hand, None);
        (request_of(session), environment)
    })
    .expect("open");
    let port = host.address.port().to_string();
    let ida = Phone::join(&host, "Ida", None);
    let mut seen = Vec::new();
    let mut look = || {
        let display = request(host.address, "GET", "/room-state", &[("X-Room-Key", &host.key)], "");
        let display = raw(host.address, &display).expect("an answer").body;
        for body in [ida.get("/state").body, display] {
            seen.push(blind::without_digests(&body.replace(&port, "PORT")));
        }
        seen.push(without_the_code(&terminal(&host), &port));
    };
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for _ in 0..2 {
        while host.look().phase != Phase::Voting {
            if host.look().phase == Phase::Ready {
                let _ = host.say("next");
            }
            clock.0.fetch_add(100, Ordering::SeqCst);
            host.settle();
            look();
            if host.look().phase == Phase::Presenting {
                assert!(
                    host.say("silence").is_err() && host.say("close").is_err(),
                    "nothing cuts a round short"
                );
            }
        }
        let id = host.look().trial.as_ref().expect("a trial").id.clone();
        assert_eq!(ida.vote(&id, "a").status, 200);
        look();
        host.say("close").expect("closed");
    }
    look();
    seen.push(blind::without_digests(&std::fs::read_to_string(&host.journal).expect("the journal")));
    host.leave();
    seen.extend(recorder.0.lock().expect("the tape").calls.iter().cloned());
    let log = log.lock().expect("the log").clone();
    (seen, log)
}

#[test]
fn traffic_over_real_cables_is_the_same_byte_by_byte_and_moment_by_moment() {
    for by_hand in [false, true] {
        let (reference, log) = over_cables(by_hand, 0);
        let (other, other_log) = over_cables(by_hand, 1);
        for (index, (one, two)) in reference.iter().zip(&other).enumerate() {
            assert_eq!(one, two, "by hand {by_hand}: {index}");
        }
        assert_eq!(reference.len(), other.len());
        assert_eq!(masked(&log), masked(&other_log), "the switch's traffic and its times");
        assert_ne!(log, other_log, "the draw is real: the terminals are others");
        let said = reference.join("\n");
        assert!(
            said.contains("\"kind\":\"silent\"") && said.contains("\"slot\":3"),
            "one is silent by design"
        );
    }
}

/// What a phone is told of the results grows with what the room has seen, and no faster.
#[test]
fn phones_know_no_more_of_the_results_than_the_room_has_seen() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let host =
        Host::start(move || (request_of(session), real_environment(&Recorder::default()))).expect("open");
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for _ in 0..4 {
        let trial = host.to_the_votes();
        assert_eq!(ida.vote(&trial, "a").status, 200);
        host.say("close").expect("closed");
        assert_eq!(ida.state()["revealed"], serde_json::Value::Null, "nothing before the closing");
    }
    host.until(Phase::Counting);
    host.say("next").expect("opened");
    host.until(Phase::Result);
    let display = || {
        let asked = request(host.address, "GET", "/room-state", &[("X-Room-Key", &host.key)], "");
        raw(host.address, &asked).expect("an answer").json()["reveal"].clone()
    };
    let mut kinds = Vec::new();
    let steps = display()["of"].as_u64().expect("a number") as usize;
    for step in 0..steps {
        let shown = display();
        assert_eq!(shown["at"], step);
        kinds.push(shown["step"]["kind"].as_str().expect("a kind").to_owned());
        let state = ida.state();
        let trials = kinds.iter().filter(|kind| *kind == "trial").count();
        assert_eq!(state["revealed"].as_array().expect("a list").len(), trials, "step {step}");
        let over = kinds.iter().any(|kind| !["question", "trial"].contains(&kind.as_str()));
        assert_eq!(state["result"].is_null(), !over, "step {step}");
        assert_eq!(host.say("next").is_ok(), step + 1 < steps);
    }
    assert_eq!(kinds, ["question", "trial", "trial", "trial", "score", "verdict", "highest", "thanks"]);
    // Every step can be shown again, backwards too, and nothing that was told is taken back.
    for step in (0..steps - 1).rev() {
        host.say("back").expect("one step back");
        assert_eq!(display()["at"], step);
        assert_eq!(ida.state()["revealed"].as_array().expect("a list").len(), 3);
        assert!(!ida.state()["result"].is_null());
    }
    assert!(host.say("back").is_err(), "there is nothing before the first");
    host.leave();
}
