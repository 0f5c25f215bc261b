//! Witnesses: each way to know a trial before it begins, or to pretend that somebody watched, tried with everything there is.

use earwitness::stats::Protocol;
use earwitness::trial::replay::Replay;
use earwitness::trial::schedule::{Draws, Presented};
use earwitness::trial::verify::{self, Checked};
use earwitness::trial::witness::{Links, before, trial_key};
use earwitness::trial::{Definition, Digest, Event, Listening, Part, Record, Sittings, Stage, TrialId};

use super::kit::{self, Memory, Phone, Scripted, UTC};
use super::python;
use super::tampering::rewritten;

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
    assert!(checked.has_verdict());
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
                    *at_ms = r[first].at_ms();
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

/// What somebody foretells with a key, were it the one that draws.
fn foretold(key: Digest, next: TrialId, draws: &mut Draws) -> Presented {
    draws.draw_anew(key, next);
    draws.present(next).unwrap()
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
    let joined = Record::WitnessJoined { at_ms: 0, witness: 1, name: "Jorin".to_owned(), end: phone.end() };
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
        let draws = || Draws::new(&opening, key);
        let guesses = [
            own.present(next).unwrap(),
            foretold(trial_key(&key, &[known]), next, &mut draws()),
            foretold(trial_key(&Digest::NOTHING, &[link]), next, &mut draws()),
        ];
        replay.take(&Record::LinkOpened { at_ms: 0, id: next, witness: 1, link }).unwrap();
        let truth = replay.on.unwrap();
        by_key += u32::from(guesses[0].order == truth.order);
        by_last_link += u32::from(guesses[1].order == truth.order);
        by_holder += u32::from(guesses[2].order == truth.order);
        let both = foretold(trial_key(&key, &[link]), next, &mut draws());
        by_both += u32::from(both.order == truth.order);
        same_trial += u32::from(guesses[0].subject == truth.subject && guesses[0].stimulus == truth.stimulus);
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
        let path = opened.keeper.path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let mut scripted = kit::in_folder(opened);
        scripted.phones = vec![Phone::new("Jorin's phone")];
        for _ in 0..9 {
            scripted.step();
        }
        scripted.phones[0].awake = false;
        let resealed = |scripted: &Scripted<earwitness::trial::Keeper>| {
            scripted.effects.iter().any(|effect| matches!(effect, earwitness::trial::Effect::KeepSecret(_)))
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
        let checked = verify::check(&path);
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
    let path = opened.keeper.path();
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
    let checked = verify::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert_eq!(checked.void, 0, "an attempt of which nothing was heard");
}
