//! One journal judged by itself: what a listener sees at the end of a sitting, and a room at the end of its night.

use super::{Findings, OnPaper, judge};
use crate::evidence::{Agreed, Evidence};
use crate::trial::verify::Checked;

/// What was agreed, what the journal says, and what follows from it, next to what is known on paper.
///
/// # Errors
/// The journal does not verify, is not closed, or agrees on something that this program does not know.
pub fn of_journal(checked: &Checked, on_paper: &OnPaper) -> Result<(Agreed, Evidence, Findings), String> {
    let opening = checked.opening.as_ref().ok_or("the journal has no opening that can be read")?;
    let agreed = Agreed::of_opening(opening);
    let evidence = Evidence::of_journal(&agreed, checked)?;
    let findings = judge(&agreed, &evidence, on_paper);
    Ok((agreed, evidence, findings))
}
