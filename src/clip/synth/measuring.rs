//! Clips for measuring: pink noise, multitone, logarithmic sweep, impulses.

use num_complex::Complex64;

use super::Score;
use super::bank::{Frames, Partial};
use crate::filter::plans;

const LOWEST_HZ: f64 = 20.0;

/// Pink noise, 3 dB per octave less from 20 Hz up: normal spectrum lines of one period of the clip's length, so that it
/// loops without a seam. Independent channels.
pub(super) fn pink_noise(score: &Score) -> Vec<Vec<f64>> {
    let mut random = score.random(4);
    let plan = plans::inverse(score.frames);
    (0..2)
        .map(|_| {
            let mut spectrum = plan.make_input_vec();
            let step = score.rate / score.frames as f64;
            for (k, line) in spectrum.iter_mut().enumerate() {
                let frequency = k as f64 * step;
                if frequency >= LOWEST_HZ && frequency <= score.highest() {
                    *line = Complex64::new(random.normal(), random.normal()) / frequency.sqrt();
                }
            }
            let mut sound = plan.make_output_vec();
            plan.process(&mut spectrum, &mut sound).expect("lengths and end bins fit the plan");
            let power = sound.iter().map(|sample| sample * sample).sum::<f64>() / sound.len() as f64;
            let scale = 0.1 / power.sqrt().max(1e-300);
            for sample in &mut sound {
                *sample *= scale;
            }
            sound
        })
        .collect()
}

/// Tones a third of an octave apart with whole numbers of periods in the clip. Their phases (pi k^2 / N, Newman 1965)
/// keep them from starting all together.
pub(super) fn multitone(score: &Score) -> Vec<Vec<f64>> {
    let step = score.rate / score.frames as f64;
    let frequencies: Vec<f64> = (-17..=13)
        .map(|third| 1000.0 * 10.0_f64.powf(f64::from(third) / 10.0))
        .map(|frequency| ((frequency / step).round()).max(1.0) * step)
        .filter(|frequency| *frequency <= score.highest().min(20_000.0))
        .collect();
    let count = frequencies.len().max(1) as f64;
    let tones: Vec<Partial> = frequencies
        .iter()
        .enumerate()
        .map(|(k, frequency)| {
            let phase = std::f64::consts::PI * (k * k) as f64 / count;
            Partial::new(score.rate, *frequency, phase, 0.05, f64::INFINITY)
        })
        .collect();
    let sound = Frames::sum(&tones, score.frames);
    vec![sound.clone(), sound]
}

/// Logarithmic sweep (Farina 2000, AES 108th Convention): sin(w1 T / R (e^(t R / T) - 1)), R = ln(w2 / w1).
pub(super) fn log_sweep(score: &Score) -> Vec<Vec<f64>> {
    let seconds = score.seconds();
    let ratio = (score.highest() / LOWEST_HZ).ln();
    let scale = std::f64::consts::TAU * LOWEST_HZ * seconds / ratio;
    let sound: Vec<f64> = (0..score.frames)
        .map(|i| {
            let t = i as f64 / score.rate;
            0.5 * (scale * (t * ratio / seconds).exp_m1()).sin()
        })
        .collect();
    vec![sound.clone(), sound]
}

/// Impulses, two a second, alternating in polarity; the low pass of every clip makes them band-limited.
pub(super) fn impulse_train(score: &Score) -> Vec<Vec<f64>> {
    let period = score.rate / 2.0;
    let mut sound = vec![0.0; score.frames];
    let mut index = 0;
    loop {
        let at = ((index as f64 + 0.5) * period).round() as usize;
        let Some(sample) = sound.get_mut(at) else { break };
        *sample = if index % 2 == 0 { 1.0 } else { -1.0 };
        index += 1;
    }
    vec![sound.clone(), sound]
}
