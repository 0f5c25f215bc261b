//! Everybody's answers: intervals, one table of all listeners, controls, interruptions, places.

use maud::{Markup, html};

use super::checking::numbers as sitting_numbers;
use super::sources::traced;
use super::table::{Column, Row, explained, numbers, table, words};
use super::{count, drawing, percent, share};
use crate::evidence::noted::Noted;
use crate::evidence::{EventFacts, NotCounted};
use crate::report::drawn;
use crate::report::model::Report;
use crate::stats::threshold::summary::Place;
use crate::trial::record::Part;
use crate::units::printed;
use crate::units::printed::{probability, significant};
use crate::verdict::threshold::{ListenerThreshold, ThresholdFindings};
use crate::verdict::{ComparisonResult, ListenerResult, decision_words};

/// Most listeners in the table of the report's first pages; the appendix has all of them.
const MOST_LISTENERS: usize = 60;
/// Most comparisons with three columns each in that table, and with two.
const COLUMNS_OF: [usize; 2] = [2, 4];

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="answered" aria-labelledby="answered-title" {
            h2 id="answered-title" { "Everybody's answers" }
            p { "The question in each trial: " em { (report.session.question) } }
            @for comparison in &report.comparisons {
                @if comparison.results.is_empty() {
                    p { (comparison.name) ": no complete, valid sitting holds answers to it." }
                }
            }
            div.figures.on-paper {
                @for comparison in &report.comparisons {
                    @for picture in drawn::of_answers(report, comparison) { (drawing(&picture)) }
                }
            }
            @for comparison in &report.comparisons {
                @if let Some(found) = &comparison.threshold { (thresholds(found)) }
            }
            (listeners(report))
            (controls(report))
            (interruptions(report))
            (places(report))
            (tables(report))
        }
    }
}

/// A night's ladder: the room's votes at each size.
fn rungs(found: &ThresholdFindings) -> Markup {
    let Some(first) = found.listeners.first() else { return html! {} };
    table(
        "The room at each size",
        &html! { "All votes on a draw are judged together, by the exact distribution over the draws." },
        &[
            words("size"),
            numbers("trials"),
            numbers("right"),
            numbers("by chance"),
            numbers("p"),
            words("the room heard it"),
        ],
        found.room.iter().map(|rung| {
            vec![
                html! { (first.result.scale.words(rung.size)) },
                html! { (rung.trials) },
                html! { (rung.correct) "/" (rung.votes) },
                html! { (format!("{:.1}", rung.expected)) },
                html! { (probability(rung.p_value)) },
                html! { @if rung.heard { "yes" } @else { "not shown" } },
            ]
        }),
    )
}

fn thresholds(found: &ThresholdFindings) -> Markup {
    html! {
        @if !found.room.is_empty() { (rungs(found)) }
        (table(
            "Thresholds",
            &html! { "Each listener alone. The threshold's bounds hold with 95 % confidence, all others with 95 % probability." },
            &[
                words("listener"),
                numbers("right"),
                numbers("threshold"),
                numbers("at most, dB"),
                numbers("slope"),
                numbers("size 1 is heard in"),
                numbers("d-prime there"),
                numbers("deviance, p"),
            ],
            found.listeners.iter().map(threshold_row),
        ))
        p.small {
            "Posterior on a grid: threshold, slope and lapses are all left open (Kontsevich & Tyler 1999; Prins 2013); deviance after "
            "Wichmann & Hill 2001, its p by simulation."
        }
    }
}

fn threshold_row(own: &ListenerThreshold) -> Vec<Markup> {
    let result = &own.result;
    let words = |size: f64| result.scale.words(size);
    let size = |size: f64| if result.scale.is_about_the_cables() { significant(size) } else { words(size) };
    let (threshold, slope, at_one) = (result.summary.confidence, result.summary.slope, result.summary.at_one);
    let range = |text: String| html! { br; span.small { (text) } };
    vec![
        html! { (own.name) },
        html! { (own.trace.iter().filter(|(_, right)| *right).count()) "/" (own.trace.len()) },
        html! {
            @match result.summary.place {
                Place::Within => {
                    (words(threshold.estimate))
                    (range(format!("{} to {}", size(threshold.lower), size(threshold.upper))))
                }
                Place::AboveLargest { bound } => { "above " (words(bound)) }
                Place::BelowSmallest { bound } => { "below " (words(bound)) }
            }
        },
        html! {
            @if let Some(paper) = &result.on_paper {
                (format!("{:.2}", paper.largest_db.estimate))
                (range(format!("{:.2} to {:.2}", paper.largest_db.lower, paper.largest_db.upper)))
            } @else { "-" }
        },
        html! {
            (significant(slope.estimate))
            (range(format!("{} to {}", significant(slope.lower), significant(slope.upper))))
        },
        html! {
            (percent(at_one.estimate))
            (range(format!("{} to {}", percent(at_one.lower), percent(at_one.upper))))
        },
        html! {
            @if let Some(of) = &result.d_prime {
                (format!("{:.2}", of.estimate)) (range(format!("{:.2} to {:.2}", of.lower, of.upper)))
            } @else { "-" }
        },
        html! {
            @if let Some(fit) = &result.fit { (format!("{:.1}", fit.deviance)) ", " (probability(fit.p_value.value)) } @else { "-" }
        },
    ]
}

