//! From a session to its stimuli in memory.

use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::plan::{Group, plan, push_all};
use super::{Pair, PairKind, Progress, StimulusError, StimulusSet};
use crate::clip::Playable;
use crate::clip::loudness::Meter;
use crate::session::Session;

/// Most bytes that the stimuli of a session may take in memory.
const MOST_BYTES: u64 = 3 << 30;

/// SHA-256 of a stimulus's samples (little-endian 32-bit float, interleaved) as 64 hex digits.
pub fn digest(playable: &Playable) -> String {
    let mut hash = Sha256::new();
    let mut bytes = Vec::with_capacity(1 << 16);
    for block in playable.samples.chunks(1 << 14) {
        bytes.clear();
        bytes.extend(block.iter().flat_map(|sample| sample.to_le_bytes()));
        hash.update(&bytes);
    }
    let mut text = String::with_capacity(64);
    for byte in hash.finalize() {
        for half in [byte >> 4, byte & 15] {
            text.push(char::from_digit(u32::from(half), 16).expect("four bits are one digit"));
        }
    }
    text
}

fn check_memory(session: &Session, groups: &[Group]) -> Result<(), StimulusError> {
    let mut bytes = 0;
    for group in groups {
        let info = group.clip.info();
        bytes += info.frames * u64::from(info.channels) * 4 * group.sides.len() as u64;
        if bytes > MOST_BYTES {
            return Err(StimulusError::Comparison {
                comparison: session.comparisons[group.comparison].name.clone(),
                message: format!(
                    "the stimuli need more than {} GiB of memory; give the clips a shorter `length` (10 to 25 s are \
                     usual)",
                    MOST_BYTES >> 30
                ),
            });
        }
    }
    Ok(())
}

/// Makes every stimulus of a session.
///
/// # Errors
/// A clip that cannot be read, a cable whose response cannot be computed, a control out of bounds, silence where levels
/// are to be matched, more sound than fits in memory.
pub fn prepare(session: &Session, progress: &dyn Progress) -> Result<StimulusSet, StimulusError> {
    let (plan, count) = plan(session, progress, 1)?;
    check_memory(session, &plan.groups)?;
    let mut made = Vec::new();
    for group in &plan.groups {
        let clip_index = match group.pairs[0].0 {
            PairKind::Comparison { clip, .. } | PairKind::Control { clip, .. } => clip,
        };
        let name = &session.clips[clip_index].name;
        let wrong =
            |error: crate::clip::ClipError| StimulusError::Clip { clip: name.clone(), message: error.0 };
        let info = group.clip.info();
        let channels = usize::from(info.channels);
        let mut samples: Vec<Vec<f32>> =
            vec![Vec::with_capacity(info.frames as usize * channels); group.sides.len()];
        let mut meters = (0..group.sides.len())
            .map(|_| Meter::new(channels, info.rate_hz))
            .collect::<Result<Vec<_>, _>>()
            .map_err(wrong)?;
        let gains: Vec<f64> = group.sides.iter().map(|side| side.gain).collect();
        group
            .pass(&gains, &count, &format!("filtering {name}"), &mut |block| {
                push_all(&mut meters, block)?;
                for (kept, side) in samples.iter_mut().zip(&block.sides) {
                    for frame in 0..block.frames() {
                        kept.extend(side.iter().map(|channel| channel[frame] as f32));
                    }
                }
                Ok(())
            })
            .map_err(wrong)?;
        let readings = meters.into_iter().map(Meter::finish).collect::<Result<Vec<_>, _>>().map_err(wrong)?;
        let playables: Vec<Playable> = samples
            .into_iter()
            .map(|samples| Playable {
                rate_hz: info.rate_hz,
                channels: info.channels,
                samples: Arc::from(samples),
            })
            .collect();
        let digests: Vec<String> = playables.iter().map(digest).collect();
        for &(kind, a, b) in &group.pairs {
            let pair = Pair {
                kind,
                a: playables[a].clone(),
                b: playables[b].clone(),
                digest_a: digests[a].clone(),
                digest_b: digests[b].clone(),
            };
            made.push((pair, plan.levels(group, (kind, a, b), &readings)));
        }
    }
    // Comparisons first, then controls; session order within.
    made.sort_by_key(|(pair, _)| pair.kind);
    let (pairs, levels) = made.into_iter().unzip();
    Ok(StimulusSet { pairs, levels, notes: plan.notes })
}
