//! A recording for the bench: what is refused, where its sweeps are, how loud its silence is.

use std::ops::Range;
use std::path::Path;

use super::{BenchError, dbfs, rms};
use crate::clip::clipped::{SILENT, clipped, peak};
use crate::clip::limits::too_long;
use crate::clip::parked::{Parked, Samples};
use crate::clip::{ClipSource, OpenClip};
use crate::units::printed;

/// Blocks of this length decide where there is sound, in seconds.
const BLOCK_S: f64 = 0.005;
/// Sound is what stands above this share of the loud parts (-30 dB).
const SOUND_SHARE: f64 = 0.032;
/// Shorter silences inside a sweep are dropouts, in seconds.
const SHORTEST_PAUSE_S: f64 = 0.1;
/// Shorter sounds are clicks, in seconds.
const SHORTEST_SOUND_S: f64 = 0.1;

/// Opens a file of at most ten minutes.
fn open(path: &Path) -> Result<OpenClip, BenchError> {
    let clip = OpenClip::open(&ClipSource::File {
        path: path.to_path_buf(),
        start_seconds: 0.0,
        length_seconds: None,
    })?;
    if let Some(wrong) = too_long(clip.info().seconds()) {
        return Err(BenchError(format!("{}: {wrong}", path.display())));
    }
    Ok(clip)
}

/// One or two channels of sound, full scale 1.0.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// What messages call it.
    pub name: String,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// One vector of samples per channel, all of the same length.
    pub channels: Vec<Vec<f64>>,
    /// What is to be known of the file, in sentences.
    pub notes: Vec<String>,
}

impl Recording {
    /// Of samples.
    ///
    /// # Errors
    /// No channel, or channels of different lengths.
    pub fn new(name: &str, rate_hz: u32, channels: Vec<Vec<f64>>) -> Result<Self, BenchError> {
        let frames = channels.first().map_or(0, Vec::len);
        if frames == 0 || channels.iter().any(|channel| channel.len() != frames) {
            return Err(BenchError(format!(
                "{name}: every channel needs samples, and as many as the others"
            )));
        }
        Ok(Self { name: name.to_owned(), rate_hz, channels, notes: Vec::new() })
    }

    /// Of a sound file: WAV, FLAC and the others that clips may be.
    ///
    /// # Errors
    /// The file cannot be read, or holds no sound.
    pub fn read(path: &Path) -> Result<Self, BenchError> {
        let clip = open(path)?;
        let sound = clip.read_all()?;
        let mut recording = Self::new(&path.display().to_string(), sound.rate_hz, sound.channels)?;
        recording.notes = clip.notes().to_vec();
        Ok(recording)
    }

    /// Reference and response, in this order; `swapped` if the response is on the first channel.
    ///
    /// # Errors
    /// There is only one channel.
    pub fn pair(&self, swapped: bool) -> Result<[Channel<'_>; 2], BenchError> {
        if self.channels.len() < 2 {
            return Err(BenchError(format!(
                "{}: it has one channel, and two are needed: the reference (amplifier) and the response \
                 (loudspeaker). Record both inputs of the interface into one file (`bench response` also takes the sweep that \
                 was played: --sweep FILE.wav)",
                self.name
            )));
        }
        let [first, second] = if swapped { [1, 0] } else { [0, 1] };
        Ok([self.channel(first), self.channel(second)])
    }

    /// A channel, from 0.
    pub fn channel(&self, index: usize) -> Channel<'_> {
        Channel {
            name: if self.channels.len() > 1 {
                format!("{}, channel {}", self.name, index + 1)
            } else {
                self.name.clone()
            },
            rate_hz: self.rate_hz,
            samples: &self.channels[index],
        }
    }

    /// The last channel: the response of a recording of two, the only one of a recording of one.
    pub fn last(&self) -> Channel<'_> {
        self.channel(self.channels.len() - 1)
    }
}

/// The last channel of a sound file, on the disk: for what goes through it in blocks, so that memory does not grow with it.
#[derive(Debug)]
pub struct Long {
    name: String,
    rate_hz: u32,
    samples: Parked,
}

impl Long {
    /// Of a sound file: WAV, FLAC and the others that clips may be.
    ///
    /// # Errors
    /// The file cannot be read, or holds no sound.
    pub fn read(path: &Path) -> Result<Self, BenchError> {
        let clip = open(path)?;
        let info = clip.info();
        let mut name = path.display().to_string();
        if info.channels > 1 {
            name = format!("{name}, channel {}", info.channels);
        }
        let mut samples = Parked::new()?;
        clip.each_block(|planes| planes.last().map_or(Ok(()), |last| samples.push(last)))?;
        if samples.frames() == 0 {
            return Err(BenchError(format!("{name}: there is no sound in it")));
        }
        Ok(Self { name, rate_hz: info.rate_hz, samples })
    }

