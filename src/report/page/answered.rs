//! What was answered: figures and tables per comparison and listener.

use maud::{Markup, html};

use super::design::design;
use super::sources::traced;
use super::{count, figure, percent, share, wide};
use crate::report::drawn;
use crate::report::model::{Report, SessionFacts};
use crate::stats::description::Roc;
use crate::stats::protocol::{Alternative, Definition};
use crate::stats::threshold::summary::Place;
use crate::trial::Decision;
use crate::units::printed;
use crate::units::printed::{probability, significant};
use crate::verdict::threshold::{ListenerThreshold, ThresholdFindings};
use crate::verdict::{ComparisonResult, ListenerResult, decision_words};

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="answered" aria-labelledby="answered-title" {
            h2 id="answered-title" { "What was answered" }
            p { "The question in each trial: " em { (report.session.question) } }
            @for comparison in &report.comparisons { (answers(report, comparison)) }
            (controls(report))
            (places(report))
            (tables(report))
        }
    }
}

/// How the scores grew, and what the design could find.
pub(super) fn appendix(report: &Report) -> Markup {
    html! {
        div.figures.on-paper { @for picture in drawn::growing(report) { (figure(&picture)) } }
        (design(report))
    }
}

fn answers(report: &Report, comparison: &ComparisonResult) -> Markup {
    let protocol = report.session.protocol;
    html! {
        h3 { (comparison.name) }
        @if comparison.results.is_empty() {
            p { "No complete, valid sitting holds answers to this comparison." }
        } @else if let Some(found) = &comparison.threshold {
            @for picture in drawn::of_answers(report, comparison) { (figure(&picture)) }
            (thresholds(found))
        } @else {
            div.figures.on-paper { @for picture in drawn::of_answers(report, comparison) { (figure(&picture)) } }
            (listeners(report, comparison))
            (panel(!protocol.asks().has_right_answer(), report.session.sequential.is_some(), comparison))
            (clips(report, comparison))
        }
    }
}

/// A night's ladder: the room's votes at each size.
fn rungs(found: &ThresholdFindings) -> Markup {
    let Some(first) = found.listeners.first() else { return html! {} };
    html! {
        (wide("The room at each size", html! {
            table {
                caption { "All votes on a draw are judged together, by the exact distribution over the draws." }
                thead { tr {
                    th scope="col" { "size" }
                    th.n scope="col" { "trials" }
                    th.n scope="col" { "right" }
                    th.n scope="col" { "by chance" }
                    th.n scope="col" { "p" }
                    th scope="col" { "the room heard it" }
                } }
                tbody { @for rung in &found.room { tr {
                    th scope="row" { (first.result.scale.words(rung.size)) }
                    td.n { (rung.trials) }
                    td.n { (rung.correct) "/" (rung.votes) }
                    td.n { (format!("{:.1}", rung.expected)) }
                    td.n { (probability(rung.p_value)) }
                    td { @if rung.heard { "yes" } @else { "not shown" } }
                } } }
            }
        }))
    }
}

fn thresholds(found: &ThresholdFindings) -> Markup {
    html! {
        @if !found.room.is_empty() { (rungs(found)) }
        (wide("Thresholds", html! {
            table {
                caption { "Each listener alone. The threshold's bounds hold with 95 % confidence, all others with 95 % probability." }
                thead { tr {
                    th scope="col" { "listener" }
                    th.n scope="col" { "right" }
                    th.n scope="col" { "threshold" }
                    th.n scope="col" { "at most, dB" }
                    th.n scope="col" { "slope" }
                    th.n scope="col" { "size 1 is heard in" }
                    th.n scope="col" { "d-prime there" }
                    th.n scope="col" { "deviance, p" }
                } }
                tbody { @for own in &found.listeners { (threshold_row(own)) } }
            }
        }))
        p.small {
            "Posterior on a grid: threshold, slope and lapses are all left open (Kontsevich & Tyler 1999; Prins 2013); deviance after "
            "Wichmann & Hill 2001, its p by simulation."
        }
    }
}

