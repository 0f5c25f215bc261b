//! Counts of several listeners put together: comparison by comparison, never across sessions.

use std::collections::HashMap;

use super::super::Failure;
use crate::session::Family;
use crate::stats::panel::{self, PanelAnalysis};
use crate::stats::sequential::{Exact, SequentialTest};
use crate::stats::{Protocol, binomial, many};

/// What was agreed on before anyone listened.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rules {
    /// Digest of the session file, 64 hex digits; nothing for counts without a session.
    pub(super) session: Option<String>,
    /// Error risk.
    pub(super) alpha: f64,
    /// Several comparisons.
    pub(super) family: Family,
    /// The sequential rule, if trials ended by one.
    pub(super) sequential: Option<SequentialTest>,
}

/// One listener's counts on one comparison.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Row {
    /// Who.
    pub(super) listener: String,
    /// On what.
    pub(super) comparison: String,
    /// How.
    pub(super) protocol: Protocol,
    /// Right answers.
    pub(super) correct: u64,
    /// Counted trials.
    pub(super) trials: u64,
    /// The sequential rule said "a difference".
    pub(super) found: bool,
}

/// Rows that were made under the same rules: one session, or one set of files of counts.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Batch {
    /// The rules.
    pub(super) rules: Rules,
    /// The rows.
    pub(super) rows: Vec<Row>,
}

/// Sittings under a sequential rule: how many it found, and how likely that many of as many guessers are.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub(super) struct Found {
    /// Sittings in which it said "a difference".
    pub(super) found: u64,
    /// All sittings.
    pub(super) sittings: u64,
    /// What it does to a guesser, exactly.
    pub(super) guesser: Exact,
    /// Probability that it says "a difference" to at least so many of as many guessers.
    pub(super) p_value: f64,
}

/// All listeners of one comparison, in the order of their first row.
pub(super) struct Group {
    /// Name.
    pub(super) comparison: String,
    /// Protocol.
    pub(super) protocol: Protocol,
    /// One row per listener, several rows of one added up.
    pub(super) rows: Vec<Row>,
    /// The statistics; Holm's adjustment goes over [`Group::tests`].
    pub(super) panel: PanelAnalysis,
    /// Tests that are judged together: listeners times comparisons, or without a family the listeners.
    pub(super) tests: usize,
    /// With a sequential rule, what decides in place of the pooled p-value.
    pub(super) sequential: Option<Found>,
    /// The pooled p-value (with a sequential rule: of [`Found`]) after the family's adjustment; without one nothing.
    pub(super) family_p_value: Option<f64>,
}

impl Batch {
    /// Comparisons with their listeners, and the adjustment over the comparisons that was agreed on.
    pub(super) fn groups(&self) -> Result<Vec<Group>, Failure> {
        let mut places: HashMap<(&str, Protocol), usize> = HashMap::new();
        let mut known: HashMap<(usize, &str), usize> = HashMap::new();
        let mut members: Vec<Vec<Row>> = Vec::new();
        let mut found: Vec<(u64, u64)> = Vec::new();
        for row in &self.rows {
            let place = *places.entry((&row.comparison, row.protocol)).or_insert_with(|| {
                members.push(Vec::new());
                found.push((0, 0));
                members.len() - 1
            });
            found[place].0 += u64::from(row.found);
            found[place].1 += 1;
            match known.get(&(place, row.listener.as_str())) {
                Some(&index) => {
                    members[place][index].correct += row.correct;
                    members[place][index].trials += row.trials;
                    members[place][index].found |= row.found;
                }
                None => {
                    known.insert((place, row.listener.as_str()), members[place].len());
                    members[place].push(row.clone());
                }
            }
        }
        let mut groups: Vec<Group> = members
            .into_iter()
            .zip(found)
            .map(|(rows, found)| self.group(rows, found))
            .collect::<Result<_, Failure>>()?;
        if self.rules.family == Family::Holm && !groups.is_empty() {
            // Listeners and comparisons are one family: as many tests as there are rows.
            let all: Vec<f64> = groups.iter().flat_map(|group| group.panel.p_values.clone()).collect();
            let mut adjusted = many::holm(&all).map_err(Failure::bad)?.into_iter();
            for group in &mut groups {
                group.tests = all.len();
                group.panel.holm = adjusted.by_ref().take(group.rows.len()).collect();
                let passed = |p: &&f64| binomial::at_most(**p, self.rules.alpha);
                group.panel.passers_holm = group.panel.holm.iter().filter(passed).count() as u64;
            }
            let p_values: Vec<f64> = groups.iter().map(Group::p_value).collect();
            let adjusted = many::holm(&p_values).map_err(Failure::bad)?;
            for (group, adjusted) in groups.iter_mut().zip(adjusted) {
                group.family_p_value = Some(adjusted);
            }
        }
        Ok(groups)
    }

    fn group(&self, rows: Vec<Row>, (found, sittings): (u64, u64)) -> Result<Group, Failure> {
        let protocol = rows.first().map_or(Protocol::Abx, |row| row.protocol);
        let scores: Vec<(u64, u64)> = rows.iter().map(|row| (row.correct, row.trials)).collect();
        let panel = panel::analyse(protocol, &scores, self.rules.alpha).map_err(Failure::bad)?;
        let sequential = match &self.rules.sequential {
            Some(test) => {
                let guesser = test.exact(test.chance).map_err(Failure::bad)?;
                let p_value = binomial::upper(found, sittings, guesser.difference);
                Some(Found { found, sittings, guesser, p_value })
            }
            None => None,
        };
        Ok(Group {
            comparison: rows.first().map_or_else(String::new, |row| row.comparison.clone()),
            protocol,
            tests: rows.len(),
            rows,
            panel,
            sequential,
            family_p_value: None,
        })
    }
}

impl Group {
    /// The p-value that decides before any adjustment over comparisons.
    fn p_value(&self) -> f64 {
        self.sequential.map_or(self.panel.pooled.p_value, |found| found.p_value)
    }
}
