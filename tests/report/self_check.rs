//! The report checks itself in a browser: whole pages hold, tampered ones do not, and names that are withheld stay so.

use std::path::{Path, PathBuf};

use earwitness::evidence::Options;
use earwitness::report::page;
use earwitness::stats::Protocol;
use earwitness::trial::copy::{self, WitnessCopy};
use earwitness::trial::lock::LockKey;
use earwitness::trial::{Digest, Record, journal};
use serde_json::Value;

use super::material::{Plan, SESSION, Site, many_comparisons};
use super::{report_of, report_with};
use crate::trial::{hands, python, sizes};

/// Presses the button of each page; what each says, in the same order.
fn pressed(files: &[PathBuf], more: &[&str]) -> Vec<Value> {
    let found = crate::pages_in_browser("self_check.mjs", more, files);
    for page in &found {
        for nothing in ["console", "errors", "requests"] {
            assert_eq!(page[nothing], serde_json::json!([]), "{}", page["page"]);
        }
        assert_eq!(page["overflow"], 0, "{}", page["page"]);
    }
    found
}

/// What the page says of each receipt or witness's copy that is held against its journals, in the same order.
fn held(page: &[PathBuf; 1], option: &str, kept: &[String]) -> Vec<String> {
    let more: Vec<&str> = kept.iter().flat_map(|one| [option, one]).collect();
    let found = pressed(page, &more);
    let said = found[0]["held"].as_array().expect("a list").iter();
    said.map(|one| one.as_str().expect("a sentence").to_owned()).collect()
}

fn written(folder: &Path, name: &str, html: &str) -> PathBuf {
    let file = folder.join(format!("{name}.html"));
    std::fs::write(&file, html).expect("written");
    file
}

/// The page without its pictures, which the check does not look at and a browser lays out for long.
fn without_pictures(html: &str) -> String {
    let mut light = String::with_capacity(html.len());
    let mut rest = html;
    while let Some((before, after)) = rest.split_once("<svg ") {
        light.push_str(before);
        rest = after.split_once("</svg>").expect("a picture ends").1;
    }
    light + rest
}

/// A panel of five whose three comparisons come in the order of a design and whose A is drawn; a look ends it after two.
fn balanced() -> Site {
    let balance = "order_of_comparisons = \"williams\"\ncable_a = \"drawn\"";
    let panel = format!("\n[panel]\nlisteners = 5\nlooks = [2]\n{balance}\n");
    let mut site = Site::new(&(many_comparisons(3) + &panel));
    site.hold(&Plan::new("Ada", 61, 1.0));
    site.hold(&Plan { void_every: 4, ..Plan::new("Bel", 62, 1.0) });
    let watched = vec!["Jorin".to_owned()];
    site.hold(&Plan { hands: Vec::new(), watched, ..Plan::new("Cyd", 63, 0.5) });
    site
}

/// A sitting whose real cables are switched at times from the seal.
fn cables() -> Site {
    let switcher = "[switcher]\nkind = \"command\"\ncommand = [\"./switch\", \"{terminal}\"]\nterminals = [\"thin\", \"thick\"]\n";
    let mut site = Site::new(&format!("{SESSION}\n{switcher}"));
    site.hold(&Plan { void_every: 5, ..Plan::new("Fay", 71, 0.8) });
    site
}

/// Three sittings of two comparisons, one of them with void attempts, and one that is unfinished.
fn panel() -> Site {
    let mut site = Site::new(&many_comparisons(2));
    site.hold(&Plan::new("Ada & <Ben>", 1, 0.9));
    site.hold(&Plan { void_every: 3, ..Plan::new("Bel", 2, 0.6) });
    let watched = vec!["Jorin".to_owned(), "Pia".to_owned()];
    site.hold(&Plan { hands: Vec::new(), watched, void_every: 4, ..Plan::new("Cyd", 3, 0.5) });
    site.hold(&Plan { stop: Some((5, false)), ..Plan::new("Dov", 4, 0.5) });
    site
}

