//! What is drawn once for a whole sitting: the order of its comparisons, and which cable is heard as A.

use std::collections::BTreeMap;

use earwitness::session::{CableA, ComparisonOrder, ForWhom, LeaveOut, Panel};
use earwitness::stats::Protocol;
use earwitness::stats::williams;
use earwitness::trial::record::{ComparisonTerms, Opening};
use earwitness::trial::schedule::{Draws, Subject};
use earwitness::trial::verify::{self, Checked};
use earwitness::trial::{Conductor, Digest, Draft, Effect, Occasion, Part, Record, Side, Sittings, TrialId};

use super::blindness::seen_under;
use super::kit::{self, Memory, Phone, Resume as _, Scripted, UTC};
use super::python;
use super::tampering::rewritten;
use crate::blind;

fn panel(order_of_comparisons: ComparisonOrder, cable_a: CableA) -> Panel {
    Panel {
        listeners: 6,
        sittings_each: 1,
        leave_out: LeaveOut::None,
        no_difference_above: None,
        no_difference_risk: 0.05,
        for_whom: ForWhom::TheseListeners,
        looks: Vec::new(),
        order_of_comparisons,
        cable_a,
    }
}

/// Everything on, three comparisons one after the other, A drawn.
pub(crate) fn balanced(protocol: Protocol) -> Draft {
    let mut draft = kit::full(protocol);
    draft.terms.comparisons.push(ComparisonTerms {
        name: "braid-none".to_owned(),
        a: "braid".to_owned(),
        b: "none".to_owned(),
        clips: vec![0],
        recorded: None,
    });
    let a = if protocol.has_a() { CableA::Drawn } else { CableA::AsWritten };
    draft.terms.panel = Some(panel(ComparisonOrder::Williams, a));
    draft.stimuli = kit::stimuli(&draft.terms);
    draft
}

fn draws(opening: &Opening, seed: u64) -> Draws {
    Draws::new(opening, kit::secret(seed).key(2, [b"a hand".as_slice()]))
}

/// The comparisons of the counted trials, in their order, each run of one once.
fn runs(checked: &Checked) -> Vec<usize> {
    let counted =
        checked.answers.iter().filter(|answer| answer.void.is_none() && answer.id.part == Part::Main);
    let mut of: Vec<usize> = counted
        .filter_map(|answer| match answer.presented.expect("drawn").subject {
            Subject::Comparison(comparison) => Some(comparison),
            Subject::Control(_) => None,
        })
        .collect();
    of.dedup();
    of
}

#[test]
fn rows_and_cables_are_drawn_equally_often_and_comparisons_follow_one_another() {
    let opening = kit::opening(&balanced(Protocol::Abx), &kit::secret(0));
    assert_eq!(opening.rows.as_deref(), Some([0, 1, 2, 3, 4, 5].as_slice()));
    let (mut rows, mut exchanged, mut places) = ([0_u32; 6], [0_u32; 8], BTreeMap::<usize, u32>::new());
    for seed in 0..1200 {
        let draws = draws(&opening, seed);
        let once = draws.once().expect("drawn once");
        let row = once.row.expect("a row");
        rows[row] += 1;
        let which = (0..3).fold(0, |sum, comparison| 2 * sum + usize::from(once.is_exchanged(comparison)));
        exchanged[which] += 1;
        let main = &draws.schedule().main;
        let counted: Vec<usize> = main
            .iter()
            .filter_map(|one| match one.subject {
                Subject::Comparison(comparison) => Some(comparison),
                Subject::Control(_) => None,
            })
            .collect();
        let expected = williams::row(3, row).into_iter().flat_map(|one| std::iter::repeat_n(one, 4));
        assert_eq!(counted, expected.collect::<Vec<_>>(), "row {row}");
        assert!(main.is_sorted_by_key(|one| one.stretch), "stretches follow one another");
        for (place, one) in main.iter().enumerate() {
            if matches!(one.subject, Subject::Control(_)) {
                *places.entry(place).or_default() += 1;
            }
        }
    }
    // Chi-square at 1e-6, by Wilson and Hilferty as in the tests of other draws: 5 and 7 degrees of freedom.
    let chi = |counts: &[u32]| {
        let expected = f64::from(counts.iter().sum::<u32>()) / counts.len() as f64;
        counts.iter().map(|count| (f64::from(*count) - expected).powi(2) / expected).sum::<f64>()
    };
    assert!(chi(&rows) < 36.0, "{rows:?}");
    assert!(chi(&exchanged) < 41.0, "{exchanged:?}");
    assert_eq!(places.len(), 15, "a control may stand in every place: {places:?}");
}

