//! Whole rounds over real cables tell nobody who connects them what the answer is: counted out, and by operators who try.

use std::collections::BTreeMap;

use earwitness::stats::Protocol;
use earwitness::trial::record::{QualificationTerms, SwitcherTerms};
use earwitness::trial::rounds::{connections, fillings, order};
use earwitness::trial::schedule::{Presented, Subject};
use earwitness::trial::{
    Definition, Digest, Draft, Effect, Event, Opening, Part, Record, Side, Stage, TrialId,
};

use super::{kit, python, tampering};

/// How a switch of the tests is agreed.
pub(crate) fn switcher(filled: bool) -> SwitcherTerms {
    SwitcherTerms {
        kind: "operator".to_owned(),
        terminals: ["one".to_owned(), "two".to_owned()],
        apart_ms: 400,
        settle_ms: 500,
        starts_anew: true,
        spread_ms: Some(99),
        labels_drawn: None,
        measured: None,
        filled: filled.then_some(true),
    }
}

/// A session over real cables: a cable makes the difference, and not the sound.
pub(crate) fn over_cables(mut draft: Draft, filled: bool) -> Draft {
    draft.terms.switcher = Some(switcher(filled));
    for stimulus in draft.stimuli.iter_mut().filter(|stimulus| stimulus.control.is_none()) {
        stimulus.b = stimulus.a;
    }
    draft
}

fn opening(draft: &Draft) -> Opening {
    kit::opening(draft, &kit::secret(0))
}

/// Every order of so many places.
fn permutations(places: usize) -> Vec<Vec<usize>> {
    if places == 0 {
        return vec![Vec::new()];
    }
    let mut all = Vec::new();
    for shorter in permutations(places - 1) {
        for at in 0..=shorter.len() {
            let mut longer = shorter.clone();
            longer.insert(at, places - 1);
            all.push(longer);
        }
    }
    all
}

/// How many orders of the places of a round give each sequence of cables.
fn sequences(cables: &[Side]) -> BTreeMap<Vec<Side>, usize> {
    let mut found = BTreeMap::new();
    for order in permutations(cables.len()) {
        *found.entry(order.iter().map(|place| cables[*place]).collect()).or_insert(0) += 1;
    }
    found
}

fn presented(subject: Subject, part: Part, order: usize, exchanged: bool, opening: &Opening) -> Presented {
    let control = match subject {
        Subject::Control(control) => Some(control),
        Subject::Comparison(_) => None,
    };
    let stimulus =
        opening.stimuli.iter().position(|stimulus| stimulus.control == control).expect("a stimulus");
    Presented { id: TrialId { part, trial: 1, attempt: 1 }, subject, stimulus, order, exchanged }
}

#[test]
fn every_sequence_of_cables_is_exactly_as_likely_for_every_protocol_order_and_control() {
    for protocol in Protocol::ALL {
        for controls in [false, true] {
            let mut draft = over_cables(kit::full(protocol), true);
            if !controls {
                draft.terms.controls.iter_mut().for_each(|control| control.trials = 0);
            }
            let opening = opening(&draft);
            let orders = 0..Definition::of(protocol).orders.len();
            for exchanged in [false, true] {
                let of = |subject, part, order| {
                    sequences(&presented(subject, part, order, exchanged, &opening).cables(&opening))
                };
                let real = |part| orders.clone().map(move |order| (Subject::Comparison(0), part, order));
                let control = |part| orders.clone().map(move |order| (Subject::Control(0), part, order));
                let mut main: Vec<_> = real(Part::Main).chain(real(Part::WarmUp)).collect();
                main.extend(control(Part::Main).filter(|_| controls));
                let first = of(main[0].0, main[0].1, main[0].2);
                for (subject, part, order) in main {
                    let told =
                        format!("{protocol}, controls {controls}, {subject:?}, {part:?}, order {order}");
                    assert_eq!(of(subject, part, order), first, "{told}");
                }
                // Not by chance: each sequence of as many of either cable is there, equally often.
                let mut counts: Vec<usize> = first.values().copied().collect();
                counts.dedup();
                assert_eq!(counts.len(), 1, "{protocol}: {first:?}");
            }
            let asked = draft.terms.asked_in(Part::Qualification).protocol;
            for order in 0..Definition::of(asked).orders.len() {
                let own = presented(Subject::Control(0), Part::Qualification, order, false, &opening);
                assert_eq!(sequences(&own.cables(&opening)).len(), 1, "one cable: {asked}");
            }
        }
    }
}

