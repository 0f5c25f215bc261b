//! A whole night over the web, by a small client.

use std::time::Duration;

use earwitness::ballot::Phase;
use earwitness::trial::{Digest, Record, journal};

use super::stage::{
    HandClock, Host, Phone, Recorder, environment, join, raw, real_environment, request, request_of, session,
};

fn host(folder: &std::path::Path, trials: u32) -> Host {
    let session = session(folder, "abx", trials, "");
    Host::start(move || (request_of(session), real_environment(&Recorder::default())))
        .expect("the night is open")
}

#[test]
fn phones_give_and_open_their_hands_over_the_web() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let (ida, ola) = (Phone::join(&host, "Ida", None), Phone::join(&host, "Ola", None));
    let hand = |number: u8| Digest([number; 32]);
    let give = |phone: &Phone, number: u8| {
        let hash = earwitness::trial::seal::hand_hash(&hand(number)).hex();
        phone.post("/hand", &serde_json::json!({ "hash": hash })).status
    };
    let open = |phone: &Phone, number: u8| {
        phone.post("/hand", &serde_json::json!({ "hand": hand(number).hex() })).status
    };
    assert_eq!(ida.state()["hand"], "wanted");
    assert_eq!((give(&ida, 1), give(&ola, 2)), (200, 200), "on joining, before anybody says a word");
    assert_eq!(ida.state()["hand"], "closed");
    assert_eq!(ida.state()["hands"], 2);
    for body in
        [serde_json::json!({}), serde_json::json!({ "hash": "short" }), serde_json::json!({ "hand": 7 })]
    {
        assert_eq!(ida.post("/hand", &body).status, 400, "{body}");
    }
    host.say("next").expect("accepted");
    assert_eq!(open(&ida, 1), 409, "nobody has asked for it");
    host.say("next").expect("the hands are closed");
    assert_eq!(ida.state()["hand"], "asked");
    assert_eq!(ida.state()["closed"], serde_json::json!(["Ida", "Ola"]));
    assert_eq!(open(&ida, 9), 409, "another hand");
    assert_eq!(open(&ida, 1), 200);
    assert_eq!(
        ola.state()["closed"],
        serde_json::json!(["Ola"]),
        "who keeps it closed is named to everybody"
    );
    host.say("next").expect("the sealing starts over");
    assert_eq!(
        (ida.state()["hand"].clone(), ida.state()["started_over"].clone()),
        ("wanted".into(), 1.into())
    );
    assert_eq!((give(&ida, 3), give(&ola, 4)), (200, 200));
    host.say("next").expect("the hands are closed");
    assert_eq!((open(&ola, 4), open(&ida, 3)), (200, 200));
    host.until(Phase::Ready);
    assert_eq!(ida.state()["hand"], "opened");
    assert_eq!(give(&ida, 5), 409, "a hand after the sealing");
}

