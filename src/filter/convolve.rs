//! Offline convolution of one input with the filters of several sides: overlap-save in double precision.
//!
//! All sides share the transform of the input, the block length and the arithmetic; only the filter's spectrum differs.
//! A side that only multiplies is multiplied, without a transform, so that nothing is rounded.

use std::sync::Arc;

use num_complex::Complex64;
use rayon::prelude::*;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::Fir;

/// Filtered sound: `sides[side][channel][frame]`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Filtered {
    /// One entry per side, one vector per channel in it, all of the same length.
    pub sides: Vec<Vec<Vec<f64>>>,
}

impl Filtered {
    /// Length in frames.
    pub fn frames(&self) -> usize {
        self.sides.first().and_then(|side| side.first()).map_or(0, Vec::len)
    }

    /// Appends another block of the same sides and channels.
    pub fn extend(&mut self, other: &Self) {
        for (side, more) in self.sides.iter_mut().zip(&other.sides) {
            for (channel, samples) in side.iter_mut().zip(more) {
                channel.extend_from_slice(samples);
            }
        }
    }
}

/// What a side does to the sound.
enum Action {
    Multiply(f64),
    /// Spectrum of the taps, scaled by the inverse transform's length.
    Convolve(Vec<Complex64>),
}

struct Side {
    action: Action,
    /// Outputs that have still to be dropped (the filter starts ahead) ...
    drop: usize,
    /// ... or zeros that have still to be put before them (it starts late).
    pad: usize,
}

struct Channel {
    /// The last `taps - 1` inputs followed by those that wait for a full block.
    history: Vec<f64>,
    /// Output of each side not handed out yet.
    ready: Vec<Vec<f64>>,
}

/// Filters a stream of blocks through several sides at once. Output frame `n` of a side is
/// `sum over i of taps[i] * input[n - start - i]`; there are as many output frames as input frames.
pub struct Convolver {
    sides: Vec<Side>,
    channels: Vec<Channel>,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    /// Taps of the longest side.
    taps: usize,
    /// Output frames per transform.
    hop: usize,
    /// Frames by which the side that reaches ahead furthest needs its input early.
    ahead: usize,
    received: usize,
    delivered: usize,
}

impl std::fmt::Debug for Convolver {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("Convolver")
            .field("taps", &self.taps)
            .field("hop", &self.hop)
            .field("ahead", &self.ahead)
            .finish_non_exhaustive()
    }
}

impl Convolver {
    /// A convolver for these sides and this number of channels.
    pub fn new(firs: &[&Fir], channels: usize) -> Self {
        let taps = firs.iter().map(|fir| fir.taps.len()).max().unwrap_or(1);
        // Four times the filter is near the least work per sample and still fits the cache.
        let length = (4 * taps).next_power_of_two().max(1024);
        let mut planner = RealFftPlanner::<f64>::new();
        let forward = planner.plan_fft_forward(length);
        let backward = planner.plan_fft_inverse(length);
        let sides = firs
            .iter()
            .map(|fir| {
                let action = if fir.is_gain() {
                    Action::Multiply(fir.taps[0])
                } else {
                    let mut input = forward.make_input_vec();
                    for (sample, tap) in input.iter_mut().zip(&fir.taps) {
                        *sample = tap / length as f64;
                    }
                    let mut spectrum = forward.make_output_vec();
                    forward.process(&mut input, &mut spectrum).expect("lengths fit the plan");
                    Action::Convolve(spectrum)
                };
                Side { action, drop: (-fir.start).max(0) as usize, pad: fir.start.max(0) as usize }
            })
            .collect::<Vec<_>>();
        let ahead = sides.iter().map(|side| side.drop).max().unwrap_or(0);
        let channels = (0..channels)
            .map(|_| Channel {
                history: vec![0.0; taps - 1],
                ready: sides.iter().map(|side| vec![0.0; side.pad]).collect(),
            })
            .collect();
        Self {
            sides,
            channels,
            forward,
            backward,
            taps,
            hop: length - (taps - 1),
            ahead,
            received: 0,
            delivered: 0,
        }
    }

    /// Frames that one transform yields: the cheapest block length to push.
    pub fn block_frames(&self) -> usize {
        self.hop
    }

    /// Takes a block of input (`input[channel][frame]`) and returns what is ready, perhaps nothing.
    pub fn push(&mut self, input: &[Vec<f64>]) -> Filtered {
        self.received += input.first().map_or(0, Vec::len);
        self.accept(input, false);
        self.hand_out()
    }

    /// Ends the input and returns the rest; output and input are then equally long.
    pub fn finish(&mut self) -> Filtered {
        let zeros = vec![vec![0.0; self.ahead]; self.channels.len()];
        self.accept(&zeros, true);
        self.hand_out()
    }

