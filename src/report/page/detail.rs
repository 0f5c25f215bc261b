//! The appendix on answers: every listener in full, the listeners together, clip by clip, how scores grew, and what the
//! design could find.

use maud::{Markup, html};

use super::answered::controls_of;
use super::design::design;
use super::sources::traced;
use super::table::{Column, Row, explained, numbers, table, words};
use super::{count, percent, share, small_drawing};
use crate::report::drawn;
use crate::report::model::{Report, SessionFacts};
use crate::stats::tally::Tally;
use crate::trial::Decision;
use crate::units::printed;
use crate::units::printed::probability;
use crate::verdict::{ComparisonResult, ListenerResult, decision_words};

pub(super) fn appendix(report: &Report) -> Markup {
    html! {
        @if !report.comparisons.is_empty() && report.comparisons.iter().all(|own| own.threshold.is_some()) {
            p { "All that is known of each threshold stands in \u{201c}Everybody's answers\u{201d}." }
        }
        @for comparison in report.comparisons.iter().filter(|own| own.threshold.is_none() && !own.results.is_empty()) {
            h4 { (comparison.name) }
            (listeners(report, comparison))
            (habits(&report.session, comparison))
            (together(report, comparison))
            (clips(report, comparison))
        }
        (crossed(report))
        div.figures.small-multiples {
            @for picture in drawn::in_detail(report) { (small_drawing(&picture)) }
        }
        (design(report))
        (super::panel::appendix(report))
    }
}

fn listeners(report: &Report, comparison: &ComparisonResult) -> Markup {
    let sequential = report.session.sequential.is_some();
    let inquiry = report.session.inquiry;
    let d_prime = inquiry.protocol.asks().has_right_answer();
    // On a night the host switches for all: nobody's own times and switches.
    let timed = comparison.results.iter().any(|result| result.median_trial_s.is_some());
    let family = panel_family(comparison);
    let mut columns: Vec<Column> = vec![words("listener"), explained(inquiry.counted_short(), "score")];
    if sequential {
        columns.push(explained("sequential rule", "sequential"));
    } else {
        columns.push(explained("p", "p"));
        columns.push(explained(&format!("p adjusted over {}", count(family, "test")), "adjusted"));
    }
    columns.push(explained("proportion, interval", "interval"));
    columns.push(explained(inquiry.share_short(), "discriminators"));
    if d_prime {
        columns.push(explained("d‑prime", "d-prime"));
    }
    columns.push(explained("controls to be heard", "missed"));
    if timed {
        columns.push(explained("median s per trial", "times"));
        columns.push(explained("switches per trial", "times"));
    }
    let range = |from: String, to: String| html! { " " span.small { "(" (from) " to " (to) ")" } };
    let row = |result: &ListenerResult| {
        let Some(analysis) = &result.analysis else { return Row::default() };
        let mut cells = vec![
            html! {
                (result.name) " " span.small {
                    "(" (sittings_of(report, result.listener))
                    @if let Some(place) = report.listeners.get(result.listener).and_then(|l| l.place.as_ref()) { ", " (place) }
                    ")"
                }
            },
            html! { (result.correct) "/" (result.trials) },
        ];
        if sequential {
            cells.push(html! { (result.sequential.map_or("-", decision_words)) });
        } else {
            cells.push(html! { (probability(analysis.p_value)) });
            cells.push(html! { (result.adjusted_p_value.map_or_else(|| "-".to_owned(), probability)) });
        }
        cells.push(html! { (percent(analysis.interval.lower)) " to " (percent(analysis.interval.upper)) });
        cells.push(html! {
            @if analysis.below_guessing { (share(analysis)) } @else {
                (percent(analysis.discriminators.estimate))
                (range(percent(analysis.discriminators.lower), percent(analysis.discriminators.upper)))
            }
        });
        if d_prime {
            let found = analysis.d_prime;
            cells.push(html! {
                @if analysis.below_guessing { "-" } @else {
                    (format!("{:.2}", found.value)) (range(format!("{:.2}", found.lower), format!("{:.2}", found.upper)))
                }
            });
        }
        cells.push(html! { (controls_of(report, result.listener)) });
        if timed {
            cells.push(html! { (optional(result.median_trial_s, 1)) });
            cells.push(html! { (optional(result.switches_per_trial, 1)) });
        }
        Row::from(cells)
    };
    table(
        &format!("{}: listeners", comparison.name),
        &html! {
            (comparison.name) ": each listener alone. Intervals are two-sided at 95 %"
            @if sequential { ", the rule for stopping included; the rule decides" } "."
        },
        &columns,
        comparison.results.iter().map(row),
    )
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

fn optional(value: Option<f64>, places: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.places$}"))
}

fn habits(session: &SessionFacts, comparison: &ComparisonResult) -> Markup {
    let habits = || comparison.results.iter().map(|result| &result.habits);
    let courses = || habits().filter_map(|habits| habits.course.as_ref());
    let first: Tally = courses().map(|course| Tally::new(course.first_correct, course.first_trials)).sum();
    let second: Tally = courses().map(|course| Tally::new(course.second_correct, course.second_trials)).sum();
    let side_a: Tally = habits().map(|habits| Tally::from(habits.for_side_a)).sum();
    let leans = comparison.leans(session.inquiry, session.attribute.as_deref());
    let sure: Vec<f64> =
        habits().filter_map(|habits| habits.confidence.as_ref()).map(|sure| sure.area).collect();
    html! {
        p.small {
            (traced("Described", "described")) ", not judged: "
            @if first.trials > 0 { "first half " (first) ", second half " (second) }
            @else { "no answer is right or wrong" }
            @if let Some(z) = comparison.trend_z { " (trend over the trials, z " (printed::signed(z, 2, "")) ")" }
            @if side_a.trials > 0 { "; answers that point to side A " (side_a) }
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

fn together(report: &Report, comparison: &ComparisonResult) -> Markup {
    let preference = !report.session.protocol.asks().has_right_answer();
    let sequential = report.session.sequential.is_some();
    html! {
        @if let Some(panel) = &comparison.panel {
            h4 { (comparison.name) ": the listeners together" }
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
                        "If all " (comparison.results.len()) " had guessed, at least one would pass with probability "
                        (probability(analysis.passers.at_least_one)) ", and on average " (format!("{:.2}", analysis.passers.expected)) " of them"
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
                            "chi-squared " (format!("{:.2}", test.chi_squared)) " with " (count(test.degrees as usize, "degree")) ", " (printed::p_value(test.p_value))
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
                            "), in " (percent(mixture.heard)) " of trials: a mixture of two binomial distributions (Everitt & Hand 1981)."
                            (super::panel::without_looks(comparison))
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
            h4 { (comparison.name) ": clip by clip" }
            @if let Some(words) = clips.words() { p { (words) } }
            (table(
                "Clips",
                &html! { "A description: nobody agreed to judge the clips one by one." (super::panel::without_looks(comparison)) },
                &[
                    words("clip"),
                    numbers(report.session.inquiry.counted_short()),
                    numbers("p alone"),
                    numbers("p as one of them (Holm)"),
                ],
                clips.each.iter().map(|clip| vec![
                    html! { (clip.clip) },
                    html! { (clip.correct) " of " (clip.trials) },
                    html! { (probability(clip.p_value)) },
                    html! { (probability(clip.adjusted_p_value)) },
                ]),
            ))
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
