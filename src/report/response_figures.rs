//! Figures of the circuit: both responses, their difference against known thresholds, cables over frequency.
//!
//! Comes in: a session. Goes out: figures, for reports and for files of their own. Everything is computed by `circuit` and
//! `hearing`; here it is only drawn and put into words.

use std::fmt::Write as _;

use super::svg::{Axis, Chart, Figure, Tone, cut, panels};
use crate::circuit::CircuitError;
use crate::hearing::difference::{BAND_HZ, gain_db, logarithmic};
use crate::hearing::weighting::just_noticeable_db;
use crate::hearing::{Difference, Summary, Uncertainty};
use crate::session::{Comparison, Levels, Session};
use crate::units::printed;
use crate::units::printed::{capital, plus_minus};

/// Points of a curve, evenly spaced on a logarithmic axis from 20 Hz to 20 kHz.
const POINTS: usize = 240;
/// Where cables are shown by themselves, in Hz.
const CABLE_BAND_HZ: (f64, f64) = (100.0, 100e3);
/// Levels above threshold in dB between which the just noticeable step is shown: loud and soft tones.
const LOUD_TO_SOFT_DB: (f64, f64) = (80.0, 40.0);
/// The axis of a difference is never finer than this, in dB: no difference is a line, and not noise.
const SMALLEST_REACH_DB: f64 = 0.001;
/// Frequencies in Hz between which such steps were measured: the band is drawn there and nowhere else.
const MEASURED_STEPS_HZ: [f64; 2] = [200.0, 8000.0];
/// Within this, levels count as matched: common practice, no source.
const MATCHED_DB: f64 = 0.1;

/// Every figure of one comparison: both responses, their difference, and the two cables over frequency.
///
/// # Errors
/// The circuit has no answer.
pub fn of_comparison(session: &Session, comparison: &Comparison) -> Result<Vec<Figure>, CircuitError> {
    let mut all = vec![responses(session, comparison)?, difference(session, comparison)?];
    all.extend(unknown(session, comparison)?);
    all.push(load(session));
    let sides = [("A, ", comparison.a), ("B, ", comparison.b)];
    all.extend(over_cables(session, &format!("{}: ", comparison.name.shown()), &sides)?);
    Ok(all)
}

fn frequencies() -> Vec<f64> {
    logarithmic(BAND_HZ.0, BAND_HZ.1, POINTS)
}

pub(super) fn axis() -> Axis {
    Axis::logarithmic("frequency, Hz", BAND_HZ.0, BAND_HZ.1)
}

pub(super) fn points(frequencies: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    frequencies.iter().copied().zip(values.iter().copied()).collect()
}

pub(super) fn ends<'v>(values: impl Iterator<Item = &'v f64>) -> (f64, f64) {
    values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)))
}

/// Level, phase and group delay of both sides at the loudspeaker, below one another.
///
/// # Errors
/// The circuit has no answer.
pub fn responses(session: &Session, comparison: &Comparison) -> Result<Figure, CircuitError> {
    let mut charts = vec![level(session, comparison)?];
    charts.extend(timing(session, comparison)?);
    Ok(panels(&format!("{}: both sides at the loudspeaker", comparison.name.shown()), charts))
}

/// Level at the loudspeaker of both sides, relative to the amplifier without a load.
fn level(session: &Session, comparison: &Comparison) -> Result<(Chart, String), CircuitError> {
    let frequencies = frequencies();
    let side = |cable: usize| -> Result<Vec<f64>, CircuitError> {
        Ok(session.chain(cable).transfer(&frequencies)?.into_iter().map(gain_db).collect())
    };
    let (a, b) = (side(comparison.a)?, side(comparison.b)?);
    let (low, high) = ends(a.iter().chain(&b));
    let room = (0.1 * (high - low)).max(0.02);
    let mut chart =
        Chart::new("level at the loudspeaker", axis(), Axis::linear("dB", low - room, high + room))
            .tall(185.0);
    let names = [comparison.a, comparison.b].map(|cable| session.cables[cable].name.shown());
    chart.line(Tone::First, &points(&frequencies, &a));
    chart.line(Tone::Second, &points(&frequencies, &b));
    chart.name(Tone::First, format!("A, {}", cut(names[0], 24)));
    chart.name(Tone::Second, format!("B, {}", cut(names[1], 24)));
    let range = |name: &str, values: &[f64]| {
        let (low, high) = ends(values.iter());
        format!("{name} from {low:.2} to {high}", high = printed::decibels(high))
    };
    let words = format!(
        "Voltage at the loudspeaker's terminals over the amplifier's voltage without load, 20 Hz to 20 kHz: {}; {}.",
        range(names[0], &a),
        range(names[1], &b)
    );
    Ok((chart, words))
}

