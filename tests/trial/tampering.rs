//! Journals that somebody changed, and files that are no journals.

use std::io::Write as _;
use std::path::Path;

use earwitness::stats::Protocol;
use earwitness::trial::against::{self, Receipt};
use earwitness::trial::journal::{self, JournalError};
use earwitness::trial::verify::{self, Checked, State};
use earwitness::trial::{Digest, Record, Sittings};
use proptest::prelude::*;

use super::kit::{self, Journal as _, UTC};
use crate::commands::{earwitness, refused};

/// A change to a closing record.
type Change = fn(&mut earwitness::trial::Closing);

fn sample(seed: u64) -> Vec<u8> {
    let mut scripted = kit::in_memory(&kit::full(Protocol::Abx), seed);
    scripted.disturb = Some(3);
    scripted.finish().journal.bytes
}

fn check(bytes: &[u8]) -> Checked {
    let (_folder, path) = kit::written(bytes);
    kit::check(&path)
}

fn lines(bytes: &[u8]) -> Vec<&[u8]> {
    bytes.split_inclusive(|&byte| byte == b'\n').collect()
}

fn named(checked: &Checked) -> u64 {
    assert!(!checked.is_sound(), "nothing was noticed");
    checked
        .problems
        .iter()
        .find_map(|problem| problem.record)
        .unwrap_or_else(|| panic!("{:?}", checked.problems))
}

#[test]
fn a_changed_byte_anywhere_names_the_record() {
    let bytes = sample(31);
    assert!(check(&bytes).is_sound());
    let mut number = 1;
    for at in 0..bytes.len() {
        // Each byte in one of several ways: a flipped bit, a digit, a space.
        let mut changed = bytes.clone();
        changed[at] = match at % 3 {
            0 => changed[at] ^ 1,
            1 if changed[at] != b' ' => b' ',
            _ => changed[at].wrapping_add(1),
        };
        let read = journal::read_from(Path::new("changed.jsonl"), &mut &changed[..]);
        let found = match &read {
            Ok(journal) => {
                let checked = verify::verify(journal);
                // The last newline: what follows the whole lines is torn.
                assert!(!checked.is_sound(), "byte {at} was changed unseen");
                number
            }
            Err(JournalError::Broken { error, .. }) => error.number,
            Err(JournalError::NotAJournal { .. } | JournalError::Newer { .. }) => 1,
            Err(other) => panic!("byte {at}: {other}"),
        };
        assert_eq!(found, number, "byte {at}: {read:?}");
        if bytes[at] == b'\n' {
            number += 1;
        }
    }
}

#[test]
fn a_journal_truncated_anywhere_is_unfinished_or_no_journal() {
    let bytes = sample(42);
    let ends: Vec<usize> = (0..bytes.len()).filter(|&at| bytes[at] == b'\n').map(|at| at + 1).collect();
    for length in 0..bytes.len() {
        let whole = ends.iter().filter(|&&end| end <= length).count();
        match journal::read_from(Path::new("cut.jsonl"), &mut &bytes[..length]) {
            Ok(journal) => {
                let checked = verify::verify(&journal);
                assert_eq!((checked.state, checked.problems.as_slice()), (State::Unfinished, [].as_slice()));
                assert_eq!(checked.records, whole as u64, "cut at {length}");
                let torn = length - ends[whole - 1];
                assert_eq!(checked.torn_bytes, torn as u64, "cut at {length}");
            }
            Err(JournalError::NotAJournal { message, .. }) => {
                assert_eq!(whole, 0, "cut at {length}: {message}");
                let said = if length == 0 { "it is empty" } else { "are no whole line" };
                assert!(message.contains(said), "cut at {length}: {message}");
            }
            Err(other) => panic!("cut at {length}: {other}"),
        }
    }
    for (length, code, words) in [
        (0, 2, "this is not a journal: it is empty. Either the power went before its first record"),
        (ends[0] - 1, 2, "are no whole line"),
        (ends[4], 1, "unfinished: its chain fits for 5 records"),
        (bytes.len() - 1, 1, "unfinished"),
    ] {
        let (folder, path) = kit::written(&bytes[..length]);
        let ran = earwitness(folder.path(), &["verify", path.to_str().unwrap()]);
        assert_eq!(ran.code, code, "{}{}", ran.out, ran.err);
        assert!(ran.out.contains(words), "{}", ran.out);
    }
}

