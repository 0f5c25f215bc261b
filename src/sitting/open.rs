//! From a request to an open sitting: preparation, terms, resumption, passphrase, output.

use super::conduct::{Answers, Driver, Level, TICK};
use super::environment::{Environment, Preparation};
use super::face::Face;
use super::listening::level;
use super::scenes::{self, Beside};
use super::simulated::Simulated;
use super::{Ending, Finished, Request, Resuming, SittingError, pages, store};
use crate::player::{OutputChoice, Pace, PlayerOptions, Switch, Transport};
use crate::screen::{Intent, PageScene, Scene, Stage as Shown};
use crate::session::{Session, Switching};
use crate::stimulus::{DeviceWords, StimulusSet};
use crate::trial::rest::SecretError;
use crate::trial::{Secret, Sittings, SittingsError, Terms};

/// Shortest passphrase that is taken, in characters.
const SHORTEST_PASSPHRASE: usize = 6;
/// How often a passphrase is asked for when a sitting goes on.
const PASSPHRASE_TRIES: u32 = 3;

/// Conducts a sitting, from the first page to the last.
///
/// # Errors
/// Whatever stands in the way, with what to do about it. What was recorded before is kept.
pub fn conduct(
    request: &Request,
    environment: &Environment<'_>,
    face: &mut dyn Face,
) -> Result<Finished, SittingError> {
    let sittings = store::lock(request, environment)?;
    let preparation = Preparation::start(&request.session, environment);
    let mut desk = Desk { request, environment, face, notice: None };
    let Some(entered) = desk.before(&sittings, &preparation)? else {
        return Ok(Finished {
            ending: Ending::NotOpened,
            journal: std::path::PathBuf::new(),
            lines: Vec::new(),
        });
    };
    let Desk { face, .. } = desk;
    let Entered { stimuli, start } = entered;
    let transport =
        open_output(&request.session, &request.output, request.simulate.is_some(), environment, &stimuli)?;
    let output = transport.description();
    let fresh = matches!(start, Start::Fresh { .. });
    let opened = match start {
        Start::CutOff { cut_off, secret } => {
            store::resume(sittings, environment, &stimuli, &output, &cut_off, secret)?
        }
        Start::Fresh { passphrase } => {
            store::open(sittings, request, environment, &stimuli, &output, passphrase.as_deref())?
        }
    };
    let device = output.kind == "device";
    let heard = device && request.simulate.is_none();
    let words = device.then(|| DeviceWords::of(&stimuli, &output.format));
    let mut driver = Driver {
        request,
        environment,
        face,
        from_ms: opened.conductor.at_ms(),
        since: environment.clock.elapsed(),
        conductor: opened.conductor.with_forced_orders(&environment.forced_orders),
        keep: Box::new(store::Kept::new(opened.keeper, environment)),
        transport,
        output,
        words,
        stimuli,
        answers: match request.simulate {
            Some(probability) => Answers::Simulated(Box::new(Simulated::new(probability, environment.seed))),
            None => Answers::Person,
        },
        beside: Beside::default(),
        presented: None,
        notice: None,
        lost: None,
        level: if heard {
            Level::Asking { decibels: level::SOFTEST, sounding: false }
        } else {
            Level::Set(0.0)
        },
        result: None,
        sealing: false,
        phrase: None,
    };
    driver.carry_out(opened.effects)?;
    if device && !heard {
        driver.note_words(0.0)?;
    }
    if fresh && request.simulate.is_none() {
        driver.accept_first()?;
    }
    driver.run()
}

/// What is known when a sitting can be opened.
struct Entered {
    stimuli: StimulusSet,
    start: Start,
}

/// A new sitting, or one that goes on.
enum Start {
    Fresh {
        /// The other party's, to lock the secret with.
        passphrase: Option<String>,
    },
    CutOff {
        cut_off: store::CutOff,
        secret: Secret,
    },
}

/// Everything before a sitting is open.
struct Desk<'d, 'e> {
    request: &'d Request,
    environment: &'d Environment<'e>,
    face: &'d mut dyn Face,
    notice: Option<String>,
}

/// What a page before the opening led to.
enum Step<T> {
    On(T),
    Left,
}

