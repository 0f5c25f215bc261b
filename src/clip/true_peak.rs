//! True peak: the largest value of the sound between its samples too (ITU-R BS.1770-4, annex 2).
//!
//! Comes in: planar blocks. Goes out: one linear value, 1.0 is full scale. Four values per sample at every rate: the
//! sample itself and three in between, by a windowed sine cardinal (32 samples wide, Kaiser window of 60 dB). A tone of
//! frequency f reads at most `1/cos(pi f / (4 rate))` too low, the limit of any four-fold reading: 0.17 dB at a quarter
//! of the rate.

/// Samples that an interpolated value is made of.
const TAPS: usize = 32;
/// Values in between two samples.
const BETWEEN: usize = 3;
/// Samples that are looked at together.
const PIECE: usize = 64;

/// Gathers the true peak of all channels.
#[derive(Debug, Clone)]
pub(super) struct TruePeak {
    phases: [[f64; TAPS]; BETWEEN],
    /// No value in between is larger than this many times the largest sample around it.
    reach: f64,
    /// The last samples of each channel, `TAPS - 1` of them, then those of the block.
    lines: Vec<Vec<f64>>,
    peak: f64,
}

/// Weight of a sample at a distance in samples: sine cardinal under a Kaiser window (Kaiser 1974: 5.65 for 60 dB).
fn weight(distance: f64) -> f64 {
    let half = TAPS as f64 / 2.0;
    let angle = std::f64::consts::PI * distance;
    let inside = (1.0 - (distance / half).powi(2)).max(0.0);
    angle.sin() / angle * super::synth::bessel_i0(5.65 * inside.sqrt())
}

impl TruePeak {
    pub(super) fn new(channels: usize) -> Self {
        let mut phases = [[0.0; TAPS]; BETWEEN];
        for (index, phase) in phases.iter_mut().enumerate() {
            // The value lies this far behind the tap in the middle.
            let fraction = (index + 1) as f64 / (BETWEEN + 1) as f64;
            for (tap, value) in phase.iter_mut().enumerate() {
                *value = weight((tap as f64 - (TAPS / 2 - 1) as f64) - fraction);
            }
            // A constant reads as itself.
            let sum: f64 = phase.iter().sum();
            for value in phase.iter_mut() {
                *value /= sum;
            }
        }
        let reach =
            phases.iter().map(|phase| phase.iter().map(|value| value.abs()).sum::<f64>()).fold(1.0, f64::max);
        Self { phases, reach, lines: vec![vec![0.0; TAPS - 1]; channels], peak: 0.0 }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub(super) fn push(&mut self, planes: &[&[f64]]) {
        let Self { phases, reach, lines, peak } = self;
        for (line, plane) in lines.iter_mut().zip(planes) {
            line.extend_from_slice(plane);
            for piece in line[TAPS - 1..].chunks(PIECE) {
                *peak = piece.iter().fold(*peak, |peak, sample| peak.max(sample.abs()));
            }
            for start in (0..plane.len()).step_by(PIECE) {
                let piece = &line[start..(start + PIECE + TAPS - 1).min(line.len())];
                let loudest = piece.iter().fold(0.0_f64, |loudest, sample| loudest.max(sample.abs()));
                // Where no value in between can be larger than what there was, none is computed.
                if loudest * *reach > *peak {
                    *peak = peak.max(largest(phases, piece));
                }
            }
            line.drain(..plane.len());
        }
    }

    /// The reading; silence follows the last sample.
    pub(super) fn finish(mut self) -> f64 {
        let silence = [0.0; TAPS];
        self.push(&vec![silence.as_slice(); self.lines.len()]);
        self.peak
    }
}

/// Largest value in between within a piece of at most [`PIECE`] values.
fn largest(phases: &[[f64; TAPS]; BETWEEN], piece: &[f64]) -> f64 {
    let mut padded = [0.0; PIECE + TAPS - 1];
    padded[..piece.len()].copy_from_slice(piece);
    let values = piece.len() - (TAPS - 1);
    phases
        .iter()
        .map(|phase| {
            // All values of the piece at once, tap by tap.
            let mut sums = [0.0; PIECE];
            for (tap, weight) in phase.iter().enumerate() {
                for (sum, sample) in sums.iter_mut().zip(&padded[tap..tap + PIECE]) {
                    *sum += weight * sample;
                }
            }
            sums[..values].iter().fold(0.0_f64, |largest, value| largest.max(value.abs()))
        })
        .fold(0.0, f64::max)
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
        // The true peak of a sine is its amplitude. A four-fold reading is too low by 1/cos(pi f / 4) at most.
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
                let lowest = 20.0 * (std::f64::consts::PI * frequency / 4.0).cos().log10();
                // The ripple of a window of 60 dB; from 0.44 of the rate on it falls off.
                let ripple = if frequency > 0.44 { 0.15 } else { 0.015 };
                assert!(
                    (lowest - ripple..ripple).contains(&error),
                    "{frequency} of the rate, {phase}: {error} dB"
                );
            }
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
}
