//! Where a command spends its time: `--timings` prints stages, seconds and memory on standard error.

#![expect(clippy::disallowed_methods, reason = "it is about time, and no evidence comes of it")]

use std::sync::Mutex;
use std::time::Instant;

use super::note;

/// A moment of a command.
#[derive(Debug, Clone, Copy)]
struct Moment {
    wall: Instant,
    /// Processor seconds of all threads so far.
    processor: f64,
}

/// A stage that has ended.
#[derive(Debug)]
struct Stage {
    name: &'static str,
    wall: f64,
    processor: f64,
    /// Most memory the process has held up to then, in bytes, where the system tells it.
    memory: Option<u64>,
}

#[derive(Debug)]
struct Timings {
    began: Moment,
    now: (&'static str, Moment),
    ended: Vec<Stage>,
}

/// `None` as long as nobody asked.
static TIMINGS: Mutex<Option<Timings>> = Mutex::new(None);

fn moment() -> Moment {
    Moment { wall: Instant::now(), processor: crate::system::processor_seconds() }
}

impl Timings {
    fn end(&mut self) {
        let (name, from) = self.now;
        let to = moment();
        self.ended.push(Stage {
            name,
            wall: (to.wall - from.wall).as_secs_f64(),
            processor: to.processor - from.processor,
            memory: crate::system::most_memory(),
        });
    }
}

/// From now on stages are noted.
pub(super) fn begin() {
    let began = moment();
    let mut timings = TIMINGS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    *timings = Some(Timings { began, now: ("arguments", began), ended: Vec::new() });
}

/// The command goes on to this.
pub(super) fn stage(name: &'static str) {
    let mut timings = TIMINGS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    if let Some(timings) = timings.as_mut() {
        timings.end();
        timings.now = (name, moment());
    }
}

/// Prints what was noted.
pub(super) fn finish() {
    let taken = TIMINGS.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
    let Some(mut timings) = taken else { return };
    timings.end();
    note("stage                      seconds   processor seconds   most memory so far");
    let whole = moment();
    let all = Stage {
        name: "all",
        wall: (whole.wall - timings.began.wall).as_secs_f64(),
        processor: whole.processor,
        memory: crate::system::most_memory(),
    };
    for Stage { name, wall, processor, memory } in timings.ended.iter().chain([&all]) {
        let memory =
            memory.map_or_else(|| "not told".into(), |bytes| format!("{:.1} MB", bytes as f64 / 1e6));
        note(&format!("{name:<24} {wall:>9.3} {processor:>19.3}   {memory:>18}"));
    }
}
