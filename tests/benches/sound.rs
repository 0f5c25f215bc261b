//! The sound path in figures: render throughput beside sox and scipy in one run, the callback's time, switch latency.
//!
//! `cargo bench --bench sound`. Needs sox, and python3 with scipy (or EARWITNESS_PYTHON).

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]
#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use earwitness::clip::dither::{Dither, WordLength};
use earwitness::clip::write::WavWriter;
use earwitness::clip::{ClipError, ClipSource, OpenClip, Playable};
use earwitness::filter::{Accuracy, Convolver, Fir};
use earwitness::player::{OutputChoice, Pace, PlayerOptions, open};

const TAPS: usize = 32_768;
const RATE: u32 = 48_000;
const SECONDS: usize = 600;

fn noise(count: usize, seed: u64) -> impl Iterator<Item = f64> {
    let mut state = seed | 1;
    (0..count).map(move |_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    })
}

/// A decaying noise of unit energy, as 32-bit floats so that every tool gets the same taps.
fn taps() -> Vec<f64> {
    let raw: Vec<f64> =
        noise(TAPS, 99).enumerate().map(|(i, value)| value * (-(i as f64) / 5_000.0).exp()).collect();
    let norm = raw.iter().map(|value| value * value).sum::<f64>().sqrt();
    raw.iter().map(|value| f64::from((value / norm) as f32)).collect()
}

fn fir() -> Fir {
    Fir { rate_hz: RATE, taps: taps(), start: 0, delay: 0, accuracy: Accuracy::default() }
}

fn clip(path: &Path) -> OpenClip {
    let source = ClipSource::File { path: path.to_path_buf(), start_seconds: 0.0, length_seconds: None };
    OpenClip::open(&source).unwrap_or_else(|error| panic!("{error}"))
}

/// The whole process: this binary again, with nothing to do but this.
const ROLE: &str = "EARWITNESS_BENCH_FOLDER";

const SCIPY: &str = r#"
import sys, time, numpy as np
from scipy.signal import oaconvolve
h = np.fromfile("taps.raw"); x = np.fromfile("in.raw", dtype="<f4").reshape(-1, 2).astype(float)
start = time.perf_counter()
y = oaconvolve(x, h[:, None], axes=0)[:len(x)]
print(time.perf_counter() - start)
y[:480000].astype("<f8").tofile("scipy.raw")
"#;

fn seconds(command: &mut Command) -> f64 {
    let start = Instant::now();
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    start.elapsed().as_secs_f64()
}

fn best(times: usize, mut measure: impl FnMut() -> f64) -> f64 {
    (0..times).map(|_| measure()).fold(f64::INFINITY, f64::min)
}

fn samples(path: &Path, frames: usize) -> Vec<f64> {
    let sound = clip(path).reader().and_then(|mut reader| reader.read(frames));
    sound.unwrap_or_else(|error| panic!("{error}")).swap_remove(0)
}

/// Error of a rendering against the defining sum in double precision, in dB relative to the sum's own level.
fn error_db(rendered: &[f64], input: &[f64], taps: &[f64]) -> f64 {
    let (mut error, mut level) = (0.0, 0.0);
    for n in (0..rendered.len()).step_by(211) {
        let exact: f64 = taps.iter().take(n + 1).enumerate().map(|(i, tap)| tap * input[n - i]).sum();
        error += (rendered[n] - exact).powi(2);
        level += exact * exact;
    }
    10.0 * (error / level).log10()
}

