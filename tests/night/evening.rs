//! What the results say, against numbers that were worked out by hand.

use earwitness::ballot::Phase;
use earwitness::{evidence, report};

use super::stage::{Host, Phone, Recorder, raw, real_environment, request, request_of, session};

/// A night in which each listener answers every trial in the same way; `None` says nothing.
fn night(folder: &std::path::Path, more: &str, listeners: &[Option<&str>]) -> (Host, Vec<Phone>) {
    let session = session(folder, "abx", 6, more);
    let host =
        Host::start(move || (request_of(session), real_environment(&Recorder::default()))).expect("open");
    let phones: Vec<Phone> =
        (0..listeners.len()).map(|number| Phone::join(&host, &format!("Listener {number}"), None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    // Six counted trials, a control, and the practice trial.
    for _ in 0..8 {
        let trial = host.to_the_votes();
        for (phone, answer) in phones.iter().zip(listeners) {
            if let Some(answer) = answer {
                assert_eq!(phone.vote(&trial, answer).status, 200);
            }
        }
        host.say("close").expect("closed");
    }
    host.until(Phase::Counting);
    host.say("next").expect("opened");
    host.until(Phase::Result);
    host.say("results").expect("everything is shown");
    (host, phones)
}

#[test]
fn a_room_that_answers_alike_is_one_guess_and_not_twenty() {
    let folder = tempfile::tempdir().expect("a folder");
    let (host, phones) = night(folder.path(), "", &[Some("a"); 20]);
    let checked = crate::trial::kit::check(&host.journal);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    let result = phones[0].state()["result"].clone();
    let room = result["room"]["sentences"].to_string();
    // All say "a" always, so the room's score is 20 times the number of trials whose X was A, and the draws are the only
    // luck: six fair coins. Whatever came, the chance is k/64, never the tiny one of 120 independent answers.
    let together = result["room"]["sentences"][0].as_str().expect("a sentence");
    let right: u32 = together.split(' ').nth(1).and_then(|word| word.parse().ok()).expect("a number");
    assert_eq!(right % 20, 0, "{together}");
    assert!(together.contains("of 120 votes right"), "{together}");
    assert!(together.contains("chance gives about 60."), "{together}");
    let k = right / 20;
    // P(X >= k | 6, 1/2) by counting.
    let tail: u32 = (k..=6).map(|j| [1, 6, 15, 20, 15, 6, 1][j as usize]).sum();
    let p = f64::from(tail) / 64.0;
    let said = earwitness::units::printed::risk(p);
    assert!(together.contains(&format!("do this well {said}")), "{together} against {said}");
    assert!(room.contains("20 listeners took part; 0 votes never came."), "{room}");
    let highest = result["room"]["highest"].to_string();
    assert!(highest.contains("1. Listener 0 (seat 1)"), "{highest}");
    host.leave();
}

/// Where the seal drew which cable is A, room, host and phones hear at the end which it was; the results speak of that A.
#[test]
fn the_reveal_names_the_cable_that_was_drawn_as_a() {
    let mut seen = std::collections::BTreeSet::new();
    for number in 0..20 {
        if seen.len() == 2 {
            break;
        }
        let folder = tempfile::tempdir().expect("a folder");
        let session = session(folder.path(), "abx", 2, "[panel]\nlisteners = 2\ncable_a = \"drawn\"\n");
        let host = Host::start(move || {
            let mut environment = real_environment(&Recorder::default());
            environment.common.secret =
                std::sync::Arc::new(move || Ok(earwitness::trial::Secret::from_bytes([number; 32])));
            (request_of(session), environment)
        })
        .expect("open");
        let phones = [Phone::join(&host, "Ada", None), Phone::join(&host, "Bel", None)];
        host.say("next").expect("accepted");
        host.say("next").expect("sealed");
        for _ in 0..4 {
            let trial = host.to_the_votes();
            for phone in &phones {
                assert_eq!(phone.vote(&trial, "a").status, 200);
            }
            host.say("close").expect("closed");
        }
        host.until(Phase::Counting);
        host.say("next").expect("opened");
        host.until(Phase::Result);
        let checked = crate::trial::kit::check(&host.journal);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        let drawn = checked.closing.as_ref().and_then(|closing| closing.drawn.as_ref()).expect("drawn once");
        let (a, b) = if drawn.is_exchanged(0) { ("none", "bell") } else { ("bell", "none") };
        let asked = request(host.address, "GET", "/room-state", &[("X-Room-Key", &host.key)], "");
        let room = raw(host.address, &asked).expect("it answers").json();
        assert_eq!(room["reveal"]["step"]["compared"], serde_json::json!([[a, b]]), "{room}");
        host.say("results").expect("everything is shown");
        for phone in &phones {
            let result = phone.state()["result"].clone();
            assert_eq!(result["room"]["verdicts"][0]["compared"], serde_json::json!([a, b]), "{result}");
        }
        seen.insert(a);
        host.leave();
    }
    assert_eq!(seen.len(), 2, "each cable was A once");
}

#[test]
fn votes_that_never_came_are_reported_and_count_as_the_session_says() {
    for (more, as_wrong) in [("", false), ("missing_votes = \"wrong\"\n", true)] {
        let folder = tempfile::tempdir().expect("a folder");
        let (host, phones) = night(folder.path(), more, &[Some("a"), None]);
        let silent = phones[1].state()["result"]["own"]["sentences"].to_string();
        assert!(silent.contains("6 votes never came from your seat"), "{silent}");
        if as_wrong {
            assert!(silent.contains("0 of 6 right") && silent.contains("counts them as wrong"), "{silent}");
        } else {
            assert!(silent.contains("No counted answers") && silent.contains("not counted"), "{silent}");
        }
        let room = phones[0].state()["result"]["room"]["sentences"].to_string();
        assert!(room.contains("6 votes never came"), "{room}");
        let votes = if as_wrong { "of 12 votes right" } else { "of 6 votes right" };
        assert!(room.contains(votes), "one rule for votes that never came: {room}");
        host.leave();
    }
}

#[test]
fn a_night_that_is_stopped_early_proves_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 6, "");
    let host =
        Host::start(move || (request_of(session), real_environment(&Recorder::default()))).expect("open");
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    for _ in 0..3 {
        let trial = host.to_the_votes();
        assert_eq!(ida.vote(&trial, "a").status, 200);
        host.say("close").expect("closed");
    }
    assert!(host.say("stop").expect("asked")[0].contains("confirm"));
    host.say("back").expect("not yet");
    host.say("stop").expect("asked");
    host.say("confirm").expect("confirmed");
    host.until(Phase::Result);
    host.say("results").expect("everything is shown");
    let result = ida.state()["result"].clone();
    let own = result["own"]["sentences"][0].as_str().expect("a sentence");
    assert!(own.contains("stopped before its end") || own.contains("No counted answers"), "{own}");
    let room = result["room"]["sentences"].to_string();
    assert!(room.contains("either way") || room.contains("Nobody voted"), "{room}");
    host.leave();
}