#[test]
fn whole_pages_hold_in_a_browser() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut files = vec![written(folder.path(), "panel", &page::page(&report_of(&panel())))];
    files.push(written(folder.path(), "balanced", &page::page(&report_of(&balanced()))));
    files.push(written(folder.path(), "cables", &page::page(&report_of(&cables()))));
    let mut night = Site::new(SESSION);
    let seats = (0..9).map(|seat| (format!("Seat {seat}"), 0.6)).collect();
    night.hold(&Plan { seats, late_every: 3, void_every: 4, ..Plan::new("Host", 92, 0.5) });
    files.push(written(folder.path(), "night", &page::page(&report_of(&night))));
    let rule = "alpha = 0.05\nstopping = { kind = \"sequential\", alpha = 0.1, beta = 0.1, proportion = 0.8 }\n\
                qualification = { trials = 3, correct = 2 }";
    let mut sequential =
        Site::new(&SESSION.replace("trials = 12\n", "trials = 40\n").replace("alpha = 0.05", rule));
    for (seed, right) in [(5, 0.95), (6, 0.5)] {
        sequential.hold(&Plan::new(&format!("Listener {seed}"), seed, right));
    }
    sequential.hold(&Plan { deaf: true, ..Plan::new("Unqualified", 11, 0.5) });
    sequential.hold(&Plan { stop: Some((4, true)), ..Plan::new("Stopped", 8, 0.5) });
    files.push(written(folder.path(), "sequential", &page::page(&report_of(&sequential))));
    for protocol in ["duo-trio", "triangle", "tetrad", "two-afc", "preference"] {
        let more = if protocol == "two-afc" {
            "\"two-afc\"\nattribute = \"brighter\"\nattribute_side = \"b\""
        } else {
            &format!("\"{protocol}\"")
        };
        let session = SESSION.replace("\"abx\"", more);
        let session = if protocol == "two-afc" { session.replace("\"level\"", "\"tilt\"") } else { session };
        let mut site = Site::new(&session);
        site.hold(&Plan::new("Eve", 12, 0.7));
        files.push(written(folder.path(), protocol, &page::page(&report_of(&site))));
    }
    for found in pressed(&files, &[]) {
        let name = &found["page"];
        let summary = found["summary"].as_str().expect("a summary");
        assert!(summary.contains("everything below holds"), "{name}: {found:#}");
        for sitting in found["sittings"].as_array().expect("sittings") {
            let title = sitting["title"].as_str().expect("a title");
            assert!(title.ends_with(": holds") || title == "Sitting 4: unfinished", "{found:#}");
        }
        assert!(!found["verdicts"].as_array().expect("verdicts").is_empty(), "{name}");
    }
}

#[test]
fn names_that_are_withheld_stay_so_and_the_draws_are_checked_without_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut site = Site::new(SESSION);
    let seats = vec![("Xenia".to_owned(), 0.6), ("Wilhelm".to_owned(), 0.5)];
    site.hold(&Plan { seats, ..Plan::new("Viktor", 2, 0.5) });
    let watched = vec!["Wendelin".to_owned()];
    site.hold(&Plan { watched, ..Plan::new("Zacharias", 1, 0.6) });
    site.hold(&Plan {
        alias: Some("Night Owl".to_owned()),
        hands: Vec::new(),
        ..Plan::new("Yolanda", 3, 0.6)
    });
    let anonymous = page::page(&report_with(&site, Options { anonymous: true }));
    for name in [
        "Xenia",
        "Wilhelm",
        "Viktor",
        "Zacharias",
        "Yolanda",
        "Wendelin",
        "Night Owl",
        "Invented device",
        "phrase number",
    ] {
        assert!(!anonymous.contains(name), "{name} is in the anonymous page");
    }
    let named = page::page(&report_of(&site));
    assert!(
        named.contains("Zacharias") && !named.contains("Yolanda"),
        "an alias hides the name in journals too"
    );
    let files = [written(folder.path(), "anonymous", &anonymous), written(folder.path(), "alias", &named)];
    for found in pressed(&files, &[]) {
        assert!(found["summary"].as_str().expect("a summary").contains("holds"), "{found:#}");
        let steps = found["sittings"].to_string();
        assert!(
            steps.contains("not checked: names are withheld") && steps.contains("12 counted answers"),
            "{steps}"
        );
    }
    // What is left can still not be changed unseen.
    let tampered = anonymous.replacen(r#""answer":"a""#, r#""answer":"b""#, 1);
    assert_ne!(tampered, anonymous);
    let found = pressed(&[written(folder.path(), "tampered", &tampered)], &[]);
    assert!(
        found[0]["summary"].as_str().expect("a summary").starts_with("Something does not hold"),
        "{found:#?}"
    );
}

