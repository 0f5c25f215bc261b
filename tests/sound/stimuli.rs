//! Stimuli: levels, headroom, controls, files, the proof of the path.

use std::path::Path;

use earwitness::clip::dither::WordLength;
use earwitness::clip::loudness::Meter;
use earwitness::clip::{SYNTH_NAMES, synth};
use earwitness::session::Session;
use earwitness::stimulus::{
    MATCHED_WITHIN_LU, NoProgress, PairKind, StimulusError, StimulusSet, prepare, prove, render,
};

use super::{DRIVER, pair, session, session_with};

/// An amplifier, a loudspeaker and three cables, of which `thin` and `again` are the same.
fn tables() -> String {
    let thin = |name| pair(name, 12.0, 0.5, 3.0, 4.0);
    format!(
        "[amplifier]\noutput_resistance = \"20 mohm\"\n{DRIVER}{}{}{}",
        thin("thin"),
        pair("thick", 12.0, 4.0, 6.0, 2.3),
        thin("again")
    )
}

fn with_clip(folder: &Path, keys: &str, clip: &str, rest: &str) -> Session {
    session_with(
        folder,
        keys,
        &format!(
            "{}\n[clips.sound]\n{clip}\n[[comparisons]]\nname = \"pair\"\na = \"thin\"\nb = \"thick\"\nclips = [\"sound\"]\n{rest}",
            tables()
        ),
    )
}

fn write_clip(path: &Path, samples: impl IntoIterator<Item = f32>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for sample in samples {
        writer.write_sample(sample).expect("a sample");
    }
    writer.finalize().expect("a header");
}

fn made(session: &Session) -> StimulusSet {
    prepare(session, &NoProgress).unwrap_or_else(|error| panic!("{error}"))
}

const DRUMS: &str = "synth = \"drum-pattern\"\nlength = \"3 s\"";

#[test]
fn as_wired_keeps_the_level_and_matched_removes_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let wired = made(&with_clip(folder.path(), "levels = \"as-wired\"", DRUMS, ""));
    let levels = wired.levels[0];
    let (a, b) = (levels.loudness_a_lufs.expect("sound"), levels.loudness_b_lufs.expect("sound"));
    // 12 m of 0.5 mm2 is about 0.83 ohm of loop, into some 6 to 30 ohm.
    assert!(b - a > 0.3 && b - a < 1.2, "{a} {b}");
    assert_eq!((levels.match_gain_a_db, levels.match_gain_b_db), (0.0, 0.0));
    let matched = made(&with_clip(folder.path(), "levels = \"matched\"", DRUMS, ""));
    let levels = matched.levels[0];
    let (a, b) = (levels.loudness_a_lufs.expect("sound"), levels.loudness_b_lufs.expect("sound"));
    assert!((a - b).abs() <= MATCHED_WITHIN_LU, "{a} {b}");
    assert!(
        levels.match_gain_a_db == 0.0 && levels.match_gain_b_db < -0.3,
        "only the louder side, downwards"
    );
    assert!(matched.notes.is_empty(), "{:?}", matched.notes);
}

#[test]
fn nothing_exceeds_the_allowed_true_peak_and_one_gain_serves_all() {
    let folder = tempfile::tempdir().expect("a folder");
    // A full-scale square wave, whose true peak is above its samples, and a quiet clip beside it.
    write_clip(
        &folder.path().join("square.wav"),
        (0..48_000).map(|i| if i / 50 % 2 == 0 { 1.0 } else { -1.0 }),
    );
    write_clip(&folder.path().join("quiet.wav"), (0..48_000).map(|i| (i as f32 * 0.05).sin() * 0.1));
    let session = session(
        folder.path(),
        &format!(
            "{}\n[clips.square]\nfile = \"square.wav\"\n[clips.quiet]\nfile = \"quiet.wav\"\n\
             [[comparisons]]\nname = \"pair\"\na = \"thin\"\nb = \"thick\"\nclips = [\"square\", \"quiet\"]\n\
             [[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 1\n",
            tables()
        ),
    );
    let set = made(&session);
    let gain = set.levels[0].common_gain_db;
    assert!(gain < -1.0, "{gain}");
    let mut highest = f64::NEG_INFINITY;
    for levels in &set.levels {
        assert_eq!(levels.common_gain_db, gain, "one gain for the comparison and its controls");
        highest = highest.max(levels.true_peak_a_dbtp).max(levels.true_peak_b_dbtp);
    }
    assert!(highest <= -1.0 && highest > -1.01, "{highest}");
}