#[test]
fn each_protocol_asks_its_own_question_on_phones_and_in_the_room() {
    use earwitness::stats::protocol::{Asks, Definition};
    for protocol in earwitness::stats::Protocol::ALL {
        let folder = tempfile::tempdir().expect("a folder");
        let session = session(folder.path(), protocol.name(), 1, "");
        let host = Host::start(move || (request_of(session), real_environment(&Recorder::default())))
            .unwrap_or_else(|error| panic!("{protocol}: {error}"));
        let ida = Phone::join(&host, "Ida", None);
        host.say("next").expect("accepted");
        host.say("next").expect("sealed");
        host.to_the_votes();
        let definition = Definition::of(protocol);
        let attribute = (protocol.asks() == Asks::Attribute).then_some("brighter");
        let display = request(host.address, "GET", "/room-state", &[("X-Room-Key", &host.key)], "");
        let room = raw(host.address, &display).expect("the room's state").json();
        let phone = ida.state();
        for (surface, state) in [("phone", &phone), ("room", &room)] {
            let trial = &state["trial"];
            assert_eq!(trial["question"], definition.question(attribute), "{protocol}, {surface}: {trial}");
            assert_eq!(trial["protocol"], definition.name, "{protocol}, {surface}");
            assert_eq!(trial["attribute"].as_str(), attribute, "{protocol}, {surface}");
        }
        let said: Vec<(String, String)> = phone["trial"]["alternatives"]
            .as_array()
            .expect("answers")
            .iter()
            .map(|one| {
                (one["name"].as_str().expect("a name").into(), one["label"].as_str().expect("a label").into())
            })
            .collect();
        let own = definition.alternatives.iter();
        let own: Vec<(String, String)> =
            own.map(|one| (one.name.to_owned(), one.label(attribute).into_owned())).collect();
        assert_eq!(said, own, "{protocol}");
        host.leave();
    }
}

