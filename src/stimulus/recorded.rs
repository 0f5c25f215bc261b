//! Recordings as stimuli: each is moved onto its clip's time axis, and both of a pair are held against each other and
//! against what the circuit predicts.
//!
//! A recording of two channels holds the reference (at the amplifier) and the response (at the loudspeaker), as
//! `bench capture` writes it. Delay, clock and level are then found on the reference alone, so that what the cable does to
//! the response stays as it is, and a volume that was turned between two recordings cancels. A recording of one channel has
//! nothing but itself: its delay goes, and its level is kept as recorded.

use super::StimulusError;
use super::plan::clip_error;
use crate::clip::align::{Alignment, find, locate};
use crate::clip::clipped::{SILENT, clipped};
use crate::clip::shift::Between;
use crate::clip::welch::Welch;
use crate::clip::{ClipSource, OpenClip, Sound};
use crate::hearing::difference::{gain_db, logarithmic};
use crate::hearing::weighting::erb_edges;
use crate::session::Session;
use crate::session::recorded::RecordedPolarity;
use crate::units::printed;

/// Longest recording that is read, in seconds.
const LONGEST_S: f64 = 600.0;
/// Samples on either side of the clip that are cut out of a recording with it, in seconds.
const MARGIN_S: f64 = 1.0;
/// Samples that may be missing at either end of a clip, under its fades.
const MISSING: f64 = 64.0;
/// Blocks in which the noise is looked for, in seconds, and the shortest stretch that tells it.
const NOISE_BLOCK_S: f64 = 0.01;
const SHORTEST_NOISE_S: f64 = 0.15;
/// Window in samples of a noise's spectrum, and of a sound's.
const NOISE_WINDOW: usize = 4096;
const WINDOW: usize = 8192;
/// A band counts where it stands so many dB out of the noise ...
const OUT_OF_NOISE_DB: f64 = 30.0;
/// ... and is within so many dB of the strongest one.
const WORTH_DB: f64 = 70.0;
/// Recorded and predicted differences that are farther apart than this in dB are worth a warning (common practice, no source).
pub const APART_DB: f64 = 0.1;
/// Noise within so many dB below the sound, and so much louder on one side, could betray it (common practice, no source).
const NOISE_BELOW_DB: f64 = 90.0;
const NOISE_APART_DB: f64 = 1.0;
/// Blocks in which a dropout is looked for, in seconds; what it leaves of a block, and of the usual block.
const DROPOUT_BLOCK_S: f64 = 0.01;
const DROPOUT_SHARE: f64 = 0.3;
const DROPOUT_TIMES: f64 = 8.0;

/// A clip as it was played while somebody recorded.
pub(super) struct Clip {
    clip: usize,
    name: String,
    rate_hz: u32,
    /// All channels as one.
    samples: Vec<f64>,
}

impl Clip {
    pub(super) fn read(session: &Session, clip: usize, source: &OpenClip) -> Result<Self, StimulusError> {
        let sound = source.read_all().map_err(clip_error(session, clip))?;
        let share = 1.0 / sound.channels.len() as f64;
        let samples = (0..sound.frames())
            .map(|frame| share * sound.channels.iter().map(|channel| channel[frame]).sum::<f64>())
            .collect();
        Ok(Self {
            clip,
            name: session.clips[clip].name.as_written().to_owned(),
            rate_hz: sound.rate_hz,
            samples,
        })
    }
}

/// What is recorded while nothing is played.
#[derive(Debug, Clone, PartialEq)]
struct Noise {
    /// Level in dB relative to a full-scale sine, in the stimulus.
    dbfs: f64,
    /// Mean square in each bin of a spectrum.
    power: Vec<f64>,
}

