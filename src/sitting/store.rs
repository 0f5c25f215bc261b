//! The folder of sittings, as the driver needs it: what was cut off, opening, resuming.

use super::conduct::Keep;
use super::environment::Environment;
use super::{Request, SittingError};
use crate::player::OutputDescription;
use crate::stimulus::StimulusSet;
use crate::trial::record::StimulusTerms;
use crate::trial::{Digest, Draft, Keeper, Occasion, Opened, Record, Secret, Sittings, journal};

/// A sitting of the listener that was cut off.
pub(super) struct CutOff {
    /// File name of its journal.
    pub(super) journal: String,
    /// When it was opened.
    pub(super) opened: String,
    /// Trials answered.
    pub(super) answered: u32,
    /// The secret is locked with a passphrase.
    pub(super) locked: bool,
}

/// The time in UTC as journals hold it: RFC 3339, whole seconds.
pub(super) fn utc(environment: &Environment<'_>) -> String {
    environment.clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Locks the folder; refused while another sitting is on in it.
pub(super) fn lock(request: &Request, environment: &Environment<'_>) -> Result<Sittings, SittingError> {
    Ok(Sittings::lock(&request.session.sittings_folder(), &utc(environment))?)
}

/// The newest sitting of this listener, of the same kind, that was cut off. The flag says whether it is of another
/// text of the session file: then it cannot go on.
pub(super) fn cut_off(sittings: &Sittings, request: &Request) -> Option<(CutOff, bool)> {
    let newest = sittings.unfinished().into_iter().rfind(|unfinished| {
        unfinished.listener == request.listener
            && unfinished.occasion == Occasion::Sitting
            && unfinished.simulated == request.simulate
    })?;
    let other = newest.session != Digest::of(request.session.source.as_bytes());
    let answered = journal::read(&sittings.folder().join(&newest.journal)).map_or(0, |journal| {
        journal.records.iter().filter(|record| matches!(record, Record::Answer { .. })).count() as u32
    });
    let cut_off = CutOff { journal: newest.journal, opened: newest.utc, answered, locked: newest.locked };
    Some((cut_off, other))
}

/// Opens a new sitting.
pub(super) fn open(
    sittings: Sittings,
    request: &Request,
    environment: &Environment<'_>,
    stimuli: &StimulusSet,
    output: &OutputDescription,
    passphrase: Option<&str>,
) -> Result<Opened, SittingError> {
    let secret = (environment.secret)()
        .map_err(|error| SittingError::Refused(format!("no sitting without a secret: {error}")))?;
    let mut draft = Draft::new(&request.session, stimuli, output, &request.listener, &utc(environment));
    draft.simulated = request.simulate;
    draft.alias.clone_from(&request.alias);
    Ok(sittings.open(draft, secret, passphrase)?)
}

/// Goes on with a sitting that was cut off.
pub(super) fn resume(
    sittings: Sittings,
    environment: &Environment<'_>,
    stimuli: &StimulusSet,
    output: &OutputDescription,
    cut_off: &CutOff,
    secret: Secret,
) -> Result<Opened, SittingError> {
    let opened = sittings.resume_with(&cut_off.journal, &utc(environment), output.into(), secret)?;
    if opened.conductor.opening().stimuli != StimulusTerms::of(stimuli) {
        return Err(SittingError::Refused(format!(
            "the sitting in {} cannot go on: its stimuli are not the ones that were published at its opening, so a clip, \
             a table or the program has changed since. Put back what was changed, or start a new sitting with --new",
            cut_off.journal
        )));
    }
    Ok(opened)
}

/// A keeper with the clock that its closing needs.
pub(super) struct Kept<'e> {
    keeper: Keeper,
    environment: &'e Environment<'e>,
}

impl<'e> Kept<'e> {
    pub(super) fn new(keeper: Keeper, environment: &'e Environment<'e>) -> Self {
        Self { keeper, environment }
    }
}

impl Keep for Kept<'_> {
    fn append(&mut self, record: &Record) -> std::io::Result<Digest> {
        self.keeper.append(record)
    }

    fn close(&mut self) -> std::io::Result<()> {
        self.keeper.close(Some(&utc(self.environment))).map_err(std::io::Error::other)
    }

    fn path(&self) -> std::path::PathBuf {
        self.keeper.path()
    }
}
