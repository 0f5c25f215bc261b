//! The driver: events in, records on the disk and calls to the player out.

use std::collections::VecDeque;
use std::path::PathBuf;

use super::environment::SittingClock;
use super::listening::{Extent, scaled};
use super::output::Output;
use super::place::{Displaced, Place};
use super::stopped::Stopped;
use super::switched::Switched;
use crate::player::{OutputDescription, Sound, Status, Transport};
use crate::stimulus::{DeviceWords, PairKind, StimulusSet};
use crate::trial::OutputKind;
use crate::trial::{Conductor, Digest, Effect, Event, JournalWriter, Record, Side, Stage};

/// What the driver carries out: a conductor, alone or with a room's state machine around it. Reads no clock.
pub trait Machine {
    /// The conductor.
    fn conductor(&self) -> &Conductor;
    /// Takes an event at this time, in milliseconds of the sitting, and says what to do.
    fn event(&mut self, at_ms: u64, event: Event) -> Vec<Effect>;
    /// A record is on the disk, and this is its digest.
    fn written(&mut self, record: &Record, digest: Digest);
    /// The player has new stimuli, each so many milliseconds long.
    fn loaded(&mut self, length_ms: u64);
}

impl Machine for Conductor {
    fn conductor(&self) -> &Conductor {
        self
    }

    fn event(&mut self, at_ms: u64, event: Event) -> Vec<Effect> {
        self.step(at_ms, event)
    }

    fn written(&mut self, _record: &Record, digest: Digest) {
        self.step(0, Event::Durable(digest));
    }

    fn loaded(&mut self, _length_ms: u64) {}
}

/// Something that has been done, for whoever has people in front of it.
#[derive(Debug, Clone, PartialEq)]
pub enum News {
    /// A record is on the disk.
    Written(Box<Record>, Digest),
    /// An event was refused.
    Refused(&'static str),
    /// The running receipt was asked for.
    Receipt(Option<Digest>),
    /// The seal is open, the register written, the secret removed.
    Closed,
}

/// A sitting or a night that is open.
pub struct Driver<M> {
    machine: M,
    journal: JournalWriter,
    /// Where the journal is; `Err`: that could not be found out.
    place: Result<Place, Displaced>,
    clock: SittingClock,
    pub(super) output: Output,
    stimuli: StimulusSet,
    /// What the journal says of the output.
    pub(super) described: OutputDescription,
    /// What the device's bit depth makes of the differences; `None` where there is no device.
    pub(super) resolution: Option<DeviceWords>,
    /// Level of every stimulus in decibels; `None` until it is set.
    pub(super) level_db: Option<f64>,
    /// What the player was given last. Nothing that is shown may depend on it.
    presented: Option<(PairKind, Vec<Side>)>,
    extent: Extent,
    /// Real cables, where they are switched.
    pub(super) switched: Option<Switched>,
    news: VecDeque<News>,
    stopped: Option<Stopped>,
}

impl<M: Machine> Driver<M> {
    /// Around a machine that was opened or resumed; its time goes on from `clock`. Without a sound device nothing is
    /// heard, and the level is the clips' own.
    pub fn new(
        machine: M,
        journal: JournalWriter,
        clock: SittingClock,
        output: Output,
        stimuli: StimulusSet,
    ) -> Self {
        let place = Place::of(journal.path()).map_err(|_| Displaced::Gone);
        let described = output.description();
        let device = described.kind == OutputKind::Device;
        // Stimuli that cannot be read back stop the first trial, with the reason.
        let resolution = if device { DeviceWords::of(&stimuli, &described.format).ok() } else { None };
        let level_db = (!device).then_some(0.0);
        Self {
            machine,
            journal,
            place,
            clock,
            output,
            stimuli,
            described,
            resolution,
            level_db,
            presented: None,
            extent: Extent::default(),
            switched: None,
            news: VecDeque::new(),
            stopped: None,
        }
    }

    /// Real cables carry the sound, through this switch.
    #[must_use]
    pub fn through(mut self, switched: Option<Switched>) -> Self {
        self.switched = switched;
        self
    }

