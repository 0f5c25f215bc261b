//! True peak: the largest value of the sound between its samples too (ITU-R BS.1770-4, annex 2).
//!
//! Comes in: planar blocks. Goes out: one linear value, 1.0 is full scale. The reading is that of a curve through the
//! samples, not of four points on it (the annex asks for four at least; a tone at a quarter of the rate can read 0.17 dB
//! too low there, and a limited recording 0.15 dB against sixteen). For sound below 0.44 of the rate it is within 0.02 dB of
//! the curve's own peak; a tone nearer to half the rate reads up to 0.2 dB off, at every number of points.
//!
//! Only where a peak can be is the curve looked at closely. At a point a quarter of a sample from its largest value P, a
//! curve without anything above half the rate is still cos(pi / 4) P or more (Duffin & Schaeffer 1938, Bulletin of the
//! American Mathematical Society 44:236). So samples and roughly interpolated values half-way between them say where that
//! is, and there are few such places.

use crate::system::wide;

/// Samples that a value in between is made of.
const TAPS: usize = 32;
/// Samples on either side of a place.
const SIDE: usize = TAPS / 2;
/// Samples that must be known around a place to look at it and at the way to the next.
const AROUND: usize = 2 * SIDE + 1;
/// Samples on either side that a rough value half-way is made of.
const ROUGH: usize = 8;
/// Places that are looked at together.
const PIECE: usize = 64;
/// Values that are interpolated roughly at a time, in registers.
const LANES: usize = 8;
/// Places per sample where the curve is looked at closely.
const FINE: usize = 8;
/// Of these, how many before and after a place are looked at with it.
const REACH: usize = 3;
/// Weights of a sample in all values that are looked at together, and one place more: a processor works on two or four.
type Weights = [f64; 2 * REACH + 2];
/// A rough value below this share of the peak is not near a higher one: cos(pi / 4) less the error of rough values.
const NEAR: f32 = 0.66;
/// The same for the top of a parabola through a largest rough value and its neighbours.
const NEAR_TOP: f32 = 0.80;

/// Gathers the true peak of all channels.
#[derive(Debug, Clone)]
pub(super) struct TruePeak {
    /// Of each sample around a place, its weights in the values there: for places on a sample, and half-way to the next.
    fine: [[Weights; TAPS + 1]; 2],
    rough: [f32; ROUGH],
    /// The curve is nowhere larger than this many times the largest sample around.
    reach: f64,
    /// Samples of each channel that are still needed: `SIDE` before the first place not looked at, and those after.
    lines: Vec<Vec<f64>>,
    /// Largest sample of each piece, while a block is looked at.
    largest: Vec<f64>,
    peak: f64,
}

/// Weight of a sample at a distance in samples: sine cardinal under a Kaiser window (Kaiser 1974) of `side` samples.
fn weight(distance: f64, side: usize, beta: f64) -> f64 {
    let angle = std::f64::consts::PI * distance;
    let inside = (1.0 - (distance / side as f64).powi(2)).max(0.0);
    angle.sin() / angle * super::bessel::bessel_i0(beta * inside.sqrt())
}

