//! `earwitness bench impedance`.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::json;

use super::{Failure, note, print_json, whole};
use crate::bench::impedance::{Corrections, Impedance, Kind, measured};
use crate::bench::recording::Recording;
use crate::bench::response::Options;
use crate::units::printed;
use crate::units::{self, Dimension};

/// What is at the end of the leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum What {
    /// A loudspeaker: `impedance_table`
    Loudspeaker,
    /// A cable whose far end is shorted: `lcr_table`
    Shorted,
    /// A cable whose far end is open: `open_table`
    Open,
}

/// What was typed after `bench impedance`.
#[derive(Debug, clap::Args)]
pub(super) struct ImpedanceArguments {
    /// The recording: across resistor and impedance on channel 1, across the impedance alone on channel 2
    file: PathBuf,
    /// The resistor between amplifier and impedance
    #[arg(long, value_name = "\"10 ohm\"")]
    resistor: String,
    /// The table to write, for a session
    #[arg(long, value_name = "FILE.csv")]
    out: Option<PathBuf>,
    /// What is measured
    #[arg(long, value_enum, default_value = "loudspeaker")]
    kind: What,
    /// A recording with nothing at the leads' ends: takes them and the inputs out
    #[arg(long, value_name = "FILE.wav")]
    open: Option<PathBuf>,
    /// A recording with the leads' ends joined
    #[arg(long, value_name = "FILE.wav")]
    short: Option<PathBuf>,
    /// A recording with a known resistor at the leads' ends
    #[arg(long, value_name = "FILE.wav", requires = "load_resistor")]
    load: Option<PathBuf>,
    /// That resistor
    #[arg(long, value_name = "\"8.2 ohm\"", requires = "load")]
    load_resistor: Option<String>,
    /// The channels are the other way round
    #[arg(long)]
    swap: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &ImpedanceArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let ohm = |name: &str, text: &str| {
        units::parse(text, Dimension::Resistance).map_err(|error| Failure::bad(format!("{name}: {error}")))
    };
    let resistor = ohm("--resistor", &arguments.resistor)?;
    let read = |path: &Option<PathBuf>| path.as_deref().map(Recording::read).transpose();
    let (open, short, load) = (read(&arguments.open)?, read(&arguments.short)?, read(&arguments.load)?);
    let load_ohm = arguments.load_resistor.as_deref().map(|text| ohm("--load-resistor", text)).transpose()?;
    let recording = Recording::read(&arguments.file)?;
    let corrections =
        Corrections { open: open.as_ref(), short: short.as_ref(), load: load.as_ref().zip(load_ohm) };
    let options = Options { swapped: arguments.swap, ..Options::default() };
    let found = measured(&recording, resistor, &corrections, &options)?;
    for text in &found.notes {
        note(&text.to_string());
    }
    let (kind, key) = match arguments.kind {
        What::Loudspeaker => (Kind::Loudspeaker, "impedance_table"),
        What::Shorted => (Kind::Shorted, "lcr_table"),
        What::Open => (Kind::Open, "open_table"),
    };
    if let Some(path) = &arguments.out {
        let source = crate::files::name(&arguments.file);
        whole::write(path, &found.table(kind, &source))?;
    }
    if arguments.json {
        let document = json!({
            "schema": "earwitness.bench/1",
            "bench": "impedance",
            "frequency_hz": found.frequency_hz,
            "resistance_ohm": found.ohm.iter().map(|ohm| ohm.re).collect::<Vec<_>>(),
            "reactance_ohm": found.ohm.iter().map(|ohm| ohm.im).collect::<Vec<_>>(),
            "relative_std": found.relative_std,
            "repeats": found.repeats,
        });
        return print_json(out, &document);
    }
    lines(&found, kind, out)?;
    if let Some(path) = &arguments.out {
        said(path, key, out)?;
    }
    Ok(())
}

fn said(path: &Path, key: &str, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "{}: {key} = \"{0}\" in a session reads it", path.display())
}

fn lines(found: &Impedance, kind: Kind, out: &mut dyn Write) -> std::io::Result<()> {
    for wanted in [20.0, 50.0, 100.0, 1000.0, 5000.0, 10_000.0, 20_000.0] {
        let Some(at) = found.frequency_hz.iter().position(|frequency| *frequency >= wanted) else { continue };
        let (frequency, ohm) = (found.frequency_hz[at], found.ohm[at]);
        let omega = std::f64::consts::TAU * frequency;
        let spread = found
            .relative_std
            .as_ref()
            .map_or(String::new(), |std| format!("  (std {})", printed::fine_percent(100.0 * std[at])));
        match kind {
            Kind::Loudspeaker => writeln!(
                out,
                "  {frequency:>9}  {}  {}{spread}",
                printed::fixed(ohm.norm(), 3, "ohm"),
                printed::signed(ohm.arg().to_degrees(), 2, "degrees"),
                frequency = printed::fixed(frequency, 0, "Hz")
            )?,
            Kind::Shorted => {
                writeln!(
                    out,
                    "  {frequency:>9}  {}  {}{spread}",
                    printed::fixed(ohm.re, 5, "ohm"),
                    printed::fixed(ohm.im / omega * 1e6, 4, "uH"),
                    frequency = printed::fixed(frequency, 0, "Hz")
                )?;
            }
            Kind::Open => writeln!(
                out,
                "  {frequency:>9}  {}  {:.3e} S{spread}",
                printed::fixed(ohm.inv().im / omega * 1e12, 2, "pF"),
                ohm.inv().re,
                frequency = printed::fixed(frequency, 0, "Hz")
            )?,
        }
    }
    Ok(())
}
