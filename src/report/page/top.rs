//! The verdicts in numbers, the wager, the panel, and what limits all of it.

use std::borrow::Cow;

use maud::{Markup, html};

use super::sources::traced;
use super::table::{Column, explained, numbers, table, words};
use super::{count, d_prime, percent, share};
use crate::evidence::Basis;
use crate::report::model::Report;
use crate::session::Family;
use crate::units::printed;
use crate::units::printed::{probability, stated};
use crate::verdict::caveat::Weight;
use crate::verdict::panel::some_hear_it;
use crate::verdict::{ComparisonResult, Method};

/// The design in one line.
pub(in crate::report) fn design(report: &Report) -> String {
    let session = &report.session;
    format!(
        "{}, {} that count for each comparison and listener{}, error risk {}",
        session.protocol_title,
        count(session.trials as usize, "trial"),
        if session.sequential.is_some() { " at most, fewer where a sequential rule decides" } else { "" },
        stated(session.alpha)
    )
}

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="verdict" aria-labelledby="verdict-title" {
            h2 id="verdict-title" { "The verdict in numbers" }
            (results(report))
            @for comparison in &report.comparisons { (beside(report, comparison)) }
            (wager(report))
            (super::panel::section(report))
            (limits(report))
        }
    }
}

/// What is true of every number below, if nobody listened.
pub(super) fn notice(report: &Report) -> Option<&'static str> {
    let worst = report.comparisons.iter().map(|comparison| comparison.basis);
    if report.comparisons.iter().any(|comparison| comparison.basis == Basis::Listening) {
        return None;
    }
    match worst.min()? {
        Basis::Nothing => Some("No complete, valid sitting: there is no verdict."),
        basis => report.no_listening_test(basis),
    }
}

/// A row of numbers for each comparison, and the tests behind them.
fn results(report: &Report) -> Markup {
    let inquiry = report.session.inquiry;
    let d_prime_is_known = inquiry.protocol.asks().has_right_answer();
    let adjusted = report.comparisons.iter().any(|comparison| comparison.adjusted_p_value.is_some());
    let room = report.comparisons.iter().any(|comparison| comparison.room.is_some());
    let mut columns: Vec<Column> = vec![
        words("comparison"),
        words("verdict"),
        explained(inquiry.counted_short(), "score"),
        explained(inquiry.without_it(), "chance"),
        explained("p", if room { "room" } else { "p" }),
    ];
    if adjusted {
        columns.push(explained("p, adjusted", "adjusted"));
    }
    columns.push(explained("95 % interval", "interval"));
    columns.push(explained(inquiry.share_short(), "discriminators"));
    if d_prime_is_known {
        columns.push(explained("d‑prime", "d-prime"));
    }
    columns.push(numbers("listeners"));
    let known = |p: Option<f64>| p.map_or_else(|| "-".to_owned(), probability);
    let row = |(index, comparison): (usize, &ComparisonResult)| {
        let mut cells = vec![
            html! { (comparison.name) ": " (comparison.a) " against " (comparison.b) },
            html! { (comparison.verdict.title) },
        ];
        let Some(analysis) = &comparison.analysis else {
            cells.resize_with(columns.len() - 1, || html! { "-" });
            cells.push(html! { (comparison.listeners) });
            return cells;
        };
        cells.push(
            html! { span.whole data-score=(index) { (comparison.correct) " of " (comparison.trials) } },
        );
        cells.push(html! { (percent(analysis.chance)) });
        cells.push(whole(&known(comparison.p_value)));
        if adjusted {
            cells.push(whole(&known(comparison.adjusted_p_value)));
        }
        cells.push(html! { (percent(analysis.interval.lower)) " to " (percent(analysis.interval.upper)) });
        cells.push(two_lines(&share(analysis)));
        if d_prime_is_known {
            cells.push(two_lines(&d_prime(analysis)));
        }
        cells.push(html! { (comparison.listeners) });
        cells
    };
    let mut methods: Vec<&str> = Vec::new();
    for comparison in &report.comparisons {
        if comparison.method != Method::Nothing && !methods.contains(&comparison.method.words()) {
            methods.push(comparison.method.words());
        }
    }
    // Of a threshold there is no score to be tested: the listeners' table has its numbers.
    let scored = report.comparisons.iter().any(|comparison| comparison.threshold.is_none());
    html! {
        @if scored {
            (table(
                "Verdicts",
                &html! { "All answers that count. Intervals are two-sided." },
                &columns,
                report.comparisons.iter().enumerate().map(row),
            ))
        } @else {
            @for comparison in &report.comparisons {
                p { @if report.comparisons.len() > 1 { strong { (comparison.name) ". " } } (comparison.verdict.headline) }
            }
        }
        p.small {
            "Design: " (design(report)) ". "
            @for words in &methods { (words) " " }
            @if report.comparisons.len() > 1 && report.session.family == Family::Holm {
                "The " (report.comparisons.len()) " comparisons share one error risk of " (stated(report.session.alpha))
                ": their p-values are adjusted for it (Holm 1979)."
            }
        }
    }
}

