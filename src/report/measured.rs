//! The bench report: what was measured of two cables, as one page and as pictures.
//!
//! Comes in: results of the [`bench`](crate::bench). Goes out: one HTML page without scripts, and figures. It computes nothing
//! but what it draws, and judges nothing: the sentences are the bench's own.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::page::{drawing, shell, wide};
use super::response_figures::{axis, ends, points};
use super::svg::{Axis, Chart, Figure, Tone, escape};
use crate::bench::apart::Apart;
use crate::bench::distortion::{self, Distortion};
use crate::bench::null::Null;
use crate::bench::response::Response;
use crate::hearing::weighting::just_noticeable_db;
use crate::units::printed;

/// Within this, levels count as matched: common practice, no source.
const MATCHED_DB: f64 = 0.1;
/// Levels above threshold in dB between which the just noticeable step is shown, and where it was measured, in Hz.
const LOUD_TO_SOFT_DB: (f64, f64) = (80.0, 40.0);
const MEASURED_STEPS_HZ: [f64; 2] = [200.0, 8000.0];
/// Figures of a difference are never finer than this, in dB.
const SMALLEST_REACH_DB: f64 = 0.001;

/// A file that something was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawFile {
    /// What it is of.
    pub role: String,
    /// Its name, without its folder.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, as hex digits.
    pub sha256: String,
}

/// A cable that was measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// What it is called.
    pub name: String,
    /// Its response at the load.
    pub response: Response,
    /// Its distortion, where the sweep is long enough to tell.
    pub distortion: Option<Distortion>,
}

/// Two recordings of music that were nulled.
#[derive(Debug, Clone, PartialEq)]
pub struct Nulled {
    /// A against B.
    pub null: Null,
    /// A against A once more.
    pub baseline: Option<Null>,
}

/// All that a bench report shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// Title.
    pub title: String,
    /// Both cables.
    pub cables: [Measured; 2],
    /// A minus B.
    pub apart: Apart,
    /// The first cable measured again, minus the first time.
    pub again: Option<Apart>,
    /// Recordings of music.
    pub nulled: Option<Nulled>,
    /// Every file that was read.
    pub files: Vec<RawFile>,
    /// What the bench has to say of them, in sentences.
    pub notes: Vec<String>,
}

/// Names of the equipment, in two lines each: the chain from the interface to the load, then both inputs.
const EQUIPMENT: [[&str; 2]; 6] = [
    ["Interface", "output"],
    ["Amplifier", ""],
    ["Cable", "under test"],
    ["Load", "(loudspeaker)"],
    ["Input 1, divider", "(reference)"],
    ["Input 2, divider", "(response)"],
];

/// Where the equipment is drawn.
struct Plan {
    size: [f64; 2],
    /// Left, top and width of each block of [`EQUIPMENT`].
    blocks: [[f64; 3]; 6],
    /// The chain, and what joins the inputs to it.
    paths: [&'static str; 3],
    /// Where they are joined.
    joints: [[f64; 2]; 2],
}

/// The chain from left to right, on a page.
const ON_A_PAGE: Plan = Plan {
    size: [640.0, 250.0],
    blocks: [
        [12.0, 30.0, 120.0],
        [182.0, 30.0, 120.0],
        [352.0, 30.0, 120.0],
        [522.0, 30.0, 106.0],
        [252.0, 180.0, 126.0],
        [430.0, 180.0, 126.0],
    ],
    paths: ["M132 56H182M302 56H352M472 56H522", "M327 56V180", "M497 56V180"],
    joints: [[327.0, 56.0], [497.0, 56.0]],
};

/// From top to bottom, on a phone.
const NARROW: Plan = Plan {
    size: [360.0, 320.0],
    blocks: [
        [12.0, 4.0, 130.0],
        [12.0, 90.0, 130.0],
        [12.0, 176.0, 130.0],
        [12.0, 262.0, 130.0],
        [208.0, 133.0, 140.0],
        [208.0, 219.0, 140.0],
    ],
    paths: ["M77 56V90M77 142V176M77 228V262", "M77 159H208", "M77 245H208"],
    joints: [[77.0, 159.0], [77.0, 245.0]],
};

/// The equipment: what is joined to what. Both inputs are behind dividers.
fn set_up() -> Figure {
    let description = "The interface's output feeds the amplifier; the cable under test joins the amplifier to the load. Input 1 \
                       listens at the amplifier's terminals, input 2 at the load's, each behind the same kind of voltage divider. \
                       What both inputs share cancels."
        .to_owned();
    let title = "Set-up".to_owned();
    let [inline, narrow] = [ON_A_PAGE, NARROW].map(|plan| {
        let [wide, high] = plan.size;
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" role=\"img\" viewBox=\"0 0 {wide} {high}\" \
             aria-label=\"{}\"><title>{title}</title>",
            escape(&description)
        );
        for ([x, y, width], lines) in plan.blocks.iter().zip(EQUIPMENT) {
            let _ = write!(svg, "<path class=\"axis\" d=\"M{x} {y}h{width}v52h-{width}Z\"/>");
            for (line, text) in lines.iter().enumerate() {
                let (middle, down) = (x + width / 2.0, y + 22.0 + 18.0 * line as f64);
                let _ = write!(svg, "<text text-anchor=\"middle\" x=\"{middle}\" y=\"{down}\">{text}</text>");
            }
        }
        for (tone, path) in ["t1", "t2", "t3"].iter().zip(plan.paths) {
            let _ = write!(svg, "<path class=\"line {tone}\" d=\"{path}\"/>");
        }
        for (tone, [x, y]) in ["t2", "t3"].iter().zip(plan.joints) {
            let _ = write!(svg, "<circle class=\"mark {tone}\" cx=\"{x}\" cy=\"{y}\" r=\"5\"/>");
        }
        svg.push_str("</svg>");
        svg
    });
    Figure { title, description, inline, narrow }
}

