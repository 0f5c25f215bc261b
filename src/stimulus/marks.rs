//! What is in one of two recordings of a clip that neither a filter nor repeating the recording explains: a tone, a hiss, a
//! click, a code. It could tell a listener which side is played.
//!
//! The filter that turns one recording into the other best (cross over own spectrum, Welch's windows, repeated on what is
//! left) is taken out. What is left is held, in each stretch and each band as wide as the ear's, against what is left
//! between two recordings of the same cable; where it was recorded once, against both recordings' noise in silence.
//!
//! The limits are common practice, no source: nothing is said of what lies 90 dB below the clip's strongest band, or 50 dB
//! below the music in the same band at the same time, where it is masked. `tests/bench/recorded.rs` finds by simulation what
//! is told.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::clip::ClipError;
use crate::clip::fourier::{signal, spectrum};
use crate::clip::parked::{Parked, Samples};
use crate::filter::plans;
use crate::units::printed;

/// Noise within so many dB below the sound could betray it (common practice, no source).
pub(super) const NOISE_BELOW_DB: f64 = 90.0;
/// Samples of a stretch; half of it is the next one's. As long as the window of a noise's spectrum.
pub(super) const STRETCH: usize = 4096;
/// Longest window in samples in which the filter between two recordings is looked for.
const WINDOW: usize = 8192;
/// How often what is left is searched for more of the filter.
const ROUNDS: usize = 3;
/// Over how many bins on either side the filter is averaged, with which weight: where a bin holds no music, its neighbours say
/// what the filter is, and where those hold none, all do.
const AVERAGES: [(usize, f64); 3] = [(2, 1.0), (32, 1e-3), (WINDOW, 1e-6)];
/// A stretch is told where it is so many times stronger than what is usual, 10 dB ...
const TIMES: f64 = 10.0;
/// ... and a band where it is so on the average, 3 dB.
const TIMES_ON_AVERAGE: f64 = 2.0;
/// Stretches that an average needs.
const ENOUGH: usize = 8;
/// Share of the music in the same band and stretch below which nothing is told, -50 dB.
const MASKED: f64 = 1e-5;

/// What the rest of two recordings was held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Usual {
    /// The rest of side A and side A recorded again.
    Repeats,
    /// The noise of both recordings where nothing is played.
    Silence,
}

/// Something that one of two recordings holds and no filter makes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// By how much it is stronger than what is usual, in dB.
    pub over_db: f64,
    /// Its level relative to the clip's strongest band, in dB.
    pub level_db: f64,
    /// Middle of its band in Hz.
    pub at_hz: f64,
    /// Where it is strongest in seconds into the clip; `None` where it is told by its average alone.
    pub at_s: Option<f64>,
    /// Share of the clip in which it was found.
    pub share: f64,
    /// What it was held against.
    pub usual: Usual,
}

impl Mark {
    /// What is said of it.
    pub(super) fn said(&self) -> String {
        let place = self.at_s.map_or_else(
            || format!("wherever the music is soft around {}", printed::hertz(self.at_hz)),
            |at| {
                format!(
                    "most of all {} into the clip, around {}",
                    printed::fixed(at, 2, "s"),
                    printed::hertz(self.at_hz)
                )
            },
        );
        let (over, level) = (printed::fixed(self.over_db, 0, "dB"), printed::fixed(-self.level_db, 0, "dB"));
        let share = printed::percent(self.share);
        match self.usual {
            Usual::Repeats => format!(
                "one of the two recordings holds something that no filter makes: {place}, {over} more than repeating cable A \
                 changes, {level} below the loudest band, in {share} of the clip. It could betray a side. Record all three again; if \
                 it stays, it is the cable's own distortion or noise"
            ),
            Usual::Silence => format!(
                "the two recordings differ by something that no filter makes: {place}, {over} above the noise of both in silence, \
                 {level} below the loudest band, in {share} of the clip. Record cable A once more (recording_again): then you know \
                 whether the equipment does this every time"
            ),
        }
    }
}

/// Mean squares by stretch and band.
pub(super) struct Stretches(Vec<Vec<f64>>);

