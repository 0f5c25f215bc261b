//! Writing WAV files: whole or not at all, samples in blocks.
//!
//! A file grows under a hidden name of its own (`.earwitness-….part`) and takes its real one when it is finished, so
//! what bears a real name is whole. The writer holds a lock on it, which the operating system lets go when the process
//! ends, however it ends. So the next file that is begun in a folder can tell what a killed process has left there from
//! what another one is still writing, and removes the former.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::ClipError;
use super::dither::{Dither, WordLength};

/// Largest data chunk: sizes in the header are 32-bit, and the header itself counts.
const LARGEST_DATA: u64 = u32::MAX as u64 - 128;

/// Frames that are converted and written at a time: they stay in the cache in between.
const PIECE_FRAMES: usize = 1 << 14;

/// What the names of unfinished files begin and end with.
const UNFINISHED: (&str, &str) = (".earwitness-", ".part");

/// A WAV file that appears under its name when it is finished.
#[derive(Debug)]
pub struct WavWriter {
    file: BufWriter<NamedTempFile>,
    path: PathBuf,
    word: WordLength,
    channels: usize,
    rate_hz: u32,
    dither: Dither,
    frames: u64,
    bytes: Vec<u8>,
}

fn cannot(path: &Path, error: &std::io::Error) -> ClipError {
    ClipError(format!(
        "{}: cannot be written: {error}; check the folder's permissions and the free space",
        path.display(),
        error = crate::files::reason(error)
    ))
}

fn header(word: WordLength, channels: usize, rate_hz: u32, data: u32) -> Vec<u8> {
    let bytes = word.bits().map_or(4, |bits| bits / 8) as usize;
    let align = channels * bytes;
    let float = word == WordLength::Float32;
    let mut header = Vec::with_capacity(80);
    header.extend_from_slice(b"RIFF");
    let rest: u32 = if float { 4 + 26 + 12 + 8 } else { 4 + 24 + 8 };
    header.extend_from_slice(&(rest + data + data % 2).to_le_bytes());
    header.extend_from_slice(b"WAVEfmt ");
    header.extend_from_slice(&(if float { 18_u32 } else { 16 }).to_le_bytes());
    header.extend_from_slice(&(if float { 3_u16 } else { 1 }).to_le_bytes());
    header.extend_from_slice(&(channels as u16).to_le_bytes());
    header.extend_from_slice(&rate_hz.to_le_bytes());
    header.extend_from_slice(&(rate_hz * align as u32).to_le_bytes());
    header.extend_from_slice(&(align as u16).to_le_bytes());
    header.extend_from_slice(&(8 * bytes as u16).to_le_bytes());
    if float {
        // A format that is not PCM has the length of its extension (none) and a fact chunk.
        header.extend_from_slice(&0_u16.to_le_bytes());
        header.extend_from_slice(b"fact");
        header.extend_from_slice(&4_u32.to_le_bytes());
        header.extend_from_slice(&(data / align as u32).to_le_bytes());
    }
    header.extend_from_slice(b"data");
    header.extend_from_slice(&data.to_le_bytes());
    header
}

/// Refuses a file that would be longer than a WAV can be.
///
/// # Errors
/// The sound has more than 4 GiB in this word length.
pub fn check_size(path: &Path, word: WordLength, channels: usize, frames: u64) -> Result<(), ClipError> {
    let bytes = u64::from(word.bits().map_or(4, |bits| bits / 8));
    let data = frames * channels as u64 * bytes;
    if data > LARGEST_DATA {
        return Err(ClipError(format!(
            "{}: {:.1} GiB do not fit a WAV file (4 GiB at most); choose a shorter excerpt or --format s16",
            path.display(),
            data as f64 / f64::from(1 << 30)
        )));
    }
    Ok(())
}

/// Samples of all channels as words of `BYTES` bytes, interleaved, in place of what `bytes` held. `word` is told sample,
/// channel and frame.
fn interleave<const BYTES: usize>(
    planes: &[&[f64]],
    bytes: &mut Vec<u8>,
    word: impl Fn(f64, usize, usize) -> [u8; BYTES],
) {
    let frames = planes.first().map_or(0, |plane| plane.len());
    bytes.resize(frames * planes.len() * BYTES, 0);
    let (words, _) = bytes.as_chunks_mut::<BYTES>();
    if let [left, right] = planes {
        let (pairs, _) = words.as_chunks_mut::<2>();
        for (frame, ((pair, left), right)) in pairs.iter_mut().zip(*left).zip(*right).enumerate() {
            *pair = [word(*left, 0, frame), word(*right, 1, frame)];
        }
        return;
    }
    for (channel, plane) in planes.iter().enumerate() {
        for (frame, (out, sample)) in
            words.iter_mut().skip(channel).step_by(planes.len()).zip(*plane).enumerate()
        {
            *out = word(*sample, channel, frame);
        }
    }
}