#[test]
fn a_round_has_as_few_fillings_as_do() {
    let of = |protocol, controls: bool| {
        let mut draft = over_cables(kit::draft(kit::terms(protocol)), true);
        if !controls {
            draft.terms.controls.iter_mut().for_each(|control| control.trials = 0);
        }
        (connections(&draft.terms, Part::Main).expect("filled"), fillings(&draft.terms, Part::Main))
    };
    for (protocol, alone, with_controls) in [
        (Protocol::Abx, ([2, 2], 1), ([3, 2], 2)),
        (Protocol::DuoTrio, ([2, 2], 1), ([3, 2], 2)),
        (Protocol::Triangle, ([2, 2], 1), ([3, 2], 2)),
        (Protocol::Tetrad, ([2, 2], 0), ([4, 2], 2)),
        (Protocol::TwoAfc, ([1, 1], 0), ([2, 1], 1)),
        (Protocol::Preference, ([1, 1], 0), ([2, 1], 1)),
        (Protocol::SameDifferent, ([2, 2], 2), ([2, 2], 2)),
        (Protocol::ANotA, ([2, 1], 1), ([2, 1], 1)),
    ] {
        assert_eq!((of(protocol, false), of(protocol, true)), (alone, with_controls), "{protocol}");
    }
    let older = over_cables(kit::draft(kit::terms(Protocol::Abx)), false);
    assert_eq!((connections(&older.terms, Part::Main), fillings(&older.terms, Part::Main)), (None, 0));
}

#[test]
fn orders_of_rounds_are_uniform_and_their_own_for_each_round_trial_and_attempt() {
    let id = TrialId { part: Part::Main, trial: 3, attempt: 1 };
    let mut counts = BTreeMap::new();
    for number in 0..4800_u32 {
        *counts.entry(order(&Digest::of(&number.to_be_bytes()), id, 1, 4)).or_insert(0_u32) += 1;
    }
    // Chi-square with 23 degrees of freedom: 58.6 is exceeded once in 15,000 (NIST/SEMATECH e-Handbook, 1.3.6.7.4, gives 49.7 for
    // one in a thousand).
    let chi: f64 = counts.values().map(|count| (f64::from(*count) - 200.0).powi(2) / 200.0).sum();
    assert!(counts.len() == 24 && chi < 58.6, "{chi}");
    // The vector of FORMAT.md.
    let key =
        Digest::from_hex("0c1b794a1cffc05d494b70e60ef38b60641ccaaf736f010695a5c7e5f55030ce").expect("hex");
    assert_eq!(order(&key, id, 2, 4), [3, 2, 1, 0]);
    let others = [
        order(&key, id, 1, 12),
        order(&key, id, 2, 12),
        order(&key, TrialId { trial: 4, ..id }, 1, 12),
        order(&key, TrialId { attempt: 2, ..id }, 1, 12),
    ];
    for (at, one) in others.iter().enumerate() {
        assert!(others[at + 1..].iter().all(|other| other != one), "{others:?}");
    }
}

/// What an operator sees of each attempt that was answered, round by round; with the right answer, which nobody sees.
struct Watched {
    rounds: Vec<Vec<Side>>,
    right: usize,
}

/// A sitting of counted trials alone, every trial presented in so many rounds, or slot by slot where there are none.
fn watched(protocol: Protocol, seed: u64, rounds: usize) -> Vec<Watched> {
    let mut draft = over_cables(kit::draft(kit::terms(protocol)), rounds > 0);
    draft.terms.trials = 60;
    draft.terms.warm_up = 0;
    draft.terms.controls.iter_mut().for_each(|control| control.trials = 0);
    draft.simulated = Some(1.0);
    let mut scripted = kit::in_memory(&draft, seed);
    scripted.rounds = rounds;
    scripted.answering = kit::Answering::Right;
    let scripted = scripted.finish();
    let mut seen = Vec::new();
    let mut cables = Vec::new();
    for effect in &scripted.effects {
        match effect {
            Effect::Load { cables: of, .. } => cables.clone_from(of),
            Effect::Connect { slot, .. } => {
                let Some(Watched { rounds, .. }) = seen.last_mut() else { panic!("an attempt began") };
                let full = |round: &Vec<Side>| round.len() == cables.len();
                if rounds.last().is_none_or(full) {
                    rounds.push(Vec::new());
                }
                rounds.last_mut().expect("one").push(cables[*slot]);
                continue;
            }
            Effect::Append(record) => {
                if let (Record::Answer { id, answer, .. }, Some(last)) = (&**record, seen.last_mut()) {
                    last.right = draft.terms.asked_in(id.part).alternative(answer).expect("an answer");
                }
                continue;
            }
            _ => continue,
        }
        seen.push(Watched { rounds: Vec::new(), right: usize::MAX });
    }
    seen
}

