//! `earwitness predict`: transfer functions, their difference, and how large that is to an ear.

use std::io::{IsTerminal, Write};
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{
    Failure, extend, paragraph, predict_export, predict_lengths, predict_picture, predict_sizes,
    predict_touchstone, print_json, print_lines,
};
use crate::circuit::CircuitError;
use crate::hearing::difference::{gain_db, logarithmic};
use crate::hearing::reach::{length_alone_for, lengths_for};
use crate::hearing::uncertainty::{COVERAGE_FACTOR, unknown_at};
use crate::hearing::{Difference, Ears, OnClip, STEPS_NOTE, Summary, Uncertainty};
use crate::session::{Caution, Comparison, Levels, Scale, Session};
use crate::stimulus::on_paper::SizesOnPaper;
use crate::units::printed;
use crate::units::printed::plus_minus;

/// Most values that lines of text name among those that are known within limits.
const MOST_CONTRIBUTIONS: usize = 3;

/// What was typed after `predict`.
#[derive(Debug, clap::Args)]
pub struct PredictArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Frequencies in Hz [default: 200 of them from 20 Hz to 20 kHz]
    #[arg(long, value_name = "HZ,HZ,...", value_delimiter = ',')]
    frequencies: Option<Vec<f64>>,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Print a table with one row per comparison and frequency
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Write pictures of every comparison to an SVG file
    #[arg(long, value_name = "FILE.svg")]
    plot: Option<PathBuf>,
    /// Write the cables, loudspeaker and amplifier as Touchstone files (.s2p, .s1p) into this folder
    #[arg(long, value_name = "DIR")]
    touchstone: Option<PathBuf>,
    /// Write each cable's transfer function as a table (.csv) into this folder; `response =` in a session reads it
    #[arg(long, value_name = "DIR")]
    responses: Option<PathBuf>,
    /// Write each cable's filter into this folder, one tap per line (.txt)
    #[arg(long, value_name = "DIR")]
    filters: Option<PathBuf>,
    /// Sample rate of the filters in Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000, requires = "filters")]
    rate: u32,
    /// Also say how large the difference is if both cables are this long
    #[arg(long, value_name = "LENGTH,LENGTH,...", value_delimiter = ',')]
    lengths: Vec<String>,
    /// Also say how large the difference is at these multiples of the real one
    #[arg(long, value_name = "X,X,...", value_delimiter = ',', allow_negative_numbers = true)]
    multiples: Vec<f64>,
    /// Also say how large the difference is on each clip
    #[arg(long)]
    clips: bool,
    /// Also say how long the cables must be for the difference to reach so many dB
    #[arg(long, value_name = "DB")]
    reach: Option<f64>,
}

