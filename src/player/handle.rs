//! The handle's side: keeps what was asked for, sends commands, reads status, survives a lost device.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use rtrb::{Consumer, Producer, RingBuffer};

use super::data::{COMMAND_SLOTS, Command, Program, Shapes, Stimuli};
use super::options::PlayerOptions;
use super::renderer::Renderer;
use super::shared::Shared;
use super::sound::{Samples, Sound};
use super::window::{Feeder, Window};
use super::{OutputDescription, PlayerEvent, Status, Transport};
use crate::clip::resample::{resample, resampled_frames};
use crate::trial::OutputKind;

/// Sounds that are read while they play, and for each stimulus which of them it is, and its gain.
type LongSounds = (Arc<[crate::stimulus::Stimulus]>, Vec<(usize, f32)>);

/// The handle's end of the wall.
pub(super) struct Link {
    commands: Producer<Command>,
    garbage: Consumer<Box<Program>>,
    pub(super) shared: Arc<Shared>,
}

/// Both ends of a wall for an output of this rate and number of channels.
pub(super) fn connect(options: PlayerOptions, rate_hz: u32, channels: usize) -> (Link, Renderer) {
    let (commands, receive) = RingBuffer::new(COMMAND_SLOTS);
    let (discard, garbage) = RingBuffer::new(COMMAND_SLOTS);
    let shared = Arc::new(Shared::default());
    let shapes = Shapes::new(options.switch, options.start_ramp_seconds, options.fade_seconds, rate_hz);
    let renderer = Renderer::new(receive, discard, Arc::clone(&shared), shapes, channels);
    (Link { commands, garbage, shared }, renderer)
}

/// A stream that has been opened: the handle's end and what it is.
pub(super) struct Opened {
    pub(super) link: Link,
    pub(super) description: OutputDescription,
}

/// Something an output reports.
pub(super) enum Report {
    Event(PlayerEvent),
    /// A stream took the place of one that was lost.
    Replaced(Box<Opened>),
}

/// What carries the sound.
pub(super) trait Output: Send {
    /// Called after each command; an output without a pace of its own renders a block.
    fn nudge(&mut self) {}
    /// What has happened.
    fn reports(&mut self) -> Vec<Report>;
    /// Opens a stream at another rate in place of the present one; `None` where that is not possible.
    fn reopen(&mut self, rate_hz: u32) -> Option<Opened>;
}

/// A player over any output.
pub(super) struct Player {
    output: Box<dyn Output>,
    link: Link,
    description: OutputDescription,
    loaded: Vec<Sound>,
    /// Of long sounds, what is read of them, and who reads ahead of a device.
    pub(super) window: Option<Arc<Window>>,
    feeder: Option<Feeder>,
    /// Rate of the loaded stimuli, 0 before the first.
    rate_hz: u32,
    playing: bool,
    lost: bool,
    index: usize,
    region: Option<(u64, u64)>,
    /// Number of the last jump that was ordered, and where it goes (frames of the stimuli).
    jump: u64,
    jump_to: u64,
    /// Frames played on streams that are gone.
    played_before: u64,
    events: VecDeque<PlayerEvent>,
}

impl Player {
    pub(super) fn new(output: Box<dyn Output>, opened: Opened) -> Self {
        Self {
            output,
            link: opened.link,
            description: opened.description,
            loaded: Vec::new(),
            window: None,
            feeder: None,
            rate_hz: 0,
            playing: false,
            lost: false,
            index: 0,
            region: None,
            jump: 0,
            jump_to: 0,
            played_before: 0,
            events: VecDeque::new(),
        }
    }

    fn send(&mut self, command: Command) {
        // A full ring means that nothing has been rendered for long: the device is lost, and what is wanted is sent
        // anew when one is back.
        let _ = self.link.commands.push(command);
        self.output.nudge();
    }

    /// Frames of the stimuli as frames of the stream.
    fn to_stream(&self, frame: u64) -> u64 {
        convert(frame, self.rate_hz, self.description.rate_hz)
    }

    fn replace(&mut self, opened: Opened) {
        self.played_before += self.link.shared.played.load(Ordering::Relaxed);
        self.link = opened.link;
        self.description =
            OutputDescription { resampled_from_hz: self.description.resampled_from_hz, ..opened.description };
    }

    /// Sends the stimuli and everything that goes with them to the present stream.
    fn send_program(&mut self) {
        let rate = self.description.rate_hz;
        let from = self.loaded.first().map_or(rate, |playable| playable.rate_hz);
        self.description.resampled_from_hz = (from != rate).then_some(from);
        self.jump += 1;
        let Some(stimuli) = self.stimuli() else { return };
        let channels = self.loaded.first().map_or(1, |sound| usize::from(sound.channels));
        let frames = match &stimuli {
            Stimuli::Whole(stimuli) => {
                stimuli.iter().map(|samples| samples.len() / channels).min().unwrap_or(0) as u64
            }
            Stimuli::Long(window, _) => window.frames,
        };
        if frames == 0 {
            return;
        }
        self.send(Command::Load(Box::new(Program { stimuli, channels, frames, jump: self.jump })));
    }

