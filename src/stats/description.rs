//! Response bias, learning, fatigue and confidence: descriptions with their numbers.
//!
//! They help to understand a result and to plan the next test. They never rescue a failed one: a good half that was
//! picked after the fact is no evidence, and nothing here gives a verdict.

use serde::Serialize;

use super::StatsError;
use super::interval::{self, Interval};
use super::one::Estimate;
use super::psychometric::{self, Model};
use super::special::{normal, normal_quantile};
use crate::units::printed;

/// Answers "A" and "B" of an ABX test by what X was; of duo-trio and 2-AFC answers "first" and "second" by which was right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Table {
    /// X was A, answered A.
    pub a_as_a: u64,
    /// X was A, answered B.
    pub a_as_b: u64,
    /// X was B, answered A.
    pub b_as_a: u64,
    /// X was B, answered B.
    pub b_as_b: u64,
}

/// Response bias by signal detection theory.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bias {
    /// Answers for the first alternative ("A", or the first place) over all answers.
    pub share_of_first: Interval,
    /// Criterion c = -(z(H) + z(F))/2: negative is a lean to the first alternative, 0 none. Of same-different by how much
    /// the line between same and different lies below the best one at this d-prime, in units of the internal noise.
    pub criterion: f64,
    /// d-prime with the bias taken out: proportion right Phi((z(H) - z(F))/2) carried through the model; of same-different
    /// from both rates by the differencing model.
    pub d_prime: f64,
    /// Its standard error by the delta method (Gourevitch & Galanter 1967 for yes-no); nothing where d-prime is 0.
    pub d_prime_standard_error: Option<f64>,
    /// The log-linear correction was used because a rate was 0 or 1 (Hautus 1995: one half is added to each cell's count and one to
    /// each row's).
    pub corrected: bool,
}

/// Response bias of an ABX (or duo-trio, 2-AFC) table. Nothing where X never was A or never was B.
///
/// # Errors
/// Only counts beyond what is computed.
pub fn bias(table: Table, model: Model) -> Result<Option<Bias>, StatsError> {
    let (as_a, as_b) = (table.a_as_a + table.a_as_b, table.b_as_a + table.b_as_b);
    if as_a == 0 || as_b == 0 {
        return Ok(None);
    }
    let extreme = [table.a_as_a, table.a_as_b, table.b_as_a, table.b_as_b].contains(&0);
    let rate = |hits: u64, of: u64| {
        if extreme { (hits as f64 + 0.5) / (of as f64 + 1.0) } else { hits as f64 / of as f64 }
    };
    let (hits, alarms) = (rate(table.a_as_a, as_a), rate(table.b_as_a, as_b));
    let (criterion, d_prime) = without_bias(model, hits, alarms)?;
    let slope = |hits_by: f64, alarms_by: f64| -> Result<f64, StatsError> {
        let above = without_bias(model, hits + hits_by, alarms + alarms_by)?.1;
        let below = without_bias(model, hits - hits_by, alarms - alarms_by)?.1;
        Ok((above - below) / (2.0 * (hits_by + alarms_by)))
    };
    let step = |rate: f64| 1e-5 * rate.min(1.0 - rate);
    let variance = slope(step(hits), 0.0)?.powi(2) * hits * (1.0 - hits) / as_a as f64
        + slope(0.0, step(alarms))?.powi(2) * alarms * (1.0 - alarms) / as_b as f64;
    Ok(Some(Bias {
        share_of_first: interval::clopper_pearson(table.a_as_a + table.b_as_a, as_a + as_b, 0.95)?,
        criterion,
        d_prime,
        d_prime_standard_error: (d_prime > 0.0).then(|| variance.sqrt()),
        corrected: extreme,
    }))
}

/// Criterion and d-prime from the rates of the first alternative, where it was right and where it was not.
fn without_bias(model: Model, hits: f64, alarms: f64) -> Result<(f64, f64), StatsError> {
    if model == Model::SameDifferent {
        // The rates of "different" are the complements.
        let rates = psychometric::same_different(1.0 - alarms, 1.0 - hits);
        return Ok((rates.best_criterion - rates.criterion, rates.d_prime));
    }
    let (hit, alarm) = (normal_quantile(hits), normal_quantile(alarms));
    Ok((-0.5 * (hit + alarm), model.d_prime(normal(0.5 * (hit - alarm)))?))
}

impl Bias {
    /// In words, for every surface that describes answers.
    pub fn words(&self, model: Model) -> String {
        let error =
            self.d_prime_standard_error.map_or(String::new(), |error| format!(" \u{b1} {:.2}", 1.96 * error));
        let c = printed::signed(self.criterion, 2, "");
        match model {
            Model::SameDifferent | Model::YesNo => format!(
                "leaning c {c} (below 0: to the first answer); d-prime with the leaning taken out {:.2}{error}",
                self.d_prime
            ),
            _ => format!("bias c {c}"),
        }
    }
}

