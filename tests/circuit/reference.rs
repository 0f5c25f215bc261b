//! Against values of mpmath, scipy and scikit-rf: `tests/reference/circuit/reference.py` and its output beside it, where
//! the versions stand.

use earwitness::circuit::cable::{Cable, TwoPortTable};
use earwitness::circuit::coaxial::{Coaxial, Shield};
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::crosssection::{CrossSection, RoundConductor};
use earwitness::circuit::interpolation::OverFrequency;
use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::loudspeaker::{Driver, Load, VoiceCoil};
use earwitness::circuit::touchstone::{self, PortData, Touchstone, Version};
use earwitness::circuit::twoport::Abcd;
use earwitness::circuit::{Amplifier, Chain, Loudspeaker, MU0};
use num_complex::Complex64;
use serde_json::Value;

use super::{close, near};

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/circuit/reference.json")).expect("the reference is JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|item| item.as_f64().expect("a number")).collect()
}

fn complex(value: &Value) -> Complex64 {
    let parts = numbers(value);
    Complex64::new(parts[0], parts[1])
}

/// Source: mpmath besseli with 30 digits.
#[test]
fn internal_impedance_is_that_of_bessel_functions() {
    let mut wire = Wire::solid(2e-3, Material::COPPER, 20.0);
    for row in reference()["bessel"].as_array().expect("rows") {
        let row = numbers(row);
        // x = a sqrt(w mu0/rho) at 1 kHz, by choice of the resistivity.
        let omega = std::f64::consts::TAU * 1000.0;
        wire.resistivity_ohm_m = omega * MU0 * (wire.radius_m / row[0]).powi(2);
        let ratio = wire.internal_impedance(1000.0) / wire.dc_resistance();
        close(ratio.re, row[1], 1e-12, &format!("R/R0 at x = {}", row[0]));
        close(ratio.im, row[2], 1e-12, &format!("X/R0 at x = {}", row[0]));
    }
}

/// Source: Schelkunoff 1934, BSTJ 13:532, surface impedance of a tube, by mpmath with 30 digits.
#[test]
fn a_tube_has_schelkunoffs_impedance() {
    for row in reference()["tube"].as_array().expect("rows") {
        let row = numbers(row);
        let inner = Wire::solid(0.9e-3, Material::COPPER, 20.0);
        let line = Coaxial {
            inner,
            shield_inner_diameter_m: 2.0 * row[0],
            shield: Shield::Tube { thickness_m: row[1], resistivity_ohm_m: row[2] },
            permittivity: 2.25,
        };
        let [resistance, inductance] = line.series(&[row[3]]).expect("solvable")[0];
        let omega = std::f64::consts::TAU * row[3];
        let wire = inner.internal_impedance(row[3]);
        close(resistance - wire.re, row[4], 1e-9, &format!("resistance, {row:?}"));
        let shield = (inductance - line.external_inductance()) * omega - wire.im;
        assert!((shield - row[5]).abs() < 1e-9 * (row[5].abs() + omega * inductance), "reactance, {row:?}");
    }
}

/// Source: collocation with cosines and sines on the conductors' surfaces, numpy and mpmath; two orders of it agree
/// to 1e-6 or better.
#[test]
fn cross_sections_agree_with_collocation() {
    for case in reference()["sections"].as_array().expect("cases") {
        let conductors = case["conductors"]
            .as_array()
            .expect("conductors")
            .iter()
            .map(|row| {
                let row = numbers(row);
                let mut wire = Wire::solid(2.0 * row[2], Material::COPPER, 20.0);
                wire.resistivity_ohm_m = row[3];
                RoundConductor { wire, x_m: row[0], y_m: row[1], positive: row[4] > 0.0 }
            })
            .collect();
        let transposed = case["transposed"].as_bool().expect("a flag");
        let section = CrossSection { conductors, permittivity: 1.0, transposed };
        let frequency = case["frequency_hz"].as_f64().expect("a frequency");
        let [resistance, inductance] = section.series(&[frequency]).expect("solvable")[0];
        let name = format!("{} transposed {transposed} at {frequency} Hz", case["name"]);
        close(resistance, case["resistance_ohm_m"].as_f64().expect("R"), 3e-6, &name);
        close(inductance, case["inductance_h_m"].as_f64().expect("L"), 3e-6, &name);
    }
}

/// Source: scipy PchipInterpolator over the logarithm of frequency.
#[test]
fn tables_are_interpolated_as_scipy_does() {
    let data = &reference()["interpolation"];
    let frequencies = numbers(&data["frequency_hz"]);
    let wanted = numbers(&data["wanted_hz"]);
    for curve in data["curves"].as_array().expect("curves") {
        let found = OverFrequency::new(&frequencies, numbers(&curve["values"]));
        for (frequency, expected) in wanted.iter().zip(numbers(&curve["expected"])) {
            close(found.at(*frequency), expected, 1e-12, &format!("{frequency} Hz"));
        }
        assert_eq!(found.at(0.0), found.at(100.0), "held below");
        assert_eq!(found.at(1e9), found.at(1e5), "held above");
    }
}

fn two_lines() -> Cable {
    let line = |resistance, inductance, capacitance, conductance, length_m| {
        let per_metre = PerMetre { resistance, inductance, capacitance, conductance };
        Cable::Line(Line { length_m, parameters: LineParameters::Constant { per_metre, loss_tangent: 0.0 } })
    };
    Cable::Series(vec![line(0.03, 0.6e-6, 60e-12, 1e-9, 6.0), line(0.01, 0.3e-6, 150e-12, 0.0, 120.0)])
}

