//! Lines, loads and amplifiers connected; measured tables and their complaints.

use earwitness::circuit::cable::BiWiredVoltage;
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::loudspeaker::{Driver, VoiceCoil};
use earwitness::circuit::network::{Network, Place, Terminals, Way};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::table::{ImpedanceTable, LcrTable, ResponseTable};
use earwitness::circuit::twoport::Abcd;
use earwitness::circuit::{Amplifier, Cable, Chain, Loudspeaker};
use num_complex::Complex64;
use proptest::prelude::*;

use super::{branch, lumped, near};

fn line(per_metre: PerMetre, length_m: f64) -> Cable {
    Cable::Line(Line { length_m, parameters: LineParameters::Constant { per_metre, loss_tangent: 0.0 } })
}

const METRE: PerMetre =
    PerMetre { resistance: 0.03, inductance: 0.6e-6, capacitance: 60e-12, conductance: 1e-9 };

fn chain(cable: Cable) -> Chain {
    Chain { amplifier: Amplifier::lumped(0.04, 1e-6), cable, loudspeaker: Loudspeaker::resistor(8.0) }
}

fn transfer(cable: Cable, frequency: f64) -> Complex64 {
    chain(cable).transfer(&[frequency]).expect("solvable")[0]
}

/// Source: IEC 60268-3 (page not open): damping factor 200 at 8 ohm is 40 mohm; with a 100 mohm loop it is 57.1.
#[test]
fn damping_factor_of_amplifier_and_cable() {
    let of = |cable| {
        let mut chain = chain(cable);
        chain.amplifier = Amplifier::lumped(0.04, 0.0);
        chain.parameters(&[100.0]).expect("solvable").damping_factor.expect("known")[0]
    };
    assert!((of(Cable::Direct) - 200.0).abs() < 1e-9);
    assert!((of(lumped(0.1, 0.0, 0.0)) - 8.0 / 0.14).abs() < 1e-9);
}

/// Source: Thiele 1971, Small 1972; numbers recomputed for Re 6.2, fs 40, Qms 6.15, Qes .42, Le .34 mH.
#[test]
fn a_moving_coil_driver_has_its_printed_impedance() {
    let mut driver = Driver {
        dc_resistance_ohm: 6.2,
        voice_coil: VoiceCoil::Inductance(0.34e-3),
        resonance_hz: 40.0,
        q_mechanical: 6.15,
        q_electrical: 0.42,
    };
    for (frequency, ohm, degrees) in [
        (20.0, 12.1685, 53.405),
        (100.0, 9.5566, -45.14),
        (1e3, 6.3933, 13.98),
        (1e4, 22.1876, 73.77),
        (2e4, 43.1439, 81.74),
    ] {
        let value = driver.impedance(frequency);
        assert!((value.norm() - ohm).abs() < 6e-5 * ohm, "{frequency} Hz: {}", value.norm());
        assert!(
            (value.arg().to_degrees() - degrees).abs() < 6e-3,
            "{frequency} Hz: {}",
            value.arg().to_degrees()
        );
    }
    driver.voice_coil = VoiceCoil::Inductance(0.0);
    let top = driver.impedance(40.0).norm();
    assert!((top - 6.2 * (1.0 + 6.15 / 0.42)).abs() < 1e-9 && (top - 96.9857).abs() < 1e-4);
    let (low, high) = (29.15494, 54.87920);
    let expected = 6.2 * (top / 6.2).sqrt();
    for frequency in [low, high] {
        assert!((driver.impedance(frequency).norm() - expected).abs() < 1e-4 * expected);
    }
}

/// Source: Wright's form with the constants of a printed driver data sheet, recomputed; Leach 2002 in its two limits.
#[test]
fn lossy_voice_coils() {
    let coil = VoiceCoil::TwoPowers {
        resistance_coefficient: 0.0022,
        resistance_exponent: 0.75,
        reactance_coefficient: 0.0048,
        reactance_exponent: 0.76,
    };
    for (frequency, re, im) in [(1e3, 7.7326, 3.6971), (1e4, 14.9109, 21.2744), (2e4, 20.8635, 36.0280)] {
        near(6.18 + coil.impedance(frequency), Complex64::new(re, im), 4e-6, "printed");
    }
    let leach = |exponent| VoiceCoil::Lossy { coefficient: 0.3e-3, exponent }.impedance(1e3);
    near(leach(1.0), VoiceCoil::Inductance(0.3e-3).impedance(1e3), 1e-12, "an inductance");
    near(leach(0.0), Complex64::new(0.3e-3, 0.0), 1e-12, "a resistance");
}

