//! The reveal: what a closed night shows to the room, one step after the other, as the host goes.
//!
//! Comes in: what the night was judged to be. Goes out: [`Step`]s as data, for the room's display, and in lines for a
//! terminal. Words belong to the pages' table of texts, except those of the judge.

use serde::Serialize;

use super::command::Command;
use super::view::facts::Shown;
use crate::evidence::{self, Agreed, Evidence, TrialFacts};
use crate::stats::room;
use crate::trial::Definition;
use crate::units::printed;
pub use crate::verdict::Frequency;
use crate::verdict::{Finding, Findings, HighestScores, ScoreRow, TableScores, table_scores};

/// Of the draws, this share gives a score inside the band of chance.
const BAND: f64 = 0.95;
/// Votes times trials up to which the band is computed for every trial, and not only for the last.
const MOST_GROWTH: usize = 100_000;

/// One thing that the room sees.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Step {
    /// The question again.
    Question(QuestionStep),
    /// What a trial was, and how the room voted.
    Trial(TrialStep),
    /// The room's score against what chance gives.
    Score(ScoreStep),
    /// What it proves.
    Verdict(VerdictStep),
    /// The score of each table, where the night has tables.
    Tables(TableScores),
    /// The highest scores, with what chance makes of the best of so many.
    Highest(HighestStep),
    /// Thanks, and the receipt of the night.
    Thanks {
        /// The receipt.
        receipt: Shown,
    },
}

/// The question.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuestionStep {
    /// Name of the protocol.
    pub protocol: &'static str,
    /// What is asked about, where the protocol asks for an attribute.
    pub attribute: Option<String>,
    /// The question in English.
    pub question: String,
    /// What was compared: side A and side B of each comparison.
    pub compared: Vec<(String, String)>,
    /// Trials that will be shown.
    pub trials: usize,
    /// Listeners.
    pub listeners: usize,
}

/// Votes for one alternative.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bar {
    /// Name of the alternative.
    pub name: &'static str,
    /// In English.
    pub label: String,
    /// Votes.
    pub votes: u32,
    /// It was right.
    pub right: bool,
}

/// The room's score so far.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Standing {
    /// Right votes.
    pub right: u64,
    /// Counted votes.
    pub of: u64,
    /// Right votes that chance gives on average.
    pub expected: f64,
    /// Chance gives at least this many (lower end of the band).
    pub low: u64,
    /// And at most this many.
    pub high: u64,
}

/// A trial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrialStep {
    /// Number within the test.
    pub number: u32,
    /// Name of the protocol.
    pub protocol: &'static str,
    /// What is asked about, where the protocol asks for an attribute.
    pub attribute: Option<String>,
    /// Name of the right alternative; nothing where nobody is right.
    pub right: Option<&'static str>,
    /// What the control was, if it was one: it does not count.
    pub control: Option<String>,
    /// Both sides were identical.
    pub identical: bool,
    /// What was compared.
    pub compared: (String, String),
    /// The votes.
    pub bars: Vec<Bar>,
    /// The score of this comparison so far; nothing for controls, and where nobody is right.
    pub so_far: Option<Standing>,
    /// Place of the trial in a listener's own list.
    #[serde(skip)]
    pub attempt: usize,
}

/// A comparison's score.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScoreStep {
    /// What was compared.
    pub compared: (String, String),
    /// The score after each counted trial.
    pub points: Vec<Standing>,
}

/// A comparison's verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VerdictStep {
    /// What was compared.
    pub compared: (String, String),
    /// Kind.
    pub finding: Finding,
    /// The judge's words.
    pub sentence: String,
    /// The score; nothing where nobody is right or nobody voted.
    pub score: Option<Standing>,
    /// How often chance does at least as well.
    pub chance: Option<Frequency>,
    /// Nobody can be right: the judge's words are all there is.
    pub preference: bool,
}

/// The highest scores.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HighestStep {
    /// The table.
    pub rows: Vec<ScoreRow>,
    /// How many would do as well as the first if all only guessed.
    pub expected: Option<String>,
    /// How often somebody in this room would do as well by chance.
    pub chance: Option<Frequency>,
    /// The judge's words.
    pub sentences: Vec<String>,
}