/// Runs the command.
pub fn run(arguments: &PredictArguments, out: &mut dyn Write) -> Result<(), Failure> {
    arguments.plot.as_deref().map_or(Ok(()), |path| super::check_ending("--plot", path, "svg"))?;
    let frequencies = match &arguments.frequencies {
        Some(given) => given.clone(),
        None => logarithmic(20.0, 20_000.0, 200),
    };
    if let Some(wrong) = frequencies.iter().find(|f| !f.is_finite() || **f < 0.0) {
        return Err(Failure::bad(format!(
            "--frequencies holds {wrong}: finite numbers of 0 Hz and more are allowed"
        )));
    }
    if let Some(wrong) = arguments.reach.filter(|decibels| !(decibels.is_finite() && *decibels > 0.0)) {
        return Err(Failure::bad(format!("--reach is {wrong}: a size above 0 dB is needed, such as 0.5")));
    }
    super::timings::stage("session");
    let session = crate::session::load(&arguments.session).map_err(Failure::bad)?;
    super::timings::stage("differences");
    if let Some(path) = &arguments.plot {
        predict_picture::write(&session, path)?;
    }
    if let Some(folder) = &arguments.touchstone {
        predict_touchstone::write(&session, &frequencies, folder)?;
    }
    if let Some(folder) = &arguments.responses {
        predict_export::responses(&session, &frequencies, folder)?;
    }
    if let Some(folder) = &arguments.filters {
        predict_export::filters(&session, arguments.rate, folder)?;
    }
    let lengths = predict_lengths::parse(&arguments.lengths)?;
    predict_sizes::check(&session, &arguments.multiples)?;
    let cautions = Caution::of(&session).map_err(Failure::bad)?;
    let mut ears = Ears::default();
    if arguments.json {
        let comparisons: Vec<Value> = session
            .comparisons
            .iter()
            .map(|comparison| {
                let mut document = as_json(&session, comparison, &frequencies).map_err(Failure::bad)?;
                if let Some(decibels) = arguments.reach {
                    document["reach"] = reach_json(&session, comparison, decibels)?;
                }
                if !lengths.is_empty() {
                    document["lengths"] = predict_lengths::json(&session, comparison, &lengths)?;
                }
                if !arguments.multiples.is_empty() {
                    let (scale, sizes) = (Scale::Multiple, &arguments.multiples);
                    let clips = on_paper(&session, comparison, arguments, &mut ears)?;
                    document["multiples"] =
                        predict_sizes::json(&session, comparison, (scale, sizes), clips.as_ref())?;
                }
                if arguments.clips {
                    let paper = on_paper(&session, comparison, arguments, &mut ears)?;
                    document["clips"] = clips_json(&session, comparison, paper.as_ref(), &mut ears)?;
                }
                Ok(document)
            })
            .collect::<Result<_, Failure>>()?;
        let document = json!({
            "schema": "earwitness.predict/1",
            "frequency_hz": frequencies,
            "comparisons": comparisons,
            "cautions": cautions_json(&cautions),
            "notes": session.notes,
        });
        return print_json(out, &document);
    }
    if arguments.csv {
        return as_csv(&session, &frequencies, out);
    }
    for note in &session.notes {
        super::note(note);
    }
    for caution in &cautions {
        super::note(&format!("careful: {}", caution.line()));
    }
    for comparison in &session.comparisons {
        let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
        let summary = Summary::between(&a, &b).map_err(Failure::bad)?;
        let unknown = Uncertainty::between(&a, &b, &summary, &[]).map_err(Failure::bad)?;
        print_lines(out, summary_lines(&session, comparison, &summary, unknown.as_ref()))?;
        if let Some(decibels) = arguments.reach {
            let line = match lengths_for(&a, &b, decibels).map_err(Failure::bad)? {
                Some((a, b)) => {
                    format!("  a difference of {decibels} dB is reached at A {a:.2} m, B {b:.2} m")
                }
                None if a.cable.length_m().is_none() || b.cable.length_m().is_none() => {
                    "  at which lengths cannot be said: a side is measured or lumped, and its length is not known".to_owned()
                }
                None => format!("  no length up to 10 km makes a difference of {decibels} dB"),
            };
            writeln!(out, "{line}")?;
            for (side, other, name) in [(&a, &b, "A"), (&b, &a, "B")] {
                if let Some(length) = length_alone_for(side, other, decibels).map_err(Failure::bad)? {
                    writeln!(out, "    or with {name} alone at {length:.2} m and the other as it is")?;
                }
            }
        }
        print_lines(out, predict_lengths::lines(&session, comparison, &lengths)?)?;
        let clips = on_paper(&session, comparison, arguments, &mut ears)?;
        let sizes = (Scale::Multiple, &arguments.multiples[..]);
        print_lines(out, predict_sizes::lines(&session, comparison, sizes, clips.as_ref())?)?;
        if arguments.clips {
            for (clip, on_clip) in on_clips(&session, comparison, &mut ears)? {
                print_lines(out, on_clip_lines(&session, &clip, on_clip.as_ref()))?;
                if let Some(line) =
                    clips.as_ref().and_then(|paper| predict_sizes::expected_line(paper, &clip))
                {
                    print_lines(out, paragraph(4, &line))?;
                }
            }
        }
        if std::io::stdout().is_terminal() {
            print_lines(out, predict_picture::terminal(&session, comparison)?)?;
        }
    }
    if arguments.clips {
        writeln!(out)?;
        print_lines(out, paragraph(0, STEPS_NOTE))?;
    }
    Ok(())
}

