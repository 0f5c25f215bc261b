//! Filters and gains of every stimulus, before any sound is kept.
//!
//! Each distinct clip is read once and sent through each distinct filter once, however many comparisons share them. What the
//! meters read there holds for every gain, so matching, headroom and the readings of the finished stimuli follow without the
//! sound going by again. Memory does not grow with the clip until somebody wants the stimuli in memory.

use std::sync::Arc;

use rayon::prelude::*;

use super::recorded::RecordedPair;
use super::sides::Sources;
use super::stream::stream;
pub(super) use super::work::{Group, Side};
use super::work::{Work, clip_error, note_once};
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::fade::Fades;
use crate::clip::loudness::{Loudness, Meter};
use crate::clip::{ClipError, OpenClip};
use crate::filter::{Filtered, Fir};
use crate::session::{Levels, Session};
use crate::units::printed;

/// Stimuli stay at or below this true peak.
pub const HIGHEST_TRUE_PEAK_DBTP: f64 = -1.0;
/// Direct current that is worth a note, linear: -40 dBFS.
const WORTHY_MEAN: f64 = 0.01;
/// Loudness of matched stimuli is equal within this, in LU.
pub const MATCHED_WITHIN_LU: f64 = 0.01;
/// Filters that a clip goes through at a time: more would only take more memory.
pub(super) const FILTERS_AT_A_TIME: usize = 8;

/// Everything that must be known to make the stimuli of a session.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) works: Vec<Work>,
    pub(super) groups: Vec<Group>,
    pub(super) notes: Vec<String>,
    /// What recordings that are played say of themselves.
    pub(super) recorded: Vec<RecordedPair>,
    /// Common gain of each comparison, linear.
    common: Vec<f64>,
}

/// Whoever sees the sound go by: number of a work, numbers of its filters, and a block of their sound, faded, at no gain.
pub(super) type Sink<'s> = dyn FnMut(usize, &[usize], &Filtered) -> Result<(), ClipError> + Send + 's;

/// Counts passes over all clips for whoever shows progress.
pub(super) struct Count<'p> {
    progress: &'p dyn Progress,
    done: std::cell::Cell<u64>,
    total: std::cell::Cell<u64>,
}

impl<'p> Count<'p> {
    pub(super) fn new(progress: &'p dyn Progress, total: u64) -> Self {
        Self { progress, done: std::cell::Cell::new(0), total: std::cell::Cell::new(total.max(1)) }
    }

    pub(super) fn expect(&self, frames: u64) {
        self.total.set(self.total.get() + frames);
    }

    fn add(&self, frames: u64, what: &str) {
        let done = self.done.get() + frames;
        self.done.set(done);
        self.progress.step(done.min(self.total.get()), self.total.get(), what);
    }
}

impl Work {
    /// A sound that goes through no filter yet.
    pub(super) fn new(clip: usize, source: OpenClip) -> Self {
        Self { clip, source, firs: Vec::new(), readings: Vec::new() }
    }

    /// Sends the sound by once, through some of its filters: every block filtered and faded.
    fn pass(
        &self,
        firs: &[usize],
        count: &Count<'_>,
        what: &str,
        sink: &mut (dyn FnMut(&Filtered) -> Result<(), ClipError> + Send),
    ) -> Result<(), ClipError> {
        let info = self.source.info();
        let firs: Vec<&Fir> = firs.iter().map(|&fir| self.firs[fir].as_ref()).collect();
        let fades = Fades::new(info.frames, info.rate_hz);
        let fade = |block: &mut Filtered, position: u64| {
            for channel in block.sides.iter_mut().flatten() {
                fades.apply(channel, position);
            }
        };
        stream(&self.source, &firs, &fade, sink, &mut |frames| count.add(frames, what))
    }

    /// Reads loudness and true peak behind every filter, and shows the sound to `sink`.
    fn measure(
        &mut self,
        number: usize,
        count: &Count<'_>,
        what: &str,
        sink: &mut Sink<'_>,
    ) -> Result<(), ClipError> {
        let info = self.source.info().clone();
        let firs: Vec<usize> = (0..self.firs.len()).collect();
        for batch in firs.chunks(FILTERS_AT_A_TIME) {
            let mut meters: Vec<Meter> =
                batch.iter().map(|_| Meter::new(usize::from(info.channels), info.rate_hz)).collect();
            self.pass(batch, count, what, &mut |block| {
                let (sunk, ()) = rayon::join(
                    || sink(number, batch, block),
                    || {
                        let sides: Vec<Vec<&[f64]>> =
                            block.sides.iter().map(|side| side.iter().map(Vec::as_slice).collect()).collect();
                        meters.par_chunks_mut(2).zip(sides.par_chunks(2)).for_each(|two| match two {
                            ([first, second], [a, b]) => Meter::push_both((first, a), (second, b)),
                            (meters, sides) => {
                                for (meter, side) in meters.iter_mut().zip(sides) {
                                    meter.push(side);
                                }
                            }
                        });
                    },
                );
                sunk
            })?;
            self.readings.extend(meters.into_iter().map(Meter::read));
        }
        Ok(())
    }