fn threshold_row(own: &ListenerThreshold) -> Markup {
    let result = &own.result;
    let words = |size: f64| result.scale.words(size);
    let (threshold, slope, at_one) = (result.summary.confidence, result.summary.slope, result.summary.at_one);
    html! {
        tr {
            th scope="row" { (own.name) }
            td.n { (own.trace.iter().filter(|(_, right)| *right).count()) "/" (own.trace.len()) }
            td.n {
                @match result.summary.place {
                    Place::Within => { (words(threshold.estimate)) br; span.small { (words(threshold.lower)) " to " (words(threshold.upper)) } }
                    Place::AboveLargest { bound } => { "above " (words(bound)) }
                    Place::BelowSmallest { bound } => { "below " (words(bound)) }
                }
            }
            td.n {
                @if let Some(paper) = &result.on_paper {
                    (format!("{:.2}", paper.largest_db.estimate)) br;
                    span.small { (format!("{:.2} to {:.2}", paper.largest_db.lower, paper.largest_db.upper)) }
                } @else { "-" }
            }
            td.n { (significant(slope.estimate)) br; span.small { (significant(slope.lower)) " to " (significant(slope.upper)) } }
            td.n { (percent(at_one.estimate)) br; span.small { (percent(at_one.lower)) " to " (percent(at_one.upper)) } }
            td.n {
                @if let Some(of) = &result.d_prime {
                    (format!("{:.2}", of.estimate)) br; span.small { (format!("{:.2} to {:.2}", of.lower, of.upper)) }
                } @else { "-" }
            }
            td.n {
                @if let Some(fit) = &result.fit { (format!("{:.1}", fit.deviance)) ", " (probability(fit.p_value.value)) } @else { "-" }
            }
        }
    }
}

fn listeners(report: &Report, comparison: &ComparisonResult) -> Markup {
    let sequential = report.session.sequential.is_some();
    let inquiry = report.session.inquiry;
    let d_prime = inquiry.protocol.asks().has_right_answer();
    // On a night the host switches for all: nobody's own times and switches.
    let timed = comparison.results.iter().any(|result| result.median_trial_s.is_some());
    let family = panel_family(comparison);
    let row = |result: &ListenerResult| {
        let Some(analysis) = &result.analysis else { return Markup::default() };
        html! {
            tr {
                th scope="row" {
                    (result.name)
                    br; span.small { (sittings_of(report, result.listener)) }
                    @if let Some(place) = report.listeners.get(result.listener).and_then(|l| l.place.as_ref()) {
                        br; span.small { (place) }
                    }
                }
                td.n { (result.correct) "/" (result.trials) }
                @if !sequential {
                    td.n { (probability(analysis.p_value)) }
                    td.n { (result.adjusted_p_value.map_or_else(|| "-".to_owned(), probability)) }
                }
                @if sequential { td { (result.sequential.map_or("-", decision_words)) } }
                td.n { (percent(analysis.interval.lower)) " to " (percent(analysis.interval.upper)) }
                td.n {
                    @if analysis.below_guessing { (share(analysis)) } @else {
                        (percent(analysis.discriminators.estimate)) br;
                        span.small { (percent(analysis.discriminators.lower)) " to " (percent(analysis.discriminators.upper)) }
                    }
                }
                @if d_prime {
                    td.n {
                        @if analysis.below_guessing { "-" } @else {
                            (format!("{:.2}", analysis.d_prime.value)) br;
                            span.small { (format!("{:.2} to {:.2}", analysis.d_prime.lower, analysis.d_prime.upper)) }
                        }
                    }
                }
                td.n { (controls_of(report, result.listener)) }
                @if timed {
                    td.n { (optional(result.median_trial_s, 1)) }
                    td.n { (optional(result.switches_per_trial, 1)) }
                }
            }
        }
    };
    html! {
        (wide(&format!("{}: listeners", comparison.name), html! {
            table {
                caption { (comparison.name) ": each listener alone. Intervals are two-sided at 95 %"
                    @if sequential { ", the rule for stopping included; the rule decides" } "." }
                thead { tr {
                    th scope="col" { "listener" }
                    th.n scope="col" { (traced(inquiry.counted_short(), "score")) }
                    @if !sequential {
                        th.n scope="col" { (traced("p", "p")) }
                        th.n scope="col" { (traced(&format!("p adjusted over {}", count(family, "test")), "adjusted")) }
                    }
                    @if sequential { th scope="col" { (traced("sequential rule", "sequential")) } }
                    th.n scope="col" { (traced("proportion, interval", "interval")) }
                    th.n scope="col" { (traced(inquiry.share_short(), "discriminators")) }
                    @if d_prime { th.n scope="col" { (traced("d‑prime", "d-prime")) } }
                    th.n scope="col" { (traced("audible controls", "missed")) }
                    @if timed {
                        th.n scope="col" { (traced("median s per trial", "times")) }
                        th.n scope="col" { (traced("switches per trial", "times")) }
                    }
                } }
                tbody { @for result in &comparison.results { (row(result)) } }
            }
        }))
        (habits(&report.session, comparison))
    }
}

