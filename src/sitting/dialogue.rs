//! A sitting in front of a face: scenes out, intents in, until its end.

use std::collections::HashMap;
use std::time::Duration;

use super::face::{Face, FaceError, TICK};
use super::hands::{Hands, Taken};
use super::review::Review;
use super::scenes::{self, Beside};
use super::simulated::Simulated;
use super::watch::Watch;
use super::{Ending, Finished, Request, SittingError, brief, pages, result};
use crate::conduct::listening::level;
use crate::conduct::witness::Invitation;
use crate::conduct::{Driver, Environment, News, SoundNews, Stopped};
use crate::screen::trial_stage::listen_first;
use crate::screen::{Intent, Notice, PageScene, Scene, Stage as Shown};
use crate::trial::{Conductor, Event, Stage, TrialId, View, wager};
use crate::verdict::{OnPaper, known_differences};

/// How often a simulated listener looks whether its cable is connected.
const LOOK: Duration = Duration::from_millis(5);

/// How long a simulated listener lets witnesses come back after an interruption, in milliseconds.
const COMING_BACK_MS: u64 = 8000;

/// How long a link is waited for before the clock is looked at again.
const QUICK: Duration = Duration::from_millis(20);

/// Who answers.
pub(super) enum Answers {
    /// Whoever sits in front of the face.
    Person,
    /// Nobody: see [`simulated`](super::simulated).
    Simulated(Box<Simulated>),
}

/// The level that is being chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Choosing {
    /// Decibels from the clips' own level.
    pub(super) decibels: f64,
    /// It sounds at this level.
    pub(super) sounding: bool,
    /// It is the one from before an interruption, and nothing plays.
    pub(super) kept: bool,
}

impl Choosing {
    /// From the softest, or from the one that was set before.
    pub(super) fn of(kept: Option<f64>) -> Self {
        Self { decibels: kept.unwrap_or(level::SOFTEST), sounding: false, kept: kept.is_some() }
    }
}

/// A sitting that is open, in front of a face.
pub(super) struct Dialogue<'d> {
    pub(super) request: &'d Request,
    pub(super) environment: &'d Environment,
    pub(super) face: &'d mut dyn Face,
    pub(super) driver: Driver<Conductor>,
    pub(super) answers: Answers,
    pub(super) beside: Beside,
    pub(super) notice: Option<Notice>,
    /// Why the device is gone, while it is.
    pub(super) lost: Option<String>,
    /// The level that is being chosen.
    pub(super) level: Option<Choosing>,
    /// How a trial goes was said.
    pub(super) announced: bool,
    /// The loop that the listener set last on each clip, in frames.
    pub(super) loops: HashMap<usize, (u64, u64)>,
    /// The attempt whose loop was set again.
    pub(super) met: Option<TrialId>,
    pub(super) result: Option<PageScene>,
    /// Trial by trial, while the listener goes through them with the seal open.
    pub(super) review: Option<Review>,
    /// The positions of the switch were measured, or could not be.
    pub(super) measured: bool,
    /// The trial after the rest in which they were measured last.
    pub(super) measured_in_rest: Option<TrialId>,
    /// Hands that are typed here.
    pub(super) hands: Hands,
    /// Witnesses, if there are to be some.
    pub(super) watch: Option<Watch<'d>>,
}

