//! A threshold in decibels and metres, and where a published model expects it.

use serde::Serialize;

use crate::hearing::Expected;
use crate::session::Scale;
use crate::stats::threshold::summary::Estimate;
use crate::stimulus::on_paper::SizesOnPaper;
use crate::units::printed;
use crate::units::printed::significant;

/// A threshold in decibels and metres.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OnPaper {
    /// Largest difference, 20 Hz to 20 kHz, in dB.
    pub largest_db: Estimate,
    /// Largest difference in one auditory band of each clip, in dB, with the band's centre in Hz.
    pub clips: Vec<BandOnClip>,
    /// Each cable by name with the length in metres at which both differ as much; empty where that is not known.
    pub lengths_m: Vec<(String, Estimate)>,
}

/// A threshold in decibels on one clip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandOnClip {
    /// The clip.
    pub clip: String,
    /// In dB.
    pub band_db: Estimate,
    /// Centre of the band in Hz.
    pub band_hz: f64,
}

impl OnPaper {
    /// A threshold's middle and bounds, read off what sizes are on paper.
    pub(super) fn of(paper: &SizesOnPaper, found: &Estimate) -> Option<Self> {
        let three = |of: &dyn Fn(f64) -> Option<f64>| -> Option<Estimate> {
            Some(Estimate { estimate: of(found.estimate)?, lower: of(found.lower)?, upper: of(found.upper)? })
        };
        let clips = paper.clips.iter().filter_map(|clip| {
            let band_db = three(&|size| clip.band_db(size))?;
            Some(BandOnClip { clip: clip.clip.clone(), band_db, band_hz: clip.band_hz })
        });
        let [a, b] = &paper.cables;
        let a = three(&|size| paper.lengths_m(size).map(|lengths| lengths.0)).map(|of| (a.0.clone(), of));
        let b = three(&|size| paper.lengths_m(size).map(|lengths| lengths.1)).map(|of| (b.0.clone(), of));
        Some(Self {
            largest_db: three(&|size| paper.largest_db(size))?,
            clips: clips.collect(),
            // No cable at all stays none.
            lengths_m: a.into_iter().chain(b).filter(|(_, length)| length.upper > 0.0).collect(),
        })
    }

    /// The same in sentences.
    pub(super) fn sentences(&self, scale: Scale) -> Vec<String> {
        let decibels = |of: &Estimate| {
            let places = if of.estimate < 0.1 { 3 } else { 2 };
            format!(
                "{} ({:.places$} to {})",
                printed::fixed(of.estimate, places, "dB"),
                of.lower,
                printed::fixed(of.upper, places, "dB")
            )
        };
        let mut sentences = Vec::new();
        if scale.is_about_the_cables() {
            sentences.push(format!("That is a difference of up to {}.", decibels(&self.largest_db)));
        }
        let clips: Vec<String> = self
            .clips
            .iter()
            .take(MOST_CLIPS)
            .map(|on| {
                format!("{} on {}, around {}", decibels(&on.band_db), on.clip, printed::hertz(on.band_hz))
            })
            .collect();
        if !clips.is_empty() && scale != Scale::Level {
            sentences.push(format!("In the strongest auditory band it is {}.", clips.join("; ")));
        }
        let lengths: Vec<String> = self
            .lengths_m
            .iter()
            .map(|(cable, of)| {
                let metres = |value: f64| significant(value);
                format!(
                    "{} m of {cable} ({} to {} m)",
                    metres(of.estimate),
                    metres(of.lower),
                    metres(of.upper)
                )
            })
            .collect();
        if !lengths.is_empty() {
            let verb = if scale == Scale::Length { "That is" } else { "The same difference lies between" };
            let and = if scale == Scale::Length { " against " } else { " and " };
            sentences.push(format!("{verb} {}.", lengths.join(and)));
        }
        sentences
    }
}

/// Most clips that a sentence names.
pub(super) const MOST_CLIPS: usize = 3;

/// What the published model expects on one clip.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedOnClip {
    /// The clip.
    pub clip: String,
    /// The size.
    pub expected: Expected,
}

impl Serialize for ExpectedOnClip {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (size, at_hz, above) = match self.expected {
            Expected::At(size, at_hz) => (Some(size), Some(at_hz), None),
            Expected::Above(above) => (None, None, Some(above)),
        };
        serde_json::json!({ "clip": self.clip, "size": size, "at_hz": at_hz, "above": above })
            .serialize(serializer)
    }
}

/// Which model that is, and what it is not.
pub(super) const MODEL: &str = "1 dB of excitation, Glasberg & Moore 1990 and Zwicker, from the long-term spectrum at 80 dB SPL: a guide, not a \
                                verdict";

/// What a published model expects, in one sentence.
pub fn expected_words(scale: Scale, expected: Expected) -> String {
    match expected {
        Expected::At(size, at_hz) => format!(
            "a published model expects it to be heard from {} on, around {at_hz} ({MODEL})",
            scale.words(size),
            at_hz = printed::hertz(at_hz)
        ),
        Expected::Above(size) => {
            format!("a published model expects it to be heard at no size up to {}", scale.words(size))
        }
    }
}
