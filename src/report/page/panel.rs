//! The declared panel: what was agreed, who sat, and what became of everybody else.

use maud::{Markup, html};

use super::super::methods;
use super::super::model::Report;
use super::table::{Row, numbers, table, words};
use super::{count, percent};
use crate::evidence::{PanelStanding, SittingFacts};
use crate::session::{CableA, Fact};
use crate::units::printed::{probability, stated};
use crate::verdict::ComparisonResult;
use crate::verdict::balance::Balance;
use crate::verdict::panel::{balance_words, for_whom_words, leave_out_words, looks_words, lost_words};

/// What was done, to be pasted.
pub(super) fn methods(report: &Report) -> Markup {
    html! {
        section id="methods" aria-labelledby="methods-title" {
            h2 id="methods-title" { "What was done, ready to paste" }
            div.text { @for paragraph in methods::paragraphs(report) { p { (paragraph) } } }
        }
    }
}

pub(super) fn section(report: &Report) -> Markup {
    html! {
        @if let Some(panel) = &report.panel {
            (standing(panel))
            (looks(report))
        }
    }
}

/// The appendix on a panel: what a referee asks, how it was balanced, who sat, and who trained.
pub(super) fn appendix(report: &Report) -> Markup {
    html! {
        @if let Some(panel) = &report.panel { (referee(report, panel)) (balance(report)) }
        (who(report))
        (training(report))
    }
}

/// What holds for listeners like these, where the panel asks for that: numbers, whatever the verdict says.
pub(super) fn population(comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(found) = &comparison.population {
            p {
                "For listeners like these: heard in " (percent(found.mean)) " of trials (" (stated(found.level))
                " interval: " (percent(found.lower)) " to " (percent(found.upper))
                "). The interval above is for the listeners who sat." (without_looks(comparison))
            }
        }
    }
}

/// That a figure does not allow for the looks before the end, where a panel was looked at.
pub(super) fn without_looks(comparison: &ComparisonResult) -> &'static str {
    if comparison.looks.is_empty() {
        ""
    } else {
        " This does not allow for the looks: after an early end it leans high."
    }
}

