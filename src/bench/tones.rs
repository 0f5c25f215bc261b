//! Steady tones: intermodulation of two of them, and the distortion with noise of one after the other.
//!
//! The tones' real frequency is taken from their phase, so that the recorder's clock may differ from the player's. Sums and
//! differences are read under a Kaiser window; places between them hold noise alone: they are the floor.

use num_complex::Complex64;

use super::recording::Channel;
use super::{BenchError, rms};
use crate::clip::fourier::{good_length, spectrum};
use crate::clip::limits::RATES_HZ;
use crate::clip::shift::kaiser;

/// Length of two tones together, in seconds.
const TONES_S: f64 = 6.0;
/// Length of one step, in seconds.
const STEP_S: f64 = 1.0;
/// Silence around every sound, in seconds.
const PAUSE_S: f64 = 0.5;
/// Length of a fade, in seconds.
const FADE_S: f64 = 0.02;
/// What is left out at both ends of a sound, in seconds: the fade, and what rings after it.
const EDGE_S: f64 = 0.06;
/// Length of the pieces that two tones are read in, in seconds; their scatter is the uncertainty.
const PIECE_S: f64 = 1.0;
/// The Kaiser window of a piece of T seconds ends its main lobe this / T from its middle.
const LOBE: f64 = 6.5;
/// The tones hold this share of the sound's power at least; a sound with less is another signal.
const TONAL_SHARE: f64 = 0.8;
/// Blocks in which a tone is followed: so long in seconds, but so many periods at least, so that its window sees no DC offset.
const BLOCK_S: f64 = 0.05;
const BLOCK_PERIODS: f64 = 7.0;
/// A tone whose level (as a share) or phase (in radian) leaves the usual by more was interrupted (common practice, no source).
const INTERRUPTED: f64 = 0.03;
/// The band in which distortion and noise are counted, in Hz (the audio band of AES17; its values from memory).
pub const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// A signal of steady tones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// 60 Hz and 7 kHz, 4:1 (SMPTE RP 120, values from memory)
    Smpte,
    /// 250 Hz and 8 kHz, 4:1 (DIN 45403, values from memory)
    Din,
    /// 19 kHz and 20 kHz, 1:1 (difference-frequency distortion, CCIF)
    Ccif,
    /// One tone after the other, 20 Hz to 20 kHz in thirds of an octave: THD+N
    Steps,
}

impl Signal {
    /// Both frequencies in Hz with their shares of the peak; `None` of the steps.
    pub fn pair(self) -> Option<[(f64, f64); 2]> {
        match self {
            Self::Smpte => Some([(60.0, 0.8), (7000.0, 0.2)]),
            Self::Din => Some([(250.0, 0.8), (8000.0, 0.2)]),
            Self::Ccif => Some([(19_000.0, 0.5), (20_000.0, 0.5)]),
            Self::Steps => None,
        }
    }

    /// The signal's samples: silence, sounds with silence between them, silence; all sounds so many times over.
    ///
    /// # Errors
    /// A rate that no device has or that is too low for the tones, a level above full scale.
    pub fn samples(self, rate_hz: u32, level_dbfs: f64, repeats: u32) -> Result<Vec<f64>, BenchError> {
        if !RATES_HZ.contains(&rate_hz) || rate_hz < 44_100 {
            return Err(BenchError(format!(
                "the tones' rate is {rate_hz} Hz; 44100 Hz and the usual rates above are allowed"
            )));
        }
        if !(-90.0..=0.0).contains(&level_dbfs) {
            return Err(BenchError(format!(
                "the tones' level is {level_dbfs} dBFS; -90 to 0 are allowed; begin low"
            )));
        }
        let sounds: Vec<(f64, Vec<(f64, f64)>)> = match self.pair() {
            Some(pair) => vec![(TONES_S, pair.to_vec())],
            None => steps().into_iter().map(|frequency| (STEP_S, vec![(frequency, 1.0)])).collect(),
        };
        let sounds = std::iter::repeat_n(sounds, repeats as usize).flatten();
        let rate = f64::from(rate_hz);
        let peak = 10_f64.powf(level_dbfs / 20.0);
        let pause = vec![0.0; (PAUSE_S * rate) as usize];
        let mut samples = pause.clone();
        for (seconds, tones) in sounds {
            samples.extend((0..(seconds * rate) as usize).map(|frame| {
                let time = frame as f64 / rate;
                let edge = (time.min(seconds - time) / FADE_S).clamp(0.0, 1.0);
                let fade = 0.5 - 0.5 * (std::f64::consts::PI * edge).cos();
                let sum: f64 = tones
                    .iter()
                    .map(|(frequency, share)| share * (std::f64::consts::TAU * frequency * time).sin())
                    .sum();
                peak * fade * sum
            }));
            samples.extend_from_slice(&pause);
        }
        Ok(samples)
    }
}

