//! Hands, resealing and locks: each way to know or to choose the draws, tried with the program's own files.

use earwitness::stats::Protocol;
use earwitness::trial::hands::{Asked, LastWord};
use earwitness::trial::lock::LockError;
use earwitness::trial::rest::SecretError;
use earwitness::trial::seal::hand_hash;
use earwitness::trial::sittings::secret_file;
use earwitness::trial::{
    Ballot, Digest, Effect, Event, Record, Sittings, SittingsError, Stage, against, journal,
};

use super::kit::{self, Journal as _, Memory, Resume as _, Scripted, UTC};
use super::python;

fn hand(seat: u32, round: u32) -> Digest {
    Digest::of(format!("hand of seat {seat} in round {round}").as_bytes())
}

fn refused(scripted: &Scripted<Memory>) -> bool {
    matches!(scripted.effects.last(), Some(Effect::Refuse(_)))
}

/// A night with three phones that have given their hands, closed, and a host who typed one last.
fn room() -> Scripted<Memory> {
    let mut scripted = kit::in_memory(&super::night::draft(Protocol::Abx), 81);
    scripted.hands.clear();
    for seat in 1..=3 {
        scripted.event(Event::Join { seat, alias: format!("guest {seat}"), by: Ballot::Phone, table: None });
        scripted.event(Event::CloseHand { seat, hash: hand_hash(&hand(seat, 1)) });
        assert!(!refused(&scripted));
    }
    scripted.step();
    scripted.event(Event::Hand { by: "The host".to_owned(), text: "chosen by the host".to_owned() });
    scripted
}

#[test]
fn phones_give_their_hands_closed_and_open_them_when_nothing_can_be_added() {
    let mut scripted = room();
    scripted.event(Event::OpenHand { seat: 1, hand: hand(1, 1) });
    assert!(refused(&scripted), "a hand opened while others can still be chosen");
    scripted.event(Event::Seal);
    let Stage::Sealing { opening, .. } = scripted.conductor.view().stage else { panic!("not sealing") };
    assert!(opening, "closed hands are opened before anything is drawn");
    scripted.event(Event::Hand { by: "The host".to_owned(), text: "one more".to_owned() });
    assert!(refused(&scripted), "a typed hand after the phones' were closed");
    scripted.event(Event::CloseHand { seat: 1, hash: hand_hash(&hand(1, 9)) });
    assert!(refused(&scripted), "another hand in place of the closed one");
    scripted.event(Event::OpenHand { seat: 2, hand: hand(2, 9) });
    assert!(refused(&scripted), "another hand than was closed");
    for seat in [3, 1, 2] {
        assert_eq!(scripted.conductor.sealing().asked_of(seat), Asked::Asked);
        scripted.event(Event::OpenHand { seat, hand: hand(seat, 1) });
    }
    assert!(matches!(scripted.conductor.view().stage, Stage::Announce { .. }), "the last one seals");
    let scripted = scripted.finish();
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    python::agree(&path);
    let checked = kit::check(&path);
    assert_eq!(checked.last_word, Some(LastWord::Nobody));
    // In the order in which they were committed: the phones', then what the host typed.
    let names: Vec<&str> = checked.hands.iter().map(|hand| hand.by.as_str()).collect();
    assert_eq!(names, ["guest 1", "guest 2", "guest 3", "The host"]);
}

/// A whole night whose sealing started over, since a phone left its hand closed.
pub(crate) fn started_over() -> Scripted<Memory> {
    let mut scripted = room();
    scripted.event(Event::Seal);
    scripted.event(Event::OpenHand { seat: 1, hand: hand(1, 1) });
    scripted.event(Event::OpenHand { seat: 3, hand: hand(3, 1) });
    assert_eq!(scripted.conductor.sealing().closed(), [2]);
    scripted.event(Event::Seal);
    let last = scripted.journal.records.last().unwrap();
    assert!(matches!(last, Record::HandsVoid { closed, .. } if *closed == [2]), "{last:?}");
    assert_eq!(scripted.conductor.sealing().started_over, 1);
    assert_eq!(scripted.conductor.sealing().asked_of(1), Asked::Wanted, "a fresh hand, as this one is known");
    for seat in [1, 3] {
        scripted.event(Event::CloseHand { seat, hash: hand_hash(&hand(seat, 2)) });
    }
    scripted.event(Event::Seal);
    for seat in [1, 3] {
        scripted.event(Event::OpenHand { seat, hand: hand(seat, 2) });
    }
    scripted.finish()
}

