//! Opening a clip: its facts at once, its sound in blocks as often as wanted.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::compressed::CompressedBlocks;
use super::parked::{BLOCK, Parked, Samples as _};
use super::refusal::{check_ordinary, lossy_note, rate_note, refuse};
use super::wav::{WavBlocks, WavFile, within};
use super::{ClipError, ClipSource, Sound, synth};

/// Samples (frames times channels) of a compressed excerpt that are kept in memory; a longer one is decoded again for
/// each pass.
const MOST_SAMPLES_KEPT: u64 = 16_000_000;
/// A sample beyond this is no sound scaled to 1.0.
const LARGEST_SAMPLE: f64 = 64.0;

/// What is known of a clip before it is played.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipInfo {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Number of channels, one or two.
    pub channels: u16,
    /// Length of the excerpt in frames.
    pub frames: u64,
    /// How the source is coded, such as "16-bit integer WAV" or "flac".
    pub coding: String,
}

impl ClipInfo {
    /// Length of the excerpt in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.rate_hz)
    }
}

#[derive(Debug, Clone)]
enum Kind {
    Memory(Arc<Sound>),
    Parked(Arc<Parked>),
    Wav { wav: WavFile, start: u64 },
    Compressed { path: PathBuf, start: u64 },
}

/// A clip that can be read from its start as often as wanted. Memory stays bounded however long the file is.
#[derive(Debug, Clone)]
pub struct OpenClip {
    info: ClipInfo,
    kind: Kind,
    name: String,
    notes: Vec<String>,
}

/// Start and length of an excerpt in frames.
fn excerpt(
    path: &Path,
    rate_hz: u32,
    total: u64,
    start_seconds: f64,
    length_seconds: Option<f64>,
) -> Result<(u64, u64), ClipError> {
    let rate = f64::from(rate_hz);
    let seconds = total as f64 / rate;
    let wrong = |message: String| refuse(path, &message);
    if !(start_seconds >= 0.0 && start_seconds.is_finite()) {
        return Err(wrong(format!(
            "an excerpt cannot start at {start_seconds} s; 0 s is the beginning of the file"
        )));
    }
    let start = (start_seconds * rate).round();
    if start >= total as f64 {
        return Err(wrong(format!(
            "the excerpt starts at {start_seconds} s and the file ends at {seconds}; choose an earlier start",
            seconds = crate::units::printed::fixed(seconds, 3, "s")
        )));
    }
    let start = start as u64;
    let Some(length_seconds) = length_seconds else { return Ok((start, total - start)) };
    if !(length_seconds > 0.0 && length_seconds.is_finite()) {
        return Err(wrong(format!(
            "an excerpt cannot be {length_seconds} s long; it must be longer than 0 s"
        )));
    }
    let length = (length_seconds * rate).round();
    if start as f64 + length > total as f64 {
        return Err(wrong(format!(
            "the excerpt ends at {} and the file at {seconds}; at most {} are left from its start",
            crate::units::printed::fixed(start_seconds + length_seconds, 3, "s"),
            crate::units::printed::fixed(seconds - start_seconds, 3, "s"),
            seconds = crate::units::printed::fixed(seconds, 3, "s")
        )));
    }
    if length < 1.0 {
        return Err(wrong(format!("an excerpt of {length_seconds} s is shorter than one sample")));
    }
    Ok((start, length as u64))
}

impl OpenClip {
    /// Opens a clip. A compressed file is decoded once to know its length.
    ///
    /// # Errors
    /// A file that is missing, empty, no ordinary file, protected, truncated, of a format, rate or number of channels
    /// that is not read, with a header that does not fit it, or shorter than the excerpt; an unknown synthesised clip.
    pub fn open(source: &ClipSource) -> Result<Self, ClipError> {
        match source {
            ClipSource::Synth { name, length_seconds, rate_hz, seed } => {
                let sound = synth::shared(name, *length_seconds, *rate_hz, *seed)?;
                Ok(Self {
                    info: ClipInfo {
                        rate_hz: *rate_hz,
                        channels: sound.channels.len() as u16,
                        frames: sound.frames() as u64,
                        coding: "synthesised".into(),
                    },
                    kind: Kind::Memory(sound),
                    name: name.clone(),
                    notes: Vec::new(),
                })
            }
            ClipSource::File { path, start_seconds, length_seconds } => {
                check_ordinary(path)?;
                let wav = path.extension().is_some_and(|extension| {
                    extension.eq_ignore_ascii_case("wav") || extension.eq_ignore_ascii_case("wave")
                });
                if wav {
                    Self::open_wav(path, *start_seconds, *length_seconds)
                } else {
                    Self::open_compressed(path, *start_seconds, *length_seconds)
                }
            }
        }
    }

