//! Journals of earlier versions, kept for ever: each must still verify.

use std::path::PathBuf;

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
