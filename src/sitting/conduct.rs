//! The driver of a sitting: events in, effects carried out, a face kept up to date.

use std::path::PathBuf;
use std::time::Duration;

use super::environment::Environment;
use super::face::{Face, FaceError};
use super::listening::{Extent, level, scaled};
use super::scenes::{self, Beside};
use super::simulated::Simulated;
use super::{Ending, Finished, Request, SittingError, pages, result};
use crate::clip::Playable;
use crate::player::{OutputDescription, PlayerEvent, Transport};
use crate::screen::{Intent, PageScene, Scene, Stage as Shown};
use crate::stimulus::{DeviceWords, PairKind, StimulusSet};
use crate::trial::conductor::MAX_TEXT;
use crate::trial::{Conductor, Digest, Effect, Event, Record, Side, Stage, View};

/// How long a face waits before the time on it is brought up to date.
pub(super) const TICK: Duration = Duration::from_millis(50);

/// Where the records of a sitting go.
pub trait Keep {
    /// Appends a record; it is on the disk when this returns. Gives the digest of its line.
    fn append(&mut self, record: &Record) -> std::io::Result<Digest>;
    /// The closing record is on the disk: writes the register, removes the secret.
    fn close(&mut self) -> std::io::Result<()>;
    /// The journal.
    fn path(&self) -> PathBuf;
}

/// Who answers.
pub(super) enum Answers {
    /// Whoever sits in front of the face.
    Person,
    /// Nobody: see [`simulated`](super::simulated).
    Simulated(Box<Simulated>),
}

/// A sitting that is open.
pub(super) struct Driver<'d, 'e> {
    pub(super) request: &'d Request,
    pub(super) environment: &'d Environment<'e>,
    pub(super) face: &'d mut dyn Face,
    pub(super) conductor: Conductor,
    pub(super) keep: Box<dyn Keep + 'd>,
    pub(super) transport: Box<dyn Transport>,
    /// What the journal says of the output.
    pub(super) output: OutputDescription,
    /// What the words of a sound device make of the differences; `None` where there is no device.
    pub(super) words: Option<DeviceWords>,
    pub(super) stimuli: StimulusSet,
    pub(super) answers: Answers,
    /// Milliseconds of the sitting at the clock's start.
    pub(super) from_ms: u64,
    /// The clock when the sitting was opened or resumed.
    pub(super) since: Duration,
    pub(super) beside: Beside,
    /// What the player was given last. Nothing that is shown may depend on it.
    pub(super) presented: Option<(PairKind, Vec<Side>)>,
    pub(super) notice: Option<String>,
    /// Why the device is gone, while it is.
    pub(super) lost: Option<String>,
    pub(super) level: Level,
    pub(super) result: Option<PageScene>,
    /// Sealing was asked for once.
    pub(super) sealing: bool,
    /// A phrase that was typed and not yet recorded: who typed it is asked next.
    pub(super) phrase: Option<String>,
}

/// The level check.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Level {
    /// Still to be done, at this many decibels.
    Asking {
        /// Level now.
        decibels: f64,
        /// The clip is loaded and sounds.
        sounding: bool,
    },
    /// Done: every stimulus is played at this many decibels.
    Set(f64),
}

impl Driver<'_, '_> {
    fn now_ms(&self) -> u64 {
        let here = self.environment.clock.elapsed().saturating_sub(self.since);
        self.from_ms + here.as_millis() as u64
    }

    /// Hands an event to the conductor and carries out what follows from it.
    pub(super) fn event(&mut self, event: Event) -> Result<(), SittingError> {
        let effects = self.conductor.step(self.now_ms(), event);
        self.carry_out(effects)
    }

