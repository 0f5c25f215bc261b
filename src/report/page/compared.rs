//! What was compared: circuit, cables, clips, and what the simulation covers.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::sources::traced;
use super::table::{explained, numbers, table, words};
use super::{drawing, small_drawing};
use crate::evidence::TrialFacts;
use crate::report::model::{CABLE_FREQUENCIES_HZ, CableFacts, Report};
use crate::report::{figures, methods};
use crate::session::{Levels, Switching};
use crate::trial::positions::When;
use crate::trial::record::SwitcherTerms;
use crate::units::printed;

pub(super) fn section(report: &Report) -> Markup {
    let compared = &report.compared;
    html! {
        section id="compared" aria-labelledby="compared-title" {
            h2 id="compared-title" { "What was compared" }
            @if !compared.changed.is_empty() {
                p.notice {
                    "Not what was heard: " (compared.changed.join(", ")) " changed after the sittings were opened. What stands in "
                    "the folder now was heard by nobody, so it is not drawn here. The verdict is about the stimuli whose digests "
                    "the sittings published."
                }
            }
            dl.facts {
                dt { "amplifier" } dd { (compared.amplifier.join("; ")) }
                dt { "loudspeaker" } dd { (compared.loudspeaker.join("; ")) }
                dt { "levels" } dd {
                    @match report.session.levels {
                        Levels::Matched => "matched: both sides at equal loudness (ITU-R BS.1770)",
                        Levels::AsWired => "as wired: the level difference that the cables make is kept",
                    }
                }
                dt { "switching" } dd {
                    @if let Some(switcher) = &report.session.switcher { (switched(report, switcher)) } @else { @match report.session.switching {
                        Switching::Gap => "a short silence",
                        Switching::Instant => "an equal-length crossfade at the same place in the clip",
                    } }
                }
                @if let Some(silence) = silence(report) { dt { "silence between" } dd { (silence) } }
            }
            (differences(report))
            div.figures.on-paper { @for picture in &compared.figures { (drawing(picture)) } }
            (photographs(report))
            @match &report.session.switcher {
                None if report.session.recorded.is_empty() => (simulation()),
                None => {
                    @if report.session.recorded.len() < report.comparisons.len() { (simulation()) }
                    p.notes {
                        (methods::list(&report.session.recorded)) ": nothing was simulated. What was played had been recorded at the "
                        "loudspeaker's terminals, with all that amplifier, cable and interface did to it. What the circuit says is for comparison."
                    }
                },
                Some(_) => p.notes {
                    "Nothing was simulated. What people heard besides the music, such as the click of a relay or steps in the next room, "
                    "is not in any file: " code { "check --switch --microphone" } " compares a relay's sounds at both positions beforehand."
                },
            }
        }
    }
}

/// The set-up as its owner photographed it. Two stand beside each other where there is room.
fn photographs(report: &Report) -> Markup {
    let withheld = report.session.photographs_withheld as u64;
    html! {
        @if !report.compared.photographs.is_empty() {
            h3 { "The set-up" }
            div.figures {
                @for photograph in &report.compared.photographs {
                    figure.photograph {
                        img src=(photograph.address) alt=(photograph.caption) width=(photograph.size.0) height=(photograph.size.1);
                        figcaption { (photograph.caption) }
                    }
                }
            }
            p.notes {
                "Photographs and captions are the owner's. They were sealed before the first trial: one that is changed "
                "afterwards is not shown, and the report says so. Only the picture is here, nothing else that a camera wrote."
            }
        }
        @if withheld > 0 {
            p.notes {
                (printed::count(withheld, "photograph")) " of the set-up " (printed::verb(withheld, "is", "are"))
                " withheld with the names: a photograph may show people."
            }
        }
    }
}

