//! Sittings that are cut off: after every record, within every write, and between journal and register.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::Path;

use earwitness::stats::Protocol;
use earwitness::trial::journal;
use earwitness::trial::sittings::Opened;
use earwitness::trial::sittings::secret_file;
use earwitness::trial::verify::{self, State};
use earwitness::trial::{Conductor, Draft, Secret, Sittings, Stage};
use proptest::prelude::*;

use super::kit::{self, Resume as _, UTC};

/// A finished sitting of a folder: journal, register, name.
struct Finished {
    journal: Vec<u8>,
    register: Vec<u8>,
    name: String,
}

fn finished(draft: &Draft, seed: u64) -> Finished {
    let folder = kit::folder();
    let opened =
        Sittings::lock(folder.path(), UTC).unwrap().open(draft.clone(), kit::secret(seed), None).unwrap();
    let path = opened.writer.path();
    let mut scripted = kit::in_folder(opened);
    scripted.disturb = Some(4);
    scripted.finish();
    Finished {
        journal: std::fs::read(&path).unwrap(),
        register: std::fs::read(folder.path().join("register.jsonl")).unwrap(),
        name: path.file_name().unwrap().to_str().unwrap().to_owned(),
    }
}

/// A folder as a cut after `length` bytes of the journal leaves it.
fn cut(whole: &Finished, seed: u64, length: usize) -> tempfile::TempDir {
    let folder = kit::folder();
    std::fs::write(folder.path().join(&whole.name), &whole.journal[..length]).unwrap();
    let announced = whole.register.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    std::fs::write(folder.path().join("register.jsonl"), &whole.register[..announced]).unwrap();
    let secret = secret_file(folder.path(), &whole.name);
    earwitness::trial::rest::store(&secret, &[kit::secret(seed)], None).unwrap();
    folder
}

fn torn_files(folder: &Path) -> Vec<Vec<u8>> {
    let mut torn: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.to_string_lossy().contains(".torn-"))
        .collect();
    torn.sort();
    torn.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

/// Resumes a cut sitting, finishes it, verifies it, and checks that no whole line was lost or changed.
fn resume_and_verify(whole: &Finished, seed: u64, length: usize) {
    let folder = cut(whole, seed, length);
    let path = folder.path().join(&whole.name);
    let prefix = &whole.journal[..length];
    let lines = prefix.iter().rposition(|&byte| byte == b'\n').map_or(0, |last| last + 1);
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    if lines == 0 {
        // Not even the opening was written: announced, never started.
        assert!(sittings.unfinished().is_empty());
        assert_eq!(std::fs::read(&path).unwrap(), prefix);
        return;
    }
    let closed = prefix.len() == whole.journal.len();
    if closed {
        // The closing record is durable, the register did not know yet: made up for when the folder is locked.
        assert!(sittings.unfinished().is_empty());
        assert!(!secret_file(folder.path(), &whole.name).exists());
    } else {
        let unfinished = sittings.unfinished();
        assert_eq!(unfinished.len(), 1, "cut at {length}");
        let opened =
            sittings.resume(&unfinished[0].journal, UTC, kit::silent(), kit::secret(999), None).unwrap();
        kit::in_folder(opened).finish();
    }
    let after = std::fs::read(&path).unwrap();
    assert!(after.starts_with(&prefix[..lines]), "cut at {length}: a whole line was changed");
    let torn = torn_files(folder.path());
    if lines < length {
        assert_eq!(torn, [prefix[lines..].to_vec()], "cut at {length}: the torn bytes are kept");
    } else {
        assert!(torn.is_empty());
    }
    let checked = kit::check(&path);
    assert_eq!(checked.problems, [], "cut at {length}");
    assert!(checked.is_sound());
    assert_eq!(verify::register(folder.path()).announced[0].closed.unwrap().0, checked.receipt.unwrap());
}

