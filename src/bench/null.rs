//! Null tests: two recordings of the same sound on one time axis, what is left of their difference, and whether that is
//! more than a recording leaves of its own repetition.

use super::recording::Channel;
use super::{BenchError, dbfs};
use crate::clip::align::{Alignment, Moved, align};
use crate::clip::parked::{BLOCK, Samples};
use crate::clip::welch::Welch;
use crate::hearing::weighting::erb_edges;

/// Frequencies that are compared, in Hz; the upper one at most 0.45 of the rate.
pub(super) const BAND_HZ: (f64, f64) = (20.0, 20_000.0);
/// Window of the spectra in samples.
pub(super) const WINDOW: usize = 8192;
/// Most recordings of a permutation test: all ways to call half of them A are looked at.
const MOST_RECORDINGS: usize = 16;

/// Where more than this is left of the first recording, in dB, the two were not brought onto each other (common practice, no
/// source).
const NOT_ALIGNED_DB: f64 = -6.0;

/// A band with less than this share of the whole sound, -80 dB, holds no music (common practice, no source).
const SILENT_SHARE: f64 = 1e-8;

/// What is left in a band as wide as the ear's.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Band {
    /// Lower edge in Hz.
    pub from_hz: f64,
    /// Upper edge in Hz.
    pub to_hz: f64,
    /// Residual relative to the first recording in this band, in dB; `None` where that is silent.
    pub residual_db: Option<f64>,
}

/// What two recordings leave of each other.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Null {
    /// Sample rate in Hz.
    #[serde(skip)]
    pub rate_hz: u32,
    /// By how many seconds the second is later.
    pub delay_s: f64,
    /// By how much the second is louder, in dB.
    pub gain_db: f64,
    /// -1 if the second's polarity is reversed.
    pub polarity: i8,
    /// By how much the second's clock is faster, in parts per million.
    pub clock_ppm: f64,
    /// Level of the residual in dBFS, 20 Hz to 20 kHz.
    pub residual_dbfs: f64,
    /// The same relative to the first recording, in dB.
    pub residual_db: f64,
    /// The residual band by band.
    pub bands: Vec<Band>,
}

/// The permutation test of interleaved recordings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Permutation {
    /// Recordings of A and of B.
    pub recordings: (usize, usize),
    /// Mean residual of pairs of an A and a B, in dB.
    pub between_db: f64,
    /// Mean residual of pairs of the same cable, in dB.
    pub within_db: f64,
    /// Share of all ways to name the recordings A and B that set the groups apart at least as far.
    pub p_value: f64,
    /// How many ways there are.
    pub labellings: usize,
    /// The smallest p-value that so many recordings can give.
    pub smallest_p: f64,
}

fn aligned<'s, S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &Channel<'_, S>,
    second: &Channel<'s, T>,
) -> Result<Moved<'s, T>, BenchError> {
    if first.rate_hz != second.rate_hz {
        return Err(BenchError(format!(
            "{} has {} Hz and {} has {} Hz; record both at one rate",
            first.name, first.rate_hz, second.name, second.rate_hz
        )));
    }
    first.check()?;
    second.check()?;
    align(first.samples, second.samples)?.ok_or_else(|| {
        BenchError(format!(
            "{} and {} are not the same sound, or shorter than half a second: their correlation has no peak. Record the \
             same piece of music through both",
            first.name, second.name
        ))
    })
}

fn welch() -> Welch {
    Welch::new(1, WINDOW)
}

/// Power of a signal in each bin.
pub(super) fn power<S: Samples + ?Sized>(samples: &S) -> Result<Vec<f64>, BenchError> {
    let mut welch = welch();
    samples.each_block(|_, block| welch.push(&[block]))?;
    Ok(welch.finish())
}

/// Blocks of a stretch: where each begins, and its length.
fn blocks(start: usize, end: usize) -> impl Iterator<Item = (usize, usize)> {
    (start..end).step_by(BLOCK).map(move |from| (from, BLOCK.min(end - from)))
}

/// The bins between two frequencies.
pub(super) fn bins(from_hz: f64, to_hz: f64, rate: f64) -> std::ops::Range<usize> {
    let step = rate / WINDOW as f64;
    (from_hz / step).round() as usize..((to_hz / step).round() as usize).min(WINDOW / 2 + 1)
}

pub(super) fn highest(rate: f64) -> f64 {
    BAND_HZ.1.min(super::sweep::MEASURED_SHARE * rate)
}

pub(super) fn decibels(ratio: f64) -> f64 {
    (10.0 * ratio.log10()).max(-300.0)
}

