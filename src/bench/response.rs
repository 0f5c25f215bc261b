//! Two channels to a transfer function: response over reference, averaged over repeats, without delay and polarity.
//!
//! Each repeat gives the cross-spectrum of both channels, and that gives the bands. What both channels share (the interface, the
//! amplifier and its distortion, a common clock) cancels.

use num_complex::Complex64;

use super::BenchError;
use super::bands::{axis, banded};
use super::clock::{drift, pace, steady};
use super::excess::Beyond;
use super::recording::{Channel, Recording};
use super::repeats::{Dropped, Repeats, lag, precise_lag, transform_length, window};
use crate::clip::fourier::spectrum;
use crate::clip::shift::Between;
use crate::units::printed;

/// A clock is corrected where it shifts a sweep's end by more than so many samples.
const WORTH_CORRECTING: f64 = 2e-4;
/// A response above this gain in dB is no cable's.
const LOUDER_DB: f64 = 0.3;

/// How a response is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Bands in an octave.
    pub per_octave: f64,
    /// The response is on the first channel and the reference on the second.
    pub swapped: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { per_octave: 24.0, swapped: false }
    }
}

/// What is to be said of a response.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// A repeat was thrown away.
    Dropped(Dropped),
    /// There is one sweep, so no standard deviation, and dropouts cannot be seen.
    OneRepeat,
    /// The response is louder than the reference, in dB.
    Louder(f64),
    /// What the two channels of the interface differ by, at most, in dB; it was cancelled.
    Mismatch(f64),
    /// The clock was corrected, in parts per million.
    Clock(f64),
    /// Sound was lost or put in between repeats, so their places do not tell the clock.
    LostBetween,
    /// The file of the sweep holds one, and the recording several: nobody knows when each was played.
    NoTimes,
}

impl std::fmt::Display for Note {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Dropped(dropped) => dropped.fmt(formatter),
            Self::OneRepeat => write!(
                formatter,
                "there is one good sweep: no standard deviation can be given, and a short dropout would go unnoticed; record \
                 four"
            ),
            Self::Louder(decibels) => write!(
                formatter,
                "the response is up to {decibels} louder than the reference, which no cable is: are the channels swapped? \
                 --swap takes the first channel as the response",
                decibels = printed::decibels(*decibels)
            ),
            Self::Mismatch(decibels) => write!(
                formatter,
                "the interface's channels differ by up to {decibels}; the swapped pair cancels it",
                decibels = printed::fixed(*decibels, 4, "dB")
            ),
            Self::LostBetween => write!(
                formatter,
                "sound was lost or put in between two sweeps: each was measured for itself, and the two clocks were not compared"
            ),
            Self::NoTimes => write!(
                formatter,
                "the sweep's file holds one sweep and the recording several: when each was played is not known, so the two \
                 clocks were not compared; play a file of as many sweeps as you record"
            ),
            Self::Clock(ppm) => write!(
                formatter,
                "the two clocks differ by {ppm}; the response was moved to the reference's clock",
                ppm = printed::fixed(*ppm, 3, "ppm")
            ),
        }
    }
}

/// A transfer function before its delay is taken out.
#[derive(Debug, Clone)]
pub struct Raw {
    /// Sample rate in Hz.
    pub rate_hz: f64,
    /// Band centres in Hz.
    pub frequency_hz: Vec<f64>,
    /// Mean over the repeats, with the delay of `delay_s` removed.
    pub value: Vec<Complex64>,
    /// Standard deviation of the mean of the gain in dB; `None` of one repeat.
    pub gain_std_db: Option<Vec<f64>>,
    /// The same of the phase in degrees.
    pub phase_std_deg: Option<Vec<f64>>,
    /// Delay that was removed, in seconds.
    pub delay_s: f64,
    /// By how much the response's clock is faster than the reference's, in parts per million; `None` of one repeat.
    pub clock_ppm: Option<f64>,
    /// Repeats that the mean is of.
    pub repeats: usize,
    /// Noise on the response's channel while nothing is played, in dBFS.
    pub noise_dbfs: Option<f64>,
    /// What is to be said.
    pub notes: Vec<Note>,
}

