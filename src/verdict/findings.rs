//! What follows from the facts, as data: results of comparisons, controls and listeners, with the verdict on each.

use serde::ser::SerializeMap as _;
use serde::{Serialize, Serializer};

use super::Verdict;
use super::threshold::ThresholdFindings;
use crate::evidence::Basis;
use crate::session::ControlName;
use crate::stats::crossed::Crossed;
use crate::stats::description::{Bias, Confidence, Course, Lean, Roc};
use crate::stats::looks::LookLimits;
use crate::stats::mixture::Mixture;
use crate::stats::one::Analysis;
use crate::stats::panel::{Heterogeneity, PanelAnalysis};
use crate::stats::population::Population;
use crate::stats::protocol::{Definition, Inquiry};
use crate::stats::room::{Distribution, RoomResult};
use crate::stats::similarity::Similarity;
use crate::stats::tally::{self, Tally};
use crate::trial::Decision;
use crate::units::printed;

/// The test behind a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// There is nothing to test.
    Nothing,
    /// One listener's binomial test.
    OneListener,
    /// All answers pooled, each trial with a draw of its own.
    Pooled,
    /// The same, at a look that shares its error risk with others.
    Looks,
    /// The exact distribution over the draws of a room.
    SharedDraws,
    /// A sequential rule, one listener.
    Rule,
    /// A sequential rule, several listeners.
    RuleOfMany,
    /// The size changed from trial to trial: a threshold is estimated, and nothing is tested.
    Threshold,
    /// Fixed sizes that a room voted on, each tested by itself.
    Ladder,
}

impl Method {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Nothing => "",
            Self::OneListener => "One listener: exact binomial test.",
            Self::Pooled => "All answers pooled, each trial with a draw of its own: exact binomial test.",
            Self::Looks => {
                "All answers pooled, each trial with a draw of its own, looked at as agreed: exact by recursion over the \
                 looks (Lan & DeMets 1983), p and limits in the order of the looks (Jennison & Turnbull 1983)."
            }
            Self::SharedDraws => {
                "Listeners shared their draws: exact distribution of the votes as cast over the sealed draws. \
                 Intervals and shares treat votes as independent and are too narrow."
            }
            Self::Rule => {
                "The sequential rule decides; intervals take it into account, by ordering the ways to end stage by stage."
            }
            Self::Threshold => {
                "The size changed from trial to trial, so the threshold is estimated and nothing is tested."
            }
            Self::Ladder => {
                "The sizes were fixed. Each is tested by itself, the largest first, until the room does not hear one: exact distribution \
                 of the votes as cast over the sealed draws."
            }
            Self::RuleOfMany => {
                "The sequential rule decides for each listener; p is the probability that at least so many of as \
                 many guessers are found by it, and intervals are those of the number found, if all hear equally well."
            }
        }
    }
}

impl Serialize for Method {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.words())
    }
}

/// The sequential rule's decision in words.
pub fn decision_words(decision: Decision) -> &'static str {
    match decision {
        Decision::Difference => "a difference",
        Decision::NoDifference => "no difference",
        Decision::Undecided => "undecided",
    }
}

#[expect(clippy::ref_option, clippy::trivially_copy_pass_by_ref, reason = "serde calls it with a reference")]
fn decision<S: Serializer>(decision: &Option<Decision>, serializer: S) -> Result<S::Ok, S::Error> {
    let mut map = serializer.serialize_map(Some(2))?;
    map.serialize_entry("sequential", &decision.map(decision_words))?;
    map.serialize_entry("sequential_decision", decision)?;
    map.end()
}

