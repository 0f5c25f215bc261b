//! How to check the report: register, sittings, what happened in them, stimuli, seals, receipts, commands.

use maud::{Markup, html};

use super::sources::traced;
use super::{count, length, wide};
use crate::evidence::{DeviceFacts, EventFacts, NotCounted, SittingFacts};
use crate::report::model::Report;
use crate::trial::record::Part;

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
                "earwitness verify .\n"
                "earwitness report ." @if report.anonymous { " --anonymous" }
            } }
            p {
                "You do not need this program: the written format is one page, below, and a page of Python re-derives every draw. "
                "Whoever kept a receipt holds it against the journal with "
                code { "earwitness verify --receipt WORDS JOURNAL" } ". A chain of hashes proves order, not honesty: only a "
                "receipt kept outside shows that a whole file was written anew."
            }
            dl.facts {
                dt { "session file, SHA-256" } dd.hex data-shown="session" { (report.session.digest) }
                @if !report.session.prepared_by.is_empty() {
                    dt { "prepared by" } dd { (report.session.prepared_by.join(", ")) }
                }
            }
            (super::self_check::section(report))
            (register(report))
            (sittings(report))
            (unusable(report))
            (events(report))
        }
    }
}

/// What is compared byte by byte, and by few.
pub(super) fn appendix(report: &Report) -> Markup {
    html! {
        (words(report))
        (inputs(report))
        (stimuli(report))
        (seals(report))
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

/// For what a sitting counts: for every comparison, or for those that no look had ended before it. The page's own check reads
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
        all if all == report.comparisons.len() => "no: a look had ended the panel".to_owned(),
        _ => format!("yes, but not for {}: a look had ended it", ended.join(", ")),
    }
}

