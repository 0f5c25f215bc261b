//! Everything that a session's evidence supports, as one.

use super::caveat::Caveat;
use super::findings::{ComparisonResult, ControlResult, CrossedFindings, PlaceFacts};

/// Everything that a session's evidence supports.
#[derive(Debug, Clone)]
pub struct Findings {
    /// One result per comparison, in session order.
    pub comparisons: Vec<ComparisonResult>,
    /// Results of controls, all counted sittings together.
    pub controls: Vec<ControlResult>,
    /// Places, if several were joined.
    pub places: Vec<PlaceFacts>,
    /// Listeners and clips crossed, where there are several of both.
    pub crossed: Option<CrossedFindings>,
    /// What limits the verdicts, heaviest first.
    pub caveats: Vec<Caveat>,
}
