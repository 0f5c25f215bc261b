//! Capture: the sweep, or any sound, played on one device and recorded on another at the same time.

#![expect(clippy::disallowed_methods, reason = "a capture runs in real time")]

use std::time::{Duration, Instant};

use super::BenchError;
use crate::clip::Playable;
use crate::player::record::record;
use crate::player::{OutputChoice, PlayerEvent, PlayerOptions, open};
use crate::units::printed;

/// How often meters are told.
const LOOK: Duration = Duration::from_millis(50);
/// How long an input may take to its first sample.
const FIRST: Duration = Duration::from_secs(5);
/// What is late still arrives: the recording goes on until it was quiet for so long, in seconds ...
const QUIET_S: f64 = 0.7;
/// ... below this share of the peak, or for so long altogether, in seconds.
const QUIET_SHARE: f64 = 0.03;
const LONGEST_TAIL_S: f64 = 6.0;
/// Peaks above this are clipped, or nearly (-0.1 dB).
const CLIPPING: f64 = 0.989;
/// A peak below this is too low to measure hundredths of a decibel (-50 dB).
const TOO_LOW: f64 = 0.003_2;

/// What is played and where it is recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// Sound to play, one or two channels.
    pub sound: Playable,
    /// Output device, or the system's default.
    pub output: Option<String>,
    /// Input device, or the system's default.
    pub input: Option<String>,
    /// Input channels to keep, from 0: reference, then response; or one alone.
    pub channels: Vec<usize>,
}

/// Levels at a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// Seconds since the sound began.
    pub seconds: f64,
    /// Seconds that it takes.
    pub total: f64,
    /// Peak of each kept channel since the last time, full scale 1.
    pub peaks: Vec<f64>,
}

/// What was recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Captured {
    /// Samples of each kept channel.
    pub channels: Vec<Vec<f64>>,
    /// What is to be said of it, in sentences.
    pub notes: Vec<String>,
    /// The devices' names: output, input.
    pub devices: (String, String),
}

/// Plays and records. `tell` is called twenty times a second; `false` ends the capture.
///
/// # Errors
/// A device that is missing, lost, or that runs at another rate; a capture that was ended.
pub fn capture(what: &Capture, tell: &mut dyn FnMut(&Meter) -> bool) -> Result<Captured, BenchError> {
    let rate_hz = what.sound.rate_hz;
    let rate = f64::from(rate_hz);
    let most = what.channels.iter().max().map_or(1, |channel| channel + 1);
    let failed = |error: crate::player::PlayerError| BenchError(error.to_string());
    let mut recorder = record(what.input.as_deref(), rate_hz, most as u16).map_err(failed)?;
    // The sweep has its own silence and fade; nothing else may change it.
    let options = PlayerOptions { start_ramp_seconds: 0.05, buffer_frames: 4096, ..PlayerOptions::default() };
    let mut player = open(&OutputChoice::Device(what.output.clone()), rate_hz, what.sound.channels, options)
        .map_err(failed)?;
    let output = player.description();
    if output.rate_hz != rate_hz {
        return Err(BenchError(format!(
            "the output \"{}\" runs at {} Hz and not at {rate_hz} Hz; give --rate {}",
            output.name, output.rate_hz, output.rate_hz
        )));
    }
    let mut planes: Vec<Vec<f64>> = vec![Vec::new(); recorder.channels()];
    let opened = Instant::now();
    while planes[0].is_empty() {
        if opened.elapsed() > FIRST {
            return Err(BenchError(format!(
                "the input \"{}\" gives no sound within {} s; close other programs that record, or choose another with --input",
                recorder.name(),
                FIRST.as_secs()
            )));
        }
        std::thread::sleep(LOOK);
        recorder.take(&mut planes);
    }
    let mut notes = Vec::new();
    player.load(std::slice::from_ref(&what.sound));
    let start = planes[0].len();
    player.play();
    let frames = what.sound.frames();
    let total = frames as f64 / rate;
    let began = Instant::now();
    let mut seen = start;
    let mut paused = false;
    loop {
        std::thread::sleep(LOOK);
        recorder.take(&mut planes);
        for event in player.take_events() {
            match event {
                PlayerEvent::DeviceLost { reason } => {
                    return Err(BenchError(format!("the output was lost while the sweep was played: {reason}")));
                }
                PlayerEvent::Underrun => notes.push(
                    "the output had a dropout; the sweep it fell into is thrown away when the recording is read".to_owned(),
                ),
                PlayerEvent::DeviceChanged => notes.push("the system moved the output to another device".to_owned()),
                _ => {}
            }
        }
        // The sound would begin again at its end, with its own silence first: it is paused in that.
        if !paused && player.status().played as usize >= frames {
            player.pause();
            paused = true;
        }
        let peaks = what
            .channels
            .iter()
            .map(|channel| {
                planes[*channel][seen..].iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()))
            })
            .collect();
        seen = planes[0].len();
        let seconds = began.elapsed().as_secs_f64();
        if !tell(&Meter { seconds: seconds.min(total), total, peaks }) {
            return Err(BenchError("the capture was ended; nothing was written".into()));
        }
        if recorder.gone() || seconds > 2.0 * total + 30.0 {
            return Err(BenchError(format!("the input \"{}\" was lost while it recorded", recorder.name())));
        }
        let beyond = (planes[0].len() - start) as f64 - frames as f64;
        if paused && beyond > QUIET_S * rate && (beyond > LONGEST_TAIL_S * rate || quiet(&planes, what, rate))
        {
            break;
        }
    }
    match recorder.lost() {
        (0, 0) => {}
        (lost, overruns) => notes.push(format!(
            "the input lost sound ({lost} frames, {overruns} overruns); a sweep with a dropout is thrown away when the recording \
             is read"
        )),
    }
    let channels: Vec<Vec<f64>> =
        what.channels.iter().map(|channel| std::mem::take(&mut planes[*channel])).collect();
    for (index, channel) in channels.iter().enumerate() {
        let peak = channel.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        if let Some(warning) = level_warning(peak) {
            notes.push(format!("input {}: {warning}", what.channels[index] + 1));
        }
    }
    Ok(Captured { channels, notes, devices: (output.name, recorder.name().to_owned()) })
}

