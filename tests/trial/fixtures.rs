//! Journals of earlier versions, kept for ever: each must still verify.

use std::path::PathBuf;

use earwitness::trial::record::Occasion;
use earwitness::trial::{Side, Terms, against, journal};

use super::python;

fn kept() -> Vec<PathBuf> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/journals");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "jsonl"))
        .collect();
    files.sort();
    files
}

#[test]
fn kept_journals_still_verify_with_the_receipts_they_had() {
    let receipts = include_str!("../journals/receipts.txt");
    let kept = kept();
    assert!(kept.len() >= 10, "{kept:?}");
    for path in kept {
        python::agree(&path);
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let expected = receipts
            .lines()
            .find_map(|line| line.strip_prefix(&format!("{name}: ")))
            .unwrap_or_else(|| panic!("{name} has no line in receipts.txt"));
        assert_eq!(crate::trial::kit::check(&path).receipt.unwrap().in_words(), expected, "{name}");
    }
}

/// What a session that agrees on the same gives now: with the fields that came later.
fn given_now(published: &Terms) -> Terms {
    let mut terms = published.clone();
    terms.sides = Some(published.inquiry().sides);
    terms.heard_at_least_ms = Some(500);
    if let Some(wager) = &mut terms.wager {
        wager.deciding = Some(wager.deciding());
    }
    for control in terms.controls.iter_mut().filter(|control| control.is_positive()) {
        control.more = published.attribute.as_ref().map(|_| Side::A);
    }
    terms
}

#[test]
fn kept_journals_are_not_accused_of_terms_that_nobody_wrote_down_then() {
    for path in kept() {
        let read = journal::read(&path).unwrap();
        let opening = read.opening().unwrap();
        let night = opening.occasion == Occasion::Night;
        let accused = |terms: &Terms| against::other_terms(terms, &opening.terms, night, opening.format);
        let mut given = given_now(&opening.terms);
        assert_eq!(accused(&given), None, "{}", path.display());
        given.trials += 1;
        assert!(accused(&given).unwrap().ends_with("gives: trials"), "{}", path.display());
    }
}
