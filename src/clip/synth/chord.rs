//! String-like chords that swell slowly: several slightly detuned players per voice, each a sum of harmonics.

use num_complex::Complex64;
use rayon::prelude::*;
use realfft::ComplexToReal;

use super::{Random, Score, mix};
use crate::clip::fade::raised_cosine;
use crate::filter::plans;

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

/// Points of a period that the sound is interpolated from: with the highest of [`MOST_HARMONICS`] the error of cubic
/// interpolation is 142 dB below the fundamental.
const PERIOD: usize = 4096;
const MOST_HARMONICS: usize = 220;
/// Samples whose vibrato is worked out together.
const PIECE: usize = 64;

/// Level of each harmonic of a player: 1/k of a bowed string, softened above 2.5 kHz as by a body.
fn weights(score: &Score, player: &Player) -> Vec<f64> {
    let harmonics = ((score.highest() / (player.frequency * 1.01)) as usize).clamp(1, MOST_HARMONICS);
    (1..=harmonics)
        .map(|k| {
            let frequency = k as f64 * player.frequency;
            1.0 / (k as f64 * (1.0 + (frequency / 2500.0).powi(2)).powf(0.45))
        })
        .collect()
}

/// One period of a player's sound: at each point its value and by how much it grows to the next at this slope.
fn period(score: &Score, player: &Player, inverse: &dyn ComplexToReal<f64>) -> Vec<[f64; 2]> {
    let (mut value, mut slope) = (inverse.make_input_vec(), inverse.make_input_vec());
    for (k, weight) in (1..).zip(weights(score, player)) {
        value[k].im = -0.5 * weight;
        slope[k].re = 0.5 * weight * std::f64::consts::TAU * k as f64 / PERIOD as f64;
    }
    let transform = |mut spectrum: Vec<Complex64>| {
        let mut output = inverse.make_output_vec();
        inverse.process(&mut spectrum, &mut output).expect("lengths and end bins fit the plan");
        output
    };
    transform(value).into_iter().zip(transform(slope)).map(|(value, slope)| [value, slope]).collect()
}

/// A player without the swell, whose phase runs through the period at the speed of its frequency and vibrato.
fn play(score: &Score, player: &Player, inverse: &dyn ComplexToReal<f64>, swell: &[f64]) -> Vec<f64> {
    let period = period(score, player, inverse);
    let turn = std::f64::consts::TAU * player.vibrato_rate / score.rate;
    let within: [[f64; 2]; PIECE] = std::array::from_fn(|i| {
        let (sine, cosine) = (turn * i as f64).sin_cos();
        [sine, cosine]
    });
    let step = PERIOD as f64 * player.frequency / score.rate;
    let ramp = 1.0 / (1.2 * score.rate);
    let mut place = PERIOD as f64 * player.phase / std::f64::consts::TAU;
    let mut sound = vec![0.0; player.frames];
    let mut places = [0.0; PIECE];
    for (number, (piece, swell)) in sound.chunks_mut(PIECE).zip(swell.chunks(PIECE)).enumerate() {
        let start = number * PIECE;
        let (sine, cosine) = (turn * start as f64 + player.phase).sin_cos();
        for (i, (at, [sine_within, cosine_within])) in places.iter_mut().zip(&within).enumerate() {
            let vibrato = player.vibrato_depth
                * (ramp * (start + i) as f64).min(1.0)
                * (sine * cosine_within + cosine * sine_within);
            *at = step * (1.0 + vibrato);
        }
        for at in &mut places {
            place += *at;
            *at = place;
        }
        for ((sample, place), swell) in piece.iter_mut().zip(&places).zip(swell) {
            let whole = *place as usize;
            let x = place - whole as f64;
            let [[from, from_slope], [to, to_slope]] = [period[whole % PERIOD], period[(whole + 1) % PERIOD]];
            // Cubic with the values and slopes of both ends.
            let rise = to - from;
            let bend = x * (1.0 - x) * ((1.0 - x) * (from_slope - rise) - x * (to_slope - rise));
            *sample = swell * (from + x * rise + bend);
        }
    }
    sound
}

/// The swell of every player, and the same with another end where the clip ends first.
fn swell(score: &Score, frames: usize) -> Vec<f64> {
    let (rise, fall) = (1.9 * score.rate, OVERLAP_SECONDS * score.rate);
    (0..frames).map(|i| raised_cosine(i as f64, rise) * raised_cosine((frames - i) as f64, fall)).collect()
}

fn players(score: &Score) -> Vec<Player> {
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
    players
}

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let players = players(score);
    let inverse = plans::inverse(PERIOD);
    let mut channels = vec![vec![0.0; score.frames]; 2];
    let mut swelling = Vec::new();
    for group in players.chunks(PLAYERS * 4) {
        // All players of a chord swell together.
        if swelling.len() != group[0].frames {
            swelling = swell(score, group[0].frames);
        }
        let sounds: Vec<Vec<f64>> =
            group.par_iter().map(|player| play(score, player, &*inverse, &swelling)).collect();
        for (player, sound) in group.iter().zip(&sounds) {
            mix(&mut channels, sound, player.at, player.pan.clamp(-1.0, 1.0), 0.1);
        }
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::super::error_db;
    use super::*;

    /// A player harmonic by harmonic.
    fn slow(score: &Score, player: &Player, swell: &[f64]) -> Vec<f64> {
        let weights = weights(score, player);
        let mut phase = player.phase;
        (0..player.frames)
            .map(|i| {
                let t = i as f64 / score.rate;
                let vibrato = player.vibrato_depth
                    * (t / 1.2).min(1.0)
                    * (std::f64::consts::TAU * player.vibrato_rate * t + player.phase).sin();
                phase += std::f64::consts::TAU * player.frequency * (1.0 + vibrato) / score.rate;
                // sin(k x) by recurrence: sin((k+1)x) = 2 cos(x) sin(kx) - sin((k-1)x).
                let (first, cosine) = phase.sin_cos();
                let (mut before, mut now, mut sum) = (0.0, first, 0.0);
                for weight in &weights {
                    sum += weight * now;
                    (before, now) = (now, 2.0 * cosine * now - before);
                }
                sum * swell[i]
            })
            .collect()
    }

    #[test]
    fn players_are_those_of_the_sum_harmonic_by_harmonic() {
        let inverse = plans::inverse(PERIOD);
        for (rate, seconds) in [(48_000.0, 6.6), (8000.0, 2.0), (192_000.0, 0.5)] {
            let score = Score { frames: (seconds * rate) as usize, rate, seed: 7 };
            let swell = swell(&score, score.frames);
            for player in players(&score).iter().take(12).step_by(3) {
                let player = Player { frames: score.frames, ..*player };
                let quick = play(&score, &player, &*inverse, &swell);
                let error = error_db(&[quick], &[slow(&score, &player, &swell)]);
                assert!(error < -130.0, "{} Hz at {rate} Hz: {error} dB", player.frequency);
            }
        }
    }
}