#[test]
fn no_length_is_no_cable_and_two_halves_are_a_whole() {
    for frequency in [0.0, 20.0, 1e3, 2e4, 1e6] {
        near(transfer(line(METRE, 0.0), frequency), transfer(Cable::Direct, frequency), 1e-14, "no length");
        let halves = Cable::Series(vec![line(METRE, 250.0), line(METRE, 250.0)]);
        near(transfer(halves, frequency), transfer(line(METRE, 500.0), frequency), 1e-11, "two halves");
        let doubled = PerMetre {
            resistance: METRE.resistance / 2.0,
            inductance: METRE.inductance / 2.0,
            capacitance: METRE.capacitance * 2.0,
            conductance: METRE.conductance * 2.0,
        };
        let both = Cable::Parallel(vec![line(METRE, 40.0), line(METRE, 40.0)]);
        near(transfer(both, frequency), transfer(line(doubled, 40.0), frequency), 1e-12, "two side by side");
    }
}

/// A lossless line of half a wavelength turns the sign, of a whole wavelength nothing (Pozar, 2.3).
#[test]
fn lines_of_half_and_whole_wavelengths() {
    let lossless = PerMetre { resistance: 0.0, conductance: 0.0, ..METRE };
    let speed = 1.0 / (METRE.inductance * METRE.capacitance).sqrt();
    let length = 300.0;
    let direct = |f| transfer(Cable::Direct, f);
    let half = speed / (2.0 * length);
    near(transfer(line(lossless, length), half), -direct(half), 1e-9, "half");
    near(transfer(line(lossless, length), 2.0 * half), direct(2.0 * half), 1e-9, "whole");
}

#[test]
fn at_rest_every_chain_is_real_and_finite() {
    let wire = Wire::solid(1e-3, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 3e-3, permittivity: 3.5 };
    let cable =
        Cable::Line(Line { length_m: 6.0, parameters: LineParameters::Pair { pair, loss_tangent: 0.02 } });
    let table = "frequency_hz,magnitude_ohm,phase_deg\n20,7,30\n20000,9,-40\n";
    let mut measured = chain(cable.clone());
    measured.loudspeaker.load = earwitness::circuit::loudspeaker::Load::Table(
        ImpedanceTable::parse(table, "load").expect("readable"),
    );
    for chain in [chain(cable), measured, chain(line(METRE, 3000.0))] {
        let value = chain.transfer(&[0.0]).expect("solvable")[0];
        assert!(value.im == 0.0 && value.re > 0.0 && value.re <= 1.0, "{value}");
        assert!(chain.transfer(&[-1.0]).is_err() && chain.transfer(&[f64::NAN]).is_err());
    }
}

/// Two ways with resistors for drivers: 0.5 ohm + 0.6 mH then 12 uF with 6 ohm across 6 ohm; 6.8 uF then 0.3 mH across 5 ohm.
fn crossover() -> Network {
    let way = |name: &str, terminals, branches| Way { name: name.to_owned(), terminals, branches };
    Network {
        ways: vec![
            way(
                "low",
                Terminals::Low,
                vec![
                    (Place::Series, branch(Some(0.5), Some(0.6e-3), None)),
                    (Place::Shunt, branch(Some(6.0), None, Some(12e-6))),
                    (Place::Shunt, branch(Some(6.0), None, None)),
                ],
            ),
            way(
                "high",
                Terminals::High,
                vec![
                    (Place::Series, branch(None, None, Some(6.8e-6))),
                    (Place::Shunt, branch(None, Some(0.3e-3), None)),
                    (Place::Shunt, branch(Some(5.0), None, None)),
                ],
            ),
        ],
    }
}

fn with_network(cable: Cable) -> Chain {
    let mut chain = chain(cable);
    chain.loudspeaker.load = earwitness::circuit::loudspeaker::Load::Network(crossover());
    chain
}

#[test]
fn a_crossover_at_rest_is_its_way_for_direct_current() {
    let value = crossover().immittance(0.0).to_impedance();
    near(value, Complex64::new(6.5, 0.0), 1e-12, "at rest");
    let drive = crossover().ways[0].drive(0.0);
    near(drive, Complex64::new(6.0 / 6.5, 0.0), 1e-12, "drive");
}

