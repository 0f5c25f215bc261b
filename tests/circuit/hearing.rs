//! How large differences are to an ear.

use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::{Amplifier, Cable, Chain, Loudspeaker};
use earwitness::clip::{ClipSource, Sound};
use earwitness::hearing::reach::{length_alone_for, lengths_for};
use earwitness::hearing::weighting::{
    erb_frequency_hz, erb_hz, erb_number, just_noticeable_db, k_weighting_power,
};
use earwitness::hearing::{OnClip, Spectrum, Summary};

use super::lumped;

fn close(found: f64, expected: f64, absolute: f64, what: &str) {
    assert!((found - expected).abs() <= absolute, "{what}: {found} is not {expected}");
}

/// Source: ITU-R BS.1770 coefficients (printed); gains recomputed.
#[test]
fn k_weighting_has_its_printed_gains() {
    for (frequency, decibels) in
        [(20.0, -13.2754), (100.0, -1.1335), (997.0, 0.6910), (2e3, 3.0713), (1e4, 4.0419)]
    {
        close(10.0 * k_weighting_power(frequency).log10(), decibels, 6e-5, "gain in dB");
    }
}

/// Source: Glasberg & Moore 1990; Jesteadt, Wier & Green 1977 (printed).
#[test]
fn auditory_bands_and_just_noticeable_steps() {
    for (frequency, width) in [(100.0, 35.494), (1e3, 132.639), (1e4, 1104.09)] {
        close(erb_hz(frequency), width, 6e-6 * width, "width in Hz");
    }
    close(erb_number(1e3), 15.621, 6e-4, "number");
    close(erb_number(4e3), 27.107, 6e-4, "number");
    close(erb_frequency_hz(erb_number(440.0)), 440.0, 1e-9, "there and back");
    for (level, step) in [(5.0, 1.542), (20.0, 1.246), (40.0, 0.929), (60.0, 0.686), (80.0, 0.503)] {
        close(just_noticeable_db(level), step, 6e-4, "step in dB");
    }
}

fn chain(resistance_ohm: f64, inductance_h: f64) -> Chain {
    Chain {
        amplifier: Amplifier::lumped(0.0, 0.0),
        cable: lumped(resistance_ohm, inductance_h, 0.0),
        loudspeaker: Loudspeaker::resistor(8.0),
    }
}

fn tones(frequencies: &[f64]) -> Sound {
    let samples = (0..96_000)
        .map(|n| {
            let time = f64::from(n) / 48_000.0;
            frequencies.iter().map(|f| 0.1 * (std::f64::consts::TAU * f * time).sin()).sum()
        })
        .collect();
    Sound { rate_hz: 48_000, channels: vec![samples] }
}

/// The spectrum of a sound, read from a file as those of a session are.
fn spectrum(sound: &Sound) -> Spectrum {
    let file = tempfile::Builder::new().suffix(".wav").tempfile().expect("a file");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: sound.rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(file.path(), spec).expect("a file");
    for sample in &sound.channels[0] {
        writer.write_sample(*sample as f32).expect("a sample");
    }
    writer.finalize().expect("a header");
    let path = file.path().to_path_buf();
    Spectrum::read(&ClipSource::File { path, start_seconds: 0.0, length_seconds: None }).expect("a clip")
}

/// How large the difference is on a clip; `None` on silence.
fn between(a: &Chain, b: &Chain, spectrum: &Spectrum) -> Option<OnClip> {
    let gains = |chain: &Chain| -> Vec<f64> {
        let response = chain.transfer(&spectrum.frequency_hz).expect("solvable");
        response.iter().map(num_complex::Complex64::norm_sqr).collect()
    };
    OnClip::of(&gains(a), &gains(b), spectrum)
}