impl Stretches {
    /// Of a sound, in bands between these edges in Hz.
    ///
    /// # Errors
    /// It cannot be read.
    pub(super) fn of<S: Samples + ?Sized>(samples: &S, rate: f64, edges: &[f64]) -> Result<Self, ClipError> {
        let window = hann(STRETCH);
        let scale = 2.0 / (STRETCH as f64 * window.iter().map(|weight| weight * weight).sum::<f64>());
        let bin = |hz: f64| ((hz * STRETCH as f64 / rate).round() as usize).min(STRETCH / 2);
        let transform = plans::forward(STRETCH);
        let (mut input, mut output) = (transform.make_input_vec(), transform.make_output_vec());
        let count = (samples.frames().saturating_sub(STRETCH)) / (STRETCH / 2) + 1;
        let mut found = Vec::with_capacity(count);
        for index in 0..count {
            samples.copy((index * STRETCH / 2) as i64, &mut input)?;
            for (value, weight) in input.iter_mut().zip(&window) {
                *value *= weight;
            }
            transform.process(&mut input, &mut output).expect("buffers are of the plan's own length");
            let level = |edge: &[f64]| {
                let (first, last) = (bin(edge[0]), bin(edge[1]));
                let within = &output[first..last.max(first + 1).min(output.len())];
                scale * within.iter().map(Complex64::norm_sqr).sum::<f64>()
            };
            found.push(edges.windows(2).map(level).collect());
        }
        Ok(Self(found))
    }

    /// The most of a band in a stretch and its two neighbours.
    fn around(&self, stretch: usize, band: usize) -> f64 {
        let last = (stretch + 1).min(self.0.len() - 1);
        self.0[stretch.saturating_sub(1)..=last].iter().map(|of| of[band]).fold(0.0, f64::max)
    }

    fn middle(&self, band: usize) -> f64 {
        let mut values: Vec<f64> = self.0.iter().map(|of| of[band]).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    }
}

fn hann(length: usize) -> Vec<f64> {
    (0..length).map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos()).collect()
}

/// What is left of `to` when everything is taken out that a filter makes of `from`: both of one length and on one time axis.
///
/// # Errors
/// They cannot be read, or there is no room for what is left.
pub(super) fn rest<S: Samples + ?Sized>(from: &S, to: &S) -> Result<Parked, ClipError> {
    let mut length = WINDOW;
    while length > 64 && 4 * length > from.frames() {
        length /= 2;
    }
    let (taps, early) = filter_between(from, to, length)?;
    let mut rest = without(to, from, &taps, early)?;
    for _ in 1..ROUNDS {
        let (taps, early) = filter_between(from, &rest, length)?;
        rest = without(&rest, from, &taps, early)?;
    }
    Ok(rest)
}

/// Taps of the filter from one sound to another, and by how many samples the first of them is early.
fn filter_between<S: Samples + ?Sized, T: Samples + ?Sized>(
    from: &S,
    to: &T,
    length: usize,
) -> Result<(Vec<f64>, usize), ClipError> {
    let window = hann(length);
    let transform = plans::forward(length);
    let mut input = transform.make_input_vec();
    let [mut one, mut other] = [transform.make_output_vec(), transform.make_output_vec()];
    let mut cross = vec![Complex64::ZERO; length / 2 + 1];
    let mut own = vec![Complex64::ZERO; length / 2 + 1];
    let transformed = |input: &mut Vec<f64>, bins: &mut Vec<Complex64>| {
        for (value, weight) in input.iter_mut().zip(&window) {
            *value *= weight;
        }
        transform.process(input, bins).expect("buffers are of the plan's own length");
    };
    for start in (0..=from.frames().saturating_sub(length)).step_by(length / 2) {
        from.copy(start as i64, &mut input)?;
        transformed(&mut input, &mut one);
        to.copy(start as i64, &mut input)?;
        transformed(&mut input, &mut other);
        for (bin, (a, b)) in one.iter().zip(&other).enumerate() {
            cross[bin] += b * a.conj();
            own[bin] += a * a.conj();
        }
    }
    let response =
        averaged(&cross).iter().zip(averaged(&own)).map(|(cross, own)| cross / own.re.max(1e-300)).collect();
    let impulse = signal(response, length);
    // A cable and a loudspeaker ring for some time after, and nothing but a fraction of a sample's delay comes before.
    let (early, late) = (length / 16, length / 4);
    let taps = (0..early + late)
        .map(|index| {
            let at = index as f64 - early as f64;
            let share = if at < 0.0 { -at / early as f64 } else { at / late as f64 };
            let weight = 0.5 + 0.5 * (std::f64::consts::PI * share).cos();
            weight * impulse[(index + length - early) % length]
        })
        .collect();
    Ok((taps, early))
}

