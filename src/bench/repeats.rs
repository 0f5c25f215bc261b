//! The repeats of a sweep side by side: where each begins, how far apart two clocks drift, and which repeat has a dropout.

use num_complex::Complex64;

use super::recognised::SweepPhase;
use super::recording::Channel;
use super::whole::{Found, Span, sweeps};
use super::{BenchError, rms};
use crate::clip::fourier::{good_length, signal, spectrum};
use crate::units::printed;

/// Blocks in which repeats are compared, in seconds.
const BLOCK_S: f64 = 0.02;
/// Two repeats differ by a dropout where a block of their difference is above this share of the sweep (-54 dB): less moves no band by
/// 0.002 dB (`tests/bench/dropouts.rs`) ...
const DROPOUT_SHARE: f64 = 0.002;
/// ... and above so many times the median of all blocks.
const DROPOUT_TIMES: f64 = 8.0;
/// ... or where more than this share of a loud block (-12 dB) is left: repeats that stand nowhere on each other leave much in
/// every block.
const APART_SHARE: f64 = 0.25;
/// The widest window around a sweep, in seconds.
const WIDEST_PAD_S: f64 = 0.5;
/// Bins closer than this in Hz: short sweeps are followed by silence.
const BIN_HZ: f64 = 0.5;

/// Why a repeat was thrown away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dropped {
    /// It differs from the others from this place on, in seconds into the recording.
    Dropout {
        /// Which, from 1.
        repeat: usize,
        /// Seconds from the beginning of the recording.
        at_s: f64,
    },
    /// The recording begins or ends in the middle of it.
    CutOff {
        /// Which, from 1.
        repeat: usize,
    },
}

impl std::fmt::Display for Dropped {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Dropout { repeat, at_s } => {
                write!(
                    formatter,
                    "repeat {repeat} has a dropout at {at_s} and was thrown away",
                    at_s = printed::fixed(*at_s, 2, "s")
                )
            }
            Self::CutOff { repeat } => {
                write!(
                    formatter,
                    "repeat {repeat} is cut off by the end of the recording and was thrown away"
                )
            }
        }
    }
}

/// Windows of one length around the repeats of a sweep.
#[derive(Debug, Clone)]
pub struct Repeats {
    /// Which of the sweeps each one is, from 1.
    pub numbers: Vec<usize>,
    /// Where each window begins in the reference, in samples.
    pub starts: Vec<usize>,
    /// Length of each window in samples, sweep and the silence around it.
    pub frames: usize,
    /// Samples of silence before the sweep in each window.
    pub lead: usize,
    /// The sweep's phase in each repeat, counted from the beginning of the channel.
    pub phases: Vec<SweepPhase>,
    /// What was thrown away.
    pub dropped: Vec<Dropped>,
    /// How far the sweeps go.
    pub span: Span,
}

/// A stretch of samples as a window; outside of them is silence.
pub fn window(samples: &[f64], start: i64, frames: usize) -> Vec<f64> {
    (start..start + frames as i64)
        .map(|at| usize::try_from(at).ok().and_then(|at| samples.get(at)).copied().unwrap_or(0.0))
        .collect()
}

/// Length of the transform of windows of so many samples.
pub fn transform_length(frames: usize, rate_hz: u32) -> usize {
    good_length(frames.max((f64::from(rate_hz) / BIN_HZ) as usize))
}

