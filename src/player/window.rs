//! The part of long sounds that is about to be played: blocks of all that are read together, around the place of the sound,
//! at the rate of the stream.
//!
//! The audio thread looks blocks up and reads samples, both without a lock; a thread beside it reads them from the disk, all
//! sounds in the same order, whichever is heard. A block is put in another's place only where the sound cannot come to be
//! before that has been told: it is neither near the place of the sound, nor at the start of the loop, nor where a jump leads.

use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use super::shared::Shared;
use crate::clip::ClipError;
use crate::clip::resample::{Resampling, resampled_frames};
use crate::stimulus::{BLOCK_FRAMES, Stimulus, StimulusError};

/// Blocks that are read ahead: 4 s at 48 kHz.
const AHEAD: u64 = 6;
/// Blocks of a window: one that plays and those ahead of it, two where a jump leads and two where it leaves from, two at the
/// start of each of two loops, one to spare.
const SLOTS: usize = AHEAD as usize + 10;
/// How often the place of the sound is looked at.
const LOOK: Duration = Duration::from_millis(20);
/// No block.
const NONE: u64 = u64::MAX;

/// Room for a block of each sound, one after the other. Samples are the bits of floats.
#[derive(Debug)]
struct Slot {
    block: AtomicU64,
    samples: Box<[AtomicU32]>,
}

/// Where the sound will go, as far as that has been ordered.
#[derive(Debug, Default)]
struct Ordered {
    /// Where the last jump leads, and its number.
    jump: (u64, u64),
    /// The loop that is on or will be, and the one before; the whole sound is `None`.
    regions: [Option<(u64, u64)>; 2],
}

/// Long sounds of one length, block by block.
#[derive(Debug)]
pub(super) struct Window {
    sounds: Arc<[Stimulus]>,
    /// Where the stream has another rate than the sounds.
    resampling: Option<Mutex<Resampling>>,
    pub(super) channels: usize,
    /// Length in frames of the stream.
    pub(super) frames: u64,
    slots: Box<[Slot]>,
    ordered: Mutex<Ordered>,
    /// Why a block could not be read.
    failed: OnceLock<StimulusError>,
    told: AtomicBool,
    /// Whoever plays may wait for the disk: it is no device.
    waits: bool,
}

impl Window {
    /// Around frame 0, which jump `jump` leads to, for a stream of this rate in Hz; its first blocks are read before this
    /// returns.
    ///
    /// # Errors
    /// The sounds cannot be resampled to that rate.
    pub(super) fn new(
        sounds: Arc<[Stimulus]>,
        rate_hz: u32,
        waits: bool,
        jump: u64,
    ) -> Result<Self, ClipError> {
        let (own_hz, channels) =
            sounds.first().map_or((rate_hz, 1), |sound| (sound.rate_hz, sound.channels.max(1)));
        let resampling = (own_hz != rate_hz)
            .then(|| Resampling::new(own_hz, rate_hz, channels))
            .transpose()?
            .map(Mutex::new);
        let channels = usize::from(channels);
        let frames = sounds.iter().map(|sound| sound.frames).min().unwrap_or(0);
        let frames = resampled_frames(frames as usize, own_hz, rate_hz) as u64;
        let size = sounds.len() * channels * BLOCK_FRAMES as usize;
        let slot =
            || Slot { block: AtomicU64::new(NONE), samples: (0..size).map(|_| AtomicU32::new(0)).collect() };
        let window = Self {
            channels,
            frames,
            slots: (0..SLOTS).map(|_| slot()).collect(),
            sounds,
            resampling,
            ordered: Mutex::new(Ordered { jump: (0, jump), regions: [None; 2] }),
            failed: OnceLock::new(),
            told: AtomicBool::new(false),
            waits,
        };
        window.fill(0, 0, 2);
        Ok(window)
    }

    /// Block `number` of a sound, at the rate of the stream.
    fn block(&self, sound: &Stimulus, number: u64) -> Result<Vec<f32>, StimulusError> {
        let Some(resampling) = &self.resampling else { return sound.block(number) };
        let first = number * BLOCK_FRAMES;
        let count = BLOCK_FRAMES.min(self.frames.saturating_sub(first)) as usize;
        let mut resampling = resampling.lock().unwrap_or_else(PoisonError::into_inner);
        resampling.frames(first, count, &mut |frame, places| sound.part(frame, places))
    }

    /// Where `block` is. No lock, no allocation, no call of the system, unless it may wait and has to.
    pub(super) fn find(&self, block: u64) -> Option<usize> {
        let place = || self.slots.iter().position(|slot| slot.block.load(Ordering::Acquire) == block);
        let found = place();
        if found.is_none() && self.waits {
            self.fill(block * BLOCK_FRAMES, u64::MAX, 1);
            return place();
        }
        found
    }

    /// The samples of a sound's frame within the block that [`Window::find`] found there: left and right, or one twice.
    pub(super) fn frame(&self, slot: usize, sound: usize, frame: usize) -> [f32; 2] {
        let at = (sound * BLOCK_FRAMES as usize + frame) * self.channels;
        let sample =
            |channel: usize| f32::from_bits(self.slots[slot].samples[at + channel].load(Ordering::Relaxed));
        [sample(0), sample(self.channels.min(2) - 1)]
    }

