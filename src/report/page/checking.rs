//! How to check the report: register, seals, receipts, commands; and where its numbers come from.

use maud::{Markup, html};

use super::{count, length, wide};
use crate::report::model::{Report, SittingFacts};

pub(super) fn section(report: &Report) -> Markup {
    html! {
        section id="check" aria-labelledby="check-title" {
            h2 id="check-title" { "How to check it" }
            p {
                "Before the first trial of each sitting its seal was published: the SHA-256 of a secret that fixes every draw. "
                "Afterwards the secret was opened. With the session folder, two commands do everything again, from the seal to "
                "this page:"
            }
            pre tabindex="0" { code {
                "earwitness verify sittings/*.jsonl\n"
                "earwitness report ." @if report.anonymous { " --anonymous" }
            } }
            p {
                "Nothing of this program is needed for that: the written format is documented, and a page of Python re-derives "
                "every draw. Whoever kept a receipt holds it against the journal with "
                code { "earwitness verify --receipt PHRASE JOURNAL" } ". A chain of hashes proves order, not honesty: only a "
                "receipt kept outside shows that a whole file was written anew."
            }
            dl.facts {
                dt { "session file, SHA-256" } dd.hex { (report.session.digest) }
            }
            (register(report))
            (sittings(report))
            (unusable(report))
            (seals(report))
        }
    }
}

fn register(report: &Report) -> Markup {
    let register = &report.register;
    html! {
        h3 { "Register of all sittings" }
        @if let Some(problem) = &register.problem { p.notice { "The register cannot be trusted: " (problem) } }
        p {
            (count(register.announced, "sitting")) " announced, " (register.unfinished) " of them never closed; "
            (register.missing.len()) " without a journal here; "
            (count(register.unregistered, "journal")) " that it does not announce."
        }
        @if !register.missing.is_empty() {
            ul.caveats { @for missing in &register.missing { li { "missing: " (missing) } } }
        }
    }
}

