//! Nobody answers before what is asked about has sounded for the agreed time: the conductor refuses, and the ledger, which
//! the verifier replays, refuses a journal that says otherwise.

use earwitness::stats::Protocol;
use earwitness::stats::protocol::{Definition, Side, Sides};
use earwitness::trial::conductor::Conductor;
use earwitness::trial::{Draft, Effect, Event, Occasion, Record, Stage, Step, TrialView};

use super::kit::{self, Memory, Scripted};

fn at_trial(draft: &Draft) -> Scripted<Memory> {
    let mut scripted = kit::in_memory(draft, 4);
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    scripted
}

fn draft(protocol: Protocol) -> Draft {
    let mut draft = kit::draft(kit::terms(protocol));
    draft.terms.heard_at_least_ms = Some(1000);
    draft
}

fn trial(conductor: &Conductor) -> TrialView {
    match conductor.view().stage {
        Stage::Trial(trial) => trial,
        other => panic!("no trial is on: {other:?}"),
    }
}

#[test]
fn a_burst_of_keys_gives_no_answer_in_any_protocol() {
    for protocol in Protocol::ALL {
        let mut scripted = at_trial(&draft(protocol));
        let definition = Definition::of(protocol);
        let now = scripted.conductor.at_ms();
        // "1 2 3 Down Enter" at once: each slot is started, none has sounded.
        for slot in 0..definition.slots.len() {
            scripted.conductor.step(now, Event::Select(slot));
            scripted.conductor.step(now, Event::Play);
        }
        let effects = scripted.conductor.step(now, Event::Choose(0));
        assert!(matches!(effects.last(), Some(Effect::Refuse(_))), "{protocol}: {effects:?}");
        assert_eq!(trial(&scripted.conductor).choice, None, "{protocol}");
        // Each in turn for a second, less a millisecond for the last one.
        let asked: Vec<usize> =
            (0..definition.slots.len()).filter(|&slot| definition.slots[slot].must_hear).collect();
        let mut now = now;
        for (index, &slot) in asked.iter().enumerate() {
            scripted.conductor.step(now, Event::Select(slot));
            assert_eq!(trial(&scripted.conductor).unheard, asked[index..], "{protocol}");
            scripted.conductor.step(now, Event::Play);
            now += if index + 1 == asked.len() { 999 } else { 1000 };
        }
        let effects = scripted.conductor.step(now, Event::Choose(0));
        assert!(matches!(effects.last(), Some(Effect::Refuse(_))), "{protocol}: {effects:?}");
        scripted.conductor.step(now + 1, Event::Choose(0));
        let shown = trial(&scripted.conductor);
        assert_eq!(
            (shown.choice, shown.step, shown.unheard),
            (Some(0), Step::Confirm, Vec::new()),
            "{protocol}"
        );
    }
}

#[test]
fn time_in_silence_is_no_listening() {
    let mut scripted = at_trial(&draft(Protocol::Abx));
    let now = scripted.conductor.at_ms();
    scripted.conductor.step(now, Event::Select(2));
    scripted.conductor.step(now + 60_000, Event::Choose(0));
    assert_eq!(trial(&scripted.conductor).unheard, [2]);
    scripted.conductor.step(now + 60_000, Event::Play);
    scripted.conductor.step(now + 60_500, Event::Pause);
    scripted.conductor.step(now + 90_000, Event::Choose(0));
    assert_eq!(trial(&scripted.conductor).unheard, [2], "half a second was heard");
    scripted.conductor.step(now + 90_000, Event::Play);
    scripted.conductor.step(now + 90_500, Event::Choose(0));
    assert_eq!(trial(&scripted.conductor).unheard, [0; 0], "two halves are a second");
}

/// A whole sitting in memory whose records one spoils; why they are refused.
fn refused(draft: &Draft, spoil: impl Fn(&mut Record) -> bool) -> Option<String> {
    let mut records = kit::in_memory(draft, 4).finish().journal.records;
    assert!(records.iter_mut().any(spoil), "something was spoiled");
    Conductor::resume(&records, &[kit::secret(4)]).err().map(|error| error.to_string())
}

