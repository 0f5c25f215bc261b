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

/// Source: Ramo, Pozar Table 2.1 (pages not open); numbers recomputed: d 1.291 mm, D 3.0 mm in air.
#[test]
fn two_wires_have_their_closed_forms_at_both_ends_of_frequency() {
    let wire = Wire::solid(1.291e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 3e-3, permittivity: 1.0 };
    close(pair.external_inductance(), 0.59458e-6, 1e-5, "high");
    close(pair.dc_inductance(), 0.71454e-6, 1e-5, "low");
    close(pair.capacitance(), 18.713e-12, 3e-5, "capacitance");
    let [resistance, inductance] = pair.series(&[0.0]).expect("solvable")[0];
    close(resistance, 2.0 * wire.dc_resistance(), 1e-7, "resistance at rest");
    close(inductance, pair.dc_inductance(), 1e-7, "inductance at rest");
    let [resistance, inductance] = pair.series(&[1e12]).expect("solvable")[0];
    close(inductance, pair.external_inductance(), 1e-3, "inductance of the skin");
    let isolated = wire.internal_impedance(1e12).re;
    close(
        resistance,
        2.0 * isolated / (1.0 - (1.291_f64 / 3.0).powi(2)).sqrt(),
        1e-3,
        "resistance of the skin",
    );
}

/// Source: `L C = mu eps` of any two perfect conductors; two 12 AWG wires 6 in apart have 600 ohm (ARRL Handbook, page
/// not open; a round number).
#[test]
fn inductance_and_capacitance_belong_together() {
    let wire = Wire::solid(2.0525e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 0.1524, permittivity: 1.0 };
    close((pair.external_inductance() / pair.capacitance()).sqrt(), 600.0, 1e-3, "600 ohm line");
    for spacing_m in [2.2e-3, 3e-3, 10e-3] {
        let pair = ParallelPair { wire, spacing_m, permittivity: 2.3 };
        let section = as_section(&pair);
        close(
            section.external_inductance().expect("solvable"),
            pair.external_inductance(),
            1e-6,
            "inductance",
        );
        close(section.capacitance().expect("solvable"), pair.capacitance(), 1e-6, "capacitance");
    }
}

/// Source: coaxial a = .45 mm, b = 1.475 mm, er = 2.25: Pozar Table 2.1 (page not open), recomputed.
#[test]
fn a_coaxial_line_has_its_closed_form() {
    use earwitness::circuit::coaxial::{Coaxial, Shield};
    let line = Coaxial {
        inner: Wire::solid(0.9e-3, Material::COPPER, 20.0),
        shield_inner_diameter_m: 2.95e-3,
        shield: Shield::tube(0.2e-3, Material::COPPER, 20.0),
        permittivity: 2.25,
    };
    close(line.external_inductance(), 0.2374e-6, 2e-4, "inductance");
    close(line.capacitance(), 105.44e-12, 1e-4, "capacitance");
    close((line.external_inductance() / line.capacitance()).sqrt(), 47.45, 1e-4, "impedance");
    let [resistance, _] = line.series(&[0.0]).expect("solvable")[0];
    let (b, c) = (1.475e-3_f64, 1.675e-3_f64);
    let shield = 1.7241e-8 / (std::f64::consts::PI * (c * c - b * b));
    close(resistance, line.inner.dc_resistance() + shield, 1e-9, "resistance at rest");
}

/// Source: ASTM B258 for diameters, IEC 60028 for copper (pages not open), ohm per km at 20 C.
#[test]
fn gauges_have_the_resistance_of_wire_tables() {
    use earwitness::units::awg_diameter_m;
    for (gauge, millimetres, ohm_per_km) in [
        (6.0, 4.1154, 1.2961),
        (8.0, 3.2636, 2.0609),
        (9.0, 2.9064, 2.5988),
        (10.0, 2.5882, 3.2770),
        (12.0, 2.0525, 5.2107),
        (14.0, 1.6277, 8.2853),
        (16.0, 1.2908, 13.174),
        (18.0, 1.0237, 20.948),
        (20.0, 0.8118, 33.308),
        (22.0, 0.6438, 52.962),
        (24.0, 0.5106, 84.213),
    ] {
        let diameter = awg_diameter_m(gauge);
        close(diameter * 1e3, millimetres, 8e-5, "diameter");
        let wire = Wire::solid(diameter, Material::COPPER, 20.0);
        close(wire.dc_resistance() * 1e3, ohm_per_km, 4e-5, "resistance");
    }
    let warm = Wire::solid(1e-3, Material::COPPER, 70.0).dc_resistance();
    close(warm / Wire::solid(1e-3, Material::COPPER, 20.0).dc_resistance(), 1.1965, 1e-12, "at 70 C");
}

