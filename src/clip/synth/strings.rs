//! Plucked strings in slow broken chords.
//!
//! A string is a sum of stiff partials `k f sqrt(1 + B k^2)`, plucked at a point (amplitude `sin(k pi p) / k^1.3`,
//! brighter than the `k^2` of an ideal string: a pick, and ears close to it), each
//! dying away faster the higher it is (Fletcher & Rossing, The Physics of Musical Instruments, chapter 2).

use rayon::prelude::*;

use super::bank::{FrameSpectrum, Frames, Partial, Voice, falling};
use super::{Score, pan_gains};
use crate::clip::fade::raised_cosine;

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
const GAIN: f64 = 0.3;

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

/// A note's partials, its whole length in samples, and where it begins to be damped.
struct Tone {
    partials: Vec<Partial>,
    length: usize,
    damped_from: usize,
}

const ATTACK_SECONDS: f64 = 0.0012;
const DAMPED_SHARE: f64 = 0.3;

fn tone(score: &Score, note: &Note) -> Tone {
    let base = 2.4 * (110.0 / note.frequency).powf(0.4);
    let length = (4.0 * base * score.rate) as usize;
    let stiffness = 6e-5 * (note.frequency / 110.0);
    let mut partials = Vec::new();
    let mut k = 1.0_f64;
    loop {
        let frequency = k * note.frequency * (1.0 + stiffness * k * k).sqrt();
        if frequency > score.highest() {
            break;
        }
        let shape = (k * std::f64::consts::PI * note.pluck).sin() / k.powf(1.3);
        let decay = base / (1.0 + (frequency / 3000.0).powf(0.8));
        let phase = 0.5 * (note.phase_seed * k * 7.0).sin();
        partials.push(Partial::new(score.rate, frequency, phase, note.loudness * shape, decay));
        k += 1.0;
    }
    Tone { partials, length, damped_from: length - (DAMPED_SHARE * length as f64) as usize }
}

/// One partial in steady frames, damped or not: one voice or three.
struct Steady<'t> {
    partial: &'t Partial,
    voices: Vec<Voice>,
}

impl Tone {
    fn damping(&self) -> f64 {
        DAMPED_SHARE * self.length as f64 + 1.0
    }

    fn is_damped(&self, at: usize) -> bool {
        at >= self.damped_from
    }

    /// What is the same in every frame from sample `at` on, until the tone begins to be damped or ends.
    fn steady(&self, frames: &Frames, at: usize) -> Vec<Steady<'_>> {
        // As `release` has it: 0 one sample after the end.
        let damping = self.damping();
        self.partials
            .iter()
            .filter(|partial| partial.fills(at, 1))
            .map(|partial| Steady {
                partial,
                voices: if self.is_damped(at) {
                    falling(partial, self.length as f64 - damping, damping)
                        .iter()
                        .map(|part| frames.voice(part, at as f64))
                        .collect()
                } else {
                    vec![frames.voice(partial, at as f64)]
                },
            })
            .collect()
    }

    /// Gain of the damping at a sample of the tone.
    fn damped(&self, at: usize) -> f64 {
        if self.is_damped(at) {
            raised_cosine(self.length.saturating_sub(at) as f64, self.damping())
        } else {
            1.0
        }
    }
}

/// The sound of a tone in one frame in which it begins, begins to be damped, or ends. The frame begins at the tone's sample
/// `at`, which may be before its first.
fn alone(
    frames: &Frames,
    score: &Score,
    tone: &Tone,
    at: i64,
    spectrum: &mut FrameSpectrum,
    out: &mut [f64],
) {
    let (before, first) = ((-at).max(0) as usize, at.max(0) as usize);
    let (filling, ending): (Vec<_>, Vec<_>) =
        tone.partials.iter().partition(|partial| partial.fills(first, frames.hop() - before));
    for partial in filling {
        spectrum.add(&mut frames.voice(partial, at as f64));
    }
    frames.transform(spectrum, out);
    out[..before].fill(0.0);
    for partial in ending {
        partial.add_to(&mut out[before..], first, 1.0);
    }
    let attack = ATTACK_SECONDS * score.rate;
    for (sample, place) in out[before..].iter_mut().zip(first..) {
        if place < attack as usize {
            *sample *= raised_cosine(place as f64, attack);
        }
        *sample *= if place < tone.length { tone.damped(place) } else { 0.0 };
    }
}