/// Side A minus side B, and what is left after the best single level match, with known thresholds as bands.
///
/// # Errors
/// The circuit has no answer.
pub fn difference(session: &Session, comparison: &Comparison) -> Result<Figure, CircuitError> {
    let frequencies = frequencies();
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let summary = Summary::between(&a, &b)?;
    let whole = Difference::between(&a, &b, &frequencies)?.gain_db;
    let shape: Vec<f64> = whole.iter().map(|db| db - summary.level_db).collect();
    let unknown = Uncertainty::between(&a, &b, &summary, &frequencies)?;
    let around = unknown.as_ref().map(|unknown| {
        let moved = |sign: f64| -> Vec<f64> {
            whole.iter().zip(&unknown.gain_db).map(|(db, expanded)| db + sign * expanded).collect()
        };
        (moved(-1.0), moved(1.0))
    });
    let shown = around.iter().flat_map(|(lower, upper)| lower.iter().chain(upper));
    let (low, high) = ends(whole.iter().chain(&shape).chain(shown));
    let (loud, soft) = (just_noticeable_db(LOUD_TO_SOFT_DB.0), just_noticeable_db(LOUD_TO_SOFT_DB.1));
    // The axis is the difference's own: thresholds that lie far outside are said, not drawn.
    let reach = low.abs().max(high.abs()).max(SMALLEST_REACH_DB) * 1.15;
    let mut chart = Chart::new(
        format!("{}: difference against thresholds", comparison.name.shown()),
        axis(),
        Axis::linear("A minus B, dB", -reach, reach),
    )
    .tall(205.0);
    let flat = |level: f64| vec![(BAND_HZ.0, level), (BAND_HZ.1, level)];
    chart.band(Tone::Quiet, &flat(-MATCHED_DB), &flat(MATCHED_DB));
    let thresholds_shown = loud < reach;
    if thresholds_shown {
        for sign in [-1.0, 1.0] {
            let within = |level: f64| MEASURED_STEPS_HZ.map(|frequency| (frequency, sign * level));
            chart.band(Tone::Critical, &within(loud), &within(soft));
        }
    }
    chart.across(Tone::Quiet, 0.0);
    if let Some((lower, upper)) = &around {
        chart.band(Tone::First, &points(&frequencies, lower), &points(&frequencies, upper));
    }
    chart.line(Tone::First, &points(&frequencies, &whole));
    chart.line(Tone::Third, &points(&frequencies, &shape));
    chart.name(Tone::First, "as wired");
    chart.name(Tone::Third, format!("after a level match ({})", printed::signed_decibels(summary.level_db)));
    if around.is_some() {
        chart.name_band(Tone::First, "unknown about it (95 %)");
    }
    chart.name_band(
        Tone::Critical,
        format!(
            "{loud:.2} to {soft}: just heard in tones{}",
            if thresholds_shown { "" } else { " (off this axis)" },
            soft = printed::decibels(soft)
        ),
    );
    chart.name_band(Tone::Quiet, format!("{MATCHED_DB} dB: counts as matched"));
    let mut words = format!(
        "The largest difference is {} at {}; after the best single level match {} at {} are left. ",
        printed::decibels(summary.max_abs_db),
        printed::hertz(summary.max_abs_at_hz),
        printed::decibels(summary.shape_max_abs_db),
        printed::hertz(summary.shape_max_abs_at_hz)
    );
    let _ = write!(
        words,
        "The thresholds, {loud:.2} to {soft}, are the just noticeable steps of a pure tone from {} to {} dB above \
         threshold, measured from 200 Hz to 8 kHz (Jesteadt, Wier and Green 1977); within {MATCHED_DB} dB levels count as matched (common practice, no \
         source).",
        LOUD_TO_SOFT_DB.0,
        LOUD_TO_SOFT_DB.1,
        soft = printed::decibels(soft)
    );
    if let Some(unknown) = &unknown {
        let _ = write!(words, " {}", unknown.sentence(&summary, session.levels == Levels::Matched));
    }
    Ok(chart.finish(words))
}

