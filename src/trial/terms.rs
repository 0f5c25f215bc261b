//! What is agreed before the first trial, as an opening record publishes it, and how it comes from a session.
//!
//! Part of the written format: which version has which field is said in [`record`](super::record).

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::happened::Listening;
use super::part::Part;
use super::protocol::{Definition, Side, Sides};
use crate::session::input::Contents;
use crate::session::{
    ControlKind, ControlName, Deciding, Family, Levels, Panel, Scale, Session, SessionError, Stopping,
    Switching, Takes,
};
use crate::stats::protocol::Inquiry;
use crate::stats::threshold::grid::Grid;
use crate::stats::threshold::track::Method;
use crate::stats::threshold::{self, Range};
use crate::stats::{Protocol, one};
use crate::stimulus::recorded::{RecordedFacts, RecordedPair};
use crate::stimulus::{PairKind, StimulusSet};

/// When the counted trials end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum StoppingTerms {
    /// All trials.
    AllTrials {},
    /// Wald's sequential test per comparison; the sitting ends when all comparisons are decided.
    Sequential {
        /// Risk of "a difference" for a guesser.
        alpha: f64,
        /// Risk of "no difference" for a listener with proportion right `proportion`.
        beta: f64,
        /// Proportion right that the test must be able to find.
        proportion: f64,
    },
}

/// A comparison: names of both sides and indices of its clips in [`Terms::clips`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ComparisonTerms {
    /// Its name.
    pub name: String,
    /// Cable of side A.
    pub a: String,
    /// Cable of side B.
    pub b: String,
    /// Its clips.
    pub clips: Vec<usize>,
    /// Format 2: both sides are recordings, and how often side A's cable was recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Takes>,
}

/// A control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ControlTerms {
    /// What it adds.
    pub control: ControlName,
    /// Amount in `unit`; 0 for `identical`.
    pub amount: f64,
    /// `dB`, `m`, the threshold's scale, or empty.
    pub unit: String,
    /// Trials of it among the counted ones.
    pub trials: u32,
    /// Format 2: in 2-AFC the side with more of the attribute, `a` unaltered or `b` altered, where one has more of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub more: Option<Side>,
}

impl ControlTerms {
    /// Known to be audible; the other kind is known to be impossible.
    pub fn is_positive(&self) -> bool {
        self.kind().is_positive()
    }

    /// What it adds, with its size.
    pub fn kind(&self) -> ControlKind {
        match self.control {
            ControlName::Level => ControlKind::Level { decibels: self.amount },
            ControlName::Tilt => ControlKind::Tilt { decibels: self.amount },
            ControlName::HeadMovement => ControlKind::HeadMovement { metres: self.amount },
            ControlName::Identical => ControlKind::Identical,
            ControlName::Largest => {
                let of_scale = Scale::ALL.into_iter().find(|scale| scale.name() == self.unit);
                ControlKind::Largest { size: self.amount, scale: of_scale.unwrap_or(Scale::Multiple) }
            }
        }
    }
}

/// Positive controls that must be passed first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QualificationTerms {
    /// Trials.
    pub trials: u32,
    /// How many must be right.
    pub correct: u32,
    /// Format 2: what they are asked with, where it is not the session's protocol.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub protocol: Option<Protocol>,
}

/// Which sittings of the claimant decide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum DecidingTerms {
    /// The first one.
    First {},
    /// The first so many together.
    AllTogether {
        /// How many.
        sittings: u32,
    },
}

impl DecidingTerms {
    /// How many sittings decide.
    pub fn sittings(self) -> u32 {
        match self {
            Self::First {} => 1,
            Self::AllTogether { sittings } => sittings,
        }
    }
}

