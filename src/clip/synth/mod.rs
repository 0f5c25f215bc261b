//! Synthesised clips: seeded, deterministic, band-limited, free of anybody's rights, good to listen to.
//!
//! Every clip ends with the same low pass: nothing above 22 kHz (0.49 of the rate where that is lower), flat to
//! 20 kHz (0.43 of the rate). Levels are set to -20 LUFS, or to a true peak of -3 dBTP where that comes first. Every
//! note and stroke begins with a short rise and dies away to nothing: none begins or ends with a step.
//!
//! Measured, 20 s at 48 kHz with seed 1 (`cargo test --test main sound::synthesised -- --nocapture` measures anew):
//!
//! | clip | true peak in dBTP | crest factor in dB | power in each octave from 39 Hz to 20 kHz, in dB of the whole |
//! | --- | --- | --- | --- |
//! | `plucked-strings` | -8.1 | 14.0 | -13 -5 -5 -7 -12 -19 -25 -31 -38 |
//! | `drum-pattern` | -3.4 | 19.2 | -5 -4 -11 -16 -15 -14 -14 -13 -14 (4.5 % above 10 kHz) |
//! | `slow-chord` | -9.8 | 12.8 | -8 -8 -4 -8 -11 -15 -21 -28 -36 |
//! | `pink-noise` | -9.6 | 14.1 | equal; density falls by 3.01 dB per octave |
//! | `multitone` | -9.9 | 13.8 | equal |
//! | `log-sweep` | -20.7 | 3.2 | equal |
//! | `impulse-train` | -3.0 | 43.3 | 3 dB more in each; -39 LUFS |

mod bank;
mod chord;
mod drums;
mod measuring;
mod strings;

use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;

use crate::clip::fade::raised_cosine;
use crate::clip::loudness::Meter;
use crate::filter::{Accuracy, Convolver, Filtered, Fir};

use super::bessel::bessel_i0;
use super::limits::{RATES_HZ, SYNTHESISED_SECONDS};
use super::{ClipError, Sound};

/// A synthesised clip: everything that has to be said of it, once.
pub struct SynthesisedClip {
    /// Its name in the session file.
    pub name: &'static str,
    /// What it sounds like.
    pub description: &'static str,
    render: fn(&Score) -> Vec<Vec<f64>>,
}

/// All synthesised clips. A test holds README and the template of new sessions against it.
pub const CLIPS: [SynthesisedClip; 7] = [
    SynthesisedClip {
        name: "plucked-strings",
        description: "plucked strings in slow broken chords, stereo",
        render: strings::render,
    },
    SynthesisedClip {
        name: "drum-pattern",
        description: "a drum pattern with dense cymbals, stereo",
        render: drums::render,
    },
    SynthesisedClip {
        name: "slow-chord",
        description: "string-like chords that swell slowly, stereo",
        render: chord::render,
    },
    SynthesisedClip {
        name: "pink-noise",
        description: "pink noise, independent in both channels",
        render: measuring::pink_noise,
    },
    SynthesisedClip {
        name: "multitone",
        description: "tones a third of an octave apart, 20 Hz to 20 kHz",
        render: measuring::multitone,
    },
    SynthesisedClip {
        name: "log-sweep",
        description: "a logarithmic sweep, 20 Hz to 20 kHz",
        render: measuring::log_sweep,
    },
    SynthesisedClip {
        name: "impulse-train",
        description: "band-limited impulses, two a second",
        render: measuring::impulse_train,
    },
];

/// Names of the synthesised clips, as the session file has them.
pub const NAMES: [&str; CLIPS.len()] = {
    let mut names = [""; CLIPS.len()];
    let mut index = 0;
    while index < names.len() {
        names[index] = CLIPS[index].name;
        index += 1;
    }
    names
};

const TARGET_LUFS: f64 = -20.0;
const LARGEST_PEAK: f64 = 0.707_945_784;

/// Most bytes of synthesised sound that are kept for who asks again.
const MOST_BYTES_KEPT: usize = 48 << 20;

/// Blocks of the closing low pass that are filtered together, by whichever cores are free.
const BLOCKS_AT_A_TIME: usize = 64;

/// What a clip is made from: name, seconds (as bits), rate in Hz, seed.
type Recipe = (String, u64, u32, u64);

