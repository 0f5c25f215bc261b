//! What the seal draws, and how often.

use earwitness::stats::Protocol;
use earwitness::trial::schedule::{Draws, Subject};
use earwitness::trial::seal::Stream;
use earwitness::trial::{Definition, Digest, Opening, Part, Secret, TrialId};

use super::kit;

/// Upper 1e-6 point of chi-square with `freedom` degrees of freedom, by the cube-root approximation of Wilson and
/// Hilferty (1931), good to a few per cent: a wrong alarm in a million runs, and the draws below are fixed anyway.
fn chi_square_limit(freedom: usize) -> f64 {
    let freedom = freedom as f64;
    let spread = 2.0 / (9.0 * freedom);
    freedom * (1.0 - spread + 4.7534 * spread.sqrt()).powi(3)
}

fn assert_uniform(counts: &[usize], what: &str) {
    let expected = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
    assert!(expected > 20.0, "{what}: too few draws");
    let chi: f64 = counts.iter().map(|&count| (count as f64 - expected).powi(2) / expected).sum();
    assert!(chi < chi_square_limit(counts.len() - 1), "{what}: chi-square {chi} of {counts:?}");
}

fn draws(opening: &Opening, seed: u64) -> Draws {
    Draws::new(opening, kit::secret(seed).key(2, [b"a hand".as_slice()]))
}

#[test]
fn numbers_below_a_bound_are_uniform_without_modulo_bias() {
    let mut stream = Stream::new(Digest::of(b"bounds"));
    for count in [2, 3, 4, 5, 6, 7, 10, 17] {
        let mut counts = vec![0; count];
        for _ in 0..20_000 {
            counts[stream.below(count)] += 1;
        }
        assert_uniform(&counts, &format!("below({count})"));
    }
    // A bound of three quarters of 2^32: a plain remainder would give the lowest third twice as often as the rest.
    let bound = 3 << 30;
    let mut thirds = [0; 3];
    for _ in 0..20_000 {
        thirds[stream.below(bound) / (1 << 30)] += 1;
    }
    assert_uniform(&thirds, "a bound near 2^32");
}

#[test]
fn one_of_one_takes_nothing_from_the_stream() {
    let (mut first, mut second) = (Stream::new(Digest::of(b"one")), Stream::new(Digest::of(b"one")));
    assert_eq!(first.below(1), 0);
    assert_eq!(first.below(1000), second.below(1000));
}

#[test]
fn shuffles_give_every_order_equally_often() {
    let mut stream = Stream::new(Digest::of(b"shuffle"));
    let mut counts = [0; 24];
    for _ in 0..12_000 {
        let mut items = [0, 1, 2, 3];
        stream.shuffle(&mut items);
        let rank = items.iter().enumerate().fold(0, |rank, (index, item)| {
            rank * (4 - index) + items[index + 1..].iter().filter(|later| *later < item).count()
        });
        counts[rank] += 1;
    }
    assert_uniform(&counts, "shuffle of four");
}

#[test]
fn over_many_sealed_sittings_every_order_and_right_answer_is_equally_likely() {
    for protocol in Protocol::ALL {
        let secret = kit::secret(0);
        let opening = kit::opening(&kit::draft(kit::terms(protocol)), &secret);
        let definition = Definition::of(protocol);
        let trials = 12;
        let mut orders = vec![0; definition.orders.len()];
        let mut rights = vec![0; definition.alternatives.len()];
        let mut by_trial = vec![vec![0; definition.orders.len()]; trials];
        let mut neighbours = vec![0; definition.orders.len() * definition.orders.len()];
        for seed in 0..3000 {
            let mut draws = draws(&opening, seed);
            let mut before = None;
            for trial in 1..=trials.min(11) {
                let id = TrialId { part: Part::Main, trial: trial as u32, attempt: 1 };
                let presented = draws.present(id).unwrap();
                orders[presented.order] += 1;
                by_trial[trial - 1][presented.order] += 1;
                if let Some(right) = presented.right(&opening) {
                    rights[right] += 1;
                }
                if let Some(before) = before {
                    neighbours[before * definition.orders.len() + presented.order] += 1;
                }
                before = Some(presented.order);
            }
        }
        assert_uniform(&orders, &format!("{protocol}: orders"));
        for (trial, counts) in by_trial.iter().enumerate().take(11) {
            assert_uniform(counts, &format!("{protocol}: orders of trial {}", trial + 1));
        }
        assert_uniform(&neighbours, &format!("{protocol}: an order after another"));
        if protocol != Protocol::Preference {
            assert_uniform(&rights, &format!("{protocol}: right answers"));
        }
    }
}

