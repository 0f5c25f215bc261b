//! The files that sittings read, as they were sealed, against those that are here now.

use serde::Serialize;

use super::Agreed;
use crate::trial::record::InputTerms;

/// Files that sittings sealed before their first trial.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InputSetFacts {
    /// Numbers of the sittings in the evidence, from 0.
    pub sittings: Vec<usize>,
    /// The files, the session's own first.
    pub files: Vec<InputFacts>,
}

/// A file that a sitting read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InputFacts {
    /// Its name as the session writes it (anonymous: a number).
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// It is gone, or holds something else now.
    pub changed: bool,
    /// It is a photograph of the set-up: nobody heard it.
    #[serde(skip)]
    pub photograph: bool,
}

/// What was sealed, and what is here.
#[derive(Debug)]
pub(super) struct Inputs {
    here: Vec<InputTerms>,
    photographs: Vec<String>,
    anonymous: bool,
    pub(super) facts: Vec<InputSetFacts>,
}

impl Inputs {
    pub(super) fn of(agreed: &Agreed, anonymous: bool) -> Self {
        let (here, photographs) = (agreed.inputs.clone(), agreed.photographs.clone());
        Self { here, photographs, anonymous, facts: Vec::new() }
    }

    /// Notes what a sitting sealed, together with those that sealed the same.
    pub(super) fn publish(&mut self, sitting: usize, sealed: Option<&[InputTerms]>) {
        let Some(sealed) = sealed else { return };
        let mut files: Vec<InputFacts> = Vec::with_capacity(sealed.len());
        for (number, input) in sealed.iter().enumerate() {
            files.push(InputFacts {
                // Any file's name may hold somebody's.
                name: if self.anonymous { format!("file {number}") } else { input.name.clone() },
                bytes: input.bytes,
                sha256: input.sha256.hex(),
                changed: !self.here.contains(input),
                photograph: self.photographs.contains(&input.name),
            });
        }
        match self.facts.iter_mut().find(|set| set.files == files) {
            Some(set) => set.sittings.push(sitting),
            None => self.facts.push(InputSetFacts { sittings: vec![sitting], files }),
        }
    }
}
