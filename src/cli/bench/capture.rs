//! `earwitness bench capture`.

use std::io::{IsTerminal, Write};
use std::path::PathBuf;

use serde_json::json;

use super::sweep::SweepShape;
use super::{Failure, note, print_json};
use crate::bench::approach::{self, Finding};
use crate::bench::capture::{Capture, Captured, Meter, capture, divider, is_clipped};
use crate::bench::sweep::Sweep;
use crate::clip::dither::WordLength;
use crate::clip::{ClipSource, OpenClip, Playable};
use crate::units::printed;

/// What was typed after `bench capture`.
#[derive(Debug, clap::Args)]
pub(super) struct CaptureArguments {
    /// The sound file to write: 32-bit float, one channel per input
    #[arg(long, value_name = "FILE.wav", required_unless_present = "amplifier_power")]
    out: Option<PathBuf>,
    #[command(flatten)]
    shape: SweepShape,
    /// Play this file in place of the sweep: music for a null test, or for `recording =`
    #[arg(long, value_name = "FILE")]
    play: Option<PathBuf>,
    /// Sound device to play on; the system's default if not given
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
    /// Sound device to record from; the system's default if not given
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// Input channels, from 1: reference (amplifier), response (loudspeaker)
    #[arg(long, value_name = "N,N", value_delimiter = ',', default_value = "1,2", value_parser = clap::value_parser!(u8).range(1..=64))]
    channels: Vec<u8>,
    /// Print the voltage divider for an amplifier of this power in watt, and play nothing without --out
    #[arg(long, value_name = "W")]
    amplifier_power: Option<f64>,
    /// With --amplifier-power: the impedance that the power is into, in ohm
    #[arg(long, value_name = "OHM", default_value_t = 8.0, requires = "amplifier_power")]
    into: f64,
    /// With --amplifier-power: the most that the interface's input takes, in volt peak (see its manual)
    #[arg(long, value_name = "V", default_value_t = 1.0, requires = "amplifier_power")]
    input_limit: f64,
    /// Go up to --level without being asked at each step; test bursts still come first
    #[arg(long)]
    yes: bool,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &CaptureArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(power) = arguments.amplifier_power {
        said(power, arguments.into, arguments.input_limit, out)?;
    }
    let Some(path) = &arguments.out else { return Ok(()) };
    crate::cli::check_ending("--out", path, "wav")?;
    if arguments.channels.is_empty() || arguments.channels.len() > 2 {
        return Err(Failure::bad(format!(
            "--channels names {} inputs; one or two are recorded, such as 1,2",
            arguments.channels.len()
        )));
    }
    note(super::CARE);
    let asks = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    // Nobody to ask: what was asked for in so many words, or a low level.
    let usual = if asks { Sweep::default().level_dbfs } else { approach::LOW_DBFS };
    let what = Capture {
        sound: sound(arguments, usual)?,
        output: arguments.output.clone(),
        input: arguments.input.clone(),
        channels: arguments.channels.iter().map(|channel| usize::from(*channel) - 1).collect(),
    };
    let level_dbfs =
        decibels(what.sound.samples.iter().fold(0.0_f32, |peak, sample| sample.abs().max(peak)).into());
    if !asks && !arguments.yes && level_dbfs > approach::LOW_DBFS + 0.1 {
        return Err(Failure::bad(format!(
            "the level is {level_dbfs}, above {} dBFS, and there is no terminal to ask in: add --yes to go up without \
             being asked, or give --level {}",
            approach::LOW_DBFS,
            approach::LOW_DBFS,
            level_dbfs = printed::fixed(level_dbfs, 1, "dBFS")
        )));
    }
    let reached = go_up(&what, level_dbfs, asks && !arguments.yes, arguments)?;
    let what = if reached < level_dbfs - 0.05 { scaled(what, reached - level_dbfs) } else { what };
    let rate_hz = what.sound.rate_hz;
    let found = played_and_recorded(&what, &arguments.channels)?;
    let channels: Vec<&[f64]> = found.channels.iter().map(Vec::as_slice).collect();
    super::write_sound(path, WordLength::Float32, rate_hz, &channels)?;
    for text in &found.notes {
        note(text);
    }
    let peaks: Vec<f64> = found
        .channels
        .iter()
        .map(|channel| 20.0 * channel.iter().fold(1e-9_f64, |peak, sample| peak.max(sample.abs())).log10())
        .collect();
    let seconds = found.channels[0].len() as f64 / f64::from(rate_hz);
    if arguments.json {
        let document = json!({
            "schema": "earwitness.bench/1",
            "bench": "capture",
            "file": path.display().to_string(),
            "rate_hz": rate_hz,
            "seconds": seconds,
            "peak_dbfs": peaks,
            "output": found.devices.0,
            "input": found.devices.1,
            "notes": found.notes,
        });
        return print_json(out, &document);
    }
    let levels: Vec<String> = peaks.iter().map(|peak| printed::fixed(*peak, 1, "dBFS")).collect();
    writeln!(
        out,
        "{}: {seconds} at {rate_hz} Hz, peaks {}",
        path.display(),
        levels.join(" and "),
        seconds = printed::fixed(seconds, 1, "s")
    )?;
    Ok(())
}

