//! Page one, for everybody: the verdict in a sentence, one figure, what was compared, what limits it, how to check it.

use maud::{Markup, PreEscaped, html};

use super::sources::traced;
use super::top::{coded, design, notice};
use super::{count, first_sentences};
use crate::hearing::weighting::just_noticeable_db;
use crate::report::model::Report;
use crate::report::{drawn, front_figure, threshold_figures};
use crate::session::Levels;
use crate::units::printed;
use crate::units::printed::moment;
use crate::verdict::caveat::{Caveat, Kind, Weight};
use crate::verdict::{ComparisonResult, Finding};

/// Most comparisons with a figure on page one.
const MOST_FIGURES: usize = 2;
/// About how many letters of a caveat stand on page one: whole sentences.
const MOST_LETTERS: usize = 150;
/// Most caveats on page one.
const MOST_CAVEATS: usize = 3;

/// Levels above threshold in dB between which the just noticeable step is said: loud and soft tones.
const LOUD_DB: f64 = 80.0;
const SOFT_DB: f64 = 40.0;

pub(super) fn section(report: &Report) -> Markup {
    let several = report.comparisons.len() > 1;
    let listeners = report.listeners.iter().filter(|listener| listener.counted).count();
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
            (wager(report))
            div.columns {
                div { h2 { "What was compared" } (compared(report)) }
                div { h2 { "What limits this" } (limits(report)) }
                div { h2 { "Check it yourself" } (check(report)) }
            }
            p.over {
                "Each trial asked: \u{201c}" (report.session.question) "\u{201d} " (design(report)) ". "
                (count(listeners, "listener")) " "
                @if listeners == 1 { "counts." } @else { "count." }
            }
            (notes())
            nav aria-label="Sections" {
                ul {
                    li { a href="#verdict" { "The verdict in numbers" } }
                    li { a href="#methods" { "What was done" } }
                    li { a href="#answered" { "Everybody's answers" } }
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
            figure.plain {
                div.page-drawing { (PreEscaped(&drawn.inline)) }
                div.small-drawing { (PreEscaped(&drawn.narrow)) }
                figcaption { (drawn.description) }
            }
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
                        " They " (traced("differ", "response")) " by " strong { (format!("{size:.2} ± {unknown}", unknown = printed::decibels(unknown))) } " at most."
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
            "Listeners need " (format!("{:.1} to {}", just_noticeable_db(LOUD_DB), printed::fixed(just_noticeable_db(SOFT_DB), 1, "dB")))
            " to hear a level change in a pure tone" sup { "1" } "."
        }
        p {
            "On " (clips.join(", ")) ", "
            @match report.session.levels { Levels::Matched => "at equal loudness.", Levels::AsWired => "as wired." }
        }
    }
}

/// Who won, where something was wagered.
fn wager(report: &Report) -> Markup {
    html! {
        @if let Some(wager) = &report.session.wager {
            @let decided: Vec<&String> = report.sittings.iter().filter(|own| own.claimant_won.is_some()).filter_map(|own| own.wager.as_ref()).collect();
            @for words in &decided { p.lead { strong { "The wager. " } (words) } }
            @if decided.is_empty() { p.lead { strong { "The wager " } "is not decided. " (wager.deciding) } }
        }
    }
}

/// What the controls say of equipment and listeners, in a line.
fn controls(report: &Report) -> Markup {
    let sum = |positive: bool| {
        let of = report.controls.iter().filter(|control| control.positive == positive && control.trials > 0);
        of.fold((0, 0), |sum, control| (sum.0 + control.correct, sum.1 + control.trials))
    };
    let (heard, identical) = (sum(true), sum(false));
    html! {
        @if report.session.inquiry.protocol.asks().has_right_answer() {
            @if heard.1 > 0 {
                p { "Differences that can be heard, mixed in as controls: " (heard.0) " of " (heard.1) " right." }
            }
            @if identical.1 > 0 {
                p { "Identical pairs: " (identical.0) " of " (identical.1) " \u{201c}right\u{201d}; there is nothing to hear in them." }
            }
        }
    }
}

fn limits(report: &Report) -> Markup {
    // Said above already: that it is invented, and how well the difference is known.
    let is_said = |caveat: &Caveat| match caveat.kind {
        Kind::Invented => true,
        Kind::KnownDifference => caveat.weight == Weight::Minor,
        _ => false,
    };
    let told: Vec<_> = report.caveats.iter().filter(|caveat| !is_said(caveat)).collect();
    let heaviest = [Weight::Decisive, Weight::Serious, Weight::Minor]
        .into_iter()
        .flat_map(|weight| told.iter().filter(move |caveat| caveat.weight == weight));
    let more = told.len().saturating_sub(MOST_CAVEATS);
    html! {
        @for caveat in heaviest.take(MOST_CAVEATS) {
            p class=[(caveat.weight == Weight::Decisive).then_some("decides")] { (coded(&first_sentences(&caveat.text, MOST_LETTERS))) }
        }
        (controls(report))
        p { "It holds for these people, clips and equipment. It does not say why the cables differ, or that it matters." }
        @if more > 0 { p { a href="#limits" { (count(more, "more caveat")) } } }
    }
}

fn check(report: &Report) -> Markup {
    let hands: usize = report.sittings.iter().filter(|own| own.counted).map(|own| own.hands.len()).sum();
    let witnessed = report.sittings.iter().any(|own| own.counted && own.witnessed.is_some());
    html! {
        p {
            "The seal fixed every trial before the first answer"
            @if hands > 0 { ", and " (count(hands, "hand")) " that the computer could not foresee went into the draws" }
            ". " a href="#check" { "Check it here" } ": your browser checks every draw and score on this page."
        }
        p { "Or use your own tools: the format is one page, and a page of Python does it." }
        p {
            "Could somebody have cheated? "
            @if witnessed { "A witness's phone held a part of every draw, so nobody knew a trial before it began." }
            @else { "Whoever reads the computer's memory while a trial plays could know X. A witness closes that gap." }
        }
    }
}

/// Sources of page one.
fn notes() -> Markup {
    html! {
        p.notes {
            sup { "1" } " From 80 to 40 dB above threshold, 200 Hz to 8 kHz, right in 71 % of trials (Jesteadt, Wier and Green 1977). Music is not \
             pure tones: only a blind test can tell."
        }
    }
}
