//! `session.toml` to a validated [`Session`]; every complaint names file, line and key.
//!
//! Comes in: a path to a session file or its folder. Goes out: [`Session`], in SI units, with every path joined to the
//! session's folder and every name resolved. Must not: run anything.

mod asked;
pub mod caution;
pub mod cheating;
pub mod club;
pub mod electrical;
pub mod facts;
pub mod input;
pub mod panel;
mod parse;
mod person;
pub mod picture;
pub mod reader;
pub mod recorded;
mod sealed;
pub mod switcher;
pub mod template;
pub mod threshold;
pub mod written;

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::circuit::{Amplifier, Cable, Chain, Loudspeaker};
use crate::clip::ClipSource;
use crate::stats::Protocol;
use crate::stats::protocol::{Inquiry, Side, Sides};

pub use caution::Caution;
pub use club::Club;
pub use facts::{Fact, SittingFact};
pub use input::Contents;
pub use panel::{CableA, ComparisonOrder, ForWhom, LeaveOut, Panel};
pub use parse::{load, parse};
pub use person::{folded, same_person};
pub use reader::SessionError;
pub use recorded::{Recorded, Takes};
pub use switcher::{Photograph, Switcher, SwitcherKind};
pub use threshold::{Scale, Threshold};
pub use written::Written;

/// Keep the level difference that the cables make, or remove it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Levels {
    /// Keep it.
    AsWired,
    /// Equal K-weighted loudness (ITU-R BS.1770) of both sides.
    Matched,
}

/// What happens between two stimuli when the listener switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Switching {
    /// An equal-length crossfade at the same place in the clip.
    Instant,
    /// A short silence.
    Gap,
}

/// When the counted trials end; fixed before the first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stopping {
    /// All of the session's trials.
    AllTrials,
    /// Wald's sequential test; `trials` is then the largest number.
    Sequential {
        /// Risk of "a difference" for a guesser.
        alpha: f64,
        /// Risk of "no difference" for a listener with proportion right `proportion`.
        beta: f64,
        /// Proportion right that the test must be able to find.
        proportion: f64,
    },
}

/// How several comparisons of one session are judged together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Holm's step-down adjustment.
    Holm,
    /// Each comparison by itself.
    None,
}

impl Family {
    /// The name in `session.toml`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Holm => "holm",
            Self::None => "none",
        }
    }
}

/// A clip under its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// Name, unique in the session.
    pub name: Written,
    /// Where its sound comes from.
    pub source: ClipSource,
}

/// A cable under its name.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedCable {
    /// Name, unique in the session.
    pub name: Written,
    /// The cable.
    pub cable: Cable,
    /// What was recorded of it, to be played in place of what is computed.
    pub recorded: Option<Recorded>,
}

/// Two sides to tell apart on one or more clips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// Name, unique in the session.
    pub name: Written,
    /// Index of side A in [`Session::cables`].
    pub a: usize,
    /// Index of side B in [`Session::cables`].
    pub b: usize,
    /// Indices in [`Session::clips`], at least one.
    pub clips: Vec<usize>,
}

/// What a control adds to side A to make its side B.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ControlKind {
    /// A level step in dB.
    Level {
        /// Size of the step in dB.
        decibels: f64,
    },
    /// A spectral tilt in dB from 20 Hz to 20 kHz, 0 dB at 632 Hz.
    Tilt {
        /// Size of the tilt in dB.
        decibels: f64,
    },
    /// The comb that a head movement makes between two loudspeakers.
    HeadMovement {
        /// Sideways movement in metres.
        metres: f64,
    },
    /// Nothing: nobody can be right more often than chance.
    Identical,
    /// The largest size of a session that looks for a threshold: catch trials, which tell lapses and bad equipment.
    Largest {
        /// The size.
        size: f64,
        /// What it is a size of.
        scale: Scale,
    },
}

/// What a control adds, without its size: the name in `session.toml`, journals and JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ControlName {
    /// A level step.
    Level,
    /// A spectral tilt.
    Tilt,
    /// The comb of a head movement.
    HeadMovement,
    /// Nothing.
    Identical,
    /// The largest size of a threshold.
    Largest,
}

impl ControlName {
    /// Every control, with its name.
    pub const ALL: [(&'static str, Self); 5] = [
        ("level", Self::Level),
        ("tilt", Self::Tilt),
        ("head-movement", Self::HeadMovement),
        ("identical", Self::Identical),
        ("largest", Self::Largest),
    ];
}

impl std::fmt::Display for ControlName {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.pad(Self::ALL.iter().find(|(_, of)| of == self).map_or("", |(name, _)| name))
    }
}

impl ControlKind {
    /// Its name.
    pub fn name(self) -> ControlName {
        match self {
            Self::Level { .. } => ControlName::Level,
            Self::Tilt { .. } => ControlName::Tilt,
            Self::HeadMovement { .. } => ControlName::HeadMovement,
            Self::Identical => ControlName::Identical,
            Self::Largest { .. } => ControlName::Largest,
        }
    }

    /// Its size with unit; empty where nothing is added.
    pub fn amount(self) -> String {
        match self {
            Self::Level { decibels } | Self::Tilt { decibels } => format!("{decibels} dB"),
            Self::HeadMovement { metres } => format!("{} cm", (metres * 1e4).round() / 100.0),
            Self::Identical => String::new(),
            Self::Largest { size, scale } => scale.words(size),
        }
    }

    /// Known to be audible; the other kind is known to be impossible.
    pub fn is_positive(self) -> bool {
        self != Self::Identical
    }
}

/// Name and size, such as "level 1 dB" or "head-movement 10 cm".
impl std::fmt::Display for ControlKind {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(format!("{} {}", self.name(), self.amount()).trim_end())
    }
}

