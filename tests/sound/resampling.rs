//! Resampling for a device that cannot run at the clip's rate, measured with sines: level, delay, aliases and images.
//!
//! `cargo test --test main sound::resampling -- --nocapture` prints the table that stands in `src/clip/resample.rs`.

use std::f64::consts::TAU;
use std::sync::Arc;

use earwitness::clip::Playable;
use earwitness::clip::resample::resample;
use rayon::prelude::*;

const LEVEL: f64 = 0.5;

fn tone(rate_hz: u32, frequency: f64, seconds: f64) -> Playable {
    let samples: Arc<[f32]> = (0..(seconds * f64::from(rate_hz)) as usize)
        .map(|i| (LEVEL * (TAU * frequency * i as f64 / f64::from(rate_hz)).sin()) as f32)
        .collect();
    Playable { rate_hz, channels: 1, samples }
}

/// What has become of a sine.
#[derive(Debug, Clone, Copy)]
struct Heard {
    /// Gain at its frequency in dB.
    gain_db: f64,
    /// By how many frames of the new rate it comes later.
    delay_frames: f64,
    /// Everything else (aliases, images, rounding) in dB of the sine.
    rest_db: f64,
    /// Everything there is, in dB of the sine.
    all_db: f64,
}

/// Sends a sine through and fits a sine of its frequency to what comes out, by least squares, away from the ends.
fn hear(from: u32, to: u32, frequency: f64) -> Heard {
    let converted = resample(&tone(from, frequency, 1.0), to).expect("rates with a ratio").into_owned();
    assert_eq!((converted.rate_hz, converted.frames()), (to, to as usize), "{from} to {to}");
    let edge = to as usize / 4;
    let turn = TAU * frequency / f64::from(to);
    let (mut ss, mut sc, mut cc, mut xs, mut xc, mut xx) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for i in edge..to as usize - edge {
        let x = f64::from(converted.samples[i]);
        let (s, c) = (turn * i as f64).sin_cos();
        ss += s * s;
        sc += s * c;
        cc += c * c;
        xs += x * s;
        xc += x * c;
        xx += x * x;
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((xs * cc - xc * sc) / determinant, (xc * ss - xs * sc) / determinant);
    let mut rest = 0.0;
    for i in edge..to as usize - edge {
        let (s, c) = (turn * i as f64).sin_cos();
        rest += (f64::from(converted.samples[i]) - a * s - b * c).powi(2);
    }
    let reference = LEVEL * LEVEL / 2.0 * (to as usize - 2 * edge) as f64;
    Heard {
        gain_db: 20.0 * (a.hypot(b) / LEVEL).log10(),
        delay_frames: -b.atan2(a) / turn,
        rest_db: 10.0 * (rest / reference).log10(),
        all_db: 10.0 * (xx / reference).log10(),
    }
}

fn spread(low: f64, high: f64, count: u32) -> Vec<f64> {
    (0..count).map(|i| low * (high / low).powf(f64::from(i) / f64::from(count - 1))).collect()
}

fn largest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(f64::NEG_INFINITY, f64::max)
}

#[test]
fn level_delay_aliases_and_images_keep_their_bounds() {
    for (from, to) in
        [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (192_000, 44_100)]
    {
        let lower = f64::from(from.min(to));
        let band: Vec<Heard> =
            spread(20.0, 20_000.0, 41).par_iter().map(|frequency| hear(from, to, *frequency)).collect();
        let ripple = largest(band.iter().map(|heard| heard.gain_db.abs()));
        let delay = largest(band.iter().map(|heard| heard.delay_frames.abs()));
        let rest = largest(band.iter().map(|heard| heard.rest_db));
        // The edge: how much is lost close below half the lower rate, and what gets over it.
        let near = hear(from, to, 0.49 * lower).gain_db;
        let stop = if to < from {
            let from_half = f64::from(from) / 2.0;
            let frequencies = spread(lower / 2.0 * 1.0005, from_half * 0.999, 25);
            largest(
                frequencies
                    .par_iter()
                    .map(|frequency| hear(from, to, *frequency).all_db)
                    .collect::<Vec<_>>()
                    .into_iter(),
            )
        } else {
            let frequencies = spread(20_000.0, lower / 2.0 * 0.9995, 25);
            largest(
                frequencies
                    .par_iter()
                    .map(|frequency| hear(from, to, *frequency).rest_db)
                    .collect::<Vec<_>>()
                    .into_iter(),
            )
        };
        eprintln!(
            "| {from} to {to} | {ripple:.7} dB | {near:.3} dB | {rest:.1} dB | {stop:.1} dB | {delay:.1e} |"
        );
        assert!(ripple < 1e-4, "{from} to {to}: {ripple} dB of ripple");
        assert!(delay < 1e-4, "{from} to {to}: {delay} frames of delay");
        assert!(near > -1.0, "{from} to {to}: {near} dB near the edge");
        assert!(rest < -140.0, "{from} to {to}: {rest} dB beside the tone");
        assert!(stop < -120.0, "{from} to {to}: {stop} dB where nothing should be");
    }
}

#[test]
fn equal_stimuli_stay_equal_and_the_right_rate_is_left_alone() {
    let clip = super::noise(20_000, 2, 44_100, 3);
    assert_eq!(resample(&clip, 44_100).expect("the same rate").samples, clip.samples);
    let one = resample(&clip, 48_000).expect("a ratio").into_owned();
    let two = resample(&clip.clone(), 48_000).expect("a ratio").into_owned();
    assert_eq!(one.samples, two.samples);
}

#[test]
fn a_pair_of_rates_without_a_small_ratio_is_resampled_as_well() {
    // 44101 is a prime.
    let heard = hear(44_101, 48_000, 997.0);
    assert!(heard.gain_db.abs() < 1e-4 && heard.rest_db < -125.0, "{heard:?}");
}

#[test]
fn stimuli_do_not_move_against_each_other() {
    // Two different stimuli whose impulses stand at the same frame still have them there.
    for (from, to) in [(44_100, 48_000), (192_000, 44_100)] {
        let place = |level: f32| {
            let mut samples = vec![0.0_f32; 40_000];
            samples[19_845] = level;
            let clip = Playable { rate_hz: from, channels: 1, samples: samples.into() };
            let converted = resample(&clip, to).expect("a ratio").into_owned();
            let highest = converted.samples.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
            highest.expect("samples").0
        };
        let expected = (19_845.0 * f64::from(to) / f64::from(from)).round() as usize;
        assert_eq!((place(0.9), place(0.31)), (expected, expected), "{from} to {to}");
    }
}
