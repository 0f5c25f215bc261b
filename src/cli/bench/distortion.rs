//! `earwitness bench distortion`.

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Failure, note, print_json, whole};
use crate::bench::distortion::{Distortion, apart, measured};
use crate::bench::recording::{Channel, Recording};
use crate::units::printed;

/// What was typed after `bench distortion`.
#[derive(Debug, clap::Args)]
pub(super) struct DistortionArguments {
    /// The recording of the sweep (or of --signal); of two channels the second (loudspeaker) is measured
    file: PathBuf,
    /// A recording of steady tones from `bench tones`: intermodulation of two, or THD+N of the steps
    #[arg(long, value_enum)]
    signal: Option<super::tones::SignalName>,
    /// Another recording of the same sweep or tones, such as another cable's: how far apart, and how sure
    #[arg(long, value_name = "OTHER.wav")]
    against: Option<PathBuf>,
    /// Measure this channel, 1 or 2
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=2))]
    channel: Option<u8>,
    /// Write the harmonics as a table
    #[arg(long, value_name = "FILE.csv")]
    csv: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &DistortionArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(signal) = arguments.signal {
        let recording = Recording::read(&arguments.file)?;
        let channel = chosen(&recording, arguments.channel)?;
        let other = arguments.against.as_deref().map(Recording::read).transpose()?;
        let other = other.as_ref().map(|other| chosen(other, arguments.channel)).transpose()?;
        let (csv, as_json) = (arguments.csv.as_ref(), arguments.json);
        return super::tones::said(&channel, other.as_ref(), signal, csv, as_json, out);
    }
    let of = |path: &PathBuf| -> Result<Distortion, Failure> {
        let recording = Recording::read(path)?;
        let channel = chosen(&recording, arguments.channel)?;
        let found = measured(&channel)?;
        for dropped in &found.dropped {
            note(&format!("{}: {dropped}", path.display()));
        }
        Ok(found)
    };
    super::super::timings::stage("distortion");
    let found = of(&arguments.file)?;
    let other = arguments.against.as_ref().map(of).transpose()?;
    let difference = other.as_ref().map(|other| apart(&found, other));
    super::super::timings::stage("output");
    if let Some(path) = &arguments.csv {
        whole::write(path, &table(&found))?;
    }
    if arguments.json {
        let mut document = json!({ "schema": "earwitness.bench/1", "bench": "distortion" });
        let merge = |document: &mut Value, found: &Distortion| {
            document["frequency_hz"] = json!(found.frequency_hz);
            document["harmonics"] = found
                .harmonics
                .iter()
                .map(|harmonic| json!({ "order": harmonic.order, "level_db": harmonic.level_db }))
                .collect();
            document["thd_percent"] = json!(found.thd_percent);
            document["thd_std_percent"] = json!(found.thd_std_percent);
            document["floor_db"] = json!(found.floor_db);
            document["repeats"] = json!(found.overall_percent.len());
            document["noise_dbfs"] = json!(found.noise_dbfs);
        };
        merge(&mut document, &found);
        if let (Some(other), Some(difference)) = (&other, &difference) {
            let mut against = json!({});
            merge(&mut against, other);
            document["against"] = against;
            document["difference"] = super::tones::difference_json(difference);
        }
        return print_json(out, &document);
    }
    writeln!(out, "{:>9}  {:>12}  {:>9}  {:>9}  {:>9}  {:>9}", "", "THD", "H2", "H3", "H5", "floor")?;
    let decibels = |level: f64| printed::fixed(level, 1, "dB");
    for at in (0..found.frequency_hz.len()).step_by(6) {
        let floor = found.floor_db[at];
        let level = |order: usize| match found.harmonics[order - 2].level_db[at] {
            // Beyond half the rate there is none.
            None => "-".to_owned(),
            Some(level) if level <= floor => "in noise".to_owned(),
            Some(level) => decibels(level),
        };
        writeln!(
            out,
            "{:>9}  {:>12}  {:>9}  {:>9}  {:>9}  {:>9}",
            printed::fixed(found.frequency_hz[at], 0, "Hz"),
            printed::fine_percent(found.thd_percent[at]),
            level(2),
            level(3),
            level(5),
            decibels(floor)
        )?;
    }
    if let Some(difference) = difference {
        writeln!(out, "difference of THD: {difference}")?;
    }
    Ok(())
}

/// The channel that is measured.
fn chosen(recording: &Recording, wanted: Option<u8>) -> Result<Channel<'_>, Failure> {
    match wanted.map(usize::from) {
        Some(wanted) if wanted > recording.channels.len() => {
            Err(Failure::bad(format!("{}: there is no channel {wanted}; it has one", recording.name)))
        }
        Some(wanted) => Ok(recording.channel(wanted - 1)),
        None => Ok(recording.last()),
    }
}

fn table(found: &Distortion) -> String {
    use std::fmt::Write as _;
    let mut text = String::from("frequency_hz,thd_percent,floor_db");
    for harmonic in &found.harmonics {
        let _ = write!(text, ",h{}_db", harmonic.order);
    }
    text.push('\n');
    for (at, frequency) in found.frequency_hz.iter().enumerate() {
        let _ = write!(text, "{frequency:.4},{:.7},{:.2}", found.thd_percent[at], found.floor_db[at]);
        for harmonic in &found.harmonics {
            text.push(',');
            if let Some(level) = harmonic.level_db[at] {
                let _ = write!(text, "{level:.2}");
            }
        }
        text.push('\n');
    }
    text
}
