//! The way up to a capture's level: a short burst at each of a few levels, the quietest first, so that a wrong lead or a
//! volume that was left high is found before anything loud is played.

use crate::clip::Playable;
use crate::clip::fade::raised_cosine;

/// The first level in dB relative to full scale.
const LOWEST_DBFS: f64 = -60.0;
/// How far one is above the other in dB where somebody is asked at each, and where nobody is.
pub const ASKED_STEP_DB: f64 = 10.0;
/// See [`ASKED_STEP_DB`].
pub const STEP_DB: f64 = 20.0;
/// Up to this level nobody has to be asked.
pub const LOW_DBFS: f64 = -40.0;
/// Inputs stay below this peak in dBFS.
const HIGHEST_INPUT_DBFS: f64 = -1.0;
/// An input below this peak in dBFS hears nothing yet.
const NOTHING_DBFS: f64 = -75.0;
/// A burst and the silences around it, in seconds, and its ramps.
const BURST_S: f64 = 0.3;
const SILENCE_S: f64 = 0.2;
const RAMP_S: f64 = 0.05;
/// A burst goes from one to the other, in Hz: what no tweeter and no woofer minds.
const BURST_HZ: (f64, f64) = (200.0, 2000.0);

/// Levels in dB relative to full scale that lead up to `level_dbfs`, which is the last of them, in steps of so many dB.
pub fn levels(level_dbfs: f64, step_db: f64) -> Vec<f64> {
    let below = (0..).map(|step| LOWEST_DBFS + step_db * f64::from(step));
    below.take_while(|below| *below < level_dbfs - 1.0).chain([level_dbfs]).collect()
}

/// A burst at each level, one after the other, on every channel.
pub fn bursts(levels_dbfs: &[f64], rate_hz: u32, channels: u16) -> Playable {
    let rate = f64::from(rate_hz);
    let (frames, silence) = ((BURST_S * rate) as usize, (SILENCE_S * rate) as usize);
    let ramp = RAMP_S * rate;
    let octaves = (BURST_HZ.1 / BURST_HZ.0).ln();
    let burst: Vec<f64> = (0..frames)
        .map(|frame| {
            let share = frame as f64 / frames as f64;
            let turns = BURST_HZ.0 * BURST_S / octaves * (octaves * share).exp_m1();
            let edge = frame.min(frames - 1 - frame) as f64;
            raised_cosine(edge, ramp) * (std::f64::consts::TAU * turns).sin()
        })
        .collect();
    let mut samples = vec![0.0_f32; silence * usize::from(channels)];
    for level in levels_dbfs {
        let peak = 10_f64.powf(level / 20.0);
        for sample in burst.iter().copied().chain(std::iter::repeat_n(0.0, silence)) {
            samples.extend(std::iter::repeat_n((peak * sample) as f32, usize::from(channels)));
        }
    }
    Playable { rate_hz, channels, samples: samples.into() }
}

/// What the inputs' peaks say to the next step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// It may be taken.
    Higher,
    /// An input clips, or would.
    TooLoud,
    /// An input hears nothing, though another one, or a loud enough output, says that it should.
    Deaf {
        /// Index of the input among those that are kept.
        input: usize,
    },
}

/// What peaks of the inputs (full scale 1.0) at a level say to a step up to `next_dbfs`.
pub fn finding(peaks: &[f64], level_dbfs: f64, next_dbfs: f64) -> Finding {
    let decibels: Vec<f64> = peaks.iter().map(|peak| 20.0 * peak.max(1e-9).log10()).collect();
    let loudest = decibels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if loudest + (next_dbfs - level_dbfs).max(0.0) > HIGHEST_INPUT_DBFS {
        return Finding::TooLoud;
    }
    let deaf = decibels.iter().position(|own| *own < NOTHING_DBFS && loudest > NOTHING_DBFS + 30.0);
    deaf.map_or(Finding::Higher, |input| Finding::Deaf { input })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_up_begins_low_and_ends_at_the_level() {
        assert_eq!(levels(-12.0, ASKED_STEP_DB), [-60.0, -50.0, -40.0, -30.0, -20.0, -12.0]);
        assert_eq!(levels(-40.0, STEP_DB), [-60.0, -40.0]);
        assert_eq!(levels(-70.0, STEP_DB), [-70.0]);
        let sound = bursts(&[-60.0, -20.0], 48_000, 2);
        let peak = |range: std::ops::Range<usize>| {
            sound.samples[range].iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()))
        };
        assert_eq!(sound.frames(), 9600 + 2 * 24_000);
        // Silence, a thousandth, silence, a tenth.
        assert_eq!(peak(0..19_200), 0.0);
        assert!(
            (peak(19_200..48_000) / 0.001 - 1.0).abs() < 0.01
                && (peak(67_200..96_000) / 0.1 - 1.0).abs() < 0.01
        );
        assert_eq!(peak(96_100..115_200), 0.0);
    }

    #[test]
    fn a_step_that_would_clip_and_a_deaf_input_are_found() {
        assert_eq!(finding(&[0.05, 0.04], -40.0, -30.0), Finding::Higher);
        assert_eq!(finding(&[0.05, 0.4], -40.0, -30.0), Finding::TooLoud);
        assert_eq!(finding(&[0.05, 1e-5], -40.0, -30.0), Finding::Deaf { input: 1 });
        assert_eq!(finding(&[1e-5, 1e-5], -60.0, -50.0), Finding::Higher);
    }
}