#[test]
fn a_hand_that_stays_closed_is_named_and_the_sealing_starts_over() {
    let (_folder, path) = kit::written(&started_over().journal.bytes);
    python::agree(&path);
    assert_eq!(kit::check(&path).hands.len(), 3);
}

/// The journal of a locked sitting that was cut off, and went on to its end with the passphrase.
pub(crate) fn locked(passphrase: &str) -> Vec<u8> {
    let folder = kit::folder();
    let name = cut_off(folder.path(), Some(passphrase));
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    let opened = sittings.resume(&name, UTC, kit::silent(), kit::secret(88), Some(passphrase)).unwrap();
    kit::in_folder(opened).finish();
    std::fs::read(folder.path().join(&name)).unwrap()
}

#[test]
fn a_host_who_types_last_without_a_phone_is_named_as_one_who_could_choose() {
    let mut scripted = kit::in_memory(&super::night::draft(Protocol::Abx), 82);
    scripted.hands = vec![("Pia", "a hand"), ("The host", "tried 1,231 of them")];
    let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
    assert_eq!(kit::check(&path).last_word, Some(LastWord::Typed("The host".to_owned())));
    // Hands of before an interruption are in the journal as well, and say nothing about the draws after it.
    assert!(LastWord::NoHand.sentence(0).starts_with("no hand went in:"));
    assert!(LastWord::NoHand.sentence(2).starts_with("since the last interruption, no hand went in:"));
}

#[test]
fn with_a_wager_the_skeptics_hand_is_the_last() {
    let mut scripted = kit::in_memory(&kit::full(Protocol::Abx), 83);
    scripted.hands.clear();
    while !matches!(scripted.conductor.view().stage, Stage::Sealing { .. }) {
        scripted.step();
    }
    scripted.event(Event::Hand { by: "Jorin".to_owned(), text: "the skeptic's".to_owned() });
    scripted.event(Event::Hand { by: "Ida".to_owned(), text: "chosen after it".to_owned() });
    assert!(refused(&scripted));
    // Nor does a journal written anew with it verify.
    let mut records = scripted.finish().journal.records;
    let sealed = records.iter().position(|record| matches!(record, Record::Sealed { .. })).unwrap();
    let at_ms = records[sealed].at_ms();
    records.insert(sealed, Record::Hand { at_ms, by: "Ida".to_owned(), text: "after it".to_owned() });
    let mut memory = Memory::default();
    for record in &records {
        memory.append(record);
    }
    let (_folder, path) = kit::written(&memory.bytes);
    assert!(kit::check(&path).problems[0].message.contains("skeptic"));
}

/// A sitting of forty trials in a folder, cut off after three answers; its journal's name.
fn cut_off(folder: &std::path::Path, passphrase: Option<&str>) -> String {
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.terms.trials = 20;
    let opened = Sittings::lock(folder, UTC).unwrap().open(draft, kit::secret(84), passphrase).unwrap();
    let name = opened.writer.path().file_name().unwrap().to_string_lossy().into_owned();
    let mut scripted = kit::in_folder(opened);
    for _ in 0..9 {
        scripted.step();
    }
    name
}

#[test]
fn an_early_opening_of_a_copy_says_nothing_about_what_is_to_come() {
    let folder = kit::folder();
    let name = cut_off(folder.path(), None);
    let copy = kit::folder();
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), copy.path().join(entry.file_name())).unwrap();
    }
    // The copy goes on under one fresh secret, the folder itself under another; both answer all trials.
    let orders = |folder: &std::path::Path, fresh: u64| {
        let sittings = Sittings::lock(folder, UTC).unwrap();
        let opened = sittings.resume(&name, UTC, kit::silent(), kit::secret(fresh), None).unwrap();
        kit::in_folder(opened).finish();
        let checked = kit::check(&folder.join(&name));
        assert!(checked.is_sound(), "{:?}", checked.problems);
        python::agree(&folder.join(&name));
        let orders = checked.answers.iter().filter(|answer| answer.void.is_none());
        orders.map(|answer| answer.presented.unwrap().order).collect::<Vec<_>>()
    };
    let (known, real) = (orders(copy.path(), 85), orders(folder.path(), 86));
    assert_eq!(known.len(), real.len());
    let answered = known.iter().zip(&real).take_while(|(left, right)| left == right).count();
    let (known, real) = (&known[3..], &real[3..]);
    let same = known.iter().zip(real).filter(|(left, right)| left == right).count();
    // Two of two orders agree by chance in half of 41 trials, give or take 3.2.
    assert!(answered >= 3 && (10..=31).contains(&same), "{same} of {} agree", real.len());
}

