//! What there is to know of a session's stimuli without keeping them: memory does not grow with the clips.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::plan::{Count, FILTERS_AT_A_TIME, Group, Key, Plan, outline};
use super::recorded::RecordedPair;
use super::resolution::{BandLevels, PairSpectra};
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::fourier::{signal, spectrum};
use crate::clip::played::{apart, as_played};
use crate::session::Session;

/// Half a minute is more than enough to find a latency.
const LATENCY_SECONDS: usize = 30;

/// The finished stimuli of a comparison on a clip, held against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct PairDifference {
    /// The comparison and clip.
    pub kind: PairKind,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Levels of side A and of A minus B in ERB-wide bands.
    pub bands: Vec<BandLevels>,
    /// Level of A minus B, sample by sample, in dB relative to a full-scale sine; `None` where they are equal.
    pub difference_db: Option<f64>,
    /// Side B minus side A, in samples: where their cross-correlation is largest. `None` where it was not asked for.
    pub latency: Option<i64>,
    /// Every sample of both sides is the same.
    pub identical: bool,
}

/// A session's stimuli, measured.
#[derive(Debug)]
pub struct Survey<'s> {
    session: &'s Session,
    plan: Plan,
    levels: Vec<PairLevels>,
}

/// Reads every clip, designs every filter and measures what comes out; what can fail, fails here.
///
/// # Errors
/// As [`super::prepare`], but that no sound is too long.
pub fn survey<'s>(session: &'s Session, progress: &dyn Progress) -> Result<Survey<'s>, StimulusError> {
    let mut plan = outline(session)?;
    plan.settle(session, &Count::new(progress, 0), &mut |_, _, _| Ok(()))?;
    let mut levels: Vec<PairLevels> = plan.pairs().map(|(group, pair)| plan.levels(group, pair)).collect();
    levels.sort_by_key(|levels| levels.kind);
    Ok(Survey { session, plan, levels })
}

/// What is gathered of a pair while it goes by.
struct Watch {
    keys: [Key; 2],
    spectra: PairSpectra,
    power: f64,
    samples: u64,
    identical: bool,
    /// Sums of both channels, for the latency.
    early: [Vec<f64>; 2],
}

impl Watch {
    /// Takes a block of both sides as it is played: 32-bit floats.
    fn push(&mut self, a: &[Vec<f64>], b: &[Vec<f64>], wanted: usize) {
        for (a, b) in a.iter().zip(b) {
            let (power, identical) = apart(a, b);
            self.power += power;
            self.identical &= identical;
        }
        self.samples += a.iter().map(|channel| channel.len() as u64).sum::<u64>();
        for (early, side) in self.early.iter_mut().zip([a, b]) {
            let left = wanted.saturating_sub(early.len());
            let frames = side.first().map_or(0, Vec::len).min(left);
            early.extend((0..frames).map(|frame| side.iter().map(|channel| channel[frame]).sum::<f64>()));
        }
        self.spectra.push(a, b);
    }
}