    /// Carries out effects in order; nothing after a record that could not be written.
    pub(super) fn carry_out(&mut self, effects: Vec<Effect>) -> Result<(), SittingError> {
        for effect in effects {
            match effect {
                Effect::Append(record) => match self.keep.append(&record) {
                    Ok(digest) => self.event(Event::Durable(digest))?,
                    Err(error) => {
                        let reason = error.to_string();
                        self.transport.pause();
                        self.event(Event::JournalFailed { reason: reason.clone() })?;
                        return Err(SittingError::Journal { file: self.keep.path(), reason });
                    }
                },
                Effect::Load { pair, sides } => {
                    self.presented = Some((pair, sides));
                    self.load_presented()?;
                }
                Effect::SwitchTo(index) => self.transport.switch_to(index),
                Effect::Play => self.transport.play(),
                Effect::Pause => self.transport.pause(),
                Effect::Seek(frame) => self.transport.seek(frame),
                Effect::SetLoop(region) => self.transport.set_loop(region),
                Effect::ShowReceipt(receipt) => {
                    self.beside.receipt = receipt;
                }
                Effect::Refuse(why) => self.notice = Some(why.to_string()),
                Effect::Close => {
                    self.transport.pause();
                    self.keep.close().map_err(|error| SittingError::Journal {
                        file: self.keep.path(),
                        reason: error.to_string(),
                    })?;
                }
            }
        }
        Ok(())
    }

    /// Gives the player what the conductor presents. Both sides are scaled, whatever is in which slot.
    fn load_presented(&mut self) -> Result<(), SittingError> {
        let Some((kind, sides)) = &self.presented else { return Ok(()) };
        let Some(pair) = self.stimuli.pair(*kind) else {
            return Err(SittingError::Missing(format!("{kind:?}")));
        };
        let decibels = match self.level {
            Level::Set(decibels) | Level::Asking { decibels, .. } => decibels,
        };
        let (a, b) = (scaled(&pair.a, decibels), scaled(&pair.b, decibels));
        let list: Vec<Playable> =
            sides.iter().map(|side| if *side == Side::A { a.clone() } else { b.clone() }).collect();
        self.load(&list);
        Ok(())
    }

    fn load(&mut self, stimuli: &[Playable]) {
        self.beside.extent = stimuli.first().map(Extent::of).unwrap_or_default();
        self.transport.load(stimuli);
    }

    /// Runs until the end, whichever it is.
    pub(super) fn run(&mut self) -> Result<Finished, SittingError> {
        let ended = self.go_on();
        self.transport.pause();
        match ended {
            Ok(ending) => Ok(self.finished(ending)),
            Err(error @ SittingError::Journal { .. }) => {
                // The person in front of it has to see it before the screen closes.
                self.show_stop(&error);
                Err(error)
            }
            Err(error) => Err(error),
        }
    }

    /// The first party accepted on the page before the opening.
    pub(super) fn accept_first(&mut self) -> Result<(), SittingError> {
        if let Stage::Terms { parties, .. } = self.conductor.view().stage
            && let Some(by) = parties.into_iter().next()
        {
            self.event(Event::Accept { by })?;
        }
        Ok(())
    }

    fn finished(&mut self, ending: Ending) -> Finished {
        let lines = match &self.result {
            Some(page) => crate::screen::page::plain_lines(&page.blocks, 78),
            None => Vec::new(),
        };
        Finished { ending, journal: self.keep.path(), lines }
    }

    fn go_on(&mut self) -> Result<Ending, SittingError> {
        loop {
            self.take_player_events()?;
            self.note_output()?;
            let view = self.conductor.view();
            if let Stage::Stopped { reason } = &view.stage {
                return Err(SittingError::Journal { file: self.keep.path(), reason: reason.clone() });
            }
            self.prepare_stage(&view);
            let scene = self.scene(&view);
            self.face.show(&scene)?;
            if (self.environment.ending)() {
                return Ok(left(&view));
            }
            for intent in self.intents(&view)? {
                // Each intent meets the state that the one before it left.
                let view = self.conductor.view();
                if let Some(ending) = self.take(&view, intent)? {
                    return Ok(ending);
                }
            }
        }
    }

