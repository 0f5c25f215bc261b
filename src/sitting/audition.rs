//! Sighted listening to both sides of each comparison and clip, and training with feedback in the session's own protocol.
//! Nothing in here is counted or journalled; what somebody with a name came to in training is handed back, to be listed.

use std::time::Duration;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::entry::{how_far, open_output};
use super::face::{Face, TICK};
use super::{SittingError, pages};
use crate::conduct::listening::{Extent, level, scaled};
use crate::conduct::{Environment, Preparation};
use crate::player::{OutputChoice, PlayerEvent, Sound, Transport};
use crate::screen::trial_stage::listen_first;
use crate::screen::{Intent, Notice, Scene, Slot, Stage as Shown, StageKind, TrialScene};
use crate::session::{CableA, ControlKind, Session, Written};
use crate::stats::protocol::{Asks, Definition, Side};
use crate::stimulus::{PairKind, StimulusSet};
use crate::trial::OutputKind;

/// Right answers in a row at which training has reached its end: a guesser between two answers gets there from a given start
/// one time in 32. Common practice, no source.
pub const CRITERION: u32 = 5;

/// What training on one pair came to.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OnPair {
    /// The pair, in words.
    pub pair: String,
    /// Answers.
    pub answers: u32,
    /// Right ones.
    pub right: u32,
    /// Times that the criterion was reached.
    pub reached: u32,
}

/// What an audition came to.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Heard {
    /// The same by pair, in the order in which they were trained on.
    pub pairs: Vec<OnPair>,
    /// Times that training reached the criterion.
    pub reached: u32,
    /// Training answers.
    pub answers: u32,
    /// Right ones.
    pub right: u32,
}

/// Training on one pair.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Training {
    /// Index in [`Definition::orders`].
    order: usize,
    /// The right answer to it.
    right: usize,
    chosen: Option<usize>,
    in_a_row: u32,
    /// By slot.
    heard: Vec<bool>,
}

struct Audition<'d> {
    session: &'d Session,
    environment: &'d Environment,
    face: &'d mut dyn Face,
    transport: Box<dyn Transport>,
    stimuli: StimulusSet,
    silent: bool,
    random: StdRng,
    at: usize,
    training: Option<Training>,
    /// The slot that was switched to last, once something was.
    slot: Option<usize>,
    region: Option<(u64, u64)>,
    extent: Extent,
    decibels: f64,
    checking_level: bool,
    notice: Option<Notice>,
    heard: Heard,
}

/// Conducts an audition until the listener leaves.
///
/// # Errors
/// Stimuli that cannot be made, an output that cannot be opened, a terminal that goes away.
pub fn audition(
    session: &Session,
    output: &OutputChoice,
    environment: &Environment,
    face: &mut dyn Face,
    train: bool,
) -> Result<Heard, SittingError> {
    let preparation = Preparation::start(session, environment);
    let Some(stimuli) = wait(session, output, environment, face, &preparation)? else {
        return Ok(Heard::default());
    };
    let transport = open_output(session, output, false, environment, &stimuli)?.into_transport();
    let heard = transport.description().kind == OutputKind::Device;
    let mut audition = Audition {
        session,
        environment,
        face,
        transport,
        stimuli,
        silent: !matches!(output, OutputChoice::Device(_)),
        random: StdRng::seed_from_u64(environment.seed),
        at: 0,
        training: None,
        slot: None,
        region: None,
        extent: Extent::default(),
        decibels: if heard { level::SOFTEST } else { 0.0 },
        checking_level: heard,
        notice: None,
        heard: Heard::default(),
    };
    audition.load();
    if train {
        audition.take(&Intent::Train);
    }
    if heard {
        audition.transport.play();
    }
    audition.run()
}

/// Shows how far the preparation is; `None`: the person left.
fn wait(
    session: &Session,
    output: &OutputChoice,
    environment: &Environment,
    face: &mut dyn Face,
    preparation: &Preparation,
) -> Result<Option<StimulusSet>, SittingError> {
    loop {
        if let Some(made) = preparation.take(Duration::ZERO) {
            return Ok(Some(made?));
        }
        let page = pages::waiting("Preparing the stimuli", Some(how_far(preparation)));
        face.show(&around(session, !matches!(output, OutputChoice::Device(_)), None, Shown::Page(page)))?;
        if (environment.ending)() || face.wait(TICK)?.contains(&Intent::Leave) {
            return Ok(None);
        }
    }
}

