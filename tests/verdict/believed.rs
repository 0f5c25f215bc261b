//! What is not believed: what no register announces, what the facts do not fit, what was most likely swapped.

use earwitness::stats::Protocol;
use earwitness::trial::chain;
use earwitness::trial::{Digest, Record};
use earwitness::verdict::{Finding, VerdictInput, sentence};

use super::report_of;
use crate::commands;
use crate::report::kinds;
use crate::report::material::{Plan, SESSION, Site};

/// A sitting made elsewhere with a perfect score, put beside honest ones.
#[test]
fn a_journal_that_no_register_announces_is_counted_by_no_command() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let mut elsewhere = Site::new(SESSION);
    elsewhere.hold(&Plan::new("Zoe", 7, 0.5));
    let forged = elsewhere.hold(&Plan::new("Ada", 8, 1.0));
    let put = site.path().join("sittings").join(forged.file_name().expect("a name"));
    std::fs::copy(&forged, &put).expect("copied");
    let report = report_of(&site);
    assert_eq!((report.comparisons[0].trials, report.comparisons[0].listeners), (12, 1));
    assert!(kinds(&report).contains(&"unregistered") && kinds(&report).contains(&"invalid-journals"));
    let ran = commands::earwitness(site.path(), &["score", ".", "--json"]);
    assert_eq!(ran.code, 1, "a journal that does not hold is a no");
    let scores: serde_json::Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!(scores["comparisons"][0]["pooled"]["trials"], 12);
    for journal in scores["journals"].as_array().expect("journals") {
        let verdicts = journal["comparisons"].as_array().expect("a list").len();
        assert_eq!(verdicts > 0, journal["ok"] == true, "no verdict of what is not evidence: {journal}");
    }
}

#[test]
fn without_its_register_a_folder_counts_for_nothing() {
    for emptied in [false, true] {
        let mut site = Site::new(SESSION);
        site.hold(&Plan::new("Ada", 1, 0.9));
        let register = site.path().join("sittings/register.jsonl");
        if emptied {
            std::fs::write(&register, "").expect("emptied");
        } else {
            std::fs::remove_file(&register).expect("removed");
        }
        let report = report_of(&site);
        assert_eq!(report.comparisons[0].trials, 0, "emptied: {emptied}");
        let ran = commands::earwitness(site.path(), &["score", "."]);
        assert_eq!(ran.code, 1, "{}", ran.out);
        assert!(ran.out.contains("announce"), "{}", ran.out);
    }
}

/// A forger who has the opened secret writes the sitting anew under the same seal. The announced one keeps its right.
#[test]
fn a_copy_with_the_same_seal_takes_nothing_from_the_announced_journal() {
    let mut site = Site::new(SESSION);
    let honest = site.hold(&Plan::new("Ada", 1, 0.5));
    let before = report_of(&site).comparisons[0].correct;
    let mut anew = Site::new(SESSION);
    let forged = anew.hold(&Plan::new("Ada", 1, 1.0));
    // The forger gives it the register line of the honest one, and recomputes the chain.
    let read = |path: &std::path::Path| earwitness::trial::journal::read(path).expect("a journal");
    let line = read(&honest).opening().expect("an opening").register;
    let mut bytes = Vec::new();
    let mut last = Digest::NOTHING;
    let forged = read(&forged);
    for (index, mut record) in forged.records.into_iter().enumerate() {
        if let Record::Opening(opening) = &mut record {
            opening.register = line;
        }
        let written = chain::encode(index as u64 + 1, last, forged.utc_ms.get(index).copied(), &record)
            .expect("encodes");
        last = Digest::of(&written);
        bytes.extend_from_slice(&written);
        bytes.push(b'\n');
    }
    std::fs::write(site.path().join("sittings/0-first.jsonl"), bytes).expect("written");
    let report = report_of(&site);
    assert_eq!((report.comparisons[0].correct, report.comparisons[0].trials), (before, 12));
    assert!(report.unusable.iter().any(|file| file.reason.contains("the seal of another journal")));
    let scores = commands::earwitness(site.path(), &["score", ".", "--json"]);
    let scores: serde_json::Value = serde_json::from_str(&scores.out).expect("JSON");
    assert_eq!(scores["comparisons"][0]["pooled"]["correct"], before);
}

#[test]
fn a_score_that_the_rest_does_not_fit_is_doubted() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { deaf: true, took_ms: Some(3300), only_last: true, ..Plan::new("Ada", 21, 1.0) });
    let report = report_of(&site);
    let caveat = report.caveats.iter().find(|caveat| caveat.kind.name() == "implausible").expect("doubted");
    let text = &caveat.text;
    assert!(text.contains("12 of 12 right does not fit"), "{text}");
    assert!(text.contains("no two of the sounds were played"), "{text}");
    let ran = commands::earwitness(site.path(), &["score", "sittings"]);
    assert!(ran.out.contains("does not fit the rest"), "{}", ran.out);
    // A good listener is not doubted.
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 21, 1.0));
    assert!(!kinds(&report_of(&site)).contains(&"implausible"));
}

/// A guesser has none or all of 16 right once in 32,768 tests (2 times 2^-16, exact).
#[test]
fn none_right_is_most_likely_a_mix_up() {
    let none = sentence(&VerdictInput::new(Protocol::Abx, 0, 16, 0.05)).expect("counts");
    assert_eq!(none.finding, Finding::BelowGuessing);
    assert!(none.headline.contains("once in 33,000 tests"), "{}", none.headline);
    assert!(none.headline.contains("mixed up"), "{}", none.headline);
    let few = sentence(&VerdictInput::new(Protocol::Abx, 5, 16, 0.05)).expect("counts");
    assert_eq!(few.finding, Finding::NotShown, "one in ten guessers has so few");
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 3, 0.0));
    let report = report_of(&site);
    assert_eq!(report.comparisons[0].verdict.finding, Finding::BelowGuessing);
    assert!(earwitness::report::page::page(&report).contains("mixed up"));
}

/// Whatever is said "with 95 %" says whether it bounds one side or both.
#[test]
fn every_limit_says_how_many_sides_it_has() {
    for (protocol, correct) in
        [(Protocol::Abx, 14), (Protocol::Abx, 9), (Protocol::Preference, 14), (Protocol::Preference, 9)]
    {
        let found = sentence(&VerdictInput::new(protocol, correct, 16, 0.05)).expect("counts");
        for said in found.limits.iter().filter(|said| said.contains("95 %")) {
            assert!(said.contains("one-sided") || said.contains("two-sided"), "{said}");
        }
    }
    let ran = commands::earwitness(
        std::path::Path::new("."),
        &["score", "--protocol", "abx", "--correct", "12", "--trials", "16"],
    );
    for line in ran.out.lines().filter(|line| line.contains("95 %")) {
        assert!(line.contains("one-sided") || line.contains("two-sided"), "{line}");
    }
}
