//! `earwitness bench`: sweeps, captures, responses, impedance, distortion, null tests.

mod capture;
mod distortion;
mod impedance;
mod null;
mod report;
mod response;
mod sweep;
mod tones;

use std::io::Write;
use std::path::Path;

use super::{Failure, extend, note, print_json, whole};
use crate::bench::BenchError;
use crate::clip::dither::{Dither, WordLength};
use crate::clip::write::WavWriter;

/// What is said before anything is joined to an amplifier.
const CARE: &str = "\
Care: switch the amplifier off before anything is joined, moved or shorted.
Begin low, with tweeters protected. An amplifier's output can destroy an input:
use a voltage divider (`earwitness bench capture --amplifier-power` says which).
Where both terminals carry signal (bridged amplifiers), an input's ground on one
of them is a short circuit.";

/// What was typed after `bench`.
#[derive(Debug, clap::Args)]
pub struct BenchArguments {
    #[command(subcommand)]
    job: Job,
}

/// The jobs of the bench, in the order of a measurement.
#[derive(Debug, clap::Subcommand)]
enum Job {
    /// Write the sweep as a sound file that anything can play
    Sweep(sweep::SweepArguments),
    /// Write steady tones as a sound file, for intermodulation or THD+N
    Tones(tones::TonesArguments),
    /// Play the sweep and record two channels at once: reference (amplifier), response (loudspeaker)
    Capture(capture::CaptureArguments),
    /// Work out the transfer function of a recording, with its standard deviation and delay
    Response(response::ResponseArguments),
    /// Work out harmonics and THD, intermodulation or THD+N, and how far two recordings differ
    Distortion(distortion::DistortionArguments),
    /// Work out an impedance from a known resistor: a loudspeaker, a shorted or an open cable
    Impedance(impedance::ImpedanceArguments),
    /// Subtract two recordings, aligned in time: what is left, against the same cable twice
    Null(null::NullArguments),
    /// Write a page on two measured cables: responses, difference, distortion, null test
    Report(report::ReportArguments),
}

impl From<BenchError> for Failure {
    fn from(error: BenchError) -> Self {
        Self::Bad(error.0)
    }
}

/// Runs the command.
pub fn run(arguments: &BenchArguments, out: &mut dyn Write) -> Result<(), Failure> {
    super::timings::stage("bench");
    match &arguments.job {
        Job::Sweep(arguments) => sweep::run(arguments, out),
        Job::Tones(arguments) => tones::run(arguments, out),
        Job::Capture(arguments) => capture::run(arguments, out),
        Job::Response(arguments) => response::run(arguments, out),
        Job::Distortion(arguments) => distortion::run(arguments, out),
        Job::Impedance(arguments) => impedance::run(arguments, out),
        Job::Null(arguments) => null::run(arguments, out),
        Job::Report(arguments) => report::run(arguments, out),
    }
}

/// Writes a sound, one slice a channel, undithered, whole or not at all.
fn write_sound(path: &Path, word: WordLength, rate_hz: u32, channels: &[&[f64]]) -> Result<(), Failure> {
    let mut file =
        WavWriter::create(path, word, channels.len(), rate_hz, Dither::new(0)).map_err(Failure::bad)?;
    file.push(channels).and_then(|()| file.finish()).map_err(Failure::bad)
}
