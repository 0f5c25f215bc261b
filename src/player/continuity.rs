//! Whether the device ran dry between two calls of the data callback, by the device's own clock.
//!
//! The system often does not say so. A program that was kept from running for 0.6 s had played a hole of 0.8 s, found in
//! a recording of the device, and in two runs of three no underrun was reported. What the callback is told with every
//! block is enough: when it was called, and how much sound was still ahead of the block then.

use std::time::Duration;

/// What a late call may be off by without meaning anything: clocks of sound servers are estimates.
const TOLERANCE: Duration = Duration::from_millis(1);

/// Follows the calls of one stream.
#[derive(Debug, Default)]
pub(super) struct Continuity {
    /// When the last block was asked for, and how much sound lay ahead of it.
    last: Option<(Duration, Duration)>,
    /// How long the last block lasts.
    length: Duration,
}

impl Continuity {
    /// Takes note of a block: when it is asked for on the stream's clock, how much sound is ahead of it, how long it
    /// lasts. True if the device had nothing to play in between.
    ///
    /// Nothing is told while there is no sound ahead from the beginning: a stream that starts, or a device that does
    /// not say.
    pub(super) fn ran_dry(&mut self, called: Duration, ahead: Duration, length: Duration) -> bool {
        let before = self.last.replace((called, ahead));
        let lasted = std::mem::replace(&mut self.length, length);
        let Some((was_called, was_ahead)) = before else { return false };
        if was_ahead.is_zero() {
            return false;
        }
        let passed = called.saturating_sub(was_called);
        ahead.is_zero() || passed > was_ahead + lasted + TOLERANCE
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
                continuity.ran_dry(micros(*called), micros(*ahead), micros(28_437))
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
}
