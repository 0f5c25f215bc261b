//! Decaying partials by the hundred: summed as spectra and transformed, instead of sample by sample.
//!
//! Under a Gaussian window a decaying sine has a spectrum that is a Gaussian too, and [`BINS`] bins hold all of it that
//! counts. From one frame to the next a partial turns and shrinks by a factor of its own, while the shape of its spectrum
//! stays. So a frame costs a partial [`BINS`] multiplications, however many samples it has, and one transform serves all
//! partials. Of the transformed frame the middle half is kept, with the window divided out. Everything that is left out is
//! about 149 dB below the partial that it is left out of. The frame in which a partial ends is summed sample by sample.

use std::sync::Arc;

use realfft::ComplexToReal;

use crate::filter::plans;

/// Bins of a partial in a frame.
const BINS: usize = 16;
/// Room for partials that reach below 0 Hz.
const PAD: usize = BINS;
/// Frame lengths over standard deviation of the window: what the window cuts off in time and what the bins cut off in
/// frequency is then about equal.
const WIDTHS: f64 = 8.3;
/// Longest frame in samples: longer ones would be cheaper, but for the notes that begin and end within one.
const LONGEST_FRAME: usize = 4096;
const SHORTEST_FRAME: usize = 256;

/// A decaying sine: the imaginary part of `amplitude e^(i phase) e^((i turn - shrink) n)` at sample n.
#[derive(Debug, Clone, Copy)]
pub(super) struct Partial {
    turn: f64,
    shrink: f64,
    amplitude: f64,
    phase: f64,
}

impl Partial {
    pub(super) fn new(rate: f64, frequency: f64, phase: f64, amplitude: f64, decay_seconds: f64) -> Self {
        let turn = std::f64::consts::TAU * frequency / rate;
        Self { turn, shrink: 1.0 / (decay_seconds * rate), amplitude, phase }
    }

    /// Samples in which it shrinks to 1/e.
    pub(super) fn decay_samples(&self) -> f64 {
        1.0 / self.shrink
    }

    /// Adds it sample by sample, from its sample `at` on: for few partials, and where one ends.
    pub(super) fn add_to(&self, sound: &mut [f64], at: usize, gain: f64) {
        let from = at as f64;
        let shrink = (-self.shrink).exp();
        let (sine, cosine) = (self.turn.sin() * shrink, self.turn.cos() * shrink);
        let size = gain * self.amplitude * (-self.shrink * from).exp();
        let (im, re) = (self.phase + self.turn * from).sin_cos();
        let (mut re, mut im) = (size * re, size * im);
        let left = (self.last().ceil() as usize).saturating_sub(at);
        for sample in sound.iter_mut().take(left) {
            *sample += im;
            (re, im) = (re * cosine - im * sine, re * sine + im * cosine);
        }
    }

    /// Whether it sounds through a stretch that begins at its sample `at`, to the last.
    pub(super) fn fills(&self, at: usize, samples: usize) -> bool {
        (at + samples) as f64 <= self.last()
    }

    /// Where it ends, in samples: from there on it is more than 120 dB below full scale.
    pub(super) fn last(&self) -> f64 {
        (self.amplitude.abs() * 1e6).max(1.0).ln() / self.shrink
    }

    /// The same under a factor `size e^(i (start + turn n))`.
    fn times(&self, size: f64, start: f64, turn: f64) -> Self {
        Self { turn: self.turn + turn, phase: self.phase + start, amplitude: self.amplitude * size, ..*self }
    }
}

/// Parts of a raised cosine that falls from 1 at sample `from` to 0 `length` samples later, as factors on a partial.
pub(super) fn falling(partial: &Partial, from: f64, length: f64) -> [Partial; 3] {
    let turn = std::f64::consts::PI / length;
    [
        partial.times(0.5, 0.0, 0.0),
        partial.times(0.25, -turn * from, turn),
        partial.times(0.25, turn * from, -turn),
    ]
}

/// A complex number that turns and shrinks from frame to frame, and the spectrum that it stands before.
#[derive(Debug, Clone)]
pub(super) struct Voice {
    first_bin: usize,
    shape: [[f64; BINS]; 2],
    state: [f64; 2],
    step: [f64; 2],
}