/// Frames that one core works on at a time.
const FRAMES_AT_A_TIME: usize = 24;

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let notes: Vec<(Note, Tone)> = notes(score)
        .into_iter()
        .map(|note| {
            let tone = tone(score, &note);
            (note, tone)
        })
        .collect();
    let shortest = notes.iter().flat_map(|(_, tone)| &tone.partials).map(Partial::decay_samples);
    let frames = Frames::new(shortest.fold(f64::INFINITY, f64::min));
    let hop = frames.hop();
    let stretch = hop * FRAMES_AT_A_TIME;
    let mut channels = vec![vec![0.0; score.frames.next_multiple_of(hop)]; 2];
    let [left, right] = &mut channels[..] else { return channels };
    let stretches: Vec<_> = left.chunks_mut(stretch).zip(right.chunks_mut(stretch)).enumerate().collect();
    stretches.into_par_iter().for_each(|(number, (left, right))| {
        sound_stretch(score, &notes, &frames, number * stretch, [left, right]);
    });
    for channel in &mut channels {
        channel.truncate(score.frames);
    }
    channels
}

/// All notes in a stretch of whole frames that begins at a sample.
fn sound_stretch(
    score: &Score,
    notes: &[(Note, Tone)],
    frames: &Frames,
    start: usize,
    mut channels: [&mut [f64]; 2],
) {
    let hop = frames.hop();
    let attack = (ATTACK_SECONDS * score.rate) as i64;
    let mut both = [frames.spectrum(), frames.spectrum()];
    let mut of_one = frames.spectrum();
    let length = channels[0].len();
    // Of each note that sounds in steady frames: its partials, and whether they are damped.
    let mut sounding: Vec<Option<(bool, Vec<Steady>)>> = notes.iter().map(|_| None).collect();
    for offset in (0..length).step_by(hop) {
        // What is added to the frame beside its spectrum: sound and where it is panned to.
        let mut beside: Vec<(f64, Vec<f64>)> = Vec::new();
        for ((note, tone), sounding) in notes.iter().zip(&mut sounding) {
            let at = (start + offset) as i64 - note.at as i64;
            let (end, damped_from) = (tone.length as i64, tone.damped_from as i64);
            if at + hop as i64 <= 0 || at >= end {
                *sounding = None;
                continue;
            }
            let damped = at >= damped_from;
            let steady = at >= attack && at + hop as i64 <= if damped { end } else { damped_from };
            if !steady {
                *sounding = None;
                let mut frame = vec![0.0; hop];
                alone(frames, score, tone, at, &mut of_one, &mut frame);
                beside.push((note.pan, frame));
                continue;
            }
            let at = at as usize;
            if sounding.as_ref().is_none_or(|(before, _)| *before != damped) {
                *sounding = Some((damped, tone.steady(frames, at)));
            }
            let Some((_, partials)) = sounding else { continue };
            let gains = pan_gains(note.pan).map(|gain| GAIN * gain);
            let mut frame = Vec::new();
            partials.retain_mut(|Steady { partial, voices }| {
                let fills = partial.fills(at, hop);
                if fills {
                    for voice in voices {
                        FrameSpectrum::add_panned(&mut both, voice, gains);
                    }
                } else {
                    // So soft that the damping is the same through the frame.
                    frame.resize(hop, 0.0);
                    partial.add_to(&mut frame, at, tone.damped(at + hop / 2));
                }
                fills
            });
            if !frame.is_empty() {
                beside.push((note.pan, frame));
            }
        }
        for (channel, spectrum) in channels.iter_mut().zip(&mut both) {
            frames.transform(spectrum, &mut channel[offset..offset + hop]);
        }
        for (pan, frame) in beside {
            for (channel, gain) in channels.iter_mut().zip(pan_gains(pan)) {
                for (sum, sample) in channel[offset..].iter_mut().zip(&frame) {
                    *sum += GAIN * gain * sample;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{attack, error_db, mix, release};
    use super::*;

    /// A note sample by sample.
    fn string(score: &Score, note: &Note) -> Vec<f64> {
        let tone = tone(score, note);
        let mut sound = vec![0.0; tone.length.min(score.frames.saturating_sub(note.at))];
        for partial in &tone.partials {
            partial.add_to(&mut sound, 0, 1.0);
        }
        attack(&mut sound, score.rate, ATTACK_SECONDS);
        release(&mut sound, tone.length, DAMPED_SHARE);
        sound
    }

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

    #[test]
    fn the_sound_is_that_of_the_sum_sample_by_sample() {
        for (rate, seconds) in [(44_100.0, 4.5), (8000.0, 11.0)] {
            let score = Score { frames: (seconds * rate) as usize, rate, seed: 4 };
            let mut slow = vec![vec![0.0; score.frames]; 2];
            for note in notes(&score) {
                mix(&mut slow, &string(&score, &note), note.at, note.pan, GAIN);
            }
            let error = error_db(&render(&score), &slow);
            assert!(error < -120.0, "{rate} Hz: {error} dB");
        }
    }
}
