//! The claimant's earlier sittings, as a new one's opening has to tell of them.

use std::path::Path;

use super::closing::EarlierSitting;
use super::record::{Occasion, WagerTerms};
use super::register::{Entry, Register};
use super::verify;
use crate::session::same_person;

/// The sittings of a folder that a wager has looked at, oldest first: the claimant's, by a person, and heard as far as is
/// known. One that was about another claim, or between other people, is none of them; one whose journal is gone is.
pub(super) fn earlier(folder: &Path, register: &Register, wager: &WagerTerms) -> Vec<EarlierSitting> {
    let mut found = Vec::new();
    for entry in &register.entries {
        let Entry::Opened { journal, occasion, listener, commitment, simulated, .. } = entry else {
            continue;
        };
        let theirs = same_person(listener, &wager.claimant);
        if *occasion != Occasion::Sitting || simulated.is_some() || !theirs {
            continue;
        }
        let checked = verify::alone(&folder.join(journal));
        let known = checked.opening.as_ref().filter(|opening| opening.commitment == *commitment);
        let other = known.is_some_and(|opening| {
            opening.terms.wager.as_ref().is_none_or(|other| !wager.is_the_same_as(other))
        });
        if other || (known.is_some() && checked.silent()) {
            continue;
        }
        let outcome = checked.closing.as_ref().filter(|_| checked.is_sound()).map(|closing| closing.outcome);
        let counts = checked.counts.as_ref().filter(|_| outcome.is_some());
        found.push(EarlierSitting {
            commitment: *commitment,
            outcome,
            counted: counts.map(|counts| counts.comparisons.iter().sum()).unwrap_or_default(),
        });
    }
    found
}
