//! The report as one self-contained HTML page: one script that checks it, no network, light and dark, screen and paper.
//!
//! Comes in: [`Report`]. Goes out: a whole page. Markup is written with maud, which escapes every text; figures are SVG
//! inside the page.

mod answered;
mod certificate;
mod checking;
mod compared;
mod design;
mod detail;
mod front;
mod panel;
mod self_check;
mod sittings;
mod sources;
mod table;
mod top;

use std::io::Write;

use maud::{DOCTYPE, Markup, PreEscaped, html};

pub use certificate::certificates;
pub(super) use top::design;

use super::model::Report;
use super::svg::{self, Figure};
use crate::stats::one::{Analysis, Estimate};
use crate::units::printed::{self, percent};

const STYLE: &str = include_str!("style.css");

/// The whole report.
pub fn page(report: &Report) -> String {
    pieces(report).collect()
}

/// Writes the whole report, journal by journal: those of a large panel would fill the memory many times over.
///
/// # Errors
/// The output cannot be written.
pub fn write(report: &Report, out: &mut dyn Write) -> std::io::Result<()> {
    pieces(report).try_for_each(|piece| out.write_all(piece.as_bytes()))
}

/// The whole report in pieces: what stands before its journals, each of them, and what stands after them.
fn pieces(report: &Report) -> impl Iterator<Item = String> {
    let (before, after) = without_journals(report);
    let journals = after.is_some().then(|| self_check::journals(report));
    std::iter::once(before).chain(journals.into_iter().flatten()).chain(after)
}

/// The page up to its journals, and from them on where it has any.
fn without_journals(report: &Report) -> (String, Option<String>) {
    let title = format!("{} - blind listening report", report.session.title);
    let body = html! {
        header { (club(report)) (front::occasion(report)) }
        main {
            (front::section(report))
            (top::section(report))
            (panel::methods(report))
            (answered::section(report))
            (compared::section(report))
            (checking::section(report))
            section.appendix id="appendix" aria-labelledby="appendix-title" {
                h2 id="appendix-title" { "Appendix" }
                (folded("A", "The circuit, the cables and the clips", compared::appendix(report)))
                (folded("B", "Every listener in full, and what the design could find", detail::appendix(report)))
                (folded("C", "Sittings, files, digests, seals and receipts", sittings::appendix(report)))
                (folded("D", "Where the numbers come from", sources::section(report)))
                (format_page())
            }
        }
        (sources::boxes(report))
        footer {
            p {
                "Written by " (report.program) " from the session file and the journals. The same files give the same "
                "bytes. This program advises; it certifies nothing."
            }
        }
    };
    let mut before = shell(&title, "", &self_check::policy(), body);
    let Some(at) = before.find(self_check::JOURNALS) else { return (before, None) };
    let after = before[at + self_check::JOURNALS.len()..].to_owned();
    before.truncate(at);
    (before, Some(after))
}

/// Whose night it was; nothing where names are withheld.
fn club(report: &Report) -> Markup {
    let shown = report.session.club.as_ref();
    html! {
        @if let Some(club) = shown {
            p.club {
                @if let Some(logo) = club.logo_address() { img src=(logo) alt=""; }
                span { (club.name.shown()) }
            }
        }
    }
}

/// A page around a body; `scripts` is what its policy lets run.
pub(super) fn shell(title: &str, more_style: &str, scripts: &str, body: Markup) -> String {
    let style = format!("{}{STYLE}{more_style}", svg::STYLE);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                // Nothing is loaded and nothing of a name's runs, whatever it tries to be.
                meta http-equiv="Content-Security-Policy"
                    content={ "default-src 'none'; " (scripts) "style-src 'unsafe-inline'; img-src data:" };
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (PreEscaped(unbroken(&body.into_string()))) }
        }
    }
    .into_string()
}

