//! Whole documents as people get them: the shipped sessions' bet, a panel of 20, a club night and a sequential rule, with
//! invented answers.

use std::path::Path;

use earwitness::report::model::Report;
use earwitness::report::page;

use super::material::{Plan, SESSION, Site};
use super::report_of;

/// A site with a shipped session and the files beside it, its text changed.
fn shipped(name: &str, change: impl FnOnce(String) -> String) -> Site {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions").join(name);
    let text = std::fs::read_to_string(from.join("session.toml")).expect("a shipped session");
    Site::with_files(&change(text), |folder| {
        for entry in std::fs::read_dir(&from).expect("its folder") {
            let entry = entry.expect("an entry");
            if entry.path().extension().is_some_and(|extension| extension == "csv") {
                std::fs::copy(entry.path(), folder.join(entry.file_name())).expect("copied");
            }
        }
    })
}

/// A bet of two, which the claimant loses.
pub(super) fn bet() -> Report {
    let mut site = shipped("bet-at-home", |text| text);
    site.hold(&Plan {
        hands: vec![
            ("Ida".to_owned(), "copper kettle".to_owned()),
            ("Jorin".to_owned(), "rain at nine".to_owned()),
        ],
        ..Plan::new("Ida", 11, 0.62)
    });
    report_of(&site)
}

/// A declared panel of so many, of whom some hear it.
pub(super) fn panel(listeners: u64) -> Report {
    let declared = format!("\n[panel]\nlisteners = {listeners}\nsittings_each = 1\n");
    let mut site = shipped("reviewer-panel", |text| text + &declared);
    for number in 1..=listeners {
        let plan = Plan {
            void_every: if number % 4 == 0 { 7 } else { 0 },
            event: (number % 5 == 0).then(|| "the device was slow".to_owned()),
            ..Plan::new(&format!("Panel {number:02}"), 100 + number, if number % 3 == 0 { 0.75 } else { 0.4 })
        };
        site.hold(&plan);
    }
    site.hold(&Plan { stop: Some((9, false)), ..Plan::new("Panel 99", 9, 0.5) });
    report_of(&site)
}

/// A night of 24 seats.
pub(super) fn night() -> Report {
    let mut site = shipped("club-night", |text| text);
    let seats =
        (1..=24).map(|seat| (format!("Seat {seat}"), if seat % 4 == 0 { 0.8 } else { 0.5 })).collect();
    site.hold(&Plan { seats, ..Plan::new("Host", 92, 0.5) });
    report_of(&site)
}

/// A sequential rule that decides.
fn sequential() -> Report {
    let rule =
        "warm_up = 0\nstopping = { kind = \"sequential\", alpha = 0.05, beta = 0.1, proportion = 0.75 }\n";
    let mut site = shipped("club-night", |text| {
        text.replace("warm_up = 1\n", rule).replace("trials = 10", "trials = 30")
    });
    site.hold(&Plan::new("Mika", 5, 0.9));
    report_of(&site)
}

#[test]
fn written_out_for_looking() {
    let Some(folder) = std::env::var_os("EARWITNESS_DOCUMENTS") else { return };
    let folder = Path::new(&folder);
    let documents = [bet(), panel(20), night(), sequential()];
    for (name, report) in ["bet", "panel", "night", "sequential"].into_iter().zip(documents) {
        std::fs::write(folder.join(format!("{name}.html")), page::page(&report)).expect("written");
        std::fs::write(folder.join(format!("{name}-certificates.html")), page::certificates(&report))
            .expect("written");
    }
}

/// The words of page one that are read: no tags, no figures, no links to other pages.
fn front_words(page: &str) -> String {
    let from = page.find("<section class=\"front\"").expect("page one");
    let front = &page[from..from + page[from..].find("</section>").expect("its end")];
    let mut rest = front.to_owned();
    for name in ["svg", "nav", "figcaption"] {
        while let Some(at) = rest.find(&format!("<{name}")) {
            let end = format!("</{name}>");
            let past = at + rest[at..].find(&end).expect("closed") + end.len();
            rest.replace_range(at..past, " ");
        }
    }
    let mut text = String::new();
    for piece in rest.split('<') {
        text.push_str(piece.split_once('>').map_or("", |(_, words)| words));
    }
    text.replace('\u{a0}', " ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn page_one_is_short_and_answers_a_strangers_ten_questions() {
    let wager = "\n[wager]\nclaimant = \"Ada\"\nskeptic = \"Ben\"\nclaim = \"I hear it\"\nclaimant_wins = \"Ben cooks\"\nskeptic_wins = \
                 \"Ada cooks\"\n";
    let mut site = Site::new(&format!("{SESSION}{wager}"));
    site.hold(&Plan::new("Ada", 3, 0.5));
    let text = front_words(&page::page(&report_of(&site)));
    for (question, answer) in [
        ("who won?", "The wager. "),
        ("how sure?", "A guesser does this well "),
        ("could they have cheated?", "Could somebody have cheated? "),
        ("what does 0.2 dB mean?", "to hear a level change in a pure tone"),
        ("who took part?", "Ada answered "),
        ("how many trials?", "answered 12 trials: \u{201c}Is X the same as A or as B?\u{201d}"),
        ("was anything cut or stopped?", "No sitting was stopped or cut off, and no trial repeated."),
        ("what does it not prove?", "It does not prove that the cables sound the same."),
        ("can I check it myself?", "Check it here: your browser checks every draw and score."),
        ("what was it played on?", "as wired; cables simulated, played on a sound device."),
    ] {
        assert!(text.contains(answer), "{question} {text}");
    }
    let words = text.split(' ').count();
    assert!(words <= 300, "{words} words: {text}");
}
