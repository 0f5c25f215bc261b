//! Each protocol on each surface: the words and numbers that its data give, and none of another protocol's. With a real
//! sitting by keys in a pseudo-terminal.

use std::path::Path;

use earwitness::session::template::template;
use earwitness::stats::protocol::{Asks, Definition, Inquiry, Side, Sides};
use earwitness::stats::{Protocol, one};

use super::rig;
use super::terminal::Terminal;
use crate::commands::{PROGRAM, earwitness};

/// Trials of the sessions here.
const TRIALS: u32 = 8;

/// Every protocol as it is usually tested, and the one that may be tested either way in its other way.
fn inquiries() -> impl Iterator<Item = Inquiry> {
    let usual = Protocol::ALL.into_iter().map(Inquiry::from);
    let other = Inquiry::new(Protocol::TwoAfc, Sides::Two).expect("offered");
    usual.chain([other])
}

fn session(folder: &Path, inquiry: Inquiry, trials: u32) {
    let head = match (inquiry.protocol.asks(), inquiry.sides) {
        (Asks::Attribute, Sides::One) => "attribute = \"brighter\"\nattribute_side = \"b\"",
        (Asks::Attribute, Sides::Two) => "attribute = \"brighter\"\nsides = \"two\"",
        (Asks::Difference | Asks::Preference, _) => "",
    };
    rig::session(folder, inquiry.protocol.name(), trials, head, "");
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What a surface must say of a protocol, and what belongs to others.
fn holds(inquiry: Inquiry, surface: &str, text: &str, says: &[&str]) {
    let protocol = inquiry.protocol;
    let text = one_line(text);
    for words in says {
        assert!(text.contains(words), "{protocol}, {surface}: \"{words}\" is missing in\n{text}");
    }
    let foreign: &[&str] = match (protocol.asks(), inquiry.sides) {
        (Asks::Preference, _) => &["right of", "of 8 right", "missed controls", "hears it in", "Guesser"],
        (Asks::Difference, _) => &["preferred", "prefer 1", "brighter"],
        (Asks::Attribute, Sides::One) => &["preferred", "prefer 1", "odd one", "1 is more pronounced"],
        (Asks::Attribute, Sides::Two) => {
            &["preferred", "of 8 right", "(the right answer", "odd one", "1 is more pronounced"]
        }
    };
    for words in foreign {
        assert!(!text.contains(words), "{protocol}, {surface}: \"{words}\" is another protocol's in\n{text}");
    }
}

#[test]
fn each_protocol_says_what_it_means_on_each_surface() {
    for inquiry in inquiries() {
        let protocol = inquiry.protocol;
        let definition = Definition::of(protocol);
        let attribute = (protocol.asks() == Asks::Attribute).then_some("brighter");
        let question = definition.question(attribute);
        let needed =
            one::critical(inquiry, u64::from(TRIALS), 0.05).expect("eight trials can show something");
        let folder = tempfile::tempdir().expect("a temporary folder");
        let here = folder.path();
        session(here, inquiry, TRIALS);
        let run = |arguments: &[&str]| {
            let ran = earwitness(here, arguments);
            assert_eq!(ran.code, 0, "{protocol}, {arguments:?}: {}\n{}", ran.out, ran.err);
            ran.out
        };
        let either = "for either flex or none";
        let (claim, counts) = match (protocol.asks(), inquiry.sides) {
            (Asks::Difference, _) => ("flex and none sound different", "right"),
            (Asks::Attribute, Sides::One) => ("none is brighter than flex", "right"),
            (Asks::Attribute, Sides::Two) => ("one of flex and none is brighter", either),
            (Asks::Preference, _) => ("one of flex and none is preferred", either),
        };
        let listen = format!("listen to {}", inquiry.asked_about());
        let score = format!("{needed} of {TRIALS} {counts}");
        holds(
            inquiry,
            "check",
            &run(&["check", ".", "--full"]),
            &[&question, definition.title, claim, &listen, "for at least 1 s", &score],
        );
        // A person's terms and trial in plain lines, left at the first trial.
        let lines = rig::piped(
            here,
            &["run", ".", "--listener", "Nora", "--plain", "--output", "silent"],
            "\n\n\n\n\n\n\nhelp\nanswer 1\n",
        );
        let labels: Vec<String> = definition
            .alternatives
            .iter()
            .map(|alternative| alternative.label(attribute).into_owned())
            .collect();
        let mut says = vec![question.as_str(), claim, "before you answer"];
        says.extend(labels.iter().map(String::as_str));
        holds(inquiry, "terms and trial", &lines.out, &says);
        // A simulated sitting to its end, and everything that is made of it.
        let result = run(&["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "1"]);
        let counted = if inquiry.has_right_answer() { "8 of 8 right" } else { "of 8 for" };
        if inquiry.has_right_answer() {
            holds(inquiry, "result", &result, &[counted]);
        } else {
            holds(inquiry, "result", &result, &[counted, "for flex", "for none"]);
        }
        holds(inquiry, "score", &run(&["score", "."]), &[counted]);
        run(&["report", "."]);
        let file = |name: &str| std::fs::read_to_string(here.join("report").join(name)).expect(name);
        let html = file("report.html");
        holds(inquiry, "report", &html[html.find("<body").expect("a body")..], &[definition.title, counted]);
        // Which alternatives were right was drawn; at least one of them was answered.
        let csv = file("report.csv");
        let answered = |name: &str| csv.contains(&format!(",{name},"));
        assert!(definition.alternatives.iter().any(|own| answered(own.name)), "{protocol}, csv:\n{csv}");
        holds(inquiry, "csv", &csv, &[]);
        let mut rows = csv::Reader::from_reader(csv.as_bytes());
        let heads = rows.headers().expect("heads").clone();
        let column = |name: &str| heads.iter().position(|head| head == name).expect(name);
        let rows: Vec<csv::StringRecord> = rows.records().map(|row| row.expect("a row")).collect();
        let with = |name: &str, value: &str| rows.iter().filter(|row| &row[column(name)] == value).count();
        let (right, for_b) = (with("correct", "1"), with("answer_for_side", "B"));
        assert_eq!(
            with("correct", ""),
            if inquiry.has_right_answer() { 0 } else { 8 },
            "{protocol}, csv:\n{csv}"
        );
        assert_eq!(right, if inquiry.has_right_answer() { 8 } else { 0 }, "{protocol}, csv:\n{csv}");
        // One score on every surface, tested in the inquiry's own direction.
        let score = if inquiry.has_right_answer() { right } else { for_b } as u64;
        let numbers = one::analyse(inquiry, score, u64::from(TRIALS), 0.05).expect("counts");
        let said = |found: &serde_json::Value, surface: &str| {
            assert_eq!(found["correct"], score, "{protocol}, {surface}");
            let p = found["p_value"].as_f64().expect("a number");
            assert!((p / numbers.p_value - 1.0).abs() < 1e-12, "{protocol}, {surface}: {p}");
        };
        let parsed = |text: &str| -> serde_json::Value { serde_json::from_str(text).expect("JSON") };
        said(&parsed(&run(&["score", ".", "--json"]))["comparisons"][0]["pooled"], "score --json");
        said(&parsed(&file("report.json"))["comparisons"][0], "report.json");
        let certificate = file("certificates.html").replace('\u{a0}', " ");
        let certificate = &certificate[certificate.find("<body").expect("a body")..];
        let shown = format!("{score} of {TRIALS}");
        let p = format!("<dd>{}</dd>", earwitness::units::printed::probability(numbers.p_value));
        holds(
            inquiry,
            "certificate",
            certificate,
            &[inquiry.counted_unnamed(), inquiry.share_short(), &shown, &p],
        );
        // The ballots of a night by hand.
        run(&["night", ".", "--ballots", "ballots.html", "--seats", "2"]);
        let ballots = std::fs::read_to_string(here.join("ballots.html")).expect("the ballots");
        let mut says = vec![question.as_str()];
        says.extend(labels.iter().map(String::as_str));
        holds(inquiry, "paper", &ballots, &says);
        // The page of the format, and what a new session says.
        let letter = |side: &Side| if *side == Side::A { 'a' } else { 'b' };
        let orders: Vec<String> =
            definition.orders.iter().map(|order| order.iter().map(letter).collect()).collect();
        let names: Vec<&str> = definition.alternatives.iter().map(|alternative| alternative.name).collect();
        let row = format!("| {protocol} | {} | {} |", orders.join(" "), names.join(" "));
        assert!(include_str!("../../src/trial/FORMAT.md").contains(&row), "{row} is missing in FORMAT.md");
        let remark = format!("\n# {:<14} {}\n", definition.name, protocol.about());
        assert!(template().contains(&remark), "{protocol}: no remark");
        // What phones and the room's display put into words in English, where they know the protocol.
        let texts: serde_json::Value =
            serde_json::from_str(include_str!("../../src/ballot/pages/texts.json")).expect("JSON");
        let placeholder = Some("{attribute}");
        assert_eq!(texts[format!("question.{protocol}")][0], definition.question(placeholder));
        for own in definition.alternatives {
            assert_eq!(texts[format!("choice.{protocol}.{}", own.name)][0], *own.label(placeholder));
        }
        // The score and the plan of bare numbers.
        let sides = if inquiry == Inquiry::from(protocol) { "" } else { " --sides two" };
        let line = format!("score --protocol {protocol}{sides} --correct 8 --trials 8");
        let found = run(&line.split(' ').collect::<Vec<_>>());
        holds(
            inquiry,
            "score of counts",
            &found,
            match (protocol.asks(), inquiry.sides) {
                (Asks::Difference, _) => &["8 of 8 right: a difference between A and B was heard", "d-prime"],
                (Asks::Attribute, Sides::One) => &["8 of 8 right: A was heard as more", "d-prime"],
                (Asks::Attribute, Sides::Two) => &["8 of 8 for B: B was heard as more", "lead of side B"],
                (Asks::Preference, _) => &["8 of 8 for B: B was preferred", "lead of side B"],
            },
        );
        assert_eq!(found.contains("d-prime"), protocol.asks().has_right_answer(), "{protocol}: {found}");
        let line = format!("plan --protocol {protocol}{sides} --discriminators 0.5");
        let plan = run(&line.split(' ').collect::<Vec<_>>());
        let effect = match (protocol.asks(), inquiry.sides) {
            (Asks::Difference, _) | (Asks::Attribute, Sides::One) => "right in",
            (Asks::Attribute, Sides::Two) => "one side named in 75 % of answers",
            (Asks::Preference, _) => "one side preferred in 75 % of answers",
        };
        holds(inquiry, "plan", &plan, &[protocol.name(), effect, "needed"]);
    }
}

#[test]
fn each_protocol_is_played_by_keys_in_a_terminal() {
    for protocol in Protocol::ALL {
        crate::unless_sound_drops_out(|| played_by_keys(protocol));
    }
}

fn played_by_keys(protocol: Protocol) {
    let definition = Definition::of(protocol);
    let folder = tempfile::tempdir().expect("a temporary folder");
    session(folder.path(), protocol.into(), 1);
    let line = ["run", ".", "--listener", "Mara", "--output", "silent"];
    let mut terminal = Terminal::start(folder.path(), Path::new(PROGRAM), &line, &[]);
    while terminal.wait(&[
        "Trial 1 of 1",
        "Enter accept",
        "Enter read on",
        "The seal:",
        "The trials that count",
    ]) > 0
    {
        terminal.press("\r");
        std::thread::sleep(std::time::Duration::from_millis(150));
    }
    // A burst gives no answer: nothing has sounded for long enough.
    let slots: Vec<String> = definition.slots.iter().map(|slot| slot.label.to_lowercase()).collect();
    terminal.press(&slots.concat());
    terminal.press("\x1b[B");
    terminal.wait(&["! Listen to "]);
    for (slot, key) in definition.slots.iter().zip(&slots) {
        if slot.must_hear {
            terminal.press(key);
            terminal.wait(&["you hear this"]);
            std::thread::sleep(std::time::Duration::from_millis(1150));
        }
    }
    terminal.heard();
    terminal.press("\x1b[B");
    terminal.wait(&["Enter records"]);
    let attribute = (protocol.asks() == Asks::Attribute).then_some("brighter");
    let screen = one_line(&terminal.screen());
    assert!(screen.contains(&definition.question(attribute)), "{protocol}: {screen}");
    terminal.press("\r");
    terminal.wait(&["Enter trial by trial", "Enter read on"]);
    terminal.press("q");
    let (code, after) = terminal.end();
    assert_eq!(code, 0, "{protocol}: {after}");
    let journal = std::fs::read_dir(folder.path().join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
        .expect("a journal");
    let checked = crate::trial::kit::check(&journal);
    assert!(checked.is_sound(), "{protocol}: {:?}", checked.problems);
}

/// Controls that no answer to the question fits, or that nobody is right or wrong about, are asked before the counted
/// trials as the odd one out.
#[test]
fn controls_are_asked_as_the_odd_one_out_before_a_question_they_do_not_fit() {
    let level = "[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 0";
    let first = "qualification = { trials = 4, correct = 3, protocol = \"triangle\" }";
    for (protocol, head) in
        [(Protocol::Preference, ""), (Protocol::TwoAfc, "attribute = \"brighter\"\nattribute_side = \"b\"\n")]
    {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let here = folder.path();
        rig::session(here, protocol.name(), 2, &format!("{head}{first}"), level);
        let run = |arguments: &[&str], code: i32| {
            let ran = earwitness(here, arguments);
            assert_eq!(ran.code, code, "{protocol}, {arguments:?}: {}\n{}", ran.out, ran.err);
            one_line(&ran.out)
        };
        let asked = "each asked \"Which one is different?\" (triangle)";
        assert!(run(&["check", "."], 0).contains(asked));
        let sat = run(&["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "1"], 0);
        assert!(sat.contains("4 right of 4"), "{sat}");
        let missed = run(&["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0"], 0);
        assert!(missed.contains("0 of 4: the agreed 3 of 4 was not reached"), "{missed}");
        run(&["verify", ".", "--session", "."], 0);
        run(&["report", "."], 0);
        let csv = std::fs::read_to_string(here.join("report/report.csv")).expect("the table");
        let asked: Vec<&str> = csv.lines().filter(|line| line.contains(",qualification,")).collect();
        assert_eq!(asked.len(), 8, "{csv}");
        // Three presentations, one of them different, and the answer says which.
        for row in asked {
            let cells: Vec<&str> = row.split(',').collect();
            let presented =
                cells.iter().find(|cell| cell.len() == 3 && cell.chars().all(|c| "AB".contains(c)));
            let presented = presented.unwrap_or_else(|| panic!("{row}"));
            let odd =
                (0..3).find(|&at| presented.matches(&presented[at..=at]).count() == 1).expect("one is odd");
            assert!(row.contains(&format!(",{},", odd + 1)), "{row}");
        }
    }
}