fn sittings(report: &Report) -> Markup {
    let preference = report.session.protocol == "preference";
    let row = |number: usize, sitting: &SittingFacts| {
        html! {
            tr.out[!sitting.counted] {
                th.n scope="row" { (number + 1) }
                td {
                    (sitting.name)
                    @if sitting.night { " (night of " (sitting.seats.unwrap_or(0)) ")" }
                    @if let Some(place) = &sitting.place { br; span.small { (place) } }
                }
                td { (sitting.opened_utc) }
                td {
                    (sitting.state.words())
                    @if let Some(probability) = sitting.simulated { ", simulated at " (probability) }
                    @if sitting.silent { ", nothing played" }
                    @if let Some(missing) = sitting.missing_votes { @if missing > 0 { ", " (missing) " votes never came" } }
                }
                td { @if sitting.counted { "yes" } @else { "no" } }
                td.n { (sitting.answered) }
                td.n { @if let Some(correct) = sitting.correct { (correct) } @else { "sealed" } }
                td.n { (sitting.void) }
                td.n { (sitting.resumed) }
                td.n { (length(sitting.length_s)) }
                td { (sitting.output) }
            }
        }
    };
    html! {
        h3 { "Sittings" }
        @if report.sittings.is_empty() {
            p { "There is no journal of this session." }
        } @else {
            (wide("Sittings", html! {
                table {
                    caption { "Every journal found, counted or not." }
                    thead { tr {
                        th.n scope="col" { "no." }
                        th scope="col" { "listener" }
                        th scope="col" { "opened (UTC)" }
                        th scope="col" { "state" }
                        th scope="col" { "counts" }
                        th.n scope="col" { "answers" }
                        th.n scope="col" { @if preference { "for B" } @else { "right" } }
                        th.n scope="col" { "void" }
                        th.n scope="col" { "resumed" }
                        th.n scope="col" { "length" }
                        th scope="col" { "output" }
                    } }
                    tbody { @for (number, sitting) in report.sittings.iter().enumerate() { (row(number, sitting)) } }
                }
            }))
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

fn seals(report: &Report) -> Markup {
    html! {
        @if !report.sittings.is_empty() {
            h3 { "Seals, phrases, receipts" }
        }
        @for (number, sitting) in report.sittings.iter().enumerate() {
            article.sitting {
                h4 { "Sitting " (number + 1) ": " (sitting.name) }
                dl.facts {
                    @if let Some(journal) = &sitting.journal { dt { "journal" } dd { code { (journal) } } }
                    dt { "seal" } dd.hex { (sitting.commitment) }
                    @for (by, text) in &sitting.phrases {
                        dt { "phrase" @if !by.is_empty() { " of " (by) } } dd { (text) }
                    }
                    @if let Some(secret) = &sitting.secret { dt { "secret" } dd.hex { (secret) } }
                    @else { dt { "secret" } dd { "not opened" } }
                    @if let Some(key) = &sitting.key { dt { "key" } dd.hex { (key) } }
                    @if let Some(receipt) = &sitting.receipt { dt { "receipt" } dd.hex { (receipt) } }
                    @if let Some(words) = &sitting.receipt_phrase { dt { "in words" } dd { (words) } }
                    @for problem in &sitting.problems { dt { "problem" } dd { (problem) } }
                }
            }
        }
    }
}

/// Where each number comes from: formula and reference.
pub(super) fn sources(report: &Report) -> Markup {
    let entries: &[(&str, &str, &str)] = &[
        (
            "p",
            "probability that a guesser gets at least this score: upper tail of the binomial distribution; for preference both tails",
            "ISO 4120, ISO 10399, ISO 5495",
        ),
        (
            "p of a room",
            "every trial's votes are kept, X is drawn anew with equal probabilities, trials are convolved",
            "randomisation test; Fisher, The Design of Experiments, 1935",
        ),
        (
            "p, adjusted",
            "smallest p times m, next times m - 1, and so on, never falling",
            "Holm, Scandinavian Journal of Statistics 6, 1979",
        ),
        ("interval", "exact, two-sided at 95 %", "Clopper and Pearson, Biometrika 26, 1934"),
        (
            "hears it in (discriminators)",
            "(proportion - chance) / (1 - chance), the interval carried through, kept inside 0 to 1",
            "ISO 4120, ISO 10399",
        ),
        (
            "d-prime",
            "the protocol's psychometric function inverted; for ABX the differencing model",
            "Macmillan and Creelman, Detection Theory; Frijters 1980; Ennis 1993",
        ),
        (
            "similarity",
            "probability of at most this score for a listener who hears the difference in the stated share of trials",
            "ISO 4120, ISO 10399",
        ),
        (
            "sequential rule",
            "likelihood ratio against both agreed risks; risks and lengths by recursion over all paths",
            "Wald, Sequential Analysis, 1947; ISO 16820",
        ),
        ("best of m", "1 - (1 - p)^m", "distribution of a minimum"),
        ("are all alike?", "sum over right and wrong of (seen - expected)^2 / expected", "Pearson 1900"),
        (
            "combined",
            "-2 times the sum of ln p; sum of z weighted by the square root of trials",
            "Fisher, Statistical Methods for Research Workers; Stouffer 1949",
        ),
        (
            "spread between listeners",
            "beta-binomial by maximum likelihood with chance correction; half of the chi-squared tail, as gamma cannot be negative",
            "Brockhoff, Food Quality and Preference 14, 2003",
        ),
        ("loudness", "K-weighted, gated", "ITU-R BS.1770"),
        (
            "draws",
            "ChaCha20 stream under SHA-256 of secret and phrases, numbers by rejection",
            "RFC 8439, FIPS 180-4",
        ),
    ];
    html! {
        section id="sources" aria-labelledby="sources-title" {
            h2 id="sources-title" { "Where the numbers come from" }
            p {
                "Scores are counted from the journals' answers after every draw was derived again from the opened seal. "
                code { "report.csv" } " holds one row per trial with the line of the journal that it stands on; "
                code { "report.json" } " holds every number of this page, unrounded."
            }
            (wide("Formulas and references", html! {
                table {
                    caption { "Formulas and references, the program being " (report.program) "." }
                    thead { tr {
                        th scope="col" { "number" } th scope="col" { "formula" } th scope="col" { "reference" }
                    } }
                    tbody {
                        @for (number, formula, reference) in entries {
                            tr { th scope="row" { (number) } td { (formula) } td { (reference) } }
                        }
                    }
                }
            }))
        }
    }
}