    /// The machine.
    pub fn machine(&self) -> &M {
        &self.machine
    }

    /// The stimuli.
    pub fn stimuli(&self) -> &StimulusSet {
        &self.stimuli
    }

    /// The journal.
    pub fn journal(&self) -> PathBuf {
        self.journal.path()
    }

    /// Milliseconds of the sitting.
    pub fn now_ms(&self) -> u64 {
        self.clock.now_ms()
    }

    /// What the player is doing.
    pub fn status(&self) -> Status {
        self.output.transport.status()
    }

    /// Rate and length of what is loaded.
    pub fn extent(&self) -> Extent {
        self.extent
    }

    /// Level of every stimulus in decibels from the clips' own; `None` until it is set.
    pub fn level_db(&self) -> Option<f64> {
        self.level_db
    }

    /// Why nothing goes on, if so.
    pub fn stopped(&self) -> Option<&Stopped> {
        self.stopped.as_ref()
    }

    /// An event was refused before the machine saw it.
    pub(super) fn refuse(&mut self, why: &'static str) {
        self.news.push_back(News::Refused(why));
    }

    /// What has been done since the last call.
    pub fn take_news(&mut self) -> Vec<News> {
        self.news.drain(..).collect()
    }

    /// Hands an event to the machine and carries out what follows from it.
    ///
    /// # Errors
    /// Nothing can go on; see [`Stopped`].
    pub fn event(&mut self, event: Event) -> Result<(), Stopped> {
        if self.switched.is_some() && self.in_trial() {
            return self.event_with_switch(event);
        }
        self.take_event(event)
    }

    /// The same, whatever carries the sound.
    pub(super) fn take_event(&mut self, event: Event) -> Result<(), Stopped> {
        let effects = self.machine.event(self.now_ms(), event);
        self.carry_out(effects)
    }

    /// Lets the machine take something that is more than an event, at this time, and carries out what follows from it.
    /// What else comes of it is given back, also where nothing can go on: see [`Driver::stopped`].
    pub fn with<T>(&mut self, take: impl FnOnce(&mut M, u64) -> (Vec<Effect>, T)) -> T {
        let now_ms = self.now_ms();
        let (effects, came_of_it) = take(&mut self.machine, now_ms);
        // What stopped it is kept.
        let _ = self.carry_out(effects);
        came_of_it
    }

    /// Carries out effects in order. Records that follow each other go to the disk together; nothing after a record is
    /// done before it is there.
    ///
    /// # Errors
    /// Nothing can go on; what comes after the failure is not carried out.
    pub fn carry_out(&mut self, effects: Vec<Effect>) -> Result<(), Stopped> {
        if let Some(stopped) = &self.stopped {
            return Err(stopped.clone());
        }
        let done = self.try_carry_out(effects).and_then(|()| match self.machine.conductor().stopped() {
            Some(reason) => Err(Stopped::Journal { reason: reason.to_owned() }),
            None => Ok(()),
        });
        if let Err(stopped) = &done {
            self.stop(stopped.clone());
        }
        done
    }

    fn try_carry_out(&mut self, effects: Vec<Effect>) -> Result<(), Stopped> {
        let mut waiting: Vec<Record> = Vec::new();
        for effect in effects {
            if let Effect::Append(record) = effect {
                waiting.push(*record);
            } else {
                self.write(&mut waiting)?;
                self.perform(effect)?;
            }
        }
        self.write(&mut waiting)
    }

    fn write(&mut self, waiting: &mut Vec<Record>) -> Result<(), Stopped> {
        if waiting.is_empty() {
            return Ok(());
        }
        let at_ms = waiting.last().map_or(0, Record::at_ms);
        self.journal.clock(self.clock.utc_ms(), at_ms);
        self.at_its_place(|place| place.check())?;
        let digests = self
            .journal
            .append_all(waiting)
            .map_err(|error| Stopped::Journal { reason: error.to_string() })?;
        self.at_its_place(Place::written)?;
        for (record, digest) in waiting.drain(..).zip(digests) {
            self.machine.written(&record, digest);
            self.news.push_back(News::Written(Box::new(record), digest));
        }
        Ok(())
    }

