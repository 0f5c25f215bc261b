//! Counts of several listeners put together: comparison by comparison, never across sessions.

use std::collections::HashMap;

use crate::session::Family;
use crate::stats::panel::{self, PanelAnalysis};
use crate::stats::protocol::Inquiry;
use crate::stats::sequential::{Exact, SequentialTest};
use crate::stats::tally::Tally;
use crate::stats::{Protocol, StatsError, binomial, many};

/// What was agreed on before anyone listened.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Digest of the session file, 64 hex digits; nothing for counts without a session.
    pub session: Option<String>,
    /// Error risk.
    pub alpha: f64,
    /// Several comparisons.
    pub family: Family,
    /// The sequential rule, if trials ended by one.
    pub sequential: Option<SequentialTest>,
}

/// One listener's counts on one comparison.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Who.
    pub listener: String,
    /// On what.
    pub comparison: String,
    /// How, and in which direction it is tested.
    pub inquiry: Inquiry,
    /// Right answers.
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// The sequential rule said "a difference".
    pub found: bool,
}

/// Rows that were made under the same rules: one session, or one set of files of counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// The rules.
    pub rules: Rules,
    /// The rows.
    pub rows: Vec<Row>,
}

/// Sittings under a sequential rule: how many it found, and how likely that many of as many guessers are.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Found {
    /// Sittings in which it said "a difference".
    pub found: u64,
    /// All sittings.
    pub sittings: u64,
    /// What it does to a guesser, exactly.
    pub guesser: Exact,
    /// Probability that it says "a difference" to at least so many of as many guessers.
    pub p_value: f64,
}

/// All listeners of one comparison, in the order of their first row.
pub struct Group {
    /// Name.
    pub comparison: String,
    /// Protocol, and the direction in which it is tested.
    pub inquiry: Inquiry,
    /// One row per listener, several rows of one added up.
    pub rows: Vec<Row>,
    /// The statistics; Holm's adjustment goes over [`Group::tests`].
    pub panel: PanelAnalysis,
    /// Tests that are judged together: listeners times comparisons, or without a family the listeners.
    pub tests: usize,
    /// With a sequential rule, what decides in place of the pooled p-value.
    pub sequential: Option<Found>,
    /// The pooled p-value (with a sequential rule: of [`Found`]) after the family's adjustment; without one nothing.
    pub family_p_value: Option<f64>,
}

impl Batch {
    /// Comparisons with their listeners, and the adjustment over the comparisons that was agreed on.
    pub fn groups(&self) -> Result<Vec<Group>, StatsError> {
        let mut places: HashMap<(&str, Inquiry), usize> = HashMap::new();
        let mut known: HashMap<(usize, &str), usize> = HashMap::new();
        let mut members: Vec<Vec<Row>> = Vec::new();
        let mut found: Vec<Tally> = Vec::new();
        for row in &self.rows {
            let place = *places.entry((&row.comparison, row.inquiry)).or_insert_with(|| {
                members.push(Vec::new());
                found.push(Tally::default());
                members.len() - 1
            });
            found[place].count(row.found);
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
            .collect::<Result<_, StatsError>>()?;
        if self.rules.family == Family::Holm && !groups.is_empty() {
            // Listeners and comparisons are one family: as many tests as there are rows.
            let all: Vec<f64> = groups.iter().flat_map(|group| group.panel.p_values.clone()).collect();
            let mut adjusted = many::holm(&all)?.into_iter();
            for group in &mut groups {
                group.tests = all.len();
                group.panel.holm = adjusted.by_ref().take(group.rows.len()).collect();
                let passed = |p: &&f64| binomial::at_most(**p, self.rules.alpha);
                group.panel.passers_holm = group.panel.holm.iter().filter(passed).count() as u64;
            }
            let p_values: Vec<f64> = groups.iter().map(Group::p_value).collect();
            let adjusted = many::holm(&p_values)?;
            for (group, adjusted) in groups.iter_mut().zip(adjusted) {
                group.family_p_value = Some(adjusted);
            }
        }
        Ok(groups)
    }

    fn group(
        &self,
        rows: Vec<Row>,
        Tally { trials: sittings, correct: found }: Tally,
    ) -> Result<Group, StatsError> {
        let inquiry = rows.first().map_or(Inquiry::from(Protocol::Abx), |row| row.inquiry);
        let scores: Vec<Tally> = rows.iter().map(|row| Tally::new(row.correct, row.trials)).collect();
        let panel = panel::analyse(inquiry, &scores, self.rules.alpha)?;
        let sequential = match &self.rules.sequential {
            Some(test) => {
                let guesser = test.exact(test.chance)?;
                let p_value = binomial::upper(found, sittings, guesser.difference);
                Some(Found { found, sittings, guesser, p_value })
            }
            None => None,
        };
        Ok(Group {
            comparison: rows.first().map_or_else(String::new, |row| row.comparison.clone()),
            inquiry,
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
