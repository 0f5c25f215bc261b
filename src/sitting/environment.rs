//! Clock, preparation, sound and randomness: all that a sitting takes from the world, replaceable as a whole.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rand::TryRng;

use crate::player::{OutputChoice, PlayerError, PlayerOptions, Transport};
use crate::screen::Progress as Shown;
use crate::screen::terminal::restore;
use crate::session::Session;
use crate::stimulus::{Progress, StimulusError, StimulusSet};
use crate::trial::Secret;

/// Time as a sitting needs it.
pub trait Clock {
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
        jiff::Timestamp::now()
    }
}

/// Makes the stimuli of a session.
pub type Prepare =
    Arc<dyn Fn(&Session, &dyn Progress) -> Result<StimulusSet, StimulusError> + Send + Sync + 'static>;

/// Opens an output.
pub type Open<'e> =
    &'e dyn Fn(&OutputChoice, u32, u16, PlayerOptions) -> Result<Box<dyn Transport>, PlayerError>;

/// All that a sitting takes from the world.
pub struct Environment<'e> {
    /// Time.
    pub clock: &'e dyn Clock,
    /// Stimuli.
    pub prepare: Prepare,
    /// Stimuli are made on a thread of their own while the terms are read; else before anything is shown.
    pub in_background: bool,
    /// Sound.
    pub open: Open<'e>,
    /// The secret behind the draws.
    pub secret: &'e dyn Fn() -> io::Result<Secret>,
    /// Presentation orders in place of the drawn ones, for tests of blindness; empty in every real sitting.
    pub forced_orders: Vec<usize>,
    /// Luck of a simulated listener.
    pub seed: u64,
    /// Somebody outside asked the program to end.
    pub ending: &'e dyn Fn() -> bool,
}

impl<'e> Environment<'e> {
    /// The computer's clock, sound and randomness.
    pub fn real(clock: &'e dyn Clock) -> Self {
        Self {
            clock,
            prepare: Arc::new(crate::stimulus::prepare),
            in_background: true,
            open: &crate::player::open,
            secret: &Secret::draw,
            forced_orders: Vec::new(),
            seed: rand::rngs::SysRng.try_next_u64().unwrap_or_default(),
            ending: &asked_to_end,
        }
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
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    static NOTED: AtomicBool = AtomicBool::new(false);
    if NOTED.swap(true, Ordering::SeqCst) {
        return Ok(());
    }
    let mut signals = signal_hook::iterator::Signals::new([SIGTERM, SIGINT, SIGHUP])?;
    std::thread::Builder::new().name("requests to end".to_owned()).spawn(move || {
        for signal in signals.forever() {
            if ENDING.swap(true, Ordering::SeqCst) {
                restore();
                let _ = signal_hook::low_level::emulate_default_handler(signal);
            }
        }
    })?;
    Ok(())
}

/// Stimuli that are being made on a thread of their own.
pub struct Preparation {
    made: Receiver<Result<StimulusSet, StimulusError>>,
    told: Arc<Mutex<Shown>>,
}

/// Passes progress on to whoever shows it.
struct Teller(Arc<Mutex<Shown>>);

impl Progress for Teller {
    fn step(&self, done: u64, total: u64, what: &str) {
        if let Ok(mut shown) = self.0.lock() {
            *shown = Shown { label: what.to_string(), done: done as usize, total: total as usize };
        }
    }
}

impl Preparation {
    /// Starts making the stimuli.
    pub fn start(session: &Session, environment: &Environment<'_>) -> Self {
        let (sender, made) = channel();
        let first = Shown { label: "preparing the stimuli".to_string(), done: 0, total: 1 };
        let told = Arc::new(Mutex::new(first));
        let (session, teller) = (session.clone(), Teller(Arc::clone(&told)));
        let prepare = Arc::clone(&environment.prepare);
        let work = move || {
            let _ = sender.send(prepare(&session, &teller));
        };
        if environment.in_background {
            std::thread::spawn(work);
        } else {
            work();
        }
        Self { made, told }
    }

    /// How far it is.
    pub fn progress(&self) -> Shown {
        self.told.lock().map_or_else(
            |_| Shown { label: "preparing the stimuli".to_string(), done: 0, total: 1 },
            |shown| shown.clone(),
        )
    }

    /// The stimuli, when they are made; waits at most this long.
    pub fn take(&self, wait: Duration) -> Option<Result<StimulusSet, StimulusError>> {
        let received = if wait.is_zero() {
            self.made.try_recv().map_err(|error| error == TryRecvError::Disconnected)
        } else {
            self.made
                .recv_timeout(wait)
                .map_err(|error| error == std::sync::mpsc::RecvTimeoutError::Disconnected)
        };
        match received {
            Ok(made) => Some(made),
            // The thread ended without a word: only a panic does that, and its message has been written.
            Err(true) => Some(Err(StimulusError::Clip {
                clip: String::new(),
                message: "the preparation failed; this is a fault of the program, please report it"
                    .to_string(),
            })),
            Err(false) => None,
        }
    }
}