    /// Asks the journal's place; what the journal holds is kept elsewhere where it is no longer there.
    fn at_its_place(&mut self, ask: impl FnOnce(&mut Place) -> Result<(), Displaced>) -> Result<(), Stopped> {
        let place = self.place.as_mut().map_err(|what| Stopped::Displaced {
            what: *what,
            kept: None,
            lost: false,
        })?;
        ask(place).map_err(|what| Stopped::Displaced {
            what,
            kept: place.keep_elsewhere(),
            lost: !place.has_its_secret(),
        })
    }

    fn perform(&mut self, effect: Effect) -> Result<(), Stopped> {
        let transport = &mut self.output.transport;
        match effect {
            Effect::Load { pair, sides, cables } => {
                if let Some(switched) = &mut self.switched {
                    let conductor = self.machine.conductor();
                    let turned = conductor.labels_turned();
                    switched.load(
                        self.clock.now_ms(),
                        &conductor.view().terms,
                        turned,
                        pair,
                        (&cables, sides.len()),
                    );
                }
                self.presented = Some((pair, sides));
                self.load_presented()?;
            }
            Effect::Demonstrate { pair, slots } => self.demonstrate(pair, &slots)?,
            Effect::Connect { slot, apart_ms } => {
                if let Some(switched) = &mut self.switched {
                    switched.connect(self.clock.now_ms(), slot, apart_ms);
                }
            }
            Effect::SwitchTo(slot) => transport.switch_to(slot),
            // Nothing sounds over a cable that is not connected: the next look at the switch says so.
            Effect::Play => {
                if self.switched.as_mut().is_none_or(Switched::sounds) {
                    transport.play();
                }
            }
            Effect::Pause => transport.pause(),
            Effect::Seek(frame) => transport.seek(frame),
            Effect::SetLoop(region) => {
                transport.set_loop(region);
                if let Some(switched) = &mut self.switched {
                    switched.loop_from(region.map_or(0, |(from, _)| from));
                }
            }
            Effect::ShowReceipt(receipt) => self.news.push_back(News::Receipt(receipt)),
            Effect::Refuse(why) => self.news.push_back(News::Refused(why)),
            Effect::Close => {
                transport.pause();
                if let Some(switched) = &mut self.switched {
                    switched.park(self.clock.now_ms());
                }
                self.journal
                    .close(Some(&self.clock.utc()))
                    .map_err(|error| Stopped::Journal { reason: error.to_string() })?;
                self.news.push_back(News::Closed);
            }
            Effect::KeepSecret(fresh) => self
                .journal
                .keep_secret(&fresh)
                .map_err(|error| Stopped::Journal { reason: error.to_string() })?,
            Effect::Append(_) => {}
        }
        Ok(())
    }

    /// Nothing goes on: the sound stops, the machine takes nothing more, nothing more is written.
    pub(super) fn stop(&mut self, stopped: Stopped) {
        self.output.transport.pause();
        self.machine.event(self.clock.now_ms(), Event::JournalFailed { reason: stopped.to_string() });
        self.stopped = Some(stopped);
    }

    /// Gives the player what the conductor presents. Both sides are scaled, whatever is in which slot.
    pub(super) fn load_presented(&mut self) -> Result<(), Stopped> {
        let Some((kind, sides)) = &self.presented else { return Ok(()) };
        let pair = self.stimuli.pair(*kind).ok_or(Stopped::Missing(*kind))?;
        let level_db = self.level_db.unwrap_or(0.0);
        // Both are read, in this order, whatever is in which slot.
        let both = Sound::together([&pair.a, &pair.b]).map_err(Stopped::Stimulus)?;
        let [a, b] = both.map(|sound| scaled(sound, level_db));
        let list: Vec<Sound> =
            sides.iter().map(|side| if *side == Side::A { a.clone() } else { b.clone() }).collect();
        self.load(&list)?;
        self.machine.loaded(self.extent.milliseconds());
        Ok(())
    }

