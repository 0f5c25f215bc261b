//! What was compared: circuit, cables, clips, and what the simulation covers.

use maud::{Markup, html};

use super::sources::traced;
use super::{figure, wide};
use crate::report::figures;
use crate::report::model::{CABLE_FREQUENCIES_HZ, CableFacts, Report};
use crate::session::{Levels, Switching};
use crate::trial::record::SwitcherTerms;

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
                dt { "amplifier" } dd { @for line in &compared.amplifier { (line) br; } }
                dt { "loudspeaker" } dd { @for line in &compared.loudspeaker { (line) br; } }
                dt { "levels" } dd {
                    @match report.session.levels {
                        Levels::Matched => "matched: both sides at equal loudness (ITU-R BS.1770)",
                        Levels::AsWired => "as wired: the level difference that the cables make is kept",
                    }
                }
                dt { "switching" } dd {
                    @if let Some(switcher) = &report.session.switcher { (switched(switcher)) } @else { @match report.session.switching {
                        Switching::Gap => "a short silence",
                        Switching::Instant => "an equal-length crossfade at the same place in the clip",
                    } }
                }
            }
            @for facts in &compared.differences {
                h3 { (facts.comparison) ", " (traced("on paper", "response")) }
                @for words in &facts.words { p { (words) } }
            }
            div.figures.on-paper { @for picture in &compared.figures { (figure(picture)) } }
            @if report.session.switcher.is_none() { (simulation()) }
        }
    }
}

/// Real cables: what was switched, by whom, and how that was verified.
fn switched(switcher: &SwitcherTerms) -> String {
    let [first, second] = &switcher.terminals;
    let by = match switcher.kind.as_str() {
        "operator" => "by a person out of the listener's sight, told on a page of their own",
        _ => "by a relay",
    };
    let labels = if switcher.labels_drawn == Some(true) { "; the seal said which got label 1" } else { "" };
    let longer = switcher.spread_ms.filter(|spread| *spread > 0).map_or_else(String::new, |spread| {
        format!(" (and up to {} s more, as the seal says)", spread as f64 / 1000.0)
    });
    let verified = if switcher.measured == Some(true) {
        "both positions were to be measured before the first and after the last trial"
    } else {
        "nobody was to measure the positions"
    };
    format!(
        "the real cables {first} and {second}, {by}{labels}: nothing connected for {} s{longer}, connected for {} s, then the music, \
         the same steps each time; {verified}",
        switcher.apart_ms as f64 / 1000.0,
        switcher.settle_ms as f64 / 1000.0
    )
}

fn simulation() -> Markup {
    html! {
            h3 { "What the simulation covers and what not" }
            p {
                "Covered: the voltage at the loudspeaker's terminals, from the amplifier's output impedance, the cable's "
                "resistance, inductance, capacitance and conductance with skin and proximity effect, and the loudspeaker's "
                "impedance; linear and unchanging in time. It was heard over the listener's own equipment, so what was "
                "heard is the difference between two cables, added to that equipment."
            }
            p {
                "Not covered: whatever is claimed beyond the linear voltage at the terminals (hum picked up by a cable, an "
                "amplifier that misbehaves on capacitance, bad contacts, distortion), and the room. A claim that rests on "
                "these is neither supported nor refuted here."
            }
    }
}

/// Everything else that is known of the circuit, the cables and the clips.
pub(super) fn appendix(report: &Report) -> Markup {
    let compared = &report.compared;
    html! {
        (cables(report))
        @for facts in &compared.differences {
            h4 { (facts.comparison) }
            dl.facts { @for (label, value) in &facts.facts { dt { (label) } dd { (value) } } }
        }
        div.figures { @for picture in &compared.more_figures { (figure(picture)) } }
        h4 { (traced("Clips", "loudness")) }
        div.figures {
            @for clip in &compared.clips {
                div {
                    h4 { (clip.name) }
                    dl.facts {
                        dt { "source" } dd { (clip.source) }
                        @for (label, value) in &clip.facts { dt { (label) } dd { (value) } }
                    }
                    @if let Some(picture) = figures::spectrum(clip) { (figure(&picture)) }
                }
            }
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

fn cables(report: &Report) -> Markup {
    let row = |cable: &CableFacts| {
        html! {
            tr {
                th scope="row" { (cable.name) }
                td { (cable.description) }
                td.n { (scaled(cable.dc_resistance_ohm.as_ref(), 1e3, 1)) }
                td.n { (scaled(cable.loop_resistance_ohm.get(2), 1e3, 1)) }
                td.n { (scaled(cable.loop_inductance_h.get(1), 1e6, 3)) }
                td.n { (scaled(cable.loop_inductance_h.get(2), 1e6, 3)) }
                td.n { (scaled(cable.capacitance_f.get(1), 1e12, 0)) }
            }
        }
    };
    html! {
        h4 { (traced("Cables", "cable")) }
        (wide("Cables", html! {
            table {
                caption {
                    "Totals for the length, there and back. Tabled at "
                    (CABLE_FREQUENCIES_HZ[1] / 1e3) " and " (CABLE_FREQUENCIES_HZ[2] / 1e3) " kHz."
                }
                thead { tr {
                    th scope="col" { "cable" }
                    th scope="col" { "what it is" }
                    th.n scope="col" { "R at 0 Hz, mΩ" }
                    th.n scope="col" { "R at 20 kHz, mΩ" }
                    th.n scope="col" { "L at 1 kHz, µH" }
                    th.n scope="col" { "L at 20 kHz, µH" }
                    th.n scope="col" { "C at 1 kHz, pF" }
                } }
                tbody { @for cable in &report.compared.cables { (row(cable)) } }
            }
        }))
    }
}
