//! From a request to an open sitting: preparation, terms, resumption, passphrase, output.

use std::collections::HashMap;
use std::path::Path;
use std::time::Duration;

use super::dialogue::{Answers, Choosing, Dialogue};
use super::face::{Face, TICK};
use super::hands::Hands;
use super::passphrase::{self, Passphrase, Whose};
use super::scenes::{self, Beside};
use super::simulated::Simulated;
use super::watch::Watch;
use super::{Ending, Finished, Request, Resuming, SittingError, brief, pages, store};
use crate::conduct::witness::WitnessService;
use crate::conduct::{
    Driver, Environment, Folder, Output, Preparation, SittingClock, Switched, changed_since,
};
use crate::player::{OutputChoice, Pace, PlayerOptions};
use crate::screen::{Intent, Notice, PageScene, Progress, Scene, Stage as Shown};
use crate::session::{Session, SittingFact, same_person};
use crate::stimulus::StimulusSet;
use crate::trial::sittings::Secrets;
use crate::trial::{Sittings, Terms, journal, wager};

/// Conducts a sitting, from the first page to the last. The stimuli are made behind the first pages; nothing is on the
/// disk before they are.
///
/// # Errors
/// Whatever stands in the way, with what to do about it. What was recorded before is kept.
pub fn conduct(
    request: &Request,
    environment: &Environment,
    face: &mut dyn Face,
) -> Result<Finished, SittingError> {
    conduct_watched(request, environment, face, None)
}

/// [`conduct`], with witnesses who are served here.
///
/// # Errors
/// Those of [`conduct`], and that witnesses cannot be served.
pub fn conduct_watched(
    request: &Request,
    environment: &Environment,
    face: &mut dyn Face,
    witnesses: Option<&mut dyn WitnessService>,
) -> Result<Finished, SittingError> {
    let preparation = Preparation::start(&request.session, environment);
    let folder = Folder::look(request.session.sittings_folder(), environment)?;
    let mut entry = Entry { request, environment, face, notice: None };
    let Some(entered) = entry.before(&folder, &preparation)? else {
        return Ok(Finished {
            ending: Ending::NotOpened,
            journal: std::path::PathBuf::new(),
            lines: Vec::new(),
        });
    };
    let Entry { face, .. } = entry;
    let Entered { stimuli, start } = entered;
    let output =
        open_output(&request.session, &request.output, request.simulate.is_some(), environment, &stimuli)?;
    let description = output.description();
    let switched = Switched::open(&request.session, environment)
        .map_err(|error| SittingError::Refused(error.to_string()))?;
    let fresh = matches!(start, Start::Fresh { .. });
    let kept = match &start {
        Start::CutOff { cut_off, .. } => cut_off.level_on(&description),
        Start::Fresh { .. } => None,
    };
    let sittings = folder.take(environment)?;
    let opened = match start {
        Start::CutOff { cut_off, secrets } => {
            store::resume(sittings, &request.session, environment, &stimuli, &description, &cut_off, secrets)?
        }
        Start::Fresh { passphrase, facts } => {
            let passphrase = passphrase.as_ref().map(|typed| typed.as_str());
            store::open(sittings, request, environment, &stimuli, &description, passphrase, facts)?
        }
    };
    let clock = SittingClock::start(environment.clock.clone(), opened.conductor.at_ms());
    let mut driver = Driver::new(opened.conductor, opened.writer, clock, output, stimuli).through(switched);
    let file = driver.journal();
    let asks_level = driver.level_db().is_none() && request.simulate.is_none();
    driver
        .carry_out(opened.effects)
        .and_then(|()| if asks_level { Ok(()) } else { driver.keep_level() })
        .map_err(|stopped| SittingError::Stopped { file, stopped })?;
    let watch = match witnesses {
        None => None,
        Some(witnesses) => Some(watch(witnesses, &driver.journal())?),
    };
    let mut dialogue = Dialogue {
        request,
        environment,
        face,
        driver,
        answers: match request.simulate {
            Some(probability) => Answers::Simulated(Box::new(Simulated::new(probability, environment.seed))),
            None => Answers::Person,
        },
        beside: Beside::default(),
        notice: None,
        lost: None,
        level: asks_level.then(|| Choosing::of(kept)),
        announced: false,
        loops: HashMap::new(),
        met: None,
        result: None,
        review: None,
        measured: false,
        measured_in_rest: None,
        hands: Hands::default(),
        watch,
    };
    if fresh && request.simulate.is_none() {
        dialogue.accept_all()?;
    }
    dialogue.run()
}

