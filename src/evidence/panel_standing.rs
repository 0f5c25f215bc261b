//! How a declared panel stands, and why a complete sitting does not count.

use serde::Serialize;

use crate::session::Panel;

/// Why a sitting that is complete does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotCounted {
    /// The panel was full, or this listener had sat often enough.
    BeyondPanel,
    /// The agreed rule leaves its listener out.
    LeftOut,
    /// It came after agreed looks had ended every comparison.
    AfterLook,
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
    /// Seats of nights beyond the panel.
    pub beyond_seats: usize,
    /// Listeners with all of their sittings, in the order of the register: numbers in the evidence.
    #[serde(skip)]
    pub order: Vec<usize>,
    /// Complete sittings of the panel whose journal is gone or does not verify: nobody may take their place.
    pub lost: u32,
    /// Sittings that were begun before the panel was full, and never completed.
    pub broken_off: u32,
}

impl PanelStanding {
    /// Everybody has sat as agreed.
    pub fn is_complete(&self) -> bool {
        self.sat >= self.agreed.listeners
    }
}