/// Each bin with its neighbours, near ones counting most.
fn averaged(bins: &[Complex64]) -> Vec<Complex64> {
    let mut sums = vec![Complex64::ZERO];
    for bin in bins {
        sums.push(sums[sums.len() - 1] + bin);
    }
    (0..bins.len())
        .map(|at| {
            let part = |(half, weight): (usize, f64)| {
                let (first, last) = (at.saturating_sub(half), (at + half + 1).min(bins.len()));
                weight / (last - first) as f64 * (sums[last] - sums[first])
            };
            AVERAGES.into_iter().map(part).sum()
        })
        .collect()
}

/// A sound without another one that was filtered, block by block.
fn without<S: Samples + ?Sized, T: Samples + ?Sized>(
    sound: &S,
    from: &T,
    taps: &[f64],
    early: usize,
) -> Result<Parked, ClipError> {
    let length = (4 * taps.len()).next_power_of_two();
    // What a transform of this length gives of a block without what goes round its end.
    let block = length - taps.len() + 1;
    let filter = spectrum(taps, length);
    let mut rest = Parked::new()?;
    for start in (0..sound.frames()).step_by(block) {
        let mut left = sound.stretch(start as i64, block.min(sound.frames() - start))?;
        let heard = from.stretch((start + early) as i64 - (taps.len() as i64 - 1), length)?;
        let bins = spectrum(&heard, length).iter().zip(&filter).map(|(a, b)| a * b).collect();
        for (sample, value) in left.iter_mut().zip(&signal(bins, length)[taps.len() - 1..]) {
            *sample -= value;
        }
        rest.push(&left)?;
    }
    Ok(rest)
}

