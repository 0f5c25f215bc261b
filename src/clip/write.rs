//! Writing WAV files: whole or not at all, samples in blocks.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::ClipError;
use super::dither::{Dither, WordLength};

/// Largest data chunk: sizes in the header are 32-bit, and the header itself counts.
const LARGEST_DATA: u64 = u32::MAX as u64 - 128;

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
        path.display()
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

impl WavWriter {
    /// Starts a file beside `path`, which takes that name in [`WavWriter::finish`].
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
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut builder = tempfile::Builder::new();
        builder.prefix(".earwitness-").suffix(".part");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As a file made in the usual way: the user's mask takes away what it wants.
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let temporary = builder.tempfile_in(folder).map_err(|error| cannot(path, &error))?;
        let mut file = BufWriter::with_capacity(1 << 18, temporary);
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
        let mut bytes = std::mem::take(&mut self.bytes);
        bytes.clear();
        for frame in 0..frames {
            for (channel, plane) in planes.iter().enumerate() {
                let at = self.frames + frame as u64;
                match self.word {
                    WordLength::Float32 => bytes.extend_from_slice(&(plane[frame] as f32).to_le_bytes()),
                    WordLength::Bits16 => {
                        let value = self.dither.quantise(plane[frame], 16, channel, at) as i16;
                        bytes.extend_from_slice(&value.to_le_bytes());
                    }
                    WordLength::Bits24 => {
                        let value = self.dither.quantise(plane[frame], 24, channel, at);
                        bytes.extend_from_slice(&value.to_le_bytes()[..3]);
                    }
                }
            }
        }
        self.file.write_all(&bytes).map_err(|error| cannot(&self.path, &error))?;
        self.bytes = bytes;
        self.frames += frames as u64;
        Ok(())
    }

    /// Completes the header and gives the file its name.
    ///
    /// # Errors
    /// The disk is full, or a folder stands in the way.
    pub fn finish(self) -> Result<(), ClipError> {
        let path = self.path.clone();
        self.complete()?.persist(&path).map_err(|error| cannot(&path, &error.error))?;
        Ok(())
    }

    /// Completes the header and returns the file under its temporary name, so that several can appear together.
    pub(crate) fn complete(mut self) -> Result<NamedTempFile, ClipError> {
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
        let file: &File = temporary.as_file();
        file.sync_all().map_err(failed)?;
        Ok(temporary)
    }
}
