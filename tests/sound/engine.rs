//! The player's engine, driven by calls and by a WAV file: the same renderer that a device drives.

use std::path::Path;

use earwitness::clip::Playable;
use earwitness::player::{OutputChoice, Pace, PlayerOptions, Switch, Transport, open};

use super::noise;

const BLOCK: usize = 1024;

fn options() -> PlayerOptions {
    PlayerOptions { pace: Pace::Unpaced, ..PlayerOptions::default() }
}

fn file_player(path: &Path, channels: u16, options: PlayerOptions) -> Box<dyn Transport> {
    open(&OutputChoice::File(path.to_path_buf()), 48_000, channels, options).expect("the folder is writable")
}

fn written(path: &Path) -> Vec<f32> {
    hound::WavReader::open(path)
        .expect("a WAV file")
        .into_samples::<f32>()
        .map(|sample| sample.expect("a sample"))
        .collect()
}

/// Renders blocks without doing anything.
fn wait(player: &mut dyn Transport, blocks: usize) {
    for _ in 0..blocks {
        assert!(player.take_events().is_empty());
    }
}

#[test]
fn playback_is_bit_exact_through_the_loop() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("out.wav");
    let clip = noise(10_000, 2, 48_000, 1);
    let mut player = file_player(&path, 2, options());
    player.load(std::slice::from_ref(&clip));
    player.play();
    wait(&mut *player, 40);
    drop(player);
    let out = written(&path);
    // One block while loading, then the start ramp of 0.3 s, then the samples themselves.
    let first = BLOCK * 2;
    let ramp = 14_400 * 2;
    for (i, sample) in out[first..].iter().enumerate() {
        let expected = clip.samples[i % clip.samples.len()];
        if i < ramp {
            assert!(sample.abs() <= expected.abs(), "the ramp only makes it quieter");
        } else {
            assert_eq!(*sample, expected, "sample {i}");
        }
    }
    assert_eq!(out.len(), BLOCK * 2 * 42);
}

/// One channel, no ramp to speak of: the easiest to reason about.
fn sharp() -> PlayerOptions {
    PlayerOptions { start_ramp_seconds: 0.0, fade_seconds: 0.001, ..options() }
}

#[test]
fn a_switch_is_an_equal_length_raised_cosine_at_the_same_place() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("out.wav");
    let (a, b) = (noise(30_000, 1, 48_000, 1), noise(30_000, 1, 48_000, 2));
    let mut player = file_player(&path, 1, sharp());
    player.load(&[a.clone(), b.clone(), a.clone()]);
    player.play();
    wait(&mut *player, 3);
    player.switch_to(1);
    wait(&mut *player, 3);
    player.switch_to(2);
    wait(&mut *player, 3);
    drop(player);
    let out = written(&path);
    let fade = 240;
    let start = BLOCK;
    let (first, second) = (4 * BLOCK, 8 * BLOCK);
    // The start table has one entry of one half (`0.0` s is the shortest ramp).
    for (i, sample) in out[start..].iter().enumerate().skip(1) {
        let (x, y) = (a.samples[i], b.samples[i]);
        let weight =
            |k: usize| (0.5 - 0.5 * (std::f64::consts::PI * (k as f64 + 0.5) / f64::from(fade)).cos()) as f32;
        let expected = if i < first {
            x
        } else if i < first + fade as usize {
            x + weight(i - first) * (y - x)
        } else if i < second {
            y
        } else if i < second + fade as usize {
            y + weight(i - second) * (x - y)
        } else {
            x
        };
        assert_eq!(*sample, expected, "frame {i}");
    }
}

#[test]
fn switching_between_equal_stimuli_changes_no_bit() {
    let folder = tempfile::tempdir().expect("a folder");
    let a = noise(9_000, 2, 48_000, 4);
    let render = |name: &str, switches: &[usize]| {
        let path = folder.path().join(name);
        let mut player = file_player(&path, 2, options());
        player.load(&[a.clone(), a.clone(), a.clone()]);
        player.play();
        for &index in switches {
            player.switch_to(index);
            wait(&mut *player, 2);
        }
        drop(player);
        written(&path)
    };
    assert_eq!(render("one.wav", &[0, 1, 2, 0, 1]), render("two.wav", &[2, 2, 2, 2, 2]));
}

#[test]
fn a_gap_is_silent_and_the_clock_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("out.wav");
    let (a, b) = (noise(60_000, 1, 48_000, 1), noise(60_000, 1, 48_000, 2));
    let gap = Switch::Gap { fade_seconds: 0.01, silence_seconds: 0.05 };
    let mut player = file_player(&path, 1, PlayerOptions { switch: gap, ..sharp() });
    player.load(&[a.clone(), b.clone()]);
    player.play();
    player.switch_to(1);
    wait(&mut *player, 6);
    drop(player);
    let out = written(&path);
    let switched = 2 * BLOCK;
    assert_eq!(out[switched - 1], a.samples[BLOCK - 1]);
    let silence = switched + 480..switched + 480 + 2400;
    assert!(out[silence.clone()].iter().all(|sample| *sample == 0.0));
    assert!(out[silence.start - 1] != 0.0 && out[silence.end] != 0.0);
    let after = silence.end + 480;
    assert_eq!(out[after..], b.samples[after - BLOCK..out.len() - BLOCK]);
}

/// Largest step between neighbouring samples.
fn roughness(samples: &[f32]) -> f32 {
    samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max)
}