/// Nothing has come for a while on any kept channel.
fn quiet(planes: &[Vec<f64>], what: &Capture, rate: f64) -> bool {
    let peak = |samples: &[f64]| samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    what.channels.iter().all(|channel| {
        let plane = &planes[*channel];
        peak(&plane[plane.len().saturating_sub((QUIET_S * rate) as usize)..]) < QUIET_SHARE * peak(plane)
    })
}

/// A peak at which the input clips, or nearly does.
pub fn is_clipped(peak: f64) -> bool {
    peak >= CLIPPING
}

/// What is wrong with a peak, if anything.
fn level_warning(peak: f64) -> Option<String> {
    let decibels = 20.0 * peak.max(1e-9).log10();
    if is_clipped(peak) {
        Some(format!(
            "clipped, or nearly ({decibels}): turn its gain or the sweep's level down",
            decibels = printed::fixed(decibels, 1, "dBFS")
        ))
    } else if peak < TOO_LOW {
        Some(format!(
            "too low ({decibels}): turn its gain or the sweep's level up, a little at a time",
            decibels = printed::fixed(decibels, 0, "dBFS")
        ))
    } else {
        None
    }
}

/// A voltage divider that brings an amplifier down to what an input takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Divider {
    /// Largest voltage of the amplifier, peak, in volt.
    pub amplifier_v: f64,
    /// Resistor from the amplifier to the input, in ohm.
    pub upper_ohm: f64,
    /// Resistor across the input, in ohm.
    pub lower_ohm: f64,
    /// What the upper resistor turns into heat at most, in watt.
    pub heat_w: f64,
    /// What is left at the input, peak, in volt.
    pub input_v: f64,
}

/// The divider for an amplifier of `power_w` into `load_ohm` and an input that takes `input_v` volt, peak. Resistors are of
/// the E12 series (IEC 60063).
pub fn divider(power_w: f64, load_ohm: f64, input_v: f64) -> Divider {
    const E12: [f64; 12] = [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2];
    // Low enough that an input of 10 kohm and a lead's capacitance change nothing that both channels do not share.
    let lower_ohm = 1000.0;
    let amplifier_v = (2.0 * power_w * load_ohm).sqrt();
    let wanted = (lower_ohm * (amplifier_v / input_v - 1.0)).max(0.0);
    let decade = 10_f64.powf(wanted.max(1.0).log10().floor());
    let upper_ohm = E12
        .iter()
        .map(|value| value * decade)
        .chain([10.0 * decade])
        .find(|value| *value >= wanted * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade);
    let current = amplifier_v / std::f64::consts::SQRT_2 / (upper_ohm + lower_ohm);
    Divider {
        amplifier_v,
        upper_ohm,
        lower_ohm,
        heat_w: current * current * upper_ohm,
        input_v: amplifier_v * lower_ohm / (upper_ohm + lower_ohm),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_divider_protects_the_input_by_ohms_law() {
        // 100 W into 8 ohm: 40 V peak; 1 V at most at the input: 39 kohm over 1 kohm, 20 mW each way.
        let found = divider(100.0, 8.0, 1.0);
        assert!(
            (found.amplifier_v - 40.0).abs() < 1e-9 && (found.upper_ohm - 39e3).abs() < 1e-6,
            "{found:?}"
        );
        assert!((found.input_v - 1.0).abs() < 1e-9 && (found.heat_w - 0.0195).abs() < 1e-4, "{found:?}");
        for power in [1.0, 20.0, 50.0, 333.0, 1000.0] {
            assert!(divider(power, 4.0, 0.8).input_v <= 0.8 + 1e-9, "{power}");
        }
    }

    #[test]
    fn levels_that_cannot_be_measured_are_said() {
        assert!(level_warning(1.0).is_some_and(|text| text.contains("clipped")));
        assert!(level_warning(0.001).is_some_and(|text| text.contains("too low (−60 dBFS)")));
        assert_eq!(level_warning(0.3), None);
    }
}