/// The votes of a counted trial, as the exact distribution takes them.
fn votes(rows: &[&TrialFacts], alternatives: usize, counted: bool) -> Vec<u32> {
    let mut votes = vec![0; alternatives];
    for row in rows.iter().filter(|row| !counted || evidence::counts(row)) {
        if let Some(count) = row.answer.and_then(|answer| votes.get_mut(usize::from(answer))) {
            *count += 1;
        }
    }
    votes
}

/// The score of some trials: right votes against the distribution over the draws that the votes could have met.
fn standing(right: u64, of: u64, trials: &[Vec<u32>]) -> Option<Standing> {
    let found = room::distribution(trials).ok()?;
    let mean = trials.iter().map(|votes| f64::from(votes.iter().sum::<u32>()) / votes.len() as f64).sum();
    let quantile = |share: f64| {
        let mut sum = 0.0;
        let cell = found.probabilities.iter().position(|probability| {
            sum += probability;
            sum >= share - 1e-12
        });
        found.least + found.step * cell.unwrap_or(found.probabilities.len() - 1) as u64
    };
    let rest = (1.0 - BAND) / 2.0;
    Some(Standing { right, of, expected: mean, low: quantile(rest), high: quantile(1.0 - rest) })
}

/// A comparison's trials as they come.
#[derive(Default)]
struct Growth {
    trials: Vec<Vec<u32>>,
    right: u64,
    of: u64,
    points: Vec<Standing>,
}

/// All steps of a closed night.
pub fn steps(
    agreed: &Agreed,
    evidence: &Evidence,
    findings: &Findings,
    highest: &HighestScores,
    receipt: Shown,
) -> Vec<Step> {
    let definition = Definition::of(agreed.terms.protocol);
    let attribute = agreed.terms.attribute.clone();
    let has_right = agreed.inquiry.has_right_answer();
    let compared = |index: usize| {
        let terms = &agreed.terms.comparisons[index];
        // Where the seal drew which cable is A, the room hears now which it was.
        let drawn = evidence.sittings.iter().find_map(|sitting| sitting.drawn.as_ref());
        if drawn.is_some_and(|drawn| drawn.is_exchanged(index)) {
            (terms.b.clone(), terms.a.clone())
        } else {
            (terms.a.clone(), terms.b.clone())
        }
    };
    let mut growth: Vec<Growth> = agreed.terms.comparisons.iter().map(|_| Growth::default()).collect();
    let attempts: Vec<Vec<&TrialFacts>> = evidence.attempts().collect();
    let small = attempts.len() * evidence.listeners.len() * attempts.len() <= MOST_GROWTH;
    let mut shown = Vec::new();
    for (attempt, rows) in attempts.iter().enumerate() {
        let facts = rows[0];
        if facts.part != crate::trial::Part::Main {
            continue;
        }
        let control = facts.control.and_then(|control| agreed.controls.get(usize::from(control)));
        let comparison = usize::from(facts.comparison.unwrap_or_default()).min(growth.len() - 1);
        let counted = control.is_none();
        let cast = votes(rows, definition.alternatives.len(), counted);
        let mut so_far = None;
        if counted && has_right {
            let own = &mut growth[comparison];
            own.right += rows.iter().filter(|row| evidence::counts(row) && row.is_hit()).count() as u64;
            own.of += rows.iter().filter(|row| evidence::counts(row)).count() as u64;
            own.trials.push(cast.clone());
            if small {
                so_far = standing(own.right, own.of, &own.trials);
                own.points.extend(so_far);
            }
        }
        let right = facts.right.filter(|_| has_right || !counted).map(usize::from);
        shown.push(Step::Trial(TrialStep {
            number: facts.trial,
            protocol: definition.name,
            attribute: attribute.clone(),
            right: right.and_then(|right| definition.alternatives.get(right)).map(|right| right.name),
            control: control.map(ToString::to_string),
            identical: control == Some(&crate::session::ControlKind::Identical),
            compared: compared(comparison),
            bars: definition
                .alternatives
                .iter()
                .zip(&cast)
                .enumerate()
                .map(|(index, (alternative, &votes))| Bar {
                    name: alternative.name,
                    label: alternative.label(attribute.as_deref()).into_owned(),
                    votes,
                    right: right == Some(index),
                })
                .collect(),
            so_far,
            attempt,
        }));
    }
    let mut steps = vec![Step::Question(QuestionStep {
        protocol: definition.name,
        question: definition.question(attribute.as_deref()),
        attribute,
        compared: (0..growth.len()).map(compared).collect(),
        trials: shown.len(),
        listeners: evidence.listeners.len(),
    })];
    steps.extend(shown);
    for (index, (own, found)) in growth.into_iter().zip(&findings.comparisons).enumerate() {
        let score = if own.of > 0 { standing(own.right, own.of, &own.trials) } else { None };
        let points = if own.points.is_empty() { score.into_iter().collect() } else { own.points };
        if !points.is_empty() {
            steps.push(Step::Score(ScoreStep { compared: compared(index), points }));
        }
        steps.push(Step::Verdict(VerdictStep {
            compared: compared(index),
            finding: found.verdict.finding,
            sentence: found.verdict.headline.clone(),
            score,
            chance: found.room.as_ref().filter(|_| has_right).map(|room| Frequency::of(room.p_value)),
            preference: !has_right,
        }));
    }
    if has_right {
        steps.extend(table_scores(agreed, evidence).map(Step::Tables));
        steps.push(Step::Highest(HighestStep {
            rows: highest.rows.clone(),
            expected: highest.expected.map(|expected| match expected {
                2.0.. => format!("{expected:.0}"),
                0.095.. => format!("{expected:.1}"),
                _ => printed::probability(expected),
            }),
            chance: highest.draws.map(Frequency::of),
            sentences: highest.sentences.clone(),
        }));
    }
    steps.push(Step::Thanks { receipt });
    steps
}