    fn open_wav(path: &Path, start: f64, length: Option<f64>) -> Result<Self, ClipError> {
        let wav = WavFile::open(path)?;
        let (start, frames) = excerpt(path, wav.rate_hz, wav.frames, start, length)?;
        let kind = if wav.encoding.float { "float" } else { "integer" };
        let notes = wav.note.clone().into_iter().chain(rate_note(path, wav.rate_hz)).collect();
        Ok(Self {
            info: ClipInfo {
                rate_hz: wav.rate_hz,
                channels: wav.channels,
                frames,
                coding: format!("{}-bit {kind} WAV", wav.encoding.bits),
            },
            kind: Kind::Wav { wav, start },
            name: path.display().to_string(),
            notes,
        })
    }

    fn open_compressed(path: &Path, start: f64, length: Option<f64>) -> Result<Self, ClipError> {
        let mut blocks = CompressedBlocks::open(path)?;
        let channels = usize::from(blocks.channels);
        let rate = f64::from(blocks.rate_hz);
        // What is certainly outside the excerpt is not kept.
        let wanted = (start.max(0.0) * rate).round() as u64;
        let last = length.map(|length| wanted.saturating_add((length.max(0.0) * rate).round() as u64));
        let mut kept = Some(vec![Vec::new(); channels]);
        let mut total = 0_u64;
        while let Some(block) = blocks.next_block()? {
            let frames = block[0].len() as u64;
            let from = wanted.saturating_sub(total).min(frames) as usize;
            let to = last.map_or(frames, |last| last.saturating_sub(total).min(frames)) as usize;
            total += frames;
            if let Some(planes) = &mut kept {
                if from < to {
                    for (plane, samples) in planes.iter_mut().zip(&block) {
                        plane.extend_from_slice(&samples[from..to]);
                    }
                }
                if (planes[0].len() * channels) as u64 > MOST_SAMPLES_KEPT {
                    kept = None;
                }
            }
        }
        blocks.check_length(total)?;
        let (start, frames) = excerpt(path, blocks.rate_hz, total, start, length)?;
        let info = ClipInfo {
            rate_hz: blocks.rate_hz,
            channels: blocks.channels,
            frames,
            coding: blocks.codec.clone(),
        };
        let name = path.display().to_string();
        let lossy = (!blocks.lossless).then(|| lossy_note(path, &blocks.codec));
        let notes = lossy.into_iter().chain(rate_note(path, blocks.rate_hz)).collect();
        let kind = match kept {
            Some(planes) => {
                for plane in &planes {
                    check_samples(&name, plane, 0, info.rate_hz)?;
                }
                Kind::Memory(Arc::new(Sound { rate_hz: info.rate_hz, channels: planes }))
            }
            None => Kind::Compressed { path: path.to_path_buf(), start },
        };
        Ok(Self { info, kind, name, notes })
    }

    /// A clip of one channel that lies on the disk.
    pub fn of_parked(name: &str, rate_hz: u32, samples: Arc<Parked>) -> Self {
        Self {
            info: ClipInfo {
                rate_hz,
                channels: 1,
                frames: samples.frames() as u64,
                coding: "put away".into(),
            },
            kind: Kind::Parked(samples),
            name: name.to_owned(),
            notes: Vec::new(),
        }
    }

    /// What is known of the clip.
    pub fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// What the user should know of the file, in sentences: a lossy coding, a strange rate, a header that does not tell
    /// of all that is there.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// A reader at the excerpt's start.
    ///
    /// # Errors
    /// The file has become unreadable.
    pub fn reader(&self) -> Result<ClipReader, ClipError> {
        let source = match &self.kind {
            Kind::Memory(sound) => Source::Memory(Arc::clone(sound)),
            Kind::Parked(samples) => Source::Parked(Arc::clone(samples)),
            Kind::Wav { wav, start } => Source::Wav(wav.reader(*start)?),
            Kind::Compressed { path, start } => Source::Compressed {
                blocks: Box::new(CompressedBlocks::open(path)?),
                skip: *start,
                left_over: vec![Vec::new(); usize::from(self.info.channels)],
            },
        };
        Ok(ClipReader {
            source,
            name: self.name.clone(),
            rate_hz: self.info.rate_hz,
            channels: usize::from(self.info.channels),
            frames: self.info.frames,
            position: 0,
        })
    }

    /// The whole excerpt on the disk, each channel by itself.
    ///
    /// # Errors
    /// As [`OpenClip::read_all`]; there is no room.
    pub fn park(&self) -> Result<Vec<Parked>, ClipError> {
        let mut channels = (0..self.info.channels).map(|_| Parked::new()).collect::<Result<Vec<_>, _>>()?;
        self.each_block(|planes| {
            channels.iter_mut().zip(planes).try_for_each(|(channel, plane)| channel.push(plane))
        })?;
        Ok(channels)
    }

