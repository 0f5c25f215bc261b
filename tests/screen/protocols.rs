//! Each protocol on each surface: the words and numbers that its data give, and none of another protocol's. With a real
//! sitting by keys in a pseudo-terminal.

use std::path::Path;

use earwitness::stats::protocol::{Asks, Definition, Inquiry};
use earwitness::stats::{Protocol, one};
use earwitness::trial::verify;

use super::rig;
use super::terminal::Terminal;
use crate::commands::{PROGRAM, earwitness};

/// Trials of the sessions here.
const TRIALS: u32 = 8;

fn head(protocol: Protocol) -> &'static str {
    match protocol.asks() {
        Asks::Attribute => "attribute = \"brighter\"\nattribute_side = \"b\"",
        Asks::Difference | Asks::Preference => "",
    }
}

fn session(folder: &Path, protocol: Protocol, trials: u32) {
    rig::session(folder, protocol.name(), trials, head(protocol), "");
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What a surface must say of a protocol, and what belongs to others.
fn holds(protocol: Protocol, surface: &str, text: &str, says: &[&str]) {
    let text = one_line(text);
    for words in says {
        assert!(text.contains(words), "{protocol}, {surface}: \"{words}\" is missing in\n{text}");
    }
    let foreign: &[&str] = match protocol.asks() {
        Asks::Preference => &["right of", "of 8 right", "missed controls", "hears it in", "Guesser"],
        Asks::Difference => &["preferred", "prefer 1", "brighter"],
        Asks::Attribute => &["preferred", "prefer 1", "odd one"],
    };
    for words in foreign {
        assert!(!text.contains(words), "{protocol}, {surface}: \"{words}\" is another protocol's in\n{text}");
    }
}

#[test]
fn each_protocol_says_what_it_means_on_each_surface() {
    for protocol in Protocol::ALL {
        let definition = Definition::of(protocol);
        let attribute = (protocol.asks() == Asks::Attribute).then_some("brighter");
        let question = definition.question(attribute);
        let inquiry = Inquiry::from(protocol);
        let needed =
            one::critical(inquiry, u64::from(TRIALS), 0.05).expect("eight trials can show something");
        let folder = tempfile::tempdir().expect("a temporary folder");
        let here = folder.path();
        session(here, protocol, TRIALS);
        let run = |arguments: &[&str]| {
            let ran = earwitness(here, arguments);
            assert_eq!(ran.code, 0, "{protocol}, {arguments:?}: {}\n{}", ran.out, ran.err);
            ran.out
        };
        let (claim, counts) = match protocol.asks() {
            Asks::Difference => ("flex and none sound different", "right"),
            Asks::Attribute => ("none is brighter than flex", "right"),
            Asks::Preference => ("one of flex and none is preferred", "for either flex or none"),
        };
        let listen = format!("listen to {}", inquiry.asked_about());
        let score = format!("{needed} of {TRIALS} {counts}");
        holds(
            protocol,
            "check",
            &run(&["check", "."]),
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
        let mut says = vec![question.as_str(), claim, "listen first", "not heard yet"];
        says.extend(labels.iter().map(String::as_str));
        holds(protocol, "terms and trial", &lines.out, &says);
        // A simulated sitting to its end, and everything that is made of it.
        let result = run(&["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "1"]);
        let counted = match protocol.asks() {
            Asks::Difference | Asks::Attribute => "8 of 8 right",
            Asks::Preference => "of 8 for",
        };
        match protocol.asks() {
            Asks::Difference | Asks::Attribute => holds(protocol, "result", &result, &[counted]),
            Asks::Preference => holds(protocol, "result", &result, &[counted, "for flex", "for none"]),
        }
        holds(protocol, "score", &run(&["score", "."]), &[counted]);
        run(&["report", "."]);
        let file = |name: &str| std::fs::read_to_string(here.join("report").join(name)).expect(name);
        let html = file("report.html");
        holds(protocol, "report", &html[html.find("<body").expect("a body")..], &[definition.title, counted]);
        // Which alternatives were right was drawn; at least one of them was answered.
        let csv = file("report.csv");
        let answered = |name: &str| csv.contains(&format!(",{name},"));
        assert!(definition.alternatives.iter().any(|own| answered(own.name)), "{protocol}, csv:\n{csv}");
        holds(protocol, "csv", &csv, &[]);
        // The ballots of a night by hand.
        run(&["night", ".", "--ballots", "ballots.html", "--seats", "2"]);
        let ballots = std::fs::read_to_string(here.join("ballots.html")).expect("the ballots");
        let mut says = vec![question.as_str()];
        says.extend(labels.iter().map(String::as_str));
        holds(protocol, "paper", &ballots, &says);
        // The score and the plan of bare numbers.
        let line = format!("score --protocol {protocol} --correct 8 --trials 8");
        let found = run(&line.split(' ').collect::<Vec<_>>());
        holds(
            protocol,
            "score of counts",
            &found,
            match protocol.asks() {
                Asks::Difference => &["8 of 8 right: a difference between A and B was heard", "d-prime"],
                Asks::Attribute => &["8 of 8 right: A was heard as more pronounced", "d-prime"],
                Asks::Preference => &["8 of 8 for B: B was preferred", "lead of side B"],
            },
        );
        assert_eq!(found.contains("d-prime"), protocol.asks().has_right_answer(), "{protocol}: {found}");
        let line = format!("plan --protocol {protocol} --discriminators 0.5");
        let plan = run(&line.split(' ').collect::<Vec<_>>());
        let effect = match protocol.asks() {
            Asks::Difference | Asks::Attribute => "right in",
            Asks::Preference => "one side preferred in 75 % of answers",
        };
        holds(protocol, "plan", &plan, &[protocol.name(), effect, "needed"]);
    }
}

#[test]
fn each_protocol_is_played_by_keys_in_a_terminal() {
    for protocol in Protocol::ALL {
        let definition = Definition::of(protocol);
        let folder = tempfile::tempdir().expect("a temporary folder");
        session(folder.path(), protocol, 1);
        let line = ["run", ".", "--listener", "Mara", "--output", "silent"];
        let mut terminal = Terminal::start(folder.path(), Path::new(PROGRAM), &line, &[]);
        while terminal.wait(&[
            "Trial 1 of 1",
            "Enter accept",
            "Enter read on",
            "The seal:",
            "The counted trials",
        ]) > 0
        {
            terminal.press("\r");
            std::thread::sleep(std::time::Duration::from_millis(150));
        }
        // A burst gives no answer: nothing has sounded for long enough.
        let slots: Vec<String> = definition.slots.iter().map(|slot| slot.label.to_lowercase()).collect();
        terminal.press(&slots.concat());
        terminal.press("\x1b[B");
        terminal.wait(&["listen first"]);
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
        while terminal.wait(&["Enter close", "Enter read on"]) > 0 {
            terminal.press("\r");
            std::thread::sleep(std::time::Duration::from_millis(150));
        }
        terminal.press("\r");
        let (code, after) = terminal.end();
        assert_eq!(code, 0, "{protocol}: {after}");
        let journal = std::fs::read_dir(folder.path().join("sittings"))
            .expect("sittings")
            .map(|entry| entry.expect("an entry").path())
            .find(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
            .expect("a journal");
        let checked = verify::check(&journal);
        assert!(checked.is_sound(), "{protocol}: {:?}", checked.problems);
    }
}
