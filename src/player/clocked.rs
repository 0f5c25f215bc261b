//! Outputs without a device: silent, and a WAV file. A clock drives them, or the calls themselves.

#![expect(clippy::disallowed_methods, reason = "an output without a device keeps real time itself")]

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::handle::{Opened, Output, Player, Report, connect};
use super::options::{Pace, PlayerError, PlayerOptions};
use super::renderer::Renderer;
use super::shared::Shared;
use super::{OutputDescription, PlayerEvent};
use crate::clip::dither::{Dither, WordLength};
use crate::clip::write::WavWriter;
use crate::trial::OutputKind;

/// Frames per block of a clocked output.
const BLOCK_FRAMES: usize = 256;
/// Frames that one call renders where nothing else drives the output.
const CALL_FRAMES: usize = 1024;
/// A clock that is further behind than this does not catch up: the program was stopped, or the machine slept. Where sound ran, that
/// is a hole in it, as it is on a device.
const FURTHEST_BEHIND: Duration = Duration::from_millis(500);

/// Where rendered blocks go: nowhere, or into a file until that fails.
struct Sink {
    writer: Option<WavWriter>,
    channels: usize,
    reports: Sender<PlayerEvent>,
    planes: Vec<Vec<f64>>,
}

impl Sink {
    fn take(&mut self, block: &[f32]) {
        let Some(writer) = &mut self.writer else { return };
        for (channel, plane) in self.planes.iter_mut().enumerate() {
            plane.clear();
            plane.extend(block.iter().skip(channel).step_by(self.channels).copied().map(f64::from));
        }
        let planes: Vec<&[f64]> = self.planes.iter().map(Vec::as_slice).collect();
        if let Err(error) = writer.push(&planes) {
            let _ = self.reports.send(PlayerEvent::WriteFailed { reason: error.to_string() });
            self.writer = None;
        }
    }

    fn finish(&mut self) {
        if let Some(Err(error)) = self.writer.take().map(WavWriter::finish) {
            let _ = self.reports.send(PlayerEvent::WriteFailed { reason: error.to_string() });
        }
    }
}

/// The renderer, its sink and a block to render into.
struct Engine {
    renderer: Renderer,
    sink: Sink,
    block: Vec<f32>,
}

impl Engine {
    fn render(&mut self, frames: usize) {
        self.block.resize(frames * self.sink.channels, 0.0);
        self.renderer.render(&mut self.block);
        self.sink.take(&self.block);
    }
}

struct Clock {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// A silent or file output.
struct Clocked {
    engine: Arc<Mutex<Engine>>,
    clock: Option<Clock>,
    events: Receiver<PlayerEvent>,
    reports: Sender<PlayerEvent>,
    options: PlayerOptions,
    description: OutputDescription,
    channels: usize,
    file: bool,
}

fn lock(engine: &Mutex<Engine>) -> std::sync::MutexGuard<'_, Engine> {
    // A panic while rendering leaves samples, nothing that could be inconsistent.
    engine.lock().unwrap_or_else(PoisonError::into_inner)
}

fn start_clock(
    engine: &Arc<Mutex<Engine>>,
    shared: &Arc<Shared>,
    reports: &Sender<PlayerEvent>,
    rate_hz: u32,
) -> Clock {
    let stop = Arc::new(AtomicBool::new(false));
    let (engine, shared, reports, stopped) =
        (Arc::clone(engine), Arc::clone(shared), reports.clone(), Arc::clone(&stop));
    let thread = std::thread::Builder::new()
        .name("sound-clock".into())
        .spawn(move || {
            let mut start = Instant::now();
            let mut frames = 0_u64;
            while !stopped.load(Ordering::Relaxed) {
                let due = start + Duration::from_secs_f64(frames as f64 / f64::from(rate_hz));
                let now = Instant::now();
                if due > now {
                    std::thread::sleep(due - now);
                } else if now - due > FURTHEST_BEHIND {
                    start = now;
                    frames = 0;
                    shared.ran_dry();
                    if shared.running.load(Ordering::Relaxed) {
                        let _ = reports.send(PlayerEvent::Underrun);
                    }
                }
                lock(&engine).render(BLOCK_FRAMES);
                frames += BLOCK_FRAMES as u64;
            }
        })
        .ok();
    Clock { stop, thread }
}

impl Clocked {
    fn stop(&mut self) {
        if let Some(mut clock) = self.clock.take() {
            clock.stop.store(true, Ordering::Relaxed);
            if let Some(thread) = clock.thread.take() {
                let _ = thread.join();
            }
        }
    }
}

impl Output for Clocked {
    fn nudge(&mut self) {
        if self.clock.is_none() {
            lock(&self.engine).render(CALL_FRAMES);
        }
    }

    fn reports(&mut self) -> Vec<Report> {
        self.events.try_iter().map(Report::Event).collect()
    }

    fn reopen(&mut self, rate_hz: u32) -> Option<Opened> {
        // A WAV file has one rate; silence has any.
        if self.file {
            return None;
        }
        let paced = self.clock.is_some();
        self.stop();
        let (link, renderer) = connect(self.options, rate_hz, self.channels);
        let sink =
            Sink { writer: None, channels: self.channels, reports: self.reports.clone(), planes: Vec::new() };
        self.engine = Arc::new(Mutex::new(Engine { renderer, sink, block: Vec::new() }));
        if paced {
            self.clock = Some(start_clock(&self.engine, &link.shared, &self.reports, rate_hz));
        }
        self.description.rate_hz = rate_hz;
        Some(Opened { link, description: self.description.clone() })
    }
}

impl Drop for Clocked {
    fn drop(&mut self) {
        self.stop();
        lock(&self.engine).sink.finish();
    }
}

/// Opens a silent output, or one that writes a WAV file of 32-bit floats.
pub(super) fn open(
    file: Option<&Path>,
    rate_hz: u32,
    channels: u16,
    options: PlayerOptions,
) -> Result<Player, PlayerError> {
    let count = usize::from(channels);
    let writer = file
        .map(|path| WavWriter::create(path, WordLength::Float32, count, rate_hz, Dither::new(0)))
        .transpose()
        .map_err(|error| PlayerError::File(error.to_string()))?;
    let name =
        file.and_then(Path::file_name).map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let description = OutputDescription {
        kind: if file.is_some() { OutputKind::File } else { OutputKind::Silent },
        name,
        host: String::new(),
        rate_hz,
        format: "f32".into(),
        buffer_frames: if options.pace == Pace::RealTime { BLOCK_FRAMES } else { CALL_FRAMES } as u32,
        channels,
        resampled_from_hz: None,
        path: None,
    };
    let (reports, events) = channel();
    let (link, renderer) = connect(options, rate_hz, count);
    let sink = Sink { writer, channels: count, reports: reports.clone(), planes: vec![Vec::new(); count] };
    let engine = Arc::new(Mutex::new(Engine { renderer, sink, block: Vec::new() }));
    let clock =
        (options.pace == Pace::RealTime).then(|| start_clock(&engine, &link.shared, &reports, rate_hz));
    let output = Clocked {
        engine,
        clock,
        events,
        reports,
        options,
        description: description.clone(),
        channels: count,
        file: file.is_some(),
    };
    Ok(Player::new(Box::new(output), Opened { link, description }))
}