#[test]
fn a_whole_night_from_joining_to_the_results() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 3);
    let ida = Phone::join(&host, "Ida", None);
    let ola = Phone::join(&host, "Ola <b>", Some(12));
    assert_eq!((ida.seat, ola.seat), (1, 12));
    let state = ida.state();
    assert_eq!(state["phase"], "welcome");
    assert_eq!(state["commitment"]["hex"].as_str().expect("digits").len(), 64);
    assert_eq!(state["commitment"]["words"].as_str().expect("words").split(' ').count(), 12);

    host.say("next").expect("accepted");
    assert_eq!(ola.post("/typed-hand", &serde_json::json!({ "text": "a lamp on the stairs" })).status, 200);
    host.say("hand also the host").expect("a hand");
    assert_eq!(ida.state()["typed_hands"], 2);
    host.say("next").expect("sealed");

    let mut receipts = Vec::new();
    for round in 0..5 {
        let trial = host.to_the_votes();
        let state = ida.state();
        assert_eq!(state["phase"], "voting");
        assert_eq!(state["open"], true);
        assert_eq!(state["vote"], serde_json::Value::Null);
        let first = ida.vote(&trial, "a");
        assert_eq!(first.status, 200, "{first:?}");
        let changed = ida.vote(&trial, "b");
        assert_eq!(changed.status, 200, "{changed:?}");
        receipts.push(changed.json()["vote"]["hex"].as_str().expect("digits").to_owned());
        if round != 2 {
            assert_eq!(ola.vote(&trial, "b").status, 200);
        }
        let state = ida.state();
        assert_eq!(state["vote"]["answer"], "b", "a reload finds the vote");
        assert_eq!(state["voted"], if round == 2 { 1 } else { 2 });
        host.say("close").expect("closed");
        let late = ida.vote(&trial, "a");
        assert_eq!(late.status, 409, "{late:?}");
    }
    host.until(Phase::Counting);
    // Whoever had no phone: five votes on paper, one of them missing, typed by the host.
    host.say("paper 30 Paper Pia").expect("a seat");
    host.say("30 a b - a").expect("answers");
    assert_eq!(ida.get("/journal").status, 409, "the journal is published after the closing only");
    host.say("next").expect("opened");
    host.until(Phase::Result);
    host.say("results").expect("everything is shown");

    let state = ida.state();
    let result = &state["result"];
    let sentence = result["own"]["sentences"][0].as_str().expect("a sentence");
    assert!(sentence.contains("of 3 right"), "{sentence}");
    assert_eq!(
        result["own"]["trials"].as_array().expect("trials").len(),
        5,
        "practice, three counted, one control"
    );
    let room = result["room"]["sentences"].to_string();
    assert!(room.contains("Together:") && room.contains("3 listeners took part, 1 on paper"), "{room}");
    let highest = result["room"]["highest"].to_string();
    assert!(highest.contains("Chance makes high scores too"), "{highest}");
    let ola_room = ola.state()["result"]["own"]["sentences"].to_string();
    assert!(ola_room.contains("1 vote never came") || ola_room.contains("of 3 right"), "{ola_room}");

    what_the_judge_says_is_what_the_pages_get(&host.journal, &[&ida, &ola]);

    // Each receipt is found again in the published journal: it is the digest of a whole line.
    let published = ida.get("/journal");
    assert_eq!(published.status, 200);
    let on_disk = std::fs::read_to_string(&host.journal).expect("the journal");
    assert_eq!(published.body, on_disk);
    let lines: Vec<String> = published.body.lines().map(|line| Digest::of(line.as_bytes()).hex()).collect();
    for receipt in &receipts {
        assert!(lines.contains(receipt), "{receipt} is in the journal");
    }
    assert_eq!(lines.last().map(String::as_str), result["receipt"]["hex"].as_str());
    let read = journal::read(&host.journal).expect("a sound journal");
    let votes = read.records.iter().filter(|record| matches!(record, Record::Vote { .. })).count();
    assert_eq!(votes, 5 * 2 + 4 + 3);
    let checked = crate::trial::kit::check(&host.journal);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    host.leave();
}

/// Phones and the room print the state that they are served: numbers and sentences in it are those of the one judge.
fn what_the_judge_says_is_what_the_pages_get(journal: &std::path::Path, phones: &[&Phone]) {
    let checked = crate::trial::kit::check(journal);
    let (_, evidence, findings) =
        earwitness::verdict::of_journal(&checked, &earwitness::verdict::OnPaper::default())
            .expect("it is closed");
    for phone in phones {
        let state = phone.state();
        let own = &state["result"]["own"];
        let index = evidence.listeners.iter().position(|listener| state["alias"] == listener.name.as_str());
        let index = index.expect("the seat is among the listeners");
        let of = |comparison: &earwitness::verdict::ComparisonResult| {
            comparison.results.iter().find(|result| result.listener == index).cloned()
        };
        let results: Vec<_> = findings.comparisons.iter().filter_map(of).collect();
        assert_eq!(own["right"], results.iter().map(|result| result.correct).sum::<u64>(), "{own}");
        assert_eq!(own["of"], results.iter().map(|result| result.trials).sum::<u64>(), "{own}");
        assert_eq!(own["missing"], evidence.missing(index), "{own}");
        let said = |sentences: &serde_json::Value, headline: &str| {
            let sentences = sentences.as_array().expect("sentences");
            assert!(
                sentences.iter().any(|said| said.as_str().is_some_and(|said| said.contains(headline))),
                "{headline} is not in {sentences:?}"
            );
        };
        for result in &results {
            said(&own["sentences"], &result.verdict.headline);
        }
        for comparison in &findings.comparisons {
            said(&state["result"]["room"]["sentences"], &comparison.verdict.headline);
        }
    }
}

