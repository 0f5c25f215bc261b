//! The appendix on sittings: all of them, their devices, files, stimuli, seals and receipts.

use maud::{Markup, html};

use super::checking::numbers as sitting_numbers;
use super::count;
use super::sources::traced;
use super::table::{Row, numbers, table, words};
use crate::evidence::{DeviceFacts, NotCounted, SittingFacts};
use crate::report::model::Report;
use crate::units::printed;

/// Every sitting, and what is compared byte by byte.
pub(super) fn appendix(report: &Report) -> Markup {
    html! {
        (sittings(report))
        (devices(report))
        (inputs(report))
        (stimuli(report))
        (seals(report))
    }
}

/// For what a sitting that counts does count: for every comparison, or for those that no look had ended before it. The page's own check reads
/// these words.
fn counts_for(report: &Report, sitting: usize) -> String {
    let ended: Vec<&str> = report
        .comparisons
        .iter()
        .filter(|of| of.came_after.contains(&sitting))
        .map(|of| of.name.as_str())
        .collect();
    match ended.len() {
        0 => "yes".to_owned(),
        _ => format!("yes, but not for {}: a look had ended it", ended.join(", ")),
    }
}

fn sittings(report: &Report) -> Markup {
    let row = |(number, sitting): (usize, &SittingFacts)| Row {
        is_out: !sitting.counted,
        sitting: Some(number),
        id: None,
        cells: vec![
            html! { (number + 1) },
            html! {
                (sitting.name)
                @if sitting.night { " (night of " (sitting.seats.unwrap_or(0)) ")" }
                @if let Some(place) = &sitting.place { ", " (place) }
            },
            html! { (sitting.opened_utc) },
            html! {
                (sitting.state.words())
                @if let Some(probability) = sitting.simulated { ", simulated at " (probability) }
                @if sitting.silent { ", nothing played" }
                @if let Some(missing) = sitting.missing_votes { @if missing > 0 { ", " (missing) " votes never came" } }
            },
            html! {
                span data-counts=(if sitting.counted { "yes" } else { "no" }) {
                    @match (sitting.counted, sitting.not_counted) {
                        (true, _) => (counts_for(report, number)),
                        (false, None) => "no",
                        (false, Some(NotCounted::BeyondPanel)) => "no: the panel was full",
                        (false, Some(NotCounted::LeftOut)) => "no: left out by the agreed rule",
                        (false, Some(NotCounted::AfterLook)) => "no: a look had ended the panel",
                    }
                }
            },
            html! { (sitting.answered) },
            html! { span data-shown="right" { @if let Some(correct) = sitting.correct { (correct) } @else { "sealed" } } },
            html! { (sitting.void) },
            html! { (sitting.resumed) },
            html! { (printed::seconds(sitting.length_s)) },
            html! { (sitting.output) @if let Some(path) = sitting.output_path { ", " (path.words()) } },
        ],
    };
    html! {
        h4 { "All sittings" }
        @if report.sittings.is_empty() { p { "There is no journal of this session." } }
        (table(
            "Sittings",
            &html! { "Every journal found, whether it counts or not." },
            &[
                numbers("no."),
                words("listener"),
                words("opened (UTC)"),
                words("state"),
                words("counts"),
                numbers("answers"),
                numbers(report.session.inquiry.counted_short()),
                numbers("void"),
                numbers("resumed"),
                numbers("length"),
                words("output"),
            ],
            report.sittings.iter().enumerate().map(row),
        ))
    }
}

/// The bit depths of the sound devices, where a journal holds them.
fn devices(report: &Report) -> Markup {
    let said: Vec<(usize, &DeviceFacts)> = report
        .sittings
        .iter()
        .enumerate()
        .filter_map(|(number, sitting)| Some((number, sitting.words.as_ref()?)))
        .collect();
    html! {
        @if !said.is_empty() {
            h4 { "What the sound devices resolved" }
            p {
                "The noise of a device's bit depth is the floor of what it can play. Each row holds the "
                (traced("difference that stands out least", "words")) " against it, at the level that the listener chose. "
                "Behind a sound server a device may have a smaller bit depth than the journal can know."
            }
            (table(
                "Sound devices",
                &html! { "Levels relative to a full-scale sine; the last column in the difference's strongest ERB band." },
                &[
                    numbers("sitting"),
                    words("bit depth"),
                    numbers("noise, dB"),
                    numbers("level set, dB"),
                    words("faintest difference"),
                    numbers("above noise, dB"),
                ],
                said.iter().map(|(number, facts)| vec![
                    html! { (number + 1) },
                    html! { (facts.words) },
                    html! { (format!("{:.1}", facts.noise_db)) },
                    html! { (format!("{:.1}", facts.level_db)) },
                    html! {
                        @match (&facts.comparison, &facts.clip) {
                            (Some(comparison), Some(clip)) => { (comparison) " on " (clip) }
                            _ => { "none: the sides are identical" }
                        }
                    },
                    html! {
                        @if let Some(margin) = facts.margin_db {
                            (format!("{margin:.1}"))
                            @if facts.could_hide { ", could hide it" }
                        }
                    },
                ]),
            ))
        }
    }
}