impl Repeats {
    /// Finds the sweeps on a channel. `played` is how far they go, where that is known; otherwise it is as far as any of them.
    ///
    /// # Errors
    /// There is none, or none is whole.
    pub fn find(channel: &Channel<'_>, played: Option<Span>) -> Result<Self, BenchError> {
        let sweeps = sweeps(channel);
        let rate = f64::from(channel.rate_hz);
        let span = played.or_else(|| Span::of(&sweeps));
        let edge = (0.03 * rate) as usize;
        let (mut whole, mut phases, mut dropped) = (Vec::new(), Vec::new(), Vec::new());
        let mut numbers = Vec::new();
        for (index, sweep) in sweeps.iter().enumerate() {
            let repeat = index + 1;
            let phase = span.and_then(|span| sweep.whole(span));
            let at_edge = sweep.frames.start < edge || sweep.frames.end + edge > channel.samples.len();
            match phase {
                _ if at_edge && (phase.is_none() || sweeps.len() == 1) => {
                    dropped.push(Dropped::CutOff { repeat });
                }
                Some(phase) => {
                    whole.push(sweep.frames.clone());
                    numbers.push(repeat);
                    phases.push(phase);
                }
                None => dropped.push(Dropped::Dropout { repeat, at_s: sweep.frames.start as f64 / rate }),
            }
        }
        let Some(span) = span.filter(|_| !whole.is_empty()) else {
            return Err(none_whole(channel, &sweeps, &dropped));
        };
        // Half of the silence between two sweeps belongs to each: the usual one, for a dropout may have swallowed another.
        let mut gaps: Vec<usize> =
            sweeps.windows(2).map(|pair| pair[1].frames.start - pair[0].frames.end).collect();
        gaps.sort_unstable();
        let ends = [sweeps[0].frames.start, channel.samples.len() - sweeps[sweeps.len() - 1].frames.end]
            .map(|gap| 2 * gap);
        let gap = gaps.get(gaps.len() / 2).into_iter().chain(&ends).filter(|gap| **gap > 0).min();
        let pad = (gap.copied().unwrap_or(0) / 2).min((WIDEST_PAD_S * rate) as usize);
        let longest = whole.iter().map(std::ops::Range::len).max().unwrap_or(0);
        let starts = whole.iter().map(|sound| sound.start.saturating_sub(pad / 2)).collect();
        let mut found = Self { numbers, starts, frames: longest + pad, lead: pad / 2, phases, dropped, span };
        found.align(channel.samples);
        Ok(found)
    }

    /// Moves the windows so that the sweep stands at the same sample in each.
    fn align(&mut self, samples: &[f64]) {
        let length = good_length(self.frames + self.lead);
        let first = spectrum(&window(samples, self.starts[0] as i64, self.frames), length);
        for start in &mut self.starts[1..] {
            let own = spectrum(&window(samples, *start as i64, self.frames), length);
            let lag = lag(&first, &own, length).round();
            *start = (*start as i64 + lag as i64).max(0) as usize;
        }
    }

    /// Throws away repeats in which `channel` differs from most of the others. `offset` is what the channel lags behind the
    /// one that the sweeps were found on, in samples.
    ///
    /// # Errors
    /// Of two repeats that differ nobody can say which one is good; or none is.
    pub fn compare(&mut self, channel: &Channel<'_>, offset: i64) -> Result<(), BenchError> {
        let count = self.starts.len();
        if count < 2 {
            return self.alone(channel);
        }
        let length = good_length(self.frames);
        let windows: Vec<Vec<Complex64>> = self
            .starts
            .iter()
            .map(|start| spectrum(&window(channel.samples, *start as i64 + offset, self.frames), length))
            .collect();
        let block = ((BLOCK_S * f64::from(channel.rate_hz)) as usize).max(8);
        let mut apart = vec![vec![None; count]; count];
        for one in 0..count {
            for other in one + 1..count {
                let at = dropout(&windows[one], &windows[other], length, block);
                (apart[one][other], apart[other][one]) = (at, at);
            }
        }
        // The repeat that agrees with the most others is the measure of all.
        let agreeing = |row: &Vec<Option<usize>>| row.iter().filter(|at| at.is_none()).count();
        let best = (0..count).rev().max_by_key(|index| agreeing(&apart[*index])).unwrap_or(0);
        if agreeing(&apart[best]) == 1 {
            return Err(BenchError(format!(
                "{}: no two of the {count} sweeps agree, so dropouts cannot be told from good sound (they differ from {} \
                 on). {AGAIN}",
                channel.name,
                printed::fixed(
                    (self.starts[0] + apart[best].iter().flatten().min().copied().unwrap_or(0)) as f64
                        / f64::from(channel.rate_hz),
                    2,
                    "s"
                )
            )));
        }
        for index in (0..count).rev() {
            if let Some(at) = apart[best][index] {
                let start = self.starts.remove(index);
                self.dropped.push(Dropped::Dropout {
                    repeat: self.numbers.remove(index),
                    at_s: (start + at) as f64 / f64::from(channel.rate_hz),
                });
                self.phases.remove(index);
            }
        }
        Ok(())
    }

    /// Refuses one sweep that is left where others had dropouts: nothing would show a short one in it.
    fn alone(&self, channel: &Channel<'_>) -> Result<(), BenchError> {
        let spoiled =
            self.dropped.iter().filter(|dropped| matches!(dropped, Dropped::Dropout { .. })).count();
        if spoiled == 0 {
            return Ok(());
        }
        Err(BenchError(format!(
            "{}: only one of {} sweeps is whole, the others have a dropout, and with no second one beside it a short dropout in it \
             could not be seen. {AGAIN}",
            channel.name,
            self.dropped.len() + 1,
        )))
    }
}

