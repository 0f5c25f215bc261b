//! Sound read between its samples: delays of a fraction of a sample, and clocks that run at another pace.
//!
//! A signal is doubled in rate by its spectrum (exact for what a finite piece can hold) and read between the doubled
//! samples through a Kaiser-windowed sinc. The doubling leaves the interpolation a band as wide as the signal's own to
//! fall off in, so 32 taps are good for 160 dB (Kaiser & Schafer 1980, IEEE Transactions on Acoustics, Speech, and Signal
//! Processing 28:105). Only what stands within a thousandth of half the rate is lost at the ends of pieces.

use std::collections::VecDeque;
use std::sync::OnceLock;

use super::ClipError;
use super::fourier::{signal, spectrum};
use super::parked::Samples;

/// Samples of a piece that is doubled at a time, and what is read on both of its sides.
const PIECE: usize = 1 << 16;
const MARGIN: usize = 1 << 12;
/// Half the taps of the interpolation, in doubled samples.
const HALF: usize = 16;
/// Shape of the window: side lobes at -160 dB.
const BETA: f64 = 16.7;
/// Values of the window from its middle to its end.
const WINDOW: usize = 1 << 17;

/// The modified Bessel function of order 0, by its series.
fn bessel(x: f64) -> f64 {
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}

fn window() -> &'static [f64] {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let shape = |x: f64| bessel(BETA * (1.0 - x * x).max(0.0).sqrt()) / bessel(BETA);
        (0..=WINDOW + 1).map(|at| if at > WINDOW { 0.0 } else { shape(at as f64 / WINDOW as f64) }).collect()
    })
}

/// The Kaiser window at `x`, from -1 to 1, whose side lobes are 160 dB down.
pub fn kaiser(x: f64) -> f64 {
    let at = x.abs().min(1.0) * WINDOW as f64;
    let cell = at as usize;
    window()[cell] + (at - cell as f64) * (window()[cell + 1] - window()[cell])
}

/// The same sound at twice the rate: the piece that begins at `start`.
fn doubled<S: Samples + ?Sized>(samples: &S, start: usize) -> Result<Vec<f64>, ClipError> {
    let length = PIECE + 2 * MARGIN;
    let fade = MARGIN / 2;
    let mut piece = samples.stretch(start as i64 - MARGIN as i64, length)?;
    // The outer halves of the margins fade, so that the piece closes with itself without a step.
    for at in (0..fade).flat_map(|at| [at, length - 1 - at]) {
        let edge = at.min(length - 1 - at);
        piece[at] *= 0.5 - 0.5 * (std::f64::consts::PI * edge as f64 / fade as f64).cos();
    }
    let mut bins = spectrum(&piece, length);
    // The bin at half the rate stands for both of its sides.
    bins[length / 2] *= 0.5;
    bins.resize(length + 1, num_complex::Complex64::ZERO);
    let twice = signal(bins, 2 * length);
    let frames = PIECE.min(samples.frames() - start);
    Ok(twice[2 * MARGIN..2 * (MARGIN + frames)].iter().map(|value| 2.0 * value).collect())
}

/// A sound that can be read anywhere between its samples.
#[derive(Debug, Clone)]
pub struct Between {
    doubled: Vec<f64>,
    /// Where the doubled samples begin.
    origin: i64,
}

/// A long sound of which stretches can be read between their samples, one after the other: memory does not grow with it.
pub struct Along<S> {
    samples: S,
    /// The doubled pieces around the last stretch, each with its number.
    pieces: VecDeque<(usize, Vec<f64>)>,
}

impl<S: Samples> Along<S> {
    /// Along a sound; before and after it is silence.
    pub fn new(samples: S) -> Self {
        Self { samples, pieces: VecDeque::new() }
    }

    /// What stands between two places in samples, to be read there and nowhere else.
    ///
    /// # Errors
    /// The samples cannot be read.
    pub fn around(&mut self, from: f64, to: f64) -> Result<Between, ClipError> {
        let last = 2 * self.samples.frames() as i64;
        let low = ((2.0 * from).floor() as i64 - HALF as i64).clamp(0, last);
        let high = ((2.0 * to).floor() as i64 + HALF as i64 + 2).clamp(low, last);
        let (low, high) = (low as usize, high as usize);
        let mut doubled = Vec::with_capacity(high - low);
        while low + doubled.len() < high {
            let at = low + doubled.len();
            let number = at / (2 * PIECE);
            let piece = self.piece(number)?;
            doubled.extend_from_slice(&piece[at % (2 * PIECE)..(high - number * 2 * PIECE).min(piece.len())]);
        }
        Ok(Between { doubled, origin: low as i64 })
    }

