//! An evening of hours on a clock that is moved by hand: what the night holds in memory and how many files it has open stay what
//! they were. `EARWITNESS_SOAK=240` makes it four hours; in a few trials the same is tried each time.

#![expect(clippy::print_stdout, reason = "says what was measured to who asks with --nocapture")]

use std::sync::Arc;
use std::sync::atomic::Ordering;

use earwitness::ballot::Phase;

use super::stage::{HandClock, Host, Phone, Recorder, environment, request_of, session};

/// Trials where nobody asks for more, and how many of them pass before anything is measured.
const TRIALS: (u32, u32) = (16, 5);
/// A minute for each trial.
const TRIAL_MS: u64 = 60_000;
/// What a trial with eight votes may add, in KiB: its records are kept in memory until the end.
const PER_TRIAL_KIB: u64 = 40;

/// Memory in use, in KiB, and open descriptors of this process.
fn held() -> (u64, usize) {
    let status = std::fs::read_to_string("/proc/self/status").expect("facts");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("a line");
    let kib = line.trim().trim_end_matches(" kB").parse().expect("a number");
    (kib, std::fs::read_dir("/proc/self/fd").expect("descriptors").count())
}

#[test]
fn an_evening_of_hours_keeps_its_memory_and_descriptors() {
    if std::env::var_os("EARWITNESS_SOAK_ALONE").is_some() {
        return evening();
    }
    // In a process of its own: other tests use memory too.
    let ran = std::process::Command::new(std::env::current_exe().expect("this program"))
        .args(["--exact", "--nocapture", "night::soak::an_evening_of_hours_keeps_its_memory_and_descriptors"])
        .env("EARWITNESS_SOAK_ALONE", "1")
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&ran.stdout);
    assert!(
        ran.status.success() && said.contains("hours: "),
        "{said}\n{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    println!("{said}");
}

fn evening() {
    let trials = std::env::var("EARWITNESS_SOAK").map_or(TRIALS.0, |count| count.parse().expect("a number"));
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", trials, "");
    let (clock, recorder) = (Arc::new(HandClock::default()), Recorder::default());
    let (night_clock, night_recorder) = (clock.clone(), recorder.clone());
    let host =
        Host::start(move || (request_of(session), environment(night_clock, &night_recorder))).expect("open");
    let phones: Vec<Phone> =
        (0..8).map(|number| Phone::join(&host, &format!("Guest {number}"), None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let pass = |milliseconds: u64| {
        clock.0.fetch_add(milliseconds, Ordering::SeqCst);
        host.settle();
    };
    let (mut before, mut done) = (held(), 0);
    while host.look().phase != Phase::Counting {
        let began = clock.0.load(Ordering::SeqCst);
        host.say("next").expect("presented");
        while host.look().phase != Phase::Voting {
            pass(100);
        }
        let id = host.look().trial.as_ref().expect("a trial").id.clone();
        for (number, phone) in phones.iter().enumerate() {
            assert_eq!(phone.vote(&id, ["a", "b"][(number + done as usize) % 2]).status, 200);
        }
        pass((began + TRIAL_MS).saturating_sub(clock.0.load(Ordering::SeqCst)).min(50_000));
        if host.look().phase == Phase::Voting {
            host.say("close").expect("closed");
        }
        host.settle();
        // What the test itself keeps of the sound is no memory of the night.
        let mut tape = recorder.0.lock().expect("the tape");
        tape.calls.clear();
        tape.loaded.clear();
        drop(tape);
        done += 1;
        if done == TRIALS.1 {
            before = held();
        }
        assert!(done <= trials + 20, "the night does not end");
    }
    let after = held();
    let hours = clock.0.load(Ordering::SeqCst) as f64 / 3.6e6;
    println!(
        "{hours:.2} hours: {done} trials, 8 phones; memory {} to {} KiB, {} to {} descriptors",
        before.0, after.0, before.1, after.1
    );
    let allowed = before.0 + 2048 + PER_TRIAL_KIB * u64::from(done - TRIALS.1);
    assert!(after.0 <= allowed, "memory grew from {} to {} KiB", before.0, after.0);
    assert!(after.1 <= before.1 + 2, "{} descriptors became {}", before.1, after.1);
    host.leave();
}