fn reach_json(session: &Session, comparison: &Comparison, decibels: f64) -> Result<Value, Failure> {
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let lengths = lengths_for(&a, &b, decibels).map_err(Failure::bad)?;
    Ok(json!({
        "difference_db": decibels,
        "a_length_m": lengths.map(|lengths| lengths.0),
        "b_length_m": lengths.map(|lengths| lengths.1),
        "a_alone_length_m": length_alone_for(&a, &b, decibels).map_err(Failure::bad)?,
        "b_alone_length_m": length_alone_for(&b, &a, decibels).map_err(Failure::bad)?,
    }))
}

/// What multiples are on each clip, where clips were asked for.
fn on_paper(
    session: &Session,
    comparison: &Comparison,
    arguments: &PredictArguments,
    ears: &mut Ears,
) -> Result<Option<SizesOnPaper>, Failure> {
    let mut sizes: Vec<f64> = arguments.multiples.iter().copied().filter(|size| *size > 0.0).collect();
    sizes.push(1.0);
    sizes.sort_by(f64::total_cmp);
    sizes.dedup();
    let paper = || predict_sizes::on_paper(session, comparison, (Scale::Multiple, &sizes), ears);
    arguments.clips.then(paper).transpose()
}

fn clips_json(
    session: &Session,
    comparison: &Comparison,
    paper: Option<&SizesOnPaper>,
    ears: &mut Ears,
) -> Result<Value, Failure> {
    let clips = on_clips(session, comparison, ears)?.into_iter().map(|(clip, found)| {
        let expected = paper.map(|paper| predict_sizes::expected_json(paper, &clip));
        let mut document = json!({ "clip": clip, "expected_multiple": expected });
        extend(&mut document, on_clip_json(session, found.as_ref()));
        document
    });
    Ok(Value::Array(clips.collect()))
}

/// Each clip's name and the difference on it.
pub(super) fn on_clips(
    session: &Session,
    comparison: &Comparison,
    ears: &mut Ears,
) -> Result<Vec<(String, Option<OnClip>)>, Failure> {
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    comparison
        .clips
        .iter()
        .map(|&index| {
            let clip = &session.clips[index];
            let found = ears.on_clip((index, &clip.source), (comparison.a, &a), (comparison.b, &b));
            Ok((clip.name.as_written().to_owned(), found.map_err(Failure::bad)?))
        })
        .collect()
}

/// The difference on one clip as the JSON documents show it; all null on a silent one.
pub(super) fn on_clip_json(session: &Session, found: Option<&OnClip>) -> Value {
    json!({
        "loudness_db": found.map(|f| f.loudness_db),
        "band_db": found.map(|f| f.band_db),
        "band_hz": found.map(|f| f.band_hz),
        "matched_band_db": found.map(|f| f.matched_band_db),
        "matched_band_hz": found.map(|f| f.matched_band_hz),
        "sentence": found.map(|f| f.sentence(session.levels == Levels::Matched)),
    })
}

/// The difference on one clip in plain lines.
pub(super) fn on_clip_lines(session: &Session, clip: &str, found: Option<&OnClip>) -> Vec<String> {
    match found {
        Some(found) => {
            let mut lines = paragraph(4, &format!("{clip}: {}", found.numbers()));
            lines.extend(paragraph(4, &found.sentence(session.levels == Levels::Matched)));
            lines
        }
        None => vec![format!("    {clip}: silent, so nothing differs")],
    }
}

/// Cautions as every JSON document shows them.
pub(super) fn cautions_json(cautions: &[Caution]) -> Vec<Value> {
    cautions
        .iter()
        .map(|caution| json!({ "caution": caution.name(), "text": caution.text(), "remedy": caution.remedy() }))
        .collect()
}

