//! Recordings as stimuli: each is moved onto its clip's time axis, and both of a pair are held against each other and
//! against what the circuit predicts.
//!
//! A recording of two channels holds the reference (at the amplifier) and the response (at the loudspeaker), as
//! `bench capture` writes it. Delay, clock and level are then found on the reference alone, so that what the cable does to
//! the response stays as it is, and a volume that was turned between two recordings cancels. A recording of one channel has
//! nothing but itself: its delay goes, and its level is kept as recorded.

mod pair;
mod telltale;

pub use pair::{APART_DB, RecordedBand, RecordedPair};
pub use telltale::{MarkFacts, RecordedFacts, Telltale};

use std::sync::Arc;

use super::StimulusError;
use super::marks;
use super::work::clip_error;
use crate::clip::align::{Alignment, find, locate};
use crate::clip::clipped::{SILENT, clipped, peak};
use crate::clip::limits::too_long;
use crate::clip::parked::{BLOCK, Parked, Part, Samples};
use crate::clip::shift::Along;
use crate::clip::welch::Welch;
use crate::clip::{ClipError, ClipSource, OpenClip};
use crate::session::Session;
use crate::session::recorded::RecordedPolarity;
use crate::units::printed;

/// Samples on either side of the clip that are cut out of a recording with it, in seconds.
const MARGIN_S: f64 = 1.0;
/// Samples that may be missing at either end of a clip, under its fades.
const MISSING: f64 = 64.0;
/// Blocks in which the noise is looked for, in seconds, and the shortest stretch that tells it.
const NOISE_BLOCK_S: f64 = 0.01;
const SHORTEST_NOISE_S: f64 = 0.15;
const LONGEST_NOISE_S: f64 = 60.0;
/// Window in samples of a noise's spectrum.
const NOISE_WINDOW: usize = marks::STRETCH;

/// A clip as it was played while somebody recorded.
pub(super) struct Clip {
    clip: usize,
    name: String,
    rate_hz: u32,
    /// All channels as one.
    samples: Parked,
}

impl Clip {
    pub(super) fn read(session: &Session, clip: usize, source: &OpenClip) -> Result<Self, StimulusError> {
        let samples = Self::mixed(source).map_err(clip_error(session, clip))?;
        Ok(Self {
            clip,
            name: session.clips[clip].name.as_written().to_owned(),
            rate_hz: source.info().rate_hz,
            samples,
        })
    }

    fn mixed(source: &OpenClip) -> Result<Parked, ClipError> {
        let share = 1.0 / f64::from(source.info().channels);
        let mut samples = Parked::new()?;
        source.each_block(|planes| {
            let frames = planes.first().map_or(0, Vec::len);
            let mix = |frame: usize| share * planes.iter().map(|channel| channel[frame]).sum::<f64>();
            samples.push(&(0..frames).map(mix).collect::<Vec<f64>>())
        })?;
        Ok(samples)
    }
}

/// What is recorded while nothing is played.
#[derive(Debug, Clone, PartialEq)]
struct Noise {
    /// Level in dB relative to a full-scale sine, in the stimulus.
    dbfs: f64,
    /// Mean square in each bin of a spectrum.
    power: Vec<f64>,
    /// DC offset in the stimulus, full scale 1.
    offset: f64,
}

/// What is known of a recording.
#[derive(Debug, Clone)]
pub(super) struct Take {
    cable: usize,
    /// What messages call it.
    name: String,
    two_channels: bool,
    rate_hz: u32,
    /// Its sound on the clip's time axis.
    sound: Arc<Parked>,
    /// What its samples were multiplied by, without a sign.
    gain: f64,
    /// Its polarity was the other one and was turned round, though nobody said what becomes of it.
    turned: bool,
    noise: Option<Noise>,
    /// Bits of its coarsest steps, 24 at most.
    grain: Option<u32>,
    pub(super) notes: Vec<String>,
}

