//! Intermodulation and THD+N of known polynomials, in closed form: products of cosines are sums of cosines.

use std::f64::consts::TAU;

use earwitness::bench::distortion::apart_of;
use earwitness::bench::tones::{Signal, intermodulation, overall_percent, stepped};

use super::{RATE, noise, recording};
use crate::commands::{refused, succeeded};

/// `y = x + a x^2 + b x^3` of two tones, by a recorder that runs too fast by `ppm`, with silence around.
fn bent(tones: [(f64, f64); 2], a: f64, b: f64, ppm: f64, hiss: f64) -> Vec<f64> {
    let frames = (3.4 * RATE) as usize;
    let rate = RATE * (1.0 + ppm * 1e-6);
    let noise = noise(frames, hiss, 5);
    (0..frames)
        .map(|frame| {
            let x: f64 = tones
                .iter()
                .map(|(frequency, peak)| peak * (TAU * frequency * frame as f64 / rate + 0.7).cos())
                .sum();
            let heard = (0.4..3.0).contains(&(frame as f64 / RATE));
            noise[frame] + if heard { x + a * x * x + b * x.powi(3) } else { 0.0 }
        })
        .collect()
}

#[test]
fn products_of_two_tones_are_those_of_the_polynomial_at_any_clock() {
    // Of tones A1 (lower) and A2: the squares give a A1 A2 at f2 - f1 and at f2 + f1. The cubes give 3/4 b A1^2 A2 at
    // f2 - 2 f1 and at f2 + 2 f1, 3/4 b A1 A2^2 at 2 f2 - f1, and to the upper tone 3/4 b A2^3 + 3/2 b A1^2 A2.
    let (a, b) = (0.01, 0.02);
    for (signal, tones, ppm) in [
        (Signal::Smpte, [(60.0, 0.4), (7000.0, 0.1)], 90.0),
        (Signal::Din, [(250.0, 0.4), (8000.0, 0.1)], -40.0),
        (Signal::Ccif, [(19_000.0, 0.25), (20_000.0, 0.25)], 120.0),
    ] {
        let [(_, a1), (_, a2)] = tones;
        let own = |one: f64, other: f64| one + 0.75 * b * one.powi(3) + 1.5 * b * other * other * one;
        let (lower, upper) = (own(a1, a2), own(a2, a1));
        let (second, third) = if signal == Signal::Ccif {
            (a * a1 * a2 / (lower + upper), 0.75 * b * (a1 * a1 * a2 + a1 * a2 * a2) / (lower + upper))
        } else {
            (2.0 * a * a1 * a2 / upper, 1.5 * b * a1 * a1 * a2 / upper)
        };
        let sound = recording(vec![bent(tones, a, b, ppm, 0.0)]);
        let found = intermodulation(&sound.last(), signal).unwrap();
        for (name, own, exact) in [
            ("second", found.second_percent, 100.0 * second),
            ("third", found.third_percent, 100.0 * third),
            ("both", found.percent, 100.0 * second.hypot(third)),
        ] {
            assert!((own / exact - 1.0).abs() < 1e-3, "{signal:?} {name}: {own} %, not {exact} %");
        }
        assert!((found.clock_ppm - ppm).abs() < 0.05, "{signal:?}: {} ppm", found.clock_ppm);
        assert!((found.ratio_db - 20.0 * (lower / upper).log10()).abs() < 1e-3, "{}", found.ratio_db);
        assert!(
            found.floor_db < -120.0 && found.single_percent.len() == 2,
            "{signal:?}: {} dB",
            found.floor_db
        );
    }
    // Half as much again is more than its scatter; the same again is not (Welch's test, in the sentence).
    let of = |a: f64, seed: u64| {
        let hiss = noise((3.4 * RATE) as usize, 1e-5, seed);
        let tones = [(250.0, 0.4), (8000.0, 0.1)];
        let samples = bent(tones, a, 0.0, 0.0, 0.0).into_iter().zip(hiss).map(|(x, hiss)| x + hiss).collect();
        intermodulation(&recording(vec![samples]).last(), Signal::Din).unwrap().single_percent
    };
    let (first, again, more) = (of(0.01, 1), of(0.01, 2), of(0.015, 3));
    let same = apart_of(&first, &again);
    assert!(same.percent.abs() <= same.uncertainty_percent.unwrap(), "{same}");
    let different = apart_of(&more, &first);
    assert!(different.percent > different.uncertainty_percent.unwrap(), "{different}");
    // A straight line has no products: what is found is what noise gives, and the floor says so.
    let tones = [(250.0, 0.4), (8000.0, 0.1)];
    let found =
        intermodulation(&recording(vec![bent(tones, 0.0, 0.0, 0.0, 1e-4)]).last(), Signal::Din).unwrap();
    let floor = 100.0 * 10_f64.powf(found.floor_db / 20.0);
    assert!(found.percent < 6.0 * floor && found.floor_db < -80.0, "{} of {floor}", found.percent);
    // The signal of another name is refused.
    let other = recording(vec![bent(tones, 0.0, 0.0, 0.0, 0.0)]);
    let refused = intermodulation(&other.last(), Signal::Smpte).expect_err("refused");
    assert!(refused.0.contains("60 Hz and 7000 Hz") && refused.0.contains("--signal"), "{refused}");
    assert!(stepped(&recording(vec![noise(96_000, 0.05, 2)]).last()).is_err());
}