impl TruePeak {
    pub(super) fn new(channels: usize) -> Self {
        let mut phases = [[0.0; TAPS]; FINE];
        phases[0][SIDE - 1] = 1.0;
        for (index, phase) in phases.iter_mut().enumerate().skip(1) {
            // The value lies this far behind the tap in the middle.
            let fraction = index as f64 / FINE as f64;
            for (tap, value) in phase.iter_mut().enumerate() {
                // 5.65 is for 60 dB.
                *value = weight((tap as f64 - (SIDE - 1) as f64) - fraction, SIDE, 5.65);
            }
            // A constant reads as itself.
            let sum: f64 = phase.iter().sum();
            for value in phase.iter_mut() {
                *value /= sum;
            }
        }
        // 30 dB: as good as sixteen samples get.
        let half: [f64; ROUGH] = std::array::from_fn(|tap| weight(tap as f64 + 0.5, ROUGH, 2.1));
        let sum: f64 = 2.0 * half.iter().sum::<f64>();
        let reach =
            phases.iter().map(|phase| phase.iter().map(|value| value.abs()).sum::<f64>()).fold(1.0, f64::max);
        let mut fine = [[Weights::default(); TAPS + 1]; 2];
        for (half, weights) in fine.iter_mut().enumerate() {
            for number in 0..=2 * REACH {
                // Counted from one sample before, so that nothing is negative.
                let at = FINE + half * FINE / 2 + number - REACH;
                for (weights, weight) in weights[at / FINE..].iter_mut().zip(&phases[at % FINE]) {
                    weights[number] = *weight;
                }
            }
        }
        Self {
            fine,
            rough: half.map(|value| (value / sum) as f32),
            // The top of a parabola is a little above its highest point.
            reach: 1.1 * reach,
            lines: vec![vec![0.0; SIDE]; channels],
            largest: Vec::new(),
            peak: 0.0,
        }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub(super) fn push(&mut self, planes: &[&[f64]]) {
        let mut lines = std::mem::take(&mut self.lines);
        for (line, plane) in lines.iter_mut().zip(planes) {
            // What lies across the seam of two blocks is put together; within a block nothing is moved.
            line.extend_from_slice(&plane[..plane.len().min(AROUND)]);
            let looked = self.look_along(line);
            if plane.len() < AROUND {
                line.drain(..looked);
            } else {
                let more = self.look_along(plane);
                line.clear();
                line.extend_from_slice(&plane[more..]);
            }
        }
        self.lines = lines;
    }

    /// The reading; silence follows the last sample.
    pub(super) fn finish(mut self) -> f64 {
        let silence = [0.0; 2 * TAPS];
        self.push(&vec![silence.as_slice(); self.lines.len()]);
        self.peak
    }

    /// Looks at every place that has enough samples on both sides; how many these were.
    fn look_along(&mut self, samples: &[f64]) -> usize {
        wide(
            #[inline(always)]
            || self.look_along_narrow(samples),
        )
    }

    #[inline(always)]
    fn look_along_narrow(&mut self, samples: &[f64]) -> usize {
        let places = samples.len().saturating_sub(AROUND);
        let mut largest = std::mem::take(&mut self.largest);
        largest.clear();
        // A loop, and not an iterator that is handed on: that would be compiled once, for the narrowest registers.
        for piece in samples.chunks(PIECE) {
            largest.push(loudest(piece));
        }
        self.peak = largest.iter().copied().fold(self.peak, f64::max);
        for (piece, start) in (0..places).step_by(PIECE).enumerate() {
            let count = PIECE.min(places - start);
            // Those around a piece lie in it and in the next one.
            let loudest = largest[piece].max(largest.get(piece + 1).copied().unwrap_or(0.0));
            if loudest * self.reach > self.peak {
                self.look(&samples[start..start + count + AROUND], count);
            }
        }
        self.largest = largest;
        places
    }

    /// Looks at so many places, of which the first is at `around[SIDE]`.
    #[inline(always)]
    fn look(&mut self, around: &[f64], count: usize) {
        let mut samples = [0.0_f32; PIECE + LANES + 2 * SIDE];
        for (sample, value) in samples.iter_mut().zip(around) {
            *sample = *value as f32;
        }
        // Number n is half-way before place n.
        let mut between = [0.0_f32; PIECE + LANES + 1];
        for (tap, weight) in self.rough.iter().enumerate() {
            between[0] += weight * (samples[SIDE - 1 - tap] + samples[SIDE + tap]);
        }
        for (first, out) in (0..count).step_by(LANES).zip(between[1..].as_chunks_mut::<LANES>().0) {
            let mut sums = [0.0_f32; LANES];
            for (tap, weight) in self.rough.iter().enumerate() {
                let before = &samples[first + SIDE - tap..][..LANES];
                let after = &samples[first + SIDE + 1 + tap..][..LANES];
                for ((sum, before), after) in sums.iter_mut().zip(before).zip(after) {
                    *sum += weight * (before + after);
                }
            }
            *out = sums;
        }
        for first in (0..count).step_by(LANES) {
            let (on, halves) = (&samples[SIDE + first..][..LANES], &between[first + 1..][..LANES]);
            let least = NEAR * self.peak as f32;
            // Compared side by side, and one by one only where one of them is large.
            let near = on
                .iter()
                .zip(halves)
                .fold(false, |near, (on, half)| near | (on.abs() >= least) | (half.abs() >= least));
            if !near {
                continue;
            }
            for place in first..count.min(first + LANES) {
                let (sample, half) = (samples[SIDE + place], between[place + 1]);
                if self.can_be_near(between[place], sample, half) {
                    self.look_closely(around, 2 * place);
                }
                if self.can_be_near(sample, half, samples[SIDE + place + 1]) {
                    self.look_closely(around, 2 * place + 1);
                }
            }
        }
    }

    /// Whether a peak that is higher than all before can be at the middle one of three values half a sample apart.
    #[inline(always)]
    fn can_be_near(&self, left: f32, middle: f32, right: f32) -> bool {
        let (peak, size) = (self.peak as f32, middle.abs());
        if size < NEAR * peak {
            return false;
        }
        let sign = 1.0_f32.copysign(middle);
        let (left, right) = (sign * left, sign * right);
        size >= left && size >= right && top(left, size, right) >= NEAR_TOP * peak
    }

    /// The top of the curve within three eighths of a sample of a place, which is counted in halves.
    #[inline(always)]
    fn look_closely(&mut self, around: &[f64], place: usize) {
        let mut values = Weights::default();
        for (weights, sample) in self.fine[place % 2].iter().zip(&around[place / 2..]) {
            for (value, weight) in values.iter_mut().zip(weights) {
                *value += weight * sample;
            }
        }
        let mut highest = 0;
        for (number, value) in values[..=2 * REACH].iter().enumerate() {
            // The last of equal ones.
            if value.abs() >= values[highest].abs() {
                highest = number;
            }
        }
        let sign = 1.0_f64.copysign(values[highest]);
        let mut found = values[highest].abs();
        if (1..2 * REACH).contains(&highest) {
            let (left, right) = (sign * values[highest - 1], sign * values[highest + 1]);
            let bend = 2.0 * found - left - right;
            if bend > 0.0 {
                found += (right - left).powi(2) / (8.0 * bend);
            }
        }
        self.peak = self.peak.max(found);
    }
}

/// Largest magnitude, in eight parts that a processor compares side by side.
#[inline(always)]
fn loudest(samples: &[f64]) -> f64 {
    let larger = |most: f64, sample: f64| if sample.abs() > most { sample.abs() } else { most };
    let (eights, rest) = samples.as_chunks::<8>();
    let mut parts = [0.0; 8];
    for eight in eights {
        for (part, sample) in parts.iter_mut().zip(eight) {
            *part = larger(*part, *sample);
        }
    }
    parts.iter().chain(rest).copied().fold(0.0, larger)
}

/// Top of the parabola through three values, the middle one of which is largest.
#[inline(always)]
fn top(left: f32, middle: f32, right: f32) -> f32 {
    let bend = 2.0 * middle - left - right;
    if bend > 0.0 { middle + (right - left).powi(2) / (8.0 * bend) } else { middle }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(samples: &[f64], block: usize) -> f64 {
        let mut meter = TruePeak::new(1);
        for part in samples.chunks(block) {
            meter.push(&[part]);
        }
        meter.finish()
    }

    #[test]
    fn tones_read_their_amplitude_wherever_the_samples_fall() {
        // The true peak of a sine is its amplitude.
        let mut worst = 0.0_f64;
        for step in 1..=45 {
            let frequency = f64::from(step) / 100.0;
            for phase in [0.0, 0.3, 0.8, 1.1, 1.6, 2.5] {
                let samples: Vec<f64> = (0..4_000)
                    .map(|n| {
                        let faded = crate::clip::fade::raised_cosine(f64::from(n.min(3_999 - n)), 500.0);
                        0.5 * faded * (std::f64::consts::TAU * frequency * f64::from(n) + phase).sin()
                    })
                    .collect();
                let error = 20.0 * (reading(&samples, 4_000) / 0.5).log10();
                // The ripple of a window of 60 dB; from 0.44 of the rate on it falls off.
                let ripple = if frequency > 0.44 { 0.2 } else { 0.02 };
                assert!(error.abs() < ripple, "{frequency} of the rate, {phase}: {error} dB");
                if frequency <= 0.44 {
                    worst = worst.max(error.abs());
                }
            }
        }
        eprintln!("tones below 0.44 of the rate: within {worst:.4} dB");
    }

    #[test]
    fn limited_noise_reads_as_sixty_four_values_per_sample_do() {
        use realfft::RealFftPlanner;
        let (length, times) = (2_048_usize, 64_usize);
        let mut planner = RealFftPlanner::<f64>::new();
        for seed in 1..=24_u64 {
            let mut state = seed;
            // Noise below 0.44 of the rate, as loud as a hard limiter makes it: of one period, three times.
            let limit = f64::from(seed as u32 % 6 + 1) * 0.25;
            let mut samples: Vec<f64> = (0..length)
                .map(|_| {
                    let mut sum = 0.0;
                    for _ in 0..4 {
                        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                        sum += (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
                    }
                    sum.clamp(-limit, limit)
                })
                .collect();
            let forward = planner.plan_fft_forward(length);
            let mut spectrum = forward.make_output_vec();
            forward.process(&mut samples, &mut spectrum).expect("a transform");
            let kept = (0.44 * length as f64) as usize;
            let inverse = |size: usize, planner: &mut RealFftPlanner<f64>| {
                let plan = planner.plan_fft_inverse(size);
                let mut input = plan.make_input_vec();
                for (to, from) in input.iter_mut().zip(&spectrum).take(kept) {
                    *to = from / length as f64;
                }
                let mut output = plan.make_output_vec();
                plan.process(&mut input, &mut output).expect("a transform");
                output
            };
            let one = inverse(length, &mut planner);
            let exact = inverse(length * times, &mut planner).iter().fold(0.0_f64, |p, v| p.max(v.abs()));
            // Where the repetition begins and ends abruptly, something else is between the samples: faded there.
            let thrice: Vec<f64> = (0..3 * length)
                .map(|n| {
                    let ends = (n.min(3 * length - 1 - n)) as f64;
                    crate::clip::fade::raised_cosine(ends, 500.0) * one[n % length]
                })
                .collect();
            let error = 20.0 * (reading(&thrice, 1_000) / exact).log10();
            assert!(error.abs() < 0.02, "seed {seed}: {error} dB");
        }
    }

    #[test]
    fn blocks_do_not_matter_and_a_peak_at_the_end_is_seen() {
        let mut state = 1_u64;
        let mut samples: Vec<f64> = (0..3_000)
            .map(|n| {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                // Louder and louder, so that the largest value is near the end.
                (state >> 11) as f64 / (1_u64 << 53) as f64 * f64::from(n) / 3_000.0 - 0.5
            })
            .collect();
        samples.extend([1.0, 1.0]);
        let whole = reading(&samples, 5_000);
        // Two ones alone are the samples of something larger in between: 4 / pi for an unlimited sine cardinal.
        assert!(whole > 1.1, "{whole}");
        for block in [1, 7, 64, 65, 500] {
            assert_eq!(reading(&samples, block), whole, "{block}");
        }
    }

    #[test]
    fn wide_registers_read_the_same_to_the_last_bit() {
        let mut state = 5_u64;
        let (mut ours, mut plain) = (TruePeak::new(1), TruePeak::new(1));
        for length in [40, 2_048, 777, 2_048] {
            // Louder from block to block, so that each raises the peak.
            let samples: Vec<f64> = (0..length)
                .map(|_| {
                    state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                    (length as f64).sqrt() * ((state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5)
                })
                .collect();
            assert_eq!(ours.look_along(&samples), plain.look_along_narrow(&samples));
            assert_eq!(ours.peak.to_bits(), plain.peak.to_bits());
        }
        assert!(ours.peak > 20.0, "{}", ours.peak);
    }
}
