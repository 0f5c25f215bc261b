//! The part of `check` about the sound device: what its word length makes of the differences under test.

use serde_json::json;

use super::progress::Bar;
use super::{Failure, run};
use crate::player::{OutputChoice, OutputDescription, PlayerError, PlayerOptions, open};
use crate::session::Session;
use crate::stimulus::device_words::wider;
use crate::stimulus::resolution::{MARGIN_DB, Resolved};
use crate::stimulus::{DeviceWords, PairKind, Survey};
use crate::units::printed;

/// Which device `run` would use.
#[derive(Debug, clap::Args)]
pub(super) struct DeviceArguments {
    /// Where `run` will send the sound: `device`, `silent`, or a file name that ends in `.wav`; nothing is played or written
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device, by its name in `earwitness devices` [default: the system's]
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
}

impl DeviceArguments {
    /// The device's name, if one was given.
    pub(super) fn name(&self) -> Option<String> {
        self.device.clone()
    }
}

/// What carries the sound, and what its words make of the differences.
pub(super) enum Found {
    /// A device answered.
    Device(Box<Answered>),
    /// No device was asked, or none answered: why.
    None(String),
}

/// A device and its words.
pub(super) struct Answered {
    /// What was negotiated.
    output: OutputDescription,
    words: DeviceWords,
    /// The words of a device that may stand behind it, where they are shorter.
    behind: DeviceWords,
}

/// Asks the device that `run` would use for its format: it is opened, and plays nothing.
pub(super) fn find(arguments: &DeviceArguments, stimuli: &Survey<'_>) -> Result<Found, Failure> {
    let choice = run::output(&arguments.output, arguments.device.as_deref())?;
    match &choice {
        OutputChoice::Device(_) => {}
        OutputChoice::Silent => {
            return Ok(Found::None("Silent: nothing is played, so no bit depth can hide anything.".into()));
        }
        OutputChoice::File(_) => {
            return Ok(Found::None(
                "A WAV file of 32-bit floats hides nothing; the bit depth of what plays it may.".into(),
            ));
        }
    }
    let Some((rate_hz, channels)) = stimuli.first() else {
        return Ok(Found::None("The session has nothing to play.".into()));
    };
    let opened = open(&choice, rate_hz, channels, PlayerOptions::default());
    let output = match opened {
        Ok(player) => player.description(),
        // A name that is wrong is a mistake; that there is no device is none: a session may be checked anywhere.
        Err(error) if arguments.device.is_some() => return Err(Failure::bad(error)),
        Err(error) if !matches!(error, PlayerError::NoDevice(_)) => {
            return Ok(Found::None(error.to_string()));
        }
        Err(_) => {
            return Ok(Found::None(
                "No sound device found, so its bit depth was not checked: see `earwitness devices`.".into(),
            ));
        }
    };
    let differences = stimuli.differences(false, &Bar::default()).map_err(Failure::bad)?;
    let words = DeviceWords::of_differences(&differences, &output.format);
    let behind = words.clone().in_format("s16");
    Ok(Found::Device(Box::new(Answered { output, words, behind })))
}

fn pair(session: &Session, kind: PairKind) -> (String, String) {
    let (comparison, clip) = kind.of();
    (
        session.comparisons[comparison].name.as_written().to_owned(),
        session.clips[clip].name.as_written().to_owned(),
    )
}

/// For people, at the clips' own level.
pub(super) fn lines(session: &Session, found: &Found) -> Vec<String> {
    let Answered { output, words, behind } = match found {
        Found::None(why) => return vec![why.clone()],
        Found::Device(answered) => &**answered,
    };
    let facts = words.facts(0.0);
    let mut lines = vec![
        format!("Sound device: {}", output.name),
        format!(
            "  {}, {} Hz, {}: {}, noise {} below a full-scale sine",
            output.host,
            output.rate_hz,
            output.format,
            facts.word,
            printed::fixed(-facts.noise_db, 1, "dB")
        ),
    ];
    for ((kind, resolved), (_, shorter)) in words.pairs.iter().zip(&behind.pairs) {
        let (comparison, clip) = pair(session, *kind);
        let Some(band) = resolved.strongest else {
            lines.push(format!(
                "  {comparison} on {clip}: the sides are identical, there is nothing to resolve"
            ));
            continue;
        };
        let margin = resolved.best_margin_db;
        let shorter = if words.word == behind.word {
            String::new()
        } else {
            format!(
                " ({}, if a device of 16 bits stands behind the sound server)",
                printed::fixed(shorter.best_margin_db, 0, "dB")
            )
        };
        lines.push(format!(
            "  {comparison} on {clip}: in its strongest ERB band, {:.0} to {}, the difference is {} and stands \
             {margin} out of that noise{shorter}",
            band.from_hz,
            printed::hertz(band.to_hz),
            printed::fixed(band.difference_db, 1, "dB"), margin = printed::fixed(margin, 0, "dB")));
        lines.push(if resolved.could_hide {
            format!(
                "    caution: {MARGIN_DB} dB are wanted, so this bit depth could hide it: {}, or use a louder clip",
                wider(words.word)
            )
        } else {
            format!("    so it may be played {} softer before this bit depth could hide it",
           printed::fixed(margin - MARGIN_DB, 0, "dB"))
        });
    }
    lines
}

/// The same in a line or two: which device, and whether its words could hide a difference.
pub(super) fn short(session: &Session, found: &Found) -> Vec<String> {
    let Found::Device(answered) = found else { return lines(session, found) };
    let Answered { output, words, .. } = &**answered;
    let mut lines = vec![format!("{}, {}, {} Hz", output.name, output.format, output.rate_hz)];
    let hidden: Vec<String> = words
        .pairs
        .iter()
        .filter(|(_, resolved)| resolved.could_hide)
        .map(|(kind, _)| pair(session, *kind))
        .map(|(comparison, clip)| format!("{comparison} on {clip}"))
        .collect();
    lines.push(if hidden.is_empty() {
        format!("Its bit depth ({}) hides none of the differences, at the clips' own level.", words.word)
    } else {
        format!(
            "Its bit depth ({}) could hide the difference of {}: {}, or use a louder clip.",
            words.word,
            hidden.join(", "),
            wider(words.word)
        )
    });
    lines
}

/// The same as JSON: `null` where no device was asked or none answered.
pub(super) fn document(session: &Session, found: &Found) -> serde_json::Value {
    let Found::Device(answered) = found else { return serde_json::Value::Null };
    let Answered { output, words, behind } = &**answered;
    let facts = words.facts(0.0);
    let differences: Vec<serde_json::Value> = words
        .pairs
        .iter()
        .zip(&behind.pairs)
        .map(|((kind, resolved), (_, shorter))| {
            let (comparison, clip) = pair(session, *kind);
            difference(&comparison, &clip, resolved, shorter)
        })
        .collect();
    json!({
        "name": output.name,
        "host": output.host,
        "rate_hz": output.rate_hz,
        "format": output.format,
        "words": facts.word,
        "noise_db": 10.0 * (2.0 * words.word.noise_power()).log10(),
        "wanted_margin_db": MARGIN_DB,
        "differences": differences,
    })
}

fn difference(comparison: &str, clip: &str, resolved: &Resolved, shorter: &Resolved) -> serde_json::Value {
    let band = resolved.strongest;
    json!({
        "comparison": comparison,
        "clip": clip,
        "bands": resolved.bands,
        "bands_below_noise": resolved.bands_below,
        "strongest_band_hz": band.map(|band| [band.from_hz, band.to_hz]),
        "difference_in_band_db": band.map(|band| band.difference_db),
        "noise_in_band_db": band.map(|band| band.difference_db - resolved.best_margin_db),
        "margin_db": band.map(|_| resolved.best_margin_db),
        "margin_16_bit_db": band.map(|_| shorter.best_margin_db),
        "could_hide": resolved.could_hide,
    })
}
