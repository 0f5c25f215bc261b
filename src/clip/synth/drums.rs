//! A drum pattern with dense cymbals: much energy up to the highest frequencies.

use rayon::prelude::*;

use super::{Random, Score, add_partial, mix};
use crate::clip::fade::raised_cosine;

const SECONDS_PER_STEP: f64 = 0.125;
/// Sixteen steps a bar: x is a stroke, o a softer one.
const KICK: &[u8; 16] = b"x.....x.x..o....";
const SNARE: &[u8; 16] = b"....x..o.o..x...";
const HAT: &[u8; 16] = b"x.o.x.o.x.o.x.oo";
const RIDE: &[u8; 16] = b"x...x.x.x...x.x.";

fn attack(sound: &mut [f64], rate: f64, seconds: f64) {
    let length = seconds * rate;
    for (i, sample) in sound.iter_mut().enumerate().take(length as usize) {
        *sample *= raised_cosine(i as f64, length);
    }
}

/// A falling sine with a short knock.
fn kick(rate: f64) -> Vec<f64> {
    let mut phase = 0.0_f64;
    let mut sound: Vec<f64> = (0..(0.4 * rate) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            phase += std::f64::consts::TAU * (48.0 + 110.0 * (-t / 0.03).exp()) / rate;
            phase.sin() * (-t / 0.11).exp() + 0.3 * (phase * 9.0).sin() * (-t / 0.006).exp()
        })
        .collect();
    attack(&mut sound, rate, 0.001);
    sound
}

/// Two skin modes and the rattle of the wires.
fn snare(rate: f64, random: &mut Random) -> Vec<f64> {
    let mut sound = vec![0.0; (0.35 * rate) as usize];
    add_partial(&mut sound, rate, 186.0, 0.0, 0.7, 0.07);
    add_partial(&mut sound, rate, 331.0, 0.4, 0.4, 0.05);
    let (mut low, mut before) = (0.0, 0.0);
    for (i, sample) in sound.iter_mut().enumerate() {
        let t = i as f64 / rate;
        let white = random.normal();
        // First difference and a one-pole low pass: a broad band around a few kHz.
        low += (white - before - low) * (1.0 - (-std::f64::consts::TAU * 6500.0 / rate).exp());
        before = white;
        *sample += 0.5 * low * (-t / 0.085).exp();
    }
    attack(&mut sound, rate, 0.0006);
    sound
}

/// A cymbal: hundreds of modes, denser and shorter-lived towards the top, no two in a simple ratio.
fn cymbal(score: &Score, random: &mut Random, modes: usize, lowest: f64, seconds: f64) -> Vec<f64> {
    let mut sound = vec![0.0; (5.0 * seconds * score.rate) as usize];
    let span = score.highest() / lowest;
    for _ in 0..modes {
        let frequency = lowest * span.powf(random.uniform().powf(0.7));
        let decay = seconds * random.between(0.4, 1.2) / (1.0 + frequency / 9000.0);
        let amplitude = random.between(0.3, 1.0) * (frequency / lowest).powf(-0.12);
        let phase = random.between(0.0, std::f64::consts::TAU);
        add_partial(&mut sound, score.rate, frequency, phase, amplitude / (modes as f64).sqrt(), decay);
    }
    attack(&mut sound, score.rate, 0.0005);
    sound
}

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let rate = score.rate;
    let mut random = score.random(2);
    let kick = kick(rate);
    // Several strokes of each, so that no two bars are the same.
    let seeds: Vec<u64> = (0..11).map(|_| random.bits()).collect();
    let strokes: Vec<Vec<f64>> = seeds
        .par_iter()
        .enumerate()
        .map(|(i, &state)| {
            let mut random = Random { state };
            match i {
                0..3 => snare(rate, &mut random),
                3..6 => cymbal(score, &mut random, 260, 3200.0, 0.06),
                6..9 => cymbal(score, &mut random, 420, 420.0, 0.9),
                _ => cymbal(score, &mut random, 600, 300.0, 1.6),
            }
        })
        .collect();
    let mut channels = vec![vec![0.0; score.frames]; 2];
    let steps = (score.seconds() / SECONDS_PER_STEP).ceil() as usize;
    for step in 0..steps {
        let swing = if step % 2 == 1 { 0.012 } else { 0.0 };
        let at = ((0.02 + step as f64 * SECONDS_PER_STEP + swing) * rate) as usize;
        let place = step % 16;
        let bar = step / 16;
        let mut strike = |pattern: &[u8; 16]| match pattern[place] {
            b'x' => Some(random.between(0.85, 1.0)),
            b'o' => Some(random.between(0.35, 0.5)),
            _ => None,
        };
        if let Some(gain) = strike(KICK) {
            mix(&mut channels, &kick, at, 0.0, 0.9 * gain);
        }
        if let Some(gain) = strike(SNARE) {
            mix(&mut channels, &strokes[step % 3], at, 0.1, 0.6 * gain);
        }
        let riding = bar % 4 >= 2;
        if let Some(gain) = strike(if riding { RIDE } else { HAT }) {
            let (stroke, pan, level) =
                if riding { (6 + step % 3, 0.55, 0.5) } else { (3 + step % 3, -0.45, 0.45) };
            mix(&mut channels, &strokes[stroke], at, pan, level * gain);
        }
        if place == 0 && bar % 4 == 0 {
            mix(&mut channels, &strokes[9 + bar / 4 % 2], at, -0.3, 0.7);
        }
    }
    channels
}
