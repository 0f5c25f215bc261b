//! Tests of the sound path: filters, clips, levels, stimuli, and the player on a device that runs in real time.

mod bad_sound;
pub(crate) mod device;
mod engine;
mod files;
mod filters;
mod resampling;
mod stimuli;
mod synthesised;
mod unfinished;
mod words;

use std::path::Path;
use std::sync::Arc;

use earwitness::clip::Playable;
use earwitness::session::Session;

/// Aborts the test where the code under `assert_no_alloc` allocates or frees.
#[global_allocator]
static ALLOCATOR: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;

/// Noise that is the same in every run, with samples that 24 bits hold exactly.
fn noise(frames: usize, channels: u16, rate_hz: u32, seed: u64) -> Playable {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let samples: Arc<[f32]> = (0..frames * usize::from(channels))
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            ((state >> 44) as f32 - 524_288.0) / 1_048_576.0
        })
        .collect();
    Playable { rate_hz, channels, samples }
}

/// A loudspeaker with a resonance and a coil.
const DRIVER: &str = "
[loudspeaker.driver]
dc_resistance = \"6.2 ohm\"
voice_coil_inductance = \"0.34 mH\"
resonance = \"40 Hz\"
q_mechanical = 6.15
q_electrical = 0.42
";

/// The table of a cable of two parallel conductors: length in m, cross-section in mm2, distance in mm, permittivity.
fn pair(name: &str, length: f64, area: f64, spacing: f64, permittivity: f64) -> String {
    format!(
        "[cables.{name}]\nconstruction = \"parallel-pair\"\nlength = \"{length} m\"\nconductor = \"{area} mm2\"\n\
         spacing = \"{spacing} mm\"\npermittivity = {permittivity}\n"
    )
}

/// A session from its tables; the keys before the first table are filled in.
fn session(folder: &Path, tables: &str) -> Session {
    session_with(folder, "", tables)
}

/// The same with more keys before the first table.
fn session_with(folder: &Path, keys: &str, tables: &str) -> Session {
    let text = format!("title = \"Test\"\nprotocol = \"abx\"\ntrials = 16\n{keys}\n{tables}");
    earwitness::session::parse(&folder.join("session.toml"), &text).unwrap_or_else(|error| panic!("{error}"))
}
