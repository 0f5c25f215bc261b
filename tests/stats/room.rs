//! The room that shares its X: against every draw, and against the wrong binomial.

use earwitness::stats::room::{self, RoomTrial, Vote};
use earwitness::stats::simulate::Generator;
use earwitness::stats::{Protocol, one};

use super::close;

/// Probability of at least `correct` right votes by trying all draws.
fn every_draw(votes: &[Vec<u32>], correct: u64) -> f64 {
    fn walk(votes: &[Vec<u32>], sum: u64, correct: u64) -> u64 {
        match votes.split_first() {
            None => u64::from(sum >= correct),
            Some((first, rest)) => first.iter().map(|v| walk(rest, sum + u64::from(*v), correct)).sum(),
        }
    }
    let draws: u64 = votes.iter().map(|v| v.len() as u64).product();
    walk(votes, 0, correct) as f64 / draws as f64
}

fn random_votes(generator: &mut Generator, trials: usize, alternatives: usize, most: u64) -> Vec<Vec<u32>> {
    (0..trials).map(|_| (0..alternatives).map(|_| (generator.bits() % (most + 1)) as u32).collect()).collect()
}

#[test]
fn distribution_agrees_with_every_draw() {
    let mut generator = Generator::new(11, 0);
    for (alternatives, trials) in [(2, 1), (2, 6), (2, 12), (3, 1), (3, 5), (3, 8)] {
        for most in [1, 4, 30] {
            let votes = random_votes(&mut generator, trials, alternatives, most);
            let found = room::distribution(&votes).expect("votes");
            let total: f64 = found.probabilities.iter().sum();
            close(total, 1.0, 1e-13);
            let all: u64 = votes.iter().flatten().map(|v| u64::from(*v)).sum();
            for correct in 0..=all + 1 {
                let expected = every_draw(&votes, correct);
                assert!((found.upper(correct) - expected).abs() <= 1e-13 * expected, "{votes:?} {correct}");
                let below = found.lower(correct) + found.upper(correct + 1);
                close(below, 1.0, 1e-12);
            }
            for alpha in [0.5, 0.05] {
                let critical = (0..=all).find(|c| found.exactly(*c) > 0.0 && every_draw(&votes, *c) <= alpha);
                assert_eq!(found.critical(alpha), critical, "{votes:?} {alpha}");
            }
        }
    }
}

#[test]
fn a_single_listener_in_the_room_is_an_ordinary_sitting() {
    for (protocol, alternatives) in [(Protocol::Abx, 2), (Protocol::Triangle, 3)] {
        let trials: Vec<RoomTrial> = (0..16)
            .map(|t| {
                let mut votes = vec![0; alternatives];
                votes[t % alternatives] = 1;
                RoomTrial { votes, right: if t < 11 { t % alternatives } else { (t + 1) % alternatives } }
            })
            .collect();
        let found = room::test(protocol, &trials, 0.05).expect("votes");
        assert_eq!((found.correct, found.votes, found.trials), (11, 16, 16));
        close(found.p_value, one::p_value(protocol, 11, 16), 1e-13);
        close(found.mid_p, one::mid_p(protocol, 11, 16), 1e-13);
        assert_eq!(found.critical, one::critical(protocol, 16, 0.05));
    }
}

#[test]
fn a_crowd_that_leans_to_one_side_is_not_a_crowd_that_hears() {
    // Thirty listeners say A in every trial; X happened to be A in 11 of 16. 330 of 480 right: the binomial that counts
    // votes as independent calls that certain; the draws say that it happens about once in ten evenings.
    let trials: Vec<RoomTrial> =
        (0..16).map(|t| RoomTrial { votes: vec![30, 0], right: usize::from(t >= 11) }).collect();
    let found = room::test(Protocol::Abx, &trials, 0.05).expect("votes");
    assert_eq!((found.correct, found.votes), (330, 480));
    close(found.p_value, one::p_value(Protocol::Abx, 11, 16), 1e-12);
    let wrong = one::p_value(Protocol::Abx, 330, 480);
    assert!(found.p_value > 0.1 && wrong < 1e-15, "{} {wrong:e}", found.p_value);
}

#[test]
fn false_alarms_of_a_leaning_room_stay_within_the_risk() {
    // Twenty guessers who follow each other: the room test must keep its risk of .05, the binomial must not.
    let rooms = 4000;
    let (mut exact, mut naive) = (0, 0);
    for index in 0..rooms {
        let mut generator = Generator::new(5, index);
        let trials: Vec<RoomTrial> = (0..12)
            .map(|_| {
                let lean = 0.2 + 0.6 * generator.uniform();
                let for_a = (0..20).filter(|_| generator.uniform() < lean).count() as u32;
                RoomTrial { votes: vec![for_a, 20 - for_a], right: (generator.bits() & 1) as usize }
            })
            .collect();
        let found = room::test(Protocol::Abx, &trials, 0.05).expect("votes");
        exact += u32::from(found.p_value <= 0.05);
        naive += u32::from(one::p_value(Protocol::Abx, found.correct, found.votes) <= 0.05);
    }
    // Four standard errors of a proportion of .05.
    let margin = 4.0 * (0.05_f64 * 0.95 / rooms as f64).sqrt();
    assert!(f64::from(exact) / rooms as f64 <= 0.05 + margin, "{exact}");
    assert!(f64::from(naive) / rooms as f64 > 0.10, "{naive}");
}