/// One table of all listeners over all comparisons; nothing for a single score, which the verdict's table holds.
fn listeners(report: &Report) -> Markup {
    let asked: Vec<&ComparisonResult> =
        report.comparisons.iter().filter(|own| own.threshold.is_none() && !own.results.is_empty()).collect();
    let mut all: Vec<usize> =
        asked.iter().flat_map(|own| own.results.iter().map(|result| result.listener)).collect();
    all.sort_unstable();
    all.dedup();
    if all.len() < 2 {
        return html! {};
    }
    if all.len() > MOST_LISTENERS {
        return html! { p { "Appendix B has the table of all " (all.len()) " listeners." } };
    }
    let sequential = report.session.sequential.is_some();
    let inquiry = report.session.inquiry;
    let several = asked.len() > 1;
    let level = COLUMNS_OF.iter().filter(|most| asked.len() > **most).count();
    let mut columns: Vec<Column> = vec![words("listener")];
    for own in &asked {
        let of = |label: &str| if several { format!("{}: {label}", own.name) } else { label.to_owned() };
        columns.push(explained(&of(inquiry.counted_short()), "score"));
        if level < 2 {
            columns.push(if sequential {
                explained(&of("rule"), "sequential")
            } else {
                explained(&of("p, adjusted"), "adjusted")
            });
        }
        if level < 1 {
            columns.push(explained(&of(inquiry.share_short()), "discriminators"));
        }
    }
    columns.push(explained("controls to be heard", "missed"));
    let cells = |own: &ListenerResult| {
        let judged = match own.sequential {
            _ if !sequential => own.adjusted_p_value.map_or_else(|| "-".to_owned(), probability),
            Some(decision) => decision_words(decision).to_owned(),
            None => "-".to_owned(),
        };
        let heard = match &own.analysis {
            None => "-".to_owned(),
            Some(analysis) if analysis.below_guessing => share(analysis),
            Some(analysis) => percent(analysis.discriminators.estimate),
        };
        let mut cells = vec![html! { (own.correct) "/" (own.trials) }, html! { (judged) }, html! { (heard) }];
        cells.truncate(3 - level);
        cells
    };
    let row = |listener: &usize| {
        let name = report.listeners.get(*listener).map_or("", |facts| facts.name.as_str());
        let mut row = vec![html! { (name) }];
        for comparison in &asked {
            match comparison.results.iter().find(|own| own.listener == *listener) {
                Some(own) => row.extend(cells(own)),
                None => row.extend((0..3 - level).map(|_| html! { "-" })),
            }
        }
        row.push(html! { (controls_of(report, *listener)) });
        Row::from(row)
    };
    html! {
        (table("All listeners", &html! { "Each listener alone. Appendix B has intervals, d‑prime and times." }, &columns, all.iter().map(row)))
    }
}

pub(super) fn controls_of(report: &Report, listener: usize) -> String {
    report.listeners.get(listener).map(|listener| listener.positive_controls).unwrap_or_default().to_string()
}

fn controls(report: &Report) -> Markup {
    html! {
        h3 { "Controls" }
        @if report.controls.is_empty() {
            p { "The session has none." }
        } @else {
            (table(
                "Controls",
                &html! {
                    "Mixed in with the counted trials and reported separately: all sittings that count"
                    @if report.sittings.iter().any(|own| own.not_counted == Some(NotCounted::AfterLook)) {
                        ", and those after the look that ended the panel"
                    }
                    "."
                },
                &[words("control"), words("size"), words("right answers should be"), numbers("right")],
                report.controls.iter().map(|control| vec![
                    html! { (control.kind) },
                    html! { (control.amount) },
                    html! { @if control.positive { "nearly all" } @else { "as many as by chance" } },
                    html! {
                        @if control.trials > 0 { (control.correct) "/" (control.trials) } @else { "not presented" }
                    },
                ]),
            ))
        }
    }
}

/// Most kinds of interruption that are listed; the JSON document has every event.
const MOST_KINDS: usize = 10;

/// Events that say the same, all sittings together.
struct Alike<'r> {
    what: &'r Noted,
    void: bool,
    first: &'r EventFacts,
    times: usize,
    /// From 0.
    sittings: Vec<usize>,
}

