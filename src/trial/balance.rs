//! What is drawn once for a whole sitting of a panel that asks for it: the order in which its comparisons come, a row of a
//! [Williams design](williams), and which cable of each is heard as A.
//!
//! Both are known to whoever was there once the seal is open, and neither says anything about a single trial: which slot
//! holds which side is drawn for each attempt, under these as without them.

use std::path::Path;

use super::closing::DrawnOnce;
use super::journal;
use super::record::{Opening, Outcome, Terms};
use super::register::{Entry, Register, RegisterIndex};
use super::seal::Stream;
use crate::session::{CableA, ComparisonOrder};
use crate::stats::williams;

/// Whether comparisons come one after the other, in the order of a design.
pub fn in_rows(terms: &Terms) -> bool {
    terms.panel.as_ref().is_some_and(|panel| panel.order_of_comparisons == ComparisonOrder::Williams)
}

/// Whether the cable that is heard as A is drawn.
pub fn draws_a(terms: &Terms) -> bool {
    terms.panel.as_ref().is_some_and(|panel| panel.cable_a == CableA::Drawn)
}

/// The rows that a sitting's is drawn from, given those of the complete sittings before it; `None` without a design.
pub fn rows(terms: &Terms, used: &[usize]) -> Option<Vec<usize>> {
    in_rows(terms).then(|| williams::next_of(terms.comparisons.len(), used))
}

/// The rows that the complete sittings of this session in a folder had: of people, or of simulated listeners, as the one is
/// that is opened.
pub(super) fn rows_before(folder: &Path, register: &Register, opening: &Opening) -> Vec<usize> {
    let index = RegisterIndex::of(register);
    let row = |entry: &Entry| match entry {
        Entry::Opened { journal, session, simulated, .. }
            if *session == opening.session && simulated.is_some() == opening.simulated.is_some() =>
        {
            let (_, outcome) = register.entries[index.closed(journal)?].ended()?;
            let complete = matches!(outcome, Outcome::AllTrials | Outcome::Sequential);
            let journal = complete.then(|| journal::read(&folder.join(journal)).ok()).flatten()?;
            journal.closing()?.drawn.as_ref()?.row
        }
        _ => None,
    };
    register.entries.iter().filter_map(row).collect()
}

/// Whether rows that an opening publishes can be drawn from.
///
/// # Errors
/// What is wrong with them.
pub(super) fn check(terms: &Terms, rows: Option<&[usize]>) -> Result<(), String> {
    if draws_a(terms) && !terms.protocol.has_a() {
        return Err(format!("{} has no A that stays the same, so none is drawn", terms.protocol));
    }
    match (in_rows(terms), rows) {
        (false, None) => Ok(()),
        (false, Some(_)) => Err("there is no order of comparisons to draw".to_owned()),
        (true, None) => Err("the rows that its order of comparisons is drawn from are missing".to_owned()),
        (true, Some(rows)) => {
            let within = rows.last().is_some_and(|last| *last < williams::rows(terms.comparisons.len()));
            if within && rows.is_sorted_by(|one, next| one < next) {
                Ok(())
            } else {
                Err("the rows that its order of comparisons is drawn from are no rows of the design"
                    .to_owned())
            }
        }
    }
}

impl DrawnOnce {
    /// The first draws of the first sealing; `None` where nothing is drawn once.
    pub(super) fn draw(terms: &Terms, rows: Option<&[usize]>, stream: &mut Stream) -> Option<Self> {
        let exchanged =
            draws_a(terms).then(|| terms.comparisons.iter().map(|_| stream.below(2) == 1).collect());
        let row = rows.map(|rows| rows[stream.below(rows.len())]);
        (row.is_some() || exchanged.is_some()).then_some(Self { row, exchanged })
    }

    /// The cables of a comparison changed places: what is A by the session is heard as B.
    pub fn is_exchanged(&self, comparison: usize) -> bool {
        self.exchanged.as_ref().and_then(|all| all.get(comparison)).copied().unwrap_or(false)
    }

    /// The comparisons in the order in which they came; `None` where they came mixed.
    pub fn order(&self, comparisons: usize) -> Option<Vec<usize>> {
        self.row.map(|row| williams::row(comparisons, row))
    }
}
