//! `[switcher]`: instead of filters, the cables themselves.

use std::path::{Path, PathBuf};

use super::reader::{SessionError, Table};
use super::{Comparison, NamedCable};
use crate::units::Dimension;

/// How real cables are switched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Switcher {
    /// What does it.
    pub kind: SwitcherKind,
    /// Indices of the cables at terminals 1 and 2.
    pub terminals: [usize; 2],
    /// Milliseconds for which nothing is connected before each presentation.
    pub apart_ms: u64,
    /// Milliseconds from the order to connect to the sound.
    pub settle_ms: u64,
    /// Each presentation begins where the last one did, and not where it ended.
    pub starts_anew: bool,
    /// The session's folder, in which a command is run.
    pub folder: PathBuf,
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
}

impl SwitcherKind {
    /// The name in `session.toml`.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Serial { .. } => "serial",
            Self::Command { .. } => "command",
        }
    }
}

/// Shortest and longest time of a step, in seconds: contacts bounce for some milliseconds, and memory fades in seconds.
const STEP_SECONDS: (f64, f64) = (0.05, 10.0);

/// The table.
pub(super) fn switcher(
    table: &mut Table<'_>,
    folder: &Path,
    cables: &[NamedCable],
    comparisons: &[Comparison],
) -> Result<Option<Switcher>, SessionError> {
    let Some(mut inner) = table.table("switcher")? else { return Ok(None) };
    let serial = inner
        .choice("kind", &[("serial", true), ("command", false)])?
        .ok_or_else(|| inner.missing("kind", "\"serial\""))?;
    let kind = if serial {
        SwitcherKind::Serial {
            port: inner.required_text("port", "\"/dev/ttyUSB0\"")?,
            baud: inner.whole("baud", 300, 1_000_000)?.unwrap_or(9600) as u32,
        }
    } else {
        let words = inner.texts("command")?.unwrap_or_default();
        if words.is_empty() || !words.iter().any(|word| word.contains("{terminal}")) {
            return Err(inner.error_at(
                "command",
                "a program and its arguments are expected, with {terminal} where 0, 1 or 2 goes: command = [\"./switch\", \"{terminal}\"]",
            ));
        }
        SwitcherKind::Command { words }
    };
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
            .position(|cable| cable.name == *name)
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
                other.name
            ),
        ));
    }
    let mut step = |key: &'static str, usual: f64| -> Result<u64, SessionError> {
        let seconds = inner.quantity(key, Dimension::Time)?.unwrap_or(usual);
        if !(STEP_SECONDS.0..=STEP_SECONDS.1).contains(&seconds) {
            return Err(inner.error_at(
                key,
                format!(
                    "{seconds} s: from {} s, so that contacts come to rest, to {} s",
                    STEP_SECONDS.0, STEP_SECONDS.1
                ),
            ));
        }
        Ok((seconds * 1000.0).round() as u64)
    };
    let (apart_ms, settle_ms) = (step("apart", 0.5)?, step("settle", 0.5)?);
    let starts_anew = inner.choice("music", &[("starts-anew", true), ("goes-on", false)])?.unwrap_or(true);
    inner.finish()?;
    Ok(Some(Switcher { kind, terminals, apart_ms, settle_ms, starts_anew, folder: folder.to_path_buf() }))
}
