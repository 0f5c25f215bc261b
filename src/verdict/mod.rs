//! What the answers support, in one plain sentence with its numbers, and what they do not: one judge for phone, screen,
//! `score` and report.
//!
//! Comes in: [`Evidence`](crate::evidence::Evidence) of a session ([`judge()`]), or the counts and circumstances of one
//! score ([`VerdictInput`]). Goes out: [`Findings`] or a [`Verdict`], one headline and the sentences that limit it.
//! Numbers come from `stats`. Must not: read files, know pages.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`findings`] | what follows from the facts, as data |
//! | `judge`, `listener` | calls the statistics for each comparison; for each listener |
//! | [`counts`] | the same for bare counts of listeners, without journals |
//! | [`caveat`] | which caveats apply, and what each of them says |
//! | `spoken`, `words`, `highest` | the sentences |
//! | [`panel`], [`clips`] | a declared panel; clip by clip |
//! | [`threshold`], [`ladder`] | the sentences about a threshold, and about a room's |
//! | `title` | a verdict in a few words |
//! | `sitting` | one journal by itself |
//! | `on_paper`, `known`, `yardstick` | what the session says beyond the answers |

use serde::Serialize;

pub mod balance;
pub mod caveat;
pub mod clips;
pub mod counts;
mod drawn_up;
pub mod findings;
mod highest;
mod judge;
mod known;
pub mod ladder;
mod listener;
mod on_paper;
pub mod panel;
mod rooms;
mod sitting;
mod spoken;
mod tables;
pub mod threshold;
mod title;
mod whole;
mod words;
mod yardstick;

pub use crate::evidence::controls_missed;
use crate::session::Stopping;
use crate::stats::looks::LookLimits;
use crate::stats::one::{self, Analysis};
use crate::stats::population::Population;
use crate::stats::protocol::{Compared, Inquiry, Side, Sides};
use crate::stats::room::RoomResult;
use crate::stats::sequential::{Decision, MOST_EXACT, SequentialTest};
pub use crate::stats::tally::Tally;
use crate::stats::{Protocol, StatsError, binomial};

pub use caveat::weak_qualification;
pub use drawn_up::yardsticks;
pub use findings::{
    ComparisonResult, ControlResult, Habits, ListenerResult, Method, PanelFacts, PlaceFacts, decision_words,
};
pub use highest::{HighestScores, ScoreRow, highest_scores};
pub use judge::judge;
pub use known::known_differences;
pub use on_paper::OnPaper;
pub use sitting::of_journal;
pub use tables::{Frequency, TableScore, TableScores, table_scores};
pub use whole::Findings;
pub use words::{no_answers, no_listening_test};
pub use yardstick::Yardstick;

/// Trials whose right answer was known to be audible, or impossible.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Controls {
    /// Audible: level, tilt, head movement.
    pub positive: Tally,
    /// Impossible: both sides identical.
    pub identical: Tally,
    /// Where listeners shared draws, the exact probability that chance alone is right as often on the identical ones.
    pub leak: Option<f64>,
    /// Whoever counts was right often enough on audible ones before the counted trials.
    pub qualified: bool,
}

/// Several comparisons judged together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Together {
    /// Number of comparisons (or listeners) in the family.
    pub members: u64,
    /// This one's p-value after Holm's adjustment.
    pub adjusted_p: f64,
}

/// Counts and circumstances of one score.
#[derive(Debug, Clone, PartialEq)]
pub struct VerdictInput {
    /// Protocol.
    pub protocol: Protocol,
    /// Whether the test is one- or two-sided.
    pub sides: Sides,
    /// Counted answers: right ones, or those for side B where nobody is right or the test is two-sided.
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// Error risk agreed on before.
    pub alpha: f64,
    /// Trials that were agreed on before.
    pub planned_trials: u64,
    /// The sitting ended before the rule said so.
    pub stopped_early: bool,
    /// The answers came from a simulated listener.
    pub simulated: bool,
    /// Nothing was played aloud: it went nowhere, or into a file.
    pub silent: bool,
    /// Trials with a known answer.
    pub controls: Controls,
    /// Name of side A.
    pub side_a: String,
    /// Name of side B.
    pub side_b: String,
    /// 2-AFC: the attribute asked for, as a comparative such as "brighter".
    pub attribute: Option<String>,
    /// 2-AFC: the side that has more of it by claim.
    pub more: Side,
    /// When the trials end; with a sequential rule the planned number is the largest.
    pub rule: Stopping,
    /// Several comparisons judged together.
    pub together: Option<Together>,
    /// The exact test of a room that shared its draws, in place of the binomial one.
    pub room: Option<RoomResult>,
    /// The mean share of listeners like these, where the result is to hold for them.
    pub population: Option<Population>,
    /// Listeners whose answers are pooled.
    pub listeners: usize,
    /// What looks before the end make of the score, where they were agreed on.
    pub looked: Option<Looked>,
}