/// The result of one comparison.
#[derive(Debug, Clone, Serialize)]
pub struct ComparisonResult {
    /// Name.
    pub name: String,
    /// Cable of side A.
    pub a: String,
    /// Cable of side B.
    pub b: String,
    /// Which answers it rests on.
    pub basis: Basis,
    /// The verdict.
    pub verdict: Verdict,
    /// What the listeners say one by one, next to the verdict on all of them together.
    pub one_by_one: Option<String>,
    /// Listeners that count.
    pub listeners: usize,
    /// Right answers (preference: answers for side B).
    pub correct: u64,
    /// Counted trials (of a room: votes).
    pub trials: u64,
    /// The test behind the verdict.
    pub method: Method,
    /// p-value of the pooled answers: of the exact room test where listeners shared draws, else binomial.
    pub p_value: Option<f64>,
    /// The same after Holm's adjustment over the session's comparisons.
    pub adjusted_p_value: Option<f64>,
    /// Numbers of the pooled counts as if all trials were independent.
    pub analysis: Option<Analysis>,
    /// The exact test of a room that shared its draws.
    pub room: Option<RoomResult>,
    /// The mean share of listeners like these, where a declared panel asks for whom it is to hold.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub population: Option<Population>,
    /// The share of listeners who hear it at all, the others guessing, where several have draws of their own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mixture: Option<Mixture>,
    /// The result with those whom a declared panel leaves out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub everybody: Option<Everybody>,
    /// The result if everything that was begun and never completed had gone against it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worst_case: Option<WorstCase>,
    /// What each clip gave, where there are several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clips: Option<Clips>,
    /// The looks that a declared panel agreed on, as far as they have come.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub looks: Vec<LookFacts>,
    /// What the score says at the last of them, the looks included.
    #[serde(skip)]
    pub look_limits: Option<LookLimits>,
    /// Sittings that count, but not here: they came after a look had ended this comparison.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub came_after: Vec<usize>,
    /// The test of a declared panel's claim that no difference is worth mentioning.
    pub similarity: Vec<Similarity>,
    /// Listeners compared with one another.
    pub panel: Option<PanelFacts>,
    /// Trend of right answers over the trials, all listeners joined: positive late (learning), negative early (fatigue);
    /// nothing where listeners shared draws.
    pub trend_z: Option<f64>,
    /// How all answers lie over the protocol's alternatives.
    pub lean: Option<Lean>,
    /// Response bias of all answers, where the protocol has two alternatives: to A, or to the first place.
    pub bias: Option<Bias>,
    /// Where the protocol asks for yes or no (same-different, A-not-A) and confidence was asked: how well both together tell
    /// the two kinds of trials apart, all listeners as one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub roc: Option<Roc>,
    /// Test that all places have the same proportion right, if several were joined; nothing where listeners shared draws
    /// or a sequential rule ended the trials.
    pub between_places: Option<Heterogeneity>,
    /// The exact distribution of the room's score over the draws, for the figure.
    #[serde(skip)]
    pub distribution: Option<Distribution>,
    /// One entry per listener that counts.
    pub results: Vec<ListenerResult>,
    /// How much of the difference was needed, where that is what was asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub threshold: Option<ThresholdFindings>,
}

impl ComparisonResult {
    /// How all answers lean, in the words of every surface: "same as A" said 13 times (the right answer in 12 trials), and what
    /// follows from that. Nothing without answers.
    pub fn leans(&self, inquiry: Inquiry, attribute: Option<&str>) -> Option<String> {
        let lean = self.lean.as_ref()?;
        let definition = Definition::of(inquiry.protocol);
        let mut words: Vec<String> = definition
            .alternatives
            .iter()
            .zip(&lean.given)
            .enumerate()
            .map(|(at, (alternative, &given))| {
                let said = format!(
                    "\u{201c}{}\u{201d} said {}",
                    alternative.label(attribute),
                    printed::count(given, "time")
                );
                match lean.right.get(at).filter(|_| inquiry.has_right_answer()) {
                    Some(&right) => {
                        format!("{said} (the right answer in {})", printed::count(right, "trial"))
                    }
                    None => said,
                }
            })
            .collect();
        words.extend(self.bias.map(|bias| bias.words(definition.model)));
        words.extend(self.roc.as_ref().map(Roc::words));
        Some(words.join(", "))
    }
}

/// Listeners compared with one another.
#[derive(Debug, Clone, Serialize)]
pub struct PanelFacts {
    /// Listeners whose own p-value is at most the agreed risk.
    pub passers: u64,
    /// Listeners who remain after Holm's adjustment, which holds however the answers depend on one another.
    pub passers_holm: u64,
    /// Name of the best listener.
    pub best: String,
    /// Everything that needs draws of their own; nothing where listeners shared draws, or where trials ended by a
    /// sequential rule, whose p-values mean something else.
    pub independent: Option<PanelAnalysis>,
}

/// One listener's result in one comparison.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerResult {
    /// Number of the listener in the evidence, from 0.
    pub listener: usize,
    /// Name shown.
    pub name: String,
    /// Right answers (preference: for side B).
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// The verdict on this listener alone.
    pub verdict: Verdict,
    /// Everything about the score; `None` where a threshold was looked for: sizes differed, so the score tests nothing.
    pub analysis: Option<Analysis>,
    /// p-value after Holm's adjustment over [`ListenerResult::family`] tests; `None` where nothing was tested.
    pub adjusted_p_value: Option<f64>,
    /// Tests that are judged together: listeners times comparisons, or with `family = "none"` the listeners of this
    /// comparison.
    pub family: u64,
    /// Decision of the sequential rule: in words as `sequential`, for programs as `sequential_decision` (difference,
    /// no-difference or undecided).
    #[serde(flatten, serialize_with = "decision")]
    pub sequential: Option<Decision>,
    /// Median time per trial in seconds.
    pub median_trial_s: Option<f64>,
    /// Mean number of switches per trial.
    pub switches_per_trial: Option<f64>,
    /// Answers over time and by side, as descriptions.
    pub habits: Habits,
    /// Right (1) or wrong (0) in the order of trials.
    pub path: Vec<u8>,
}