#[test]
fn the_room_display_counts_votes_and_never_shows_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let phones: Vec<Phone> =
        ["Ida", "Ola", "Eva"].into_iter().map(|name| Phone::join(&host, name, None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    let display = |path: &str| {
        raw(host.address, &request(host.address, "GET", path, &[("X-Room-Key", &host.key)], ""))
            .expect("an answer")
    };
    let before = display("/room-state").json();
    assert_eq!((before["voted"].as_u64(), before["seats"].as_u64()), (Some(0), Some(3)));
    phones[0].vote(&trial, "a");
    phones[1].vote(&trial, "b");
    let with_both = display("/room-state").json();
    assert_eq!(with_both["voted"], 2);
    phones[1].vote(&trial, "a");
    let mut after_change = display("/room-state").json();
    after_change["left_ms"] = with_both["left_ms"].clone();
    assert_eq!(after_change, with_both, "a changed vote changes nothing that the room sees");
    let entrance = display("/room-join").json();
    assert_eq!(entrance["code"].as_str(), Some(host.code.as_str()));
    assert!(entrance["modules"].as_array().expect("modules").len() >= 25);
    host.leave();
}

#[test]
fn late_arrivals_early_leavers_and_dead_phones_keep_what_they_had() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let practice = host.to_the_votes();
    assert_eq!(ida.vote(&practice, "a").status, 200);
    host.say("close").expect("closed");
    let late = Phone::join(&host, "Late Lea", None);
    let trial = host.to_the_votes();
    assert_eq!(late.vote(&trial, "b").status, 200);
    assert_eq!(ida.vote(&trial, "b").status, 200);
    assert_eq!(ida.post("/leave", &serde_json::json!({})).status, 200);
    assert_eq!(ida.vote(&trial, "a").status, 409, "who has left does not vote");
    let back = ida.post("/return", &serde_json::json!({}));
    assert_eq!(back.status, 200);
    let again = Phone::seated(host.address, &back);
    assert_eq!(again.state()["vote"]["answer"], "b", "the vote was kept");
    assert_eq!(ida.get("/state").status, 401, "the old token is void");
    host.say("close").expect("closed");
    // The phone dies: another one gets the seat when the host says so.
    assert_eq!(join(host.address, &host.code, "Ida", Some(1)).status, 409);
    host.say("release 1").expect("released");
    let other = Phone::join(&host, "whoever", Some(1));
    assert_eq!(other.state()["alias"], "Ida");
    for _ in 0..2 {
        let trial = host.to_the_votes();
        assert_eq!(other.vote(&trial, "a").status, 200);
        host.say("close").expect("closed");
    }
    host.until(Phase::Counting);
    host.say("next").expect("opened");
    host.until(Phase::Result);
    host.say("results").expect("everything is shown");
    let own = late.state()["result"]["own"]["sentences"].to_string();
    assert!(own.contains("never came from your seat") || own.contains("reported and not counted"), "{own}");
    host.leave();
}

#[test]
fn a_retry_after_a_lost_answer_gets_the_same_receipt_even_after_the_close() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    let first = ida.vote_as(&trial, "a", 1);
    let again = ida.vote_as(&trial, "a", 1);
    assert_eq!((first.status, again.status), (200, 200));
    assert_eq!(first.body, again.body);
    host.say("close").expect("closed");
    assert_eq!(
        ida.vote_as(&trial, "a", 1).body,
        first.body,
        "the answer got lost and votes closed meanwhile"
    );
    assert_eq!(ida.vote_as(&trial, "b", 2).status, 409, "but nothing new is taken");
    host.leave();
}

#[test]
fn a_disturbed_trial_is_repeated_and_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let recorder = Recorder::default();
    let tape = recorder.0.clone();
    let host = Host::start(move || (request_of(session), real_environment(&recorder))).expect("open");
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    assert_eq!(trial, "practice-1-1");
    assert_eq!(ida.vote(&trial, "a").status, 200);
    tape.lock().expect("the tape").events.push(earwitness::player::PlayerEvent::Underrun);
    host.until(Phase::Ready);
    assert_eq!(host.look().trial.as_ref().map(|trial| trial.id.as_str()), Some("practice-1-2"));
    std::thread::sleep(Duration::from_millis(20));
    assert_eq!(ida.state()["vote"], serde_json::Value::Null);
    host.leave();
}

