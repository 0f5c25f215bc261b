//! The driver of a sitting or a night over a switch: whole rounds, and what becomes of an event until its cable is connected.

use std::sync::Arc;

use super::super::driver::{Driver, Machine};
use super::super::listening::{Extent, presented_ms};
use super::super::sound::SoundNews;
use super::super::stopped::Stopped;
use super::{CableWait, Running, Switched};
use crate::player::Status;
use crate::switcher::{Board, Due};
use crate::trial::{Event, Stage};

/// Presentations that may fail one after the other before the sitting stops.
const MOST_FAILURES: u32 = 3;

impl<M: Machine> Driver<M> {
    /// What a real cable is waited for, if one is.
    pub fn cable_wait(&self) -> Option<CableWait> {
        let switched = self.switched.as_ref()?;
        let left_ms = |at_ms: u64| at_ms.saturating_sub(self.now_ms());
        let silent = switched.slot >= switched.sounding && switched.running.is_some();
        if let (true, Some(until_ms)) = (silent, switched.running.and_then(|running| running.until_ms)) {
            return Some(CableWait::Silent { left_ms: left_ms(until_ms) });
        }
        match switched.ritual.ready_at_ms() {
            Some(ready_ms) => Some(CableWait::Connecting { left_ms: left_ms(ready_ms), silent }),
            None => {
                let by_hand = switched.board.is_some();
                let wanted = switched.wanted && !switched.ritual.is_connected();
                wanted.then_some(CableWait::Awaited { by_hand })
            }
        }
    }

    /// A round of a sitting is on, or is about to begin.
    pub fn is_in_round(&self) -> bool {
        let on = |switched: &Switched| switched.running.is_some() || (switched.in_rounds && switched.wanted);
        self.switched.as_ref().is_some_and(on)
    }

    /// A presentation could not begin now: nobody has confirmed yet that nothing is connected.
    pub fn is_switch_busy(&self) -> bool {
        self.switched.as_ref().is_some_and(|switched| !switched.ritual.is_free(self.now_ms()))
    }

    /// Milliseconds until the switch has to be looked at again; `None` where nothing is due by itself.
    pub fn switch_due_in_ms(&self) -> Option<u64> {
        let switched = self.switched.as_ref()?;
        let over_ms = switched.running.and_then(|running| running.until_ms);
        over_ms.or(switched.ritual.due_at_ms())?.checked_sub(self.now_ms())
    }

    /// What the operator reads, where a person is the switch.
    pub fn board(&self) -> Option<&Arc<Board>> {
        self.switched.as_ref()?.board.as_ref()
    }

    /// An event of a trial whose cables are switched. Sound begins only once its cable is connected, and listening is counted
    /// from there.
    pub(in crate::conduct) fn event_with_switch(&mut self, event: Event) -> Result<(), Stopped> {
        let now_ms = self.now_ms();
        let Status { playing, .. } = self.status();
        let Some(switched) = &mut self.switched else { return self.take_event(event) };
        match event {
            Event::Play | Event::Select(_) if switched.in_rounds && switched.running.is_none() => {
                switched.wanted = true;
                Ok(())
            }
            Event::Play | Event::Select(_) | Event::Pause | Event::Seek(_) | Event::Loop(_)
                if switched.running.is_some() =>
            {
                self.refuse("a round goes on to its end by itself");
                Ok(())
            }
            Event::Play if switched.ritual.is_connected() => self.take_event(event),
            Event::Play => {
                switched.wanted = true;
                Ok(())
            }
            Event::Pause => {
                switched.wanted = false;
                self.take_event(event)
            }
            Event::Select(slot) if slot < switched.slots.len() => {
                switched.slot = slot;
                switched.wanted |= playing;
                let begins = switched.ritual.is_free(now_ms);
                if playing {
                    self.take_event(Event::Pause)?;
                }
                if begins {
                    self.take_event(Event::Present(slot))?;
                }
                self.take_event(event)
            }
            other => self.take_event(other),
        }
    }

