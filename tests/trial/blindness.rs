//! Two sittings that differ only in the draw look and write the same until the seal is opened.

use earwitness::session::Takes;
use earwitness::stats::Protocol;
use earwitness::stimulus::PairKind;
use earwitness::trial::{Conductor, Definition, Draft, Effect, Event, Record, Secret, Stage};

use super::kit::{self, Memory, Resume as _, Scripted};
use crate::blind;

/// Everything that anybody could see of a sitting up to its closing.
pub(super) struct Seen {
    pub(super) views: String,
    pub(super) journal: String,
    pub(super) effects: String,
    pub(super) sides: Vec<String>,
    pub(super) record_lengths: Vec<usize>,
}

pub(super) fn seen(draft: &Draft, order: usize, disturb: Option<u32>) -> Seen {
    seen_under(draft, blind::secret_for(draft, &kit::HANDS, &[order; 3]), disturb)
}

/// The same under a secret.
pub(super) fn seen_under(draft: &Draft, secret: Secret, disturb: Option<u32>) -> Seen {
    let opened = Conductor::open(kit::opening(draft, &secret), secret).unwrap();
    let mut scripted = Scripted::new(opened, Memory::default());
    scripted.disturb = disturb;
    let scripted = scripted.finish();
    assert!(matches!(scripted.conductor.view().stage, Stage::Result(_)));
    let mut sides = Vec::new();
    let effects: Vec<Effect> = scripted
        .effects
        .iter()
        .filter(|effect| !matches!(effect, Effect::Append(record) if matches!(**record, Record::Closing(_))))
        .cloned()
        .map(|effect| match effect {
            // What the player is given is an indexed list: only this may differ.
            Effect::Load { pair, sides: list, .. } => {
                sides.push(format!("{pair:?} {list:?}"));
                let pair = PairKind::Comparison { comparison: 0, clip: 0 };
                Effect::Load { pair, sides: Vec::new(), cables: Vec::new() }
            }
            other => other,
        })
        .collect();
    let open: Vec<_> = scripted.views.iter().filter(|view| !matches!(view.stage, Stage::Result(_))).collect();
    let lines: Vec<&[u8]> = scripted.journal.bytes.split_inclusive(|&byte| byte == b'\n').collect();
    let (closing, before) = lines.split_last().unwrap();
    assert!(String::from_utf8_lossy(closing).contains("\"kind\":\"closing\""));
    Seen {
        views: blind::without_digests(&format!("{open:#?}")),
        journal: blind::without_digests(&String::from_utf8_lossy(&before.concat())),
        effects: blind::without_digests(&format!("{effects:?}")),
        sides,
        record_lengths: before.iter().map(|line| line.len()).collect(),
    }
}

#[test]
fn every_protocol_looks_and_writes_the_same_for_every_order() {
    for protocol in Protocol::ALL {
        for disturb in [None, Some(3)] {
            let draft = kit::full(protocol);
            let first = seen(&draft, 0, disturb);
            assert!(!first.sides.is_empty());
            for order in 1..Definition::of(protocol).orders.len() {
                let other = seen(&draft, order, disturb);
                assert_eq!(first.views, other.views, "{protocol}, order {order}: the views differ");
                assert_eq!(first.journal, other.journal, "{protocol}, order {order}: the journals differ");
                assert_eq!(first.record_lengths, other.record_lengths);
                assert_eq!(first.effects, other.effects, "{protocol}, order {order}: the effects differ");
                // The orders were really different ones.
                assert_ne!(first.sides, other.sides, "{protocol}, order {order}");
            }
        }
    }
}