/// The witnesses of a sitting that is open.
fn watch<'d>(witnesses: &'d mut dyn WitnessService, path: &Path) -> Result<Watch<'d>, SittingError> {
    let invitation = witnesses.open(path).map_err(SittingError::Refused)?;
    let journal = journal::read(path).map_err(|error| SittingError::Sittings(error.into()))?;
    Ok(Watch::new(witnesses, invitation, &journal.records, &journal.digests))
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
        passphrase: Option<Passphrase>,
        /// About listener and place.
        facts: Vec<SittingFact>,
    },
    CutOff {
        cut_off: store::CutOff,
        secrets: Secrets,
    },
}

/// Everything before a sitting is open.
struct Entry<'d> {
    request: &'d Request,
    environment: &'d Environment,
    face: &'d mut dyn Face,
    notice: Option<Notice>,
}

/// What a page before the opening led to.
enum Step<T> {
    On(T),
    Left,
}

impl Entry<'_> {
    /// `None`: the person left. Whoever has to accept the terms of a new sitting has done so on the way.
    fn before(
        &mut self,
        folder: &Folder,
        preparation: &Preparation,
    ) -> Result<Option<Entered>, SittingError> {
        let person = self.request.simulate.is_none();
        let resume = match self.choose(folder, person)? {
            Step::On(resume) => resume,
            Step::Left => return Ok(None),
        };
        // What stands in the way is said before anything is waited for.
        if let (Some(cut_off), true) = (&resume, self.request.opponent)
            && !cut_off.locked
        {
            return Err(SittingError::Refused(format!(
                "the sitting in {} was opened without a passphrase, so none can lock it now: leave --opponent out, or start \
                 anew with --new",
                cut_off.journal
            )));
        }
        let unlocked = match (&resume, folder.sittings()) {
            (Some(cut_off), Some(sittings)) if !cut_off.locked => Some(plain_secret(sittings, cut_off)?),
            _ => None,
        };
        let mut made = None;
        let mut facts = self.request.facts.clone();
        if person && resume.is_none() {
            match self.agree(folder, preparation)? {
                Step::On(ready) => made = ready,
                Step::Left => return Ok(None),
            }
            match self.ask_facts(facts)? {
                Step::On(told) => facts = told,
                Step::Left => return Ok(None),
            }
        }
        let start = match (resume, unlocked, folder.sittings()) {
            (Some(cut_off), Some(secrets), _) => Start::CutOff { cut_off, secrets },
            (Some(cut_off), None, Some(sittings)) => {
                let open = |typed: &str| sittings.secrets(&cut_off.journal, Some(typed));
                let mut show = |page, notice| self.show_with(page, notice);
                match passphrase::unlock(Whose::OtherParty, &mut show, open)? {
                    Some(secrets) => Start::CutOff { cut_off, secrets },
                    None => return Ok(None),
                }
            }
            _ if self.request.opponent => {
                match passphrase::choose(Whose::OtherParty, &mut |page, notice| self.show_with(page, notice))?
                {
                    Some(passphrase) => Start::Fresh { passphrase: Some(passphrase), facts },
                    None => return Ok(None),
                }
            }
            _ => Start::Fresh { passphrase: None, facts },
        };
        let stimuli = match made {
            Some(stimuli) => stimuli,
            None => match self.wait(preparation)? {
                Step::On(stimuli) => stimuli,
                Step::Left => return Ok(None),
            },
        };
        Ok(Some(Entered { stimuli, start }))
    }

    /// Which sitting: one that was cut off, or a new one.
    fn choose(&mut self, folder: &Folder, person: bool) -> Result<Step<Option<store::CutOff>>, SittingError> {
        let changed =
            "the session file has changed since, and a sitting goes on under the terms it was opened with";
        let broken = folder.sittings().and_then(|sittings| sittings.broken(&self.request.listener));
        let cut_off = folder.sittings().and_then(|sittings| store::cut_off(sittings, self.request));
        match (cut_off, self.request.resuming) {
            (None, Resuming::Resume) if broken.is_some() => Err(SittingError::Refused(
                broken
                    .map(|(_, error)| {
                        format!("{error}. So this sitting cannot go on: start a new one with --new")
                    })
                    .unwrap_or_default(),
            )),
            (None, Resuming::Ask) if broken.is_some() => {
                self.notice = broken.map(|(journal, error)| {
                    let name = folder.path().join(&journal).display().to_string();
                    let why = error.to_string().replacen(&format!("{name}: "), "", 1);
                    Notice::Warning(format!("An earlier sitting cannot go on ({why})."))
                });
                Ok(Step::On(None))
            }
            (None, Resuming::Resume) => Err(SittingError::Refused(format!(
                "there is no sitting of \"{}\" to resume in {}: leave --resume out to start one",
                self.request.listener,
                folder.path().display()
            ))),
            (Some((cut_off, true)), Resuming::Resume) => Err(SittingError::Refused(format!(
                "the sitting in {} cannot be resumed: {changed}. Put the file back, or start a new sitting with --new",
                cut_off.journal
            ))),
            (Some((cut_off, false)), Resuming::Resume) => Ok(Step::On(Some(cut_off))),
            (Some((_, true)), Resuming::Ask) => {
                self.notice =
                    Some(Notice::Warning(format!("An earlier sitting is unfinished, but {changed}.")));
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
            title: session.title.as_written().to_owned(),
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
            for intent in self.show(pages::resume(&cut_off.opened, cut_off.answered, cut_off.level_db))? {
                match intent {
                    Intent::Proceed => return Ok(Step::On(true)),
                    Intent::Anew => return Ok(Step::On(false)),
                    Intent::Leave => return Ok(Step::Left),
                    _ => {}
                }
            }
        }
    }

    /// The terms, while the stimuli are prepared behind them; every party accepts, also before they are ready. Gives them
    /// where they are.
    fn agree(
        &mut self,
        folder: &Folder,
        preparation: &Preparation,
    ) -> Result<Step<Option<StimulusSet>>, SittingError> {
        let terms = Terms::of(&self.request.session);
        let standing = terms.wager.as_ref().map_or_else(Vec::new, |wager| {
            let heard = matches!(self.request.output, OutputChoice::Device(_));
            let theirs = heard && same_person(&self.request.listener, &wager.claimant);
            let earlier = || folder.sittings().map_or_else(Vec::new, |sittings| sittings.earlier(wager));
            wager::standing(wager, &self.request.listener, theirs.then(earlier).as_deref())
        });
        let parties = parties(&self.request.session, &self.request.listener);
        let mut around = self.request.around(standing, None);
        around.changed = changed_since(&self.request.session);
        let mut accepted = Vec::new();
        let mut made: Option<StimulusSet> = None;
        loop {
            if made.is_none() {
                made = self.made(preparation)?;
                around.remarks.extend(made.iter().flat_map(|stimuli| &stimuli.notes).cloned());
            }
            let progress = if made.is_some() { None } else { Some(how_far(preparation)) };
            let page = brief::terms(&terms, &around, &parties, &accepted, progress);
            for intent in self.show(page)? {
                match intent {
                    Intent::Leave => return Ok(Step::Left),
                    Intent::Proceed => {
                        accepted.push(parties[accepted.len()].clone());
                        if accepted.len() == parties.len() {
                            return Ok(Step::On(made));
                        }
                        // Each party meets a page of its own.
                        break;
                    }
                    _ => {}
                }
            }
        }
    }

    /// Asks for each fact that the session wants and nobody has told; an empty line tells nothing.
    fn ask_facts(&mut self, told: Vec<SittingFact>) -> Result<Step<Vec<SittingFact>>, SittingError> {
        let mut facts = Vec::new();
        for fact in self.request.session.facts.clone() {
            if let Some(known) = told.iter().find(|known| known.fact == fact) {
                facts.push(known.clone());
                continue;
            }
            let answer = 'asked: loop {
                for intent in self.show(pages::fact(fact))? {
                    let typed = match intent {
                        Intent::Leave => return Ok(Step::Left),
                        Intent::Typed(typed) => typed,
                        Intent::Proceed => String::new(),
                        _ => continue,
                    };
                    match fact.taken(&typed) {
                        Ok(answer) => break 'asked answer,
                        Err(why) => self.notice = Some(Notice::Warning(why)),
                    }
                }
            };
            facts.extend(answer.map(|answer| SittingFact { fact, answer }));
        }
        Ok(Step::On(facts))
    }

    /// The stimuli, if they are ready. That they cannot be made is said on the page before it is an error.
    fn made(&mut self, preparation: &Preparation) -> Result<Option<StimulusSet>, SittingError> {
        match preparation.take(Duration::ZERO) {
            None => Ok(None),
            Some(Ok(stimuli)) => Ok(Some(stimuli)),
            Some(Err(error)) => {
                let page = pages::not_prepared(&error.to_string());
                while self.request.simulate.is_none()
                    && !self
                        .show(page.clone())?
                        .iter()
                        .any(|intent| matches!(intent, Intent::Proceed | Intent::Leave))
                {}
                Err(error.into())
            }
        }
    }

    /// Nothing but the preparation.
    fn wait(&mut self, preparation: &Preparation) -> Result<Step<StimulusSet>, SittingError> {
        loop {
            if let Some(stimuli) = self.made(preparation)? {
                return Ok(Step::On(stimuli));
            }
            let page = pages::waiting("Preparing the stimuli", Some(how_far(preparation)));
            if self.show(page)?.contains(&Intent::Leave) {
                return Ok(Step::Left);
            }
        }
    }

    /// Shows a page with a notice of its own.
    fn show_with(&mut self, page: PageScene, notice: Option<String>) -> Result<Vec<Intent>, SittingError> {
        self.notice = notice.map(Notice::Warning);
        self.show(page)
    }
}

