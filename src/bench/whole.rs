//! Which sounds of a recording are one sweep, and which sweeps are whole.
//!
//! A dropout of a tenth of a second makes two sounds of a sweep, and either may be longer than what is left of the others: how
//! long a sound is tells nothing. A sweep rises, so a sound that begins where the one before it ended goes on with it. How far
//! a sweep goes is known from what was played, or else from all of them together.

use std::ops::Range;

use super::recognised::SweepPhase;
use super::recording::Channel;

/// A sound that begins above this share of the frequency at which the one before it ended goes on with its sweep. A sweep ends
/// at four times the frequency that it begins at, or higher.
const GOES_ON: f64 = 0.5;
/// What the frequencies at the ends of a sound are counted over, in seconds.
const ENDS_S: f64 = 0.05;
/// A shorter sound, in seconds, is a click, unless it stands as close to a sweep as no other sweep does.
const CLICK_S: f64 = 0.1;
/// The shortest silence between two sweeps, in seconds.
const SHORTEST_PAUSE_S: f64 = 0.25;
/// A whole sweep begins and ends within this ratio of the frequencies at which it was played.
const ENDS_RATIO: f64 = 1.25;
/// And its time constant is this close to theirs, as the logarithm of the ratio.
const CONSTANT_RATIO: f64 = 0.02;

/// A sweep as it stands on a channel.
#[derive(Debug, Clone)]
pub struct Found {
    /// From its first sample to its last, with the silence that split it.
    pub frames: Range<usize>,
    /// Sounds that it is made of.
    pieces: usize,
    /// Its phase, if it is a sweep in one piece.
    phase: Option<SweepPhase>,
}

/// From where to where a sweep goes, in turns per sample, and how fast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    from: f64,
    to: f64,
    /// Time constant in samples.
    constant: f64,
}

impl Found {
    /// Frequencies at which it begins and ends.
    fn span(&self) -> Option<Span> {
        let phase = self.phase?;
        let at = |place: usize| phase.frequency(place as f64);
        Some(Span { from: at(self.frames.start), to: at(self.frames.end), constant: phase.constant })
    }

    /// Whether it is one, as far as it goes: split by a dropout, or in one piece that a sweep fits.
    pub fn is_sweep(&self) -> bool {
        self.pieces > 1 || self.phase.is_some()
    }

    /// Its phase, if it is whole: in one piece, and as far as the others go.
    pub fn whole(&self, of: Span) -> Option<SweepPhase> {
        let own = self.span()?;
        let as_far = own.from <= ENDS_RATIO * of.from && own.to * ENDS_RATIO >= of.to;
        let as_fast = (own.constant / of.constant).ln().abs() < CONSTANT_RATIO;
        (as_far && as_fast).then_some(self.phase?)
    }
}

impl Span {
    /// As far as any of the sweeps goes, as fast as the middle one; `None` of none.
    pub fn of(sweeps: &[Found]) -> Option<Self> {
        let mut spans: Vec<Self> = sweeps.iter().filter_map(Found::span).collect();
        spans.sort_by(|a, b| a.constant.total_cmp(&b.constant));
        let constant = spans.get(spans.len() / 2)?.constant;
        let farther =
            |all: Self, own: Self| Self { from: all.from.min(own.from), to: all.to.max(own.to), constant };
        spans.into_iter().reduce(farther).map(|all| Self { constant, ..all })
    }
}

/// Upward swings in a stretch, without what noise adds.
fn swings(samples: &[f64]) -> usize {
    let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    let (mut below, mut count) = (false, 0);
    for sample in samples {
        if *sample < -0.2 * peak {
            below = true;
        } else if below && *sample > 0.2 * peak {
            (below, count) = (false, count + 1);
        }
    }
    count
}

/// The sweeps on a channel, whole and split.
pub fn sweeps(channel: &Channel<'_>) -> Vec<Found> {
    let rate = f64::from(channel.rate_hz);
    let frames = |seconds: f64| (seconds * rate) as usize;
    let ends = |sound: &Range<usize>| {
        let length = sound.len().min(frames(ENDS_S));
        let swings = |from: usize| swings(&channel.samples[from..from + length]) as f64 / length as f64;
        (swings(sound.start), swings(sound.end - length))
    };
    let mut found: Vec<(Found, f64)> = Vec::new();
    for sound in channel.stretches() {
        let (begins, finishes) = ends(&sound);
        // Counted in whole swings: one more or less is nothing.
        let one = 1.0 / frames(ENDS_S) as f64;
        match found.last_mut() {
            Some((last, until))
                if begins + one >= GOES_ON * *until
                    && (sound.start - last.frames.end < frames(SHORTEST_PAUSE_S)
                        || sound.len().min(last.frames.len()) > frames(CLICK_S)) =>
            {
                last.frames.end = sound.end;
                last.pieces += 1;
                *until = finishes;
            }
            _ => found.push((Found { frames: sound, pieces: 1, phase: None }, finishes)),
        }
    }
    let mut found: Vec<Found> = found.into_iter().map(|(found, _)| found).collect();
    found.retain(|sweep| sweep.frames.len() > frames(CLICK_S));
    for sweep in found.iter_mut().filter(|sweep| sweep.pieces == 1) {
        sweep.phase = SweepPhase::of(channel.samples, &sweep.frames);
    }
    found
}
