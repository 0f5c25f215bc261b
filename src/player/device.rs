//! A sound device by cpal: finding it, agreeing on rate, format and buffer, and the callback.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, OutputCallbackInfo, SampleFormat, StreamConfig, StreamInstant,
    SupportedBufferSize, SupportedStreamConfigRange,
};

use super::OutputDescription;
use super::continuity::StreamClock;
use super::handle::{Opened, connect};
use super::options::{PlayerError, PlayerOptions};
use super::renderer::Renderer;
use super::shared::Shared;
use crate::clip::dither::Dither;
use crate::system::quietly;
use crate::trial::OutputKind;
use crate::trial::record::OutputPath;

/// What to do when nothing plays, in words that can be followed.
const NO_DEVICE: &str = "No sound device could be opened. Check that a device is connected and switched on, that the \
    sound server runs (`systemctl --user status pipewire pulseaudio`), and that you may use it (on Linux: be in the group \
    `audio`, or log in at the desktop). Debian and Ubuntu need `apt-get install libasound2-plugins` for ALSA programs to \
    reach PulseAudio or PipeWire. `earwitness devices` lists what is found. Without a device: `--output silent`, or \
    `--output FILE.wav` to listen elsewhere.";

/// Frames that the callback converts at a time; callbacks come in any length.
const SCRATCH_FRAMES: usize = 256;

/// The formats that will do, best first.
const FORMATS: [SampleFormat; 4] =
    [SampleFormat::F32, SampleFormat::I32, SampleFormat::I24, SampleFormat::I16];

/// The name of a format in journals.
pub(super) fn format_name(format: SampleFormat) -> &'static str {
    match format {
        SampleFormat::F32 => "f32",
        SampleFormat::I32 => "s32",
        SampleFormat::I24 => "s24",
        SampleFormat::I16 => "s16",
        _ => "other",
    }
}

/// A stream that plays; dropping it may hang, so it is dropped on a thread of its own.
pub(super) struct Playing<S = cpal::Stream> {
    pub(super) stream: S,
    pub(super) shared: Arc<Shared>,
    pub(super) rate_hz: u32,
}

fn no_device(error: &impl std::fmt::Display) -> PlayerError {
    let reason = error.to_string();
    PlayerError::NoDevice(format!("{NO_DEVICE} (The system says: {}.)", reason.trim_end_matches('.')))
}

/// The name that a person would use for a device.
pub(super) fn device_name(device: &Device) -> String {
    device.description().map_or_else(|_| "unnamed".into(), |description| description.name().to_owned())
}

/// The identifier that does not change, without the host in front.
pub(super) fn device_id(device: &Device) -> String {
    device.id().map_or_else(|_| String::new(), |id| id.id().to_owned())
}

/// By which way the sound reaches a device with this identifier. ALSA names a card's own devices, and the plugins that lead to a
/// server, in front of the colon; what "default" leads to it does not tell. Other systems mix what all programs play.
fn path_of(host: &str, id: &str) -> OutputPath {
    let name = id.split(':').next().unwrap_or_default();
    match (host, name) {
        ("ALSA", "hw" | "plughw" | "front" | "hdmi" | "iec958") => OutputPath::Hardware,
        ("ALSA", name) if name.starts_with("surround") => OutputPath::Hardware,
        ("ALSA", "pulse" | "pipewire" | "jack") => OutputPath::SoundServer,
        ("ALSA", _) => OutputPath::Unknown,
        _ => OutputPath::SoundServer,
    }
}

fn find(name: Option<&str>) -> Result<(Device, String), PlayerError> {
    let host = cpal::default_host();
    let host_name = host.id().name().to_owned();
    let Some(name) = name else {
        let device = host.default_output_device().ok_or_else(|| no_device(&"there is no default output"))?;
        return Ok((device, host_name));
    };
    let devices: Vec<Device> = host.output_devices().map_err(|error| no_device(&error))?.collect();
    let exact = devices.iter().position(|device| device_id(device) == name || device_name(device) == name);
    let wanted = name.to_lowercase();
    let similar: Vec<usize> = devices
        .iter()
        .enumerate()
        .filter(|(_, device)| {
            device_name(device).to_lowercase().contains(&wanted)
                || device_id(device).to_lowercase().contains(&wanted)
        })
        .map(|(index, _)| index)
        .collect();
    let index = match (exact, similar.as_slice()) {
        (Some(index), _) => index,
        (None, [only]) => *only,
        (None, several) => {
            let from: Vec<String> = if several.is_empty() {
                devices.iter().map(device_id).collect()
            } else {
                several.iter().map(|&index| device_id(&devices[index])).collect()
            };
            let what =
                if several.is_empty() { "There is no sound device" } else { "Several sound devices fit" };
            return Err(PlayerError::UnknownDevice(format!(
                "{what} \"{name}\". Choose one of: {}. `earwitness devices` says what they are.",
                if from.is_empty() { "(none found)".to_owned() } else { from.join(", ") }
            )));
        }
    };
    let device = devices.into_iter().nth(index).expect("the index was found in this list");
    Ok((device, host_name))
}

