//! Plucked strings in slow broken chords.
//!
//! A string is a sum of stiff partials `k f sqrt(1 + B k^2)`, plucked at a point (amplitude `sin(k pi p) / k^1.3`,
//! brighter than the `k^2` of an ideal string: a pick, and ears close to it), each
//! dying away faster the higher it is (Fletcher & Rossing, The Physics of Musical Instruments, chapter 2).

use rayon::prelude::*;

use super::{Score, add_partial, attack, mix, release};

/// Chords as semitones above 110 Hz, six strings each; a progression of our own.
const CHORDS: [[i32; 6]; 6] = [
    [0, 7, 12, 16, 19, 26],
    [-4, 3, 8, 15, 20, 24],
    [3, 10, 15, 19, 22, 27],
    [-2, 5, 10, 14, 21, 26],
    [-7, 5, 9, 12, 17, 24],
    [-5, 2, 11, 14, 19, 23],
];
/// Orders in which a chord's strings are plucked.
const PATTERNS: [[usize; 8]; 4] =
    [[0, 2, 3, 4, 5, 4, 3, 2], [0, 3, 2, 5, 1, 4, 3, 5], [0, 2, 4, 3, 5, 3, 4, 2], [0, 1, 3, 5, 4, 5, 3, 1]];
const SECONDS_PER_NOTE: f64 = 0.29;

struct Note {
    at: usize,
    frequency: f64,
    loudness: f64,
    pluck: f64,
    pan: f64,
    phase_seed: f64,
}

fn notes(score: &Score) -> Vec<Note> {
    let mut random = score.random(1);
    let mut notes = Vec::new();
    let mut time = 0.05;
    let mut bar = random.below(CHORDS.len());
    while time < score.seconds() {
        let chord = CHORDS[bar % CHORDS.len()];
        let pattern = PATTERNS[random.below(PATTERNS.len())];
        for (step, &string) in pattern.iter().enumerate() {
            // A player is never exactly in time, nor equally loud.
            let at = time + random.between(-0.008, 0.008);
            let accent = if step == 0 { 1.0 } else { 0.62 };
            notes.push(Note {
                at: (at * score.rate).max(0.0) as usize,
                frequency: 110.0 * 2.0_f64.powf(f64::from(chord[string]) / 12.0),
                loudness: accent * random.between(0.8, 1.0),
                pluck: random.between(0.13, 0.22),
                pan: -0.6 + 0.24 * string as f64,
                phase_seed: random.uniform(),
            });
            time += SECONDS_PER_NOTE;
        }
        bar += 1;
    }
    notes
}

fn string(score: &Score, note: &Note) -> Vec<f64> {
    let base = 2.4 * (110.0 / note.frequency).powf(0.4);
    let length = (4.0 * base * score.rate) as usize;
    let mut sound = vec![0.0; length.min(score.frames.saturating_sub(note.at))];
    let stiffness = 6e-5 * (note.frequency / 110.0);
    let mut k = 1.0_f64;
    loop {
        let frequency = k * note.frequency * (1.0 + stiffness * k * k).sqrt();
        if frequency > score.highest() {
            break;
        }
        let shape = (k * std::f64::consts::PI * note.pluck).sin() / k.powf(1.3);
        let decay = base / (1.0 + (frequency / 3000.0).powf(0.8));
        let phase = 0.5 * (note.phase_seed * k * 7.0).sin();
        add_partial(&mut sound, score.rate, frequency, phase, note.loudness * shape, decay);
        k += 1.0;
    }
    attack(&mut sound, score.rate, 0.0012);
    release(&mut sound, length, 0.3);
    sound
}

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let mut channels = vec![vec![0.0; score.frames]; 2];
    let notes = notes(score);
    // In groups: the cores share the strings of a group, and a long clip does not hold all strings at once.
    for group in notes.chunks(32) {
        let sounds: Vec<Vec<f64>> = group.par_iter().map(|note| string(score, note)).collect();
        for (note, sound) in group.iter().zip(&sounds) {
            mix(&mut channels, sound, note.at, note.pan, 0.3);
        }
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_string_begins_and_ends_without_a_step() {
        let score = Score { frames: 48_000 * 12, rate: 48_000.0, seed: 1 };
        for note in notes(&score).iter().take(6) {
            let sound = string(&score, note);
            let peak = sound.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
            let last = sound.last().expect("a sound").abs();
            assert!(sound[0] == 0.0 && last < 1e-6 * peak, "{} Hz: {last:e} of {peak}", note.frequency);
        }
    }
}