/// A wager in the words agreed before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WagerTerms {
    /// Who claims to hear the difference.
    pub claimant: String,
    /// Who doubts it.
    pub skeptic: String,
    /// The claim.
    pub claim: String,
    /// What is owed if the claimant wins.
    pub claimant_wins: String,
    /// What is owed if the skeptic wins.
    pub skeptic_wins: String,
    /// Right answers needed, of all counted trials together, for the claimant to win. With a sequential rule the
    /// decision of the rule counts instead. With a `side`, of the answers for it.
    pub needed: u32,
    /// Format 2: which sittings of the claimant decide.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deciding: Option<DecidingTerms>,
    /// Format 2: in a two-sided test the side that the claimant says answers will favour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
}

impl WagerTerms {
    /// Whether two wagers are about the same claim, between the same people.
    pub fn is_the_same_as(&self, other: &Self) -> bool {
        (&self.claimant, &self.skeptic, &self.claim) == (&other.claimant, &other.skeptic, &other.claim)
    }

    /// Which sittings of the claimant decide; in format 1 nobody said so, and it is the first.
    pub fn deciding(&self) -> DecidingTerms {
        self.deciding.unwrap_or(DecidingTerms::First {})
    }
}

/// A file that the session reads.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputTerms {
    /// Its name as the session writes it; the session file's own name first.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    pub sha256: Digest,
}

impl InputTerms {
    /// Every file that a session reads, as it is here and now.
    ///
    /// # Errors
    /// One can no longer be read.
    pub fn of(session: &Session) -> Result<Vec<Self>, SessionError> {
        let sealed = session.sealed_inputs()?;
        Ok(sealed.into_iter().map(|input| Self::new(input.name, input.contents)).collect())
    }

    /// The same, without files that can no longer be read; a logo both as it is sealed and as a whole file.
    pub fn here(session: &Session) -> Vec<Self> {
        let inputs = session.all_inputs().into_iter();
        let read = inputs.filter_map(|input| Some(Self::new(input.name.clone(), input.contents().ok()?)));
        // Of a logo, earlier sittings sealed the whole file.
        let logo = session.club.iter().filter_map(|club| club.logo.as_ref());
        read.chain(logo.map(|logo| Self::new(logo.file.clone(), logo.whole))).collect()
    }

    fn new(name: String, contents: Contents) -> Self {
        Self { name, bytes: contents.bytes, sha256: Digest(contents.sha256) }
    }
}

/// Names of the files that are not what was sealed: changed, gone, or read only now.
pub fn changed_inputs(sealed: &[InputTerms], here: &[InputTerms]) -> Vec<String> {
    let differs = |input: &&InputTerms| !here.contains(input);
    let new = |input: &&InputTerms| !sealed.iter().any(|known| known.name == input.name);
    sealed.iter().filter(differs).chain(here.iter().filter(new)).map(|input| input.name.clone()).collect()
}

/// All that is agreed before the first trial and all that draws are derived from, besides secrets and hands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Terms {
    /// The session's title.
    pub title: String,
    /// The protocol.
    pub protocol: Protocol,
    /// The named attribute of 2-AFC.
    pub attribute: Option<String>,
    /// The side that has more of it, by claim; `a` where there is no attribute.
    pub attribute_side: Side,
    /// Counted trials per comparison (the largest number, with a sequential rule).
    pub trials: u32,
    /// Warm-up trials, uncounted.
    pub warm_up: u32,
    /// Error risk of a "difference" verdict for a guesser.
    pub alpha: f64,
    /// Whether the level difference stays.
    pub levels: Levels,
    /// What happens when the listener switches.
    pub switching: Switching,
    /// How several comparisons are judged together.
    pub family: Family,
    /// When the counted trials end.
    pub stopping: StoppingTerms,
    /// Confidence, 1 to 5, is asked with each answer.
    pub confidence: bool,
    /// Night: a vote that never came from a seat that was taken counts as wrong. Otherwise it is reported and not
    /// counted. Either way [`Counts`](super::record::Counts) hold votes only.
    pub missing_as_wrong: bool,
    /// Minutes of listening after which a rest is offered.
    pub rest_after_minutes: f64,
    /// Positive controls to pass first.
    pub qualification: Option<QualificationTerms>,
    /// Names of all clips of the session.
    pub clips: Vec<String>,
    /// Comparisons.
    pub comparisons: Vec<ComparisonTerms>,
    /// Controls.
    pub controls: Vec<ControlTerms>,
    /// What was wagered.
    pub wager: Option<WagerTerms>,
    /// Format 2: whether answers are tested in one direction or in both. Format 1: as the protocol usually is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sides: Option<Sides>,
    /// Format 2: how long each slot that is asked about must be heard before an answer is taken or a night's votes are
    /// closed, in milliseconds. Format 1: at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heard_at_least_ms: Option<u32>,
    /// Format 2: a threshold is looked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub threshold: Option<ThresholdTerms>,
    /// Format 2: what the panel is, if it was declared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub panel: Option<Panel>,
    /// Format 2: real cables are switched, and no filter stands in for them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub switcher: Option<SwitcherTerms>,
}

