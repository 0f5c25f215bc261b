//! Filters and gains of every stimulus, before any sound is kept.
//!
//! The sound goes by twice: once to measure loudness and true peak of every side, once to keep it (or write it). So
//! memory does not grow with the clip until somebody wants the stimuli in memory.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::controls::{self, Effect};
use super::stream::{faded, stream};
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::fade::Fades;
use crate::clip::loudness::{Loudness, Meter};
use crate::clip::{ClipError, OpenClip};
use crate::filter::{Filtered, Fir, design};
use crate::session::{Comparison, ControlKind, Levels, Session};

/// Stimuli stay at or below this true peak.
pub const HIGHEST_TRUE_PEAK_DBTP: f64 = -1.0;
/// Direct current that is worth a note, linear: -40 dBFS.
const WORTHY_MEAN: f64 = 0.01;
/// Ringing that a clip's end cuts off and that is worth a note, in dB.
const WORTHY_RINGING_DB: f64 = -80.0;
/// Loudness of matched stimuli is equal within this, in LU.
pub const MATCHED_WITHIN_LU: f64 = 0.01;

/// One side of a group: its filter and what it is multiplied by.
#[derive(Debug, Clone)]
pub(super) struct Side {
    pub(super) fir: Arc<Fir>,
    /// Gain of a level control; 1 otherwise.
    level: f64,
    /// Gain of matching; 1 for none.
    matching: f64,
    /// The whole gain, the common one included.
    pub(super) gain: f64,
}

impl Side {
    /// A filter and nothing else.
    pub(super) fn plain(fir: Fir) -> Self {
        Self { fir: Arc::new(fir), level: 1.0, matching: 1.0, gain: 1.0 }
    }
}

/// The stimuli of one comparison on one clip: sides A and B, then what its controls add to A.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) comparison: usize,
    pub(super) clip: OpenClip,
    pub(super) sides: Vec<Side>,
    /// Purpose, and the indices of the two sides.
    pub(super) pairs: Vec<(PairKind, usize, usize)>,
}

/// Everything that must be known to make the stimuli of a session.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) groups: Vec<Group>,
    pub(super) notes: Vec<String>,
    /// Common gain of each comparison, linear.
    pub(super) common: Vec<f64>,
}

fn clip_error(session: &Session, clip: usize) -> impl Fn(ClipError) -> StimulusError + '_ {
    move |error| StimulusError::Clip { clip: session.clips[clip].name.clone(), message: error.0 }
}

/// Adds a note, once: a clip can be in several comparisons.
fn note_once(notes: &mut Vec<String>, note: String) {
    if !notes.contains(&note) {
        notes.push(note);
    }
}

/// Filters that have been designed: by cable, rate, and control (as text, for its amounts are numbers).
type Cabinet = BTreeMap<(usize, u32, String), Arc<Fir>>;

fn filter(
    session: &Session,
    cabinet: &mut Cabinet,
    cable: usize,
    rate_hz: u32,
    control: Option<ControlKind>,
) -> Result<Arc<Fir>, StimulusError> {
    let key = (cable, rate_hz, control.map_or_else(String::new, |kind| format!("{kind:?}")));
    if let Some(fir) = cabinet.get(&key) {
        return Ok(Arc::clone(fir));
    }
    let chain = session.chain(cable);
    let response = |frequencies: &[f64]| {
        let mut values = chain.transfer(frequencies).map_err(|error| error.to_string())?;
        if let Some(kind) = control {
            for (value, frequency) in values.iter_mut().zip(frequencies) {
                *value *= controls::response(kind, *frequency);
            }
        }
        Ok(values)
    };
    let fir = design(&response, rate_hz).map_err(|error| StimulusError::Cable {
        cable: session.cables[cable].name.clone(),
        message: error.to_string(),
    })?;
    let fir = Arc::new(fir);
    cabinet.insert(key, Arc::clone(&fir));
    Ok(fir)
}

