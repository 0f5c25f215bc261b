//! Braids, coated pairs, strips, insulated strands and data-sheet cables.
//!
//! Values of `tests/reference/circuit/layouts.py` (methods and versions stand there) come from its output beside it.

use earwitness::circuit::braid::{Braid, BraidPolarity};
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::flat::{Arrangement, FlatPair};
use earwitness::circuit::insulation::{self, Insulation};
use earwitness::circuit::line::{DataSheet, LineParameters};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::{EPSILON0, MU0};
use earwitness::units::{Dimension, parse};
use serde_json::Value;

use super::close;

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/circuit/layouts.json")).expect("the reference is JSON")
}

fn numbers(row: &Value) -> Vec<f64> {
    let number =
        |value: &Value| value.as_f64().unwrap_or_else(|| f64::from(u8::from(value.as_bool() == Some(true))));
    row.as_array().expect("a row").iter().map(number).collect()
}

fn wire(diameter_m: f64) -> Wire {
    Wire::solid(diameter_m, Material::COPPER, 20.0)
}

#[test]
fn a_braid_has_the_inductance_of_its_filaments_in_three_dimensions() {
    for row in reference()["braids"].as_array().expect("rows") {
        let row = numbers(row);
        let braid = Braid {
            wire: wire(row[1]),
            strands: row[0] as usize,
            circle_diameter_m: row[2],
            lay_length_m: Some(row[3]),
            strand_diameter_m: row[4],
            polarity: if row[5] == 1.0 { BraidPolarity::Mixed } else { BraidPolarity::ByDirection },
            permittivity: 1.0,
        };
        // So low that the current is even.
        let [resistance, inductance] = braid.series(&[1.0]).expect("solvable")[0];
        println!("{row:?}: {:.1} nH/m", inductance * 1e9);
        close(inductance, row[6], 0.02, "inductance of a braid");
        let strands = row[0] / 2.0;
        close(
            resistance,
            2.0 * braid.wire.dc_resistance() * braid.take_up() / strands,
            1e-3,
            "resistance of a braid",
        );
    }
}

/// Common practice, no source: a many-stranded braid has near 100 pF/ft and four to five times less inductance than zip cord
/// of near 0.2 uH/ft.
#[test]
fn a_many_stranded_braid_is_as_the_trade_knows_it() {
    let braid = Braid {
        wire: wire(0.5e-3),
        strands: 16,
        circle_diameter_m: 8e-3,
        lay_length_m: Some(150e-3),
        strand_diameter_m: 1.2e-3,
        polarity: BraidPolarity::ByDirection,
        permittivity: 2.3,
    };
    let per_foot = braid.capacitance().expect("solvable") * 0.3048 * 1e12;
    assert!((60.0..180.0).contains(&per_foot), "{per_foot} pF/ft");
    let inductance = braid.series(&[1000.0]).expect("solvable")[0][1] * 0.3048 * 1e6;
    assert!((3.0..9.0).contains(&(0.2 / inductance)), "{inductance} uH/ft");
}

#[test]
fn strands_that_do_not_fit_are_refused() {
    let braid = Braid {
        wire: wire(1e-3),
        strands: 16,
        circle_diameter_m: 6e-3,
        lay_length_m: Some(60e-3),
        strand_diameter_m: 1.5e-3,
        polarity: BraidPolarity::ByDirection,
        permittivity: 1.0,
    };
    assert!(braid.check().expect_err("too many").to_string().contains("do not fit"));
    let six = Braid { strands: 6, circle_diameter_m: 20e-3, polarity: BraidPolarity::Mixed, ..braid };
    assert!(six.check().expect_err("three each way").to_string().contains("multiple of 4"));
}

#[test]
fn a_coated_pair_has_the_capacitance_of_its_fields() {
    for row in reference()["coated"].as_array().expect("rows") {
        let row = numbers(row);
        let pair = ParallelPair { wire: wire(2.0 * row[0]), spacing_m: row[3], permittivity: 1.0 };
        let coating = Insulation { permittivity: row[2], loss_tangent: 0.1 };
        let found = insulation::of_pair(&pair, row[1] - row[0], coating).expect("solvable");
        close(found.permittivity * pair.capacitance(), row[4], 1e-5, "capacitance of a coated pair");
        assert!(found.loss_tangent > 0.0 && found.loss_tangent < 0.1, "{}", found.loss_tangent);
    }
}

