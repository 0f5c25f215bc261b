//! The device's supervisor: a thread that opens the stream, sees when it is lost, and opens it again.
//!
//! The system cannot be relied on to say that a device is gone: some paths flood the error callback, some fall silent,
//! some hang. So the watch is on the data callback, and a stream is dropped on a thread of its own with a time limit.

#![expect(clippy::disallowed_methods, reason = "a device is watched in real time")]

use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::time::{Duration, Instant};

use super::PlayerEvent;
use super::device::{Playing, open_stream};
use super::handle::{Opened, Output, Player, Report};
use super::options::{PlayerError, PlayerOptions};

/// How often the supervisor looks.
const LOOK: Duration = Duration::from_millis(20);
/// A stream without a data callback for so long is lost.
const PATIENCE: Duration = Duration::from_millis(500);
/// A stream may take so long to its first callback.
const FIRST_PATIENCE: Duration = Duration::from_secs(3);
/// A stream that was opened less than [`FIRST_PATIENCE`] ago may pause for so long: some begin with a burst of errors and
/// then play on, later on a busy machine.
const YOUNG_PATIENCE: Duration = Duration::from_secs(1);
/// With so many errors and no data callback in between, [`FLOOD_PATIENCE`] is enough.
const FLOOD_ERRORS: u64 = 2_000;
const FLOOD_PATIENCE: Duration = Duration::from_millis(250);
/// Signs of a hole that come closer together than this are of the same hole.
const SAME_HOLE: Duration = Duration::from_millis(100);
/// How often a lost device is looked for.
const RETRY: Duration = Duration::from_millis(500);
/// How long a stream may take to be dropped before it is left to itself.
const DROP_LIMIT: Duration = Duration::from_secs(2);
/// How long opening may take.
const OPEN_LIMIT: Duration = Duration::from_secs(15);
/// Length of a measurement of the pace, after a settling time of as long.
const PACE_WINDOW: Duration = Duration::from_secs(5);
/// Largest deviation of the pace from the rate that is no reason for suspicion.
const PACE_TOLERANCE: f64 = 0.005;
/// Silence that the sound system must have played before a stream is dropped, beyond what it has in hand: dropping does
/// not drain, and the fade of a pause that was not played to its end would be a click.
const DRAIN: Duration = Duration::from_millis(60);
/// No longer than this, whatever a device says that it has in hand.
const DRAIN_LIMIT: Duration = Duration::from_secs(1);

enum Request {
    Reopen { rate_hz: u32, reply: SyncSender<Option<Opened>> },
    Close { reply: SyncSender<()> },
}

/// The handle's side of a device.
struct Device {
    requests: Sender<Request>,
    reports: Receiver<Report>,
}

impl Output for Device {
    fn reports(&mut self) -> Vec<Report> {
        self.reports.try_iter().collect()
    }

    fn reopen(&mut self, rate_hz: u32) -> Option<Opened> {
        let (reply, answer) = sync_channel(1);
        self.requests.send(Request::Reopen { rate_hz, reply }).ok()?;
        answer.recv_timeout(OPEN_LIMIT).ok().flatten()
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        let (reply, answer) = sync_channel(1);
        if self.requests.send(Request::Close { reply }).is_ok() {
            let _ = answer.recv_timeout(DRAIN + DRAIN_LIMIT + DROP_LIMIT + DROP_LIMIT);
        }
    }
}

/// Opens a device with its supervisor.
pub(super) fn open(
    name: Option<&str>,
    rate_hz: u32,
    channels: u16,
    options: PlayerOptions,
) -> Result<Player, PlayerError> {
    let (requests, orders) = channel();
    let (reports, inbox) = channel();
    let (reply, answer) = sync_channel(1);
    let name = name.map(str::to_owned);
    std::thread::Builder::new()
        .name("sound-watch".into())
        .spawn(move || {
            let opened = open_stream(name.as_deref(), rate_hz, channels, options);
            let playing = match opened {
                Ok((playing, opened)) => {
                    let _ = reply.send(Ok(opened));
                    playing
                }
                Err(error) => {
                    let _ = reply.send(Err(error));
                    return;
                }
            };
            Watch { name, rate_hz, channels, options, reports, playing: None }.run(playing, &orders);
        })
        .map_err(|error| {
            PlayerError::Unusable(format!("no thread for the sound device could be started: {error}"))
        })?;
    let opened = answer.recv_timeout(OPEN_LIMIT).map_err(|_| {
        PlayerError::NoDevice(format!(
            "The sound system did not answer within {} s. Restart it (`systemctl --user restart pipewire pulseaudio`), or \
             use --output silent|FILE.wav.",
            OPEN_LIMIT.as_secs()
        ))
    })??;
    Ok(Player::new(Box::new(Device { requests, reports: inbox }), opened))
}

