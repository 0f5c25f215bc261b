//! Witnesses: each way to know a trial before it begins, or to pretend that somebody watched, tried with everything there is.

use earwitness::conduct::witness::Watched;
use earwitness::stats::Protocol;
use earwitness::trial::Conductor;
use earwitness::trial::copy::{Vouched, WitnessCopy};
use earwitness::trial::hands::LastWord;
use earwitness::trial::replay::Replay;
use earwitness::trial::schedule::Draws;
use earwitness::trial::seal::Stream;
use earwitness::trial::verify::{self, Checked};
use earwitness::trial::witness::{Links, before, trial_key};
use earwitness::trial::{
    Definition, Digest, Effect, Event, Listening, Part, Record, Sittings, Stage, TrialId, journal,
};

use super::kit::{self, Memory, Phone, Resume as _, Scripted, UTC};
use super::python;
use super::tampering::rewritten;
use crate::blind;
use crate::commands::earwitness;

/// A sitting with everything on and these phones, from its first page.
pub(crate) fn watched(protocol: Protocol, seed: u64, names: &[&'static str]) -> Scripted<Memory> {
    let mut scripted = kit::in_memory(&kit::full(protocol), seed);
    scripted.phones = names.iter().map(|name| Phone::new(name)).collect();
    scripted
}

fn check(bytes: &[u8]) -> Checked {
    let (_folder, path) = kit::written(bytes);
    verify::alone(&path)
}

/// Sound, and strangers with a page of Python find the same draws.
fn agree(scripted: &Scripted<Memory>) -> Checked {
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    python::agree(&path);
    verify::alone(&path)
}

#[test]
fn a_witnessed_sitting_is_derived_again_by_strangers() {
    for (seed, protocol) in [Protocol::Abx, Protocol::Tetrad, Protocol::TwoAfc].into_iter().enumerate() {
        let mut scripted = watched(protocol, 300 + seed as u64, &["Jorin's phone", "Pia's"]);
        scripted.disturb = Some(4);
        let scripted = scripted.finish();
        let checked = agree(&scripted);
        let links =
            scripted.journal.records.iter().filter(|record| matches!(record, Record::LinkOpened { .. }));
        assert_eq!(
            links.count(),
            2 * checked.answers.len(),
            "two links for each attempt, the void one included"
        );
    }
}

#[test]
fn a_lost_witness_ends_its_sealing_and_not_the_sitting() {
    let mut scripted = watched(Protocol::Abx, 310, &["Jorin's phone", "Pia's"]);
    let answered = |scripted: &Scripted<Memory>| {
        scripted.journal.records.iter().filter(|record| matches!(record, Record::Answer { .. })).count()
    };
    while answered(&scripted) < 4 {
        scripted.step();
    }
    scripted.phones[1].awake = false;
    while answered(&scripted) < 7 {
        scripted.step();
    }
    let lost = scripted.journal.records.iter().find_map(|record| match record {
        Record::Resealed { lost, .. } => Some(lost.clone()),
        _ => None,
    });
    assert_eq!(lost, Some(vec![2]), "the one that slept is named");
    scripted.phones[0].awake = false;
    let scripted = scripted.finish();
    let checked = agree(&scripted);
    let links: Vec<usize> = checked.answers.iter().map(|answer| answer.witnesses.len()).collect();
    assert_eq!((&links[..4], &links[4..7]), ([2; 4].as_slice(), [1; 3].as_slice()));
    assert!(
        links[7..].iter().all(|&count| count == 0),
        "nobody watched the rest, and it is there: {links:?}"
    );
    assert!(kit::has_verdict(&checked));
}

/// The records of a witnessed sitting, and the place of the first link of its main part.
fn material() -> (Vec<Record>, usize) {
    let records = watched(Protocol::Abx, 311, &["Jorin's phone", "Pia's"]).finish().journal.records;
    let first = records
        .iter()
        .position(|record| matches!(record, Record::LinkOpened { id, .. } if id.part == Part::Main))
        .unwrap();
    (records, first)
}

/// What is changed, how, and what is said of it.
type Change<'c> = (&'c str, Box<dyn Fn(&mut Vec<Record>)>, &'c str);

#[test]
fn links_stand_where_they_belong_and_nowhere_else() {
    let (records, first) = material();
    let sealed = records.iter().position(|record| matches!(record, Record::Sealed { .. })).unwrap();
    let joined = records.iter().position(|record| matches!(record, Record::WitnessJoined { .. })).unwrap();
    let refused = |what: &str, records: Vec<Record>, message: &str| {
        let checked = check(&rewritten(&records));
        let found = checked.problems.first().map(|problem| problem.message.clone()).unwrap_or_default();
        assert!(!checked.is_sound() && found.contains(message), "{what}: {:?}", checked.problems);
    };
    let changes: Vec<Change> = vec![
        (
            "a link left out",
            Box::new(move |r| drop(r.remove(first))),
            "before its witnesses opened their links",
        ),
        ("a link twice", Box::new(move |r| r.insert(first + 1, r[first].clone())), "second link"),
        (
            "another link",
            Box::new(move |r| {
                if let Record::LinkOpened { link, .. } = &mut r[first] {
                    *link = Digest::of(b"another");
                }
            }),
            "does not lead to the one before",
        ),
        (
            "a link for another trial",
            Box::new(move |r| {
                if let Record::LinkOpened { id, .. } = &mut r[first] {
                    id.trial += 1;
                }
            }),
            "for a trial that does not begin",
        ),
        (
            "a link opened a trial early",
            Box::new(move |r| {
                let next =
                    (first + 2..r.len()).find(|&at| matches!(r[at], Record::LinkOpened { .. })).unwrap();
                let mut early = r[next].clone();
                if let Record::LinkOpened { at_ms, .. } = &mut early {
                    *at_ms = r[first + 1].at_ms();
                }
                r.insert(first + 2, early);
            }),
            "for a trial that does not begin",
        ),
        (
            "a link before the seal",
            Box::new(move |r| {
                let link = r[first].clone();
                r.insert(sealed, link);
            }),
            "",
        ),
        (
            "a witness after the seal",
            Box::new(move |r| {
                let late = r[joined].clone();
                r.insert(sealed + 1, late);
            }),
            "",
        ),
        ("a witness twice", Box::new(move |r| r.insert(joined + 1, r[joined].clone())), "its number is not"),
        (
            "two witnesses with one chain",
            Box::new(move |r| {
                let (Record::WitnessJoined { end: first, .. }, Record::WitnessJoined { end: second, .. }) =
                    (r[joined].clone(), &mut r[joined + 1])
                else {
                    panic!("two witnesses")
                };
                *second = first;
            }),
            "the same chain",
        ),
        (
            "a witness nobody joined",
            Box::new(move |r| drop(r.remove(joined + 1))),
            "a witness who did not join",
        ),
        (
            "a seal anew while everybody is there",
            Box::new(move |r| {
                let at_ms = r[first + 1].at_ms();
                let commitment = Digest::of(b"fresh");
                r.insert(
                    first + 2,
                    Record::Resealed { at_ms, lost: vec![1], waited_ms: 0, commitment, proof: None },
                );
            }),
            "the witnesses who were lost are others",
        ),
    ];
    for (what, change, message) in changes {
        let mut changed = records.clone();
        change(&mut changed);
        refused(what, changed, message);
    }
}

#[test]
fn what_was_opened_for_one_trial_opens_no_other() {
    // Everything of a chain before a link follows from it, nothing after it does.
    let links = Links::from_last(Digest::of(b"last"), 50);
    assert_eq!(links.link(0), None);
    assert_eq!(links.link(51), None);
    assert_eq!(before(&links.link(1).unwrap()), links.end());
    assert!((2..=50).all(|at| before(&links.link(at).unwrap()) == links.link(at - 1).unwrap()));
    assert!(!format!("{links:?}").contains(&links.end().hex()[..8]));
    let mut scripted = watched(Protocol::Abx, 312, &["Jorin's phone"]);
    while !matches!(scripted.conductor.view().stage, Stage::Waiting { .. }) {
        scripted.step();
    }
    let (first, second) =
        (scripted.phones[0].links.link(1).unwrap(), scripted.phones[0].links.link(2).unwrap());
    let before = scripted.journal.records.len();
    for (witness, link) in [(1, second), (2, first), (0, first), (1, Digest::NOTHING)] {
        scripted.event(Event::OpenLink { witness, link });
        assert_eq!(scripted.journal.records.len(), before, "nothing is written for what does not fit");
    }
    for event in [Event::Play, Event::Select(0), Event::Choose(0), Event::Continue] {
        scripted.event(event);
        assert!(matches!(scripted.conductor.view().stage, Stage::Waiting { .. }), "nothing is heard before");
    }
    scripted.event(Event::OpenLink { witness: 1, link: first });
    assert!(matches!(scripted.conductor.view().stage, Stage::Trial(_)));
}

/// The order that somebody foretells with a key, were it the one that draws, while so many trials are left.
fn foretold(key: Digest, left: usize) -> usize {
    let mut stream = Stream::new(key);
    stream.below(left);
    stream.below(2)
}

#[test]
fn who_has_every_file_foretells_no_better_than_chance_over_two_thousand_trials() {
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.terms.trials = 1000;
    draft.terms.warm_up = 0;
    let secret = kit::secret(313);
    let opening = kit::opening(&draft, &secret);
    let phone = Links::from_last(Digest::of(b"the phone's own"), 2010);
    let mut replay = Replay::new(opening.clone(), vec![secret.clone()]).unwrap();
    let key = secret.key(2, []);
    let by = opening.listener.clone();
    replay.take(&Record::Accepted { at_ms: 0, by }).unwrap();
    let joined = Record::WitnessJoined {
        at_ms: 0,
        witness: 1,
        name: "Jorin".to_owned(),
        end: phone.end(),
        seat: None,
    };
    replay.take(&joined).unwrap();
    replay.take(&Record::Sealed { at_ms: 0, phrases: None, hands: Some(0) }).unwrap();
    let slots = Definition::of(Protocol::Abx).slots.len();
    let listening = Listening { listens: vec![1; slots], heard_ms: vec![500; slots], ..Listening::default() };
    // The owner: secret, key, all links so far. The phone's holder: all links, those to come too, but no secret.
    let (mut by_key, mut by_last_link, mut by_holder, mut by_both, mut same_trial) = (0, 0, 0, 0, 0);
    let mut own = Draws::new(&opening, key);
    let mut trials = 0;
    while let Some(next) = replay.ledger.next() {
        trials += 1;
        assert!(replay.on.is_none(), "before the link there is nothing drawn to be read anywhere");
        let known = phone.link(trials - 1).unwrap_or(phone.end());
        let link = phone.link(trials).unwrap();
        let left = 2004 - trials;
        let scheduled = own.present(next).unwrap();
        let guesses = [
            scheduled.order,
            foretold(trial_key(&key, &[known]), left),
            foretold(trial_key(&Digest::NOTHING, &[link]), left),
        ];
        replay.take(&Record::LinkOpened { at_ms: 0, id: next, witness: 1, link }).unwrap();
        let truth = replay.on.unwrap();
        by_key += u32::from(guesses[0] == truth.order);
        by_last_link += u32::from(guesses[1] == truth.order);
        by_holder += u32::from(guesses[2] == truth.order);
        by_both += u32::from(foretold(trial_key(&key, &[link]), left) == truth.order);
        same_trial += u32::from(scheduled.subject == truth.subject && scheduled.stimulus == truth.stimulus);
        let answer = "a".to_owned();
        let confidence = None;
        replay
            .take(&Record::Answer { at_ms: 0, id: next, answer, confidence, listening: listening.clone() })
            .unwrap();
    }
    assert_eq!(trials, 2003);
    // Binomial with one half: five standard deviations are 112.
    for (who, hits) in [("owner", by_key), ("owner with old links", by_last_link), ("holder", by_holder)] {
        assert!(hits.abs_diff(1001) < 112, "{who}: {hits} of {trials}");
    }
    assert_eq!(by_both, 2003, "with both halves everything is derived: the test can fail");
    // Three kinds of stimulus, of which one half, a quarter and a quarter of the trials are made: 3/8 agree by chance.
    assert!(same_trial < 900, "nor is it known which trial comes: {same_trial}");
}

#[test]
fn a_fresh_seal_survives_a_power_cut_and_a_lock() {
    for passphrase in [None, Some("four words nobody knows")] {
        let folder = kit::folder();
        let opened = Sittings::lock(folder.path(), UTC)
            .unwrap()
            .open(kit::full(Protocol::Abx), kit::secret(314), passphrase)
            .unwrap();
        let path = opened.writer.path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let mut scripted = kit::in_folder(opened);
        scripted.phones = vec![Phone::new("Jorin's phone")];
        for _ in 0..9 {
            scripted.step();
        }
        scripted.phones[0].awake = false;
        let resealed = |scripted: &Scripted<earwitness::trial::JournalWriter>| {
            scripted.effects.iter().any(|effect| matches!(effect, Effect::KeepSecret(_)))
        };
        while !resealed(&scripted) {
            scripted.step();
        }
        for _ in 0..5 {
            scripted.step();
        }
        drop(scripted);
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.resume(&name, UTC, kit::silent(), kit::secret(315), passphrase).unwrap();
        let mut scripted = kit::in_folder(opened);
        scripted.phones = vec![Phone::new("Jorin's phone again")];
        scripted.finish();
        let checked = kit::check(&path);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        assert_eq!(checked.closing.unwrap().opened().len(), 3);
        assert_eq!(checked.proofs.len(), if passphrase.is_some() { 3 } else { 0 });
    }
}

#[test]
fn one_cut_off_while_links_are_awaited_has_nothing_to_void() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(316), None)
        .unwrap();
    let path = opened.writer.path();
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    let mut scripted = kit::in_folder(opened);
    scripted.phones = vec![Phone::new("Jorin's phone"), Phone::new("Pia's")];
    while !matches!(scripted.conductor.view().stage, Stage::Waiting { .. }) {
        scripted.step();
    }
    let link = scripted.phones[0].links.link(1).unwrap();
    scripted.event(Event::OpenLink { witness: 1, link });
    drop(scripted);
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    let opened = sittings.resume(&name, UTC, kit::silent(), kit::secret(317), None).unwrap();
    kit::in_folder(opened).finish();
    let checked = kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.void, 0, "an attempt of which nothing was heard");
}

