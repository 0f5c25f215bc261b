//! `earwitness render`.

use std::io::Write;
use std::path::PathBuf;

use super::progress::Bar;
use super::{Failure, note, print_json};
use crate::clip::dither::WordLength;
use crate::stimulus::PairLevels;
use crate::units::printed;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// 16-bit integer, dithered
    S16,
    /// 24-bit integer, dithered
    S24,
    /// 32-bit float, nothing added
    F32,
}

impl Format {
    /// The word length that it is.
    pub(super) fn word(self) -> WordLength {
        match self {
            Self::S16 => WordLength::Bits16,
            Self::S24 => WordLength::Bits24,
            Self::F32 => WordLength::Float32,
        }
    }
}

/// What was typed after `render`.
#[derive(Debug, clap::Args)]
pub struct RenderArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Folder for the WAV files; it is made if needed
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// How samples are stored
    #[arg(long, value_enum, default_value = "f32")]
    format: Format,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &RenderArguments, out: &mut dyn Write) -> Result<(), Failure> {
    super::timings::stage("session");
    let session = crate::session::load(&arguments.session).map_err(Failure::bad)?;
    let word = arguments.format.word();
    super::timings::stage("stimuli");
    let rendered =
        crate::stimulus::render(&session, &arguments.out, word, &Bar::default()).map_err(Failure::bad)?;
    super::timings::stage("output");
    for text in session.notes.iter().chain(&rendered.notes) {
        note(text);
    }
    if arguments.json {
        let pairs: Vec<serde_json::Value> = rendered
            .files
            .chunks_exact(2)
            .zip(&rendered.levels)
            .map(|(files, levels)| pair_json(files, levels))
            .collect();
        let document =
            serde_json::json!({ "schema": "earwitness.render/1", "pairs": pairs, "notes": rendered.notes });
        return print_json(out, &document);
    }
    for (files, levels) in rendered.files.chunks_exact(2).zip(&rendered.levels) {
        for (file, loudness, peak) in [
            (&files[0], levels.loudness_a_lufs, levels.true_peak_a_dbtp),
            (&files[1], levels.loudness_b_lufs, levels.true_peak_b_dbtp),
        ] {
            let loudness = loudness.map_or_else(|| "silent".into(), |lufs| format!("{lufs:.2} LUFS"));
            writeln!(out, "{}  {loudness}, {peak}", file.display(), peak = printed::fixed(peak, 2, "dBTP"))?;
        }
        writeln!(
            out,
            "  common gain {}, matching {} on A and {} on B, filters of {} and {} taps",
            printed::decibels(levels.common_gain_db),
            printed::decibels(levels.match_gain_a_db),
            printed::decibels(levels.match_gain_b_db),
            levels.taps_a,
            levels.taps_b
        )?;
    }
    Ok(())
}

fn pair_json(files: &[PathBuf], levels: &PairLevels) -> serde_json::Value {
    serde_json::json!({
        "a": files[0].display().to_string(),
        "b": files[1].display().to_string(),
        "common_gain_db": levels.common_gain_db,
        "match_gain_a_db": levels.match_gain_a_db,
        "match_gain_b_db": levels.match_gain_b_db,
        "loudness_a_lufs": levels.loudness_a_lufs,
        "loudness_b_lufs": levels.loudness_b_lufs,
        "true_peak_a_dbtp": levels.true_peak_a_dbtp,
        "true_peak_b_dbtp": levels.true_peak_b_dbtp,
        "taps_a": levels.taps_a,
        "taps_b": levels.taps_b,
    })
}