/// A measured transfer function.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Response {
    /// Band centres in Hz.
    pub frequency_hz: Vec<f64>,
    /// Gain in dB.
    pub gain_db: Vec<f64>,
    /// Phase in degrees.
    pub phase_deg: Vec<f64>,
    /// Standard deviation of the mean of the gain in dB, over the repeats.
    pub gain_std_db: Option<Vec<f64>>,
    /// The same of the phase in degrees.
    pub phase_std_deg: Option<Vec<f64>>,
    /// What was removed: the delay in seconds beyond the response's own minimum phase.
    pub delay_s: f64,
    /// -1 if the polarity was reversed, which was removed too.
    pub polarity: i8,
    /// By how much the response's clock is faster than the reference's, in parts per million.
    pub clock_ppm: Option<f64>,
    /// Repeats that the mean is of.
    pub repeats: usize,
    /// Noise on the response's channel while nothing is played, in dBFS.
    pub noise_dbfs: Option<f64>,
    /// What is to be said.
    #[serde(skip)]
    pub notes: Vec<Note>,
}

/// The transfer function from the reference to the response of a recording of two channels.
///
/// # Errors
/// One channel, silence, clipping, no sweep, or no good one.
pub fn measured(recording: &Recording, options: &Options) -> Result<Response, BenchError> {
    let [reference, response] = recording.pair(options.swapped)?;
    Ok(finished(raw(&reference, &response, true, options)?))
}

/// The same with a second recording of which the interface's two inputs were interchanged: what the channels differ by
/// cancels, for it is in one of them upside down.
///
/// # Errors
/// As [`measured`], of either recording.
pub fn measured_both_ways(
    first: &Recording,
    second: &Recording,
    options: &Options,
) -> Result<Response, BenchError> {
    let [reference, response] = first.pair(options.swapped)?;
    let one = raw(&reference, &response, true, options)?;
    let [reference, response] = second.pair(!options.swapped)?;
    let other = raw(&reference, &response, true, options)?;
    same_axis(&one, &other, &first.name, &second.name)?;
    let mismatch = one
        .value
        .iter()
        .zip(&other.value)
        .map(|(one, other)| (10.0 * (one.norm() / other.norm()).log10()).abs())
        .fold(0.0, f64::max);
    let turn = |frequency: f64, delay: f64| Complex64::cis(-std::f64::consts::TAU * frequency * delay);
    let delay_s = f64::midpoint(one.delay_s, other.delay_s);
    let value = (0..one.value.len())
        .map(|at| {
            let frequency = one.frequency_hz[at];
            let first = one.value[at] * turn(frequency, one.delay_s - delay_s);
            let second = other.value[at] * turn(frequency, other.delay_s - delay_s);
            // The root nearer to the first, so that half turns do not add up.
            let product = (first * second).sqrt();
            if (product * first.conj()).re < 0.0 { -product } else { product }
        })
        .collect();
    let mut both = combined(one, &other, value, delay_s, 0.5);
    both.notes.push(Note::Mismatch(mismatch));
    Ok(finished(both))
}

/// The transfer function of a recording of one channel from the sweep that was played; with a recording of the interface
/// alone (a loopback), what that does is taken out.
///
/// # Errors
/// As [`measured`]; rates that differ; a recording that does not hold this sweep.
pub fn against_sweep(
    recording: &Recording,
    sweep: &Recording,
    loopback: Option<&Recording>,
    options: &Options,
) -> Result<Response, BenchError> {
    let reference = sweep.channel(0);
    let own = raw(&reference, &recording.last(), false, options)?;
    let Some(loopback) = loopback else { return Ok(finished(own)) };
    let bare = raw(&reference, &loopback.last(), false, options)?;
    same_axis(&own, &bare, &recording.name, &loopback.name)?;
    let value = own.value.iter().zip(&bare.value).map(|(own, bare)| own / bare).collect();
    let delay_s = own.delay_s - bare.delay_s;
    Ok(finished(combined(own, &bare, value, delay_s, 1.0)))
}

fn same_axis(one: &Raw, other: &Raw, first: &str, second: &str) -> Result<(), BenchError> {
    if one.frequency_hz == other.frequency_hz {
        return Ok(());
    }
    Err(BenchError(format!(
        "{first} and {second} do not hold the same sweep at the same rate; record both with the same settings"
    )))
}

/// The first measurement with the value of two, each with this share in the deviation.
fn combined(mut one: Raw, other: &Raw, value: Vec<Complex64>, delay_s: f64, share: f64) -> Raw {
    let joined = |a: &Option<Vec<f64>>, b: &Option<Vec<f64>>| {
        let (a, b) = (a.as_ref()?, b.as_ref()?);
        Some(a.iter().zip(b).map(|(a, b)| share * a.hypot(*b)).collect())
    };
    one.gain_std_db = joined(&one.gain_std_db, &other.gain_std_db);
    one.phase_std_deg = joined(&one.phase_std_deg, &other.phase_std_deg);
    one.value = value;
    one.delay_s = delay_s;
    one.repeats = one.repeats.min(other.repeats);
    one.notes.extend(other.notes.iter().cloned());
    one
}