/// Removes the unfinished files of processes that are gone. What cannot be looked at, locked or removed stays: it is in
/// nobody's way.
fn remove_abandoned(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let unfinished =
            name.to_str().is_some_and(|name| name.starts_with(UNFINISHED.0) && name.ends_with(UNFINISHED.1));
        if !unfinished {
            continue;
        }
        if let Ok(file) = OpenOptions::new().read(true).write(true).open(entry.path())
            && file.try_lock().is_ok()
        {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// Takes the lock that says that a process is writing this file. `false` where another process has just taken it for
/// abandoned, between its making and this.
fn claim(file: &File, path: &Path) -> bool {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => false,
        // A file system without locks: there nobody can take it for abandoned either.
        Ok(()) | Err(TryLockError::Error(_)) => path.exists(),
    }
}

/// A file beside `path` that this process is writing, under a hidden name.
fn unfinished(path: &Path) -> Result<NamedTempFile, ClipError> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    remove_abandoned(folder);
    let mut builder = tempfile::Builder::new();
    builder.prefix(UNFINISHED.0).suffix(UNFINISHED.1);
    crate::system::as_masked(&mut builder);
    loop {
        let temporary = builder.tempfile_in(folder).map_err(|error| cannot(path, &error))?;
        if claim(temporary.as_file(), temporary.path()) {
            return Ok(temporary);
        }
    }
}

/// Another copy of an unfinished file, beside `path`.
pub fn copy(of: &NamedTempFile, path: &Path) -> Result<NamedTempFile, ClipError> {
    let failed = |error: std::io::Error| cannot(path, &error);
    let copy = unfinished(path)?;
    let mut from = of.reopen().map_err(failed)?;
    std::io::copy(&mut from, &mut copy.as_file()).map_err(failed)?;
    Ok(copy)
}

impl WavWriter {
    /// Starts a file beside `path`, which takes that name in [`WavWriter::finish`]. What a killed process has left
    /// unfinished in the folder is removed.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn create(
        path: &Path,
        word: WordLength,
        channels: usize,
        rate_hz: u32,
        dither: Dither,
    ) -> Result<Self, ClipError> {
        let temporary = unfinished(path)?;
        // No more than a piece has in any format: whole pieces go by it, straight to the file.
        let mut file = BufWriter::with_capacity(2 * PIECE_FRAMES, temporary);
        file.write_all(&header(word, channels, rate_hz, 0)).map_err(|error| cannot(path, &error))?;
        Ok(Self {
            file,
            path: path.to_path_buf(),
            word,
            channels,
            rate_hz,
            dither,
            frames: 0,
            bytes: Vec::new(),
        })
    }

    /// Appends a block, `planes[channel][frame]`, full scale 1.0.
    ///
    /// # Errors
    /// The disk is full, or the file would be longer than a WAV can be.
    pub fn push(&mut self, planes: &[&[f64]]) -> Result<(), ClipError> {
        let frames = planes.first().map_or(0, |plane| plane.len());
        check_size(&self.path, self.word, self.channels, self.frames + frames as u64)?;
        for start in (0..frames).step_by(PIECE_FRAMES) {
            let piece = start..(start + PIECE_FRAMES).min(frames);
            let planes: Vec<&[f64]> = planes.iter().map(|plane| &plane[piece.clone()]).collect();
            let at = self.frames + start as u64;
            let dither = self.dither;
            match self.word {
                WordLength::Float32 => {
                    interleave(&planes, &mut self.bytes, |sample, _, _| (sample as f32).to_le_bytes());
                }
                WordLength::Bits16 => interleave(&planes, &mut self.bytes, |sample, channel, frame| {
                    (dither.quantise(sample, 16, channel, at + frame as u64) as i16).to_le_bytes()
                }),
                WordLength::Bits24 => interleave(&planes, &mut self.bytes, |sample, channel, frame| {
                    let [a, b, c, _] = dither.quantise(sample, 24, channel, at + frame as u64).to_le_bytes();
                    [a, b, c]
                }),
            }
            self.file.write_all(&self.bytes).map_err(|error| cannot(&self.path, &error))?;
        }
        self.frames += frames as u64;
        Ok(())
    }

    /// Completes the header and gives the file its name.
    ///
    /// # Errors
    /// The disk is full, or a folder stands in the way.
    pub fn finish(self) -> Result<(), ClipError> {
        let path = self.path.clone();
        let file = self.complete()?;
        file.as_file().sync_all().map_err(|error| cannot(&path, &error))?;
        file.persist(&path).map_err(|error| cannot(&path, &error.error))?;
        crate::files::sync_names(&path).map_err(|error| cannot(&path, &error))
    }

    /// Completes the header and returns the file under its temporary name, so that several can appear together.
    pub fn complete(mut self) -> Result<NamedTempFile, ClipError> {
        let failed = |error: std::io::Error| cannot(&self.path, &error);
        let width = self.word.bits().map_or(4, |bits| bits / 8) as u64;
        let data = self.frames * self.channels as u64 * width;
        if data % 2 == 1 {
            self.file.write_all(&[0]).map_err(failed)?;
        }
        self.file.flush().map_err(failed)?;
        self.file.seek(SeekFrom::Start(0)).map_err(failed)?;
        self.file.write_all(&header(self.word, self.channels, self.rate_hz, data as u32)).map_err(failed)?;
        let temporary = self.file.into_inner().map_err(|error| cannot(&self.path, error.error()))?;
        // Not forced to the disk here: stimuli that a power cut takes can be rendered again, to the same bytes.
        Ok(temporary)
    }
}
