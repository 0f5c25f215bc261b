//! One printable page per listener: what this listener's answers support, and nothing else.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::top::coded;
use super::{count, share, shell};
use crate::evidence;
use crate::report::model::Report;
use crate::units::printed::{moment, probability};
use crate::verdict::threshold::ListenerThreshold;
use crate::verdict::{ComparisonResult, ListenerResult, decision_words, no_listening_test};

const STYLE: &str = include_str!("../certificate.css");

/// All certificates in one file, one page each.
pub fn certificates(report: &Report) -> String {
    // None for those who were absent: nothing was answered that could be certified.
    let answered = |listener: usize| {
        let mut results = report.comparisons.iter().flat_map(|comparison| &comparison.results);
        results.any(|result| result.listener == listener && result.trials > 0)
    };
    let listeners: Vec<usize> = (0..report.listeners.len())
        .filter(|index| report.listeners[*index].counted && answered(*index))
        .collect();
    let marks = marks(report);
    let body = html! {
        header.top {
            p.over { "One page per listener, for printing" }
            h1 { (report.session.title) }
            @if listeners.is_empty() { p.notice { "No listener has completed a valid sitting, so there is nothing to certify." } }
        }
        main {
            @for index in listeners { (certificate(report, index, &marks)) }
        }
    };
    shell(&format!("{} - certificates", report.session.title), STYLE, "", body)
}

/// Whether each counted trial was right, in order: of a listener and a comparison, both as their numbers.
type Marks = BTreeMap<(u32, u16), Vec<bool>>;

/// The marks of all listeners, found in one pass: a panel can be large.
fn marks(report: &Report) -> Marks {
    let mut all = Marks::new();
    for trial in report.trials.iter().filter(|trial| evidence::counts(trial)) {
        if let (Some(listener), Some(comparison), Some(right)) =
            (trial.listener, trial.comparison, trial.correct)
            && evidence::is_counted_trial(trial)
        {
            all.entry((listener, comparison)).or_default().push(right);
        }
    }
    all
}

/// Marks in a row of the picture.
const IN_A_ROW: usize = 20;

/// The score as a picture: a mark for each counted trial in order, a disc where it was right and a ring where it was not.
fn picture(report: &Report, marks: &[bool], result: &ListenerResult) -> Markup {
    let height = marks.len().div_ceil(IN_A_ROW) * 30;
    // A single row stands in the middle.
    let from = 15 * (IN_A_ROW - marks.len().min(IN_A_ROW)) + 15;
    let what = report.session.inquiry.counted_unnamed();
    let said = format!("{} of {} {what}", result.correct, result.trials);
    html! {
        @if !marks.is_empty() {
            svg.marks viewBox=(format!("0 0 {} {height}", IN_A_ROW * 30)) role="img" aria-label=(said) {
                @for (index, right) in marks.iter().enumerate() {
                    circle cx=(from + 30 * (index % IN_A_ROW)) cy=(15 + 30 * (index / IN_A_ROW)) r="10"
                        class=(if *right { "disc" } else { "ring" }) {}
                }
            }
        }
    }
}

