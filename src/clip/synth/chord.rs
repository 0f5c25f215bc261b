//! String-like chords that swell slowly: several slightly detuned players per voice, each a sum of harmonics.

use rayon::prelude::*;

use super::{Random, Score, mix};

/// Voices as semitones above 65.4 Hz; a progression of our own.
const CHORDS: [[i32; 4]; 5] =
    [[0, 19, 28, 35], [-3, 16, 24, 31], [5, 21, 24, 33], [2, 17, 26, 29], [-5, 19, 26, 35]];
const SECONDS_PER_CHORD: f64 = 5.0;
/// A chord is still sounding while the next one swells.
const OVERLAP_SECONDS: f64 = 1.6;
const PLAYERS: usize = 3;

struct Player {
    at: usize,
    frames: usize,
    frequency: f64,
    pan: f64,
    vibrato_rate: f64,
    vibrato_depth: f64,
    phase: f64,
}

fn play(score: &Score, player: &Player) -> Vec<f64> {
    let rate = score.rate;
    let harmonics = ((score.highest() / (player.frequency * 1.01)) as usize).clamp(1, 220);
    // 1/k of a bowed string, softened above 2.5 kHz as by a body.
    let weights: Vec<f64> = (1..=harmonics)
        .map(|k| {
            let frequency = k as f64 * player.frequency;
            1.0 / (k as f64 * (1.0 + (frequency / 2500.0).powi(2)).powf(0.45))
        })
        .collect();
    let rise = 1.9 * rate;
    let fall = OVERLAP_SECONDS * rate;
    let mut phase = player.phase;
    (0..player.frames)
        .map(|i| {
            let t = i as f64 / rate;
            let vibrato = player.vibrato_depth
                * (t / 1.2).min(1.0)
                * (std::f64::consts::TAU * player.vibrato_rate * t + player.phase).sin();
            phase += std::f64::consts::TAU * player.frequency * (1.0 + vibrato) / rate;
            // sin(k x) by recurrence: sin((k+1)x) = 2 cos(x) sin(kx) - sin((k-1)x).
            let (first, cosine) = phase.sin_cos();
            let (mut before, mut now, mut sum) = (0.0, first, 0.0);
            for weight in &weights {
                sum += weight * now;
                (before, now) = (now, 2.0 * cosine * now - before);
            }
            let swell = crate::clip::fade::raised_cosine(i as f64, rise)
                * crate::clip::fade::raised_cosine((player.frames - i) as f64, fall);
            sum * swell
        })
        .collect()
}

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let mut random: Random = score.random(3);
    let mut players = Vec::new();
    let first = random.below(CHORDS.len());
    let count = (score.seconds() / SECONDS_PER_CHORD).ceil() as usize;
    for index in 0..count {
        let at = (index as f64 * SECONDS_PER_CHORD * score.rate) as usize;
        let frames = ((SECONDS_PER_CHORD + OVERLAP_SECONDS) * score.rate) as usize;
        for (voice, semitones) in CHORDS[(first + index) % CHORDS.len()].iter().enumerate() {
            for _ in 0..PLAYERS {
                let cents = random.between(-7.0, 7.0);
                players.push(Player {
                    at,
                    frames: frames.min(score.frames - at),
                    frequency: 65.406 * 2.0_f64.powf((f64::from(*semitones) + cents / 100.0) / 12.0),
                    pan: 0.9 * ((voice as f64 - 1.5) / 2.2) + random.between(-0.25, 0.25),
                    vibrato_rate: random.between(4.6, 5.6),
                    vibrato_depth: random.between(0.0015, 0.003),
                    phase: random.between(0.0, std::f64::consts::TAU),
                });
            }
        }
    }
    let mut channels = vec![vec![0.0; score.frames]; 2];
    for group in players.chunks(PLAYERS * 4) {
        let sounds: Vec<Vec<f64>> = group.par_iter().map(|player| play(score, player)).collect();
        for (player, sound) in group.iter().zip(&sounds) {
            mix(&mut channels, sound, player.at, player.pan.clamp(-1.0, 1.0), 0.1);
        }
    }
    channels
}
