//! Filters and gains of every stimulus, before any sound is kept.
//!
//! Each distinct clip is read once and sent through each distinct filter once, however many comparisons share them. What the
//! meters read there holds for every gain, so matching, headroom and the readings of the finished stimuli follow without the
//! sound going by again. Memory does not grow with the clip until somebody wants the stimuli in memory.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::controls::{self, Effect};
use super::sizes::{self, Recipe};
use super::stream::stream;
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::fade::Fades;
use crate::clip::loudness::{Loudness, Meter, Reading};
use crate::clip::{ClipError, OpenClip};
use crate::filter::{Filtered, Fir, design};
use crate::session::{Comparison, Levels, Session};

/// Stimuli stay at or below this true peak.
pub const HIGHEST_TRUE_PEAK_DBTP: f64 = -1.0;
/// Direct current that is worth a note, linear: -40 dBFS.
const WORTHY_MEAN: f64 = 0.01;
/// Ringing that a clip's end cuts off and that is worth a note, in dB.
const WORTHY_RINGING_DB: f64 = -80.0;
/// Loudness of matched stimuli is equal within this, in LU.
pub const MATCHED_WITHIN_LU: f64 = 0.01;
/// Filters that a clip goes through at a time: more would only take more memory.
pub(super) const FILTERS_AT_A_TIME: usize = 8;

/// A clip and every filter that it goes through.
#[derive(Debug, Clone)]
pub(super) struct Work {
    /// Index of the clip in the session.
    pub(super) clip: usize,
    pub(super) source: OpenClip,
    pub(super) firs: Vec<Arc<Fir>>,
    /// What the meters read behind each filter.
    readings: Vec<Reading>,
}

/// One side of a group: which filter of its clip, and what it is multiplied by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    pub(super) fir: usize,
    /// Gain of a level control; 1 otherwise.
    pub(super) level: f64,
    /// Gain of matching; 1 for none.
    matching: f64,
    /// The whole gain, the common one included.
    pub(super) gain: f64,
}

/// The stimuli of one comparison on one clip: sides A and B, then what its controls add to A.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) comparison: usize,
    /// Index of the clip's work.
    pub(super) work: usize,
    pub(super) sides: Vec<Side>,
    /// Purpose, and the indices of the two sides.
    pub(super) pairs: Vec<(PairKind, usize, usize)>,
    /// Sides that are matched to each other where levels are matched: the comparison's own first, which every side that is in
    /// no pair follows as side A does.
    matched: Vec<(usize, usize)>,
}

/// Everything that must be known to make the stimuli of a session.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) works: Vec<Work>,
    pub(super) groups: Vec<Group>,
    pub(super) notes: Vec<String>,
    /// Common gain of each comparison, linear.
    common: Vec<f64>,
}

/// Whoever sees the sound go by: number of a work, numbers of its filters, and a block of their sound, faded, at no gain.
pub(super) type Sink<'s> = dyn FnMut(usize, &[usize], &Filtered) -> Result<(), ClipError> + Send + 's;

fn clip_error(session: &Session, clip: usize) -> impl Fn(ClipError) -> StimulusError + '_ {
    move |error| StimulusError::Clip { clip: session.clips[clip].name.clone(), message: error.0 }
}

/// Adds a note, once: a clip can be in several comparisons.
fn note_once(notes: &mut Vec<String>, note: String) {
    if !notes.contains(&note) {
        notes.push(note);
    }
}

/// Filters that have been designed: by rate and recipe (as text, for its amounts are numbers), and the same begun so many
/// samples earlier.
#[derive(Default)]
struct Designs {
    made: BTreeMap<(u32, String), Arc<Fir>>,
    earlier: BTreeMap<(u32, String, i64), Arc<Fir>>,
}