/// The steps' frequencies in Hz: tenths of a decade, which are the thirds of an octave (IEC 61260-1).
fn steps() -> Vec<f64> {
    (13..=43).map(|tenth| 10_f64.powf(f64::from(tenth) / 10.0)).collect()
}

/// Intermodulation of two tones. The reference of SMPTE and DIN is the upper tone, of the difference frequency both tones
/// together (IEC 60268-3, modulation and difference-frequency distortion; from memory).
#[derive(Debug, Clone, PartialEq)]
pub struct Intermodulation {
    /// Both products of second order (`f2 - f1` and `f2 + f1`; of the difference frequency `f2 - f1` alone), in percent.
    pub second_percent: f64,
    /// Both products of third order (`f2 - 2 f1` and `f2 + 2 f1`; of the difference frequency `2 f1 - f2` and
    /// `2 f2 - f1`), in percent.
    pub third_percent: f64,
    /// Root of the sum of both squares, in percent.
    pub percent: f64,
    /// Standard deviation of the mean of the same, over the seconds of the recording.
    pub std_percent: f64,
    /// What noise alone gives as one product, in dB relative to the reference.
    pub floor_db: f64,
    /// Level of the lower tone above the upper one, in dB.
    pub ratio_db: f64,
    /// The recorder's clock against the player's, in parts per million.
    pub clock_ppm: f64,
    /// The same in each piece that was averaged, in percent.
    pub single_percent: Vec<f64>,
}

/// Distortion of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Frequency of the tone in Hz.
    pub frequency_hz: f64,
    /// Level of the tone in dBFS.
    pub level_dbfs: f64,
    /// Second to ninth harmonic in percent of the tone, as far as they lie in the band; `None` where none does.
    pub thd_percent: Option<f64>,
    /// Everything but the tone in the band, in percent of the whole (AES17: THD+N; from memory).
    pub thd_noise_percent: f64,
    /// Sound was lost or repeated in it, so its numbers say nothing.
    pub dropout: bool,
}

/// THD+N in percent, root mean square over the steps, of each time that they were played; steps lowest first, those of one
/// frequency in the order of playing.
pub fn overall_percent(steps: &[Step]) -> Vec<f64> {
    let steps: Vec<Step> = steps.iter().filter(|step| !step.dropout).cloned().collect();
    let rounds: Vec<&[Step]> = steps.chunk_by(|one, next| one.frequency_hz == next.frequency_hz).collect();
    let fewest = rounds.iter().map(|round| round.len()).min().unwrap_or(0);
    let square = |time: usize| rounds.iter().map(|round| round[time].thd_noise_percent.powi(2)).sum::<f64>();
    (0..fewest).map(|time| (square(time) / rounds.len() as f64).sqrt()).collect()
}

/// Complex amplitude of a frequency in a stretch of sound, its phase counted from the first sample of the recording.
fn amplitude(samples: &[f64], first: usize, turns: f64) -> Complex64 {
    let half = samples.len() as f64 / 2.0;
    let (mut sum, mut weights) = (Complex64::ZERO, 0.0);
    for (frame, sample) in samples.iter().enumerate() {
        let weight = kaiser((frame as f64 + 0.5 - half) / half);
        let phase = (turns * (first + frame) as f64).fract();
        sum += weight * sample * Complex64::cis(-std::f64::consts::TAU * phase);
        weights += weight;
    }
    2.0 * sum / weights
}

/// The real frequency, in turns of a sample, of a tone near `turns`: the phase's advance over longer and longer stretches.
fn real(samples: &[f64], rate: f64, turns: f64) -> f64 {
    let mut turns = turns;
    for seconds in [0.05, 0.2, 1.0, f64::INFINITY] {
        let half = ((seconds * rate).min(samples.len() as f64) / 2.0) as usize;
        // Below so many periods the window does not tell the tone from its mirror.
        if 2.0 * half as f64 * turns < 12.0 {
            continue;
        }
        let (first, second) =
            (amplitude(&samples[..half], 0, turns), amplitude(&samples[half..2 * half], half, turns));
        turns += (second * first.conj()).arg() / std::f64::consts::TAU / half as f64;
    }
    turns
}