fn responses(bench: &Bench) -> Figure {
    let gains = bench.cables.iter().flat_map(|cable| &cable.response.gain_db);
    let (low, high) = ends(gains);
    let room = (0.1 * (high - low)).max(0.02);
    let mut chart = Chart::new("Responses at the load", axis(), Axis::linear("dB", low - room, high + room));
    let mut words = String::from("Level at the load over level at the amplifier, mean of the sweeps:");
    for (cable, tone) in bench.cables.iter().zip([Tone::First, Tone::Second]) {
        let response = &cable.response;
        chart.line(tone, &inside(&response.frequency_hz, &response.gain_db));
        chart.name(tone, cable.name.clone());
        let (least, most) = ends(response.gain_db.iter());
        let (least, most) = (printed::fixed(least, 3, "dB"), printed::fixed(most, 3, "dB"));
        let _ = write!(words, " {} from {least} to {most};", cable.name);
    }
    words.pop();
    words.push('.');
    chart.finish(words)
}

/// Points of a curve within the figures' band.
fn inside(frequencies: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    let (low, high) = crate::hearing::difference::BAND_HZ;
    points(frequencies, values)
        .into_iter()
        .filter(|(frequency, _)| (low..=high).contains(frequency))
        .collect()
}

/// How far apart the two are, on the page, in the terminal and in JSON; whoever has put the first cable back need not be told to.
pub fn sentence(bench: &Bench) -> String {
    if bench.again.is_some() { bench.apart.found() } else { bench.apart.to_string() }
}

/// How far the first cable is from itself.
fn anew(bench: &Bench) -> Option<String> {
    let again = bench.again.as_ref()?;
    Some(format!(
        "Joined anew, the first cable is {} from itself, at {}: a difference of that size says nothing.",
        crate::bench::apart::fine(again.largest_db),
        printed::hertz(again.at_hz)
    ))
}