/// A value, and its interval below it.
fn two_lines(text: &str) -> Markup {
    match text.split_once(" (") {
        Some((value, interval)) => html! { (value) br; span.interval { "(" (interval) } },
        None => html! { (text) },
    }
}

/// A cell that never breaks.
fn whole(text: &str) -> Markup {
    html! { span.whole { (text) } }
}

/// What stands beside the numbers of one comparison: listeners one by one, similarity, everybody, the worst case.
fn beside(report: &Report, comparison: &ComparisonResult) -> Markup {
    let mut parts: Vec<Markup> = Vec::new();
    parts.extend(comparison.one_by_one.iter().map(|words| html! { (words) }));
    parts.extend(similarity(report, comparison));
    parts.extend(everybody(report, comparison));
    parts.extend(worst_case(report, comparison));
    html! {
        @for part in parts {
            p { @if report.comparisons.len() > 1 { strong { (comparison.name) ". " } } (part) }
        }
        (super::panel::population(comparison))
    }
}

/// The result with those whom the agreed rule leaves out.
fn everybody(report: &Report, comparison: &ComparisonResult) -> Option<Markup> {
    let everybody = comparison.everybody.as_ref()?;
    Some(html! {
        "With everybody who sat: " (everybody.correct) " of " (everybody.trials) " "
        (report.session.inquiry.counted_unnamed()) ", " (printed::p_value(everybody.p_value)) ". Left out for missing the controls: "
        @for (place, own) in everybody.left_out.iter().enumerate() {
            @if place > 0 { ", " }
            (own.name) " (" (own.correct) " of " (own.trials) "; controls " (own.positive_controls.correct) " of "
            (own.positive_controls.trials) ")"
        }
        "."
    })
}

/// The result if everything that was begun and not completed had gone against it.
fn worst_case(report: &Report, comparison: &ComparisonResult) -> Option<Markup> {
    let worst = comparison.worst_case.as_ref()?;
    Some(html! {
        (count(worst.sittings as usize, "sitting")) " of the panel began and never finished. If every answer there had been wrong: "
        (worst.correct) " of " (worst.trials) " " (report.session.inquiry.counted_unnamed()) ", " (printed::p_value(worst.p_value)) "."
    })
}

/// That some hear it, where that stands against "no difference" on average.
fn some(comparison: &ComparisonResult) -> Option<String> {
    let mixture = comparison.mixture.as_ref().filter(|_| comparison.basis == Basis::Listening)?;
    some_hear_it(mixture, comparison.results.len())
        .map(|_| "Only on average, since some hear it and most do not.".to_owned())
}

fn similarity(report: &Report, comparison: &ComparisonResult) -> Option<Markup> {
    let test = comparison.similarity.first()?;
    Some(html! {
        (traced("Similarity", "similarity")) ": "
        @if let Some(words) = some(comparison) { strong { (words) } " " }
        @if test.similar {
            "supported, at a risk of " (stated(test.beta)) ": the difference is heard in at most " (stated(test.limit))
            " of trials"
        } @else {
            "not supported that the difference is heard in at most " (stated(test.limit)) " of trials"
        }
        " (" (printed::p_value(test.p_value))
        @if let Some(critical) = test.critical {
            @if report.session.inquiry.two_sided() {
                "; at most " (critical) " of " (comparison.trials) " for the side with more answers would support it"
            } @else {
                "; at most " (critical) " of " (comparison.trials) " right would support it"
            }
        } @else { "; no score of so few trials could support it" }
        ")."
    })
}

