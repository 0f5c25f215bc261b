//! `earwitness bench tones`, and what `bench distortion --signal` says.

use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Failure, extend, note, print_json, whole};
use crate::bench::distortion::{Apart, apart_of};
use crate::bench::recording::Channel;
use crate::bench::tones::{Signal, intermodulation, overall_percent, stepped};
use crate::cli::render::Format;
use crate::units::printed;

/// A signal's name as it is typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum SignalName {
    /// 60 Hz and 7 kHz, 4:1
    Smpte,
    /// 250 Hz and 8 kHz, 4:1
    Din,
    /// 19 kHz and 20 kHz, 1:1 (difference frequency)
    Ccif,
    /// One tone after the other, 20 Hz to 20 kHz in thirds of an octave
    Steps,
}

impl SignalName {
    fn signal(self) -> Signal {
        match self {
            Self::Smpte => Signal::Smpte,
            Self::Din => Signal::Din,
            Self::Ccif => Signal::Ccif,
            Self::Steps => Signal::Steps,
        }
    }
}

/// What was typed after `bench tones`.
#[derive(Debug, clap::Args)]
pub(super) struct TonesArguments {
    /// The sound file to write, one channel; `bench capture --play` plays it
    #[arg(long, value_name = "FILE.wav")]
    out: PathBuf,
    /// Which tones
    #[arg(long, value_enum)]
    signal: SignalName,
    /// Sample rate in Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    rate: u32,
    /// Peak in dB relative to full scale; begin low
    #[arg(long, value_name = "DB", default_value_t = -40.0, allow_negative_numbers = true)]
    level: f64,
    /// How often it is played: of several times the scatter is known, so that two recordings can be told apart
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=20))]
    repeats: u32,
    /// How samples are stored
    #[arg(long, value_enum, default_value = "f32")]
    format: Format,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &TonesArguments, out: &mut dyn Write) -> Result<(), Failure> {
    crate::cli::check_ending("--out", &arguments.out, "wav")?;
    let samples = arguments.signal.signal().samples(arguments.rate, arguments.level, arguments.repeats)?;
    super::write_sound(&arguments.out, arguments.format.word(), arguments.rate, &[&samples])?;
    let seconds = samples.len() as f64 / f64::from(arguments.rate);
    let path = arguments.out.display();
    if arguments.json {
        let document = json!({
            "schema": "earwitness.bench/1",
            "bench": "tones",
            "file": path.to_string(),
            "signal": name(arguments.signal),
            "level_dbfs": arguments.level,
            "rate_hz": arguments.rate,
            "seconds": seconds,
        });
        print_json(out, &document)?;
    } else {
        let (level, rate) = (arguments.level, arguments.rate);
        writeln!(
            out,
            "{path}: {}, {level}, {rate} Hz; {seconds} in all",
            name(arguments.signal),
            level = printed::fixed(level, 1, "dBFS"),
            seconds = printed::fixed(seconds, 1, "s")
        )?;
    }
    note(super::CARE);
    if arguments.signal != SignalName::Smpte {
        note(
            "Steady treble heats a tweeter that music never warms: keep it low, or measure into a resistor.",
        );
    }
    Ok(())
}

fn name(signal: SignalName) -> String {
    use clap::ValueEnum as _;
    signal.to_possible_value().map_or(String::new(), |value| value.get_name().to_owned())
}

/// What a recording of tones holds: as JSON, as a table, as lines, and each repeat's distortion in percent.
struct Said {
    document: Value,
    table: String,
    lines: Vec<String>,
    repeats_percent: Vec<f64>,
}

/// Measures a recording of the tones, and another one if there is one, and says what was found and how far they are apart.
pub(super) fn said(
    channel: &Channel<'_>,
    against: Option<&Channel<'_>>,
    signal: SignalName,
    csv: Option<&PathBuf>,
    as_json: bool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut own = of(channel, signal)?;
    if let Some(other) = against.map(|channel| of(channel, signal)).transpose()? {
        let difference = apart_of(&own.repeats_percent, &other.repeats_percent);
        own.document["against"] = other.document;
        own.document["difference"] = difference_json(&difference);
        let what = if signal == SignalName::Steps { "THD+N" } else { "intermodulation" };
        own.lines.push(format!("difference of {what}: {difference}"));
    }
    if let Some(path) = csv {
        whole::write(path, &own.table)?;
    }
    if as_json {
        let mut document =
            json!({ "schema": "earwitness.bench/1", "bench": "distortion", "signal": name(signal) });
        extend(&mut document, own.document);
        print_json(out, &document)?;
    } else {
        writeln!(out, "{}", own.lines.join("\n"))?;
    }
    Ok(())
}