/// "sitting 1", "sittings 1, 4": where the answers are in the register.
fn sittings_of(report: &Report, listener: usize) -> String {
    let numbers: Vec<String> = report.listeners.get(listener).map_or_else(Vec::new, |listener| {
        listener
            .sittings
            .iter()
            .filter(|sitting| report.sittings.get(**sitting).is_some_and(|sitting| sitting.counted))
            .map(|sitting| (sitting + 1).to_string())
            .collect()
    });
    format!("{} {}", if numbers.len() == 1 { "sitting" } else { "sittings" }, numbers.join(", "))
}

fn controls_of(report: &Report, listener: usize) -> String {
    match report.listeners.get(listener).map(|listener| listener.positive_controls) {
        Some((correct, trials)) if trials > 0 => format!("{correct}/{trials}"),
        _ => "-".to_owned(),
    }
}

fn optional(value: Option<f64>, places: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.places$}"))
}

fn parts((part, whole): (u64, u64)) -> String {
    if whole == 0 { "-".to_owned() } else { format!("{part}/{whole}") }
}

/// "X is A" 13 (right in 12), "X is B" 11 (right in 12), bias c -0.04: all listeners together.
fn leans(session: &SessionFacts, comparison: &ComparisonResult) -> Option<String> {
    let lean = comparison.lean.as_ref()?;
    let definition = Definition::of(session.protocol);
    let label = |alternative: &Alternative| alternative.label(session.attribute.as_deref()).into_owned();
    let mut words: Vec<String> = definition
        .alternatives
        .iter()
        .zip(&lean.given)
        .enumerate()
        .map(|(index, (alternative, given))| {
            match lean.right.get(index).filter(|_| session.inquiry.has_right_answer()) {
                Some(right) => format!("\u{201c}{}\u{201d} {given} (right in {right})", label(alternative)),
                None => format!("\u{201c}{}\u{201d} {given}", label(alternative)),
            }
        })
        .collect();
    words.extend(comparison.bias.map(|bias| bias.words(definition.model)));
    words.extend(comparison.roc.as_ref().map(Roc::words));
    Some(words.join(", "))
}

fn habits(session: &SessionFacts, comparison: &ComparisonResult) -> Markup {
    let habits = || comparison.results.iter().map(|result| &result.habits);
    let add = |sum: (u64, u64), more: (u64, u64)| (sum.0 + more.0, sum.1 + more.1);
    let courses = || habits().filter_map(|habits| habits.course.as_ref());
    let first = courses().map(|course| (course.first_correct, course.first_trials)).fold((0, 0), add);
    let second = courses().map(|course| (course.second_correct, course.second_trials)).fold((0, 0), add);
    let side_a = habits().map(|habits| habits.for_side_a).fold((0, 0), add);
    let leans = leans(session, comparison);
    let sure: Vec<f64> =
        habits().filter_map(|habits| habits.confidence.as_ref()).map(|sure| sure.area).collect();
    html! {
        p.small {
            (traced("Described", "described")) ", not judged: "
            @if first.1 > 0 { "first half " (parts(first)) ", second half " (parts(second)) }
            @else { "no answer is right or wrong" }
            @if let Some(z) = comparison.trend_z { " (trend over the trials, z " (format!("{z:+.2}")) ")" }
            @if side_a.1 > 0 { "; answers that point to side A " (parts(side_a)) }
            @if let Some(words) = leans { "; answers by alternative: " (words) }
            @if !sure.is_empty() {
                "; a right answer was given with more confidence than a wrong one in "
                (percent(sure.iter().sum::<f64>() / sure.len() as f64)) " of pairs (half would say nothing)"
            }
            "."
        }
    }
}