#[test]
fn a_whole_schedule_drawn_anew_changes_nothing_but_commitment_and_pairs() {
    // Here the schedule differs too: other comparisons, clips and controls in other places.
    for protocol in Protocol::ALL {
        let draft = kit::draft(kit::terms(protocol));
        let show = |seed: u64| {
            let scripted = kit::in_memory(&draft, seed).finish();
            let views: Vec<String> = scripted
                .views
                .iter()
                .filter(|view| !matches!(view.stage, Stage::Result(_)))
                .map(|view| {
                    let mut view = view.clone();
                    view.commitment = earwitness::trial::Digest::NOTHING;
                    view.receipt = None;
                    format!("{view:?}")
                })
                .collect();
            let records: Vec<String> = scripted.journal.records[1..]
                .iter()
                .filter(|record| !matches!(record, Record::Closing(_)))
                .map(|record| format!("{record:?}"))
                .collect();
            let lengths: Vec<usize> =
                scripted.journal.bytes.split(|&byte| byte == b'\n').map(<[u8]>::len).collect();
            let pairs: Vec<Effect> = scripted
                .effects
                .iter()
                .filter(|effect| matches!(effect, Effect::Load { .. }))
                .cloned()
                .collect();
            (views, records, lengths[..lengths.len() - 2].to_vec(), pairs)
        };
        let first = show(1);
        let mut different = false;
        for seed in 2..12 {
            let other = show(seed);
            assert_eq!(first.0, other.0, "{protocol}, secret {seed}: the views differ");
            assert_eq!(first.1, other.1, "{protocol}, secret {seed}: the records differ");
            assert_eq!(first.2, other.2, "{protocol}, secret {seed}: the lengths differ");
            different |= first.3 != other.3;
        }
        assert!(different, "{protocol}: nothing was drawn");
    }
}

#[test]
fn sealing_anew_under_a_lock_with_hands_of_phones_and_people_shows_nothing_of_the_draw() {
    // A night with a phone's hand and a typed one, locked, cut off in its second trial, sealed anew: under other secrets the
    // same is shown and written, up to digests.
    let show = |seed: u64| {
        let folder = kit::folder();
        let lock = || earwitness::trial::Sittings::lock(folder.path(), kit::UTC).unwrap();
        let passphrase = Some("Jorin's own words");
        let opened = lock().open(super::night::draft(Protocol::Abx), kit::secret(seed), passphrase).unwrap();
        let path = opened.writer.path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let hand = earwitness::trial::Digest::of(b"a phone's hand");
        let play = |mut scripted: Scripted<earwitness::trial::JournalWriter>, steps: usize, join: bool| {
            if join {
                let by = earwitness::trial::Ballot::Phone;
                scripted.event(Event::Join { seat: 1, alias: "guest".to_owned(), by, table: None });
            }
            scripted.hands = vec![("The host", "typed")];
            let hash = earwitness::trial::seal::hand_hash(&hand);
            let mut given = false;
            for _ in 0..steps {
                if let Stage::Sealing { opening, .. } = scripted.conductor.view().stage {
                    if opening {
                        scripted.event(Event::OpenHand { seat: 1, hand });
                        continue;
                    }
                    if !given {
                        given = true;
                        scripted.event(Event::Hand { by: "The host".to_owned(), text: "typed".to_owned() });
                        scripted.event(Event::CloseHand { seat: 1, hash });
                    }
                }
                scripted.step();
            }
            let views: Vec<_> =
                scripted.views.iter().filter(|view| !matches!(view.stage, Stage::Result(_))).collect();
            blind::without_digests(&format!("{views:#?}"))
        };
        let mut seen = play(kit::in_folder(opened), 6, true);
        let fresh = kit::secret(seed + 100);
        let opened = lock().resume(&name, kit::UTC, kit::silent(), fresh, passphrase).unwrap();
        seen += &play(kit::in_folder(opened), 8, false);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(
            text.contains("hand-opened")
                && text.contains("\"kind\":\"resumed\"")
                && text.contains("\"proof\"")
        );
        assert!(!text.contains("\"kind\":\"closing\""));
        let secrets =
            std::fs::metadata(earwitness::trial::sittings::secret_file(folder.path(), &name)).unwrap();
        (seen, blind::without_digests(&text), text.lines().map(str::len).collect::<Vec<_>>(), secrets.len())
    };
    let first = show(1);
    for seed in 2..6 {
        let other = show(seed);
        assert_eq!(first.0, other.0, "the views differ");
        assert_eq!(first.1, other.1, "the journals differ");
        assert_eq!((&first.2, first.3), (&other.2, other.3), "lengths differ");
    }
}

#[test]
fn only_simulated_sittings_are_told_the_answer() {
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    for (simulated, told) in [(None, false), (Some(0.5), true)] {
        draft.simulated = simulated;
        let mut scripted = kit::in_memory(&draft, 3);
        let mut answers = 0;
        loop {
            answers += usize::from(scripted.conductor.simulated_answer().is_some());
            if !scripted.step() {
                break;
            }
        }
        assert_eq!(answers > 0, told);
    }
}

