//! Real cables under a sitting or a night: every presentation goes through the same steps before its sound starts.
//!
//! Which slot is asked for decides the number that goes to the relay or stands on the operator's page, and nothing else: not how
//! many bytes go there, not when, not what listeners are shown or what is written. What comes next, and when, is asked by nobody:
//! [whole rounds](crate::trial::rounds) run by times of their own.

mod driven;

use std::sync::Arc;
use std::time::Duration;

use super::environment::Environment;
use crate::session::{Session, SwitcherKind};
use crate::stimulus::PairKind;
use crate::switcher::{Board, Due, Operator, Ritual, Switch, SwitchError, Terminal, Timing, Worker};
use crate::trial::{Side, Terms};

/// How long a switch is waited for before the first and after the last trial: a person may be on the way.
const PATIENCE: Duration = Duration::from_secs(180);

/// What a real cable is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CableWait {
    /// The next presentation begins once it is confirmed that nothing is connected.
    Awaited {
        /// By a person.
        by_hand: bool,
    },
    /// It is being connected; sound starts after so many milliseconds.
    Connecting {
        /// Milliseconds.
        left_ms: u64,
        /// It is a filling: no sound comes.
        silent: bool,
    },
    /// A filling is connected for so many milliseconds more, and nothing sounds.
    Silent {
        /// Milliseconds.
        left_ms: u64,
    },
}

/// A round that is on, driven by its own times.
#[derive(Debug, Clone, Copy)]
struct Running {
    /// Presentations that are not over.
    left: usize,
    /// How long each of them sounds, or would.
    sound_ms: u64,
    /// When the one that is connected is over.
    until_ms: Option<u64>,
}

/// A switch, and what it is doing.
#[derive(Debug)]
pub struct Switched {
    worker: Worker,
    ritual: Ritual,
    board: Option<Arc<Board>>,
    /// The operator's page was opened, and the journal says so.
    introduced: bool,
    apart_ms: u64,
    /// Cables at terminals 1 and 2, by name, as the session has them.
    cables: [String; 2],
    /// The seal gave the second of them label 1.
    turned: bool,
    starts_anew: bool,
    /// Terminal of each slot of the attempt that is on, then of its silent fillings.
    slots: Vec<Terminal>,
    slot: usize,
    /// How many of them sound.
    sounding: usize,
    /// The attempt is presented in whole rounds.
    in_rounds: bool,
    /// The round that a sitting is in. A night has its own clock.
    running: Option<Running>,
    /// Where the loop begins, in frames.
    from: u64,
    /// Sound starts once the cable is connected.
    wanted: bool,
    /// Sound was due and the cable was not connected.
    late: bool,
    /// Why the presentation that is on was given up: a night's goes on by the clock until its sound is due.
    given_up: Option<SwitchError>,
    failures: u32,
}

impl Switched {
    /// Opens the switch of a session; `None` where there is none.
    ///
    /// # Errors
    /// It cannot be reached, or does not answer.
    pub fn open(session: &Session, environment: &Environment) -> Result<Option<Self>, SwitchError> {
        let Some(switcher) = &session.switcher else { return Ok(None) };
        let operated = environment.operator.as_ref().filter(|_| switcher.kind == SwitcherKind::Operator);
        let switch: Box<dyn Switch> = match operated {
            Some(operated) => Box::new(Operator(Arc::clone(&operated.board))),
            None => (environment.switch)(switcher)?,
        };
        let board = switch.board();
        let worker = if environment.in_background {
            Worker::start(switch).map_err(|error| SwitchError::Unreachable {
                name: switcher.kind.name().to_owned(),
                reason: error.to_string(),
            })?
        } else {
            Worker::here(switch)
        };
        let mut switched = Self {
            worker,
            ritual: Ritual::new(Timing { apart_ms: switcher.apart_ms, settle_ms: switcher.settle_ms }),
            board,
            introduced: false,
            apart_ms: switcher.apart_ms,
            cables: switcher.terminals.map(|cable| session.cables[cable].name.as_written().to_owned()),
            turned: false,
            starts_anew: switcher.starts_anew,
            slots: Vec::new(),
            slot: 0,
            sounding: 0,
            in_rounds: false,
            running: None,
            from: 0,
            wanted: false,
            late: false,
            given_up: None,
            failures: 0,
        };
        // A relay was parked when it was opened; a person is asked.
        if switched.board.is_some() {
            switched.park(0);
        }
        Ok(Some(switched))
    }

    /// The terminal of a cable.
    fn terminal(&self, cable: &str) -> Terminal {
        if (self.cables[0] == cable) == self.turned { Terminal::Two } else { Terminal::One }
    }

    /// The seal says which cable has label 1; where it was drawn the operator is told before anything else.
    pub(super) fn label(&mut self, terms: &Terms, turned: bool) {
        self.turned = turned;
        let drawn = terms.switcher.as_ref().is_some_and(|switcher| switcher.labels_drawn == Some(true));
        if let (Some(board), true) = (&self.board, drawn) {
            let [first, second] = self.cables.clone();
            board.label(if turned { [second, first] } else { [first, second] });
        }
    }