    fn accept(&mut self, input: &[Vec<f64>], flush: bool) {
        let Self { sides, channels, forward, backward, taps, hop, .. } = self;
        let (taps, hop) = (*taps, *hop);
        let sides: &[Side] = sides;
        channels.par_iter_mut().zip(input.par_iter()).for_each(|(channel, samples)| {
            channel.history.extend_from_slice(samples);
            let mut from = 0;
            let mut block = forward.make_input_vec();
            let mut spectrum = forward.make_output_vec();
            let mut forward_scratch = forward.make_scratch_vec();
            loop {
                let waiting = channel.history.len() - from - (taps - 1);
                let whole = waiting >= hop;
                if !whole && (!flush || waiting == 0) {
                    break;
                }
                let frames = waiting.min(hop);
                let new = &channel.history[from..from + taps - 1 + frames];
                let transformed = sides.iter().any(|side| matches!(side.action, Action::Convolve(_)));
                if transformed {
                    block[..new.len()].copy_from_slice(new);
                    block[new.len()..].fill(0.0);
                    forward
                        .process_with_scratch(&mut block, &mut spectrum, &mut forward_scratch)
                        .expect("lengths fit the plan");
                }
                channel.ready.par_iter_mut().zip(sides).for_each(|(ready, side)| match &side.action {
                    Action::Multiply(gain) => {
                        ready.extend(new[taps - 1..].iter().map(|sample| sample * gain));
                    }
                    Action::Convolve(filter) => {
                        let mut product: Vec<Complex64> =
                            spectrum.iter().zip(filter).map(|(a, b)| a * b).collect();
                        if let Some(last) = product.last_mut() {
                            last.im = 0.0;
                        }
                        product[0].im = 0.0;
                        let mut output = backward.make_output_vec();
                        backward
                            .process(&mut product, &mut output)
                            .expect("lengths and end bins fit the plan");
                        ready.extend_from_slice(&output[taps - 1..taps - 1 + frames]);
                    }
                });
                from += frames;
            }
            channel.history.drain(..from);
        });
    }

    /// Takes what all sides have ready, without the outputs ahead of time zero.
    fn hand_out(&mut self) -> Filtered {
        for (index, side) in self.sides.iter_mut().enumerate() {
            let mut dropped = 0;
            for channel in &mut self.channels {
                let ready = &mut channel.ready[index];
                dropped = side.drop.min(ready.len());
                ready.drain(..dropped);
            }
            side.drop -= dropped;
        }
        let available = self
            .channels
            .iter()
            .flat_map(|channel| channel.ready.iter().map(Vec::len))
            .min()
            .unwrap_or(0)
            .min(self.received - self.delivered);
        self.delivered += available;
        let sides = (0..self.sides.len())
            .map(|side| {
                self.channels
                    .iter_mut()
                    .map(|channel| {
                        let ready = &mut channel.ready[side];
                        if ready.len() == available {
                            std::mem::take(ready)
                        } else {
                            ready.drain(..available).collect()
                        }
                    })
                    .collect()
            })
            .collect();
        Filtered { sides }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Accuracy;

    fn direct(fir: &Fir, input: &[f64]) -> Vec<f64> {
        (0..input.len() as i64)
            .map(|n| {
                fir.taps
                    .iter()
                    .enumerate()
                    .map(|(i, tap)| {
                        let at = n - fir.start - i as i64;
                        if (0..input.len() as i64).contains(&at) { tap * input[at as usize] } else { 0.0 }
                    })
                    .sum()
            })
            .collect()
    }

    fn noise(length: usize, seed: u64) -> Vec<f64> {
        let mut state = seed;
        (0..length)
            .map(|_| {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
            })
            .collect()
    }

    #[test]
    fn equals_the_sum_itself_for_every_block_length_and_start() {
        for (taps, start) in [(1, 0), (2, 0), (5, -3), (300, -40), (1000, 7), (700, -699)] {
            let fir =
                Fir { rate_hz: 48_000, taps: noise(taps, 1), start, delay: 0, accuracy: Accuracy::default() };
            let other = Fir::gain(48_000, 0.5);
            for (length, block) in [(1, 1), (10, 3), (5000, 777), (5000, 5000)] {
                let input = noise(length, 2);
                let expected = direct(&fir, &input);
                let mut convolver = Convolver::new(&[&fir, &other], 2);
                let mut output = Filtered { sides: vec![vec![Vec::new(); 2]; 2] };
                for part in input.chunks(block) {
                    let negated: Vec<f64> = part.iter().map(|sample| -sample).collect();
                    output.extend(&convolver.push(&[part.to_vec(), negated]));
                }
                output.extend(&convolver.finish());
                assert_eq!(output.frames(), length);
                for (n, value) in expected.iter().enumerate() {
                    assert!((output.sides[0][0][n] - value).abs() < 1e-12, "{taps} {start} {length} {n}");
                    assert!((output.sides[0][1][n] + value).abs() < 1e-12);
                    assert_eq!(output.sides[1][0][n], 0.5 * input[n], "a gain is exact");
                }
            }
        }
    }
}
