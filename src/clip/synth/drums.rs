//! A drum pattern with dense cymbals: much energy up to the highest frequencies.

use rayon::prelude::*;

use super::{Random, Score, add_partial, attack, mix, release};

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

fn ended(mut sound: Vec<f64>, rate: f64, attack_seconds: f64) -> Vec<f64> {
    let whole = sound.len();
    attack(&mut sound, rate, attack_seconds);
    release(&mut sound, whole, RELEASE);
    sound
}

/// A sine that falls from `(1 + fall) * frequency`, with a short knock at its start.
fn drum(rate: f64, frequency: f64, fall: f64, decay: f64) -> Vec<f64> {
    let mut phase = 0.0_f64;
    let sound = (0..(5.0 * decay * rate) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            phase += std::f64::consts::TAU * frequency * (1.0 + fall * (-t / 0.03).exp()) / rate;
            phase.sin() * (-t / decay).exp() + 0.3 * (phase * 9.0).sin() * (-t / 0.006).exp()
        })
        .collect();
    ended(sound, rate, 0.001)
}

/// Two skin modes and the rattle of the wires.
fn snare(rate: f64, random: &mut Random) -> Vec<f64> {
    let mut sound = vec![0.0; (0.45 * rate) as usize];
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
    ended(sound, rate, 0.0006)
}

/// A cymbal: hundreds of modes, denser and shorter-lived towards the top, no two in a simple ratio.
fn cymbal(score: &Score, random: &mut Random, modes: usize, lowest: f64, seconds: f64) -> Vec<f64> {
    let mut sound = vec![0.0; (5.0 * seconds * score.rate) as usize];
    let span = score.highest() / lowest;
    for _ in 0..modes {
        let frequency = lowest * span.powf(random.uniform().powf(0.6));
        let decay = seconds * random.between(0.4, 1.2) / (1.0 + frequency / 9000.0);
        let amplitude = random.between(0.3, 1.0) * (frequency / lowest).powf(-0.12);
        let phase = random.between(0.0, std::f64::consts::TAU);
        add_partial(&mut sound, score.rate, frequency, phase, amplitude / (modes as f64).sqrt(), decay);
    }
    ended(sound, score.rate, 0.0005)
}

/// Everything that is struck.
struct Kit {
    kick: Vec<f64>,
    toms: Vec<Vec<f64>>,
    snares: Vec<Vec<f64>>,
    hats: Vec<Vec<f64>>,
    open_hat: Vec<f64>,
    rides: Vec<Vec<f64>>,
    crashes: Vec<Vec<f64>>,
}

impl Kit {
    fn new(score: &Score, random: &mut Random) -> Self {
        let rate = score.rate;
        // Seeds first: the cores share the work, and the result does not depend on which of them is faster.
        let mut strokes = |count: usize, make: &(dyn Fn(&mut Random) -> Vec<f64> + Sync)| -> Vec<Vec<f64>> {
            let seeds: Vec<u64> = (0..count).map(|_| random.bits()).collect();
            seeds.par_iter().map(|&state| make(&mut Random { state })).collect()
        };
        Self {
            kick: drum(rate, 48.0, 2.3, 0.11),
            toms: [165.0, 124.0, 92.0].map(|frequency| drum(rate, frequency, 0.35, 0.16)).to_vec(),
            snares: strokes(SNARE_STROKES, &|random| snare(rate, random)),
            hats: strokes(HAT_STROKES, &|random| cymbal(score, random, 300, 3200.0, 0.06)),
            open_hat: strokes(1, &|random| cymbal(score, random, 400, 2800.0, 0.3)).remove(0),
            rides: strokes(RIDE_STROKES, &|random| cymbal(score, random, 480, 420.0, 0.9)),
            crashes: strokes(CRASH_STROKES, &|random| cymbal(score, random, 700, 300.0, 1.6)),
        }
    }
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

pub(super) fn render(score: &Score) -> Vec<Vec<f64>> {
    let rate = score.rate;
    let mut random = score.random(2);
    let kit = Kit::new(score, &mut random);
    let mut channels = vec![vec![0.0; score.frames]; 2];
    let steps = (score.seconds() / SECONDS_PER_STEP).ceil() as usize;
    let mut bar = Bar::new(0, &mut random);
    for step in 0..steps {
        let place = step % 16;
        if place == 0 && step > 0 {
            bar = Bar::new(step / 16, &mut random);
        }
        let swing = if step % 2 == 1 { 0.012 } else { 0.0 };
        let at = ((0.02 + step as f64 * SECONDS_PER_STEP + swing) * rate) as usize;
        let mut strike = |pattern: &[u8; 16]| match pattern[place] {
            b'x' => Some(random.between(0.85, 1.0)),
            b'o' => Some(random.between(0.35, 0.5)),
            _ => None,
        };
        let filling = bar.fill && FILL[place] != b'.';
        if let Some(gain) = strike(bar.kick) {
            mix(&mut channels, &kit.kick, at, 0.0, 0.9 * gain);
        }
        if let Some(gain) = strike(bar.snare).filter(|_| !filling) {
            mix(&mut channels, &kit.snares[step % SNARE_STROKES], at, 0.1, 0.6 * gain);
        }
        if let Some(gain) = strike(bar.cymbal) {
            if bar.riding {
                mix(&mut channels, &kit.rides[step % RIDE_STROKES], at, 0.55, 0.5 * gain);
            } else {
                mix(&mut channels, &kit.hats[step % HAT_STROKES], at, -0.45, 0.5 * gain);
            }
        }
        if place == bar.open_hat_at {
            mix(&mut channels, &kit.open_hat, at, -0.45, 0.4 * random.between(0.7, 1.0));
        }
        if filling {
            let tom = usize::from(FILL[place] - b'1');
            mix(&mut channels, &kit.toms[tom], at, 0.5 - 0.5 * tom as f64, 0.55 * random.between(0.8, 1.0));
        }
        if place == 0 && (step / 16).is_multiple_of(4) {
            mix(&mut channels, &kit.crashes[step / 64 % CRASH_STROKES], at, -0.3, 0.7);
        }
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stroke_begins_and_ends_without_a_step() {
        let score = Score { frames: 48_000, rate: 48_000.0, seed: 1 };
        let kit = Kit::new(&score, &mut score.random(2));
        let mut strokes = vec![&kit.kick, &kit.open_hat];
        strokes.extend(
            kit.toms.iter().chain(&kit.snares).chain(&kit.hats).chain(&kit.rides).chain(&kit.crashes),
        );
        for stroke in strokes {
            let peak = stroke.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
            let last = stroke.last().expect("a sound").abs();
            assert!(stroke[0] == 0.0 && last < 1e-6 * peak, "{last:e} of {peak}");
        }
    }
}
