//! The sides of a comparison on a clip: which sound each is made from, through which filter.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::controls::{self, Effect};
use super::recorded::{Clip, RecordedPair, Take};
use super::sizes::{self, Recipe};
use super::work::{Group, Side, Work, clip_error, note_once};
use super::{PairKind, StimulusError};
use crate::circuit::Cable;
use crate::clip::OpenClip;
use crate::clip::fade::Fades;
use crate::filter::{FilterError, Fir, design};
use crate::session::{Comparison, Session, Takes};
use crate::units::printed;

/// Ringing that a clip's end cuts off and that is worth a note, in dB.
const WORTHY_RINGING_DB: f64 = -80.0;

/// Numbers of the works that a comparison's sides are made from.
#[derive(Debug, Clone, Copy)]
struct Sounds {
    a: usize,
    b: usize,
    /// Side A recorded once more.
    again: Option<usize>,
    recorded: bool,
}

/// Sounds and filters, each made once however many comparisons share it.
#[derive(Default)]
pub(super) struct Sources {
    pub(super) works: Vec<Work>,
    pub(super) notes: Vec<String>,
    /// What recordings say of themselves.
    pub(super) recorded: Vec<RecordedPair>,
    of_clip: BTreeMap<usize, usize>,
    /// By clip, cable, and whether it is the second recording.
    of_take: BTreeMap<(usize, usize, bool), (usize, Take)>,
    designs: Designs,
}

impl Sources {
    /// The work of a clip that is filtered.
    fn clip(&mut self, session: &Session, clip: usize) -> Result<usize, StimulusError> {
        if let Some(number) = self.of_clip.get(&clip) {
            return Ok(*number);
        }
        let source = open(session, clip, &mut self.notes)?;
        self.works.push(Work::new(clip, source));
        self.of_clip.insert(clip, self.works.len() - 1);
        Ok(self.works.len() - 1)
    }

    /// The works of a comparison that plays recordings.
    fn takes(&mut self, session: &Session, index: usize, clip: usize) -> Result<Sounds, StimulusError> {
        let comparison = &session.comparisons[index];
        let mut wanted = vec![(comparison.a, false), (comparison.b, false)];
        // Either on every clip or on none: the terms say which, and journals are held against them.
        if session.takes(comparison) == Some(Takes::Two) {
            wanted.push((comparison.a, true));
        }
        let missing: Vec<(usize, bool)> = wanted
            .iter()
            .copied()
            .filter(|(cable, again)| !self.of_take.contains_key(&(clip, *cable, *again)))
            .collect();
        if !missing.is_empty() {
            let source = open(session, clip, &mut self.notes)?;
            let played = Clip::read(session, clip, &source)?;
            // What was recorded of this clip before fixes gain and number of channels for all.
            let mut first =
                self.of_take.range((clip, 0, false)..(clip + 1, 0, false)).next().map(|(_, of)| of.1.clone());
            for (cable, again) in missing {
                let take = Take::read(session, &played, cable, again, first.as_ref())?;
                self.notes.extend(take.notes.iter().cloned());
                self.works.push(Work::new(clip, take.clip(session)));
                first = first.or_else(|| Some(take.clone()));
                self.of_take.insert((clip, cable, again), (self.works.len() - 1, take));
            }
        }
        let of = |cable: usize, again: bool| &self.of_take[&(clip, cable, again)];
        let (a, b) = (of(comparison.a, false), of(comparison.b, false));
        let again = wanted.get(2).map(|_| of(comparison.a, true));
        let pair = RecordedPair::of(session, (index, clip), [&a.1, &b.1], again.map(|again| &again.1))?;
        let sounds = Sounds { a: a.0, b: b.0, again: again.map(|again| again.0), recorded: true };
        self.notes.extend(pair.notes(session));
        self.recorded.push(pair);
        Ok(sounds)
    }

    /// The sides and pairs of a comparison on a clip.
    pub(super) fn group(
        &mut self,
        session: &Session,
        index: usize,
        clip: usize,
    ) -> Result<Group, StimulusError> {
        let comparison = &session.comparisons[index];
        let sounds = if session.recordings(comparison, clip).is_some() {
            self.takes(session, index, clip)?
        } else {
            let number = self.clip(session, clip)?;
            Sounds { a: number, b: number, again: None, recorded: false }
        };
        let Self { works, designs, notes, .. } = self;
        group(session, designs, works, notes, (index, clip), sounds)
    }
}

/// Whose fault it is that a filter cannot be made: the amplifier's and the loudspeaker's, if none can be made of them without
/// any cable, and the cable's otherwise.
fn blamed(session: &Session, cable: usize, rate_hz: u32, message: String) -> StimulusError {
    let mut chain = session.chain(cable);
    let measured = matches!(chain.cable.bare(), Cable::Response(_));
    chain.cable = Cable::Direct;
    let bare = |frequencies: &[f64]| chain.transfer(frequencies).map_err(|error| error.to_string());
    match design(&bare, rate_hz) {
        Err(error) if !measured && session.switcher.is_none() => {
            StimulusError::WithoutCable { message: error.to_string() }
        }
        _ => StimulusError::Cable { cable: session.cables[cable].name.as_written().to_owned(), message },
    }
}

/// Filters that have been designed: by rate and recipe (as text, for its amounts are numbers), and the same begun so many
/// samples earlier.
#[derive(Default)]
struct Designs {
    made: BTreeMap<(u32, String), Arc<Fir>>,
    earlier: BTreeMap<(u32, String, i64), Arc<Fir>>,
}

fn designed(session: &Session, recipe: Recipe, rate_hz: u32) -> Result<Arc<Fir>, FilterError> {
    design(&|frequencies: &[f64]| recipe.response(session, frequencies), rate_hz).map(Arc::new)
}