    /// What the finished stimulus of a side reads.
    fn reading(&self, side: &Side, gain: f64) -> Loudness {
        self.readings[side.fir].at(gain)
    }
}

/// Sends a clip by through one filter, as everything goes by.
pub(super) fn render_direct(
    clip: &OpenClip,
    fir: Fir,
    count: &Count<'_>,
    what: &str,
    sink: &mut (dyn FnMut(&Filtered) -> Result<(), ClipError> + Send),
) -> Result<(), ClipError> {
    let work = Work { firs: vec![Arc::new(fir)], ..Work::new(0, clip.clone()) };
    work.pass(&[0], count, what, sink)
}

/// Plans a session's stimuli before any sound goes by: clips, recordings, filters, sides.
pub(super) fn outline(session: &Session) -> Result<Plan, StimulusError> {
    let mut sources = Sources::default();
    let mut groups = Vec::new();
    for (index, comparison) in session.comparisons.iter().enumerate() {
        for &clip in &comparison.clips {
            groups.push(sources.group(session, index, clip)?);
        }
    }
    let Sources { works, notes, recorded, .. } = sources;
    Ok(Plan { works, groups, notes, recorded, common: vec![1.0; session.comparisons.len()] })
}

/// A sound as it is played: numbers of its clip's work and of the filter, and the bits of its gain.
pub(super) type Key = (usize, usize, u64);

impl Plan {
    /// Sends the sounds of `keys` (ascending) by again, block by block: each with its key, at no gain.
    pub(super) fn again(
        &self,
        session: &Session,
        keys: &[Key],
        count: &Count<'_>,
        what: &str,
        sink: &mut Sink<'_>,
    ) -> Result<(), StimulusError> {
        for of_work in keys.chunk_by(|one, next| one.0 == next.0) {
            let work = &self.works[of_work[0].0];
            let mut firs: Vec<usize> = of_work.iter().map(|key| key.1).collect();
            firs.dedup();
            for batch in firs.chunks(FILTERS_AT_A_TIME) {
                count.expect(work.source.info().frames);
                let what = format!("{what} {}", session.clips[work.clip].name.as_written());
                work.pass(batch, count, &what, &mut |block| sink(of_work[0].0, batch, block))
                    .map_err(clip_error(session, work.clip))?;
            }
        }
        Ok(())
    }

    /// Measures every clip behind every filter and settles all gains. `sink` sees the sound.
    pub(super) fn settle(
        &mut self,
        session: &Session,
        count: &Count<'_>,
        sink: &mut Sink<'_>,
    ) -> Result<(), StimulusError> {
        let Self { works, groups, notes, common, .. } = self;
        for work in works.iter() {
            count.expect(work.source.info().frames * work.firs.len().div_ceil(FILTERS_AT_A_TIME) as u64);
        }
        for (number, work) in works.iter_mut().enumerate() {
            let what = format!("measuring {}", session.clips[work.clip].name.as_written());
            work.measure(number, count, &what, sink).map_err(clip_error(session, work.clip))?;
        }
        let mut peaks = vec![0.0_f64; session.comparisons.len()];
        for group in groups.iter_mut() {
            let peak = level(session, group, works, notes)?;
            peaks[group.comparison] = peaks[group.comparison].max(peak);
        }
        let highest = 10.0_f64.powf(HIGHEST_TRUE_PEAK_DBTP / 20.0);
        // A millionth of headroom for the meter's own rounding.
        let room = |peak: f64| if peak > highest { highest / peak * (1.0 - 1e-6) } else { 1.0 };
        *common = peaks.into_iter().map(room).collect();
        for group in groups {
            for side in &mut group.sides {
                side.gain = side.level * side.matching * common[group.comparison];
            }
            if session.levels == Levels::Matched {
                check_match(session, group, works, notes);
            }
        }
        Ok(())
    }

    /// How the levels of a pair came about.
    pub(super) fn levels(&self, group: &Group, pair: (PairKind, usize, usize)) -> PairLevels {
        let (kind, a, b) = pair;
        let (side_a, side_b) = (&group.sides[a], &group.sides[b]);
        let work = |side: &Side| &self.works[side.work];
        let (of_a, of_b) =
            (work(side_a).reading(side_a, side_a.gain), work(side_b).reading(side_b, side_b.gain));
        PairLevels {
            kind,
            common_gain_db: decibels(self.common[group.comparison]),
            match_gain_a_db: decibels(side_a.matching),
            match_gain_b_db: decibels(side_b.matching),
            loudness_a_lufs: of_a.integrated_lufs,
            loudness_b_lufs: of_b.integrated_lufs,
            true_peak_a_dbtp: of_a.true_peak_dbtp(),
            true_peak_b_dbtp: of_b.true_peak_dbtp(),
            taps_a: work(side_a).firs[side_a.fir].taps.len(),
            taps_b: work(side_b).firs[side_b.fir].taps.len(),
        }
    }