/// The filter of a cable's chain at a rate.
pub(super) fn cable_filter(session: &Session, cable: usize, rate_hz: u32) -> Result<Arc<Fir>, StimulusError> {
    filter(session, &mut Cabinet::new(), cable, rate_hz, None)
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

fn earlier(fir: Arc<Fir>, by: i64) -> Arc<Fir> {
    if by == 0 {
        return fir;
    }
    let mut fir = Arc::unwrap_or_clone(fir);
    fir.start -= by;
    fir.delay -= by;
    Arc::new(fir)
}

/// How much of a filter comes after so many frames, as a sum of magnitudes in dB relative to the sum of all.
fn lost_db(fir: &Fir, frames: u64) -> f64 {
    let within = (frames as i64 - fir.start).clamp(0, fir.taps.len() as i64) as usize;
    let sum = |taps: &[f64]| taps.iter().map(|tap| tap.abs()).sum::<f64>();
    20.0 * (sum(&fir.taps[within..]) / sum(&fir.taps)).log10()
}

fn group(
    session: &Session,
    cabinet: &mut Cabinet,
    index: usize,
    comparison: &Comparison,
    clip_index: usize,
    notes: &mut Vec<String>,
) -> Result<Group, StimulusError> {
    let name = &session.clips[clip_index].name;
    let clip = OpenClip::open(&session.clips[clip_index].source).map_err(clip_error(session, clip_index))?;
    for note in clip.notes() {
        note_once(notes, format!("clip \"{name}\": {note}"));
    }
    let rate = clip.info().rate_hz;
    let shortest = Fades::shortest(rate);
    if clip.info().frames < shortest {
        return Err(StimulusError::Clip {
            clip: name.clone(),
            message: format!(
                "{:.3} s is too short: the fades at both ends need {:.2} s; choose a longer excerpt",
                clip.info().seconds(),
                shortest as f64 / f64::from(rate)
            ),
        });
    }
    let a = filter(session, cabinet, comparison.a, rate, None)?;
    let b = filter(session, cabinet, comparison.b, rate, None)?;
    let shared = common_delay(a.delay, b.delay);
    let side = |fir, level| Side { fir: earlier(fir, shared), level, matching: 1.0, gain: 1.0 };
    let mut sides = vec![side(Arc::clone(&a), 1.0), side(b, 1.0)];
    let mut pairs = vec![(PairKind::Comparison { comparison: index, clip: clip_index }, 0, 1)];
    for (number, control) in session.controls.iter().enumerate() {
        let kind = PairKind::Control { control: number, comparison: index, clip: clip_index };
        match controls::effect(control, number + 1)? {
            Effect::Gain(1.0) => pairs.push((kind, 0, 0)),
            Effect::Gain(gain) => {
                sides.push(side(Arc::clone(&a), gain));
                pairs.push((kind, 0, sides.len() - 1));
            }
            Effect::Filter(control) => {
                let fir = filter(session, cabinet, comparison.a, rate, Some(control))?;
                sides.push(side(fir, 1.0));
                pairs.push((kind, 0, sides.len() - 1));
            }
        }
    }
    let lost =
        sides.iter().map(|side| lost_db(&side.fir, clip.info().frames)).fold(f64::NEG_INFINITY, f64::max);
    if lost > WORTHY_RINGING_DB {
        notes.push(format!(
            "clip \"{name}\" ({:.2} s) ends before a filter of comparison \"{}\" has rung out: {lost:.0} dB of its sound \
             is not heard; use a longer excerpt",
            clip.info().seconds(),
            comparison.name,
        ));
    }
    Ok(Group { comparison: index, clip, sides, pairs })
}

/// Counts passes over all clips for whoever shows progress.
pub(super) struct Count<'p> {
    progress: &'p dyn Progress,
    done: std::cell::Cell<u64>,
    total: u64,
}