#[test]
fn a_cut_after_every_record_resumes_finishes_and_verifies() {
    for protocol in [Protocol::Abx, Protocol::Triangle] {
        let whole = finished(&kit::full(protocol), 21);
        let ends: Vec<usize> =
            (0..whole.journal.len()).filter(|&at| whole.journal[at] == b'\n').map(|at| at + 1).collect();
        for &end in std::iter::once(&0).chain(&ends) {
            resume_and_verify(&whole, 21, end);
        }
    }
}

/// Cuts a closed journal after each of its records, goes on with it, and verifies what comes of it; the kinds of records after
/// which it was cut. The power can be lost nowhere else: nothing is done before a record is on the disk.
pub(crate) fn after_every_record(path: &Path, go_on: impl Fn(Opened)) -> BTreeSet<String> {
    let whole = std::fs::read(path).unwrap();
    let read = journal::read(path).unwrap();
    let secrets: Vec<Secret> =
        read.closing().unwrap().opened().iter().map(|opened| Secret::from_bytes(opened.secret.0)).collect();
    let register = std::fs::read(path.parent().unwrap().join("register.jsonl")).unwrap();
    let announced = register.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    let name = path.file_name().unwrap().to_str().unwrap();
    let (mut length, mut sealings, mut kinds) = (0, 0, BTreeSet::new());
    for (line, record) in whole.split_inclusive(|&byte| byte == b'\n').zip(&read.records) {
        length += line.len();
        sealings += usize::from(record.commitment().is_some());
        let kind = serde_json::to_value(record).unwrap()["kind"].as_str().unwrap().to_owned();
        if kind == "closing" {
            break;
        }
        kinds.insert(kind.clone());
        let folder = kit::folder();
        std::fs::write(folder.path().join(name), &whole[..length]).unwrap();
        std::fs::write(folder.path().join("register.jsonl"), &register[..announced]).unwrap();
        let secret = secret_file(folder.path(), name);
        earwitness::trial::rest::store(&secret, &secrets[..sealings], None).unwrap();
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        go_on(sittings.resume(name, UTC, kit::silent(), kit::secret(999), None).unwrap());
        let checked = kit::check(&folder.path().join(name));
        assert_eq!(checked.problems, [], "cut after a record of kind {kind}");
        let after = std::fs::read(folder.path().join(name)).unwrap();
        assert!(after.starts_with(&whole[..length]), "{kind}: nothing that was written is gone");
    }
    kinds
}

#[test]
fn a_watched_sitting_cut_after_every_record_goes_on_with_its_witnesses() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(25), None)
        .unwrap();
    let path = opened.writer.path();
    let phones = || vec![kit::Phone::new("Jorin's phone"), kit::Phone::new("Pia's")];
    let mut scripted = kit::in_folder(opened);
    (scripted.phones, scripted.disturb) = (phones(), Some(4));
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    // One phone is lost, so that a fresh sealing is among the records.
    scripted.phones[1].awake = false;
    scripted.finish();
    let kinds = after_every_record(&path, |opened| {
        let mut scripted = kit::in_folder(opened);
        scripted.phones = phones();
        scripted.finish();
    });
    for kind in [
        "opening",
        "accepted",
        "hand",
        "witness-joined",
        "sealed",
        "link-opened",
        "answer",
        "void",
        "resealed",
    ] {
        assert!(kinds.contains(kind), "{kind} is not among {kinds:?}");
    }
}

#[test]
fn a_cut_within_every_write_resumes_finishes_and_verifies() {
    let whole = finished(&kit::full(Protocol::Abx), 22);
    // Some places of each line: its first byte, its middle, just before its newline.
    let mut start = 0;
    for line in whole.journal.split_inclusive(|&byte| byte == b'\n') {
        for within in [1, line.len() / 2, line.len() - 1] {
            resume_and_verify(&whole, 22, start + within);
        }
        start += line.len();
    }
}