#[test]
fn bi_wiring_with_no_cable_changes_nothing_and_needs_two_pairs() {
    let bi = |low, high| Cable::BiWired {
        low: Box::new(low),
        high: Box::new(high),
        heard: BiWiredVoltage::PowerMean,
    };
    for frequency in [20.0, 1e3, 2e4] {
        let one = with_network(Cable::Direct).transfer(&[frequency]).expect("solvable")[0];
        let two = with_network(bi(Cable::Direct, Cable::Direct)).transfer(&[frequency]).expect("solvable")[0];
        near(two, one, 1e-12, "no cable");
    }
    let refused =
        chain(bi(Cable::Direct, Cable::Direct)).transfer(&[1e3]).expect_err("one pair of terminals");
    assert!(refused.to_string().contains("terminals"), "{refused}");
}

proptest! {
    /// A passive cable is reciprocal and gives out no more power than it takes in.
    #[test]
    fn lines_are_reciprocal_and_passive(
        resistance in 1e-4..10.0_f64, inductance in 1e-8..1e-5_f64, capacitance in 1e-12..1e-9_f64,
        conductance in 0.0..1e-6_f64, length in 0.0..2000.0_f64, exponent in 0.0..6.0_f64,
        load_re in 0.01..50.0_f64, load_im in -50.0..50.0_f64,
    ) {
        let metre = PerMetre { resistance, inductance, capacitance, conductance };
        let chain = metre.chain(length, 10_f64.powf(exponent));
        let size = chain.a.norm_sqr().max(1.0);
        prop_assert!((chain.determinant() - 1.0).norm() < 1e-9 * size);
        let load = Complex64::new(load_re, load_im).inv();
        let (voltage, current) = (chain.a + chain.b * load, chain.c + chain.d * load);
        let (into, out) = ((voltage * current.conj()).re, load.re);
        prop_assert!(into >= out * (1.0 - 1e-9) - 1e-12 * size, "{} < {}", into, out);
    }

    /// Every set of parameters of a two-port leads back to it (Pozar, Table 4.2).
    #[test]
    fn parameter_sets_convert_there_and_back(r in 0.1..100.0_f64, x in -50.0..50.0_f64, g in 1e-3..1.0_f64, b in -1.0..1.0_f64) {
        let chain = Abcd::series(Complex64::new(r, x)).then(Abcd::shunt(Complex64::new(g, b))).then(Abcd::series(Complex64::new(x.abs() + 0.1, r)));
        for other in [
            Abcd::from_scattering(chain.to_scattering(50.0), 50.0),
            Abcd::from_impedance([chain.a / chain.c, chain.determinant() / chain.c, chain.c.inv(), chain.d / chain.c]),
            Abcd::from_admittance([chain.d / chain.b, -chain.determinant() / chain.b, -chain.b.inv(), chain.a / chain.b]),
        ] {
            prop_assert!((other.a - chain.a).norm() < 1e-8 * chain.a.norm());
            prop_assert!((other.b - chain.b).norm() < 1e-8 * chain.b.norm());
            prop_assert!((other.c - chain.c).norm() < 1e-8 * chain.c.norm());
            prop_assert!((other.d - chain.d).norm() < 1e-8 * chain.d.norm());
        }
    }
}

#[test]
fn a_meters_heads_and_units_are_understood() {
    let plain = "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f,dissipation_factor\n\
                 100,0.041,2e-6,9e-11,0.01\n10000,0.043,1.9e-6,8.8e-11,0.02\n";
    let meter = "# an export\nFreq (kHz);Rs [mOhm];Ls (uH);CP (pF);D;Range\n0.1;41;2;90;0.01;auto\n10;43;1.9;88;0.02;auto\n";
    let plain = LcrTable::parse(plain, "plain.csv", 3.048).expect("readable");
    let meter = LcrTable::parse(meter, "meter.csv", 3.048).expect("readable");
    for frequency in [0.0, 50.0, 100.0, 1234.0, 10_000.0, 96_000.0] {
        let (a, b) = (plain.per_metre(frequency), meter.per_metre(frequency));
        for (a, b) in [
            (a.resistance, b.resistance),
            (a.inductance, b.inductance),
            (a.capacitance, b.capacitance),
            (a.conductance, b.conductance),
        ] {
            assert!((a - b).abs() <= 1e-12 * a.abs(), "{frequency} Hz: {a} {b}");
        }
    }
    assert!((plain.per_metre(100.0).resistance - 0.041 / 3.048).abs() < 1e-15);
}