#[test]
fn a_journal_with_an_answer_too_soon_is_refused() {
    for protocol in [Protocol::Triangle, Protocol::Preference, Protocol::ANotA] {
        let why = refused(&kit::draft(kit::terms(protocol)), |record| match record {
            Record::Answer { listening, .. } => {
                listening.heard_ms[1] = 199;
                true
            }
            _ => false,
        });
        assert!(
            why.as_ref().is_some_and(|why| why.contains("199 ms, less than the 200 ms agreed on")),
            "{why:?}"
        );
    }
    let mut night = kit::draft(kit::terms(Protocol::Triangle));
    night.occasion = Occasion::Night;
    let why = refused(&night, |record| match record {
        Record::VotesClosed { listening, .. } => {
            listening.heard_ms[2] = 199;
            true
        }
        _ => false,
    });
    assert!(why.as_ref().is_some_and(|why| why.contains("3 was heard for 199 ms")), "{why:?}");
}

#[test]
fn votes_of_a_night_stay_open_until_the_room_has_heard_everything() {
    let mut night = draft(Protocol::Triangle);
    night.occasion = Occasion::Night;
    let mut scripted = at_trial(&night);
    let mut now = scripted.conductor.at_ms();
    let effects = scripted.conductor.step(now, Event::CloseVotes);
    assert!(matches!(effects.last(), Some(Effect::Refuse(_))), "{effects:?}");
    scripted.conductor.step(now, Event::Play);
    for slot in 1..3 {
        now += 1000;
        let effects = scripted.conductor.step(now, Event::CloseVotes);
        assert!(matches!(effects.last(), Some(Effect::Refuse(_))), "{effects:?}");
        scripted.conductor.step(now, Event::Select(slot));
    }
    let effects = scripted.conductor.step(now + 999, Event::CloseVotes);
    assert!(matches!(effects.last(), Some(Effect::Refuse(_))), "{effects:?}");
    now += 1000;
    let effects = scripted.conductor.step(now, Event::CloseVotes);
    assert!(effects.iter().any(|effect| matches!(effect, Effect::Append(_))), "{effects:?}");
}

#[test]
fn the_side_with_more_of_a_control_is_the_one_that_its_terms_name() {
    let mut terms = kit::terms(Protocol::TwoAfc);
    for (more, alternative) in [(Some(Side::A), 1), (Some(Side::B), 0), (None, 0)] {
        terms.controls[0].more = more;
        let draft = kit::draft(terms.clone());
        let opening = kit::opening(&draft, &kit::secret(1));
        let presented = earwitness::trial::schedule::Presented {
            id: earwitness::trial::TrialId { part: earwitness::trial::Part::Main, trial: 1, attempt: 1 },
            subject: earwitness::trial::schedule::Subject::Control(0),
            stimulus: opening.stimuli.iter().position(|stimulus| stimulus.control == Some(0)).expect("one"),
            // Order 1 is B first, then A.
            order: 1,
            exchanged: false,
        };
        assert_eq!(presented.right(&opening), Some(alternative), "{more:?}");
    }
}

#[test]
fn terms_that_their_format_does_not_know_are_refused() {
    let opened = |change: fn(&mut Draft)| {
        let mut draft = draft(Protocol::Preference);
        change(&mut draft);
        let secret = kit::secret(1);
        Conductor::open(kit::opening(&draft, &secret), secret).err()
    };
    assert_eq!(opened(|_| {}), None);
    let why = opened(|draft| draft.terms.heard_at_least_ms = None);
    assert!(why.as_ref().is_some_and(|why| why.contains("heard_at_least_ms")), "{why:?}");
    let why = opened(|draft| draft.terms.sides = Some(Sides::One));
    assert!(why.as_ref().is_some_and(|why| why.contains("preference")), "{why:?}");
}