/// What a pair of stimuli is, with the digests of both sides' samples (little-endian 32-bit float, interleaved).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StimulusTerms {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip in [`Terms::clips`].
    pub clip: usize,
    /// Index of the control that side B is made by; `null` for the comparison itself.
    pub control: Option<usize>,
    /// SHA-256 of side A.
    pub a: Digest,
    /// SHA-256 of side B.
    pub b: Digest,
    /// Format 2: sample rate of both, in Hz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_hz: Option<u32>,
    /// Format 2, where a threshold is looked for: index of the size, from 0; absent for the real pair and for controls.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<usize>,
    /// Format 2, where both sides are recordings: what could tell them apart though no cable makes it; absent in journals from
    /// before that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<RecordedFacts>,
}

/// How real cables are switched. Each presentation takes the same steps at the same times.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitcherTerms {
    /// What switches: `serial`, `command` or `operator`.
    pub kind: String,
    /// The cables at terminals 1 and 2.
    pub terminals: [String; 2],
    /// Milliseconds for which nothing is connected before each presentation.
    pub apart_ms: u64,
    /// Milliseconds from the order to connect to the sound.
    pub settle_ms: u64,
    /// Each presentation begins at the same place of the music.
    pub starts_anew: bool,
    /// Nothing is connected for up to so many milliseconds longer, as the seal says (see [`waits`](super::waits)); absent in
    /// journals from before that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread_ms: Option<u64>,
    /// `true`: the seal says which of the two cables gets the label of terminal 1; absent: they are as `terminals` says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels_drawn: Option<bool>,
    /// `true`: both positions are measured before the first and after the last trial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<bool>,
    /// `true`: everything is presented in whole [`rounds`](super::rounds), with silent fillings; absent in journals from
    /// before that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filled: Option<bool>,
}

/// Instead of a fixed size: how much of the difference is needed. See [`score`](super::score).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThresholdTerms {
    /// What a size is a size of.
    pub scale: Scale,
    /// The smallest size.
    pub smallest: f64,
    /// The largest size.
    pub largest: f64,
    /// How the next size is chosen.
    pub method: Method,
    /// The sitting ends early when, of every comparison, the upper bound of the 95 % interval is at most so many times the
    /// lower one.
    pub narrow_enough: Option<f64>,
}

impl ThresholdTerms {
    /// The size with this index, in words.
    pub fn size_words(&self, level: usize) -> Option<String> {
        Some(self.scale.words(self.size(level)?))
    }

    /// The size with this index: a multiple, or decibels.
    pub fn size(&self, level: usize) -> Option<f64> {
        let range = Range::new(self.smallest, self.largest).ok()?;
        range.levels().get(level).copied()
    }

    /// The sizes, and the grid of thresholds that is looked through.
    ///
    /// # Errors
    /// A range that means nothing.
    pub fn grid(&self, protocol: Protocol) -> Result<Arc<Grid>, String> {
        let range = Range::new(self.smallest, self.largest).map_err(|error| error.to_string())?;
        let chance = threshold::chance(protocol).map_err(|error| error.to_string())?;
        Ok(Grid::new(range, chance))
    }
}