fn throughput() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(at("in.wav"), spec).expect("a file");
    let mut raw = Vec::with_capacity(SECONDS * RATE as usize * 8);
    for value in noise(2 * SECONDS * RATE as usize, 5) {
        let sample = (0.1 * value) as f32;
        writer.write_sample(sample).expect("a sample");
        raw.extend_from_slice(&sample.to_le_bytes());
    }
    writer.finalize().expect("a header");
    std::fs::write(at("in.raw"), raw).expect("a file");
    let taps = taps();
    let text = taps.iter().map(|tap| format!("{tap:.17e}")).collect::<Vec<_>>().join("\n") + "\n";
    std::fs::write(at("taps.txt"), text).expect("a file");
    std::fs::write(at("taps.raw"), taps.iter().flat_map(|tap| tap.to_le_bytes()).collect::<Vec<_>>())
        .expect("a file");
    std::fs::write(at("convolve.py"), SCIPY).expect("a file");

    let this = std::env::current_exe().expect("this binary");
    let ours = best(3, || seconds(Command::new(&this).env(ROLE, folder.path())));
    let sox = best(3, || {
        seconds(Command::new("sox").args(["in.wav", "sox.wav", "fir", "taps.txt"]).current_dir(folder.path()))
    });
    let python = std::env::var("EARWITNESS_PYTHON").unwrap_or_else(|_| "python3".into());
    let scipy = best(2, || {
        let output = Command::new(&python)
            .arg("convolve.py")
            .current_dir(folder.path())
            .output()
            .expect("python runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).trim().parse().expect("seconds")
    });
    let input = samples(&at("in.wav"), 400_000);
    let ours_error = error_db(&samples(&at("out.wav"), 400_000), &input, &taps);
    // sox takes the middle of a filter as its time zero.
    let delayed = samples(&at("sox.wav"), 400_000);
    let sox_error = [TAPS / 2 - 1, TAPS / 2, (TAPS - 1) / 2]
        .into_iter()
        .map(|lead| {
            let mut whole = vec![0.0; lead];
            whole.extend_from_slice(&delayed);
            // What came before the file's start is not in it.
            let from = lead.next_multiple_of(211);
            let (mut error, mut level) = (0.0, 0.0);
            for n in (from..400_000).step_by(211) {
                let exact: f64 = taps.iter().take(n + 1).enumerate().map(|(i, tap)| tap * input[n - i]).sum();
                error += (whole[n] - exact).powi(2);
                level += exact * exact;
            }
            10.0 * (error / level).log10()
        })
        .fold(f64::INFINITY, f64::min);
    let bytes = std::fs::read(at("scipy.raw")).expect("a file");
    let theirs: Vec<f64> = bytes
        .chunks_exact(16)
        .map(|frame| f64::from_le_bytes(frame[..8].try_into().expect("eight bytes")))
        .take(200_000)
        .collect();
    let scipy_error = error_db(&theirs, &input, &taps);
    println!("10 minutes of stereo at 48 kHz through {TAPS} taps, float WAV in and out:");
    println!("  earwitness, whole process            {ours:6.2} s   error {ours_error:7.1} dB");
    println!("  sox fir, whole process               {sox:6.2} s   error {sox_error:7.1} dB");
    println!(
        "  scipy oaconvolve, convolution alone  {scipy:6.2} s   error {scipy_error:7.1} dB (float64 out)"
    );
    println!("  faster than the faster of them by    {:6.2} times", sox.min(scipy) / ours);
}

const SESSION: &str = r#"
title = "Ten minutes of noise"
invented = true
protocol = "abx"
trials = 10
[amplifier]
output_resistance = "50 mohm"
[loudspeaker.driver]
dc_resistance = "5.6 ohm"
voice_coil_inductance = "0.45 mH"
resonance = "52 Hz"
q_mechanical = 4.1
q_electrical = 0.48
[cables.thick]
construction = "parallel-pair"
length = "8 m"
conductor = "4 mm2"
spacing = "5.5 mm"
permittivity = 3.2
[cables.flex]
construction = "parallel-pair"
length = "8 m"
conductor = "0.75 mm2"
spacing = "2.9 mm"
permittivity = 4.0
[clips.noise]
file = "in.wav"
[[comparisons]]
name = "pair"
a = "thick"
b = "flex"
clips = ["noise"]
"#;

/// `render` of both sides of ten minutes, loudness and true peak included, beside sox convolving both with as many taps.
fn render_both_sides() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(at("in.wav"), spec).expect("a file");
    for value in noise(2 * SECONDS * RATE as usize, 5) {
        writer.write_sample((0.1 * value) as f32).expect("a sample");
    }
    writer.finalize().expect("a header");
    std::fs::write(at("session.toml"), SESSION).expect("a file");
    let render = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_earwitness"));
        command.args(["render", ".", "--out", "out", "--format", "f32", "--json"]).current_dir(folder.path());
        command
    };
    let answer = render().output().expect("the program runs");
    let answer: serde_json::Value = serde_json::from_slice(&answer.stdout).expect("JSON");
    for (key, file) in [("taps_a", "a.txt"), ("taps_b", "b.txt")] {
        let taps = answer["pairs"][0][key].as_u64().expect("a number of taps") as usize;
        let text: Vec<String> = noise(taps, 7).map(|tap| format!("{:.17e}", 0.01 * tap)).collect();
        std::fs::write(at(file), text.join("\n") + "\n").expect("a file");
    }
    let ours = best(3, || seconds(&mut render()));
    let sox = best(3, || {
        ["a.txt", "b.txt"]
            .map(|taps| {
                seconds(
                    Command::new("sox").args(["in.wav", "sox.wav", "fir", taps]).current_dir(folder.path()),
                )
            })
            .iter()
            .sum()
    });
    println!("both sides of 10 minutes, loudness and true peak included:");
    println!("  earwitness render {ours:6.2} s, sox convolving both {sox:6.2} s, ratio {:.2}", ours / sox);
}