/// Phase and group delay of both sides at the loudspeaker.
fn timing(session: &Session, comparison: &Comparison) -> Result<[(Chart, String); 2], CircuitError> {
    let frequencies = frequencies();
    let names = [("A", comparison.a), ("B", comparison.b)]
        .map(|(side, cable)| (side, session.cables[cable].name.shown()));
    let phases = |at: &[f64]| -> Result<[Vec<f64>; 2], CircuitError> {
        let side = |cable: usize| -> Result<Vec<f64>, CircuitError> {
            Ok(session.chain(cable).transfer(at)?.iter().map(|value| value.arg()).collect())
        };
        Ok([side(comparison.a)?, side(comparison.b)?])
    };
    // A slope of the phase over a hundredth of an octave either way.
    let beside = |factor: f64| frequencies.iter().map(|f| f * factor).collect::<Vec<_>>();
    let (below, above) = (beside(2.0_f64.powf(-0.01)), beside(2.0_f64.powf(0.01)));
    let (early, late) = (phases(&below)?, phases(&above)?);
    let delays = [0, 1].map(|side| {
        (0..frequencies.len())
            .map(|k| {
                let step = late[side][k] - early[side][k];
                let whole = std::f64::consts::TAU;
                -(step - whole * (step / whole).round()) / (whole * (above[k] - below[k])) * 1e6
            })
            .collect::<Vec<f64>>()
    });
    let degrees =
        phases(&frequencies)?.map(|side| side.iter().map(|phase| phase.to_degrees()).collect::<Vec<_>>());
    let draw = |title: &str, unit: &str, curves: &[Vec<f64>; 2]| {
        let (low, high) = ends(curves[0].iter().chain(&curves[1]));
        let room = (0.1 * (high - low)).max(0.01);
        let mut chart = Chart::new(title, axis(), Axis::linear(unit, low - room, high + room)).tall(160.0);
        let mut words = format!("{} at 20 Hz, 1 kHz and 20 kHz:", capital(title));
        for (order, ((side, name), values)) in names.iter().zip(curves).enumerate() {
            chart.line(Tone::of(order), &points(&frequencies, values));
            chart.name(Tone::of(order), format!("{side}, {}", cut(name, 24)));
            let middle = frequencies.partition_point(|f| *f < 1000.0);
            let _ = write!(
                words,
                " {name} {:.3}, {:.3} and {:.3} {unit};",
                values[0],
                values[middle],
                values[values.len() - 1]
            );
        }
        words.pop();
        words.push('.');
        (chart, words)
    };
    Ok([draw("phase", "degrees", &degrees), draw("group delay", "µs", &delays)])
}

/// Magnitude and phase of the loudspeaker's impedance.
pub fn load(session: &Session) -> Figure {
    let frequencies = frequencies();
    let impedance: Vec<_> = frequencies
        .iter()
        .map(|&frequency| session.loudspeaker.immittance(frequency).to_impedance())
        .collect();
    let ohm: Vec<f64> = impedance.iter().map(|z| z.norm()).collect();
    let (_, high) = ends(ohm.iter());
    let mut chart =
        Chart::new("Impedance of the loudspeaker", axis(), Axis::linear("Ω", 0.0, high * 1.1)).tall(200.0);
    chart.line(Tone::First, &points(&frequencies, &ohm));
    chart.name(Tone::First, "magnitude");
    let (lowest, at_hz) = session.loudspeaker.lowest_impedance(BAND_HZ.0, BAND_HZ.1);
    let phases = impedance.iter().map(|z| z.arg().to_degrees()).collect::<Vec<_>>();
    let (least, most) = ends(phases.iter());
    chart.finish(format!(
        "Lowest {lowest} at {at_hz}, highest {high}; phase from {least:.0} to {most}.",
        lowest = printed::fixed(lowest, 2, "Ω"),
        at_hz = printed::hertz(at_hz),
        high = printed::fixed(high, 2, "Ω"),
        most = printed::fixed(most, 0, "degrees")
    ))
}

/// Most values that the figure of unknowns shows.
const MOST_UNKNOWNS: usize = 10;

/// What each value that is known within limits adds to the uncertainty of the difference, the most important on top; nothing
/// if the session gives no tolerances.
///
/// # Errors
/// The circuit has no answer.
pub fn unknown(session: &Session, comparison: &Comparison) -> Result<Option<Figure>, CircuitError> {
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let summary = Summary::between(&a, &b)?;
    let Some(unknown) = Uncertainty::between(&a, &b, &summary, &[])? else { return Ok(None) };
    let matched = session.levels == Levels::Matched;
    let names = [comparison.a, comparison.b].map(|cable| session.cables[cable].name.shown());
    // The name at the bar, and in the caption how well it is known.
    let mut parts: Vec<([String; 2], f64)> = unknown
        .contributions
        .iter()
        .map(|part| {
            (
                [part.name(names), part.words(names)],
                if matched { part.shape_max_abs_db } else { part.max_abs_db },
            )
        })
        .collect();
    parts.sort_by(|one, other| other.1.total_cmp(&one.1));
    let left_out = parts.len().saturating_sub(MOST_UNKNOWNS);
    parts.truncate(MOST_UNKNOWNS);
    let (size, all) = unknown.played(&summary, matched);
    let rows = parts.len() as f64;
    let reach = parts.iter().map(|(_, size)| *size).fold(all, f64::max) * 1.25;
    let mut chart = Chart::new(
        format!("{}: what is unknown about the difference", comparison.name.shown()),
        Axis::linear("part of the uncertainty (95 %), dB", -reach, reach),
        Axis::linear("", 0.0, rows + 1.0).with_ticks(Vec::new()),
    )
    .tall(80.0 + 22.0 * (rows + 1.0))
    .left_for(parts.iter().map(|([name, _], _)| name.as_str()).chain(["all together"]));
    let mut words = format!("The difference is {}.", plus_minus(size, all));
    let together = (["all together".to_owned(), "all together".to_owned()], all);
    for (row, ([name, known], part)) in parts.iter().chain([&together]).enumerate() {
        let middle = rows + 0.5 - row as f64;
        let tone = if row == parts.len() { Tone::Second } else { Tone::First };
        chart.bar(tone, (-part, middle - 0.32), (*part, middle + 0.32));
        chart.words(name, (-reach, middle), "end", -8.0, 4.0);
        let _ = write!(words, " {known}: {part}.", part = printed::decibels(*part));
    }
    chart.upright(Tone::Quiet, 0.0);
    if left_out > 0 {
        let _ = write!(words, " {left_out} smaller parts are left out.");
    }
    Ok(Some(chart.finish(words)))
}

