//! The sentences about a threshold: how much of the difference was needed, and how often it is heard as it really is.

mod on_paper;

use serde::Serialize;

pub use on_paper::{BandOnClip, ExpectedOnClip, OnPaper, expected_words};

use on_paper::{MODEL, MOST_CLIPS};

use super::ladder::{self, Rung};
use super::{Finding, Verdict, VerdictInput, circumstances, no_listening_test, rig_suspect, title};
use crate::evidence::{Evidence, TrialFacts};
use crate::hearing::Expected;
use crate::session::Scale;
use crate::stats::Protocol;
use crate::stats::psychometric::Model;
use crate::stats::threshold::fit::{self, Fit};
use crate::stats::threshold::population::{Population, population};
use crate::stats::threshold::posterior::Posterior;
use crate::stats::threshold::summary::{Estimate, Place, Summary};
use crate::stats::threshold::track::Method;
use crate::stats::threshold::{Point, Range};
use crate::stimulus::on_paper::SizesOnPaper;
use crate::trial::record::ThresholdTerms;
use crate::units::printed;
use crate::units::printed::{percent, significant};

/// What is known of one threshold.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ThresholdResult {
    /// What a size is a size of.
    pub scale: Scale,
    /// The sizes that could be presented.
    pub range: Range,
    /// The proportion right of a guesser.
    pub chance: f64,
    /// What the answers say.
    #[serde(flatten)]
    pub summary: Summary,
    /// The answers at each size, sizes rising.
    pub points: Vec<Point>,
    /// How well a curve describes them; `None` without answers.
    pub fit: Option<Fit>,
    /// d-prime at size 1, as the protocol's listeners decide; `None` where everything would be right.
    pub d_prime: Option<Estimate>,
    /// What the threshold is on paper; `None` without the session, or outside the sizes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_paper: Option<OnPaper>,
    /// Share of trials in which a size is heard, at sizes over the range, rising; for figures.
    #[serde(skip)]
    pub heard: Vec<(f64, Estimate)>,
}

/// The thresholds of a comparison's listeners.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ThresholdFindings {
    /// How the sizes were chosen.
    pub method: Method,
    /// One for each listener that counts, in the order of the results.
    pub listeners: Vec<ListenerThreshold>,
    /// The listeners that these stand for; `None` of one listener.
    pub population: Option<Population>,
    /// The room's votes on each size of a night's ladder, from the largest down.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub room: Vec<Rung>,
    /// What the published model expects on each clip, where the session is at hand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub expected: Vec<ExpectedOnClip>,
}

impl ThresholdFindings {
    /// The smallest size at which the model expects the difference to be heard, with the clip.
    pub fn first_expected(&self) -> Option<(f64, &str)> {
        self.expected
            .iter()
            .filter_map(|on| match on.expected {
                Expected::At(size, _) => Some((size, on.clip.as_str())),
                Expected::Above(_) => None,
            })
            .min_by(|one, other| one.0.total_cmp(&other.0))
    }
}

/// The threshold of one listener.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ListenerThreshold {
    /// Name shown.
    pub name: String,
    /// What is known of it.
    #[serde(flatten)]
    pub result: ThresholdResult,
    /// Size and rightness of each counted answer, in order.
    pub trace: Vec<(f64, bool)>,
}

/// Thresholds from the counted answers of each listener.
pub(super) fn findings(
    terms: &ThresholdTerms,
    protocol: Protocol,
    listeners: &[(usize, Vec<&TrialFacts>)],
    evidence: &Evidence,
    paper: Option<&SizesOnPaper>,
) -> Option<ThresholdFindings> {
    let grid = terms.grid(protocol).ok()?;
    let mut posteriors = Vec::new();
    let mut found = Vec::new();
    for (listener, trials) in listeners {
        let size = |trial: &&&TrialFacts| grid.levels().get(usize::from(trial.level?)).copied();
        let trace: Vec<(f64, bool)> =
            trials.iter().filter_map(|trial| Some((size(&trial)?, trial.is_hit()))).collect();
        let answers: Vec<Point> = trace
            .iter()
            .map(|(multiple, right)| Point { multiple: *multiple, correct: u64::from(*right), trials: 1 })
            .collect();
        let points = fit::together(&answers);
        let posterior = Posterior::of(&grid, &points).ok()?;
        let summary = posterior.summary();
        let result = ThresholdResult {
            scale: terms.scale,
            range: grid.range(),
            chance: grid.chance(),
            d_prime: d_prime(protocol, &summary.at_one),
            on_paper: paper
                .filter(|_| summary.place == Place::Within)
                .and_then(|paper| OnPaper::of(paper, &summary.confidence)),
            summary,
            fit: fit::fit(&grid, &points).ok(),
            points,
            heard: drawn_at(grid.range()).map(|size| (size, posterior.heard_at(size))).collect(),
        };
        posteriors.push(posterior);
        found.push(ListenerThreshold { name: evidence.listeners[*listener].name.clone(), result, trace });
    }
    let population = population(&posteriors.iter().collect::<Vec<_>>());
    let expected = paper
        .iter()
        .flat_map(|paper| &paper.clips)
        .filter_map(|on| Some(ExpectedOnClip { clip: on.clip.clone(), expected: on.expected? }));
    Some(ThresholdFindings {
        method: terms.method,
        listeners: found,
        population,
        room: Vec::new(),
        expected: expected.collect(),
    })
}