impl Desk<'_, '_> {
    /// `None`: the person left. A person who starts a new sitting has accepted the terms on the way.
    fn before(
        &mut self,
        sittings: &Sittings,
        preparation: &Preparation,
    ) -> Result<Option<Entered>, SittingError> {
        let person = self.request.simulate.is_none();
        let resume = match self.choose(sittings, person)? {
            Step::On(resume) => resume,
            Step::Left => return Ok(None),
        };
        let fresh = resume.is_none();
        // What stands in the way is said before anything is prepared.
        let unlocked = match &resume {
            Some(cut_off) if !cut_off.locked => Some(plain_secret(sittings, cut_off)?),
            _ => None,
        };
        let stimuli = if person && fresh { self.agree(preparation)? } else { self.wait(preparation)? };
        let Step::On(stimuli) = stimuli else { return Ok(None) };
        let start = match (resume, unlocked) {
            (Some(cut_off), Some(secret)) => Start::CutOff { cut_off, secret },
            (Some(cut_off), None) => match self.unlock(sittings, &cut_off)? {
                Step::On(secret) => Start::CutOff { cut_off, secret },
                Step::Left => return Ok(None),
            },
            (None, _) if self.request.opponent => match self.new_passphrase()? {
                Step::On(passphrase) => Start::Fresh { passphrase: Some(passphrase) },
                Step::Left => return Ok(None),
            },
            (None, _) => Start::Fresh { passphrase: None },
        };
        Ok(Some(Entered { stimuli, start }))
    }

    /// Which sitting: one that was cut off, or a new one.
    fn choose(
        &mut self,
        sittings: &Sittings,
        person: bool,
    ) -> Result<Step<Option<store::CutOff>>, SittingError> {
        let changed =
            "the session file has changed since, and a sitting goes on under the terms it was opened with";
        let broken = sittings.broken(&self.request.listener);
        match (store::cut_off(sittings, self.request), self.request.resuming) {
            (None, Resuming::Resume) if broken.is_some() => Err(SittingError::Refused(
                broken
                    .map(|(_, error)| {
                        format!("{error}. So this sitting cannot go on: start a new one with --new")
                    })
                    .unwrap_or_default(),
            )),
            (None, Resuming::Ask) if broken.is_some() => {
                self.notice = broken.map(|(journal, error)| {
                    let name = sittings.folder().join(&journal).display().to_string();
                    let why = error.to_string().replacen(&format!("{name}: "), "", 1);
                    format!("an earlier sitting cannot go on ({why})")
                });
                Ok(Step::On(None))
            }
            (None, Resuming::Resume) => Err(SittingError::Refused(format!(
                "there is no sitting of \"{}\" to resume in {}: leave --resume out to start one",
                self.request.listener,
                sittings.folder().display()
            ))),
            (Some((cut_off, true)), Resuming::Resume) => Err(SittingError::Refused(format!(
                "the sitting in {} cannot be resumed: {changed}. Put the file back, or start a new sitting with --new",
                cut_off.journal
            ))),
            (Some((cut_off, false)), Resuming::Resume) => Ok(Step::On(Some(cut_off))),
            (Some((_, true)), Resuming::Ask) => {
                self.notice = Some(format!("an earlier sitting was cut off; {changed}"));
                Ok(Step::On(None))
            }
            (Some((cut_off, false)), Resuming::Ask) if person => match self.ask_resume(&cut_off)? {
                Step::Left => Ok(Step::Left),
                Step::On(true) => Ok(Step::On(Some(cut_off))),
                Step::On(false) => Ok(Step::On(None)),
            },
            _ => Ok(Step::On(None)),
        }
    }

    fn show(&mut self, page: PageScene) -> Result<Vec<Intent>, SittingError> {
        let session = &self.request.session;
        let scene = Scene {
            title: session.title.clone(),
            listener: self.request.listener.clone(),
            marks: scenes::marks(
                self.request.simulate.is_some(),
                !matches!(self.request.output, OutputChoice::Device(_)),
                session.invented,
            ),
            notice: self.notice.clone(),
            stage: Shown::Page(page),
        };
        self.face.show(&scene)?;
        if (self.environment.ending)() {
            return Ok(vec![Intent::Leave]);
        }
        let intents = self.face.wait(TICK)?;
        if !intents.is_empty() {
            self.notice = None;
        }
        Ok(intents)
    }

    fn ask_resume(&mut self, cut_off: &store::CutOff) -> Result<Step<bool>, SittingError> {
        loop {
            for intent in self.show(pages::resume(&cut_off.opened, cut_off.answered))? {
                match intent {
                    Intent::Proceed => return Ok(Step::On(true)),
                    Intent::Anew => return Ok(Step::On(false)),
                    Intent::Leave => return Ok(Step::Left),
                    _ => {}
                }
            }
        }
    }

    /// The terms, while the stimuli are prepared behind them; the first party accepts.
    fn agree(&mut self, preparation: &Preparation) -> Result<Step<StimulusSet>, SittingError> {
        let terms = Terms::of(&self.request.session);
        let parties = parties(&self.request.session, &self.request.listener);
        let mut made: Option<StimulusSet> = None;
        loop {
            if made.is_none()
                && let Some(stimuli) = preparation.take(std::time::Duration::ZERO)
            {
                made = Some(stimuli?);
            }
            let progress = if made.is_some() { None } else { Some(preparation.progress()) };
            let remarks = self.request.remarks(made.as_ref().unwrap_or(&StimulusSet::default()));
            let page = pages::terms(&terms, &parties, &[], progress, &self.request.cautions(), &remarks);
            for intent in self.show(page)? {
                match (intent, made.take()) {
                    (Intent::Leave, _) => return Ok(Step::Left),
                    (Intent::Proceed, Some(stimuli)) => return Ok(Step::On(stimuli)),
                    (_, kept) => made = kept,
                }
            }
        }
    }