    /// A round begins: each of its presentations lasts as long as the clip, or the loop that was set before it.
    fn begin_round(&mut self) {
        let Stage::Trial(trial) = self.machine().conductor().view().stage else { return };
        let extent = self.extent();
        let frames = trial.region.map_or(extent.frames, |(from, to)| to - from);
        let sound_ms = presented_ms(Extent { frames, ..extent }.milliseconds());
        if let Some(switched) = &mut self.switched {
            let left = switched.slots.len();
            switched.running = Some(Running { left, sound_ms, until_ms: None });
        }
    }

    /// The presentation that is on is over when its time is, whether it sounded or not: the next one, or the round's end.
    fn go_on_with_round(&mut self, now_ms: u64) -> Result<(), Stopped> {
        let Some(switched) = &mut self.switched else { return Ok(()) };
        let Some(running) = &mut switched.running else { return Ok(()) };
        if running.until_ms.is_none_or(|until_ms| now_ms < until_ms) {
            return Ok(());
        }
        (running.left, running.until_ms) = (running.left - 1, None);
        if running.left > 0 {
            return self.take_event(Event::Present(0));
        }
        switched.running = None;
        self.take_event(Event::RoundOver)
    }

    /// Goes on with the steps of the switch that are due, and says it where the switch cannot be trusted: the attempt is void.
    pub(in crate::conduct) fn take_switch(&mut self) -> Result<Option<SoundNews>, Stopped> {
        let now_ms = self.now_ms();
        let in_trial = self.in_trial();
        let Some(switched) = &mut self.switched else { return Ok(None) };
        if let Some(text) = switched.news_of_the_operator() {
            self.take_event(Event::Note { text: text.to_owned() })?;
            return Ok(None);
        }
        match switched.due(now_ms) {
            Due::Nothing if in_trial && switched.may_begin(now_ms) => {
                let slot = switched.slot;
                if switched.in_rounds {
                    switched.wanted = false;
                    self.begin_round();
                    return self.take_event(Event::Present(0)).map(|()| None);
                }
                self.take_event(Event::Present(slot))?;
                Ok(None)
            }
            Due::Nothing => self.go_on_with_round(now_ms).map(|()| None),
            Due::Order(terminal) => {
                switched.worker.order(terminal);
                Ok(None)
            }
            Due::Ready => {
                (switched.failures, switched.given_up) = (0, None);
                let from = switched.starts_anew.then_some(switched.from);
                let mut wanted = std::mem::take(&mut switched.wanted);
                if let Some(running) = &mut switched.running {
                    running.until_ms = Some(now_ms + running.sound_ms);
                    wanted = switched.slot < switched.sounding;
                }
                if wanted && in_trial {
                    if let Some(from) = from {
                        self.take_event(Event::Seek(from))?;
                    }
                    self.take_event(Event::Play)?;
                }
                Ok(None)
            }
            Due::Failed(error) => {
                switched.failures += 1;
                switched.given_up = Some(error.clone());
                // Whatever comes next begins with nothing connected, and confirmed.
                switched.park(now_ms);
                let failures = switched.failures;
                let reason = switched.reason(&error);
                self.pause();
                let text = SoundNews::Switch { reason: reason.clone(), in_trial }.cause();
                let halted = format!("{text}, {MOST_FAILURES} times in a row: it stops here");
                self.take_event(if in_trial {
                    Event::Disturbed { cause: text, by: None }
                } else {
                    Event::Note { text }
                })?;
                if failures >= MOST_FAILURES {
                    self.take_event(Event::Halted { text: halted })?;
                    let stopped = Stopped::Switch { reason };
                    self.stop(stopped.clone());
                    return Err(stopped);
                }
                Ok(Some(SoundNews::Switch { reason, in_trial }))
            }
        }
    }
}
