//! Null tests of sounds that differ in nothing but delay, gain, polarity and clock, and of sounds that differ.

use earwitness::bench::foreseen::foreseen;
use earwitness::bench::null::{Null, permuted};
use earwitness::bench::recording::{Channel, Long};
use earwitness::bench::{BenchError, null as room};
use num_complex::Complex64;

use super::{RATE, filtered, music, noise, recording};

fn null(first: &Channel<'_>, second: &Channel<'_>) -> Result<Null, BenchError> {
    room::null(first, second, &mut |_| Ok(()))
}

fn played(seconds: f64, delay: f64, ppm: f64, gain: f64) -> Vec<f64> {
    (0..(seconds * RATE) as usize)
        .map(|n| gain * music(n as f64 / (RATE * (1.0 + ppm * 1e-6)) - delay))
        .collect()
}

#[test]
fn what_differs_in_delay_gain_polarity_and_clock_alone_nulls() {
    let first = recording(vec![played(2.0, 0.0, 0.0, 1.0)]);
    for (delay, ppm, gain) in [(0.0123, 40.0, -0.83), (-0.0057, -7.5, 1.2)] {
        let second = recording(vec![played(2.0, delay, ppm, gain)]);
        let found = null(&first.last(), &second.last()).unwrap();
        // The aims: below -120 dB, 0.02 samples, 0.5 ppm.
        assert!(found.residual_db < -120.0, "{} dB", found.residual_db);
        assert!(found.bands.iter().filter_map(|band| band.residual_db).any(|residual| residual < -120.0));
        assert!((found.delay_s - delay).abs() * RATE < 0.02, "{} samples", (found.delay_s - delay) * RATE);
        assert!((found.clock_ppm - ppm).abs() < 0.5, "{} ppm", found.clock_ppm);
        assert!((found.gain_db - 20.0 * gain.abs().log10()).abs() < 1e-4, "{} dB", found.gain_db);
        assert_eq!(f64::from(found.polarity), gain.signum());
    }
}

#[test]
fn what_a_filter_leaves_is_what_arithmetic_says() {
    // Second recording: the first plus itself a sample later, times e. What is left after the best gain and delay is known
    // for small e: a delay of e/(1+e) samples and a curvature; with 1e-3 the rest lies between -100 and -60 dB.
    let first = played(1.5, 0.0, 0.0, 1.0);
    let second: Vec<f64> =
        (0..first.len()).map(|n| first[n] + 1e-3 * if n > 4 { first[n - 5] } else { 0.0 }).collect();
    let found = null(&recording(vec![first.clone()]).last(), &recording(vec![second]).last()).unwrap();
    assert!((-100.0..-60.0).contains(&found.residual_db), "{}", found.residual_db);
    // Noise of -60 dB relative to the first stays noise of -60 dB, below what it was by the share outside the band.
    let level = (first.iter().map(|s| s * s).sum::<f64>() / first.len() as f64).sqrt();
    let noisy: Vec<f64> =
        first.iter().zip(noise(first.len(), 1e-3 * level, 5)).map(|(sample, noise)| sample + noise).collect();
    let found = null(&recording(vec![first]).last(), &recording(vec![noisy]).last()).unwrap();
    assert!((found.residual_db + 60.0 + 0.79).abs() < 0.3, "{}", found.residual_db);
}

#[test]
fn what_the_circuit_predicts_is_what_its_filter_leaves() {
    let sections = super::reference("filters.json")["filters"]["shelf"]["sections"].clone();
    let first = played(1.5, 0.0, 0.0, 1.0);
    let second = filtered(&sections, &first);
    let (first, second) = (recording(vec![first]), recording(vec![second]));
    let found = null(&first.last(), &second.last()).unwrap();
    // The filter's own response, from its coefficients.
    let ratio = |frequencies: &[f64]| -> Result<Vec<Complex64>, String> {
        let at = |frequency: &f64| {
            let z = Complex64::cis(-std::f64::consts::TAU * frequency / RATE);
            let sections = sections.as_array().unwrap().iter().map(super::numbers);
            sections.map(|c| (c[0] + z * (c[1] + z * c[2])) / (c[3] + z * (c[4] + z * c[5]))).product()
        };
        Ok(frequencies.iter().map(at).collect())
    };
    let predicted = foreseen(&first.last(), &ratio).unwrap();
    assert!(
        (predicted.residual_db - found.residual_db).abs() < 0.5,
        "{} {}",
        predicted.residual_db,
        found.residual_db
    );
    assert!(predicted.residual_db > -60.0);
    for (band, predicted) in found.bands.iter().zip(&predicted.bands) {
        // Between partials there is nothing to null.
        if let (Some(own), Some(predicted)) = (band.residual_db, predicted) {
            assert!((own - predicted).abs() < 2.0 || own < -60.0, "{band:?}: {predicted}");
        }
    }
    // Nothing leaves nothing.
    let same = foreseen(&first.last(), &|frequencies| Ok(vec![Complex64::ONE; frequencies.len()])).unwrap();
    assert!(same.residual_db < -120.0, "{}", same.residual_db);
}