/// Takes the delay and polarity out that are not the response's own.
fn finished(raw: Raw) -> Response {
    let gain_db: Vec<f64> = raw.value.iter().map(|value| 20.0 * value.norm().log10()).collect();
    let excess = Beyond::of(&raw.frequency_hz, &raw.value, raw.rate_hz);
    let sign = if excess.inverted { -1.0 } else { 1.0 };
    let phase_deg = raw
        .value
        .iter()
        .zip(&raw.frequency_hz)
        .map(|(value, f)| {
            (sign * value * Complex64::cis(std::f64::consts::TAU * f * excess.delay_s)).arg().to_degrees()
        })
        .collect();
    Response {
        frequency_hz: raw.frequency_hz,
        gain_db,
        phase_deg,
        gain_std_db: raw.gain_std_db,
        phase_std_deg: raw.phase_std_deg,
        delay_s: raw.delay_s + excess.delay_s,
        polarity: if excess.inverted { -1 } else { 1 },
        clock_ppm: raw.clock_ppm,
        repeats: raw.repeats,
        noise_dbfs: raw.noise_dbfs,
        notes: raw.notes,
    }
}

/// The transfer function from one channel to another. `together`: both were recorded at once, and a dropout in one is a
/// dropout in both; otherwise the reference is what was played, and repeats are matched in their order.
///
/// # Errors
/// See [`measured`].
pub fn raw(
    reference: &Channel<'_>,
    response: &Channel<'_>,
    together: bool,
    options: &Options,
) -> Result<Raw, BenchError> {
    if reference.rate_hz != response.rate_hz {
        return Err(BenchError(format!(
            "{} has {} Hz and {} has {} Hz; record at the rate of the sweep",
            reference.name, reference.rate_hz, response.name, response.rate_hz
        )));
    }
    reference.check()?;
    response.check()?;
    let played = Played::new(reference, together)?;
    let first = pass(&played, response, options)?;
    let Some(ppm) = first.clock_ppm else { return Ok(first.raw) };
    let sweep = first.repeats_frames as f64;
    if ppm.abs() < 3.0 * first.clock_error_ppm || ppm.abs() * 1e-6 * sweep < WORTH_CORRECTING {
        return Ok(first.raw);
    }
    // The response read at the reference's pace, then measured again: what is left of the clock adds to what was found.
    let mut total = ppm;
    let mut result = first;
    for _ in 0..2 {
        let moved = Between::new(response.samples).read(0.0, 1.0 + total * 1e-6, response.samples.len());
        let moved = Channel { samples: &moved[..], name: response.name.clone(), rate_hz: response.rate_hz };
        result = pass(&played, &moved, options)?;
        let left = result.clock_ppm.unwrap_or(0.0);
        total += left * (1.0 + total * 1e-6);
        if left.abs() * 1e-6 * sweep < WORTH_CORRECTING {
            break;
        }
    }
    let mut raw = result.raw;
    raw.clock_ppm = Some(total);
    raw.notes.push(Note::Clock(total));
    Ok(raw)
}

/// One measurement, as the clocks are.
struct Pass {
    raw: Raw,
    clock_ppm: Option<f64>,
    clock_error_ppm: f64,
    repeats_frames: usize,
}

/// The reference, the same in every pass.
struct Played<'r> {
    channel: &'r Channel<'r>,
    /// Its sweeps; recorded together with the response, those that agree.
    repeats: Repeats,
    /// Length of all transforms in samples.
    length: usize,
    /// Transforms of the sweeps' windows. All that was played is alike, so its first sweep stands for each; recorded together with
    /// the response, each stands for itself.
    spectra: Vec<Vec<Complex64>>,
    together: bool,
}

impl<'r> Played<'r> {
    fn new(channel: &'r Channel<'r>, together: bool) -> Result<Self, BenchError> {
        let mut repeats = Repeats::find(channel, None)?;
        if together {
            repeats.compare(channel, 0)?;
        }
        let length = transform_length(repeats.frames, channel.rate_hz);
        let offset = channel.offset(&channel.stretches());
        let windows = if together { repeats.starts.len() } else { 1 };
        let of = |start: &usize| {
            spectrum(&without(offset, window(channel.samples, *start as i64, repeats.frames)), length)
        };
        let spectra = repeats.starts.iter().take(windows).map(of).collect();
        Ok(Self { channel, repeats, length, spectra, together })
    }