/// A stream under watch. What holds the sound system's end does not matter to the watch.
struct Watched<S = cpal::Stream> {
    playing: Playing<S>,
    callbacks: u64,
    errors: u64,
    underruns: u64,
    holes: u64,
    moved: u64,
    /// When a hole was told last.
    holed: Option<Instant>,
    opened: Instant,
    /// When the last new callback was seen.
    alive: Instant,
    /// When the supervisor looked last.
    looked: Instant,
    pace: Pace,
}

/// A measurement of the pace.
struct Pace {
    since: Instant,
    from: u64,
    settled: bool,
    suspicions: u32,
    told: bool,
}

struct Watch {
    name: Option<String>,
    rate_hz: u32,
    channels: u16,
    options: PlayerOptions,
    reports: Sender<Report>,
    playing: Option<Watched>,
}

fn watched<S>(playing: Playing<S>) -> Watched<S> {
    let now = Instant::now();
    let pace = Pace { since: now, from: 0, settled: false, suspicions: 0, told: false };
    Watched {
        playing,
        callbacks: 0,
        errors: 0,
        underruns: 0,
        holes: 0,
        moved: 0,
        holed: None,
        opened: now,
        alive: now,
        looked: now,
        pace,
    }
}

/// Waits until the sound system has played what it was given.
fn drain(playing: &Playing) {
    let in_hand = Duration::from_micros(playing.shared.ahead_microseconds.load(Ordering::Relaxed));
    std::thread::sleep(DRAIN + in_hand.min(DRAIN_LIMIT));
}

/// Drops a stream on a thread of its own and waits a limited time.
fn drop_stream(playing: Playing) {
    let (reply, done) = sync_channel(1);
    let spawned = std::thread::Builder::new().name("sound-close".into()).spawn(move || {
        drop(playing.stream);
        let _ = reply.send(());
    });
    if spawned.is_ok() {
        let _ = done.recv_timeout(DROP_LIMIT);
    }
}

impl<S> Watched<S> {
    /// Looks once; what is wrong, if the stream is lost.
    fn look(&mut self, tell: &mut dyn FnMut(PlayerEvent)) -> Option<String> {
        let shared = &self.playing.shared;
        let now = Instant::now();
        let callbacks = shared.callbacks.load(Ordering::Relaxed);
        let errors = shared.errors.load(Ordering::Relaxed);
        if callbacks != self.callbacks {
            self.callbacks = callbacks;
            self.errors = errors;
            self.alive = now;
        } else if now.duration_since(self.looked) > PATIENCE / 2 {
            // The whole program was asleep, supervisor and all: that tells nothing of the device.
            self.alive = now;
        }
        self.looked = now;
        let underruns = shared.underruns.load(Ordering::Relaxed);
        if underruns != self.underruns {
            self.underruns = underruns;
            self.pace = Pace {
                since: now,
                from: shared.rendered.load(Ordering::Relaxed),
                settled: false,
                ..self.pace
            };
        }
        let holes = shared.holes.load(Ordering::Relaxed);
        if holes != self.holes {
            self.holes = holes;
            // The system and the stream's clock may both tell of one hole, and not at the same moment.
            if self.holed.is_none_or(|told| now - told > SAME_HOLE) {
                self.holed = Some(now);
                tell(PlayerEvent::Underrun);
            }
        }
        let moved = shared.moved.load(Ordering::Relaxed);
        if moved != self.moved {
            self.moved = moved;
            tell(PlayerEvent::DeviceChanged);
        }
        if let Some(measured_hz) =
            self.pace.measure(now, shared.rendered.load(Ordering::Relaxed), self.playing.rate_hz)
        {
            tell(PlayerEvent::RateSuspected { measured_hz });
        }
        if shared.gone.load(Ordering::Relaxed) {
            return Some("the system reports that the device is gone".into());
        }
        let silent = now - self.alive;
        let flood = errors.saturating_sub(self.errors);
        let young = now - self.opened < FIRST_PATIENCE;
        if flood > FLOOD_ERRORS && silent > FLOOD_PATIENCE && callbacks > 0 && !young {
            return Some(format!(
                "no block was asked for in {} ms, and {flood} errors came instead",
                silent.as_millis()
            ));
        }
        let patience = match (callbacks, young) {
            (0, _) => FIRST_PATIENCE,
            (_, true) => YOUNG_PATIENCE,
            (_, false) => PATIENCE,
        };
        (silent > patience).then(|| format!("no block was asked for in {} ms", silent.as_millis()))
    }
}

