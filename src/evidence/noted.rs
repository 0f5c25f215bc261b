//! What a journal notes beside answers, as data. Journals of older programs hold some of it as sentences in notes: here, and
//! nowhere else, such a sentence is read.

use serde::Serialize;

use crate::clip::dither::WordLength;
use crate::session::Written;
use crate::stimulus::WordFacts;
use crate::stimulus::device_words::Faintest;
use crate::trial::positions::{Positions, When};
use crate::trial::record::{Demonstration, Output, Record, Voided, VoidedBy};
use crate::units::printed;

/// What carries the sound from here on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Carrier {
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Sample format.
    pub format: String,
    /// Channels.
    pub channels: u16,
    /// Buffer size in frames, 0 for the system's default.
    pub buffer_frames: u32,
    /// Rate of the stimuli in Hz where it is another: all of them alike are resampled.
    pub resampled_from_hz: Option<u32>,
}

impl Carrier {
    fn new(output: &Output, resampled_from_hz: Option<u32>) -> Self {
        Self {
            rate_hz: output.rate_hz,
            format: output.format.clone(),
            channels: output.channels,
            buffer_frames: output.buffer_frames,
            resampled_from_hz,
        }
    }
}

/// Something that a journal notes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Noted {
    /// In the journal's own words: why an attempt was void, what happened to the device.
    Said {
        /// The words.
        #[serde(skip)]
        text: String,
    },
    /// In the host's own words: why a trial of a night was void.
    #[serde(rename = "said")]
    Host {
        /// The words.
        #[serde(skip)]
        words: Written,
    },
    /// Every stimulus is played at another level from here on.
    Level {
        /// In dB from the clips' own.
        level_db: f64,
    },
    /// Something else carries the sound from here on.
    Output(Carrier),
    /// The room heard something by name, before the first trial.
    OpenEars {
        /// What.
        shown: Demonstration,
    },
    /// What the sound device resolves of the differences under test.
    #[serde(skip)]
    Resolved(WordFacts),
    /// Both positions of a switch of real cables were measured.
    Measured(Box<Positions>),
}

impl Noted {
    /// What a record notes; nothing for one that is about something else.
    pub fn of(record: &Record, format: u32) -> Option<Self> {
        match record {
            Record::Note { text, .. } => Some(read(text, format)),
            Record::Level { level_db, .. } => Some(Self::Level { level_db: *level_db }),
            Record::OutputChanged { output, resampled_from_hz, .. } => {
                Some(Self::Output(Carrier::new(output, *resampled_from_hz)))
            }
            Record::OpenEars { shown, .. } => Some(Self::OpenEars { shown: *shown }),
            Record::Measured { positions, .. } => Some(Self::Measured(positions.clone())),
            Record::Resolution { resolved, .. } => resolved.facts().map(Self::Resolved),
            _ => None,
        }
    }

    /// Why an attempt of a sitting or `night` was void. Older programs did not say who spoke, and began the host's words so.
    pub fn void(void: &Voided, night: bool) -> Self {
        if void.by == Some(VoidedBy::Host) || (night && void.cause.starts_with("host: ")) {
            Self::Host { words: Written::new(&void.cause) }
        } else {
            Self::Said { text: void.cause.clone() }
        }
    }

    /// In words.
    pub fn words(&self) -> String {
        match self {
            Self::Host { words } => words.shown().to_owned(),
            Self::Said { text } => text.clone(),
            Self::OpenEars { shown } => {
                let what = match shown {
                    Demonstration::Sides => "A and B by name",
                    Demonstration::LevelStep => "a step in level",
                    Demonstration::Practice => "a practice whose answer was told",
                };
                format!("open ears, before the first trial and no part of the test: {what}")
            }
            Self::Level { level_db } => format!(
                "level set to {level_db} of the clips' own",
                level_db = printed::fixed(*level_db, 0, "dB")
            ),
            Self::Output(now) => {
                let resampled = now.resampled_from_hz.map_or_else(String::new, |from| {
                    format!(
                        "; it does not run at the clip's {from} Hz: all stimuli alike are resampled to {} Hz",
                        now.rate_hz
                    )
                });
                format!(
                    "sound at {} Hz, {}, {} channels, buffer of {} frames{resampled}",
                    now.rate_hz, now.format, now.channels, now.buffer_frames
                )
            }
            Self::Measured(positions) => {
                let (largest_db, at_hz, unknown_db, predicted_db) = positions.largest();
                format!(
                    "both positions measured {}: {} ± {} apart at {}, predicted {}; levels {} apart",
                    match positions.when {
                        When::Before => "before the trials",
                        When::Between => "between two trials",
                        When::After => "after the last trial",
                    },
                    printed::signed_decibels(largest_db),
                    printed::decibels(unknown_db),
                    printed::hertz(at_hz),
                    printed::signed_decibels(predicted_db),
                    printed::signed_decibels(positions.level_db())
                )
            }
            Self::Resolved(facts) => {
                format!("{} bits, noise {}", facts.word, printed::fixed(facts.noise_db, 1, "dB"))
            }
        }
    }
}