impl<'p> Count<'p> {
    pub(super) fn new(progress: &'p dyn Progress, total: u64) -> Self {
        Self { progress, done: std::cell::Cell::new(0), total: total.max(1) }
    }

    fn add(&self, frames: u64, what: &str) {
        let done = self.done.get() + frames;
        self.done.set(done);
        self.progress.step(done.min(self.total), self.total, what);
    }
}

impl Group {
    /// Sends the sound by once: every block filtered, faded and multiplied by `gains`, one per side.
    pub(super) fn pass(
        &self,
        gains: &[f64],
        count: &Count<'_>,
        what: &str,
        sink: &mut (dyn FnMut(&Filtered) -> Result<(), ClipError> + Send),
    ) -> Result<(), ClipError> {
        let info = self.clip.info();
        let firs: Vec<&Fir> = self.sides.iter().map(|side| side.fir.as_ref()).collect();
        let fades = Fades::new(info.frames, info.rate_hz);
        stream(&self.clip, &firs, &faded(fades, gains), sink, &mut |frames| count.add(frames, what))
    }

    /// Loudness and true peak of every side with these gains.
    pub(super) fn measure(
        &self,
        gains: &[f64],
        count: &Count<'_>,
        what: &str,
    ) -> Result<Vec<Loudness>, ClipError> {
        let info = self.clip.info();
        let mut meters = (0..self.sides.len())
            .map(|_| Meter::new(usize::from(info.channels), info.rate_hz))
            .collect::<Result<Vec<_>, _>>()?;
        self.pass(gains, count, what, &mut |block| push_all(&mut meters, block))?;
        meters.into_iter().map(Meter::finish).collect()
    }
}

/// Shows a block to the meters of all sides, in parallel.
pub(super) fn push_all(meters: &mut [Meter], block: &Filtered) -> Result<(), ClipError> {
    meters
        .par_iter_mut()
        .zip(&block.sides)
        .try_for_each(|(meter, side)| meter.push(&side.iter().map(Vec::as_slice).collect::<Vec<_>>()))
}

/// Plans the stimuli of a session. `passes` is how often the caller will send the sound by afterwards.
pub(super) fn plan<'p>(
    session: &Session,
    progress: &'p dyn Progress,
    passes: u64,
) -> Result<(Plan, Count<'p>), StimulusError> {
    let mut notes = Vec::new();
    let mut cabinet = Cabinet::new();
    let mut groups = Vec::new();
    for (index, comparison) in session.comparisons.iter().enumerate() {
        for &clip in &comparison.clips {
            groups.push(group(session, &mut cabinet, index, comparison, clip, &mut notes)?);
        }
    }
    let frames: u64 = groups.iter().map(|group| group.clip.info().frames).sum();
    let matched = session.levels == Levels::Matched;
    let count = Count::new(progress, frames * (1 + u64::from(matched) + passes));

    let mut peaks = vec![0.0_f64; session.comparisons.len()];
    for group in &mut groups {
        level(session, group, &count, &mut notes, &mut peaks)?;
    }
    let highest = 10.0_f64.powf(HIGHEST_TRUE_PEAK_DBTP / 20.0);
    let common: Vec<f64> = peaks
        .iter()
        // A millionth of headroom for the meter's own rounding.
        .map(|&peak| if peak > highest { highest / peak * (1.0 - 1e-6) } else { 1.0 })
        .collect();
    for group in &mut groups {
        for side in &mut group.sides {
            side.gain = side.level * side.matching * common[group.comparison];
        }
    }
    if matched {
        for group in &mut groups {
            check_match(session, group, &count, &mut notes)?;
        }
    }
    Ok((Plan { groups, notes, common }, count))
}

fn clip_index(group: &Group) -> usize {
    match group.pairs[0].0 {
        PairKind::Comparison { clip, .. } | PairKind::Control { clip, .. } => clip,
    }
}

