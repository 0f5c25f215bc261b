//! Two recordings of the same sound on one time axis: delay below a sample, gain, polarity and clock.
//!
//! Correlation of two pieces far apart gives the delay and the clock roughly, windows along the whole sound give them to a
//! small fraction of a sample, and least squares on the sound itself ends the search (Gauss-Newton: the difference is a
//! straight line in gain, delay and clock once these are nearly right).

use super::ClipError;
use super::fourier::{good_length, spectrum};
use super::parked::{BLOCK, Samples};
use super::shift::{Along, Between};

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
/// Samples that are kept on either side of each.
const AT_HAND: f64 = 16.0;

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

/// A second recording moved onto a first, block by block.
pub struct Moved<'s, S: ?Sized> {
    /// How it is moved.
    pub alignment: Alignment,
    /// Sample of the first at which both begin.
    pub start: usize,
    /// Sample of the first at which one of them ends.
    pub end: usize,
    along: Along<Faded<'s, S>>,
}

impl<S: Samples + ?Sized> Moved<'_, S> {
    /// The second recording from a sample of the first on, in delay, clock and gain like the first. Blocks are asked for in
    /// their order.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn read(&mut self, from: usize, frames: usize) -> Result<Vec<f64>, ClipError> {
        let Alignment { delay, clock, gain } = self.alignment;
        let mut moved = self.along.read(delay + from as f64 * (1.0 + clock), 1.0 + clock, frames)?;
        for sample in &mut moved {
            *sample *= gain;
        }
        Ok(moved)
    }
}

/// A sound whose ends are faded.
struct Faded<'s, S: ?Sized>(&'s S);

impl<S: Samples + ?Sized> Samples for Faded<'_, S> {
    fn frames(&self) -> usize {
        self.0.frames()
    }

    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError> {
        self.0.copy(start, out)?;
        let last = self.frames() as i64 - 1;
        for (at, sample) in (start..).zip(out.iter_mut()) {
            let edge = at.min(last - at);
            if (0..FADED as i64).contains(&edge) {
                *sample *= 0.5 - 0.5 * (std::f64::consts::PI * edge as f64 / FADED as f64).cos();
            }
        }
        Ok(())
    }
}

/// By how many samples the second signal lags behind the first (either polarity), and how much alike they are there, 0 to 1.
/// The second goes by in blocks: however long it is, memory does not grow with it.
fn correlated<S: Samples + ?Sized>(first: &[f64], second: &S) -> Result<(f64, f64), ClipError> {
    let frames = second.frames();
    let length = good_length((2 * first.len() + frames + 2).min(4 * first.len()));
    let own = spectrum(first, length);
    // Lags of a block that are no sum around its end; the outer two are the neighbours of the others.
    let lags = length - first.len() + 1;
    let (mut lag, mut around) = (0, [0.0; 3]);
    let mut start = -(first.len() as i64);
    while start < frames as i64 {
        let block = second.stretch(start, length)?;
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
    let under = second.stretch(lag.max(0), first.len())?;
    Ok((lag as f64 + fraction, peak / (power(first) * power(&under)).sqrt().max(f64::MIN_POSITIVE)))
}

/// The part of `samples` around a place, and where it begins.
fn around<S: Samples + ?Sized>(samples: &S, middle: i64, half: i64) -> Result<(usize, Vec<f64>), ClipError> {
    let last = samples.frames() as i64;
    let from = (middle - half).clamp(0, last);
    let to = (middle + half).clamp(0, last);
    Ok((from as usize, samples.stretch(from, (to - from) as usize)?))
}

/// Length of a piece that is searched for; `None` where there is too little for one.
fn piece_of(first: usize, second: usize) -> Option<usize> {
    let piece = PIECE.min(first / 3);
    (piece >= 2048 && second >= 3 * 2048).then_some(piece)
}

/// The loudest piece within a range, and where it begins.
fn loudest<S: Samples + ?Sized>(
    samples: &S,
    piece: usize,
    range: std::ops::Range<usize>,
) -> Result<(usize, Vec<f64>), ClipError> {
    let (mut most, mut best) = (f64::NEG_INFINITY, range.start);
    for start in range.clone().step_by(piece / 2).filter(|start| start + piece <= range.end) {
        let power = samples.stretch(start as i64, piece)?.iter().map(|s| s * s).sum::<f64>();
        if power >= most {
            (most, best) = (power, start);
        }
    }
    Ok((best, samples.stretch(best as i64, piece)?))
}

/// Moves `second` onto `first`. `None` if they have too little in common to be the same sound, or are too short.
///
/// # Errors
/// One of them cannot be read.
pub fn align<'s, S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &S,
    second: &'s T,
) -> Result<Option<Moved<'s, T>>, ClipError> {
    let Some(alignment) = locate(first, second)? else { return Ok(None) };
    let along = Along::new(Faded(second));
    Ok(common(first.frames(), second.frames(), &alignment).map(|(start, end)| Moved {
        alignment,
        start,
        end,
        along,
    }))
}

