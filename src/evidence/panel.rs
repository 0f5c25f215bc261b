//! A declared panel against who sat: who belongs to it, who came after it was full, who is left out by the agreed rule.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::agreed::Agreed;
use super::facts::{Basis, State};
use super::journal::Held;
pub use super::panel_standing::{NotCounted, PanelStanding};
use super::whole::Evidence;
use crate::session::{LeaveOut, Panel, Written};
use crate::stats::tally::Tally;
use crate::stats::{Protocol, binomial};
use crate::trial::Digest;
use crate::trial::record::{Occasion, Outcome};
use crate::trial::register::{Entry, Register, RegisterIndex};

/// Positive controls count as missed when a listener who is right in nine of ten would do so badly in at most one test
/// of ten. Common practice, no source.
pub fn controls_missed(protocol: Protocol, positive: Tally) -> bool {
    protocol.asks().has_right_answer()
        && positive.trials > 0
        && binomial::lower(positive.correct, positive.trials, 0.9) <= 0.1
}

/// A sitting or night as the register announces it.
pub(super) struct Turn {
    place: usize,
    line: Digest,
    utc: String,
    listener: Written,
    night: bool,
    simulated: bool,
    session: Digest,
    closed: Option<Outcome>,
}

impl Turn {
    /// Every one of a folder, in the order in which they were announced.
    pub(super) fn of(place: usize, register: &Register) -> Vec<Self> {
        let announced = register.entries.iter().zip(&register.digests);
        let index = RegisterIndex::of(register);
        let outcome = |journal: &str| Some(register.entries[index.closed(journal)?].ended()?.1);
        let turn = |(entry, line): (&Entry, &Digest)| match entry {
            Entry::Opened { utc, journal, occasion, listener, session, simulated, .. } => Some(Self {
                place,
                line: *line,
                utc: utc.clone(),
                listener: Written::new(listener),
                night: *occasion == Occasion::Night,
                simulated: simulated.is_some(),
                session: *session,
                closed: outcome(journal),
            }),
            Entry::Closed { .. } => None,
        };
        announced.filter_map(turn).collect()
    }
}

/// Puts the turns of several places in one order: within each place as its register has them, whatever its clock said;
/// between places by the clock, which never runs backwards.
fn in_order(mut turns: Vec<Turn>) -> Vec<Turn> {
    let mut latest: BTreeMap<usize, String> = BTreeMap::new();
    for turn in &mut turns {
        let latest = latest.entry(turn.place).or_default();
        if turn.utc > *latest {
            latest.clone_from(&turn.utc);
        } else {
            turn.utc.clone_from(latest);
        }
    }
    turns.sort_by(|a, b| (&a.utc, a.place).cmp(&(&b.utc, b.place)));
    turns
}

/// Who belongs to a panel: the first so many listeners, in the order in which the register announces their sittings, each
/// with the first so many that were ended by their rule.
#[derive(Default)]
pub(super) struct Members {
    /// Seals of the complete sittings that come too late.
    pub(super) beyond: BTreeSet<Digest>,
    /// Seats of nights, by the night's seal, that come too late.
    pub(super) beyond_seats: BTreeSet<(Digest, u32)>,
    /// Listeners with all of their sittings, in their order: seal of a sitting, and seat of a night.
    pub(super) sat: Vec<(Digest, Option<u32>)>,
    /// Complete sittings of the panel whose journal is gone or does not verify.
    pub(super) lost: u32,
    /// Sittings that were begun before the panel was full, and never completed.
    pub(super) broken_off: u32,
}

/// A listener of a panel.
struct Member {
    sittings: u32,
    /// All of the sittings' journals are there and verify.
    sound: bool,
    first: (Digest, Option<u32>),
}