impl Designs {
    fn filter(&mut self, session: &Session, recipe: Recipe, rate_hz: u32) -> Result<Arc<Fir>, StimulusError> {
        let key = (rate_hz, format!("{recipe:?}"));
        if let Some(fir) = self.made.get(&key) {
            return Ok(Arc::clone(fir));
        }
        let response = |frequencies: &[f64]| recipe.response(session, frequencies);
        let fir = design(&response, rate_hz).map_err(|error| StimulusError::Cable {
            cable: session.cables[recipe.about()].name.clone(),
            message: error.to_string(),
        })?;
        let fir = Arc::new(fir);
        self.made.insert(key, Arc::clone(&fir));
        Ok(fir)
    }

    /// The same filter begun earlier, so that both sides of a comparison lose the delay that they share.
    fn filter_earlier(
        &mut self,
        session: &Session,
        recipe: Recipe,
        rate_hz: u32,
        by: i64,
    ) -> Result<Arc<Fir>, StimulusError> {
        let fir = self.filter(session, recipe, rate_hz)?;
        if by == 0 {
            return Ok(fir);
        }
        let moved = self.earlier.entry((rate_hz, format!("{recipe:?}"), by)).or_insert_with(|| {
            let mut fir = Fir::clone(&fir);
            fir.start -= by;
            fir.delay -= by;
            Arc::new(fir)
        });
        Ok(Arc::clone(moved))
    }
}

/// The filter of a cable's chain at a rate.
pub(super) fn cable_filter(session: &Session, cable: usize, rate_hz: u32) -> Result<Arc<Fir>, StimulusError> {
    Designs::default().filter(session, Recipe::cable(cable), rate_hz)
}

/// The whole samples of delay that both sides of a comparison share.
fn common_delay(a: i64, b: i64) -> i64 {
    if a > 0 && b > 0 {
        a.min(b)
    } else if a < 0 && b < 0 {
        a.max(b)
    } else {
        0
    }
}

/// Opens a clip that is used for the first time.
fn open(session: &Session, clip: usize, notes: &mut Vec<String>) -> Result<Work, StimulusError> {
    let name = &session.clips[clip].name;
    let source = OpenClip::open(&session.clips[clip].source).map_err(clip_error(session, clip))?;
    for note in source.notes() {
        notes.push(format!("clip \"{name}\": {note}"));
    }
    let rate = source.info().rate_hz;
    let shortest = Fades::shortest(rate);
    if source.info().frames < shortest {
        return Err(StimulusError::Clip {
            clip: name.clone(),
            message: format!(
                "{:.3} s is too short: the fades at both ends need {:.2} s; choose a longer excerpt",
                source.info().seconds(),
                shortest as f64 / f64::from(rate)
            ),
        });
    }
    Ok(Work { clip, source, firs: Vec::new(), readings: Vec::new() })
}

impl Work {
    /// The number of a filter among those of this clip. Equal filters are one: what comes out is equal to the last bit.
    fn number(&mut self, fir: Arc<Fir>) -> usize {
        let known = self.firs.iter().position(|known| Arc::ptr_eq(known, &fir) || *known == fir);
        known.unwrap_or_else(|| {
            self.firs.push(fir);
            self.firs.len() - 1
        })
    }
}

/// How much of a filter comes after so many frames, as a sum of magnitudes in dB relative to the sum of all.
fn lost_db(fir: &Fir, frames: u64) -> f64 {
    let within = (frames as i64 - fir.start).clamp(0, fir.taps.len() as i64) as usize;
    if within == fir.taps.len() {
        return f64::NEG_INFINITY;
    }
    let sum = |taps: &[f64]| taps.iter().map(|tap| tap.abs()).sum::<f64>();
    20.0 * (sum(&fir.taps[within..]) / sum(&fir.taps)).log10()
}

