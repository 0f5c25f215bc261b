//! A room of listeners who share every draw.

use earwitness::stats::Protocol;
use earwitness::trial::record::StoppingTerms;
use earwitness::trial::verify::State;
use earwitness::trial::{
    Ballot, Conductor, Draft, Effect, Event, Occasion, Outcome, Part, Record, Sittings, Stage, TrialId,
};

use super::kit::{self, Memory, Resume as _, Scripted, UTC};
use crate::blind;

pub(crate) fn draft(protocol: Protocol) -> Draft {
    let mut draft = kit::draft(kit::terms(protocol));
    draft.occasion = Occasion::Night;
    "The host".clone_into(&mut draft.listener);
    draft
}

fn join(scripted: &mut Scripted<Memory>, seat: u32, alias: &str, by: Ballot) {
    scripted.event(Event::Join { seat, alias: alias.to_owned(), by, table: None });
}

fn on(scripted: &Scripted<Memory>) -> TrialId {
    match scripted.conductor.view().stage {
        Stage::Trial(trial) => trial.id,
        other => panic!("{other:?}"),
    }
}

fn refused(scripted: &Scripted<Memory>) -> bool {
    matches!(scripted.effects.last(), Some(Effect::Refuse(_)))
}

/// A night of three phones and one paper ballot that comes at the end.
pub(crate) fn played(protocol: Protocol, seed: u64) -> Scripted<Memory> {
    evening(&draft(protocol), seed)
}

/// The same of any night.
pub(crate) fn evening(draft: &Draft, seed: u64) -> Scripted<Memory> {
    let mut scripted = kit::in_memory(draft, seed);
    for seat in 1..=3 {
        join(&mut scripted, seat, &format!("guest {seat}"), Ballot::Phone);
    }
    join(&mut scripted, 4, "pencil", Ballot::Paper);
    while !matches!(scripted.conductor.view().stage, Stage::Counting) {
        if let Stage::Trial(trial) = scripted.conductor.view().stage {
            let count = trial.alternatives.len();
            for seat in 1..=3_u32 {
                // A vote may be changed until the votes are closed.
                for alternative in [0, (seat + trial.id.trial) as usize % count] {
                    scripted.event(Event::Vote { id: trial.id, seat, alternative, by: Ballot::Phone });
                }
            }
        }
        assert!(scripted.step());
    }
    let closed: Vec<TrialId> = scripted
        .journal
        .records
        .iter()
        .filter_map(|record| match record {
            Record::VotesClosed { id, .. } => Some(*id),
            _ => None,
        })
        .collect();
    for id in closed {
        scripted.event(Event::Vote { id, seat: 4, alternative: 0, by: Ballot::Paper });
        assert!(!refused(&scripted), "{id:?}");
    }
    scripted.finish()
}

#[test]
fn votes_are_chained_counted_and_verified() {
    for protocol in Protocol::ALL {
        let scripted = played(protocol, 51);
        let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
        assert_eq!(result.outcome, Outcome::AllTrials);
        assert_eq!(result.counts.comparisons.iter().map(|count| count.trials).sum::<u64>(), 8 * 4);
        let (_folder, path) = kit::written(&scripted.journal.bytes);
        let checked = kit::check(&path);
        assert_eq!(checked.problems, [], "{protocol}");
        assert!(checked.is_sound());
        assert_eq!(checked.seats.len(), 4);
        let main: Vec<_> = checked.answers.iter().filter(|answer| answer.id.part == Part::Main).collect();
        assert_eq!(main.len(), 11 * 4);
        assert!(main.iter().all(|answer| answer.right.is_some() != (protocol == Protocol::Preference)));
        assert!(main.iter().filter(|answer| answer.by == Some(Ballot::Paper)).count() == 11);
    }
}

