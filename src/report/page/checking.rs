//! How to check the report: commands, the register, and the page's own check.

use maud::{Markup, html};

use crate::report::methods;
use crate::report::model::Report;
use crate::units::printed;

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="check" aria-labelledby="check-title" {
            h2 id="check-title" { "How to check it" }
            p {
                "Before the first trial of each sitting, the program published its seal: the SHA-256 of a secret that decides every "
                "draw. After the last answer it opened the secret. With the session folder, two commands do everything again, "
                "from the seal to this page:"
            }
            pre tabindex="0" { code {
                "earwitness verify .\n"
                "earwitness report ." @if report.anonymous { " --anonymous" }
            } }
            p {
                "You do not need this program: the format is one page, in appendix E on a screen, and a page of Python checks it. "
                "If you kept a receipt, compare it with the journal: "
                code { "earwitness verify --receipt WORDS JOURNAL" } ". The hashes prove the order of the records. Only a "
                "receipt kept elsewhere shows that nobody wrote a whole file anew."
            }
            (register(report))
            p.small {
                "Session file, SHA-256: " span.hex data-shown="session" { (report.session.digest) } "."
                @if !report.session.prepared_by.is_empty() { " Prepared by " (report.session.prepared_by.join(", ")) "." }
            }
            (super::self_check::section(report))
            (unusable(report))
        }
    }
}

/// What does not fit the register, and nothing that does.
fn shortcomings(report: &Report) -> String {
    let register = &report.register;
    let found = [
        (register.unfinished, format!("{} never ended", register.unfinished)),
        (register.missing.len(), format!("{} without a journal here", register.missing.len())),
        (
            register.unregistered,
            format!("{} here that it does not list", printed::count(register.unregistered as u64, "journal")),
        ),
    ];
    let parts: Vec<String> =
        found.into_iter().filter(|(number, _)| *number > 0).map(|(_, words)| words).collect();
    format!("{}.", methods::list(&parts))
}

fn register(report: &Report) -> Markup {
    let register = &report.register;
    html! {
        @if let Some(problem) = &register.problem { p.notice { "The register cannot be trusted: " (problem) } }
        p {
            strong { "The register" } " lists every sitting that was begun: " (register.announced) ". "
            @if register.unfinished + register.missing.len() + register.unregistered == 0 {
                "Each of them ended, and each has its journal here."
            } @else {
                (shortcomings(report))
            }
            @if report.places.is_empty() && register.problem.is_none() {
                " Its last sittings can be cut away together with their journals. So compare what you kept: a seal or receipt "
                "of sitting " (register.announced + 1) " or a later one belongs to a sitting that is gone, and "
                code { "earwitness verify . --seal WORDS" } " looks for the seal in your photograph."
            }
        }
        @if !register.missing.is_empty() {
            ul.caveats { @for missing in &register.missing { li { "missing: " (missing) } } }
        }
    }
}

fn unusable(report: &Report) -> Markup {
    html! {
        @if !report.unusable.is_empty() {
            h3 { "Files that are no usable journals" }
            ul.caveats {
                @for file in &report.unusable {
                    li { strong { (file.file) } @if let Some(place) = &file.place { " (" (place) ")" } ": " (file.reason) }
                }
            }
        }
    }
}

/// Most sittings that a list names.
const MOST_NUMBERS: usize = 24;

/// Numbers of sittings, from 1, as people list them.
pub(super) fn numbers(sittings: &[usize]) -> String {
    let numbers: Vec<String> =
        sittings.iter().take(MOST_NUMBERS).map(|number| (number + 1).to_string()).collect();
    let more = match sittings.len().saturating_sub(MOST_NUMBERS) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{}{more}", numbers.join(", "))
}
