//! What stands between two trials, and between a journal and its verdict: drawing, replaying, one durable record, an event
//! with its view, verifying.
//!
//! Figures to hold: a durable record and the next trial come within what a person takes for at once (100 ms), most of it
//! the disk's; a journal of 1,000 trials is verified within a second.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

#[path = "../blind.rs"]
#[expect(dead_code, reason = "tests of blindness share more than a benchmark needs")]
mod blind;
#[path = "../trial/kit.rs"]
#[allow(dead_code, reason = "the tests use more of it")]
#[allow(clippy::unwrap_used, reason = "shared with the tests")]
mod kit;

use std::path::PathBuf;
use std::sync::OnceLock;

use divan::Bencher;
use earwitness::stats::Protocol;
use earwitness::trial::against::Registers;
use earwitness::trial::schedule::Draws;
use earwitness::trial::{Conductor, Draft, Event, Part, Record, Sittings, Stage, TrialId, against, journal};

/// Counted trials of the long journal.
const LONG: u32 = 1000;

fn main() {
    divan::main();
}

/// A sitting with one comparison and so many counted trials.
fn draft(trials: u32) -> Draft {
    let mut terms = kit::terms(Protocol::Triangle);
    terms.comparisons.truncate(1);
    terms.trials = trials;
    kit::draft(terms)
}

/// A folder that holds a finished journal of [`LONG`] trials, with its register.
fn long() -> &'static (tempfile::TempDir, PathBuf) {
    static LONG_JOURNAL: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    LONG_JOURNAL.get_or_init(|| {
        let folder = kit::folder();
        let sittings = Sittings::lock(folder.path(), kit::UTC).expect("a free folder");
        let opened = sittings.open(draft(LONG), kit::secret(1), None).expect("it opens");
        let path = opened.writer.path();
        let mut scripted = kit::in_folder(opened);
        while scripted.step() {
            // What it showed is not looked at here.
            scripted.views.clear();
            scripted.effects.clear();
        }
        (folder, path)
    })
}

/// Everything that a sitting of 16 trials draws: the schedule and each presentation order.
#[divan::bench]
fn draw_16_trials(bencher: Bencher) {
    let secret = kit::secret(2);
    let opening = kit::opening(&draft(16), &secret);
    bencher.bench(|| {
        let mut draws = Draws::new(&opening, secret.key(2, [b"a hand".as_slice()]));
        (1..=16)
            .filter_map(|trial| draws.present(TrialId { part: Part::Main, trial, attempt: 1 }))
            .map(|presented| presented.order)
            .sum::<usize>()
    });
}

/// From the records of 1,000 trials to the state of the conductor, as a resumed sitting does it.
#[divan::bench]
fn replay_1000_trials(bencher: Bencher) {
    let mut records = journal::read(&long().1).expect("it reads").records;
    records.pop();
    bencher.bench(|| Conductor::resume(&records, &[kit::secret(1)]).expect("it replays"));
}

/// Reads and verifies the journal of 1,000 trials, register included.
#[divan::bench]
fn verify_1000_trials(bencher: Bencher) {
    let path = &long().1;
    assert!(against::check(path, &mut Registers::default()).is_sound());
    bencher.bench(|| against::check(path, &mut Registers::default()));
}

/// One answer, chained, written and flushed to the disk.
#[divan::bench]
fn append_and_flush(bencher: Bencher) {
    let records = journal::read(&long().1).expect("it reads").records;
    let answer = records.iter().find(|record| matches!(record, Record::Answer { .. })).expect("an answer");
    let folder = kit::folder();
    let sittings = Sittings::lock(folder.path(), kit::UTC).expect("a free folder");
    let mut writer = sittings.open(draft(16), kit::secret(3), None).expect("it opens").writer;
    bencher.bench_local(|| writer.append(answer).expect("it is written"));
}

/// A switch in the last trial of a long sitting, and the view that a screen draws after it.
#[divan::bench]
fn switch_and_view(bencher: Bencher) {
    let mut scripted = kit::in_memory(&draft(LONG), 4);
    while !matches!(scripted.conductor.view().stage, Stage::Trial(trial) if trial.id.trial == LONG) {
        scripted.step();
        scripted.views.clear();
        scripted.effects.clear();
    }
    let mut slot = 0;
    bencher.bench_local(|| {
        slot = (slot + 1) % 3;
        (scripted.conductor.step(scripted.now, Event::Select(slot)), scripted.conductor.view())
    });
}
