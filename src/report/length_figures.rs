//! Figures over length: what a cable takes away from the level at the loudspeaker, the longer it is.
//!
//! Comes in: a session. Goes out: one figure for each load and frequency, all cables in it. Each cable is laid between the
//! session's amplifier and the load, from a few decimetres to a hall's length, and compared with no cable at all.

use std::fmt::Write as _;

use super::svg::{Axis, Chart, Figure, Tone, cut, panels};
use crate::circuit::{Cable, Chain, CircuitError, Loudspeaker};
use crate::hearing::difference::{Difference, logarithmic};
use crate::hearing::uncertainty::unknown_at;
use crate::hearing::weighting::just_noticeable_db;
use crate::session::Session;
use crate::units::printed;

/// Lengths in metres that are always shown.
const LENGTHS_M: (f64, f64) = (0.5, 50.0);
/// Points of a curve.
const POINTS: usize = 41;
/// Frequencies in Hz at which a loss is shown.
const AT_HZ: [f64; 2] = [1000.0, 20_000.0];
/// Smallest and largest loss in dB that is shown.
const LOSS_DB: (f64, f64) = (0.001, 6.0);
/// Loads in ohm that the session's loudspeaker is shown beside.
const RESISTORS_OHM: [f64; 2] = [8.0, 4.0];
/// Levels above threshold in dB between which the just noticeable step is shown: loud and soft tones.
const LOUD_TO_SOFT_DB: (f64, f64) = (80.0, 40.0);
/// Most cables that one picture can carry and still be told apart.
const MOST_CABLES: usize = 4;

/// A cable's name, its length in metres, and for each frequency the loss and what is unknown of it in dB at each length.
struct Curve {
    name: String,
    length_m: f64,
    losses: [Vec<(f64, f64)>; AT_HZ.len()],
}

/// The loss of every cable whose length is known over its length, at the session's loudspeaker.
///
/// # Errors
/// The circuit has no answer.
pub fn at_the_loudspeaker(session: &Session) -> Result<Vec<Figure>, CircuitError> {
    at(session, &session.loudspeaker, "this loudspeaker")
}

/// The same at the session's loudspeaker and at resistors of 8 and 4 ohm, as one sheet.
///
/// # Errors
/// The circuit has no answer.
pub fn at_every_load(session: &Session) -> Result<Vec<Figure>, CircuitError> {
    let mut all = at_the_loudspeaker(session)?;
    for ohm in RESISTORS_OHM {
        all.extend(at(session, &Loudspeaker::resistor(ohm), &printed::fixed(ohm, 0, "Ω"))?);
    }
    Ok(all)
}

fn at(session: &Session, load: &Loudspeaker, load_name: &str) -> Result<Vec<Figure>, CircuitError> {
    let known =
        session.cables.iter().filter_map(|named| Some((named, named.cable.length_m().filter(|m| *m > 0.0)?)));
    let known: Vec<_> = known.take(MOST_CABLES).collect();
    let longest = known.iter().map(|(_, length)| 2.0 * length).fold(LENGTHS_M.1, f64::max);
    let lengths = logarithmic(LENGTHS_M.0, longest, POINTS);
    let mut curves = Vec::new();
    for (named, length_m) in known {
        // Solved once: stretching a line changes its length, not what a metre of it is.
        let solved = named.cable.solved_at(&AT_HZ)?;
        let mut losses = [Vec::with_capacity(POINTS), Vec::with_capacity(POINTS)];
        for length in &lengths {
            let Some(cable) = solved.stretched(length / length_m) else { continue };
            let with = |cable: Cable| Chain {
                amplifier: session.amplifier.clone(),
                cable,
                loudspeaker: load.clone(),
            };
            let (a, none) = (with(cable), with(Cable::Direct));
            let difference = Difference::between(&a, &none, &AT_HZ)?;
            let unknown = unknown_at(&a, &none, &AT_HZ)?.unwrap_or_else(|| vec![0.0; AT_HZ.len()]);
            for (index, curve) in losses.iter_mut().enumerate() {
                curve.push((difference.gain_db[index].abs(), unknown[index]));
            }
        }
        if losses[0].len() == lengths.len() {
            curves.push(Curve { name: named.name.shown().to_owned(), length_m, losses });
        }
    }
    if curves.is_empty() {
        return Ok(Vec::new());
    }
    let charts = (0..AT_HZ.len()).map(|index| chart(&curves, index, &lengths, load_name)).collect();
    Ok(vec![panels(&format!("Loss over length, at {load_name}"), charts)])
}

fn chart(curves: &[Curve], index: usize, lengths: &[f64], load_name: &str) -> (Chart, String) {
    let hertz = if AT_HZ[index] >= 1000.0 {
        printed::fixed(AT_HZ[index] / 1000.0, 0, "kHz")
    } else {
        format!("{} Hz", AT_HZ[index])
    };
    let (low, high) = LOSS_DB;
    let mut chart = Chart::new(
        format!("Loss at {hertz} over length, at {load_name}"),
        Axis::logarithmic("length, m", lengths[0], lengths[lengths.len() - 1]),
        Axis::logarithmic("level change, dB", low, high)
            .with_ticks([0.001, 0.01, 0.1, 1.0].iter().map(|value| (*value, format!("{value}"))).collect()),
    )
    .tall(190.0);
    let ends = |level: f64| vec![(lengths[0], level), (lengths[lengths.len() - 1], level)];
    let (loud, soft) = (just_noticeable_db(LOUD_TO_SOFT_DB.0), just_noticeable_db(LOUD_TO_SOFT_DB.1));
    chart.band(Tone::Critical, &ends(loud), &ends(soft));
    let mut words = String::from("How much each cable changes the level, against no cable:");
    let mut any_unknown = false;
    for (order, curve) in curves.iter().enumerate() {
        let tone = Tone::of(order);
        let points = |sign: f64| -> Vec<(f64, f64)> {
            let values =
                curve.losses[index].iter().map(|(loss, unknown)| (loss + sign * unknown).clamp(low, high));
            lengths.iter().copied().zip(values).collect()
        };
        if curve.losses[index].iter().any(|(_, unknown)| *unknown > 0.0) {
            any_unknown = true;
            chart.band(tone, &points(-1.0), &points(1.0));
        }
        chart.line(tone, &points(0.0));
        let own = nearest(lengths, curve.length_m);
        let (loss, _) = curve.losses[index][own];
        chart.mark(tone, lengths[own], loss.clamp(low, high));
        chart.name(tone, cut(&curve.name, 24));
        let _ =
            write!(words, " {} {loss} at {:.1} m;", curve.name, lengths[own], loss = printed::decibels(loss));
    }
    chart.name_band(
        Tone::Critical,
        format!("{loud:.2} to {soft}: just heard in tones", soft = printed::decibels(soft)),
    );
    words.pop();
    let _ = write!(
        words,
        ". The marks are near the lengths of this session. The band, {loud:.2} to {soft}, is the just noticeable step of a \
         pure tone 80 to 40 dB above threshold, measured from 200 Hz to 8 kHz (Jesteadt, Wier and Green 1977).",
        soft = printed::decibels(soft)
    );
    if any_unknown {
        words.push_str(" Shaded: what the tolerances leave unknown (95 %).");
    }
    (chart, words)
}

fn nearest(lengths: &[f64], length: f64) -> usize {
    let distance = |index: &usize| (lengths[*index] / length).ln().abs();
    (0..lengths.len()).min_by(|one, other| distance(one).total_cmp(&distance(other))).unwrap_or(0)
}