#[test]
fn a_second_terminal_is_the_display_and_paper_blanks_are_missing_votes() {
    let folder = tempfile::tempdir().expect("a folder");
    let sittings = folder.path().join("sittings");
    let none =
        earwitness::ballot::display::RunningNight::find(&sittings).expect_err("no night yet").to_string();
    assert!(none.contains("no night runs here"), "{none}");
    let host = host(folder.path(), 2);
    let running = earwitness::ballot::display::RunningNight::find(&sittings).expect("the night's passes");
    assert_eq!(running.code(), host.code);
    let facts = running.ask().expect("facts");
    assert_eq!((facts.phase, facts.seats), (Phase::Welcome, 0));
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for _ in 0..4 {
        let trial = host.to_the_votes();
        assert_eq!(ida.vote(&trial, "a").status, 200);
        let facts = running.ask().expect("facts");
        assert!(facts.open && facts.voted == 1 && facts.seats == 1, "{facts:?}");
        host.say("close").expect("closed");
    }
    host.until(Phase::Counting);
    // Two counted trials and a control are on the ballot; it is handed in with one answer, so two or one counted ones miss.
    host.say("paper 9 Pia").expect("a seat");
    host.say("9 a").expect("one answer");
    host.say("next").expect("opened");
    host.until(Phase::Result);
    host.say("results").expect("everything is shown");
    let said = ida.state()["result"]["room"]["sentences"].to_string();
    assert!(said.contains("1 vote never came") || said.contains("2 votes never came"), "{said}");
    let last = running.ask().expect("facts").reveal.expect("a reveal");
    assert!(last.at + 1 == last.of && last.lines.join(" ").contains("Receipt of the night"), "{last:?}");
    host.say("back").expect("one step back");
    let before = running.ask().expect("facts").reveal.expect("a reveal");
    assert!(before.lines.join(" ").contains("Chance makes high scores too"), "{before:?}");
    host.leave();
}

#[test]
fn a_closed_night_is_shown_again_and_no_second_one_opens_silently() {
    use earwitness::ballot::command::Command;
    use earwitness::ballot::guard::Paces;
    use earwitness::ballot::hosting::ShownNight;
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for _ in 0..4 {
        let trial = host.to_the_votes();
        assert_eq!(ida.vote(&trial, "a").status, 200);
        host.say("close").expect("closed");
    }
    host.until(Phase::Counting);
    host.say("next").expect("opened");
    host.until(Phase::Result);
    for _ in 0..5 {
        host.say("next").expect("a step");
    }
    let address = host.address;
    let journal = std::fs::read(&host.journal).expect("the journal");
    let key = host.key.clone();
    let before = ida.state();
    let path = host.journal.clone();
    host.leave();

    let again = session(folder.path(), "abx", 2, "");
    let refused = Host::start(move || (request_of(again), real_environment(&Recorder::default())))
        .err()
        .expect("no second night without a word")
        .to_string();
    assert!(refused.contains("--show") && refused.contains("--new"), "{refused}");

    let session = earwitness::session::load(&folder.path().join("session.toml")).expect("the session");
    let environment = real_environment(&Recorder::default()).common;
    let paces = Paces::default();
    let mut shown = ShownNight::open(&session, None, &environment, paces).expect("it is shown");
    assert!(shown.join_address().contains(&address.to_string()), "the phones know this address");
    // Phones are known again, and the reveal is where it was when the program ended.
    let mut after = ida.state();
    for (key, was) in
        [("revealed", &before["revealed"]), ("result", &before["result"]), ("alias", &before["alias"])]
    {
        assert_eq!(after[key].take(), *was, "{key}");
    }
    let display = || {
        raw(address, &request(address, "GET", "/room-state", &[("X-Room-Key", &key)], ""))
            .expect("an answer")
            .json()
    };
    assert_eq!(display()["reveal"]["at"], 5);
    shown.say(&Command::Back).expect("one step back");
    assert_eq!(display()["reveal"]["at"], 4);
    shown.say(&Command::Results).expect("everything");
    assert_eq!(display()["reveal"]["step"]["kind"], "thanks");
    assert!(shown.say(&Command::Void("late".to_owned())).is_err(), "nothing else can be said");
    // Nobody joins or votes any more, and the journal is as it was.
    let vote = std::thread::spawn(move || ida.vote_as("main-1-1", "b", 9).status);
    while !vote.is_finished() {
        shown.turn(Duration::from_millis(10));
    }
    assert_eq!(vote.join().expect("an answer"), 410);
    assert_eq!(std::fs::read(&path).expect("the journal"), journal);
    assert!(ShownNight::open(&session, None, &environment, paces).is_err(), "one at a time");
}