impl Designs {
    /// Designs those of some filters that are not there yet, on all cores. Whatever cannot be made is left to whoever asks for
    /// it by [`Designs::filter`], and is told of there.
    fn ahead(&mut self, session: &Session, recipes: Vec<Recipe>, rate_hz: u32) {
        let wanted = recipes.into_iter().map(|recipe| ((rate_hz, format!("{recipe:?}")), recipe));
        let missing: BTreeMap<_, _> = wanted.filter(|(key, _)| !self.made.contains_key(key)).collect();
        let made = missing.into_par_iter().filter_map(|(key, recipe)| {
            let fir = designed(session, recipe, rate_hz).ok()?;
            Some((key, fir))
        });
        self.made.extend(made.collect::<Vec<_>>());
    }

    fn filter(&mut self, session: &Session, recipe: Recipe, rate_hz: u32) -> Result<Arc<Fir>, StimulusError> {
        let key = (rate_hz, format!("{recipe:?}"));
        if let Some(fir) = self.made.get(&key) {
            return Ok(Arc::clone(fir));
        }
        let fir = designed(session, recipe, rate_hz)
            .map_err(|error| blamed(session, recipe.about(), rate_hz, error.to_string()))?;
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
fn open(session: &Session, clip: usize, notes: &mut Vec<String>) -> Result<OpenClip, StimulusError> {
    let name = session.clips[clip].name.as_written();
    let source = OpenClip::open(&session.clips[clip].source).map_err(clip_error(session, clip))?;
    for note in source.notes() {
        note_once(notes, format!("clip \"{name}\": {note}"));
    }
    let rate = source.info().rate_hz;
    let shortest = Fades::shortest(rate);
    if source.info().frames < shortest {
        return Err(StimulusError::Clip {
            clip: name.to_owned(),
            message: format!(
                "{} is too short: the fades at both ends need {}; choose a longer excerpt",
                printed::fixed(source.info().seconds(), 3, "s"),
                printed::fixed(shortest as f64 / f64::from(rate), 2, "s")
            ),
        });
    }
    Ok(source)
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

/// Everything that the sides of a comparison are filtered with.
fn recipes(session: &Session, comparison: &Comparison) -> Vec<Recipe> {
    let mut recipes = vec![Recipe::cable(comparison.a), Recipe::cable(comparison.b)];
    if let Some(threshold) = session.threshold {
        let levels = threshold.range.levels().into_iter();
        let sides = levels.flat_map(|size| sizes::sides(comparison, threshold.scale, size));
        recipes.extend(sides.map(|(recipe, _)| recipe));
    }
    for (number, control) in session.controls.iter().enumerate() {
        if let Ok(Effect::Filter(control)) = controls::effect(control, number + 1) {
            recipes.push(Recipe::Cable { cable: comparison.a, control: Some(control) });
        }
    }
    recipes
}

fn group(
    session: &Session,
    designs: &mut Designs,
    works: &mut [Work],
    notes: &mut Vec<String>,
    (index, clip): (usize, usize),
    sounds: Sounds,
) -> Result<Group, StimulusError> {
    let comparison = &session.comparisons[index];
    let rate = works[sounds.a].source.info().rate_hz;
    let refused =
        |message| StimulusError::Comparison { comparison: comparison.name.as_written().to_owned(), message };
    sizes::check_range(session, comparison, rate).map_err(refused)?;
    let as_played = |recipe: Recipe| if sounds.recorded { recipe.of_a_recording() } else { recipe };
    let ahead = recipes(session, comparison).into_iter().map(as_played).collect();
    designs.ahead(session, ahead, rate);
    let delay = |designs: &mut Designs, cable: usize| -> Result<i64, StimulusError> {
        Ok(designs.filter(session, as_played(Recipe::cable(cable)), rate)?.delay)
    };
    let shared = common_delay(delay(designs, comparison.a)?, delay(designs, comparison.b)?);
    let mut side_of = |work: usize, recipe, level| -> Result<Side, StimulusError> {
        let fir = designs.filter_earlier(session, as_played(recipe), rate, shared)?;
        Ok(Side { work, fir: works[work].number(fir), level, matching: 1.0, gain: 1.0 })
    };
    let plain_a = Recipe::cable(comparison.a);
    let mut sides =
        vec![side_of(sounds.a, plain_a, 1.0)?, side_of(sounds.b, Recipe::cable(comparison.b), 1.0)?];
    if let Some(again) = sounds.again {
        sides.push(side_of(again, plain_a, 1.0)?);
    }
    // Where nothing is added, side A is played against itself, or against the same cable recorded once more.
    let nothing_added = if sounds.again.is_some() { 2 } else { 0 };
    // Everything else is made from side A's sound.
    let mut side = |recipe, level| side_of(sounds.a, recipe, level);
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
            Effect::Gain(1.0) => pairs.push((kind, 0, nothing_added)),
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
    let info = works[sounds.a].source.info();
    let lost = sides
        .iter()
        .map(|side| lost_db(&works[side.work].firs[side.fir], info.frames))
        .fold(f64::NEG_INFINITY, f64::max);
    if lost > WORTHY_RINGING_DB {
        notes.push(format!(
            "clip \"{}\" ({}) ends before a filter of comparison \"{}\" has rung out: {lost} of its sound \
             is not heard; use a longer excerpt",
            session.clips[clip].name.as_written(),
            printed::fixed(info.seconds(), 2, "s"),
            comparison.name.as_written(),
            lost = printed::fixed(lost, 0, "dB")
        ));
    }
    Ok(Group { comparison: index, clip, sides, pairs, matched })
}