#[test]
fn controls_stand_anywhere_on_any_clip_and_comparisons_come_in_blocks() {
    let secret = kit::secret(0);
    let opening = kit::opening(&kit::draft(kit::terms(Protocol::Abx)), &secret);
    let (mut places, mut first, mut control_stimuli) = ([0; 11], [0; 2], [0; 3]);
    for seed in 0..4000 {
        let draws = draws(&opening, seed);
        let main = &draws.schedule().main;
        assert_eq!(main.len(), 2 * 4 + 3);
        for (place, scheduled) in main.iter().enumerate() {
            if scheduled.subject == Subject::Control(0) {
                places[place] += 1;
                let stimulus = &opening.stimuli[scheduled.stimulus];
                assert_eq!(stimulus.control, Some(0));
                control_stimuli[stimulus.comparison + stimulus.clip] += 1;
            }
        }
        let counted: Vec<usize> = main
            .iter()
            .filter_map(|scheduled| match scheduled.subject {
                Subject::Comparison(comparison) => Some(comparison),
                Subject::Control(_) => None,
            })
            .collect();
        for block in counted.chunks(2) {
            assert_ne!(block[0], block[1], "each block holds each comparison once");
        }
        first[counted[0]] += 1;
        // Clips are balanced within a comparison: four trials on two clips.
        for clip in [0, 1] {
            let on = |stimulus: usize| opening.stimuli[stimulus].clip == clip;
            let balanced = main
                .iter()
                .filter(|scheduled| scheduled.subject == Subject::Comparison(0) && on(scheduled.stimulus))
                .count();
            assert_eq!(balanced, 2);
        }
    }
    assert_uniform(&places, "place of a control");
    assert_uniform(&first, "comparison of the first counted trial");
    assert_uniform(&control_stimuli, "clip of a control");
}

#[test]
fn a_hand_changes_every_draw_and_the_same_hands_give_the_same() {
    let secret = kit::secret(1);
    let mut draft = kit::draft(kit::terms(Protocol::Triangle));
    draft.terms.trials = 40;
    let opening = kit::opening(&draft, &secret);
    let orders = |hands: &[&str]| -> Vec<usize> {
        let mut draws = Draws::new(&opening, secret.key(2, hands.iter().map(|hand| hand.as_bytes())));
        (1..=80)
            .map(|trial| draws.present(TrialId { part: Part::Main, trial, attempt: 1 }).unwrap().order)
            .collect()
    };
    assert_eq!(orders(&["x"]), orders(&["x"]));
    let same = orders(&["x"]).iter().zip(orders(&["y"])).filter(|(left, right)| *left == right).count();
    assert!(same < 40, "{same} of 80 six-way draws agree");
    assert_ne!(orders(&["x", "y"]), orders(&["y", "x"]));
}

#[test]
fn a_secret_of_the_operating_system_is_new_each_time() {
    let (first, second) = (Secret::draw().unwrap(), Secret::draw().unwrap());
    assert_ne!(first.bytes(), second.bytes());
    assert_ne!(first.commitment(2), second.commitment(2));
    assert!(!format!("{first:?}").contains(&Digest(*first.bytes()).hex()[..8]));
}
