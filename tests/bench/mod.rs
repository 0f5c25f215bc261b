//! The measuring bench against filters of scipy, closed forms and simulated equipment.

mod commands;
mod device;
mod distortions;
mod dropouts;
mod nulls;
mod recorded;
mod responses;
mod tones;

use std::f64::consts::{PI, TAU};
use std::path::Path;

use earwitness::bench::recording::Recording;
use serde_json::Value;

/// Sample rate of most tests in Hz.
const RATE: f64 = 48_000.0;

/// A synchronised sweep as a function of time (Novak, Simon & Lotton 2015), written here anew so that it can be read at any
/// instant: exact delays and clocks.
#[derive(Clone, Copy)]
struct Swept {
    from: f64,
    constant: f64,
    length: f64,
    repeats: usize,
    pause: f64,
    peak: f64,
}

impl Swept {
    /// Of about so many seconds, from 8 Hz (30 Hz if it is shorter than a second) to 22.56 kHz.
    fn new(seconds: f64, repeats: usize) -> Self {
        let (from, to): (f64, f64) = (if seconds < 1.0 { 30.0 } else { 8.0 }, 22_560.0);
        let constant = (from * seconds / (to / from).ln()).round() / from;
        let length = constant * (to / from).ln();
        // A whole number of samples from one to the next, as in a sound file.
        let pause = ((length + 0.5) * RATE).round() / RATE - length;
        Self { from, constant, length, repeats, pause, peak: 0.25 }
    }

    /// Value at a time in seconds.
    fn at(&self, time: f64) -> f64 {
        let period = self.length + self.pause;
        let t = (time - self.pause).rem_euclid(period);
        if time < self.pause || (time - self.pause) / period >= self.repeats as f64 || t > self.length {
            return 0.0;
        }
        let octave = self.constant * std::f64::consts::LN_2;
        let rise = |share: f64| 0.5 - 0.5 * (PI * share.clamp(0.0, 1.0)).cos();
        let fade = rise(4.0 * t / octave) * rise(24.0 * (self.length - t) / octave);
        self.peak * fade * (TAU * self.from * self.constant * (t / self.constant).exp()).sin()
    }

    fn seconds(&self) -> f64 {
        self.pause + self.repeats as f64 * (self.length + self.pause)
    }

    /// Samples at a rate of `rate` that runs too fast by `ppm`, of the sweep delayed by `delay` seconds.
    fn samples(&self, rate: f64, delay: f64, ppm: f64) -> Vec<f64> {
        let frames = (self.seconds() * rate) as usize;
        (0..frames).map(|n| self.at(n as f64 / (rate * (1.0 + ppm * 1e-6)) - delay)).collect()
    }
}

/// Invented music without end: sixty partials from 40 Hz to 19 kHz that share no period, at any instant.
fn music(time: f64) -> f64 {
    (0..60)
        .map(|k| (TAU * 40.0 * 1.11_f64.powi(k) * time + f64::from(k * k)).sin() / f64::from(k + 8))
        .sum::<f64>()
        * 0.2
}

/// Second-order sections, transposed direct form II.
fn filtered(sections: &Value, samples: &[f64]) -> Vec<f64> {
    let mut output = samples.to_vec();
    for section in sections.as_array().unwrap() {
        let c: Vec<f64> = section.as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect();
        let (mut s1, mut s2) = (0.0, 0.0);
        for value in &mut output {
            let x = *value;
            let y = c[0] * x + s1;
            s1 = c[1] * x - c[4] * y + s2;
            s2 = c[2] * x - c[5] * y;
            *value = y;
        }
    }
    output
}

/// Noise of a standard deviation, the same for a seed in every run (sum of twelve uniform variables).
fn noise(frames: usize, deviation: f64, seed: u64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut uniform = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..frames).map(|_| deviation * ((0..12).map(|_| uniform()).sum::<f64>() - 6.0)).collect()
}

/// Samples of a sound file, read by somebody else's code.
fn read(path: &Path) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).unwrap();
    reader.samples::<f32>().map(|sample| f64::from(sample.unwrap())).collect()
}

/// Writes channels as a sound file of floats.
fn write(path: &Path, rate: u32, channels: &[&[f64]]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample(channel[frame] as f32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

fn reference(file: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/bench").join(file);
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect()
}

fn recording(channels: Vec<Vec<f64>>) -> Recording {
    Recording::new("test", RATE as u32, channels).unwrap()
}

/// A value between the points of a table, straight over the logarithm of frequency.
fn between(frequencies: &[f64], values: &[f64], at: f64) -> f64 {
    let next = frequencies.partition_point(|f| *f < at).clamp(1, frequencies.len() - 1);
    let share = (at / frequencies[next - 1]).ln() / (frequencies[next] / frequencies[next - 1]).ln();
    values[next - 1] + share * (values[next] - values[next - 1])
}
