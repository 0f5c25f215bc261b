//! How long circuits take.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::CrossSection;
use earwitness::circuit::line::{Line, LineParameters};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::{Amplifier, Cable, Chain, Loudspeaker};

fn main() {
    divan::main();
}

fn logarithmic(count: usize) -> Vec<f64> {
    (0..count).map(|i| 20.0 * 1000_f64.powf(i as f64 / (count - 1) as f64)).collect()
}

/// 32 conductors at 100 frequencies, to be under a second on one core.
#[divan::bench(args = [false, true], sample_count = 5, sample_size = 1)]
fn thirty_two_conductors_at_100_frequencies(transposed: bool) {
    let mut section = CrossSection::ring(Wire::solid(0.6e-3, Material::COPPER, 20.0), 32, 8e-3, 2.3);
    section.transposed = transposed;
    divan::black_box(section.series(&logarithmic(100)).expect("solvable"));
}

fn chain(diameter_m: f64) -> Chain {
    let wire = Wire::solid(diameter_m, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 3.2e-3, permittivity: 3.5 };
    let parameters = LineParameters::Pair { pair, loss_tangent: 0.02 };
    Chain {
        amplifier: Amplifier::lumped(0.02, 0.0),
        cable: Cable::Line(Line { length_m: 6.0, parameters }),
        loudspeaker: Loudspeaker::resistor(8.0),
    }
}

/// Two cables at 200 frequencies.
#[divan::bench]
fn two_pairs_at_200_frequencies() {
    for diameter in [0.977e-3, 2.26e-3] {
        divan::black_box(chain(diameter).transfer(&logarithmic(200)).expect("solvable"));
    }
}

/// A filter designer's grid: 65537 frequencies from 0 Hz to half of 192 kHz.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn one_pair_on_a_dense_grid() {
    let grid: Vec<f64> = (0..=65_536).map(|i| 96_000.0 * f64::from(i) / 65_536.0).collect();
    divan::black_box(chain(2.26e-3).transfer(&grid).expect("solvable"));
}