/// Loop resistance, loop inductance and capacitance of all cables over frequency; nothing for cables that were measured
/// as a response.
///
/// # Errors
/// The circuit has no answer.
pub fn cables(session: &Session) -> Result<Vec<Figure>, CircuitError> {
    let all: Vec<(&str, usize)> = (0..session.cables.len()).map(|index| ("", index)).collect();
    over_cables(session, "", &all)
}

/// A cable's name in the legend and its values; one row per cable that has any.
type Curves = Vec<(String, Vec<f64>)>;

/// Resistance, inductance and capacitance of some cables, each with a word before its name.
fn over_cables(session: &Session, title: &str, shown: &[(&str, usize)]) -> Result<Vec<Figure>, CircuitError> {
    let frequencies = logarithmic(CABLE_BAND_HZ.0, CABLE_BAND_HZ.1, POINTS);
    let (mut resistance, mut inductance, mut capacitance) = (Curves::new(), Curves::new(), Curves::new());
    for (before, index) in shown {
        let parameters = session.chain(*index).parameters(&frequencies)?;
        let name = format!("{before}{}", session.cables[*index].name.shown());
        let add = |curves: &mut Curves, values: Option<Vec<f64>>, factor: f64| {
            let values =
                values.map(|values| values.into_iter().map(|value| value * factor).collect::<Vec<_>>());
            curves.extend(
                values
                    .filter(|values| values.iter().any(|value| *value != 0.0))
                    .map(|values| (name.clone(), values)),
            );
        };
        add(&mut resistance, parameters.loop_resistance_ohm, 1e3);
        add(&mut inductance, parameters.loop_inductance_h, 1e6);
        add(&mut capacitance, parameters.capacitance_f, 1e9);
    }
    let charts: Vec<(Chart, String)> = [
        ("loop resistance", "mΩ", resistance),
        ("loop inductance", "µH", inductance),
        ("capacitance", "nF", capacitance),
    ]
    .into_iter()
    .filter(|(_, _, curves)| !curves.is_empty())
    .map(|(what, unit, curves)| over_frequency(what, unit, &frequencies, &curves))
    .collect();
    let title = if title.is_empty() { "The cables".to_owned() } else { format!("{title}the cables") };
    Ok(if charts.is_empty() { Vec::new() } else { vec![panels(&title, charts)] })
}

/// Most curves that one picture can carry and still be told apart.
const MOST_CURVES: usize = 4;

fn over_frequency(
    title: &str,
    unit: &str,
    frequencies: &[f64],
    curves: &[(String, Vec<f64>)],
) -> (Chart, String) {
    let shown = &curves[..curves.len().min(MOST_CURVES)];
    let (_, high) = ends(shown.iter().flat_map(|(_, values)| values));
    let across = Axis::logarithmic("frequency, Hz", CABLE_BAND_HZ.0, CABLE_BAND_HZ.1);
    let mut chart = Chart::new(title, across, Axis::linear(unit, 0.0, high * 1.1)).tall(160.0).right(20.0);
    let mut words = format!("{} of the whole length, there and back:", capital(title));
    for (index, (name, values)) in shown.iter().enumerate() {
        chart.line(Tone::of(index), &points(frequencies, values));
        chart.name(Tone::of(index), cut(name, 30));
        let (first, last) = (values[0], values[values.len() - 1]);
        let _ = write!(words, " {name} {first:.3} {unit} at 100 Hz, {last:.3} {unit} at 100 kHz;");
    }
    if curves.len() > shown.len() {
        let _ = write!(words, " {} more cables are in the table;", curves.len() - shown.len());
    }
    words.pop();
    words.push('.');
    (chart, words)
}