    fn intents(&mut self, view: &View) -> Result<Vec<Intent>, FaceError> {
        match &mut self.answers {
            Answers::Person => self.face.wait(TICK),
            Answers::Simulated(listener) => {
                Ok(vec![listener.next(&view.stage, self.conductor.simulated_answer())])
            }
        }
    }

    /// Starts what a stage needs: the sound of the level check.
    fn prepare_stage(&mut self, view: &View) {
        if !matches!(view.stage, Stage::Announce { .. } | Stage::Trial(_) | Stage::Rest { .. }) {
            return;
        }
        if let Level::Asking { decibels, sounding: false } = self.level {
            if let Some(pair) = self.stimuli.pairs.first() {
                let first = scaled(&pair.a, decibels);
                let position = self.transport.status().position;
                self.load(&[first]);
                self.transport.seek(position);
                self.transport.play();
            }
            self.level = Level::Asking { decibels, sounding: true };
        }
    }

    fn asking_level(&self, view: &View) -> Option<f64> {
        match (self.level, &view.stage) {
            (
                Level::Asking { decibels, .. },
                Stage::Announce { .. } | Stage::Trial(_) | Stage::Rest { .. },
            ) => Some(decibels),
            _ => None,
        }
    }

    fn scene(&mut self, view: &View) -> Scene {
        self.beside.status = self.transport.status();
        self.beside.at_ms = self.now_ms();
        let stage = match (&self.lost, self.asking_level(view)) {
            (Some(reason), _) => Shown::Page(pages::device_lost(reason)),
            (None, Some(decibels)) => Shown::Page(pages::level(decibels, level::SOFTEST)),
            (None, None) => self.stage(view),
        };
        Scene {
            title: view.terms.title.clone(),
            listener: view.listener.clone(),
            marks: scenes::marks(view.simulated.is_some(), view.silent, view.invented),
            notice: self.notice.clone(),
            stage,
        }
    }

    fn stage(&mut self, view: &View) -> Shown {
        Shown::Page(match &view.stage {
            Stage::Terms { parties, accepted } => {
                let remarks = self.request.remarks(&self.stimuli);
                pages::terms(&view.terms, parties, accepted, None, &self.request.cautions(), &remarks)
            }
            Stage::Sealing { phrases } => {
                let short = view.commitment.phrase();
                match &self.phrase {
                    Some(_) => pages::phrase_by(&short, phrases.len()),
                    None => pages::phrases(view.commitment, &short, phrases),
                }
            }
            Stage::Announce { next, of } => pages::announce(&view.terms, *next, *of),
            Stage::Trial(trial) => return scenes::trial(view, trial, &self.beside),
            Stage::Rest { listened_ms, offered, next, of } => {
                pages::rest(*listened_ms, *offered, *next, *of, view.receipt)
            }
            Stage::ConfirmStop { answered } => pages::confirm_stop(*answered),
            Stage::Counting | Stage::Closing => pages::closing(),
            Stage::Result(shown) => {
                if self.result.is_none() {
                    self.result = Some(result::page(view, shown, &self.keep.path()));
                }
                self.result.clone().unwrap_or_else(pages::closing)
            }
            Stage::Stopped { reason } => pages::stopped(reason),
        })
    }

    fn show_stop(&mut self, error: &SittingError) {
        let SittingError::Journal { reason, .. } = error else { return };
        let view = self.conductor.view();
        let mut scene = self.scene(&view);
        scene.stage = Shown::Page(pages::stopped(reason));
        if matches!(self.answers, Answers::Simulated(_)) {
            return;
        }
        while self.face.show(&scene).is_ok() && !(self.environment.ending)() {
            match self.face.wait(TICK) {
                Ok(intents) if intents.iter().any(|i| matches!(i, Intent::Proceed | Intent::Leave)) => return,
                Ok(_) => {}
                Err(_) => return,
            }
        }
    }

