//! `[switcher]`: instead of filters, the cables themselves.

use std::path::{Component, Path, PathBuf};

use super::picture::{Format, Limits, Picture};
use super::reader::{SessionError, Table};
use super::{Comparison, NamedCable, Written};
use crate::files;
use crate::units::Dimension;
use crate::units::printed::written;

/// How real cables are switched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Switcher {
    /// What does it.
    pub kind: SwitcherKind,
    /// Indices of the cables at terminals 1 and 2.
    pub terminals: [usize; 2],
    /// Milliseconds for which nothing is connected before each presentation.
    pub apart_ms: u64,
    /// Nothing is connected for up to so many milliseconds longer, as the seal says.
    pub spread_ms: u64,
    /// Milliseconds from the order to connect to the sound.
    pub settle_ms: u64,
    /// The seal says which cable gets the label of terminal 1.
    pub labels_drawn: bool,
    /// Both positions are measured before the first and after the last trial.
    pub measured: bool,
    /// Each presentation begins where the last one did, and not where it ended.
    pub starts_anew: bool,
    /// The session's folder, in which a command is run.
    pub folder: PathBuf,
    /// The set-up, for the report.
    pub photographs: Vec<Photograph>,
}

/// A photograph of the set-up. What is sealed is the picture alone: whatever a camera wrote beside it is not in any report
/// or archive, so nobody needs it to check the digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photograph {
    /// Its name as the session writes it.
    pub file: String,
    /// What it shows, in the owner's words: also for whoever does not see it.
    pub caption: Written,
    /// The picture.
    pub picture: Picture,
}

/// What switches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SwitcherKind {
    /// A microcontroller at a serial port.
    Serial {
        /// The port.
        port: String,
        /// Its rate in baud.
        baud: u32,
    },
    /// A program.
    Command {
        /// Its name and arguments; `{terminal}` stands for 0, 1 or 2.
        words: Vec<String>,
    },
    /// A person out of the listener's sight, told on a page of their own.
    Operator,
}

impl SwitcherKind {
    /// The name in `session.toml`.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Serial { .. } => "serial",
            Self::Command { .. } => "command",
            Self::Operator => "operator",
        }
    }
}

/// Shortest and longest time of a step, in seconds: contacts bounce for some milliseconds, and memory fades in seconds.
const STEP_SECONDS: (f64, f64) = (0.05, 10.0);
/// The same for hands, which need longer.
const HANDS_SECONDS: (f64, f64) = (0.2, 120.0);

/// Most photographs, and bytes of each: the report carries them all.
const MOST_PHOTOGRAPHS: usize = 4;
const LARGEST_PHOTOGRAPH: u64 = 4 << 20;
/// Most pixels of a photograph: what the cameras of phones take.
const PIXELS: Limits = Limits { side: 8000, pixels: 25_000_000 };
/// Most characters of a caption.
const LONGEST_CAPTION: usize = 200;

/// The photographs of the set-up.
fn photographs(table: &mut Table<'_>, folder: &Path) -> Result<Vec<Photograph>, SessionError> {
    let tables = table.tables("photographs")?;
    if tables.len() > MOST_PHOTOGRAPHS {
        return Err(table.error_at(
            "photographs",
            format!("{} photographs: at most {MOST_PHOTOGRAPHS} go into a report", tables.len()),
        ));
    }
    let mut found: Vec<Photograph> = Vec::with_capacity(tables.len());
    for mut one in tables {
        let file = one.required_text("file", "\"rig.jpg\"")?;
        let caption = one.required_text("caption", "\"The relays behind the loudspeaker\"")?;
        if caption.trim().is_empty() || caption.chars().count() > LONGEST_CAPTION {
            return Err(one.error_at("caption", format!("a caption has 1 to {LONGEST_CAPTION} characters")));
        }
        let path = folder.join(&file);
        let failed =
            |why: &dyn std::fmt::Display| one.error_at("file", format!("\"{file}\" cannot be used: {why}"));
        if !Path::new(&file).components().all(|part| matches!(part, Component::Normal(_))) {
            return Err(failed(&"a photograph lies in the session's folder"));
        }
        if found.iter().any(|before| before.file == file) {
            return Err(failed(&"it is named twice"));
        }
        let bytes = files::read(&path, LARGEST_PHOTOGRAPH).map_err(|error| failed(&files::reason(&error)))?;
        let picture =
            Picture::of(&bytes, &[Format::Jpeg, Format::Png], PIXELS).map_err(|why| failed(&why))?;
        one.reads(&file, &path, Some(&picture.bytes));
        one.finish()?;
        found.push(Photograph { file, caption: Written::new(caption), picture });
    }
    Ok(found)
}