    /// Gives the player what is heard by name, before any trial.
    fn demonstrate(&mut self, kind: PairKind, slots: &[(Side, f64)]) -> Result<(), Stopped> {
        let pair = self.stimuli.pair(kind).ok_or(Stopped::Missing(kind))?;
        let own_db = self.level_db.unwrap_or(0.0);
        if let Some(switched) = &mut self.switched {
            let conductor = self.machine.conductor();
            switched.demonstrate(&conductor.view().terms, conductor.labels_turned(), kind, slots);
        }
        let [a, b] = Sound::together([&pair.a, &pair.b]).map_err(Stopped::Stimulus)?;
        let side = |side: Side| if side == Side::A { &a } else { &b };
        let list: Vec<Sound> =
            slots.iter().map(|(of, level_db)| scaled(side(*of).clone(), own_db + level_db)).collect();
        self.load(&list)?;
        self.machine.loaded(self.extent.milliseconds());
        Ok(())
    }

    fn load(&mut self, stimuli: &[Sound]) -> Result<(), Stopped> {
        self.extent = stimuli.first().map(Extent::of).unwrap_or_default();
        self.output.load(stimuli).map_err(Stopped::Output)
    }

    /// Index of the clip that is presented, which a listener hears whatever was drawn for its sides.
    pub fn clip(&self) -> Option<usize> {
        self.presented.as_ref().map(|(kind, _)| kind.of().1)
    }

    /// Gives the player a trial again when the seal is open, with open eyes: nothing is counted or journalled any more.
    /// `false`: what carries the sound does not play it again (a file that holds the sitting, a switch of real cables).
    ///
    /// # Errors
    /// The stimulus cannot be read back, or the output does not play it.
    pub fn replay(&mut self, pair: PairKind, sides: &[Side]) -> Result<bool, Stopped> {
        let closed = matches!(self.machine.conductor().view().stage, Stage::Result(_));
        if !closed || self.switched.is_some() || self.described.kind == OutputKind::File {
            return Ok(false);
        }
        self.presented = Some((pair, sides.to_vec()));
        self.load_presented()?;
        Ok(true)
    }

    /// The player, for what is [played again](Self::replay).
    pub fn player(&mut self) -> &mut dyn Transport {
        &mut *self.output.transport
    }

    /// Sounds the first clip through side A at this level, from where it is: the level is being chosen. A real cable is
    /// connected first; says whether it sounds.
    ///
    /// # Errors
    /// The output does not play it.
    pub fn sound_level(&mut self, level_db: f64) -> Result<bool, Stopped> {
        let Some(pair) = self.stimuli.pairs.first() else { return Ok(true) };
        if let Some(switched) = &mut self.switched {
            let conductor = self.machine.conductor();
            let turned = conductor.labels_turned();
            if !switched.for_level(self.clock.now_ms(), &conductor.view().terms, turned) {
                return Ok(false);
            }
        }
        let first = Sound::together([&pair.a]).map_err(Stopped::Stimulus);
        let position = self.status().position;
        let loaded = first.and_then(|[first]| self.load(&[scaled(first, level_db)]));
        if let Err(stopped) = loaded {
            self.stop(stopped.clone());
            return Err(stopped);
        }
        self.output.transport.seek(position);
        self.output.transport.play();
        Ok(true)
    }

    /// Silence.
    pub fn pause(&mut self) {
        self.output.transport.pause();
    }

    /// A trial is on, and what it plays is what was agreed: the level is set.
    pub(super) fn in_trial(&self) -> bool {
        self.level_db.is_some() && matches!(self.machine.conductor().view().stage, Stage::Trial(_))
    }

    pub(super) fn take_player_events(&mut self) -> Vec<crate::player::PlayerEvent> {
        self.output.transport.take_events()
    }

    pub(super) fn describe_output(&self) -> OutputDescription {
        if self.output.let_go {
            return self.described.clone();
        }
        self.output.transport.description()
    }
}