#[test]
fn equal_sides_and_the_identical_control_have_equal_bytes() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(
        folder.path(),
        &format!(
            "{}\n[clips.sound]\n{DRUMS}\n[[comparisons]]\nname = \"same\"\na = \"thin\"\nb = \"again\"\n\
             clips = [\"sound\"]\n[[controls]]\nkind = \"identical\"\ntrials = 1\n",
            tables()
        ),
    );
    let set = made(&session);
    for pair in &set.pairs {
        assert_eq!(pair.a.sound().expect("readable"), pair.b.sound().expect("readable"));
        assert_eq!(pair.digest_a, pair.digest_b);
    }
    let out = folder.path().join("out");
    for word in [WordLength::Bits16, WordLength::Bits24, WordLength::Float32] {
        let rendered = render(&session, &out, word, &NoProgress).expect("files");
        let bytes: Vec<Vec<u8>> =
            rendered.files.iter().map(|file| std::fs::read(file).expect("a file")).collect();
        assert_eq!(bytes[0], bytes[1], "{word:?}");
    }
}

#[test]
fn controls_are_what_they_say() {
    let folder = tempfile::tempdir().expect("a folder");
    let controls = "[[controls]]\nkind = \"level\"\namount = \"1 dB\"\ntrials = 1\n\
                    [[controls]]\nkind = \"tilt\"\namount = \"2 dB\"\ntrials = 1\n\
                    [[controls]]\nkind = \"head-movement\"\namount = \"10 cm\"\ntrials = 1\n";
    let set = made(&with_clip(
        folder.path(),
        "levels = \"as-wired\"",
        "synth = \"pink-noise\"\nlength = \"2 s\"",
        controls,
    ));
    assert_eq!(set.pairs.len(), 4);
    let loudness = |control: usize| {
        let kind = PairKind::Control { control, comparison: 0, clip: 0 };
        let index = set.pairs.iter().position(|pair| pair.kind == kind).expect("a control");
        assert_eq!(set.pairs[index].digest_a, set.pairs[0].digest_a, "side A of a control is side A");
        assert_ne!(set.pairs[index].digest_a, set.pairs[index].digest_b);
        let levels = set.levels[index];
        levels.loudness_b_lufs.expect("sound") - levels.loudness_a_lufs.expect("sound")
    };
    assert!((loudness(0) - 1.0).abs() < 0.005, "{}", loudness(0));
    // More treble on K-weighted pink noise is a little louder, far from the whole tilt.
    assert!((0.0..0.8).contains(&loudness(1)), "{}", loudness(1));
    assert!((-4.0..1.0).contains(&loudness(2)), "{}", loudness(2));
}

#[test]
fn silence_direct_current_and_stumps_are_explained() {
    let folder = tempfile::tempdir().expect("a folder");
    write_clip(&folder.path().join("silent.wav"), std::iter::repeat_n(0.0, 48_000));
    write_clip(&folder.path().join("direct.wav"), std::iter::repeat_n(0.9, 48_000));
    write_clip(&folder.path().join("stump.wav"), std::iter::repeat_n(0.1, 1_000));
    let file = |name: &str| format!("file = \"{name}\"");
    let silent =
        prepare(&with_clip(folder.path(), "levels = \"matched\"", &file("silent.wav"), ""), &NoProgress)
            .expect_err("nothing to match");
    assert!(silent.to_string().contains("nothing to match levels on"), "{silent}");
    let wired = made(&with_clip(folder.path(), "levels = \"as-wired\"", &file("silent.wav"), ""));
    assert!(wired.notes[0].contains("silent"), "{:?}", wired.notes);
    let direct = made(&with_clip(folder.path(), "levels = \"as-wired\"", &file("direct.wav"), ""));
    assert!(direct.levels[0].true_peak_b_dbtp <= -0.9);
    let stump =
        prepare(&with_clip(folder.path(), "", &file("stump.wav"), ""), &NoProgress).expect_err("too short");
    assert!(matches!(&stump, StimulusError::Clip { clip, .. } if clip == "sound"), "{stump}");
    assert!(stump.to_string().contains("too short"), "{stump}");
}

