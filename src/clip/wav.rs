//! Reading WAV files, RF64 and BW64 among them: the header chunk by chunk, the samples in whole blocks.
//!
//! The chunks are those of Microsoft's and IBM's Multimedia Programming Interface (1991) and WAVE_FORMAT_EXTENSIBLE; the
//! 64-bit sizes those of EBU Tech 3306 and ITU-R BS.2088. Every length in a header is held against the file.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::ClipError;
use super::refusal::{check_shape, refuse, unreadable};
use crate::files;
use crate::system::wide;

/// Bytes that are read and converted at a time: they stay in the cache in between.
const PIECE_BYTES: usize = 1 << 17;
/// Format tags in the header.
const INTEGER: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;
/// A size in a header that says: look elsewhere, or: never filled in.
const NO_SIZE: u64 = u32::MAX as u64;
/// Largest file whose 32-bit lengths can be true.
const LARGEST_PLAIN: u64 = NO_SIZE + 8;

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Encoding {
    /// Bytes of the container.
    pub(super) bytes: usize,
    /// Bits that count.
    pub(super) bits: u16,
    pub(super) float: bool,
}

/// A WAV file whose header has been checked against its length.
#[derive(Debug, Clone)]
pub(super) struct WavFile {
    path: PathBuf,
    pub(super) rate_hz: u32,
    pub(super) channels: u16,
    pub(super) encoding: Encoding,
    pub(super) frames: u64,
    /// What the user should know of the file.
    pub(super) note: Option<String>,
    data_offset: u64,
}

/// What the format chunk says.
#[derive(Debug, Clone, Copy)]
struct Format {
    rate_hz: u32,
    channels: u16,
    encoding: Encoding,
}

impl Format {
    fn frame_bytes(self) -> u64 {
        u64::from(self.channels) * self.encoding.bytes as u64
    }
}

/// Where the sound is.
struct Data {
    offset: u64,
    length: u64,
    /// Bytes behind the sound that are no chunk.
    unexplained: u64,
}