    /// A doubled piece; the two that were read last stay at hand.
    fn piece(&mut self, number: usize) -> Result<&[f64], ClipError> {
        let at = if let Some(at) = self.pieces.iter().position(|(own, _)| *own == number) {
            at
        } else {
            if self.pieces.len() > 1 {
                self.pieces.pop_front();
            }
            self.pieces.push_back((number, doubled(&self.samples, number * PIECE)?));
            self.pieces.len() - 1
        };
        Ok(&self.pieces[at].1)
    }

    /// Values at `start + n * step`, for `frames` values of `n` from 0.
    ///
    /// # Errors
    /// The samples cannot be read.
    pub fn read(&mut self, start: f64, step: f64, frames: usize) -> Result<Vec<f64>, ClipError> {
        let mut values = Vec::with_capacity(frames);
        for first in (0..frames).step_by(PIECE) {
            let count = PIECE.min(frames - first);
            let place = |n: usize| start + (first + n) as f64 * step;
            let between = self.around(place(0), place(count - 1))?;
            values.extend((0..count).map(|n| between.at(place(n))));
        }
        Ok(values)
    }
}

impl Between {
    /// Of samples; before and after them is silence.
    pub fn new(samples: &[f64]) -> Self {
        let pieces = (0..samples.len()).step_by(PIECE).map(|start| doubled(samples, start));
        let doubled = pieces.flat_map(|piece| piece.expect("samples in memory can be read")).collect();
        Self { doubled, origin: 0 }
    }

    /// The value at a place in samples.
    pub fn at(&self, place: f64) -> f64 {
        let place = 2.0 * place;
        let whole = place.floor();
        let fraction = place - whole;
        let whole = whole - self.origin as f64;
        let first = whole as i64 - HALF as i64 + 1;
        if first + 2 * HALF as i64 <= 0 || first >= self.doubled.len() as i64 {
            return 0.0;
        }
        if fraction < 1e-12 {
            return usize::try_from(whole as i64)
                .ok()
                .and_then(|at| self.doubled.get(at))
                .copied()
                .unwrap_or(0.0);
        }
        let table = window();
        let mut sum = 0.0;
        // What stands before or behind the samples is silence and adds nothing.
        let skipped = (-first).max(0) as usize;
        let from = (first + skipped as i64) as usize;
        let values = &self.doubled[from..(from + 2 * HALF - skipped).min(self.doubled.len())];
        for (tap, value) in (skipped..).zip(values) {
            let distance = fraction + (HALF - 1) as f64 - tap as f64;
            let at = distance.abs() * (WINDOW as f64 / HALF as f64);
            let cell = at as usize;
            let weight = table[cell] + (at - cell as f64) * (table[cell + 1] - table[cell]);
            // sin(pi d) has the same size at every tap and turns from one to the next.
            let sign = if tap % 2 == 0 { 1.0 } else { -1.0 };
            sum += sign * weight / distance * value;
        }
        let turned = if HALF % 2 == 1 { 1.0 } else { -1.0 };
        sum * turned * (std::f64::consts::PI * fraction).sin() / std::f64::consts::PI
    }

    /// Values at `start + n * step`, for `frames` values of `n` from 0.
    pub fn read(&self, start: f64, step: f64, frames: usize) -> Vec<f64> {
        (0..frames).map(|n| self.at(start + n as f64 * step)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sines_are_read_between_their_samples() {
        // Also across the seam of two pieces.
        for cycles in [0.001, 0.1, 0.3, 0.45] {
            let value = |place: f64| (std::f64::consts::TAU * cycles * place + 0.3).sin();
            // It rises and falls slowly: a sine that begins with a step rings through all of its piece.
            let envelope = |n: i32| {
                let edge = f64::from(n.min(79_999 - n).min(4_000)) / 4_000.0;
                0.5 - 0.5 * (std::f64::consts::PI * edge).cos()
            };
            let samples: Vec<f64> = (0..80_000).map(|n| envelope(n) * value(f64::from(n))).collect();
            let between = Between::new(&samples);
            for place in [9000.37, 20_000.5, PIECE as f64 - 0.25, PIECE as f64 + 3.9, 30_000.0] {
                let error = (between.at(place) - value(place)).abs();
                assert!(error < 2e-7, "{cycles} at {place}: {error}");
            }
        }
    }
}