    /// Takes what the person wants; `Some` ends the sitting.
    fn take(&mut self, view: &View, intent: Intent) -> Result<Option<Ending>, SittingError> {
        self.notice = None;
        if intent == Intent::Leave {
            return Ok(Some(left(view)));
        }
        // The receipt lies over the trial until the next key.
        if self.beside.receipt.take().is_some() && intent == Intent::Receipt {
            return Ok(None);
        }
        if self.lost.is_some() {
            return Ok(None);
        }
        if let Some(decibels) = self.asking_level(view) {
            return self.take_level(view, decibels, &intent).map(|()| None);
        }
        let person = matches!(self.answers, Answers::Person);
        if matches!(intent, Intent::Typed(_)) {
            self.sealing = false;
        }
        let event = match (&view.stage, intent) {
            (Stage::Terms { parties, accepted }, Intent::Proceed) => {
                let Some(by) = parties.iter().find(|party| !accepted.contains(party)) else {
                    return Ok(None);
                };
                Event::Accept { by: by.clone() }
            }
            (Stage::Sealing { .. }, Intent::Typed(typed)) => match self.phrase.take() {
                Some(text) => Event::Phrase { by: typed, text },
                None if typed.len() > MAX_TEXT => {
                    self.notice = Some(format!("a phrase has at most {MAX_TEXT} bytes: take a shorter one"));
                    return Ok(None);
                }
                None => {
                    self.phrase = Some(typed);
                    return Ok(None);
                }
            },
            (Stage::Sealing { .. }, Intent::Proceed) if self.phrase.is_some() => {
                Event::Phrase { by: String::new(), text: self.phrase.take().unwrap_or_default() }
            }
            (Stage::Sealing { .. }, Intent::Proceed) if !self.sealing && person => {
                self.sealing = true;
                self.notice = Some("Enter once more seals; no phrase is taken after that".to_string());
                return Ok(None);
            }
            (Stage::Sealing { .. }, Intent::Proceed) => Event::Seal,
            (Stage::Announce { .. } | Stage::Rest { .. }, Intent::Proceed) => Event::Continue,
            (Stage::Result(shown), Intent::Proceed) => return Ok(Some(Ending::Closed(shown.outcome))),
            (Stage::Trial(_), Intent::Listen(slot)) => {
                self.event(Event::Select(slot))?;
                Event::Play
            }
            (Stage::Trial(trial), Intent::TogglePause) => {
                if trial.playing {
                    Event::Pause
                } else {
                    Event::Play
                }
            }
            (Stage::Trial(trial), Intent::Seek(seconds)) => {
                Event::Seek(self.beside.extent.moved(self.transport.status(), trial.region, seconds))
            }
            (Stage::Trial(_), Intent::SeekTo(seconds)) => Event::Seek(self.beside.extent.frame_at(seconds)),
            (Stage::Trial(trial), Intent::Restart) => Event::Seek(trial.region.map_or(0, |(from, _)| from)),
            (Stage::Trial(trial), Intent::LoopStart) => {
                let at = self.transport.status().position;
                Event::Loop(Some(self.beside.extent.with_start(trial.region, at)))
            }
            (Stage::Trial(trial), Intent::LoopEnd) => {
                let at = self.transport.status().position;
                Event::Loop(Some(self.beside.extent.with_end(trial.region, at)))
            }
            (Stage::Trial(_), Intent::LoopOff) => Event::Loop(None),
            (Stage::Trial(_), Intent::Choose(index)) => Event::Choose(index),
            (Stage::Trial(trial), Intent::Confirm) if trial.choice.is_none() => {
                self.notice = Some("choose an answer first".to_string());
                return Ok(None);
            }
            (Stage::Trial(_), Intent::Confirm) | (Stage::ConfirmStop { .. }, Intent::Proceed) => {
                Event::Confirm
            }
            (Stage::Trial(_), Intent::Confidence(value)) => Event::Confidence(value),
            (Stage::Trial(trial), Intent::Back) if trial.choice.is_none() => return Ok(None),
            (Stage::Trial(_) | Stage::ConfirmStop { .. }, Intent::Back) => Event::Back,
            (Stage::Trial(_), Intent::Receipt) => Event::ShowReceipt,
            (Stage::Trial(_), Intent::Rest) => Event::Rest,
            (Stage::Announce { .. } | Stage::Trial(_) | Stage::Rest { .. }, Intent::Stop) => Event::Stop,
            _ => return Ok(None),
        };
        self.event(event)?;
        Ok(None)
    }