/// The d-prime of shares heard; `None` where one of them has none.
pub fn d_prime(protocol: Protocol, heard: &Estimate) -> Option<Estimate> {
    let model = Model::of(protocol);
    let of = |heard: f64| model.d_prime(model.chance() + (1.0 - model.chance()) * heard).ok();
    Some(Estimate { estimate: of(heard.estimate)?, lower: of(heard.lower)?, upper: of(heard.upper)? })
}

/// Sizes at which the curve is drawn: from the smallest, or the real one if that is smaller, to the largest.
fn drawn_at(range: Range) -> impl Iterator<Item = f64> {
    const POINTS: u32 = 16;
    let smallest = range.smallest.min(1.0);
    (0..=POINTS)
        .map(move |point| smallest * (range.largest / smallest).powf(f64::from(point) / f64::from(POINTS)))
}

/// The verdict on one listener.
pub(super) fn verdict(result: &ThresholdResult, input: &VerdictInput) -> Verdict {
    let finding = finding(input);
    let found = format!("{} {}", headline(result.scale, result.range, &result.summary), at_one(result));
    let headline = match finding {
        Finding::NoListeningTest => {
            let why = no_listening_test(input.simulated, input.silent).unwrap_or_default();
            format!("{why} {found}")
        }
        Finding::StoppedEarly => {
            format!("Stopped early, so this is no verdict, only where it stood. {found}")
        }
        Finding::RigSuspect => format!(
            "Identical pairs were told apart too often: the equipment gives something away, and the threshold means little. {found}"
        ),
        _ => found,
    };
    let on_paper = result.on_paper.iter().flat_map(|paper| paper.sentences(result.scale));
    let limits = on_paper.chain(limits(result)).chain(circumstances(input)).collect();
    let title = title::of_threshold(finding, &result.summary.place, input);
    Verdict { finding, title, headline, limits, analysis: None }
}

/// What the published model expects on the first clips, in one sentence.
fn expected(thresholds: &ThresholdFindings) -> Option<String> {
    let scale = thresholds.listeners.first()?.result.scale;
    let clips: Vec<String> = thresholds
        .expected
        .iter()
        .take(MOST_CLIPS)
        .map(|on| match on.expected {
            Expected::At(size, at_hz) => {
                format!(
                    "on {} from {} up (around {at_hz})",
                    on.clip,
                    scale.words(size),
                    at_hz = printed::hertz(at_hz)
                )
            }
            Expected::Above(size) => format!("on {} at no size up to {}", on.clip, scale.words(size)),
        })
        .collect();
    (!clips.is_empty())
        .then(|| format!("A published model expects it to be heard {} ({MODEL}).", clips.join(", ")))
}

/// The verdict on a comparison: of one listener that listener's, of several the population's.
pub(super) fn words(thresholds: &ThresholdFindings, input: &VerdictInput) -> Verdict {
    let mut words = all_together(thresholds, input);
    words.limits.splice(0..0, expected(thresholds));
    words
}

fn all_together(thresholds: &ThresholdFindings, input: &VerdictInput) -> Verdict {
    if let ([first, ..], [_, ..]) = (&thresholds.listeners[..], &thresholds.room[..]) {
        return ladder::verdict(first.result.scale, &thresholds.room, input, finding(input));
    }
    match (&thresholds.listeners[..], &thresholds.population) {
        ([only], _) => verdict(&only.result, input),
        ([first, ..], Some(population)) => {
            let mut of_all = verdict(&first.result, input);
            let text = of_population(first.result.scale, thresholds.listeners.len(), population);
            of_all.title = title::title(finding(input), input);
            of_all.headline = match no_listening_test(input.simulated, input.silent) {
                Some(why) => format!("{why} {text}"),
                None => text,
            };
            of_all.limits = circumstances(input);
            of_all
        }
        _ => Verdict::default(),
    }
}

fn finding(input: &VerdictInput) -> Finding {
    if input.simulated || input.silent {
        Finding::NoListeningTest
    } else if input.trials == 0 {
        Finding::NoTrials
    } else if input.stopped_early {
        Finding::StoppedEarly
    } else if rig_suspect(input.protocol, &input.controls) {
        Finding::RigSuspect
    } else {
        Finding::Threshold
    }
}

/// What several listeners say of those like them.
pub fn of_population(scale: Scale, listeners: usize, found: &Population) -> String {
    let (lower, upper) = (bound(scale, found.middle.lower), bound(scale, found.middle.upper));
    let share = format!(
        "{} ({} to {})",
        percent(found.below_one.estimate),
        percent(found.below_one.lower),
        percent(found.below_one.upper)
    );
    let of_one = match scale {
        Scale::Multiple => "hear the real difference in every second trial or more often",
        Scale::Length => "hear the real length in every second trial or more often",
        Scale::Level | Scale::Tilt => "hear 1 dB in every second trial or more often",
    };
    format!(
        "From {listeners} listeners: the listener in the middle needs {} ({lower} to {upper}, with 95 % probability). Of listeners \
         like them {share} {of_one}.",
        scale.words(found.middle.estimate)
    )
}