/// What is usual in each stretch and band.
pub(super) enum Expected<'r> {
    /// The rest of the same cable recorded twice.
    Repeats(&'r Stretches),
    /// Mean square of both recordings' noise in each band.
    Silence(&'r [f64]),
}

/// The strongest thing that is more than usual; `music` is what is played.
pub(super) fn find(
    rest: &Stretches,
    music: &Stretches,
    expected: &Expected<'_>,
    rate: f64,
    edges: &[f64],
) -> Option<Mark> {
    let (count, bands) = (rest.0.len(), edges.len() - 1);
    let mean = |band: usize| music.0.iter().map(|of| of[band]).sum::<f64>() / count as f64;
    let strongest = (0..bands).map(mean).fold(0.0, f64::max);
    let least = strongest * 10_f64.powf(-NOISE_BELOW_DB / 10.0);
    let usual = match expected {
        Expected::Repeats(_) => Usual::Repeats,
        Expected::Silence(_) => Usual::Silence,
    };
    let mut found: Option<Mark> = None;
    let mut marked = vec![false; count];
    let mut consider = |over: f64, level: f64, band: usize, at: Option<usize>, share: f64| {
        if found.is_none_or(|best| 10.0 * over.log10() > best.over_db) {
            found = Some(Mark {
                over_db: 10.0 * over.log10(),
                level_db: 10.0 * (level / strongest).log10(),
                at_hz: (edges[band] * edges[band + 1]).sqrt(),
                at_s: at.map(|at| (at * STRETCH / 2) as f64 / rate),
                share,
                usual,
            });
        }
    };
    for band in 0..bands {
        let floor = match expected {
            Expected::Repeats(repeats) => repeats.middle(band),
            Expected::Silence(noise) => noise[band],
        };
        let (mut own, mut normal, mut soft) = (0.0, 0.0, 0);
        // The first and the last stretch lack what was played before and after.
        for (at, marked) in marked.iter_mut().enumerate().take(count.saturating_sub(1)).skip(1) {
            let here = match expected {
                Expected::Repeats(repeats) => repeats.around(at, band).max(2.0 * floor),
                Expected::Silence(_) => 2.0 * floor,
            };
            let value = rest.0[at][band];
            let masked = MASKED * music.around(at, band);
            if value > TIMES * here + masked && value > least {
                *marked = true;
                consider(value / here, value, band, Some(at), 0.0);
            }
            if masked < floor {
                own += value;
                normal += match expected {
                    Expected::Repeats(repeats) => repeats.0[at][band],
                    Expected::Silence(_) => floor,
                };
                soft += 1;
            }
        }
        if soft >= ENOUGH && own > TIMES_ON_AVERAGE * normal && own > least * soft as f64 {
            consider(own / normal, own / soft as f64, band, None, soft as f64 / count as f64);
        }
    }
    let share = marked.iter().filter(|marked| **marked).count() as f64 / count as f64;
    found.map(|found| if found.at_s.is_some() { Mark { share, ..found } } else { found })
}

/// Bits of the coarsest steps on which all samples lie; `None` where more than 24 are needed.
///
/// # Errors
/// They cannot be read.
pub(super) fn grain<S: Samples + ?Sized>(samples: &S) -> Result<Option<u32>, ClipError> {
    let mut bits = 1;
    samples.each_block(|_, block| {
        for sample in block {
            while bits <= 24 && (sample * f64::from(1_u32 << (bits - 1))).fract() != 0.0 {
                bits += 1;
            }
        }
    })?;
    Ok((bits <= 24).then_some(bits))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulate::Generator;

    fn rest(from: &[f64], to: &[f64]) -> Vec<f64> {
        let rest = super::rest(from, to).expect("room");
        rest.stretch(0, rest.frames()).expect("readable")
    }

    #[test]
    fn a_filter_is_taken_out_and_nothing_else() {
        let mut generator = Generator::new(7, 0);
        let from: Vec<f64> = (0..60_000).map(|_| generator.uniform() - 0.5).collect();
        // One pole, which rings for some hundred samples.
        let mut state = 0.0;
        let mut to: Vec<f64> = from
            .iter()
            .map(|sample| {
                state = 0.97 * state + sample;
                0.9 * sample + 0.02 * state
            })
            .collect();
        let power = |samples: &[f64]| samples[9000..50_000].iter().map(|sample| sample * sample).sum::<f64>();
        let left = 10.0 * (power(&rest(&from, &to)) / power(&to)).log10();
        assert!(left < -75.0, "{left} dB");
        // What is no filter's stays.
        for (n, sample) in to.iter_mut().enumerate() {
            *sample += 1e-2 * (0.3 * n as f64).sin();
        }
        let left = power(&rest(&from, &to)) / 41_000.0;
        assert!((left / 5e-5 - 1.0).abs() < 0.1, "{left}");
    }

    /// Invented music: partials that share no period, from 40 Hz to 10 kHz, which swell and fade.
    fn music(frames: usize) -> Vec<f64> {
        (0..frames)
            .map(|n| {
                let t = n as f64 / 48_000.0;
                let partial = |k: i32| {
                    let swell = 0.55 + 0.45 * (1.7 * t + f64::from(k)).sin();
                    swell * (std::f64::consts::TAU * 40.0 * 1.11_f64.powi(k) * t).sin() / f64::from(k + 8)
                };
                (t / 0.05).min(1.0) * 0.2 * (0..53).map(partial).sum::<f64>()
            })
            .collect()
    }

    /// Sounds, each with noise of its own of this size.
    fn noisy(sound: &[f64], size: f64, seed: u64) -> Vec<f64> {
        let mut generator = Generator::new(seed, 0);
        let mut noise = || size * ((0..12).map(|_| generator.uniform()).sum::<f64>() - 6.0);
        sound.iter().map(|sample| sample + noise()).collect()
    }

    /// Music, recorded twice through the cable of side A.
    struct Bench {
        music: Vec<f64>,
        a: Vec<f64>,
        repeats: Stretches,
        silence: Vec<f64>,
        edges: Vec<f64>,
    }

    impl Bench {
        fn new() -> Self {
            const HISS: f64 = 1e-5;
            let music = music(72_000);
            let edges = crate::hearing::weighting::erb_edges(20.0, 20_000.0);
            let (a, again) = (noisy(&music, HISS, 1), noisy(&music, HISS, 3));
            let repeats = Stretches::of(&rest(&a, &again)[..], 48_000.0, &edges).expect("memory");
            // White noise: its power is spread evenly over frequency.
            let share = |edge: &[f64]| (edge[1] - edge[0]) / 24_000.0;
            let silence = edges.windows(2).map(|edge| 2.0 * HISS * HISS * share(edge)).collect();
            Self { music, a, repeats, silence, edges }
        }

        /// What is found where side B is the music through a shelf and then `marked`, held against repeats and against silence.
        fn found(&self, marked: impl Fn(usize, f64) -> f64) -> [Option<Mark>; 2] {
            let mut state = 0.0;
            let other: Vec<f64> = (self.music.iter().enumerate())
                .map(|(n, sample)| {
                    state = 0.9 * state + 0.1 * sample;
                    marked(n, 0.97 * sample + 0.02 * state)
                })
                .collect();
            let b = noisy(&other, 1e-5, 2);
            let [rest, of_b] = [&rest(&self.a, &b), &b]
                .map(|sound| Stretches::of(&sound[..], 48_000.0, &self.edges).expect("memory"));
            [Expected::Repeats(&self.repeats), Expected::Silence(&self.silence)]
                .map(|expected| find(&rest, &of_b, &expected, 48_000.0, &self.edges))
        }
    }

    #[test]
    fn marks_in_one_recording_are_told_and_a_cable_is_none() {
        let bench = Bench::new();
        let tone =
            |n: usize, size: f64| size * (std::f64::consts::TAU * 15_300.0 * n as f64 / 48_000.0).sin();
        // The cable itself, and a tone that nobody hears, 93 dB below the strongest band.
        for size in [0.0, 5e-7] {
            let none = bench.found(|n, sample| sample + tone(n, size));
            assert!(none.iter().all(Option::is_none), "{none:?}");
        }
        // A tone 70 dB below the strongest band.
        for mark in bench.found(|n, sample| sample + tone(n, 8e-6)) {
            let mark = mark.expect("a tone");
            assert!((mark.at_hz / 15_300.0 - 1.0).abs() < 0.1 && mark.share > 0.9, "{mark:?}");
        }
        // A click of one sample, a second in.
        for mark in bench.found(|n, sample| sample + if n == 48_000 { 0.01 } else { 0.0 }) {
            let mark = mark.expect("a click");
            assert!(mark.at_s.is_some_and(|at| (at - 1.0).abs() < 0.1) && mark.share < 0.1, "{mark:?}");
        }
        // A code in the level, 0.03 dB up and down ten times a second; the lowest bits dropped, so that 15 are left; an echo beyond
        // what a cable and a loudspeaker ring, 50 dB down and an eighth of a second later.
        let code = bench.found(|n, sample| sample * if n / 4800 % 2 == 0 { 1.003 } else { 0.997 });
        let bits = bench.found(|_, sample| (sample * 16_384.0).floor() / 16_384.0);
        let echo =
            bench.found(|n, sample| sample + n.checked_sub(6000).map_or(0.0, |at| 0.003 * bench.music[at]));
        for found in [code, bits, echo] {
            assert!(found.iter().all(Option::is_some), "{found:?}");
        }
        // Hiss, under the music alone.
        let hiss = noisy(&vec![0.0; bench.music.len()], 4e-5, 9);
        let [mark, _] = bench.found(|n, sample| sample + hiss[n]);
        assert!(mark.is_some_and(|mark| mark.over_db > 6.0), "{mark:?}");
    }

    #[test]
    fn steps_are_told_by_their_bits() {
        let of = |bits: u32| {
            let scale = f64::from(1_u32 << (bits - 1));
            (0..1000).map(|n| (0.7 * f64::from(n).sin() * scale).round() / scale).collect::<Vec<_>>()
        };
        assert_eq!(
            [8, 16, 20, 24].map(|bits| grain(&of(bits)[..]).expect("memory")),
            [8, 16, 20, 24].map(Some)
        );
        assert_eq!(grain(&[0.1][..]), Ok(None));
    }
}
