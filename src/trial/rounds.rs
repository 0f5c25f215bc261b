//! Whole rounds over real cables: every slot once, and silent fillings, in an order that the seal draws anew for each.
//!
//! A person or relay that connects cables sees which terminals come, how often and in which order. Presented slot by slot, that
//! tells the answer: in ABX the terminal that comes twice is X's. So nobody chooses what is presented. A *place* of a round
//! is a slot, or a *filling*: the same steps at the same times, and no sound.
//!
//! # Why nothing can be inferred
//!
//! Of whatever a part may present, [`connections`] takes the most slots that side A's cable and side B's cable ever carry:
//! `m` and `n`. Fillings bring every attempt to exactly `m` and `n`, whatever its order is and whether it is a control. The `m + n`
//! places come in an order that is uniform over all `(m + n)!` and independent of the draw of the sides. A uniform order of a
//! fixed number of two kinds gives each of the `(m + n)! / (m! n!)` sequences of terminals equally often: the same
//! distribution for every answer. Rounds of one attempt are drawn independently of each other, so any number of them has the same
//! distribution for every answer too, and whoever sees them all knows as much of the answer as before. That holds for
//! whole rounds; so an attempt is answered after whole rounds only, nobody cuts one short, and what is cut off is void and drawn
//! afresh. `tests/trial/rounds.rs` counts it out for every protocol.
//!
//! What it cannot do: somebody who hears which place is silent, or who tells the listener which cable is connected, is not
//! kept from knowing.

use super::Digest;
use super::protocol::Side;
use super::record::{Opening, Part, Terms, TrialId};
use super::schedule::{Presented, Subject};
use super::seal::Stream;
use super::waits;

/// How often a round of this part connects the cable that is heard as A, and the one that is heard as B; `None` where cables are
/// not presented in filled rounds.
pub fn connections(terms: &Terms, part: Part) -> Option<[usize; 2]> {
    terms.switcher.as_ref().filter(|switcher| switcher.filled == Some(true))?;
    let definition = terms.asked_in(part);
    let controls = part == Part::Qualification || terms.controls.iter().any(|control| control.trials > 0);
    let most = |side: Side| {
        let of = |order: &&[Side]| order.iter().filter(|other| **other == side).count();
        let real = definition.orders.iter().filter(|_| part != Part::Qualification).map(of).max();
        // All of a control comes over the cable that is heard as A: another one would add its own difference.
        let control = if controls && side == Side::A { definition.slots.len() } else { 0 };
        real.unwrap_or(0).max(control)
    };
    Some([most(Side::A), most(Side::B)])
}

/// Silent fillings of a round of this part.
pub fn fillings(terms: &Terms, part: Part) -> usize {
    let slots = terms.asked_in(part).slots.len();
    connections(terms, part).map_or(0, |[a, b]| a + b - slots)
}

/// The places of a round in the order in which they come: below the number of slots a slot, above it a filling. `number` counts
/// the rounds of the attempt from 1.
pub fn order(key: &Digest, id: TrialId, number: usize, places: usize) -> Vec<usize> {
    let name = format!("{} {number}", waits::name(id));
    let mut order: Vec<usize> = (0..places).collect();
    Stream::new(Digest::of_parts(&[b"earwitness round v2", &key.0, name.as_bytes()])).shuffle(&mut order);
    order
}

impl Presented {
    /// The side whose cable carries each place: the slots, then the fillings.
    pub fn cables(&self, opening: &Opening) -> Vec<Side> {
        let sides = self.sides(opening);
        let control = matches!(self.subject, Subject::Control(_));
        let Some(needed) = connections(&opening.terms, self.id.part) else {
            return if control { vec![Side::A; sides.len()] } else { sides };
        };
        let heard = if self.exchanged { [Side::B, Side::A] } else { [Side::A, Side::B] };
        let mut cables = if control { vec![heard[0]; sides.len()] } else { sides };
        for (side, needed) in heard.into_iter().zip(needed) {
            let there = cables.iter().filter(|other| **other == side).count();
            cables.extend(std::iter::repeat_n(side, needed.saturating_sub(there)));
        }
        cables
    }
}
