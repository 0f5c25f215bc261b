//! The steps of every presentation, at fixed times: apart, connected, sound. They are the same when nothing changes.

use super::{SwitchError, Terminal};

/// How long each step takes, in milliseconds, whatever a relay or a person needs of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Nothing is connected for so long at least: between attempts, and before each presentation.
    pub apart_ms: u64,
    /// From the order to connect to the sound.
    pub settle_ms: u64,
}

/// What is to be done now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Due {
    /// Nothing.
    Nothing,
    /// Order this to be connected.
    Order(Terminal),
    /// The cable is connected, and its time is over: sound may start.
    Ready,
    /// The switch cannot be trusted.
    Failed(SwitchError),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    /// Nothing is to be connected since then.
    Parked { since_ms: u64 },
    /// The terminal that was asked for last is connected.
    Connected,
    /// Parted at this time, for so long.
    Apart { since_ms: u64, apart_ms: u64, terminal: Terminal },
    /// Connected at this time.
    Connecting { since_ms: u64 },
}

/// The steps of one presentation after another. Reads no clock.
#[derive(Debug)]
pub struct Ritual {
    timing: Timing,
    step: Step,
    /// Orders that were not answered yet.
    open: u32,
}

impl Ritual {
    /// Nothing is connected.
    pub fn new(timing: Timing) -> Self {
        Self { timing, step: Step::Parked { since_ms: 0 }, open: 0 }
    }

    /// Orders that were not answered yet, which somebody else waits for from now on.
    pub fn take_open(&mut self) -> u32 {
        std::mem::take(&mut self.open)
    }

    /// Those that nobody waits for any more: their answers are still to come.
    pub fn give_open(&mut self, orders: u32) {
        self.open += orders;
    }

    /// How long its steps take.
    pub fn timing(&self) -> Timing {
        self.timing
    }

    /// Begins to present a terminal, from whatever is going on; nothing is connected for `apart_ms`. Gives the first order.
    pub fn begin(&mut self, at_ms: u64, apart_ms: u64, terminal: Terminal) -> Terminal {
        self.step = Step::Apart { since_ms: at_ms, apart_ms, terminal };
        self.open += 1;
        Terminal::Parked
    }

    /// Nothing is presented any more; gives the order that parks.
    pub fn park(&mut self, at_ms: u64) -> Terminal {
        self.step = Step::Parked { since_ms: at_ms };
        self.open += 1;
        Terminal::Parked
    }

    /// A presentation has begun and is not ready.
    pub fn is_on(&self) -> bool {
        matches!(self.step, Step::Apart { .. } | Step::Connecting { .. })
    }

    /// The terminal that was asked for last is connected.
    pub fn is_connected(&self) -> bool {
        self.step == Step::Connected
    }

    /// A presentation may begin. From nothing connected only once that was confirmed, and never sooner than after its own time:
    /// how long it takes to disconnect one cable or the other would tell which it was.
    pub fn is_free(&self, at_ms: u64) -> bool {
        match self.step {
            Step::Parked { since_ms } => self.open == 0 && at_ms >= since_ms + self.timing.apart_ms,
            _ => true,
        }
    }

    /// When something is due that nobody asks for, in milliseconds of the sitting.
    pub fn due_at_ms(&self) -> Option<u64> {
        match self.step {
            Step::Apart { since_ms, apart_ms, .. } => Some(since_ms + apart_ms),
            Step::Parked { since_ms } if self.open == 0 => Some(since_ms + self.timing.apart_ms),
            _ => self.ready_at_ms(),
        }
    }

    /// When the sound of the presentation that is on starts, in milliseconds of the sitting.
    pub fn ready_at_ms(&self) -> Option<u64> {
        match self.step {
            Step::Apart { since_ms, apart_ms, .. } => Some(since_ms + apart_ms + self.timing.settle_ms),
            Step::Connecting { since_ms } => Some(since_ms + self.timing.settle_ms),
            Step::Parked { .. } | Step::Connected => None,
        }
    }

    /// An order was answered, in their order.
    pub fn answered(&mut self, at_ms: u64, answer: Result<(), SwitchError>) -> Due {
        self.open = self.open.saturating_sub(1);
        match answer {
            Ok(()) => Due::Nothing,
            Err(error) => self.fail(at_ms, error),
        }
    }

