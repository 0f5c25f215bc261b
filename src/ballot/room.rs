//! How large the room is, and whether phones may join.

use super::Refusal;
use super::seats::{MOST_SEATS, Seats};
use crate::trial::Ballot;

/// The room.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Seats that phones may hold at once.
    pub seats: u32,
    /// The first and the last seat that phones do not get.
    pub paper: Option<(u32, u32)>,
    /// Phones may join.
    pub open: bool,
    /// How many tables there are, each a team of its own; 0: none.
    pub tables: u32,
    /// Guests share one address: it may have as many seats as the room.
    pub shared: bool,
}

impl Default for Room {
    fn default() -> Self {
        Self { seats: MOST_SEATS, paper: None, open: true, tables: 0, shared: false }
    }
}

impl Room {
    /// The table that somebody asks for.
    ///
    /// # Errors
    /// There is none with this number, or one must be chosen.
    pub fn table(&self, wanted: Option<u32>) -> Result<Option<u32>, Refusal> {
        match wanted {
            _ if self.tables == 0 => Ok(None),
            Some(table) if (1..=self.tables).contains(&table) => Ok(Some(table)),
            _ => Err(Refusal::Table(self.tables)),
        }
    }

    /// Whether phones do not get this seat.
    pub fn is_for_paper(&self, seat: u32) -> bool {
        self.paper.is_some_and(|(first, last)| (first..=last).contains(&seat))
    }

    /// Whether a phone may take this seat, or any.
    ///
    /// # Errors
    /// Why not.
    pub fn let_in(&self, seats: &Seats, seat: Option<u32>) -> Result<(), Refusal> {
        if !self.open {
            return Err(Refusal::DoorShut);
        }
        if seat.is_some_and(|seat| self.is_for_paper(seat)) {
            return Err(Refusal::PaperSeat);
        }
        let phones = seats.iter().filter(|(_, seat)| seat.by == Ballot::Phone && !seat.left).count();
        if phones as u32 >= self.seats { Err(Refusal::Full) } else { Ok(()) }
    }
}