/// The table.
pub(super) fn switcher(
    table: &mut Table<'_>,
    folder: &Path,
    cables: &[NamedCable],
    comparisons: &[Comparison],
) -> Result<Option<Switcher>, SessionError> {
    let Some(mut inner) = table.table("switcher")? else { return Ok(None) };
    let kind = inner
        .choice("kind", &[("serial", "serial"), ("command", "command"), ("operator", "operator")])?
        .ok_or_else(|| inner.missing("kind", "\"serial\""))?;
    let kind = match kind {
        "serial" => SwitcherKind::Serial {
            port: inner.required_text("port", "\"/dev/ttyUSB0\"")?,
            baud: inner.whole("baud", 300, 1_000_000)?.unwrap_or(9600) as u32,
        },
        "operator" => SwitcherKind::Operator,
        _ => {
            let words = inner.texts("command")?.unwrap_or_default();
            if words.is_empty() || !words.iter().any(|word| word.contains("{terminal}")) {
                return Err(inner.error_at(
                    "command",
                    "a program and its arguments are expected, with {terminal} where 0, 1 or 2 goes: command = [\"./switch\", \"{terminal}\"]",
                ));
            }
            SwitcherKind::Command { words }
        }
    };
    let by_hand = kind == SwitcherKind::Operator;
    let names = inner.texts("terminals")?.unwrap_or_default();
    let [one, two] = &names[..] else {
        return Err(inner.error_at(
            "terminals",
            "the cables at terminals 1 and 2 are expected, by name: terminals = [\"flex\", \"braid\"]",
        ));
    };
    let find = |name: &String| {
        cables
            .iter()
            .position(|cable| cable.name.as_written() == *name)
            .ok_or_else(|| inner.error_at("terminals", format!("there is no [cables.{name}]")))
    };
    let terminals = [find(one)?, find(two)?];
    let two_of_them = |comparison: &Comparison| {
        let sides = [comparison.a, comparison.b];
        sides == terminals || sides == [terminals[1], terminals[0]]
    };
    if let Some(other) = comparisons.iter().find(|comparison| !two_of_them(comparison)) {
        return Err(inner.error_at(
            "terminals",
            format!(
                "comparison \"{}\" is of other cables than these two: a switch has two terminals",
                other.name.as_written()
            ),
        ));
    }
    let (least, most, why) = if by_hand {
        (HANDS_SECONDS.0, HANDS_SECONDS.1, "so that the operator has the time")
    } else {
        (STEP_SECONDS.0, STEP_SECONDS.1, "so that contacts come to rest")
    };
    let mut step = |key: &'static str, usual: f64, least: f64| -> Result<u64, SessionError> {
        let seconds = inner.quantity(key, Dimension::Time)?.unwrap_or(usual);
        if !(least..=most).contains(&seconds) {
            let text = format!("{} s: from {least} s, {why}, to {most} s", written(seconds));
            return Err(inner.error_at(key, text));
        }
        Ok((seconds * 1000.0).round() as u64)
    };
    let usual = if by_hand { 20.0 } else { 0.5 };
    let (apart_ms, settle_ms) = (step("apart", usual, least)?, step("settle", usual, least)?);
    let spread_ms = step("spread", apart_ms as f64 / 4000.0, 0.0)?;
    let labels_drawn = inner.choice("labels", &[("as-written", false), ("drawn", true)])?.unwrap_or(false);
    if labels_drawn && !by_hand {
        return Err(inner.error_at(
            "labels",
            "\"drawn\" needs a person who sticks the labels on: with a relay, somebody else than the listener wires the cables as \
             `terminals` says",
        ));
    }
    let starts_anew = inner.choice("music", &[("starts-anew", true), ("goes-on", false)])?.unwrap_or(true);
    let measured = inner.choice("proof", &[("none", false), ("measured", true)])?.unwrap_or(false);
    let photographs = photographs(&mut inner, folder)?;
    inner.finish()?;
    Ok(Some(Switcher {
        kind,
        terminals,
        apart_ms,
        spread_ms,
        settle_ms,
        labels_drawn,
        measured,
        starts_anew,
        folder: folder.to_path_buf(),
        photographs,
    }))
}
