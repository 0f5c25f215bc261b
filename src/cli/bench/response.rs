//! `earwitness bench response`.

use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use super::{Failure, extend, note, print_json, whole};
use crate::bench::apart::apart;
use crate::bench::recording::Recording;
use crate::bench::response::{Options, Response, against_sweep, measured, measured_both_ways};
use crate::units::printed;

/// What was typed after `bench response`.
#[derive(Debug, clap::Args)]
pub(super) struct ResponseArguments {
    /// The recording: reference (amplifier) on channel 1, response (loudspeaker) on channel 2
    file: PathBuf,
    /// The table to write: `response = "FILE.csv"` in a session reads it
    #[arg(long, value_name = "FILE.csv")]
    out: Option<PathBuf>,
    /// The channels are the other way round
    #[arg(long)]
    swap: bool,
    /// A second recording with the interface's two inputs interchanged: what they differ by cancels
    #[arg(long, value_name = "FILE.wav", conflicts_with = "sweep")]
    swapped: Option<PathBuf>,
    /// The sweep that was played, for a recording of one channel
    #[arg(long, value_name = "FILE.wav")]
    sweep: Option<PathBuf>,
    /// With --sweep: a recording of the interface's output joined to its input; what it does is taken out
    #[arg(long, value_name = "FILE.wav", requires = "sweep")]
    loopback: Option<PathBuf>,
    /// Frequencies in an octave
    #[arg(long, value_name = "N", default_value_t = 24)]
    per_octave: u8,
    /// Another cable's recording of the same sweep: how far apart the two are, and how sure
    #[arg(long, value_name = "OTHER.wav", conflicts_with_all = ["sweep", "swapped"])]
    against: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &ResponseArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if !(3..=96).contains(&arguments.per_octave) {
        return Err(Failure::bad(format!("--per-octave is {}; 3 to 96 are allowed", arguments.per_octave)));
    }
    super::super::timings::stage("recording");
    let options = Options { per_octave: f64::from(arguments.per_octave), swapped: arguments.swap };
    let recording = Recording::read(&arguments.file)?;
    let read = |path: &Option<PathBuf>| path.as_deref().map(Recording::read).transpose();
    super::super::timings::stage("response");
    let response = match (read(&arguments.sweep)?, read(&arguments.swapped)?) {
        (Some(sweep), _) => against_sweep(&recording, &sweep, read(&arguments.loopback)?.as_ref(), &options)?,
        (None, Some(swapped)) => measured_both_ways(&recording, &swapped, &options)?,
        (None, None) => measured(&recording, &options)?,
    };
    let other = read(&arguments.against)?.map(|other| measured(&other, &options)).transpose()?;
    let difference = other.as_ref().map(|other| apart(&response, other)).transpose()?;
    super::super::timings::stage("output");
    if let Some(path) = &arguments.out {
        let source = crate::files::name(&arguments.file);
        whole::write(path, &table(&response, &source))?;
    }
    for text in recording.notes.iter().cloned().chain(response.notes.iter().map(ToString::to_string)) {
        note(&text);
    }
    if arguments.json {
        let mut document = json!({ "schema": "earwitness.bench/1", "bench": "response" });
        extend(&mut document, json!(response));
        document["notes"] = response.notes.iter().map(ToString::to_string).collect();
        if let Some(difference) = &difference {
            document["difference"] = json!({
                "gain_db": difference.gain_db,
                "uncertainty_db": difference.uncertainty_db,
                "largest_db": difference.largest_db,
                "at_hz": difference.at_hz,
                "is_there": difference.is_there,
                "sentence": difference.to_string(),
            });
        }
        return print_json(out, &document);
    }
    lines(&response, out)?;
    if let Some(difference) = &difference {
        writeln!(out, "the two responses are {difference}")?;
    }
    if let Some(path) = &arguments.out {
        writeln!(out, "{}: response = \"{0}\" in a session reads it", path.display())?;
    }
    Ok(())
}

/// The table that sessions read.
pub(super) fn table(response: &Response, source: &str) -> String {
    let mut text = format!(
        "# measured from {source} by Earwitness: response over reference, mean of {}\n# removed: {} of delay, polarity {}\n",
        crate::units::printed::count(response.repeats as u64, "sweep"),
        printed::fixed(response.delay_s, 9, "s"),
        response.polarity
    );
    let deviations = response.gain_std_db.as_ref().zip(response.phase_std_deg.as_ref());
    text.push_str("frequency_hz,gain_db,phase_deg");
    if deviations.is_some() {
        text.push_str(",gain_std_db,phase_std_deg");
    }
    text.push('\n');
    for (at, frequency) in response.frequency_hz.iter().enumerate() {
        let _ = write!(text, "{frequency:.4},{:.7},{:.6}", response.gain_db[at], response.phase_deg[at]);
        if let Some((gain, phase)) = deviations {
            let _ = write!(text, ",{:.7},{:.6}", gain[at], phase[at]);
        }
        text.push('\n');
    }
    text
}

fn lines(response: &Response, out: &mut dyn Write) -> std::io::Result<()> {
    let frequencies = &response.frequency_hz;
    let (first, last) = (frequencies[0], frequencies[frequencies.len() - 1]);
    writeln!(
        out,
        "{first} to {last}, mean of {}",
        crate::units::printed::count(response.repeats as u64, "sweep"),
        first = printed::fixed(first, 0, "Hz"),
        last = printed::fixed(last, 0, "Hz")
    )?;
    for wanted in [20.0, 100.0, 1000.0, 10_000.0, 20_000.0] {
        if !(first..=last).contains(&wanted) {
            continue;
        }
        let at = (0..frequencies.len())
            .min_by(|a, b| {
                (frequencies[*a] / wanted).ln().abs().total_cmp(&(frequencies[*b] / wanted).ln().abs())
            })
            .unwrap_or(0);
        let spread = response.gain_std_db.as_ref().map_or(String::new(), |std| {
            format!(" (sweeps scatter by {})", crate::bench::apart::fine(std[at]))
        });
        writeln!(
            out,
            "  {:>9}  {}{spread}  {}",
            printed::fixed(frequencies[at], 0, "Hz"),
            printed::signed(response.gain_db[at], 3, "dB"),
            printed::signed(response.phase_deg[at], 2, "degrees")
        )?;
    }
    writeln!(
        out,
        "delay {}, removed{}",
        printed::fixed(response.delay_s * 1e6, 3, "us"),
        if response.polarity < 0 { "; polarity reversed, turned round" } else { "" }
    )?;
    if let Some(ppm) = response.clock_ppm {
        writeln!(out, "clock {ppm}", ppm = printed::signed(ppm, 2, "ppm"))?;
    }
    if let Some(noise) = response.noise_dbfs {
        writeln!(out, "noise {noise}", noise = printed::fixed(noise, 1, "dBFS"))?;
    }
    Ok(())
}