/// " ± 0.05", where it is known.
fn error(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| format!(" \u{b1} {value:.3}"))
}

/// Tests that the listeners' p-values were adjusted for.
fn panel_family(comparison: &ComparisonResult) -> usize {
    comparison.results.first().map_or(0, |own| own.family as usize)
}

fn panel(preference: bool, sequential: bool, comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(panel) = &comparison.panel {
            h4 { "The listeners together" }
            dl.facts {
                @if sequential { dt { (traced("found by the rule", "sequential")) } dd {
                    (comparison.results.iter().filter(|own| own.sequential == Some(Decision::Difference)).count())
                    " of " (comparison.results.len())
                } } @else { dt { "passed" } dd {
                    (panel.passers) " of " (comparison.results.len()) " judged alone, " (panel.passers_holm)
                    " judged as one of " (count(panel_family(comparison), "test")) " (Holm)"
                } }
                @if let Some(analysis) = &panel.independent {
                    dt { (traced("by chance", "luck")) } dd {
                        (format!("{:.2}", analysis.passers.expected)) " of as many guessers would pass alone on average, at least one with "
                        "probability " (probability(analysis.passers.at_least_one))
                    }
                    dt { (traced("best listener", "best")) } dd {
                        (panel.best) ", " (printed::p_value(analysis.best.p_value_alone)) "; that the best of "
                        (count(comparison.results.len(), "guesser")) " does as well: " (probability(analysis.best.p_value))
                    }
                    @if let Some(fisher) = &analysis.fisher {
                        dt { (traced("combined, Fisher", "combined")) } dd {
                            "chi-squared " (format!("{:.2}", fisher.statistic)) " with " (2 * comparison.results.len())
                            " degrees, " (printed::p_value(fisher.p_value))
                        }
                    }
                    dt { (traced("combined, Stouffer", "combined")) } dd {
                        "z = " (format!("{:.2}", analysis.stouffer.statistic)) ", " (printed::p_value(analysis.stouffer.p_value))
                    }
                    @if let Some(test) = &analysis.heterogeneity {
                        dt { (traced("are all alike?", "alike")) } dd {
                            "chi-squared " (format!("{:.2}", test.chi_squared)) " with " (count(test.degrees as usize, "degree")) ", "
                            (printed::p_value(test.p_value))
                        }
                    }
                    @if let Some(fit) = &analysis.beta_binomial {
                        dt { (traced("spread between listeners", "spread")) } dd {
                            "beta-binomial" @if !preference { " with chance correction" } ": mean share " (format!("{:.3}", fit.mu)) (error(fit.mu_standard_error)) ", gamma "
                            (format!("{:.3}", fit.gamma)) (error(fit.gamma_standard_error)) ", " (printed::p_value(fit.p_value))
                        }
                    }
                    @if let Some(mixture) = &comparison.mixture {
                        dt { "hear it, others guess" } dd {
                            (percent(mixture.share)) " of listeners (95 % interval " (percent(mixture.lower)) " to " (percent(mixture.upper))
                            "), in " (percent(mixture.heard)) " of trials: a mixture of two binomial distributions (Everitt & Hand 1981)"
                        }
                    }
                } @else if !sequential {
                    dt { "best listener" } dd { (panel.best) }
                }
            }
        }
    }
}

/// Clip by clip.
fn clips(report: &Report, comparison: &ComparisonResult) -> Markup {
    html! {
        @if let Some(clips) = &comparison.clips {
            h4 { "Clip by clip" }
            @if let Some(words) = clips.words() { p { (words) } }
            (wide("Clips", html! {
                table {
                    caption { "A description: nobody agreed to judge the clips one by one." }
                    thead { tr {
                        th scope="col" { "clip" }
                        th.n scope="col" { (report.session.inquiry.counted_short()) }
                        th.n scope="col" { "p alone" }
                        th.n scope="col" { "p as one of them (Holm)" }
                    } }
                    tbody {
                        @for clip in &clips.each {
                            tr {
                                th scope="row" { (clip.clip) }
                                td.n { (clip.correct) " of " (clip.trials) }
                                td.n { (probability(clip.p_value)) }
                                td.n { (probability(clip.adjusted_p_value)) }
                            }
                        }
                    }
                }
            }))
            @if let Some(test) = &clips.alike {
                p.small {
                    "Are all clips alike? Chi-squared " (format!("{:.2}", test.chi_squared)) " with "
                    (count(test.degrees as usize, "degree")) ", " (printed::p_value(test.p_value)) " (Pearson 1900)."
                }
            }
        }
    }
}