#[test]
fn repeated_reordered_missing_and_foreign_records_are_named() {
    let (bytes, other) = (sample(32), sample(33));
    let (own, foreign) = (lines(&bytes), lines(&other));
    let last = own.len();
    for at in 1..last - 1 {
        let mut repeated = own.clone();
        repeated.insert(at, own[at]);
        assert_eq!(named(&check(&repeated.concat())), at as u64 + 2);
        let mut reordered = own.clone();
        reordered.swap(at, at + 1);
        assert_eq!(named(&check(&reordered.concat())), at as u64 + 1);
        let mut missing = own.clone();
        missing.remove(at);
        assert_eq!(named(&check(&missing.concat())), at as u64 + 1);
        let mut exchanged = own.clone();
        exchanged[at] = foreign[at];
        assert_eq!(named(&check(&exchanged.concat())), at as u64 + 1);
    }
    let mut foreign_opening = own.clone();
    foreign_opening[0] = foreign[0];
    assert_eq!(named(&check(&foreign_opening.concat())), 2);
    let mut after_the_end = own.clone();
    after_the_end.push(own[0]);
    assert_eq!(named(&check(&after_the_end.concat())), last as u64 + 1);
    let mut blank = own;
    blank.insert(3, b"\n");
    assert_eq!(named(&check(&blank.concat())), 4);
}

/// Writes records anew, with every hash computed anew: what somebody who holds the file can do.
pub(crate) fn rewritten(records: &[Record]) -> Vec<u8> {
    let mut memory = kit::Memory::default();
    for record in records {
        memory.append(record);
    }
    memory.bytes
}

#[test]
fn a_journal_written_anew_with_another_answer_or_count_does_not_add_up() {
    let scripted = kit::in_memory(&kit::full(Protocol::Abx), 34).finish();
    let records = scripted.journal.records.clone();
    assert!(check(&rewritten(&records)).is_sound());
    let last = records.len() as u64;
    // Another answer: consistent but for the counts in the closing.
    let mut changed = records.clone();
    for record in &mut changed {
        if let Record::Answer { answer, .. } = record {
            *answer = if answer == "a" { "b" } else { "a" }.to_owned();
            break;
        }
    }
    assert_eq!(named(&check(&rewritten(&changed))), last);
    let changes: [(&str, Change); 5] = [
        ("counts", |closing| closing.counts.comparisons[0].correct += 1),
        ("controls", |closing| closing.counts.controls[0].trials += 1),
        ("another secret", |closing| closing.secret = Digest::of(b"another")),
        ("another key", |closing| closing.key = Digest::of(b"another")),
        ("simulated", |closing| closing.simulated = Some(0.5)),
    ];
    for (what, change) in changes {
        let mut changed = records.clone();
        let Some(Record::Closing(closing)) = changed.last_mut() else { panic!("no closing") };
        change(closing);
        assert_eq!(named(&check(&rewritten(&changed))), last, "{what}");
    }
    let mut another_hand = records.clone();
    for record in &mut another_hand {
        if let Record::Hand { text, .. } = record {
            text.push('!');
            break;
        }
    }
    assert_eq!(named(&check(&rewritten(&another_hand))), last);
    // A trial left out.
    let mut left_out = records.clone();
    let answer = left_out.iter().position(|record| matches!(record, Record::Answer { .. })).unwrap();
    left_out.remove(answer);
    assert_eq!(named(&check(&rewritten(&left_out))), answer as u64 + 1);
}