/// The probability of each answer after everything that was seen of a trial, from equal ones before: Bayes' rule, over every order
/// that the seal may draw and every order of the places.
fn posterior(protocol: Protocol, rounds: &[Vec<Side>], opening: &Opening) -> Vec<f64> {
    let definition = Definition::of(protocol);
    let mut of = vec![0.0; definition.alternatives.len()];
    for drawn in 0..definition.orders.len() {
        let cables = presented(Subject::Comparison(0), Part::Main, drawn, false, opening).cables(opening);
        let likely = sequences(&cables);
        let all: usize = likely.values().sum();
        let each = rounds.iter().map(|seen| *likely.get(seen).unwrap_or(&0) as f64 / all as f64);
        of[definition.right(drawn, Side::B).expect("an answer is right")] += each.product::<f64>();
    }
    let sum: f64 = of.iter().sum();
    of.iter().map(|one| one / sum).collect()
}

#[test]
fn an_operator_who_computes_the_posterior_from_everything_seen_is_left_with_a_guess() {
    for protocol in [Protocol::Abx, Protocol::Triangle, Protocol::DuoTrio, Protocol::SameDifferent] {
        let opening = opening(&{
            let mut draft = over_cables(kit::draft(kit::terms(protocol)), true);
            draft.terms.controls.iter_mut().for_each(|control| control.trials = 0);
            draft
        });
        let seen = watched(protocol, 5, 2);
        assert_eq!(seen.len(), 120, "two comparisons");
        for trial in &seen {
            assert!(trial.rounds.len() == 2 && trial.right < usize::MAX, "{:?}", trial.rounds);
            for own in posterior(protocol, &trial.rounds, &opening) {
                assert!((own / protocol.chance() - 1.0).abs() < 1e-12, "{protocol}: {own}");
            }
        }
    }
}

/// How an operator guesses from a round.
type Guess<'g> = (&'g str, &'g dyn Fn(&[Side]) -> usize);

#[test]
fn operators_who_count_and_look_for_patterns_score_at_chance_and_knew_all_where_nothing_is_filled() {
    // In ABX, of what is seen: which cable comes oftener, first, last, third, twice in a row.
    let oftener =
        |round: &[Side]| usize::from(2 * round.iter().filter(|side| **side == Side::B).count() > round.len());
    let is_b = |side: Side| usize::from(side == Side::B);
    let doubled =
        |round: &[Side]| is_b(round.windows(2).find(|two| two[0] == two[1]).map_or(round[0], |two| two[0]));
    let guesses: [Guess<'_>; 5] = [
        ("oftener", &oftener),
        ("first", &|round| is_b(round[0])),
        ("last", &|round| is_b(round[round.len() - 1])),
        ("third", &|round| is_b(round[2])),
        ("twice in a row", &doubled),
    ];
    let filled: Vec<Watched> = (0..5).flat_map(|seed| watched(Protocol::Abx, 40 + seed, 1)).collect();
    for (name, guess) in guesses {
        let right = filled.iter().filter(|trial| guess(&trial.rounds[0]) == trial.right).count();
        // Four standard deviations of the binomial distribution with 600 trials at one half.
        assert!(right.abs_diff(filled.len() / 2) < 49, "{name}: {right} of {}", filled.len());
    }
    // The same who only counts, where each slot is presented once: every answer is known. So the test can fail.
    let bare = watched(Protocol::Abx, 40, 0);
    assert!(bare.iter().all(|trial| oftener(&trial.rounds[0]) == trial.right));
}

