//! Whether the device ran dry, by the device's own clock.
//!
//! The system often does not say so. A program that was kept from running for 0.6 s had played a hole of 0.8 s, found in
//! a recording of the device, and in two runs of three no underrun was reported. What the callback is told with every
//! block is enough: when it was called, and how much sound was still ahead of the block then.
//!
//! A hole can also be made behind the sound system's counter, where the calls come in time and sound enough is ahead. It
//! shows in the pace: from then on every block is asked for later by the length of the hole. On a busy machine with four
//! holes of 0.23 to 2.5 s in a recording, the steps were those lengths within a millisecond.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::shared::Shared;

/// What a late call may be off by without meaning anything: clocks of sound servers are estimates.
const TOLERANCE: Duration = Duration::from_millis(1);
/// Calls are late by chance. The earliest of a window is not.
const WINDOW_SECONDS: f64 = 1.0;
/// A step of the pace that is a hole. The earliest calls of windows were seen to differ by 12 ms without one.
const STEP_SECONDS: f64 = 0.020;

/// A hole that was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Hole {
    /// Just before this block.
    Now,
    /// Within the last [`LOOKED_BACK`].
    Lately,
}

/// How far back a hole may lie that the pace shows: two windows before it and two after, and the last call.
const LOOKED_BACK: Duration = Duration::from_secs(5);

/// Follows the calls of one stream and tells what is shared of the holes in it.
pub(super) struct StreamClock {
    shared: Arc<Shared>,
    rate_hz: u32,
    continuity: Continuity,
    /// Underruns that were known at the last call.
    underruns: u64,
    /// When there was sound last.
    sounded: Option<Duration>,
}

impl StreamClock {
    pub(super) fn new(shared: Arc<Shared>, rate_hz: u32) -> Self {
        Self { shared, rate_hz, continuity: Continuity::default(), underruns: 0, sounded: None }
    }

    /// Takes note of a block of so many frames that is asked for now, with so much sound ahead of it.
    pub(super) fn block(&mut self, called: Duration, ahead: Duration, frames: usize) {
        let length = Duration::from_secs_f64(frames as f64 / f64::from(self.rate_hz));
        if self.shared.underruns.load(Ordering::Relaxed) != self.underruns {
            self.continuity.pace.restart();
        }
        if self.shared.running.load(Ordering::Relaxed) {
            self.sounded = Some(called);
        }
        let since_sound = self.sounded.map(|at| called.saturating_sub(at));
        match self.continuity.block(called, ahead, length) {
            Some(Hole::Now) => self.shared.ran_dry(),
            Some(Hole::Lately) => self.shared.ran_dry_in(since_sound.is_some_and(|time| time < LOOKED_BACK)),
            None => {}
        }
        self.underruns = self.shared.underruns.load(Ordering::Relaxed);
        let in_hand = (ahead + length).as_micros().min(u128::from(u64::MAX)) as u64;
        self.shared.ahead_microseconds.store(in_hand, Ordering::Relaxed);
    }
}

/// Follows the calls of one stream.
#[derive(Debug, Default)]
struct Continuity {
    /// When the last block was asked for, and how much sound lay ahead of it.
    last: Option<(Duration, Duration)>,
    /// How long the last block lasts.
    length: Duration,
    pace: Pace,
}

/// How far the calls are behind the sound that was given, window by window.
#[derive(Debug, Default)]
struct Pace {
    /// Sound that was given, in seconds.
    given: f64,
    /// When the present window began, in seconds, and the least that a call of it was behind; none before a first call.
    window: Option<(f64, f64)>,
    /// The windows before, the latest last, and how many there have been.
    windows: [f64; 4],
    count: usize,
}

impl Continuity {
    /// Takes note of a block: when it is asked for on the stream's clock, how much sound is ahead of it, how long it
    /// lasts. A hole, if the device had nothing to play in between or is found to have had nothing in the last seconds.
    ///
    /// Nothing is told while there is no sound ahead from the beginning: a stream that starts, or a device that does
    /// not say.
    fn block(&mut self, called: Duration, ahead: Duration, length: Duration) -> Option<Hole> {
        let fell_behind = self.pace.fell_behind(called.as_secs_f64(), length.as_secs_f64());
        let before = self.last.replace((called, ahead));
        let lasted = std::mem::replace(&mut self.length, length);
        let (was_called, was_ahead) = before?;
        let passed = called.saturating_sub(was_called);
        let dry = !was_ahead.is_zero() && (ahead.is_zero() || passed > was_ahead + lasted + TOLERANCE);
        if dry {
            self.pace.restart();
            return Some(Hole::Now);
        }
        fell_behind.then_some(Hole::Lately)
    }
}

impl Pace {
    /// A hole is known: the step that it makes is not told again.
    fn restart(&mut self) {
        self.window = None;
        self.count = 0;
    }