#[test]
fn strangers_derive_it_through_interruptions_witnesses_and_disturbed_trials() {
    for (seed, protocol) in [Protocol::Abx, Protocol::ANotA, Protocol::Triangle].into_iter().enumerate() {
        let seed = 500 + seed as u64;
        let mut scripted = kit::in_memory(&balanced(protocol), seed);
        scripted.disturb = Some(6);
        let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
        python::agree(&path);
        let mut watched = kit::in_memory(&balanced(protocol), seed);
        watched.phones = vec![Phone::new("Jorin's phone")];
        let (_folder, path) = kit::written(&watched.finish().journal.bytes);
        python::agree(&path);
        // Under each trial's own key, too, the comparisons stay in the order of the row.
        let checked = verify::alone(&path);
        let drawn = checked.closing.as_ref().and_then(|closing| closing.drawn.clone()).expect("drawn once");
        assert_eq!(Some(runs(&checked)), drawn.order(3));
        assert_eq!(drawn.exchanged.is_some(), protocol.has_a());
    }
    // A night, too, has one order for all of its seats.
    let mut night = super::night::draft(Protocol::Abx);
    assert_eq!(night.occasion, Occasion::Night);
    night.terms.panel = Some(panel(ComparisonOrder::Williams, CableA::Drawn));
    let (_folder, path) = kit::written(&super::night::evening(&night, 5).journal.bytes);
    python::agree(&path);
}

#[test]
fn a_sitting_that_goes_on_keeps_its_order_and_its_cables() {
    let folder = kit::folder();
    let lock = || Sittings::lock(folder.path(), UTC).unwrap();
    let mut scripted = kit::in_folder(lock().open(balanced(Protocol::Abx), kit::secret(510), None).unwrap());
    // Into its main part: qualification and warm-up come first.
    for _ in 0..17 {
        scripted.step();
    }
    let path = scripted.journal.path();
    let name = path.file_name().unwrap().to_str().unwrap().to_owned();
    drop(scripted);
    let before = kit::check(&path);
    assert!(before.closing.is_none() && before.answers.len() > 6, "{}", before.answers.len());
    kit::in_folder(lock().resume(&name, UTC, kit::silent(), kit::secret(511), None).unwrap()).finish();
    python::agree(&path);
    let checked = kit::check(&path);
    assert_eq!(checked.resumed, 1);
    let drawn = checked.closing.as_ref().and_then(|closing| closing.drawn.clone()).expect("drawn once");
    assert_eq!(Some(runs(&checked)), drawn.order(3), "an interruption does not mix what is left");
    let of = |answer: &verify::Answered| {
        let presented = answer.presented.expect("drawn");
        let comparison = checked.opening.as_ref().unwrap().stimuli[presented.stimulus].comparison;
        (presented.exchanged, drawn.is_exchanged(comparison))
    };
    assert!(checked.answers.iter().map(of).all(|(is, was)| is == was), "A stays the same cable to the end");
}