/// By how many whole samples `second` is later, roughly, however long it is: its best correlation with the loudest piece of
/// `first`. `None` as for [`align`].
///
/// # Errors
/// As for [`align`].
pub fn find<S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &S,
    second: &T,
) -> Result<Option<i64>, ClipError> {
    let Some(piece) = piece_of(first.frames(), second.frames()) else { return Ok(None) };
    let (early, loud) = loudest(first, piece, 0..first.frames())?;
    let (lag, alike) = correlated(&loud, second)?;
    Ok((alike >= LEAST_ALIKE).then(|| lag.round() as i64 - early as i64))
}

/// Where `second` stands relative to `first`. `None` as for [`align`].
///
/// # Errors
/// As for [`align`].
pub fn locate<S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &S,
    second: &T,
) -> Result<Option<Alignment>, ClipError> {
    let Some(piece) = piece_of(first.frames(), second.frames()) else { return Ok(None) };
    let half = first.frames() / 2;
    let (early, loud) = loudest(first, piece, 0..half)?;
    let (lag, alike) = correlated(&loud, second)?;
    if alike < LEAST_ALIKE {
        return Ok(None);
    }
    let one = lag - early as f64;
    let (late, loud) = loudest(first, piece, half..first.frames())?;
    let reach = (LARGEST_CLOCK * (late - early) as f64).ceil() as i64 + 256;
    let middle = late as i64 + piece as i64 / 2 + one.round() as i64;
    let (from, stretch) = around(second, middle, piece as i64 / 2 + reach)?;
    let (lag, alike) = correlated(&loud, &stretch[..])?;
    let clock = if alike > LEAST_ALIKE && late > early {
        let two = from as f64 + lag - late as f64;
        ((two - one) / (late - early) as f64).clamp(-LARGEST_CLOCK, LARGEST_CLOCK)
    } else {
        0.0
    };
    let mut found = Alignment { delay: one - clock * early as f64, clock, gain: 1.0 };
    let faded = Faded(second);
    let mut points = Vec::new();
    for _ in 0..12 {
        let Some((start, end)) = common(first.frames(), second.frames(), &found) else { return Ok(None) };
        let Some(step) = improved(first, &faded, &mut points, &mut found, start..end)? else {
            return Ok(None);
        };
        if step < 1e-9 {
            break;
        }
    }
    Ok(Some(found))
}

/// The samples of the first recording for which the second can be read, clear of both ends.
fn common(first: usize, second: usize, alignment: &Alignment) -> Option<(usize, usize)> {
    let margin = (FADED + GUARD) as f64;
    let pace = 1.0 + alignment.clock;
    let start = ((margin - alignment.delay) / pace).max(margin).ceil() as usize;
    let end = ((second as f64 - margin - alignment.delay) / pace).min(first as f64 - margin).floor();
    (end > start as f64 + 1024.0).then_some((start, end as usize))
}

/// What the second recording is around a place, in samples.
type Point = (f64, Between);

/// One step of Gauss-Newton; how far it went, in samples and shares. `points` is what the last step read of the second: a few
/// thousand places, of which each step needs another fraction of a sample.
fn improved<S: Samples + ?Sized, T: Samples + ?Sized>(
    first: &S,
    second: &T,
    points: &mut Vec<Point>,
    found: &mut Alignment,
    range: std::ops::Range<usize>,
) -> Result<Option<f64>, ClipError> {
    const AROUND: f64 = 0.02;
    let count = range.len();
    let stride = (count / MOST_POINTS).max(1);
    let middle = f64::midpoint(range.start as f64, range.end as f64);
    let scale = count as f64 / 2.0;
    let place = |n: usize| found.delay + n as f64 * (1.0 + found.clock);
    let wanted: Vec<usize> = range.step_by(stride).collect();
    let near = |(n, (at, _)): (&usize, &Point)| (place(*n) - at).abs() < AT_HAND - 1.0;
    if points.len() != wanted.len() || !wanted.iter().zip(points.iter()).all(near) {
        points.clear();
        let mut along = Along::new(second);
        for at in wanted.iter().map(|n| place(*n)) {
            points.push((at, along.around(at - AT_HAND, at + AT_HAND)?));
        }
    }
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let mut own = Vec::new();
    let mut begun = 0;
    for (n, (_, between)) in wanted.iter().zip(points.iter()) {
        if *n >= begun + own.len() {
            begun = *n;
            own = first.stretch(begun as i64, BLOCK)?;
        }
        let place = place(*n);
        let value = between.at(place);
        let slope = (between.at(place + AROUND) - between.at(place - AROUND)) / (2.0 * AROUND);
        let terms = [value, slope, slope * (*n as f64 - middle) / scale];
        for (row, term) in terms.iter().enumerate() {
            for (column, other) in terms.iter().enumerate() {
                normal[row][column] += term * other;
            }
            right[row] += term * own[*n - begun];
        }
    }
    let Some([gain, shift, tilt]) = solved(normal, right) else { return Ok(None) };
    let (shift, tilt) = (shift / gain, tilt / gain);
    // A step of more than half a sample is only a direction.
    let (shift, tilt) = (shift.clamp(-0.5, 0.5), tilt.clamp(-0.5, 0.5));
    found.gain = gain;
    found.clock += tilt / scale;
    found.delay += shift - tilt * middle / scale;
    Ok(Some(shift.abs() + tilt.abs()))
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
            assert_eq!(find(&clip[..], &second[..]).expect("memory"), Some(10_000), "loudest from {loud} on");
        }
    }
}