/// As [`synthesise`], made once as long as it is among those asked for last.
///
/// # Errors
/// As [`synthesise`].
pub fn shared(name: &str, length_seconds: f64, rate_hz: u32, seed: u64) -> Result<Arc<Sound>, ClipError> {
    static MADE: Mutex<Vec<(Recipe, Arc<Sound>)>> = Mutex::new(Vec::new());
    let recipe = (name.to_owned(), length_seconds.to_bits(), rate_hz, seed);
    let made = || MADE.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some((_, sound)) = made().iter().find(|(of, _)| *of == recipe) {
        return Ok(Arc::clone(sound));
    }
    // Not under the lock: who waits for it would hold up the threads that the synthesis wants.
    let sound = Arc::new(synthesise(name, length_seconds, rate_hz, seed)?);
    let mut made = made();
    made.push((recipe, Arc::clone(&sound)));
    let bytes = |sound: &Sound| sound.frames() * sound.channels.len() * size_of::<f64>();
    let mut kept: usize = made.iter().map(|(_, sound)| bytes(sound)).sum();
    while kept > MOST_BYTES_KEPT {
        kept -= bytes(&made.remove(0).1);
    }
    Ok(sound)
}

/// Synthesises a clip by name.
///
/// # Errors
/// An unknown name; a length or a rate outside [`limits`](super::limits).
pub fn synthesise(name: &str, length_seconds: f64, rate_hz: u32, seed: u64) -> Result<Sound, ClipError> {
    if !SYNTHESISED_SECONDS.contains(&length_seconds) {
        return Err(ClipError(format!(
            "a synthesised clip of {length_seconds} s is not possible; {} s to {} s are",
            SYNTHESISED_SECONDS.start(),
            SYNTHESISED_SECONDS.end()
        )));
    }
    if !RATES_HZ.contains(&rate_hz) {
        let (lowest, highest) = (RATES_HZ.start(), RATES_HZ.end());
        return Err(ClipError(format!(
            "a rate of {rate_hz} Hz is not allowed; {lowest} to {highest} Hz are"
        )));
    }
    let frames = (length_seconds * f64::from(rate_hz)).round() as usize;
    let score = Score { frames, rate: f64::from(rate_hz), seed };
    let Some(clip) = CLIPS.iter().find(|clip| clip.name == name) else {
        let near =
            NAMES.iter().min_by_key(|known| strsim::levenshtein(known, name)).expect("there are names");
        return Err(ClipError(format!(
            "there is no synthesised clip \"{name}\"; did you mean \"{near}\"? There are {}",
            NAMES.join(", ")
        )));
    };
    let channels = (clip.render)(&score);
    let channels = set_level(band_limit(channels, rate_hz), rate_hz);
    Ok(Sound { rate_hz, channels })
}

/// What all clips are made from.
struct Score {
    frames: usize,
    rate: f64,
    seed: u64,
}

impl Score {
    /// Highest frequency in Hz that a partial may have.
    fn highest(&self) -> f64 {
        (0.43 * self.rate).min(20_000.0)
    }

    fn random(&self, stream: u64) -> Random {
        Random {
            state: self.seed.wrapping_mul(0x2545_f491_4f6c_dd1d) ^ stream.wrapping_mul(0x9e37_79b9_7f4a_7c15),
        }
    }

    fn seconds(&self) -> f64 {
        self.frames as f64 / self.rate
    }
}

/// splitmix64 (Steele, Lea & Flood 2014): small, and the same in every build.
struct Random {
    state: u64,
}

impl Random {
    fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut x = self.state;
        x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        x ^ (x >> 31)
    }

    /// Uniform from 0 to 1.
    fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normal with mean 0 and variance 1 (Box & Muller 1958).
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    fn below(&mut self, count: usize) -> usize {
        (self.uniform() * count as f64) as usize
    }
}

/// Gains of the left and the right channel with constant-power panning: -1 left, 1 right.
fn pan_gains(pan: f64) -> [f64; 2] {
    let angle = (pan + 1.0) * std::f64::consts::FRAC_PI_4;
    [angle.cos(), angle.sin()]
}

/// Adds a mono sound to both channels at a frame, panned.
fn mix(channels: &mut [Vec<f64>], sound: &[f64], at: usize, pan: f64, gain: f64) {
    channels.par_iter_mut().zip(pan_gains(pan)).for_each(|(channel, side)| {
        for (out, sample) in channel.iter_mut().skip(at).zip(sound) {
            *out += gain * side * sample;
        }
    });
}

