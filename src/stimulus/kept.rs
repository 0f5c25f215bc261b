//! Stimuli between their making and their playing: in memory where a session has few of them, else on the disk, in a file
//! without a name.
//!
//! A session's stimuli can be many times what one trial plays. Those of larger sessions lie in one file that no other
//! program can open: it has no name, its owner alone may read it, and it goes with the process however that ends. All
//! stimuli of a session lie in the same place, so that none is quicker at hand than another. Whoever plays a stimulus reads
//! it back, and gets what was written or nothing: its SHA-256 is checked. A long one is read back in blocks, each held against
//! a SHA-256 of its own, so that memory does not grow with the clip. Where a stimulus lies, and whether it is long, follows
//! from the session alone; no draw is known here.

use std::io::{Cursor, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use sha2::{Digest, Sha256};

use super::StimulusError;
use crate::clip::Playable;

/// Bytes of all stimuli of a session that stay in memory; with more, all are on the disk.
const IN_MEMORY: u64 = 16 << 20;
/// Bytes of a stimulus from which on it is long: half a minute in stereo at 48 kHz.
const LONG: u64 = 12 << 20;
/// Bytes that are converted at a time, and that a digest of a long stimulus's part covers.
const PIECE: usize = 1 << 16;
/// Frames that a long stimulus is read back by: whole pieces, for one channel as for two.
pub const BLOCK_FRAMES: u64 = 1 << 15;
/// Bytes of a sample.
const SAMPLE: usize = size_of::<f32>();

/// Why something is refused that comes back otherwise than it was written.
const CHANGED: &str = "it is no longer what was written";

/// What the stimuli lie in.
trait Medium: Read + Write + Seek + Send + std::fmt::Debug {}

impl<M: Read + Write + Seek + Send + std::fmt::Debug> Medium for M {}

/// Where the stimuli of a session lie.
#[derive(Debug)]
pub(super) struct Store {
    medium: Mutex<Box<dyn Medium>>,
    /// The folder of the file; nothing while everything is in memory.
    folder: OnceLock<PathBuf>,
    /// Bytes that have been given away.
    given: Mutex<u64>,
}

impl Store {
    /// An empty one, in memory.
    pub(super) fn new() -> Arc<Self> {
        let medium = Mutex::new(Box::new(Cursor::new(Vec::new())) as Box<dyn Medium>);
        Arc::new(Self { medium, folder: OnceLock::new(), given: Mutex::new(0) })
    }

    /// Moves everything to a file, in the first folder that takes it. Once only.
    fn to_disk(&self) -> Result<(), StimulusError> {
        if self.folder.get().is_some() {
            return Ok(());
        }
        let (mut file, folder) =
            crate::files::nameless().map_err(|(folder, error)| no_room(&folder, &error))?;
        let mut medium = self.medium.lock().unwrap_or_else(PoisonError::into_inner);
        let moved = medium.rewind().and_then(|()| std::io::copy(&mut *medium, &mut file));
        moved.map_err(|error| no_room(&folder, &error))?;
        *medium = Box::new(file);
        let _ = self.folder.set(folder);
        Ok(())
    }

    fn refuses(&self, message: &str) -> StimulusError {
        StimulusError::Kept { folder: self.folder(), message: message.to_owned() }
    }

    fn folder(&self) -> PathBuf {
        self.folder.get().cloned().unwrap_or_default()
    }

    /// Room for a stimulus of at most so many bytes.
    pub(super) fn begin(self: &Arc<Self>, bytes: u64) -> Draft {
        let mut given = self.given.lock().unwrap_or_else(PoisonError::into_inner);
        let from = *given;
        *given += bytes;
        Draft {
            store: Arc::clone(self),
            from,
            room: bytes,
            written: 0,
            hash: Sha256::new(),
            piece: Vec::with_capacity(PIECE),
            pieces: Vec::new(),
        }
    }

    fn at<T>(&self, at: u64, act: impl FnOnce(&mut dyn Medium) -> std::io::Result<T>) -> std::io::Result<T> {
        let mut medium = self.medium.lock().unwrap_or_else(PoisonError::into_inner);
        medium.seek(SeekFrom::Start(at))?;
        act(&mut **medium)
    }
}

fn no_room(folder: &Path, error: &std::io::Error) -> StimulusError {
    StimulusError::Write {
        file: folder.to_path_buf(),
        message: format!(
            "the stimuli of a sitting are kept there while it lasts, and cannot be: {error}; make room there, or use \
             fewer or shorter clips",
            error = crate::files::reason(error)
        ),
    }
}

/// A stimulus that is being written.
pub(super) struct Draft {
    store: Arc<Store>,
    from: u64,
    room: u64,
    written: u64,
    hash: Sha256,
    piece: Vec<u8>,
    /// Of a long one, the SHA-256 of each piece.
    pieces: Vec<[u8; 32]>,
}

impl Draft {
    /// Appends interleaved samples.
    pub(super) fn push(&mut self, samples: impl Iterator<Item = f32>) -> Result<(), StimulusError> {
        for sample in samples {
            self.piece.extend_from_slice(&sample.to_le_bytes());
            if self.piece.len() == PIECE {
                self.put()?;
            }
        }
        Ok(())
    }

    fn put(&mut self) -> Result<(), StimulusError> {
        let (at, bytes) = (self.from + self.written, self.piece.len() as u64);
        if at + bytes > IN_MEMORY {
            self.store.to_disk()?;
        }
        let room = self.written + bytes <= self.room;
        let put = if room {
            self.store.at(at, |medium| medium.write_all(&self.piece))
        } else {
            Err(std::io::Error::other("a clip is longer than it said"))
        };
        put.map_err(|error| no_room(&self.store.folder(), &error))?;
        self.hash.update(&self.piece);
        if self.room >= LONG {
            self.pieces.push(Sha256::digest(&self.piece).into());
        }
        self.written += bytes;
        self.piece.clear();
        Ok(())
    }

    /// The stimulus, and the SHA-256 of its samples.
    pub(super) fn finish(
        mut self,
        rate_hz: u32,
        channels: u16,
    ) -> Result<(Stimulus, [u8; 32]), StimulusError> {
        if !self.piece.is_empty() {
            self.put()?;
        }
        let sha256 = self.hash.finalize().into();
        let frames = self.written / (SAMPLE as u64 * u64::from(channels.max(1)));
        let pieces = self.pieces.into();
        let sound = Sound::Stored { store: self.store, from: self.from, bytes: self.written, sha256, pieces };
        Ok((Stimulus { rate_hz, channels, frames, sound }, sha256))
    }
}

#[derive(Debug, Clone)]
enum Sound {
    Loaded(Playable),
    Stored { store: Arc<Store>, from: u64, bytes: u64, sha256: [u8; 32], pieces: Arc<[[u8; 32]]> },
}

/// One clip through one side's filter: its shape, and where its sound is.
#[derive(Debug, Clone)]
pub struct Stimulus {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Number of channels, one or two.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    sound: Sound,
}

impl From<Playable> for Stimulus {
    fn from(sound: Playable) -> Self {
        let (rate_hz, channels, frames) = (sound.rate_hz, sound.channels, sound.frames() as u64);
        Self { rate_hz, channels, frames, sound: Sound::Loaded(sound) }
    }
}

impl Stimulus {
    /// The sound, in memory as long as somebody holds it.
    ///
    /// # Errors
    /// The disk does not give back what was written.
    pub fn sound(&self) -> Result<Playable, StimulusError> {
        let (store, from, length, sha256) = match &self.sound {
            Sound::Loaded(sound) => return Ok(sound.clone()),
            Sound::Stored { store, from, bytes, sha256, .. } => (store, *from, *bytes, sha256),
        };
        let refused = |message: &str| store.refuses(message);
        // Read into its place: a long sound is in memory once.
        let count = length as usize / SAMPLE;
        let mut samples: Arc<[f32]> = std::iter::repeat_n(0.0, count).collect();
        let places = Arc::get_mut(&mut samples).expect("nobody else has it yet");
        let (mut hash, mut bytes, mut at) = (Sha256::new(), vec![0; PIECE], from);
        for places in places.chunks_mut(PIECE / SAMPLE) {
            let bytes = &mut bytes[..SAMPLE * places.len()];
            store.at(at, |file| file.read_exact(bytes)).map_err(|error| refused(&error.to_string()))?;
            hash.update(&*bytes);
            at += bytes.len() as u64;
            for (place, word) in places.iter_mut().zip(bytes.as_chunks::<SAMPLE>().0) {
                *place = f32::from_le_bytes(*word);
            }
        }
        if hash.finalize()[..] != sha256[..] {
            return Err(refused(CHANGED));
        }
        Ok(Playable { rate_hz: self.rate_hz, channels: self.channels, samples })
    }

    /// Puts sounds away as those of a session are, all in one place.
    ///
    /// # Errors
    /// The disk has no room for them.
    pub fn keep(sounds: &[Playable]) -> Result<Vec<Self>, StimulusError> {
        let store = Store::new();
        let keep = |sound: &Playable| {
            let mut draft = store.begin((SAMPLE * sound.samples.len()) as u64);
            draft.push(sound.samples.iter().copied())?;
            Ok(draft.finish(sound.rate_hz, sound.channels)?.0)
        };
        sounds.iter().map(keep).collect()
    }

    /// So long that nobody should hold all of it in memory: [`Stimulus::block`] reads parts of it.
    pub fn is_long(&self) -> bool {
        matches!(&self.sound, Sound::Stored { pieces, .. } if !pieces.is_empty())
    }

    /// Block `number` of a long stimulus, from 0: its next [`BLOCK_FRAMES`] frames, or those that are left, interleaved.
    ///
    /// # Errors
    /// The disk does not give back what was written; the stimulus is not long, or has no such block.
    pub fn block(&self, number: u64) -> Result<Vec<f32>, StimulusError> {
        let of_block = BLOCK_FRAMES * u64::from(self.channels) * SAMPLE as u64;
        let (store, from, length, pieces) = match &self.sound {
            Sound::Stored { store, from, bytes, pieces, .. }
                if !pieces.is_empty() && number * of_block < *bytes =>
            {
                (store, *from, *bytes, pieces)
            }
            _ => return Err(Store::new().refuses("there is no such part of it")),
        };
        let at = number * of_block;
        let mut bytes = vec![0; of_block.min(length - at) as usize];
        store
            .at(from + at, |file| file.read_exact(&mut bytes))
            .map_err(|error| store.refuses(&error.to_string()))?;
        let own = pieces.iter().skip((at / PIECE as u64) as usize);
        if bytes.chunks(PIECE).zip(own).any(|(piece, sha256)| Sha256::digest(piece)[..] != sha256[..]) {
            return Err(store.refuses(CHANGED));
        }
        Ok(bytes.as_chunks::<SAMPLE>().0.iter().map(|word| f32::from_le_bytes(*word)).collect())
    }

    /// Puts a long stimulus from `frame` on into `places`, interleaved; those after its end stay as they are.
    ///
    /// # Errors
    /// As [`Stimulus::block`].
    pub fn part(&self, frame: u64, places: &mut [f32]) -> Result<(), StimulusError> {
        let channels = u64::from(self.channels);
        let (mut at, end, of_block) = (frame * channels, self.frames * channels, BLOCK_FRAMES * channels);
        let mut left = places;
        while at < end && !left.is_empty() {
            let block = self.block(at / of_block)?;
            let samples = &block[(at % of_block) as usize..];
            let count = samples.len().min(left.len());
            left[..count].copy_from_slice(&samples[..count]);
            left = &mut left[count..];
            at += count as u64;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_comes_back_and_nothing_else_does() {
        comes_back(false);
        comes_back(true);
    }

    /// Written, moved to the disk in between or not, read back, changed, refused.
    fn comes_back(on_disk: bool) {
        let store = Store::new();
        let sound = |seed: u32| (0..40_000_u32).map(move |n| (n.wrapping_mul(seed) >> 8) as f32 / 1e9);
        let mut drafts = [store.begin(160_000), store.begin(160_000)];
        for start in (0..40_000).step_by(8_192) {
            for (draft, seed) in drafts.iter_mut().zip([77_777, 99_991]) {
                draft.push(sound(seed).skip(start).take(8_192)).expect("room");
            }
            if on_disk {
                store.to_disk().expect("a disk");
            }
        }
        let [first, second] = drafts.map(|draft| draft.finish(48_000, 2).expect("room"));
        for ((stimulus, sha256), seed) in [&first, &second].into_iter().zip([77_777, 99_991]) {
            let back = stimulus.sound().expect("readable");
            assert!(back.samples.iter().copied().eq(sound(seed)));
            let bytes: Vec<u8> = back.samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
            assert_eq!((stimulus.frames, sha256[..] == Sha256::digest(&bytes)[..]), (20_000, true));
        }
        // One sample of the first is changed: it is refused, and the other is not.
        store.at(4_000, |file| file.write_all(&[1, 2, 3, 4])).expect("written");
        let error = first.0.sound().expect_err("changed").to_string();
        assert!(error.contains("no longer what was written"), "{error}");
        assert!(second.0.sound().is_ok());
    }

    #[test]
    fn a_long_one_comes_back_in_blocks_and_none_that_was_changed() {
        let frames = LONG / 8 + 40_001;
        let sample = |n: u64| (n.wrapping_mul(2_654_435_761) >> 7) as f32 / 1e12;
        let store = Store::new();
        let mut draft = store.begin(8 * frames);
        for start in (0..2 * frames).step_by(70_001) {
            draft.push((start..(start + 70_001).min(2 * frames)).map(sample)).expect("room");
        }
        let (stimulus, _) = draft.finish(48_000, 2).expect("room");
        let blocks = stimulus.frames.div_ceil(BLOCK_FRAMES);
        assert!(stimulus.is_long() && stimulus.frames == frames);
        let back: Vec<f32> =
            (0..blocks).flat_map(|number| stimulus.block(number).expect("readable")).collect();
        assert!(back.iter().copied().eq((0..2 * frames).map(sample)));
        assert!(stimulus.block(blocks).is_err(), "there is no more of it");
        for (first, count) in [(BLOCK_FRAMES - 1, 70_003), (0, 2), (frames - 1, 6), (frames, 4)] {
            let mut part = vec![7.0; count];
            stimulus.part(first, &mut part).expect("readable");
            let known = back[2 * first as usize..].iter().copied().chain(std::iter::repeat(7.0)).take(count);
            assert!(part.into_iter().eq(known), "from frame {first}");
        }
        store.at(8 * BLOCK_FRAMES * 3 + 4, |file| file.write_all(&[1, 2, 3, 4])).expect("written");
        let error = stimulus.block(3).expect_err("changed").to_string();
        assert!(error.contains("no longer what was written"), "{error}");
        assert!(
            stimulus.block(2).is_ok() && stimulus.block(4).is_ok(),
            "the blocks beside it are what they were"
        );
    }

    #[test]
    fn more_than_the_clip_said_is_refused() {
        let store = Store::new();
        let mut draft = store.begin(40);
        draft.push((0..11).map(|n| n as f32)).expect("nothing is written before a piece is full");
        let error = draft.finish(48_000, 1).expect_err("too much").to_string();
        assert!(error.contains("longer than it said"), "{error}");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn the_file_has_no_name_and_is_its_owners_alone() {
        use std::os::unix::fs::MetadataExt;
        let (file, _) = crate::files::nameless().expect("a temporary file");
        let about = file.metadata().expect("an open file");
        assert_eq!((about.nlink(), about.mode() & 0o077), (0, 0));
    }
}