#[test]
fn only_something_kept_outside_betrays_a_journal_written_anew_consistently() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(35), None)
        .unwrap();
    let path = opened.writer.path();
    let scripted = kit::in_folder(opened).finish();
    let kept = scripted.conductor.view().receipt.unwrap();
    drop(scripted);
    let honest = kit::check(&path);
    assert_eq!(against::receipt(&honest, &kept.in_words()), Ok(Receipt::Whole));
    assert_eq!(against::receipt(&honest, &kept.hex()), Ok(Receipt::Whole));
    let early = honest.digests[4];
    assert_eq!(against::receipt(&honest, &early.in_words()), Ok(Receipt::UpTo(5)));

    // The whole truth of somebody else's making: other times, all hashes new. It is consistent in itself.
    let mut records = journal::read(&path).unwrap().records;
    for record in &mut records {
        if let Record::Answer { listening, .. } = record {
            listening.took_ms += 1;
        }
    }
    std::fs::write(&path, rewritten(&records)).unwrap();
    let alone = verify::alone(&path);
    assert!(alone.is_sound(), "{:?}", alone.problems);
    // The receipt and the register do not fit.
    assert_eq!(against::receipt(&alone, &kept.in_words()), Ok(Receipt::Foreign));
    let checked = kit::check(&path);
    assert_eq!(named(&checked), records.len() as u64);
    let ran = earwitness(folder.path(), &["verify", path.to_str().unwrap(), "--receipt", &kept.in_words()]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.out.contains("no receipt that was kept"), "{}", ran.out);
}

#[test]
fn a_closed_journal_cut_short_or_removed_shows_in_the_register() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(36), None)
        .unwrap();
    let path = opened.writer.path();
    kit::in_folder(opened).finish();
    let bytes = std::fs::read(&path).unwrap();
    let all = lines(&bytes);
    std::fs::write(&path, all[..all.len() - 1].concat()).unwrap();
    let checked = kit::check(&path);
    assert!(checked.problems.iter().any(|problem| problem.message.contains("closing record is gone")));
    std::fs::remove_file(&path).unwrap();
    let ran = earwitness(folder.path(), &["verify", folder.path().to_str().unwrap()]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.out.contains("its journal is gone"), "{}", ran.out);
    // A register with a line removed.
    let register = folder.path().join("register.jsonl");
    let text = std::fs::read(&register).unwrap();
    std::fs::write(&register, lines(&text)[1]).unwrap();
    let ran = earwitness(folder.path(), &["verify", folder.path().to_str().unwrap()]);
    assert_eq!(ran.code, 1);
    assert!(ran.out.contains("register.jsonl: record 1"), "{}", ran.out);
}