#[test]
fn a_permutation_tells_a_difference_from_repeating() {
    let base = played(1.0, 0.0, 0.0, 1.0);
    let take = |seed: u64, echo: f64| {
        let noise = noise(base.len(), 1e-4, seed);
        let samples = (0..base.len())
            .map(|n| base[n] + noise[n] + echo * if n > 4 { base[n - 5] } else { 0.0 })
            .collect();
        recording(vec![samples])
    };
    let same: Vec<_> = (1..=6).map(|seed| take(seed, 0.0)).collect();
    let other: Vec<_> = (11..=13).map(|seed| take(seed, 0.05)).collect();
    let of = |list: &[earwitness::bench::recording::Recording]| {
        permuted(
            &list[..3].iter().map(|one| one.last()).collect::<Vec<_>>(),
            &list[3..].iter().map(|one| one.last()).collect::<Vec<_>>(),
        )
        .unwrap()
    };
    let equal = of(&same);
    assert_eq!(equal.labellings, 20);
    assert!(equal.p_value >= 0.1 && (equal.between_db - equal.within_db).abs() < 0.5, "{equal:?}");
    let different = of(&[same[..3].to_vec(), other].concat());
    assert!((different.smallest_p - 0.1).abs() < 1e-12, "so few can prove nothing");
    // Two of the twenty ways, the true one and the one with the names exchanged.
    assert!((different.p_value - 0.1).abs() < 1e-12, "{different:?}");
    assert!(different.between_db > different.within_db + 6.0, "{different:?}");
}

#[test]
fn sounds_that_do_not_belong_together_are_refused() {
    let first = recording(vec![played(1.0, 0.0, 0.0, 1.0)]);
    let refusal = |other: Vec<f64>| {
        null(&first.last(), &recording(vec![other]).last()).map(drop).expect_err("refused").0
    };
    assert!(refusal(noise(48_000, 0.1, 9)).contains("not the same sound"));
    assert!(refusal(vec![0.0; 48_000]).contains("silent"));
    assert!(refusal(played(0.05, 0.0, 0.0, 1.0)).contains("shorter than half a second"));
    // A tenth of a second is missing in the middle of one: that is no null of 0 dB.
    let mut torn = played(3.0, 0.0, 0.0, 1.0);
    torn.drain(70_000..74_800);
    let message = null(&recording(vec![played(3.0, 0.0, 0.0, 1.0)]).last(), &recording(vec![torn]).last())
        .expect_err("torn")
        .to_string();
    assert!(message.contains("a dropout in one of them"), "{message}");
}

/// What goes by in blocks, from the disk, gives what whole recordings in memory gave before (numbers of the program as it was
/// then, of the same files).
#[test]
fn blocks_null_as_whole_recordings_did() {
    let frames = 200_000;
    let sound = noise(frames + 40, 0.1, 21);
    // Half a sample's delay and what that loses of the high tones, another gain, and noise of its own.
    let take = |gain: f64, seed: u64| -> Vec<f64> {
        let hiss = noise(frames, 1e-4, seed);
        (0..frames).map(|n| gain * (sound[n + 3] + sound[n + 2]) + hiss[n]).collect()
    };
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, samples: &[f64]| {
        super::write(&folder.path().join(name), 48_000, &[samples]);
        Long::read(&folder.path().join(name)).unwrap()
    };
    let first = file("first.wav", &sound[..frames]);
    let second = file("second.wav", &take(0.4, 22));
    let mut left = Vec::new();
    let found = room::null(&first.last(), &second.last(), &mut |block| {
        left.extend_from_slice(block);
        Ok(())
    })
    .unwrap();
    for (what, own, before) in [
        ("residual", found.residual_db, -10.618_734_249_748_965),
        ("gain", found.gain_db, -4.064_478_748_157_009),
        ("delay", found.delay_s * RATE, -0.000_052_098_258_292_308_536 * RATE),
        ("clock", found.clock_ppm, 0.034_100_557_323_097_22),
    ] {
        assert!((own - before).abs() < 1e-9, "{what}: {own}, not {before}");
    }
    let level = |samples: &[f64]| samples.iter().map(|s| s * s).sum::<f64>() / samples.len() as f64;
    let rest = 10.0 * (level(&left) / level(&sound)).log10();
    // With what lies above 20 kHz, where half a sample's delay loses most: |(1 + e^(jw))/2| falls to nothing.
    assert!((rest + 7.23).abs() < 0.05, "{rest}: the residual is what was measured");
    let others = [take(0.4, 23), take(0.41, 24), take(0.41, 25)];
    let [third, fourth, fifth] = [0, 1, 2].map(|at| file(&format!("{at}.wav"), &others[at]));
    let test = permuted(&[second.last(), third.last()], &[fourth.last(), fifth.last()]).unwrap();
    assert!(
        (test.between_db + 52.896_856_460_959_41).abs() < 1e-9
            && (test.within_db + 52.895_874_849_304_17).abs() < 1e-9,
        "{test:?}"
    );
}