fn difference(bench: &Bench) -> Figure {
    let apart = &bench.apart;
    let within = inside(&apart.frequency_hz, &apart.gain_db);
    let again = bench.again.as_ref().map(|again| inside(&again.frequency_hz, &again.gain_db));
    let moved = |sign: f64| -> Option<Vec<(f64, f64)>> {
        let uncertainty = apart.uncertainty_db.as_ref()?;
        let values: Vec<f64> =
            apart.gain_db.iter().zip(uncertainty).map(|(gain, own)| gain + sign * own).collect();
        Some(inside(&apart.frequency_hz, &values))
    };
    let around = moved(-1.0).zip(moved(1.0));
    let shown = within.iter().chain(again.iter().flatten());
    let reach = shown.map(|point| point.1.abs()).fold(SMALLEST_REACH_DB, f64::max) * 1.3;
    let mut chart =
        Chart::new("Difference against thresholds", axis(), Axis::linear("A minus B, dB", -reach, reach));
    let clamped = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().map(|(frequency, value)| (*frequency, value.clamp(-reach, reach))).collect()
    };
    let (low, high) = crate::hearing::difference::BAND_HZ;
    let flat = |level: f64| clamped(&[(low, level), (high, level)]);
    chart.band(Tone::Quiet, &flat(-MATCHED_DB), &flat(MATCHED_DB));
    let (loud, soft) = (just_noticeable_db(LOUD_TO_SOFT_DB.0), just_noticeable_db(LOUD_TO_SOFT_DB.1));
    if loud < reach {
        for sign in [-1.0, 1.0] {
            let edge = |level: f64| clamped(&MEASURED_STEPS_HZ.map(|frequency| (frequency, sign * level)));
            chart.band(Tone::Critical, &edge(loud), &edge(soft));
        }
    }
    chart.across(Tone::Quiet, 0.0);
    if let Some((lower, upper)) = &around {
        chart.band(Tone::First, &clamped(lower), &clamped(upper));
    }
    if let Some(again) = &again {
        chart.line(Tone::Third, again);
        chart.name(Tone::Third, "the first cable measured again");
    }
    chart.line(Tone::First, &within);
    chart.name(Tone::First, format!("{} minus {}", bench.cables[0].name, bench.cables[1].name));
    if around.is_some() {
        chart.name_band(Tone::First, "what repeating leaves unknown (95 %)");
    }
    chart.name_band(Tone::Quiet, "0.1 dB, usual for matched levels");
    if loud < reach {
        chart.name_band(Tone::Critical, "just noticeable step of a tone");
    }
    let mut words = format!("The two responses are {}.", sentence(bench));
    words.extend(anew(bench).map(|anew| format!(" {anew}")));
    let _ = write!(
        words,
        " Listeners need {loud} (loud) to {soft} (soft) to hear a level change in a pure tone, 200 Hz to 8 kHz \
         (Jesteadt, Wier & Green 1977, JASA 61:169).",
        loud = printed::decibels(loud),
        soft = printed::decibels(soft)
    );
    chart.finish(words)
}

fn distortions(bench: &Bench) -> Option<(Figure, String)> {
    let [a, b] = &bench.cables;
    let (one, other) = (a.distortion.as_ref()?, b.distortion.as_ref()?);
    let floor = |of: &Distortion| -> Vec<f64> {
        of.floor_db.iter().map(|decibels| 100.0 * 10_f64.powf(decibels / 20.0)).collect()
    };
    let floors = floor(one);
    let all = one.thd_percent.iter().chain(&other.thd_percent).chain(&floors).filter(|value| **value > 0.0);
    let (low, high) = ends(all);
    let mut chart = Chart::new(
        "Distortion",
        axis(),
        Axis::logarithmic("THD, % of the fundamental", low.max(1e-7) / 1.5, high.max(1e-6) * 1.5),
    );
    let lifted = |values: &[f64]| values.iter().map(|value| value.max(low.max(1e-7))).collect::<Vec<_>>();
    for (found, cable, tone) in [(one, a, Tone::First), (other, b, Tone::Second)] {
        chart.line(tone, &inside(&found.frequency_hz, &lifted(&found.thd_percent)));
        chart.name(tone, cable.name.clone());
    }
    chart.line(Tone::Chance, &inside(&one.frequency_hz, &lifted(&floors)));
    chart.name(Tone::Chance, "what noise alone gives as one harmonic");
    let sentence = format!("{} minus {}: {}.", a.name, b.name, distortion::apart(one, other));
    let figure = chart.finish(format!(
        "Second to ninth harmonic together, of the whole chain (interface, amplifier, cable and load). {sentence}"
    ));
    Some((figure, sentence))
}

fn nulled(found: &Nulled) -> Figure {
    let steps = |null: &Null| -> Vec<(f64, f64)> {
        let bands = null.bands.iter().filter_map(|band| band.residual_db.map(|residual| (band, residual)));
        bands.map(|(band, residual)| ((band.from_hz * band.to_hz).sqrt(), residual.max(-160.0))).collect()
    };
    let (own, base) = (steps(&found.null), found.baseline.as_ref().map(steps));
    let values: Vec<f64> = own.iter().chain(base.iter().flatten()).map(|point| point.1).collect();
    let (low, high) = ends(values.iter());
    let mut chart = Chart::new(
        "Null test",
        axis(),
        Axis::linear("left of A, dB", (low - 5.0).max(-165.0), (high + 5.0).min(5.0).max(low + 1.0)),
    );
    chart.line(Tone::First, &own);
    chart.name(Tone::First, "A against B");
    let mut words = format!(
        "Two recordings of the same music, aligned in time, gain, polarity and clock: {} of A is left.",
        printed::fixed(found.null.residual_db, 1, "dB")
    );
    if let (Some(base), Some(null)) = (&base, &found.baseline) {
        chart.line(Tone::Third, base);
        chart.name(Tone::Third, "A against A recorded again");
        let _ = write!(words, " The same cable twice leaves {}.", printed::fixed(null.residual_db, 1, "dB"));
    } else {
        words.push_str(" Nothing nulls completely: without the same cable recorded twice this says nothing about the cables.");
    }
    chart.finish(words)
}

