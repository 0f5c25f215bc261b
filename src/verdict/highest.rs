//! The highest scores of a night, and how much of them chance alone would do.

use crate::evidence::{self, Agreed, Evidence};
use crate::stats::room::{self, Vote};
use crate::stats::{Protocol, binomial, one};
use crate::units::printed::{count, percent, stated};
use std::cmp::Ordering;

/// A listener among the highest scores.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct ScoreRow {
    /// Place, from 1; equal scores share one.
    pub place: usize,
    /// Name shown.
    pub name: String,
    /// Seat.
    pub seat: u32,
    /// Voted on paper.
    pub paper: bool,
    /// Right votes.
    pub correct: u64,
    /// Counted votes.
    pub trials: u64,
}

/// The highest scores of a room, and what chance would have made of the best of so many.
#[derive(Debug, Clone, PartialEq)]
pub struct HighestScores {
    /// The first three places, ten rows at the most.
    pub rows: Vec<ScoreRow>,
    /// How many would do as well as the first if all only guessed; nothing where nobody can be right or nobody voted.
    pub expected: Option<f64>,
    /// In how many of the draws somebody here would have done as well, given the votes as they were cast; nothing where
    /// that is not known.
    pub draws: Option<f64>,
    /// The same in sentences.
    pub sentences: Vec<String>,
}

impl HighestScores {
    fn nobody(why: &str) -> Self {
        Self { rows: Vec::new(), expected: None, draws: None, sentences: vec![why.to_owned()] }
    }

    /// Everything as lines.
    pub fn lines(&self) -> Vec<String> {
        let rows = self.rows.iter().map(|row| {
            format!(
                "{}. {} (seat {}{}): {} of {} right",
                row.place,
                row.name,
                row.seat,
                if row.paper { ", paper" } else { "" },
                row.correct,
                row.trials
            )
        });
        rows.chain(self.sentences.iter().cloned()).collect()
    }
}

/// The highest scores of a night's listeners. `paper` says which seats voted on paper.
pub fn highest_scores(agreed: &Agreed, evidence: &Evidence, paper: impl Fn(u32) -> bool) -> HighestScores {
    let protocol = agreed.terms.protocol;
    if agreed.inquiry.two_sided() {
        return HighestScores::nobody("There are no highest scores: nobody is right or wrong in this test.");
    }
    let mut ranked: Vec<(usize, super::Tally, f64)> = (0..evidence.listeners.len())
        .map(|listener| (listener, evidence.total(listener)))
        .filter(|(_, total)| total.trials > 0)
        .map(|(listener, total)| (listener, total, one::p_value(protocol, total.correct, total.trials)))
        .collect();
    ranked.sort_by(|(left, own, l), (right, other, r)| {
        better((*l, own.correct), (*r, other.correct)).then(left.cmp(right))
    });
    let Some(&(_, _, best)) = ranked.first() else {
        return HighestScores::nobody("Nobody voted: there are no scores.");
    };
    let mut rows = Vec::new();
    let mut place = 0;
    let mut before = None;
    for (index, (listener, total, p)) in ranked.iter().enumerate() {
        let score = (*p, total.correct);
        if before.is_none_or(|before| better(before, score).is_ne()) {
            place = index + 1;
            before = Some(score);
        }
        if place > 3 || rows.len() >= 10 {
            break;
        }
        let facts = &evidence.listeners[*listener];
        let seat = facts.seat.unwrap_or_default();
        rows.push(ScoreRow {
            place,
            name: facts.name.clone(),
            seat,
            paper: paper(seat),
            correct: total.correct,
            trials: total.trials,
        });
    }
    let trials: Vec<u64> = ranked.iter().map(|(_, total, _)| total.trials).collect();
    let listeners = count(trials.len() as u64, "listener");
    let expected: f64 = trials.iter().map(|&trials| risk_of_passing(protocol, trials, best)).sum();
    let (draws, of_the_best) = luck_of_the_best(agreed, evidence, best);
    let mut sentences = vec![format!(
        "Chance makes high scores too. If {} only guessed, {} would be expected to do as well as the first place. {}",
        if trials.len() == 1 { "this listener".to_owned() } else { format!("all {listeners}") },
        small(expected),
        of_the_best
    )];
    let alpha = agreed.terms.alpha;
    let lucky: f64 = trials.iter().map(|&trials| risk_of_passing(protocol, trials, alpha)).sum();
    let seen = ranked.iter().filter(|(_, _, p)| binomial::at_most(*p, alpha)).count();
    sentences.push(format!(
        "{seen} of {listeners} would pass a test of their own at a risk of {}; by chance {} would be expected.",
        stated(alpha),
        small(lucky)
    ));
    HighestScores { rows, expected: Some(expected), draws, sentences }
}

/// How often the draws alone let somebody in this room do as well as the best, given how everybody voted.
fn luck_of_the_best(agreed: &Agreed, evidence: &Evidence, best: f64) -> (Option<f64>, String) {
    let mut votes: Vec<Vec<Vote>> = vec![Vec::new(); evidence.listeners.len()];
    for attempt in evidence.attempts().filter(|attempt| evidence::is_counted_trial(attempt[0])) {
        for own in &mut votes {
            own.push(Vote::NotCounted);
        }
        for trial in attempt {
            let own = trial.listener.and_then(|listener| votes.get_mut(listener as usize)?.last_mut());
            if let Some(vote) = own
                && evidence::counts(trial)
            {
                *vote = trial.answer.map_or(Vote::CountedWrong, |answer| Vote::Chosen(usize::from(answer)));
            }
        }
    }
    // A score that every guesser reaches.
    if best >= 1.0 {
        let said = "Every possible draw would have let somebody here do as well.".to_owned();
        return (Some(1.0), said);
    }
    let found = match room::best_of_room(agreed.inquiry, &votes, best) {
        Ok(found) => found,
        Err(error) => return (None, format!("How often chance does that is not known: {error}.")),
    };
    let said = if found.standard_error > 0.0 {
        format!(
            "With the votes as they were cast, {} of {} sampled draws would have let somebody here do as well \
             (standard error {}).",
            percent(found.p_value),
            found.draws,
            percent(found.standard_error)
        )
    } else {
        format!(
            "With the votes as they were cast, {} of all {} possible draws would have let somebody here do as well.",
            percent(found.p_value),
            found.draws
        )
    };
    (Some(found.p_value), said)
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
        .find(|&p| binomial::at_most(p, limit))
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
