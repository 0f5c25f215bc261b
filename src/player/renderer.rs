//! The audio thread's side: plain code over slices, without a device.
//!
//! Every frame takes the same path whichever stimulus is heard. Nothing here allocates, frees, locks, logs or calls the
//! system; a program that is no longer needed goes back through a ring.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use rtrb::{Consumer, Producer};

use super::data::{Command, Found, Program, Shapes};
use super::shared::Shared;

/// Gain of the whole output.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Envelope {
    /// Silent and standing still.
    Closed,
    /// Rising through the start table or the fade table.
    Rising { step: usize, start: bool },
    /// Full.
    Open,
    /// Falling through the fade table, `step` entries left.
    Falling { step: usize },
}

/// Progress of a switch.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Change {
    None,
    /// Crossfade, or fade out of a gap.
    Out {
        to: usize,
        step: usize,
    },
    /// Silence of a gap, frames left.
    Silence {
        to: usize,
        left: u64,
    },
    /// Fade in of a gap.
    In {
        step: usize,
    },
}

/// Renders whatever the commands ask for.
pub(super) struct Renderer {
    commands: Consumer<Command>,
    garbage: Producer<Box<Program>>,
    shared: Arc<Shared>,
    shapes: Shapes,
    /// Channels of the output.
    channels: usize,
    program: Option<Box<Program>>,
    current: usize,
    change: Change,
    /// Where the next switch goes, if one was asked for while another is under way.
    next: Option<usize>,
    envelope: Envelope,
    /// The next rise is the first after loading.
    fresh: bool,
    position: u64,
    region: Option<(u64, u64)>,
    wants_play: bool,
    /// What waits for silence.
    waiting_program: Option<Box<Program>>,
    waiting_seek: Option<(u64, u64)>,
    waiting_region: Option<(u64, u64)>,
    played: u64,
    rendered: u64,
    /// Where the block of a long sound lies that is played.
    found: Found,
    /// A block that should sound is not here.
    starved: bool,
}

impl Renderer {
    pub(super) fn new(
        commands: Consumer<Command>,
        garbage: Producer<Box<Program>>,
        shared: Arc<Shared>,
        shapes: Shapes,
        channels: usize,
    ) -> Self {
        Self {
            commands,
            garbage,
            shared,
            shapes,
            channels: channels.max(1),
            program: None,
            current: 0,
            change: Change::None,
            next: None,
            envelope: Envelope::Closed,
            fresh: true,
            position: 0,
            region: None,
            wants_play: false,
            waiting_program: None,
            waiting_seek: None,
            waiting_region: None,
            played: 0,
            rendered: 0,
            found: None,
            starved: false,
        }
    }

    /// Fills a block of interleaved frames.
    pub(super) fn render(&mut self, output: &mut [f32]) {
        while let Ok(command) = self.commands.pop() {
            self.obey(command);
        }
        self.settle();
        let channels = self.channels;
        for frame in output.chunks_exact_mut(channels) {
            self.frame(frame);
        }
        self.rendered += (output.len() / channels) as u64;
        self.shared.position.store(self.position, Ordering::Relaxed);
        self.shared.played.store(self.played, Ordering::Relaxed);
        self.shared.rendered.store(self.rendered, Ordering::Relaxed);
        self.shared.running.store(self.envelope != Envelope::Closed, Ordering::Relaxed);
    }

    fn discard(&mut self, program: Option<Box<Program>>) {
        if let Some(program) = program
            && let Err(rtrb::PushError::Full(program)) = self.garbage.push(program)
        {
            // The ring has room for as many as there are commands, and the handle empties it with every load. Freeing
            // here could block the audio thread, so the last resort is to leak.
            std::mem::forget(program);
        }
    }

    fn obey(&mut self, command: Command) {
        match command {
            Command::Load(program) => {
                let replaced = self.waiting_program.replace(program);
                self.discard(replaced);
                self.wants_play = false;
                self.waiting_seek = None;
                self.waiting_region = None;
                self.next = None;
            }
            Command::Switch(index) => {
                // A switch that follows a load belongs to the new program.
                let program = self.waiting_program.as_ref().or(self.program.as_ref());
                if program.is_some_and(|program| index < program.stimuli.len()) {
                    self.next = Some(index);
                }
            }
            Command::Play => self.wants_play = true,
            Command::Pause => self.wants_play = false,
            Command::Seek { frame, jump } => self.waiting_seek = Some((frame, jump)),
            Command::Loop(region) => self.waiting_region = Some(region),
        }
    }

    /// Something waits that may only happen in silence.
    fn waits_for_silence(&self) -> bool {
        self.waiting_program.is_some() || self.waiting_seek.is_some() || self.waiting_region.is_some()
    }

    /// Brings the envelope on its way to what is wanted.
    fn settle(&mut self) {
        let down = self.waits_for_silence() || !self.wants_play;
        match self.envelope {
            Envelope::Closed => {
                self.in_silence();
                if self.wants_play && self.program.is_some() {
                    self.envelope = Envelope::Rising { step: 0, start: self.fresh };
                    self.fresh = false;
                }
            }
            Envelope::Open if down => self.envelope = Envelope::Falling { step: self.shapes.fade.len() },
            Envelope::Rising { step, start } if down => {
                // From the gain that has been reached, so that nothing jumps.
                let table = if start { &self.shapes.start } else { &self.shapes.fade };
                let gain = if step == 0 { 0.0 } else { table[step - 1] };
                let step = self.shapes.fade.partition_point(|value| *value <= gain);
                self.envelope = Envelope::Falling { step };
            }
            _ => {}
        }
    }