#[test]
fn names_are_marked_when_two_are_the_same_and_nobody_is_the_host() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let names: Vec<String> = ["Ida", "ida", "I\u{200d}da"]
        .into_iter()
        .map(|name| Phone::join(&host, name, None).state()["alias"].as_str().expect("a name").to_owned())
        .collect();
    assert_eq!(names, ["Ida", "ida (2)", "I\u{200d}da (3)"]);
    for name in ["Host", "h o s t", "MILL", "HO\u{200b}ST"] {
        let refused = join(host.address, &host.code, name, None);
        assert_eq!((refused.status, refused.json()["refused"].clone()), (400, "host-name".into()), "{name}");
    }
    for name in ["\u{3164}", "\u{200b}\u{2060}", "   "] {
        assert_eq!(join(host.address, &host.code, name, None).json()["refused"], "bad-name", "{name:?}");
    }
    host.leave();
}

/// Joins that arrive together find no seat free that only one of them may have.
#[test]
fn a_burst_of_joins_from_one_address_takes_no_more_than_its_seats() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let start = || {
        let session = session.clone();
        Host::start(move || {
            let mut environment = real_environment(&Recorder::default());
            (environment.paces.seats_per_address, environment.paces.own_machine_is_free) = (2, false);
            (request_of(session), environment)
        })
        .expect("open")
    };
    let host = start();
    let together = std::sync::Barrier::new(12);
    let statuses: Vec<u16> = std::thread::scope(|scope| {
        let (host, together) = (&host, &together);
        let joins = (0..12).map(|number| {
            scope.spawn(move || {
                together.wait();
                join(host.address, &host.code, &format!("Burst {number}"), None).status
            })
        });
        let joins: Vec<_> = joins.collect();
        joins.into_iter().map(|join| join.join().expect("an answer")).collect()
    });
    assert_eq!(statuses.iter().filter(|&&status| status == 200).count(), 2, "{statuses:?}");
    // Nor does a host who has to start the program again let it have as many once more.
    host.leave();
    let host = start();
    assert_eq!(host.look().taken, 2);
    assert_eq!(join(host.address, &host.code, "Once more", None).json()["refused"], "many-seats");
    for file in std::fs::read_dir(folder.path().join("sittings")).expect("the folder") {
        let bytes = std::fs::read(file.expect("a file").path()).expect("its bytes");
        let address = host.address.ip().to_string();
        let shown = String::from_utf8_lossy(&bytes).replace(&host.address.to_string(), "");
        assert!(!shown.contains(&address), "nobody's address stands there");
    }
    // A join that is refused gives its place back.
    host.say("remove 1-2").expect("taken away");
    host.say("door shared").expect("one address for many");
    assert_eq!(join(host.address, &host.code, "Nora", Some(3)).status, 200);
    host.leave();
}

#[test]
fn the_door_keeps_the_room_for_its_guests() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let host = Host::start(move || {
        let mut request = request_of(session);
        (request.seats, request.paper_seats) = (3, Some((2, 5)));
        let mut environment = real_environment(&Recorder::default());
        (environment.paces.seats_per_address, environment.paces.own_machine_is_free) = (2, false);
        (request, environment)
    })
    .expect("open");
    let refusal =
        |name: &str, seat: Option<u32>| join(host.address, &host.code, name, seat).json()["refused"].clone();
    // A flood from one address: it gets two seats, however often it asks.
    let ida = Phone::join(&host, "Ida", None);
    let ola = Phone::join(&host, "Ola", None);
    assert_eq!((ida.seat, ola.seat), (1, 6), "seats 2 to 5 are for paper");
    for flood in 0..50 {
        assert_eq!(refusal(&format!("Flood {flood}"), None), "many-seats");
    }
    // A phone that has a seat gets its own again.
    let body = serde_json::json!({ "code": host.code, "alias": "Another", "seat": null });
    assert_eq!(ida.post("/join", &body).json()["seat"], 1);
    host.say("door shared").expect("guests share an address");
    assert_eq!(refusal("Eva", Some(3)), "paper-seat");
    let eva = Phone::join(&host, "Eva", None);
    assert_eq!(refusal("Una", None), "full");
    host.say("paper 2 Pia").expect("paper is never crowded out");
    host.say("remove 6").expect("taken away");
    assert_eq!(ola.get("/state").json()["left"], true);
    assert_ne!(ola.post("/return", &serde_json::json!({})).status, 200, "who was removed does not come back");
    let una = Phone::join(&host, "Una", None);
    assert_eq!(refusal("Ada", None), "full");
    host.say("door 9").expect("a larger room");
    host.say("door shut").expect("shut");
    assert_eq!(refusal("Ada", None), "door-shut");
    // A dead phone's seat is given to another one also while the door is shut, and the old phone is told.
    host.say(&format!("release {}", una.seat)).expect("released");
    Phone::join(&host, "whoever", Some(una.seat));
    let told = una.get("/state");
    assert_eq!(
        (told.status, told.json()["refused"].clone(), told.json()["seat"].clone()),
        (401, "released".into(), una.seat.into())
    );
    host.say("door open").expect("open");
    Phone::join(&host, "Ada", None);
    assert_eq!(eva.state()["alias"], "Eva");
    host.leave();
}