fn alike(report: &Report) -> Vec<Alike<'_>> {
    let mut kinds: Vec<Alike<'_>> = Vec::new();
    for (sitting, facts) in report.sittings.iter().enumerate() {
        for event in &facts.events {
            match kinds.iter_mut().find(|kind| *kind.what == event.what && kind.void == event.void) {
                Some(kind) => {
                    kind.times += 1;
                    if kind.sittings.last() != Some(&sitting) {
                        kind.sittings.push(sitting);
                    }
                }
                None => kinds.push(Alike {
                    what: &event.what,
                    void: event.void,
                    first: event,
                    times: 1,
                    sittings: vec![sitting],
                }),
            }
        }
    }
    kinds.sort_by_key(|kind| (!kind.void, std::cmp::Reverse(kind.times)));
    kinds
}

fn interruptions(report: &Report) -> Markup {
    let all = alike(report);
    let place = |event: &EventFacts| match (event.part, event.trial) {
        (Some(Part::Qualification), Some(trial)) => format!("qualification trial {trial}"),
        (Some(Part::WarmUp), Some(trial)) => format!("warm-up trial {trial}"),
        (_, Some(trial)) => format!("trial {trial}"),
        _ => "between trials".to_owned(),
    };
    html! {
        h3 { "Interruptions" }
        @if all.is_empty() {
            p { "None: no attempt was void, and no sound device reported anything." }
        } @else {
            (table(
                "Interruptions",
                &html! { "What happened during the trials, the same events together. report.json has each one." },
                &[words("what"), numbers("times"), words("in sitting"), words("first at"), words("the attempt")],
                all.iter().take(MOST_KINDS).map(|kind| vec![
                    html! { (kind.what.words()) },
                    html! { (kind.times) },
                    html! { (sitting_numbers(&kind.sittings)) },
                    html! { (place(kind.first)) ", line " (kind.first.journal_line) " of the journal" },
                    html! { @if kind.void { "void, repeated with a fresh draw" } @else if kind.first.trial.is_some() { "stands" } },
                ]),
            ))
            @if all.len() > MOST_KINDS {
                p.small { (count(all.len() - MOST_KINDS, "more kind")) " of event: report.json has them." }
            }
        }
    }
}

fn places(report: &Report) -> Markup {
    let mut columns = vec![words("place"), numbers("sittings that count")];
    columns
        .extend(report.comparisons.iter().map(|comparison| numbers(&format!("{}, right", comparison.name))));
    html! {
        @if !report.places.is_empty() {
            h3 { "Places" }
            (table(
                "Places",
                &html! { "The journals of several places, each checked from its opened seal." },
                &columns,
                report.places.iter().map(|place| {
                    let mut cells = vec![html! { (place.name) }, html! { (place.counted) " of " (place.sittings) }];
                    cells.extend(place.scores.iter().map(|score| html! { (score) }));
                    cells
                }),
            ))
            @for comparison in &report.comparisons {
                @if let Some(test) = &comparison.between_places {
                    p {
                        (comparison.name) ": " (traced("do all places have one proportion right?", "alike")) " Chi-squared "
                        (format!("{:.2}", test.chi_squared)) " with " (count(test.degrees as usize, "degree")) ", " (printed::p_value(test.p_value)) "."
                    }
                } @else if comparison.room.is_some() {
                    p {
                        (comparison.name) ": whether all places have one proportion right is not tested, because listeners "
                        "shared draws."
                    }
                } @else if report.session.sequential.is_some() && !comparison.results.is_empty() {
                    p {
                        (comparison.name) ": whether all places have one proportion right is not tested, because the numbers "
                        "of trials depend on the answers."
                    }
                }
            }
        }
    }
}

/// The teams of a night.
fn tables(report: &Report) -> Markup {
    let nights = report.sittings.iter().filter(|sitting| sitting.night && sitting.counted).count();
    html! {
        @if let Some(scores) = &report.tables {
            h3 { "Tables" }
            (table(
                "Tables",
                &html! { "Each table judged alone, by the draws that its listeners shared; the rarest score first." },
                &[words("table"), numbers("listeners"), numbers("right"), numbers("chance does as well")],
                scores.rows.iter().map(|row| vec![
                    html! { (row.table) @if nights > 1 { ", sitting " (row.sitting + 1) } },
                    html! { (row.listeners) },
                    html! { (row.right) " of " (row.votes) },
                    html! { (row.chance.times) " of " (row.chance.of) },
                ]),
            ))
            p.small { "With " (scores.rows.len()) " tables, chance lets one do as well as the first in at most "
                (scores.best.times) " of " (scores.best.of) " such nights." }
        }
    }
}