/// Whether a steady tone jumps in level or phase somewhere.
fn interrupted(sound: &[f64], rate: f64, turns: f64) -> bool {
    let length = (BLOCK_S * rate).max(BLOCK_PERIODS / turns) as usize;
    let followed: Vec<Complex64> = (0..=sound.len().saturating_sub(length))
        .step_by(length / 2)
        .map(|start| amplitude(&sound[start..(start + length).min(sound.len())], start, turns))
        .collect();
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    };
    let levels: Vec<f64> = followed.iter().map(|value| value.norm()).collect();
    let turned: Vec<f64> = followed.windows(2).map(|pair| (pair[1] * pair[0].conj()).arg()).collect();
    let (level, pace) = (middle(levels.clone()), middle(turned.clone()));
    levels.iter().any(|own| (own / level - 1.0).abs() > INTERRUPTED)
        || turned.iter().any(|own| (own - pace).abs() > INTERRUPTED)
}

/// The sounds of a channel without their edges, those longer than `seconds`.
fn stretches<'c>(channel: &Channel<'c>, seconds: f64) -> Result<Vec<&'c [f64]>, BenchError> {
    channel.check()?;
    let rate = f64::from(channel.rate_hz);
    let edge = (EDGE_S * rate) as usize;
    Ok(channel
        .sounds()
        .into_iter()
        .filter(|sound| sound.len() as f64 > seconds * rate)
        .map(|sound| &channel.samples[sound.start + edge..sound.end - edge])
        .collect())
}

/// Measures the intermodulation of two tones on a channel.
///
/// # Errors
/// Silence, clipping, another signal, too short a one.
pub fn intermodulation(channel: &Channel<'_>, signal: Signal) -> Result<Intermodulation, BenchError> {
    let Some([(low, _), (high, _)]) = signal.pair() else {
        return Err(BenchError("steps have no intermodulation; smpte, din and ccif have".to_owned()));
    };
    let rate = f64::from(channel.rate_hz);
    if 2.0 * high >= 0.95 * rate {
        return Err(BenchError(format!("{}: at {rate} Hz there is no tone of {high} Hz", channel.name)));
    }
    let other = || {
        BenchError(format!(
            "{}: it does not hold 2 s and more of {low} Hz and {high} Hz together; write the signal with `bench tones` and \
             record it, or name the one that was played with --signal",
            channel.name
        ))
    };
    let longest =
        stretches(channel, 2.0 * PIECE_S + 3.0 * EDGE_S)?.into_iter().max_by_key(|sound| sound.len());
    let sound = longest.ok_or_else(other)?;
    let turns = real(sound, rate, high / rate);
    let clock = turns * rate / high;
    let length = (PIECE_S * rate) as usize;
    let at = |piece: &[f64], frequency: f64| amplitude(piece, 0, frequency.abs() * clock / rate).norm();
    let both = signal == Signal::Ccif;
    let (mut seconds, mut thirds, mut totals) = (Vec::new(), Vec::new(), Vec::new());
    let (mut floor, mut ratio) = (0.0, 0.0);
    for piece in sound.chunks_exact(length) {
        let (lower, upper) = (at(piece, low), at(piece, high));
        if 0.5 * lower.hypot(upper).powi(2) < TONAL_SHARE * rms(piece).powi(2)
            || lower.min(upper) < 0.02 * lower.max(upper)
        {
            return Err(other());
        }
        let (reference, second, third) = if both {
            (lower + upper, at(piece, high - low), at(piece, 2.0 * low - high) + at(piece, 2.0 * high - low))
        } else {
            let sides = |times: f64| at(piece, high - times * low) + at(piece, high + times * low);
            (upper, sides(1.0), sides(2.0))
        };
        // Between the products, where no sum and no difference of the tones falls.
        let spacing = if both { high - low } else { low };
        for place in [high - 1.5 * spacing, high - 2.5 * spacing] {
            floor += (at(piece, place) / reference).powi(2) / 2.0;
        }
        ratio += 20.0 * (lower / upper).log10();
        seconds.push(100.0 * second / reference);
        thirds.push(100.0 * third / reference);
        totals.push(100.0 * second.hypot(third) / reference);
    }
    let count = totals.len() as f64;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let percent = mean(&totals);
    let square = totals.iter().map(|total| (total - percent).powi(2)).sum::<f64>();
    Ok(Intermodulation {
        second_percent: mean(&seconds),
        third_percent: mean(&thirds),
        percent,
        std_percent: (square / (count - 1.0) / count).sqrt(),
        floor_db: (10.0 * (floor / count).log10()).max(-200.0),
        ratio_db: ratio / count,
        // A recorder that runs fast counts more samples to a period: the tone seems lower.
        clock_ppm: (1.0 / clock - 1.0) * 1e6,
        single_percent: totals,
    })
}