/// Measures a group, sets its matching gains and records its highest peak.
fn level(
    session: &Session,
    group: &mut Group,
    count: &Count<'_>,
    notes: &mut Vec<String>,
    peaks: &mut [f64],
) -> Result<(), StimulusError> {
    let clip = clip_index(group);
    let name = &session.clips[clip].name;
    let levels: Vec<f64> = group.sides.iter().map(|side| side.level).collect();
    let readings =
        group.measure(&levels, count, &format!("measuring {name}")).map_err(clip_error(session, clip))?;
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
        (Levels::Matched, (Some(a), Some(b))) => {
            // Only the louder side is touched, and only downwards. Controls start from side A as it then is.
            let quieter = a.min(b);
            let gain_a = 10.0_f64.powf((quieter - a) / 20.0);
            group.sides[1].matching = 10.0_f64.powf((quieter - b) / 20.0);
            for (index, side) in group.sides.iter_mut().enumerate() {
                if index != 1 {
                    side.matching = gain_a;
                }
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
        (Levels::AsWired, (None, _) | (_, None)) => notes.push(format!(
            "clip \"{name}\" is silent (below -70 LUFS; direct current is no sound): nobody can hear a \
                 difference on it"
        )),
        (Levels::AsWired, _) => {}
    }
    let peak = readings
        .iter()
        .zip(&group.sides)
        .map(|(reading, side)| reading.true_peak * side.matching)
        .fold(0.0, f64::max);
    peaks[group.comparison] = peaks[group.comparison].max(peak);
    Ok(())
}

/// Measures matched sides as they will be. The absolute gate of the loudness measure can make the first match inexact;
/// then the louder side is corrected, downwards.
fn check_match(
    session: &Session,
    group: &mut Group,
    count: &Count<'_>,
    notes: &mut Vec<String>,
) -> Result<(), StimulusError> {
    let clip = clip_index(group);
    let name = session.clips[clip].name.clone();
    let mut residual = 0.0;
    for _ in 0..4 {
        let gains: Vec<f64> = group.sides.iter().map(|side| side.gain).collect();
        let readings =
            group.measure(&gains, count, &format!("matching {name}")).map_err(clip_error(session, clip))?;
        let (Some(a), Some(b)) = (readings[0].integrated_lufs, readings[1].integrated_lufs) else {
            residual = f64::INFINITY;
            break;
        };
        residual = a - b;
        if residual.abs() <= MATCHED_WITHIN_LU / 2.0 {
            return Ok(());
        }
        let correction = 10.0_f64.powf(-residual.abs() / 20.0);
        for (index, side) in group.sides.iter_mut().enumerate() {
            if (index == 1) == (residual < 0.0) {
                side.matching *= correction;
                side.gain *= correction;
            }
        }
    }
    notes.push(format!(
        "clip \"{name}\" of comparison \"{}\": {residual:+.3} LU are left between the sides; it is so quiet that the \
         loudness measure's gate decides",
        session.comparisons[group.comparison].name
    ));
    Ok(())
}

fn decibels(gain: f64) -> f64 {
    20.0 * gain.log10()
}

impl Plan {
    /// How the levels of a pair came about, given the finished sides' readings.
    pub(super) fn levels(
        &self,
        group: &Group,
        pair: (PairKind, usize, usize),
        readings: &[Loudness],
    ) -> PairLevels {
        let (kind, a, b) = pair;
        let (side_a, side_b) = (&group.sides[a], &group.sides[b]);
        PairLevels {
            kind,
            common_gain_db: decibels(self.common[group.comparison]),
            match_gain_a_db: decibels(side_a.matching),
            match_gain_b_db: decibels(side_b.matching),
            loudness_a_lufs: readings[a].integrated_lufs,
            loudness_b_lufs: readings[b].integrated_lufs,
            true_peak_a_dbtp: readings[a].true_peak_dbtp(),
            true_peak_b_dbtp: readings[b].true_peak_dbtp(),
            taps_a: side_a.fir.taps.len(),
            taps_b: side_b.fir.taps.len(),
        }
    }
}