    /// Nothing but the preparation.
    fn wait(&mut self, preparation: &Preparation) -> Result<Step<StimulusSet>, SittingError> {
        loop {
            if let Some(stimuli) = preparation.take(std::time::Duration::ZERO) {
                return Ok(Step::On(stimuli?));
            }
            let page = pages::waiting("Preparing the stimuli", Some(preparation.progress()));
            if self.show(page)?.contains(&Intent::Leave) {
                return Ok(Step::Left);
            }
        }
    }

    /// The locked secret of a sitting that was cut off, with the other party's passphrase, in a few tries.
    fn unlock(&mut self, sittings: &Sittings, cut_off: &store::CutOff) -> Result<Step<Secret>, SittingError> {
        let mut left = PASSPHRASE_TRIES;
        loop {
            for intent in self.show(pages::passphrase(false, true))? {
                let typed = match intent {
                    Intent::Leave => return Ok(Step::Left),
                    Intent::Typed(typed) => typed,
                    _ => continue,
                };
                match sittings.secret(&cut_off.journal, Some(&typed)) {
                    Ok(secret) => return Ok(Step::On(secret)),
                    Err(SittingsError::Secret(SecretError::WrongPassphrase)) if left > 1 => {
                        left -= 1;
                        let tries =
                            if left == 1 { "one more try".to_string() } else { format!("{left} more tries") };
                        self.notice = Some(format!("wrong passphrase: {tries}"));
                    }
                    Err(SittingsError::Secret(SecretError::WrongPassphrase)) => {
                        return Err(SittingError::Refused(format!(
                            "the passphrase was wrong {PASSPHRASE_TRIES} times. Nothing was changed: the same command \
                             asks again"
                        )));
                    }
                    Err(error) => return Err(error.into()),
                }
            }
        }
    }

    /// The other party chooses a passphrase and types it twice.
    fn new_passphrase(&mut self) -> Result<Step<String>, SittingError> {
        let mut first: Option<String> = None;
        loop {
            for intent in self.show(pages::passphrase(first.is_some(), false))? {
                match (intent, first.take()) {
                    (Intent::Leave, _) => return Ok(Step::Left),
                    (Intent::Typed(typed), None) if typed.chars().count() < SHORTEST_PASSPHRASE => {
                        self.notice = Some(format!("at least {SHORTEST_PASSPHRASE} characters, please"));
                    }
                    (Intent::Typed(typed), None) => first = Some(typed),
                    (Intent::Typed(typed), Some(before)) if typed == before => return Ok(Step::On(typed)),
                    (Intent::Typed(_), Some(_)) => {
                        self.notice = Some("the two were not the same: once more from the start".to_string());
                    }
                    (_, kept) => first = kept,
                }
            }
        }
    }
}

/// The secret of a sitting that was cut off and locked by nobody.
fn plain_secret(sittings: &Sittings, cut_off: &store::CutOff) -> Result<Secret, SittingError> {
    sittings.secret(&cut_off.journal, None).map_err(|error| {
        SittingError::Refused(format!(
            "the sitting in {} cannot go on: {error}. A new one can be started with --new; the old one stays in the \
             register",
            cut_off.journal
        ))
    })
}

/// Who must accept the terms.
fn parties(session: &Session, listener: &str) -> Vec<String> {
    match &session.wager {
        Some(wager) => vec![wager.claimant.clone(), wager.skeptic.clone()],
        None => vec![listener.to_string()],
    }
}

/// Opens the output at the stimuli's rate, with the session's way of switching.
pub(super) fn open_output(
    session: &Session,
    output: &OutputChoice,
    simulated: bool,
    environment: &Environment<'_>,
    stimuli: &StimulusSet,
) -> Result<Box<dyn Transport>, SittingError> {
    let Some(first) = stimuli.pairs.first() else {
        return Err(SittingError::Refused(
            "the session has nothing to play: it needs a comparison and a clip".into(),
        ));
    };
    let options = PlayerOptions {
        pace: if simulated { Pace::Unpaced } else { Pace::RealTime },
        switch: switch(session.switching),
        ..PlayerOptions::default()
    };
    Ok((environment.open)(output, first.a.rate_hz, first.a.channels, options)?)
}

fn switch(switching: Switching) -> Switch {
    match switching {
        Switching::Instant => PlayerOptions::default().switch,
        Switching::Gap => Switch::Gap { fade_seconds: 0.010, silence_seconds: 0.25 },
    }
}
