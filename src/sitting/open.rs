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
use crate::stimulus::StimulusSet;
use crate::trial::{Output, Terms};

/// Shortest passphrase that is taken, in characters.
const SHORTEST_PASSPHRASE: usize = 6;

/// Conducts a sitting, from the first page to the last.
///
/// # Errors
/// Whatever stands in the way, with what to do about it. What was recorded before is kept.
pub fn conduct(
    request: &Request,
    environment: &Environment<'_>,
    face: &mut dyn Face,
) -> Result<Finished, SittingError> {
    let preparation = Preparation::start(&request.session, environment.prepare.clone());
    let mut desk = Desk { request, environment, face, notice: None };
    let Some(stimuli) = desk.before(&preparation)? else {
        return Ok(Finished { ending: Ending::NotOpened, journal: std::path::PathBuf::new(), lines: Vec::new() });
    };
    let Desk { face, .. } = desk;
    let (Entered { stimuli, resume, passphrase }, accepted) = stimuli;
    let transport = open_output(request, environment, &stimuli)?;
    let output = describe(transport.as_ref());
    let opened = match resume {
        Some(unfinished) => store::resume(request, environment, &stimuli, output, &unfinished, passphrase.as_deref())?,
        None => store::open(request, environment, &stimuli, output, passphrase.as_deref())?,
    };
    let heard = transport.description().kind == "device" && request.simulate.is_none();
    let mut driver = Driver {
        request,
        environment,
        face,
        from_ms: opened.conductor.at_ms(),
        since: environment.clock.elapsed(),
        conductor: opened.conductor,
        keep: opened.keep,
        transport,
        stimuli,
        answers: match request.simulate {
            Some(probability) => Answers::Simulated(Simulated::new(probability, environment.seed)),
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
    };
    driver.carry_out(opened.effects)?;
    if accepted {
        driver.accept_first()?;
    }
    driver.run()
}

/// What is known when a sitting can be opened.
struct Entered {
    stimuli: StimulusSet,
    resume: Option<store::Unfinished>,
    passphrase: Option<String>,
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
    /// `None`: the person left. The flag says whether the first party has accepted the terms on this way.
    fn before(&mut self, preparation: &Preparation) -> Result<Option<(Entered, bool)>, SittingError> {
        let person = self.request.simulate.is_none();
        let unfinished = store::unfinished(self.request)?;
        let resume = match (unfinished, self.request.resuming) {
            (None, Resuming::Resume) => {
                return Err(SittingError::Refused(format!(
                    "there is no sitting of \"{}\" to resume in {}: leave --resume out to start one",
                    self.request.listener,
                    self.request.session.sittings_folder().display()
                )));
            }
            (None, _) | (Some(_), Resuming::Anew) => None,
            (Some(unfinished), Resuming::Resume) => Some(unfinished),
            (Some(_), Resuming::Ask) if !person => None,
            (Some(unfinished), Resuming::Ask) => match self.ask_resume(&unfinished)? {
                Step::Left => return Ok(None),
                Step::On(true) => Some(unfinished),
                Step::On(false) => None,
            },
        };
        let fresh = resume.is_none();
        let stimuli = match (person, fresh) {
            (true, true) => self.agree(preparation)?,
            _ => self.wait(preparation)?,
        };
        let Step::On(stimuli) = stimuli else { return Ok(None) };
        let locked = resume.as_ref().is_some_and(|unfinished| unfinished.locked);
        let passphrase = if locked || (fresh && self.request.opponent) {
            match self.passphrase(!fresh)? {
                Step::On(passphrase) => Some(passphrase),
                Step::Left => return Ok(None),
            }
        } else {
            None
        };
        Ok(Some((Entered { stimuli, resume, passphrase }, fresh && person)))
    }

    fn show(&mut self, page: PageScene) -> Result<Vec<Intent>, SittingError> {
        let session = &self.request.session;
        let scene = Scene {
            title: session.title.clone(),
            listener: self.request.listener.clone(),
            marks: scenes::marks(
                self.request.simulate.is_some(),
                self.request.output == OutputChoice::Silent,
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

    fn ask_resume(&mut self, unfinished: &store::Unfinished) -> Result<Step<bool>, SittingError> {
        loop {
            for intent in self.show(pages::resume(&unfinished.opened, unfinished.answered, unfinished.of))? {
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
            let page = pages::terms(&terms, &parties, &[], progress, made.is_some(), &remarks);
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

    /// The other party's passphrase: twice at the opening, once to resume.
    fn passphrase(&mut self, resuming: bool) -> Result<Step<String>, SittingError> {
        let mut first: Option<String> = None;
        loop {
            for intent in self.show(pages::passphrase(first.is_some(), resuming))? {
                match (intent, first.take()) {
                    (Intent::Leave, _) => return Ok(Step::Left),
                    (Intent::Typed(typed), _) if resuming => return Ok(Step::On(typed)),
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

/// Who must accept the terms.
fn parties(session: &Session, listener: &str) -> Vec<String> {
    match &session.wager {
        Some(wager) => vec![wager.claimant.clone(), wager.skeptic.clone()],
        None => vec![listener.to_string()],
    }
}

/// Opens the output at the stimuli's rate, with the session's way of switching.
pub(super) fn open_output(
    request: &Request,
    environment: &Environment<'_>,
    stimuli: &StimulusSet,
) -> Result<Box<dyn Transport>, SittingError> {
    let Some(first) = stimuli.pairs.first() else {
        return Err(SittingError::Refused("the session has nothing to play: it needs a comparison and a clip".into()));
    };
    let options = PlayerOptions {
        pace: if request.simulate.is_some() { Pace::Unpaced } else { Pace::RealTime },
        switch: switch(request.session.switching),
        ..PlayerOptions::default()
    };
    Ok((environment.open)(&request.output, first.a.rate_hz, first.a.channels, options)?)
}

fn switch(switching: Switching) -> Switch {
    match switching {
        Switching::Instant => PlayerOptions::default().switch,
        Switching::Gap => Switch::Gap { fade_seconds: 0.010, silence_seconds: 0.25 },
    }
}

/// The output as the journal records it.
fn describe(transport: &dyn Transport) -> Output {
    let description = transport.description();
    Output {
        kind: description.kind,
        name: description.name,
        host: description.host,
        rate_hz: description.rate_hz,
        format: description.format,
        buffer_frames: description.buffer_frames,
        channels: description.channels,
    }
}