    fn take_level(&mut self, view: &View, decibels: f64, intent: &Intent) -> Result<(), SittingError> {
        let now = match intent {
            Intent::Louder => level::louder(decibels),
            Intent::Softer => level::softer(decibels),
            Intent::Proceed => {
                self.transport.pause();
                self.level = Level::Set(decibels);
                let text = format!("level set to {decibels:.0} dB of the clips' own");
                self.event(Event::Note { text })?;
                self.notice = None;
                self.note_words(decibels)?;
                // A trial that was on when the sitting was cut off is loaded anew at this level.
                if let Stage::Trial(_) = view.stage {
                    self.load_presented()?;
                }
                return Ok(());
            }
            _ => decibels,
        };
        if now != decibels {
            self.level = Level::Asking { decibels: now, sounding: false };
        }
        Ok(())
    }

    /// Something that makes what was heard doubtful: a trial is void, between trials it is noted.
    fn suspect(&mut self, in_trial: bool, text: String) -> Result<(), SittingError> {
        self.notice =
            Some(if in_trial { format!("this trial is void and repeated: {text}") } else { text.clone() });
        self.event(if in_trial { Event::Disturbed { cause: text } } else { Event::Note { text } })
    }

    /// Hands disturbances on. Underruns outside a trial disturb nothing.
    fn take_player_events(&mut self) -> Result<(), SittingError> {
        for event in self.transport.take_events() {
            let in_trial =
                matches!(self.conductor.view().stage, Stage::Trial(_)) && matches!(self.level, Level::Set(_));
            match event {
                PlayerEvent::Underrun if in_trial => {
                    self.event(Event::Disturbed { cause: "the sound had a hole (underrun)".to_string() })?;
                    self.notice = Some("the sound had a hole: this trial is void and repeated".to_string());
                }
                PlayerEvent::Underrun => {}
                PlayerEvent::DeviceLost { reason } => {
                    if in_trial {
                        self.event(Event::Disturbed { cause: format!("sound device lost: {reason}") })?;
                    } else {
                        self.event(Event::Note { text: format!("sound device lost: {reason}") })?;
                    }
                    self.lost = Some(reason);
                }
                PlayerEvent::DeviceBack => {
                    self.lost = None;
                    self.event(Event::Note { text: "sound device back".to_string() })?;
                    self.notice = Some("the sound device is back; a disturbed trial starts anew".to_string());
                }
                PlayerEvent::DeviceChanged => {
                    // What was heard went out somewhere else: nobody knows what of it arrived.
                    let text = "the system moved the sound to another device".to_string();
                    self.suspect(in_trial, text)?;
                }
                PlayerEvent::WriteFailed { reason } => {
                    return Err(SittingError::Refused(format!(
                        "the sound file cannot be written any more: {reason}. Everything recorded is kept; make room, \
                         then run the same command again to resume"
                    )));
                }
                PlayerEvent::RateSuspected { measured_hz } => {
                    // At another rate everything sounds faster or slower than it was made.
                    let text = format!("the device seems to run at {measured_hz} Hz, which is not its rate");
                    self.suspect(in_trial, text)?;
                }
            }
        }
        Ok(())
    }
}

/// How a sitting ends when somebody leaves it here.
fn left(view: &View) -> Ending {
    match &view.stage {
        Stage::Result(shown) => Ending::Closed(shown.outcome),
        _ => Ending::Left,
    }
}