/// Source: Wheeler's skin depths of copper as printed in handbooks, mm.
#[test]
fn skin_depth_of_copper() {
    let wire = Wire::solid(1e-3, Material::COPPER, 20.0);
    for (frequency, millimetres) in [(60.0, 8.53), (1e3, 2.090), (1e4, 0.6609), (2e4, 0.4673), (1e5, 0.2090)]
    {
        close(wire.skin_depth_m(frequency) * 1e3, millimetres, 3e-4, "depth");
    }
}

#[test]
fn strands_keep_the_resistance_at_rest_and_grow_alike_with_frequency() {
    let solid = Wire::solid(2e-3, Material::COPPER, 20.0);
    let bunch = Wire::stranded(2e-3, 0.75, Material::COPPER, 20.0);
    close(bunch.dc_resistance(), solid.dc_resistance(), 1e-12, "at rest");
    close(bunch.radius_m, solid.radius_m / 0.75_f64.sqrt(), 1e-12, "radius");
    let growth = |wire: &Wire| wire.internal_impedance(20e3).re / wire.dc_resistance();
    // Skin effect depends on frequency over DC resistance alone (NBS Circular 74), so only the size differs.
    close(growth(&bunch), growth(&solid), 1e-12, "growth");
}

#[test]
fn touching_and_overlapping_conductors_are_refused() {
    let wire = Wire::solid(2e-3, Material::COPPER, 20.0);
    for spacing_m in [0.0, 1.5e-3, 2e-3, f64::NAN] {
        let pair = ParallelPair { wire, spacing_m, permittivity: 1.0 };
        assert!(pair.series(&[1000.0]).is_err(), "{spacing_m}");
    }
    let touching = as_section(&ParallelPair { wire, spacing_m: 2e-3, permittivity: 1.0 });
    let message = touching.series(&[1000.0]).expect_err("they touch").to_string();
    assert!(message.contains("1 and 2 touch or overlap"), "{message}");
    let mut one_sided = as_section(&ParallelPair { wire, spacing_m: 3e-3, permittivity: 1.0 });
    one_sided.conductors[1].positive = true;
    assert!(one_sided.series(&[1000.0]).expect_err("no return").to_string().contains("polarity"));
}

#[test]
fn dense_grids_are_the_same_as_single_frequencies() {
    let wire = Wire::solid(1.2e-3, Material::COPPER, 20.0);
    let mut section = CrossSection::ring(wire, 6, 4e-3, 2.3);
    let grid: Vec<f64> = (0..4000).map(|i| f64::from(i) * 24.0).collect();
    for transposed in [true, false] {
        section.transposed = transposed;
        let dense = section.series(&grid).expect("solvable");
        for index in [0, 1, 7, 41, 400, 833, 3999] {
            let [resistance, inductance] = section.series(&[grid[index]]).expect("solvable")[0];
            close(dense[index][0], resistance, 3e-7, "resistance");
            close(dense[index][1], inductance, 3e-7, "inductance");
        }
    }
}

#[test]
fn joined_strands_have_less_resistance_than_transposed_ones_at_no_frequency_more() {
    // Free currents take the way of least loss at rest; equal ones are one of their choices.
    let wire = Wire::solid(0.8e-3, Material::COPPER, 20.0);
    let mut section = CrossSection::ring(wire, 8, 4e-3, 2.3);
    section.conductors[0].wire = Wire::solid(0.6e-3, Material::COPPER, 20.0);
    let at = |section: &CrossSection| section.series(&[0.0]).expect("solvable")[0][0];
    let equal = at(&section);
    section.transposed = false;
    assert!(at(&section) < equal);
    let parallel: f64 = section
        .conductors
        .iter()
        .filter(|conductor| conductor.positive)
        .map(|conductor| 1.0 / conductor.wire.dc_resistance())
        .sum();
    close(at(&section), 1.0 / parallel + wire.dc_resistance() / 4.0, 1e-6, "conductances add at rest");
}