#[test]
fn files_appear_whole_or_not_at_all() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = with_clip(folder.path(), "", DRUMS, "");
    let out = folder.path().join("out");
    let rendered = render(&session, &out, WordLength::Bits24, &NoProgress).expect("files");
    let names: Vec<String> = rendered
        .files
        .iter()
        .map(|file| file.file_name().expect("a name").to_string_lossy().into_owned())
        .collect();
    assert_eq!(names, ["pair-sound-a.wav", "pair-sound-b.wav"]);
    let set = made(&session);
    for (file, stimulus) in rendered.files.iter().zip([&set.pairs[0].a, &set.pairs[0].b]) {
        let playable = stimulus.sound().expect("readable");
        let mut reader = hound::WavReader::open(file).expect("a WAV file");
        assert_eq!((reader.spec().bits_per_sample, reader.spec().channels), (24, 2));
        for (word, sample) in reader.samples::<i32>().zip(playable.samples.iter()) {
            let error = f64::from(word.expect("a sample")) - f64::from(*sample) * 8_388_608.0;
            // Dither of one step, rounding of half a step, and the float's own rounding.
            assert!(error.abs() <= 2.0, "{error}");
        }
    }
    // A folder stands where the second file should: the first does not stay either.
    let blocked = folder.path().join("blocked");
    std::fs::create_dir_all(blocked.join("pair-sound-b.wav")).expect("a folder");
    let error =
        render(&session, &blocked, WordLength::Bits16, &NoProgress).expect_err("a folder is in the way");
    assert!(matches!(error, StimulusError::Write { .. }), "{error}");
    let left: Vec<_> = std::fs::read_dir(&blocked).expect("a folder").collect();
    assert_eq!(left.len(), 1, "{left:?}");
    // A broken second clip: nothing appears.
    std::fs::write(folder.path().join("broken.wav"), b"no sound").expect("a file");
    let broken = super::session(
        folder.path(),
        &format!(
            "{}\n[clips.sound]\n{DRUMS}\n[clips.broken]\nfile = \"broken.wav\"\n[[comparisons]]\nname = \"pair\"\n\
             a = \"thin\"\nb = \"thick\"\nclips = [\"sound\", \"broken\"]\n",
            tables()
        ),
    );
    let nowhere = folder.path().join("nowhere");
    render(&broken, &nowhere, WordLength::Bits16, &NoProgress).expect_err("the clip is broken");
    assert!(!nowhere.exists());
}

#[test]
fn the_sound_path_is_proved() {
    let folder = tempfile::tempdir().expect("a folder");
    let report = prove(&with_clip(folder.path(), "", DRUMS, ""), &NoProgress)
        .unwrap_or_else(|error| panic!("{error}"));
    assert!(report.passed(), "{:#?}", report.lines());
    assert_eq!(report.direct[0].different, 0);
    assert_eq!(report.direct[0].samples, 2 * 144_000);
    assert_eq!(report.sides.len(), 2);
    for side in &report.sides {
        assert!(side.error_db < 0.0005 && side.error_degrees < 0.005, "{side:?}");
        assert!(side.noise_floor_db < -140.0, "{side:?}");
    }
    let pair = &report.pairs[0];
    assert_eq!(pair.latency_difference, 0);
    assert!(!pair.identical && pair.response_difference_db > 0.3, "{pair:?}");
    assert!(pair.resolved.iter().all(|resolved| !resolved.could_hide), "{pair:?}");
    assert!(report.lines().iter().any(|line| line.contains("latency difference 0 samples")));
}

