//! Wires, pairs, cross-sections and coaxial lines.

use earwitness::circuit::MU0;
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::{CrossSection, RoundConductor};
use earwitness::circuit::pair::ParallelPair;

/// a/delta, D/d, R/Rdc, R/Riso, L_loop/(mu0/pi).
///
/// Source: exact magneto-quasistatic solution by two independent implementations that agree to the digits shown; method
/// after Carson 1921 and Manneback.
const PROXIMITY: [(f64, f64, f64, f64, f64); 14] = [
    (0.5, 1.05, 1.00497, 1.00367, 0.99082),
    (1.0, 1.05, 1.07546, 1.05386, 0.97519),
    (1.0, 2.0, 1.03481, 1.01403, 1.62925),
    (1.5, 1.25, 1.24428, 1.13392, 1.11384),
    (2.0, 1.05, 1.73127, 1.36898, 0.85158),
    (2.0, 1.5, 1.45580, 1.15116, 1.26329),
    (2.0, 5.0, 1.27961, 1.01183, 2.51556),
    (3.0, 1.25, 2.35035, 1.32928, 0.95718),
    (3.0, 3.0, 1.84156, 1.04153, 1.93555),
    (5.0, 1.05, 5.15667, 1.86288, 0.58746),
    (5.0, 1.5, 3.45348, 1.24760, 1.09521),
    (10.0, 1.05, 12.02796, 2.28699, 0.46542),
    (10.0, 2.0, 5.97591, 1.13625, 1.37458),
    (10.0, 5.0, 5.35688, 1.01855, 2.34336),
];

fn frequency_of(wire: &Wire, relative_radius: f64) -> f64 {
    let depth = wire.radius_m / relative_radius;
    wire.resistivity_ohm_m / (std::f64::consts::PI * MU0 * depth * depth)
}

fn as_section(pair: &ParallelPair) -> CrossSection {
    let at = |x_m, positive| RoundConductor { wire: pair.wire, x_m, y_m: 0.3e-3, positive };
    CrossSection {
        conductors: vec![at(0.0, true), at(pair.spacing_m, false)],
        permittivity: pair.permittivity,
        transposed: false,
    }
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} is not {expected}");
}

#[test]
fn two_wires_follow_the_exact_proximity_table() {
    let wire = Wire::solid(1.6e-3, Material::COPPER, 20.0);
    for (relative_radius, relative_spacing, dc, isolated, inductance) in PROXIMITY {
        let pair =
            ParallelPair { wire, spacing_m: relative_spacing * 2.0 * wire.radius_m, permittivity: 1.0 };
        let frequency = frequency_of(&wire, relative_radius);
        let name = format!("a/delta {relative_radius}, D/d {relative_spacing}");
        let by_symmetry = pair.series(&[frequency]).expect("solvable")[0];
        let in_general = as_section(&pair).series(&[frequency]).expect("solvable")[0];
        for [resistance, found_inductance] in [by_symmetry, in_general] {
            close(resistance / (2.0 * wire.dc_resistance()), dc, 1e-5, &name);
            close(resistance / (2.0 * wire.internal_impedance(frequency).re), isolated, 1e-5, &name);
            close(found_inductance / (MU0 / std::f64::consts::PI), inductance, 1.1e-5, &name);
        }
        close(in_general[0], by_symmetry[0], 1e-6, &name);
        close(in_general[1], by_symmetry[1], 1e-6, &name);
    }
}