#[test]
fn the_command_says_which_record_and_exits_as_it_should() {
    let bytes = sample(37);
    let (folder, path) = kit::written(&bytes);
    let name = path.to_str().unwrap();
    let ran = earwitness(folder.path(), &["verify", name]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("journal.jsonl: checked from the opened seal"), "{}", ran.out);
    assert!(ran.out.contains("  hand of Jorin: a hand of Jorin's"), "{}", ran.out);
    assert!(ran.out.contains("  wager: Nobody wins by this sitting: only Ida's own"), "{}", ran.out);
    let ran = earwitness(folder.path(), &["verify", "--json", name]);
    let document: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    assert!(ran.out.trim_start().trim_start_matches('{').trim_start().starts_with("\"schema\""));
    assert_eq!(document["schema"], "earwitness.verify/1");
    let journal = &document["journals"][0];
    assert_eq!((&journal["ok"], &journal["trials"]), (&true.into(), &8.into()));
    assert_eq!(journal["listener"], "Ottilie Invented");
    assert!(journal["correct"].as_u64().unwrap() <= 8);
    assert_eq!(journal["problems"].as_array().unwrap().len(), 0);

    let mut changed = bytes.clone();
    let answer = bytes.windows(8).position(|window| window == b"\"answer\"").unwrap();
    let number = bytes[..answer].iter().filter(|&&byte| byte == b'\n').count() + 1;
    changed[answer + 30] ^= 1;
    std::fs::write(&path, &changed).unwrap();
    let ran = earwitness(folder.path(), &["verify", name]);
    assert_eq!(ran.code, 1);
    assert!(ran.out.contains(&format!("record {number}: ")), "{}", ran.out);
    let ran = earwitness(folder.path(), &["verify", "--json", name]);
    assert_eq!(ran.code, 1);
    let document: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(document["journals"][0]["ok"], false);

    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let ran = earwitness(folder.path(), &["verify", name]);
    assert_eq!(ran.code, 1);
    assert!(ran.out.contains("unfinished"), "{}", ran.out);

    refused(folder.path(), &["verify"], &["JOURNAL"]);
    for (content, word) in [
        (&b""[..], "empty"),
        (b"hello\n", "no record"),
        (b"\x00\x01\x02", "no whole line"),
        (b"{\"a\":1}\n", "record"),
        (b"[1,2]\n", "no record"),
    ] {
        std::fs::write(&path, content).unwrap();
        let ran = earwitness(folder.path(), &["verify", name]);
        assert_eq!(ran.code, 2, "{content:?}: {}{}", ran.out, ran.err);
        assert!(ran.out.contains("not a journal") && ran.out.contains(word), "{content:?}: {}", ran.out);
    }
    let newer =
        String::from_utf8_lossy(lines(&bytes)[0]).replace("\"format\":2,", "\"format\":3,\"novelty\":true,");
    std::fs::write(&path, newer).unwrap();
    let ran = earwitness(folder.path(), &["verify", name]);
    assert_eq!(ran.code, 2);
    assert!(ran.out.contains("record 1") && ran.out.contains("format 3"), "{}", ran.out);
    let ran = earwitness(folder.path(), &["verify", "nowhere.jsonl"]);
    assert_eq!(ran.code, 2);
    assert!(ran.out.contains("nowhere.jsonl"), "{}", ran.out);
    std::fs::write(&path, &bytes).unwrap();
    refused_receipt(folder.path(), name, "acorn", "12 words");
    refused_receipt(folder.path(), name, "zzzz", "neither one of the words");
    refused_receipt(folder.path(), name, "", "0 words");
}

fn refused_receipt(folder: &Path, name: &str, receipt: &str, word: &str) {
    refused(folder, &["verify", name, "--receipt", receipt], &["--receipt", word]);
}

#[test]
fn unknown_fields_kinds_and_values_are_refused() {
    let scripted = kit::in_memory(&kit::draft(kit::terms(Protocol::Abx)), 38).finish();
    let bytes = scripted.journal.bytes;
    for (number, from, to) in [
        (2, "\"at_ms\":", "\"extra\":1,\"at_ms\":"),
        (2, "\"kind\":\"accepted\"", "\"kind\":\"novelty\""),
        (2, "\"by\":\"Ottilie Invented\"", "\"by\":7"),
        (2, "\"by\":\"Ottilie Invented\"", "\"by\":\"Somebody\""),
        (1, "\"protocol\":\"abx\"", "\"protocol\":\"guess\""),
        (1, "\"trials\":4", "\"trials\":-1"),
        (1, "\"trials\":4", "\"trials\":4000000000"),
        (1, "\"trials\":4", "\"trials\":0"),
        (1, "\"alpha\":0.05", "\"alpha\":1e999"),
        (1, "\"alpha\":0.05", "\"alpha\":0"),
        (1, "\"comparison\":1", "\"comparison\":99"),
        (1, "\"clips\":[0,1]", "\"clips\":[0,18446744073709551616]"),
    ] {
        let mut changed = Vec::new();
        let mut chain = Digest::NOTHING;
        for (index, line) in lines(&bytes).into_iter().enumerate() {
            let text = String::from_utf8(line.to_vec()).unwrap();
            let (head, record) = text.split_once("\"record\":").unwrap();
            let record = record.rsplit_once(",\"check\"").unwrap().0;
            let clock = head.split_once("\",\"utc_ms\":").unwrap().1;
            let record = if index + 1 == number { record.replacen(from, to, 1) } else { record.to_owned() };
            let covered = format!(
                "{{\"number\":{},\"chain\":\"{chain}\",\"utc_ms\":{clock}\"record\":{record}",
                index + 1
            );
            let check = &Digest::of(covered.as_bytes()).hex()[..16];
            let line = format!("{covered},\"check\":\"{check}\"}}");
            chain = Digest::of(line.as_bytes());
            changed.extend_from_slice(line.as_bytes());
            changed.push(b'\n');
        }
        assert_ne!(changed, bytes, "{from}");
        let checked = check(&changed);
        assert_eq!(named(&checked), number as u64, "{from} -> {to}: {:?}", checked.problems);
        assert_eq!(checked.state, State::Broken);
    }
}