fn certificate(report: &Report, index: usize, marks: &Marks) -> Markup {
    let listener = &report.listeners[index];
    let results: Vec<(&ComparisonResult, &ListenerResult)> = report
        .comparisons
        .iter()
        .flat_map(|comparison| comparison.results.iter().map(move |result| (comparison, result)))
        .filter(|(_, result)| result.listener == index)
        .collect();
    let sittings: Vec<_> =
        listener.sittings.iter().filter_map(|sitting| report.sittings.get(*sitting)).collect();
    let simulated = sittings.iter().any(|sitting| sitting.simulated.is_some());
    let silent = sittings.iter().any(|sitting| sitting.silent);
    // What limits all of them alike is said once.
    let first = results.first().map(|(_, result)| *result);
    let everywhere = |limit: &String| results.iter().all(|(_, result)| result.verdict.limits.contains(limit));
    let marks_of = |comparison: &ComparisonResult| {
        let number = report.comparisons.iter().position(|other| other.name == comparison.name);
        number.and_then(|number| marks.get(&(index as u32, number as u16))).map_or(&[][..], Vec::as_slice)
    };
    html! {
        article.page aria-label=(format!("Certificate for {}", listener.name)) {
            (super::club(report))
            p.over { "Blind listening test: " (report.session.title) }
            h2 { "Certificate" }
            p.to { (listener.name) }
            p.when {
                @if let Some(seat) = listener.seat { "Seat " (seat) " · " }
                (moment(sittings.first().map_or("", |sitting| sitting.opened_utc.get(..10).unwrap_or_default())))
            }
            @if let Some(why) = no_listening_test(simulated, silent) { p.notice { (why) } }
            @if report.session.invented { p.notice { "This session is invented: nothing in it exists elsewhere." } }
            @for (comparison, result) in &results {
                h3 { (comparison.a) " against " (comparison.b) }
                (picture(report, marks_of(comparison), result))
                p.said { (result.verdict.headline) }
                @if let Some(own) = threshold_of(comparison, result) { (threshold(own)) }
                @if let Some(analysis) = &result.analysis {
                dl.numbers {
                    div { dt { (report.session.inquiry.counted_unnamed()) }
                          dd { (result.correct) " of " (result.trials) } }
                    @if let Some(decision) = result.sequential {
                        div { dt { "sequential rule" } dd { (decision_words(decision)) } }
                    } @else {
                    div { dt { "p alone" } dd { (probability(analysis.p_value)) } }
                    @if let Some(p) = result.adjusted_p_value.filter(|_| comparison.results.len() > 1) {
                        div { dt { "p among " (count(comparison.results.len(), "listener")) }
                              dd { (probability(p)) } }
                    }
                    }
                    div { dt { (report.session.inquiry.share_short()) } dd {
                        (share(analysis))
                    } }
                }
                }
                @for limit in result.verdict.limits.iter().filter(|limit| !everywhere(limit)) { p.fine { (coded(limit)) } }
            }
            @for limit in first.iter().flat_map(|first| &first.verdict.limits).filter(|limit| everywhere(limit)) {
                p.fine { (coded(limit)) }
            }
            // Where a score was judged, its limits have the controls already.
            @if listener.positive_controls.trials > 0 && !results.iter().any(|(_, result)| result.analysis.is_some()) {
                p { "Controls that should be heard: " (listener.positive_controls.correct) " of " (listener.positive_controls.trials) " right." }
            }
            footer {
                p {
                    "This page says what these answers support, about the voltage at the loudspeaker's terminals and the "
                    "equipment that was used, and nothing more. " (report.program) "."
                }
                @for sitting in &sittings {
                    p {
                        "Opened on " (moment(&sitting.opened_utc)) ", seal " span.hex { (sitting.commitment) }
                        @if let Some(receipt) = &sitting.receipt { ", receipt " span.hex { (receipt) } }
                        @if let Some(words) = &sitting.receipt_words { " (" (words) ")" }
                        "."
                    }
                }
            }
        }
    }
}

/// The threshold of a listener in a comparison, where one was looked for.
fn threshold_of<'c>(
    comparison: &'c ComparisonResult,
    result: &ListenerResult,
) -> Option<&'c ListenerThreshold> {
    let place = comparison.results.iter().position(|own| own.listener == result.listener)?;
    comparison.threshold.as_ref()?.listeners.get(place)
}

/// The size changed from trial to trial: how many were right says nothing, and nothing is tested.
fn threshold(own: &ListenerThreshold) -> Markup {
    let sizes: Vec<String> = own
        .result
        .points
        .iter()
        .map(|point| {
            format!("{} of {} at {}", point.correct, point.trials, own.result.scale.words(point.multiple))
        })
        .collect();
    html! { p.fine { "Right answers by size: " (sizes.join(", ")) "." } }
}