    /// Every pair of the session with its group.
    pub(super) fn pairs(&self) -> impl Iterator<Item = (&Group, (PairKind, usize, usize))> {
        self.groups.iter().flat_map(|group| group.pairs.iter().map(move |&pair| (group, pair)))
    }
}

/// Sets the matching gains of a group and returns its highest peak.
fn level(
    session: &Session,
    group: &mut Group,
    works: &[Work],
    notes: &mut Vec<String>,
) -> Result<f64, StimulusError> {
    let name = session.clips[group.clip].name.as_written();
    let readings: Vec<Loudness> =
        group.sides.iter().map(|side| works[side.work].reading(side, side.level)).collect();
    let mean = readings[0].mean;
    if mean > WORTHY_MEAN {
        note_once(
            notes,
            format!(
                "clip \"{name}\" carries a DC offset, {} of full scale: it is not sound, takes headroom and pushes a \
                 loudspeaker's cone off its place; remove it in an editor (\"remove DC offset\")",
                printed::percent(mean)
            ),
        );
    }
    let loud = (readings[0].integrated_lufs, readings[1].integrated_lufs);
    match (session.levels, loud) {
        (Levels::Matched, (Some(_), Some(_))) => {
            // Only the louder side is touched, and only downwards. Controls start from side A as it then is.
            for &(a, b) in &group.matched {
                let (Some(of_a), Some(of_b)) = (readings[a].integrated_lufs, readings[b].integrated_lufs)
                else {
                    continue;
                };
                let quieter = of_a.min(of_b);
                group.sides[a].matching = 10.0_f64.powf((quieter - of_a) / 20.0);
                group.sides[b].matching = 10.0_f64.powf((quieter - of_b) / 20.0);
            }
            let gain_a = group.sides[0].matching;
            for index in group.followers() {
                group.sides[index].matching = gain_a;
            }
        }
        (Levels::Matched, _) => {
            return Err(StimulusError::Clip {
                clip: name.to_owned(),
                message:
                    "it is silent (below -70 LUFS; a DC offset is not sound), so there is nothing to match levels \
                     on; choose another excerpt or levels = \"as-wired\""
                        .into(),
            });
        }
        (Levels::AsWired, (None, _) | (_, None)) => note_once(
            notes,
            format!(
                "clip \"{name}\" is silent (below -70 LUFS; a DC offset is not sound): nobody can hear a \
                 difference on it"
            ),
        ),
        (Levels::AsWired, _) => {}
    }
    let peak = readings.iter().zip(&group.sides).map(|(reading, side)| reading.true_peak * side.matching);
    Ok(peak.fold(0.0, f64::max))
}

impl Group {
    /// Sides that are in no matched pair: they go with side A.
    fn followers(&self) -> Vec<usize> {
        let in_a_pair = |index: &usize| self.matched.iter().any(|&(a, b)| a == *index || b == *index);
        (0..self.sides.len()).filter(|index| !in_a_pair(index)).collect()
    }
}

/// Holds matched sides against each other as they will be. The absolute gate of the loudness measure can make the first
/// match inexact; then the louder side is corrected, downwards.
fn check_match(session: &Session, group: &mut Group, works: &[Work], notes: &mut Vec<String>) {
    for (place, (a, b)) in group.matched.clone().into_iter().enumerate() {
        let with_a = if place == 0 { group.followers() } else { Vec::new() };
        let residual = match_closer(group, works, (a, b), &with_a);
        if residual.abs() > MATCHED_WITHIN_LU / 2.0 {
            note_once(
                notes,
                format!(
                    "clip \"{}\" of comparison \"{}\": {residual:+.3} LU are left between the sides; it is so quiet that \
                     the loudness measure's gate decides",
                    session.clips[group.clip].name.as_written(),
                    session.comparisons[group.comparison].name.as_written()
                ),
            );
        }
    }
}

/// Corrects one pair, and the sides that go with its side A; returns what is left between them in LU.
fn match_closer(group: &mut Group, works: &[Work], (a, b): (usize, usize), with_a: &[usize]) -> f64 {
    let mut residual = f64::INFINITY;
    for _ in 0..4 {
        let of = |side: &Side| works[side.work].reading(side, side.gain).integrated_lufs;
        let (Some(of_a), Some(of_b)) = (of(&group.sides[a]), of(&group.sides[b])) else {
            return f64::INFINITY;
        };
        residual = of_a - of_b;
        if residual.abs() <= MATCHED_WITHIN_LU / 2.0 {
            break;
        }
        let correction = 10.0_f64.powf(-residual.abs() / 20.0);
        let louder = if residual < 0.0 { vec![b] } else { [&[a], with_a].concat() };
        for index in louder {
            group.sides[index].matching *= correction;
            group.sides[index].gain *= correction;
        }
    }
    residual
}

fn decibels(gain: f64) -> f64 {
    20.0 * gain.log10()
}