#[test]
fn votes_that_do_not_belong_are_refused_and_not_written() {
    let mut scripted = kit::in_memory(&draft(Protocol::Abx), 52);
    join(&mut scripted, 1, "guest", Ballot::Phone);
    join(&mut scripted, 1, "another", Ballot::Phone);
    assert!(refused(&scripted), "the seat is taken");
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    let id = on(&scripted);
    let before = scripted.journal.records.len();
    let vote = |id, seat, alternative, by| Event::Vote { id, seat, alternative, by };
    for event in [
        vote(id, 2, 0, Ballot::Phone),
        vote(id, 1, 7, Ballot::Phone),
        vote(TrialId { trial: id.trial + 1, ..id }, 1, 0, Ballot::Phone),
        vote(TrialId { attempt: 2, ..id }, 1, 0, Ballot::Paper),
        Event::Choose(0),
        Event::Leave { seat: 9, removed: false },
    ] {
        scripted.event(event.clone());
        assert!(refused(&scripted), "{event:?}");
    }
    assert_eq!(scripted.journal.records.len(), before);
    scripted.event(vote(id, 1, 0, Ballot::Phone));
    let Stage::Trial(trial) = scripted.conductor.view().stage else { panic!("no trial") };
    assert_eq!((trial.voted.as_slice(), trial.seats), ([1].as_slice(), 1));
    scripted.event(vote(id, 1, 1, Ballot::Paper));
    assert!(refused(&scripted), "paper does not replace a phone's vote");
    scripted.event(Event::CloseVotes);
    assert!(refused(&scripted), "nobody has heard X");
    scripted.event(Event::Select(2));
    scripted.event(Event::Play);
    scripted.event(Event::CloseVotes);
    scripted.event(vote(id, 1, 1, Ballot::Phone));
    assert!(refused(&scripted), "a phone's vote after the votes were closed");
    scripted.event(Event::Leave { seat: 1, removed: false });
    if let Stage::Announce { .. } = scripted.conductor.view().stage {
        scripted.event(Event::Continue);
    }
    let next = on(&scripted);
    scripted.event(vote(next, 1, 0, Ballot::Phone));
    assert!(refused(&scripted), "somebody who left");
    join(&mut scripted, 1, "late guest", Ballot::Phone);
    assert!(!refused(&scripted), "a late arrival on a seat that was left");
}

#[test]
fn a_night_looks_the_same_whatever_was_drawn_and_however_they_voted() {
    for protocol in Protocol::ALL {
        let orders = earwitness::trial::Definition::of(protocol).orders.len();
        let seen = |order: usize, shift: usize| {
            let secret = blind::secret_for(&draft(protocol), &kit::HANDS, &[order; 3]);
            let opened = Conductor::open(kit::opening(&draft(protocol), &secret), secret).unwrap();
            let mut scripted = Scripted::new(opened, Memory::default());
            join(&mut scripted, 1, "guest", Ballot::Phone);
            while !matches!(scripted.conductor.view().stage, Stage::Counting) {
                if let Stage::Trial(trial) = scripted.conductor.view().stage {
                    let alternative = shift % trial.alternatives.len();
                    scripted.event(Event::Vote { id: trial.id, seat: 1, alternative, by: Ballot::Phone });
                }
                assert!(scripted.step());
            }
            let views: Vec<String> = scripted
                .views
                .iter()
                .map(|view| {
                    let mut view = view.clone();
                    view.receipt = None;
                    blind::without_digests(&format!("{view:?}"))
                })
                .collect();
            (views, blind::without_digests(&String::from_utf8_lossy(&scripted.journal.bytes)))
        };
        let first = seen(0, 0);
        for order in 1..orders {
            assert_eq!(first, seen(order, 0), "{protocol}, order {order}");
        }
        assert_eq!(first.0, seen(0, 1).0, "{protocol}: the room's view shows how they voted");
    }
}

#[test]
fn a_night_cut_off_resumes_and_the_interrupted_trial_is_void() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(draft(Protocol::Abx), kit::secret(54), None)
        .unwrap();
    let path = opened.writer.path();
    let name = path.file_name().unwrap().to_str().unwrap().to_owned();
    let mut scripted = kit::in_folder(opened);
    for seat in 1..=2 {
        scripted.event(Event::Join { seat, alias: format!("guest {seat}"), by: Ballot::Phone, table: None });
    }
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    let Stage::Trial(trial) = scripted.conductor.view().stage else { panic!("no trial") };
    scripted.event(Event::Vote { id: trial.id, seat: 2, alternative: 1, by: Ballot::Phone });
    drop(scripted);
    assert_eq!(kit::check(&path).state, State::Unfinished);
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .resume(&name, UTC, kit::silent(), kit::secret(999), None)
        .unwrap();
    let mut scripted = kit::in_folder(opened);
    scripted.hands.clear();
    scripted.step();
    scripted.event(Event::Continue);
    let Stage::Trial(again) = scripted.conductor.view().stage else { panic!("no trial") };
    assert_eq!(again.id, TrialId { attempt: 2, ..trial.id }, "what was being presented is void");
    assert_eq!((again.voted.as_slice(), again.seats), ([].as_slice(), 2));
    scripted.event(Event::Vote { id: again.id, seat: 2, alternative: 1, by: Ballot::Phone });
    scripted.finish();
    let checked = kit::check(&path);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    assert!(checked.answers.iter().any(|answer| answer.id == again.id && answer.answer == Some(1)));
}

#[test]
fn a_night_cannot_have_what_only_one_listener_can() {
    let refused = |draft: Draft| {
        let secret = kit::secret(55);
        Conductor::open(kit::opening(&draft, &secret), secret).unwrap_err()
    };
    let mut sequential = draft(Protocol::Abx);
    sequential.terms.stopping = StoppingTerms::Sequential { alpha: 0.05, beta: 0.1, proportion: 0.75 };
    assert!(refused(sequential).contains("sequential"));
    let mut qualification = draft(Protocol::Abx);
    qualification.terms.qualification =
        Some(earwitness::trial::record::QualificationTerms { trials: 2, correct: 1, protocol: None });
    assert!(refused(qualification).contains("qualification"));
}

