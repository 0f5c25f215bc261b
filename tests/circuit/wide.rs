//! Against more values of mpmath, numpy and scikit-rf: `tests/reference/circuit/wide.py` and its output beside it, where
//! the versions stand.

use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::{CrossSection, RoundConductor};
use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::touchstone::{self, PortData};
use earwitness::circuit::twoport::Abcd;
use earwitness::circuit::{Amplifier, Cable};
use num_complex::Complex64;
use serde_json::Value;

use super::{close, near};

fn wide() -> Value {
    serde_json::from_str(include_str!("../reference/circuit/wide.json")).expect("the reference is JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn complex(value: &Value) -> Complex64 {
    let parts = numbers(value);
    Complex64::new(parts[0], parts[1])
}

fn sections() -> Vec<(String, CrossSection, Value)> {
    wide()["sections"]
        .as_array()
        .expect("cases")
        .iter()
        .map(|case| {
            let conductors = case["conductors"]
                .as_array()
                .expect("conductors")
                .iter()
                .map(|row| {
                    let row = numbers(row);
                    let metal = Material { resistivity_ohm_m: row[3], temperature_coefficient: 0.0 };
                    let wire = Wire::solid(2.0 * row[2], metal, 20.0);
                    RoundConductor { wire, x_m: row[0], y_m: row[1], positive: row[4] > 0.0 }
                })
                .collect();
            let section = CrossSection { conductors, permittivity: 1.0, transposed: false };
            (case["name"].as_str().expect("a name").to_owned(), section, case.clone())
        })
        .collect()
}

/// Source: collocation with cosines and sines on the conductors' surfaces; two orders of it agree to 3e-6 or better,
/// mostly to 1e-8.
#[test]
fn unequal_conductors_of_many_metals_agree_with_collocation() {
    let mut compared = 0;
    for (name, mut section, case) in sections() {
        for value in case["values"].as_array().expect("values") {
            section.transposed = value["transposed"].as_bool().expect("a flag");
            let frequency = number(&value["frequency_hz"]);
            let [resistance, inductance] = section.series(&[frequency]).expect("solvable")[0];
            let name = format!("{name}, transposed {}, {frequency} Hz", section.transposed);
            close(resistance, number(&value["resistance_ohm_m"]), 5e-6, &name);
            close(inductance, number(&value["inductance_h_m"]), 5e-6, &name);
            compared += 1;
        }
    }
    assert!(compared > 90, "{compared} values were compared");
}

/// Source: Laplace's equation by collocation; `L C = mu eps` is how the room computes the same.
#[test]
fn capacitances_agree_with_the_equation_of_the_potential() {
    for (name, section, case) in sections() {
        close(section.capacitance().expect("solvable"), number(&case["capacitance_f_m"]), 2e-6, &name);
    }
}

/// Source: mpmath with 30 digits, `cosh` and `sinh` of the propagation; no length to 10 km, 0 Hz to 300 kHz.
#[test]
fn lossy_lines_of_every_length_agree_with_mpmath() {
    let amplifier = Amplifier::lumped(0.04, 1e-6);
    for row in wide()["lines"].as_array().expect("rows") {
        let row = numbers(row);
        let per_metre =
            PerMetre { resistance: row[0], inductance: row[1], conductance: row[2], capacitance: row[3] };
        let (length_m, frequency) = (row[4], row[5]);
        let parameters = LineParameters::Constant { per_metre, loss_tangent: 0.0 };
        let (_, chain) = Line { length_m, parameters }.solve(&[frequency]).expect("solvable")[0];
        let load = Complex64::new(1.0 / 8.0, std::f64::consts::TAU * frequency * 100e-9);
        let name = format!("{row:?}");
        let found = chain.voltage_ratio(amplifier.impedance(frequency), load);
        near(found, Complex64::new(row[6], row[7]), 1e-9, &name);
        near(
            (chain.a + chain.b * load) / (chain.c + chain.d * load),
            Complex64::new(row[8], row[9]),
            1e-9,
            &name,
        );
    }
}

/// Source: Touchstone File Format Specification 2.0; version 1 files of S parameters were read back by scikit-rf.
#[test]
fn touchstone_files_of_every_kind_format_unit_and_version_are_the_same_network() {
    let data = &wide()["touchstone"];
    let frequencies = numbers(&data["frequency_hz"]);
    let files = data["files"].as_array().expect("files");
    assert!(files.len() > 200, "{} files", files.len());
    for file in files {
        let text = file["text"].as_str().expect("a text");
        let ports = number(&file["ports"]) as usize;
        let read = touchstone::parse(text, "file", ports).unwrap_or_else(|error| panic!("{error}\n{text}"));
        assert_eq!(read.reference_ohm, number(&file["reference"]), "{text}");
        for (index, frequency) in frequencies.iter().enumerate() {
            close(read.frequencies_hz[index], *frequency, 1e-12, text);
            match &read.data {
                PortData::OnePort(found) => near(found[index], complex(&data["load_ohm"][index]), 1e-9, text),
                PortData::TwoPort(found) => {
                    let chain = Abcd::from_scattering(found[index], read.reference_ohm);
                    let row = &data["abcd"][index];
                    for (found, expected) in [chain.a, chain.b, chain.c, chain.d].iter().zip(0..) {
                        // An open line's C rests on the difference of numbers near one.
                        near(*found, complex(&row[expected as usize]), 1e-6, text);
                    }
                }
            }
        }
    }
}

/// The same line as a cable of a session: a table from scattering parameters gives back its own points.
#[test]
fn a_two_port_table_of_any_kind_is_the_same_cable() {
    use earwitness::circuit::cable::{Solved, TwoPortTable};
    let data = &wide()["touchstone"];
    for file in data["files"].as_array().expect("files").iter().filter(|file| number(&file["ports"]) == 2.0) {
        let read = touchstone::parse(file["text"].as_str().expect("a text"), "file", 2).expect("readable");
        let PortData::TwoPort(scattering) = &read.data else { panic!("two ports") };
        let table = TwoPortTable::new(&read.frequencies_hz, scattering, read.reference_ohm);
        let Solved::TwoPort(solved) = Cable::TwoPort(table).solve(&[1e3]).expect("solvable") else {
            panic!("a two-port")
        };
        // 0.2 ohm and 4 uH in series, read with the far end shorted.
        close(solved[0].0.resistance, 0.2, 1e-4, "resistance");
        close(solved[0].0.inductance, 4e-6, 1e-4, "inductance");
    }
}