fn two(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn four(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

/// Reads a format chunk of at least 16 bytes.
fn format(path: &Path, chunk: &[u8]) -> Result<Format, ClipError> {
    let (rate_hz, channels) = (four(chunk, 4), two(chunk, 2));
    check_shape(path, rate_hz, usize::from(channels))?;
    let (align, container_bits) = (two(chunk, 12), two(chunk, 14));
    let (mut tag, mut bits) = (two(chunk, 0), container_bits);
    if tag == EXTENSIBLE && chunk.len() >= 40 {
        // The tag proper begins the subformat's identifier; of the container's bits so many count, 0 is all.
        tag = two(chunk, 24);
        let valid = two(chunk, 18);
        if valid > 0 {
            bits = valid;
        }
    }
    let bytes = usize::from(align / channels);
    let understood = match tag {
        INTEGER => (1..=4).contains(&bytes) && (1..=8 * bytes).contains(&usize::from(bits)),
        FLOAT => (bytes == 4 && bits == 32) || (bytes == 8 && bits == 64),
        _ => false,
    };
    if !understood || align % channels != 0 {
        return Err(refuse(
            path,
            &format!(
                "its coding is not understood (format {tag}, {bits} bits, {align} bytes for {channels} channels); integers of 8 \
                 to 32 bits and float of 32 or 64 are: export it again as 24-bit WAV or FLAC"
            ),
        ));
    }
    Ok(Format { rate_hz, channels, encoding: Encoding { bytes, bits, float: tag == FLOAT } })
}

/// Walks the chunks to the sound.
fn header(path: &Path, file: &mut BufReader<File>, length: u64) -> Result<(Format, Data), ClipError> {
    let broken = |_| refuse(path, "the file ends inside its header; copy or export it again");
    let mut magic = [0; 12];
    file.read_exact(&mut magic).map_err(broken)?;
    let large = &magic[..4] == b"RF64" || &magic[..4] == b"BW64";
    if !(large || &magic[..4] == b"RIFF") || &magic[8..] != b"WAVE" {
        return Err(refuse(
            path,
            "this is not a WAV file (no RIFF/WAVE at its start); give it the right ending or export it again",
        ));
    }
    if !large && length > LARGEST_PLAIN {
        return Err(refuse(
            path,
            &format!(
                "the file has {:.1} GiB, and the header of a plain WAV file can only count to 4 GiB: the lengths in it \
                 are wrong; cut out the excerpt, or export it as RF64 or FLAC",
                length as f64 / f64::from(1 << 30)
            ),
        ));
    }
    let mut found: Option<Format> = None;
    let mut large_data = None;
    loop {
        let mut head = [0; 8];
        file.read_exact(&mut head).map_err(|_| {
            refuse(path, "the header has no data chunk before the file ends; export it again")
        })?;
        let mut size = u64::from(four(&head, 4));
        let here = file.stream_position().map_err(broken)?;
        match &head[..4] {
            b"data" => {
                let Some(found) = found else {
                    return Err(refuse(path, "the header has no format before its data; export it again"));
                };
                if large && size == NO_SIZE {
                    size = large_data.unwrap_or(NO_SIZE);
                }
                check_data(path, size, length.saturating_sub(here), found.frame_bytes())?;
                let unexplained = unexplained(file, here + size + size % 2, length).map_err(broken)?;
                return Ok((found, Data { offset: here, length: size, unexplained }));
            }
            b"fmt " if size >= 16 => {
                let mut chunk = vec![0; size.min(40) as usize];
                file.read_exact(&mut chunk).map_err(broken)?;
                found = Some(format(path, &chunk)?);
            }
            b"ds64" if size >= 24 => {
                // Lengths of file, data and samples, 64 bits each.
                let mut chunk = [0; 24];
                file.read_exact(&mut chunk).map_err(broken)?;
                large_data = Some(u64::from(four(&chunk, 8)) | u64::from(four(&chunk, 12)) << 32);
            }
            _ => {}
        }
        // Chunks are padded to an even length.
        file.seek(SeekFrom::Start(here + size + size % 2)).map_err(broken)?;
    }
}

/// Holds the promised length of the sound against what is there.
fn check_data(path: &Path, size: u64, left: u64, frame_bytes: u64) -> Result<(), ClipError> {
    let never_completed = (size == 0 && left > 0) || (NO_SIZE - 36..LARGEST_PLAIN).contains(&size);
    if never_completed && size != left {
        return Err(refuse(
            path,
            &format!(
                "the header promises {size} bytes of sound and the file has {left}: the program that wrote it never came \
                 back to complete the header (a recording that was cut off, or a pipe); open it in an editor and export \
                 it again"
            ),
        ));
    }
    if size > left {
        return Err(refuse(
            path,
            &format!(
                "the header promises {size} bytes of sound and the file has {left}: it is cut off or its header is \
                 wrong; copy or export it again"
            ),
        ));
    }
    if size < frame_bytes {
        return Err(refuse(
            path,
            "the file holds no sound (not one whole sample of it); choose another file",
        ));
    }
    Ok(())
}

/// Bytes from `at` to the end of the file that are not whole chunks. Fewer than a chunk's head are left-overs of padding.
fn unexplained(file: &mut BufReader<File>, mut at: u64, length: u64) -> std::io::Result<u64> {
    while at + 8 <= length {
        file.seek(SeekFrom::Start(at))?;
        let mut head = [0; 8];
        file.read_exact(&mut head)?;
        let size = u64::from(four(&head, 4));
        let named = head[..4].iter().all(|letter| (b' '..=b'~').contains(letter));
        if !named || at + 8 + size > length {
            return Ok(length - at);
        }
        at += 8 + size + size % 2;
    }
    Ok(0)
}

/// What to know of a header that tells only a part of the file.
fn length_note(path: &Path, data: &Data, frame_bytes: u64) -> Option<String> {
    // A tag at the end of a file is small; sound that was forgotten is not.
    if data.unexplained > (data.length / 50).max(4096) {
        return Some(format!(
            "{}: its header promises {} bytes of sound, and {} more bytes follow that belong to nothing: only what is \
             promised is played; if that is too short, export the file again",
            path.display(),
            data.length,
            data.unexplained
        ));
    }
    let over = data.length % frame_bytes;
    (over > 0).then(|| {
        format!(
            "{}: its {} bytes of sound are not a whole number of samples; the last {over} are left out",
            path.display(),
            data.length
        )
    })
}

impl WavFile {
    pub(super) fn open(path: &Path) -> Result<Self, ClipError> {
        let cannot = |error: std::io::Error| unreadable(path, &error);
        let mut file = BufReader::new(files::open(path).map_err(cannot)?);
        let length = file.get_ref().metadata().map_err(cannot)?.len();
        let (format, data) = header(path, &mut file, length)?;
        Ok(Self {
            path: path.to_path_buf(),
            rate_hz: format.rate_hz,
            channels: format.channels,
            encoding: format.encoding,
            frames: data.length / format.frame_bytes(),
            note: length_note(path, &data, format.frame_bytes()),
            data_offset: data.offset,
        })
    }

    /// A reader that starts at a frame.
    pub(super) fn reader(&self, frame: u64) -> Result<WavBlocks, ClipError> {
        let cannot = |error: std::io::Error| unreadable(&self.path, &error);
        let mut file = files::open(&self.path).map_err(cannot)?;
        let align = self.encoding.bytes * usize::from(self.channels);
        file.seek(SeekFrom::Start(self.data_offset + frame * align as u64)).map_err(cannot)?;
        Ok(WavBlocks { wav: self.clone(), file, bytes: Vec::new() })
    }
}

/// Blocks of a WAV file.
#[derive(Debug)]
pub(super) struct WavBlocks {
    wav: WavFile,
    file: File,
    bytes: Vec<u8>,
}

impl WavBlocks {
    /// The next `frames` frames, which must be there, into planes that are there already. Whether all samples are
    /// within `largest`; that is seen here, while they are in the cache.
    pub(super) fn read(
        &mut self,
        frames: usize,
        planes: &mut [Vec<f64>],
        largest: f64,
    ) -> Result<bool, ClipError> {
        let mut good = true;
        let Encoding { bytes, float, .. } = self.wav.encoding;
        let align = usize::from(self.wav.channels) * bytes;
        for plane in planes.iter_mut() {
            plane.clear();
            plane.reserve(frames);
        }
        let mut left = frames;
        while left > 0 {
            let piece = left.min(PIECE_BYTES / align);
            self.bytes.resize(piece * align, 0);
            self.file.read_exact(&mut self.bytes).map_err(|error| {
                refuse(
                    &self.wav.path,
                    &format!("cannot be read to its end: {error}", error = crate::files::reason(&error)),
                )
            })?;
            // Shifted to the top of 32 bits, so that one scale serves every width. Fewer bits than the container has
            // stand in its high ones (WAVE_FORMAT_EXTENSIBLE).
            let scaled = |word: i32| f64::from(word) / 2_147_483_648.0;
            match (float, bytes) {
                (true, 8) => convert(&self.bytes, planes, f64::from_le_bytes),
                (true, _) => convert(&self.bytes, planes, |word| f64::from(f32::from_le_bytes(word))),
                (_, 1) => {
                    convert(&self.bytes, planes, |[byte]| scaled(i32::from(byte).wrapping_sub(128) << 24));
                }
                (_, 2) => {
                    convert(&self.bytes, planes, |word| scaled(i32::from(i16::from_le_bytes(word)) << 16));
                }
                (_, 3) => convert(&self.bytes, planes, |[a, b, c]| scaled(i32::from_le_bytes([0, a, b, c]))),
                _ => convert(&self.bytes, planes, |word| scaled(i32::from_le_bytes(word))),
            }
            for plane in &*planes {
                good &= within(&plane[plane.len() - piece..], largest);
            }
            left -= piece;
        }
        Ok(good)
    }
}

/// Whether all samples are numbers of at most this magnitude. No way out in the middle, so that it is a few instructions
/// for eight samples.
pub(super) fn within(samples: &[f64], largest: f64) -> bool {
    wide(
        #[inline(always)]
        || samples.iter().fold(true, |good, sample| good & (sample.abs() <= largest)),
    )
}

/// Appends interleaved samples of `BYTES` bytes to their planes.
fn convert<const BYTES: usize>(
    bytes: &[u8],
    planes: &mut [Vec<f64>],
    value: impl Fn([u8; BYTES]) -> f64 + Copy,
) {
    wide(
        #[inline(always)]
        || convert_narrow(bytes, planes, value),
    );
}

#[inline(always)]
fn convert_narrow<const BYTES: usize>(
    bytes: &[u8],
    planes: &mut [Vec<f64>],
    value: impl Fn([u8; BYTES]) -> f64 + Copy,
) {
    let (words, _) = bytes.as_chunks::<BYTES>();
    match planes {
        [plane] => plane.extend(words.iter().map(|word| value(*word))),
        [left, right] => {
            let (frames, _) = words.as_chunks::<2>();
            left.extend(frames.iter().map(|frame| value(frame[0])));
            right.extend(frames.iter().map(|frame| value(frame[1])));
        }
        _ => {}
    }
}
