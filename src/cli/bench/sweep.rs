//! `earwitness bench sweep`.

use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use super::{Failure, note, print_json};
use crate::bench::sweep::{HIGHEST_SHARE, Sweep};
use crate::cli::render::Format;
use crate::units::printed;

/// How a sweep is shaped.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SweepShape {
    /// Sample rate in Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    rate: u32,
    /// Where it begins, in Hz
    #[arg(long, value_name = "HZ", default_value_t = 8.0, allow_negative_numbers = true)]
    from: f64,
    /// Where it ends, in Hz; 0.47 of the rate if not given
    #[arg(long, value_name = "HZ", allow_negative_numbers = true)]
    to: Option<f64>,
    /// Length of one sweep in seconds
    #[arg(long, value_name = "S", default_value_t = 10.0, allow_negative_numbers = true)]
    seconds: f64,
    /// How often it is played; the repeats give the standard deviation and show dropouts
    #[arg(long, value_name = "N", default_value_t = 4)]
    repeats: u32,
    /// Peak in dB relative to full scale, 0 or below [default: -12; -40 where `capture` cannot ask]
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    pub(super) level: Option<f64>,
    /// Silence before, between and after the sweeps, in seconds
    #[arg(long, value_name = "S", default_value_t = 0.5, allow_negative_numbers = true)]
    pause: f64,
    /// Length of the fades in seconds; a quarter of an octave at the start and 1/24 at the end if not given
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    fade: Option<f64>,
}

impl SweepShape {
    /// The sweep that was asked for, at this level unless another was asked for, in dB relative to full scale.
    pub(super) fn sweep(&self, level_dbfs: f64) -> Sweep {
        Sweep {
            from_hz: self.from,
            to_hz: self.to.unwrap_or(HIGHEST_SHARE * f64::from(self.rate)),
            seconds: self.seconds,
            rate_hz: self.rate,
            level_dbfs: self.level.unwrap_or(level_dbfs),
            repeats: self.repeats,
            pause_s: self.pause,
            fade_s: self.fade,
        }
    }
}

/// What was typed after `bench sweep`.
#[derive(Debug, clap::Args)]
pub(super) struct SweepArguments {
    /// The sound file to write, one channel
    #[arg(long, value_name = "FILE.wav")]
    out: PathBuf,
    #[command(flatten)]
    shape: SweepShape,
    /// How samples are stored
    #[arg(long, value_enum, default_value = "f32")]
    format: Format,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &SweepArguments, out: &mut dyn Write) -> Result<(), Failure> {
    crate::cli::check_ending("--out", &arguments.out, "wav")?;
    let sweep = arguments.shape.sweep(Sweep::default().level_dbfs);
    let samples = sweep.samples()?;
    super::write_sound(&arguments.out, arguments.format.word(), sweep.rate_hz, &[&samples])?;
    let seconds = samples.len() as f64 / f64::from(sweep.rate_hz);
    if arguments.json {
        let document = json!({
            "schema": "earwitness.bench/1",
            "bench": "sweep",
            "file": arguments.out.display().to_string(),
            "from_hz": sweep.from_hz,
            "to_hz": sweep.to_hz,
            "sweep_s": sweep.length_s(),
            "time_constant_s": sweep.time_constant_s(),
            "repeats": sweep.repeats,
            "level_dbfs": sweep.level_dbfs,
            "rate_hz": sweep.rate_hz,
            "seconds": seconds,
        });
        print_json(out, &document)?;
    } else {
        writeln!(
            out,
            "{}: {} of {}, {} to {}, {}, {} Hz; {seconds} in all",
            arguments.out.display(),
            crate::units::printed::count(u64::from(sweep.repeats), "sweep"),
            printed::fixed(sweep.length_s(), 2, "s"),
            sweep.from_hz,
            printed::fixed(sweep.to_hz, 0, "Hz"),
            printed::fixed(sweep.level_dbfs, 1, "dBFS"),
            sweep.rate_hz,
            seconds = printed::fixed(seconds, 1, "s")
        )?;
    }
    note(super::CARE);
    Ok(())
}