#[test]
fn a_steps_distortion_and_noise_are_those_that_were_added() {
    // Second harmonic a A^2/2, third b A^3/4; noise of deviation s has s^2 20000/24000 of power below 20 kHz.
    let (peak, a, b, hiss) = (0.25, 0.02, 0.04, 2e-4);
    for (nominal, orders) in [(20.0, 3), (1000.0, 3), (10_000.0, 2), (15_848.931_924_611_14, 1)] {
        let frames = (1.6 * RATE) as usize;
        let noise = noise(frames, hiss, 9);
        let samples = (0..frames)
            .map(|frame| {
                let x = peak * (TAU * nominal * 1.000_05 * frame as f64 / RATE).cos();
                let heard = (0.3..1.3).contains(&(frame as f64 / RATE));
                let bent = match orders {
                    3 => x + a * x * x + b * x.powi(3),
                    2 => x + a * x * x,
                    _ => x,
                };
                noise[frame] + 0.003 + if heard { bent } else { 0.0 }
            })
            .collect();
        let found = stepped(&recording(vec![samples]).last()).unwrap();
        assert_eq!(found.len(), 1);
        let fundamental = peak + if orders == 3 { 0.75 * b * peak.powi(3) } else { 0.0 };
        let (second, third) = (a * peak * peak / 2.0, b * peak.powi(3) / 4.0);
        let harmonics = match orders {
            3 => second.hypot(third),
            2 => second,
            _ => 0.0,
        };
        assert_eq!(overall_percent(&found), [found[0].thd_noise_percent]);
        assert!(!found[0].dropout, "{nominal} Hz is steady");
        let step = &found[0];
        // Steps bear the exact names: 20 Hz is 19.95 Hz.
        assert!((step.frequency_hz / nominal - 1.0).abs() < 3e-3, "{}", step.frequency_hz);
        assert!((step.level_dbfs - 20.0 * fundamental.log10()).abs() < 1e-3, "{}", step.level_dbfs);
        match step.thd_percent {
            None => assert_eq!(orders, 1, "{nominal} Hz has no harmonic in the band"),
            Some(thd) => {
                assert!(
                    (thd / (100.0 * harmonics / fundamental) - 1.0).abs() < 0.01,
                    "{nominal} Hz: {thd} %"
                );
            }
        }
        let rest = harmonics.powi(2) / 2.0 + hiss * hiss * 20_000.0 / 24_000.0;
        let exact = 100.0 * (rest / (rest + fundamental * fundamental / 2.0)).sqrt();
        assert!((step.thd_noise_percent / exact - 1.0).abs() < 0.02, "{nominal} Hz: {step:?}, not {exact} %");
    }
}

#[test]
fn a_step_with_a_dropout_is_told() {
    for (nominal, lost) in [(19.95, 3000), (501.187, 500), (501.187, 7), (10_000.0, 23)] {
        // So many samples never arrived, half a second into the tone.
        let samples = (0..72_000)
            .map(|frame| {
                let frame = if frame < 38_400 { frame } else { frame + lost };
                let heard = (14_400..62_400 + lost).contains(&frame);
                if heard { 0.1 * (TAU * nominal * frame as f64 / RATE).cos() } else { 0.0 }
            })
            .collect();
        let found = stepped(&recording(vec![samples]).last()).unwrap();
        assert!(found.iter().all(|step| step.dropout) && found.len() == 1, "{nominal} Hz, {lost}: {found:?}");
        assert!(overall_percent(&found).is_empty(), "{found:?}");
    }
}

#[test]
fn tones_are_written_and_measured_by_their_names() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let ran = succeeded(folder, &["bench", "tones", "--signal", "ccif", "--out", "tones.wav"]);
    assert!(
        ran.out.contains("ccif, \u{2212}40.0 dBFS") && ran.err.contains("tweeter"),
        "{} {}",
        ran.out,
        ran.err
    );
    let measure = ["bench", "distortion", "tones.wav", "--signal", "ccif", "--csv", "two.csv", "--json"];
    let document: serde_json::Value = serde_json::from_str(&succeeded(folder, &measure).out).unwrap();
    assert!(document["percent"].as_f64().unwrap() < 1e-3 && document["pieces"] == 5, "{document}");
    let table = std::fs::read_to_string(folder.join("two.csv")).unwrap();
    assert!(table.starts_with("percent,std_percent,") && table.lines().count() == 2, "{table}");
    // Another recording of the same, and how far apart they are.
    let against =
        ["bench", "distortion", "tones.wav", "--signal", "ccif", "--against", "tones.wav", "--json"];
    let document: serde_json::Value = serde_json::from_str(&succeeded(folder, &against).out).unwrap();
    assert_eq!(document["difference"]["percent"], 0.0);
    let sentence = document["difference"]["sentence"].as_str().unwrap();
    assert!(sentence.ends_with("not distinguishable from repeating the same cable"), "{sentence}");
    let loud = ["bench", "tones", "--signal", "din", "--level", "3", "--out", "loud.wav"];
    refused(folder, &loud, &["-90 to 0 are allowed"]);
    let steps = ["bench", "distortion", "tones.wav", "--signal", "steps"];
    refused(folder, &steps, &["no steps of one tone each"]);
}