/// What is played: the sweep at a level in dB relative to full scale, or a sound file, as it is or with another peak.
fn sound(arguments: &CaptureArguments, level_dbfs: f64) -> Result<Playable, Failure> {
    let Some(path) = &arguments.play else {
        let sweep = arguments.shape.sweep(level_dbfs);
        let samples = sweep.samples()?.into_iter().map(|sample| sample as f32).collect();
        return Ok(Playable { rate_hz: sweep.rate_hz, channels: 1, samples });
    };
    let source = ClipSource::File { path: path.clone(), start_seconds: 0.0, length_seconds: None };
    let sound = OpenClip::open(&source).and_then(|clip| clip.read_all()).map_err(Failure::bad)?;
    let peak = sound.channels.iter().flatten().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    if peak == 0.0 {
        return Err(Failure::bad(format!("{} is silent; there is nothing to record", path.display())));
    }
    let gain = match arguments.shape.level {
        Some(level) if !(-80.0..=0.0).contains(&level) => {
            return Err(Failure::bad(format!("--level is {level} dB; -80 to 0 dB are allowed")));
        }
        Some(level) => 10_f64.powf(level / 20.0) / peak,
        None => 1.0,
    };
    let channels = sound.channels.len();
    let mut samples = vec![0.0_f32; sound.frames() * channels];
    for (index, channel) in sound.channels.iter().enumerate() {
        for (frame, sample) in samples.chunks_exact_mut(channels).zip(channel) {
            frame[index] = (gain * sample) as f32;
        }
    }
    Ok(Playable { rate_hz: sound.rate_hz, channels: channels as u16, samples: samples.into() })
}

/// The same, so many dB louder.
fn scaled(mut what: Capture, by_db: f64) -> Capture {
    let gain = 10_f64.powf(by_db / 20.0) as f32;
    what.sound.samples = what.sound.samples.iter().map(|sample| gain * sample).collect();
    what
}

fn decibels(peak: f64) -> f64 {
    20.0 * peak.max(1e-9).log10()
}

/// Plays and records, with meters.
fn played_and_recorded(what: &Capture, channels: &[u8]) -> Result<Captured, Failure> {
    let terminal = std::io::stderr().is_terminal();
    let mut warned = false;
    let found = capture(what, &mut |meter| {
        if terminal {
            show(meter, channels);
        }
        // A clipped input says so at once: whoever stands at the amplifier need not wait for the end.
        if !warned && meter.peaks.iter().any(|peak| *peak >= 0.99) {
            warned = true;
            note("! An input clips: turn it down.");
        }
        true
    });
    if terminal {
        note("");
    }
    Ok(found?)
}

