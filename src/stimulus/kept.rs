//! Stimuli between their making and their playing: in memory where a session has few of them, else on the disk, in a file
//! without a name.
//!
//! A session's stimuli can be many times what one trial plays. Those of larger sessions lie in one file that no other
//! program can open: it has no name, its owner alone may read it, and it goes with the process however that ends. All
//! stimuli of a session lie in the same place, so that none is quicker at hand than another. Whoever plays a stimulus reads
//! it back, and gets what was written or nothing: its SHA-256 is checked. Where a stimulus lies follows from the session
//! alone; no draw is known here.

use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use sha2::{Digest, Sha256};

use super::StimulusError;
use crate::clip::Playable;

/// Where large files that nobody keeps belong; it is on a disk where the folder for temporary files may be in memory.
const FOLDER: &str = "/var/tmp";
/// Bytes of all stimuli of a session that stay in memory; with more, all are on the disk.
const IN_MEMORY: u64 = 64 * 1024 * 1024;
/// Bytes that are converted at a time.
const PIECE: usize = 1 << 16;
/// Bytes of a sample.
const SAMPLE: usize = size_of::<f32>();

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
        let mut folder = PathBuf::from(FOLDER);
        let file = nameless(&folder).or_else(|_| {
            folder = std::env::temp_dir();
            nameless(&folder)
        });
        let mut medium = self.medium.lock().unwrap_or_else(PoisonError::into_inner);
        let moved = file.and_then(|mut file| {
            medium.rewind()?;
            std::io::copy(&mut *medium, &mut file)?;
            Ok(file)
        });
        *medium = Box::new(moved.map_err(|error| no_room(&folder, &error))?);
        let _ = self.folder.set(folder);
        Ok(())
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
            piece: Vec::new(),
        }
    }

    fn at<T>(&self, at: u64, act: impl FnOnce(&mut dyn Medium) -> std::io::Result<T>) -> std::io::Result<T> {
        let mut medium = self.medium.lock().unwrap_or_else(PoisonError::into_inner);
        medium.seek(SeekFrom::Start(at))?;
        act(&mut **medium)
    }
}

/// A file in a folder that has no name there and that its owner alone may read.
fn nameless(folder: &Path) -> std::io::Result<File> {
    let file = tempfile::tempfile_in(folder)?;
    crate::system::keep_to_owner(&file)?;
    Ok(file)
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
        self.put()
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
        self.written += bytes;
        self.piece.clear();
        Ok(())
    }

    /// The stimulus, and the SHA-256 of its samples.
    pub(super) fn finish(self, rate_hz: u32, channels: u16) -> (Stimulus, [u8; 32]) {
        let sha256 = self.hash.finalize().into();
        let frames = self.written / (SAMPLE as u64 * u64::from(channels.max(1)));
        let sound = Sound::Stored { store: self.store, from: self.from, bytes: self.written, sha256 };
        (Stimulus { rate_hz, channels, frames, sound }, sha256)
    }
}

#[derive(Debug, Clone)]
enum Sound {
    Loaded(Playable),
    Stored { store: Arc<Store>, from: u64, bytes: u64, sha256: [u8; 32] },
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
            Sound::Stored { store, from, bytes, sha256 } => (store, *from, *bytes, sha256),
        };
        let refused = |message: String| StimulusError::Kept { folder: store.folder(), message };
        // Read into its place: a long sound is in memory once.
        let count = length as usize / SAMPLE;
        let mut samples: Arc<[f32]> = std::iter::repeat_n(0.0, count).collect();
        let places = Arc::get_mut(&mut samples).expect("nobody else has it yet");
        let (mut hash, mut bytes, mut at) = (Sha256::new(), vec![0; PIECE], from);
        for places in places.chunks_mut(PIECE / SAMPLE) {
            let bytes = &mut bytes[..SAMPLE * places.len()];
            store.at(at, |file| file.read_exact(bytes)).map_err(|error| refused(error.to_string()))?;
            hash.update(&*bytes);
            at += bytes.len() as u64;
            for (place, word) in places.iter_mut().zip(bytes.as_chunks::<SAMPLE>().0) {
                *place = f32::from_le_bytes(*word);
            }
        }
        if hash.finalize()[..] != sha256[..] {
            return Err(refused("it is no longer what was written".to_owned()));
        }
        Ok(Playable { rate_hz: self.rate_hz, channels: self.channels, samples })
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
        let [first, second] = drafts.map(|draft| draft.finish(48_000, 2));
        for ((stimulus, sha256), seed) in [&first, &second].into_iter().zip([77_777, 99_991]) {
            let back = stimulus.sound().expect("readable");
            assert!(back.samples.iter().copied().eq(sound(seed)));
            assert_eq!((stimulus.frames, *sha256), (20_000, crate::stimulus::digest(&back)));
        }
        // One sample of the first is changed: it is refused, and the other is not.
        store.at(4_000, |file| file.write_all(&[1, 2, 3, 4])).expect("written");
        let error = first.0.sound().expect_err("changed").to_string();
        assert!(error.contains("no longer what was written"), "{error}");
        assert!(second.0.sound().is_ok());
    }

    #[test]
    fn more_than_the_clip_said_is_refused() {
        let store = Store::new();
        let mut draft = store.begin(40);
        let error = draft.push((0..11).map(|n| n as f32)).expect_err("too much").to_string();
        assert!(error.contains("longer than it said"), "{error}");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn the_file_has_no_name_and_is_its_owners_alone() {
        use std::os::unix::fs::MetadataExt;
        let about = nameless(&std::env::temp_dir()).and_then(|file| file.metadata()).expect("an open file");
        assert_eq!((about.nlink(), about.mode() & 0o077), (0, 0));
    }
}
