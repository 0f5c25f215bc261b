//! The declared panel: what was agreed, who sat, and what became of everybody else.

use maud::{Markup, html};

use super::super::methods;
use super::super::model::Report;
use super::{count, percent, wide};
use crate::evidence::PanelStanding;
use crate::session::{CableA, Fact};
use crate::units::printed::{probability, stated};
use crate::verdict::ComparisonResult;
use crate::verdict::balance::Balance;
use crate::verdict::panel::{balance_words, for_whom_words, leave_out_words, looks_words, lost_words};

/// What was done, to be pasted.
pub(super) fn methods(report: &Report) -> Markup {
    html! {
        h3 id="methods" { "What was done, ready to paste" }
        @for paragraph in methods::paragraphs(report) { p { (paragraph) } }
    }
}

pub(super) fn section(report: &Report) -> Markup {
    html! {
        @if let Some(panel) = &report.panel {
            (referee(report, panel))
            (standing(panel))
            (balance(report))
            (looks(report))
        }
    }
}

/// What holds for listeners like these, where the panel asks for that: numbers, whatever the verdict says.
pub(super) fn population(comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(found) = &comparison.population {
            p {
                "For listeners like these: heard in " (percent(found.mean)) " of trials (" (stated(found.level))
                " interval: " (percent(found.lower)) " to " (percent(found.upper))
                "). The interval above is for the listeners who sat."
            }
        }
    }
}

/// What a referee asks first, and where it is answered.
fn referee(report: &Report, panel: &PanelStanding) -> Markup {
    let agreed = &panel.agreed;
    let asked = report.sittings.iter().any(|sitting| !sitting.facts.is_empty());
    let ended = report.comparisons.iter().any(|own| own.looks.iter().any(|look| look.ended));
    let link = |to: &str, words: &str| html! { a href=(format!("#{to}")) { (words) } };
    html! {
        h3 id="referee" { "What a referee asks first" }
        dl.facts {
            dt { "who stopped recruiting" }
            dd {
                (if ended { "A look that was agreed on: " } else { "Nobody: " }) (count(agreed.listeners as usize, "listener")) " were agreed on and sealed; " (panel.sat) " have sat. "
                (link("panel", "What became of it")) ", and " (link("check", "every sitting that was ever begun"))
            }
            dt { "which files" }
            dd { "Each sitting seals every file that it reads, by SHA-256: " (link("check", "how to check it")) }
            dt { "why these limits" }
            dd { "An error risk of " (stated(report.session.alpha)) ", agreed before: " (link("methods", "what was done")) }
            dt { "who sat there" }
            dd {
                @if asked { (link("who", "What each sitting was told")) ", without names where the report is anonymous" }
                @else { "The session asked for no facts about listeners and place." }
            }
            dt { "those who missed the controls" }
            dd {
                (leave_out_words(agreed.leave_out)) ". Left out: " (panel.left_out.len())
                @if !panel.left_out.is_empty() { "; the result with them stands next to the verdict" }
            }
            dt { "was A learned" }
            dd {
                @match (report.session.protocol.has_a(), agreed.cable_a) {
                    (false, _) => { "There is no A: each cable stands in each place equally often." }
                    (true, CableA::Drawn) => { "The seal drew for each sitting which cable is A: " (link("balance", "how often each was")) }
                    (true, CableA::AsWritten) => {
                        "It can have been: A was the same cable in each sitting. cable_a = \"drawn\" in the session prevents that."
                    }
                }
            }
        }
    }
}

