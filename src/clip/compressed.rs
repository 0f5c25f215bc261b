//! FLAC, MP3, Ogg Vorbis, AAC and M4A by symphonia, in blocks.

use std::path::{Path, PathBuf};

use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use super::ClipError;
use super::refusal::{check_shape, refuse, unreadable};
use crate::files;

/// Packets at the start of a lossy stream that may fail: they refer to packets before the cut.
const FORGIVEN_PACKETS: usize = 2;

/// A decoder at some place in its file.
pub(super) struct CompressedBlocks {
    path: PathBuf,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    pub(super) rate_hz: u32,
    pub(super) channels: u16,
    /// Frames that the file says it has.
    pub(super) promised: Option<u64>,
    /// The codec, in a few letters.
    pub(super) codec: String,
    /// The decoder gives back exactly what the coder was given.
    pub(super) lossless: bool,
    packets: usize,
    /// The first packet is decoded at opening, to know the shape.
    pending: Option<Vec<Vec<f64>>>,
}

impl std::fmt::Debug for CompressedBlocks {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("CompressedBlocks").field("path", &self.path).finish_non_exhaustive()
    }
}

impl CompressedBlocks {
    pub(super) fn open(path: &Path) -> Result<Self, ClipError> {
        let file = files::open(path).map_err(|error| unreadable(path, &error))?;
        let mut hint = Hint::new();
        if let Some(extension) = path.extension().and_then(|extension| extension.to_str()) {
            hint.with_extension(extension);
        }
        let stream =
            MediaSourceStream::new(Box::new(file), symphonia::core::io::MediaSourceStreamOptions::default());
        let not_understood = |error: Error| {
            refuse(
                path,
                &format!(
                    "its coding is not understood ({error}); WAV, FLAC, MP3, Ogg Vorbis, AAC and M4A are read: export it again"
                ),
            )
        };
        let format = symphonia::default::get_probe()
            .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
            .map_err(|error| match error {
                Error::Unsupported(_) => refuse(
                    path,
                    "no sound format is recognised in it; WAV, FLAC, MP3, Ogg Vorbis, AAC and M4A are read: give it the \
                     right ending or export it again",
                ),
                error => not_understood(error),
            })?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or_else(|| refuse(path, "the file holds no sound track; choose another file"))?;
        let parameters =
            track.codec_params.as_ref().and_then(|parameters| parameters.audio()).ok_or_else(|| {
                refuse(path, "the sound track does not say how it is coded; export it again")
            })?;
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(parameters, &AudioDecoderOptions::default())
            .map_err(not_understood)?;
        let codec = decoder.codec_info().short_name.to_owned();
        let mut blocks = Self {
            path: path.to_path_buf(),
            track: track.id,
            promised: track.num_frames,
            lossless: codec == "flac" || codec.starts_with("pcm"),
            codec,
            rate_hz: parameters.sample_rate.unwrap_or(0),
            channels: 0,
            decoder,
            format,
            packets: 0,
            pending: None,
        };
        let first = blocks
            .next_block()?
            .ok_or_else(|| refuse(path, "the file holds no sound; copy or export it again"))?;
        check_shape(path, blocks.rate_hz, first.len())?;
        blocks.channels = first.len() as u16;
        blocks.pending = Some(first);
        Ok(blocks)
    }

    /// The next frames, in the amounts the coding comes in; `None` at the end.
    pub(super) fn next_block(&mut self) -> Result<Option<Vec<Vec<f64>>>, ClipError> {
        if let Some(block) = self.pending.take() {
            return Ok(Some(block));
        }
        loop {
            let packet = match self.format.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => return Ok(None),
                Err(Error::IoError(error)) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
                    return Ok(None);
                }
                Err(Error::ResetRequired) => {
                    return Err(refuse(&self.path, "several streams are chained in it; export it as one"));
                }
                Err(error) => return Err(self.damaged(&error)),
            };
            if packet.track_id != self.track {
                continue;
            }
            self.packets += 1;
            match self.decoder.decode(&packet) {
                Ok(sound) => {
                    if sound.frames() == 0 {
                        continue;
                    }
                    let rate = sound.spec().rate();
                    let mut planes: Vec<Vec<f64>> = Vec::new();
                    sound.copy_to_vecs_planar::<f64>(&mut planes);
                    let changed = self.channels != 0
                        && (planes.len() != usize::from(self.channels) || rate != self.rate_hz);
                    if changed {
                        return Err(refuse(
                            &self.path,
                            "its rate or number of channels changes half-way; export it again",
                        ));
                    }
                    self.rate_hz = rate;
                    return Ok(Some(planes));
                }
                Err(_) if !self.lossless && self.packets <= FORGIVEN_PACKETS => {}
                Err(error) => return Err(self.damaged(&error)),
            }
        }
    }

    fn damaged(&self, error: &Error) -> ClipError {
        refuse(
            &self.path,
            &format!("the file is damaged at packet {} ({error}); copy or export it again", self.packets),
        )
    }

    /// Complains about a file that ends before it said it would.
    pub(super) fn check_length(&self, decoded: u64) -> Result<(), ClipError> {
        // Lossy containers count roughly; a lossless one counts exactly.
        let Some(promised) = self.promised else { return Ok(()) };
        let least = if self.lossless { promised } else { promised - promised / 20 };
        if decoded < least {
            return Err(refuse(
                &self.path,
                &format!(
                    "it promises {promised} frames and has {decoded}: it is cut off; copy or export it again"
                ),
            ));
        }
        Ok(())
    }
}
