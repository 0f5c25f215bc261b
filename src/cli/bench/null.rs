//! `earwitness bench null`.

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Failure, extend, note, print_json};
use crate::bench::BenchError;
use crate::bench::foreseen::{Foreseen, foreseen};
use crate::bench::null::{null, permuted};
use crate::bench::recording::Long;
use crate::clip::dither::{Dither, WordLength};
use crate::clip::write::WavWriter;
use crate::units::printed;

/// A residual within so many dB of the baseline is not more than repeating leaves.
const SAME_DB: f64 = 1.0;

/// What was typed after `bench null`.
#[derive(Debug, clap::Args)]
pub(super) struct NullArguments {
    /// A recording of music or noise through one cable; of two channels the second is used
    a: PathBuf,
    /// The same music through the other cable
    b: PathBuf,
    /// The first cable once more: what repeating alone leaves
    #[arg(long, value_name = "A2.wav")]
    baseline: Option<PathBuf>,
    /// More recordings of the first cable, for the permutation test; record in turns, A B A B
    #[arg(long, value_name = "FILE.wav,...", value_delimiter = ',', requires = "more_b")]
    more_a: Vec<PathBuf>,
    /// More recordings of the second cable
    #[arg(long, value_name = "FILE.wav,...", value_delimiter = ',', requires = "more_a")]
    more_b: Vec<PathBuf>,
    /// Write what is left as a sound file
    #[arg(long, value_name = "FILE.wav")]
    residual: Option<PathBuf>,
    /// Raise what is left by so many dB in that file
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 0.0,
        allow_negative_numbers = true,
        requires = "residual"
    )]
    raise: f64,
    /// Also say what the circuit of this session predicts to be left of the two cables; A is side A
    #[arg(long, value_name = "SESSION")]
    session: Option<PathBuf>,
    /// With --session: which of its comparisons, by name, if it has several
    #[arg(long, value_name = "NAME", requires = "session")]
    comparison: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &NullArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if !(0.0..=120.0).contains(&arguments.raise) {
        return Err(Failure::bad(format!("--raise is {}; 0 to 120 dB are allowed", arguments.raise)));
    }
    let (a, b) = (Long::read(&arguments.a)?, Long::read(&arguments.b)?);
    let gain = 10_f64.powf(arguments.raise / 20.0);
    let (width, rate) = (WordLength::Float32, a.last().rate_hz);
    let create =
        |path: &PathBuf| WavWriter::create(path, width, 1, rate, Dither::new(0)).map_err(Failure::bad);
    let mut residual = arguments.residual.as_ref().map(create).transpose()?;
    let found = null(&a.last(), &b.last(), &mut |left| {
        let Some(file) = &mut residual else { return Ok(()) };
        let raised: Vec<f64> = left.iter().map(|sample| (gain * sample).clamp(-1.0, 1.0)).collect();
        file.push(&[&raised]).map_err(|error| BenchError(error.to_string()))
    })?;
    if let Some(file) = residual {
        file.finish().map_err(Failure::bad)?;
    }
    let baseline = arguments.baseline.as_deref().map(Long::read).transpose()?;
    let baseline = baseline.map(|again| null(&a.last(), &again.last(), &mut |_| Ok(()))).transpose()?;
    let read = |paths: &[PathBuf]| paths.iter().map(|path| Long::read(path)).collect::<Result<Vec<_>, _>>();
    let predicted = arguments.session.as_deref().map(|path| predicted(path, arguments, &a)).transpose()?;
    let permutation = if arguments.more_a.is_empty() {
        None
    } else {
        let (mut all_a, mut all_b) = (vec![a], vec![b]);
        all_a.extend(read(&arguments.more_a)?);
        all_b.extend(read(&arguments.more_b)?);
        let a: Vec<_> = all_a.iter().map(Long::last).collect();
        let b: Vec<_> = all_b.iter().map(Long::last).collect();
        Some(permuted(&a, &b)?)
    };
    if arguments.json {
        let mut whole = json!({ "schema": "earwitness.bench/1", "bench": "null" });
        extend(&mut whole, json!(found));
        whole["baseline"] = json!(baseline);
        whole["predicted"] = predicted.as_ref().map_or(
            Value::Null,
            |predicted| json!({ "residual_db": predicted.residual_db, "bands_db": predicted.bands }),
        );
        whole["permutation"] = permutation.map_or(Value::Null, |found| {
            json!({
                "recordings_a": found.recordings.0,
                "recordings_b": found.recordings.1,
                "between_db": found.between_db,
                "within_db": found.within_db,
                "p_value": found.p_value,
                "labellings": found.labellings,
                "smallest_p_value": found.smallest_p,
            })
        });
        return print_json(out, &whole);
    }
    writeln!(
        out,
        "A minus B leaves {} of A ({}), after B was moved by {}, {} and {}{}",
        printed::fixed(found.residual_db, 1, "dB"),
        printed::fixed(found.residual_dbfs, 1, "dBFS"),
        printed::signed(-found.delay_s * 1e6, 3, "us"),
        printed::signed(-found.gain_db, 3, "dB"),
        printed::signed(-found.clock_ppm, 2, "ppm"),
        if found.polarity < 0 { " and turned round in polarity" } else { "" }
    )?;
    for (index, band) in found.bands.iter().enumerate().step_by(4) {
        let Some(residual) = band.residual_db else { continue };
        write!(
            out,
            "  {:>6.0} to {:>9}  {residual:>10}",
            band.from_hz,
            printed::fixed(band.to_hz, 0, "Hz"),
            residual = printed::fixed(residual, 1, "dB")
        )?;
        match predicted.as_ref().and_then(|predicted| predicted.bands.get(index).copied().flatten()) {
            Some(predicted) => {
                writeln!(out, "  predicted {predicted:>10}", predicted = printed::fixed(predicted, 1, "dB"))?;
            }
            None => writeln!(out)?,
        }
    }
    if let Some(predicted) = &predicted {
        writeln!(out, "{}", against_prediction(found.residual_db, predicted.residual_db))?;
    }
    match &baseline {
        Some(again) if found.residual_db <= again.residual_db + SAME_DB => writeln!(
            out,
            "The same cable twice leaves {}: the two cables leave no more than repeating does.",
            printed::fixed(again.residual_db, 1, "dB")
        )?,
        Some(again) => writeln!(
            out,
            "The same cable twice leaves {}: the two cables leave {} more.{}",
            printed::fixed(again.residual_db, 1, "dB"),
            printed::fixed(found.residual_db - again.residual_db, 1, "dB"),
            if permutation.is_some() {
                ""
            } else {
                " One pair of recordings proves little; record in turns and give --more-a and --more-b."
            }
        )?,
        None => note(
            "Nothing nulls completely: without --baseline (the same cable recorded twice) this says nothing about the cables.",
        ),
    }
    if let Some(test) = permutation {
        writeln!(
            out,
            "Mixed pairs leave {}, pairs of one cable {}: {} ({} ways to name the recordings){}",
            printed::fixed(test.between_db, 1, "dB"),
            printed::fixed(test.within_db, 1, "dB"),
            printed::p_value(test.p_value),
            test.labellings,
            if test.p_value <= 0.05 {
                "; the recordings differ by more than repeating explains.".to_owned()
            } else if test.smallest_p > 0.05 {
                format!(
                    "; so few recordings can give no less than {}, whatever they hold: make four of each.",
                    printed::probability(test.smallest_p)
                )
            } else {
                "; no sign of a difference.".to_owned()
            }
        )?;
    }
    Ok(())
}