impl Step {
    /// What the room's votes prove, where the step says it.
    pub fn verdict(&self) -> Option<&VerdictStep> {
        if let Self::Verdict(step) = self { Some(step) } else { None }
    }

    /// The step in lines, for a terminal.
    pub fn lines(&self) -> Vec<String> {
        match self {
            Self::Question(step) => {
                let compared: Vec<String> =
                    step.compared.iter().map(|(a, b)| format!("A is {a}, B is {b}.")).collect();
                vec![step.question.clone(), compared.join(" ")]
            }
            Self::Trial(step) => {
                let mut lines = vec![match (&step.control, step.right) {
                    _ if step.identical => {
                        format!("Trial {}: a control, both the same.", step.number)
                    }
                    (control, Some(right)) => {
                        let label = step.bars.iter().find(|bar| bar.name == right).map(|bar| &bar.label);
                        let what = control
                            .as_ref()
                            .map_or_else(String::new, |control| format!(" (control: {control})"));
                        format!("Trial {}{what}: {}", step.number, label.map_or("", String::as_str))
                    }
                    (_, None) => format!("Trial {}", step.number),
                }];
                lines.extend(step.bars.iter().map(|bar| format!("  {}: {}", bar.label, bar.votes)));
                if let Some(Standing { right, of, expected, .. }) = step.so_far {
                    let chance = printed::about_votes(expected);
                    lines.push(format!(
                        "The room so far: {right} of {of} right. Chance gives about {chance}."
                    ));
                }
                lines
            }
            Self::Score(step) => step.points.last().map_or_else(Vec::new, |last| {
                vec![format!(
                    "The room: {} of {} right. Chance gives {} to {} in 95 of 100 such nights.",
                    last.right, last.of, last.low, last.high
                )]
            }),
            Self::Verdict(step) => vec![step.sentence.clone()],
            Self::Tables(step) => {
                let rows = step.rows.iter().map(|row| {
                    format!(
                        "Table {}: {} of {} right. Chance does at least as well in {} of {}.",
                        row.table, row.right, row.votes, row.chance.times, row.chance.of
                    )
                });
                let (tables, Frequency { times, of }) = (step.rows.len(), step.best);
                rows.chain([format!(
                    "With {tables} tables, chance lets one do as well as the first in at most {times} of {of} such nights."
                )])
                .collect()
            }
            Self::Highest(step) => {
                let rows = step.rows.iter();
                rows.map(|row| {
                    format!(
                        "{}. {} (seat {}): {} of {}",
                        row.place, row.name, row.seat, row.correct, row.trials
                    )
                })
                .chain(step.sentences.iter().cloned())
                .collect()
            }
            Self::Thanks { receipt } => {
                vec!["Thank you.".to_owned(), format!("Receipt of the night: {}", receipt.words)]
            }
        }
    }
}

