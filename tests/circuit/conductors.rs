//! Wires, pairs, cross-sections and coaxial lines.

use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::{CrossSection, RoundConductor};
use earwitness::circuit::pair::ParallelPair;

use super::{close, external_inductance};

fn as_section(pair: &ParallelPair) -> CrossSection {
    let at = |x_m, positive| RoundConductor { wire: pair.wire, x_m, y_m: 0.3e-3, positive };
    CrossSection {
        conductors: vec![at(0.0, true), at(pair.spacing_m, false)],
        permittivity: pair.permittivity,
        transposed: false,
    }
}

/// Source: Ramo, Pozar Table 2.1 (pages not open); numbers recomputed: d 1.291 mm, D 3.0 mm in air.
#[test]
fn two_wires_have_their_closed_forms_at_both_ends_of_frequency() {
    let wire = Wire::solid(1.291e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 3e-3, permittivity: 1.0 };
    close(external_inductance(&pair), 0.59458e-6, 1e-5, "high");
    close(pair.capacitance(), 18.713e-12, 3e-5, "capacitance");
    let [resistance, inductance] = pair.series(&[0.0]).expect("solvable")[0];
    close(resistance, 2.0 * wire.dc_resistance(), 1e-7, "resistance at rest");
    close(inductance, 0.71454e-6, 1e-5, "inductance at rest");
    let [resistance, inductance] = pair.series(&[1e12]).expect("solvable")[0];
    close(inductance, external_inductance(&pair), 1e-3, "inductance of the skin");
    let isolated = wire.internal_impedance(1e12).re;
    close(
        resistance,
        2.0 * isolated / (1.0 - (1.291_f64 / 3.0).powi(2)).sqrt(),
        1e-3,
        "resistance of the skin",
    );
}

/// Source: `L C = mu eps` of any two perfect conductors.
#[test]
fn inductance_and_capacitance_belong_together() {
    let wire = Wire::solid(2.0525e-3, Material::COPPER, 20.0);
    for spacing_m in [2.2e-3, 3e-3, 10e-3] {
        let pair = ParallelPair { wire, spacing_m, permittivity: 2.3 };
        let section = as_section(&pair);
        close(
            section.external_inductance().expect("solvable"),
            external_inductance(&pair),
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
