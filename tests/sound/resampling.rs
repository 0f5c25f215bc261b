//! Resampling for a device that cannot run at the clip's rate: in the quantity that matters, for pairs of rates.

use std::sync::Arc;

use earwitness::clip::Playable;
use earwitness::clip::resample::resample;

fn tone(rate_hz: u32, frequency: f64, seconds: f64) -> Playable {
    let samples: Arc<[f32]> = (0..(seconds * f64::from(rate_hz)) as usize)
        .map(|i| (0.5 * (std::f64::consts::TAU * frequency * i as f64 / f64::from(rate_hz)).sin()) as f32)
        .collect();
    Playable { rate_hz, channels: 1, samples }
}

/// Largest difference from a tone made at the new rate, away from the ends.
fn error(from: u32, to: u32, frequency: f64) -> f64 {
    let converted = resample(&tone(from, frequency, 1.0), to).expect("rates with a ratio").into_owned();
    assert_eq!(converted.rate_hz, to);
    let ideal = tone(to, frequency, 1.0);
    assert_eq!(converted.frames(), ideal.frames(), "{from} to {to}");
    let edge = to as usize / 4;
    (edge..ideal.frames() - edge)
        .map(|i| f64::from((converted.samples[i] - ideal.samples[i]).abs()))
        .fold(0.0, f64::max)
}

#[test]
fn tones_keep_their_place_and_level() {
    for (from, to) in
        [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 192_000), (192_000, 44_100)]
    {
        for frequency in [20.0, 997.0, 10_000.0, 19_000.0] {
            let error = error(from, to, frequency);
            // -110 dB of the tone: no whole sample of delay, no ripple, no image.
            assert!(error < 0.5 * 3e-6, "{from} to {to}, {frequency} Hz: {error:e}");
        }
    }
}

#[test]
fn what_the_new_rate_cannot_hold_is_gone() {
    for frequency in [24_500.0, 30_000.0, 45_000.0] {
        let converted =
            resample(&tone(96_000, frequency, 0.5), 48_000).expect("rates with a ratio").into_owned();
        let edge = 6_000;
        let left = converted.samples[edge..converted.samples.len() - edge]
            .iter()
            .fold(0.0_f32, |left, sample| left.max(sample.abs()));
        assert!(left < 1e-5, "{frequency} Hz: {left:e}");
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
