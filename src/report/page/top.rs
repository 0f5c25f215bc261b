//! The top of the report: the verdicts and what limits them.

use maud::{Markup, html};

use super::sources::traced;
use super::{count, d_prime, percent, share};
use crate::evidence::Basis;
use crate::report::model::Report;
use crate::session::Family;
use crate::units::printed;
use crate::units::printed::{probability, stated};
use crate::verdict::caveat::Weight;
use crate::verdict::panel::some_hear_it;
use crate::verdict::{ComparisonResult, Finding};

/// The design in one line.
pub(in crate::report) fn design(report: &Report) -> String {
    let session = &report.session;
    format!(
        "{}, {} per comparison and listener, {}, error risk {}",
        session.protocol_title,
        count(session.trials as usize, "counted trial"),
        session.stopping,
        stated(session.alpha)
    )
}

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="verdict" aria-labelledby="verdict-title" {
            h2 id="verdict-title" { "The verdict in numbers" }
            @for (index, comparison) in report.comparisons.iter().enumerate() { (verdict(report, index, comparison)) }
            @if report.comparisons.len() > 1 && report.session.family == Family::Holm {
                p.small {
                    "The " (report.comparisons.len()) " comparisons are judged together: p-values are adjusted so that the "
                    "risk of even one false \"difference\" among them is at most " (stated(report.session.alpha)) " "
                    "(Holm 1979)."
                }
            }
            (wager(report))
            (super::panel::section(report))
            (super::panel::who(report))
            (super::panel::training(report))
            (caveats(report))
            (super::panel::methods(report))
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

fn class(finding: Finding) -> &'static str {
    match finding {
        Finding::Difference => "verdict yes",
        Finding::RigSuspect
        | Finding::BelowGuessing
        | Finding::NoListeningTest
        | Finding::StoppedEarly
        | Finding::NoTrials => "verdict stop",
        _ => "verdict",
    }
}

fn verdict(report: &Report, index: usize, comparison: &ComparisonResult) -> Markup {
    let words = &comparison.verdict;
    let inquiry = report.session.inquiry;
    html! {
        div class=(class(words.finding)) {
            h3 { (comparison.name) ": " (comparison.a) " against " (comparison.b) }
            p.say { (words.headline) }
            @if let Some(words) = &comparison.one_by_one { p { (words) } }
            @if let Some(analysis) = &comparison.analysis {
                dl.numbers {
                    div {
                        dt { (traced(inquiry.counted_short(), "score")) }
                        dd data-score=(index) { (comparison.correct) " of " (comparison.trials) }
                    }
                    (number(inquiry.without_it(), "chance", &percent(analysis.chance)))
                    @if let Some(p) = comparison.p_value { (number("p, one test", if comparison.room.is_some() { "room" } else { "p" }, &probability(p))) }
                    @if let Some(p) = comparison.adjusted_p_value { (number("p, adjusted", "adjusted", &probability(p))) }
                    (number("two-sided 95 % interval", "interval", &format!(
                        "{} to {}", percent(analysis.interval.lower), percent(analysis.interval.upper)
                    )))
                    (number(inquiry.share_short(), "discriminators", &share(analysis)))
                    @if inquiry.protocol.asks().has_right_answer() {
                        (number("d‑prime", "d-prime", &d_prime(analysis)))
                    }
                    (number("listeners", "score", &comparison.listeners.to_string()))
                }
                p.small { (comparison.method.words()) }
            }
            @if !words.limits.is_empty() {
                ul.caveats { @for limit in &words.limits { li { (coded(limit)) } } }
            }
            (super::panel::population(comparison))
            (similarity(report, comparison))
            (everybody(report, comparison))
            (worst_case(report, comparison))
        }
    }
}

/// The result with those whom the agreed rule leaves out.
fn everybody(report: &Report, comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(everybody) = &comparison.everybody {
            p {
                "With everybody who sat, those left out among them: " (everybody.correct) " of " (everybody.trials) " "
                (report.session.inquiry.counted_unnamed()) ", " (printed::p_value(everybody.p_value)) ". Left out for missing the controls: "
                @for (place, own) in everybody.left_out.iter().enumerate() {
                    @if place > 0 { ", " }
                    (own.name) " (" (own.correct) " of " (own.trials) "; controls " (own.positive_controls.0) " of "
                    (own.positive_controls.1) ")"
                }
                "."
            }
        }
    }
}

/// The result if everything that was begun and not completed had gone against it.
fn worst_case(report: &Report, comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(worst) = &comparison.worst_case {
            p {
                "If every answer of the " (count(worst.sittings as usize, "sitting")) " begun and not completed had gone against it: "
                (worst.correct) " of " (worst.trials) " " (report.session.inquiry.counted_unnamed()) ", "
                (printed::p_value(worst.p_value)) "."
            }
        }
    }
}

fn number(label: &str, source: &str, value: &str) -> Markup {
    html! { div { dt { (traced(label, source)) } dd { (value) } } }
}

/// That some hear it, where that stands against "no difference" on average.
fn some(comparison: &ComparisonResult) -> Option<String> {
    let mixture = comparison.mixture.as_ref().filter(|_| comparison.basis == Basis::Listening)?;
    some_hear_it(mixture, comparison.results.len())
        .map(|_| "Only on average, since some hear it and most do not.".to_owned())
}

fn similarity(report: &Report, comparison: &ComparisonResult) -> Markup {
    html! {
        @if !comparison.similarity.is_empty() {
            h4 { "And " (traced("similarity", "similarity")) "?" }
            ul.caveats {
                @for test in &comparison.similarity {
                    li {
                        @if let Some(words) = some(comparison) { strong { (words) } " " }
                        @if test.similar {
                            "Supported, at a risk of " (stated(test.beta)) ": the difference is heard in at most "
                            (stated(test.limit)) " of trials"
                        } @else {
                            "Not supported: that the difference is heard in at most " (stated(test.limit)) " of trials"
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
                    }
                }
            }
        }
    }
}

fn wager(report: &Report) -> Markup {
    html! {
        @if let Some(wager) = &report.session.wager {
            h3 { "The wager" }
            dl.facts {
                dt { "claim" } dd { (wager.claim) }
                dt { (wager.claimant) " claims; owed if reached" } dd { (wager.claimant_wins) }
                dt { (wager.skeptic) " doubts; owed if not" } dd { (wager.skeptic_wins) }
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

fn caveats(report: &Report) -> Markup {
    html! {
        h3 id="limits" { "What limits this" }
        @if report.caveats.is_empty() {
            p { "No caveat applies beyond those of any such test: see what the simulation does not cover." }
        }
        @for weight in [Weight::Decisive, Weight::Serious, Weight::Minor] {
            @let group: Vec<_> = report.caveats.iter().filter(|caveat| caveat.weight == weight).collect();
            @if !group.is_empty() {
                h4 { (weight.title()) }
                ul.caveats {
                    @for caveat in group {
                        li { (caveat.text) " " span.remedy { (coded(caveat.remedy)) } }
                    }
                }
            }
        }
    }
}

/// A text in which words between backticks are code.
pub(super) fn coded(text: &str) -> Markup {
    html! {
        @for (index, piece) in text.split('`').enumerate() {
            @if index % 2 == 1 { code { (piece) } } @else { (piece) }
        }
    }
}