fn inputs(report: &Report) -> Markup {
    html! {
        @if !report.inputs.is_empty() {
            h4 { "Files that the sittings read" }
            p {
                "Each sitting sealed length and SHA-256 of each file before its first trial. They are compared with what "
                "stands in the folder now."
            }
        }
        @for set in &report.inputs {
            (table(
                "Files that the sittings read",
                &html! { "In sitting " (sitting_numbers(&set.sittings)) "." },
                &[words("file"), numbers("bytes"), words("SHA-256"), words("now")],
                set.files.iter().map(|file| vec![
                    html! { (file.name) },
                    html! { (file.bytes) },
                    html! { span.hex { (file.sha256) } },
                    html! { @if file.changed { strong { "changed" } } @else { "the same" } },
                ]),
            ))
        }
    }
}

fn stimuli(report: &Report) -> Markup {
    html! {
        @if !report.stimuli.is_empty() {
            h4 { "Digests of the stimuli" }
            p {
                "Each sitting published the SHA-256 of each stimulus before its first trial. "
                code { "earwitness verify . --session ." } " makes the stimuli anew from the session and holds them "
                "against these. Sides with equal digests are the same sound."
            }
        }
        @for set in &report.stimuli {
            (table(
                "Digests of the stimuli",
                &html! { "In sitting " (sitting_numbers(&set.sittings)) "." },
                &[
                    words("comparison"),
                    words("clip"),
                    words("control"),
                    numbers("rate, Hz"),
                    words("side A"),
                    words("side B"),
                ],
                set.pairs.iter().map(|pair| vec![
                    html! { (pair.comparison) },
                    html! { (pair.clip) },
                    html! { (pair.control.as_deref().unwrap_or("")) },
                    html! { @if let Some(rate) = pair.rate_hz { (rate) } @else { "not said" } },
                    html! { span.hex { (pair.a_sha256) } },
                    html! { span.hex { (pair.b_sha256) } },
                ]),
            ))
        }
    }
}

fn seals(report: &Report) -> Markup {
    html! {
        @if !report.sittings.is_empty() {
            h4 { "Seals, hands, receipts" }
        }
        div.seals { @for (number, sitting) in report.sittings.iter().enumerate() {
            article.sitting data-sitting=(number) {
                h5 { "Sitting " (number + 1) ": " (sitting.name) }
                dl.facts {
                    @if let Some(journal) = &sitting.journal { dt { "journal" } dd { code { (journal) } } }
                    @if let Some(number) = sitting.in_register.sitting {
                        dt { "in the register" } dd { "sitting " (number) " of its folder" }
                    }
                    @if let Some(announced) = &sitting.in_register.announced {
                        dt { "line that announces it" } dd.hex data-shown="register" { (announced) }
                    }
                    @if let (Some(head), Some(sittings)) = (&sitting.in_register.head, sitting.in_register.sittings) {
                        dt.screen { "register at the closing" }
                        dd.screen { (count(sittings as usize, "sitting")) " announced; last line " span.hex data-shown="register at the closing" { (head) } }
                    }
                    dt { "seal" } dd.hex data-shown="seal" { (sitting.commitment) }
                    @for (by, text) in &sitting.hands {
                        dt { "hand" @if !by.is_empty() { " of " (by) } } dd { (text) }
                    }
                    @if let Some(word) = &sitting.last_hand { dt { "last hand" } dd { (word.sentence(sitting.resumed)) } }
                    @if let Some(witnessed) = &sitting.witnessed {
                        dt { "witnessed" }
                        dd {
                            (witnessed.trials) " of " (witnessed.of) " trials, by " (witnessed.by.join(", "))
                            @if !witnessed.passed_over.is_empty() {
                                ". Links that were not there in time: "
                                (witnessed.passed_over.iter().map(|(name, times)| format!("{name} in {times}")).collect::<Vec<_>>().join(", "))
                            }
                            ". Nobody could know these trials before they began, unless all of them and the computer's owner \
                             worked together, or somebody read the computer's files, memory or sound while a trial played. A witness's \
                             copy shows whether this is the journal that was watched."
                        }
                    }
                    @if let Some(secret) = &sitting.secret { dt { "secret" } dd.hex data-shown="secret" { (secret) } }
                    @else { dt { "secret" } dd { "not opened" } }
                    @if let Some(key) = &sitting.key { dt.screen { "key" } dd.hex.screen data-shown="key" { (key) } }
                    @if let Some(receipt) = &sitting.receipt { dt { "receipt" } dd.hex data-shown="receipt" { (receipt) } }
                    @if let Some(words) = &sitting.receipt_words { dt { "in words" } dd data-shown="receipt in words" { (words) } }
                    @for problem in &sitting.problems { dt { "problem" } dd { (problem) } }
                }
            }
        } }
    }
}
