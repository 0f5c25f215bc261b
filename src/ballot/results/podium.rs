//! The podium: who did best, and how much of that luck alone would do.

use super::super::seats::Seats;
use super::{Closed, Judged, SeatResult};
use crate::stats::room::{self, Vote};
use crate::stats::{Protocol, one};
use crate::trial::schedule::Subject;
use crate::trial::{Ballot, Part};
use crate::verdict;

impl Judged<'_> {
    /// The best scores, and how many of them luck alone would give.
    pub(super) fn podium(&self, seats: &Seats, results: &[SeatResult]) -> Vec<String> {
        let protocol = self.terms().protocol;
        if protocol == Protocol::Preference {
            return vec!["A preference has no winners: nobody is right or wrong.".to_owned()];
        }
        let mut ranked: Vec<(&SeatResult, f64)> = results
            .iter()
            .filter(|seat| seat.total.trials > 0)
            .map(|seat| (seat, one::p_value(protocol, seat.total.correct, seat.total.trials)))
            .collect();
        ranked.sort_by(|(left, l), (right, r)| {
            l.total_cmp(r).then(right.total.correct.cmp(&left.total.correct)).then(left.seat.cmp(&right.seat))
        });
        let Some(&(_, best)) = ranked.first() else {
            return vec!["Nobody voted: there is no podium.".to_owned()];
        };
        let mut lines = Vec::new();
        let mut place = 0;
        let mut before = None;
        for (index, (seat, p)) in ranked.iter().enumerate() {
            if before != Some(p.to_bits()) {
                place = index + 1;
                before = Some(p.to_bits());
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
        match room::best_of_room(self.terms().protocol, &votes, best) {
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
    fn risks_of_passing_are_binomial_tails() {
        // P(X >= 9 | 10, 1/2) = 11/1024 and P(X >= 8) = 56/1024: exact counting of binomial coefficients.
        let risk = risk_of_passing(Protocol::Abx, 10, 0.05);
        assert!((risk / (11.0 / 1024.0) - 1.0).abs() < 1e-12, "{risk}");
        let risk = risk_of_passing(Protocol::Abx, 10, 0.06);
        assert!((risk / (56.0 / 1024.0) - 1.0).abs() < 1e-12, "{risk}");
        assert_eq!(risk_of_passing(Protocol::Abx, 3, 0.05), 0.0, "three trials cannot be passed");
    }
}
