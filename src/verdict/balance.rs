//! What became of the balance that a panel agreed on: in which place each comparison came, and how often each cable was A.
//!
//! Counted from what the sittings that count drew, whatever their openings say of the rows to draw from: a computer that was
//! made to draw the same row each time is told by this.

use crate::evidence::{PanelStanding, SittingFacts};
use crate::session::{CableA, ComparisonOrder};
use crate::stats::williams;
use crate::trial::record::DrawnOnce;

use super::ComparisonResult;

/// Places and cables over the sittings that count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Balance {
    /// Sittings that count.
    pub sittings: usize,
    /// Places in which a comparison can come; none where they come mixed.
    pub places: usize,
    /// Which cable is A was drawn.
    pub a_is_drawn: bool,
    /// By comparison.
    pub comparisons: Vec<Placed>,
    /// How often each row of the design was used; empty where comparisons come mixed.
    pub rows: Vec<usize>,
}

/// A comparison's places, and its cables.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placed {
    /// Its name.
    pub name: String,
    /// Cable that the session writes as `a`.
    pub a: String,
    /// Cable that the session writes as `b`.
    pub b: String,
    /// How often it came first, second and so on.
    pub places: Vec<usize>,
    /// In how many sittings the cable `a` was A.
    pub as_written: usize,
}

impl Balance {
    /// Of a panel that agreed on any; nothing before a sitting of it counts.
    pub fn of(
        panel: Option<&PanelStanding>,
        sittings: &[SittingFacts],
        comparisons: &[ComparisonResult],
    ) -> Option<Self> {
        let agreed = &panel?.agreed;
        let in_rows = agreed.order_of_comparisons == ComparisonOrder::Williams;
        let a_is_drawn = agreed.cable_a == CableA::Drawn;
        let counted = sittings.iter().filter(|sitting| sitting.counted);
        let drawn: Vec<&DrawnOnce> = counted.filter_map(|sitting| sitting.drawn.as_ref()).collect();
        if drawn.is_empty() {
            return None;
        }
        let several = comparisons.len();
        let orders: Vec<Vec<usize>> = drawn.iter().filter_map(|once| once.order(several)).collect();
        let row = |row: usize| drawn.iter().filter(|once| once.row == Some(row)).count();
        let places = if in_rows { several } else { 0 };
        let placed = |(index, of): (usize, &ComparisonResult)| Placed {
            name: of.name.clone(),
            a: of.a.clone(),
            b: of.b.clone(),
            places: (0..places)
                .map(|place| orders.iter().filter(|order| order[place] == index).count())
                .collect(),
            as_written: drawn.iter().filter(|once| !once.is_exchanged(index)).count(),
        };
        Some(Self {
            sittings: drawn.len(),
            places,
            a_is_drawn,
            comparisons: comparisons.iter().enumerate().map(placed).collect(),
            rows: if in_rows { (0..williams::rows(several)).map(row).collect() } else { Vec::new() },
        })
    }

    /// How often the rows were used, in a sentence; nothing where comparisons come mixed.
    pub fn sentence(&self) -> Option<String> {
        let (most, least) = (self.rows.iter().max()?, self.rows.iter().min()?);
        let rows = self.rows.len();
        Some(match most - least {
            0 => format!(
                "Each of the {rows} rows of the design was used {most} times: each comparison came in each place, and after each \
                 other one, equally often."
            ),
            1 => format!(
                "The {rows} rows of the design were used {least} or {most} times: as equally as {} sittings allow.",
                self.sittings
            ),
            _ => format!(
                "The {rows} rows of the design were used {least} to {most} times, less equally than {} sittings allow: places and \
                 predecessors are not balanced.",
                self.sittings
            ),
        })
    }
}