    /// Samples from one sweep to the next; `None` of one.
    fn period(&self) -> Option<f64> {
        let [first, second, ..] = self.repeats.starts[..] else { return None };
        let steps = self.repeats.numbers[1] - self.repeats.numbers[0];
        Some((second - first) as f64 / steps as f64)
    }

    /// Transforms of the sweeps with these numbers.
    fn spectra(&self, numbers: &[usize]) -> Vec<&[Complex64]> {
        let all = self.repeats.numbers.iter().zip(&self.spectra);
        all.filter(|(number, _)| numbers.contains(number)).map(|(_, spectrum)| &spectrum[..]).collect()
    }
}

fn pass(played: &Played<'_>, response: &Channel<'_>, options: &Options) -> Result<Pass, BenchError> {
    let Played { channel: reference, length, together, .. } = *played;
    let rate = f64::from(reference.rate_hz);
    let mut repeats = played.repeats.clone();
    let mut notes: Vec<Note> = Vec::new();
    // When each sweep was played, in samples of the reference, if that is known; and where the response's windows begin.
    let (times, starts, offset): (Option<Vec<f64>>, Vec<i64>, i64) = if together {
        let offset = offset(played, response)?;
        repeats.compare(response, offset)?;
        let times = repeats.starts.iter().map(|start| *start as f64).collect();
        (Some(times), repeats.starts.iter().map(|start| *start as i64 + offset).collect(), offset)
    } else {
        let mut own = Repeats::find(response, Some(repeats.span))
            .map_err(|error| wrong_sweep(&error, reference, response))?;
        // The same window around each as around the sweep that was played.
        let lead = repeats.lead as i64 - own.lead as i64;
        (own.frames, own.lead) = (repeats.frames, repeats.lead);
        for start in &mut own.starts {
            *start = (*start as i64 - lead).max(0) as usize;
        }
        own.compare(response, 0)?;
        // Which one of those that were played it is, the places tell.
        let first = repeats.starts[0] as f64;
        let times = match played.period() {
            None if own.starts.len() > 1 => None,
            period => Some(
                own.starts
                    .iter()
                    .map(|start| {
                        let period = period.unwrap_or(f64::INFINITY);
                        let steps = ((start - own.starts[0]) as f64 / period).round();
                        first + if steps > 0.0 { steps * period } else { 0.0 }
                    })
                    .collect(),
            ),
        };
        let offset = own.starts[0] as i64 - repeats.starts[0] as i64;
        let places = own.starts.iter().map(|start| *start as i64).collect();
        repeats = own;
        (times, places, offset)
    };
    notes.extend(repeats.dropped.iter().copied().map(Note::Dropped));
    // Whatever sounds is no silence: what a dropout leaves of a sweep may be as short as a click.
    let sounds = response.stretches();
    let own_offset = response.offset(&sounds);
    let own: Vec<Vec<Complex64>> = starts
        .iter()
        .map(|y| spectrum(&without(own_offset, window(response.samples, *y, repeats.frames)), length))
        .collect();
    let references =
        if together { played.spectra(&repeats.numbers) } else { vec![&played.spectra[0][..]; own.len()] };
    let spectra: Vec<(&[Complex64], &[Complex64])> =
        references.into_iter().zip(own.iter().map(|own| &own[..])).collect();
    if !together {
        matches(spectra[0], length, reference, response)?;
    }
    let bulk = lag(spectra[0].0, spectra[0].1, length);
    let frequency_hz = axis(spectra[0].0, length, rate, options.per_octave);
    if frequency_hz.len() < 2 {
        return Err(BenchError(format!("{}: its sweep covers less than two bands", reference.name)));
    }
    // What each repeat lags behind the first one, beyond the windows' own places.
    let lags: Vec<f64> = spectra
        .iter()
        .map(|(x, y)| {
            let turned = |a: &[Complex64], b: &[Complex64]| -> Vec<Complex64> {
                a.iter().zip(b).map(|(a, b)| a * b.conj()).collect()
            };
            precise_lag(&turned(spectra[0].1, spectra[0].0), &turned(y, x), length)
        })
        .collect();
    // Recorded together, what one lags is the sound's own; on its own, each sweep stands where lost sound let it.
    let single: Vec<Vec<Complex64>> = spectra
        .iter()
        .zip(&lags)
        .map(|((x, y), own)| {
            let lag = if together { bulk } else { bulk + own };
            banded(x, y, length, rate, lag, &frequency_hz, options.per_octave)
        })
        .collect();
    let places: Vec<(f64, f64)> = times
        .iter()
        .flatten()
        .zip(&starts)
        .zip(&lags)
        .map(|((x, y), lag)| (*x, *y as f64 - x - offset as f64 + lag))
        .collect();
    let constant = played.repeats.phases[0].constant;
    let steady = together || steady(&places, pace(&frequency_hz, &single, rate, constant), constant, rate);
    if times.is_none() {
        notes.push(Note::NoTimes);
    } else if !steady {
        notes.push(Note::LostBetween);
    }
    let (slope, slope_error) = drift(&places);
    let count = single.len();
    let mean: Vec<Complex64> = (0..frequency_hz.len())
        .map(|band| single.iter().map(|values| values[band]).sum::<Complex64>() / count as f64)
        .collect();
    let deviation = |part: &dyn Fn(Complex64) -> f64| {
        (count > 1).then(|| {
            (0..frequency_hz.len())
                .map(|band| {
                    let squares: f64 =
                        single.iter().map(|values| part((values[band] / mean[band]).ln()).powi(2)).sum();
                    (squares / (count as f64 - 1.0) / count as f64).sqrt()
                })
                .collect::<Vec<f64>>()
        })
    };
    let gain_std_db = deviation(&|relative| relative.re * 20.0 / std::f64::consts::LN_10);
    let phase_std_deg = deviation(&|relative| relative.im.to_degrees());
    if count == 1 {
        notes.push(Note::OneRepeat);
    }
    let mut gains: Vec<f64> = mean.iter().map(|value| 20.0 * value.norm().log10()).collect();
    gains.sort_by(f64::total_cmp);
    // The highest, but for a few bands that noise has to itself: at high frequencies a cable loses most.
    let highest = gains[gains.len() * 95 / 100];
    if together && highest > LOUDER_DB {
        notes.push(Note::Louder(highest));
    }
    let clock_ppm = (places.len() > 1 && steady).then_some(slope * 1e6);
    Ok(Pass {
        clock_ppm,
        clock_error_ppm: slope_error * 1e6,
        repeats_frames: repeats.frames,
        raw: Raw {
            rate_hz: rate,
            frequency_hz,
            value: mean,
            gain_std_db,
            phase_std_deg,
            delay_s: (offset as f64 + bulk) / rate,
            clock_ppm,
            repeats: count,
            noise_dbfs: response.noise_dbfs(&sounds),
            notes,
        },
    })
}

