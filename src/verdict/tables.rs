//! The tables of a night: each a team, judged like a room.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::evidence::{self, Agreed, Evidence, TrialFacts};
use crate::stats::room;
use crate::trial::Definition;

/// A probability as a natural frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Frequency {
    /// So many ...
    pub times: u64,
    /// ... of so many.
    pub of: u64,
}

impl Frequency {
    /// "1 of 93", or from a tenth on "64 of 100". Never 0 and never all.
    pub fn of(probability: f64) -> Self {
        if probability < 0.095 {
            Self { times: 1, of: (1.0 / probability.max(1e-12)).round() as u64 }
        } else {
            Self { times: (probability * 100.0).round().clamp(1.0, 99.0) as u64, of: 100 }
        }
    }
}

/// A table's score.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TableScore {
    /// Number of the night's sitting in the evidence, from 0.
    pub sitting: usize,
    /// Number of the table.
    pub table: u32,
    /// Listeners who sit there.
    pub listeners: usize,
    /// Right votes.
    pub right: u64,
    /// Counted votes.
    pub votes: u64,
    /// Probability that the draws do at least as well, with the votes as this table cast them.
    pub p_value: f64,
    /// The same as a natural frequency.
    pub chance: Frequency,
}

/// All tables of the nights that count.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TableScores {
    /// The table with the rarest score first.
    pub rows: Vec<TableScore>,
    /// At most so often does chance let one of so many tables do as well as the first (Bonferroni).
    pub best: Frequency,
}

/// Each table's votes are judged like a room's: its listeners shared every draw. Nothing where there are no tables, or where
/// nobody is right.
pub fn table_scores(agreed: &Agreed, evidence: &Evidence) -> Option<TableScores> {
    if !agreed.inquiry.has_right_answer() {
        return None;
    }
    let alternatives = Definition::of(agreed.terms.protocol).alternatives.len();
    let at = |listener: u32| evidence.listeners.get(listener as usize)?.table;
    let known = evidence.listeners.iter().filter(|own| own.counted);
    let tables: BTreeSet<(usize, u32)> = known
        .clone()
        .filter_map(|own| own.table.map(|table| (own.sittings.first().copied().unwrap_or(0), table)))
        .collect();
    let attempts: Vec<Vec<&TrialFacts>> =
        evidence.attempts().filter(|attempt| evidence::is_counted_trial(attempt[0])).collect();
    let mut rows = Vec::new();
    for (sitting, table) in tables {
        let (mut right, mut votes, mut trials) = (0, 0, Vec::new());
        for attempt in attempts.iter().filter(|attempt| attempt[0].sitting as usize == sitting) {
            let mut cast = vec![0_u32; alternatives];
            let there = attempt.iter().filter(|row| row.listener.and_then(at) == Some(table));
            for row in there.filter(|row| evidence::counts(row)) {
                right += u64::from(row.is_hit());
                votes += 1;
                if let Some(count) = row.answer.and_then(|answer| cast.get_mut(usize::from(answer))) {
                    *count += 1;
                }
            }
            trials.push(cast);
        }
        let p_value = room::distribution(&trials).ok()?.upper(right);
        rows.push(TableScore {
            sitting,
            table,
            listeners: known
                .clone()
                .filter(|own| own.table == Some(table) && own.sittings.contains(&sitting))
                .count(),
            right,
            votes,
            p_value,
            chance: Frequency::of(p_value),
        });
    }
    rows.sort_by(|left, right| left.p_value.total_cmp(&right.p_value));
    let best = Frequency::of((rows.first()?.p_value * rows.len() as f64).min(1.0));
    Some(TableScores { rows, best })
}