/// What is known of a recording.
#[derive(Debug, Clone)]
pub(super) struct Take {
    cable: usize,
    /// What messages call it.
    name: String,
    two_channels: bool,
    /// What its samples were multiplied by, without a sign.
    gain: f64,
    /// Its polarity was the other one and was turned round, though nobody said what becomes of it.
    turned: bool,
    noise: Option<Noise>,
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
    ) -> Result<(Self, Sound), StimulusError> {
        let recorded = session.cables[cable].recorded.as_ref();
        let own = recorded.and_then(|recorded| recorded.on(clip.clip));
        let path = own.and_then(|own| if again { own.again.as_ref() } else { Some(&own.take) });
        let path = path.cloned().unwrap_or_default();
        let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
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
        if opened.info().seconds() > LONGEST_S {
            return Err(wrong(format!(
                "it is {:.0} min long; cut it to {:.0} min at most around the clip",
                opened.info().seconds() / 60.0,
                LONGEST_S / 60.0
            )));
        }
        let sound = opened.read_all().map_err(|error| wrong(error.0))?;
        for (index, channel) in sound.channels.iter().enumerate() {
            let of =
                if sound.channels.len() > 1 { format!("channel {}", index + 1) } else { "it".to_owned() };
            if channel.iter().all(|sample| sample.abs() < SILENT) {
                return Err(wrong(format!("{of} is silent; check the lead, and which input is which")));
            }
            if let Some(at) = clipped(channel) {
                return Err(wrong(format!(
                    "{of} is clipped, first at {}; turn the input's gain down by 6 dB and record every cable again",
                    printed::fixed(at as f64 / rate, 3, "s")
                )));
            }
        }
        let two_channels = sound.channels.len() > 1;
        if first.is_some_and(|first| first.two_channels != two_channels) {
            return Err(wrong(
                "it has another number of channels than the other recordings of this clip; record all with the reference or none"
                    .into(),
            ));
        }
        let (reference, response) = (&sound.channels[0], &sound.channels[sound.channels.len() - 1]);
        let other = || {
            wrong(
                "the clip is not found on it, or it is shorter than half a second; record the whole clip, played as it is in the \
                 session"
                    .into(),
            )
        };
        let around = find(&clip.samples, reference).ok_or_else(other)?;
        let margin = (MARGIN_S * rate) as i64;
        let from = (around - margin).clamp(0, reference.len() as i64) as usize;
        let to = (around + clip.samples.len() as i64 + margin).clamp(0, reference.len() as i64) as usize;
        let found = locate(&clip.samples, &reference[from..to]).ok_or_else(other)?;
        let Alignment { delay, clock, gain } = found;
        let last = delay + (clip.samples.len() - 1) as f64 * (1.0 + clock);
        if delay < -MISSING || last > (to - from) as f64 + MISSING {
            return Err(wrong(format!(
                "it {} in the middle of the clip; start recording before the clip is played and stop after it, with half a second \
                 of silence on both sides",
                if delay < -MISSING { "begins" } else { "ends" }
            )));
        }
        let mut samples = Between::new(&response[from..to]).read(delay, 1.0 + clock, clip.samples.len());
        // With a reference the gain is its own; without one it is that of the first recording, so that levels stay as recorded.
        let size = match first {
            Some(first) if !two_channels => first.gain,
            _ => gain.abs(),
        };
        let sign = if two_channels { gain.signum() } else { 1.0 };
        let inverted =
            samples.iter().zip(&clip.samples).map(|(own, clip)| sign * own * clip).sum::<f64>() < 0.0;
        let polarity = recorded.and_then(|recorded| recorded.polarity);
        let turned = inverted && polarity != Some(RecordedPolarity::Inverted);
        for sample in &mut samples {
            *sample *= if turned { -sign * size } else { sign * size };
        }
        let noise = noise(response, rate, size);
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
        let take = Self {
            cable,
            name,
            two_channels,
            gain: size,
            turned: turned && polarity.is_none(),
            noise,
            notes,
        };
        Ok((take, Sound { rate_hz: clip.rate_hz, channels: vec![samples] }))
    }
}

/// The quietest stretch of a recording, times the gain.
fn noise(samples: &[f64], rate: f64, gain: f64) -> Option<Noise> {
    let block = ((NOISE_BLOCK_S * rate) as usize).max(1);
    let mean_square =
        |samples: &[f64]| samples.iter().map(|sample| sample * sample).sum::<f64>() / samples.len() as f64;
    let levels: Vec<f64> = samples.chunks_exact(block).map(mean_square).collect();
    let mut sorted = levels.clone();
    sorted.sort_by(f64::total_cmp);
    let loud = *sorted.get(sorted.len().checked_sub(1)? * 95 / 100)?;
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
    let stretch = &samples[best.start * block..best.end * block];
    if (stretch.len() as f64) < SHORTEST_NOISE_S * rate || quiet > 1e-4 * loud {
        return None;
    }
    let mean = stretch.iter().sum::<f64>() / stretch.len() as f64;
    let own: Vec<f64> = stretch.iter().map(|sample| gain * (sample - mean)).collect();
    let mut welch = Welch::new(1, NOISE_WINDOW);
    welch.push(&[&own]);
    Some(Noise { dbfs: (10.0 * (2.0 * mean_square(&own)).log10()).max(-200.0), power: welch.finish() })
}

/// A band of a recorded pair, as wide as the ear's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedBand {
    /// Lower edge in Hz.
    pub from_hz: f64,
    /// Upper edge in Hz.
    pub to_hz: f64,
    /// Level of the recording of A over that of B in dB.
    pub recorded_db: f64,
    /// The same as the circuit predicts it.
    pub predicted_db: f64,
}

