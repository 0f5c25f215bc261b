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

use super::{Failure, note, whole};
use crate::bench::BenchError;

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
    /// Write the sweep as a sound file, to be played by anything
    Sweep(sweep::SweepArguments),
    /// Write steady tones as a sound file: two at once for intermodulation, or one after the other for THD+N
    Tones(tones::TonesArguments),
    /// Play the sweep and record two channels at once: reference (amplifier), response (loudspeaker)
    Capture(capture::CaptureArguments),
    /// The transfer function of a recording, with its standard deviation; delay removed and said
    Response(response::ResponseArguments),
    /// Harmonics and THD over frequency, the difference of two recordings; intermodulation, THD+N
    Distortion(distortion::DistortionArguments),
    /// An impedance by a known resistor: a loudspeaker, a shorted or an open cable
    Impedance(impedance::ImpedanceArguments),
    /// Two recordings on one time axis: what is left, against the same cable twice
    Null(null::NullArguments),
    /// A page with pictures of two cables: set-up, responses, difference, distortion, null test, raw files by digest
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
