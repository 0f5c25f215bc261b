//! Names, titles, paths and what journals hold are shown and do nothing: no command lets a character through that a terminal
//! acts on, or a line that somebody else wrote.

use std::path::Path;

use earwitness::stats::Protocol;
use earwitness::trial::{Record, Sittings};
use earwitness::units::foreign::acts;

use super::kit;
use super::tampering::rewritten;
use crate::commands::{Ran, earwitness};

/// Sequences that clear a screen (C0, C1), end a text, delete, turn its direction, and begin a line.
const HOSTILE: [&str; 8] = [
    "\u{1b}[2J",
    "\u{9b}2J",
    "\0",
    "\u{7f}",
    "\u{202e}",
    "\u{2066}",
    "\nFAKE: checked from the opened seal",
    "\r\u{2028}FAKE",
];

fn does_nothing(ran: &Ran, what: &str) {
    for text in [&ran.out, &ran.err] {
        let found = text.chars().find(|&character| acts(character) && !matches!(character, '\n' | '\t'));
        assert_eq!(found, None, "{what}: {text:?}");
        assert!(!text.lines().any(|line| line.starts_with("FAKE")), "{what}: {text}");
    }
}

const SESSION: &str = r#"title = "T01"
protocol = "two-afc"
attribute = "T02"
attribute_side = "b"
prepared_by = ["T03"]
trials = 8
[amplifier]
output_resistance = "T04"
[loudspeaker]
impedance_table = "T05"
[cables."T06"]
construction = "T07"
[cables.none]
construction = "direct"
[clips."T08"]
file = "T09"
[[comparisons]]
name = "T10"
a = "T06"
b = "none"
clips = ["T08"]
[wager]
claimant = "T11"
skeptic = "T12"
claim = "T13"
claimant_wins = "T14"
skeptic_wins = "T15"
deciding_sitting = "T16"
"#;

#[test]
fn no_text_of_a_session_or_a_command_line_acts_on_a_terminal() {
    let folder = kit::folder();
    for (number, hostile) in HOSTILE.iter().enumerate() {
        let escaped: String =
            hostile.chars().map(|c| format!("\\u{:04X}", u32::from(c))).collect::<Vec<_>>().concat();
        // Each field meets two of the sequences, and each sequence four fields: all pairs would be a hundred programs.
        for field in (1..=17).filter(|field| field % 4 == number % 4) {
            let text = match field {
                17 => format!("\"a key{escaped}\" = 1\n{SESSION}"),
                field => SESSION.replace(&format!("T{field:02}"), &format!("text{escaped}")),
            };
            std::fs::write(folder.path().join("session.toml"), text).expect("written");
            let ran = earwitness(folder.path(), &["check", "."]);
            does_nothing(&ran, &format!("{hostile:?} in T{field:02}"));
            assert_eq!(ran.code, 2, "{hostile:?} in T{field:02}: {} {}", ran.out, ran.err);
        }
        if !hostile.contains('\0') {
            let name = format!("Ada{hostile}");
            for arguments in [&["run", ".", "--listener", &name][..], &["verify", &name], &["score", &name]] {
                let ran = earwitness(folder.path(), arguments);
                does_nothing(&ran, &format!("{arguments:?}"));
                assert_eq!(ran.code, 2, "{arguments:?}");
            }
        }
    }
}

/// A sound journal in which every text is hostile.
fn journal(hostile: &str, night: bool) -> Vec<u8> {
    let mut draft = if night { super::night::draft(Protocol::Abx) } else { kit::full(Protocol::Abx) };
    let name = |text: &str| format!("{text}{hostile}");
    draft.listener = name("listener");
    draft.terms.title = name("title");
    draft.terms.clips = draft.terms.clips.iter().map(|clip| name(clip)).collect();
    for comparison in &mut draft.terms.comparisons {
        comparison.name = name(&comparison.name);
        comparison.a = name(&comparison.a);
    }
    draft.output.name = name("device");
    if let Some(wager) = &mut draft.terms.wager {
        wager.claim = name("claim");
        wager.claimant_wins = name("pays");
        wager.skeptic_wins = name("pays");
    }
    let mut scripted = kit::in_memory(&draft, 5);
    scripted.disturb = Some(2);
    let mut records = scripted.finish().journal.records;
    for record in &mut records {
        match record {
            Record::Hand { by, text, .. } => (*by, *text) = (name("by"), name("hand")),
            Record::Void { cause, .. } => *cause = name("cause"),
            Record::Answer { listening, .. } => listening.events.push(name("event")),
            _ => {}
        }
    }
    rewritten(&records)
}

fn every_reader(folder: &Path, what: &str) {
    for arguments in [
        &["verify", "."][..],
        &["verify", ".", "--json"],
        &["score", "."],
        &["score", ".", "--json"],
        &["report", "."],
        &["run", ".", "--listener", "Ada", "--output", "silent", "--simulate", "0.9", "--resume"],
    ] {
        does_nothing(&earwitness(folder, arguments), &format!("{what} {arguments:?}"));
    }
}

#[test]
fn no_text_of_a_journal_or_a_folder_acts_on_a_terminal() {
    for (number, hostile) in HOSTILE.iter().enumerate() {
        let folder = kit::folder();
        let sittings = folder.path().join("sittings");
        std::fs::create_dir(&sittings).expect("a folder");
        std::fs::write(sittings.join("a.jsonl"), journal(hostile, number % 2 == 1)).expect("written");
        std::fs::write(sittings.join("b.jsonl"), b"no journal").expect("written");
        if !hostile.contains('\0') {
            std::fs::write(sittings.join(format!("c{hostile}.jsonl")), b"no journal").expect("written");
        }
        every_reader(folder.path(), &format!("{hostile:?}"));
    }
}

/// One file that is no journal is named, and hides no score.
#[test]
fn one_unreadable_journal_hides_no_other_score() {
    let folder = kit::folder();
    let sittings = folder.path().join("sittings");
    let opened = Sittings::lock(&sittings, kit::UTC)
        .expect("a folder")
        .open(kit::draft(kit::terms(Protocol::Abx)), kit::secret(3), None)
        .expect("it opens");
    kit::in_folder(opened).finish();
    std::fs::write(sittings.join("b.jsonl"), b"no journal\n").expect("written");
    let ran = earwitness(folder.path(), &["score", "sittings"]);
    assert_eq!(ran.code, 1, "{} {}", ran.out, ran.err);
    assert!(ran.out.contains("flex-braid") && ran.out.contains("b.jsonl"), "{}", ran.out);
    assert!(ran.err.contains("1 of 2 journals do not verify"), "{}", ran.err);
}