#[test]
fn tables_outlive_a_restart_and_stand_in_report_table_and_journal() {
    let folder = tempfile::tempdir().expect("a folder");
    let open = |tables: u32| {
        let session = session(folder.path(), "abx", 1, "");
        let begin = move || {
            let request = earwitness::ballot::hosting::NightRequest { tables, ..request_of(session) };
            (request, real_environment(&Recorder::default()))
        };
        Host::start(begin).expect("open")
    };
    let sit = |host: &Host, table: u32| {
        let body = serde_json::json!({ "code": host.code, "alias": format!("At {table}"), "table": table })
            .to_string();
        raw(host.address, &request(host.address, "POST", "/join", &[], &body)).expect("an answer")
    };
    let host = open(2);
    assert_eq!(sit(&host, 3).status, 400, "there are two tables");
    let _ = Phone::seated(host.address, &sit(&host, 1));
    host.leave();
    // The same command without --tables: the journal knows.
    let host = open(0);
    assert_eq!(host.look().tables, 2);
    let two = Phone::seated(host.address, &sit(&host, 2));
    for _ in 0..2 {
        host.say("next").expect("sealed");
    }
    for _ in 0..3 {
        let trial = host.to_the_votes();
        assert_eq!(two.vote(&trial, "a").status, 200);
        host.say("close").expect("closed");
    }
    host.until(Phase::Counting);
    let file = folder.path().join("paper.csv");
    std::fs::write(&file, "seat,name,table,1,2\n2,At 2,1,a,b\n").expect("written");
    let refused = host.say(&format!("import {}", file.display())).expect_err("seat 2 is at table 2");
    assert!(refused.contains("not at table 1"), "{refused}");
    std::fs::write(&file, "seat,name,table,1,2\n7,Paper Pia,1,a,b\n").expect("written");
    host.say(&format!("import {}", file.display())).expect("taken");
    host.say("next").expect("opened");
    host.until(Phase::Result);
    let results = host.look().results.clone().expect("results");
    let shown: Vec<String> = results.steps.iter().flat_map(earwitness::ballot::reveal::Step::lines).collect();
    host.leave();
    let site = session(folder.path(), "abx", 1, "");
    let readings = vec![evidence::folder(&site.sittings_folder(), None).expect("the folder can be read")];
    let report = report::report(&site, readings, evidence::Options::default());
    let tables = report.tables.as_ref().expect("tables");
    let rows: Vec<(u32, usize, u64)> =
        tables.rows.iter().map(|row| (row.table, row.listeners, row.votes)).collect();
    assert!(rows.contains(&(1, 2, 1)) && rows.contains(&(2, 1, 1)), "{rows:?}");
    for row in &tables.rows {
        let said = format!("Table {}: {} of {} right.", row.table, row.right, row.votes);
        assert!(
            shown.iter().any(|line| line.starts_with(&said)),
            "the reveal says the same: {said} {shown:?}"
        );
        let cell = format!(">{} of {}</td>", row.right, row.votes);
        assert!(report::page::page(&report).contains(&cell), "{cell}");
    }
    let csv = crate::report::csv_of(&report);
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let at = reader.headers().expect("a head").iter().position(|name| name == "table").expect("a column");
    let found: std::collections::BTreeSet<String> =
        reader.records().map(|row| row.expect("a row")[at].to_owned()).collect();
    assert_eq!(found.into_iter().collect::<Vec<_>>(), ["1", "2"]);
}