/// Where the reveal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Place {
    /// Index of the step that is shown.
    pub at: usize,
    /// Index of the last step that was ever shown: what was said is not taken back.
    pub furthest: usize,
}

impl Place {
    /// One step on; false at the end.
    pub fn forward(&mut self, steps: usize) -> bool {
        if self.at + 1 >= steps {
            return false;
        }
        self.at += 1;
        self.furthest = self.furthest.max(self.at);
        true
    }

    /// One step back; false at the beginning.
    pub fn back(&mut self) -> bool {
        let moved = self.at > 0;
        self.at = self.at.saturating_sub(1);
        moved
    }

    /// To the last step.
    pub fn end(&mut self, steps: usize) {
        self.at = steps.saturating_sub(1);
        self.furthest = self.at;
    }

    /// Does what the host says of it.
    ///
    /// # Errors
    /// There is no such step.
    pub fn follow(&mut self, command: &Command, steps: usize) -> Result<(), String> {
        let (moved, why) = match command {
            Command::Next => (
                self.forward(steps),
                "this is the last step; back shows the one before it, quit ends the program",
            ),
            Command::Back => (self.back(), "this is the first step; next shows the one after it"),
            Command::Results => {
                self.end(steps);
                (true, "")
            }
            _ => (false, "the night is closed: next, back, results and quit are what can be said"),
        };
        if moved { Ok(()) } else { Err(why.to_owned()) }
    }

    /// Whether listeners may have their own results: everything about trials was shown.
    pub fn tells_results(&self, steps: &[Step]) -> bool {
        let last_trial = steps.iter().rposition(|step| matches!(step, Step::Trial(_))).unwrap_or(0);
        self.furthest > last_trial
    }

    /// Places in a listener's own list whose trials were shown.
    pub fn shown_trials<'s>(&self, steps: &'s [Step]) -> impl Iterator<Item = usize> + 's {
        steps.iter().take(self.furthest + 1).filter_map(|step| match step {
            Step::Trial(trial) => Some(trial.attempt),
            _ => None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frequency_is_never_nothing_and_never_all() {
        assert_eq!(Frequency::of(1.0 / 93.0), Frequency { times: 1, of: 93 });
        assert_eq!(Frequency::of(0.641), Frequency { times: 64, of: 100 });
        assert_eq!(Frequency::of(1.0), Frequency { times: 99, of: 100 });
        assert_eq!(Frequency::of(0.0), Frequency { times: 1, of: 1_000_000_000_000 });
    }

    /// Six trials in which all of 20 say the same: 20 times a fair coin's heads, whose 2.5 and 97.5 % points of 6 are 1 and
    /// 5 (binomial tables: 1/64 is below 2.5 %, 7/64 above).
    #[test]
    fn the_band_of_chance_knows_that_the_room_shares_its_draw() {
        let trials = vec![vec![20, 0]; 6];
        let found = standing(80, 120, &trials).expect("a distribution");
        assert_eq!((found.low, found.high), (20, 100));
        assert!((found.expected - 60.0).abs() < 1e-12 * 60.0);
    }

    #[test]
    fn the_reveal_goes_both_ways_and_takes_nothing_back() {
        let mut place = Place::default();
        assert!(!place.back());
        assert!(place.forward(3) && place.forward(3) && !place.forward(3));
        assert!(place.back());
        assert_eq!(place, Place { at: 1, furthest: 2 });
        place.end(9);
        assert_eq!(place, Place { at: 8, furthest: 8 });
    }
}