fn load() -> Loudspeaker {
    // A resonance far below everything leaves resistance and inductance.
    Loudspeaker::of(Load::Driver(Driver {
        dc_resistance_ohm: 6.2,
        voice_coil: VoiceCoil::Inductance(0.3e-3),
        resonance_hz: 1e-9,
        q_mechanical: 1.0,
        q_electrical: 1.0,
    }))
}

/// Source: scikit-rf, DistributedCircuit lines in cascade between a source and a load.
#[test]
fn lines_in_cascade_agree_with_scikit_rf() {
    let data = &reference()["networks"];
    let frequencies = numbers(&data["frequency_hz"]);
    let chain = Chain { amplifier: Amplifier::lumped(0.05, 1e-6), cable: two_lines(), loudspeaker: load() };
    let found = chain.transfer(&frequencies).expect("solvable");
    for (index, expected) in data["transfer"].as_array().expect("values").iter().enumerate() {
        near(found[index], complex(expected), 1e-9, &format!("{} Hz", frequencies[index]));
    }
}

/// Source: scikit-rf's Touchstone writer, every format, and Z and Y parameters normalised as version 1 has them.
#[test]
fn touchstone_files_of_scikit_rf_are_read() {
    let data = &reference()["networks"];
    for (name, text) in data["touchstone"].as_object().expect("texts") {
        let read = touchstone::parse(text.as_str().expect("a text"), name, 2).expect("readable");
        let PortData::TwoPort(found) = read.data else { panic!("{name} has two ports") };
        for (row, expected) in found.iter().zip(data["s"].as_array().expect("rows")) {
            for (value, expected) in row.iter().zip(expected.as_array().expect("four")) {
                assert!((value - complex(expected)).norm() < 1e-6, "{name}: {value} is not {expected}");
            }
        }
    }
}

#[test]
fn touchstone_files_survive_a_round_trip_in_both_versions() {
    let data = &reference()["networks"];
    let frequencies_hz = numbers(&data["frequency_hz"]);
    let scattering: Vec<[Complex64; 4]> = data["s"]
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| std::array::from_fn(|index| complex(&row[index])))
        .collect();
    for version in [Version::One, Version::Two] {
        for data in
            [PortData::TwoPort(scattering.clone()), PortData::OnePort(vec![Complex64::new(6.0, 2.5); 6])]
        {
            let ports = if matches!(data, PortData::OnePort(_)) { 1 } else { 2 };
            let file = Touchstone { frequencies_hz: frequencies_hz.clone(), reference_ohm: 50.0, data };
            let read = touchstone::parse(&touchstone::write(&file, version), "x", ports).expect("readable");
            assert_eq!(read.frequencies_hz, file.frequencies_hz);
            match (read.data, file.data) {
                (PortData::TwoPort(read), PortData::TwoPort(written)) => assert_eq!(read, written),
                (PortData::OnePort(read), PortData::OnePort(written)) => {
                    read.iter().zip(&written).for_each(|(a, b)| near(*a, *b, 1e-13, "impedance"));
                }
                _ => panic!("the number of ports changed"),
            }
        }
    }
}

#[test]
fn a_measured_two_port_is_the_cable_it_was_measured_on() {
    let data = &reference()["networks"];
    let frequencies = numbers(&data["frequency_hz"]);
    let scattering: Vec<[Complex64; 4]> = data["abcd"]
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| Abcd {
            a: complex(&row[0]),
            b: complex(&row[1]),
            c: complex(&row[2]),
            d: complex(&row[3]),
        })
        .map(|chain| chain.to_scattering(50.0))
        .collect();
    let measured = Cable::TwoPort(TwoPortTable::new(&frequencies, &scattering, 50.0));
    let of = |cable| Chain { amplifier: Amplifier::lumped(0.05, 1e-6), cable, loudspeaker: load() };
    let (found, expected) = (
        of(measured).transfer(&frequencies).expect("solvable"),
        of(two_lines()).transfer(&frequencies).expect("solvable"),
    );
    for (found, expected) in found.iter().zip(expected) {
        near(*found, expected, 1e-9, "transfer");
    }
}

/// Source: Touchstone File Format Specification, examples 9 and 7: the same impedances in version 1 and 2.
#[test]
fn impedances_are_normalised_in_version_1_only() {
    let first = "! 1-port Z-parameter file\n# MHz Z MA R 75\n100 0.99 -4\n200 0.80 -22\n300 0.707 -45\n";
    let second = "[Version] 2.0\n# MHz Z MA\n[Number of Ports] 1\n[Number of Frequencies] 3\n[Reference] 75\n\
                  [Network Data]\n100 74.25 -4\n200 60 -22\n300 53.025 -45\n[End]\n";
    for text in [first, second] {
        let read = touchstone::parse(text, "example", 1).expect("readable");
        let PortData::OnePort(found) = read.data else { panic!("one port") };
        for (value, (ohm, degrees)) in found.iter().zip([(74.25, -4.0_f64), (60.0, -22.0), (53.025, -45.0)]) {
            near(*value, Complex64::from_polar(ohm, degrees.to_radians()), 1e-12, "impedance");
        }
        assert_eq!(read.frequencies_hz, [100e6, 200e6, 300e6]);
        assert_eq!(read.reference_ohm, 75.0);
    }
}