/// The page with a piece of one journal changed by `change`, and its chain made anew if `chained`.
fn with_journal(html: &str, sitting: usize, chained: bool, change: impl Fn(&mut Vec<String>)) -> String {
    let start =
        format!("<pre class=\"self-check-journal\" hidden data-sitting=\"{sitting}\" data-names=\"shown\">");
    let from = html.find(&start).expect("the journal") + start.len();
    let to = from + html[from..].find("</pre>").expect("its end");
    let journal = html[from..to].replace("&lt;", "<").replace("&amp;", "&");
    let mut lines: Vec<String> = journal.lines().map(str::to_owned).collect();
    change(&mut lines);
    if chained {
        let mut chain = earwitness::trial::Digest::NOTHING;
        for (index, line) in lines.iter_mut().enumerate() {
            let from = line.find("\"record\":").expect("a record") + 9;
            let to = line.rfind(",\"check\":").expect("a check");
            let record = line[from..to].to_owned();
            let head = &line[..line.find(",\"record\":").expect("a record")];
            let dated = head.find(",\"utc_ms\":").map_or("", |at| &head[at..]);
            let covered =
                format!("{{\"number\":{},\"chain\":\"{chain}\"{dated},\"record\":{record}", index + 1);
            let check = &earwitness::trial::Digest::of(covered.as_bytes()).hex()[..16].to_owned();
            *line = format!("{covered},\"check\":\"{check}\"}}");
            chain = earwitness::trial::Digest::of(line.as_bytes());
        }
    }
    let journal = lines.join("\n") + "\n";
    format!("{}{}{}", &html[..from], journal.replace('&', "&amp;").replace('<', "&lt;"), &html[to..])
}