/// Nulls a second recording against a first. `residual` gets what is left, block by block, to be listened to.
///
/// # Errors
/// Silence, clipping, different rates, sounds that are not the same; what `residual` says.
pub fn null<S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &Channel<'_, S>,
    second: &Channel<'_, T>,
    residual: &mut dyn FnMut(&[f64]) -> Result<(), BenchError>,
) -> Result<Null, BenchError> {
    let mut moved = aligned(first, second)?;
    let rate = f64::from(first.rate_hz);
    let (mut whole, mut left) = (welch(), welch());
    for (from, frames) in blocks(moved.start, moved.end) {
        let own = first.samples.stretch(from as i64, frames)?;
        let mut rest = moved.read(from, frames)?;
        for (rest, own) in rest.iter_mut().zip(&own) {
            *rest = own - *rest;
        }
        whole.push(&[&own]);
        left.push(&[&rest]);
        residual(&rest)?;
    }
    let (whole, left) = (whole.finish(), left.finish());
    let sum = |power: &[f64], from: f64, to: f64| power[bins(from, to, rate)].iter().sum::<f64>();
    let (low, high) = (BAND_HZ.0, highest(rate));
    let (total, rest) = (sum(&whole, low, high), sum(&left, low, high));
    if decibels(rest / total) > NOT_ALIGNED_DB {
        return Err(BenchError(format!(
            "{} and {} begin alike and do not stay so, so nothing nulls: a dropout in one of them, or two clocks that are more than \
             1000 ppm apart. Close other programs, and record both again",
            first.name, second.name
        )));
    }
    let edges = erb_edges(low, high);
    let bands = edges
        .windows(2)
        .map(|pair| {
            let (own, left) = (sum(&whole, pair[0], pair[1]), sum(&left, pair[0], pair[1]));
            // Where there is no music, only noise is compared with noise.
            let silent = own <= SILENT_SHARE * total;
            Band { from_hz: pair[0], to_hz: pair[1], residual_db: (!silent).then(|| decibels(left / own)) }
        })
        .collect();
    let Alignment { delay, clock, gain } = moved.alignment;
    Ok(Null {
        rate_hz: first.rate_hz,
        delay_s: delay / (1.0 + clock) / rate,
        gain_db: -20.0 * gain.abs().log10(),
        polarity: if gain < 0.0 { -1 } else { 1 },
        clock_ppm: clock * 1e6,
        residual_dbfs: dbfs(rest.sqrt()).max(-300.0),
        residual_db: decibels(rest / total),
        bands,
    })
}

/// Whether recordings of A differ from recordings of B by more than recordings of the same cable do: the mean residual of
/// mixed pairs against that of unmixed ones, for every way in which the recordings could have been named A and B.
///
/// # Errors
/// Fewer than two recordings of either, or more than can be named in all ways; recordings that cannot be aligned.
pub fn permuted<S: Samples + ?Sized>(
    a: &[Channel<'_, S>],
    b: &[Channel<'_, S>],
) -> Result<Permutation, BenchError> {
    let count = a.len() + b.len();
    if a.len() < 2 || b.len() < 2 || count > MOST_RECORDINGS {
        return Err(BenchError(format!(
            "a permutation test needs two recordings or more of each cable, {MOST_RECORDINGS} in all at most, in turns (A B A \
             B); there are {} and {}",
            a.len(),
            b.len()
        )));
    }
    let first = &a[0];
    let mut others =
        a[1..].iter().chain(b).map(|other| aligned(first, other)).collect::<Result<Vec<_>, _>>()?;
    let start = others.iter().map(|moved| moved.start).max().unwrap_or(0);
    let end = others.iter().map(|moved| moved.end).min().unwrap_or(0);
    if end < start + WINDOW {
        return Err(BenchError(
            "the recordings have too little in common in time; record the same piece each time".into(),
        ));
    }
    let rate = f64::from(first.rate_hz);
    let band = bins(BAND_HZ.0, highest(rate), rate);
    // Spectra of all recordings and of the residuals of all pairs: all of them move along together.
    let mut own: Vec<Welch> = (0..count).map(|_| welch()).collect();
    let mut rest: Vec<(usize, usize, Welch)> = (0..count)
        .flat_map(|one| (one + 1..count).map(move |other| (one, other)))
        .map(|(one, other)| (one, other, welch()))
        .collect();
    for (from, frames) in blocks(start, end) {
        let mut parts = vec![first.samples.stretch(from as i64, frames)?];
        for moved in &mut others {
            parts.push(moved.read(from, frames)?);
        }
        for (own, part) in own.iter_mut().zip(&parts) {
            own.push(&[part]);
        }
        for (one, other, welch) in &mut rest {
            let residual: Vec<f64> = parts[*one].iter().zip(&parts[*other]).map(|(x, y)| x - y).collect();
            welch.push(&[&residual]);
        }
    }
    let total = |welch: Welch| welch.finish()[band.clone()].iter().sum::<f64>();
    let own: Vec<f64> = own.into_iter().map(total).collect();
    // Residuals of all pairs, in dB.
    let left: Vec<(usize, usize, f64)> =
        rest.into_iter().map(|(one, other, welch)| (one, other, decibels(total(welch) / own[one]))).collect();
    let apart = |is_a: &dyn Fn(usize) -> bool| {
        let (mut between, mut within) = ((0.0, 0.0), (0.0, 0.0));
        for (one, other, residual) in &left {
            let sum = if is_a(*one) == is_a(*other) { &mut within } else { &mut between };
            *sum = (sum.0 + residual, sum.1 + 1.0);
        }
        (between.0 / between.1, within.0 / within.1)
    };
    let (between_db, within_db) = apart(&|index| index < a.len());
    // The first recording's name does not matter where both groups are as large.
    let ways: Vec<u32> = (0..1_u32 << count).filter(|way| way.count_ones() as usize == a.len()).collect();
    let as_far = ways
        .iter()
        .filter(|way| {
            let (between, within) = apart(&|index| **way >> index & 1 == 1);
            between - within >= between_db - within_db - 1e-9
        })
        .count();
    Ok(Permutation {
        recordings: (a.len(), b.len()),
        between_db,
        within_db,
        p_value: as_far as f64 / ways.len() as f64,
        labellings: ways.len(),
        // Where both groups are as large, the names exchanged set them apart as far.
        smallest_p: if a.len() == b.len() { 2.0 } else { 1.0 } / ways.len() as f64,
    })
}
