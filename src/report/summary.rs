//! The report in at most ten lines for the terminal.

use std::fmt::Write as _;

use super::model::Report;
use super::page::design;
use crate::evidence::{Basis, NotCounted, State};
use crate::units::{foreign, printed};
use crate::verdict::caveat::Weight;

/// Most lines of the summary.
const LINES: usize = 10;

/// The summary, at most ten lines, one per entry; every name and number in it stands in the report too.
///
/// First what was asked and how many sittings count, then the verdicts, then what decides or weakens them; what is left
/// goes to what the verdicts exclude, controls, register and how to check. The last line is always how to check.
pub fn summary(report: &Report) -> Vec<String> {
    let mut lines = vec![one_line(&report.session.title), design(report)];
    let counted = report.sittings.iter().filter(|sitting| sitting.counted).count();
    let mut apart = String::new();
    for (state, words) in
        [(State::Foreign, "of another session file"), (State::NotQualified, "not qualified")]
    {
        let sittings = report.sittings.iter().filter(|sitting| sitting.state == state).count();
        if sittings > 0 {
            let _ = write!(apart, ", {sittings} {words}");
        }
    }
    let late = report.sittings.iter().filter(|own| own.not_counted == Some(NotCounted::AfterLook)).count();
    if late > 0 {
        let _ = write!(apart, ", {late} after a look had ended the panel");
    }
    let left_out = report.sittings.iter().filter(|own| own.not_counted == Some(NotCounted::LeftOut)).count();
    if left_out > 0 {
        let _ = write!(apart, ", {left_out} left out by the agreed rule");
    }
    let all = report.sittings.len() + report.unusable.len();
    let listeners = report.listeners.iter().filter(|listener| listener.counted).count();
    lines.push(format!(
        "{counted} of {} {}{apart}; {}; register announces {}",
        printed::count(all as u64, "sitting"),
        if counted == 1 || all == 1 { "counts" } else { "count" },
        printed::count(listeners as u64, "listener"),
        report.register.announced
    ));
    let basis = report.comparisons.iter().map(|comparison| comparison.basis).min().unwrap_or(Basis::Nothing);
    match basis {
        Basis::Nothing => lines.push("No complete, valid sitting: no verdict".to_owned()),
        basis => lines.extend(report.no_listening_test(basis).map(str::to_owned)),
    }
    let serious: Vec<_> = report.caveats.iter().filter(|caveat| caveat.weight <= Weight::Serious).collect();
    // A line for how to check, and at least one for caveats that matter.
    let room = LINES - 1 - lines.len() - usize::from(!serious.is_empty());
    let comparisons = report.comparisons.len();
    let shown = if comparisons > room { room - 1 } else { comparisons };
    for comparison in &report.comparisons[..shown] {
        lines.push(format!("{}: {}", one_line(&comparison.name), one_line(&comparison.verdict.headline)));
    }
    if comparisons > shown {
        lines.push(format!("... and {} more comparisons in the report", comparisons - shown));
    }
    if !serious.is_empty() {
        let left = LINES - 1 - lines.len();
        let named = if serious.len() > left { left - 1 } else { serious.len() };
        for caveat in &serious[..named] {
            lines.push(format!("! {}", one_line(&caveat.text)));
        }
        if serious.len() > named {
            lines.push(format!("! {} more serious caveats in the report", serious.len() - named));
        }
    }
    let left = LINES - 1 - lines.len();
    lines.extend(more(report).take(left));
    lines.push(
        "Check it: `earwitness verify .` in the session's folder, and \"How to check it\" in the report"
            .to_owned(),
    );
    lines
}

/// What else is worth a line, most telling first.
fn more(report: &Report) -> impl Iterator<Item = String> + '_ {
    let of_comparisons = report.comparisons.iter().flat_map(|comparison| {
        comparison
            .one_by_one
            .iter()
            .chain(comparison.verdict.limits.first())
            .map(|words| format!("{}: {}", one_line(&comparison.name), one_line(words)))
    });
    let controls = if report.controls.is_empty() {
        "Controls: the session has none".to_owned()
    } else {
        let each: Vec<String> = report
            .controls
            .iter()
            .map(|control| match control.trials {
                0 => format!("{} not presented", control.name()),
                trials => format!("{} {} of {trials} right", control.name(), control.correct),
            })
            .collect();
        format!("Controls: {}", each.join(", "))
    };
    let register = &report.register;
    let minor = report.caveats.iter().filter(|caveat| caveat.weight == Weight::Minor).count();
    of_comparisons
        .chain([
            controls,
            format!(
                "Register: {} of its sittings never closed, {} without a journal here, {} journals that it does not announce",
                register.unfinished,
                register.missing.len(),
                register.unregistered
            ),
            format!("Minor caveats in the report: {minor}"),
            format!("Session file, SHA-256: {}", report.session.digest),
        ])
        .chain(report.comparisons.iter().flat_map(|comparison| {
            comparison
                .verdict
                .limits
                .iter()
                .skip(1)
                .map(|words| format!("{}: {}", one_line(&comparison.name), one_line(words)))
        }))
}

/// Without line breaks and control characters that a terminal would act on.
fn one_line(text: &str) -> String {
    foreign::shown(text)
}