#[test]
fn tampered_pages_do_not_hold() {
    let folder = tempfile::tempdir().expect("a folder");
    let html = without_pictures(&page::page(&report_of(&panel())));
    let swap = |from: &'static str, to: &'static str| {
        move |lines: &mut Vec<String>| {
            let line = lines.iter_mut().find(|line| line.contains(from)).expect("a line to change");
            *line = line.replacen(from, to, 1);
        }
    };
    let digit = |key: &'static str| {
        move |lines: &mut Vec<String>| {
            let line = lines.iter_mut().rev().find(|line| line.contains(key)).expect("a line to change");
            let at = line.find(key).expect("the key") + key.len();
            let other = if &line[at..=at] == "0" { "1" } else { "0" };
            line.replace_range(at..=at, other);
        }
    };
    let other_answer = |lines: &mut Vec<String>| {
        let line =
            lines.iter_mut().rev().find(|line| line.contains("\"kind\":\"answer\"")).expect("an answer");
        *line = if line.contains("\"answer\":\"a\"") {
            line.replace("\"answer\":\"a\"", "\"answer\":\"b\"")
        } else {
            line.replace("\"answer\":\"b\"", "\"answer\":\"a\"")
        };
    };
    let shown = |name: &str, from: &str, to: &str| {
        let at = html.find(name).expect("it is shown");
        format!("{}{}", &html[..at], html[at..].replacen(from, to, 1))
    };
    let drawn = without_pictures(&page::page(&report_of(&balanced())));
    let told_otherwise = |lines: &mut Vec<String>| {
        let line = lines.last_mut().expect("the closing");
        let (was, is) = ("\"exchanged\":[true", "\"exchanged\":[false");
        *line = if line.contains(was) { line.replace(was, is) } else { line.replace(is, was) };
    };
    let longer_wait = |lines: &mut Vec<String>| {
        let line = lines.iter_mut().rev().find(|line| line.contains("\"presented\":[")).expect("a trial");
        let at = line.rfind("\"apart_ms\":").expect("a wait") + "\"apart_ms\":".len();
        line.insert(at, '1');
    };
    let waits = without_pictures(&page::page(&report_of(&cables())));
    let score = html.find("data-score=\"0\">").expect("a score") + "data-score=\"0\">".len();
    let score = html[score..].split(' ').next().expect("a number").to_owned();
    let cases: Vec<(&str, String, &str)> = vec![
        ("an answer", with_journal(&html, 0, false, other_answer), "Chain"),
        ("an answer, chained anew", with_journal(&html, 0, true, other_answer), "Draws and score"),
        ("a line removed", with_journal(&html, 0, false, |lines| drop(lines.remove(7))), "Chain"),
        (
            "a trial removed, chained anew",
            with_journal(&html, 0, true, |lines| drop(lines.remove(9))),
            "Draws and score",
        ),
        ("two lines exchanged", with_journal(&html, 0, false, |lines| lines.swap(8, 9)), "Chain"),
        ("another secret", with_journal(&html, 0, true, digit("\"secret\":\"")), "Seal"),
        ("another commitment", with_journal(&html, 0, true, digit("\"commitment\":\"")), "Seal"),
        ("another key", with_journal(&html, 0, true, digit("\"key\":\"")), "Seal"),
        ("another hand", with_journal(&html, 0, true, swap("phrase number", "Phrase number")), "Hands"),
        (
            "another count",
            with_journal(&html, 0, true, swap("\"correct\":", "\"correct\":1")),
            "Draws and score",
        ),
        (
            "another ending",
            with_journal(&html, 0, true, swap("\"outcome\":\"all-trials\"", "\"outcome\":\"stopped-early\"")),
            "Draws and score",
        ),
        (
            "a note, chained anew",
            with_journal(&html, 0, true, swap("\"took_ms\":1", "\"took_ms\":2")),
            "Receipt",
        ),
        ("another session", with_journal(&html, 0, true, digit("\"session\":\"")), "Chain"),
        ("void made counted", with_journal(&html, 1, true, digit("\"void\":")), "Draws and score"),
        ("another cable as A", with_journal(&drawn, 0, true, told_otherwise), "Draws and score"),
        ("another wait", with_journal(&waits, 0, true, longer_wait), "Draws and score"),
        ("cut off", with_journal(&html, 0, false, |lines| drop(lines.pop())), "Receipt"),
        ("the shown receipt", shown("data-shown=\"receipt\"", ">", ">0"), "Receipt"),
        ("the shown words", shown("data-shown=\"receipt in words\"", ">", ">apple "), "Receipt"),
        ("the shown seal", shown("data-shown=\"seal\"", ">", ">0"), "Seal"),
        ("the register's head", shown("data-shown=\"register\"", ">", ">0"), "Seal"),
        ("the register at the closing", with_journal(&html, 0, true, digit("\"register\":\"")), "Seal"),
        ("the shown score of a sitting", shown("data-shown=\"right\"", ">", ">1"), "Draws and score"),
        ("the shown verdict", shown("data-score=\"0\"", &format!(">{score} of"), ">24 of"), "Verdict 1"),
        ("a sitting that counts no more", shown("data-counts=\"yes\"", ">yes<", ">no<"), "Verdict 1"),
    ];
    let files: Vec<PathBuf> = cases
        .iter()
        .enumerate()
        .map(|(number, (_, changed, _))| written(folder.path(), &format!("tampered-{number}"), changed))
        .collect();
    for ((name, _, step), found) in cases.iter().zip(pressed(&files, &[])) {
        let summary = found["summary"].as_str().expect("a summary");
        assert!(summary.starts_with("Something does not hold"), "{name}: {found:#}");
        let says = format!("{}{}", found["sittings"], found["verdicts"]);
        assert!(says.contains(&format!("Does not hold: {step}.")), "{name}, {step}: {says}");
    }
}

#[test]
fn a_kept_receipt_is_held_against_the_journals_of_the_page() {
    let folder = tempfile::tempdir().expect("a folder");
    let report = report_of(&panel());
    let file = [written(folder.path(), "panel", &without_pictures(&page::page(&report)))];
    let words = report.sittings[1].receipt_words.clone().expect("a receipt");
    let reversed: Vec<&str> = words.split(' ').rev().collect();
    let kept = [
        words.clone(),
        report.sittings[2].receipt.clone().expect("a receipt"),
        words.replacen(' ', ", ", 3).to_uppercase(),
        reversed.join(" "),
    ];
    let held = held(&file, "--receipt", &kept);
    let begins = [
        "This is the receipt of sitting 2",
        "This is the receipt of sitting 3",
        "This is the receipt of sitting 2",
        "This receipt is none of these",
    ];
    assert_eq!(held.len(), begins.len());
    for (said, begins) in held.iter().zip(begins) {
        assert!(said.starts_with(begins), "{begins}: {said}");
    }
}