/// What a referee asks first, and where it is answered.
fn referee(report: &Report, panel: &PanelStanding) -> Markup {
    let agreed = &panel.agreed;
    let asked = report.sittings.iter().any(|sitting| !sitting.facts.is_empty());
    let ended = report.comparisons.iter().any(|own| own.looks.iter().any(|look| look.ended));
    let link = |to: &str, words: &str| html! { a href=(format!("#{to}")) { (words) } };
    html! {
        h4 id="referee" { "What a referee asks first" }
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
fn who(report: &Report) -> Markup {
    let asked: Vec<Fact> = Fact::ALL
        .into_iter()
        .filter(|fact| {
            report.sittings.iter().any(|sitting| sitting.facts.iter().any(|told| told.fact == *fact))
        })
        .collect();
    let mut columns = vec![numbers("no."), words("listener"), words("counts")];
    columns.extend(asked.iter().map(|fact| words(fact.title())));
    let row = |(number, sitting): (usize, &SittingFacts)| {
        let mut cells = vec![
            html! { (number + 1) },
            html! { (sitting.name) },
            html! { @if sitting.counted { "yes" } @else { "no" } },
        ];
        cells.extend(asked.iter().map(|fact| {
            let told = sitting.facts.iter().find(|told| told.fact == *fact);
            html! { (told.map_or("not said", |told| told.answer.as_str())) }
        }));
        Row::from(cells)
    };
    html! {
        @if !asked.is_empty() {
            h4 id="who" { "Who sat, and where" }
            (table(
                "Who sat",
                &html! { "What each sitting was told before its first trial, and sealed. Nobody checked it." },
                &columns,
                report.sittings.iter().enumerate().filter(|(_, sitting)| !sitting.facts.is_empty()).map(row),
            ))
        }
    }
}

/// Training, which counts nowhere.
fn training(report: &Report) -> Markup {
    html! {
        @if !report.training.is_empty() {
            h4 id="training" { "Training before the sittings" }
            (table(
                "Training",
                &html! { "Training with the answers told, in the session's own protocol: listed, and never counted." },
                &[words("listener"), words("ended (UTC)"), words("pair"), numbers("right"), words("criterion")],
                report.training.iter().map(|own| vec![
                    html! { (own.listener) },
                    html! { (own.utc) },
                    html! { (own.pair) @if own.silent { ", nothing played" } },
                    html! { (own.right) " of " (own.answers) },
                    html! { (own.criterion) " in a row: " @if own.reached > 0 { "reached" } @else { "not reached" } },
                ]),
            ))
        }
    }
}

/// How often each comparison stood in each place, and each cable was A, in the sittings that count: counted here, whatever
/// their openings say.
fn balance(report: &Report) -> Markup {
    let Some(balance) = Balance::of(report.panel.as_ref(), &report.sittings, &report.comparisons) else {
        return html! {};
    };
    let mut columns = vec![words("comparison")];
    columns.extend((0..balance.places).map(|place| numbers(&format!("place {}", place + 1))));
    if balance.a_is_drawn {
        columns.push(words("was A"));
    }
    html! {
        h4 id="balance" { "Which came first, and which cable was A" }
        (table(
            "Balance",
            &html! { "Counted from the opened seals of the " (count(balance.sittings, "sitting")) " that count." },
            &columns,
            balance.comparisons.iter().map(|row| {
                let mut cells = vec![html! { (row.name) }];
                cells.extend(row.places.iter().map(|times| html! { (times) }));
                if balance.a_is_drawn {
                    cells.push(html! {
                        (row.a) " in " (row.as_written) ", " (row.b) " in " (balance.sittings - row.as_written)
                    });
                }
                cells
            }),
        ))
        @if let Some(sentence) = balance.sentence() { p.small { (sentence) } }
    }
}

/// The looks that have come.
fn looks(report: &Report) -> Markup {
    let rows = report.comparisons.iter().flat_map(|comparison| {
        comparison.looks.iter().map(|look| {
            vec![
                html! { (comparison.name) },
                html! { (look.listeners) },
                html! { (look.correct) " of " (look.trials) },
                html! { @if let Some(critical) = look.critical { (critical) } @else { "no score" } },
                html! { (percent(look.spent)) },
                html! { (probability(look.p_value)) },
                html! { @if look.ended { "yes" } @else { "no" } },
            ]
        })
    });
    table(
        "Looks",
        &html! { "Looks at the panel, each as agreed, whether or not anybody looked." },
        &[
            words("comparison"),
            numbers("listeners"),
            numbers(report.session.inquiry.counted_short()),
            numbers("score needed"),
            numbers("risk spent by then"),
            numbers("p"),
            words("ends it"),
        ],
        rows,
    )
}

fn standing(panel: &PanelStanding) -> Markup {
    let agreed = &panel.agreed;
    html! {
        h3 id="panel" { "The panel" }
        p {
            strong { "Agreed before the first sitting" } ", and sealed in each one: " (count(agreed.listeners as usize, "listener"))
            ", " (count(agreed.sittings_each as usize, "complete sitting")) " each, in the order of the register. The result is looked at "
            (looks_words(agreed)) ". Left out: " (leave_out_words(agreed.leave_out)) ". The result holds "
            (for_whom_words(agreed.for_whom)) "."
            @if let Some(words) = balance_words(agreed) { " Balanced: " (words) "." }
            @if let Some(share) = agreed.no_difference_above {
                " No difference worth mentioning: one heard in at most " (stated(share)) " of trials, wrongly claimed at a risk of "
                (stated(agreed.no_difference_risk)) "."
            }
        }
        p {
            strong { "What became of it" } ": " (panel.sat) " of " (count(agreed.listeners as usize, "listener")) " have sat"
            (lost_words(panel)) ". " (became(panel)) " Two spellings of one name are one listener here. Whether two \
             names are one person, no file can show: the host vouches for that."
        }
    }
}

/// What became of those who are not in the result.
fn became(panel: &PanelStanding) -> String {
    let some =
        |number: usize, one: &str, what: &str| (number > 0).then(|| format!("{} {what}", count(number, one)));
    let parts: Vec<String> = [
        some(panel.left_out.len(), "listener", "left out by the rule"),
        some(panel.broken_off as usize, "sitting", "begun before the panel was full and never completed"),
        some(panel.beyond, "complete sitting", "after it was full: listed, not counted"),
        some(panel.beyond_seats, "seat", "of a night after it was full: listed, not counted"),
    ]
    .into_iter()
    .flatten()
    .collect();
    match parts.as_slice() {
        [] => "Nobody was left out, broke off or came too late.".to_owned(),
        _ => format!("Not in the result: {}.", parts.join("; ")),
    }
}
