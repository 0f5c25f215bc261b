//! A night's ladder: the room hears fixed sizes, from the largest down, and the votes on each are judged together.

use serde::Serialize;

use super::{Verdict, VerdictInput, circumstances, no_listening_test, title};
use crate::session::Scale;
use crate::stats::binomial;
use crate::stats::room::{self, RoomTrial};
use crate::units::printed::{self, risk};

/// The votes of a room on one size.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rung {
    /// The size.
    pub size: f64,
    /// Right votes.
    pub correct: u64,
    /// All votes.
    pub votes: u64,
    /// Trials with votes.
    pub trials: u64,
    /// Right votes that the draws give on average to these votes.
    pub expected: f64,
    /// Probability, over the draws, of at least this many right votes.
    pub p_value: f64,
    /// The room heard this size, and every larger one.
    pub heard: bool,
}

/// What the room heard of each size, from the largest down: each is tested at the agreed risk until one is not heard, so
/// that all of them together err no more often than that (fixed-sequence procedure; Maurer, Hothorn & Lehmacher 1995, from
/// memory).
pub(super) fn rungs(
    input: crate::stats::protocol::Inquiry,
    alpha: f64,
    sizes: impl Iterator<Item = (f64, Vec<RoomTrial>)>,
) -> Vec<Rung> {
    let mut all: Vec<Rung> = sizes
        .filter_map(|(size, trials)| {
            let found = room::test(input, &trials, alpha).ok().filter(|found| found.votes > 0)?;
            Some(Rung {
                size,
                correct: found.correct,
                votes: found.votes,
                trials: found.trials,
                expected: found.expected,
                p_value: found.p_value,
                heard: false,
            })
        })
        .collect();
    all.sort_by(|one, other| other.size.total_cmp(&one.size));
    let heard = all.iter().take_while(|rung| binomial::at_most(rung.p_value, alpha)).count();
    for rung in &mut all[..heard] {
        rung.heard = true;
    }
    all
}

/// The verdict on a room.
pub(super) fn verdict(
    scale: Scale,
    rungs: &[Rung],
    input: &VerdictInput,
    finding: super::Finding,
) -> Verdict {
    let votes = |rung: &Rung| {
        format!(
            "{} of {} votes right, where chance gives about {} and does as well {}",
            rung.correct,
            rung.votes,
            printed::about_votes(rung.expected),
            risk(rung.p_value)
        )
    };
    let text = match rungs.iter().rposition(|rung| rung.heard) {
        None => match rungs.first() {
            None => "Nobody voted.".to_owned(),
            Some(top) => format!(
                "The room did not hear the difference even at the largest size, {}: {}.",
                scale.words(top.size),
                votes(top)
            ),
        },
        Some(last) => {
            let rung = &rungs[last];
            let below = rungs.get(last + 1).map_or_else(
                || " That is the smallest size of this evening.".to_owned(),
                |below| format!(" It did not at {}: {}.", scale.words(below.size), votes(below)),
            );
            format!("From {} on the room heard it: {}.{below}", scale.words(rung.size), votes(rung))
        }
    };
    let headline = match no_listening_test(input.simulated, input.silent) {
        Some(why) => format!("{why} {text}"),
        None => text,
    };
    let tested = "Sizes are tested from the largest down, each at the agreed risk, until one is not heard; so all of them together err no \
                  more often than agreed.";
    let limits = std::iter::once(tested.to_owned()).chain(circumstances(input)).collect();
    let title = title::title(finding, input);
    Verdict { finding, title, headline, limits, analysis: None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Protocol;
    use crate::stats::protocol::Inquiry;

    /// Trials with twelve votes each, so many of them right.
    fn trials(right: u32) -> Vec<RoomTrial> {
        (0..6)
            .map(|draw| RoomTrial {
                votes: if draw % 2 == 0 { vec![right, 12 - right] } else { vec![12 - right, right] },
                right: draw % 2,
            })
            .collect()
    }

    #[test]
    fn sizes_are_tested_from_the_largest_down_until_one_is_not_heard() {
        let sizes = [(1.0, 12), (2.0, 6), (4.0, 9), (8.0, 12)];
        let found = rungs(
            Inquiry::from(Protocol::Abx),
            0.05,
            sizes.into_iter().map(|(size, right)| (size, trials(right))),
        );
        let heard: Vec<(f64, bool)> = found.iter().map(|rung| (rung.size, rung.heard)).collect();
        // All votes right at 1: but 2 was not heard, and nothing below it is believed.
        assert_eq!(heard, [(8.0, true), (4.0, true), (2.0, false), (1.0, false)], "{found:?}");
        // By hand: all six draws must fall as they did, 2^-6.
        assert!((found[0].p_value - 1.0 / 64.0).abs() < 1e-12, "{found:?}");
        let input = VerdictInput::new(Protocol::Abx, 234, 288, 0.05);
        let said = verdict(Scale::Multiple, &found, &input, super::super::Finding::Threshold).headline;
        assert!(said.starts_with("From 4.0 times on the room heard it: 54 of 72 votes right"), "{said}");
        assert!(said.contains("It did not at 2.0 times"), "{said}");
        let none = rungs(Inquiry::from(Protocol::Abx), 0.05, [(8.0, trials(6))].into_iter());
        let said = verdict(Scale::Multiple, &none, &input, super::super::Finding::Threshold).headline;
        assert!(said.contains("did not hear the difference even at the largest size"), "{said}");
    }
}
