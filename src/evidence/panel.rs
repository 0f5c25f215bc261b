//! A declared panel against who sat: who belongs to it, who came after it was full, who is left out by the agreed rule.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::builder::Held;
use super::{Agreed, Basis, Evidence, State, Tally};
use crate::session::{LeaveOut, Panel};
use crate::stats::{Protocol, binomial};
use crate::trial::Digest;

/// Why a sitting that is complete does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotCounted {
    /// The panel was full, or this listener had sat often enough, or it was a night.
    BeyondPanel,
    /// The agreed rule leaves its listener out.
    LeftOut,
}

/// A declared panel against who sat.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PanelStanding {
    /// What was agreed on.
    pub agreed: Panel,
    /// Listeners with all of their agreed sittings.
    pub sat: u32,
    /// Numbers of the listeners who are left out, in the evidence.
    pub left_out: Vec<usize>,
    /// Complete sittings beyond the panel.
    pub beyond: usize,
}

impl PanelStanding {
    /// Everybody has sat as agreed.
    pub fn is_complete(&self) -> bool {
        self.sat >= self.agreed.listeners
    }
}

/// Positive controls count as missed when a listener who is right in nine of ten would do so badly in at most one test
/// of ten. Common practice, no source.
pub fn controls_missed(protocol: Protocol, positive: Tally) -> bool {
    protocol.asks().has_right_answer()
        && positive.trials > 0
        && binomial::lower(positive.correct, positive.trials, 0.9) <= 0.1
}

/// Who belongs to a panel: the first so many listeners, in the order in which their sittings were opened, each with the
/// first so many that were ended by their rule.
pub(super) struct Members {
    /// Seals of the complete sittings that come too late.
    pub(super) beyond: BTreeSet<Digest>,
    /// Listeners with all of their sittings.
    pub(super) sat: u32,
}

impl Members {
    pub(super) fn of(
        panel: &Panel,
        basis: Basis,
        held: &[Held],
        of: impl Fn(&Held) -> Option<Basis>,
    ) -> Self {
        let mut order: Vec<&Held> = held.iter().collect();
        order.sort_by(|a, b| (&a.2.opening.utc, &a.1, a.0).cmp(&(&b.2.opening.utc, &b.1, b.0)));
        let mut members = BTreeMap::new();
        let mut beyond = BTreeSet::new();
        for one in order {
            let opening = &one.2.opening;
            // Who failed the agreed qualification has had a turn: trying again until it fits would choose the panel.
            let failed = panel.leave_out == LeaveOut::NotQualified
                && one.2.state == State::NotQualified
                && opening.simulated.is_some() == (basis == Basis::Simulated);
            if of(one) != Some(basis) && !failed {
                continue;
            }
            let full = members.len() >= panel.listeners as usize;
            let sittings = match members.get_mut(&(one.0, &opening.name)) {
                _ if opening.night => None,
                Some(sittings) => Some(sittings),
                None if full => None,
                None => Some(members.entry((one.0, &opening.name)).or_insert(0_u32)),
            };
            match sittings {
                Some(sittings) if *sittings < panel.sittings_each => *sittings += 1,
                _ => {
                    beyond.insert(opening.commitment);
                }
            }
        }
        let sat = members.values().filter(|sittings| **sittings >= panel.sittings_each).count();
        Self { beyond, sat: sat as u32 }
    }
}

impl Evidence {
    /// Leaves out whom the agreed rule leaves out; controls are counted.
    pub(super) fn stand(&mut self, agreed: &Agreed, sat: u32) {
        let Some(panel) = agreed.terms.panel else { return };
        let missed = |(correct, trials): (u64, u64)| {
            panel.leave_out == LeaveOut::MissedControls
                && controls_missed(agreed.terms.protocol, Tally { correct, trials })
        };
        let left_out: Vec<usize> = (0..self.listeners.len())
            .filter(|index| {
                self.listeners[*index].counted && missed(self.listeners[*index].positive_controls)
            })
            .collect();
        for &index in &left_out {
            let listener = &mut self.listeners[index];
            listener.counted = false;
            for &sitting in &listener.sittings {
                let sitting = &mut self.sittings[sitting];
                if sitting.counted {
                    (sitting.counted, sitting.not_counted) = (false, Some(NotCounted::LeftOut));
                }
            }
        }
        let beyond = |sitting: &&super::SittingFacts| sitting.not_counted == Some(NotCounted::BeyondPanel);
        let beyond = self.sittings.iter().filter(beyond).count();
        self.panel = Some(PanelStanding { agreed: panel, sat, left_out, beyond });
    }
}