    /// Its channel.
    pub fn last(&self) -> Channel<'_, Parked> {
        Channel { name: self.name.clone(), rate_hz: self.rate_hz, samples: &self.samples }
    }
}

/// One channel of a recording; in memory, unless it says otherwise.
#[derive(Debug, PartialEq)]
pub struct Channel<'r, S: ?Sized = [f64]> {
    /// What messages call it.
    pub name: String,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Its samples.
    pub samples: &'r S,
}

impl<S: ?Sized> Clone for Channel<'_, S> {
    fn clone(&self) -> Self {
        Self { name: self.name.clone(), ..*self }
    }
}

impl<S: Samples + ?Sized> Channel<'_, S> {
    /// Refuses silence and clipping.
    ///
    /// # Errors
    /// Nothing is on the channel, or more than it can hold.
    pub fn check(&self) -> Result<(), BenchError> {
        let peak = peak(self.samples)?;
        if peak < SILENT {
            return Err(BenchError(format!(
                "{}: it is silent (its largest sample is {}). Check the lead, the input's gain, and which input is which",
                self.name,
                if peak > 0.0 { printed::fixed(20.0 * peak.log10(), 0, "dBFS") } else { "0".to_owned() }
            )));
        }
        if let Some(at) = clipped(self.samples)? {
            return Err(BenchError(format!(
                "{}: it is clipped, first at {} (samples pile up at {}). Turn the input's gain or the sweep's \
                 level down by 6 dB and record again",
                self.name,
                printed::fixed(at as f64 / f64::from(self.rate_hz), 3, "s"),
                printed::fixed(20.0 * peak.log10(), 2, "dBFS")
            )));
        }
        Ok(())
    }
}

impl Channel<'_> {
    /// Where there is sound, clicks left out: stretches in frames, with silence between them.
    pub fn sounds(&self) -> Vec<Range<usize>> {
        let mut found = self.stretches();
        found.retain(|sound| sound.len() as f64 > SHORTEST_SOUND_S * f64::from(self.rate_hz));
        found
    }

    /// Where there is any sound, however short.
    pub(super) fn stretches(&self) -> Vec<Range<usize>> {
        let block = ((f64::from(self.rate_hz) * BLOCK_S) as usize).max(1);
        let levels: Vec<f64> = self.samples.chunks(block).map(rms).collect();
        let mut sorted = levels.clone();
        sorted.sort_by(f64::total_cmp);
        let loud = sorted[(sorted.len() - 1) * 95 / 100];
        let threshold = SOUND_SHARE * loud;
        let mut found: Vec<Range<usize>> = Vec::new();
        let pause = (SHORTEST_PAUSE_S * f64::from(self.rate_hz)) as usize;
        for (index, level) in levels.iter().enumerate() {
            if *level < threshold || loud == 0.0 {
                continue;
            }
            let (start, end) = (index * block, ((index + 1) * block).min(self.samples.len()));
            match found.last_mut() {
                Some(last) if start - last.end < pause => last.end = end,
                _ => found.push(start..end),
            }
        }
        found
    }

    /// Stretches in which nothing is played, clear of the sounds.
    fn quiet(&self, sounds: &[Range<usize>]) -> Vec<&[f64]> {
        // A response rings on after its sweep, and a sweep begins before it is above the threshold.
        let (after, before) = (f64::from(self.rate_hz) * 0.1, f64::from(self.rate_hz) * 0.05);
        let mut edges = vec![0];
        for sound in sounds {
            edges.push(sound.start.saturating_sub(before as usize));
            edges.push(sound.end + after as usize);
        }
        edges.push(self.samples.len());
        edges
            .chunks_exact(2)
            .filter(|pair| pair[0] + 16 < pair[1] && pair[1] <= self.samples.len())
            .map(|pair| &self.samples[pair[0]..pair[1]])
            .collect()
    }

    /// What the input adds to every sample while nothing is played.
    pub fn offset(&self, sounds: &[Range<usize>]) -> f64 {
        let quiet = self.quiet(sounds);
        let frames: usize = quiet.iter().map(|stretch| stretch.len()).sum();
        quiet.iter().map(|stretch| stretch.iter().sum::<f64>()).sum::<f64>() / frames.max(1) as f64
    }

    /// Level in dBFS of what is recorded while nothing is played; `None` where there is no tenth of a second of it.
    pub fn noise_dbfs(&self, sounds: &[Range<usize>]) -> Option<f64> {
        let (mut square, mut frames) = (0.0, 0);
        for quiet in self.quiet(sounds) {
            let mean = quiet.iter().sum::<f64>() / quiet.len() as f64;
            square += quiet.iter().map(|sample| (sample - mean).powi(2)).sum::<f64>();
            frames += quiet.len();
        }
        (frames as f64 >= 0.1 * f64::from(self.rate_hz))
            .then(|| dbfs((square / frames as f64).sqrt()).max(-200.0))
    }
}
