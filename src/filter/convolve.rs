//! Offline convolution of one input with the filters of several sides: overlap-save in double precision.
//!
//! All sides share the transform of the input, the block length and the arithmetic; only the filter's spectrum differs.
//! A side that only multiplies is multiplied, without a transform, so that nothing is rounded. Channels are transformed
//! one by one: nothing of one channel can reach another, not even as rounding.
//!
//! The input is cut into blocks at fixed places, and each block of each channel is worked on alone, by whichever core is
//! free. So the result depends neither on the number of cores nor on the lengths that the input comes in. Buffers are
//! used again: a long clip takes no more memory, and no more page faults, than a short one.

use std::sync::{Arc, Mutex, PoisonError};

use num_complex::Complex64;
use rayon::prelude::*;
use realfft::{ComplexToReal, RealToComplex};

use super::{Fir, plans};

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

    /// Makes it so many sides and channels, and keeps the buffers that it has.
    fn shape(&mut self, sides: usize, channels: usize) {
        self.sides.resize_with(sides, Vec::new);
        for side in &mut self.sides {
            side.resize_with(channels, Vec::new);
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
    /// The last `taps - 1` inputs followed by those that waited for a full block.
    history: Vec<f64>,
    /// Output of each side not handed out yet.
    ready: Vec<Vec<f64>>,
}

/// One block of one channel: what goes in, and where the output of each side goes.
struct Unit<'b> {
    /// `taps - 1` earlier inputs, then as many as there are outputs, in two parts that follow each other.
    input: [&'b [f64]; 2],
    outputs: Vec<&'b mut [f64]>,
}

/// A stretch of two slices that follow each other, as two slices.
fn stretch(parts: [&[f64]; 2], from: usize, to: usize) -> [&[f64]; 2] {
    let [first, second] = parts;
    let seam = first.len();
    [&first[from.min(seam)..to.min(seam)], &second[from.max(seam) - seam..to.max(seam) - seam]]
}

/// The transforms of one length, with buffers that go from block to block.
struct Transform {
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    idle: Mutex<Vec<Buffers>>,
}

struct Buffers {
    block: Vec<f64>,
    spectrum: Vec<Complex64>,
    product: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl Transform {
    fn new(length: usize) -> Self {
        Self {
            forward: plans::forward(length),
            backward: plans::inverse(length),
            idle: Mutex::new(Vec::new()),
        }
    }

    /// The spectrum of a filter, divided by the length: the transforms there and back do not.
    fn filter(&self, taps: &[f64]) -> Vec<Complex64> {
        let mut input = self.forward.make_input_vec();
        let length = input.len() as f64;
        for (sample, tap) in input.iter_mut().zip(taps) {
            *sample = tap / length;
        }
        let mut spectrum = self.forward.make_output_vec();
        self.forward.process(&mut input, &mut spectrum).expect("lengths fit the plan");
        spectrum
    }

    fn buffers(&self) -> Buffers {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        idle.unwrap_or_else(|| Buffers {
            block: self.forward.make_input_vec(),
            spectrum: self.forward.make_output_vec(),
            product: Vec::new(),
            scratch: vec![
                Complex64::ZERO;
                self.forward.get_scratch_len().max(self.backward.get_scratch_len())
            ],
        })
    }

    fn give_back(&self, buffers: Buffers) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(buffers);
    }

    /// Sends a unit through all sides. Every value depends on the unit's input and the filters alone.
    fn run(&self, unit: &mut Unit<'_>, sides: &[Side]) {
        let last = sides.iter().rposition(|side| matches!(side.action, Action::Convolve(_)));
        let mut buffers = self.buffers();
        let Buffers { block, spectrum, product, scratch } = &mut buffers;
        let [first, second] = unit.input;
        let length = first.len() + second.len();
        if last.is_some() {
            block[..first.len()].copy_from_slice(first);
            block[first.len()..length].copy_from_slice(second);
            block[length..].fill(0.0);
            let scratch = &mut scratch[..self.forward.get_scratch_len()];
            self.forward.process_with_scratch(block, spectrum, scratch).expect("lengths fit the plan");
        }
        for (index, (output, side)) in unit.outputs.iter_mut().zip(sides).enumerate() {
            let before = length - output.len();
            match &side.action {
                Action::Multiply(gain) => {
                    let [first, second] = stretch(unit.input, before, length);
                    for (value, sample) in output.iter_mut().zip(first.iter().chain(second)) {
                        *value = sample * gain;
                    }
                }
                Action::Convolve(filter) => {
                    // The last side that convolves may use the spectrum up.
                    let product = if Some(index) == last {
                        for (value, weight) in spectrum.iter_mut().zip(filter) {
                            *value *= weight;
                        }
                        &mut *spectrum
                    } else {
                        product.clear();
                        product.extend(spectrum.iter().zip(filter).map(|(value, weight)| value * weight));
                        &mut *product
                    };
                    // Real at both ends by theory, and by rounding not quite.
                    product[0].im = 0.0;
                    if let Some(end) = product.last_mut() {
                        end.im = 0.0;
                    }
                    let scratch = &mut scratch[..self.backward.get_scratch_len()];
                    self.backward
                        .process_with_scratch(product, block, scratch)
                        .expect("lengths and end bins fit the plan");
                    output.copy_from_slice(&block[before..length]);
                }
            }
        }
        self.give_back(buffers);
    }
}

/// Filters a stream of blocks through several sides at once. Output frame `n` of a side is
/// `sum over i of taps[i] * input[n - start - i]`; there are as many output frames as input frames.
pub struct Convolver {
    sides: Vec<Side>,
    channels: Vec<Channel>,
    transform: Transform,
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
        // Four times the filter is near the least work per sample and still fits the cache (measured from 1 to 32
        // times: twice and eight times cost some percent more).
        let length = (4 * taps).next_power_of_two().max(1024);
        let transform = Transform::new(length);
        let sides = firs
            .par_iter()
            .map(|fir| {
                let action = if fir.is_gain() {
                    Action::Multiply(fir.taps[0])
                } else {
                    Action::Convolve(transform.filter(&fir.taps))
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
        Self { sides, channels, transform, taps, hop: length - (taps - 1), ahead, received: 0, delivered: 0 }
    }

    /// Frames that one transform yields: multiples of it are the cheapest block lengths to push.
    pub fn block_frames(&self) -> usize {
        self.hop
    }

    /// Takes a block of input (`input[channel][frame]`) and returns what is ready, perhaps nothing.
    pub fn push(&mut self, input: &[Vec<f64>]) -> Filtered {
        let mut output = Filtered::default();
        self.push_into(input, &mut output);
        output
    }

    /// As [`Convolver::push`], into buffers that are there already; what they held is lost.
    pub fn push_into(&mut self, input: &[Vec<f64>], output: &mut Filtered) {
        self.received += input.first().map_or(0, Vec::len);
        self.accept(input, false, output);
        self.hand_out(output);
    }

    /// Ends the input and returns the rest; output and input are then equally long.
    pub fn finish(&mut self) -> Filtered {
        let zeros = vec![vec![0.0; self.ahead]; self.channels.len()];
        let mut output = Filtered::default();
        self.accept(&zeros, true, &mut output);
        self.hand_out(&mut output);
        output
    }

    /// Works on all whole blocks that wait, and on the rest too where `flush` is given. Buffers of `spare` are filled, and
    /// begin with what waits in ours: they need not be cleared first, for every value is written.
    fn accept(&mut self, input: &[Vec<f64>], flush: bool, spare: &mut Filtered) {
        spare.shape(self.sides.len(), self.channels.len());
        let Self { sides, channels, transform, taps, hop, .. } = self;
        let (before, hop) = (*taps - 1, *hop);
        let waiting = channels.first().map_or(0, |channel| channel.history.len() - before)
            + input.first().map_or(0, Vec::len);
        let frames = if flush { waiting } else { waiting - waiting % hop };
        let mut units = Vec::new();
        for (number, (channel, samples)) in channels.iter_mut().zip(input).enumerate() {
            let Channel { history, ready } = channel;
            let mut outputs: Vec<_> = ready
                .iter_mut()
                .zip(&mut spare.sides)
                .map(|(ready, spare)| {
                    let (old, spare) = (ready.len(), &mut spare[number]);
                    spare.resize(old + frames, 0.0);
                    spare[..old].copy_from_slice(ready);
                    std::mem::swap(ready, spare);
                    ready[old..].chunks_mut(hop)
                })
                .collect();
            let both = [history.as_slice(), samples.as_slice()];
            for from in (0..frames).step_by(hop) {
                units.push(Unit {
                    input: stretch(both, from, before + (from + hop).min(frames)),
                    outputs: outputs.iter_mut().filter_map(Iterator::next).collect(),
                });
            }
        }
        units.par_iter_mut().for_each(|unit| transform.run(unit, sides));
        for (channel, samples) in channels.iter_mut().zip(input) {
            let history = &mut channel.history;
            let [first, second] = stretch([history, samples], frames, before + waiting);
            let (kept, more) = (first.len(), second.len());
            history.drain(..history.len() - kept);
            history.extend_from_slice(&samples[samples.len() - more..]);
        }
    }

    /// Takes what all sides have ready, without the outputs ahead of time zero.
    fn hand_out(&mut self, output: &mut Filtered) {
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
        output.shape(self.sides.len(), self.channels.len());
        for (index, side) in output.sides.iter_mut().enumerate() {
            for (out, channel) in side.iter_mut().zip(&mut self.channels) {
                let ready = &mut channel.ready[index];
                // Little is left over: that is moved, and not what is handed out.
                std::mem::swap(out, ready);
                ready.clear();
                ready.extend_from_slice(&out[available..]);
                out.truncate(available);
            }
        }
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
