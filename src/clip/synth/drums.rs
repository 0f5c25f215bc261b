//! A drum pattern with dense cymbals: much energy up to the highest frequencies.

use rayon::prelude::*;

use super::bank::{Frames, Partial};
use super::{Random, Score, attack, mix, release};

const SECONDS_PER_STEP: f64 = 0.125;
/// Sixteen steps a bar: x is a stroke, o a softer one. A bar takes one pattern of each kind.
const KICKS: [&[u8; 16]; 4] =
    [b"x.....x.x..o....", b"x..o....x.x...o.", b"x.....x..ox.....", b"x.o...x.x....o.."];
const SNARES: [&[u8; 16]; 4] =
    [b"....x..o.o..x...", b"....x....o..x..o", b"..o.x..o....x...", b"....x.o..o..x.o."];
const HATS: [&[u8; 16]; 3] = [b"x.o.x.o.x.o.x.oo", b"x.oox.o.x.o.xoo.", b"x.o.x.oox.x.o.x."];
const RIDES: [&[u8; 16]; 3] = [b"x...x.x.x...x.x.", b"x.o.x...x.x.x..o", b"x...x.ox..x.x.x."];
/// The last bar of four ends with toms: which of them, by step.
const FILL: &[u8; 16] = b"..........112233";
/// Strokes of each kind that are made, so that no two in a row are the same.
const SNARE_STROKES: usize = 4;
const HAT_STROKES: usize = 5;
const RIDE_STROKES: usize = 3;
const CRASH_STROKES: usize = 2;
/// Where a stroke is cut, its last part dies away: so much of it.
const RELEASE: f64 = 0.4;

fn ended(mut sound: Vec<f64>, whole: usize, rate: f64, attack_seconds: f64) -> Vec<f64> {
    attack(&mut sound, rate, attack_seconds);
    release(&mut sound, whole, RELEASE);
    sound
}

/// A sine that falls from `(1 + fall) * frequency`, with a short knock at its start.
fn drum(rate: f64, frequency: f64, fall: f64, decay: f64) -> Vec<f64> {
    let mut phase = 0.0_f64;
    let sound: Vec<f64> = (0..(5.0 * decay * rate) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            phase += std::f64::consts::TAU * frequency * (1.0 + fall * (-t / 0.03).exp()) / rate;
            phase.sin() * (-t / decay).exp() + 0.3 * (phase * 9.0).sin() * (-t / 0.006).exp()
        })
        .collect();
    let whole = sound.len();
    ended(sound, whole, rate, 0.001)
}

/// Two skin modes and the rattle of the wires.
fn snare(rate: f64, random: &mut Random) -> Vec<f64> {
    let mut sound = vec![0.0; (0.45 * rate) as usize];
    Partial::new(rate, 186.0, 0.0, 0.7, 0.07).add_to(&mut sound, 0, 1.0);
    Partial::new(rate, 331.0, 0.4, 0.4, 0.05).add_to(&mut sound, 0, 1.0);
    let (mut low, mut before) = (0.0, 0.0);
    let share = 1.0 - (-std::f64::consts::TAU * 6500.0 / rate).exp();
    for (i, sample) in sound.iter_mut().enumerate() {
        let t = i as f64 / rate;
        let white = random.normal();
        // First difference and a one-pole low pass: a broad band around a few kHz.
        low += (white - before - low) * share;
        before = white;
        *sample += 0.5 * low * (-t / 0.085).exp();
    }
    let whole = sound.len();
    ended(sound, whole, rate, 0.0006)
}

/// A cymbal: hundreds of modes, denser and shorter-lived towards the top, no two in a simple ratio.
#[derive(Debug, Clone, Copy)]
struct Cymbal {
    modes: usize,
    lowest: f64,
    seconds: f64,
}

const HAT: Cymbal = Cymbal { modes: 300, lowest: 3200.0, seconds: 0.06 };
const OPEN_HAT: Cymbal = Cymbal { modes: 400, lowest: 2800.0, seconds: 0.3 };
const RIDE: Cymbal = Cymbal { modes: 480, lowest: 420.0, seconds: 0.9 };
const CRASH: Cymbal = Cymbal { modes: 700, lowest: 300.0, seconds: 1.6 };