/// The secret of a sitting that was cut off and locked by nobody.
fn plain_secret(sittings: &Sittings, cut_off: &store::CutOff) -> Result<Secrets, SittingError> {
    sittings.secrets(&cut_off.journal, None).map_err(|error| {
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
        Some(wager) => [&wager.claimant, &wager.skeptic].map(|name| name.as_written().to_owned()).to_vec(),
        None => vec![listener.to_string()],
    }
}

/// Opens the output at the stimuli's rate, with the session's way of switching.
pub(super) fn open_output(
    session: &Session,
    output: &OutputChoice,
    simulated: bool,
    environment: &Environment,
    stimuli: &StimulusSet,
) -> Result<Output, SittingError> {
    let options = PlayerOptions {
        pace: if simulated { Pace::Unpaced } else { Pace::RealTime },
        switch: session.switching.into(),
        ..PlayerOptions::default()
    };
    Output::open(environment, output, options, stimuli)?.ok_or_else(|| {
        SittingError::Refused("the session has nothing to play: it needs a comparison and a clip".into())
    })
}

/// How far the preparation is, as a page shows it.
pub(super) fn how_far(preparation: &Preparation) -> Progress {
    let now = preparation.progress();
    Progress { label: now.what, done: now.done as usize, total: now.total as usize }
}