fn around(session: &Session, silent: bool, notice: Option<Notice>, stage: Shown) -> Scene {
    let mut marks = vec!["AUDITION: NEVER COUNTED".to_string()];
    if silent {
        marks.push("SILENT: NOTHING IS PLAYED ALOUD".to_string());
    }
    if session.invented {
        marks.push("INVENTED DATA".to_string());
    }
    Scene {
        title: session.title.as_written().to_owned(),
        listener: "everybody".to_string(),
        marks,
        notice,
        stage,
    }
}

impl Audition<'_> {
    fn run(&mut self) -> Result<Heard, SittingError> {
        loop {
            for event in self.transport.take_events() {
                match event {
                    PlayerEvent::DeviceLost { reason } | PlayerEvent::WriteFailed { reason } => {
                        return Err(SittingError::Refused(format!("the sound is gone: {reason}")));
                    }
                    PlayerEvent::Unreadable(error) => return Err(error.into()),
                    _ => {}
                }
            }
            let scene = self.scene();
            self.face.show(&scene)?;
            if (self.environment.ending)() {
                return Ok(std::mem::take(&mut self.heard));
            }
            for intent in self.face.wait(TICK)? {
                self.notice = None;
                if intent == Intent::Leave {
                    self.transport.pause();
                    return Ok(std::mem::take(&mut self.heard));
                }
                self.take(&intent);
            }
        }
    }

    /// Gives the player the pair, and X where there is training.
    fn load(&mut self) {
        let Some(pair) = self.stimuli.pairs.get(self.at) else { return };
        let [a, b] = match Sound::together([&pair.a, &pair.b]) {
            Ok(both) => both.map(|sound| scaled(sound, self.decibels)),
            Err(error) => {
                self.notice = Some(Notice::warning(error.to_string()));
                return;
            }
        };
        self.extent = Extent::of(&a);
        let sides = match &self.training {
            Some(training) => self.definition().orders[training.order],
            None => &[Side::A, Side::B],
        };
        let list: Vec<Sound> = sides
            .iter()
            .map(|side| match side {
                Side::A => a.clone(),
                Side::B => b.clone(),
            })
            .collect();
        self.transport.load_sounds(&list);
        (self.slot, self.region) = (None, None);
    }

    fn take(&mut self, intent: &Intent) {
        if self.checking_level {
            self.take_level(intent);
            return;
        }
        match intent {
            Intent::Listen(slot) => {
                self.slot = Some(*slot);
                if let Some(heard) = self.training.as_mut().and_then(|training| training.heard.get_mut(*slot))
                {
                    *heard = true;
                }
                self.transport.switch_to(*slot);
                self.transport.play();
            }
            Intent::TogglePause if self.transport.status().playing => self.transport.pause(),
            Intent::TogglePause => self.transport.play(),
            Intent::Seek(seconds) => {
                let frame = self.extent.moved(self.transport.status(), self.region, *seconds);
                self.transport.seek(frame);
            }
            Intent::SeekTo(seconds) => self.transport.seek(self.extent.frame_at(*seconds)),
            Intent::Restart => self.transport.seek(self.region.map_or(0, |(from, _)| from)),
            Intent::LoopStart => {
                let at = self.transport.status().position;
                self.set_loop(Some(self.extent.with_start(self.region, at)));
            }
            Intent::LoopEnd => {
                let at = self.transport.status().position;
                self.set_loop(Some(self.extent.with_end(self.region, at)));
            }
            Intent::LoopOff => self.set_loop(None),
            Intent::Next => self.turn(1),
            Intent::Previous => self.turn(self.stimuli.pairs.len() - 1),
            Intent::Train => match self.drawn(0) {
                Ok(training) => {
                    self.training = Some(training);
                    self.load();
                }
                Err(why) => self.notice = Some(Notice::warning(why)),
            },
            Intent::Choose(index) => {
                let missing = listen_first(&self.trial());
                if let Some(training) = &mut self.training {
                    match missing {
                        None => training.chosen = Some(*index),
                        Some(missing) => self.notice = Some(Notice::Warning(missing)),
                    }
                }
            }
            Intent::Confirm => self.judge(),
            Intent::Back => {
                if let Some(training) = &mut self.training
                    && training.chosen.take().is_none()
                {
                    self.training = None;
                    self.load();
                }
            }
            _ => {}
        }
    }

    fn take_level(&mut self, intent: &Intent) {
        let position = self.transport.status().position;
        match intent {
            Intent::Louder => self.decibels = level::louder(self.decibels),
            Intent::Softer => self.decibels = level::softer(self.decibels),
            Intent::Proceed => {
                self.checking_level = false;
                self.load();
                return;
            }
            _ => return,
        }
        self.load();
        self.transport.seek(position);
        self.transport.play();
    }

    /// What is asked about, where the protocol asks for an attribute.
    fn attribute(&self) -> Option<&str> {
        self.session.attribute.as_ref().map(Written::as_written)
    }

    fn set_loop(&mut self, region: Option<(u64, u64)>) {
        self.region = region;
        self.transport.set_loop(region);
    }

    fn turn(&mut self, by: usize) {
        self.at = (self.at + by) % self.stimuli.pairs.len();
        self.training = None;
        self.load();
    }

    fn definition(&self) -> &'static Definition {
        Definition::of(self.session.protocol)
    }

    /// The next training trial on this pair; the error says why there is none to be right in.
    fn drawn(&mut self, in_a_row: u32) -> Result<Training, &'static str> {
        let definition = self.definition();
        let Some(pair) = self.stimuli.pairs.get(self.at) else { return Err("There is no pair to train on.") };
        // Two recordings of one cable differ in their noise, and are one cable all the same.
        let alike = |control: usize| self.session.controls[control].kind == ControlKind::Identical;
        let identical = matches!(pair.kind, PairKind::Control { control, .. } if alike(control));
        if identical || pair.digest_a == pair.digest_b {
            return Err("Both sides of this pair are identical: there is nothing to train on.");
        }
        let inquiry = self.session.inquiry();
        let attribute = inquiry.protocol.asks() == Asks::Attribute;
        let more = match pair.kind {
            PairKind::Comparison { .. } | PairKind::Level { .. } if attribute && inquiry.two_sided() => {
                return Err(
                    "Nobody claims a side of this pair, so no answer to it is right. Train on a control.",
                );
            }
            PairKind::Comparison { .. } | PairKind::Level { .. } if self.session.attribute_side_b => Side::B,
            PairKind::Comparison { .. } | PairKind::Level { .. } => Side::A,
            PairKind::Control { control, .. } => match self.session.controls[control].more {
                Some(more) => more,
                None if attribute => {
                    return Err(
                        "Neither side of this control has more of what is asked. Train on another one.",
                    );
                }
                None => Side::B,
            },
        };
        let order = self.random.random_range(0..definition.orders.len());
        let right = definition.right(order, more).ok_or("A preference has no right answer to train on.")?;
        let heard = vec![false; definition.slots.len()];
        Ok(Training { order, right, chosen: None, in_a_row, heard })
    }

    /// Tells whether the chosen answer was right, at once: this is training.
    fn judge(&mut self) {
        let Some(training) = self.training.clone() else { return };
        let Some(chosen) = training.chosen else {
            self.notice = Some(Notice::warning("Choose an answer first."));
            return;
        };
        let right = chosen == training.right;
        let in_a_row = if right { training.in_a_row + 1 } else { 0 };
        self.heard.answers += 1;
        self.heard.right += u32::from(right);
        let (pair, ..) = self.names();
        let place = self.heard.pairs.iter().position(|of| of.pair == pair).unwrap_or_else(|| {
            self.heard.pairs.push(OnPair { pair, ..OnPair::default() });
            self.heard.pairs.len() - 1
        });
        let of_pair = &mut self.heard.pairs[place];
        of_pair.answers += 1;
        of_pair.right += u32::from(right);
        of_pair.reached += u32::from(in_a_row >= CRITERION);
        let was = self.definition().alternatives[training.right].label(self.attribute());
        let word = if right { "Right" } else { "Wrong" };
        if in_a_row >= CRITERION {
            self.heard.reached += 1;
            self.training = None;
            self.notice = Some(Notice::News(format!(
                "{word}: {was}. {CRITERION} in a row: you hear it. Training ends."
            )));
        } else {
            self.notice = Some(Notice::News(format!("{word}: {was}. {in_a_row} of {CRITERION} in a row.")));
            self.training = self.drawn(in_a_row).ok();
        }
        self.load();
    }

    fn scene(&self) -> Scene {
        let stage = if self.checking_level {
            Shown::Page(pages::level(self.decibels, level::SOFTEST, Vec::new()))
        } else {
            Shown::Trial(self.trial())
        };
        around(self.session, self.silent, self.notice.clone(), stage)
    }

    fn trial(&self) -> TrialScene {
        let status = self.transport.status();
        let total = self.stimuli.pairs.len() as u32;
        let (what, a, b) = self.names();
        let slot = |label, role: &str| Slot { label, role: role.to_string(), unheard: false };
        let mut slots = vec![slot('A', &a), slot('B', &b)];
        let (mut question, mut answers, mut kind) = (
            match &self.session.panel {
                Some(panel) if panel.cable_a == CableA::Drawn => {
                    "Here you know what you hear; in the test the seal draws which cable is A. t trains on this pair."
                }
                _ => "Here you know what you hear. t trains on this pair.",
            }
            .to_string(),
            Vec::new(),
            StageKind::Sighted,
        );
        let mut heading = format!("{what} ({} of {total})", self.at + 1);
        if let Some(training) = &self.training {
            let (definition, attribute) = (self.definition(), self.attribute());
            slots = definition
                .slots
                .iter()
                .zip(&training.heard)
                .map(|(of, heard)| Slot {
                    unheard: of.must_hear && !heard,
                    ..slot(of.label.chars().next().unwrap_or('?'), of.role)
                })
                .collect();
            kind = StageKind::Training;
            heading = format!("Training on {what}: {} of {CRITERION} right in a row", training.in_a_row);
            question = format!("{} (Esc ends the training)", definition.question(attribute));
            answers = definition.alternatives.iter().map(|one| one.label(attribute).into_owned()).collect();
        }
        TrialScene {
            kind,
            heading,
            about: String::new(),
            done: self.training.as_ref().map_or(self.at as u32 + 1, |training| training.in_a_row),
            total: if self.training.is_some() { CRITERION } else { total },
            trail: Vec::new(),
            question,
            slots,
            hearing: self.slot,
            playing: status.playing,
            position: self.extent.seconds_at(status.position),
            length: self.extent.seconds(),
            region: self.region.map(|(from, to)| (self.extent.seconds_at(from), self.extent.seconds_at(to))),
            answers,
            chosen: self.training.as_ref().and_then(|training| training.chosen),
            elapsed: self.environment.clock.elapsed().as_secs_f64(),
            stoppable: false,
            in_rounds: false,
            receipt: None,
        }
    }

    /// What the pair is, and what its sides are.
    fn names(&self) -> (String, String, String) {
        let Some(pair) = self.stimuli.pairs.get(self.at) else { return Default::default() };
        let session = self.session;
        let cable = |index: usize| {
            session.cables.get(index).map(|cable| cable.name.as_written().to_owned()).unwrap_or_default()
        };
        let clip = |index: usize| {
            session.clips.get(index).map(|clip| clip.name.as_written().to_owned()).unwrap_or_default()
        };
        match pair.kind {
            PairKind::Comparison { comparison, clip: at } => {
                let of = &session.comparisons[comparison];
                (format!("{} on {}", of.name.as_written(), clip(at)), cable(of.a), cable(of.b))
            }
            PairKind::Level { comparison, clip: at, level } => {
                let of = &session.comparisons[comparison];
                let size = session.threshold.map_or_else(String::new, |threshold| {
                    threshold.scale.words(threshold.range.levels()[level])
                });
                (
                    format!("{} at {size} on {}", of.name.as_written(), clip(at)),
                    format!("A, {size}"),
                    "B".to_owned(),
                )
            }
            PairKind::Control { control, comparison, clip: at } => {
                let a = cable(session.comparisons[comparison].a);
                let (kind, b) = match session.controls[control].kind {
                    ControlKind::Level { decibels } => ("level", format!("{decibels:+} dB")),
                    ControlKind::Tilt { decibels } => ("tilt", format!("{decibels:+} dB tilt")),
                    ControlKind::HeadMovement { metres } => {
                        ("head movement", format!("{:.0} cm aside", metres * 100.0))
                    }
                    ControlKind::Identical => ("identical", a.clone()),
                    ControlKind::Largest { size, scale } => ("largest size", scale.words(size)),
                };
                (format!("control: {kind} on {}", clip(at)), a, b)
            }
        }
    }
}