/// Trials with a known answer, shuffled among the counted ones and reported separately.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Control {
    /// What it adds.
    pub kind: ControlKind,
    /// How many trials of it each sitting holds.
    pub trials: u32,
    /// 2-AFC: the side that has more of the attribute, A unaltered or B altered, where the control is one with a right
    /// answer.
    pub more: Option<Side>,
}

/// Positive controls that must be passed before the counted trials start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Qualification {
    /// Qualification trials, drawn from the positive controls.
    pub trials: u32,
    /// How many must be right.
    pub correct: u32,
    /// What they are asked with: the session's own protocol, or one that asks which presentations are alike.
    pub protocol: Protocol,
}

/// Which sittings of the claimant decide a wager.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deciding {
    /// The first one.
    First,
    /// The first so many together.
    AllTogether {
        /// How many.
        sittings: u32,
    },
}

/// What two people agreed on before the sitting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wager {
    /// Who claims to hear the difference.
    pub claimant: Written,
    /// Who doubts it.
    pub skeptic: Written,
    /// The claim in their words.
    pub claim: Written,
    /// What is owed if the score needed is reached, in their words.
    pub claimant_wins: Written,
    /// What is owed if it is not reached, in their words.
    pub skeptic_wins: Written,
    /// In a two-sided test: the side, of the one comparison, that the claimant says answers will favour.
    pub side: Option<Side>,
    /// Which sittings decide.
    pub deciding: Deciding,
}

/// A validated session.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// The session file.
    pub file: PathBuf,
    /// The folder it stands in: sittings and reports go below it.
    pub folder: PathBuf,
    /// The file's text, whose SHA-256 is the session digest in journals.
    pub source: String,
    /// Every other file that it reads.
    pub inputs: Vec<input::Input>,
    /// Title.
    pub title: Written,
    /// Protocol of every comparison.
    pub protocol: Protocol,
    /// The named attribute of 2-AFC, as a comparative such as "brighter".
    pub attribute: Option<Written>,
    /// For 2-AFC: the side, `true` is B, that has more of the attribute by claim (the right answer). In a two-sided test,
    /// which claims neither, B: its answers are counted.
    pub attribute_side_b: bool,
    /// Whether answers are tested in one direction or in both.
    pub sides: Sides,
    /// How long each slot that is asked about must be heard before an answer is taken, in milliseconds.
    pub heard_at_least_ms: u32,
    /// Counted trials per comparison and listener.
    pub trials: u32,
    /// Warm-up trials, marked and uncounted.
    pub warm_up: u32,
    /// Error risk of a "difference" verdict for a guesser.
    pub alpha: f64,
    /// Level difference kept or removed.
    pub levels: Levels,
    /// What a switch sounds like.
    pub switching: Switching,
    /// How several comparisons are judged together.
    pub family: Family,
    /// When the counted trials end.
    pub stopping: Stopping,
    /// Ask for confidence, 1 to 5, with each answer.
    pub confidence: bool,
    /// Club night: a vote that never came from a seat that was taken counts as wrong. Otherwise it is reported and not
    /// counted.
    pub missing_as_wrong: bool,
    /// Minutes of listening after which a rest is offered (at most 20).
    pub rest_after_minutes: f64,
    /// Positive controls to pass first, if asked for.
    pub qualification: Option<Qualification>,
    /// The source.
    pub amplifier: Amplifier,
    /// The load.
    pub loudspeaker: Loudspeaker,
    /// Cables in file order.
    pub cables: Vec<NamedCable>,
    /// Clips in file order.
    pub clips: Vec<Clip>,
    /// Comparisons in file order, at least one.
    pub comparisons: Vec<Comparison>,
    /// Controls in file order.
    pub controls: Vec<Control>,
    /// Instead of a fixed size: how much of the difference is needed.
    pub threshold: Option<Threshold>,
    /// Instead of filters: the cables themselves, switched.
    pub switcher: Option<Switcher>,
    /// The session in which listeners found their own smallest steps, if there is one.
    pub yardstick: Option<PathBuf>,
    /// What the panel is, if it was declared.
    pub panel: Option<Panel>,
    /// Whose night it is, if the session says so.
    pub club: Option<Club>,
    /// What was wagered, if anything.
    pub wager: Option<Wager>,
    /// Names of the people who prepared the session; a report says which of them also listened.
    pub prepared_by: Vec<Written>,
    /// Facts about listener and place that each sitting is asked for.
    pub facts: Vec<Fact>,
    /// The data is invented: demo and example sessions say so.
    pub invented: bool,
    /// What the reader wants the user to know: held table ends and the like.
    pub notes: Vec<String>,
}

impl Session {
    /// What is asked, and in which direction it is tested.
    pub fn inquiry(&self) -> Inquiry {
        Inquiry { protocol: self.protocol, sides: self.sides }
    }

    /// The chain of amplifier, the cable with this index, and loudspeaker.
    pub fn chain(&self, cable: usize) -> Chain {
        Chain {
            amplifier: self.amplifier.clone(),
            cable: self.cables[cable].cable.clone(),
            loudspeaker: self.loudspeaker.clone(),
        }
    }

    /// Where journals and the register are: `sittings/` in the session's folder.
    pub fn sittings_folder(&self) -> PathBuf {
        self.folder.join("sittings")
    }

    /// Where reports go: `report/` in the session's folder.
    pub fn report_folder(&self) -> PathBuf {
        self.folder.join("report")
    }
}

/// The session file that a path means: the path itself, or `session.toml` in it if it is a folder.
pub fn session_file(path: &Path) -> PathBuf {
    if path.is_dir() { path.join("session.toml") } else { path.to_path_buf() }
}