/// The best of what a device offers for a rate and number of channels.
fn choose(
    offers: &[SupportedStreamConfigRange],
    rate_hz: u32,
    channels: u16,
) -> Option<(SampleFormat, u16, u32, SupportedBufferSize)> {
    let format_rank = |format: SampleFormat| FORMATS.iter().position(|known| *known == format);
    // Two channels carry one or two; more are left silent; a mono device gets the mean.
    let channel_rank = |count: u16| match count {
        2 => 0,
        _ if count == channels => 1,
        1 => 1000,
        _ => 2 + u32::from(count),
    };
    let nearest =
        |offer: &SupportedStreamConfigRange| rate_hz.clamp(offer.min_sample_rate(), offer.max_sample_rate());
    offers
        .iter()
        .filter_map(|offer| Some((format_rank(offer.sample_format())?, offer)))
        .min_by_key(|(rank, offer)| (channel_rank(offer.channels()), nearest(offer).abs_diff(rate_hz), *rank))
        .map(|(_, offer)| (offer.sample_format(), offer.channels(), nearest(offer), *offer.buffer_size()))
}

/// Opens a device and starts it, silent and paused.
pub(super) fn open_stream(
    name: Option<&str>,
    rate_hz: u32,
    channels: u16,
    options: PlayerOptions,
) -> Result<(Playing, Opened), PlayerError> {
    quietly(|| {
        let (device, host) = find(name)?;
        let offers: Vec<_> = device.supported_output_configs().map_err(|error| no_device(&error))?.collect();
        let (format, channels, rate_hz, sizes) = choose(&offers, rate_hz, channels).ok_or_else(|| {
            PlayerError::Unusable(format!(
                "The device \"{}\" offers none of the sample formats f32, s32, s24 and s16; choose another with \
                 --device, or --output silent|FILE.wav",
                device_name(&device)
            ))
        })?;
        let wanted = match sizes {
            SupportedBufferSize::Range { min, max } => Some(options.buffer_frames.clamp(min, max)),
            SupportedBufferSize::Unknown => None,
        };
        let mut result = start(&device, format, channels, rate_hz, wanted, options);
        if result.is_err() && wanted.is_some() {
            result = start(&device, format, channels, rate_hz, None, options);
        }
        let (playing, link, buffer) = result.map_err(|error| match error.kind() {
            ErrorKind::DeviceBusy => PlayerError::Unusable(format!(
                "The device \"{}\" is in use by another program; close that, or choose another with --device",
                device_name(&device)
            )),
            ErrorKind::PermissionDenied => PlayerError::Unusable(format!(
                "You may not use the device \"{}\": join the group `audio` (then log in anew), or log in at the desktop",
                device_name(&device)
            )),
            _ => no_device(&error),
        })?;
        let path = Some(path_of(&host, &device_id(&device)));
        let description = OutputDescription {
            kind: OutputKind::Device,
            name: device_name(&device),
            host,
            rate_hz,
            format: format_name(format).into(),
            buffer_frames: buffer,
            channels,
            resampled_from_hz: None,
            path,
        };
        Ok((playing, Opened { link, description }))
    })
}

type Started = (Playing, super::handle::Link, u32);

fn start(
    device: &Device,
    format: SampleFormat,
    channels: u16,
    rate_hz: u32,
    buffer: Option<u32>,
    options: PlayerOptions,
) -> Result<Started, cpal::Error> {
    let (link, renderer) = connect(options, rate_hz, usize::from(channels));
    let shared = Arc::clone(&link.shared);
    let config = StreamConfig {
        channels,
        sample_rate: rate_hz,
        buffer_size: buffer.map_or(BufferSize::Default, BufferSize::Fixed),
    };
    let stream = match format {
        SampleFormat::F32 => build(device, config, renderer, &shared, |sample: f32, _, _| sample),
        SampleFormat::I32 => build(device, config, renderer, &shared, to_i32),
        SampleFormat::I24 => {
            let dither = Dither::new(0);
            build(device, config, renderer, &shared, move |sample, channel, frame| {
                cpal::I24::new_unchecked(dither.quantise(f64::from(sample), 24, channel, frame))
            })
        }
        _ => build(device, config, renderer, &shared, to_i16(Dither::new(0))),
    }?;
    stream.play()?;
    Ok((Playing { stream, shared, rate_hz }, link, buffer.unwrap_or(0)))
}