#[test]
fn a_folder_uses_each_row_equally_often_and_a_broken_off_sitting_none() {
    let folder = kit::folder();
    let mut seen = Vec::new();
    for seed in 0..14 {
        let mut draft = balanced(Protocol::Abx);
        draft.listener = format!("Listener {seed}");
        draft.terms.wager = None;
        // One person in between: simulated listeners take no row from people.
        draft.simulated = (seed != 5).then_some(0.5);
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let mut scripted = kit::in_folder(sittings.open(draft, kit::secret(520 + seed), None).unwrap());
        if seed == 3 {
            for _ in 0..12 {
                scripted.step();
            }
            continue;
        }
        let path = scripted.journal.path();
        scripted.finish();
        let checked = kit::check(&path);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        let row = checked.closing.unwrap().drawn.unwrap().row.unwrap();
        let left = checked.opening.unwrap().rows.unwrap();
        if seed == 5 {
            assert_eq!(left.len(), 6, "the first person finds all rows");
            continue;
        }
        assert!(left.contains(&row) && left.len() == 6 - seen.len() % 6, "{left:?} after {seen:?}");
        seen.push(row);
    }
    assert_eq!(seen.len(), 12);
    for half in seen.chunks(6) {
        let mut rows = half.to_vec();
        rows.sort_unstable();
        assert_eq!(rows, [0, 1, 2, 3, 4, 5], "{seen:?}");
    }
}

#[test]
fn which_cable_is_a_shows_nowhere_before_the_seal_is_open() {
    for protocol in [Protocol::Abx, Protocol::ANotA] {
        let mut draft = kit::full(protocol);
        draft.terms.panel = Some(panel(ComparisonOrder::Mixed, CableA::Drawn));
        // Two secrets that draw the same first orders and the cables of both comparisons the other way round.
        let opening = blind::opening(&draft, &blind::secret(0));
        let hands = kit::HANDS.map(str::as_bytes);
        let mut found: [Option<u64>; 2] = [None, None];
        for number in 0..100_000 {
            let mut draws = Draws::new(&opening, blind::secret(number).key(2, hands));
            let both = [0, 1].map(|comparison| draws.once().expect("drawn").is_exchanged(comparison));
            let first = |part, trial| TrialId { part, trial, attempt: 1 };
            let attempts =
                [first(Part::Qualification, 1), first(Part::Qualification, 2), first(Part::WarmUp, 1)];
            let orders = attempts.map(|id| draws.present(id).expect("scheduled").order);
            if both[0] == both[1] && orders == [0; 3] {
                found[usize::from(both[0])].get_or_insert(number);
            }
            if found.iter().all(Option::is_some) {
                break;
            }
        }
        let [as_written, exchanged] =
            found.map(|number| seen_under(&draft, blind::secret(number.expect("one in 64")), Some(4)));
        assert_eq!(as_written.views, exchanged.views, "{protocol}: the views differ");
        assert_eq!(as_written.journal, exchanged.journal, "{protocol}: the journals differ");
        assert_eq!(as_written.record_lengths, exchanged.record_lengths, "{protocol}");
        assert_eq!(as_written.effects, exchanged.effects, "{protocol}: the effects differ");
        // What the player gets is the other way round: only there it shows.
        for (one, other) in as_written.sides.iter().zip(&exchanged.sides).take(3) {
            let sides = |of: &str| of.rsplit('[').next().unwrap().to_owned();
            let turned = sides(other).replace('A', "_").replace('B', "A").replace('_', "B");
            assert_eq!(sides(one), turned, "{protocol}");
        }
    }
}

#[test]
fn exchanging_the_cables_changes_what_is_played_and_not_what_is_right() {
    let mut draft = kit::full(Protocol::Abx);
    draft.terms.panel = Some(panel(ComparisonOrder::Mixed, CableA::Drawn));
    draft.simulated = Some(1.0);
    draft.terms.wager = None;
    let mut turned = [0, 0];
    for seed in 0..6 {
        let mut scripted = kit::in_memory(&draft, 540 + seed);
        scripted.answering = kit::Answering::Right;
        let scripted: Scripted<Memory> = scripted.finish();
        let (_folder, path) = kit::written(&scripted.journal.bytes);
        let checked = kit::check(&path);
        let main = checked.answers.iter().filter(|one| one.id.part == Part::Main && one.control().is_none());
        assert!(main.clone().all(|answer| answer.right == Some(true)));
        let loads: Vec<Vec<Side>> = scripted
            .effects
            .iter()
            .filter_map(|effect| match effect {
                Effect::Load { sides, .. } => Some(sides.clone()),
                _ => None,
            })
            .collect();
        let opening = checked.opening.as_ref().unwrap();
        for (answer, sides) in checked.answers.iter().zip(&loads) {
            let presented = answer.presented.unwrap();
            turned[usize::from(presented.exchanged)] += 1;
            // The listener's A is slot 1, whichever cable that is; X is what is right to say of it.
            assert_eq!(sides[0], if presented.exchanged { Side::B } else { Side::A });
            let x_is_a = sides[2] == sides[0];
            assert_eq!(presented.right(opening), Some(usize::from(!x_is_a)));
        }
    }
    assert!(turned.iter().all(|&times| times > 10), "{turned:?}");
}