/// How well answers and confidence together tell two kinds of trials apart: the receiver operating characteristic.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Roc {
    /// False alarms and hits at each line that the answers draw, from the strictest to the laxest.
    pub points: Vec<(f64, f64)>,
    /// Area below the curve, ties counted half: 0.5 tells nothing, 1 everything.
    pub area: f64,
    /// Its standard error (DeLong, DeLong & Clarke-Pearson 1988; from memory, held by a worked example); nothing for fewer
    /// than two trials of a kind.
    pub standard_error: Option<f64>,
}

/// The characteristic of answers to a yes-no question: whether "yes" was right, whether it was said, and with which
/// confidence. Nothing where all trials are of one kind.
pub fn roc(answers: &[(bool, bool, u8)]) -> Option<Roc> {
    // Sure yes ... unsure yes, unsure no ... sure no.
    let rating = |&(_, yes, sure): &(bool, bool, u8)| if yes { i32::from(sure) } else { -i32::from(sure) };
    let of =
        |kind: bool| -> Vec<i32> { answers.iter().filter(|answer| answer.0 == kind).map(rating).collect() };
    let (signal, noise) = (of(true), of(false));
    if signal.is_empty() || noise.is_empty() {
        return None;
    }
    let wins = |own: i32, other: &[i32]| {
        let sum: f64 = other
            .iter()
            .map(|&it| match own.cmp(&it) {
                std::cmp::Ordering::Greater => 1.0,
                std::cmp::Ordering::Equal => 0.5,
                std::cmp::Ordering::Less => 0.0,
            })
            .sum();
        sum / other.len() as f64
    };
    let of_signal: Vec<f64> = signal.iter().map(|&own| wins(own, &noise)).collect();
    let of_noise: Vec<f64> = noise.iter().map(|&own| 1.0 - wins(own, &signal)).collect();
    let area = of_signal.iter().sum::<f64>() / of_signal.len() as f64;
    let spread = |values: &[f64]| {
        let n = values.len() as f64;
        (values.len() > 1)
            .then(|| values.iter().map(|value| (value - area).powi(2)).sum::<f64>() / (n - 1.0) / n)
    };
    let mut lines: Vec<i32> = signal.iter().chain(&noise).copied().collect();
    lines.sort_unstable_by(|a, b| b.cmp(a));
    lines.dedup();
    let share = |ratings: &[i32], line: i32| {
        ratings.iter().filter(|&&own| own >= line).count() as f64 / ratings.len() as f64
    };
    Some(Roc {
        points: lines.iter().map(|&line| (share(&noise, line), share(&signal, line))).collect(),
        area,
        standard_error: spread(&of_signal).zip(spread(&of_noise)).map(|(a, b)| (a + b).sqrt()),
    })
}

impl Roc {
    /// In words, for every surface that describes answers.
    pub fn words(&self) -> String {
        let error = self.standard_error.map_or(String::new(), |error| format!(" \u{b1} {:.2}", 1.96 * error));
        format!("area below the ROC with confidence {:.2}{error} (0.5 says nothing)", self.area)
    }
}

/// First half against second half, and the trend over all trials.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Course {
    /// Right in the first half (the middle trial of an odd number belongs to it).
    pub first_correct: u64,
    /// Trials of the first half.
    pub first_trials: u64,
    /// Right in the second half.
    pub second_correct: u64,
    /// Trials of the second half.
    pub second_trials: u64,
    /// Difference of proportions, second less first, with its 95 % interval (Newcombe 1998, method 10).
    pub change: Interval,
    /// Rank-sum z of the positions of right answers: positive when they come late (learning), negative when they come early
    /// (fatigue). Nothing where all are right or all wrong.
    pub trend_z: Option<f64>,
}

/// Learning and fatigue of answers in the order given.
///
/// # Errors
/// Fewer than two answers.
pub fn course(right: &[bool]) -> Result<Course, StatsError> {
    if right.len() < 2 {
        return Err(StatsError::Other(format!(
            "learning and fatigue need at least 2 answers, but there are {}",
            right.len()
        )));
    }
    let (first, second) = right.split_at(right.len().div_ceil(2));
    let count = |half: &[bool]| half.iter().filter(|r| **r).count() as u64;
    let (x, m, y, n) = (count(first), first.len() as u64, count(second), second.len() as u64);
    let (a, b) = (interval::wilson(x, m, 0.95)?, interval::wilson(y, n, 0.95)?);
    let (p, q) = (x as f64 / m as f64, y as f64 / n as f64);
    let change = Interval {
        level: 0.95,
        lower: (q - p) - ((q - b.lower).powi(2) + (a.upper - p).powi(2)).sqrt(),
        upper: (q - p) + ((b.upper - q).powi(2) + (p - a.lower).powi(2)).sqrt(),
    };
    let (all, k) = (right.len() as f64, (x + y) as f64);
    let trend_z = (k > 0.0 && k < all).then(|| {
        let ranks: f64 = right.iter().enumerate().filter(|(_, r)| **r).map(|(i, _)| i as f64 + 1.0).sum();
        (ranks - k * (all + 1.0) / 2.0) / (k * (all - k) * (all + 1.0) / 12.0).sqrt()
    });
    Ok(Course { first_correct: x, first_trials: m, second_correct: y, second_trials: n, change, trend_z })
}

