//! Two recordings of the same sound on one time axis: delay below a sample, gain, polarity and clock.
//!
//! Correlation of two pieces far apart gives the delay and the clock roughly, windows along the whole sound give them to a
//! small fraction of a sample, and least squares on the sound itself ends the search (Gauss-Newton: the difference is a
//! straight line in gain, delay and clock once these are nearly right).

use super::fourier::{good_length, spectrum};
use super::shift::Between;

/// Samples at both ends that are faded before anything is read between samples, and that no result is of.
pub const FADED: usize = 4096;
/// And so many next to them.
pub const GUARD: usize = 1024;
/// Length in samples of the pieces that the rough search correlates.
const PIECE: usize = 1 << 16;
/// Largest difference of two clocks that is looked for.
const LARGEST_CLOCK: f64 = 1e-3;
/// Two sounds that are less alike than this, of 1, are not the same one.
const LEAST_ALIKE: f64 = 0.2;
/// Samples that least squares uses.
const MOST_POINTS: usize = 12_000;

/// Where a second recording stands relative to a first: `first[n] = gain * second(delay + n * (1 + clock))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alignment {
    /// By how many samples the second is later.
    pub delay: f64,
    /// By how much its clock is faster, as a share.
    pub clock: f64,
    /// What the second has to be multiplied by; negative if its polarity is reversed.
    pub gain: f64,
}

/// A second recording moved onto a first.
#[derive(Debug, Clone, PartialEq)]
pub struct Aligned {
    /// How it was moved.
    pub alignment: Alignment,
    /// Sample of the first at which both begin.
    pub start: usize,
    /// The second recording from there on, in delay, clock and gain like the first.
    pub moved: Vec<f64>,
}

/// By how many samples the second signal lags behind the first (either polarity), and how much alike they are there, 0 to 1.
/// The second goes by in blocks: however long it is, memory does not grow with it.
fn correlated(first: &[f64], second: &[f64]) -> (f64, f64) {
    let length = good_length((2 * first.len() + second.len() + 2).min(4 * first.len()));
    let own = spectrum(first, length);
    // Lags of a block that are no sum around its end; the outer two are the neighbours of the others.
    let lags = length - first.len() + 1;
    let (mut lag, mut around) = (0, [0.0; 3]);
    let mut start = -(first.len() as i64);
    while start < second.len() as i64 {
        let from = start.clamp(0, second.len() as i64) as usize;
        let to = (start + length as i64).clamp(0, second.len() as i64) as usize;
        let mut block = vec![0.0; length];
        let at = (from as i64 - start) as usize;
        block[at..at + to - from].copy_from_slice(&second[from..to]);
        let cross = own.iter().zip(spectrum(&block, length)).map(|(a, b)| b * a.conj()).collect();
        let correlation = super::fourier::signal(cross, length);
        for (at, near) in correlation[..lags].windows(3).enumerate() {
            if near[1].abs() > around[1] {
                (lag, around) = (start + at as i64 + 1, [near[0].abs(), near[1].abs(), near[2].abs()]);
            }
        }
        start += lags as i64 - 2;
    }
    let [before, peak, after] = around;
    let bend = before - 2.0 * peak + after;
    let fraction = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    let power = |samples: &[f64]| samples.iter().map(|sample| sample * sample).sum::<f64>();
    // Of the second only what lies under the first counts.
    let from = (lag.max(0) as usize).min(second.len());
    let under = &second[from..(from + first.len()).min(second.len())];
    (lag as f64 + fraction, peak / (power(first) * power(under)).sqrt().max(f64::MIN_POSITIVE))
}

/// The part of `samples` around a place, and where it begins.
fn around(samples: &[f64], middle: i64, half: i64) -> (usize, &[f64]) {
    let from = (middle - half).clamp(0, samples.len() as i64) as usize;
    let to = (middle + half).clamp(0, samples.len() as i64) as usize;
    (from, &samples[from..to])
}

fn faded(samples: &[f64]) -> Vec<f64> {
    let mut copy = samples.to_vec();
    let last = copy.len().saturating_sub(1);
    for (at, sample) in copy.iter_mut().enumerate() {
        let edge = at.min(last - at);
        if edge < FADED {
            *sample *= 0.5 - 0.5 * (std::f64::consts::PI * edge as f64 / FADED as f64).cos();
        }
    }
    copy
}

/// Length of a piece that is searched for; `None` where there is too little for one.
fn piece_of(first: &[f64], second: &[f64]) -> Option<usize> {
    let piece = PIECE.min(first.len() / 3);
    (piece >= 2048 && second.len() >= 3 * 2048).then_some(piece)
}

/// Where the loudest piece within a range begins.
fn loudest(samples: &[f64], piece: usize, range: std::ops::Range<usize>) -> usize {
    range
        .clone()
        .step_by(piece / 2)
        .filter(|start| start + piece <= range.end)
        .max_by(|a, b| {
            let power = |start: usize| samples[start..start + piece].iter().map(|s| s * s).sum::<f64>();
            power(*a).total_cmp(&power(*b))
        })
        .unwrap_or(range.start)
}

/// Moves `second` onto `first`. `None` if they have too little in common to be the same sound, or are too short.
pub fn align(first: &[f64], second: &[f64]) -> Option<Aligned> {
    let (found, between) = located(first, second)?;
    let (start, end) = common(first.len(), second.len(), &found)?;
    let mut moved =
        between.read(found.delay + start as f64 * (1.0 + found.clock), 1.0 + found.clock, end - start);
    for sample in &mut moved {
        *sample *= found.gain;
    }
    Some(Aligned { alignment: found, start, moved })
}