    /// Does what waits for silence.
    fn in_silence(&mut self) {
        // A switch under way ends here: nobody can hear how.
        if let Change::Out { to, .. } | Change::Silence { to, .. } = self.change {
            self.current = to;
        }
        self.change = Change::None;
        if let Some(program) = self.waiting_program.take() {
            self.shared.jumped.store(program.jump, Ordering::Relaxed);
            let old = self.program.replace(program);
            self.discard(old);
            self.found = None;
            self.current = 0;
            self.position = 0;
            self.region = None;
            self.fresh = true;
        }
        if let Some(index) = self.next.take() {
            self.current = index;
        }
        let frames = self.program.as_ref().map_or(0, |program| program.frames);
        if let Some(region) = self.waiting_region.take() {
            // A region that is shorter than its two fades is the whole clip.
            let shortest = 2 * self.shapes.fade.len() as u64 + 1;
            self.region = Some((region.0, region.1.min(frames)))
                .filter(|(start, end)| *end > *start && end - start >= shortest && end - start < frames);
        }
        if let Some((frame, jump)) = self.waiting_seek.take() {
            self.position = frame.min(frames.saturating_sub(1));
            self.shared.jumped.store(jump, Ordering::Relaxed);
        }
        if let Some((start, end)) = self.region
            && !(start..end).contains(&self.position)
        {
            self.position = start;
        }
    }

    /// Gain of the envelope for this frame, and the state after it.
    fn envelope_step(&mut self) -> f32 {
        match self.envelope {
            Envelope::Closed => 0.0,
            Envelope::Open => 1.0,
            Envelope::Rising { step, start } => {
                let table = if start { &self.shapes.start } else { &self.shapes.fade };
                let gain = table[step];
                self.envelope = if step + 1 == table.len() {
                    Envelope::Open
                } else {
                    Envelope::Rising { step: step + 1, start }
                };
                gain
            }
            Envelope::Falling { step } => {
                if step == 0 {
                    self.envelope = Envelope::Closed;
                    return 0.0;
                }
                self.envelope = Envelope::Falling { step: step - 1 };
                self.shapes.fade[step - 1]
            }
        }
    }

    /// Moves a switch on by one frame: the stimulus that is switched to, its weight, and the gain of a gap.
    fn change_step(&mut self) -> (usize, f32, f32) {
        let length = self.shapes.switch.len();
        loop {
            match self.change {
                Change::Out { to, step } if step == length => match self.shapes.gap {
                    None => {
                        self.current = to;
                        self.change = Change::None;
                    }
                    Some(left) => self.change = Change::Silence { to, left },
                },
                Change::Silence { to, left: 0 } => {
                    self.current = to;
                    self.change = Change::In { step: 0 };
                }
                Change::In { step } if step == length => self.change = Change::None,
                // What was asked for after a load belongs to the new program.
                Change::None if self.waiting_program.is_none() => match self.next.take() {
                    Some(to) => self.change = Change::Out { to, step: 0 },
                    None => break,
                },
                _ => break,
            }
        }
        let table = &self.shapes.switch;
        match &mut self.change {
            Change::None => (self.current, 0.0, 1.0),
            Change::Out { to, step } => {
                let at = *step;
                *step += 1;
                if self.shapes.gap.is_none() {
                    (*to, table[at], 1.0)
                } else {
                    (self.current, 0.0, table[length - 1 - at])
                }
            }
            Change::Silence { left, .. } => {
                *left -= 1;
                (self.current, 0.0, 0.0)
            }
            Change::In { step } => {
                let at = *step;
                *step += 1;
                (self.current, 0.0, table[at])
            }
        }
    }

    /// Gain of the loop seam at a position; 1 where the whole clip is the loop, for its ends are faded already.
    fn seam(&self, position: u64) -> f32 {
        let Some((start, end)) = self.region else { return 1.0 };
        let nearest = position.saturating_sub(start).min((end - 1).saturating_sub(position)) as usize;
        self.shapes.fade.get(nearest).copied().unwrap_or(1.0)
    }

    fn frame(&mut self, output: &mut [f32]) {
        let Some(program) = self.program.as_deref().filter(|_| self.envelope != Envelope::Closed) else {
            output.fill(0.0);
            return;
        };
        if !program.is_here(self.position, &mut self.found) {
            // The disk was too slow. The sound stands still until it is here, and the trial is void.
            if !std::mem::replace(&mut self.starved, true) {
                self.shared.ran_dry_in(true);
            }
            output.fill(0.0);
            return;
        }
        self.starved = false;
        let (to, weight, gap) = self.change_step();
        let position = self.position;
        let gain = self.envelope_step() * gap * self.seam(position);
        let Some(program) = self.program.as_deref() else { return };
        let from = program.frame(self.current, position, self.found);
        let other = program.frame(to, position, self.found);
        // The difference form keeps two equal stimuli exact through a crossfade.
        let sample = |channel: usize| gain * (from[channel] + weight * (other[channel] - from[channel]));
        match (program.channels, output.len()) {
            (1, 1) => output[0] = sample(0),
            (1, _) => {
                let value = sample(0);
                output[0] = value;
                output[1] = value;
                output[2..].fill(0.0);
            }
            (_, 1) => output[0] = 0.5 * (sample(0) + sample(1)),
            _ => {
                output[0] = sample(0);
                output[1] = sample(1);
                output[2..].fill(0.0);
            }
        }
        self.played += 1;
        let (start, end) = self.region.unwrap_or((0, program.frames));
        self.position = if position + 1 >= end { start } else { position + 1 };
        if self.envelope == Envelope::Closed {
            // The fall has ended within the block: what waited happens now, and the rise begins with the next frame.
            self.settle();
        }
    }
}
