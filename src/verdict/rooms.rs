//! A room's votes, draw by draw.

use std::collections::HashMap;

use crate::evidence::TrialFacts;
use crate::stats::Protocol;
use crate::stats::room::{self, RoomTrial};

/// Votes by trial: all that were cast on the same draw stand together.
pub(super) fn room_trials(protocol: Protocol, trials: &[&TrialFacts]) -> Vec<RoomTrial> {
    let alternatives = room::alternatives(protocol);
    // A vote that never came is right under no draw and changes nothing.
    let mut rooms: Vec<RoomTrial> = Vec::new();
    let mut known: HashMap<(u32, u32, u32), usize> = HashMap::new();
    for trial in trials {
        let Some(answer) = trial.answer.map(usize::from) else { continue };
        // Preference has no right answer: a vote is for side A (0) or for side B (1), and B counts.
        let (answer, right) = if protocol.asks().has_right_answer() {
            (answer, usize::from(trial.right.unwrap_or(0)))
        } else {
            (usize::from(trial.for_side_a != Some(true)), 1)
        };
        let place = *known.entry((trial.sitting, trial.trial, trial.attempt)).or_insert_with(|| {
            rooms.push(RoomTrial { votes: vec![0; alternatives], right });
            rooms.len() - 1
        });
        if let Some(votes) = rooms[place].votes.get_mut(answer) {
            *votes += 1;
        }
    }
    rooms
}
