//! How fast the statistics are: scoring, planning, the room test, simulation.

#![allow(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "benchmarks measure real time, write whatever files they need and print their figures"
)]

use std::fmt::Write as _;
use std::process::Command;

use divan::Bencher;
use earwitness::stats::panel_power::{self, PanelDesign};
use earwitness::stats::power::{Design, Effect};
use earwitness::stats::room::{self, RoomTrial};
use earwitness::stats::simulate::Generator;
use earwitness::stats::threshold::grid::Grid;
use earwitness::stats::threshold::track::{Method, Track};
use earwitness::stats::threshold::{Curve, Range};
use earwitness::stats::{Protocol, one};
use rayon::prelude::*;

fn main() {
    divan::main();
    coverage_of_thresholds();
}

/// Twelve cells of threshold, slope, lapse and protocol with 1,000 simulated sittings of 50 trials each: the 95 % interval is to
/// hold the listener's threshold in 93 to 97 % of them. Printed, and timed: 10,000 sittings are to take less than a minute on
/// two cores.
fn coverage_of_thresholds() {
    const SITTINGS: u64 = 1000;
    let range = Range::new(0.5, 32.0).expect("a range");
    let started = std::time::Instant::now();
    println!("\nthreshold  slope  lapse  protocol   coverage        width");
    let mut cells = 0;
    let mut held = 0.0;
    for protocol in [Protocol::Abx, Protocol::Triangle] {
        let grid = Grid::new(range, protocol.chance());
        for (threshold, slope, lapse) in [
            // Chosen after the interval's rule was: it was found on others.
            (1.3, 1.5, 0.0),
            (1.3, 3.0, 0.01),
            (3.0, 1.2, 0.03),
            (5.5, 2.5, 0.01),
            (11.0, 3.0, 0.0),
            (14.0, 1.7, 0.04),
        ] {
            // Thresholds a quarter of a level's step about the middle, so that none lies on a point of the grid.
            let listener = |generator: &mut Generator| Curve {
                threshold: threshold * (0.06 * (generator.uniform() - 0.5)).exp(),
                slope,
                lapse,
            };
            let found: Vec<(f64, bool)> = (0..SITTINGS)
                .into_par_iter()
                .map(|sitting| {
                    let mut generator = Generator::new(11 + cells, sitting);
                    let curve = listener(&mut generator);
                    let mut track = Track::new(&grid, Method::Bayes);
                    for _ in 0..50 {
                        let size = grid.levels()[track.next()];
                        track.answer(generator.uniform() < curve.right(size, grid.chance()));
                    }
                    let found = track.posterior().confidence();
                    let covered = (found.lower..=found.upper).contains(&curve.threshold);
                    ((found.upper / found.lower).ln(), covered)
                })
                .collect();
            let width = (found.iter().map(|(ratio, _)| ratio).sum::<f64>() / SITTINGS as f64).exp();
            let coverage = found.iter().filter(|(_, covered)| *covered).count() as f64 / SITTINGS as f64;
            println!(
                "{threshold:>9}  {slope:>5}  {lapse:>5}  {:<9}  {:.3} +- {:.3}  {:.2}",
                protocol.name(),
                coverage,
                (coverage * (1.0 - coverage) / SITTINGS as f64).sqrt(),
                width
            );
            cells += 1;
            held += coverage;
        }
    }
    let seconds = started.elapsed().as_secs_f64();
    let sittings = cells * SITTINGS;
    println!(
        "mean {:.3}; {sittings} sittings of 50 trials in {seconds:.1} s: 10,000 in {:.1} s",
        held / cells as f64,
        seconds * 10_000.0 / sittings as f64
    );
}

/// The next size after an answer; wanted: under 5 ms.
#[divan::bench(sample_count = 50, sample_size = 1)]
fn next_size(bencher: Bencher) {
    let grid = Grid::new(Range::new(0.5, 32.0).expect("a range"), Protocol::Abx.chance());
    let mut track = Track::new(&grid, Method::Bayes);
    let mut generator = Generator::new(3, 0);
    bencher.bench_local(|| {
        track.answer(generator.uniform() < 0.7);
        track.next()
    });
}

/// The real program on a CSV file of 10,000 listeners with 100 trials each; wanted: under a second.
#[divan::bench(args = ["abx", "triangle"], sample_count = 5, sample_size = 1)]
fn score_ten_thousand_listeners(bencher: Bencher, protocol: &str) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("counts.csv");
    let mut generator = Generator::new(1, 0);
    let mut text = String::from("listener,comparison,protocol,correct,trials\n");
    for listener in 0..10_000 {
        let correct = (0..100).filter(|_| generator.uniform() < 0.5).count();
        writeln!(text, "L{listener},flex-braid,{protocol},{correct},100").expect("a string grows");
    }
    std::fs::write(&file, text).expect("the file");
    bencher.bench(|| {
        let output = Command::new(env!("CARGO_BIN_EXE_earwitness"))
            .arg("score")
            .arg(&file)
            .arg("--json")
            .output()
            .expect("ran");
        assert!(output.status.success());
        output.stdout.len()
    });
}

/// A plan of nearly 100,000 trials, first and stable number; wanted: under a second.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn plan_to_a_hundred_thousand() -> u64 {
    let design = Design::new(Protocol::Abx, 0.05, Effect::Proportion(0.504)).expect("a design");
    design.plan(0.8).expect("a plan").stable.trials
}

/// 500 listeners, 100 trials; wanted: under 100 ms.
#[divan::bench(args = [Protocol::Abx, Protocol::Triangle], sample_count = 10, sample_size = 1)]
fn room_of_five_hundred(bencher: Bencher, protocol: Protocol) {
    let alternatives = room::alternatives(protocol);
    let mut generator = Generator::new(2, 0);
    let trials: Vec<RoomTrial> = (0..100)
        .map(|_| {
            let mut votes = vec![0; alternatives];
            for _ in 0..500 {
                votes[(generator.bits() % alternatives as u64) as usize] += 1;
            }
            RoomTrial { votes, right: 0 }
        })
        .collect();
    bencher.bench(|| room::test(protocol, &trials, 0.05).expect("votes").p_value);
}

/// A million sittings of sixteen trials; wanted: under a second on two cores.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn simulate_a_million_sittings() -> f64 {
    let design = Design::new(Protocol::Abx, 0.05, Effect::Discriminators(0.3)).expect("a design");
    let panel = PanelDesign { design, listeners: 20, trials: 16, gamma: 0.2 };
    panel_power::simulate(&panel, 50_000, 1).expect("a panel").pooled.value
}

/// One score with everything about it.
#[divan::bench(args = [Protocol::Abx, Protocol::Triangle, Protocol::Tetrad])]
fn analyse_one_score(protocol: Protocol) -> f64 {
    one::analyse(protocol, divan::black_box(12), 16, 0.05).expect("counts").p_value
}