    /// Takes note of a call and of the sound given by it, in seconds; true at the end of the second window after a step.
    /// The first window is not looked at: a stream that starts finds its pace.
    fn fell_behind(&mut self, called: f64, length: f64) -> bool {
        let behind = called - self.given;
        self.given += length;
        let Some((since, least)) = self.window else {
            self.window = Some((called, behind));
            return false;
        };
        if called - since < WINDOW_SECONDS {
            self.window = Some((since, least.min(behind)));
            return false;
        }
        self.windows.rotate_left(1);
        self.windows[3] = least;
        self.window = Some((called, behind));
        self.count += 1;
        let [first, second, third, fourth] = self.windows;
        let stepped = self.count > 4 && third.min(fourth) - first.max(second) > STEP_SECONDS;
        if stepped {
            self.restart();
        }
        stepped
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn micros(value: u64) -> Duration {
        Duration::from_micros(value)
    }

    /// Calls as (microseconds of the call, microseconds ahead); blocks of 1365 frames at 48 kHz.
    fn told(calls: &[(u64, u64)]) -> Vec<usize> {
        let mut continuity = Continuity::default();
        calls
            .iter()
            .enumerate()
            .filter(|(_, (called, ahead))| {
                continuity.block(micros(*called), micros(*ahead), micros(28_437)).is_some()
            })
            .map(|(index, _)| index)
            .collect()
    }

    #[test]
    fn a_regular_stream_and_one_with_late_calls_in_time_are_whole() {
        let regular: Vec<(u64, u64)> = (0..1_000).map(|i| (i * 28_437, 56_000 + i % 7 * 300)).collect();
        assert!(told(&regular).is_empty());
        // As measured at a busy start: late, and just in time.
        let start = [(0, 0), (100, 8_400), (13_000, 29_000), (53_000, 49_200), (110_800, 56_700)];
        assert!(told(&start).is_empty());
    }

    #[test]
    fn a_call_later_than_all_the_sound_there_was_is_a_hole() {
        // As measured: stopped for 0.6 s, and the system said nothing.
        assert_eq!(told(&[(0, 55_000), (28_000, 56_400), (921_000, 0), (921_100, 0), (921_200, 0)]), [2]);
        assert_eq!(told(&[(0, 55_000), (28_000, 56_400), (921_000, 5_000), (921_100, 33_000)]), [2]);
        // One frame more or less is not told apart from the clock's own error.
        assert!(told(&[(0, 10_000), (38_437 + 900, 3)]).is_empty());
        assert_eq!(told(&[(0, 10_000), (38_437 + 1_100, 3)]), [1]);
    }

    #[test]
    fn a_device_that_does_not_say_what_is_ahead_is_not_accused() {
        assert!(told(&[(0, 0), (28_000, 0), (921_000, 0), (950_000, 0)]).is_empty());
        // A clock that goes back tells nothing.
        assert!(told(&[(50_000, 20_000), (0, 20_000), (28_000, 20_000)]).is_empty());
    }

    /// Calls of a stream whose blocks are asked for late by chance (up to 9 ms) and for good from some block on.
    fn paced(hole_at: usize, hole: u64) -> Vec<(u64, u64)> {
        (0..400_u64)
            .map(|i| {
                let lost = if i as usize >= hole_at { hole } else { 0 };
                (i * 28_437 + lost + i * 7 % 10 * 1_000, 56_000)
            })
            .collect()
    }

    #[test]
    fn a_hole_behind_the_counter_shows_in_the_pace_and_is_told_once() {
        assert!(told(&paced(usize::MAX, 0)).is_empty());
        // Less than can be told from chance.
        assert!(told(&paced(250, 8_000)).is_empty());
        let found = told(&paced(250, 50_000));
        assert!(matches!(found[..], [at] if (250..250 + 110).contains(&at)), "{found:?}");
        // At the very beginning the stream finds its pace.
        assert!(told(&paced(20, 50_000)).is_empty());
    }

    #[test]
    fn a_hole_that_is_known_is_not_told_again_by_the_pace() {
        let found = told(&paced(250, 900_000));
        assert_eq!(found, [250], "by the clock, once");
        let mut continuity = Continuity::default();
        let mut told = 0;
        for (index, (called, ahead)) in paced(250, 50_000).into_iter().enumerate() {
            if index == 250 {
                continuity.pace.restart();
            }
            told += u32::from(continuity.block(micros(called), micros(ahead), micros(28_437)).is_some());
        }
        assert_eq!(told, 0, "the system has told it");
    }

    #[test]
    fn a_hole_counts_as_heard_where_there_was_sound() {
        for (sounds_until, heard) in [(0, 0), (400, 1), (260, 1), (100, 0)] {
            let shared = Arc::new(Shared::default());
            let mut clock = StreamClock::new(Arc::clone(&shared), 48_000);
            for (index, (called, ahead)) in paced(250, 50_000).into_iter().enumerate() {
                shared.running.store(index < sounds_until, Ordering::Relaxed);
                clock.block(micros(called), micros(ahead), 1365);
            }
            assert_eq!(shared.underruns.load(Ordering::Relaxed), 1, "sound until block {sounds_until}");
            assert_eq!(shared.holes.load(Ordering::Relaxed), heard, "sound until block {sounds_until}");
        }
    }
}