/// Level of the difference of two renderings relative to the second, in dB.
#[cfg(test)]
fn error_db(quick: &[Vec<f64>], slow: &[Vec<f64>]) -> f64 {
    let power = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
        quick.iter().flatten().zip(slow.iter().flatten()).map(|(a, b)| f(*a, *b).powi(2)).sum()
    };
    10.0 * (power(&|a, b| a - b) / power(&|_, b| b)).log10()
}

/// Raises the start of a sound over some seconds, so that it does not begin with a step.
fn attack(sound: &mut [f64], rate: f64, seconds: f64) {
    let length = seconds * rate;
    for (i, sample) in sound.iter_mut().enumerate().take(length as usize) {
        *sample *= raised_cosine(i as f64, length);
    }
}

/// Lets the last `share` of a sound of `whole` frames die away to nothing: a decay is cut somewhere, and the cut would
/// be a click. The sound itself may be shorter, where the clip ends first.
fn release(sound: &mut [f64], whole: usize, share: f64) {
    let length = share * whole as f64;
    for (i, sample) in sound.iter_mut().enumerate().skip(whole - length as usize) {
        *sample *= raised_cosine((whole - i) as f64, length + 1.0);
    }
}

/// The low pass that ends every clip: a Kaiser window of 110 dB (Kaiser 1974; Oppenheim & Schafer's formulas).
fn band_limit(mut channels: Vec<Vec<f64>>, rate_hz: u32) -> Vec<Vec<f64>> {
    let rate = f64::from(rate_hz);
    let pass = (0.43 * rate).min(20_000.0) / rate;
    let stop = (0.49 * rate).min(22_000.0) / rate;
    let beta = 0.1102 * (110.0 - 8.7);
    let half = ((110.0 - 8.0) / (2.285 * std::f64::consts::TAU * (stop - pass)) / 2.0).ceil() as i64;
    let cutoff = f64::midpoint(pass, stop);
    let taps: Vec<f64> = (-half..=half)
        .map(|n| {
            let x = n as f64;
            let sinc = if n == 0 {
                2.0 * cutoff
            } else {
                (std::f64::consts::TAU * cutoff * x).sin() / (std::f64::consts::PI * x)
            };
            let inside = 1.0 - (x / (half as f64 + 1.0)).powi(2);
            sinc * bessel_i0(beta * inside.max(0.0).sqrt()) / bessel_i0(beta)
        })
        .collect();
    let fir = Fir { rate_hz, taps, start: -half, delay: 0, accuracy: Accuracy::default() };
    let mut convolver = Convolver::new(&[&fir], channels.len());
    // In place: what comes out is never ahead of what went in, and a long clip is in memory once.
    let (mut from, mut to) = (0, 0);
    let mut put = |channels: &mut [Vec<f64>], output: &Filtered| {
        for (channel, filtered) in channels.iter_mut().zip(output.sides.iter().flatten()) {
            channel[to..to + filtered.len()].copy_from_slice(filtered);
        }
        to += output.frames();
    };
    let frames = channels.first().map_or(0, Vec::len);
    let (mut block, mut output) = (vec![Vec::new(); channels.len()], Filtered::default());
    let length = convolver.block_frames() * BLOCKS_AT_A_TIME;
    while from < frames {
        let until = frames.min(from + length);
        for (block, channel) in block.iter_mut().zip(&channels) {
            block.clear();
            block.extend_from_slice(&channel[from..until]);
        }
        convolver.push_into(&block, &mut output);
        put(&mut channels, &output);
        from = until;
    }
    put(&mut channels, &convolver.finish());
    channels
}

fn set_level(mut channels: Vec<Vec<f64>>, rate_hz: u32) -> Vec<Vec<f64>> {
    let mut meter = Meter::new(channels.len(), rate_hz);
    meter.push(&channels.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let reading = meter.finish();
    let to_peak = LARGEST_PEAK / reading.true_peak.max(1e-9);
    let gain = reading
        .integrated_lufs
        .map_or(to_peak, |lufs| 10.0_f64.powf((TARGET_LUFS - lufs) / 20.0).min(to_peak));
    for sample in channels.iter_mut().flatten() {
        *sample *= gain;
    }
    channels
}