/// Who sat and where, as far as the sittings were asked and say it.
pub(super) fn who(report: &Report) -> Markup {
    let asked: Vec<Fact> = Fact::ALL
        .into_iter()
        .filter(|fact| {
            report.sittings.iter().any(|sitting| sitting.facts.iter().any(|told| told.fact == *fact))
        })
        .collect();
    html! {
        @if !asked.is_empty() {
            h3 id="who" { "Who sat, and where" }
            (wide("Who sat", html! {
                table {
                    caption { "What each sitting was told before its first trial, and sealed. Nobody checked it." }
                    thead { tr {
                        th.n scope="col" { "no." }
                        th scope="col" { "listener" }
                        th scope="col" { "counts" }
                        @for fact in &asked { th scope="col" { (fact.title()) } }
                    } }
                    tbody {
                        @for (number, sitting) in report.sittings.iter().enumerate() {
                            @if !sitting.facts.is_empty() {
                                tr {
                                    th.n scope="row" { (number + 1) }
                                    td.who { (sitting.name) }
                                    td { @if sitting.counted { "yes" } @else { "no" } }
                                    @for fact in &asked {
                                        td {
                                            @match sitting.facts.iter().find(|told| told.fact == *fact) {
                                                Some(told) => (told.answer),
                                                None => "not said",
                                            }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}

/// Training, which counts nowhere.
pub(super) fn training(report: &Report) -> Markup {
    html! {
        @if !report.training.is_empty() {
            h3 id="training" { "Training before the sittings" }
            (wide("Training", html! {
                table {
                    caption { "Practice with the answers told, in the session's own protocol: listed, and never counted." }
                    thead { tr {
                        th scope="col" { "listener" }
                        th scope="col" { "ended (UTC)" }
                        th scope="col" { "pair" }
                        th.n scope="col" { "right" }
                        th scope="col" { "criterion" }
                    } }
                    tbody {
                        @for own in &report.training {
                            tr {
                                td.who { (own.listener) }
                                td.t { (own.utc) }
                                td { (own.pair) @if own.silent { ", nothing played" } }
                                td.n { (own.right) " of " (own.answers) }
                                td {
                                    (own.criterion) " in a row: "
                                    @if own.reached > 0 { "reached" } @else { "not reached" }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}

/// How often each comparison stood in each place, and each cable was A, in the sittings that count: counted here, whatever
/// their openings say.
fn balance(report: &Report) -> Markup {
    let Some(balance) = Balance::of(report.panel.as_ref(), &report.sittings, &report.comparisons) else {
        return html! {};
    };
    html! {
        h3 id="balance" { "Which came first, and which cable was A" }
        (wide("Balance", html! {
            table {
                caption { "Counted from the opened seals of the " (count(balance.sittings, "sitting")) " that count." }
                thead { tr {
                    th scope="col" { "comparison" }
                    @for place in 0..balance.places { th.n scope="col" { "place " (place + 1) } }
                    @if balance.a_is_drawn { th scope="col" { "was A" } }
                } }
                tbody {
                    @for row in &balance.comparisons {
                        tr {
                            th scope="row" { (row.name) }
                            @for times in &row.places { td.n { (times) } }
                            @if balance.a_is_drawn {
                                td { (row.a) " in " (row.as_written) ", " (row.b) " in " (balance.sittings - row.as_written) }
                            }
                        }
                    }
                }
            }
        }))
        @if let Some(sentence) = balance.sentence() { p.small { (sentence) } }
    }
}

/// The looks that have come.
fn looks(report: &Report) -> Markup {
    html! {
        @if report.comparisons.iter().any(|comparison| !comparison.looks.is_empty()) {
            (wide("Looks", html! {
                table {
                    caption { "Looks at the panel, each as agreed, whether or not anybody looked." }
                    thead { tr {
                        th scope="col" { "comparison" }
                        th.n scope="col" { "listeners" }
                        th.n scope="col" { (report.session.inquiry.counted_short()) }
                        th.n scope="col" { "needed" }
                        th.n scope="col" { "risk spent by then" }
                        th.n scope="col" { "p" }
                        th scope="col" { "ends it" }
                    } }
                    tbody {
                        @for comparison in &report.comparisons {
                            @for look in &comparison.looks {
                                tr {
                                    th scope="row" { (comparison.name) }
                                    td.n { (look.listeners) }
                                    td.n { (look.correct) " of " (look.trials) }
                                    td.n { @if let Some(critical) = look.critical { (critical) } @else { "no score" } }
                                    td.n { (percent(look.spent)) }
                                    td.n { (probability(look.p_value)) }
                                    td { @if look.ended { "yes" } @else { "no" } }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn standing(panel: &PanelStanding) -> Markup {
    let agreed = &panel.agreed;
    html! {
        h3 id="panel" { "The panel" }
        p { "Agreed before the first sitting, and sealed in each one:" }
        dl.facts {
            dt { "listeners" }
            dd { (agreed.listeners) ", with " (count(agreed.sittings_each as usize, "complete sitting")) " each, in the order of the register" }
            dt { "looked at" }
            dd { (looks_words(agreed)) }
            @if let Some(words) = balance_words(agreed) {
                dt { "balanced" }
                dd { (words) }
            }
            dt { "left out" }
            dd { (leave_out_words(agreed.leave_out)) }
            dt { "the result holds" }
            dd { (for_whom_words(agreed.for_whom)) }
            @if let Some(share) = agreed.no_difference_above {
                dt { "no difference worth mentioning" }
                dd {
                    "one that is heard in at most " (stated(share)) " of trials, wrongly claimed at a risk of "
                    (stated(agreed.no_difference_risk))
                }
            }
        }
        p { "What became of it:" }
        ul.caveats {
            li { (panel.sat) " of " (count(agreed.listeners as usize, "listener")) " have sat" (lost_words(panel)) "." }
            li { (count(panel.left_out.len(), "listener")) " left out by the rule." }
            li { (count(panel.broken_off as usize, "sitting")) " begun before the panel was full, and never completed." }
            li {
                (count(panel.beyond, "complete sitting")) " and " (panel.beyond_seats)
                " of nights' seats after it was full: listed, not counted."
            }
        }
        p.small {
            "Two spellings of one name are one listener here. Whether two names are one person, no file can show: "
            "the host vouches for that."
        }
    }
}