#[test]
fn what_was_being_presented_is_void_and_reported() {
    let folder = kit::folder();
    let name = cut_off(folder.path(), None);
    let path = folder.path().join(&name);
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    kit::in_folder(sittings.resume(&name, UTC, kit::silent(), kit::secret(87), None).unwrap()).finish();
    let checked = kit::check(&path);
    assert_eq!((checked.void, checked.resumed), (1, 1));
    assert!(
        checked
            .answers
            .iter()
            .any(|answer| answer.void.as_ref().is_some_and(|void| void.cause == "interrupted"))
    );
    // Somebody who goes on without voiding it, so as to hear the same X again, is found out.
    let mut records = journal::read(&path).unwrap().records;
    let void = records.iter().position(|record| matches!(record, Record::Void { .. })).unwrap();
    records.remove(void);
    for record in &mut records[void..] {
        if let Record::Answer { id, .. } = record {
            id.attempt = 1;
        }
    }
    let mut memory = Memory::default();
    for record in &records {
        memory.append(record);
    }
    let (_folder, path) = kit::written(&memory.bytes);
    assert!(!kit::check(&path).is_sound());
}

#[test]
fn a_locked_sitting_goes_on_and_ends_only_with_the_passphrase() {
    let folder = kit::folder();
    let name = cut_off(folder.path(), Some("Jorin's own words"));
    let path = folder.path().join(&name);
    // Stopped in a copy, its secret known, written to a plain file: nothing opens.
    let lock = || Sittings::lock(folder.path(), UTC).unwrap();
    let secret = secret_file(folder.path(), &name);
    let locked = std::fs::read(&secret).unwrap();
    earwitness::trial::rest::store(&secret, &[kit::secret(84)], None).unwrap();
    let refused = lock().resume(&name, UTC, kit::silent(), kit::secret(88), None).unwrap_err();
    assert!(matches!(refused, SittingsError::Secret(SecretError::Locked)), "{refused}");
    let refused =
        lock().resume(&name, UTC, kit::silent(), kit::secret(88), Some("Jorin's own words")).unwrap_err();
    assert!(matches!(refused, SittingsError::Secret(SecretError::Exchanged(_))), "{refused}");
    std::fs::write(&secret, locked).unwrap();
    let refused =
        lock().resume(&name, UTC, kit::silent(), kit::secret(88), Some("guessed words")).unwrap_err();
    let wrong = SittingsError::Secret(SecretError::Lock(LockError::WrongPassphrase));
    assert_eq!(refused.to_string(), wrong.to_string());
    let opened =
        lock().resume(&name, UTC, kit::silent(), kit::secret(88), Some("Jorin's own words")).unwrap();
    kit::in_folder(opened).finish();
    let mut checked = kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    python::agree(&path);
    assert_eq!(against::passphrase(&mut checked, "Jorin's own words"), Ok(2));
    assert!(checked.is_sound());
    assert!(against::passphrase(&mut checked, "guessed words").is_err());

    // Written anew without the passphrase: a proof is missing, or is another one.
    let honest = journal::read(&path).unwrap().records;
    let forged = |change: &dyn Fn(&mut Option<Digest>)| {
        let mut memory = Memory::default();
        for record in &honest {
            let mut record = record.clone();
            match &mut record {
                Record::Resumed { proof, .. } => change(proof),
                Record::Closing(closing) => change(&mut closing.proof),
                _ => {}
            }
            memory.append(&record);
        }
        kit::written(&memory.bytes)
    };
    let (_folder, path) = forged(&|proof| *proof = None);
    let checked = kit::check(&path);
    assert!(checked.problems.iter().any(|problem| problem.message.contains("passphrase")));
    let (_folder, path) = forged(&|proof| *proof = Some(Digest::of(b"invented")));
    let mut checked = kit::check(&path);
    assert!(checked.is_sound(), "who has no passphrase cannot tell: {:?}", checked.problems);
    assert_eq!(against::passphrase(&mut checked, "Jorin's own words"), Ok(0));
    assert_eq!(checked.problems.len(), 2);
}

#[test]
fn a_sitting_of_the_first_format_is_not_gone_on_with() {
    let folder = kit::folder();
    let kept = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/journals/format-1-cut-off.jsonl");
    let bytes = std::fs::read(kept).unwrap();
    let whole = bytes.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    std::fs::write(folder.path().join("old.jsonl"), &bytes[..whole]).unwrap();
    let error = Sittings::lock(folder.path(), UTC).unwrap().secrets("old.jsonl", None).unwrap_err();
    assert!(matches!(error, SittingsError::Older { .. }), "{error}");
}
