//! The folder of sittings before anything is written to it: whose it is, and what may go on.

use std::path::{Path, PathBuf};

use super::environment::Environment;
use crate::player::OutputDescription;
use crate::session::{Session, SessionError};
use crate::stimulus::StimulusSet;
use crate::trial::record::{InputTerms, Opening, Output, StimulusTerms};
use crate::trial::terms::changed_inputs;
use crate::trial::{Sittings, SittingsError, journal, register};
use crate::units::foreign;

/// The folder of sittings: locked if it is there, and not made before something is to be written.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    locked: Option<Sittings>,
}

impl Folder {
    /// Locks the folder where it is there.
    ///
    /// # Errors
    /// Another sitting or night is on in it, or it cannot be read.
    pub fn look(path: PathBuf, environment: &Environment) -> Result<Self, SittingsError> {
        let locked = if path.exists() { Some(Sittings::lock(&path, &environment.utc())?) } else { None };
        Ok(Self { path, locked })
    }

    /// What is in it already.
    pub fn sittings(&self) -> Option<&Sittings> {
        self.locked.as_ref()
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The folder, locked, to be written to.
    ///
    /// # Errors
    /// It cannot be made, or another sitting or night is on in it meanwhile.
    pub fn take(self, environment: &Environment) -> Result<Sittings, SittingsError> {
        match self.locked {
            Some(sittings) => Ok(sittings),
            None => Sittings::lock(&self.path, &environment.utc()),
        }
    }
}

/// Why a sitting or night that was cut off cannot go on with what is there now.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CannotGoOn {
    /// A file is not what was sealed.
    #[error(
        "{} changed since it was opened, and it goes on with what was sealed. Put back what was changed, or start anew \
         with --new",
        .0.join(", ")
    )]
    OtherInputs(Vec<String>),
    /// A file can no longer be read.
    #[error("{0}")]
    Session(#[from] SessionError),
    /// Other stimuli than were published.
    #[error(
        "its stimuli are not the ones that were published at its opening, so a clip, a table or the program has changed \
         since. Put back what was changed, or start anew with --new"
    )]
    OtherStimuli,
    /// It was opened to be heard, and now nothing would be.
    #[error(
        "it was opened on a sound device, and on this output nothing is heard, which would make all of it no listening \
         test. Leave --output out, or start anew with --new"
    )]
    NothingHeard,
}

/// That files are not what the newest sitting of the folder sealed, where they are not: a new sitting is a test of something
/// else then, and only its report and `verify` would say so.
pub fn changed_since(session: &Session) -> Option<String> {
    let folder = session.sittings_folder();
    let register = register::read(&folder).ok()?;
    let names: Vec<&str> = register.announced().map(|(_, name)| name).collect();
    let newest = names.iter().rev().find_map(|name| journal::read(&folder.join(name)).ok())?;
    let changed = changed_inputs(newest.opening()?.inputs.as_deref()?, &InputTerms::of(session).ok()?);
    let have = if changed.len() == 1 { "has" } else { "have" };
    (!changed.is_empty()).then(|| {
        format!(
            "{} {have} changed since the last sitting in this folder. Whoever sat before may have heard something else, and \
             the report will say so. Leave, and put it back, if that is not what you want.",
            foreign::shown(&changed.join(", "))
        )
    })
}

/// Whether what was opened may go on with these stimuli on this output.
///
/// # Errors
/// Why not.
pub fn may_go_on(
    opening: &Opening,
    session: &Session,
    stimuli: &StimulusSet,
    output: &OutputDescription,
) -> Result<(), CannotGoOn> {
    let changed = changed_inputs(opening.inputs.as_deref().unwrap_or_default(), &InputTerms::of(session)?);
    if opening.inputs.is_some() && !changed.is_empty() {
        return Err(CannotGoOn::OtherInputs(changed));
    }
    let here = StimulusTerms::of(stimuli);
    let is_made = |(published, here): (&StimulusTerms, &StimulusTerms)| published.is_made(here);
    if opening.stimuli.len() != here.len() || !opening.stimuli.iter().zip(&here).all(is_made) {
        return Err(CannotGoOn::OtherStimuli);
    }
    if !opening.output.is_silent() && Output::from(output).is_silent() {
        return Err(CannotGoOn::NothingHeard);
    }
    Ok(())
}