impl Terms {
    /// What is asked, and in which direction it is tested.
    pub fn inquiry(&self) -> Inquiry {
        let usual = Inquiry::from(self.protocol);
        Inquiry { sides: self.sides.unwrap_or(usual.sides), ..usual }
    }

    /// What the trials of a part are asked with: the session's protocol, or in the qualification one of its own.
    pub fn asked_in(&self, part: Part) -> &'static Definition {
        let own = self.qualification.filter(|_| part == Part::Qualification);
        Definition::of(own.and_then(|own| own.protocol).unwrap_or(self.protocol))
    }

    /// Milliseconds that each slot is still to be heard before an answer, after this listening: 0 where it need not be
    /// heard, or has been started and heard for `needed_ms`.
    pub(super) fn still_to_hear(&self, part: Part, listening: &Listening, needed_ms: u64) -> Vec<u64> {
        let slots = self.asked_in(part).slots.iter().enumerate();
        slots
            .map(|(index, slot)| {
                let started = listening.listens.get(index).is_some_and(|&listens| listens > 0);
                let heard_ms = listening.heard_ms.get(index).copied().unwrap_or(0);
                match (slot.must_hear, started) {
                    (false, _) => 0,
                    (true, true) => needed_ms.saturating_sub(heard_ms),
                    (true, false) => needed_ms.max(1),
                }
            })
            .collect()
    }

    /// The terms of a session.
    pub fn of(session: &Session) -> Self {
        let counted = u64::from(session.trials) * session.comparisons.len() as u64;
        Self {
            title: session.title.as_written().to_owned(),
            protocol: session.protocol,
            attribute: session.attribute.as_ref().map(|words| words.as_written().to_owned()),
            attribute_side: if session.attribute_side_b { Side::B } else { Side::A },
            trials: session.trials,
            warm_up: session.warm_up,
            alpha: session.alpha,
            levels: session.levels,
            switching: session.switching,
            family: session.family,
            stopping: match session.stopping {
                Stopping::AllTrials => StoppingTerms::AllTrials {},
                Stopping::Sequential { alpha, beta, proportion } => {
                    StoppingTerms::Sequential { alpha, beta, proportion }
                }
            },
            confidence: session.confidence,
            missing_as_wrong: session.missing_as_wrong,
            rest_after_minutes: session.rest_after_minutes,
            qualification: session.qualification.map(|qualification| QualificationTerms {
                trials: qualification.trials,
                correct: qualification.correct,
                protocol: Some(qualification.protocol).filter(|&own| own != session.protocol),
            }),
            clips: session.clips.iter().map(|clip| clip.name.as_written().to_owned()).collect(),
            comparisons: session
                .comparisons
                .iter()
                .map(|comparison| ComparisonTerms {
                    name: comparison.name.as_written().to_owned(),
                    a: session.cables[comparison.a].name.as_written().to_owned(),
                    b: session.cables[comparison.b].name.as_written().to_owned(),
                    clips: comparison.clips.clone(),
                    recorded: session.takes(comparison),
                })
                .collect(),
            controls: session
                .controls
                .iter()
                .map(|control| {
                    let (amount, unit) = match control.kind {
                        ControlKind::Level { decibels } | ControlKind::Tilt { decibels } => (decibels, "dB"),
                        ControlKind::HeadMovement { metres } => (metres, "m"),
                        ControlKind::Identical => (0.0, ""),
                        ControlKind::Largest { size, scale } => (size, scale.name()),
                    };
                    ControlTerms {
                        control: control.kind.name(),
                        amount,
                        unit: unit.to_owned(),
                        trials: control.trials,
                        more: control.more,
                    }
                })
                .collect(),
            wager: session.wager.as_ref().map(|wager| WagerTerms {
                claimant: wager.claimant.as_written().to_owned(),
                skeptic: wager.skeptic.as_written().to_owned(),
                claim: wager.claim.as_written().to_owned(),
                claimant_wins: wager.claimant_wins.as_written().to_owned(),
                skeptic_wins: wager.skeptic_wins.as_written().to_owned(),
                needed: score_needed(
                    session.inquiry(),
                    session.alpha,
                    counted * u64::from(deciding(wager.deciding).sittings()),
                ),
                deciding: Some(deciding(wager.deciding)),
                side: wager.side,
            }),
            sides: Some(session.sides),
            heard_at_least_ms: Some(session.heard_at_least_ms),
            panel: session.panel.clone(),
            switcher: session.switcher.as_ref().map(|switcher| SwitcherTerms {
                kind: switcher.kind.name().to_owned(),
                terminals: switcher.terminals.map(|cable| session.cables[cable].name.as_written().to_owned()),
                apart_ms: switcher.apart_ms,
                settle_ms: switcher.settle_ms,
                starts_anew: switcher.starts_anew,
                spread_ms: Some(switcher.spread_ms),
                labels_drawn: switcher.labels_drawn.then_some(true),
                measured: switcher.measured.then_some(true),
                filled: Some(true),
            }),
            threshold: session.threshold.map(|threshold| ThresholdTerms {
                scale: threshold.scale,
                smallest: threshold.range.smallest,
                largest: threshold.range.largest,
                method: threshold.method,
                narrow_enough: threshold.narrow_enough,
            }),
        }
    }
}