/// What a phone that saw everything kept.
fn copied(name: &str, bytes: &[u8], records: &[Record]) -> WitnessCopy {
    let receipts: Vec<Digest> = bytes
        .split_inclusive(|&byte| byte == b'\n')
        .map(|line| Digest::of(&line[..line.len() - 1]))
        .collect();
    let mut asked = 0;
    let mut opened = Vec::new();
    let mut number = 0;
    for (index, record) in records.iter().enumerate() {
        match record {
            Record::WitnessJoined { witness, name: whose, .. } if whose == name => number = *witness,
            // Links are asked for at the last record that is no link.
            Record::LinkOpened { witness, link, .. } if *witness == number => {
                opened.push((*link, receipts[asked]));
            }
            Record::LinkOpened { .. } => {}
            _ => asked = index,
        }
    }
    let name = name.to_owned();
    WitnessCopy { schema: "earwitness.witness/1".to_owned(), name, sitting: receipts[0], receipts, opened }
}

fn held(copy: &WitnessCopy, bytes: &[u8]) -> Option<Vouched> {
    let journal = journal::read_from(std::path::Path::new("journal.jsonl"), &mut &bytes[..]).unwrap();
    copy.against(&journal)
}

#[test]
fn a_copy_catches_two_hundred_journals_that_are_sound_in_themselves() {
    let scripted = watched(Protocol::Abx, 320, &["Jorin's phone", "Pia's"]).finish();
    let (bytes, records) = (&scripted.journal.bytes, &scripted.journal.records);
    let copy = copied("Pia's", bytes, records);
    let vouched = held(&copy, bytes).unwrap();
    assert_eq!(check(bytes).last_word, Some(LastWord::Witnesses), "not whoever typed last");
    assert_eq!(vouched.problems, []);
    assert_eq!((vouched.trials, vouched.of, vouched.wasted), (11, 11, 0));
    assert_eq!(vouched.sentence(), "11 of 11 trials witnessed by Pia's");
    let caught = |changed: &[u8]| held(&copy, changed).is_none_or(|vouched| !vouched.problems.is_empty());
    let mut tried = 0;
    // Cut anywhere.
    for kept in 1..records.len() {
        assert!(caught(&rewritten(&records[..kept])), "cut after {kept}");
        tried += 1;
    }
    // Written anew from any record on, every hash anew: a later time, another answer, another's link.
    for at in 0..records.len() {
        let mut changed = records.clone();
        for record in &mut changed[at..] {
            match record {
                Record::Answer { listening, .. } | Record::Void { listening, .. } => listening.took_ms += 1,
                Record::Opening(opening) => opening.listener.push('!'),
                Record::Accepted { at_ms, .. }
                | Record::Hand { at_ms, .. }
                | Record::WitnessJoined { at_ms, .. }
                | Record::Sealed { at_ms, .. }
                | Record::LinkOpened { at_ms, .. } => *at_ms += 1,
                Record::Closing(closing) => closing.at_ms += 1,
                _ => {}
            }
        }
        assert!(caught(&rewritten(&changed)), "written anew from {at}");
        tried += 1;
    }
    // Another sitting of the same people in its place.
    let mut seed = 321;
    while tried < 200 {
        let other = watched(Protocol::Abx, seed, &["Jorin's phone", "Pia's"]).finish();
        assert_eq!(held(&copy, &other.journal.bytes), None, "a second sitting");
        (seed, tried) = (seed + 1, tried + 1);
    }
    // A link that was asked for before the answer to the trial before it.
    let mut early = copy.clone();
    let second = early.opened.len() - 1;
    early.opened[second].1 = early.opened[second - 1].1;
    let problems = held(&early, bytes).unwrap().problems;
    assert!(problems[0].message.contains("known early"), "{problems:?}");
    // A link that the phone never opened, under its name.
    let mut fewer = copy.clone();
    fewer.opened.remove(3);
    let problems = held(&fewer, bytes).unwrap().problems;
    assert!(problems[0].message.contains("did not open"), "{problems:?}");
}

