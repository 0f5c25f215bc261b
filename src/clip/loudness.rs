//! Loudness and true peak of a stimulus (ITU-R BS.1770), block by block.
//!
//! A meter keeps the mean square of each tenth of a second after K-weighting, which is all that the two gates need. So one
//! pass tells the loudness at any gain, exactly, and no sound has to go by again to learn what a gain makes of it.

use super::true_peak::TruePeak;
use crate::system::wide;

/// Loudness below which a clip counts as silent: the absolute gate of ITU-R BS.1770.
pub const SILENCE_LUFS: f64 = -70.0;
/// Tenths of a second in a gating block.
const TENTHS: usize = 4;

/// What a meter has read, at one gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Integrated loudness in LUFS; `None` for silence.
    pub integrated_lufs: Option<f64>,
    /// True peak, linear (1.0 is full scale), within 0.02 dB for sound below 0.44 of the rate.
    pub true_peak: f64,
    /// Largest magnitude of a channel's mean (its DC offset), linear.
    pub mean: f64,
}

impl Loudness {
    /// True peak in dBTP.
    pub fn true_peak_dbtp(&self) -> f64 {
        20.0 * self.true_peak.log10()
    }
}

/// What a meter has read, at every gain.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Mean square of each gating block, all channels together.
    blocks: Vec<f64>,
    true_peak: f64,
    mean: f64,
}

impl Reading {
    /// The reading of the same sound times a gain, linear.
    pub fn at(&self, gain: f64) -> Loudness {
        Loudness {
            integrated_lufs: self.integrated(gain * gain),
            true_peak: gain * self.true_peak,
            mean: gain * self.mean,
        }
    }

    /// Loudness of the blocks above both gates, -70 LUFS and 10 LU below what is above the first.
    fn integrated(&self, power_gain: f64) -> Option<f64> {
        let lufs = |power: f64| 10.0 * power.log10() - 0.691;
        let mean_above = |gate: f64| {
            let (sum, count) = self
                .blocks
                .iter()
                .map(|block| block * power_gain)
                .filter(|block| *block >= gate)
                .fold((0.0, 0_u64), |(sum, count), block| (sum + block, count + 1));
            (count > 0).then(|| sum / count as f64)
        };
        let absolute = 10.0_f64.powf((SILENCE_LUFS + 0.691) / 10.0);
        let relative = 0.1 * mean_above(absolute)?;
        mean_above(relative.max(absolute)).map(lufs).filter(|lufs| *lufs > SILENCE_LUFS)
    }
}

/// A second-order section: `(b0, b1, b2, a1, a2)`.
type Section = [f64; 5];

/// The two stages of K-weighting at a rate: a shelf of 4 dB at 1.7 kHz and a high pass at 38 Hz, by the bilinear transform
/// of the analogue filters whose transform at 48 kHz is that of tables 1 and 2.
fn k_weighting(rate_hz: u32) -> [Section; 2] {
    let warped = |hertz: f64| (std::f64::consts::PI * hertz / f64::from(rate_hz)).tan();
    let (k, q) = (warped(1_681.974_450_955_533), 0.707_175_236_955_419_6);
    let high = 10.0_f64.powf(3.999_843_853_973_347 / 20.0);
    let middle = high.powf(0.499_666_774_154_541_6);
    let a0 = 1.0 + k / q + k * k;
    let shelf = [
        (high + middle * k / q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - middle * k / q + k * k) / a0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / q + k * k) / a0,
    ];
    let (k, q) = (warped(38.135_470_876_024_44), 0.500_327_037_323_877_3);
    let a0 = 1.0 + k / q + k * k;
    [shelf, [1.0, -2.0, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0]]
}

/// State of both sections for channels side by side, and the sums of squares of what they gave so far.
type State<const LANES: usize> = [[f64; LANES]; 5];

/// K-weights channels of one length side by side: each waits for its own last value, and a processor has others to work on.
#[inline(always)]
fn weigh<const LANES: usize>(
    sections: &[Section; 2],
    state: &mut State<LANES>,
    channels: [&[f64]; LANES],
    frames: std::ops::Range<usize>,
) {
    let [[b0, b1, b2, a1, a2], [.., c1, c2]] = *sections;
    let [mut s1, mut s2, mut t1, mut t2, mut sums] = *state;
    let channels = channels.map(|channel| &channel[frames.clone()]);
    for frame in 0..frames.len() {
        for (lane, channel) in channels.iter().enumerate() {
            let x = channel[frame];
            let y = b0 * x + s1[lane];
            s1[lane] = b1 * x - a1 * y + s2[lane];
            s2[lane] = b2 * x - a2 * y;
            let z = y + t1[lane];
            t1[lane] = -2.0 * y - c1 * z + t2[lane];
            t2[lane] = y - c2 * z;
            sums[lane] += z * z;
        }
    }
    *state = [s1, s2, t1, t2, sums];
}

