//! Recordings with sound lost, doubled, silenced or put in at random places: measured as the clean one, or refused.

use earwitness::bench::BenchError;
use earwitness::bench::response::{Note, Options, Response, against_sweep, measured};

use super::{RATE, Swept, filtered, recording, reference};

/// Sweeps in a recording.
const SWEEPS: usize = 4;

/// What a sound server does to a stream.
#[derive(Debug, Clone, Copy)]
enum Damage {
    Lost,
    Doubled,
    Silenced,
    SilencePutIn,
}

impl Damage {
    fn apply(self, channel: &mut Vec<f64>, at: usize, frames: usize) {
        let to = (at + frames).min(channel.len());
        match self {
            Self::Lost => drop(channel.drain(at..to)),
            Self::Doubled => {
                let block = channel[at..to].to_vec();
                channel.splice(to..to, block);
            }
            Self::Silenced => channel[at..to].fill(0.0),
            Self::SilencePutIn => drop(channel.splice(at..at, vec![0.0; frames])),
        }
    }
}

/// Uniform numbers, the same for a seed in every run.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 11) % limit as u64) as usize
    }
}

/// What was played, and what came back through the shelf of filters.json.
struct Material {
    sweep: Swept,
    played: Vec<f64>,
    heard: Vec<f64>,
}

impl Material {
    fn new() -> Self {
        let sweep = Swept::new(0.5, SWEEPS);
        let played = sweep.samples(RATE, 0.0, 0.0);
        let heard = filtered(&reference("filters.json")["filters"]["shelf"]["sections"], &played);
        Self { sweep, played, heard }
    }

    /// Both channels recorded at once, or the response alone, with the same damages.
    fn measured(&self, together: bool, damages: &[(Damage, usize, usize)]) -> Result<Response, BenchError> {
        let damaged = |channel: &[f64]| {
            let mut channel = channel.to_vec();
            for (damage, at, frames) in damages {
                damage.apply(&mut channel, *at, *frames);
            }
            channel
        };
        if together {
            return measured(
                &recording(vec![damaged(&self.played), damaged(&self.heard)]),
                &Options::default(),
            );
        }
        let (heard, played) = (recording(vec![damaged(&self.heard)]), recording(vec![self.played.clone()]));
        against_sweep(&heard, &played, None, &Options::default())
    }

    /// The sample at a share of a sweep, from 0.
    fn place(&self, sweep: usize, share: f64) -> usize {
        let period = self.sweep.length + self.sweep.pause;
        ((self.sweep.pause + sweep as f64 * period + share * self.sweep.length) * RATE) as usize
    }
}

fn dropped(found: &Response) -> Vec<String> {
    found.notes.iter().filter(|note| matches!(note, Note::Dropped(_))).map(ToString::to_string).collect()
}

/// Largest deviations from the clean measurement, in dB and degrees.
fn apart(clean: &Response, found: &Response) -> (f64, f64) {
    assert_eq!(clean.frequency_hz, found.frequency_hz);
    let most = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    (most(&clean.gain_db, &found.gain_db), most(&clean.phase_deg, &found.phase_deg))
}

#[test]
fn a_sweep_split_by_a_dropout_is_one_spoiled_repeat() {
    let material = Material::new();
    for together in [true, false] {
        let clean = material.measured(together, &[]).unwrap();
        assert_eq!((clean.repeats, dropped(&clean).len()), (SWEEPS, 0), "{:?}", clean.notes);
        // A fifth of a second of silence in the second sweep: two sounds, one of them longer than half a sweep. Then the end of
        // the third lost with the pause after it.
        for (what, damage, repeat) in [
            ("split", (Damage::SilencePutIn, material.place(1, 0.4), 9600), "repeat 2 has a dropout"),
            // What is left before it is as short as a click, and no silence.
            ("split early", (Damage::SilencePutIn, material.place(3, 0.2), 9355), "repeat 4 has a dropout"),
            ("joined", (Damage::Lost, material.place(2, 0.7), 28_000), "repeat 3 has a dropout"),
            ("doubled", (Damage::Doubled, material.place(1, 0.3), 2048), "repeat 2 has a dropout"),
        ] {
            let found =
                material.measured(together, &[damage]).unwrap_or_else(|error| panic!("{what}: {error}"));
            let said = dropped(&found);
            assert!(said[0].starts_with(repeat), "{what}, {together}: {said:?}");
            let (decibels, degrees) = apart(&clean, &found);
            assert!(
                decibels < 0.002 && degrees < 0.2,
                "{what}, {together}: {decibels} dB, {degrees} degrees"
            );
            if what != "joined" {
                assert_eq!((found.repeats, said.len()), (SWEEPS - 1, 1), "{what}, {together}: {said:?}");
            }
        }
        // One whole sweep proves nothing where the others are spoiled; none is said as such, with what to do.
        let each: Vec<_> =
            (0..SWEEPS).rev().map(|sweep| (Damage::SilencePutIn, material.place(sweep, 0.5), 7200)).collect();
        let alone = material.measured(together, &each[1..]).expect_err("refused").0;
        assert!(alone.contains("only one of 4 sweeps is whole") && alone.contains("record three"), "{alone}");
        let none = material.measured(together, &each).expect_err("refused").0;
        assert!(none.contains("no sweep on it is whole: each of 4 has a dropout"), "{none}");
        assert!(none.contains("Close other programs") && none.contains("record three"), "{none}");
    }
}