#[test]
fn a_file_of_a_hundred_megabytes_is_read_in_bounded_lines() {
    let folder = kit::folder();
    let path = folder.path().join("huge.jsonl");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).unwrap());
    let bytes = sample(39);
    file.write_all(lines(&bytes)[0]).unwrap();
    let block = vec![b'x'; 1 << 20];
    for _ in 0..100 {
        file.write_all(&block).unwrap();
    }
    drop(file);
    let ran = earwitness(folder.path(), &["verify", path.to_str().unwrap()]);
    assert_eq!(ran.code, 1);
    assert!(ran.out.contains("record 2: its line is longer"), "{}", ran.out);
}

#[test]
fn a_chain_of_a_hundred_megabytes_is_followed_to_its_end() {
    let mut memory = kit::in_memory(&kit::full(Protocol::Abx), 43).journal;
    let text = "a device event ".repeat(4000);
    for at_ms in 0..1700 {
        memory.append(&Record::Note { at_ms, text: text.clone() });
    }
    assert!(memory.bytes.len() > 100_000_000, "{}", memory.bytes.len());
    let (folder, path) = kit::written(&memory.bytes);
    let ran = earwitness(folder.path(), &["verify", path.to_str().unwrap()]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.out.contains("unfinished: its chain fits for 1701 records"), "{}", ran.out);
}

#[test]
fn a_sound_journal_of_a_hundred_thousand_records_is_verified() {
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.terms.comparisons.truncate(1);
    draft.terms.controls.clear();
    draft.terms.trials = 20_000;
    draft.stimuli = kit::stimuli(&draft.terms);
    let mut scripted = kit::in_memory(&draft, 40);
    scripted.views = Vec::new();
    while scripted.step() {
        scripted.views.clear();
        scripted.effects.clear();
    }
    let checked = check(&scripted.journal.bytes);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.total().unwrap().trials, 20_000);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    /// Bytes of any kind: an error or a journal, never a panic.
    #[test]
    fn any_bytes_are_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        let read = journal::read_from(Path::new("any.jsonl"), &mut &bytes[..]);
        prop_assert!(read.is_err());
    }

    /// A sound journal with a stretch replaced, doubled or removed never holds.
    #[test]
    fn a_mangled_journal_never_holds(at in 0.0..1.0_f64, length in 1..300_usize, with in prop::collection::vec(any::<u8>(), 0..300)) {
        let bytes = sample(41);
        let start = (bytes.len() as f64 * at) as usize;
        let end = (start + length).min(bytes.len());
        let mut mangled = bytes.clone();
        mangled.splice(start..end, with);
        if mangled != bytes && let Ok(journal) = journal::read_from(Path::new("mangled.jsonl"), &mut &mangled[..]) {
            prop_assert!(!verify::verify(&journal).is_sound());
        }
    }
}
