//! The part of `check` that measures one's own device: its output joined to its input.

use serde_json::{Value, json};

use super::check_words::DeviceArguments;
use super::progress::Bar;
use super::{Failure, note};
use crate::bench::approach;
use crate::bench::capture::{Capture, capture};
use crate::bench::chain::{Loopback, Margins, loopback, sweep};
use crate::bench::recording::Recording;
use crate::clip::Playable;
use crate::session::Session;
use crate::stimulus::resolution::MARGIN_DB;
use crate::stimulus::{PairKind, Survey};
use crate::units::printed;

/// How the device is measured.
#[derive(Debug, clap::Args)]
pub(super) struct LoopbackArguments {
    /// With --sound-path: measure the device's response, noise and distortion too, with a lead from its output to its input.
    /// Headphones and amplifier off
    #[arg(long, requires = "sound_path")]
    loopback: bool,
    /// With --loopback: the device to record from
    #[arg(long, value_name = "NAME", requires = "loopback")]
    input: Option<String>,
    /// With --loopback: the input that the output is joined to, from 1
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=64))]
    input_channel: u8,
}

/// A device against one comparison on one clip.
pub(super) struct Against {
    comparison: String,
    clip: String,
    difference_db: Option<f64>,
    margins: Option<Margins>,
}

/// A device that was measured.
pub(super) struct Chain {
    found: Loopback,
    names: (String, String),
    against: Vec<Against>,
}

/// Measures the device, if that was asked for.
pub(super) fn measure(
    arguments: &LoopbackArguments,
    device: &DeviceArguments,
    session: &Session,
    stimuli: &Survey<'_>,
) -> Result<Option<Chain>, Failure> {
    if !arguments.loopback {
        return Ok(None);
    }
    let Some((rate_hz, _)) = stimuli.first() else { return Ok(None) };
    note(
        "Take the headphones off and switch the amplifier off: test sounds go from the output to the input.",
    );
    let wanted = sweep(rate_hz);
    let channels = vec![usize::from(arguments.input_channel) - 1];
    let (output, input) = (device.name(), arguments.input.clone());
    let of = |sound: Playable| Capture {
        sound,
        output: output.clone(),
        input: input.clone(),
        channels: channels.clone(),
    };
    let levels = approach::levels(wanted.level_dbfs, approach::STEP_DB);
    let burst = capture(&of(approach::bursts(&levels, rate_hz, 1)), &mut |_| true).map_err(Failure::bad)?;
    let peak = burst.channels[0].iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    if approach::finding(&[peak], wanted.level_dbfs, wanted.level_dbfs) == approach::Finding::TooLoud {
        return Err(Failure::bad("the input clips at -20 dBFS; turn its gain down and check again"));
    }
    let samples = wanted.samples().map_err(Failure::bad)?;
    let sound =
        Playable { rate_hz, channels: 1, samples: samples.iter().map(|sample| *sample as f32).collect() };
    let mut captured = capture(&of(sound), &mut |_| true).map_err(Failure::bad)?;
    let name = format!("input {} of \"{}\"", arguments.input_channel, captured.devices.1);
    let recording =
        Recording::new(&name, rate_hz, vec![captured.channels.remove(0)]).map_err(Failure::bad)?;
    let found = loopback(&recording, &wanted).map_err(Failure::bad)?;
    let mut against = Vec::new();
    for pair in stimuli.differences(false, &Bar::default()).map_err(Failure::bad)? {
        let PairKind::Comparison { comparison, clip } = pair.kind else { continue };
        let sound: f64 = pair.bands.iter().map(|band| 10_f64.powf(band.signal_db / 10.0)).sum();
        against.push(Against {
            comparison: session.comparisons[comparison].name.as_written().to_owned(),
            clip: session.clips[clip].name.as_written().to_owned(),
            difference_db: pair.difference_db,
            margins: pair.difference_db.map(|difference| found.against(10.0 * sound.log10(), difference)),
        });
    }
    Ok(Some(Chain { found, names: captured.devices, against }))
}

/// For people.
pub(super) fn lines(chain: &Chain) -> Vec<String> {
    let Loopback { gain_db, response_db, noise_dbfs, thd_percent, repeats } = &chain.found;
    let mut lines = vec![
        format!("Your device, its output joined to its input: {} into {}", chain.names.0, chain.names.1),
        format!(
            "  response {} to {} from 20 Hz to 20 kHz against 1 kHz (the same for both sides), gain {gain_db}, {}",
            printed::signed_decibels(printed::rounded(response_db.0, 2)),
            printed::signed_decibels(printed::rounded(response_db.1, 2)),
            crate::units::printed::count(*repeats as u64, "sweep"),
            gain_db = printed::signed_decibels(*gain_db)
        ),
        format!(
            "  noise {}, THD at most {} (at {}, {})",
            noise_dbfs.map_or("unknown".into(), |noise| printed::fixed(noise, 1, "dBFS")),
            printed::fine_percent(thd_percent.0),
            printed::hertz(thd_percent.1),
            printed::fixed(sweep(48_000).level_dbfs, 0, "dBFS")
        ),
    ];
    for own in &chain.against {
        let place = format!("{} on {}", own.comparison, own.clip);
        let (Some(difference), Some(margins)) = (own.difference_db, own.margins) else {
            lines.push(format!("  {place}: the sides are identical, there is nothing to hide"));
            continue;
        };
        let noise = margins.noise_db.map_or("unknown".into(), |margin| printed::fixed(margin, 0, "dB"));
        lines.push(format!(
            "  {place}: A minus B is {difference}; it stands {noise} out of the device's noise and {} out of its \
             distortion",
            printed::fixed(margins.distortion_db, 0, "dB"), difference = printed::fixed(difference, 1, "dBFS")));
        if margins.noise_db.is_some_and(|margin| margin < MARGIN_DB) {
            lines.push(format!(
                "    caution: {MARGIN_DB} dB are wanted, so this device's noise could hide it"
            ));
        }
        if margins.distortion_db < MARGIN_DB {
            lines.push(format!(
                "    caution: {MARGIN_DB} dB are wanted; its distortion is the same on both sides, but could cover what differs"
            ));
        }
    }
    lines
}

/// The same as JSON.
pub(super) fn document(chain: Option<&Chain>) -> Value {
    chain.map_or(Value::Null, |chain| {
        json!({
            "output": chain.names.0,
            "input": chain.names.1,
            "gain_db": chain.found.gain_db,
            "response_db": [chain.found.response_db.0, chain.found.response_db.1],
            "noise_dbfs": chain.found.noise_dbfs,
            "thd_percent": chain.found.thd_percent.0,
            "thd_at_hz": chain.found.thd_percent.1,
            "repeats": chain.found.repeats,
            "against": chain.against.iter().map(|own| json!({
                "comparison": own.comparison,
                "clip": own.clip,
                "difference_db": own.difference_db,
                "over_noise_db": own.margins.and_then(|margins| margins.noise_db),
                "over_distortion_db": own.margins.map(|margins| margins.distortion_db),
            })).collect::<Vec<_>>(),
        })
    })
}