impl Cymbal {
    fn partials(&self, score: &Score, random: &mut Random) -> Vec<Partial> {
        let Self { modes, lowest, seconds } = *self;
        let span = score.highest() / lowest;
        (0..modes)
            .map(|_| {
                let frequency = lowest * span.powf(random.uniform().powf(0.6));
                let decay = seconds * random.between(0.4, 1.2) / (1.0 + frequency / 9000.0);
                let amplitude = random.between(0.3, 1.0) * (frequency / lowest).powf(-0.12);
                let phase = random.between(0.0, std::f64::consts::TAU);
                Partial::new(score.rate, frequency, phase, amplitude / (modes as f64).sqrt(), decay)
            })
            .collect()
    }

    fn length(&self, score: &Score) -> usize {
        (5.0 * self.seconds * score.rate) as usize
    }

    /// The first samples of a stroke, at most so many.
    fn stroke(&self, score: &Score, random: &mut Random, wanted: usize) -> Vec<f64> {
        let whole = self.length(score);
        ended(Frames::sum(&self.partials(score, random), whole.min(wanted)), whole, score.rate, 0.0005)
    }
}

/// Something that is struck; a seed makes each of several strokes different.
#[derive(Debug, Clone, Copy)]
enum Piece {
    Drum { frequency: f64, fall: f64, decay: f64 },
    Snare { seed: u64 },
    Cymbal { cymbal: Cymbal, seed: u64 },
}

impl Piece {
    /// The sound of it, at least so many samples or all.
    fn stroke(&self, score: &Score, wanted: usize) -> Vec<f64> {
        match *self {
            Self::Drum { frequency, fall, decay } => drum(score.rate, frequency, fall, decay),
            Self::Snare { seed } => snare(score.rate, &mut Random { state: seed }),
            Self::Cymbal { cymbal, seed } => cymbal.stroke(score, &mut Random { state: seed }, wanted),
        }
    }
}

/// Everything that is struck.
struct Kit {
    pieces: Vec<Piece>,
}

impl Kit {
    const KICK: usize = 0;
    const TOMS: usize = 1;
    const SNARES: usize = 4;
    const HATS: usize = Self::SNARES + SNARE_STROKES;
    const OPEN_HAT: usize = Self::HATS + HAT_STROKES;
    const RIDES: usize = Self::OPEN_HAT + 1;
    const CRASHES: usize = Self::RIDES + RIDE_STROKES;

    fn new(random: &mut Random) -> Self {
        let mut pieces = vec![Piece::Drum { frequency: 48.0, fall: 2.3, decay: 0.11 }];
        pieces.extend([165.0, 124.0, 92.0].map(|frequency| Piece::Drum {
            frequency,
            fall: 0.35,
            decay: 0.16,
        }));
        pieces.extend((0..SNARE_STROKES).map(|_| Piece::Snare { seed: random.bits() }));
        for (cymbal, strokes) in
            [(HAT, HAT_STROKES), (OPEN_HAT, 1), (RIDE, RIDE_STROKES), (CRASH, CRASH_STROKES)]
        {
            pieces.extend((0..strokes).map(|_| Piece::Cymbal { cymbal, seed: random.bits() }));
        }
        Self { pieces }
    }
}

/// One stroke of the pattern.
struct Stroke {
    piece: usize,
    at: usize,
    pan: f64,
    gain: f64,
}

/// One bar's patterns.
struct Bar {
    kick: &'static [u8; 16],
    snare: &'static [u8; 16],
    cymbal: &'static [u8; 16],
    riding: bool,
    fill: bool,
    open_hat_at: usize,
}

impl Bar {
    fn new(number: usize, random: &mut Random) -> Self {
        let riding = number % 4 >= 2;
        Self {
            kick: KICKS[random.below(KICKS.len())],
            snare: SNARES[random.below(SNARES.len())],
            cymbal: if riding { RIDES[random.below(RIDES.len())] } else { HATS[random.below(HATS.len())] },
            riding,
            fill: number % 4 == 3,
            open_hat_at: if riding { 16 } else { 2 * random.below(8) + 6 },
        }
    }
}

