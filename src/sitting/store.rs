//! The folder of sittings, as the driver needs it: what was cut off, opening, resuming.

use super::{Request, SittingError};
use crate::conduct::{Environment, folder};
use crate::player::OutputDescription;
use crate::session::{Session, SittingFact};
use crate::stimulus::StimulusSet;
use crate::trial::sittings::Secrets;
use crate::trial::{Digest, Draft, Occasion, Opened, Opening, OutputKind, Record, Secret, Sittings, journal};

/// A sitting of the listener that was cut off.
pub(super) struct CutOff {
    /// What was agreed.
    pub(super) opening: Box<Opening>,
    /// File name of its journal.
    pub(super) journal: String,
    /// When it was opened.
    pub(super) opened: String,
    /// Trials answered.
    pub(super) answered: u32,
    /// The secret is locked with a passphrase.
    pub(super) locked: bool,
    /// The level that was set last, in decibels from the clips' own.
    pub(super) level_db: Option<f64>,
    /// What carried the sound then: kind and name.
    output: (OutputKind, String),
}

impl CutOff {
    /// The level that was set, where the same carries the sound as then.
    pub(super) fn level_on(&self, output: &OutputDescription) -> Option<f64> {
        let same = (output.kind, output.name.as_str()) == (self.output.0, self.output.1.as_str());
        self.level_db.filter(|_| same)
    }
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
    let journal = journal::read(&sittings.folder().join(&newest.journal)).ok()?;
    let opening = journal.opening()?.clone();
    let mut level_db = None;
    let mut output = (opening.output.kind, opening.output.name.clone());
    for record in &journal.records {
        match record {
            Record::Level { level_db: set, .. } => level_db = Some(*set),
            Record::OutputChanged { output: now, .. } | Record::Resumed { output: now, .. } => {
                output = (now.kind, now.name.clone());
            }
            _ => {}
        }
    }
    let cut_off = CutOff {
        level_db,
        output,
        opening: Box::new(opening),
        answered: journal.records.iter().filter(|record| matches!(record, Record::Answer { .. })).count()
            as u32,
        journal: newest.journal,
        opened: newest.utc,
        locked: newest.locked,
    };
    Some((cut_off, other))
}

fn fresh(environment: &Environment) -> Result<Secret, SittingError> {
    (environment.secret)()
        .map_err(|error| SittingError::Refused(format!("the computer gives no secret to seal with: {error}")))
}

/// Opens a new sitting.
pub(super) fn open(
    sittings: Sittings,
    request: &Request,
    environment: &Environment,
    stimuli: &StimulusSet,
    output: &OutputDescription,
    passphrase: Option<&str>,
    facts: Vec<SittingFact>,
) -> Result<Opened, SittingError> {
    let secret = fresh(environment)?;
    let mut draft = Draft::new(&request.session, stimuli, output, &request.listener, &environment.utc())
        .map_err(|error| SittingError::Refused(error.to_string()))?;
    draft.simulated = request.simulate;
    draft.alias.clone_from(&request.alias);
    draft.facts = facts;
    Ok(sittings.open(draft, secret, passphrase)?)
}

/// Goes on with a sitting that was cut off. Nothing is written before everything that can refuse has been asked.
pub(super) fn resume(
    sittings: Sittings,
    session: &Session,
    environment: &Environment,
    stimuli: &StimulusSet,
    output: &OutputDescription,
    cut_off: &CutOff,
    secrets: Secrets,
) -> Result<Opened, SittingError> {
    folder::may_go_on(&cut_off.opening, session, stimuli, output).map_err(|why| {
        SittingError::Refused(format!("the sitting in {} cannot go on: {why}", cut_off.journal))
    })?;
    let fresh = fresh(environment)?;
    Ok(sittings.resume_with(&cut_off.journal, &environment.utc(), output.into(), secrets, fresh)?)
}