#[test]
fn every_prefix_replays_to_the_state_that_was_shown() {
    for protocol in Protocol::ALL {
        let scripted = kit::in_memory(&kit::full(protocol), 23).finish();
        let records = &scripted.journal.records;
        for length in 1..=records.len() {
            let (conductor, _) = Conductor::resume(&records[..length], &[kit::secret(23)]).unwrap();
            let (again, _) = Conductor::resume(&records[..length], &[kit::secret(23)]).unwrap();
            assert_eq!(conductor.view(), again.view());
            // Going on from a prefix with the same answers leads to the same result as never having stopped.
            let mut rest = kit::Memory::default();
            for record in &records[..length] {
                kit::Journal::append(&mut rest, record);
            }
            let resumed = Conductor::resume(&records[..length], &[kit::secret(23)]).unwrap();
            let gone_on = kit::Scripted::new(resumed, rest).finish();
            let (Stage::Result(first), Stage::Result(second)) =
                (scripted.conductor.view().stage, gone_on.conductor.view().stage)
            else {
                panic!("{protocol}: no result from {length} records");
            };
            assert_eq!(first, second, "{protocol}: resumed after {length} records");
        }
    }
}

#[test]
fn a_torn_register_is_put_aside_and_goes_on() {
    let whole = finished(&kit::full(Protocol::Abx), 24);
    let folder = cut(&whole, 24, whole.journal.len());
    let register = folder.path().join("register.jsonl");
    let announced = std::fs::read(&register).unwrap();
    std::fs::OpenOptions::new()
        .append(true)
        .open(&register)
        .unwrap()
        .write_all(b"{\"number\":2,\"ch")
        .unwrap();
    drop(Sittings::lock(folder.path(), UTC).unwrap());
    assert_eq!(torn_files(folder.path()), [b"{\"number\":2,\"ch".to_vec()]);
    assert!(std::fs::read(&register).unwrap().starts_with(&announced));
    assert!(kit::check(&folder.path().join(&whole.name)).is_sound());
    assert!(verify::register(folder.path()).announced[0].closed.is_some());
}

#[test]
fn a_sitting_cut_many_times_in_the_same_trial_keeps_every_torn_byte() {
    let whole = finished(&kit::full(Protocol::Abx), 25);
    let end = whole.journal.iter().enumerate().filter(|(_, byte)| **byte == b'\n').nth(7).unwrap().0 + 1;
    let folder = cut(&whole, 25, end);
    let path = folder.path().join(&whole.name);
    for round in 0..3 {
        let garbage = vec![0_u8; 100 + round];
        std::fs::OpenOptions::new().append(true).open(&path).unwrap().write_all(&garbage).unwrap();
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.resume(&whole.name, UTC, kit::silent(), kit::secret(999), None).unwrap();
        assert_eq!(torn_files(folder.path()).len(), round + 1);
        drop(opened);
    }
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    kit::in_folder(sittings.resume(&whole.name, UTC, kit::silent(), kit::secret(999), None).unwrap())
        .finish();
    let checked = kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.resumed, 4);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any byte prefix of a journal reads as a journal, or says clearly that nothing was opened.
    #[test]
    fn any_byte_prefix_reads_without_a_panic(protocol in 0..6_usize, seed in 0..1000_u64, cut in 0.0..1.0_f64) {
        let scripted = kit::in_memory(&kit::full(Protocol::ALL[protocol]), seed).finish();
        let bytes = &scripted.journal.bytes;
        let length = (bytes.len() as f64 * cut) as usize;
        let prefix = &bytes[..length];
        let lines = prefix.iter().filter(|&&byte| byte == b'\n').count();
        let read = journal::read_from(Path::new("prefix.jsonl"), &mut &prefix[..]);
        match read {
            Ok(journal) => {
                prop_assert_eq!(journal.records.as_slice(), &scripted.journal.records[..lines]);
                let checked = verify::verify(&journal);
                prop_assert_eq!(checked.state, State::Unfinished);
                prop_assert_eq!(checked.problems, vec![]);
                let resumed = Conductor::resume(&journal.records, &[kit::secret(seed)]);
                prop_assert!(resumed.is_ok());
            }
            Err(error) => {
                prop_assert_eq!(lines, 0);
                prop_assert!(error.to_string().contains("not a journal"));
            }
        }
    }
}