/// Frames of one length.
#[derive(Clone)]
pub(super) struct Frames {
    length: usize,
    inverse: Arc<dyn ComplexToReal<f64>>,
    /// One over the window in the middle half.
    flatten: Vec<f64>,
}

/// The spectrum of a frame, real and imaginary parts, with room below 0 Hz.
pub(super) struct FrameSpectrum([Vec<f64>; 2]);

impl Frames {
    /// For partials of which the shortest has this decay in samples (to 1/e): a frame must not be much longer.
    pub(super) fn new(shortest_decay: f64) -> Self {
        let fitting = (2.0 * shortest_decay).clamp(SHORTEST_FRAME as f64, LONGEST_FRAME as f64) as usize;
        let length = (fitting + 1).next_power_of_two() / 2;
        let half = length / 2;
        let flatten = (0..half)
            .map(|n| {
                let time = (n as f64 - half as f64 / 2.0) * WIDTHS / length as f64;
                (0.5 * time * time).exp()
            })
            .collect();
        Self { length, inverse: plans::inverse(length), flatten }
    }

    /// Samples that a frame yields.
    pub(super) fn hop(&self) -> usize {
        self.length / 2
    }

    pub(super) fn spectrum(&self) -> FrameSpectrum {
        let size = self.length / 2 + 1 + 2 * PAD;
        FrameSpectrum([vec![0.0; size], vec![0.0; size]])
    }

    /// A partial in the frame whose samples begin `at` samples after the partial does (which may be before).
    pub(super) fn voice(&self, partial: &Partial, at: f64) -> Voice {
        let length = self.length as f64;
        let deviation = length / WIDTHS;
        let bin = std::f64::consts::TAU / length;
        let nearest = (partial.turn / bin).floor() as i64;
        let first = nearest - (BINS as i64 / 2 - 1);
        // Of the sum over both halves of the spectrum the transform takes one, and it does not divide.
        let scale = deviation * (std::f64::consts::TAU).sqrt() / (2.0 * length);
        let square = deviation * deviation;
        let largest = scale * (0.5 * square * partial.shrink * partial.shrink).exp();
        let bins: [[f64; 2]; BINS] = std::array::from_fn(|index| {
            let offset = (first + index as i64) as f64 * bin - partial.turn;
            let size = largest * (-0.5 * square * offset * offset).exp();
            let (sine, cosine) = (square * offset * partial.shrink).sin_cos();
            // Divided by i: the imaginary part is what sounds.
            [size * sine, -size * cosine]
        });
        let shape = [bins.map(|[re, _]| re), bins.map(|[_, im]| im)];
        let middle = at + length / 4.0;
        let size = partial.amplitude * (-partial.shrink * middle).exp();
        let (sine, cosine) = (partial.phase + partial.turn * middle).sin_cos();
        let hop = length / 2.0;
        let shrink = (-partial.shrink * hop).exp();
        let turned = (partial.turn * hop).sin_cos();
        Voice {
            first_bin: (first + PAD as i64).max(0) as usize,
            shape,
            state: [size * cosine, size * sine],
            step: [shrink * turned.1, shrink * turned.0],
        }
    }

    /// Transforms a spectrum and clears it; `out` has [`Frames::hop`] samples, which are replaced.
    pub(super) fn transform(&self, spectrum: &mut FrameSpectrum, out: &mut [f64]) {
        let FrameSpectrum([re, im]) = spectrum;
        let mut input = self.inverse.make_input_vec();
        for (value, (re, im)) in input.iter_mut().zip(re[PAD..].iter().zip(&im[PAD..])) {
            // The transform has its time 0 at the first sample, the frame in its middle.
            (value.re, value.im) = (*re, *im);
        }
        // What lies below 0 Hz lies above it mirrored.
        for below in 0..=PAD {
            input[below].re += re[PAD - below];
            input[below].im -= im[PAD - below];
        }
        input[0].im = 0.0;
        if let Some(end) = input.last_mut() {
            end.im = 0.0;
        }
        let mut output = self.inverse.make_output_vec();
        self.inverse.process(&mut input, &mut output).expect("lengths and end bins fit the plan");
        // Times before the middle are at the end of the transform.
        let quarter = self.length / 4;
        let (before, after) = (&output[self.length - quarter..], &output[..quarter]);
        for (out, (value, flatten)) in out.iter_mut().zip(before.iter().chain(after).zip(&self.flatten)) {
            *out = value * flatten;
        }
        re.fill(0.0);
        im.fill(0.0);
    }