/// Real cables: what was switched, by whom, and how that was verified.
fn switched(report: &Report, switcher: &SwitcherTerms) -> String {
    let [first, second] = &switcher.terminals;
    let filled = switcher.filled == Some(true);
    let by = match (switcher.kind.as_str(), filled) {
        ("operator", true) => "by a person who was told on a page of their own",
        ("operator", false) => {
            "by a person who was told on a page of their own, and who could tell from the order of the terminals what X was"
        }
        _ => "by a relay",
    };
    let labels = if switcher.labels_drawn == Some(true) { "; the seal said which got label 1" } else { "" };
    let longer = switcher.spread_ms.filter(|spread| *spread > 0).map_or_else(String::new, |spread| {
        format!(" (and up to {} s more, as the seal says)", spread as f64 / 1000.0)
    });
    let rounds = if filled {
        "; in whole rounds of drawn order, filled with silent connections until both cables come a fixed number of times"
    } else {
        ""
    };
    format!(
        "the real cables {first} and {second}, {by}{labels}: nothing connected for {} s{longer}, connected for {} s, then the music, \
         the same steps each time{rounds}; {}",
        switcher.apart_ms as f64 / 1000.0,
        switcher.settle_ms as f64 / 1000.0,
        measured(report, switcher)
    )
}

/// When both positions were measured, in the sittings that count.
fn measured(report: &Report, switcher: &SwitcherTerms) -> String {
    if switcher.measured != Some(true) {
        return "nobody was to measure the positions".to_owned();
    }
    let counted: Vec<_> = report.sittings.iter().filter(|sitting| sitting.counted).collect();
    let when = |when: When| {
        counted.iter().filter(|sitting| sitting.positions.iter().any(|own| own.when == when)).count()
    };
    let (before, after) = (when(When::Before), when(When::After));
    let rests: usize = counted
        .iter()
        .map(|sitting| sitting.positions.iter().filter(|own| own.when == When::Between).count())
        .sum();
    let rests = match rests {
        0 => String::new(),
        rests => format!(", and in {}", printed::count(rests as u64, "rest")),
    };
    let all = counted.len();
    if (before, after) == (all, all) {
        format!("both positions were measured before the first and after the last trial{rests}")
    } else {
        format!(
            "both positions were measured before the first trial in {before} and after the last in {after} of {all} sittings{rests}"
        )
    }
}

/// How long it was silent between the sounds over two real cables, in the trials that count.
fn silence(report: &Report) -> Option<String> {
    let counted = |trial: &&TrialFacts| report.sittings[trial.sitting as usize].counted && !trial.void;
    // All votes of a night are on one presentation.
    let of_trials: BTreeMap<_, _> = report
        .trials
        .iter()
        .filter(counted)
        .map(|trial| ((trial.sitting, trial.part, trial.trial, trial.attempt), &trial.silences_ms))
        .collect();
    let mut all: Vec<u64> = of_trials.into_values().flatten().copied().collect();
    all.sort_unstable();
    let (median, longest) = (*all.get(all.len() / 2)?, *all.last()?);
    let seconds = |milliseconds: u64| printed::fixed(milliseconds as f64 / 1000.0, 1, "s");
    Some(format!(
        "from one sound to the next {} (median of {}), {} at the longest; memory of a sound fades within seconds",
        seconds(median),
        all.len(),
        seconds(longest)
    ))
}

fn simulation() -> Markup {
    html! {
            h3 { "What the simulation covers, and what it does not" }
            p {
                "It covers the voltage at the loudspeaker's terminals, from the amplifier's output impedance, the cable's "
                "resistance, inductance, capacitance and conductance with skin and proximity effect, and the loudspeaker's "
                "impedance; linear and unchanging in time. People heard it over their own equipment, so they "
                "heard the difference between two cables, added to that equipment."
            }
            p {
                "It does not cover the room, nor anything beyond the linear voltage at the terminals: hum picked up by a cable, an "
                "amplifier that misbehaves on capacitance, bad contacts, distortion. This test neither supports nor refutes "
                "a claim that rests on these."
            }
    }
}

