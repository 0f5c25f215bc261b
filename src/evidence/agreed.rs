//! What was agreed before anyone listened, typed: from a session file, or from the opening of a journal.

use crate::session::{ControlKind, Family, Levels, Session, Stopping, Written};
use crate::stats::protocol::Inquiry;
use crate::trial::Digest;
use crate::trial::record::{ControlTerms, InputTerms, Opening, StoppingTerms, Terms};

/// The terms of all that is judged together.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreed {
    /// SHA-256 of the session file.
    pub session: Digest,
    /// The terms that journals are compared with: those that the session gives, names included.
    pub given: Terms,
    /// The same terms as they may be shown.
    pub terms: Terms,
    /// What is asked, and in which direction it is tested.
    pub inquiry: Inquiry,
    /// Names of the terms' controls.
    pub controls: Vec<ControlKind>,
    /// How several comparisons and listeners are judged together.
    pub family: Family,
    /// Whether the level difference was kept.
    pub levels: Levels,
    /// When the counted trials end.
    pub stopping: Stopping,
    /// Everything is invented.
    pub invented: bool,
    /// The files that the session reads, as they are here; of an opening, as they were sealed.
    pub inputs: Vec<InputTerms>,
    /// Which of them are photographs of the set-up, by name.
    pub photographs: Vec<String>,
    /// Who prepared the session.
    pub prepared_by: Vec<Written>,
}

impl Agreed {
    /// What a session says.
    pub fn of(session: &Session) -> Self {
        Self {
            session: Digest::of(session.source.as_bytes()),
            given: Terms::of(session),
            terms: Terms::of(session),
            inquiry: session.inquiry(),
            controls: session.controls.iter().map(|control| control.kind).collect(),
            family: session.family,
            levels: session.levels,
            stopping: session.stopping,
            invented: session.invented,
            inputs: InputTerms::here(session),
            photographs: session.photographs().iter().map(|photograph| photograph.file.clone()).collect(),
            prepared_by: session.prepared_by.clone(),
        }
    }

    /// The same, of which only the texts of this session are shown: it is the session with names withheld.
    #[must_use]
    pub fn shown_as(self, session: &Session) -> Self {
        Self { terms: Terms::of(session), ..self }
    }

    /// What a journal's opening says.
    pub fn of_opening(opening: &Opening) -> Self {
        let terms = &opening.terms;
        Self {
            session: opening.session,
            inquiry: terms.inquiry(),
            controls: terms.controls.iter().map(ControlTerms::kind).collect(),
            family: terms.family,
            levels: terms.levels,
            stopping: match terms.stopping {
                StoppingTerms::AllTrials {} => Stopping::AllTrials,
                StoppingTerms::Sequential { alpha, beta, proportion } => {
                    Stopping::Sequential { alpha, beta, proportion }
                }
            },
            invented: opening.invented,
            inputs: opening.inputs.clone().unwrap_or_default(),
            photographs: Vec::new(),
            prepared_by: Vec::new(),
            given: terms.clone(),
            terms: terms.clone(),
        }
    }
}