    /// The sum of partials that all begin at the first sample, so many samples of it.
    pub(super) fn sum(partials: &[Partial], samples: usize) -> Vec<f64> {
        let shortest = partials.iter().map(Partial::decay_samples).fold(f64::INFINITY, f64::min);
        let frames = Self::new(shortest);
        let hop = frames.hop();
        let mut voices: Vec<(Voice, &Partial)> =
            partials.iter().map(|partial| (frames.voice(partial, 0.0), partial)).collect();
        let mut spectrum = frames.spectrum();
        let mut sound = vec![0.0; samples.next_multiple_of(hop)];
        for (index, out) in sound.chunks_exact_mut(hop).enumerate() {
            if voices.is_empty() {
                break;
            }
            let mut ending = Vec::new();
            voices.retain_mut(|(voice, partial)| {
                let fills = partial.fills(index * hop, hop);
                if fills {
                    spectrum.add(voice);
                } else {
                    ending.push(*partial);
                }
                fills
            });
            frames.transform(&mut spectrum, out);
            for partial in ending {
                partial.add_to(out, index * hop, 1.0);
            }
        }
        sound.truncate(samples);
        sound
    }
}

impl Voice {
    /// Its bins in this frame; it moves on to the next.
    fn next(&mut self) -> [[f64; BINS]; 2] {
        let [re, im] = self.state;
        let [shape_re, shape_im] = &self.shape;
        let bins = [
            std::array::from_fn(|index| re * shape_re[index] - im * shape_im[index]),
            std::array::from_fn(|index| re * shape_im[index] + im * shape_re[index]),
        ];
        self.state = [re * self.step[0] - im * self.step[1], re * self.step[1] + im * self.step[0]];
        bins
    }
}

impl FrameSpectrum {
    fn bins(&mut self, voice: &Voice) -> Option<[&mut [f64; BINS]; 2]> {
        let [re, im] = &mut self.0;
        let at = voice.first_bin..voice.first_bin + BINS;
        Some([re.get_mut(at.clone())?.try_into().ok()?, im.get_mut(at)?.try_into().ok()?])
    }

    /// Adds a voice and moves it on.
    pub(super) fn add(&mut self, voice: &mut Voice) {
        let bins = voice.next();
        if let Some(sums) = self.bins(voice) {
            for (sums, bins) in sums.into_iter().zip(&bins) {
                for (sum, bin) in sums.iter_mut().zip(bins) {
                    *sum += bin;
                }
            }
        }
    }

    /// Adds a voice to two spectra with two gains and moves it on.
    pub(super) fn add_panned(both: &mut [Self; 2], voice: &mut Voice, gains: [f64; 2]) {
        let bins = voice.next();
        for (spectrum, gain) in both.iter_mut().zip(gains) {
            if let Some(sums) = spectrum.bins(voice) {
                for (sums, bins) in sums.into_iter().zip(&bins) {
                    for (sum, bin) in sums.iter_mut().zip(bins) {
                        *sum += gain * bin;
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partials_are_those_of_the_sum_sample_by_sample() {
        // Lowest and highest partials, slow and fast decays, at rates where they fall below the first bin.
        for (rate, seconds) in [(8000.0, 0.3), (48_000.0, 1.2), (384_000.0, 0.8)] {
            for decay in [f64::max(128.0 / rate, 0.0076), 0.1, 2.4] {
                let samples = (rate * seconds) as usize;
                let partials: Vec<Partial> = [60.0, 73.2, 431.7, 0.2 * rate, 0.4299 * rate]
                    .into_iter()
                    .zip([0.3, 1.3, 2.3, 3.3, 4.3])
                    .map(|(frequency, phase)| Partial::new(rate, frequency, phase, 0.1, decay))
                    .collect();
                let mut slow = vec![0.0; samples];
                for partial in &partials {
                    partial.add_to(&mut slow, 0, 1.0);
                }
                let quick = Frames::sum(&partials, samples);
                let error = quick.iter().zip(&slow).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
                assert!(error < 3e-8, "{rate} Hz, {decay} s: {error:e}");
            }
        }
    }
}