/// Every figure, with the name of its file.
pub fn figures(bench: &Bench) -> Vec<(&'static str, Figure)> {
    let mut all =
        vec![("set-up", set_up()), ("responses", responses(bench)), ("difference", difference(bench))];
    all.extend(distortions(bench).map(|(figure, _)| ("distortion", figure)));
    all.extend(bench.nulled.as_ref().map(|found| ("null", nulled(found))));
    all
}

/// A row of facts on both cables.
fn row(bench: &Bench, name: &str, value: impl Fn(&Response) -> String) -> Markup {
    html! {
        tr {
            th scope="row" { (name) }
            @for cable in &bench.cables { td.n data-label=(cable.name) { (super::svg::minus(&value(&cable.response))) } }
        }
    }
}

fn facts(bench: &Bench) -> Markup {
    html! {
        (wide("Measurements", html! {
            table.cards {
                caption { "What the bench found. Delay and polarity were removed from the responses." }
                thead { tr { th {} @for cable in &bench.cables { th.n { (cable.name) } } } }
                tbody {
                    (row(bench, "Sweeps averaged", |own| own.repeats.to_string()))
                    (row(bench, "Delay removed", |own| printed::fixed((1e9 * own.delay_s).round() / 1e3 + 0.0, 3, "µs")))
                    (row(bench, "Polarity", |own| if own.polarity < 0 { "reversed".into() } else { "as the reference".into() }))
                    (row(bench, "Clock", |own| own.clock_ppm.map_or("-".into(), |ppm| printed::signed((1e3 * ppm).round() / 1e3 + 0.0, 3, "ppm"))))
                    (row(bench, "Noise", |own| own.noise_dbfs.map_or("-".into(), |noise| printed::fixed(noise, 1, "dBFS"))))
                }
            }
        }))
    }
}

/// The page.
pub fn page(bench: &Bench) -> String {
    let distorted = distortions(bench);
    let all = figures(bench);
    let show = |name: &str| html! { @for (_, drawn) in all.iter().filter(|(of, _)| *of == name) { (drawing(drawn)) } };
    let [a, b] = &bench.cables;
    let body = html! {
        header {
            p.over { "Measured on the bench" }
            h1 { (bench.title) }
            p.over { (a.name) " (A) and " (b.name) " (B)" }
        }
        main {
            section {
                h2 { "What was found" }
                p.lead { "The two responses are " (sentence(bench)) "." }
                @if let Some(anew) = anew(bench) { p { (anew) } }
                @if let Some((_, sentence)) = &distorted { p { "THD, " (sentence) } }
                @if bench.again.is_none() {
                    p.remedy { "The first cable was not measured a second time, so nobody knows what unplugging it and joining it again changes." }
                }
                p.remedy { "A difference that can be measured need not be heard: only a blind listening test can tell." }
            }
            section { h2 { "Set-up" } (show("set-up")) }
            section { h2 { "Responses" } (show("responses")) (facts(bench)) }
            section { h2 { "Difference" } (show("difference")) }
            @if distorted.is_some() { section { h2 { "Distortion" } (show("distortion")) } }
            @if bench.nulled.is_some() { section { h2 { "Null test" } (show("null")) } }
            section {
                h2 { "Raw captures" }
                (wide("Raw captures", html! {
                    table.cards {
                        caption { "With these files anybody can measure everything again; the digest tells whether they are the same." }
                        thead { tr { th { "of" } th { "file" } th.n { "bytes" } th { "SHA-256" } } }
                        tbody {
                            @for file in &bench.files {
                                tr {
                                    th scope="row" { (file.role) }
                                    td data-label="file" { (file.name) }
                                    td.n data-label="bytes" { (file.bytes) }
                                    td data-label="SHA-256" { span.hex { (file.sha256) } }
                                }
                            }
                        }
                    }
                }))
                @if !bench.notes.is_empty() { ul.caveats { @for note in &bench.notes { li { (note) } } } }
            }
        }
        footer {
            p {
                "Written by Earwitness from the captures named above. The same files give the same bytes. The interface's own "
                "noise and distortion are in every result. This program advises; it certifies nothing."
            }
        }
    };
    shell(&format!("{} - bench report", bench.title), "", "", body)
}