#[test]
fn pause_seek_loop_and_load_do_not_click() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("out.wav");
    let tone: Vec<f32> = (0..96_000).map(|i| (i as f32 * 0.02).sin() * 0.5).collect();
    let other: Vec<f32> = (0..96_000).map(|i| (i as f32 * 0.013 + 1.0).sin() * 0.5).collect();
    let playable = |samples: Vec<f32>| Playable { rate_hz: 48_000, channels: 1, samples: samples.into() };
    let (tone, other) = (playable(tone), playable(other));
    let mut player = file_player(&path, 1, options());
    player.load(&[tone.clone(), other.clone()]);
    player.play();
    wait(&mut *player, 5);
    // In the middle of the start ramp, then in all other states.
    player.pause();
    player.play();
    player.seek(50_000);
    player.switch_to(1);
    player.seek(1234);
    wait(&mut *player, 20);
    player.set_loop(Some((20_000, 24_000)));
    wait(&mut *player, 12);
    player.switch_to(0);
    player.set_loop(Some((22_000, 30_000)));
    wait(&mut *player, 12);
    player.set_loop(None);
    wait(&mut *player, 5);
    player.load(&[other, tone]);
    player.play();
    wait(&mut *player, 20);
    player.pause();
    wait(&mut *player, 3);
    drop(player);
    let out = written(&path);
    // The tones move by at most 0.01 a sample, the fades of 480 samples by at most 0.5 * pi / 2 / 480.
    assert!(roughness(&out) < 0.01 + 0.002 + 0.007, "{}", roughness(&out));
    assert_eq!(*out.last().expect("samples"), 0.0);
    assert!(out.iter().any(|sample| sample.abs() > 0.49));
}

#[test]
fn a_loop_region_repeats_itself_exactly() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("out.wav");
    let a = noise(48_000, 1, 48_000, 9);
    let mut player = file_player(&path, 1, sharp());
    player.load(std::slice::from_ref(&a));
    player.set_loop(Some((10_000, 13_000)));
    player.play();
    wait(&mut *player, 20);
    assert!((10_000..13_000).contains(&player.status().position));
    drop(player);
    let out = written(&path);
    let start = 2 * BLOCK;
    let fade = 48;
    for (i, sample) in out[start..].iter().enumerate().skip(3_000) {
        let place = i % 3_000;
        let expected = a.samples[10_000 + place];
        if place < fade || place >= 3_000 - fade {
            assert!(sample.abs() <= expected.abs());
            assert_eq!(*sample, out[start + 3_000 + place], "every seam is the same");
        } else {
            assert_eq!(*sample, expected);
        }
    }
}

#[test]
fn a_region_that_is_too_short_or_outside_is_the_whole_clip() {
    for region in [(5, 6), (7, 7), (9, 3), (50_000, 60_000), (0, 48_000)] {
        let mut player = open(&OutputChoice::Silent, 48_000, 1, options()).expect("silence opens");
        player.load(&[noise(48_000, 1, 48_000, 9)]);
        player.set_loop(Some(region));
        player.play();
        let mut largest = 0;
        for _ in 0..60 {
            player.take_events();
            largest = largest.max(player.status().position);
        }
        assert!(largest > 45_000, "{region:?}: {largest}");
    }
}

#[test]
fn status_says_what_was_asked_at_once() {
    let mut player = open(&OutputChoice::Silent, 48_000, 2, options()).expect("silence opens");
    player.load(&[noise(48_000, 2, 48_000, 1), noise(48_000, 2, 48_000, 2)]);
    assert!(!player.status().playing);
    player.play();
    assert!(player.status().playing);
    player.switch_to(1);
    assert_eq!(player.status().index, 1);
    player.switch_to(7);
    assert_eq!(player.status().index, 1, "an index that is not there changes nothing");
    player.seek(40_000);
    let position = player.status().position;
    assert!((40_000..42_100).contains(&position), "{position}");
    player.pause();
    player.take_events();
    let stopped = player.status();
    player.take_events();
    assert_eq!(player.status(), stopped, "a paused player stands still");
    player.seek(1_000_000);
    assert_eq!(player.status().position, 47_999, "past the end is the last frame");
}

#[test]
fn silence_in_real_time_keeps_time() {
    let mut player = open(&OutputChoice::Silent, 48_000, 2, PlayerOptions::default()).expect("silence opens");
    player.load(&[noise(480_000, 2, 48_000, 1)]);
    player.play();
    let start = std::time::Instant::now();
    std::thread::sleep(std::time::Duration::from_millis(700));
    let played = player.status().played as f64 / 48_000.0;
    let elapsed = start.elapsed().as_secs_f64();
    assert!(played > 0.3 && played <= elapsed + 0.05, "{played} of {elapsed}");
    assert!(player.take_events().is_empty());
}

#[test]
fn stimuli_of_another_rate_are_resampled_into_a_file_and_followed_by_silence() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut file = file_player(&folder.path().join("out.wav"), 1, options());
    let clip = noise(44_100, 1, 44_100, 1);
    file.load(std::slice::from_ref(&clip));
    assert_eq!(file.description().rate_hz, 48_000);
    assert_eq!(file.description().resampled_from_hz, Some(44_100));
    file.seek(22_050);
    assert_eq!(file.status().position, 22_050, "positions stay the clip's");
    let mut silent = open(&OutputChoice::Silent, 48_000, 1, options()).expect("silence opens");
    silent.load(&[clip]);
    assert_eq!(silent.description().rate_hz, 44_100);
    assert_eq!(silent.description().resampled_from_hz, None);
}

#[test]
fn an_unwritable_file_is_refused_with_its_name() {
    let error = open(&OutputChoice::File("/nonexistent/folder/out.wav".into()), 48_000, 2, options())
        .map(|_| ())
        .expect_err("there is no such folder");
    assert!(error.to_string().contains("/nonexistent/folder/out.wav"), "{error}");
}