/// Time of the renderer for a block of 256 frames: one call of an unpaced output renders 1024.
fn callback_time() {
    let options = PlayerOptions { pace: Pace::Unpaced, ..PlayerOptions::default() };
    let mut player = open(&OutputChoice::Silent, RATE, 2, options).expect("silence opens");
    let clip = |seed| Playable {
        rate_hz: RATE,
        channels: 2,
        samples: noise(960_000, seed).map(|value| value as f32).collect(),
    };
    player.load(&[clip(1), clip(2)]);
    player.play();
    let mut times: Vec<f64> = (0..40_000)
        .map(|i| {
            if i % 10 == 0 {
                player.switch_to(i / 10 % 2);
            }
            let start = Instant::now();
            player.take_events();
            start.elapsed().as_secs_f64() / 4.0
        })
        .collect();
    times.sort_by(f64::total_cmp);
    let period = 256.0 / f64::from(RATE);
    println!("callback of 256 frames ({:.2} ms), with crossfades:", period * 1e3);
    for (name, rank) in [("median", 0.5), ("p99", 0.99), ("p99.9", 0.999)] {
        let time = times[(times.len() as f64 * rank) as usize];
        println!("  {name:6} {:7.2} us, {:.3} % of the period", time * 1e6, 100.0 * time / period);
    }
}

/// From the order to the first changed frame and to the end of the crossfade, with a block of 256 frames.
fn switch_latency() {
    let options = PlayerOptions { start_ramp_seconds: 0.0, ..PlayerOptions::default() };
    let mut player = open(&OutputChoice::Silent, RATE, 1, options).expect("silence opens");
    let constant = |value| Playable { rate_hz: RATE, channels: 1, samples: vec![value; 480_000].into() };
    player.load(&[constant(0.1), constant(0.2)]);
    player.play();
    std::thread::sleep(std::time::Duration::from_millis(100));
    let mut waits: Vec<f64> = (0..200_usize)
        .map(|i| {
            std::thread::sleep(std::time::Duration::from_micros(7_300 + 37 * i as u64 % 5_000));
            let before = player.status().played;
            let start = Instant::now();
            player.switch_to(i % 2);
            // The order is obeyed at the start of the next block: when more has been played, it has been.
            while player.status().played == before {
                std::hint::spin_loop();
            }
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    waits.sort_by(f64::total_cmp);
    println!("from a key to its block, clock of 256 frames (5.33 ms), then 5 ms of crossfade:");
    println!("  median {:.2} ms, p95 {:.2} ms, largest {:.2} ms", waits[100], waits[190], waits[199]);
}

/// Both sides of a 10 s stereo clip at 48 kHz.
#[divan::bench]
fn both_sides_of_ten_seconds(bencher: divan::Bencher) {
    let input: Vec<Vec<f64>> = (0..2).map(|seed| noise(480_000, seed + 1).collect()).collect();
    let fir = fir();
    bencher.bench_local(|| {
        let mut convolver = Convolver::new(&[&fir, &fir], 2);
        let mut frames = convolver.push(&input).frames();
        frames += convolver.finish().frames();
        assert_eq!(frames, 480_000);
    });
}

/// Filters a clip into a WAV file and does nothing else: no fade, no gain.
fn filter_file(clip: &OpenClip, fir: &Fir, path: &Path) -> Result<(), ClipError> {
    let info = clip.info();
    let channels = usize::from(info.channels);
    let mut convolver = Convolver::new(&[fir], channels);
    let mut writer = WavWriter::create(path, WordLength::Float32, channels, info.rate_hz, Dither::new(0))?;
    let mut reader = clip.reader()?;
    loop {
        let input = reader.read(1 << 16)?;
        let last = input.first().is_none_or(Vec::is_empty);
        let output = if last { convolver.finish() } else { convolver.push(&input) };
        writer.push(&output.sides[0].iter().map(Vec::as_slice).collect::<Vec<_>>())?;
        if last {
            return writer.finish();
        }
    }
}

fn main() {
    if let Some(folder) = std::env::var_os(ROLE) {
        let folder = Path::new(&folder);
        let clip = clip(&folder.join("in.wav"));
        filter_file(&clip, &fir(), &folder.join("out.wav")).unwrap_or_else(|error| panic!("{error}"));
        return;
    }
    callback_time();
    switch_latency();
    throughput();
    render_both_sides();
    divan::main();
}
