//! The podium: who did best, and how much of that luck alone would do.

use super::super::seats::Seats;
use super::{Closed, Judged, SeatResult};
use crate::stats::room::{self, Vote};
use crate::stats::{Protocol, one};
use crate::trial::schedule::Subject;
use crate::trial::{Ballot, Part};
use crate::verdict;
use std::cmp::Ordering;

impl Judged<'_> {
    /// The best scores, and how many of them luck alone would give.
    pub(super) fn podium(&self, seats: &Seats, results: &[SeatResult]) -> Vec<String> {
        let protocol = self.terms().protocol;
        if self.terms().inquiry().two_sided() {
            return vec!["There is no podium: nobody is right or wrong in this test.".to_owned()];
        }
        let mut ranked: Vec<(&SeatResult, f64)> = results
            .iter()
            .filter(|seat| seat.total.trials > 0)
            .map(|seat| (seat, one::p_value(protocol, seat.total.correct, seat.total.trials)))
            .collect();
        ranked.sort_by(|(left, l), (right, r)| {
            better((*l, left.total.correct), (*r, right.total.correct)).then(left.seat.cmp(&right.seat))
        });
        let Some(&(_, best)) = ranked.first() else {
            return vec!["Nobody voted: there is no podium.".to_owned()];
        };
        let mut lines = Vec::new();
        let mut place = 0;
        let mut before = None;
        for (index, (seat, p)) in ranked.iter().enumerate() {
            let score = (*p, seat.total.correct);
            if before.is_none_or(|before| better(before, score).is_ne()) {
                place = index + 1;
                before = Some(score);
            }
            if place > 3 || lines.len() >= 10 {
                break;
            }
            lines.push(format!(
                "{place}. {} (seat {}{}): {} of {} right",
                seat.alias,
                seat.seat,
                if seat.by == Ballot::Paper { ", paper" } else { "" },
                seat.total.correct,
                seat.total.trials
            ));
        }
        let trials: Vec<u64> = ranked.iter().map(|(seat, _)| seat.total.trials).collect();
        let listeners = verdict::count(trials.len() as u64, "listener");
        let expected: f64 = trials.iter().map(|&trials| risk_of_passing(protocol, trials, best)).sum();
        lines.push(format!(
            "Luck makes winners too. If all {listeners} only guessed, {} would be expected to do as well as the first place. \
             {}",
            small(expected),
            self.luck_of_the_best(seats, best)
        ));
        let alpha = self.terms().alpha;
        let lucky: f64 = trials.iter().map(|&trials| risk_of_passing(protocol, trials, alpha)).sum();
        let seen = ranked.iter().filter(|(_, p)| *p <= alpha * (1.0 + 1e-12)).count();
        lines.push(format!(
            "{seen} of {listeners} would pass a test of their own at a risk of {}; from luck alone {} would be expected.",
            verdict::percent(alpha),
            small(lucky)
        ));
        lines
    }

    /// How often the draws alone let somebody in this room do as well as the best, given how everybody voted.
    fn luck_of_the_best(&self, seats: &Seats, best: f64) -> String {
        let definition = self.definition();
        let counted: Vec<&Closed> = self
            .closed
            .iter()
            .filter(|closed| {
                closed.id.part == Part::Main && matches!(closed.presented.subject, Subject::Comparison(_))
            })
            .collect();
        let votes: Vec<Vec<Vote>> = seats
            .iter()
            .map(|(_, seat)| {
                counted
                    .iter()
                    .map(|closed| {
                        match seat.votes.get(&closed.id).and_then(|vote| definition.alternative(&vote.answer))
                        {
                            Some(answer) => Vote::Chosen(answer),
                            None if self.terms().missing_as_wrong && seat.was_there(closed.id) => {
                                Vote::CountedWrong
                            }
                            None => Vote::NotCounted,
                        }
                    })
                    .collect()
            })
            .collect();
        match room::best_of_room(self.terms().inquiry(), &votes, best) {
            Ok(found) if found.standard_error > 0.0 => format!(
                "With the votes as they were cast, {} of {} sampled draws would have let somebody here do as well \
                 (standard error {}).",
                verdict::percent(found.p_value),
                found.draws,
                verdict::percent(found.standard_error)
            ),
            Ok(found) => format!(
                "With the votes as they were cast, {} of all {} possible draws would have let somebody here do as well.",
                verdict::percent(found.p_value),
                found.draws
            ),
            Err(error) => format!("How often draws alone do that is not known: {error}."),
        }
    }
}

/// Order of two scores, each its exact chance and its right answers: the smaller chance first, since cards of different
/// length cannot be compared otherwise, and where that is equal the one with more right answers: 2 of 3 before 1 of 1.
fn better((p, correct): (f64, u64), (other_p, other_correct): (f64, u64)) -> Ordering {
    // Equal chances may differ by rounding.
    let equal = (p - other_p).abs() <= 1e-9 * p.max(other_p);
    if equal { other_correct.cmp(&correct) } else { p.total_cmp(&other_p) }
}

/// Probability that a guesser's p-value in so many trials is at most `limit`.
fn risk_of_passing(protocol: Protocol, trials: u64, limit: f64) -> f64 {
    // The tail falls with the score, so the least score within the limit has the largest tail within it.
    (0..=trials)
        .map(|correct| one::p_value(protocol, correct, trials))
        .find(|&p| p <= limit * (1.0 + 1e-12))
        .unwrap_or(0.0)
}

/// A small expected number in words.
fn small(expected: f64) -> String {
    if expected == 0.0 {
        return "none".to_owned();
    }
    if expected >= 0.095 {
        format!("{expected:.1}")
    } else if expected >= 0.001 {
        format!("{expected:.3}")
    } else {
        "fewer than 0.001".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_with_one_answer_does_not_lead_a_fuller_one_of_the_same_chance() {
        // Both have chance 1/2 in ABX: P(X >= 2 | 3) = 4/8.
        let of = |correct, trials| (one::p_value(Protocol::Abx, correct, trials), correct);
        assert_eq!(better(of(2, 3), of(1, 1)), Ordering::Less);
        assert_eq!(better(of(1, 1), of(2, 3)), Ordering::Greater);
        assert_eq!(better(of(2, 3), of(2, 3)), Ordering::Equal);
        // 5 of 5 (1/32) is harder by guessing than 7 of 10 (176/1024).
        assert_eq!(better(of(5, 5), of(7, 10)), Ordering::Less);
    }

    #[test]
    fn risks_of_passing_are_binomial_tails() {
        // P(X >= 9 | 10, 1/2) = 11/1024 and P(X >= 8) = 56/1024: exact counting of binomial coefficients.
        let risk = risk_of_passing(Protocol::Abx, 10, 0.05);
        assert!((risk / (11.0 / 1024.0) - 1.0).abs() < 1e-12, "{risk}");
        let risk = risk_of_passing(Protocol::Abx, 10, 0.06);
        assert!((risk / (56.0 / 1024.0) - 1.0).abs() < 1e-12, "{risk}");
        assert_eq!(risk_of_passing(Protocol::Abx, 3, 0.05), 0.0, "three trials cannot be passed");
    }
}