/// Listeners and clips crossed.
fn crossed(report: &Report) -> Markup {
    html! {
        @if let Some(crossed) = &report.crossed {
            h3 { "Listeners and clips crossed" }
            p { (crossed.words()) }
            p.small {
                "A logistic mixed model with the guessing rate in its link, listener and clip as random and comparison as fixed, by "
                "Laplace's approximation (Bates et al. 2015; link as Knoblauch & Maloney 2012). Log odds: "
                @for (place, (name, value)) in crossed.comparisons.iter().zip(&crossed.model.log_odds).enumerate() {
                    @if place > 0 { ", " }
                    (name) " " (format!("{value:.2}"))
                    @if let Some(error) = crossed.model.standard_errors[place] { " \u{b1} " (format!("{error:.2}")) }
                }
                "."
            }
        }
    }
}

fn controls(report: &Report) -> Markup {
    html! {
        (crossed(report))
        h3 { "Controls" }
        @if report.controls.is_empty() {
            p { "The session has none." }
        } @else {
            (wide("Controls", html! {
                table {
                    caption { "Shuffled among the counted trials and reported separately, all counted sittings together." }
                    thead { tr {
                        th scope="col" { "control" }
                        th scope="col" { "size" }
                        th scope="col" { "right answers should be" }
                        th.n scope="col" { "right" }
                    } }
                    tbody {
                        @for control in &report.controls {
                            tr {
                                th scope="row" { (control.kind) }
                                td { (control.amount) }
                                td { @if control.positive { "nearly all" } @else { "as many as by guessing" } }
                                td.n { (control.correct) "/" (control.trials) }
                            }
                        }
                    }
                }
            }))
        }
    }
}

/// The teams of a night.
fn tables(report: &Report) -> Markup {
    let nights = report.sittings.iter().filter(|sitting| sitting.night && sitting.counted).count();
    html! {
        @if let Some(scores) = &report.tables {
            h3 { "Tables" }
            (wide("Tables", html! {
                table {
                    caption { "Each table judged alone, by the draws that its listeners shared; the rarest score first." }
                    thead { tr {
                        th scope="col" { "table" }
                        th.n scope="col" { "listeners" }
                        th.n scope="col" { "right" }
                        th.n scope="col" { "chance does as well" }
                    } }
                    tbody {
                        @for row in &scores.rows {
                            tr {
                                th scope="row" { (row.table) @if nights > 1 { ", sitting " (row.sitting + 1) } }
                                td.n { (row.listeners) }
                                td.n { (row.right) " of " (row.votes) }
                                td.n { (row.chance.times) " of " (row.chance.of) }
                            }
                        }
                    }
                }
            }))
            p.small { "With " (scores.rows.len()) " tables, chance lets one do as well as the first in at most "
                (scores.best.times) " of " (scores.best.of) " such nights." }
        }
    }
}

fn places(report: &Report) -> Markup {
    html! {
        @if !report.places.is_empty() {
            h3 { "Places" }
            (wide("Places", html! {
                table {
                    caption { "Verified journals of several places, joined." }
                    thead { tr {
                        th scope="col" { "place" }
                        th.n scope="col" { "sittings that count" }
                        @for comparison in &report.comparisons { th.n scope="col" { (comparison.name) ", right" } }
                    } }
                    tbody {
                        @for place in &report.places {
                            tr {
                                th scope="row" { (place.name) }
                                td.n { (place.counted) " of " (place.sittings) }
                                @for score in &place.scores { td.n { (parts(*score)) } }
                            }
                        }
                    }
                }
            }))
            @for comparison in &report.comparisons {
                @if let Some(test) = &comparison.between_places {
                    p {
                        (comparison.name) ": " (traced("that all places have one proportion right", "alike")) ": chi-squared "
                        (format!("{:.2}", test.chi_squared)) " with " (count(test.degrees as usize, "degree")) ", "
                        (printed::p_value(test.p_value)) "."
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
