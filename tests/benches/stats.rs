//! How fast the statistics are: scoring, planning, the room test, simulation.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

use std::fmt::Write as _;
use std::process::Command;

use divan::Bencher;
use earwitness::stats::panel_power::{self, PanelDesign};
use earwitness::stats::power::{Design, Effect};
use earwitness::stats::room::{self, RoomTrial};
use earwitness::stats::simulate::Generator;
use earwitness::stats::{Protocol, one};

fn main() {
    divan::main();
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