    /// The loaded stimuli at the rate of the stream.
    fn stimuli(&mut self) -> Option<Stimuli> {
        (self.feeder, self.window) = (None, None);
        let device = self.description.kind == OutputKind::Device;
        if let Some((sounds, stimuli)) = self.long() {
            let window = match Window::new(sounds, self.description.rate_hz, !device, self.jump) {
                Ok(window) => Arc::new(window),
                Err(error) => {
                    self.events.push_back(PlayerEvent::DeviceLost { reason: error.to_string() });
                    return None;
                }
            };
            self.feeder = device.then(|| Feeder::start(&window, &self.link.shared)).flatten();
            self.window = Some(Arc::clone(&window));
            return Some(Stimuli::Long(window, stimuli));
        }
        let mut stimuli = Vec::with_capacity(self.loaded.len());
        for sound in &self.loaded {
            let event = match sound.whole() {
                Ok(whole) => match resample(&whole, self.description.rate_hz) {
                    Ok(resampled) => {
                        stimuli.push(Arc::clone(&resampled.samples));
                        continue;
                    }
                    Err(error) => PlayerEvent::DeviceLost { reason: error.to_string() },
                },
                Err(error) => PlayerEvent::Unreadable(error),
            };
            self.events.push_back(event);
            return None;
        }
        Some(Stimuli::Whole(stimuli))
    }

    /// Long sounds that are read while they play: which of them each stimulus is, and its gain.
    fn long(&self) -> Option<LongSounds> {
        let Samples::Long { together, .. } = &self.loaded.first()?.samples else { return None };
        let stimuli = self.loaded.iter().map(|sound| match &sound.samples {
            Samples::Long { together: others, place, gain } => {
                Arc::ptr_eq(together, others).then_some((*place, *gain))
            }
            Samples::Whole(_) => None,
        });
        Some((Arc::clone(together), stimuli.collect::<Option<_>>()?))
    }

    fn collect(&mut self) {
        // Programs that are no longer played are freed here, not on the audio thread.
        while self.link.garbage.pop().is_ok() {}
        if let Some(error) = self.window.as_ref().and_then(|window| window.take_failure()) {
            self.events.push_back(PlayerEvent::Unreadable(error));
        }
        for report in self.output.reports() {
            match report {
                Report::Event(event) => {
                    if matches!(event, PlayerEvent::DeviceLost { .. }) {
                        self.lost = true;
                        self.playing = false;
                    }
                    self.events.push_back(event);
                }
                Report::Replaced(opened) => {
                    let position = self.position();
                    self.replace(*opened);
                    self.lost = false;
                    self.playing = false;
                    if !self.loaded.is_empty() {
                        self.send_program();
                        self.send(Command::Switch(self.index));
                        self.set_loop(self.region);
                        self.seek(position);
                    }
                    self.events.push_back(PlayerEvent::DeviceBack);
                }
            }
        }
    }

    fn position(&self) -> u64 {
        if self.link.shared.jumped.load(Ordering::Relaxed) < self.jump {
            return self.jump_to;
        }
        let position = self.link.shared.position.load(Ordering::Relaxed);
        convert(position, self.description.rate_hz, self.rate_hz)
    }
}

fn convert(frame: u64, from_hz: u32, to_hz: u32) -> u64 {
    if from_hz == to_hz || from_hz == 0 || to_hz == 0 {
        return frame;
    }
    (u128::from(frame) * u128::from(to_hz) / u128::from(from_hz)) as u64
}

impl Drop for Player {
    /// Whoever leaves in the middle of sound hears it fade, not break off. A file holds what was asked for, and no more.
    fn drop(&mut self) {
        if self.playing && !self.lost && self.description.kind == OutputKind::Device {
            self.send(Command::Pause);
        }
    }
}

impl Transport for Player {
    fn load_sounds(&mut self, stimuli: &[Sound]) {
        self.collect();
        self.loaded = stimuli.to_vec();
        self.playing = false;
        self.index = 0;
        self.region = None;
        self.jump_to = 0;
        let Some(first) = stimuli.first() else { return };
        self.rate_hz = first.rate_hz;
        if first.rate_hz != self.description.rate_hz
            && !self.lost
            && let Some(opened) = self.output.reopen(first.rate_hz)
        {
            self.replace(opened);
        }
        self.send_program();
    }

    fn switch_to(&mut self, index: usize) {
        if index < self.loaded.len() {
            self.index = index;
            self.send(Command::Switch(index));
        }
    }

    fn play(&mut self) {
        self.collect();
        if self.loaded.is_empty() || self.lost {
            return;
        }
        self.playing = true;
        self.send(Command::Play);
    }

    fn pause(&mut self) {
        self.playing = false;
        self.send(Command::Pause);
    }

    fn seek(&mut self, frame: u64) {
        let last = self.loaded.first().map_or(0, |sound| sound.frames().saturating_sub(1));
        self.jump += 1;
        self.jump_to = frame.min(last);
        let frame = self.to_stream(self.jump_to);
        if let Some(window) = &self.window {
            window.jump(frame, self.jump, &self.link.shared);
        }
        self.send(Command::Seek { frame, jump: self.jump });
    }

    fn set_loop(&mut self, region: Option<(u64, u64)>) {
        self.region = region;
        let region = region.map(|(start, end)| {
            let end = resampled_frames(end as usize, self.rate_hz, self.description.rate_hz) as u64;
            (self.to_stream(start), end)
        });
        if let Some(window) = &self.window {
            window.region(region, &self.link.shared);
        }
        self.send(Command::Loop(region.unwrap_or((0, u64::MAX))));
    }

    fn status(&self) -> Status {
        Status {
            playing: self.playing,
            index: self.index,
            position: self.position(),
            played: convert(
                self.played_before + self.link.shared.played.load(Ordering::Relaxed),
                self.description.rate_hz,
                self.rate_hz,
            ),
        }
    }

    fn take_events(&mut self) -> Vec<PlayerEvent> {
        self.output.nudge();
        self.collect();
        self.events.drain(..).collect()
    }

    fn description(&self) -> OutputDescription {
        self.description.clone()
    }
}