    /// Shows the whole excerpt in blocks, in their order: one plane of samples for each channel.
    ///
    /// # Errors
    /// As [`OpenClip::read_all`], and those of `show`.
    pub fn each_block(
        &self,
        mut show: impl FnMut(&[Vec<f64>]) -> Result<(), ClipError>,
    ) -> Result<(), ClipError> {
        let (mut reader, mut planes) = (self.reader()?, Vec::new());
        loop {
            reader.read_into(BLOCK, &mut planes)?;
            if planes.iter().all(Vec::is_empty) {
                return Ok(());
            }
            show(&planes)?;
        }
    }

    /// The whole excerpt.
    ///
    /// # Errors
    /// The file has become unreadable, or a sample is no number.
    pub fn read_all(&self) -> Result<Sound, ClipError> {
        let mut reader = self.reader()?;
        let channels = reader.read(self.info.frames as usize)?;
        Ok(Sound { rate_hz: self.info.rate_hz, channels })
    }
}

#[derive(Debug)]
enum Source {
    Memory(Arc<Sound>),
    Parked(Arc<Parked>),
    Wav(WavBlocks),
    Compressed { blocks: Box<CompressedBlocks>, skip: u64, left_over: Vec<Vec<f64>> },
}

/// The sound of a clip, block by block.
#[derive(Debug)]
pub struct ClipReader {
    source: Source,
    name: String,
    rate_hz: u32,
    channels: usize,
    frames: u64,
    position: u64,
}

/// Refuses samples that are no sound.
fn check_samples(name: &str, samples: &[f64], position: u64, rate_hz: u32) -> Result<(), ClipError> {
    if within(samples, LARGEST_SAMPLE) {
        return Ok(());
    }
    let at = samples.iter().position(|sample| sample.is_nan() || sample.abs() > LARGEST_SAMPLE).unwrap_or(0);
    let seconds = (position + at as u64) as f64 / f64::from(rate_hz);
    let what = if samples[at].is_nan() {
        "a sample that is not a number (NaN)".into()
    } else if samples[at].is_infinite() {
        "an infinite sample".into()
    } else {
        format!("a sample of {:.3e}, far beyond full scale (1.0)", samples[at])
    };
    Err(ClipError(format!(
        "{name}: {what}, {seconds} into the excerpt; export the file again",
        seconds = crate::units::printed::fixed(seconds, 4, "s")
    )))
}

impl ClipReader {
    /// The next frames of each channel, fewer than asked for only at the end, then none.
    ///
    /// # Errors
    /// The file has become unreadable, or a sample is no number or far beyond full scale.
    pub fn read(&mut self, frames: usize) -> Result<Vec<Vec<f64>>, ClipError> {
        let mut planes = Vec::new();
        self.read_into(frames, &mut planes)?;
        Ok(planes)
    }

    /// As [`ClipReader::read`], into planes that are there already; what they held is lost.
    ///
    /// # Errors
    /// As [`ClipReader::read`].
    pub fn read_into(&mut self, frames: usize, planes: &mut Vec<Vec<f64>>) -> Result<(), ClipError> {
        let wanted = (self.frames - self.position).min(frames as u64) as usize;
        planes.resize_with(self.channels, Vec::new);
        let good = match &mut self.source {
            Source::Memory(sound) => {
                let from = self.position as usize;
                for (plane, channel) in planes.iter_mut().zip(&sound.channels) {
                    plane.clear();
                    plane.extend_from_slice(&channel[from..from + wanted]);
                }
                true
            }
            Source::Parked(samples) => {
                planes[0].resize(wanted, 0.0);
                samples.copy(self.position as i64, &mut planes[0])?;
                true
            }
            Source::Wav(blocks) => blocks.read(wanted, planes, LARGEST_SAMPLE)?,
            Source::Compressed { blocks, skip, left_over } => {
                while left_over[0].len() < wanted {
                    let Some(block) = blocks.next_block()? else {
                        return Err(ClipError(format!(
                            "{}: the file has become shorter while it was read",
                            self.name
                        )));
                    };
                    let drop = (*skip).min(block[0].len() as u64);
                    *skip -= drop;
                    for (plane, samples) in left_over.iter_mut().zip(&block) {
                        plane.extend_from_slice(&samples[drop as usize..]);
                    }
                }
                for (plane, waiting) in planes.iter_mut().zip(left_over) {
                    plane.clear();
                    plane.extend(waiting.drain(..wanted));
                }
                false
            }
        };
        if !good {
            for plane in &*planes {
                check_samples(&self.name, plane, self.position, self.rate_hz)?;
            }
        }
        self.position += wanted as u64;
        Ok(())
    }
}