/// As [`weigh`], of two sounds of two channels.
fn weigh_wide(
    sections: &[Section; 2],
    state: &mut State<4>,
    channels: [&[f64]; 4],
    frames: std::ops::Range<usize>,
) {
    wide(
        #[inline(always)]
        || weigh(sections, state, channels, frames),
    );
}

/// Sum of samples, in eight parts that a processor adds side by side.
fn sum(samples: &[f64]) -> f64 {
    wide(
        #[inline(always)]
        || sum_narrow(samples),
    )
}

#[inline(always)]
fn sum_narrow(samples: &[f64]) -> f64 {
    let (eights, rest) = samples.as_chunks::<8>();
    let mut parts = [0.0; 8];
    for eight in eights {
        for (part, sample) in parts.iter_mut().zip(eight) {
            *part += sample;
        }
    }
    parts.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// A loudness and true-peak meter for one or two channels.
#[derive(Debug, Clone)]
pub struct Meter {
    sections: [Section; 2],
    state: State<2>,
    /// Frames in a tenth of a second.
    tenth: usize,
    /// Sum of squares of each whole tenth, and the frames of the one that is under way.
    tenths: Vec<f64>,
    under_way: usize,
    peak: TruePeak,
    sums: Vec<f64>,
    frames: u64,
}

/// Frames that a meter takes at a time: they stay in the nearest cache while they are looked at from all sides.
const PIECE_FRAMES: usize = 1 << 11;
/// What stands beside the only channel of a sound: one channel is a pair whose other one is silent.
static SILENCE: [f64; PIECE_FRAMES] = [0.0; PIECE_FRAMES];

impl Meter {
    /// A meter for one or two channels at a rate in Hz.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        Self {
            sections: k_weighting(rate_hz),
            state: State::default(),
            tenth: (rate_hz as usize + 5) / 10,
            tenths: Vec::new(),
            under_way: 0,
            peak: TruePeak::new(channels),
            sums: vec![0.0; channels],
            frames: 0,
        }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub fn push(&mut self, planes: &[&[f64]]) {
        Self::push_together([(self, planes)]);
    }

    /// As [`Meter::push`] of each meter with its sound. Two that were always pushed together, sounds of one length, take
    /// little longer than one.
    ///
    /// # Panics
    /// The sounds are not equally long, or the meters are of different rates or have not taken equally much before.
    pub fn push_both(first: (&mut Self, &[&[f64]]), second: (&mut Self, &[&[f64]])) {
        let place = |meter: &Self| (meter.tenth, meter.under_way);
        assert_eq!(
            place(first.0),
            place(second.0),
            "meters that take sounds together go together from the start"
        );
        Self::push_together([first, second]);
    }

    fn push_together<const METERS: usize>(mut all: [(&mut Self, &[&[f64]]); METERS]) {
        let frames = all[0].1.first().map_or(0, |left| left.len());
        for start in (0..frames).step_by(PIECE_FRAMES) {
            let piece = start..frames.min(start + PIECE_FRAMES);
            let mut channels: [[&[f64]; 2]; METERS] = [[&SILENCE[..piece.len()]; 2]; METERS];
            for ((meter, planes), channels) in all.iter_mut().zip(&mut channels) {
                for ((channel, plane), total) in channels.iter_mut().zip(*planes).zip(&mut meter.sums) {
                    *channel = &plane[piece.clone()];
                    *total += sum(channel);
                }
                meter.peak.push(&channels[..planes.len()]);
                meter.frames += piece.len() as u64;
            }
            let mut at = 0;
            while at < piece.len() {
                let (tenth, under_way) = (all[0].0.tenth, all[0].0.under_way);
                let to = piece.len().min(at + tenth - under_way);
                Self::weigh_together(&mut all, &channels, at..to);
                at = to;
            }
        }
    }

    /// K-weights a stretch that reaches no farther than the tenth that is under way.
    fn weigh_together<const METERS: usize>(
        all: &mut [(&mut Self, &[&[f64]]); METERS],
        channels: &[[&[f64]; 2]; METERS],
        frames: std::ops::Range<usize>,
    ) {
        if let ([(first, _), (second, _)], [[a, b], [c, d]]) = (&mut all[..], &channels[..]) {
            let both = |of: usize| {
                let ([a, b], [c, d]) = (first.state[of], second.state[of]);
                [a, b, c, d]
            };
            let mut state: State<4> = std::array::from_fn(both);
            weigh_wide(&first.sections, &mut state, [*a, *b, *c, *d], frames.clone());
            first.state = state.map(|[a, b, _, _]| [a, b]);
            second.state = state.map(|[_, _, c, d]| [c, d]);
        } else {
            for ((meter, _), channels) in all.iter_mut().zip(channels) {
                weigh(&meter.sections, &mut meter.state, *channels, frames.clone());
            }
        }
        for (meter, _) in all {
            meter.under_way += frames.len();
            if meter.under_way < meter.tenth {
                continue;
            }
            let [filters @ .., sums] = &mut meter.state;
            meter.tenths.push(sums[0] + sums[1]);
            *sums = [0.0; 2];
            meter.under_way = 0;
            // What has died away must not become so small that processors slow down on it.
            for value in filters.iter_mut().flatten().filter(|value| value.abs() < 1e-30) {
                *value = 0.0;
            }
        }
    }

    /// The reading. A clip shorter than one gating block of 0.4 s is measured as if silence followed it: the reading is
    /// lower, by the same amount for every stimulus of that length.
    pub fn read(mut self) -> Reading {
        let (frames, peak, sums) = (self.frames.max(1) as f64, self.peak.clone().finish(), self.sums.clone());
        if self.tenths.len() < TENTHS {
            let zeros = vec![0.0; TENTHS * self.tenth];
            self.push(&vec![zeros.as_slice(); sums.len()]);
            self.tenths.truncate(TENTHS);
        }
        let block = (TENTHS * self.tenth) as f64;
        Reading {
            blocks: self.tenths.windows(TENTHS).map(|tenths| tenths.iter().sum::<f64>() / block).collect(),
            true_peak: peak,
            mean: sums.iter().fold(0.0, |most, sum| f64::max(most, (sum / frames).abs())),
        }
    }

    /// The reading at the gain that the sound has.
    pub fn finish(self) -> Loudness {
        self.read().at(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weighting_at_48_khz_is_that_of_the_tables() {
        // Source: ITU-R BS.1770-4, tables 1 and 2.
        let tables = [
            [1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585],
            [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621],
        ];
        for (ours, table) in k_weighting(48_000).iter().flatten().zip(tables.iter().flatten()) {
            assert!((ours - table).abs() < 1e-12, "{ours} {table}");
        }
    }

    #[test]
    fn readings_are_those_of_somebody_elses_meter() {
        use ebur128::{EbuR128, Mode};
        let mut state = 9_u64;
        for (rate, channels, seconds) in
            [(48_000, 2, 7.3), (44_100, 1, 3.0), (96_000, 2, 0.9), (8000, 2, 2.0), (192_000, 1, 0.55)]
        {
            let frames = (f64::from(rate) * seconds) as usize;
            // Noise that is loud, then soft, so that both gates have work.
            let planes: Vec<Vec<f64>> = (0..channels)
                .map(|_| {
                    (0..frames)
                        .map(|n| {
                            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                            let loud = [0.5, 0.002, 0.1, 1e-5][4 * n / frames];
                            loud * ((state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5)
                        })
                        .collect()
                })
                .collect();
            let mut meter = Meter::new(channels, rate);
            for start in (0..frames).step_by(1000) {
                let end = frames.min(start + 1000);
                meter.push(&planes.iter().map(|plane| &plane[start..end]).collect::<Vec<_>>());
            }
            let reading = meter.read();
            for gain in [1.0, 0.25, 0.01] {
                let mut theirs = EbuR128::new(channels as u32, rate, Mode::I).expect("a meter");
                let louder: Vec<Vec<f64>> =
                    planes.iter().map(|plane| plane.iter().map(|sample| gain * sample).collect()).collect();
                let louder: Vec<&[f64]> = louder.iter().map(Vec::as_slice).collect();
                theirs.add_frames_planar_f64(&louder).expect("sound");
                let theirs = theirs.loudness_global().expect("a reading");
                let ours = reading.at(gain).integrated_lufs.expect("loud enough");
                assert!((ours - theirs).abs() < 1e-6, "{rate} Hz, gain {gain}: {ours} and {theirs}");
            }
        }
    }

    #[test]
    fn wide_registers_weigh_the_same_to_the_last_bit() {
        let mut seed = 5_u64;
        let channels: Vec<Vec<f64>> = (0..4)
            .map(|_| {
                (0..PIECE_FRAMES)
                    .map(|_| {
                        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                        (seed >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
                    })
                    .collect()
            })
            .collect();
        let planes: [&[f64]; 4] = std::array::from_fn(|channel| channels[channel].as_slice());
        let sections = k_weighting(44_100);
        let (mut ours, mut plain) = (State::default(), State::default());
        weigh_wide(&sections, &mut ours, planes, 3..2_000);
        weigh(&sections, &mut plain, planes, 3..2_000);
        assert_eq!(ours.map(|lanes| lanes.map(f64::to_bits)), plain.map(|lanes| lanes.map(f64::to_bits)));
        assert!(ours[4].iter().all(|sum| *sum > 1.0), "{ours:?}");
        assert_eq!(sum(&channels[0][..2_001]).to_bits(), sum_narrow(&channels[0][..2_001]).to_bits());
    }
}