impl ListenerResult {
    /// The p-value of the score alone; `None` where nothing was tested.
    pub fn p_value(&self) -> Option<f64> {
        self.analysis.as_ref().map(|analysis| analysis.p_value)
    }
}

/// How somebody answered: descriptions, never a rescue of a failed test.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Habits {
    /// First half against second half.
    pub course: Option<Course>,
    /// Answers for side A and all answers that point to a side.
    pub for_side_a: (u64, u64),
    /// Response bias, where the protocol has two alternatives: to A, or to the first place.
    pub bias: Option<Bias>,
    /// How the answers lie over the protocol's alternatives.
    pub lean: Option<Lean>,
    /// Agreement of confidence with correctness.
    pub confidence: Option<Confidence>,
}

/// A control, all counted sittings together.
#[derive(Debug, Clone, Serialize)]
pub struct ControlResult {
    /// What it adds.
    pub kind: ControlName,
    /// Size with unit; empty for identical.
    pub amount: String,
    /// Known to be audible.
    pub positive: bool,
    /// Right answers.
    pub correct: u64,
    /// Trials.
    pub trials: u64,
}

impl ControlResult {
    /// Name and size, such as "level 1 dB".
    pub fn name(&self) -> String {
        format!("{} {}", self.kind, self.amount).trim_end().to_owned()
    }
}

/// A place whose journals were joined.
#[derive(Debug, Clone, Serialize)]
pub struct PlaceFacts {
    /// Name: that of the folder.
    pub name: String,
    /// Sittings that count.
    pub counted: usize,
    /// All sittings.
    pub sittings: usize,
    /// Right and all, by comparison.
    #[serde(serialize_with = "tally::as_pairs")]
    pub scores: Vec<Tally>,
}

/// What one clip gave.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClipResult {
    /// Its name.
    pub clip: String,
    /// Right answers (preference: for side B).
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// p-value by itself.
    pub p_value: f64,
    /// The same as one of the comparison's clips (Holm).
    pub adjusted_p_value: f64,
}

/// The clips of a comparison held against one another: descriptions, never a rescue of a failed test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Clips {
    /// Each clip.
    pub each: Vec<ClipResult>,
    /// Test that all clips have the same proportion right.
    pub alike: Option<Heterogeneity>,
    /// Number of the clip that carried the difference, where one did and the others together show nothing.
    pub carried_by: Option<usize>,
    /// p-value of the other clips together, then.
    pub others_p_value: Option<f64>,
}

/// Listeners and clips crossed, all comparisons together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CrossedFindings {
    /// Names of the comparisons, in the order of the model's.
    pub comparisons: Vec<String>,
    /// Listeners.
    pub listeners: usize,
    /// Clips.
    pub clips: usize,
    /// The model.
    pub model: Crossed,
}

/// Somebody who is left out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// Name shown.
    pub name: String,
    /// Counted answers.
    pub correct: u64,
    /// Trials.
    pub trials: u64,
    /// Audible controls: right and all.
    #[serde(serialize_with = "tally::as_pair")]
    pub positive_controls: Tally,
}

/// The result of everybody who sat, where some are left out by the agreed rule.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Everybody {
    /// Those who are left out.
    pub left_out: Vec<LeftOut>,
    /// Counted answers of everybody.
    pub correct: u64,
    /// Trials of everybody.
    pub trials: u64,
    /// p-value of these, by the test of the verdict.
    pub p_value: f64,
}

/// A look that was agreed on and has come: after so many listeners.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LookFacts {
    /// Listeners, those left out by the rule among them.
    pub listeners: u32,
    /// Right answers by then (preference: for side B).
    pub correct: u64,
    /// Counted trials by then.
    pub trials: u64,
    /// Score needed; nothing where no score is enough.
    pub critical: Option<u64>,
    /// Risk spent by then, all looks so far together.
    pub spent: f64,
    /// Probability that guessers are found before this look, or do as well at it.
    pub p_value: f64,
    /// The score ended it.
    pub ended: bool,
}

/// The result if every answer of the sittings that were begun and never completed had been wrong: whoever holds the machine
/// can read an open sitting's secret, and leave the sitting that goes badly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WorstCase {
    /// Sittings that were begun before the panel was full, and never completed.
    pub sittings: u32,
    /// Counted answers, theirs among them.
    pub correct: u64,
    /// Trials, theirs among them.
    pub trials: u64,
    /// p-value of these.
    pub p_value: f64,
}