#[test]
fn preference_is_two_sided_and_symmetric() {
    let votes = [[9, 3], [4, 8], [7, 5], [2, 9], [6, 6]];
    let with = |flip: bool| {
        let trials: Vec<RoomTrial> = votes
            .iter()
            .enumerate()
            .map(|(t, v)| RoomTrial { votes: v.to_vec(), right: (t + usize::from(flip)) % 2 })
            .collect();
        room::test(Protocol::Preference, &trials, 0.05).expect("votes")
    };
    let (one_way, other_way) = (with(false), with(true));
    assert_eq!(one_way.correct + other_way.correct, one_way.votes);
    close(one_way.p_value, other_way.p_value, 1e-13);
    let cast: Vec<Vec<u32>> = votes.iter().map(|v| v.to_vec()).collect();
    let far = one_way.correct.max(one_way.votes - one_way.correct);
    close(one_way.p_value, (2.0 * every_draw(&cast, far)).min(1.0), 1e-13);
}

#[test]
fn hundreds_of_trials_and_thousands_of_listeners() {
    let mut generator = Generator::new(3, 0);
    let trials: Vec<RoomTrial> = (0..300)
        .map(|_| {
            let a = (generator.bits() % 2001) as u32;
            RoomTrial { votes: vec![a, 2000 - a], right: 0 }
        })
        .collect();
    let found = room::test(Protocol::Abx, &trials, 0.05).expect("votes");
    // Near normal by then.
    let z = (found.correct as f64 - found.expected) / found.standard_deviation;
    let normal = earwitness::stats::special::normal(-z);
    close(found.p_value, normal, 0.02);
}

#[test]
fn wrong_rooms_say_what_is_wrong() {
    let trial = |votes: Vec<u32>, right| RoomTrial { votes, right };
    for (trials, words) in [
        (vec![], "nobody voted"),
        (vec![trial(vec![0, 0], 0)], "nobody voted"),
        (vec![trial(vec![1, 2, 3], 0)], "3 alternatives"),
        (vec![trial(vec![1, 2], 2)], "number 3 right"),
    ] {
        let message = room::test(Protocol::Abx, &trials, 0.05).expect_err("refused").to_string();
        assert!(message.contains(words), "{message}");
    }
    assert!(room::test(Protocol::Abx, &[trial(vec![1, 2], 0)], 1.0).is_err());
}

/// The same by trying all draws, one by one, with no bits.
fn best_by_every_draw(protocol: Protocol, answers: &[Vec<Vote>], limit: f64) -> f64 {
    let ways = room::alternatives(protocol);
    let trials = answers[0].len();
    let all = ways.pow(trials as u32);
    let mut reached = 0;
    for draw in 0..all {
        let right: Vec<usize> = (0..trials).map(|trial| draw / ways.pow(trial as u32) % ways).collect();
        let somebody = answers.iter().any(|given| {
            let counted = given.iter().filter(|vote| **vote != Vote::NotCounted).count() as u64;
            let correct =
                given.iter().zip(&right).filter(|(vote, right)| **vote == Vote::Chosen(**right)).count();
            one::p_value(protocol, correct as u64, counted) <= limit * (1.0 + 1e-12)
        });
        reached += usize::from(somebody);
    }
    reached as f64 / all as f64
}

#[test]
fn the_best_of_a_room_agrees_with_every_draw() {
    let mut generator = Generator::new(5, 0);
    for (protocol, trials) in
        [(Protocol::Abx, 8), (Protocol::TwoAfc, 10), (Protocol::Triangle, 6), (Protocol::Tetrad, 5)]
    {
        let ways = room::alternatives(protocol);
        for listeners in [1, 3, 12] {
            let answers: Vec<Vec<Vote>> = (0..listeners)
                .map(|_| {
                    (0..trials)
                        .map(|_| match generator.bits() % 8 {
                            0 => Vote::NotCounted,
                            1 => Vote::CountedWrong,
                            other => Vote::Chosen(other as usize % ways),
                        })
                        .collect()
                })
                .collect();
            for limit in [0.02, 0.15, 0.6] {
                let found = room::best_of_room(protocol, &answers, limit).expect("a room");
                assert_eq!(found.standard_error, 0.0);
                close(found.p_value, best_by_every_draw(protocol, &answers, limit), 1e-12);
            }
        }
    }
}

#[test]
fn thirty_who_copy_each_other_are_as_lucky_as_one() {
    let one_ballot: Vec<Vote> = (0..12).map(|trial| Vote::Chosen(trial % 2)).collect();
    let alone = room::best_of_room(Protocol::Abx, std::slice::from_ref(&one_ballot), 0.05).expect("one");
    let crowd = room::best_of_room(Protocol::Abx, &vec![one_ballot; 30], 0.05).expect("thirty");
    // P(X >= 10 | 12, 1/2) = 79/4096, by counting binomial coefficients.
    close(alone.p_value, 79.0 / 4096.0, 1e-12);
    assert_eq!(alone, crowd);
}

#[test]
fn a_long_evening_is_sampled_with_its_standard_error() {
    let ballot: Vec<Vote> = (0..100).map(|trial| Vote::Chosen(trial * trial % 2)).collect();
    let exact = one::p_value(Protocol::Abx, 59, 100);
    let found = room::best_of_room(Protocol::Abx, &[ballot], exact).expect("one");
    assert!(found.standard_error > 0.0 && found.draws == 100_000);
    assert!((found.p_value - exact).abs() < 4.5 * found.standard_error, "{found:?} against {exact}");
}

#[test]
fn a_best_of_nobody_is_refused() {
    assert!(room::best_of_room(Protocol::Abx, &[], 0.05).is_err());
    assert!(room::best_of_room(Protocol::Preference, &[vec![Vote::Chosen(0)]], 0.05).is_err());
    assert!(room::best_of_room(Protocol::Abx, &[vec![Vote::Chosen(2)]], 0.05).is_err());
    let unequal = [vec![Vote::Chosen(0)], vec![Vote::Chosen(0), Vote::Chosen(1)]];
    assert!(room::best_of_room(Protocol::Abx, &unequal, 0.05).is_err());
}