impl Take {
    /// Reads a recording of a cable and moves it onto the clip. `first` is another recording of the same clip, whose gain is
    /// that of all where there is no reference.
    pub(super) fn read(
        session: &Session,
        clip: &Clip,
        cable: usize,
        again: bool,
        first: Option<&Self>,
    ) -> Result<Self, StimulusError> {
        let recorded = session.cables[cable].recorded.as_ref();
        let own = recorded.and_then(|recorded| recorded.on(clip.clip));
        let path = own.and_then(|own| if again { own.again.as_ref() } else { Some(&own.take) });
        let path = path.cloned().unwrap_or_default();
        let name = crate::files::name(&path);
        let wrong = |message: String| StimulusError::Cable {
            cable: session.cables[cable].name.as_written().to_owned(),
            message: format!("{name}, the recording of clip \"{}\": {message}", clip.name),
        };
        let source = ClipSource::File { path, start_seconds: 0.0, length_seconds: None };
        let opened = OpenClip::open(&source).map_err(|error| wrong(error.0))?;
        let rate = f64::from(clip.rate_hz);
        if opened.info().rate_hz != clip.rate_hz {
            return Err(wrong(format!(
                "it has {} Hz and the clip {} Hz; play and record the clip at its own rate",
                opened.info().rate_hz,
                clip.rate_hz
            )));
        }
        if let Some(long) = too_long(opened.info().seconds()) {
            return Err(wrong(format!("{long} around the clip")));
        }
        let unreadable = |error: ClipError| wrong(error.0);
        let channels = opened.park().map_err(unreadable)?;
        for (index, channel) in channels.iter().enumerate() {
            let of = if channels.len() > 1 { format!("channel {}", index + 1) } else { "it".to_owned() };
            if peak(channel).map_err(unreadable)? < SILENT {
                return Err(wrong(format!("{of} is silent; check the lead, and which input is which")));
            }
            if let Some(at) = clipped(channel).map_err(unreadable)? {
                return Err(wrong(format!(
                    "{of} is clipped, first at {}; turn the input's gain down by 6 dB and record every cable again",
                    printed::fixed(at as f64 / rate, 3, "s")
                )));
            }
        }
        let two_channels = channels.len() > 1;
        if first.is_some_and(|first| first.two_channels != two_channels) {
            return Err(wrong(
                "it has another number of channels than the other recordings of this clip; record all with the reference or none"
                    .into(),
            ));
        }
        let (reference, response) = (&channels[0], &channels[channels.len() - 1]);
        let other = || {
            wrong(
                "the clip is not found on it, or it is shorter than half a second; record the whole clip, played as it is in the \
                 session"
                    .into(),
            )
        };
        let around = find(&clip.samples, reference).map_err(unreadable)?.ok_or_else(other)?;
        let margin = (MARGIN_S * rate) as i64;
        let (frames, all) = (clip.samples.frames(), reference.frames() as i64);
        let from = (around - margin).clamp(0, all) as usize;
        let to = (around + frames as i64 + margin).clamp(0, all) as usize;
        let found =
            locate(&clip.samples, &Part::new(reference, from..to)).map_err(unreadable)?.ok_or_else(other)?;
        let Alignment { delay, clock, gain } = found;
        let last = delay + (frames - 1) as f64 * (1.0 + clock);
        if delay < -MISSING || last > (to - from) as f64 + MISSING {
            return Err(wrong(format!(
                "it {} in the middle of the clip; start recording before the clip is played and stop after it, with half a second \
                 of silence on both sides",
                if delay < -MISSING { "begins" } else { "ends" }
            )));
        }
        // With a reference the gain is its own; without one it is that of the first recording, so that levels stay as recorded.
        let size = match first {
            Some(first) if !two_channels => first.gain,
            _ => gain.abs(),
        };
        let sign = if two_channels { gain.signum() } else { 1.0 };
        let polarity = recorded.and_then(|recorded| recorded.polarity);
        let (sound, turned) = moved(&Part::new(response, from..to), clip, &found, |alike| {
            let turned = sign * alike < 0.0 && polarity != Some(RecordedPolarity::Inverted);
            (if turned { -sign * size } else { sign * size }, turned)
        })
        .map_err(unreadable)?;
        let noise = noise(response, rate, size).map_err(unreadable)?;
        let grain = marks::grain(response).map_err(unreadable)?;
        let place = from as f64 + delay;
        let mut notes = vec![format!(
            "{name} plays for {} on clip \"{}\": found {} into the recording, clock {}, {}{}{}",
            session.cables[cable].name.as_written(),
            clip.name,
            printed::fixed(place / rate, 3, "s"),
            printed::signed(clock * 1e6, 2, "ppm"),
            if two_channels {
                format!("level moved by {} with the reference's",
               printed::signed_decibels(20.0 * size.log10()))
            } else {
                "one channel: its level is kept as recorded, so the volume must not have been touched".to_owned()
            },
            if turned { ", polarity turned round" } else { "" },
            noise.as_ref().map_or_else(
                || "; nowhere quiet enough to measure its noise: record half a second of silence before the clip".to_owned(),
                |noise| format!(", noise {}",
                printed::fixed(noise.dbfs, 1, "dBFS"))
            )
        )];
        notes.extend(opened.notes().iter().map(|note| format!("{name}: {note}")));
        Ok(Self {
            cable,
            name,
            two_channels,
            gain: size,
            turned: turned && polarity.is_none(),
            noise,
            grain,
            rate_hz: clip.rate_hz,
            sound: Arc::new(sound),
            notes,
        })
    }