#[test]
fn nothing_cuts_a_round_short_but_what_makes_the_attempt_void() {
    let draft = over_cables(kit::draft(kit::terms(Protocol::Abx)), true);
    let mut scripted = kit::in_memory(&draft, 9);
    let round = |scripted: &kit::Scripted<kit::Memory>| match scripted.conductor.view().stage {
        Stage::Trial(trial) => trial.round.expect("cables come in rounds"),
        other => panic!("{other:?}"),
    };
    while !matches!(scripted.conductor.view().stage, Stage::Trial(_)) {
        scripted.step();
    }
    let refused = |scripted: &mut kit::Scripted<kit::Memory>, event: Event| {
        let before = scripted.effects.len();
        scripted.event(event.clone());
        assert!(matches!(scripted.effects[before..], [Effect::Refuse(_)]), "{event:?}");
    };
    refused(&mut scripted, Event::Choose(0));
    let places = round(&scripted).order;
    assert_eq!(
        (places.len(), round(&scripted).at),
        (5, None),
        "three slots and two fillings: there are controls"
    );
    for (at, place) in places.iter().enumerate() {
        scripted.event(Event::Present(0));
        assert_eq!((round(&scripted).number, round(&scripted).at), (1, Some(at)));
        for event in [Event::Choose(0), Event::Rest, Event::Stop] {
            refused(&mut scripted, event);
        }
        if *place < 3 {
            scripted.event(Event::Play);
        }
    }
    refused(&mut scripted, Event::Choose(0));
    scripted.event(Event::RoundOver);
    assert_eq!((round(&scripted).number, round(&scripted).at), (2, None));
    // A second round is cut off at its first place, whichever that is: the attempt is void and drawn afresh.
    scripted.event(Event::Present(0));
    scripted.event(Event::Disturbed { cause: "the operator did not confirm in time".to_owned(), by: None });
    assert!(matches!(scripted.journal.records.last(), Some(Record::Void { .. })));
    assert!(matches!(scripted.conductor.view().stage, Stage::Trial(trial) if trial.id.attempt == 2));
    // Nothing was heard of this one, and it is void all the same: an operator who stops at a filling learns that it was one.
    scripted.event(Event::Present(0));
    scripted.event(Event::Disturbed { cause: "the operator did not confirm in time".to_owned(), by: None });
    assert!(matches!(scripted.conductor.view().stage, Stage::Trial(trial) if trial.id.attempt == 3));
    let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
    python::agree(&path);
}

/// What a forger makes of the presentations of an answered trial, and what the second verifier says of it.
type Forgery = (fn(&mut Vec<earwitness::trial::record::Presentation>), &'static str);

#[test]
fn rounds_are_held_to_the_seal_by_every_verifier() {
    for protocol in Protocol::ALL {
        let mut draft = over_cables(kit::full(protocol), true);
        draft.terms.qualification =
            draft.terms.qualification.map(|own| QualificationTerms { correct: 0, ..own });
        let mut scripted = kit::in_memory(&draft, 77);
        (scripted.disturb, scripted.rounds) = (Some(4), 2);
        let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
        python::agree(&path);
    }
    let records =
        kit::in_memory(&over_cables(kit::full(Protocol::DuoTrio), true), 77).finish().journal.records;
    let forgeries: [Forgery; 5] = [
        (|presented| presented.rotate_left(1), "waits"),
        (|presented| presented.truncate(4), "an answer in the middle of a round"),
        (Vec::clear, "an answer in the middle of a round"),
        (
            |presented| {
                let (one, two) = (presented[0].slot, presented[1].slot);
                (presented[0].slot, presented[1].slot) = (two, one);
            },
            "order of a round",
        ),
        // A filling that is said to have sounded.
        (
            |presented| {
                let silent = presented.iter_mut().find(|own| own.slot > 2).expect("a filling");
                silent.slot = 0;
            },
            "order of a round",
        ),
    ];
    for (forge, what) in forgeries {
        let mut forged = records.clone();
        let answers = forged.iter_mut().enumerate().filter_map(|(line, record)| match record {
            Record::Answer { id, listening, .. } if id.part == Part::Main => Some((line, listening)),
            _ => None,
        });
        let (line, listening) = answers.last().expect("an answer");
        forge(listening.presented.as_mut().expect("cables were switched"));
        let (_folder, path) = kit::written(&tampering::rewritten(&forged));
        assert_eq!(python::python(&path), Err(format!("record {}: {what}", line + 1)));
        assert!(!kit::check(&path).is_sound(), "{what}");
    }
    // Where the terms do not say that rounds are filled, a journal is held to the older rule.
    let (_folder, path) = kit::written(
        &kit::in_memory(&over_cables(kit::full(Protocol::DuoTrio), false), 77).finish().journal.bytes,
    );
    python::agree(&path);
}
