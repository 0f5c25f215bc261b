//! Clock, preparation, sound and randomness: all that a sitting or a night takes from the world, replaceable as a whole.

#![expect(clippy::disallowed_methods, reason = "the clock that sittings and nights are given is made here")]

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rand::TryRng;

use super::witness::Invitation;
use crate::bench::recording::Recording;
use crate::bench::sweep::Sweep;
use crate::player::{OutputChoice, PlayerError, PlayerOptions, Transport};
use crate::screen::terminal::restore;
use crate::session::{Session, Switcher};
use crate::stimulus::{Progress, StimulusError, StimulusSet};
use crate::switcher::{Board, Switch, SwitchError};
use crate::trial::Secret;

/// Time as sittings and nights need it.
pub trait Clock: Send + Sync {
    /// Time since the clock was made; never runs backwards.
    fn elapsed(&self) -> Duration;
    /// The date and time in UTC.
    fn utc(&self) -> jiff::Timestamp;
}

/// The computer's clock.
#[derive(Debug)]
pub struct RealClock {
    started: Instant,
}

impl Default for RealClock {
    fn default() -> Self {
        Self { started: Instant::now() }
    }
}

impl Clock for RealClock {
    fn elapsed(&self) -> Duration {
        self.started.elapsed()
    }

    fn utc(&self) -> jiff::Timestamp {
        // A clock beyond the year 9999 is no reason to fail; the journal's own check says that it is not set right.
        jiff::Timestamp::try_from(std::time::SystemTime::now()).unwrap_or(jiff::Timestamp::MAX)
    }
}

/// A clock as milliseconds of a sitting or night: one that goes on after a cut-off goes on at the time of its last record.
#[derive(Clone)]
pub struct SittingClock {
    clock: Arc<dyn Clock>,
    /// The clock when the sitting was opened or resumed.
    since: Duration,
    /// Milliseconds of the sitting at that moment.
    from_ms: u64,
}

impl SittingClock {
    /// Starts now, at so many milliseconds of the sitting.
    pub fn start(clock: Arc<dyn Clock>, from_ms: u64) -> Self {
        Self { since: clock.elapsed(), clock, from_ms }
    }

    /// Milliseconds of the sitting; never runs backwards.
    pub fn now_ms(&self) -> u64 {
        let here = self.clock.elapsed().saturating_sub(self.since);
        self.from_ms + here.as_millis() as u64
    }

    /// The date and time in UTC as journals hold it.
    pub fn utc(&self) -> String {
        utc(self.clock.as_ref())
    }

    /// The same in milliseconds since 1970.
    pub fn utc_ms(&self) -> i64 {
        self.clock.utc().as_millisecond()
    }
}

/// The date and time in UTC as journals hold it: RFC 3339, whole seconds.
pub fn utc(clock: &dyn Clock) -> String {
    clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Makes the stimuli of a session.
pub type Prepare = Arc<dyn Fn(&Session, &dyn Progress) -> Result<StimulusSet, StimulusError> + Send + Sync>;

/// Opens an output for stimuli of this rate in Hz and number of channels.
pub type OpenOutput = Arc<
    dyn Fn(&OutputChoice, u32, u16, PlayerOptions) -> Result<Box<dyn Transport>, PlayerError> + Send + Sync,
>;

/// Opens the switch of a session.
pub type OpenSwitch = Arc<dyn Fn(&Switcher) -> Result<Box<dyn Switch>, SwitchError> + Send + Sync>;

/// Writes the report of the session in a file; gives the page, or says why it cannot be written.
pub type WriteReport = Arc<dyn Fn(&Path) -> Result<PathBuf, String> + Send + Sync>;

/// Plays a sweep and records the amplifier's terminals and the loudspeaker's.
pub type Bench = Arc<dyn Fn(&Sweep) -> Result<Recording, String> + Send + Sync>;

/// A person who is the switch, and how that person is reached.
#[derive(Debug, Clone)]
pub struct Operated {
    /// What is to be done.
    pub board: Arc<Board>,
    /// The page to be opened.
    pub invitation: Invitation,
}

/// All that a sitting or a night takes from the world.
#[derive(Clone)]
pub struct Environment {
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// Stimuli.
    pub prepare: Prepare,
    /// Stimuli are made on a thread of their own while people read; else before anything is shown.
    pub in_background: bool,
    /// Sound.
    pub open: OpenOutput,
    /// Relays of real cables.
    pub switch: OpenSwitch,
    /// The person who is the switch, where there is one.
    pub operator: Option<Operated>,
    /// Where both positions of a switch are measured, if they are.
    pub bench: Option<Bench>,
    /// The report, for whoever wants it when the seal is open; `None`: it is not offered.
    pub report: Option<WriteReport>,
    /// The secret behind the draws.
    pub secret: Arc<dyn Fn() -> io::Result<Secret> + Send + Sync>,
    /// Luck of a simulated listener and of training.
    pub seed: u64,
    /// Somebody outside asked the program to end.
    pub ending: fn() -> bool,
}

impl Environment {
    /// The computer's clock, sound and randomness.
    pub fn real() -> Self {
        Self {
            clock: Arc::new(RealClock::default()),
            prepare: Arc::new(crate::stimulus::prepare),
            in_background: true,
            open: Arc::new(crate::player::open),
            switch: Arc::new(crate::switcher::open),
            operator: None,
            bench: None,
            report: None,
            secret: Arc::new(Secret::draw),
            seed: rand::rngs::SysRng.try_next_u64().unwrap_or_default(),
            ending: asked_to_end,
        }
    }

    /// The date and time in UTC as journals hold it.
    pub fn utc(&self) -> String {
        utc(self.clock.as_ref())
    }
}

/// Somebody outside asked the program to end.
static ENDING: AtomicBool = AtomicBool::new(false);

/// Whether somebody outside asked the program to end (a terminate, hang-up or interrupt signal).
pub fn asked_to_end() -> bool {
    ENDING.load(Ordering::SeqCst)
}

/// From now on a request to end from outside is noted and does not end the process at once: the terminal is given back
/// and the journal stays whole. A second request ends it, after the terminal was given back.
pub fn note_requests_to_end() -> io::Result<()> {
    static NOTED: AtomicBool = AtomicBool::new(false);
    if NOTED.swap(true, Ordering::SeqCst) {
        return Ok(());
    }
    crate::system::on_request_to_end(|| {
        let again = ENDING.swap(true, Ordering::SeqCst);
        if again {
            restore();
        }
        again
    })
}