fn deciding(deciding: Deciding) -> DecidingTerms {
    match deciding {
        Deciding::First => DecidingTerms::First {},
        Deciding::AllTogether { sittings } => DecidingTerms::AllTogether { sittings },
    }
}

impl Terms {
    /// What a room changes in them: it hears the same trials, answers on phones, and practises first.
    #[must_use]
    pub fn in_a_room(mut self) -> Self {
        self.qualification = None;
        self.wager = None;
        self.confidence = false;
        self.warm_up = self.warm_up.max(1);
        self
    }
}

/// Counted answers needed of `trials` (two-sided: for one side) for a guesser to have them with probability `alpha` at most; one more than there are
/// trials where no score is enough.
pub fn score_needed(inquiry: impl Into<Inquiry>, alpha: f64, trials: u64) -> u32 {
    let needed = one::critical(inquiry, trials, alpha).unwrap_or(trials + 1);
    u32::try_from(needed).unwrap_or(u32::MAX)
}

impl StimulusTerms {
    /// What the journal publishes of every pair of stimuli.
    pub fn of(set: &StimulusSet) -> Vec<Self> {
        set.pairs
            .iter()
            .map(|pair| {
                let (comparison, clip) = pair.kind.of();
                let (control, level) = match pair.kind {
                    PairKind::Comparison { .. } => (None, None),
                    PairKind::Control { control, .. } => (Some(control), None),
                    PairKind::Level { level, .. } => (None, Some(level)),
                };
                let (a, b) = (Digest(pair.digest_a), Digest(pair.digest_b));
                let is_real = matches!(pair.kind, PairKind::Comparison { .. });
                let mut recorded = set.recorded.iter().filter(|_| is_real);
                let recorded = recorded.find(|own| (own.comparison, own.clip) == (comparison, clip));
                let recorded = recorded.map(RecordedPair::facts);
                Self { comparison, clip, control, a, b, rate_hz: Some(pair.a.rate_hz), level, recorded }
            })
            .collect()
    }

    /// Whether stimuli that are made here are the ones that were published. Journals from before that say nothing of what could
    /// tell recordings apart.
    pub fn is_made(&self, here: &Self) -> bool {
        let said = if self.recorded.is_some() { here.recorded.clone() } else { None };
        *self == Self { recorded: said, ..here.clone() }
    }
}