/// The recordings of a comparison on a clip, held against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedPair {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip.
    pub clip: usize,
    /// Bands that stand out of the noise.
    pub bands: Vec<RecordedBand>,
    /// Noise of A and of B in dBFS, where either could be measured.
    pub noise_dbfs: [Option<f64>; 2],
    /// By how much A is noisier than B in the band in which they differ most, in dB, and that band's middle in Hz, where the
    /// noise is loud enough to mind.
    pub noise_apart: Option<(f64, f64)>,
}

/// Level in dB of the bins of a spectrum between two frequencies; the nearest bin of a narrow band.
fn level(power: &[f64], window: usize, rate: f64, from_hz: f64, to_hz: f64) -> f64 {
    let step = rate / window as f64;
    let first = ((from_hz / step).round() as usize).min(power.len() - 1);
    let last = ((to_hz / step).round() as usize).clamp(first + 1, power.len());
    10.0 * power[first..last].iter().sum::<f64>().max(1e-30).log10()
}

impl RecordedPair {
    /// Of two recordings on a clip.
    ///
    /// # Errors
    /// A reversed polarity on one side that nobody said anything of, a dropout, a circuit without an answer.
    pub(super) fn of(
        session: &Session,
        (comparison, clip): (usize, usize),
        sides: [(&Take, &OpenClip); 2],
    ) -> Result<Self, StimulusError> {
        let name = session.comparisons[comparison].name.as_written();
        let wrong = |message: String| StimulusError::Comparison { comparison: name.to_owned(), message };
        let [(a, sound_a), (b, sound_b)] = sides;
        if a.turned != b.turned {
            let (reversed, other) = if a.turned { (a, b) } else { (b, a) };
            return Err(wrong(format!(
                "the polarity of {} is reversed against {}, as if + and - were swapped at one end or at the probe; record it again, \
                 or write recording_polarity = \"corrected\" in [cables.{}] to turn it round, or \"inverted\" to play it so",
                reversed.name,
                other.name,
                session.cables[reversed.cable].name.as_written()
            )));
        }
        let read = |sound: &OpenClip| sound.read_all().map_err(clip_error(session, clip));
        let (rate, (mut one, mut other)) =
            (f64::from(sound_a.info().rate_hz), (read(sound_a)?, read(sound_b)?));
        let (one, other) = (one.channels.remove(0), other.channels.remove(0));
        if let Some(at) = dropout(&one, &other, rate) {
            return Err(wrong(format!(
                "{} and {} differ by more than cables do, first {} into clip \"{}\": a dropout in one of them, another \
                 volume, or another sound. Close other programs, touch no control, and record both again",
                a.name,
                b.name,
                printed::fixed(at, 2, "s"),
                session.clips[clip].name.as_written()
            )));
        }
        let power = |samples: &[f64]| {
            let mut welch = Welch::new(1, WINDOW);
            welch.push(&[samples]);
            welch.finish()
        };
        let (power_a, power_b) = (power(&one), power(&other));
        let edges = erb_edges(20.0, 20_000_f64.min(0.45 * rate));
        let strongest = edges
            .windows(2)
            .map(|edge| level(&power_a, WINDOW, rate, edge[0], edge[1]))
            .fold(f64::NEG_INFINITY, f64::max);
        let of_noise = |take: &Take, edge: &[f64]| {
            take.noise
                .as_ref()
                .map_or(-200.0, |noise| level(&noise.power, NOISE_WINDOW, rate, edge[0], edge[1]))
        };
        let (mut bands, mut noise_apart) = (Vec::new(), None::<(f64, f64)>);
        let chains = [session.chain(a.cable), session.chain(b.cable)];
        for edge in edges.windows(2) {
            let levels = [&power_a, &power_b].map(|power| level(power, WINDOW, rate, edge[0], edge[1]));
            let noises = [of_noise(a, edge), of_noise(b, edge)];
            let apart = noises[0] - noises[1];
            // Against the whole sound: noise is heard where the music is not.
            if a.noise.is_some()
                && b.noise.is_some()
                && noises[0].max(noises[1]) > strongest - NOISE_BELOW_DB
                && noise_apart.is_none_or(|(most, _)| apart.abs() > most.abs())
            {
                noise_apart = Some((apart, (edge[0] * edge[1]).sqrt()));
            }
            if levels[0] < strongest - WORTH_DB
                || levels[0].min(levels[1]) < noises[0].max(noises[1]) + OUT_OF_NOISE_DB
            {
                continue;
            }
            let within = logarithmic(edge[0], edge[1], 5);
            let gains = |chain: &crate::circuit::Chain| -> Result<f64, StimulusError> {
                let values = chain.transfer(&within).map_err(|error| wrong(error.to_string()))?;
                Ok(values.iter().map(|value| gain_db(*value)).sum::<f64>() / values.len() as f64)
            };
            bands.push(RecordedBand {
                from_hz: edge[0],
                to_hz: edge[1],
                recorded_db: levels[0] - levels[1],
                predicted_db: gains(&chains[0])? - gains(&chains[1])?,
            });
        }
        let noise_dbfs = [a, b].map(|take| take.noise.as_ref().map(|noise| noise.dbfs));
        Ok(Self { comparison, clip, bands, noise_dbfs, noise_apart })
    }