/// Everything else that is known of the circuit, the cables and the clips.
pub(super) fn appendix(report: &Report) -> Markup {
    let compared = &report.compared;
    html! {
        (cables(report))
        @for facts in &compared.differences {
            h4 { (facts.comparison) ": how large that is to an ear" }
            div.text { @for words in &facts.words { p { (words) } } }
        }
        div.figures.small-multiples { @for picture in &compared.more_figures { (small_drawing(picture)) } }
        h4 { (traced("Clips", "loudness")) }
        (clips(report))
        div.figures.small-multiples {
            @for picture in compared.clips.iter().filter_map(figures::spectrum) { (small_drawing(&picture)) }
        }
        @if !compared.cautions.is_empty() {
            h4 { "Cautions" }
            ul.caveats { @for caution in &compared.cautions { li { (caution) } } }
        }
        @if !compared.notes.is_empty() {
            h4 { "Notes on the data" }
            ul.caveats { @for note in &compared.notes { li { (note) } } }
        }
    }
}

fn scaled(value: Option<&f64>, factor: f64, places: usize) -> String {
    match value {
        Some(value) if value.is_finite() => format!("{:.places$}", value * factor),
        _ => "not known".to_owned(),
    }
}

/// Facts as a table: a row for each thing, a column for each label, in the order in which labels first come.
fn facts_table<'f>(
    label: &str,
    caption: &Markup,
    first: &str,
    things: impl Iterator<Item = (&'f str, &'f [(String, String)])>,
) -> Markup {
    let things: Vec<_> = things.collect();
    let mut labels: Vec<&str> = Vec::new();
    for (label, _) in things.iter().flat_map(|(_, facts)| facts.iter()) {
        if !labels.contains(&label.as_str()) {
            labels.push(label);
        }
    }
    let columns: Vec<_> = std::iter::once(first).chain(labels.iter().copied()).map(words).collect();
    let rows = things.iter().map(|(name, facts)| {
        let value = |label: &&str| facts.iter().find(|(known, _)| known == label).map_or("", |fact| &fact.1);
        std::iter::once(html! { (name) })
            .chain(labels.iter().map(|label| html! { (value(label)) }))
            .collect::<Vec<_>>()
    });
    table(label, caption, &columns, rows)
}

/// What the circuit makes of each pair.
fn differences(report: &Report) -> Markup {
    let differences = &report.compared.differences;
    html! {
        @if !differences.is_empty() {
            h3 { "How large the " (traced("difference", "response")) " is" }
            (facts_table(
                "Differences",
                &html! { "At the loudspeaker's terminals. Appendix A compares each clip with what listeners can just hear." },
                "comparison",
                differences.iter().map(|facts| (facts.comparison.as_str(), facts.facts.as_slice())),
            ))
        }
    }
}

fn clips(report: &Report) -> Markup {
    let clips = &report.compared.clips;
    html! {
        (facts_table(
            "Clips",
            &html! { @for (place, clip) in clips.iter().enumerate() { @if place > 0 { "; " } (clip.name) ": " (clip.source) } "." },
            "clip",
            clips.iter().map(|clip| (clip.name.as_str(), clip.facts.as_slice())),
        ))
    }
}

fn cables(report: &Report) -> Markup {
    let row = |cable: &CableFacts| {
        vec![
            html! { (cable.name) },
            html! { (cable.description) },
            html! { (scaled(cable.dc_resistance_ohm.as_ref(), 1e3, 1)) },
            html! { (scaled(cable.loop_resistance_ohm.get(2), 1e3, 1)) },
            html! { (scaled(cable.loop_inductance_h.get(1), 1e6, 3)) },
            html! { (scaled(cable.loop_inductance_h.get(2), 1e6, 3)) },
            html! { (scaled(cable.capacitance_f.get(1), 1e12, 0)) },
        ]
    };
    html! {
        (table(
            "Cables",
            &html! {
                "Totals for the length, there and back. Tabled at "
                (CABLE_FREQUENCIES_HZ[1] / 1e3) " and " (CABLE_FREQUENCIES_HZ[2] / 1e3) " kHz."
            },
            &[
                words("cable"),
                words("what it is"),
                explained("R at 0 Hz, mΩ", "cable"),
                numbers("R at 20 kHz, mΩ"),
                numbers("L at 1 kHz, µH"),
                numbers("L at 20 kHz, µH"),
                numbers("C at 1 kHz, pF"),
            ],
            report.compared.cables.iter().map(row),
        ))
    }
}
