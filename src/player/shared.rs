//! What the two sides of the real-time wall count for each other, without a lock.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// What the renderer and the device's error callback tell the handle. Relaxed order is enough: each value stands alone.
#[derive(Debug, Default)]
pub(super) struct Shared {
    /// Position in frames of the stream.
    pub(super) position: AtomicU64,
    /// Frames of stimuli that were rendered.
    pub(super) played: AtomicU64,
    /// Frames that the output asked for, silence included.
    pub(super) rendered: AtomicU64,
    /// Number of the last jump that was made.
    pub(super) jumped: AtomicU64,
    /// Sound is running.
    pub(super) running: AtomicBool,
    /// Calls of the data callback.
    pub(super) callbacks: AtomicU64,
    /// Times the device ran dry, by the system's own report or by the clock of the stream.
    pub(super) underruns: AtomicU64,
    /// Those of them that fell into sound.
    pub(super) holes: AtomicU64,
    /// Sound that was in the device's hands when it asked last, in microseconds.
    pub(super) ahead_microseconds: AtomicU64,
    /// Other errors that the system reported.
    pub(super) errors: AtomicU64,
    /// Times the system moved the sound to another device.
    pub(super) moved: AtomicU64,
    /// The system says that the device is gone.
    pub(super) gone: AtomicBool,
}

impl Shared {
    /// Counts one.
    pub(super) fn count(counter: &AtomicU64) {
        counter.fetch_add(1, Ordering::Relaxed);
    }

    /// The device had nothing to play. A hole in silence disturbs nobody.
    pub(super) fn ran_dry(&self) {
        self.ran_dry_in(self.running.load(Ordering::Relaxed));
    }

    /// The device had nothing to play, in sound or in silence.
    pub(super) fn ran_dry_in(&self, sound: bool) {
        Self::count(&self.underruns);
        if sound {
            Self::count(&self.holes);
        }
    }
}