/// Goes up to a level in short bursts, asking before each step or, if nobody is to be asked, all in one go; returns the level
/// that was reached.
fn go_up(what: &Capture, level_dbfs: f64, asks: bool, arguments: &CaptureArguments) -> Result<f64, Failure> {
    let step_db = if asks { approach::ASKED_STEP_DB } else { approach::STEP_DB };
    let levels = approach::levels(level_dbfs, step_db);
    let burst = |levels: &[f64]| -> Result<Vec<f64>, Failure> {
        let sound = approach::bursts(levels, what.sound.rate_hz, what.sound.channels);
        let found = played_and_recorded(&Capture { sound, ..what.clone() }, &arguments.channels)?;
        Ok(found
            .channels
            .iter()
            .map(|own| own.iter().fold(0.0, |peak, sample| sample.abs().max(peak)))
            .collect())
    };
    let name = |index: usize| arguments.channels.get(index).copied().unwrap_or(1);
    if !asks {
        let peaks = burst(&levels)?;
        said_of_peaks(level_dbfs, &peaks, arguments);
        return match approach::finding(&peaks, level_dbfs, level_dbfs) {
            Finding::Higher => Ok(level_dbfs),
            Finding::TooLoud => Err(Failure::bad(format!(
                "an input clips at {level_dbfs}: turn its gain down, or give a lower --level; nothing was recorded",
                level_dbfs = printed::fixed(level_dbfs, 0, "dBFS")
            ))),
            Finding::Deaf { input } => Err(Failure::bad(deaf(name(input)))),
        };
    }
    for (index, level) in levels.iter().enumerate() {
        let peaks = burst(&[*level])?;
        said_of_peaks(*level, &peaks, arguments);
        let next = levels.get(index + 1);
        let way = match approach::finding(&peaks, *level, next.copied().unwrap_or(*level)) {
            Finding::TooLoud if next.is_none() => {
                return Err(Failure::bad(
                    "an input clips: turn its gain down and begin again; nothing was recorded",
                ));
            }
            Finding::TooLoud => {
                note("The next step would clip an input.");
                None
            }
            Finding::Deaf { input } => {
                note(&deaf(name(input)));
                next
            }
            Finding::Higher => next,
        };
        if next.is_none() {
            return Ok(*level);
        }
        note(&match way {
            Some(next) => format!(
                "Enter: up to {next}.  c: record at this level.  q: stop.",
                next = printed::fixed(*next, 0, "dBFS")
            ),
            None => "c: record at this level.  q: stop.".to_owned(),
        });
        match (answer()?.as_str(), way) {
            ("c", _) => return Ok(*level),
            ("", Some(_)) => {}
            _ => return Err(Failure::bad("the capture was ended; nothing was written")),
        }
    }
    Ok(level_dbfs)
}

fn deaf(input: u8) -> String {
    format!(
        "Input {input} hears nothing while another does: check its lead, its gain, and which input is which (--channels)"
    )
}

fn said_of_peaks(level_dbfs: f64, peaks: &[f64], arguments: &CaptureArguments) {
    let inputs: Vec<String> = peaks
        .iter()
        .zip(&arguments.channels)
        .map(|(peak, channel)| {
            format!("input {channel} peaks at {}", printed::fixed(decibels(*peak), 1, "dBFS"))
        })
        .collect();
    note(&format!(
        "Test burst at {level_dbfs}: {}.",
        inputs.join(", "),
        level_dbfs = printed::fixed(level_dbfs, 0, "dBFS")
    ));
}

/// A line that was typed.
fn answer() -> Result<String, Failure> {
    let mut line = String::new();
    let read = std::io::stdin().read_line(&mut line).map_err(Failure::bad)?;
    Ok(if read == 0 { "q".to_owned() } else { line.trim().to_lowercase() })
}

/// Meters on one line, drawn over the last one.
fn show(meter: &Meter, channels: &[u8]) {
    let bars: Vec<String> = meter
        .peaks
        .iter()
        .zip(channels)
        .map(|(peak, channel)| {
            let decibels = 20.0 * peak.max(1e-6).log10();
            let filled = ((decibels + 60.0) / 3.0).clamp(0.0, 20.0) as usize;
            let mark = if is_clipped(*peak) { "!" } else { " " };
            format!(
                "in {channel} [{}{}]{:>11}{mark}",
                "=".repeat(filled),
                " ".repeat(20 - filled),
                printed::fixed(decibels, 1, "dB")
            )
        })
        .collect();
    let mut error = std::io::stderr().lock();
    let _ = write!(
        error,
        "\r{:>5.1} of {}  {}  ",
        meter.seconds,
        printed::fixed(meter.total, 1, "s"),
        bars.join("  ")
    );
    let _ = error.flush();
}

/// The divider, in words.
fn said(power_w: f64, load_ohm: f64, input_v: f64, out: &mut dyn Write) -> Result<(), Failure> {
    for (name, value, high) in [
        ("--amplifier-power", power_w, 10_000.0),
        ("--into", load_ohm, 100.0),
        ("--input-limit", input_v, 100.0),
    ] {
        if !(value.is_finite() && value > 0.0 && value <= high) {
            return Err(Failure::bad(format!(
                "{name} is {value}; more than 0 and at most {high} are allowed"
            )));
        }
    }
    let found = divider(power_w, load_ohm, input_v);
    writeln!(
        out,
        "{power_w} W into {load_ohm} ohm is {:.0} V peak. For an input of {input_v} V: {} from the amplifier to the input, 1 kohm \
         across the input, one pair for each channel, of the same make; {:.2} V are left, and {:.0} mW become heat.",
        found.amplifier_v,
        if found.upper_ohm >= 1000.0 {
            format!("{} kohm", (found.upper_ohm / 10.0).round() / 100.0)
        } else {
            printed::fixed(found.upper_ohm, 0, "ohm")
        },
        found.input_v,
        1000.0 * found.heat_w
    )?;
    Ok(())
}