/// What to do about dropouts.
const AGAIN: &str = "Close other programs, use a larger buffer, and record three sweeps or more again";

/// Why there is no whole sweep.
fn none_whole(channel: &Channel<'_>, sweeps: &[Found], dropped: &[Dropped]) -> BenchError {
    let name = &channel.name;
    BenchError(match dropped.first() {
        Some(Dropped::Dropout { at_s, .. }) if sweeps.iter().any(Found::is_sweep) => format!(
            "{name}: no sweep on it is whole: {each} a dropout (the first begins at {at}). {AGAIN}. A device that swallows the \
             lowest or highest tones looks the same: then sweep a narrower band, --from and --to",
            each =
                if sweeps.len() == 1 { "it has".to_owned() } else { format!("each of {} has", sweeps.len()) },
            at = printed::fixed(*at_s, 2, "s")
        ),
        Some(Dropped::Dropout { .. }) => format!(
            "{name}: there is no exponential sweep on it. Record what `earwitness bench sweep` writes, from before its \
             beginning to after its end, without effects; a dropout in every repeat looks the same"
        ),
        Some(Dropped::CutOff { .. }) | None => format!(
            "{name}: the recording holds no sweep, or begins or ends in the middle of it. Start recording before the sweep is played \
             and stop after it, with half a second of silence on both sides"
        ),
    })
}

/// By how many samples the second signal lags behind the first: the peak of their correlation, either polarity, with the
/// parabola through its neighbours.
pub fn lag(first: &[Complex64], second: &[Complex64], length: usize) -> f64 {
    // Every frequency with the same weight: the peak is sharp whatever the spectrum. What has no energy has no say.
    let floor = 1e-6 * first.iter().map(Complex64::norm_sqr).fold(0.0, f64::max);
    let cross = first
        .iter()
        .zip(second)
        .map(|(a, b)| {
            let product = b * a.conj();
            product / (product.norm() + floor)
        })
        .collect();
    let correlation = signal(cross, length);
    let best =
        (0..length).max_by(|a, b| correlation[*a].abs().total_cmp(&correlation[*b].abs())).unwrap_or(0);
    let at = |index: usize| correlation[index % length].abs();
    let (before, peak, after) = (at(best + length - 1), at(best), at(best + 1));
    let bend = before - 2.0 * peak + after;
    let fraction = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    let lag = best as f64 + fraction;
    if lag > length as f64 / 2.0 { lag - length as f64 } else { lag }
}

/// By how many samples the second signal lags behind the first where both are the same but for noise: the peak of the
/// correlation, then the slope of the phase that is left, every bin weighted with its energy.
pub fn precise_lag(first: &[Complex64], second: &[Complex64], length: usize) -> f64 {
    let coarse = lag(first, second, length);
    let (mut across, mut along) = (0.0, 0.0);
    for (bin, (a, b)) in first.iter().zip(second).enumerate().skip(1) {
        let omega = std::f64::consts::TAU * bin as f64 / length as f64;
        let product = b * a.conj() * Complex64::cis(omega * coarse);
        let weight = product.norm();
        across -= weight * omega * product.arg();
        along += weight * omega * omega;
    }
    coarse + if along > 0.0 { across / along } else { 0.0 }
}

/// Where two repeats begin to differ by more than their noise, in samples into the window.
fn dropout(first: &[Complex64], second: &[Complex64], length: usize, block: usize) -> Option<usize> {
    let shift = precise_lag(first, second, length);
    let moved = second.iter().enumerate().map(|(bin, value)| {
        value * Complex64::cis(std::f64::consts::TAU * bin as f64 / length as f64 * shift)
    });
    let difference = signal(moved.zip(first).map(|(b, a)| b - a).collect(), length);
    let own = signal(first.to_vec(), length);
    let loud = rms(&own);
    let blocks: Vec<(f64, f64)> = difference.chunks(block).map(rms).zip(own.chunks(block).map(rms)).collect();
    let mut sorted: Vec<f64> =
        blocks.iter().filter(|(_, own)| *own > 0.3 * loud).map(|pair| pair.0).collect();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let most = (DROPOUT_TIMES * usual).min(APART_SHARE * loud).max(DROPOUT_SHARE * loud);
    blocks.iter().position(|(difference, _)| *difference > most).map(|index| index * block)
}
