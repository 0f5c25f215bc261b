//! What holds for every circuit: passivity, reciprocity, `L C = mu eps`, limits, and continuity where a method changes.

use earwitness::circuit::coaxial::{Coaxial, Shield};
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::{CrossSection, RoundConductor};
use earwitness::circuit::layout::twisted_pairs;
use earwitness::circuit::line::{LineParameters, PerMetre, take_up};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::{EPSILON0, MU0};
use num_complex::Complex64;
use proptest::prelude::*;

use super::{close, external_inductance, near};

/// Three to five conductors on a line with gaps of their own, alternately of either polarity.
fn row() -> impl Strategy<Value = CrossSection> {
    (prop::collection::vec((0.2e-3..1.2e-3_f64, 1.06..2.5_f64, 1.5e-8..4e-8_f64), 2..5), any::<bool>())
        .prop_map(|(wires, transposed)| {
            let (mut x_m, mut before) = (0.0, 0.0);
            let conductors = wires
                .into_iter()
                .enumerate()
                .map(|(index, (radius, gap, resistivity_ohm_m))| {
                    let metal = Material { resistivity_ohm_m, temperature_coefficient: 0.0 };
                    if index > 0 {
                        x_m += gap * (before + radius);
                    }
                    before = radius;
                    let wire = Wire::solid(2.0 * radius, metal, 20.0);
                    RoundConductor { wire, x_m, y_m: 0.1 * x_m, positive: index % 2 == 0 }
                })
                .collect();
            CrossSection { conductors, permittivity: 2.3, transposed }
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Resistance grows and inductance falls with frequency; inductance stays above that of perfect conductors, of which
    /// `L C = mu eps` holds.
    #[test]
    fn every_cross_section_is_passive_and_monotone(section in row()) {
        let frequencies = [10.0, 300.0, 3e3, 2e4, 2e5];
        let found = section.series(&frequencies).expect("solvable");
        for pair in found.windows(2) {
            prop_assert!(pair[1][0] >= pair[0][0] * (1.0 - 1e-6), "{:?}", found);
            prop_assert!(pair[1][1] <= pair[0][1] * (1.0 + 1e-6), "{:?}", found);
        }
        let perfect = section.external_inductance().expect("solvable");
        prop_assert!(found[0][0] > 0.0);
        if !section.transposed {
            prop_assert!(found[4][1] >= perfect * (1.0 - 1e-6), "{} {}", found[4][1], perfect);
        }
        let product = perfect * section.capacitance().expect("solvable");
        prop_assert!((product - MU0 * EPSILON0 * 2.3).abs() < 1e-9 * product);
        // Moved and turned, it is the same.
        let mut moved = section.clone();
        for conductor in &mut moved.conductors {
            let place = Complex64::new(conductor.x_m, conductor.y_m) * Complex64::from_polar(1.0, 0.7);
            conductor.x_m = place.re + 3e-3;
            conductor.y_m = place.im - 2e-3;
            conductor.positive = !conductor.positive;
        }
        let again = moved.series(&[2e4]).expect("solvable")[0];
        prop_assert!((again[0] - found[3][0]).abs() < 1e-6 * again[0]);
        prop_assert!((again[1] - found[3][1]).abs() < 1e-6 * again[1]);
    }

    /// One long line is two pieces of it; the closed form at the switch from series to hyperbolic functions has no step.
    #[test]
    fn a_line_is_its_pieces_on_both_sides_of_the_switch(
        resistance in 1e-4..1.0_f64, inductance in 1e-8..1e-5_f64, capacitance in 1e-12..1e-9_f64, frequency in 1.0..1e6_f64,
    ) {
        let metre = PerMetre { resistance, inductance, capacitance, conductance: 0.0 };
        let omega = std::f64::consts::TAU * frequency;
        let squared = (Complex64::new(resistance, omega * inductance) * Complex64::new(0.0, omega * capacitance)).norm();
        let switch = 0.1 / squared.sqrt();
        let (below, above) = (metre.chain(switch * 0.999_999, frequency), metre.chain(switch * 1.000_001, frequency));
        let longer = below.then(metre.chain(switch * 2e-6, frequency));
        prop_assert!((above.a - longer.a).norm() < 1e-13);
        prop_assert!((above.b - longer.b).norm() < 1e-12 * above.b.norm());
        prop_assert!((above.c - longer.c).norm() < 1e-12 * above.c.norm());
        prop_assert!((above.determinant() - 1.0).norm() < 1e-13);
    }

    /// Bessel ratios have no step where the asymptote takes over, nor where the number of terms changes.
    #[test]
    fn internal_impedance_has_no_step(size in 0.01..2e6_f64) {
        let wire = Wire::solid(2e-3, Material::COPPER, 20.0);
        let per_x = wire.resistivity_ohm_m / (std::f64::consts::TAU * MU0 * wire.radius_m.powi(2));
        let at = |x: f64| wire.internal_impedance(per_x * x * x) / wire.dc_resistance();
        let (low, middle, high) = (at(size * (1.0 - 1e-5)), at(size), at(size * (1.0 + 1e-5)));
        prop_assert!((low + high - 2.0 * middle).norm() < 1e-9 * middle.norm(), "{} {} {}", low, middle, high);
    }
}

#[test]
fn the_switch_to_the_asymptote_of_internal_impedance_has_no_step() {
    let wire = Wire::solid(2e-3, Material::COPPER, 20.0);
    let per_x = wire.resistivity_ohm_m / (std::f64::consts::TAU * MU0 * wire.radius_m.powi(2));
    let at = |x: f64| wire.internal_impedance(per_x * x * x) / wire.dc_resistance();
    for switch in [1e6, 1e-9] {
        let (below, above) = (at(switch * (1.0 - 1e-9)), at(switch * (1.0 + 1e-9)));
        near(above, below, 3e-9, "around the switch");
    }
}

/// A tube with a wire in it, and a ring of many wires around the same wire: the closed form and the solver meet, the more
/// wires the closer.
#[test]
fn a_coaxial_line_and_a_cage_of_wires_are_nearly_the_same() {
    let inner = Wire::solid(2e-3, Material::COPPER, 20.0);
    let (count, radius) = (24, 6e-3);
    let thin = Wire::solid(0.2e-3, Material::COPPER, 20.0);
    let mut conductors = vec![RoundConductor { wire: inner, x_m: 0.0, y_m: 0.0, positive: true }];
    conductors.extend((0..count).map(|index| {
        let angle = std::f64::consts::TAU * f64::from(index) / f64::from(count);
        RoundConductor { wire: thin, x_m: radius * angle.cos(), y_m: radius * angle.sin(), positive: false }
    }));
    let cage = CrossSection { conductors, permittivity: 1.0, transposed: false };
    let n = f64::from(count);
    let equivalent = radius * (radius / (n * thin.radius_m)).powf(1.0 / n);
    let tube = Coaxial {
        inner,
        shield_inner_diameter_m: 2.0 * equivalent,
        shield: Shield::Thin { ohm_per_m: thin.dc_resistance() / n },
        permittivity: 1.0,
    };
    close(
        cage.external_inductance().expect("solvable"),
        tube.external_inductance(),
        5e-3,
        "perfect conductors",
    );
    let [resistance, _] = cage.series(&[0.0]).expect("solvable")[0];
    close(resistance, tube.series(&[0.0]).expect("solvable")[0][0], 1e-6, "at rest");
}

/// All gaps that a cross-section may have can be solved, down to the smallest.
#[test]
fn the_smallest_gap_that_is_allowed_is_solved() {
    let wire = Wire::solid(1.5e-3, Material::COPPER, 20.0);
    for relative in [1.0012, 1.003, 1.01] {
        let pair = ParallelPair { wire, spacing_m: relative * 1.5e-3, permittivity: 1.0 };
        let section = CrossSection {
            conductors: vec![
                RoundConductor { wire, x_m: 0.0, y_m: 0.0, positive: true },
                RoundConductor { wire, x_m: pair.spacing_m, y_m: 0.0, positive: false },
            ],
            permittivity: 1.0,
            transposed: false,
        };
        let name = format!("D/d {relative}");
        close(section.external_inductance().expect(&name), external_inductance(&pair), 2e-6, &name);
        for frequency in [50.0, 20e3, 1e6] {
            let ([r, l], [r2, l2]) =
                (section.series(&[frequency]).expect(&name)[0], pair.series(&[frequency]).expect(&name)[0]);
            close(r, r2, 3e-6, &name);
            close(l, l2, 3e-6, &name);
        }
    }
}

#[test]
fn laid_up_lines_are_longer_and_side_by_side() {
    let wire = Wire::solid(0.6e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 1.2e-3, permittivity: 2.3 };
    let one = LineParameters::Pair { pair: pair.clone(), loss_tangent: 0.01 }
        .per_metre(&[20e3])
        .expect("solvable")[0];
    let four = twisted_pairs(pair, 4, Some(20e-3), 0.01).per_metre(&[20e3]).expect("solvable")[0];
    let longer = take_up(1.2e-3, 20e-3);
    assert!(longer > 1.017 && longer < 1.018, "{longer}");
    close(four.resistance, one.resistance * longer / 4.0, 1e-12, "resistance");
    close(four.inductance, one.inductance * longer / 4.0, 1e-12, "inductance");
    close(four.capacitance, one.capacitance * longer * 4.0, 1e-12, "capacitance");
    close(four.conductance, one.conductance * longer * 4.0, 1e-12, "conductance");
}

/// Four pairs in a square, each at angles of its own: over the angles, inductance and capacitance are those of pairs that
/// do not see each other, within the few per cent that the approximation says it leaves out.
#[test]
fn twisted_pairs_are_nearly_independent_of_each_other() {
    let wire = Wire::solid(0.6e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 1.0e-3, permittivity: 1.0 };
    let (mut inductance, mut capacitance) = (0.0, 0.0);
    let turns = 9;
    for turn in 0..turns {
        let mut conductors = Vec::new();
        for place in 0..4 {
            let centre = Complex64::from_polar(1.7e-3, std::f64::consts::FRAC_PI_2 * f64::from(place));
            // Pairs of different lays: over a long piece every combination of angles comes up.
            let angle = std::f64::consts::TAU * f64::from(turn * (place + 1)) / f64::from(turns);
            for positive in [true, false] {
                let arm = Complex64::from_polar(if positive { 0.5e-3 } else { -0.5e-3 }, 0.0)
                    * Complex64::from_polar(1.0, angle);
                let at = centre + arm;
                conductors.push(RoundConductor { wire, x_m: at.re, y_m: at.im, positive });
            }
        }
        let section = CrossSection { conductors, permittivity: 1.0, transposed: true };
        inductance += section.series(&[1e3]).expect("solvable")[0][1] / f64::from(turns);
        capacitance += section.capacitance().expect("solvable") / f64::from(turns);
    }
    let alone = twisted_pairs(pair, 4, None, 0.0).per_metre(&[1e3]).expect("solvable")[0];
    close(alone.inductance, inductance, 0.05, "inductance");
    close(alone.capacitance, capacitance, 0.15, "capacitance");
}
