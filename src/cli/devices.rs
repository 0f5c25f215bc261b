//! `earwitness devices`.

use std::io::Write;

use super::{Failure, print_json};
use crate::player::{DeviceFacts, devices};

/// What was typed after `devices`.
#[derive(Debug, clap::Args)]
pub struct DevicesArguments {
    /// Print the devices as JSON
    #[arg(long)]
    json: bool,
}

const NONE: &str = "\
No sound device answers. Check, in this order:
- Is a device connected and switched on? `aplay -l` lists what the kernel sees (Debian: apt-get install alsa-utils).
- Is a sound server running? `systemctl --user status pipewire pulseaudio`
- Can ALSA programs reach it? apt-get install libasound2-plugins (PulseAudio) or pipewire-alsa (PipeWire)
- Are you allowed to use it? Join the group `audio`, or log in at the desktop.
Without a device: --output FILE.wav writes what would be heard, and --output silent plays nothing.";

const CAVEAT: &str = "\
A sound server accepts any rate and format. It may resample, mix in other programs or turn the volume down, and this
program cannot see that. To change nothing: choose a device whose name begins with hw:. Or stop other programs, and set
the server's volume to 100 % and its rate to that of the clips.";

/// Runs the command.
pub fn run(arguments: &DevicesArguments, out: &mut dyn Write) -> Result<(), Failure> {
    super::timings::stage("sound devices");
    let found = devices();
    super::timings::stage("output");
    if arguments.json {
        let document = serde_json::json!({
            "schema": "earwitness.devices/1",
            "devices": found,
            "usable": found.iter().any(|device| device.answers && !discards(device)),
            "caveat": CAVEAT.replace('\n', " "),
        });
        return print_json(out, &document);
    }
    let (answering, silent): (Vec<&DeviceFacts>, Vec<&DeviceFacts>) =
        found.iter().partition(|device| device.problem.is_none());
    for device in answering {
        print(device, out)?;
    }
    if !silent.is_empty() {
        let names: Vec<String> =
            silent.iter().map(|device| format!("{}{}", device.id, default_mark(device))).collect();
        writeln!(out, "Known to the system, but not answering (--json says why): {}", names.join(", "))?;
    }
    if found.iter().any(|device| device.answers && !discards(device)) {
        writeln!(out, "\n{CAVEAT}")?;
    } else {
        writeln!(out, "{NONE}")?;
    }
    Ok(())
}

/// What tells the system's default from the others, also where it does not answer.
fn default_mark(device: &DeviceFacts) -> &'static str {
    if device.default { " (default)" } else { "" }
}

/// The device that swallows everything.
fn discards(device: &DeviceFacts) -> bool {
    device.id == "null"
}

fn print(device: &DeviceFacts, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "{}: {}{}", device.id, device.name, default_mark(device))?;
    if discards(device) {
        return writeln!(out, "  {}: plays nothing: it throws the sound away", device.host);
    }
    let rates: Vec<String> = device.rates_hz.iter().map(u32::to_string).collect();
    let channels: Vec<String> = device.channels.iter().map(u16::to_string).collect();
    let channels = if channels.len() > 4 {
        format!("{} to {}", channels[0], channels[channels.len() - 1])
    } else {
        channels.join(", ")
    };
    writeln!(
        out,
        "  {}: {} Hz; {}; channels {channels}",
        device.host,
        rates.join(", "),
        device.formats.join(", ")
    )?;
    if let Some((low, high)) = device.buffer_frames {
        writeln!(out, "  buffers of {low} to {high} frames")?;
    }
    Ok(())
}