/// Below so small a probability a curve is called a poor description (common practice, no source).
const POOR_FIT: f64 = 0.01;

/// The answer in one sentence.
pub fn headline(scale: Scale, range: Range, summary: &Summary) -> String {
    let found = summary.confidence;
    match summary.place {
        // Few answers may leave the middle outside while much inside still agrees with them.
        Place::AboveLargest { bound } if bound < 0.8 * range.largest => format!(
            "The threshold is probably above {}; with 95 % confidence it is above {}. More trials, or larger sizes, would tell.",
            largest(scale, range.largest),
            scale.words(bound)
        ),
        Place::BelowSmallest { bound } if bound > 1.25 * range.smallest => format!(
            "The threshold is probably below {}; with 95 % confidence it is below {}. More trials, or smaller sizes, would tell.",
            smallest(scale, range.smallest),
            scale.words(bound)
        ),
        Place::AboveLargest { bound } => format!(
            "Not heard reliably even at {}. The threshold is above {}, with 95 % confidence.",
            largest(scale, range.largest),
            scale.words(bound)
        ),
        Place::BelowSmallest { bound } => format!(
            "Heard even at {}. The threshold is below {}, with 95 % confidence.",
            smallest(scale, range.smallest),
            scale.words(bound)
        ),
        Place::Within => {
            let (lower, upper) = (bound(scale, found.lower), bound(scale, found.upper));
            match scale {
                Scale::Multiple => format!(
                    "Heard in every second trial at {} times the real difference ({lower} to {upper}, with 95 % confidence).",
                    significant(found.estimate)
                ),
                Scale::Length => format!(
                    "Heard in every second trial with both cables {} times as long ({lower} to {upper}, with 95 % confidence).",
                    significant(found.estimate)
                ),
                Scale::Level | Scale::Tilt => format!(
                    "A {} of {} is heard in every second trial ({lower} to {upper}, with 95 % confidence).",
                    step(scale),
                    scale.words(found.estimate)
                ),
            }
        }
    }
}

fn largest(scale: Scale, size: f64) -> String {
    match scale {
        Scale::Multiple => format!("the largest size, {} times the real difference", significant(size)),
        Scale::Length => format!("the largest size, {} times the real length", significant(size)),
        Scale::Level | Scale::Tilt => format!("the largest {}, {}", step(scale), scale.words(size)),
    }
}

fn smallest(scale: Scale, size: f64) -> String {
    largest(scale, size).replace("largest", "smallest")
}

fn step(scale: Scale) -> &'static str {
    if scale == Scale::Tilt { "tilt" } else { "step in level" }
}

fn bound(scale: Scale, size: f64) -> String {
    if scale.is_about_the_cables() { significant(size) } else { scale.words(size) }
}

/// How often size 1 is heard.
pub fn at_one(result: &ThresholdResult) -> String {
    let heard = result.summary.at_one;
    let share = format!(
        "{} of trials ({} to {}, with 95 % probability)",
        percent(heard.estimate),
        percent(heard.lower),
        percent(heard.upper)
    );
    match result.scale {
        Scale::Multiple => format!("At its real size the difference is heard in {share}."),
        Scale::Length => format!("At the real length the difference is heard in {share}."),
        Scale::Level | Scale::Tilt => format!("A {} of 1 dB is heard in {share}.", step(result.scale)),
    }
}

/// What limits the answer, one sentence each.
pub fn limits(result: &ThresholdResult) -> Vec<String> {
    let ThresholdResult { scale, range, summary, fit, .. } = result;
    let one = match scale {
        Scale::Multiple => "the real size",
        Scale::Length => "the real length",
        Scale::Level | Scale::Tilt => "1 dB",
    };
    let at_one = result
        .d_prime
        .map(|of| format!("At {one} d-prime is {:.2} ({:.2} to {:.2}).", of.estimate, of.lower, of.upper));
    let mut limits: Vec<String> = at_one.into_iter().collect();
    if summary.place == Place::Within && summary.confidence.upper > range.largest {
        limits.push(format!(
            "No size above {} was tried, so the upper bound rests on the shape of the curve.",
            scale.words(range.largest)
        ));
    }
    if summary.place == Place::Within && summary.confidence.lower < range.smallest {
        limits.push(format!(
            "No size below {} was tried, so the lower bound rests on the shape of the curve.",
            scale.words(range.smallest)
        ));
    }
    if scale.is_about_the_cables() && range.smallest > 1.0 {
        limits.push(
            "The real size was never presented: how often it is heard is read off the curve.".to_owned(),
        );
    }
    if let Some(fit) = fit.as_ref().filter(|fit| fit.p_value.value < POOR_FIT) {
        limits.push(format!(
            "A rising curve describes these answers badly (deviance {:.1}, {}): the listener or the equipment may have changed \
             during the test.",
            fit.deviance,
            printed::p_value(fit.p_value.value)
        ));
    }
    limits
}