#[test]
fn a_witnesss_copy_is_held_against_the_journals_of_the_page() {
    let folder = tempfile::tempdir().expect("a folder");
    let site = panel();
    let report = report_of(&site);
    let file = [written(folder.path(), "panel", &without_pictures(&page::page(&report)))];
    let journal =
        site.session.sittings_folder().join(report.sittings[2].journal.as_ref().expect("a public name"));
    let read = journal::read(&journal).expect("a journal");
    // Jorin's phone is the first witness: each of its links was asked for at the record before it.
    let opened: Vec<(Digest, Digest)> = (1..read.records.len())
        .filter_map(|at| match &read.records[at] {
            Record::LinkOpened { witness: 1, link, .. } => Some((*link, read.digests[at - 1])),
            _ => None,
        })
        .collect();
    let copy = WitnessCopy {
        schema: copy::SCHEMA.to_owned(),
        name: "Jorin".to_owned(),
        sitting: read.digests[0],
        receipts: read.digests.clone(),
        opened,
    };
    let other = Digest([7; 32]);
    let mut rewritten = copy.clone();
    rewritten.receipts[9] = other;
    let mut cut = copy.clone();
    cut.receipts.push(other);
    let mut foreign = copy.clone();
    foreign.opened[3].0 = other;
    let mut early = copy.clone();
    early.opened[5].1 = early.opened[4].1;
    let elsewhere = WitnessCopy { sitting: other, ..copy.clone() };
    let cases = [
        (copy, "The copy of Jorin fits sitting 3: 28 of 28 trials witnessed."),
        (rewritten, "line 10 is not the one"),
        (cut, "are gone"),
        (foreign, "does not fit"),
        (early, "stands after its trial, or nowhere"),
        (elsewhere, "none of these journals"),
    ];
    let paths: Vec<String> = cases
        .iter()
        .enumerate()
        .map(|(number, (copy, _))| {
            let path = folder.path().join(format!("copy-{number}.json"));
            std::fs::write(&path, serde_json::to_string(copy).expect("plain data")).expect("written");
            path.to_str().expect("text").to_owned()
        })
        .collect();
    let held = held(&file, "--copy", &paths);
    assert_eq!(held.len(), cases.len());
    assert_eq!(held[0], cases[0].1);
    for ((copy, words), here) in cases.iter().zip(&held) {
        assert!(here.contains(words), "{words}: {here}");
        // The command says the same.
        let there = copy.against(&read).map(|vouched| vouched.problems.is_empty());
        assert_eq!(there == Some(true), here.contains(" fits sitting 3: "), "{here}");
    }
}

/// What the check in a browser says of a journal.
pub(crate) fn says_of(journal: &[u8]) -> Value {
    let folder = tempfile::tempdir().expect("a folder");
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    let html = with_another(&without_pictures(&page::page(&report_of(&site))), journal);
    pressed(&[written(folder.path(), "other", &html)], &[])[0].clone()
}

/// The page of one sitting with another journal in it, of which it shows nothing but the session.
fn with_another(html: &str, journal: &[u8]) -> String {
    let journal = std::str::from_utf8(journal).expect("text");
    let other = with_journal(html, 0, false, |lines| *lines = journal.lines().map(str::to_owned).collect());
    let from = other.find("data-shown=\"session\">").expect("the session") + "data-shown=\"session\">".len();
    let key = "\"session\":\"";
    let at = journal.find(key).expect("a session") + key.len();
    let session = format!("{}{}{}", &other[..from], &journal[at..at + 64], &other[from + 64..]);
    let (before, after) = session.split_once("data-shown=\"session\"").expect("the session");
    let gone = |text: &str| text.replace("data-shown=", "data-gone=").replace("data-score=", "data-gone=");
    let script = after.find("<script>").expect("the script");
    let end = after.find("</script>").expect("its end");
    format!(
        "{}data-shown=\"session\"{}{}{}",
        gone(before),
        gone(&after[..script]),
        &after[script..end],
        gone(&after[end..])
    )
}

