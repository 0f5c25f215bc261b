//! Real cables under a sitting: every presentation goes through the same steps before its sound starts.
//!
//! Which slot is asked for decides the number that goes to the relay, and nothing else: not how many bytes go there, not when,
//! not what is shown or written.

use super::driver::{Driver, Machine, Stopped};
use super::sound::SoundNews;
use crate::player::Status;
use crate::session::Switcher;
use crate::stimulus::PairKind;
use crate::switcher::{Due, Ritual, SwitchError, Terminal, Timing, Worker};
use crate::trial::{Event, Side, Terms};

/// Presentations that may fail one after the other before the sitting stops.
const MOST_FAILURES: u32 = 3;

/// A switch, and what it is doing.
#[derive(Debug)]
pub struct Switched {
    worker: Worker,
    ritual: Ritual,
    /// Cables at terminals 1 and 2, by name.
    cables: [String; 2],
    starts_anew: bool,
    /// Terminal of each slot of the attempt that is on.
    slots: Vec<Terminal>,
    slot: usize,
    /// Where the loop begins, in frames.
    from: u64,
    /// Sound starts once the cable is connected.
    wanted: bool,
    failures: u32,
}

impl Switched {
    /// Opens the switch of a session; `None` where there is none.
    ///
    /// # Errors
    /// It cannot be reached, or does not answer.
    pub fn open(
        switcher: Option<&Switcher>,
        cables: impl Fn(usize) -> String,
    ) -> Result<Option<Self>, SwitchError> {
        let Some(switcher) = switcher else { return Ok(None) };
        let switch = crate::switcher::open(switcher)?;
        let worker = Worker::start(switch).map_err(|error| SwitchError::Unreachable {
            name: switcher.kind.name().to_owned(),
            reason: error.to_string(),
        })?;
        Ok(Some(Self {
            worker,
            ritual: Ritual::new(Timing { apart_ms: switcher.apart_ms, settle_ms: switcher.settle_ms }),
            cables: switcher.terminals.map(cables),
            starts_anew: switcher.starts_anew,
            slots: Vec::new(),
            slot: 0,
            from: 0,
            wanted: false,
            failures: 0,
        }))
    }

    /// The terminal of a cable.
    fn terminal(&self, cable: &str) -> Terminal {
        if self.cables[0] == cable { Terminal::One } else { Terminal::Two }
    }

    /// Another attempt: nothing is connected until it is presented. Both sides of a control come over side A's cable.
    pub(super) fn load(&mut self, terms: &Terms, kind: PairKind, sides: &[Side]) {
        let (comparison, _) = kind.of();
        let Some(of) = terms.comparisons.get(comparison) else { return };
        let control = matches!(kind, PairKind::Control { .. });
        self.slots = sides
            .iter()
            .map(|side| self.terminal(if control || *side == Side::A { &of.a } else { &of.b }))
            .collect();
        (self.slot, self.from, self.wanted) = (0, 0, false);
        self.park();
    }

    /// Nothing is connected any more.
    pub(super) fn park(&mut self) {
        self.wanted = false;
        let order = self.ritual.park();
        self.worker.order(order);
    }

    /// The level is chosen over terminal 1, whatever will be drawn.
    pub(super) fn for_level(&mut self) {
        if !self.ritual.is_connected() {
            let order = self.ritual.connect(Terminal::One);
            self.worker.order(order);
        }
    }

    /// The loop begins here.
    pub(super) fn loop_from(&mut self, frame: u64) {
        self.from = frame;
    }

    fn begin(&mut self, at_ms: u64) {
        let terminal = self.slots.get(self.slot).copied().unwrap_or(Terminal::Parked);
        let order = self.ritual.begin(at_ms, terminal);
        self.worker.order(order);
    }

    fn due(&mut self, at_ms: u64) -> Due {
        while let Some(answer) = self.worker.answer() {
            let due = self.ritual.answered(answer);
            if due != Due::Nothing {
                return due;
            }
        }
        self.ritual.due(at_ms)
    }
}

impl<M: Machine> Driver<M> {
    /// A cable is being connected: no sound until then.
    pub fn is_switching(&self) -> bool {
        self.switched.as_ref().is_some_and(|switched| switched.ritual.is_on())
    }

    /// An event of a trial whose cables are switched. Sound begins only once its cable is connected, and listening is counted
    /// from there.
    pub(super) fn event_with_switch(&mut self, event: Event) -> Result<(), Stopped> {
        let now_ms = self.now_ms();
        let Status { playing, .. } = self.status();
        let Some(switched) = &mut self.switched else { return self.take_event(event) };
        match event {
            Event::Play if switched.ritual.is_connected() => self.take_event(event),
            Event::Play => {
                switched.wanted = true;
                if !switched.ritual.is_on() {
                    switched.begin(now_ms);
                }
                Ok(())
            }
            Event::Pause => {
                switched.wanted = false;
                self.take_event(event)
            }
            Event::Select(slot) => {
                let wanted = playing || switched.wanted;
                if slot < switched.slots.len() {
                    switched.slot = slot;
                    switched.wanted = wanted;
                    switched.begin(now_ms);
                }
                if playing {
                    self.take_event(Event::Pause)?;
                }
                self.take_event(event)
            }
            other => self.take_event(other),
        }
    }

    /// Goes on with the steps of the switch that are due, and says it where the switch cannot be trusted: the attempt is void.
    pub(super) fn take_switch(&mut self) -> Result<Option<SoundNews>, Stopped> {
        let now_ms = self.now_ms();
        let in_trial = self.in_trial();
        let Some(switched) = &mut self.switched else { return Ok(None) };
        match switched.due(now_ms) {
            Due::Nothing => Ok(None),
            Due::Order(terminal) => {
                switched.worker.order(terminal);
                Ok(None)
            }
            Due::Ready => {
                switched.failures = 0;
                let (wanted, from) = (switched.wanted, switched.starts_anew.then_some(switched.from));
                switched.wanted = false;
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
                switched.wanted = false;
                let failures = switched.failures;
                let reason = error.to_string();
                self.pause();
                let text = SoundNews::Switch { reason: reason.clone(), in_trial }.cause();
                self.take_event(if in_trial {
                    Event::Disturbed { cause: text }
                } else {
                    Event::Note { text }
                })?;
                if failures >= MOST_FAILURES {
                    let stopped = Stopped::Switch { reason };
                    self.stop(stopped.clone());
                    return Err(stopped);
                }
                Ok(Some(SoundNews::Switch { reason, in_trial }))
            }
        }
    }
}
