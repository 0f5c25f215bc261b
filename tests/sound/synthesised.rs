//! The synthesised clips, measured as a listener and a meter would: level, spectrum, seam, variety.

use std::collections::BTreeMap;

use earwitness::clip::fade::Fades;
use earwitness::clip::loudness::Meter;
use earwitness::clip::{SYNTH_NAMES, Sound, synth};
use num_complex::Complex64;
use rayon::prelude::*;
use realfft::RealFftPlanner;

const RATE: u32 = 48_000;
const SECONDS: f64 = 20.0;
/// Clips to listen to; the others are for measuring.
const MUSIC: [&str; 3] = ["plucked-strings", "drum-pattern", "slow-chord"];

/// All clips, made once.
fn clips() -> &'static BTreeMap<&'static str, Sound> {
    static CLIPS: std::sync::OnceLock<BTreeMap<&'static str, Sound>> = std::sync::OnceLock::new();
    CLIPS.get_or_init(|| {
        SYNTH_NAMES
            .par_iter()
            .map(|name| (*name, synth::synthesise(name, SECONDS, RATE, 1).expect("a clip")))
            .collect()
    })
}

/// Power of the left channel in every band of the edges given, relative to the whole, in dB.
fn shares(sound: &Sound, edges: &[f64]) -> Vec<f64> {
    let frames = sound.frames();
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(frames);
    let mut input = sound.channels[0].clone();
    let mut bins: Vec<Complex64> = plan.make_output_vec();
    plan.process(&mut input, &mut bins).expect("lengths fit the plan");
    let power = |low: f64, high: f64| -> f64 {
        bins.iter()
            .enumerate()
            .filter(|(k, _)| (low..high).contains(&(*k as f64 * f64::from(sound.rate_hz) / frames as f64)))
            .map(|(_, bin)| bin.norm_sqr())
            .sum()
    };
    let whole = power(0.0, f64::INFINITY);
    edges.windows(2).map(|edge| 10.0 * (power(edge[0], edge[1]) / whole).max(1e-30).log10()).collect()
}

/// Root mean square of both channels over a stretch, in dB of full scale.
fn level(sound: &Sound, from_seconds: f64, to_seconds: f64) -> f64 {
    let range = (from_seconds * f64::from(RATE)) as usize..(to_seconds * f64::from(RATE)) as usize;
    let power: f64 = sound.channels.iter().flat_map(|plane| &plane[range.clone()]).map(|x| x * x).sum();
    10.0 * (power / (2 * range.len()) as f64).max(1e-30).log10()
}

const OCTAVES: [f64; 10] =
    [39.0625, 78.125, 156.25, 312.5, 625.0, 1250.0, 2500.0, 5000.0, 10_000.0, 20_000.0];

#[test]
fn every_clip_is_in_the_documents_and_no_other() {
    let text = |path: &str| {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
        std::fs::read_to_string(path).expect("a document")
    };
    let template = text("src/session/template.toml");
    for clip in &synth::CLIPS {
        let line = format!("#   {:<16} {}\n", clip.name, clip.description);
        assert!(template.contains(&line), "the template of new sessions lacks {line}");
    }
    let readme = text("README.md");
    let row = readme.lines().find(|line| line.contains("`synth = ")).expect("the row of synthesised clips");
    let named: Vec<&str> = row.split('"').skip(1).step_by(2).collect();
    assert_eq!(named, SYNTH_NAMES, "README names them all, in the same order");
}

#[test]
fn levels_and_crest_factors_are_those_of_sound_to_listen_to() {
    for (name, sound) in clips() {
        let planes: Vec<&[f64]> = sound.channels.iter().map(Vec::as_slice).collect();
        let mut meter = Meter::new(2, RATE);
        meter.push(&planes);
        let reading = meter.finish();
        let loudness = reading.integrated_lufs.expect("loud enough");
        let crest = reading.true_peak_dbtp() - level(sound, 0.0, SECONDS);
        eprintln!("{name}: {loudness:.2} LUFS, {:.2} dBTP, crest {crest:.1} dB", reading.true_peak_dbtp());
        assert!(reading.true_peak_dbtp() < -2.99, "{name}: {}", reading.true_peak_dbtp());
        assert!(reading.mean < 2e-3, "{name} has a DC offset: {}", reading.mean);
        let allowed = match *name {
            "log-sweep" => 2.9..3.3,
            "impulse-train" => 40.0..46.0,
            "drum-pattern" => 14.0..22.0,
            _ => 9.0..17.0,
        };
        assert!(allowed.contains(&crest), "{name}: crest factor {crest}");
        if *name != "impulse-train" {
            assert!((loudness + 20.0).abs() < 0.02, "{name}: {loudness} LUFS");
        }
    }
}

