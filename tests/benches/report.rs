//! A report of 2,000 sittings of 100 trials: time and memory of the library's steps and of the program as it is run.
//!
//! Wanted: under 3 seconds and under 300 MB. All data is invented.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

#[path = "../report/material.rs"]
#[allow(dead_code, reason = "the tests use more of it")]
mod material;

use std::io::BufRead as _;
use std::sync::OnceLock;

use earwitness::evidence::{self, Options};
use earwitness::report::{self, export, page};
use material::{Plan, SESSION, Site};

fn main() {
    divan::main();
}

/// 2,000 listeners with 96 counted trials and 4 controls each.
fn site() -> &'static Site {
    static SITE: OnceLock<Site> = OnceLock::new();
    SITE.get_or_init(|| {
        let mut site = Site::new(&SESSION.replace("trials = 12", "trials = 96").replace("warm_up = 1\n", ""));
        for number in 0..2000 {
            site.hold(&Plan::new(&format!("Listener {number:04}"), number, 0.55));
        }
        site
    })
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn read_and_verify(bencher: divan::Bencher) {
    let folder = site().session.sittings_folder();
    bencher.bench(|| evidence::folder(&folder, None).expect("read"));
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn build(bencher: divan::Bencher) {
    let folder = site().session.sittings_folder();
    bencher
        .with_inputs(|| vec![evidence::folder(&folder, None).expect("read")])
        .bench_values(|readings| report::report(&site().session, readings, Options::default()));
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn write(bencher: divan::Bencher) {
    let readings = vec![evidence::folder(&site().session.sittings_folder(), None).expect("read")];
    let report = report::report(&site().session, readings, Options::default());
    bencher.bench(|| {
        let mut out = std::io::sink();
        export::csv(&report, &mut out).expect("written");
        export::json(&report, &mut out).expect("written");
        page::write(&report, &mut out).expect("written");
        page::certificates(&report).len()
    });
}

/// The whole command in a process of its own; its peak memory goes to standard error.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn command(bencher: divan::Bencher) {
    let site = site();
    bencher.bench(|| {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_earwitness"))
            .args(["report", "."])
            .current_dir(site.path())
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the program starts");
        let mut peak = 0;
        loop {
            peak = peak_kilobytes(child.id()).unwrap_or(peak).max(peak);
            if let Some(status) = child.try_wait().expect("the program can be waited for") {
                assert!(status.success(), "{status}");
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        note(&format!("peak memory {} MB", peak / 1000));
        assert!(peak < 300_000, "{peak} kB");
    });
}

fn note(line: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}

/// Largest resident size so far, where the system tells it.
fn peak_kilobytes(process: u32) -> Option<u64> {
    let file = std::fs::File::open(format!("/proc/{process}/status")).ok()?;
    std::io::BufReader::new(file)
        .lines()
        .map_while(Result::ok)
        .find_map(|line| line.strip_prefix("VmHWM:")?.trim().strip_suffix("kB")?.trim().parse().ok())
}