/// A score at a look that shares its error risk with others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looked {
    /// Listeners at this look.
    pub listeners: u32,
    /// Listeners of the whole panel.
    pub of: u32,
    /// Probability that guessers are found before it, or do as well at it.
    pub p_value: f64,
    /// Score needed at it; nothing where no score is enough.
    pub critical: Option<u64>,
    /// What the score says, the looks included; nothing where that takes too long to compute.
    pub limits: Option<LookLimits>,
}

impl VerdictInput {
    /// An ordinary completed test of "A" and "B", without controls; change what differs.
    pub fn new(protocol: Protocol, correct: u64, trials: u64, alpha: f64) -> Self {
        Self {
            protocol,
            sides: Inquiry::from(protocol).sides,
            correct,
            trials,
            alpha,
            planned_trials: trials,
            stopped_early: false,
            simulated: false,
            silent: false,
            controls: Controls::default(),
            side_a: "A".to_string(),
            side_b: "B".to_string(),
            attribute: None,
            more: Side::A,
            rule: Stopping::AllTrials,
            together: None,
            room: None,
            population: None,
            listeners: 1,
            looked: None,
        }
    }

    /// What is asked, and in which direction it is tested.
    pub fn inquiry(&self) -> Inquiry {
        Inquiry { protocol: self.protocol, sides: self.sides }
    }

    /// What is compared, by name.
    pub fn compared(&self) -> Compared<'_> {
        Compared { a: &self.side_a, b: &self.side_b, attribute: self.attribute.as_deref(), more: self.more }
    }
}

/// What kind of verdict it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Simulated or silent: no listening test.
    NoListeningTest,
    /// No counted trials.
    #[default]
    NoTrials,
    /// Stopped before the rule said so: no significant verdict.
    StoppedEarly,
    /// Right too often where nothing could be heard: the rig gives something away.
    RigSuspect,
    /// A difference (preference: a preference) was shown.
    Difference,
    /// The score disagrees with guessing from below: a difference heard the other way round, or a mistake in the conduct.
    /// Never a sign that nothing was heard.
    BelowGuessing,
    /// None was shown.
    NotShown,
    /// None was shown, and the audible controls were missed too.
    ControlsMissed,
    /// The sequential test excludes the proportion right that it looks for.
    Excluded,
    /// The sequential test reached its largest number of trials without a decision.
    Undecided,
    /// Not everybody of a declared panel has sat: nothing is judged before.
    PanelIncomplete,
    /// Its numbers are beyond what can be computed: there is no verdict.
    NotComputed,
    /// How much of the difference is needed was asked, and is estimated.
    Threshold,
}

/// What the answers support.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Verdict {
    /// Kind.
    pub finding: Finding,
    /// The verdict in a few words, as the title of a page.
    pub title: String,
    /// One plain sentence or two, with the numbers.
    pub headline: String,
    /// What limits it, most important first.
    pub limits: Vec<String>,
    /// The numbers behind; nothing without counted trials.
    #[serde(skip)]
    pub analysis: Option<Analysis>,
}

/// Identical controls are suspect when a guesser would do so well in at most one test of a hundred. Common practice, no
/// source.
pub fn rig_suspect(protocol: Protocol, controls: &Controls) -> bool {
    let Tally { correct, trials } = controls.identical;
    protocol.asks().has_right_answer()
        && trials > 0
        && controls.leak.unwrap_or_else(|| one::p_value(protocol, correct, trials)) <= 0.01
}