/// One trend of several listeners with draws of their own: the sum of their z over the root of their number (Stouffer).
/// Nothing where no course has one.
pub fn joined_trend<'c>(courses: impl IntoIterator<Item = &'c Course>) -> Option<f64> {
    let trends: Vec<f64> = courses.into_iter().filter_map(|course| course.trend_z).collect();
    (!trends.is_empty()).then(|| trends.iter().sum::<f64>() / (trends.len() as f64).sqrt())
}

/// Whether the listener knew when an answer was right.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Confidence {
    /// Mean confidence of right answers.
    pub when_right: f64,
    /// Mean confidence of wrong answers.
    pub when_wrong: f64,
    /// Probability that a right answer has the higher confidence of a pair of a right and a wrong one, ties counted half: the
    /// area under the type-2 ROC. 0.5: confidence says nothing.
    pub area: f64,
    /// Goodman & Kruskal's gamma, -1..1; nothing where all pairs are ties.
    pub gamma: Option<f64>,
}

/// Agreement of confidence (1 to 5) with correctness. Nothing where all are right or all wrong.
pub fn confidence(answers: &[(bool, u8)]) -> Option<Confidence> {
    let mut right = [0_u64; 256];
    let mut wrong = [0_u64; 256];
    for &(correct, level) in answers {
        if correct { right[usize::from(level)] += 1 } else { wrong[usize::from(level)] += 1 }
    }
    let (m, n) = (right.iter().sum::<u64>(), wrong.iter().sum::<u64>());
    if m == 0 || n == 0 {
        return None;
    }
    let (mut agree, mut against, mut below_wrong, mut below_right) = (0_u64, 0_u64, 0_u64, 0_u64);
    for level in 0..256 {
        agree += right[level] * below_wrong;
        against += wrong[level] * below_right;
        below_wrong += wrong[level];
        below_right += right[level];
    }
    let mean = |counts: &[u64; 256], all: u64| {
        counts.iter().enumerate().map(|(level, times)| level as f64 * *times as f64).sum::<f64>() / all as f64
    };
    let ties = m * n - agree - against;
    Some(Confidence {
        when_right: mean(&right, m),
        when_wrong: mean(&wrong, n),
        area: (agree as f64 + 0.5 * ties as f64) / (m * n) as f64,
        gamma: (agree + against > 0).then(|| (agree as f64 - against as f64) / (agree + against) as f64),
    })
}

/// How the answers of any protocol lie over its alternatives: A and B, places, or pairings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lean {
    /// Answers for each alternative.
    pub given: Vec<u64>,
    /// Trials in which each alternative was the right one; empty where none is right (preference).
    pub right: Vec<u64>,
    /// Of these, the ones answered right.
    pub found: Vec<u64>,
    /// Share of answers for each alternative, with its 95 % interval (Clopper & Pearson). Without a lean it is near one
    /// over the number of alternatives.
    pub share: Vec<Estimate>,
}

/// The lean of answers. `answers[r][g]`: how often alternative `g` was given where `r` was right; of preference one row.
/// Nothing without answers.
///
/// # Errors
/// Rows of different lengths; counts beyond what is computed.
pub fn lean(answers: &[Vec<u64>]) -> Result<Option<Lean>, StatsError> {
    let alternatives = answers.first().map_or(0, Vec::len);
    if answers.iter().any(|row| row.len() != alternatives) {
        return Err(StatsError::Other("all rows of answers must have one count per alternative".to_string()));
    }
    let given: Vec<u64> = (0..alternatives).map(|g| answers.iter().map(|row| row[g]).sum()).collect();
    let all: u64 = given.iter().sum();
    if all == 0 {
        return Ok(None);
    }
    let judged = answers.len() == alternatives;
    let right = if judged { answers.iter().map(|row| row.iter().sum()).collect() } else { Vec::new() };
    let found = if judged { (0..alternatives).map(|r| answers[r][r]).collect() } else { Vec::new() };
    let share = given
        .iter()
        .map(|&count| {
            let exact = interval::clopper_pearson(count, all, 0.95)?;
            Ok(Estimate { estimate: count as f64 / all as f64, lower: exact.lower, upper: exact.upper })
        })
        .collect::<Result<_, StatsError>>()?;
    Ok(Some(Lean { given, right, found, share }))
}

impl Table {
    /// The table of a protocol with two alternatives, the first of them taken for A: X is A, or the first place is right.
    /// Nothing for other numbers of alternatives.
    pub fn of(answers: &[Vec<u64>]) -> Option<Self> {
        match answers {
            [first, second] => match (first.as_slice(), second.as_slice()) {
                (&[a_as_a, a_as_b], &[b_as_a, b_as_b]) => Some(Self { a_as_a, a_as_b, b_as_a, b_as_b }),
                _ => None,
            },
            _ => None,
        }
    }
}