#[test]
fn insulation_has_its_limits() {
    let pair = ParallelPair { wire: wire(1e-3), spacing_m: 3e-3, permittivity: 1.0 };
    let of = |thickness, permittivity| {
        insulation::of_pair(&pair, thickness, Insulation { permittivity, loss_tangent: 0.05 })
    };
    close(of(0.0, 5.0).expect("none").permittivity, 1.0, 1e-9, "no insulation");
    close(of(0.8e-3, 1.0).expect("air").permittivity, 1.0, 1e-9, "insulation of air");
    // A coating that conducts is a thicker wire.
    let thick = ParallelPair { wire: wire(2e-3), ..pair.clone() };
    let found = of(0.5e-3, 1e7).expect("nearly metal").permittivity * pair.capacitance();
    close(found, thick.capacitance(), 1e-5, "a coating of metal");
    // Coatings that touch are allowed; such that overlap are not.
    let touching = of(1e-3, 5.0).expect("touching").permittivity;
    assert!(touching > of(0.9e-3, 5.0).expect("apart").permittivity && touching < 5.0);
    assert!(of(1.01e-3, 5.0).expect_err("overlapping").to_string().contains("overlap"));
}

fn strips(row: &Value) -> FlatPair {
    let number = |key: &str| row[key].as_f64().expect("a number");
    FlatPair {
        width_m: number("width_m"),
        thickness_m: number("thickness_m"),
        spacing_m: number("spacing_m"),
        arrangement: if row["stacked"] == true { Arrangement::Stacked } else { Arrangement::SideBySide },
        resistivity_ohm_m: 1.7241e-8,
        permittivity: 1.0,
    }
}

#[test]
fn strips_agree_with_small_squares_and_with_boundary_elements() {
    for row in reference()["strips"].as_array().expect("rows") {
        let flat = strips(row);
        close(
            flat.capacitance().expect("solvable"),
            row["capacitance"].as_f64().expect("a number"),
            0.005,
            "capacitance",
        );
        for values in row["frequency_r_l"].as_array().expect("rows") {
            let [frequency, resistance, inductance] = numbers(values)[..] else { panic!("three numbers") };
            let found = flat.series(&[frequency]).expect("solvable")[0];
            // Even squares are coarse where the skin depth is a few of them, at 100 kHz.
            let tolerance = if frequency > 50e3 { 0.03 } else { 0.01 };
            println!("{frequency} {} {}", found[0] / resistance - 1.0, found[1] / inductance - 1.0);
            close(found[0], resistance, tolerance, "resistance");
            close(found[1], inductance, 0.01, "inductance");
        }
    }
}

/// Conformal mapping of strips without thickness: `C = eps K(k')/K(k)`, `k = s/(s + 2w)` (from memory; recomputed with
/// mpmath). Real strips are thicker, so a little above.
#[test]
fn thin_strips_in_one_plane_follow_conformal_mapping() {
    for row in reference()["coplanar"].as_array().expect("rows") {
        let [width, gap, expected] = numbers(row)[..] else { panic!("three numbers") };
        let of = |thickness_m: f64| {
            FlatPair {
                width_m: width,
                thickness_m,
                spacing_m: width + gap,
                arrangement: Arrangement::SideBySide,
                resistivity_ohm_m: 1.7241e-8,
                permittivity: 1.0,
            }
            .capacitance()
            .expect("solvable")
        };
        let (thick, thin) = (of(gap / 50.0), of(gap / 200.0));
        assert!(thick > thin && thin > expected, "{thick} {thin} {expected}");
        close(thin, expected, 0.01, "coplanar strips");
    }
}