/// What limits any verdict with these circumstances: what the controls show, and where it holds.
pub fn circumstances(input: &VerdictInput) -> Vec<String> {
    words::circumstances(input)
}

/// The verdict in plain words.
///
/// # Errors
/// Impossible counts or risks.
pub fn sentence(input: &VerdictInput) -> Result<Verdict, StatsError> {
    if input.correct > input.trials {
        return Err(StatsError::MoreThanAll { correct: input.correct, trials: input.trials });
    }
    if input.trials == 0 {
        let finding =
            if input.simulated || input.silent { Finding::NoListeningTest } else { Finding::NoTrials };
        return Ok(Verdict {
            finding,
            title: title::title(finding, input),
            headline: no_answers(&input.side_a, &input.side_b),
            limits: Vec::new(),
            analysis: None,
        });
    }
    let mut analysis = one::analyse(input.inquiry(), input.correct, input.trials, input.alpha)?;
    if let Some(room) = &input.room {
        analysis.p_value = room.p_value;
        analysis.mid_p = room.mid_p;
        analysis.log10_p_value = room.p_value.max(f64::MIN_POSITIVE).log10();
        analysis.critical = room.critical;
        analysis.significant = binomial::at_most(room.p_value, input.alpha);
        analysis.two_sided_p_value = (2.0 * room.p_value.min(room.p_value_low)).min(1.0);
        analysis.below_guessing =
            input.sides == Sides::One && room.p_value_low <= one::BELOW_GUESSING_RISK / 2.0;
    }
    if let Some(looked) = input.looked {
        if let Some(limits) = &looked.limits {
            let score = Tally::new(input.correct, input.trials);
            analysis = one::analyse_at_look(input.inquiry(), limits, score, input.alpha)?;
        }
        analysis.p_value = looked.p_value;
        analysis.critical = looked.critical;
        // In a two-sided test the side with more answers is held against it.
        let score = if input.sides == Sides::Two {
            input.correct.max(input.trials - input.correct)
        } else {
            input.correct
        };
        analysis.significant = looked.critical.is_some_and(|critical| score >= critical);
    }
    let decision = match input.rule {
        Stopping::AllTrials => None,
        Stopping::Sequential { alpha, beta, proportion } => {
            let most = input.planned_trials.max(input.trials);
            let test = SequentialTest::new(input.inquiry(), alpha, beta, proportion, most)?;
            Some((test, test.decision(input.correct, input.trials)))
        }
    };
    if let Some((test, decision)) = &decision
        && *decision != Decision::Continue
        && test.most_trials <= MOST_EXACT
    {
        analysis = one::analyse_sequential(input.inquiry(), test, input.correct, input.trials, input.alpha)?;
    }
    let unfinished = match decision {
        None => input.stopped_early || input.trials < input.planned_trials,
        Some((_, decision)) => input.stopped_early || decision == Decision::Continue,
    };
    let significant = match (decision, input.together) {
        (Some((_, decision)), _) => decision == Decision::Difference,
        (None, Some(together)) => binomial::at_most(together.adjusted_p, input.alpha),
        (None, None) => analysis.significant,
    };
    let members = input.together.map_or(1.0, |together| together.members as f64);
    let missed = controls_missed(input.protocol, input.controls.positive);
    let finding = if input.simulated || input.silent {
        Finding::NoListeningTest
    } else if unfinished {
        Finding::StoppedEarly
    } else if significant && rig_suspect(input.protocol, &input.controls) {
        Finding::RigSuspect
    } else if significant {
        Finding::Difference
    } else if analysis.below_guessing
        && binomial::at_most(analysis.two_sided_p_value * members, one::BELOW_GUESSING_RISK)
    {
        Finding::BelowGuessing
    } else if missed {
        Finding::ControlsMissed
    } else {
        match decision {
            Some((_, Decision::NoDifference)) => Finding::Excluded,
            Some(_) => Finding::Undecided,
            None => Finding::NotShown,
        }
    };
    let headline = words::headline(input, &analysis, finding, decision.map(|(test, _)| test), significant);
    let limits = words::limits(input, &analysis, finding, decision.map(|(test, _)| test))?;
    let title = title::title(finding, input);
    Ok(Verdict { finding, title, headline, limits, analysis: Some(analysis) })
}
