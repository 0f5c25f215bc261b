//! How a wager stands in a folder: what each of the claimant's sittings says, held against the others.

use std::collections::HashMap;

use super::facts::State;
use super::journal::Held;
use crate::stats::tally::Tally;
use crate::trial::Digest;
use crate::trial::record::WagerTerms;
use crate::trial::wager::{Settlement, Why};

/// Who won by each sitting, in the order given (that of their openings). A sitting that keeps silent about an earlier one of
/// the claimant, or tells of it otherwise than its journal, decides nothing.
pub(super) fn settlements(sittings: &[Held], wager: &WagerTerms) -> Vec<Option<Settlement>> {
    let of = wager.deciding().sittings();
    let journals: HashMap<Digest, &Held> =
        sittings.iter().map(|held| (held.2.opening.commitment, held)).collect();
    let fits = |earlier: &crate::trial::record::EarlierSitting| {
        let Some((_, _, journal)) = journals.get(&earlier.commitment) else { return of == 1 };
        let sound = !matches!(journal.state, State::Invalid | State::Foreign);
        sound
            && (earlier.outcome.is_none()
                || journal.counts.comparisons.iter().sum::<Tally>() == earlier.counted)
    };
    let mut seen = 0;
    sittings
        .iter()
        .map(|(_, _, gathered)| {
            let settlement = gathered.settlement?;
            let Some(earlier) = &gathered.opening.claimants else { return Some(settlement) };
            let this = seen + 1;
            seen += 1;
            let won = settlement.claimant_won().is_some();
            Some(match settlement {
                _ if won && this > of => Settlement::Nobody(Why::Later { this, of }),
                _ if won && ((earlier.len() as u32) < this - 1 || !earlier.iter().all(fits)) => {
                    Settlement::Nobody(Why::Contradicted)
                }
                settlement => settlement,
            })
        })
        .collect()
}