#[test]
fn the_host_sees_who_has_not_voted_and_is_asked_before_closing() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let phones: Vec<Phone> =
        (1..=5).map(|number| Phone::join(&host, &format!("Listener {number}"), None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    assert_eq!(phones[1].vote(&trial, "a").status, 200);
    let status = host.say("status").expect("a status").join("\n");
    assert!(status.contains("missing: 1, 3 to 5") && status.contains("Warm-up 1 of 1"), "{status}");
    let asked = host.say("next").expect("a question").join(" ");
    assert!(asked.contains("Missing: 1, 3 to 5."), "{asked}");
    assert!(host.look().open, "votes stay open");
    assert!(host.say("next").expect("closed").is_empty());
    assert!(!host.look().open);
    let trial = host.to_the_votes();
    for phone in &phones {
        assert_eq!(phone.vote(&trial, "a").status, 200);
    }
    assert!(host.say("next").expect("closed at once").is_empty());
    assert!(!host.look().open);
    host.leave();
}

#[test]
fn large_requests_and_answers_that_nobody_reads_end() {
    use std::io::{Read as _, Write as _};
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path(), 2);
    let mut large = std::net::TcpStream::connect(host.address).expect("a connection");
    large.set_read_timeout(Some(Duration::from_secs(5))).expect("a time-out");
    let head = format!("GET / HTTP/1.1\r\nHost: {}\r\nX-Long: {}", host.address, "x".repeat(40_000));
    let _ = large.write_all(head.as_bytes());
    let mut answer = Vec::new();
    let ended = large.read_to_end(&mut answer);
    assert!(!answer.starts_with(b"HTTP/1.1 200"), "a head of 40,000 bytes is not served");
    assert!(
        ended.is_ok() || ended.is_err_and(|error| error.kind() != std::io::ErrorKind::WouldBlock),
        "it is ended"
    );
    assert_eq!(Phone::join(&host, "Ida", None).seat, 1, "and guests come in");
    host.leave();
}

#[test]
fn votes_close_by_themselves_when_every_phone_has_voted_if_the_host_says_so() {
    use std::sync::Arc;
    use std::sync::atomic::Ordering;
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let clock = Arc::new(HandClock::default());
    let hand = clock.clone();
    let host =
        Host::start(move || (request_of(session), environment(hand, &Recorder::default()))).expect("open");
    let (ida, ola) = (Phone::join(&host, "Ida", None), Phone::join(&host, "Ola", None));
    host.say("paper Pia").expect("a paper seat is not waited for");
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    host.say("all on").expect("by themselves");
    host.say("next").expect("presented");
    while host.look().phase != Phase::Voting {
        clock.0.fetch_add(50, Ordering::SeqCst);
        host.settle();
    }
    let trial = host.look().trial.as_ref().expect("a trial").id.clone();
    let later = |milliseconds: u64| {
        clock.0.fetch_add(milliseconds, Ordering::SeqCst);
        host.settle();
        host.look().open
    };
    assert_eq!(ida.vote(&trial, "a").status, 200);
    assert!(later(20_000), "one is missing");
    assert_eq!(ola.vote(&trial, "a").status, 200);
    assert!(later(2000), "a vote may still be changed");
    assert_eq!(ola.vote(&trial, "b").status, 200);
    assert!(!later(1100), "three seconds after the last one came");
    host.leave();
}