/// The summary of one comparison in plain lines.
pub(super) fn summary_lines(
    session: &Session,
    comparison: &Comparison,
    summary: &Summary,
    unknown: Option<&Uncertainty>,
) -> Vec<String> {
    let decibels = |value: f64, of: fn(&Uncertainty) -> f64, signed: bool| match unknown {
        Some(unknown) => plus_minus(value, of(unknown)),
        None if signed => printed::signed_decibels(value),
        None => printed::decibels(value),
    };
    let mut lines = vec![
        format!(
            "{}: {} (A) against {} (B)",
            comparison.name.as_written(),
            session.cables[comparison.a].name.as_written(),
            session.cables[comparison.b].name.as_written()
        ),
        format!(
            "  largest difference, 20 Hz to 20 kHz   {} at {}",
            decibels(summary.max_abs_db, |unknown| unknown.max_abs_db, false),
            printed::hertz(summary.max_abs_at_hz)
        ),
        format!(
            "  left after the best level match       {} at {} (level {})",
            decibels(summary.shape_max_abs_db, |unknown| unknown.shape_max_abs_db, false),
            printed::hertz(summary.shape_max_abs_at_hz),
            printed::signed_decibels(summary.level_db)
        ),
        format!(
            "  A minus B at 1 kHz, at 20 kHz         {}, {}",
            decibels(summary.at_1khz_db, |unknown| unknown.at_1khz_db, true),
            decibels(summary.at_20khz_db, |unknown| unknown.at_20khz_db, true)
        ),
        format!("  A minus B as a signal                 {}", summary.signal_words()),
    ];
    let matched = session.levels == Levels::Matched;
    match unknown {
        Some(unknown) => {
            lines.extend(paragraph(2, &unknown.sentence(summary, matched)));
            let names = [comparison.a, comparison.b].map(|cable| session.cables[cable].name.as_written());
            let parts = unknown.contributions.iter().take(MOST_CONTRIBUTIONS).map(|part| {
                let size = if matched { part.shape_max_abs_db } else { part.max_abs_db };
                format!("{} (±{size})", part.words(names), size = printed::fixed(size, 4, "dB"))
            });
            let parts = parts.collect::<Vec<_>>().join(", ");
            lines.extend(paragraph(2, &format!("What matters most for that: {parts}.")));
        }
        None => lines.extend(paragraph(
            2,
            "How sure that is cannot be said: the session gives no tolerances (resistance_tolerance, length_tolerance, \
             lcr_accuracy and so on).",
        )),
    }
    lines
}

/// The numbers of a difference, as JSON.
pub(super) fn summary_json(summary: &Summary) -> Value {
    json!({
        "max_abs_db": summary.max_abs_db,
        "max_abs_at_hz": summary.max_abs_at_hz,
        "shape_max_abs_db": summary.shape_max_abs_db,
        "at_1khz_db": summary.at_1khz_db,
        "at_20khz_db": summary.at_20khz_db,
        "signal_db": Some(summary.signal_db).filter(|level| level.is_finite()),
        "delay_s": summary.delay_s,
        "same_polarity": !summary.reversed,
    })
}

/// How sure a difference is, as the JSON documents show it.
pub(super) fn uncertainty_json(
    session: &Session,
    comparison: &Comparison,
    summary: &Summary,
    unknown: Option<&Uncertainty>,
) -> Value {
    let Some(unknown) = unknown else { return Value::Null };
    let matched = session.levels == Levels::Matched;
    let contributions: Vec<Value> = unknown
        .contributions
        .iter()
        .map(|part| {
            json!({
                "quantity": part.quantity.name(),
                "cable": part.side.map(|side| session.cables[[comparison.a, comparison.b][side]].name.as_written()),
                "side": part.side.map(|side| ["a", "b"][side]),
                "half_width": part.half_width,
                "max_abs_db": part.max_abs_db,
                "shape_max_abs_db": part.shape_max_abs_db,
            })
        })
        .collect();
    json!({
        "level": 0.95,
        "coverage_factor": COVERAGE_FACTOR,
        "max_abs_db": unknown.max_abs_db,
        "shape_max_abs_db": unknown.shape_max_abs_db,
        "level_db": unknown.level_db,
        "at_1khz_db": unknown.at_1khz_db,
        "at_20khz_db": unknown.at_20khz_db,
        "larger_than_unknown": unknown.is_exceeded(summary, matched),
        "sentence": unknown.sentence(summary, matched),
        "contributions": contributions,
    })
}

