//! What the design could find, whatever was answered.

use maud::{Markup, html};

use super::sources::traced;
use super::table::{Column, numbers, table};
use super::{count, percent, small_drawing};
use crate::report::model::{Report, SequentialFacts};
use crate::units::printed::{probability, stated};

pub(super) fn design(report: &Report) -> Markup {
    let session = &report.session;
    // Where the size changes from trial to trial, nothing is tested, and no score is needed.
    if session.threshold.is_some() {
        return html! {};
    }
    html! {
        h4 { (traced("What this design could find", "power")) }
        @match &session.sequential {
            Some(rule) => (sequential_design(report, rule)),
            None => (fixed_design(report)),
        }
        div.figures.small-multiples { @for picture in &session.figures { (small_drawing(picture)) } }
    }
}

fn fixed_design(report: &Report) -> Markup {
    let session = &report.session;
    html! {
        p {
            "One listener, one comparison, " (count(session.trials as usize, "trial")) ": the risk that a guesser passes and the "
            "chance that a listener passes who really hears the difference in the stated share of trials and guesses in the rest."
        }
        (design_table(
            report,
            &html! { "Exact, from the binomial distribution, for a fixed number of trials." },
            &["score needed", "a guesser passes", "this listener passes"],
            session.design.iter().map(|facts| {
                let needed = facts.risks.critical.map_or("none would do".to_owned(), |critical| critical.to_string());
                let cells = vec![needed, probability(facts.risks.alpha), percent(facts.risks.power)];
                (facts.discriminators, facts.proportion, cells)
            }),
        ))
    }
}

fn sequential_design(report: &Report, rule: &SequentialFacts) -> Markup {
    html! {
        p {
            "With the sequential rule as agreed, exactly: a guesser is said to hear a difference with probability "
            (probability(rule.guesser.difference)) " and needs " (format!("{:.1}", rule.guesser.expected_trials))
            " trials on average; a listener with " (stated(rule.proportion)) " right is missed with probability "
            (probability(rule.listener.no_difference)) ", stays undecided with " (probability(rule.listener.undecided))
            ", and needs " (format!("{:.1}", rule.listener.expected_trials)) " trials."
        }
        (design_table(
            report,
            &html! {
                "Exact, by recursion over the path, with at most " (count(report.session.trials as usize, "trial"))
                ": what the rule says of a listener who hears the difference in the stated share of trials."
            },
            &["a difference", "no difference", "undecided", "trials on average"],
            rule.design.iter().map(|facts| {
                let exact = &facts.exact;
                let shares = [exact.difference, exact.no_difference, exact.undecided].map(percent);
                let cells = shares.into_iter().chain([format!("{:.1}", exact.expected_trials)]).collect();
                (facts.discriminators, exact.proportion, cells)
            }),
        ))
    }
}

/// A table of what a design finds: a row for each true ability, given as share of trials heard and as proportion right.
fn design_table(
    report: &Report,
    caption: &Markup,
    heads: &[&str],
    rows: impl Iterator<Item = (f64, f64, Vec<String>)>,
) -> Markup {
    let mut columns: Vec<Column> = vec![numbers(report.session.inquiry.share_short()), numbers("right")];
    columns.extend(heads.iter().map(|head| numbers(head)));
    let row = |(discriminators, proportion, cells): (f64, f64, Vec<String>)| {
        let mut row = vec![html! { (percent(discriminators)) }, html! { (percent(proportion)) }];
        row.extend(cells.iter().map(|cell| html! { (cell) }));
        row
    };
    table("What this design could find", caption, &columns, rows.map(row))
}