/// What the circuit of a session predicts to be left of a recording of side A.
fn predicted(path: &std::path::Path, arguments: &NullArguments, a: &Long) -> Result<Foreseen, Failure> {
    let session = crate::session::load(path).map_err(Failure::bad)?;
    let names = || session.comparisons.iter().map(|own| own.name.as_written()).collect::<Vec<_>>().join(", ");
    let comparison = match &arguments.comparison {
        None if session.comparisons.len() > 1 => {
            return Err(Failure::bad(format!(
                "{} has several comparisons; --comparison names one of: {}",
                path.display(),
                names()
            )));
        }
        None => session.comparisons.first(),
        Some(name) => session.comparisons.iter().find(|own| own.name.as_written() == name),
    };
    let comparison = comparison.ok_or_else(|| {
        Failure::bad(format!("{} has no such comparison; it has: {}", path.display(), names()))
    })?;
    let (one, other) = (session.chain(comparison.a), session.chain(comparison.b));
    let ratio = |frequencies: &[f64]| {
        let of =
            |chain: &crate::circuit::Chain| chain.transfer(frequencies).map_err(|error| error.to_string());
        Ok(of(&other)?.iter().zip(of(&one)?).map(|(b, a)| b / a).collect())
    };
    Ok(foreseen(&a.last(), &ratio)?)
}

/// What a residual says beside the one that was predicted.
fn against_prediction(found_db: f64, predicted_db: f64) -> String {
    let more = found_db - predicted_db;
    let rest = if more > 3.0 {
        format!(
            "{more} more than the circuit explains: repeating (--baseline), noise, distortion, or a circuit that is described wrongly",
            more = printed::fixed(more, 1, "dB")
        )
    } else if more < -3.0 {
        format!("{} less than the circuit says: is it described rightly?", printed::fixed(-more, 1, "dB"))
    } else {
        "which is what is left".to_owned()
    };
    format!(
        "The circuit predicts {predicted_db}: {rest}.",
        predicted_db = printed::fixed(predicted_db, 1, "dB")
    )
}
