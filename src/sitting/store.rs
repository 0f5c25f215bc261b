//! Opening and resuming journals for the driver.

use std::path::PathBuf;

use super::conduct::Keep;
use super::environment::Environment;
use super::{Request, SittingError};
use crate::stimulus::{PairKind, StimulusSet};
use crate::trial::chain::Appender;
use crate::trial::record::{FORMAT, StimulusTerms};
use crate::trial::{Conductor, Digest, Effect, Occasion, Opening, Output, Record, Terms};

/// A sitting of the listener that was cut off.
pub(super) struct Unfinished {
    pub(super) opened: String,
    pub(super) answered: u32,
    pub(super) of: u32,
    pub(super) locked: bool,
}

/// An open sitting.
pub(super) struct Opened {
    pub(super) conductor: Conductor,
    pub(super) keep: Box<dyn Keep>,
    pub(super) effects: Vec<Effect>,
}

pub(super) fn unfinished(_request: &Request) -> Result<Option<Unfinished>, SittingError> {
    Ok(None)
}

pub(super) fn resume(
    _request: &Request,
    _environment: &Environment<'_>,
    _stimuli: &StimulusSet,
    _output: Output,
    _unfinished: &Unfinished,
    _passphrase: Option<&str>,
) -> Result<Opened, SittingError> {
    Err(SittingError::Refused("later".into()))
}

struct File {
    path: PathBuf,
    appender: Appender,
}

impl Keep for File {
    fn append(&mut self, record: &Record) -> std::io::Result<Digest> {
        self.appender.append(record)
    }
    fn close(&mut self) -> std::io::Result<()> {
        Ok(())
    }
    fn path(&self) -> PathBuf {
        self.path.clone()
    }
}

pub(super) fn open(
    request: &Request,
    environment: &Environment<'_>,
    stimuli: &StimulusSet,
    output: Output,
    _passphrase: Option<&str>,
) -> Result<Opened, SittingError> {
    let secret = (environment.secret)().map_err(|e| SittingError::Refused(e.to_string()))?;
    let session = &request.session;
    let folder = session.sittings_folder();
    std::fs::create_dir_all(&folder).map_err(|e| SittingError::Refused(e.to_string()))?;
    let utc = environment.clock.utc();
    let path = folder.join(format!("{}-x.jsonl", utc.strftime("%Y%m%dT%H%M%SZ")));
    let file = std::fs::OpenOptions::new().append(true).create_new(true).open(&path).map_err(|e| SittingError::Refused(e.to_string()))?;
    let opening = Opening {
        format: FORMAT,
        program: "earwitness".into(),
        utc: utc.to_string(),
        occasion: Occasion::Sitting,
        listener: request.listener.clone(),
        alias: None,
        commitment: secret.commitment(),
        register: Digest::NOTHING,
        session: Digest::of(session.source.as_bytes()),
        terms: Terms::of(session),
        stimuli: stimuli
            .pairs
            .iter()
            .map(|pair| {
                let (comparison, clip, control) = match pair.kind {
                    PairKind::Comparison { comparison, clip } => (comparison, clip, None),
                    PairKind::Control { control, comparison, clip } => (comparison, clip, Some(control)),
                };
                StimulusTerms {
                    comparison,
                    clip,
                    control,
                    a: Digest::from_hex(&pair.digest_a).unwrap_or(Digest::NOTHING),
                    b: Digest::from_hex(&pair.digest_b).unwrap_or(Digest::NOTHING),
                }
            })
            .collect(),
        output,
        simulated: request.simulate,
        invented: session.invented,
    };
    let (conductor, effects) = Conductor::open(opening, secret).map_err(|e| SittingError::Refused(format!("{e}")))?;
    let conductor = conductor.with_forced_orders(&environment.forced_orders);
    Ok(Opened { conductor, keep: Box::new(File { path, appender: Appender::new(file, 0, Digest::NOTHING) }), effects })
}