/// By how many whole samples `second` is later, roughly, however long it is: its best correlation with the loudest piece of
/// `first`. `None` as for [`align`].
pub fn find(first: &[f64], second: &[f64]) -> Option<i64> {
    let piece = piece_of(first, second)?;
    let early = loudest(first, piece, 0..first.len());
    let (lag, alike) = correlated(&first[early..early + piece], second);
    (alike >= LEAST_ALIKE).then(|| lag.round() as i64 - early as i64)
}

/// Where `second` stands relative to `first`. `None` as for [`align`].
pub fn locate(first: &[f64], second: &[f64]) -> Option<Alignment> {
    located(first, second).map(|(found, _)| found)
}

/// Where the second stands, and the second between its samples, faded at both ends.
fn located(first: &[f64], second: &[f64]) -> Option<(Alignment, Between)> {
    let piece = piece_of(first, second)?;
    let half = first.len() / 2;
    let (early, late) = (loudest(first, piece, 0..half), loudest(first, piece, half..first.len()));
    let (lag, alike) = correlated(&first[early..early + piece], second);
    if alike < LEAST_ALIKE {
        return None;
    }
    let one = lag - early as f64;
    let reach = (LARGEST_CLOCK * (late - early) as f64).ceil() as i64 + 256;
    let middle = late as i64 + piece as i64 / 2 + one.round() as i64;
    let (from, stretch) = around(second, middle, piece as i64 / 2 + reach);
    let (lag, alike) = correlated(&first[late..late + piece], stretch);
    let clock = if alike > LEAST_ALIKE && late > early {
        let two = from as f64 + lag - late as f64;
        ((two - one) / (late - early) as f64).clamp(-LARGEST_CLOCK, LARGEST_CLOCK)
    } else {
        0.0
    };
    let mut found = Alignment { delay: one - clock * early as f64, clock, gain: 1.0 };
    let between = Between::new(&faded(second));
    for _ in 0..12 {
        let (start, end) = common(first.len(), second.len(), &found)?;
        let step = improved(first, &between, &mut found, start, end)?;
        if step < 1e-9 {
            break;
        }
    }
    Some((found, between))
}

/// The samples of the first recording for which the second can be read, clear of both ends.
fn common(first: usize, second: usize, alignment: &Alignment) -> Option<(usize, usize)> {
    let margin = (FADED + GUARD) as f64;
    let pace = 1.0 + alignment.clock;
    let start = ((margin - alignment.delay) / pace).max(margin).ceil() as usize;
    let end = ((second as f64 - margin - alignment.delay) / pace).min(first as f64 - margin).floor();
    (end > start as f64 + 1024.0).then_some((start, end as usize))
}

/// One step of Gauss-Newton; how far it went, in samples and shares.
fn improved(
    first: &[f64],
    between: &Between,
    found: &mut Alignment,
    start: usize,
    end: usize,
) -> Option<f64> {
    const AROUND: f64 = 0.02;
    let count = end - start;
    let stride = (count / MOST_POINTS).max(1);
    let middle = f64::midpoint(start as f64, end as f64);
    let scale = count as f64 / 2.0;
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for n in (start..end).step_by(stride) {
        let place = found.delay + n as f64 * (1.0 + found.clock);
        let value = between.at(place);
        let slope = (between.at(place + AROUND) - between.at(place - AROUND)) / (2.0 * AROUND);
        let terms = [value, slope, slope * (n as f64 - middle) / scale];
        for (row, own) in terms.iter().enumerate() {
            for (column, other) in terms.iter().enumerate() {
                normal[row][column] += own * other;
            }
            right[row] += own * first[n];
        }
    }
    let [gain, shift, tilt] = solved(normal, right)?;
    let (shift, tilt) = (shift / gain, tilt / gain);
    // A step of more than half a sample is only a direction.
    let (shift, tilt) = (shift.clamp(-0.5, 0.5), tilt.clamp(-0.5, 0.5));
    found.gain = gain;
    found.clock += tilt / scale;
    found.delay += shift - tilt * middle / scale;
    Some(shift.abs() + tilt.abs())
}

/// The solution of three equations (Cramer).
fn solved(m: [[f64; 3]; 3], r: [f64; 3]) -> Option<[f64; 3]> {
    let determinant = |m: [[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let whole = determinant(m);
    if whole.abs() < f64::MIN_POSITIVE || !whole.is_finite() {
        return None;
    }
    let answer = [0, 1, 2].map(|column| {
        let mut with = m;
        for (row, value) in with.iter_mut().zip(r) {
            row[column] = value;
        }
        determinant(with) / whole
    });
    (answer[0] != 0.0).then_some(answer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt as _, SeedableRng as _};

    #[test]
    fn a_clip_is_found_wherever_it_is_loudest() {
        let mut random = StdRng::seed_from_u64(5);
        let mut noise = |frames: usize, size: f64| -> Vec<f64> {
            (0..frames).map(|_| size * random.random_range(-0.5..0.5)).collect()
        };
        for loud in [0, 150_000, 260_000] {
            let mut clip = noise(330_000, 0.1);
            for (sample, more) in clip[loud..].iter_mut().zip(noise(66_000, 0.9)) {
                *sample += more;
            }
            let mut second = noise(10_000, 1e-4);
            second.extend_from_slice(&clip);
            second.extend(noise(10_000, 1e-4));
            assert_eq!(find(&clip, &second), Some(10_000), "loudest from {loud} on");
        }
    }
}