    /// Its sound, to be played.
    pub(super) fn clip(&self, session: &Session) -> OpenClip {
        OpenClip::of_parked(
            session.cables[self.cable].name.as_written(),
            self.rate_hz,
            Arc::clone(&self.sound),
        )
    }
}

/// A response on its clip's time axis. `size` gives what its samples are multiplied by from how they correlate with the clip,
/// which is negative upside down, and what else it found.
fn moved<S: Samples, T>(
    response: &S,
    clip: &Clip,
    found: &Alignment,
    size: impl FnOnce(f64) -> (f64, T),
) -> Result<(Parked, T), ClipError> {
    let pace = 1.0 + found.clock;
    let (mut own, mut along, mut alike) = (Parked::new()?, Along::new(response), 0.0);
    for start in (0..clip.samples.frames()).step_by(BLOCK) {
        let played = clip.samples.stretch(start as i64, BLOCK.min(clip.samples.frames() - start))?;
        let block = along.read(found.delay + start as f64 * pace, pace, played.len())?;
        alike += block.iter().zip(&played).map(|(own, clip)| own * clip).sum::<f64>();
        own.push(&block)?;
    }
    let (size, said) = size(alike);
    let mut sized = Parked::new()?;
    for start in (0..own.frames()).step_by(BLOCK) {
        let mut block = own.stretch(start as i64, BLOCK.min(own.frames() - start))?;
        for sample in &mut block {
            *sample *= size;
        }
        sized.push(&block)?;
    }
    Ok((sized, said))
}

/// The quietest stretch of a recording, times the gain.
fn noise(samples: &Parked, rate: f64, gain: f64) -> Result<Option<Noise>, ClipError> {
    let block = ((NOISE_BLOCK_S * rate) as usize).max(1);
    let mean_square =
        |samples: &[f64]| samples.iter().map(|sample| sample * sample).sum::<f64>() / samples.len() as f64;
    let mut levels = Vec::with_capacity(samples.frames() / block);
    for index in 0..samples.frames() / block {
        levels.push(mean_square(&samples.stretch((index * block) as i64, block)?));
    }
    let mut sorted = levels.clone();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return Ok(None);
    }
    let loud = sorted[(sorted.len() - 1) * 95 / 100];
    let quiet = sorted[sorted.len() * 3 / 100];
    // The longest run of blocks that are not much louder than the quietest, 40 dB or more below the sound.
    let most = (4.0 * quiet).max(1e-20);
    let (mut best, mut begun) = (0..0, 0);
    for (at, level) in levels.iter().enumerate() {
        if *level > most {
            begun = at + 1;
        } else if at + 1 - begun > best.len() {
            best = begun..at + 1;
        }
    }
    let frames = best.len() * block;
    if (frames as f64) < SHORTEST_NOISE_S * rate || quiet > 1e-4 * loud {
        return Ok(None);
    }
    // A minute tells it as well as more would.
    let stretch =
        samples.stretch((best.start * block) as i64, frames.min((LONGEST_NOISE_S * rate) as usize))?;
    let mean = stretch.iter().sum::<f64>() / stretch.len() as f64;
    let own: Vec<f64> = stretch.iter().map(|sample| gain * (sample - mean)).collect();
    let mut welch = Welch::new(1, NOISE_WINDOW);
    welch.push(&[&own]);
    Ok(Some(Noise {
        dbfs: (10.0 * (2.0 * mean_square(&own)).log10()).max(-200.0),
        power: welch.finish(),
        offset: gain * mean,
    }))
}
