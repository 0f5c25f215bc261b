//! What sound devices there are and what they can do.

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{SampleFormat, SupportedBufferSize};

use super::device::{device_id, device_name, format_name};
use crate::system::quietly;

/// Rates that are asked for by name in listings.
const USUAL_RATES: [u32; 8] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000];

/// One sound device for output.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct DeviceFacts {
    /// Sound system, such as `ALSA`.
    pub host: String,
    /// What to give to `--device`.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// It is the system's default.
    pub default: bool,
    /// It answered; otherwise the lists below are empty.
    pub answers: bool,
    /// What it said instead.
    pub problem: Option<String>,
    /// Usual rates in Hz that it takes.
    pub rates_hz: Vec<u32>,
    /// Lowest and highest rate in Hz.
    pub rate_range_hz: Option<(u32, u32)>,
    /// Sample formats among `f32`, `s32`, `s24`, `s16`.
    pub formats: Vec<String>,
    /// Channel counts.
    pub channels: Vec<u16>,
    /// Smallest and largest buffer in frames, where known.
    pub buffer_frames: Option<(u32, u32)>,
}

/// Every output that the system knows, the default first. Empty where there is no sound system at all.
pub fn devices() -> Vec<DeviceFacts> {
    quietly(|| {
        let mut found = Vec::new();
        for id in cpal::available_hosts() {
            let Ok(host) = cpal::host_from_id(id) else { continue };
            let default = host.default_output_device();
            let default_id = default.as_ref().map(device_id);
            let mut seen = Vec::new();
            let listed = host.devices().map(Iterator::collect::<Vec<_>>).unwrap_or_default();
            for device in default.into_iter().chain(listed) {
                let key = device_id(&device);
                if seen.contains(&key) {
                    continue;
                }
                let facts = describe(&device, id.name(), default_id.as_deref() == Some(key.as_str()));
                seen.push(key);
                if let Some(facts) = facts {
                    found.push(facts);
                }
            }
        }
        found
    })
}

fn describe(device: &cpal::Device, host: &str, default: bool) -> Option<DeviceFacts> {
    let mut facts = DeviceFacts {
        host: host.to_owned(),
        id: device_id(device),
        name: device_name(device),
        default,
        answers: false,
        problem: None,
        rates_hz: Vec::new(),
        rate_range_hz: None,
        formats: Vec::new(),
        channels: Vec::new(),
        buffer_frames: None,
    };
    let offers: Vec<_> = match device.supported_output_configs() {
        Ok(offers) => offers.collect(),
        // An input, not an output that fails.
        Err(error) if error.kind() == cpal::ErrorKind::UnsupportedOperation => return None,
        Err(error) => {
            facts.problem = Some(error.to_string());
            return Some(facts);
        }
    };
    facts.answers = !offers.is_empty();
    if !facts.answers {
        facts.problem = Some("it offers nothing that can be played".into());
    }
    let lowest = offers.iter().map(cpal::SupportedStreamConfigRange::min_sample_rate).min();
    let highest = offers.iter().map(cpal::SupportedStreamConfigRange::max_sample_rate).max();
    facts.rate_range_hz = lowest.zip(highest);
    facts.rates_hz = USUAL_RATES
        .into_iter()
        .filter(|rate| offers.iter().any(|offer| offer.contains_rate(*rate)))
        .collect();
    for format in [SampleFormat::F32, SampleFormat::I32, SampleFormat::I24, SampleFormat::I16] {
        if offers.iter().any(|offer| offer.sample_format() == format) {
            facts.formats.push(format_name(format).into());
        }
    }
    facts.channels = offers.iter().map(cpal::SupportedStreamConfigRange::channels).collect();
    facts.channels.sort_unstable();
    facts.channels.dedup();
    let sizes = offers.iter().filter_map(|offer| match offer.buffer_size() {
        SupportedBufferSize::Range { min, max } => Some((*min, *max)),
        SupportedBufferSize::Unknown => None,
    });
    facts.buffer_frames = sizes.reduce(|(low, high), (min, max)| (low.min(min), high.max(max)));
    Some(facts)
}