/// What a note says, where it is one of the sentences that older programs wrote. Only format 1 says so of a resolution.
fn read(text: &str, format: u32) -> Noted {
    let resolved = || (format == 1).then(|| resolved(text)).flatten().map(Noted::Resolved);
    let level = || level(text).map(|level_db| Noted::Level { level_db });
    let output = || output(text).map(Noted::Output);
    resolved().or_else(level).or_else(output).unwrap_or_else(|| Noted::Said { text: text.to_owned() })
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

fn level(text: &str) -> Option<f64> {
    number(text.strip_prefix("level set to ")?.strip_suffix(" dB of the clips' own")?)
}

fn output(text: &str) -> Option<Carrier> {
    let (rate, rest) = text.strip_prefix("sound at ")?.split_once(" Hz, ")?;
    let (format, rest) = rest.split_once(", ")?;
    let (channels, rest) = rest.split_once(" channels, buffer of ")?;
    let (frames, rest) = rest.split_once(" frames")?;
    let resampled_from_hz = match rest.strip_prefix("; it does not run at the clip's ") {
        Some(rest) => Some(rest.split_once(" Hz: all stimuli alike are resampled to ")?.0.parse().ok()?),
        None if rest.is_empty() => None,
        None => return None,
    };
    Some(Carrier {
        rate_hz: rate.parse().ok()?,
        format: format.to_owned(),
        channels: channels.parse().ok()?,
        buffer_frames: frames.parse().ok()?,
        resampled_from_hz,
    })
}

/// Comparison and clip are their numbers in the session, from 1.
fn resolved(text: &str) -> Option<WordFacts> {
    let index = |text: &str| text.parse::<usize>().ok()?.checked_sub(1);
    let (bits, rest) = text.split_once(" words, noise ")?;
    let word = WordLength::ALL.into_iter().find(|word| word.to_string() == bits)?;
    let (noise, rest) = rest.split_once(" dB; at ")?;
    let (level, rest) = rest.split_once(" dB ")?;
    let faintest = if rest == "there is nothing to resolve: the sides are identical" {
        None
    } else {
        let rest = rest.strip_prefix("the faintest difference under test (comparison ")?;
        let (comparison, rest) = rest.split_once(", clip ")?;
        let rest = rest.strip_suffix(" dB out of it in its strongest ERB band")?;
        let (clip, margin) = rest.split_once(") stands ")?;
        Some(Faintest { comparison: index(comparison)?, clip: index(clip)?, margin_db: number(margin)? })
    };
    Some(WordFacts { word, noise_db: number(noise)?, level_db: number(level)?, faintest })
}

#[cfg(test)]
mod tests {
    use super::*;

    const RESOLVED: &str = "16-bit words, noise -93.3 dB; at -20.0 dB the faintest difference under test (comparison 1, \
                            clip 2) stands 13.4 dB out of it in its strongest ERB band";

    #[test]
    fn sentences_of_older_journals_are_read_once_and_said_alike() {
        let faintest = Some(Faintest { comparison: 0, clip: 1, margin_db: 13.4 });
        let facts = WordFacts { word: WordLength::Bits16, noise_db: -93.3, level_db: -20.0, faintest };
        assert_eq!(read(RESOLVED, 1), Noted::Resolved(facts));
        assert_eq!(
            read(RESOLVED, 2),
            Noted::Said { text: RESOLVED.to_owned() },
            "format 2 has a record for it"
        );
        let nothing =
            "32-bit words, noise -155.3 dB; at 0.0 dB there is nothing to resolve: the sides are identical";
        assert!(matches!(read(nothing, 1), Noted::Resolved(WordFacts { faintest: None, .. })));
        for format in [1, 2] {
            for text in [
                "level set to -30 dB of the clips' own",
                "sound at 44100 Hz, s16, 2 channels, buffer of 512 frames",
                "sound at 44100 Hz, f32, 2 channels, buffer of 0 frames; it does not run at the clip's 48000 Hz: all \
                 stimuli alike are resampled to 44100 Hz",
            ] {
                let noted = read(text, format);
                assert!(matches!(noted, Noted::Level { .. } | Noted::Output(_)), "{noted:?}");
                let shown = text.replace(" -", " −");
                assert_eq!(noted.words(), shown, "the sentence is the same, whether it was written or made");
            }
        }
    }

    #[test]
    fn a_broken_sentence_is_a_note_and_not_guessed() {
        for (from, to) in [
            ("16-bit", "17-bit"),
            ("-93.3", "NaN"),
            ("-20.0", "loud"),
            ("comparison 1", "comparison 0"),
            ("clip 2", "clip -2"),
            ("13.4", "inf"),
            ("ERB band", "ERB band, perhaps"),
        ] {
            let text = RESOLVED.replace(from, to);
            assert_eq!(read(&text, 1), Noted::Said { text });
        }
        for text in
            ["level set to loud dB of the clips' own", "sound at 1 Hz, s16, 2 channels, buffer of 1 frames!"]
        {
            assert_eq!(read(text, 1), Noted::Said { text: text.to_owned() });
        }
    }
}