/// The data callback: renders in pieces and converts each sample. Silence stays silence: nothing is dithered while
/// nothing plays.
pub(super) struct Callback<F> {
    renderer: Renderer,
    channels: usize,
    scratch: Vec<f32>,
    frame: u64,
    clock: StreamClock,
    shared: Arc<Shared>,
    convert: F,
}

impl<F> Callback<F> {
    pub(super) fn new(renderer: Renderer, config: &StreamConfig, shared: Arc<Shared>, convert: F) -> Self {
        let channels = usize::from(config.channels);
        let clock = StreamClock::new(Arc::clone(&shared), config.sample_rate);
        let scratch = vec![0.0; SCRATCH_FRAMES * channels];
        Self { renderer, channels, scratch, frame: 0, clock, shared, convert }
    }

    /// Fills a buffer of any length that is asked for now on the stream's clock, with so much sound ahead of it.
    pub(super) fn fill<T: cpal::SizedSample>(&mut self, output: &mut [T], called: Duration, ahead: Duration)
    where
        F: Fn(f32, usize, u64) -> T,
    {
        self.clock.block(called, ahead, output.len() / self.channels);
        for piece in output.chunks_mut(self.scratch.len()) {
            let block = &mut self.scratch[..piece.len()];
            self.renderer.render(block);
            let silent = block.iter().all(|sample| *sample == 0.0);
            for (samples, values) in
                block.chunks_exact(self.channels).zip(piece.chunks_exact_mut(self.channels))
            {
                for (channel, (value, sample)) in values.iter_mut().zip(samples).enumerate() {
                    *value =
                        if silent { T::EQUILIBRIUM } else { (self.convert)(*sample, channel, self.frame) };
                }
                self.frame += 1;
            }
        }
        Shared::count(&self.shared.callbacks);
    }
}

/// A sample as a 32-bit integer: the nearest. A float has 24 bits, so it is exact from -48 dB up, and the noise of the
/// rounding below is at -197 dB: dither would only add to it.
pub(super) fn to_i32(sample: f32, _channel: usize, _frame: u64) -> i32 {
    (f64::from(sample) * 2_147_483_648.0).round_ties_even().clamp(-2_147_483_648.0, 2_147_483_647.0) as i32
}

/// A sample as a 16-bit integer, dithered.
pub(super) fn to_i16(dither: Dither) -> impl Fn(f32, usize, u64) -> i16 + Send + 'static {
    move |sample, channel, frame| dither.quantise(f64::from(sample), 16, channel, frame) as i16
}

/// What an error of the system means for the supervisor: flags and counters, whatever comes and however often. It runs on
/// the audio thread, so it neither allocates nor waits.
pub(super) fn hear_of(shared: &Shared, kind: ErrorKind) {
    match kind {
        ErrorKind::Xrun => shared.ran_dry(),
        ErrorKind::DeviceChanged => Shared::count(&shared.moved),
        ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::HostUnavailable => {
            shared.gone.store(true, Ordering::Relaxed);
        }
        ErrorKind::RealtimeDenied => {}
        // One of these means nothing, and thousands may come in a moment: they are counted.
        _ => Shared::count(&shared.errors),
    }
}

fn build<T: cpal::SizedSample + Send + 'static>(
    device: &Device,
    config: StreamConfig,
    renderer: Renderer,
    shared: &Arc<Shared>,
    convert: impl Fn(f32, usize, u64) -> T + Send + 'static,
) -> Result<cpal::Stream, cpal::Error> {
    let mut callback = Callback::new(renderer, &config, Arc::clone(shared), convert);
    let data = move |output: &mut [T], information: &OutputCallbackInfo| {
        let stamp = information.timestamp();
        let called = stamp.callback.saturating_duration_since(StreamInstant::ZERO);
        callback.fill(output, called, stamp.playback.saturating_duration_since(stamp.callback));
    };
    let told = Arc::clone(shared);
    let error = move |error: cpal::Error| hear_of(&told, error.kind());
    device.build_output_stream(config, data, error, None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_to_a_device_is_told_from_its_name_as_far_as_the_system_tells() {
        for (host, id, path) in [
            ("ALSA", "hw:CARD=Amp,DEV=0", OutputPath::Hardware),
            ("ALSA", "surround51:CARD=Amp", OutputPath::Hardware),
            ("ALSA", "pulse", OutputPath::SoundServer),
            ("ALSA", "pipewire", OutputPath::SoundServer),
            ("ALSA", "default", OutputPath::Unknown),
            ("JACK", "system", OutputPath::SoundServer),
        ] {
            assert_eq!(path_of(host, id), path, "{host} {id}");
        }
    }
}
