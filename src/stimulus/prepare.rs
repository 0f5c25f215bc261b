//! From a session to its stimuli, ready to play.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::kept::{Draft, Store};
use super::plan::{Count, Key, Plan, outline};
use super::{Pair, Progress, Stimulus, StimulusError, StimulusSet};
use crate::clip::ClipError;
use crate::filter::Filtered;
use crate::session::Session;

/// Most bytes that the stimuli of a session may take.
const MOST_BYTES: u64 = 3 << 30;

/// Lower-case hex digits of bytes.
pub(crate) fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        for half in [byte >> 4, byte & 15] {
            text.push(char::from(DIGITS[usize::from(half)]));
        }
    }
    text
}

fn keys(plan: &Plan, gain: impl Fn(&super::plan::Side) -> f64) -> Vec<Key> {
    let mut keys: Vec<Key> = plan
        .groups
        .iter()
        .flat_map(|group| group.sides.iter().map(|side| (side.work, side.fir, gain(side).to_bits())))
        .collect();
    keys.sort_unstable();
    keys.dedup();
    keys
}

fn check_room(session: &Session, plan: &Plan, keys: &[Key]) -> Result<(), StimulusError> {
    let mut bytes = 0;
    for (work, ..) in keys {
        let info = plan.works[*work].source.info();
        bytes += info.frames * u64::from(info.channels) * 4;
        if bytes > MOST_BYTES {
            return Err(StimulusError::Clip {
                clip: session.clips[plan.works[*work].clip].name.as_written().to_owned(),
                message: format!(
                    "the stimuli need more than {} GiB; give the clips a shorter `length` (10 to 25 s are \
                     usual)",
                    MOST_BYTES >> 30
                ),
            });
        }
    }
    Ok(())
}

/// Sounds that are being kept, interleaved.
struct Drafts {
    drafts: BTreeMap<Key, Draft>,
    /// Why one could not be kept.
    failed: Option<StimulusError>,
}

impl Drafts {
    fn new(plan: &Plan, keys: &[Key], store: &Arc<Store>) -> Self {
        let bytes = |work: usize| {
            let info = plan.works[work].source.info();
            info.frames * u64::from(info.channels) * 4
        };
        Self { drafts: keys.iter().map(|key| (*key, store.begin(bytes(key.0)))).collect(), failed: None }
    }

    /// Appends a block of some filters of a work to whatever is made from them.
    fn push(&mut self, work: usize, firs: &[usize], block: &Filtered) -> Result<(), ClipError> {
        let mine =
            self.drafts.range_mut((work, 0, 0)..(work + 1, 0, 0)).filter_map(|((_, fir, gain), draft)| {
                let place = firs.iter().position(|of| of == fir)?;
                Some((&block.sides[place], f64::from_bits(*gain), draft))
            });
        let pushed =
            mine.collect::<Vec<_>>().into_par_iter().try_for_each(|(side, gain, draft)| match &side[..] {
                [one] => draft.push(one.iter().map(|sample| (sample * gain) as f32)),
                [left, right] => draft.push(
                    left.iter()
                        .zip(right)
                        .flat_map(|(left, right)| [(left * gain) as f32, (right * gain) as f32]),
                ),
                _ => Ok(()),
            });
        pushed.map_err(|error| {
            self.failed = Some(error);
            ClipError(String::new())
        })
    }
}

/// Makes every stimulus of a session.
///
/// # Errors
/// A clip that cannot be read, a cable whose response cannot be computed, a control out of bounds, silence where levels
/// are to be matched, more sound than fits in memory.
pub fn prepare(session: &Session, progress: &dyn Progress) -> Result<StimulusSet, StimulusError> {
    let mut plan = outline(session)?;
    // Most often no gain is needed: what goes by while it is measured is then what is played.
    let likely = keys(&plan, |side| side.level);
    check_room(session, &plan, &likely)?;
    let store = Store::new();
    let mut kept = Drafts::new(&plan, &likely, &store);
    let count = Count::new(progress, 0);
    let settled = plan.settle(session, &count, &mut |work, firs, block| kept.push(work, firs, block));
    kept.failed.take().map_or(settled, Err)?;
    let wanted = keys(&plan, |side| side.gain);
    check_room(session, &plan, &wanted)?;
    kept.drafts.retain(|key, _| wanted.contains(key));
    let missing: Vec<Key> = wanted.iter().filter(|key| !kept.drafts.contains_key(key)).copied().collect();
    let mut again = Drafts::new(&plan, &missing, &store);
    let made_again = plan.again(session, &missing, &count, "filtering", &mut |work, firs, block| {
        again.push(work, firs, block)
    });
    again.failed.take().map_or(made_again, Err)?;
    kept.drafts.append(&mut again.drafts);
    let finished: BTreeMap<Key, (Stimulus, [u8; 32])> = kept
        .drafts
        .into_iter()
        .map(|(key, draft)| {
            let info = plan.works[key.0].source.info();
            Ok((key, draft.finish(info.rate_hz, info.channels)?))
        })
        .collect::<Result<_, StimulusError>>()?;
    let mut made: Vec<_> = plan
        .pairs()
        .map(|(group, (kind, a, b))| {
            let of = |side: usize| {
                let side = group.sides[side];
                finished[&(side.work, side.fir, side.gain.to_bits())].clone()
            };
            let ((a_sound, digest_a), (b_sound, digest_b)) = (of(a), of(b));
            (Pair { kind, a: a_sound, b: b_sound, digest_a, digest_b }, plan.levels(group, (kind, a, b)))
        })
        .collect();
    // Comparisons first, then controls; session order within.
    made.sort_by_key(|(pair, _)| pair.kind);
    let (pairs, levels) = made.into_iter().unzip();
    Ok(StimulusSet { pairs, levels, notes: plan.notes, recorded: plan.recorded })
}