#[test]
fn votes_that_come_together_are_written_together_and_chained_apart() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(draft(Protocol::Abx), kit::secret(56), None)
        .unwrap();
    let mut writer = opened.writer;
    let seats: Vec<Record> = (1..=500)
        .map(|seat| Record::Seat {
            at_ms: 1,
            seat,
            alias: format!("guest {seat}"),
            by: Ballot::Phone,
            table: None,
        })
        .collect();
    let digests = writer.append_all(&seats).unwrap();
    assert_eq!(digests.len(), 500);
    let path = writer.path();
    drop(writer);
    let checked = kit::check(&path);
    assert_eq!((checked.records, checked.problems.len(), checked.seats.len()), (501, 0, 500));
    assert_eq!(checked.digests[1..], digests);
    assert_eq!(checked.receipt.as_ref(), digests.last());
}

/// Plays to the end of the next trial: its votes are closed.
fn close_one(scripted: &mut Scripted<Memory>) -> TrialId {
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.event(Event::Continue);
    }
    let id = on(scripted);
    scripted.event(Event::Vote { id, seat: 1, alternative: 0, by: Ballot::Phone });
    for event in [Event::Select(2), Event::Play, Event::CloseVotes] {
        scripted.event(event);
    }
    id
}

fn void_the_last(scripted: &mut Scripted<Memory>) -> bool {
    scripted.event(Event::VoidVotes { cause: "host: a tram".to_owned() });
    !refused(scripted)
}

#[test]
fn a_trial_whose_votes_were_closed_can_be_void_until_the_next_one_is_heard() {
    let mut scripted = kit::in_memory(&draft(Protocol::Abx), 57);
    join(&mut scripted, 1, "guest", Ballot::Phone);
    while !matches!(scripted.conductor.view().stage, Stage::Announce { .. }) {
        scripted.step();
    }
    assert!(!void_the_last(&mut scripted), "nothing was closed yet");
    let (mut repeated, mut closed) = (Vec::new(), 0);
    while !matches!(scripted.conductor.view().stage, Stage::Counting) {
        let id = close_one(&mut scripted);
        closed += 1;
        // The warm-up, a trial in the middle, the last one, and one twice.
        let main = id.part == Part::Main;
        if id.attempt == 1 && (!main || [1, 4, 11].contains(&id.trial))
            || main && id.trial == 4 && id.attempt == 2
        {
            assert!(void_the_last(&mut scripted), "{id:?}");
            assert_eq!(on(&scripted), TrialId { attempt: id.attempt + 1, ..id }, "it is repeated at once");
            assert!(!void_the_last(&mut scripted), "once is enough");
            scripted.event(Event::Vote { id, seat: 1, alternative: 1, by: Ballot::Paper });
            assert!(refused(&scripted), "paper does not bring it back");
            repeated.push(id);
        }
    }
    assert_eq!((repeated.len(), closed), (5, 1 + 11 + 5), "a warm-up trial, eleven others, five repeated");
    let scripted = scripted.finish();
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    super::python::agree(&path);
    let checked = kit::check(&path);
    assert_eq!(checked.void, 5);
    assert!(
        checked.answers.iter().filter(|answer| answer.void.is_some()).all(|answer| answer.answer.is_none())
    );
    assert_eq!(checked.total().map(|total| total.trials), Some(8));
}

#[test]
fn nothing_else_becomes_void_afterwards() {
    let mut scripted = kit::in_memory(&draft(Protocol::Abx), 58);
    join(&mut scripted, 1, "guest", Ballot::Phone);
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    close_one(&mut scripted);
    scripted.event(Event::Continue);
    // The next one was heard, if only for a moment: whoever voids now would have to void it.
    for event in [Event::Select(0), Event::Play, Event::Pause] {
        scripted.event(event);
    }
    assert!(!void_the_last(&mut scripted));
    // A journal says so with a record; one about another trial than the last, or in a sitting, is none.
    let opening = kit::opening(&draft(Protocol::Abx), &kit::secret(58));
    let mut ledger = earwitness::trial::ledger::Ledger::new(opening).expect("an opening");
    let id = TrialId { part: Part::Main, trial: 1, attempt: 1 };
    let void = Record::VotesVoid { at_ms: 0, id, cause: "host: a tram".to_owned() };
    assert!(ledger.apply(&void).is_err());
    let records = &scripted.journal.records[1..];
    for record in records {
        ledger.apply(record).expect("as it was written");
    }
    let last = ledger.attempts.last().expect("an attempt").id;
    let other = TrialId { trial: last.trial + 1, ..last };
    assert!(ledger.apply(&Record::VotesVoid { at_ms: u64::MAX, id: other, cause: String::new() }).is_err());
}