    /// Another attempt: nothing is connected until it is presented. `cables` are those of its slots, the first of them, and of
    /// its fillings.
    pub(super) fn load(
        &mut self,
        at_ms: u64,
        terms: &Terms,
        turned: bool,
        kind: PairKind,
        (cables, sounding): (&[Side], usize),
    ) {
        let (comparison, _) = kind.of();
        let Some(of) = terms.comparisons.get(comparison) else { return };
        self.label(terms, turned);
        let terminal = |side: &Side| self.terminal(if *side == Side::A { &of.a } else { &of.b });
        self.slots = cables.iter().map(terminal).collect();
        self.in_rounds = terms.switcher.as_ref().is_some_and(|switcher| switcher.filled == Some(true));
        (self.slot, self.sounding, self.from, self.given_up) = (0, sounding, 0, None);
        self.park(at_ms);
    }

    /// What is heard by name before any trial: the terminals of its slots.
    pub(super) fn demonstrate(&mut self, terms: &Terms, turned: bool, kind: PairKind, slots: &[(Side, f64)]) {
        let (comparison, _) = kind.of();
        let Some(of) = terms.comparisons.get(comparison) else { return };
        self.label(terms, turned);
        self.slots = slots
            .iter()
            .map(|(side, _)| self.terminal(if *side == Side::A { &of.a } else { &of.b }))
            .collect();
        self.from = 0;
    }

    /// Nothing is connected any more.
    pub(super) fn park(&mut self, at_ms: u64) {
        (self.wanted, self.late, self.running) = (false, false, None);
        let order = self.ritual.park(at_ms);
        self.worker.order(order);
    }

    /// Connects a slot after so many milliseconds of nothing.
    pub(super) fn connect(&mut self, at_ms: u64, slot: usize, apart_ms: u64) {
        self.slot = slot;
        let terminal = self.slots.get(slot).copied().unwrap_or(Terminal::Parked);
        let order = self.ritual.begin(at_ms, apart_ms, terminal);
        self.worker.order(order);
    }

    /// The level is chosen over terminal 1, whatever will be drawn. Says whether it is connected.
    pub(super) fn for_level(&mut self, at_ms: u64, terms: &Terms, turned: bool) -> bool {
        self.label(terms, turned);
        if !self.ritual.is_connected() && !self.ritual.is_on() && self.ritual.is_free(at_ms) {
            let order = self.ritual.begin(at_ms, self.apart_ms, Terminal::One);
            self.worker.order(order);
        }
        self.ritual.is_connected()
    }

    /// The seal gave the cable that the session names second label 1.
    pub(super) fn is_turned(&self) -> bool {
        self.turned
    }

    /// From now on nothing is connected, and no answer is waited for; what to order for it.
    pub(super) fn parked(&mut self, at_ms: u64) -> Terminal {
        (self.wanted, self.late, self.running) = (false, false, None);
        self.ritual.park(at_ms)
    }

    /// Orders and waits until that and everything before it was answered. Whoever waits shows nothing new meanwhile, so this is
    /// for before the first and after the last trial, and a person who sleeps is not waited for without end.
    pub(super) fn wait_for(&mut self, terminal: Terminal, look: Duration) -> Result<(), String> {
        self.worker.order(terminal);
        let mut open = self.ritual.take_open() + u32::from(terminal != Terminal::Parked);
        let mut waited = Duration::ZERO;
        while open > 0 {
            let failed = match self.worker.answer() {
                Some(answer) => {
                    open -= 1;
                    answer.err().map(|error| self.reason(&error))
                }
                None if waited >= PATIENCE => {
                    Some(self.reason(&SwitchError::Silent(PATIENCE.as_millis() as u64)))
                }
                None => {
                    std::thread::sleep(look);
                    waited += look;
                    None
                }
            };
            if let Some(reason) = failed {
                self.ritual.give_open(open);
                return Err(reason);
            }
        }
        Ok(())
    }

    /// Why the switch cannot be trusted, to be read by anybody.
    fn reason(&self, error: &SwitchError) -> String {
        match &self.board {
            Some(_) => "the operator did not confirm in time".to_owned(),
            None => error.to_string(),
        }
    }

    /// The loop begins here.
    pub(super) fn loop_from(&mut self, frame: u64) {
        self.from = frame;
    }

    /// Sound is due: whether its cable is connected.
    pub(super) fn sounds(&mut self) -> bool {
        self.late |= !self.ritual.is_connected();
        !self.late
    }

    /// What the journal has to say of who operates.
    fn news_of_the_operator(&mut self) -> Option<&'static str> {
        let board = self.board.as_ref()?;
        if board.turned_away() > 0 {
            return Some("somebody else tried to become the operator");
        }
        let comes = board.holder().is_some() && !self.introduced;
        self.introduced |= comes;
        comes.then_some("the operator's page was opened")
    }

    fn due(&mut self, at_ms: u64) -> Due {
        while let Some(answer) = self.worker.answer() {
            let due = self.ritual.answered(at_ms, answer);
            if due != Due::Nothing {
                return due;
            }
        }
        match self.ritual.due(at_ms) {
            Due::Nothing if std::mem::take(&mut self.late) => {
                // What failed before is the cause, and was counted.
                self.failures -= u32::from(self.given_up.is_some() && self.failures > 0);
                let silent = || SwitchError::Silent(self.ritual.timing().settle_ms);
                Due::Failed(self.given_up.clone().unwrap_or_else(silent))
            }
            due => due,
        }
    }

    /// A presentation was asked for, and the time has come for it to begin.
    fn may_begin(&self, at_ms: u64) -> bool {
        let still = !self.ritual.is_on() && (self.in_rounds || !self.ritual.is_connected());
        self.wanted && still && self.running.is_none() && self.ritual.is_free(at_ms)
    }
}