impl Members {
    pub(super) fn of(
        panel: &Panel,
        basis: Basis,
        session: Digest,
        turns: Vec<Turn>,
        held: &[Held],
        of: impl Fn(&Held) -> Option<Basis>,
    ) -> Self {
        let by_line: HashMap<(usize, Digest), &Held> =
            held.iter().map(|held| ((held.0, held.2.opening.register), held)).collect();
        let mut found = Self::default();
        let mut order: Vec<Member> = Vec::new();
        // In the order in which their last sittings were opened, so that whoever is at a look stays there.
        let mut completed_by: Vec<usize> = Vec::new();
        let mut known: HashMap<(usize, String), usize> = HashMap::new();
        let full = |order: &[Member]| {
            let seats = order.len() >= panel.listeners as usize;
            seats && order.iter().all(|member| member.sittings >= panel.sittings_each)
        };
        for turn in in_order(turns) {
            if turn.session != session || turn.simulated != (basis == Basis::Simulated) {
                continue;
            }
            let held = by_line.get(&(turn.place, turn.line)).copied();
            // Who failed the agreed qualification has had a turn: trying again until it fits would choose the panel.
            let failed = panel.leave_out == LeaveOut::NotQualified
                && held.map_or(turn.closed == Some(Outcome::NotQualified), |held| {
                    held.2.state == State::NotQualified
                });
            let sound = held.is_some_and(|held| of(held) == Some(basis)) || failed;
            // A sitting that was completed has had its turn, whatever became of its journal since.
            let completed = matches!(turn.closed, Some(Outcome::AllTrials | Outcome::Sequential));
            let gone = held.is_none_or(|held| held.2.state == State::Invalid);
            let lost = !sound && completed && gone;
            if !sound && !lost {
                found.broken_off += u32::from(of_another_basis(held, basis, &of) && !full(&order));
                continue;
            }
            let seal = held.map_or(turn.line, |held| held.2.opening.commitment);
            let mut takes_part = |name: &Written, seat: Option<u32>| {
                let key = (turn.place, name.folded());
                let index = known.get(&key).copied().filter(|index| {
                    // Two seats of one night are two people, whatever they call themselves.
                    seat.is_none() || order[*index].first.0 != seal
                });
                let index = match index {
                    Some(index) => index,
                    None if order.len() >= panel.listeners as usize => return false,
                    None => {
                        known.insert(key, order.len());
                        order.push(Member { sittings: 0, sound: true, first: (seal, seat) });
                        order.len() - 1
                    }
                };
                let member = &mut order[index];
                if member.sittings >= panel.sittings_each {
                    return false;
                }
                member.sittings += 1;
                member.sound &= !lost;
                if member.sittings == panel.sittings_each {
                    completed_by.push(index);
                }
                true
            };
            match held.filter(|held| turn.night && !lost && held.2.opening.night) {
                Some(night) => {
                    let seats = night.2.voters();
                    // Looks need draws of their own: no night belongs to a panel that has them.
                    let late: Vec<u32> = seats
                        .iter()
                        .filter(|(seat, alias)| !panel.looks.is_empty() || !takes_part(alias, Some(*seat)))
                        .map(|(seat, _)| *seat)
                        .collect();
                    if late.len() == seats.len() {
                        found.beyond.insert(seal);
                    }
                    found.beyond_seats.extend(late.into_iter().map(|seat| (seal, seat)));
                }
                None => {
                    if takes_part(&turn.listener, None) {
                        found.lost += u32::from(lost);
                    } else {
                        found.beyond.insert(seal);
                    }
                }
            }
        }
        let complete = completed_by.into_iter().map(|index| &order[index]).filter(|member| member.sound);
        found.sat = complete.map(|member| member.first).collect();
        found
    }
}

/// Whether a sitting that was not completed was on the way to this basis: one in which nothing was played cannot have been.
fn of_another_basis(held: Option<&Held>, basis: Basis, of: &impl Fn(&Held) -> Option<Basis>) -> bool {
    held.is_none_or(|held| of(held).is_none() && held.2.opening.silent == (basis == Basis::Silent))
}

impl Evidence {
    /// Leaves out whom the agreed rule leaves out; controls are counted.
    pub(super) fn stand(&mut self, agreed: &Agreed, members: Members) {
        let Some(panel) = agreed.terms.panel.clone() else { return };
        let missed = |controls: Tally| {
            panel.leave_out == LeaveOut::MissedControls && controls_missed(agreed.terms.protocol, controls)
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
                // A night goes on counting for its other seats.
                if sitting.counted && !sitting.night {
                    (sitting.counted, sitting.not_counted) = (false, Some(NotCounted::LeftOut));
                }
            }
        }
        let beyond = |sitting: &&super::SittingFacts| sitting.not_counted == Some(NotCounted::BeyondPanel);
        let beyond = self.sittings.iter().filter(beyond).count();
        let by_seal: HashMap<&str, usize> =
            self.sittings.iter().enumerate().map(|(index, own)| (own.commitment.as_str(), index)).collect();
        let listener = |(seal, seat): &(Digest, Option<u32>)| {
            let sitting = by_seal.get(seal.hex().as_str())?;
            self.listeners.iter().position(|own| own.sittings.contains(sitting) && own.seat == *seat)
        };
        let order: Vec<usize> = members.sat.iter().filter_map(listener).collect();
        self.panel = Some(PanelStanding {
            agreed: panel,
            sat: members.sat.len() as u32,
            order,
            left_out,
            beyond,
            beyond_seats: members.beyond_seats.len(),
            lost: members.lost,
            broken_off: members.broken_off,
        });
    }
}