impl Dialogue<'_> {
    /// Hands an event to the conductor, and takes what came of it.
    pub(super) fn event(&mut self, event: Event) -> Result<(), SittingError> {
        let done = self.driver.event(event);
        self.take_news();
        done.map_err(|stopped| self.stopped(stopped))
    }

    pub(super) fn stopped(&self, stopped: Stopped) -> SittingError {
        SittingError::Stopped { file: self.driver.journal(), stopped }
    }

    pub(super) fn take_news(&mut self) {
        let news = self.driver.take_news();
        self.tell(news);
    }

    fn tell(&mut self, news: Vec<News>) {
        for news in news {
            if let (News::Written(record, digest), Some(watch)) = (&news, &mut self.watch) {
                watch.written(record, *digest);
            }
            match news {
                News::Refused(why) => self.notice = Some(Notice::Warning(pages::sentence(why))),
                News::Receipt(receipt) => self.beside.receipt = receipt,
                News::Written(..) | News::Closed => {}
            }
        }
    }

    /// Takes what witnesses' phones ask for, waiting at most this long, and shows them what is on.
    fn take_witnesses(&mut self, wait: Duration) -> Result<(), SittingError> {
        let Some(watch) = &mut self.watch else { return Ok(()) };
        watch.publish(&self.driver);
        let taken = watch.take(&mut self.driver, wait);
        watch.publish(&self.driver);
        let news = taken.map_err(|stopped| self.stopped(stopped))?;
        self.tell(news);
        Ok(())
    }

    /// The witnesses of this sealing do not open their links: a fresh one, with whoever joins it.
    fn reseal(&mut self) -> Result<(), SittingError> {
        let fresh = (self.environment.secret)().map_err(|error| {
            SittingError::Refused(format!("the computer gives no secret for a fresh seal: {error}"))
        })?;
        self.hands = Hands::default();
        self.event(Event::Reseal(fresh))
    }

    pub(super) fn view(&self) -> View {
        self.driver.machine().view()
    }

    /// Runs until the end, whichever it is.
    pub(super) fn run(&mut self) -> Result<Finished, SittingError> {
        let ended = self.go_on();
        self.driver.pause();
        match ended {
            Ok(ending) => Ok(self.finished(ending)),
            Err(error @ SittingError::Stopped { .. }) => {
                // The person in front of it has to see it before the screen closes.
                self.show_stop();
                Err(error)
            }
            Err(error) => Err(error),
        }
    }

    /// Every party accepted on the page before the opening.
    pub(super) fn accept_all(&mut self) -> Result<(), SittingError> {
        if let Stage::Terms { parties, .. } = self.view().stage {
            for by in parties {
                self.event(Event::Accept { by })?;
            }
        }
        Ok(())
    }

    fn finished(&mut self, ending: Ending) -> Finished {
        let lines = match &self.result {
            Some(page) => {
                let mut lines = vec![page.heading.clone(), String::new()];
                lines.extend(crate::screen::page::plain_lines(&page.blocks, 78));
                lines
            }
            None => Vec::new(),
        };
        Finished { ending, journal: self.driver.journal(), lines }
    }

    fn go_on(&mut self) -> Result<Ending, SittingError> {
        loop {
            self.take_sound()?;
            self.take_witnesses(Duration::ZERO)?;
            // Links that are opened at once change nothing that is seen.
            while Watch::is_quick(&self.view(), self.driver.now_ms()) {
                self.take_witnesses(QUICK)?;
            }
            self.restore_loop()?;
            let view = self.view();
            self.prepare_stage(&view)?;
            let scene = self.scene(&view);
            self.face.show(&scene)?;
            if (self.environment.ending)() {
                return Ok(left(&view));
            }
            for intent in self.intents(&view)? {
                // Each intent meets the state that the one before it left.
                let view = self.view();
                if let Some(ending) = self.take(&view, intent)? {
                    return Ok(ending);
                }
            }
        }
    }

    fn intents(&mut self, view: &View) -> Result<Vec<Intent>, FaceError> {
        let invites = self.invites(view);
        let waits = invites || matches!(view.stage, Stage::Waiting { .. });
        match &mut self.answers {
            Answers::Person if matches!(view.stage, Stage::Waiting { .. }) => self.face.wait(QUICK),
            Answers::Person => self.face.wait(TICK),
            // Nobody looks: whoever was a witness before has a moment to come back.
            Answers::Simulated(_) if waits => {
                std::thread::sleep(QUICK);
                let machine = self.driver.machine();
                let alone = invites && machine.sealing().witnesses.is_empty();
                let since = self.driver.now_ms().saturating_sub(machine.at_ms());
                Ok(if alone && since < COMING_BACK_MS { Vec::new() } else { vec![Intent::Proceed] })
            }
            // Whoever simulates a listener waits for the cable as well.
            Answers::Simulated(_)
                if matches!(view.stage, Stage::Trial(_))
                    && (self.driver.cable_wait().is_some()
                        || self.driver.is_switch_busy()
                        || self.driver.is_in_round()) =>
            {
                std::thread::sleep(LOOK);
                Ok(Vec::new())
            }
            Answers::Simulated(listener) => {
                let machine = self.driver.machine();
                if let Some(probability) = machine.simulated_probability() {
                    let able = self.request.ability.probability(probability, machine.simulated_control());
                    listener.probability = able;
                }
                let lapsed = listener.lapses(self.request.ability.lapse, &view.stage);
                let right = machine.simulated_answer().filter(|_| !lapsed);
                Ok(vec![listener.next(&view.stage, right)])
            }
        }
    }

    /// Witnesses are being invited.
    fn invites(&self, view: &View) -> bool {
        let page = || self.watch.as_ref().and_then(|watch| watch.page(&self.driver));
        matches!(view.stage, Stage::Sealing { .. }) && page().is_some()
    }

    /// How the operator finds the page, while nobody has.
    fn operator_awaited(&self) -> Option<Invitation> {
        let operated = self.environment.operator.as_ref()?;
        let awaited = self.driver.board().is_some_and(|board| board.holder().is_none());
        awaited.then(|| operated.invitation.clone())
    }

    pub(super) fn scene(&mut self, view: &View) -> Scene {
        self.beside.status = self.driver.status();
        self.beside.extent = self.driver.extent();
        self.beside.at_ms = self.driver.now_ms();
        if self.beside.goes_on(view) {
            self.notice = None;
        }
        let stage = match (&self.lost, self.asking_level(view)) {
            (Some(reason), _) => Shown::Page(pages::device_lost(reason)),
            (None, Some(choosing)) => Shown::Page(self.level_page(view, choosing)),
            (None, None) => self.stage(view),
        };
        Scene {
            title: view.terms.title.clone(),
            listener: view.listener.clone(),
            marks: scenes::marks(view.simulated.is_some(), view.silent, view.invented),
            notice: self
                .notice
                .clone()
                .or_else(|| self.driver.cable_wait().map(|wait| Notice::News(pages::cable_wait(wait)))),
            stage,
        }
    }

    fn stage(&mut self, view: &View) -> Shown {
        Shown::Page(match &view.stage {
            Stage::Terms { parties, accepted } => {
                let standing = view.terms.wager.as_ref().map_or_else(Vec::new, |wager| {
                    wager::standing(wager, &view.listener, view.earlier.as_deref())
                });
                let around = self.request.around(standing, Some(self.driver.stimuli()));
                brief::terms(&view.terms, &around, parties, accepted, None)
            }
            Stage::Sealing { .. } if self.operator_awaited().is_some() => {
                pages::operator_awaited(&self.operator_awaited().unwrap_or_default())
            }
            Stage::Sealing { hands, .. } => {
                match self.watch.as_ref().and_then(|watch| watch.page(&self.driver)) {
                    Some(page) => page,
                    None => self.hands.page(view, hands),
                }
            }
            Stage::Announce { next, of } => {
                let notes = if self.announced { &[][..] } else { &self.driver.stimuli().notes[..] };
                pages::announce(&view.terms, *next, *of, !self.announced, notes)
            }
            Stage::Waiting { missing, since_ms, .. } => {
                pages::link_awaited(missing, self.driver.now_ms().saturating_sub(*since_ms))
            }
            Stage::Trial(trial) => return scenes::trial(view, trial, &self.beside),
            Stage::Rest { listened_ms, offered, next, of } => {
                pages::rest(*listened_ms, *offered, *next, *of, view.receipt)
            }
            Stage::ConfirmStop { answered } => pages::confirm_stop(*answered),
            Stage::Counting | Stage::Closing => pages::closing(),
            Stage::Result(shown) => {
                if let Some(review) = &self.review {
                    return review.scene(&self.beside);
                }
                if self.result.is_none() {
                    let known = known_differences(&self.request.session);
                    let paper = OnPaper::of(&self.request.session, true);
                    let mut page = result::page(view, shown, &self.driver.journal(), &paper, &known);
                    page.blocks.extend(self.watch.as_ref().and_then(Watch::sentence));
                    self.result = Some(page);
                }
                self.result.clone().unwrap_or_else(pages::closing)
            }
            Stage::Stopped { reason } => pages::stopped(
                reason,
                self.driver.stopped().map_or("Nothing more was taken", Stopped::remedy),
            ),
        })
    }

    fn show_stop(&mut self) {
        (self.lost, self.level) = (None, None);
        let scene = self.scene(&self.view());
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
        if self.review.is_some() {
            return self.take_in_review(&intent).map(|()| None);
        }
        // The receipt lies over the trial until the next key.
        if self.beside.receipt.take().is_some() && intent == Intent::Receipt {
            return Ok(None);
        }
        if self.lost.is_some() {
            return Ok(None);
        }
        if let Some(choosing) = self.asking_level(view) {
            return self.take_level(view, choosing, &intent).map(|()| None);
        }
        let person = matches!(self.answers, Answers::Person);
        let event = match (&view.stage, intent) {
            (Stage::Terms { parties, accepted }, Intent::Proceed) => {
                let Some(by) = parties.iter().find(|party| !accepted.contains(party)) else {
                    return Ok(None);
                };
                Event::Accept { by: by.clone() }
            }
            (Stage::Sealing { .. }, _) if person && self.operator_awaited().is_some() => return Ok(None),
            (Stage::Sealing { .. }, Intent::Proceed) if self.invites(view) => {
                let goes_on = self.watch.as_ref().is_some_and(Watch::goes_on);
                if self.driver.machine().sealing().witnesses.is_empty() && !goes_on {
                    self.notice = Some(Notice::warning("No witness has joined yet."));
                } else if let Some(watch) = &mut self.watch {
                    watch.complete(&self.driver);
                }
                return Ok(None);
            }
            (Stage::Sealing { .. }, _) if self.invites(view) => return Ok(None),
            (Stage::Waiting { since_ms, .. }, Intent::Proceed) => {
                if self.driver.now_ms().saturating_sub(*since_ms) >= pages::PATIENCE_MS {
                    self.reseal()?;
                }
                return Ok(None);
            }
            (Stage::Sealing { .. }, Intent::Proceed) if !person => Event::Seal,
            (Stage::Sealing { .. }, intent) => {
                match self.hands.take(view, intent) {
                    Taken::Events(events) => events.into_iter().try_for_each(|event| self.event(event))?,
                    Taken::Refused(why) => self.notice = Some(Notice::Warning(why)),
                    Taken::TurnedOver | Taken::Nothing => {}
                }
                return Ok(None);
            }
            (Stage::Announce { .. } | Stage::Rest { .. }, Intent::Proceed) => {
                self.announced |= matches!(view.stage, Stage::Announce { .. });
                Event::Continue
            }
            (Stage::Result(shown), Intent::Proceed) => {
                // A program looks at nothing again.
                self.review = person.then(|| Review::of(&self.driver.journal())).flatten();
                return match self.review {
                    Some(_) => self.load_review().map(|()| None),
                    None => Ok(Some(Ending::Closed(shown.outcome))),
                };
            }
            (Stage::Result(_), Intent::Report) => return self.write_report(view).map(|()| None),
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
                Event::Seek(self.driver.extent().moved(self.driver.status(), trial.region, seconds))
            }
            (Stage::Trial(_), Intent::SeekTo(seconds)) => Event::Seek(self.driver.extent().frame_at(seconds)),
            (Stage::Trial(trial), Intent::Restart) => Event::Seek(trial.region.map_or(0, |(from, _)| from)),
            (Stage::Trial(trial), Intent::LoopStart) => {
                let at = self.driver.status().position;
                self.kept_loop(Some(self.driver.extent().with_start(trial.region, at)))
            }
            (Stage::Trial(trial), Intent::LoopEnd) => {
                let at = self.driver.status().position;
                self.kept_loop(Some(self.driver.extent().with_end(trial.region, at)))
            }
            (Stage::Trial(_), Intent::LoopOff) => self.kept_loop(None),
            (Stage::Trial(_), Intent::Choose(index)) => {
                self.event(Event::Choose(index))?;
                // It names what is missing, which is the same whichever side was drawn.
                if let Stage::Trial(trial) = self.view().stage
                    && let Shown::Trial(scene) = scenes::trial(view, &trial, &self.beside)
                    && let Some(missing) = listen_first(&scene)
                {
                    self.notice = Some(Notice::Warning(missing));
                }
                return Ok(None);
            }
            (Stage::Trial(trial), Intent::Confirm) if trial.choice.is_none() => {
                self.notice = Some(Notice::warning("Choose an answer first."));
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
            (
                Stage::Announce { .. } | Stage::Waiting { .. } | Stage::Trial(_) | Stage::Rest { .. },
                Intent::Stop,
            ) => Event::Stop,
            _ => return Ok(None),
        };
        self.event(event)?;
        Ok(None)
    }

    /// Takes what happened to the sound, and says it.
    fn take_sound(&mut self) -> Result<(), SittingError> {
        let told = self.driver.take_sound();
        self.take_news();
        for news in told.map_err(|stopped| self.stopped(stopped))? {
            let said = news.cause();
            let attempt = match &self.view().stage {
                Stage::Trial(trial) => trial.id.attempt,
                _ => 1,
            };
            self.notice = Some(match news {
                SoundNews::DeviceLost { reason } => {
                    self.lost = Some(reason);
                    continue;
                }
                SoundNews::DeviceBack => {
                    self.lost = None;
                    Notice::news("The sound device is back. A trial that was disturbed starts again.")
                }
                // The third attempt in a row that comes to nothing.
                SoundNews::Dropout if attempt > 3 => Notice::Warning(format!(
                    "This trial is drawn again and repeated: {said}. If that goes on, close other programs; leaving keeps \
                     everything, and the same command goes on."
                )),
                SoundNews::Dropout
                | SoundNews::Switch { in_trial: true, .. }
                | SoundNews::DeviceMoved { in_trial: true }
                | SoundNews::RateSuspected { in_trial: true, .. } => {
                    Notice::Warning(format!("This trial is drawn again and repeated: {said}."))
                }
                SoundNews::Switch { .. }
                | SoundNews::DeviceMoved { .. }
                | SoundNews::RateSuspected { .. } => Notice::Warning(pages::sentence(&said)),
            });
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