    /// By how much recorded and predicted difference are apart on the average in dB, and the most that is left beside that,
    /// with the middle of its band in Hz; `None` where no band counts.
    pub fn apart(&self) -> Option<(f64, f64, f64)> {
        let errors = || self.bands.iter().map(|band| band.recorded_db - band.predicted_db);
        let mean = errors().sum::<f64>() / self.bands.len() as f64;
        let (band, most) = self
            .bands
            .iter()
            .zip(errors())
            .max_by(|a, b| (a.1 - mean).abs().total_cmp(&(b.1 - mean).abs()))?;
        Some((mean, most - mean, (band.from_hz * band.to_hz).sqrt()))
    }

    /// Smallest and largest recorded difference in dB.
    pub fn range_db(&self) -> Option<(f64, f64)> {
        let values = || self.bands.iter().map(|band| band.recorded_db);
        (!self.bands.is_empty())
            .then(|| (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max)))
    }

    /// What the user should know, in sentences.
    pub(super) fn notes(&self, session: &Session) -> Vec<String> {
        let (name, clip) = (
            session.comparisons[self.comparison].name.as_written(),
            session.clips[self.clip].name.as_written(),
        );
        let mut notes = Vec::new();
        if let (Some((least, most)), Some((mean, shape, at_hz))) = (self.range_db(), self.apart()) {
            let mut text = format!(
                "comparison \"{name}\" on clip \"{clip}\" plays recordings: A minus B is {least} to {most} in {} bands \
                 as wide as the ear's; what the circuit predicts is {mean} off on the average, and up to {} beside that \
                 (around {at_hz})",
                self.bands.len(),
                printed::decibels(shape.abs()),
                least = printed::signed_decibels(least),
                most = printed::signed_decibels(most),
                mean = printed::signed_decibels(mean),
                at_hz = printed::hertz(at_hz)
            );
            if mean.abs() > APART_DB {
                text.push_str(
                    ". A volume or gain that was touched between the recordings makes such an offset",
                );
            }
            if shape.abs() > APART_DB {
                text.push_str(". Either the circuit is described wrongly or the recordings differ by more than the cables");
            }
            notes.push(text);
        }
        if let Some((apart, at_hz)) = self.noise_apart.filter(|(apart, _)| apart.abs() > NOISE_APART_DB) {
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\": the recording of {} is noisier, by up to {} around {at_hz}, and \
                 noise alone could betray a side: record again with the same leads and gains, and with recording_again and \
                 identical controls, which test just that",
                if apart > 0.0 { "A" } else { "B" },
                printed::fixed(apart.abs(), 1, "dB"), at_hz = printed::hertz(at_hz)));
        }
        notes
    }
}

/// Where two recordings, of either polarity, begin to differ by more than cables do, in seconds.
fn dropout(one: &[f64], other: &[f64], rate: f64) -> Option<f64> {
    let block = ((DROPOUT_BLOCK_S * rate) as usize).max(1);
    let power = |samples: &[f64]| samples.iter().map(|sample| sample * sample).sum::<f64>();
    let sign = one.iter().zip(other).map(|(a, b)| a * b).sum::<f64>().signum();
    let blocks: Vec<(f64, f64)> = one
        .chunks(block)
        .zip(other.chunks(block))
        .map(|(a, b)| {
            let minus: f64 = a.iter().zip(b).map(|(a, b)| (a - sign * b).powi(2)).sum();
            (minus.sqrt(), power(a).max(power(b)).sqrt())
        })
        .collect();
    let mut loud: Vec<f64> = blocks.iter().map(|(_, own)| *own).collect();
    loud.sort_by(f64::total_cmp);
    // Quiet blocks hold noise, which is never the same twice.
    let enough = 0.03 * loud[(loud.len() - 1) * 95 / 100];
    let mut shares: Vec<f64> =
        blocks.iter().filter(|(_, own)| *own > enough).map(|(minus, own)| minus / own).collect();
    shares.sort_by(f64::total_cmp);
    let usual = shares.get(shares.len() / 2).copied().unwrap_or(0.0);
    let limit = if usual > DROPOUT_SHARE { 0.0 } else { DROPOUT_SHARE.max(DROPOUT_TIMES * usual) };
    blocks
        .iter()
        .position(|(minus, own)| *own > enough && minus / own > limit)
        .map(|at| at as f64 * DROPOUT_BLOCK_S)
}