/// A phone that is lost in mid-sitting keeps a copy that ends early. As with a receipt of a part, what comes after it is confirmed
/// by nobody: whoever has the file could have written all of it anew, right answers in it.
#[test]
fn a_copy_that_ends_early_confirms_only_its_part_and_the_command_says_so() {
    let scripted = watched(Protocol::Abx, 332, &["Jorin"]).finish();
    let (folder, path) = kit::written(&scripted.journal.bytes);
    let whole = copied("Jorin", &scripted.journal.bytes, &scripted.journal.records);
    let mut early = whole.clone();
    let (records, asked) = (whole.receipts.len(), whole.opened[4].1);
    let seen = whole.receipts.iter().position(|receipt| *receipt == asked).unwrap() + 1;
    early.receipts.truncate(seen);
    early.opened.truncate(5);
    for (name, copy) in [("early.json", &early), ("whole.json", &whole)] {
        std::fs::write(folder.path().join(name), serde_json::to_string(copy).unwrap()).unwrap();
    }
    let with = |more: &[&str]| {
        let line = [&["verify", path.to_str().unwrap(), "--witness", "early.json"], more].concat();
        earwitness(folder.path(), &line)
    };
    let ran = with(&[]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    let said =
        format!("it holds records 1 to {seen}, and says nothing about the {} after them", records - seen);
    assert!(ran.out.contains(&said), "{said}: {}", ran.out);
    assert!(ran.err.contains("1 of 1 journals are confirmed only in part"), "{}", ran.err);
    let ran = with(&["--json"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    let document: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    let told = &document["journals"][0]["witness_copies"][0];
    assert_eq!((&told["records"], &told["fits"]), (&seen.into(), &true.into()));
    assert_eq!(told["records_after"], records - seen);
    // Another copy, or a receipt, that reaches to the end confirms the whole.
    let last = whole.receipts[records - 1].hex();
    for more in [["--witness", "whole.json"], ["--receipt", &last]] {
        let ran = with(&more);
        assert_eq!(ran.code, 0, "{more:?}: {}{}", ran.out, ran.err);
    }
    assert_eq!(with(&["--receipt", &asked.hex()]).code, 1, "two of a part are no whole");
}

#[test]
fn the_command_holds_a_copy_against_its_journal() {
    let scripted = watched(Protocol::Abx, 330, &["Jorin"]).finish();
    let (folder, path) = kit::written(&scripted.journal.bytes);
    let copy = copied("Jorin", &scripted.journal.bytes, &scripted.journal.records);
    let file = folder.path().join("copy.json");
    std::fs::write(&file, serde_json::to_string(&copy).unwrap()).unwrap();
    let (journal, copy) = (path.to_str().unwrap(), file.to_str().unwrap());
    let verify = || earwitness(folder.path(), &["verify", journal, "--witness", copy]);
    let ran = verify();
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("witness's copy: 11 of 11 trials witnessed by Jorin"), "{}", ran.out);
    // Its links taken out: nothing in it contradicts the journal, and it confirms none of its trials.
    let mut bare = copied("Jorin", &scripted.journal.bytes, &scripted.journal.records);
    bare.opened.clear();
    let emptied = folder.path().join("emptied.json");
    std::fs::write(&emptied, serde_json::to_string(&bare).unwrap()).unwrap();
    let bare = earwitness(folder.path(), &["verify", journal, "--witness", emptied.to_str().unwrap()]);
    assert_eq!(bare.code, 1, "{}{}", bare.out, bare.err);
    assert!(bare.out.contains("0 of 11 trials witnessed by Jorin; the copy holds no link"), "{}", bare.out);
    assert!(bare.err.contains("Jorin's copy confirms no trial"), "{}", bare.err);
    let lines: Vec<&[u8]> = scripted.journal.bytes.split_inclusive(|&byte| byte == b'\n').collect();
    std::fs::write(&path, lines[..lines.len() - 1].concat()).unwrap();
    let ran = verify();
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.out.contains("those after it are gone"), "{}", ran.out);
    let other = watched(Protocol::Abx, 331, &["Jorin"]).finish();
    std::fs::write(&path, &other.journal.bytes).unwrap();
    let ran = verify();
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.err.contains("no journal of its sitting was given"), "{}", ran.err);
    std::fs::write(&file, "{\"schema\":1}").unwrap();
    let ran = verify();
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains("this is not a witness's copy"), "{}", ran.err);
}

