//! `earwitness predict`: transfer functions, their difference, and how large that is to an ear.

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::Failure;
use crate::circuit::CircuitError;
use crate::hearing::difference::{gain_db, logarithmic};
use crate::hearing::{Difference, Summary};
use crate::session::{Caution, Comparison, Session};

/// What was typed after `predict`.
#[derive(Debug, clap::Args)]
pub struct PredictArguments {
    /// Session file, or the folder it stands in
    session: PathBuf,
    /// Frequencies in Hz; 200 from 20 Hz to 20 kHz if not given
    #[arg(long, value_name = "HZ,HZ,...", value_delimiter = ',')]
    frequencies: Option<Vec<f64>>,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Print a table with one row per comparison and frequency
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

/// Runs the command.
pub fn run(arguments: &PredictArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let frequencies = match &arguments.frequencies {
        Some(given) => given.clone(),
        None => logarithmic(20.0, 20_000.0, 200),
    };
    if let Some(wrong) = frequencies.iter().find(|f| !f.is_finite() || **f < 0.0) {
        return Err(Failure::bad(format!(
            "--frequencies holds {wrong}: finite numbers of 0 Hz and more are allowed"
        )));
    }
    let session = crate::session::load(&arguments.session).map_err(Failure::bad)?;
    let cautions = Caution::of(&session).map_err(Failure::bad)?;
    if arguments.json {
        let comparisons: Vec<Value> = session
            .comparisons
            .iter()
            .map(|comparison| as_json(&session, comparison, &frequencies))
            .collect::<Result<_, _>>()
            .map_err(Failure::bad)?;
        let document = json!({
            "schema": "earwitness.predict/1",
            "frequency_hz": frequencies,
            "comparisons": comparisons,
            "cautions": cautions_json(&cautions),
            "notes": session.notes,
        });
        writeln!(out, "{document:#}")?;
        return Ok(());
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
        for line in summary_lines(&session, comparison, &summary) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// Cautions as every JSON document shows them.
pub(super) fn cautions_json(cautions: &[Caution]) -> Vec<Value> {
    cautions
        .iter()
        .map(|caution| json!({ "caution": caution.name(), "text": caution.text(), "remedy": caution.remedy() }))
        .collect()
}

/// The summary of one comparison in plain lines.
pub(super) fn summary_lines(session: &Session, comparison: &Comparison, summary: &Summary) -> Vec<String> {
    vec![
        format!(
            "{}: {} (A) against {} (B)",
            comparison.name, session.cables[comparison.a].name, session.cables[comparison.b].name
        ),
        format!(
            "  largest difference, 20 Hz to 20 kHz   {:.4} dB at {:.0} Hz",
            summary.max_abs_db, summary.max_abs_at_hz
        ),
        format!(
            "  left after the best level match       {:.4} dB at {:.0} Hz (level {:+.4} dB)",
            summary.shape_max_abs_db, summary.shape_max_abs_at_hz, summary.level_db
        ),
        format!(
            "  A minus B at 1 kHz, at 20 kHz         {:+.4} dB, {:+.4} dB",
            summary.at_1khz_db, summary.at_20khz_db
        ),
    ]
}

fn as_json(session: &Session, comparison: &Comparison, frequencies: &[f64]) -> Result<Value, CircuitError> {
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let difference = Difference::between(&a, &b, frequencies)?;
    let summary = Summary::between(&a, &b)?;
    Ok(json!({
        "name": comparison.name,
        "a": side(session, comparison.a, frequencies)?,
        "b": side(session, comparison.b, frequencies)?,
        "difference": { "gain_db": difference.gain_db, "phase_deg": difference.phase_deg },
        "summary": {
            "max_abs_db": summary.max_abs_db,
            "max_abs_at_hz": summary.max_abs_at_hz,
            "shape_max_abs_db": summary.shape_max_abs_db,
            "at_1khz_db": summary.at_1khz_db,
            "at_20khz_db": summary.at_20khz_db,
        },
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
        "cable": session.cables[cable].name,
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
        "comparison,frequency_hz,a_gain_db,a_phase_deg,b_gain_db,b_phase_deg,difference_db,difference_deg"
    )?;
    for comparison in &session.comparisons {
        let a = session.chain(comparison.a).transfer(frequencies).map_err(Failure::bad)?;
        let b = session.chain(comparison.b).transfer(frequencies).map_err(Failure::bad)?;
        let difference = Difference::new(frequencies, &a, &b);
        for (index, frequency) in frequencies.iter().enumerate() {
            writeln!(
                out,
                "{},{frequency},{},{},{},{},{},{}",
                comparison.name,
                gain_db(a[index]),
                a[index].arg().to_degrees(),
                gain_db(b[index]),
                b[index].arg().to_degrees(),
                difference.gain_db[index],
                difference.phase_deg[index]
            )?;
        }
    }
    Ok(())
}