    /// A jump with this number has been ordered, and will be obeyed when what it leads to is here.
    pub(super) fn jump(&self, frame: u64, jump: u64, shared: &Shared) {
        self.ordered.lock().unwrap_or_else(PoisonError::into_inner).jump = (frame, jump);
        self.look(shared, 2);
    }

    /// A loop is ordered.
    pub(super) fn region(&self, region: Option<(u64, u64)>, shared: &Shared) {
        let mut ordered = self.ordered.lock().unwrap_or_else(PoisonError::into_inner);
        ordered.regions = [region, ordered.regions[0]];
        drop(ordered);
        self.look(shared, 2);
    }

    /// Why a block could not be read, once.
    pub(super) fn take_failure(&self) -> Option<StimulusError> {
        let failed = self.failed.get()?;
        (!self.told.swap(true, Ordering::Relaxed)).then(|| failed.clone())
    }

    /// Reads what is needed where the sound is now, at most so many blocks.
    pub(super) fn look(&self, shared: &Shared, most: usize) {
        // The jump is looked at first: where it has been made, the place may still be the old one, and both are kept.
        let jumped = shared.jumped.load(Ordering::Acquire);
        self.fill(shared.position.load(Ordering::Relaxed), jumped, most);
    }

    /// Blocks that must be here while the sound is at `position` and the last jump made is `jumped`, the most urgent first.
    fn needed(&self, ordered: &Ordered, position: u64, jumped: u64) -> Vec<u64> {
        let last = self.frames.saturating_sub(1) / BLOCK_FRAMES;
        let (target, jump) = ordered.jump;
        let pending = jumped < jump;
        let from = (if pending { target } else { position }) / BLOCK_FRAMES;
        let mut needed = vec![from.min(last)];
        let two = |frame: u64| [(frame / BLOCK_FRAMES).min(last), (frame / BLOCK_FRAMES + 1).min(last)];
        needed.extend(two(position));
        needed.extend(two(target));
        needed.extend(ordered.regions.iter().flat_map(|region| two(region.map_or(0, |(start, _)| start))));
        let (start, end) = ordered.regions[0].unwrap_or((0, self.frames));
        let (start, end) = (start / BLOCK_FRAMES, (end.saturating_sub(1) / BLOCK_FRAMES).min(last));
        let mut next = from.min(last);
        for _ in 0..AHEAD {
            next = if next == end || next >= last { start } else { next + 1 };
            needed.push(next);
        }
        let mut seen = Vec::with_capacity(needed.len());
        needed.retain(|block| {
            let new = !seen.contains(block);
            seen.push(*block);
            new
        });
        needed
    }

    /// Reads what is needed and not here, at most so many blocks. Where no place is known, the place is what is read.
    fn fill(&self, position: u64, jumped: u64, most: usize) {
        // What came back otherwise than it was written has been told, and ends the sitting.
        if self.failed.get().is_some() {
            return;
        }
        let ordered = self.ordered.lock().unwrap_or_else(PoisonError::into_inner);
        let needed = self.needed(&ordered, position, jumped);
        let here = |block: u64| self.slots.iter().any(|slot| slot.block.load(Ordering::Relaxed) == block);
        let missing: Vec<u64> = needed.iter().copied().filter(|block| !here(*block)).take(most).collect();
        for block in missing {
            let free = self.slots.iter().find(|slot| !needed.contains(&slot.block.load(Ordering::Relaxed)));
            let Some(slot) = free else { return };
            slot.block.store(NONE, Ordering::Release);
            for (number, sound) in self.sounds.iter().enumerate() {
                match self.block(sound, block) {
                    Ok(samples) => {
                        let from = number * self.channels * BLOCK_FRAMES as usize;
                        for (place, sample) in slot.samples[from..].iter().zip(samples) {
                            place.store(sample.to_bits(), Ordering::Relaxed);
                        }
                    }
                    Err(error) => {
                        let _ = self.failed.set(error);
                        return;
                    }
                }
            }
            slot.block.store(block, Ordering::Release);
        }
    }
}

#[cfg(test)]
impl Window {
    /// Numbers of the blocks that are here, in their slots.
    pub(super) fn blocks(&self) -> Vec<u64> {
        self.slots.iter().map(|slot| slot.block.load(Ordering::Relaxed)).collect()
    }
}

/// Reads ahead of a device until it is dropped.
#[derive(Debug)]
pub(super) struct Feeder(Arc<AtomicBool>);

impl Feeder {
    /// Starts; `None` where the system gives no thread.
    pub(super) fn start(window: &Arc<Window>, shared: &Arc<Shared>) -> Option<Self> {
        let over = Arc::new(AtomicBool::new(false));
        let (window, shared, ended) = (Arc::clone(window), Arc::clone(shared), Arc::clone(&over));
        let work = move || {
            while !ended.load(Ordering::Relaxed) {
                window.look(&shared, 1);
                std::thread::sleep(LOOK);
            }
        };
        std::thread::Builder::new().name("sound-ahead".into()).spawn(work).ok()?;
        Some(Self(over))
    }
}

impl Drop for Feeder {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}