/// A change of a journal's records.
type Change = fn(&mut Vec<Record>);

fn opening(records: &mut [Record]) -> &mut Opening {
    match &mut records[0] {
        Record::Opening(opening) => opening,
        _ => unreachable!("a journal begins with its opening"),
    }
}

fn drawn(records: &mut [Record]) -> &mut Option<earwitness::trial::record::DrawnOnce> {
    match records.last_mut() {
        Some(Record::Closing(closing)) => &mut closing.drawn,
        _ => unreachable!("it is closed"),
    }
}

#[test]
fn neither_order_nor_cables_can_be_told_otherwise_afterwards() {
    let records = kit::in_memory(&balanced(Protocol::Abx), 550).finish().journal.records;
    let changes: [(&str, Change); 10] = [
        ("the cables told the other way round", |records| {
            let once = drawn(records).as_mut().unwrap();
            once.exchanged.as_mut().unwrap().iter_mut().for_each(|one| *one = !*one);
        }),
        ("another row told", |records| {
            let once = drawn(records).as_mut().unwrap();
            once.row = once.row.map(|row| (row + 1) % 6);
        }),
        ("nothing told", |records| *drawn(records) = None),
        ("no rows to draw from", |records| opening(records).rows = None),
        ("an empty list of rows", |records| opening(records).rows = Some(Vec::new())),
        ("a row that there is not", |records| opening(records).rows = Some(vec![0, 6])),
        ("rows twice", |records| opening(records).rows = Some(vec![1, 1, 2])),
        ("A not drawn after all", |records| {
            opening(records).terms.panel.as_mut().unwrap().cable_a = CableA::AsWritten;
        }),
        ("comparisons mixed after all", |records| {
            let opening = opening(records);
            opening.terms.panel.as_mut().unwrap().order_of_comparisons = ComparisonOrder::Mixed;
            opening.rows = None;
        }),
        ("the only row that was drawn", |records| {
            let row = drawn(records).as_ref().unwrap().row.unwrap();
            opening(records).rows = Some(vec![row]);
        }),
    ];
    for (what, change) in changes {
        let mut changed = records.clone();
        change(&mut changed);
        let (_folder, path) = kit::written(&rewritten(&changed));
        let checked = verify::alone(&path);
        assert!(!checked.is_sound(), "{what} passes");
    }
    let (_folder, path) = kit::written(&rewritten(&records));
    assert!(verify::alone(&path).is_sound());
}

#[test]
fn what_has_no_a_or_no_order_is_refused() {
    let refused = |draft: &Draft| {
        let secret = kit::secret(1);
        Conductor::open(kit::opening(draft, &secret), secret).map(drop).expect_err("refused")
    };
    let mut draft = balanced(Protocol::Triangle);
    draft.terms.panel = Some(panel(ComparisonOrder::Mixed, CableA::Drawn));
    assert!(refused(&draft).contains("no A that stays the same"));
    for protocol in Protocol::ALL {
        let named = protocol == Protocol::Abx || protocol == Protocol::ANotA;
        assert_eq!(protocol.has_a(), named, "{protocol}");
    }
    // The opening of an older format knows nothing of it.
    let mut old = kit::opening(&balanced(Protocol::Abx), &kit::secret(1));
    old.format = 1;
    assert!(old.fits_its_format().is_err());
    assert_eq!(Digest::NOTHING.hex().len(), 64);
}