#[test]
fn nothing_stands_above_the_band_and_no_octave_of_the_music_is_empty() {
    for (name, sound) in clips() {
        // As it is played, with the fades: where a sweep stops at once, all frequencies are.
        let mut sound = sound.clone();
        let fades = Fades::new(sound.frames() as u64, RATE);
        sound.channels.iter_mut().for_each(|plane| fades.apply(plane, 0));
        let above = shares(&sound, &[22_000.0, 24_000.0])[0];
        assert!(above < -100.0, "{name}: {above} dB above 22 kHz");
    }
    for name in MUSIC {
        let octaves = shares(&clips()[name], &OCTAVES);
        eprintln!("{name}: {octaves:.0?}");
        assert!(octaves.iter().all(|share| *share > -42.0), "{name}: {octaves:.1?}");
    }
}

#[test]
fn cymbals_are_bright_and_no_two_bars_are_the_same() {
    let drums = &clips()["drum-pattern"];
    let share = 10.0_f64.powf(shares(drums, &[10_000.0, 24_000.0])[0] / 10.0);
    eprintln!("drums: {:.1} % of the energy above 10 kHz", 100.0 * share);
    assert!(share > 0.03, "{share}");
    // Two seconds a bar; the largest likeness of any two bars.
    let bar = 2 * RATE as usize;
    let plane = &drums.channels[1];
    let bars: Vec<&[f64]> = (0..10).map(|i| &plane[i * bar..(i + 1) * bar]).collect();
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    for (i, a) in bars.iter().enumerate() {
        for (j, b) in bars.iter().enumerate().skip(i + 1) {
            let likeness = product(a, b) / (product(a, a) * product(b, b)).sqrt();
            assert!(likeness < 0.97, "bars {i} and {j}: {likeness}");
        }
    }
}

#[test]
fn noise_multitone_sweep_and_impulses_have_the_spectrum_that_they_say() {
    // Pink: equal power in every octave, so -3.01 dB per octave of density; a straight line through third octaves.
    let thirds: Vec<f64> = (0..=27).map(|i| 40.0 * 2.0_f64.powf(f64::from(i) / 3.0)).collect();
    let pink = shares(&clips()["pink-noise"], &thirds);
    let (n, x_mean) = (pink.len() as f64, (pink.len() - 1) as f64 / 2.0);
    let mean = pink.iter().sum::<f64>() / n;
    let slope = 3.0 * pink.iter().enumerate().map(|(i, y)| (i as f64 - x_mean) * (y - mean)).sum::<f64>()
        / (0..pink.len()).map(|i| (i as f64 - x_mean).powi(2)).sum::<f64>();
    let density = slope - 10.0 * 2.0_f64.log10();
    eprintln!("pink noise: {density:.3} dB per octave");
    assert!((density + 3.0103).abs() < 0.05, "{density} dB per octave");
    for share in &pink {
        assert!((share - mean).abs() < 1.5, "{pink:.2?}");
    }
    // One tone in each third octave, all alike.
    let tones: Vec<f64> =
        (-17..=13).map(|third| 1000.0 * 10.0_f64.powf((f64::from(third) - 0.5) / 10.0)).collect();
    let tones = shares(&clips()["multitone"], &tones);
    for share in &tones {
        assert!((share - tones[0]).abs() < 0.05, "{tones:.2?}");
    }
    // A logarithmic sweep is pink, an impulse white: 3 dB more in each octave.
    let sweep = shares(&clips()["log-sweep"], &OCTAVES);
    assert!(sweep.iter().all(|share| (share - sweep[4]).abs() < 0.3), "{sweep:.2?}");
    let impulses = shares(&clips()["impulse-train"], &OCTAVES);
    for pair in impulses.windows(2) {
        assert!((pair[1] - pair[0] - 3.01).abs() < 0.2, "{impulses:.2?}");
    }
}

#[test]
fn clips_begin_at_once_and_loop_without_a_step() {
    for (name, sound) in clips() {
        if MUSIC.contains(name) {
            let (start, end) = (level(sound, 0.0, 0.5), level(sound, SECONDS - 0.5, SECONDS));
            assert!(start > -60.0 && end > -60.0, "{name}: {start} and {end} dB at the ends");
            for second in 0..SECONDS as usize - 1 {
                let here = level(sound, second as f64, second as f64 + 1.0);
                assert!(here > -45.0, "{name}: {here} dB in second {second}");
            }
        }
        let fades = Fades::new(sound.frames() as u64, RATE);
        for plane in &sound.channels {
            let steps =
                |plane: &[f64]| plane.windows(2).map(|two| (two[1] - two[0]).abs()).fold(0.0, f64::max);
            let within = steps(plane);
            let mut faded = plane.clone();
            fades.apply(&mut faded, 0);
            let seam = (faded[0] - faded[faded.len() - 1]).abs();
            assert!(seam < 1e-3 * within, "{name}: a step of {seam} at the seam, {within} elsewhere");
            assert!(steps(&faded) <= within * 1.001, "{name}: the fades make a step");
        }
    }
}
