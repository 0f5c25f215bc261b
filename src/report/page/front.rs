//! Page one, for everybody: the verdict in a sentence, one figure, what was compared, what limits it, how to check it.

use maud::{Markup, PreEscaped, html};

use super::top::{coded, design, notice};
use super::{count, wide};
use crate::report::model::Report;
use crate::report::{drawn, front_figure, threshold_figures};
use crate::session::Levels;
use crate::units::printed;
use crate::units::printed::moment;
use crate::verdict::caveat::Weight;
use crate::verdict::{ComparisonResult, Finding};

/// Most comparisons with a figure on page one.
const MOST_FIGURES: usize = 2;
/// Most caveats on page one.
const MOST_CAVEATS: usize = 3;

pub(super) fn section(report: &Report) -> Markup {
    let several = report.comparisons.len() > 1;
    html! {
        section.front id="front" aria-labelledby="front-title" {
            @if several {
                h1 id="front-title" { (report.session.title) }
            } @else if let Some(only) = report.comparisons.first() {
                p.about { (report.session.title) }
                h1.say id="front-title" class=[tone(only)] { (only.verdict.title) }
            } @else {
                h1 id="front-title" { (report.session.title) }
            }
            // With one comparison title and sentence say it.
            @if several && let Some(notice) = notice(report) { p.notice { (notice) } }
            @if report.comparisons.iter().all(|comparison| comparison.trials == 0) && let Some(notice) = notice(report) && !several { p.notice { (notice) } }
            div.results[several] { @for (index, comparison) in report.comparisons.iter().enumerate() {
                div.result {
                    @if several {
                        p.about { (comparison.a) " against " (comparison.b) }
                        h2.say class=[tone(comparison)] { (comparison.verdict.title) }
                    }
                    p.lead { (comparison.verdict.headline) }
                    @if index < MOST_FIGURES { (picture(report, comparison)) }
                }
            } }
            div.columns {
                div { h2 { "What was compared" } (compared(report)) }
                div { h2 { "What limits this" } (limits(report)) }
                div { h2 { "Check it yourself" } (check()) }
            }
            p.over { (design(report)) }
            nav aria-label="Sections" {
                ul {
                    li { a href="#verdict" { "The verdict in numbers" } }
                    li { a href="#answered" { "What was answered" } }
                    li { a href="#compared" { "What was compared" } }
                    li { a href="#check" { "How to check it" } }
                    li { a href="#appendix" { "Appendix" } }
                }
            }
        }
    }
}

/// What this is, when it was, and that it is invented if it is.
pub(super) fn occasion(report: &Report) -> Markup {
    html! {
        p.over {
            "Blind listening test of loudspeaker cables"
            @if let Some(when) = when(report) { " · " (when) }
            @if report.session.invented { " · invented data" }
        }
    }
}

/// The days of the sittings.
fn when(report: &Report) -> Option<String> {
    let day = |utc: &str| utc.get(..10).map(moment);
    let days =
        report.sittings.iter().filter(|sitting| sitting.counted).map(|sitting| sitting.opened_utc.as_str());
    let (first, last) = (day(days.clone().min()?)?, day(days.max()?)?);
    Some(if first == last { first } else { format!("{first} to {last}") })
}

fn tone(comparison: &ComparisonResult) -> Option<&'static str> {
    match comparison.verdict.finding {
        Finding::Difference | Finding::Threshold => Some("yes"),
        Finding::RigSuspect | Finding::BelowGuessing | Finding::NoListeningTest | Finding::StoppedEarly => {
            Some("stop")
        }
        _ => None,
    }
}

fn picture(report: &Report, comparison: &ComparisonResult) -> Markup {
    let drawn = front_figure::score(report.session.inquiry, comparison, drawn::fixed_risk(report))
        .or_else(|| threshold_figures::all(comparison).into_iter().next());
    html! {
        @if let Some(drawn) = drawn {
            figure.plain { (wide(&drawn.title, html! { (PreEscaped(&drawn.inline)) })) figcaption { (drawn.description) } }
        }
    }
}

fn compared(report: &Report) -> Markup {
    let what = |name: &str| {
        report.compared.cables.iter().find(|cable| cable.name == name).map(|cable| cable.description.clone())
    };
    let clips: Vec<&str> = report.session.clips.iter().map(String::as_str).collect();
    html! {
        @for comparison in &report.comparisons {
            p {
                strong { (comparison.a) }
                @if let Some(words) = what(&comparison.a) { ", " (words) "," }
                " against "
                strong { (comparison.b) }
                @if let Some(words) = what(&comparison.b) { ", " (words) }
                "."
                @if let Some(facts) = report.compared.differences.iter().find(|facts| facts.comparison == comparison.name) {
                    @if let Some((size, unknown)) = facts.known_db {
                        " They differ by " strong { (format!("{size:.2} ± {unknown}", unknown = printed::decibels(unknown))) } " at most."
                    }
                    @if let Some(level) = facts.level_db {
                        @match report.session.levels {
                            Levels::Matched => { " The level difference of " (printed::decibels(level.abs())) " was taken out." }
                            Levels::AsWired => { " " (printed::decibels(level.abs())) " of it is level alone." }
                        }
                    }
                }
            }
        }
        p {
            "On " (clips.join(", ")) ", "
            @match report.session.levels { Levels::Matched => "at equal loudness.", Levels::AsWired => "as wired." }
        }
    }
}

fn limits(report: &Report) -> Markup {
    let heaviest = [Weight::Decisive, Weight::Serious, Weight::Minor]
        .into_iter()
        .flat_map(|weight| report.caveats.iter().filter(move |caveat| caveat.weight == weight));
    let more = report.caveats.len().saturating_sub(MOST_CAVEATS);
    html! {
        @for caveat in heaviest.take(MOST_CAVEATS) {
            p class=[(caveat.weight == Weight::Decisive).then_some("decides")] { (coded(&caveat.text)) }
        }
        @if report.caveats.is_empty() {
            p { "It holds for these people, clips and equipment, and for a simulation of the cables." }
        }
        @if more > 0 { p { a href="#limits" { (count(more, "more caveat")) } } }
    }
}

fn check() -> Markup {
    html! {
        p {
            "The seal fixed every trial before the first answer. " a href="#check" { "Check it here" }
            ": your browser re-derives every draw and every score on this page."
        }
        p { "Or use your own tools: the format is one page, and a page of Python does it." }
    }
}