/// A page's markup in which no line ends between a number and its unit. What is no running text stays byte by byte: tags,
/// scripts, pictures, and what stands as it was written.
fn unbroken(markup: &str) -> String {
    let mut page = String::with_capacity(markup.len() + markup.len() / 64);
    let mut rest = markup;
    while let Some(start) = rest.find('<') {
        page.push_str(&printed::unbroken(&rest[..start]));
        let kept = ["script", "style", "pre", "svg", "textarea"].into_iter().find(|name| {
            rest[start + 1..].strip_prefix(name).is_some_and(|after| after.starts_with([' ', '>']))
        });
        let end = kept.map_or_else(|| ">".to_owned(), |name| format!("</{name}>"));
        let length = rest[start..].find(&end).map_or(rest.len() - start, |at| at + end.len());
        page.push_str(&rest[start..start + length]);
        rest = &rest[start + length..];
    }
    page.push_str(&printed::unbroken(rest));
    page
}

/// A part of the appendix: folded on a screen, open on paper.
fn folded(letter: &str, title: &str, content: Markup) -> Markup {
    html! {
        details {
            summary { h3 { (letter) ". " (title) } }
            (content)
        }
    }
}

/// The written format of a journal. On paper it would be ten pages that stand elsewhere too.
fn format_page() -> Markup {
    html! {
        details.screen {
            summary { h3 { "E. The written format of a journal, FORMAT.md" } }
            pre tabindex="0" { (crate::trial::format::PAGE) }
        }
    }
}

/// A figure with a caption of about two lines, with a drawing for pages and one for phones and columns of print. Everything
/// that the picture says stands in words on the picture itself, for whoever does not see it.
pub(super) fn drawing(figure: &Figure) -> Markup {
    captioned(
        figure,
        &html! {
            div.page-drawing { (PreEscaped(&figure.inline)) }
            div.small-drawing { (PreEscaped(&figure.narrow)) }
        },
    )
}

/// The same with the small drawing alone, for small multiples.
pub(super) fn small_drawing(figure: &Figure) -> Markup {
    captioned(figure, &html! { (PreEscaped(&figure.narrow)) })
}

fn captioned(figure: &Figure, picture: &Markup) -> Markup {
    html! {
        figure {
            (picture)
            figcaption { strong { (figure.title) } ". " (first_sentences(&figure.description, 230)) }
        }
    }
}

/// A box that scrolls sideways by itself, so that the page never does.
pub(super) fn wide(label: &str, content: Markup) -> Markup {
    html! { div.wide tabindex="0" role="region" aria-label=(label) { (content) } }
}

/// As many whole sentences as `most` characters hold, and at least the first, cut where it is longer by itself.
pub(super) fn first_sentences(text: &str, most: usize) -> String {
    let ends = text.match_indices(". ").map(|(at, _)| at + 1).chain([text.len()]);
    let fits = |end: &usize| text[..*end].chars().count() <= most;
    match ends.take_while(fits).last() {
        Some(end) => text[..end].to_owned(),
        None => svg::cut(text, most),
    }
}

/// The share of trials in which the difference is heard, or the lead of a side, with its interval. A score that disagrees
/// with guessing from below shows no such share: where a side was claimed, how far that one leads, which is below 0.
fn share(analysis: &Analysis) -> String {
    let words =
        |of: Estimate| format!("{} ({} to {})", percent(of.estimate), percent(of.lower), percent(of.upper));
    match (analysis.below_guessing, analysis.lead) {
        (false, _) => words(analysis.discriminators),
        (true, Some(lead)) => format!("lead of the claimed side {}", words(lead)),
        (true, None) => "below guessing".to_owned(),
    }
}

/// d-prime with its interval; nothing where the score disagrees with guessing from below.
fn d_prime(analysis: &Analysis) -> String {
    let found = analysis.d_prime;
    if analysis.below_guessing {
        return "-".to_owned();
    }
    format!("{:.2} ({:.2} to {:.2})", found.value, found.lower, found.upper)
}

/// "1 trial", "16 trials".
fn count(number: usize, one: &str) -> String {
    crate::units::printed::count(number as u64, one)
}