/// Resealed and locked sittings, nights with phones' hands, and sittings that a rule ends: as they are, and forged.
#[test]
fn every_kind_of_journal_is_checked_and_forged_ones_are_found() {
    const PASSPHRASE: &str = "Jorin's own words";
    let folder = tempfile::tempdir().expect("a folder");
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    let html = without_pictures(&page::page(&report_of(&site)));
    let locked = hands::locked(PASSPHRASE);
    let journal = journal::read_from(Path::new("locked"), &mut locked.as_slice()).expect("a journal");
    let opening = journal.opening().expect("an opening");
    let lock = opening.lock.as_ref().expect("a lock");
    let key = LockKey::open(lock, opening.commitment, PASSPHRASE).expect("it opens").to_check_with().hex();
    let phones = hands::started_over().journal.bytes;
    let narrow = sizes::narrow().journal.bytes;
    let two_sided = python::two_sided(Protocol::TwoAfc).journal.bytes;
    let [locked, phones, narrow, two_sided] =
        [locked, phones, narrow, two_sided].map(|journal| with_another(&html, &journal));
    let forged = |html: &str, kind: &str, from: &str, to: &str| {
        let changed = with_journal(html, 0, true, |lines| {
            let line = lines.iter_mut().rev().find(|line| line.contains(kind)).expect("a line to change");
            let at = line.find(from).expect("what to change") + from.len();
            let rest = line[at..].find(['"', ',', '}']).expect("its end");
            line.replace_range(at..at + rest, to);
        });
        assert_ne!(changed, html);
        changed
    };
    let gone = |html: &str, kind: &str| {
        with_journal(html, 0, true, |lines| lines.retain(|line| !line.contains(kind)))
    };
    let other = "11".repeat(32);
    let without_proof = with_journal(&locked, 0, true, |lines| {
        let line = lines.iter_mut().find(|line| line.contains("\"resumed\"")).expect("a resumption");
        let at = line.find(",\"proof\"").expect("a proof");
        line.replace_range(at..at + ",\"proof\":\"\"".len() + 64, "");
    });
    let cases = [
        ("locked", locked.clone(), "and the lock's key gives the same"),
        ("phones", phones.clone(), "the secret and 3 hands give the key"),
        ("narrow", narrow.clone(), "counted answers right"),
        ("two-sided", two_sided.clone(), "counted answers right"),
        (
            "another proof at the closing",
            forged(&locked, "closing", "\"proof\":\"", &other),
            "Does not hold: Lock.",
        ),
        (
            "another proof at the resumption",
            forged(&locked, "resumed", "\"proof\":\"", &other),
            "Does not hold: Lock.",
        ),
        ("no proof", without_proof, "Does not hold: Lock."),
        (
            "the earlier secret",
            forged(&locked, "closing", "\"earlier\":[{\"secret\":\"", &other),
            "Does not hold: Seal.",
        ),
        (
            "the later commitment",
            forged(&locked, "resumed", "\"commitment\":\"", &other),
            "Does not hold: Seal.",
        ),
        ("no void attempt", gone(&locked, "\"cause\":\"interrupted\""), "Does not hold: Lock."),
        ("a phone's hand", forged(&phones, "hand-opened", "\"hand\":\"", &other), "Does not hold: Hands."),
        ("a phone's hash", forged(&phones, "hand-closed", "\"hash\":\"", &other), "Does not hold: Hands."),
        ("no sealing that started over", gone(&phones, "\"hands-void\""), "Does not hold: Hands."),
        (
            "an end by hand",
            forged(&narrow, "closing", "\"outcome\":\"", "all-trials"),
            "Does not hold: Draws and score.",
        ),
        (
            "a promise of more",
            forged(&narrow, "opening", "\"narrow_enough\":", "1.2"),
            "Does not hold: Draws and score.",
        ),
        (
            "one direction",
            forged(&two_sided, "opening", "\"sides\":\"", "one"),
            "Does not hold: Draws and score.",
        ),
    ];
    let files: Vec<PathBuf> =
        cases.iter().map(|(name, html, _)| written(folder.path(), &name.replace(' ', "-"), html)).collect();
    for ((name, _, expected), found) in cases.iter().zip(pressed(&files, &["--lock-key", &key])) {
        let steps = found["sittings"].to_string();
        assert!(steps.contains(expected), "{name}, {expected}: {found:#}");
        assert_eq!(steps.contains("Does not hold"), expected.contains("Does not hold"), "{name}: {found:#}");
    }
}
