//! Recording from a sound device: its input channels as floats, with what was lost on the way.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Device, ErrorKind, FromSample, SampleFormat, SizedSample, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};

use super::device::{device_id, device_name};
use super::options::PlayerError;
use crate::system::quietly;

/// Seconds of sound that wait to be taken.
const RING_S: usize = 8;
/// How long dropping a stream may take.
const DROP_LIMIT: Duration = Duration::from_secs(2);

/// What crosses from the input's thread.
#[derive(Debug, Default)]
struct Heard {
    lost: AtomicU64,
    xruns: AtomicU64,
    gone: AtomicBool,
}

/// An input that records from its opening on.
pub struct Recorder {
    stream: Option<cpal::Stream>,
    ring: Consumer<f32>,
    heard: Arc<Heard>,
    channels: usize,
    name: String,
}

impl std::fmt::Debug for Recorder {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("Recorder").field("name", &self.name).finish_non_exhaustive()
    }
}

fn cannot(reason: impl std::fmt::Display) -> PlayerError {
    PlayerError::NoDevice(format!(
        "No input could be opened to record from. Check that the interface is connected, that its inputs are switched on in \
         the sound settings, and that you may use it. Without one: `earwitness bench sweep` writes the sweep for any player, \
         and any recorder's file will do. (The system says: {reason}.)"
    ))
}

fn find(name: Option<&str>) -> Result<Device, PlayerError> {
    let host = cpal::default_host();
    let Some(name) = name else {
        return host.default_input_device().ok_or_else(|| cannot("there is no default input"));
    };
    let devices: Vec<Device> = host.input_devices().map_err(cannot)?.collect();
    let fits = |device: &&Device| device_id(device) == name || device_name(device) == name;
    devices.iter().find(fits).cloned().ok_or_else(|| {
        let known: Vec<String> = devices.iter().map(device_id).collect();
        PlayerError::UnknownDevice(format!(
            "There is no input \"{name}\". Choose one of: {}.",
            if known.is_empty() { "(none found)".to_owned() } else { known.join(", ") }
        ))
    })
}

/// Opens an input at a rate, with so many channels at least.
///
/// # Errors
/// No input, an unknown name, or one that does not offer the rate and the channels.
pub fn record(name: Option<&str>, rate_hz: u32, channels: u16) -> Result<Recorder, PlayerError> {
    quietly(|| {
        let device = find(name)?;
        let rank = |format: SampleFormat| {
            [SampleFormat::F32, SampleFormat::I32, SampleFormat::I16]
                .iter()
                .position(|known| *known == format)
        };
        let offers: Vec<_> = device.supported_input_configs().map_err(cannot)?.collect();
        let chosen = offers
            .iter()
            .filter(|offer| offer.channels() >= channels && offer.contains_rate(rate_hz))
            .filter_map(|offer| Some((offer.channels(), rank(offer.sample_format())?, offer)))
            .min_by_key(|(count, rank, _)| (*count, *rank));
        let Some((count, _, offer)) = chosen else {
            return Err(PlayerError::Unusable(format!(
                "The input \"{}\" does not record {channels} channels at {rate_hz} Hz; choose another with --input, or \
                 another --rate",
                device_name(&device)
            )));
        };
        let config = StreamConfig { channels: count, sample_rate: rate_hz, buffer_size: BufferSize::Default };
        let (producer, ring) = RingBuffer::new(rate_hz as usize * usize::from(count) * RING_S);
        let heard = Arc::new(Heard::default());
        let stream = match offer.sample_format() {
            SampleFormat::F32 => build::<f32>(&device, config, producer, &heard),
            SampleFormat::I32 => build::<i32>(&device, config, producer, &heard),
            _ => build::<i16>(&device, config, producer, &heard),
        }
        .map_err(cannot)?;
        stream.play().map_err(cannot)?;
        Ok(Recorder {
            stream: Some(stream),
            ring,
            heard,
            channels: usize::from(count),
            name: device_name(&device),
        })
    })
}

fn build<T: SizedSample + Send + 'static>(
    device: &Device,
    config: StreamConfig,
    mut ring: Producer<f32>,
    heard: &Arc<Heard>,
) -> Result<cpal::Stream, cpal::Error>
where
    f32: FromSample<T>,
{
    let (data_heard, error_heard) = (Arc::clone(heard), Arc::clone(heard));
    let channels = usize::from(config.channels).max(1);
    let data = move |input: &[T], _: &cpal::InputCallbackInfo| {
        for frame in input.chunks_exact(channels) {
            // A frame goes in whole or not at all, so that channels never change places.
            if ring.slots() < channels {
                data_heard.lost.fetch_add(1, Ordering::Relaxed);
                continue;
            }
            for sample in frame {
                let _ = ring.push(sample.to_sample::<f32>());
            }
        }
    };
    let error = move |error: cpal::Error| match error.kind() {
        ErrorKind::Xrun => {
            error_heard.xruns.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::HostUnavailable => {
            error_heard.gone.store(true, Ordering::Relaxed);
        }
        _ => {}
    };
    device.build_input_stream(config, data, error, None)
}

impl Recorder {
    /// Channels of the stream, at least as many as were asked for.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The device's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Appends what has been recorded since the last call to planes, one per channel of the stream.
    pub fn take(&mut self, planes: &mut [Vec<f64>]) {
        let frames = self.ring.slots() / self.channels;
        for _ in 0..frames {
            for channel in 0..self.channels {
                let Ok(sample) = self.ring.pop() else { return };
                if let Some(plane) = planes.get_mut(channel) {
                    plane.push(f64::from(sample));
                }
            }
        }
    }

    /// Frames that nobody took in time, and overruns that the system told of.
    pub fn lost(&self) -> (u64, u64) {
        (self.heard.lost.load(Ordering::Relaxed), self.heard.xruns.load(Ordering::Relaxed))
    }

    /// The system says that the device is gone.
    pub fn gone(&self) -> bool {
        self.heard.gone.load(Ordering::Relaxed)
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        // Dropping may hang where the sound server does.
        let Some(stream) = self.stream.take() else { return };
        let (reply, done) = std::sync::mpsc::sync_channel(1);
        let spawned = std::thread::Builder::new().name("sound-close".into()).spawn(move || {
            drop(stream);
            let _ = reply.send(());
        });
        if spawned.is_ok() {
            let _ = done.recv_timeout(DROP_LIMIT);
        }
    }
}