/// A wide pair of plates: `L = mu0 d/w` and `C = eps w/d` but for its edges.
#[test]
fn wide_plates_are_a_plate_capacitor() {
    let flat = FlatPair {
        width_m: 0.1,
        thickness_m: 0.2e-3,
        spacing_m: 0.4e-3,
        arrangement: Arrangement::Stacked,
        resistivity_ohm_m: 1.7241e-8,
        permittivity: 2.0,
    };
    let gap = 0.2e-3;
    close(flat.capacitance().expect("solvable"), 2.0 * EPSILON0 * 0.1 / gap, 0.03, "plates");
    // Even current in the thickness adds a third of each plate to the gap.
    let low = flat.series(&[20.0]).expect("solvable")[0];
    close(low[1], MU0 * (gap + 2.0 * 0.2e-3 / 3.0) / 0.1, 0.03, "inductance of plates");
    close(low[0], 2.0 * 1.7241e-8 / (0.1 * 0.2e-3), 1e-3, "resistance of plates");
}

/// Loss of strands in each other's field at low frequencies, `n w^2 a^4 mu0^2/(32 pi b^2 rho)` for n strands of radius a in a
/// bunch of radius b (Sullivan 1999, IEEE Trans. Power Electronics 14:283; from memory, derived again), and of one strand by
/// itself, x^4/192 of its resistance.
#[test]
fn insulated_strands_lose_what_they_lose_in_each_others_field() {
    let count = 50;
    let metal = (f64::from(count) * 0.2e-3_f64.powi(2)).sqrt();
    let bare = Wire::stranded(metal, 0.6, Material::COPPER, 20.0);
    let litz = bare.insulated(count as usize);
    close(litz.dc_resistance(), bare.dc_resistance(), 1e-12, "resistance at 0 Hz");
    let omega = std::f64::consts::TAU * 2000.0;
    let (a, b, rho): (f64, f64, f64) = (0.1e-3, bare.radius_m, 1.7241e-8);
    let loss = f64::from(count) * omega.powi(2) * a.powi(4) * MU0.powi(2)
        / (32.0 * std::f64::consts::PI * b * b * rho);
    let x = a * (omega * MU0 / rho).sqrt();
    let own = litz.dc_resistance() * x.powi(4) / 192.0;
    let found = litz.internal_impedance(2000.0);
    close(found.re - litz.dc_resistance(), loss + own, 0.01, "loss of strands");
    close(found.im, omega * MU0 / (8.0 * std::f64::consts::PI), 1e-4, "inductance of an even current");
    // Where a bare bunch crowds its current to the rim, this one does not.
    let (bare, litz) = (bare.internal_impedance(20e3).re, litz.internal_impedance(20e3).re);
    assert!(litz < 0.95 * bare, "{litz} {bare}");
}

#[test]
fn a_data_sheet_is_met_where_it_was_measured_and_has_skin_effect_elsewhere() {
    let wire = Wire::solid(1.6277e-3, Material::COPPER, 20.0);
    let inductance = parse("0.2 uH/ft", Dimension::InductancePerLength).expect("a quantity");
    let capacitance = parse("24 pF/ft", Dimension::CapacitancePerLength).expect("a quantity");
    let sheet = DataSheet { wire, inductance, inductance_at_hz: 1000.0, capacitance, loss_tangent: 0.0 };
    sheet.check().expect("a cable");
    let found = LineParameters::DataSheet(sheet.clone()).per_metre(&[0.0, 1000.0, 20e3]).expect("solvable");
    close(found[1].inductance, inductance, 1e-12, "inductance as printed");
    close(found[2].capacitance, capacitance, 1e-12, "capacitance as printed");
    // ASTM B258 and IEC 60028, through printed wire tables: 14 AWG has 2.525 ohm per 1000 ft.
    close(found[0].resistance, 2.0 * 2.525 / 304.8, 1e-3, "resistance of the gauge");
    close(found[2].resistance, 2.0 * wire.internal_impedance(20e3).re, 1e-12, "skin effect");
    assert!(found[2].inductance < found[1].inductance && found[0].inductance >= found[1].inductance);
    let wrong = DataSheet { inductance: inductance / 1000.0, ..sheet };
    assert!(wrong.check().expect_err("too little").to_string().contains("is the unit right"));
}
