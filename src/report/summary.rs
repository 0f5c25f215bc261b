//! The report in ten lines for the terminal.

use super::caveat::Weight;
use super::model::{Basis, Report};

/// Lines of the summary, at most ten.
const LINES: usize = 10;

/// The summary, one line per entry; every name and number in it stands in the report too.
pub fn summary(report: &Report) -> Vec<String> {
    let mut lines = vec![one_line(&report.session.title)];
    let counted = report.sittings.iter().filter(|sitting| sitting.counted).count();
    lines.push(format!(
        "{} of {} sittings count; {} listeners; register announces {}",
        counted,
        report.sittings.len() + report.unusable.len(),
        report.listeners.iter().filter(|listener| listener.counted).count(),
        report.register.announced
    ));
    let basis = report.comparisons.iter().map(|comparison| comparison.basis).min().unwrap_or(Basis::Nothing);
    match basis {
        Basis::Nothing => lines.push("No complete, valid sitting: no verdict".to_owned()),
        basis => lines.extend(report.no_listening_test(basis).map(str::to_owned)),
    }
    let serious: Vec<_> = report.caveats.iter().filter(|caveat| caveat.weight() <= Weight::Serious).collect();
    let room = LINES - lines.len() - usize::from(!serious.is_empty());
    let comparisons = report.comparisons.len();
    let shown = if comparisons > room { room - 1 } else { comparisons };
    for comparison in &report.comparisons[..shown] {
        lines.push(format!("{}: {}", one_line(&comparison.name), one_line(&comparison.verdict.headline)));
    }
    if comparisons > shown {
        lines.push(format!("... and {} more comparisons in the report", comparisons - shown));
    }
    if !serious.is_empty() {
        let left = LINES - lines.len();
        let named = if serious.len() > left { left - 1 } else { serious.len() };
        for caveat in &serious[..named] {
            lines.push(format!("! {}", one_line(&caveat.text())));
        }
        if serious.len() > named {
            lines.push(format!("! {} more serious caveats in the report", serious.len() - named));
        }
    }
    lines
}

/// Without line breaks and control characters that a terminal would act on.
fn one_line(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { ' ' } else { character }).collect()
}