/// Sound lost between two sweeps is no clock that runs at another pace.
#[test]
fn sound_lost_between_sweeps_is_no_drift() {
    let material = Material::new();
    let clean = material.measured(false, &[]).unwrap();
    for frames in [20, 480, 6000] {
        let at = material.place(2, 0.0) - 7000;
        let found = material.measured(false, &[(Damage::Lost, at, frames)]).unwrap();
        assert_eq!((found.repeats, found.clock_ppm), (SWEEPS, None), "{frames}: {:?}", found.notes);
        assert!(found.notes.contains(&Note::LostBetween), "{frames}");
        let (decibels, degrees) = apart(&clean, &found);
        assert!(decibels < 0.002 && degrees < 0.2, "{frames}: {decibels} dB, {degrees} degrees");
    }
}

/// `EARWITNESS_ATTACKS=500` tries so many recordings of each kind.
#[test]
fn random_dropouts_are_refused_or_change_nothing() {
    let count = std::env::var("EARWITNESS_ATTACKS").map_or(3, |count| count.parse::<u64>().unwrap());
    let material = Material::new();
    let (mut taken, mut refused, mut wrong) = (0, 0, Vec::new());
    for together in [true, false] {
        let clean = material.measured(together, &[]).unwrap();
        for seed in 1..=count {
            let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
            // All sweeps, all but one, half of them, or any places at all.
            let spoiled: Vec<usize> = match seed % 4 {
                0 => (0..SWEEPS).collect(),
                1 => {
                    let spared = random.below(SWEEPS);
                    (0..SWEEPS).filter(|sweep| *sweep != spared).collect()
                }
                2 => (0..SWEEPS).filter(|sweep| sweep % 2 == (seed / 4 % 2) as usize).collect(),
                _ => (0..random.below(7)).map(|_| random.below(SWEEPS)).collect(),
            };
            let mut damages: Vec<(Damage, usize, usize)> = spoiled
                .into_iter()
                .map(|sweep| {
                    let damage = [Damage::Lost, Damage::Doubled, Damage::Silenced, Damage::SilencePutIn]
                        [random.below(4)];
                    // From a short block of a sound server to a quarter of a second; a little beyond the sweep on either side.
                    let frames = (32.0
                        * (random.below(1000) as f64 / 1000.0 * (12_000.0_f64 / 32.0).ln()).exp())
                        as usize;
                    (damage, material.place(sweep, random.below(1100) as f64 / 1000.0 - 0.05), frames)
                })
                .collect();
            damages.sort_by_key(|damage| std::cmp::Reverse(damage.1));
            match material.measured(together, &damages) {
                Err(BenchError(message)) => {
                    assert!(message.contains("dropout"), "{seed}: {message}");
                    refused += 1;
                }
                Ok(found) => {
                    let (decibels, degrees) = apart(&clean, &found);
                    let ppm = found.clock_ppm.unwrap_or(0.0);
                    if decibels >= 0.002 || degrees >= 0.2 || ppm.abs() >= 0.5 {
                        wrong.push(format!(
                            "together {together}, seed {seed}: {decibels} dB, {degrees} degrees, {ppm} ppm, {damages:?}: {:?}",
                            found.notes
                        ));
                    }
                    taken += 1;
                }
            }
        }
    }
    println!("{taken} measured as the clean one, {refused} refused");
    assert!(wrong.is_empty() && taken > 0, "{} of {taken} wrong\n{}", wrong.len(), wrong.join("\n"));
}