/// Samples without what the input adds to each.
fn without(offset: f64, mut samples: Vec<f64>) -> Vec<f64> {
    for sample in &mut samples {
        *sample -= offset;
    }
    samples
}

fn wrong_sweep(error: &BenchError, reference: &Channel<'_>, response: &Channel<'_>) -> BenchError {
    BenchError(format!(
        "{} (Or {} does not hold the sweep that was played, {}.)",
        error.0, response.name, reference.name
    ))
}

/// Whole samples that the response lags behind the reference.
fn offset(played: &Played<'_>, response: &Channel<'_>) -> Result<i64, BenchError> {
    // Its first sound tells where to look, for it may be later than a window is wide.
    let sounds = response.sounds();
    let Some(sound) = sounds.first() else {
        return Err(BenchError(format!("{}: there is no sound as long as a sweep on it", response.name)));
    };
    let (whole, repeats) = (played.channel.sounds(), &played.repeats);
    let coarse = sound.start as i64 - whole[0].start as i64;
    let coarse = if coarse.unsigned_abs() as usize > repeats.frames / 2 { 0 } else { coarse };
    let start = repeats.starts[0] as i64 + coarse;
    let y = spectrum(&window(response.samples, start, repeats.frames), played.length);
    Ok(coarse + lag(&played.spectra[0], &y, played.length).round() as i64)
}

/// Refuses a recording of another sweep than the one that was played.
fn matches(
    (x, y): (&[Complex64], &[Complex64]),
    length: usize,
    reference: &Channel<'_>,
    response: &Channel<'_>,
) -> Result<(), BenchError> {
    let cross: Vec<Complex64> = x.iter().zip(y).map(|(a, b)| b * a.conj()).collect();
    let power = |values: &[Complex64]| values.iter().map(Complex64::norm_sqr).sum::<f64>();
    let peak =
        crate::clip::fourier::signal(cross, length).iter().fold(0.0_f64, |peak, value| peak.max(value.abs()));
    let alike = peak * length as f64 / 2.0 / (power(x) * power(y)).sqrt();
    if alike > 0.5 {
        return Ok(());
    }
    Err(BenchError(format!(
        "{} does not hold the sweep that was played ({}): they agree to {}. Give the sweep of this recording, or \
         record anew with nothing else running: a dropout in every repeat looks the same",
        response.name,
        reference.name,
        printed::percent(alike)
    )))
}
