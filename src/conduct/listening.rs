//! The player in seconds: seeking, loop regions, and the level that the listener chose.

use crate::player::{Sound, Status};

/// Shortest loop in seconds: below it a loop is a tone of its own.
pub const SHORTEST_LOOP: f64 = 0.2;

/// A presentation is stopped this long before the end of its sound, so that the player does not begin it again.
const BEFORE_THE_END_MS: u64 = 80;

/// For how long a sound of this length is presented, in milliseconds.
pub fn presented_ms(length_ms: u64) -> u64 {
    length_ms.saturating_sub(BEFORE_THE_END_MS).max(length_ms / 2)
}

/// A clip's rate and length, to turn seconds into frames and back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Extent {
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Length in frames.
    pub frames: u64,
}

impl Extent {
    /// Of a stimulus.
    pub fn of(sound: &Sound) -> Self {
        Self { rate_hz: sound.rate_hz, frames: sound.frames() }
    }

    /// Length in milliseconds.
    pub fn milliseconds(self) -> u64 {
        self.frames * 1000 / u64::from(self.rate_hz.max(1))
    }

    /// Length in seconds.
    pub fn seconds(self) -> f64 {
        self.seconds_at(self.frames)
    }

    /// Seconds at a frame.
    pub fn seconds_at(self, frame: u64) -> f64 {
        frame as f64 / f64::from(self.rate_hz.max(1))
    }

    /// The frame at so many seconds, inside the clip.
    pub fn frame_at(self, seconds: f64) -> u64 {
        let frame = (seconds.max(0.0) * f64::from(self.rate_hz)).round() as u64;
        frame.min(self.frames.saturating_sub(1))
    }

    /// Where a move by so many seconds leads, inside the loop region or the clip.
    pub fn moved(self, status: Status, region: Option<(u64, u64)>, seconds: f64) -> u64 {
        let target = self.frame_at(self.seconds_at(status.position) + seconds);
        match region {
            Some((from, to)) => target.clamp(from, to.saturating_sub(1).max(from)),
            None => target,
        }
    }

    /// The region after its start was put at `frame`: its end stays if it is far enough behind.
    pub fn with_start(self, region: Option<(u64, u64)>, frame: u64) -> (u64, u64) {
        let least = self.least();
        let from = frame.min(self.frames.saturating_sub(least));
        let to = region.map_or(self.frames, |(_, to)| to);
        (from, if to >= from + least { to } else { self.frames })
    }

    /// The region after its end was put at `frame`: its start stays if it is far enough ahead.
    pub fn with_end(self, region: Option<(u64, u64)>, frame: u64) -> (u64, u64) {
        let least = self.least();
        let to = frame.max(least).min(self.frames);
        let from = region.map_or(0, |(from, _)| from);
        (if from + least <= to { from } else { 0 }, to)
    }

    fn least(self) -> u64 {
        ((SHORTEST_LOOP * f64::from(self.rate_hz)) as u64).clamp(1, self.frames.max(1))
    }
}

/// The level check: where it starts, how far it goes, in decibels of the clip's own level.
pub mod level {
    /// It starts this low.
    pub const SOFTEST: f64 = -36.0;
    /// Each step near the clip's own level.
    const STEP: f64 = 3.0;
    /// Up to here steps are twice as large: from so soft, the same step is less of a surprise.
    const FINE_FROM: f64 = -12.0;

    /// One step louder, at most the clip's own level.
    pub fn louder(decibels: f64) -> f64 {
        if decibels < FINE_FROM { decibels + 2.0 * STEP } else { (decibels + STEP).min(0.0) }
    }

    /// One step softer.
    pub fn softer(decibels: f64) -> f64 {
        if decibels > FINE_FROM { decibels - STEP } else { (decibels - 2.0 * STEP).max(SOFTEST) }
    }

    /// As a factor.
    pub fn factor(decibels: f64) -> f32 {
        10.0_f64.powf(decibels / 20.0) as f32
    }
}

/// The same stimulus at another level; every stimulus of a sitting gets the same factor.
pub fn scaled(sound: Sound, decibels: f64) -> Sound {
    if decibels == 0.0 { sound } else { sound.times(level::factor(decibels)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEN: Extent = Extent { rate_hz: 1000, frames: 10_000 };

    #[test]
    fn a_loop_is_never_shorter_than_the_least_and_never_outside() {
        for start in (0..=10_000).step_by(371) {
            for end in (0..=10_000).step_by(419) {
                let region = TEN.with_start(None, start);
                let region = TEN.with_end(Some(region), end);
                assert!(region.1 <= 10_000 && region.0 + 200 <= region.1, "{start} {end}: {region:?}");
                let other = TEN.with_start(Some(TEN.with_end(None, end)), start);
                assert!(other.1 <= 10_000 && other.0 + 200 <= other.1, "{start} {end}: {other:?}");
            }
        }
    }

    #[test]
    fn a_move_stays_inside_the_loop() {
        let at = |position| Status { position, ..Status::default() };
        assert_eq!(TEN.moved(at(5000), None, -0.5), 4500);
        assert_eq!(TEN.moved(at(100), None, -0.5), 0);
        assert_eq!(TEN.moved(at(9900), None, 0.5), 9999);
        assert_eq!(TEN.moved(at(5000), Some((4800, 5200)), 2.0), 5199);
        assert_eq!(TEN.moved(at(5000), Some((4800, 5200)), -2.0), 4800);
    }

    #[test]
    fn the_level_check_starts_low_and_never_goes_above_the_clip() {
        let mut decibels = level::SOFTEST;
        assert!(level::factor(decibels) < 0.02);
        for _ in 0..100 {
            decibels = level::louder(decibels);
        }
        assert_eq!(decibels, 0.0);
        assert_eq!(level::factor(decibels), 1.0);
        assert_eq!(level::softer(level::SOFTEST), level::SOFTEST);
        let mut steps = vec![0.0];
        while let Some(&last) = steps.last().filter(|last| **last > level::SOFTEST) {
            assert_eq!(level::louder(level::softer(last)), last, "up is where down came from");
            steps.push(level::softer(last));
        }
        assert_eq!(steps, [0.0, -3.0, -6.0, -9.0, -12.0, -18.0, -24.0, -30.0, -36.0]);
    }
}