/// Everything that listener and witness see up to the closing, where the first attempts are presented in this order.
fn seen(order: usize) -> (String, String, String, Vec<String>) {
    let mut draft = kit::full(Protocol::Abx);
    draft.terms.qualification = None;
    let mut phone = Phone::new("Jorin's phone");
    let links = Links::from_last(Digest::of(b"Jorin's phone 1"), 100);
    let opening = kit::opening(&draft, &kit::secret(0));
    let attempts = [(Part::WarmUp, 1), (Part::Main, 1), (Part::Main, 2)];
    let secret = (0..100_000)
        .map(kit::secret)
        .find(|secret| {
            let key = secret.key(2, kit::HANDS.iter().map(|hand| hand.as_bytes()));
            let mut draws = Draws::new(&opening, key);
            attempts.iter().enumerate().all(|(index, &(part, trial))| {
                let id = TrialId { part, trial, attempt: 1 };
                {
                    draws.draw_anew(trial_key(&key, &[links.link(index + 1).unwrap()]), id);
                    draws.present(id).unwrap().order == order
                }
            })
        })
        .unwrap();
    let opened = Conductor::open(kit::opening(&draft, &secret), secret).unwrap();
    let mut scripted = Scripted::new(opened, Memory::default());
    phone.awake = true;
    scripted.phones = vec![phone];
    let mut told = Vec::new();
    loop {
        let mut watched = Watched::default();
        for record in &scripted.journal.records {
            watched.written(record, Digest::NOTHING);
        }
        told.push(serde_json::to_string(&watched.shown(&scripted.conductor, scripted.now)).unwrap());
        if !scripted.step() {
            break;
        }
    }
    // The last one is after the closing.
    told.pop();
    let sides = scripted.effects.iter().filter_map(|effect| match effect {
        Effect::Load { sides, .. } => Some(format!("{sides:?}")),
        _ => None,
    });
    let open: Vec<_> = scripted.views.iter().filter(|view| !matches!(view.stage, Stage::Result(_))).collect();
    let lines: Vec<&[u8]> = scripted.journal.bytes.split_inclusive(|&byte| byte == b'\n').collect();
    let before = lines[..lines.len() - 1].concat();
    (
        blind::without_digests(&format!("{open:#?}")),
        blind::without_digests(&String::from_utf8_lossy(&before)),
        blind::without_digests(&told.join("\n")),
        sides.take(3).collect(),
    )
}

#[test]
fn listener_and_witness_see_the_same_whichever_side_x_is() {
    let (a, b) = (seen(0), seen(1));
    assert!(a.3.iter().zip(&b.3).all(|(a, b)| a != b), "the orders were really different ones");
    assert_eq!(a.0, b.0, "the listener's views differ");
    assert_eq!(a.1, b.1, "the journals differ");
    assert_eq!(a.2, b.2, "the witness's page differs");
    assert!(a.2.contains("\"at\":\"asking\"") && a.2.contains("\"at\":\"trial\""), "it was there");
}