#[test]
fn what_is_asked_about_must_have_been_heard() {
    for protocol in Protocol::ALL {
        let mut scripted = kit::in_memory(&kit::draft(kit::terms(protocol)), 4);
        while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
            scripted.step();
        }
        scripted.event(Event::Choose(0));
        assert!(matches!(scripted.effects.last(), Some(Effect::Refuse(_))), "{protocol}");
        let Stage::Trial(trial) = scripted.conductor.view().stage else { panic!("{protocol}") };
        assert_eq!(trial.choice, None);
        let must = trial.slots.iter().filter(|slot| slot.must_hear).count();
        assert_eq!(trial.unheard.len(), must, "{protocol}");
    }
}

#[test]
fn a_failed_write_stops_the_sitting_and_shows_no_result() {
    let mut scripted = kit::in_memory(&kit::draft(kit::terms(Protocol::Abx)), 5);
    while !matches!(&scripted.conductor.view().stage, Stage::Trial(trial) if trial.id.trial == 3) {
        scripted.step();
    }
    scripted.event(Event::JournalFailed { reason: "no space left on device".to_owned() });
    let stage = scripted.conductor.view().stage;
    assert_eq!(stage, Stage::Stopped { reason: "no space left on device".to_owned() });
    let before = scripted.journal.records.len();
    for event in [Event::Continue, Event::Play, Event::Choose(0), Event::Confirm, Event::Stop, Event::Seal] {
        scripted.event(event);
    }
    assert_eq!(scripted.journal.records.len(), before);
    assert_eq!(scripted.conductor.view().stage, stage);
}

/// A sitting of recordings, whose identical controls play one cable recorded twice.
fn of_recordings(protocol: Protocol) -> Draft {
    let mut draft = kit::full(protocol);
    for comparison in &mut draft.terms.comparisons {
        comparison.recorded = Some(Takes::Two);
    }
    let own = draft.stimuli.clone();
    for stimulus in &mut draft.stimuli {
        let Some(control) = stimulus.control else { continue };
        if !draft.terms.controls[control].is_positive() {
            let place = (stimulus.comparison, stimulus.clip, None);
            let pair = own.iter().find(|of| (of.comparison, of.clip, of.control) == place).unwrap();
            (stimulus.a, stimulus.b) = (pair.a, earwitness::trial::Digest::of(b"recorded again"));
        }
    }
    draft
}

#[test]
fn a_sitting_of_recordings_looks_and_writes_the_same_for_every_order() {
    for protocol in [Protocol::Abx, Protocol::Triangle] {
        let draft = of_recordings(protocol);
        let first = seen(&draft, 0, None);
        for order in 1..Definition::of(protocol).orders.len() {
            let other = seen(&draft, order, None);
            assert_eq!(
                (&first.views, &first.journal),
                (&other.views, &other.journal),
                "{protocol}, order {order}"
            );
            assert_eq!((&first.record_lengths, &first.effects), (&other.record_lengths, &other.effects));
            assert_ne!(first.sides, other.sides, "{protocol}, order {order}");
        }
    }
}

#[test]
fn an_identical_control_that_is_another_sound_is_refused() {
    let refused = |draft: &Draft| {
        let secret = blind::secret(1);
        Conductor::open(kit::opening(draft, &secret), secret).map(drop).expect_err("refused")
    };
    // A real difference under the name of a control that should not be heard, without recordings and with them.
    let mut without = of_recordings(Protocol::Abx);
    for comparison in &mut without.terms.comparisons {
        comparison.recorded = None;
    }
    assert!(refused(&without).contains("are not the same sound"));
    let mut other = of_recordings(Protocol::Abx);
    let is_identical =
        |control: &Option<usize>| control.is_some_and(|at| !other.terms.controls[at].is_positive());
    let at = other.stimuli.iter().position(|stimulus| is_identical(&stimulus.control)).unwrap();
    other.stimuli[at].a = earwitness::trial::Digest::of(b"something else");
    assert!(refused(&other).contains("is not the comparison's side A"));
    // In format 1 nobody could record.
    let mut old = kit::opening(&of_recordings(Protocol::Abx), &blind::secret(1));
    old.format = 1;
    assert!(old.fits_its_format().is_err());
}