    /// What is due at this time. A switch that has not answered when its time is over is not waited for: how long one terminal
    /// takes would tell.
    pub fn due(&mut self, at_ms: u64) -> Due {
        let settle_ms = self.timing.settle_ms;
        match self.step {
            Step::Parked { .. } | Step::Connected => Due::Nothing,
            Step::Apart { since_ms, apart_ms, .. } if at_ms < since_ms + apart_ms => Due::Nothing,
            Step::Connecting { since_ms } if at_ms < since_ms + settle_ms => Due::Nothing,
            Step::Apart { .. } if self.open > 0 => {
                self.fail(at_ms, SwitchError::Silent(self.timing.apart_ms))
            }
            Step::Connecting { .. } if self.open > 0 => self.fail(at_ms, SwitchError::Silent(settle_ms)),
            Step::Apart { since_ms, apart_ms, terminal } => {
                // From the time that it was due, so that a slow look at the clock does not add up.
                self.step = Step::Connecting { since_ms: since_ms + apart_ms };
                self.open += 1;
                Due::Order(terminal)
            }
            Step::Connecting { .. } => {
                self.step = Step::Connected;
                Due::Ready
            }
        }
    }

    fn fail(&mut self, at_ms: u64, error: SwitchError) -> Due {
        self.step = Step::Parked { since_ms: at_ms };
        Due::Failed(error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIMING: Timing = Timing { apart_ms: 400, settle_ms: 500 };

    /// Time and what was done, with a relay that answers after so many milliseconds.
    fn presented(terminals: &[Terminal], answers_after_ms: u64) -> Vec<(u64, Due)> {
        let mut ritual = Ritual::new(TIMING);
        let (mut said, mut waiting) = (Vec::new(), Vec::new());
        let mut at_ms = 0;
        for terminal in terminals {
            let order = ritual.begin(at_ms, 400, *terminal);
            said.push((at_ms, Due::Order(order)));
            waiting.push(at_ms + answers_after_ms);
            while ritual.is_on() {
                at_ms += 10;
                while waiting.first().is_some_and(|answer| *answer <= at_ms) {
                    waiting.remove(0);
                    assert_eq!(ritual.answered(at_ms, Ok(())), Due::Nothing);
                }
                match ritual.due(at_ms) {
                    Due::Nothing => {}
                    due => {
                        if matches!(due, Due::Order(_)) {
                            waiting.push(at_ms + answers_after_ms);
                        }
                        said.push((at_ms, due));
                    }
                }
            }
        }
        said
    }

    #[test]
    fn every_presentation_is_the_same_steps_at_the_same_times() {
        use Terminal::{One, Parked, Two};
        let digits = |said: Vec<(u64, Due)>| -> Vec<(u64, bool)> {
            said.into_iter().map(|(at, due)| (at, due == Due::Order(Parked) || due == Due::Ready)).collect()
        };
        // The same terminal again, or the other: nothing but the number differs. Nor does a faster relay change a time.
        let same = digits(presented(&[One, One, One], 20));
        assert_eq!(same, digits(presented(&[Two, One, Two], 20)));
        assert_eq!(same, digits(presented(&[Two, Two, One], 390)));
        let times: Vec<u64> = same.iter().map(|(at, _)| *at).collect();
        assert_eq!(times, [0, 400, 900, 900, 1300, 1800, 1800, 2200, 2700]);
    }

    #[test]
    fn between_attempts_nothing_begins_before_it_was_confirmed_and_never_sooner_for_who_is_quick() {
        let mut ritual = Ritual::new(TIMING);
        ritual.park(1000);
        assert!(!ritual.is_free(1000) && !ritual.is_free(9000), "nobody has confirmed");
        ritual.answered(1001, Ok(()));
        assert!(!ritual.is_free(1399) && ritual.is_free(1400), "the same time, however quick");
        ritual.begin(1400, 450, Terminal::One);
        assert_eq!(ritual.ready_at_ms(), Some(1400 + 450 + 500), "longer by what the seal says");
    }

    #[test]
    fn a_relay_that_is_late_or_wrong_is_not_trusted() {
        let late = presented(&[Terminal::One], 450);
        assert_eq!(late.last(), Some(&(400, Due::Failed(SwitchError::Silent(400)))));
        let mut ritual = Ritual::new(TIMING);
        ritual.begin(0, 400, Terminal::Two);
        assert_eq!(ritual.answered(9, Err(SwitchError::Wrong)), Due::Failed(SwitchError::Wrong));
        assert!(!ritual.is_on() && !ritual.is_connected());
        // No message tells the terminal.
        for error in [SwitchError::Wrong, SwitchError::NotConnected, SwitchError::Silent(5)] {
            assert!(!error.to_string().contains(['1', '2']), "{error}");
        }
    }
}