fn pattern(score: &Score, random: &mut Random) -> Vec<Stroke> {
    let mut strokes = Vec::new();
    let steps = (score.seconds() / SECONDS_PER_STEP).ceil() as usize;
    let mut bar = Bar::new(0, random);
    for step in 0..steps {
        let place = step % 16;
        if place == 0 && step > 0 {
            bar = Bar::new(step / 16, random);
        }
        let swing = if step % 2 == 1 { 0.012 } else { 0.0 };
        let at = ((0.02 + step as f64 * SECONDS_PER_STEP + swing) * score.rate) as usize;
        let mut add = |piece, pan, gain| strokes.push(Stroke { piece, at, pan, gain });
        let mut strike = |pattern: &[u8; 16]| match pattern[place] {
            b'x' => Some(random.between(0.85, 1.0)),
            b'o' => Some(random.between(0.35, 0.5)),
            _ => None,
        };
        let filling = bar.fill && FILL[place] != b'.';
        if let Some(gain) = strike(bar.kick) {
            add(Kit::KICK, 0.0, 0.9 * gain);
        }
        if let Some(gain) = strike(bar.snare).filter(|_| !filling) {
            add(Kit::SNARES + step % SNARE_STROKES, 0.1, 0.6 * gain);
        }
        if let Some(gain) = strike(bar.cymbal) {
            if bar.riding {
                add(Kit::RIDES + step % RIDE_STROKES, 0.55, 0.5 * gain);
            } else {
                add(Kit::HATS + step % HAT_STROKES, -0.45, 0.5 * gain);
            }
        }
        if place == bar.open_hat_at {
            add(Kit::OPEN_HAT, -0.45, 0.4 * random.between(0.7, 1.0));
        }
        if filling {
            let tom = usize::from(FILL[place] - b'1');
            add(Kit::TOMS + tom, 0.5 - 0.5 * tom as f64, 0.55 * random.between(0.8, 1.0));
        }
        if place == 0 && (step / 16).is_multiple_of(4) {
            add(Kit::CRASHES + step / 64 % CRASH_STROKES, -0.3, 0.7);
        }
    }
    strokes
}

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let mut random = score.random(2);
    let kit = Kit::new(&mut random);
    let strokes = pattern(score, &mut random);
    // What is never struck is not made, and nothing longer than the clip has room for.
    let sounds: Vec<Vec<f64>> = kit
        .pieces
        .par_iter()
        .enumerate()
        .map(|(number, piece)| {
            let first = strokes.iter().find(|stroke| stroke.piece == number);
            first.map_or_else(Vec::new, |first| piece.stroke(score, score.frames.saturating_sub(first.at)))
        })
        .collect();
    let mut channels = vec![vec![0.0; score.frames]; 2];
    for stroke in strokes {
        mix(&mut channels, &sounds[stroke.piece], stroke.at, stroke.pan, stroke.gain);
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::super::error_db;
    use super::*;

    const SCORE: Score = Score { frames: 48_000 * 9, rate: 48_000.0, seed: 1 };

    #[test]
    fn every_stroke_begins_and_ends_without_a_step() {
        for piece in Kit::new(&mut SCORE.random(2)).pieces {
            let stroke = piece.stroke(&SCORE, usize::MAX);
            let peak = stroke.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
            let last = stroke.last().expect("a sound").abs();
            assert!(stroke[0] == 0.0 && last < 1e-6 * peak, "{piece:?}: {last:e} of {peak}");
        }
    }

    #[test]
    fn cymbals_are_those_of_the_sum_sample_by_sample() {
        for cymbal in [HAT, OPEN_HAT, RIDE, CRASH] {
            for rate in [48_000.0, 8000.0] {
                let score = Score { rate, ..SCORE };
                let whole = cymbal.length(&score);
                let mut slow = vec![0.0; whole];
                for partial in cymbal.partials(&score, &mut score.random(5)) {
                    partial.add_to(&mut slow, 0, 1.0);
                }
                let slow = ended(slow, whole, rate, 0.0005);
                let quick = cymbal.stroke(&score, &mut score.random(5), usize::MAX);
                let error = error_db(&[quick], &[slow]);
                assert!(error < -120.0, "{cymbal:?} at {rate} Hz: {error} dB");
            }
        }
    }
}
