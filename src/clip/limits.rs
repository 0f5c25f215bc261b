//! What is allowed of sound, in one table: whoever refuses or documents a value takes it from here.

use std::ops::RangeInclusive;

/// Sample rates in Hz, of files and of synthesised clips.
pub const RATES_HZ: RangeInclusive<u32> = 8_000..=384_000;
/// Length of a synthesised clip in seconds. Listeners compare excerpts of 10 to 25 s, and a synthesised sound is in memory
/// whole: a minute of it is 46 MB at 48 kHz.
pub const SYNTHESISED_SECONDS: RangeInclusive<f64> = 0.1..=60.0;
/// Where an excerpt of a file may lie, in seconds from its beginning: no file that is opened holds a day of sound.
pub const LONGEST_SECONDS: f64 = 86_400.0;
/// Largest magnitude of a level or tilt control in dB: what is added to a sound stays bounded, for ears.
pub const CONTROL_DECIBELS: f64 = 6.0;
/// Largest head movement of a control in metres: further aside, a listener no longer sits between the loudspeakers.
pub const HEAD_MOVEMENT_METRES: f64 = 0.5;
/// Longest recording that is read, in seconds.
pub const RECORDING_SECONDS: f64 = 600.0;

/// What is wrong with a recording of so many seconds, if it is too long: its minutes are never rounded down to what is allowed.
pub fn too_long(seconds: f64) -> Option<String> {
    (seconds > RECORDING_SECONDS).then(|| {
        format!(
            "it is {:.1} min long; cut it to {:.0} min at most",
            (seconds / 6.0).ceil() / 10.0,
            RECORDING_SECONDS / 60.0
        )
    })
}