#[test]
fn a_level_difference_is_the_same_in_loudness_and_in_every_band() {
    let spectrum = spectrum(&tones(&[400.0, 1e3, 5e3]));
    let found = between(&chain(0.0, 0.0), &chain(0.8, 0.0), &spectrum).expect("sound");
    let expected = 20.0 * 1.1_f64.log10();
    close(found.loudness_db, expected, 1e-9, "loudness");
    close(found.band_db, expected, 1e-9, "band");
    close(found.matched_band_db, 0.0, 1e-9, "nothing is left");
    assert!(found.sentence(false).contains("above the 0."), "{}", found.sentence(false));
    let matched = found.sentence(true);
    assert!(matched.contains("at equal loudness") && matched.contains("well below"), "{matched}");
}

#[test]
fn what_is_hidden_or_beyond_the_data_is_no_claim() {
    // 12 kHz stands out, and nobody measured how small a step is heard there.
    let (a, b) = (chain(0.0, 0.0), chain(0.0, 30e-6));
    let of = |sound: &Sound| between(&a, &b, &spectrum(sound)).expect("sound");
    let high = of(&tones(&[12_000.0]));
    assert!(
        high.band_hz > 8000.0 && high.sentence(false).contains("nothing from 200 Hz to 8 kHz"),
        "{}",
        high.sentence(false)
    );
    // 1.25 kHz, 46 dB below 1 kHz, is hidden by it: the difference there is nobody's to hear.
    let mut two = tones(&[1000.0]);
    for (n, sample) in two.channels[0].iter_mut().enumerate() {
        *sample += 5e-4 * (std::f64::consts::TAU * 1250.0 * n as f64 / 48_000.0).sin();
    }
    assert!((of(&two).band_hz - 1000.0).abs() < 120.0, "{:?}", of(&two));
}

#[test]
fn only_what_a_clip_holds_can_differ() {
    let (a, b) = (chain(0.0, 0.0), chain(0.0, 30e-6));
    let of = |tone: f64| between(&a, &b, &spectrum(&tones(&[tone]))).expect("sound");
    let (low, high) = (of(200.0), of(10_000.0));
    let expected = |f: f64| 10.0 * (1.0 + (std::f64::consts::TAU * f * 30e-6 / 8.0).powi(2)).log10();
    close(high.loudness_db, expected(1e4), 1e-4, "10 kHz");
    assert!(low.loudness_db < 1e-3 && high.band_db > 20.0 * low.band_db);
    let silent = spectrum(&Sound { rate_hz: 48_000, channels: vec![vec![0.0; 100]] });
    assert_eq!(between(&a, &b, &silent), None);
}

#[test]
fn lengths_reach_exactly_the_difference_asked_for() {
    let line = |resistance: f64| {
        let per_metre = PerMetre { resistance, inductance: 0.6e-6, capacitance: 60e-12, conductance: 0.0 };
        let cable = Cable::Line(Line {
            length_m: 4.0,
            parameters: LineParameters::Constant { per_metre, loss_tangent: 0.0 },
        });
        Chain { cable, ..chain(0.0, 0.0) }
    };
    let (a, b) = (line(0.05), line(0.01));
    let (length, other) = lengths_for(&a, &b, 0.5).expect("solvable").expect("reached");
    assert_eq!(length, other);
    let stretch = |chain: &Chain| Chain {
        cable: chain.cable.stretched(length / 4.0).expect("a line"),
        ..chain.clone()
    };
    let summary = Summary::between(&stretch(&a), &stretch(&b)).expect("solvable");
    close(summary.max_abs_db, 0.5, 1e-4, "difference at that length");
    let alone = length_alone_for(&a, &b, 0.5).expect("solvable").expect("reached");
    let cable = a.cable.stretched(alone / 4.0).expect("a line");
    let summary = Summary::between(&Chain { cable, ..a.clone() }, &b).expect("solvable");
    close(summary.max_abs_db, 0.5, 1e-4, "difference with one cable alone at that length");
    assert!(alone < length, "a shorter one does if the other keeps its four metres");
    assert_eq!(length_alone_for(&a, &b, 1e-6).expect("solvable"), Some(4.0), "reached already");
    assert_eq!(
        lengths_for(&chain(0.1, 0.0), &b, 0.5).expect("solvable"),
        None,
        "a lumped cable has no length"
    );
}