#[test]
fn synthesised_clips_are_seeded_band_limited_and_differ() {
    for name in SYNTH_NAMES {
        let one = synth::synthesise(name, 1.5, 44_100, 7).expect("a clip");
        let two = synth::synthesise(name, 1.5, 44_100, 7).expect("a clip");
        assert_eq!(one, two, "{name} is deterministic");
        assert_eq!((one.channels.len(), one.frames()), (2, 66_150), "{name}");
        let peak = one.channels.iter().flatten().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        assert!(peak > 0.05 && peak <= 0.7095, "{name}: {peak}");
    }
    for name in ["plucked-strings", "drum-pattern", "slow-chord", "pink-noise"] {
        let one = synth::synthesise(name, 1.0, 48_000, 1).expect("a clip");
        let two = synth::synthesise(name, 1.0, 48_000, 2).expect("a clip");
        assert_ne!(one, two, "{name} depends on its seed");
    }
    for (name, length, rate) in
        [("cowbell", 1.0, 48_000), ("pink-noise", 0.01, 48_000), ("pink-noise", 1.0, 0)]
    {
        assert!(synth::synthesise(name, length, rate, 1).is_err());
    }
    let message = synth::synthesise("plucked-string", 1.0, 48_000, 1).expect_err("unknown").to_string();
    assert!(message.contains("did you mean \"plucked-strings\""), "{message}");
}

/// Stereo sine of 1 kHz in parts of given length and level.
fn sines(parts: &[(f64, f64)]) -> Vec<f64> {
    let mut samples = Vec::new();
    for &(seconds, decibels) in parts {
        let amplitude = 10.0_f64.powf(decibels / 20.0);
        for _ in 0..(seconds * 48_000.0) as usize {
            let i = samples.len() as f64;
            samples.push(amplitude * (std::f64::consts::TAU * 1_000.0 * i / 48_000.0).sin());
        }
    }
    samples
}

fn loudness(plane: &[f64]) -> f64 {
    let mut meter = Meter::new(2, 48_000);
    meter.push(&[plane, plane]);
    meter.finish().integrated_lufs.expect("loud enough")
}

#[test]
fn loudness_passes_the_cases_that_can_be_synthesised() {
    // Source: EBU Tech 3341, table 1, cases 1 to 3 and 5: within 0.1 LU.
    for (parts, expected) in [
        (vec![(20.0, -23.0)], -23.0),
        (vec![(20.0, -33.0)], -33.0),
        (vec![(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], -23.0),
        (vec![(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], -23.0),
    ] {
        let measured = loudness(&sines(&parts));
        assert!((measured - expected).abs() <= 0.1, "{parts:?}: {measured}");
    }
}

#[test]
fn true_peak_passes_the_cases_that_can_be_synthesised() {
    // Source: EBU Tech 3341, table 1, cases 15 to 18 (from memory, the page was not open): sines of 4, 4, 6 and 8
    // samples of -6 dBFS whose peaks fall between samples; allowed from -0.4 to +0.2 dB.
    for (divisor, phase) in [(4.0, 0.0), (4.0, 45.0), (6.0, 60.0), (8.0, 67.5)] {
        let plane: Vec<f64> = (0..48_000)
            .map(|i| 0.5 * (std::f64::consts::TAU * f64::from(i) / divisor + f64::to_radians(phase)).sin())
            .collect();
        let fades = earwitness::clip::fade::Fades::new(48_000, 48_000);
        let mut faded = plane.clone();
        fades.apply(&mut faded, 0);
        let mut meter = Meter::new(1, 48_000);
        meter.push(&[&faded]);
        let peak = meter.finish().true_peak_dbtp();
        assert!((-6.4 - 0.03..=-5.8).contains(&peak), "fs/{divisor} at {phase} degree: {peak} dBTP");
    }
}
