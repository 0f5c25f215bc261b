//! Every figure of a report, in the order of its page.

use super::model::Report;
use super::svg::Figure;
use super::{figures, front_figure, threshold_figures};
use crate::verdict::ComparisonResult;

/// The risk of one fixed test; nothing where a sequential rule ends the trials, and scores needed for a fixed number of them
/// mean nothing.
pub(super) fn fixed_risk(report: &Report) -> Option<f64> {
    report.session.sequential.is_none().then_some(report.session.alpha)
}

/// The figures of what was answered to one comparison: a room's votes, and the listeners where there are several.
pub(super) fn of_answers(report: &Report, comparison: &ComparisonResult) -> Vec<Figure> {
    if comparison.results.is_empty() {
        return Vec::new();
    }
    if comparison.threshold.is_some() {
        return threshold_figures::all(comparison);
    }
    let (protocol, fixed) = (report.session.protocol, fixed_risk(report));
    let room = comparison.distribution.as_ref();
    [
        room.and_then(|distribution| figures::room(comparison, distribution)),
        figures::forest(protocol, comparison, fixed).filter(|_| comparison.results.len() > 1),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The scores of several listeners against as many guessers, and how scores grew.
pub(super) fn in_detail(report: &Report) -> Vec<Figure> {
    let session = &report.session;
    let tested = report.comparisons.iter().filter(|comparison| comparison.threshold.is_none());
    let (sequential, trials) = (session.sequential.as_ref(), u64::from(session.trials));
    let scores = |own: &ComparisonResult| {
        let alpha = fixed_risk(report).filter(|_| own.results.len() > 1)?;
        figures::scores(session.protocol, own, alpha)
    };
    let running = |own| figures::running(session.protocol, own, sequential, trials, session.alpha);
    tested.flat_map(|own| [scores(own), running(own)]).flatten().collect()
}

/// Every figure of the report's page: each once, from page one to the appendix.
pub fn every(report: &Report) -> Vec<Figure> {
    let front = report
        .comparisons
        .iter()
        .filter_map(|own| front_figure::score(report.session.inquiry, own, fixed_risk(report)));
    let answered = report.comparisons.iter().flat_map(|own| of_answers(report, own));
    let compared = report.compared.figures.iter().chain(&report.compared.more_figures).cloned();
    front
        .chain(answered)
        .chain(compared)
        .chain(report.compared.clips.iter().filter_map(figures::spectrum))
        .chain(in_detail(report))
        .chain(report.session.figures.iter().cloned())
        .collect()
}

/// A file name for a figure, without what says its format: its place among all, and its title in letters that every system
/// takes.
pub fn file_name(place: usize, figure: &Figure) -> String {
    let title: String = figure
        .title
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { ' ' })
        .collect();
    let words: Vec<&str> = title.split_whitespace().collect();
    let short: String = words.join("-").chars().take(60).collect();
    format!("{:02}-{short}", place + 1)
}