impl Survey<'_> {
    /// What the user should know, in sentences.
    pub fn notes(&self) -> &[String] {
        &self.plan.notes
    }

    /// How the levels of a pair came about.
    pub fn levels(&self, kind: PairKind) -> Option<&PairLevels> {
        self.levels.binary_search_by_key(&kind, |levels| levels.kind).ok().map(|place| &self.levels[place])
    }

    /// What recordings that are played say of themselves, one entry for each comparison on each clip that plays them.
    pub fn recorded(&self) -> &[RecordedPair] {
        &self.plan.recorded
    }

    /// Rate in Hz and number of channels of what is played first.
    pub fn first(&self) -> Option<(u32, u16)> {
        self.plan.works.first().map(|work| (work.source.info().rate_hz, work.source.info().channels))
    }

    /// Each comparison on each clip, in session order: the sound goes by once more. `latency` is looked for where it is
    /// asked for.
    ///
    /// # Errors
    /// A clip has become unreadable.
    pub fn differences(
        &self,
        latency: bool,
        progress: &dyn Progress,
    ) -> Result<Vec<PairDifference>, StimulusError> {
        let key = |group: &Group, side: usize| -> Key {
            let side = group.sides[side];
            (side.work, side.fir, side.gain.to_bits())
        };
        let compared: Vec<(PairKind, [Key; 2])> = self
            .plan
            .pairs()
            .filter(|(_, (kind, ..))| matches!(kind, PairKind::Comparison { .. }))
            .map(|(group, (kind, a, b))| (kind, [key(group, a), key(group, b)]))
            .collect();
        let mut distinct: Vec<[Key; 2]> = compared.iter().map(|(_, keys)| *keys).collect();
        distinct.sort_unstable();
        distinct.dedup();
        let count = Count::new(progress, 0);
        let mut found: BTreeMap<[Key; 2], PairDifference> = BTreeMap::new();
        for of_work in distinct.chunk_by(|one, next| one[0].0 == next[0].0) {
            // Both sides of a pair go by together; recordings, which are in memory, one after the other.
            let (together, apart): (Vec<[Key; 2]>, Vec<[Key; 2]>) =
                of_work.iter().copied().partition(|pair| pair[0].0 == pair[1].0);
            for pairs in together.chunks(FILTERS_AT_A_TIME / 2).chain(apart.chunks(1)) {
                for watch in self.watch(pairs, latency, &count)? {
                    let info = self.plan.works[watch.keys[0].0].source.info();
                    let mean = watch.power / watch.samples.max(1) as f64;
                    let difference = PairDifference {
                        kind: PairKind::Comparison { comparison: 0, clip: 0 },
                        rate_hz: info.rate_hz,
                        bands: watch.spectra.finish(),
                        difference_db: (mean > 0.0).then(|| 10.0 * (2.0 * mean).log10()),
                        latency: latency.then(|| lag(&watch.early)),
                        identical: watch.identical,
                    };
                    found.insert(watch.keys, difference);
                }
            }
        }
        Ok(compared.into_iter().map(|(kind, keys)| PairDifference { kind, ..found[&keys].clone() }).collect())
    }

    fn watch(
        &self,
        pairs: &[[Key; 2]],
        latency: bool,
        count: &Count<'_>,
    ) -> Result<Vec<Watch>, StimulusError> {
        let mut keys: Vec<Key> = pairs.iter().flatten().copied().collect();
        keys.sort_unstable();
        keys.dedup();
        let info = self.plan.works[keys[0].0].source.info();
        let wanted = if latency { LATENCY_SECONDS * info.rate_hz as usize } else { 0 };
        let mut watches: Vec<Watch> = pairs
            .iter()
            .map(|keys| Watch {
                keys: *keys,
                spectra: PairSpectra::new(usize::from(info.channels), info.rate_hz),
                power: 0.0,
                samples: 0,
                identical: true,
                early: [Vec::new(), Vec::new()],
            })
            .collect();
        // Of a pair whose sides come from two sounds.
        let mut kept = [0, 1].map(|_| vec![Vec::new(); usize::from(info.channels)]);
        let channels = usize::from(info.channels);
        let mut played: BTreeMap<Key, Vec<Vec<f64>>> =
            keys.iter().map(|key| (*key, vec![Vec::new(); channels])).collect();
        self.plan.again(self.session, &keys, count, "comparing", &mut |work, firs, block| {
            // Of sides that do not go by now nothing is played.
            played.par_iter_mut().for_each(|(key, channels)| {
                let goes_by = firs.iter().position(|of| key.0 == work && *of == key.1);
                let gain = f64::from_bits(key.2);
                for (index, channel) in channels.iter_mut().enumerate() {
                    let sound = goes_by.map_or(&[][..], |side| &block.sides[side][index]);
                    as_played(sound, gain, channel);
                }
            });
            for watch in watches.iter_mut().filter(|watch| watch.keys[0].0 != watch.keys[1].0) {
                for (sound, key) in kept.iter_mut().zip(watch.keys) {
                    for (channel, block) in sound.iter_mut().zip(&played[&key]) {
                        channel.extend_from_slice(block);
                    }
                }
            }
            watches.par_iter_mut().for_each(|watch| {
                let [a, b] = watch.keys.map(|key| &played[&key]);
                if !a[0].is_empty() && !b[0].is_empty() {
                    watch.push(a, b, wanted);
                }
            });
            Ok(())
        })?;
        if let [watch] = &mut watches[..]
            && kept[0].iter().all(|channel| !channel.is_empty())
        {
            watch.push(&kept[0], &kept[1], wanted);
        }
        Ok(watches)
    }
}

/// Samples by which the second comes later than the first: the largest size of their cross-correlation.
fn lag([a, b]: &[Vec<f64>; 2]) -> i64 {
    let furthest = a.len().saturating_sub(1) as i64;
    let period = (2 * a.len()).next_power_of_two();
    let (a, b) = (spectrum(a, period), spectrum(b, period));
    let correlation = signal(a.iter().zip(&b).map(|(a, b)| a.conj() * b).collect(), period);
    (-furthest..=furthest)
        .max_by(|x, y| {
            // Of a side whose polarity is reversed it is the deepest valley.
            let at = |lag: i64| correlation[lag.rem_euclid(period as i64) as usize].abs();
            // Of equal values the one nearest to zero.
            at(*x).total_cmp(&at(*y)).then(y.abs().cmp(&x.abs()))
        })
        .unwrap_or(0)
}