fn of(channel: &Channel<'_>, signal: SignalName) -> Result<Said, Failure> {
    if signal == SignalName::Steps { steps(channel) } else { pair(channel, signal) }
}

fn steps(channel: &Channel<'_>) -> Result<Said, Failure> {
    let found = stepped(channel)?;
    let mut table = "frequency_hz,level_dbfs,thd_percent,thd_noise_percent\n".to_owned();
    let row =
        |cells: [String; 4]| format!("{:>8}  {:>12}  {:>10}  {:>10}", cells[0], cells[1], cells[2], cells[3]);
    let mut lines = vec![row(["", "level", "THD", "THD+N"].map(str::to_owned))];
    for step in &found {
        let (frequency, level) = (step.frequency_hz, step.level_dbfs);
        let (hertz, decibels) = (printed::fixed(frequency, 0, "Hz"), printed::fixed(level, 2, "dBFS"));
        if step.dropout {
            lines.push(row([hertz, decibels, "dropout".to_owned(), "left out".to_owned()]));
            continue;
        }
        let blank = step.thd_percent.map_or_else(String::new, |percent| format!("{percent:.7}"));
        let _ = writeln!(table, "{frequency:.4},{level:.3},{blank},{:.7}", step.thd_noise_percent);
        let thd = step.thd_percent.map_or_else(|| "-".to_owned(), printed::fine_percent);
        lines.push(row([hertz, decibels, thd, printed::fine_percent(step.thd_noise_percent)]));
    }
    if found.iter().any(|step| step.dropout) {
        lines.push(
            "a step with a dropout says nothing: record the tones again, with other programs closed"
                .to_owned(),
        );
    }
    let (low, high) = crate::bench::tones::BAND_HZ;
    lines.push(format!("harmonics and noise from {low} Hz to {high} Hz, not weighted"));
    let steps = found.iter().map(|step| {
        json!({
            "frequency_hz": step.frequency_hz,
            "level_dbfs": step.level_dbfs,
            "thd_percent": step.thd_percent.filter(|_| !step.dropout),
            "thd_noise_percent": (!step.dropout).then_some(step.thd_noise_percent),
            "dropout": step.dropout,
        })
    });
    let document = json!({ "steps": steps.collect::<Vec<_>>() });
    Ok(Said { document, table, lines, repeats_percent: overall_percent(&found) })
}

fn pair(channel: &Channel<'_>, signal: SignalName) -> Result<Said, Failure> {
    let found = intermodulation(channel, signal.signal())?;
    let pieces = found.single_percent.len();
    let values = [
        ("percent", found.percent),
        ("std_percent", found.std_percent),
        ("second_percent", found.second_percent),
        ("third_percent", found.third_percent),
        ("floor_db", found.floor_db),
        ("ratio_db", found.ratio_db),
        ("clock_ppm", found.clock_ppm),
    ];
    let mut document = json!({ "pieces": pieces });
    for (key, value) in values {
        document[key] = json!(value);
    }
    let (keys, numbers) = (values.map(|(key, _)| key), values.map(|(_, value)| format!("{value:.7}")));
    let lines = vec![
        format!(
            "intermodulation {} (std {}, {pieces} pieces of 1 s): second order {}, third order {}",
            printed::fine_percent(found.percent),
            printed::fine_percent(found.std_percent),
            printed::fine_percent(found.second_percent),
            printed::fine_percent(found.third_percent)
        ),
        format!(
            "floor {} for one product; the lower tone is {} above the upper one",
            printed::fixed(found.floor_db, 1, "dB"),
            printed::signed_decibels(found.ratio_db)
        ),
    ];
    let table = format!("{}\n{}\n", keys.join(","), numbers.join(","));
    Ok(Said { document, table, lines, repeats_percent: found.single_percent })
}

pub(super) fn difference_json(difference: &Apart) -> Value {
    json!({
        "percent": difference.percent,
        "uncertainty_percent": difference.uncertainty_percent,
        "sentence": difference.to_string(),
    })
}