#[test]
fn complaints_about_tables_name_file_and_line() {
    let heads = "frequency_hz,gain_db,phase_deg\n";
    for (rows, line, word) in [
        ("20,0,0\n100,zero,0\n", 3, "\"zero\" is not a number"),
        ("20,0,0\n20,0,0\n", 2, "more than once"),
        ("-20,0,0\n100,0,0\n", 2, "larger than 0 Hz"),
        ("20,NaN,0\n100,0,0\n", 3, "without a reading"),
        ("20,inf,0\n100,0,0\n", 3, "without a reading"),
        ("20,1e999,0\n100,0,0\n", 2, "is no reading"),
        ("20,0,0\n", 2, "at least two"),
        ("20,0\n100,0,0\n", 2, "cells"),
    ] {
        let error = ResponseTable::parse(&format!("{heads}{rows}"), "bad.csv").expect_err(rows).to_string();
        assert!(error.starts_with(&format!("bad.csv:{line}: ")) && error.contains(word), "{error}");
    }
    let error =
        ResponseTable::parse("frequency_hz,phase_deg\n1,2\n2,3\n", "x.csv").expect_err("no gain").to_string();
    assert!(error.contains("x.csv:1") && error.contains("gain_db"), "{error}");
    assert!(ResponseTable::parse("", "empty.csv").expect_err("empty").to_string().contains("empty"));
}

/// A bi-wired loudspeaker has two voltages: each alone, what they add up to in phase, and their mean by power.
#[test]
fn each_voltage_of_a_bi_wired_loudspeaker_can_be_heard() {
    let bi = |heard| Cable::BiWired {
        low: Box::new(lumped(0.4, 6e-6, 0.0)),
        high: Box::new(lumped(0.1, 1e-6, 0.0)),
        heard,
    };
    let network = crossover();
    for frequency in [30.0, 2e3, 15e3] {
        let of = |heard| {
            let chain = Chain { amplifier: Amplifier::lumped(0.0, 0.0), ..with_network(bi(heard)) };
            chain.transfer(&[frequency]).expect("solvable")[0]
        };
        // Without a source impedance each cable is a divider with its own way.
        let omega = std::f64::consts::TAU * frequency;
        let divided = |pair, ohm: f64, henry: f64| {
            let load = network.immittance_at(pair, frequency).to_impedance();
            load / (load + Complex64::new(ohm, omega * henry))
        };
        let low = divided(Terminals::Low, 0.4, 6e-6);
        let high = divided(Terminals::High, 0.1, 1e-6);
        near(of(BiWiredVoltage::Low), low, 1e-12, "low terminals");
        near(of(BiWiredVoltage::High), high, 1e-12, "high terminals");
        let drives = [network.ways[0].drive(frequency), network.ways[1].drive(frequency)];
        let sum = (drives[0] * low + drives[1] * high) / (drives[0] + drives[1]);
        near(of(BiWiredVoltage::InPhaseSum), sum, 1e-12, "sum in phase");
        let share = drives[1].norm_sqr() / (drives[0].norm_sqr() + drives[1].norm_sqr());
        near(of(BiWiredVoltage::PowerMean), low * (1.0 - share) + high * share, 1e-12, "mean by power");
    }
}

/// A Zobel network across 8 ohm, by hand: 10 ohm and 100 nF at 100 kHz.
#[test]
fn a_zobel_network_lies_across_the_load() {
    let mut loudspeaker = Loudspeaker::resistor(8.0);
    loudspeaker.zobel =
        Some(earwitness::circuit::loudspeaker::Zobel { resistance_ohm: 10.0, capacitance_f: 100e-9 });
    let branch = Complex64::new(10.0, -1.0 / (std::f64::consts::TAU * 1e5 * 100e-9));
    let expected = 8.0 * branch / (8.0 + branch);
    near(loudspeaker.immittance(1e5).to_impedance(), expected, 1e-12, "at 100 kHz");
    near(loudspeaker.immittance(0.0).to_impedance(), Complex64::new(8.0, 0.0), 1e-12, "at rest");
}