fn sittings(report: &Report) -> Markup {
    let row = |number: usize, sitting: &SittingFacts| {
        html! {
            tr.out[!sitting.counted] data-sitting=(number) {
                th.n scope="row" { (number + 1) }
                td.who {
                    (sitting.name)
                    @if sitting.night { " (night of " (sitting.seats.unwrap_or(0)) ")" }
                    @if let Some(place) = &sitting.place { br; span.small { (place) } }
                }
                td.t { (sitting.opened_utc) }
                td {
                    (sitting.state.words())
                    @if let Some(probability) = sitting.simulated { ", simulated at " (probability) }
                    @if sitting.silent { ", nothing played" }
                    @if let Some(missing) = sitting.missing_votes { @if missing > 0 { ", " (missing) " votes never came" } }
                }
                td data-counts=(if sitting.counted { "yes" } else { "no" }) {
                    @match (sitting.counted, sitting.not_counted) {
                        (true, _) => (counts_for(report, number)),
                        (false, None) => "no",
                        (false, Some(NotCounted::BeyondPanel)) => "no: the panel was full",
                        (false, Some(NotCounted::LeftOut)) => "no: left out by the agreed rule",
                    }
                }
                td.n { (sitting.answered) }
                td.n data-shown="right" { @if let Some(correct) = sitting.correct { (correct) } @else { "sealed" } }
                td.n { (sitting.void) }
                td.n { (sitting.resumed) }
                td.n { (length(sitting.length_s)) }
                td { (sitting.output) @if let Some(path) = sitting.output_path { ", " (path.words()) } }
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
                        th.n scope="col" { (report.session.inquiry.counted_short()) }
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

/// The words of the sound devices, where a journal holds them.
fn words(report: &Report) -> Markup {
    let said: Vec<(usize, &DeviceFacts)> = report
        .sittings
        .iter()
        .enumerate()
        .filter_map(|(number, sitting)| Some((number, sitting.words.as_ref()?)))
        .collect();
    html! {
        @if !said.is_empty() {
            h3 { "What the sound devices resolved" }
            p {
                "A device plays words of so many bits, and their noise is the floor of what it can play. Each row holds the "
                (traced("difference that stands out least", "words")) " against it, at the level that the listener chose. "
                "Behind a sound server a device may have shorter words than the journal can know."
            }
            (wide("Sound devices", html! {
                table {
                    caption { "Levels relative to a full-scale sine; the last column in the difference's strongest ERB band." }
                    thead { tr {
                        th.n scope="col" { "sitting" }
                        th scope="col" { "words" }
                        th.n scope="col" { "noise, dB" }
                        th.n scope="col" { "level set, dB" }
                        th scope="col" { "faintest difference" }
                        th.n scope="col" { "above noise, dB" }
                    } }
                    tbody {
                        @for (number, facts) in &said {
                            tr {
                                th.n scope="row" { (number + 1) }
                                td { (facts.words) }
                                td.n { (format!("{:.1}", facts.noise_db)) }
                                td.n { (format!("{:.1}", facts.level_db)) }
                                td {
                                    @match (&facts.comparison, &facts.clip) {
                                        (Some(comparison), Some(clip)) => { (comparison) " on " (clip) }
                                        _ => { "none: the sides are identical" }
                                    }
                                }
                                td.n {
                                    @if let Some(margin) = facts.margin_db {
                                        (format!("{margin:.1}"))
                                        @if facts.could_hide { ", could hide it" }
                                    }
                                }
                            }
                        }
                    }
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

/// Most kinds of event that are listed; the JSON document has every event.
const MOST_EVENTS: usize = 60;

/// Events of one sitting that say the same, joined.
struct Alike<'r> {
    sitting: usize,
    first: &'r EventFacts,
    last: &'r EventFacts,
    times: usize,
}

/// Every event, with those of a sitting that say the same in one row.
fn alike(report: &Report) -> Vec<Alike<'_>> {
    let mut rows: Vec<Alike<'_>> = Vec::new();
    for (sitting, facts) in report.sittings.iter().enumerate() {
        let from = rows.len();
        for event in &facts.events {
            let same = |row: &&mut Alike<'_>| row.first.what == event.what && row.first.void == event.void;
            match rows[from..].iter_mut().find(same) {
                Some(row) => (row.last, row.times) = (event, row.times + 1),
                None => rows.push(Alike { sitting, first: event, last: event, times: 1 }),
            }
        }
    }
    rows
}

fn events(report: &Report) -> Markup {
    let all = alike(report);
    let listed = &all[..all.len().min(MOST_EVENTS)];
    let place = |event: &EventFacts| match (event.part, event.trial) {
        (Some(Part::Qualification), Some(trial)) => format!("qualification trial {trial}"),
        (Some(Part::WarmUp), Some(trial)) => format!("warm-up trial {trial}"),
        (_, Some(trial)) => format!("trial {trial}"),
        _ => "between trials".to_owned(),
    };
    html! {
        @if !listed.is_empty() {
            h3 { "What happened beside the answers" }
            (wide("Events", html! {
                table {
                    caption { "Causes of void attempts, device events that made none void, and notes. The same event of a sitting stands once; report.json has each." }
                    thead { tr {
                        th.n scope="col" { "sitting" }
                        th scope="col" { "what" }
                        th.n scope="col" { "times" }
                        th scope="col" { "when" }
                        th scope="col" { "attempt" }
                        th.n scope="col" { "journal line" }
                    } }
                    tbody {
                        @for row in listed {
                            tr {
                                th.n scope="row" { (row.sitting + 1) }
                                td { (row.first.what.words()) }
                                td.n { (row.times) }
                                td { (place(row.first)) @if row.times > 1 { " to " (place(row.last)) } }
                                td { @if row.first.void { "void, repeated" } @else if row.first.trial.is_some() { "stands" } }
                                td.n { (row.first.journal_line) }
                            }
                        }
                    }
                }
            }))
            @if all.len() > listed.len() {
                p.small { (count(all.len() - listed.len(), "kind")) " of event more: report.json has them." }
            }
        }
    }
}

/// Most sittings that a list names.
const MOST_NUMBERS: usize = 24;

/// Numbers of sittings, from 1, as people list them.
fn numbers(sittings: &[usize]) -> String {
    let numbers: Vec<String> =
        sittings.iter().take(MOST_NUMBERS).map(|number| (number + 1).to_string()).collect();
    let more = match sittings.len().saturating_sub(MOST_NUMBERS) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{}{more}", numbers.join(", "))
}

fn inputs(report: &Report) -> Markup {
    html! {
        @if !report.inputs.is_empty() {
            h3 { "Files that the sittings read" }
            p {
                "Length and SHA-256 of each, sealed in the opening of every sitting before the first trial and compared with what "
                "stands in the folder now."
            }
        }
        @for set in &report.inputs {
            (wide("Files that the sittings read", html! {
                table {
                    caption { "In sitting " (numbers(&set.sittings)) "." }
                    thead { tr {
                        th scope="col" { "file" } th.n scope="col" { "bytes" } th scope="col" { "SHA-256" } th scope="col" { "now" }
                    } }
                    tbody {
                        @for file in &set.files {
                            tr {
                                th scope="row" { (file.name) }
                                td.n { (file.bytes) }
                                td.hex { (file.sha256) }
                                td { @if file.changed { strong { "changed" } } @else { "the same" } }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn stimuli(report: &Report) -> Markup {
    html! {
        @if !report.stimuli.is_empty() {
            h3 { "Digests of the stimuli" }
            p {
                "SHA-256 of each stimulus, published in the opening of every sitting before the first trial. "
                code { "earwitness verify . --session ." } " makes the stimuli anew from the session and holds them "
                "against these. Sides with equal digests are the same sound."
            }
        }
        @for set in &report.stimuli {
            (wide("Digests of the stimuli", html! {
                table {
                    caption { "In sitting " (numbers(&set.sittings)) "." }
                    thead { tr {
                        th scope="col" { "comparison" } th scope="col" { "clip" } th scope="col" { "control" }
                        th.n scope="col" { "rate, Hz" } th scope="col" { "side A" } th scope="col" { "side B" }
                    } }
                    tbody {
                        @for pair in &set.pairs {
                            tr {
                                th scope="row" { (pair.comparison) }
                                td { (pair.clip) }
                                td { (pair.control.as_deref().unwrap_or("")) }
                                td.n { @if let Some(rate) = pair.rate_hz { (rate) } @else { "not said" } }
                                td.hex { (pair.a_sha256) }
                                td.hex { (pair.b_sha256) }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn seals(report: &Report) -> Markup {
    html! {
        @if !report.sittings.is_empty() {
            h3 { "Seals, hands, receipts" }
        }
        div.seals { @for (number, sitting) in report.sittings.iter().enumerate() {
            article.sitting data-sitting=(number) {
                h4 { "Sitting " (number + 1) ": " (sitting.name) }
                dl.facts {
                    @if let Some(journal) = &sitting.journal { dt { "journal" } dd { code { (journal) } } }
                    @if let Some(number) = sitting.in_register.sitting {
                        dt { "in the register" } dd { "sitting " (number) " of its folder" }
                    }
                    @if let Some(announced) = &sitting.in_register.announced {
                        dt { "line that announces it" } dd.hex data-shown="register" { (announced) }
                    }
                    @if let (Some(head), Some(sittings)) = (&sitting.in_register.head, sitting.in_register.sittings) {
                        dt { "register at the closing" }
                        dd { (count(sittings as usize, "sitting")) " announced; last line " span.hex data-shown="register at the closing" { (head) } }
                    }
                    dt { "seal" } dd.hex data-shown="seal" { (sitting.commitment) }
                    @for (by, text) in &sitting.hands {
                        dt { "hand" @if !by.is_empty() { " of " (by) } } dd { (text) }
                    }
                    @if let Some(word) = &sitting.last_hand { dt { "last hand" } dd { (word.sentence()) } }
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
                    @if let Some(key) = &sitting.key { dt { "key" } dd.hex data-shown="key" { (key) } }
                    @if let Some(receipt) = &sitting.receipt { dt { "receipt" } dd.hex data-shown="receipt" { (receipt) } }
                    @if let Some(words) = &sitting.receipt_words { dt { "in words" } dd data-shown="receipt in words" { (words) } }
                    @for problem in &sitting.problems { dt { "problem" } dd { (problem) } }
                }
            }
        } }
    }
}