fn group(
    session: &Session,
    designs: &mut Designs,
    index: usize,
    comparison: &Comparison,
    (number, work): (usize, &mut Work),
    notes: &mut Vec<String>,
) -> Result<Group, StimulusError> {
    let (clip, rate) = (work.clip, work.source.info().rate_hz);
    let refused = |message| StimulusError::Comparison { comparison: comparison.name.clone(), message };
    sizes::check_range(session, comparison, rate).map_err(refused)?;
    let a = designs.filter(session, Recipe::cable(comparison.a), rate)?;
    let b = designs.filter(session, Recipe::cable(comparison.b), rate)?;
    let shared = common_delay(a.delay, b.delay);
    let mut side = |recipe, level| -> Result<Side, StimulusError> {
        let fir = designs.filter_earlier(session, recipe, rate, shared)?;
        Ok(Side { fir: work.number(fir), level, matching: 1.0, gain: 1.0 })
    };
    let plain_a = Recipe::cable(comparison.a);
    let mut sides = vec![side(plain_a, 1.0)?, side(Recipe::cable(comparison.b), 1.0)?];
    let mut pairs = vec![(PairKind::Comparison { comparison: index, clip }, 0, 1)];
    let mut matched = vec![(0, 1)];
    let mut levels = Vec::new();
    if let Some(threshold) = session.threshold {
        for (level, size) in threshold.range.levels().into_iter().enumerate() {
            for (recipe, gain) in sizes::sides(comparison, threshold.scale, size) {
                sides.push(side(recipe, gain)?);
            }
            let pair = (sides.len() - 2, sides.len() - 1);
            // A yardstick is a difference in level or balance, which matching would take away again.
            if threshold.scale.is_about_the_cables() {
                matched.push(pair);
            }
            levels.push((PairKind::Level { comparison: index, clip, level }, pair.0, pair.1));
        }
    }
    for (number, control) in session.controls.iter().enumerate() {
        let kind = PairKind::Control { control: number, comparison: index, clip };
        match controls::effect(control, number + 1)? {
            Effect::Gain(1.0) => pairs.push((kind, 0, 0)),
            Effect::Gain(gain) => {
                sides.push(side(plain_a, gain)?);
                pairs.push((kind, 0, sides.len() - 1));
            }
            Effect::Filter(control) => {
                sides.push(side(Recipe::Cable { cable: comparison.a, control: Some(control) }, 1.0)?);
                pairs.push((kind, 0, sides.len() - 1));
            }
            // The last of the sizes, which are there before the controls.
            Effect::Size => pairs.extend(levels.last().map(|&(_, a, b)| (kind, a, b))),
        }
    }
    pairs.extend(levels);
    let frames = work.source.info().frames;
    let lost =
        sides.iter().map(|side| lost_db(&work.firs[side.fir], frames)).fold(f64::NEG_INFINITY, f64::max);
    if lost > WORTHY_RINGING_DB {
        notes.push(format!(
            "clip \"{}\" ({:.2} s) ends before a filter of comparison \"{}\" has rung out: {lost:.0} dB of its sound \
             is not heard; use a longer excerpt",
            session.clips[clip].name,
            work.source.info().seconds(),
            comparison.name,
        ));
    }
    Ok(Group { comparison: index, work: number, sides, pairs, matched })
}

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
                        meters.par_iter_mut().zip(&block.sides).for_each(|(meter, side)| {
                            meter.push(&side.iter().map(Vec::as_slice).collect::<Vec<_>>());
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
    let work = Work { clip: 0, source: clip.clone(), firs: vec![Arc::new(fir)], readings: Vec::new() };
    work.pass(&[0], count, what, sink)
}

/// Plans a session's stimuli before any sound goes by: clips, filters, sides.
pub(super) fn outline(session: &Session) -> Result<Plan, StimulusError> {
    let mut notes = Vec::new();
    let mut designs = Designs::default();
    let mut works: Vec<Work> = Vec::new();
    let mut of_clip: BTreeMap<usize, usize> = BTreeMap::new();
    let mut groups = Vec::new();
    for (index, comparison) in session.comparisons.iter().enumerate() {
        for &clip in &comparison.clips {
            let number = match of_clip.get(&clip) {
                Some(number) => *number,
                None => {
                    works.push(open(session, clip, &mut notes)?);
                    of_clip.insert(clip, works.len() - 1);
                    works.len() - 1
                }
            };
            let work = (number, &mut works[number]);
            groups.push(group(session, &mut designs, index, comparison, work, &mut notes)?);
        }
    }
    let common = vec![1.0; session.comparisons.len()];
    Ok(Plan { works, groups, notes, common })
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
                let what = format!("{what} {}", session.clips[work.clip].name);
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
        let Self { works, groups, notes, common } = self;
        for work in works.iter() {
            count.expect(work.source.info().frames * work.firs.len().div_ceil(FILTERS_AT_A_TIME) as u64);
        }
        for (number, work) in works.iter_mut().enumerate() {
            let what = format!("measuring {}", session.clips[work.clip].name);
            work.measure(number, count, &what, sink).map_err(clip_error(session, work.clip))?;
        }
        let mut peaks = vec![0.0_f64; session.comparisons.len()];
        for group in groups.iter_mut() {
            let peak = level(session, group, &works[group.work], notes)?;
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
                check_match(session, group, &works[group.work], notes);
            }
        }
        Ok(())
    }

    /// How the levels of a pair came about.
    pub(super) fn levels(&self, group: &Group, pair: (PairKind, usize, usize)) -> PairLevels {
        let (kind, a, b) = pair;
        let work = &self.works[group.work];
        let (side_a, side_b) = (&group.sides[a], &group.sides[b]);
        let (of_a, of_b) = (work.reading(side_a, side_a.gain), work.reading(side_b, side_b.gain));
        PairLevels {
            kind,
            common_gain_db: decibels(self.common[group.comparison]),
            match_gain_a_db: decibels(side_a.matching),
            match_gain_b_db: decibels(side_b.matching),
            loudness_a_lufs: of_a.integrated_lufs,
            loudness_b_lufs: of_b.integrated_lufs,
            true_peak_a_dbtp: of_a.true_peak_dbtp(),
            true_peak_b_dbtp: of_b.true_peak_dbtp(),
            taps_a: work.firs[side_a.fir].taps.len(),
            taps_b: work.firs[side_b.fir].taps.len(),
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
    work: &Work,
    notes: &mut Vec<String>,
) -> Result<f64, StimulusError> {
    let name = &session.clips[work.clip].name;
    let readings: Vec<Loudness> = group.sides.iter().map(|side| work.reading(side, side.level)).collect();
    let mean = readings[0].mean;
    if mean > WORTHY_MEAN {
        note_once(
            notes,
            format!(
                "clip \"{name}\" carries direct current, {:.1} % of full scale: it is no sound, takes headroom and pushes a \
                 loudspeaker's cone off its place; remove it in an editor (\"remove DC offset\")",
                100.0 * mean
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
                clip: name.clone(),
                message:
                    "it is silent (below -70 LUFS; direct current is no sound), so there is nothing to match levels \
                     on; choose another excerpt or levels = \"as-wired\""
                        .into(),
            });
        }
        (Levels::AsWired, (None, _) | (_, None)) => note_once(
            notes,
            format!(
                "clip \"{name}\" is silent (below -70 LUFS; direct current is no sound): nobody can hear a \
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
fn check_match(session: &Session, group: &mut Group, work: &Work, notes: &mut Vec<String>) {
    for (place, (a, b)) in group.matched.clone().into_iter().enumerate() {
        let with_a = if place == 0 { group.followers() } else { Vec::new() };
        let residual = match_closer(group, work, (a, b), &with_a);
        if residual.abs() > MATCHED_WITHIN_LU / 2.0 {
            note_once(
                notes,
                format!(
                    "clip \"{}\" of comparison \"{}\": {residual:+.3} LU are left between the sides; it is so quiet that \
                     the loudness measure's gate decides",
                    session.clips[work.clip].name, session.comparisons[group.comparison].name
                ),
            );
        }
    }
}

/// Corrects one pair, and the sides that go with its side A; returns what is left between them in LU.
fn match_closer(group: &mut Group, work: &Work, (a, b): (usize, usize), with_a: &[usize]) -> f64 {
    let mut residual = f64::INFINITY;
    for _ in 0..4 {
        let of = |side: &Side| work.reading(side, side.gain).integrated_lufs;
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