/// Measures THD and THD+N of every step that a channel holds, lowest first.
///
/// # Errors
/// Silence, clipping, no step.
pub fn stepped(channel: &Channel<'_>) -> Result<Vec<Step>, BenchError> {
    let rate = f64::from(channel.rate_hz);
    let highest = BAND_HZ.1.min(0.45 * rate);
    let mut found: Vec<Step> = stretches(channel, 0.8 * STEP_S)?
        .into_iter()
        .filter_map(|sound| {
            // Which step it is, the sound says itself: one that is missing moves no other.
            let (nominal, strength) = steps()
                .into_iter()
                .filter(|frequency| 2.0 * frequency < 0.95 * rate)
                .map(|frequency| (frequency, amplitude(sound, 0, frequency / rate).norm()))
                .max_by(|one, other| one.1.total_cmp(&other.1))?;
            (strength * strength / 2.0 > TONAL_SHARE / 2.0 * rms(sound).powi(2))
                .then(|| step(sound, rate, nominal, highest))
        })
        .collect();
    if found.is_empty() {
        return Err(BenchError(format!(
            "{}: it holds no steps of one tone each; write them with `bench tones --signal steps` and record them",
            channel.name
        )));
    }
    found.sort_by(|one, other| one.frequency_hz.total_cmp(&other.frequency_hz));
    Ok(found)
}

fn step(sound: &[f64], rate: f64, nominal: f64, highest: f64) -> Step {
    let turns = real(sound, rate, nominal / rate);
    let tone = amplitude(sound, 0, turns);
    let half = sound.len() as f64 / 2.0;
    let weight = |frame: usize| kaiser((frame as f64 + 0.5 - half) / half);
    let weights: f64 = (0..sound.len()).map(weight).sum();
    let offset =
        sound.iter().enumerate().map(|(frame, sample)| weight(frame) * sample).sum::<f64>() / weights;
    let rest: Vec<f64> = sound
        .iter()
        .enumerate()
        .map(|(frame, sample)| {
            let turn = Complex64::cis(std::f64::consts::TAU * (turns * frame as f64).fract());
            weight(frame) * (sample - offset - (tone * turn).re)
        })
        .collect();
    let length = good_length(rest.len());
    // A product at the band's very end has its whole main lobe counted.
    let lobe = LOBE * rate / rest.len() as f64;
    let square: f64 = spectrum(&rest, length)
        .into_iter()
        .enumerate()
        .filter(|(bin, _)| {
            let frequency = *bin as f64 * rate / length as f64;
            frequency >= BAND_HZ.0 && frequency <= highest + lobe
        })
        .map(|(_, value)| value.norm_sqr())
        .sum();
    let weights: f64 = (0..sound.len()).map(|frame| weight(frame).powi(2)).sum();
    let rest = 2.0 * square / length as f64 / weights;
    let power = tone.norm_sqr() / 2.0;
    let harmonics: Vec<f64> = (2..=super::distortion::HIGHEST_ORDER)
        .map(|order| order as f64)
        .filter(|order| order * nominal <= highest + lobe)
        .map(|order| amplitude(sound, 0, order * turns).norm_sqr())
        .collect();
    Step {
        frequency_hz: nominal,
        level_dbfs: 20.0 * tone.norm().log10(),
        thd_percent: (!harmonics.is_empty())
            .then(|| 100.0 * (harmonics.iter().sum::<f64>() / tone.norm_sqr()).sqrt()),
        thd_noise_percent: 100.0 * (rest / (rest + power)).sqrt(),
        dropout: interrupted(sound, rate, turns),
    }
}