impl Pace {
    /// The pace in Hz, once, when two windows in a row are off.
    fn measure(&mut self, now: Instant, rendered: u64, rate_hz: u32) -> Option<u32> {
        let elapsed = now - self.since;
        if elapsed < PACE_WINDOW {
            return None;
        }
        let pace = rendered.saturating_sub(self.from) as f64 / elapsed.as_secs_f64();
        let settled = std::mem::replace(&mut self.settled, true);
        self.since = now;
        self.from = rendered;
        if !settled || (pace / f64::from(rate_hz) - 1.0).abs() <= PACE_TOLERANCE {
            self.suspicions = 0;
            return None;
        }
        self.suspicions += 1;
        if self.suspicions < 2 || self.told {
            return None;
        }
        self.told = true;
        Some(pace.round() as u32)
    }
}

impl Watch {
    fn run(mut self, playing: Playing, orders: &Receiver<Request>) {
        self.playing = Some(watched(playing));
        let mut tried = Instant::now();
        loop {
            match orders.recv_timeout(LOOK) {
                Ok(Request::Reopen { rate_hz, reply }) => {
                    let _ = reply.send(self.reopen(rate_hz));
                }
                Ok(Request::Close { reply }) => {
                    if let Some(watched) = self.playing.take() {
                        drain(&watched.playing);
                        drop_stream(watched.playing);
                    }
                    let _ = reply.send(());
                    return;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            let reports = &self.reports;
            let lost = self
                .playing
                .as_mut()
                .and_then(|watched| watched.look(&mut |event| drop(reports.send(Report::Event(event)))));
            if let Some(reason) = lost {
                let _ = self.reports.send(Report::Event(PlayerEvent::DeviceLost { reason }));
                if let Some(watched) = self.playing.take() {
                    crate::system::quietly(|| drop_stream(watched.playing));
                }
                tried = Instant::now();
            }
            if self.playing.is_none() && tried.elapsed() >= RETRY {
                tried = Instant::now();
                if let Ok((playing, opened)) =
                    open_stream(self.name.as_deref(), self.rate_hz, self.channels, self.options)
                {
                    self.playing = Some(watched(playing));
                    let _ = self.reports.send(Report::Replaced(Box::new(opened)));
                }
            }
        }
    }

    /// Another rate. If the device does not open at it, it is opened at the old one again.
    fn reopen(&mut self, rate_hz: u32) -> Option<Opened> {
        let watched_now = self.playing.take()?;
        drain(&watched_now.playing);
        drop_stream(watched_now.playing);
        let before = std::mem::replace(&mut self.rate_hz, rate_hz);
        for rate in [rate_hz, before] {
            if let Ok((playing, opened)) =
                open_stream(self.name.as_deref(), rate, self.channels, self.options)
            {
                self.rate_hz = rate;
                self.playing = Some(watched(playing));
                return Some(opened);
            }
        }
        let reason = "the device could not be opened again at another rate".to_owned();
        let _ = self.reports.send(Report::Event(PlayerEvent::DeviceLost { reason }));
        None
    }
}

#[cfg(test)]
mod tests;