fn as_json(session: &Session, comparison: &Comparison, frequencies: &[f64]) -> Result<Value, CircuitError> {
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let difference = Difference::between(&a, &b, frequencies)?;
    let summary = Summary::between(&a, &b)?;
    let unknown = Uncertainty::between(&a, &b, &summary, frequencies)?;
    let mut uncertainty = uncertainty_json(session, comparison, &summary, unknown.as_ref());
    if let Some(unknown) = &unknown {
        uncertainty["gain_db"] = json!(unknown.gain_db);
        uncertainty["phase_deg"] = json!(unknown.phase_deg);
    }
    Ok(json!({
        "name": comparison.name.as_written(),
        "a": side(session, comparison.a, frequencies)?,
        "b": side(session, comparison.b, frequencies)?,
        "difference": { "gain_db": difference.gain_db, "phase_deg": difference.phase_deg },
        "summary": summary_json(&summary),
        "uncertainty": uncertainty,
    }))
}

fn side(session: &Session, cable: usize, frequencies: &[f64]) -> Result<Value, CircuitError> {
    let chain = session.chain(cable);
    let response = chain.transfer(frequencies)?;
    let parameters = chain.parameters(frequencies)?;
    // JSON has no infinity: without any source impedance the damping factor is null.
    let damping = parameters.damping_factor.map(|factors| {
        factors.into_iter().map(|factor| Some(factor).filter(|f| f.is_finite())).collect::<Vec<_>>()
    });
    Ok(json!({
        "cable": session.cables[cable].name.as_written(),
        "gain_db": response.iter().map(|&value| gain_db(value)).collect::<Vec<_>>(),
        "phase_deg": response.iter().map(|value| value.arg().to_degrees()).collect::<Vec<_>>(),
        "loop_resistance_ohm": parameters.loop_resistance_ohm,
        "loop_inductance_h": parameters.loop_inductance_h,
        "capacitance_f": parameters.capacitance_f,
        "dc_resistance_ohm": parameters.dc_resistance_ohm,
        "damping_factor": damping,
    }))
}

fn as_csv(session: &Session, frequencies: &[f64], out: &mut dyn Write) -> Result<(), Failure> {
    writeln!(
        out,
        "comparison,frequency_hz,a_gain_db,a_phase_deg,b_gain_db,b_phase_deg,difference_db,difference_deg,difference_uncertainty_db"
    )?;
    for comparison in &session.comparisons {
        let (chain_a, chain_b) = (session.chain(comparison.a), session.chain(comparison.b));
        let unknown = unknown_at(&chain_a, &chain_b, frequencies).map_err(Failure::bad)?;
        let a = chain_a.transfer(frequencies).map_err(Failure::bad)?;
        let b = chain_b.transfer(frequencies).map_err(Failure::bad)?;
        let difference = Difference::new(frequencies, &a, &b);
        for (index, frequency) in frequencies.iter().enumerate() {
            writeln!(
                out,
                "{},{frequency},{},{},{},{},{},{},{}",
                comparison.name.as_written(),
                gain_db(a[index]),
                a[index].arg().to_degrees(),
                gain_db(b[index]),
                b[index].arg().to_degrees(),
                difference.gain_db[index],
                difference.phase_deg[index],
                unknown.as_ref().map_or_else(String::new, |unknown| unknown[index].to_string())
            )?;
        }
    }
    Ok(())
}