fn wager(report: &Report) -> Markup {
    html! {
        @if let Some(wager) = &report.session.wager {
            h3 { "The wager" }
            dl.facts {
                dt { "claim" } dd { (wager.claimant) ": \u{201c}" (wager.claim) "\u{201d}" }
                dt { "if " (wager.claimant) " is right often enough" } dd { (wager.claimant_wins) }
                dt { "if not" } dd { (wager.skeptic_wins) }
                @for sitting in &report.sittings {
                    @if let Some(words) = &sitting.wager {
                        dt { (sitting.name) ", " (sitting.opened_utc) } dd { (words) }
                    }
                }
            }
            @if report.sittings.iter().all(|sitting| sitting.claimant_won.is_none()) {
                p.small { "The wager is not decided. " (wager.deciding) }
            }
        }
    }
}

/// What every verdict's own limits say, each once; with the comparison's name where it is not true of all.
fn own_limits(report: &Report) -> Vec<(Option<String>, &str)> {
    let mut all: Vec<(Vec<&str>, &str)> = Vec::new();
    for comparison in &report.comparisons {
        for limit in &comparison.verdict.limits {
            match all.iter_mut().find(|(_, text)| text == limit) {
                Some((names, _)) => names.push(&comparison.name),
                None => all.push((vec![&comparison.name], limit)),
            }
        }
    }
    let everywhere = |names: &[&str]| names.len() == report.comparisons.len();
    // Comparison by comparison; what holds for all of them comes last.
    let place =
        |names: &[&str]| report.comparisons.iter().position(|own| names.first() == Some(&own.name.as_str()));
    all.sort_by_key(|(names, _)| if everywhere(names) { (true, None) } else { (false, place(names)) });
    all.into_iter().map(|(names, text)| ((!everywhere(&names)).then(|| names.join(", ")), text)).collect()
}

fn limits(report: &Report) -> Markup {
    html! {
        h3 id="limits" { "What limits this" }
        @if report.caveats.is_empty() {
            p { "No caveat applies beyond those of any such test: see what the simulation does not cover." }
        }
        div.text {
            @for weight in [Weight::Decisive, Weight::Serious, Weight::Minor] {
                @let group: Vec<_> = report.caveats.iter().filter(|caveat| caveat.weight == weight).collect();
                @if !group.is_empty() {
                    h4 { (weight.title()) }
                    ul.caveats {
                        @for caveat in group {
                            li { (coded(&unnamed(report, &caveat.text))) " " span.remedy { (coded(caveat.remedy)) } }
                        }
                    }
                }
            }
            @let own = own_limits(report);
            @if !own.is_empty() {
                h4 { "What the numbers say, and what they do not" }
                ul.caveats {
                    @for (name, limit) in own {
                        li { @if let Some(name) = name { strong { (name) ". " } } (coded(limit)) }
                    }
                }
            }
        }
    }
}

/// A caveat without the name of its comparison, where there is only one to be meant.
pub(super) fn unnamed<'t>(report: &Report, text: &'t str) -> Cow<'t, str> {
    let own = match report.comparisons.as_slice() {
        [only] => text.strip_prefix(only.name.as_str()).and_then(|rest| rest.strip_prefix(": ")),
        _ => None,
    };
    let Some((first, rest)) = own.and_then(|own| own.split_at_checked(1)) else { return Cow::Borrowed(text) };
    Cow::Owned(first.to_uppercase() + rest)
}

/// A text in which words between backticks are code.
pub(super) fn coded(text: &str) -> Markup {
    html! {
        @for (index, piece) in text.split('`').enumerate() {
            @if index % 2 == 1 { code { (piece) } } @else { (piece) }
        }
    }
}
