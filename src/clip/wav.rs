//! Reading WAV files: the header by hound, the samples in whole blocks.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use hound::SampleFormat;

use super::ClipError;

/// Bytes that are read and converted at a time: they stay in the cache in between.
const PIECE_BYTES: usize = 1 << 17;

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
    data_offset: u64,
}

/// Where the sound is, from the chunks themselves.
struct Chunks {
    data_offset: u64,
    data_length: u64,
    block_align: u16,
}

fn refuse(path: &Path, message: &str) -> ClipError {
    ClipError(format!("{}: {message}", path.display()))
}

/// Walks the chunks; hound trusts the lengths in the header, so they are held against the file here.
fn chunks(path: &Path, file: &mut BufReader<File>, length: u64) -> Result<Chunks, ClipError> {
    let broken = |_| refuse(path, "the file ends inside its header; copy or export it again");
    let mut magic = [0; 12];
    file.read_exact(&mut magic).map_err(broken)?;
    if &magic[..4] == b"RF64" || &magic[..4] == b"BW64" {
        return Err(refuse(
            path,
            "this is an RF64 file (made for more than 4 GiB); only plain WAV and FLAC are read: cut out the excerpt, or \
             convert it to FLAC",
        ));
    }
    if &magic[..4] != b"RIFF" || &magic[8..] != b"WAVE" {
        return Err(refuse(
            path,
            "this is no WAV file (no RIFF/WAVE at its start); give it the right ending or export it again",
        ));
    }
    let mut block_align = None;
    loop {
        let mut head = [0; 8];
        file.read_exact(&mut head).map_err(|_| {
            refuse(path, "the header has no data chunk before the file ends; export it again")
        })?;
        let size = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]));
        let here = file.stream_position().map_err(broken)?;
        match &head[..4] {
            b"data" => {
                let Some(block_align) = block_align else {
                    return Err(refuse(path, "the header has no format before its data; export it again"));
                };
                if here + size > length {
                    return Err(refuse(
                        path,
                        &format!(
                            "the header promises {size} bytes of sound and the file has {}: it is cut off or its header \
                             is wrong; copy or export it again",
                            length - here
                        ),
                    ));
                }
                if size == 0 {
                    return Err(refuse(
                        path,
                        "the file holds no sound (its data chunk is empty); choose another file",
                    ));
                }
                return Ok(Chunks { data_offset: here, data_length: size, block_align });
            }
            b"fmt " if size >= 16 => {
                let mut format = [0; 16];
                file.read_exact(&mut format).map_err(broken)?;
                block_align = Some(u16::from_le_bytes([format[12], format[13]]));
            }
            _ => {}
        }
        // Chunks are padded to an even length.
        file.seek(SeekFrom::Start(here + size + size % 2)).map_err(broken)?;
    }
}

impl WavFile {
    pub(super) fn open(path: &Path) -> Result<Self, ClipError> {
        let cannot = |error: std::io::Error| refuse(path, &format!("cannot be read: {error}"));
        let mut file = BufReader::new(File::open(path).map_err(cannot)?);
        let length = file.get_ref().metadata().map_err(cannot)?.len();
        if length == 0 {
            return Err(refuse(path, "the file is empty; copy or export it again"));
        }
        let found = chunks(path, &mut file, length)?;
        file.seek(SeekFrom::Start(0)).map_err(cannot)?;
        let reader = hound::WavReader::new(file).map_err(|error| {
            refuse(
                path,
                &format!("this WAV is not understood ({error}); 16, 24 and 32 bit integers and 32-bit float are: export it again"),
            )
        })?;
        let spec = reader.spec();
        check_shape(path, spec.sample_rate, usize::from(spec.channels))?;
        let bytes = usize::from(found.block_align) / usize::from(spec.channels);
        let float = spec.sample_format == SampleFormat::Float;
        let allowed = if float {
            bytes == 4
        } else {
            (1..=4).contains(&bytes) && usize::from(spec.bits_per_sample) <= 8 * bytes
        };
        if !allowed {
            return Err(refuse(
                path,
                &format!(
                    "samples of {} bits in {bytes} bytes are not understood; 16, 24 and 32 bit integers and 32-bit float are",
                    spec.bits_per_sample
                ),
            ));
        }
        Ok(Self {
            path: path.to_path_buf(),
            rate_hz: spec.sample_rate,
            channels: spec.channels,
            encoding: Encoding { bytes, bits: spec.bits_per_sample, float },
            frames: found.data_length / u64::from(found.block_align),
            data_offset: found.data_offset,
        })
    }

    /// A reader that starts at a frame.
    pub(super) fn reader(&self, frame: u64) -> Result<WavBlocks, ClipError> {
        let cannot = |error: std::io::Error| refuse(&self.path, &format!("cannot be read: {error}"));
        let mut file = File::open(&self.path).map_err(cannot)?;
        let align = self.encoding.bytes * usize::from(self.channels);
        file.seek(SeekFrom::Start(self.data_offset + frame * align as u64)).map_err(cannot)?;
        Ok(WavBlocks { wav: self.clone(), file, bytes: Vec::new() })
    }
}

/// Refuses rates and channel counts that are not played.
pub(super) fn check_shape(path: &Path, rate_hz: u32, channels: usize) -> Result<(), ClipError> {
    if !(8_000..=384_000).contains(&rate_hz) {
        return Err(refuse(
            path,
            &format!(
                "a sample rate of {rate_hz} Hz is not allowed, 8000 to 384000 Hz are; export it at 44.1 or 48 kHz"
            ),
        ));
    }
    if !(1..=2).contains(&channels) {
        return Err(refuse(
            path,
            &format!("{channels} channels; one or two are allowed: mix it down to stereo first"),
        ));
    }
    Ok(())
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
            self.file
                .read_exact(&mut self.bytes)
                .map_err(|error| refuse(&self.wav.path, &format!("cannot be read to its end: {error}")))?;
            // Shifted to the top of 32 bits, so that one scale serves every width. Fewer bits than the container has
            // stand in its high ones (WAVE_FORMAT_EXTENSIBLE).
            let scaled = |word: i32| f64::from(word) / 2_147_483_648.0;
            match (float, bytes) {
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
    samples.iter().fold(true, |good, sample| good & (sample.abs() <= largest))
}

/// Appends interleaved samples of `BYTES` bytes to their planes.
fn convert<const BYTES: usize>(
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
