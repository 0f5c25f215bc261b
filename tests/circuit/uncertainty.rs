//! First-order propagation against seeded draws of all values at once, and against differences worked out by hand.
//!
//! Sources: JCGM 100:2008 (first order: 5.1; rectangular limits: 4.3.7), JCGM 101:2008 (drawing at random). From memory,
//! the documents were not open.

use earwitness::circuit::cable::Cable;
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::line::{Line, LineParameters};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::tolerance::{Limit, Quantity, Toleranced, Uncertain};
use earwitness::circuit::{Amplifier, Chain, Loudspeaker};
use earwitness::hearing::difference::{Difference, Summary};
use earwitness::hearing::uncertainty::{COVERAGE_FACTOR, Uncertainty};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

fn limit(quantity: Quantity, half_width: f64) -> Limit {
    Limit { quantity, half_width }
}

fn known(cable: Cable, contact_ohm: f64, limits: &[Limit]) -> Cable {
    Cable::Toleranced(Box::new(Toleranced::new(cable, contact_ohm, limits.to_vec())))
}

fn pair(diameter_m: f64, spacing_m: f64, length_m: f64) -> Cable {
    let wire = Wire::solid(diameter_m, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m, permittivity: 3.5 };
    Cable::Line(Line { length_m, parameters: LineParameters::Pair { pair, loss_tangent: 0.02 } })
}

fn chain(cable: Cable, loudspeaker: Loudspeaker) -> Chain {
    Chain { amplifier: Amplifier::lumped(0.03, 0.0), cable, loudspeaker }
}

fn unknown(a: &Chain, b: &Chain, frequencies: &[f64]) -> Uncertainty {
    let summary = Summary::between(a, b).expect("solvable");
    Uncertainty::between(a, b, &summary, frequencies).expect("solvable").expect("limits")
}

/// A loop resistance of 0.2 ohm within 3 % before 8 ohm: d = 20 log10(1 + R/8), so u = 8.686 R/(8 + R) 0.03/sqrt 3.
#[test]
fn one_resistance_is_as_by_hand() {
    let a = chain(
        known(Cable::lumped(0.2, 0.0, 0.0), 0.0, &[limit(Quantity::Resistance, 0.03)]),
        Loudspeaker::resistor(8.0),
    );
    let a = Chain { amplifier: Amplifier::ideal(), ..a };
    let b = Chain { cable: Cable::Direct, ..a.clone() };
    let found = unknown(&a, &b, &[1000.0]);
    let expected = COVERAGE_FACTOR * 8.685_889_638 * 0.2 / 8.2 * 0.03 / 3.0_f64.sqrt();
    assert!((found.gain_db[0] / expected - 1.0).abs() < 1e-5, "{} {expected}", found.gain_db[0]);
    assert!((found.max_abs_db / expected - 1.0).abs() < 1e-5);
    // A level match takes a pure level error away.
    assert!(found.shape_max_abs_db < 1e-9 && (found.level_db / expected - 1.0).abs() < 1e-5);
}

/// Contacts of 5 mohm each: .0054 dB into 8 ohm for one joint (recomputed: 20 log10(8.005/8) = .00543 dB); a cable has four.
#[test]
fn four_contacts_lie_in_the_loop() {
    let a = Chain {
        amplifier: Amplifier::ideal(),
        ..chain(known(Cable::Direct, 0.005, &[]), Loudspeaker::resistor(8.0))
    };
    let b = Chain { cable: Cable::Direct, ..a.clone() };
    let found = Difference::between(&a, &b, &[1000.0]).expect("solvable").gain_db[0];
    let expected = -20.0 * (8.02_f64 / 8.0).log10();
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    assert!((expected / -0.0054 - 4.0).abs() < 0.03);
    let loop_ohm = a.parameters(&[1000.0]).expect("solvable").dc_resistance_ohm.expect("known");
    assert!((loop_ohm - 0.02).abs() < 1e-12);
}

/// What both sides share moves both: the load's impedance changes the difference only in proportion.
#[test]
fn a_load_is_the_same_on_both_sides() {
    let mut load = Loudspeaker::resistor(8.0);
    load.impedance_tolerance = 0.1;
    let a = chain(Cable::lumped(0.2, 0.0, 0.0), load.clone());
    let b = chain(Cable::lumped(0.1, 0.0, 0.0), load);
    let found = unknown(&a, &b, &[1000.0]);
    let size = Difference::between(&a, &b, &[1000.0]).expect("solvable").gain_db[0].abs();
    let share = found.gain_db[0] / size;
    let expected = COVERAGE_FACTOR * 0.1 / 3.0_f64.sqrt();
    assert!((share / expected - 1.0).abs() < 0.03, "{share} {expected}");
}

/// Everything at once, drawn 20,000 times with a fixed seed.
#[test]
fn first_order_agrees_with_drawing_all_values_at_random() {
    let mut load = Loudspeaker::driver(earwitness::circuit::loudspeaker::Driver {
        dc_resistance_ohm: 3.4,
        voice_coil: earwitness::circuit::loudspeaker::VoiceCoil::Inductance(0.3e-3),
        resonance_hz: 58.0,
        q_mechanical: 3.8,
        q_electrical: 0.52,
    });
    load.impedance_tolerance = 0.05;
    load.zobel = Some(earwitness::circuit::loudspeaker::Zobel { resistance_ohm: 8.0, capacitance_f: 3e-6 });
    let a = known(
        pair(0.8e-3, 2.4e-3, 10.0),
        0.004,
        &[
            limit(Quantity::Resistance, 0.02),
            limit(Quantity::Inductance, 0.08),
            limit(Quantity::Capacitance, 0.15),
            limit(Quantity::Contacts, 0.5),
        ],
    );
    let b = Cable::Series(vec![
        known(
            pair(2e-3, 4.5e-3, 6.0),
            0.002,
            &[
                limit(Quantity::Length, 0.02),
                limit(Quantity::Contacts, 0.8),
                limit(Quantity::MeterInductance, 0.05),
            ],
        ),
        known(Cable::lumped(0.03, 2e-6, 1e-9), 0.0, &[limit(Quantity::Resistance, 0.1)]),
    ]);
    let (a, b) = (chain(a, load.clone()), chain(b, load));
    let frequencies = [20.0, 58.0, 1000.0, 20_000.0];
    let found = unknown(&a, &b, &frequencies);
    let uncertain = Uncertain::new(&a, &b, &frequencies).expect("solvable");
    assert_eq!(uncertain.inputs().len(), 9);
    let mut random = StdRng::seed_from_u64(20);
    let draws = 20_000;
    let mut all: Vec<Vec<f64>> = vec![Vec::with_capacity(draws); frequencies.len()];
    for _ in 0..draws {
        let by: Vec<f64> = uncertain.inputs().iter().map(|_| random.random_range(-1.0..=1.0)).collect();
        let [a, b] = uncertain.moved(&by);
        let drawn = Difference::between(&a, &b, &frequencies).expect("solvable");
        for (index, gain) in drawn.gain_db.iter().enumerate() {
            all[index].push(*gain);
        }
    }
    let nominal = Difference::between(&a, &b, &frequencies).expect("solvable");
    for (index, values) in all.iter().enumerate() {
        let mean = values.iter().sum::<f64>() / draws as f64;
        let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (draws - 1) as f64).sqrt();
        let stated = found.gain_db[index];
        let ratio = stated / COVERAGE_FACTOR / deviation;
        // 20,000 draws know a deviation within 0.5 %.
        assert!((ratio - 1.0).abs() < 0.02, "{} Hz: {ratio}", frequencies[index]);
        let within = values.iter().filter(|v| (*v - nominal.gain_db[index]).abs() <= stated).count();
        let share = within as f64 / draws as f64;
        assert!((0.94..=1.0).contains(&share), "{} Hz: {share} within the stated 95 %", frequencies[index]);
    }
}

/// Moving the length of a line is another line: exact, not to first order.
#[test]
fn a_moved_length_is_another_length() {
    let load = Loudspeaker::resistor(4.0);
    let a = chain(known(pair(1e-3, 3e-3, 10.0), 0.0, &[limit(Quantity::Length, 0.1)]), load.clone());
    let b = chain(Cable::Direct, load.clone());
    let frequencies = [0.0, 20.0, 20_000.0, 1e6];
    let uncertain = Uncertain::new(&a, &b, &frequencies).expect("solvable");
    let [moved, _] = uncertain.moved(&[1.0]);
    let found = moved.transfer(&frequencies).expect("solvable");
    let expected = chain(pair(1e-3, 3e-3, 11.0), load).transfer(&frequencies).expect("solvable");
    for (found, expected) in found.iter().zip(&expected) {
        assert!((found - expected).norm() < 1e-12 * expected.norm(), "{found} {expected}");
    }
}

/// Nothing stated is nothing known, and not nothing unknown.
#[test]
fn without_limits_nothing_is_said() {
    let load = Loudspeaker::resistor(8.0);
    let (a, b) = (chain(Cable::lumped(0.2, 0.0, 0.0), load.clone()), chain(Cable::Direct, load));
    let summary = Summary::between(&a, &b).expect("solvable");
    assert_eq!(Uncertainty::between(&a, &b, &summary, &[]).expect("solvable"), None);
}

/// 9 against 14 AWG over 10 ft: .0375 dB into 8 ohm, .0747 dB into 4 ohm at low frequencies (recomputed from the gauges of
/// ASTM B258). Common practice, no source: about 0.06 dB with contacts into a real load of 4 to 8 ohm.
#[test]
fn two_gauges_differ_by_hundredths_of_a_decibel() {
    let of = |gauge: f64, ohm: f64| {
        let diameter = earwitness::units::awg_diameter_m(gauge);
        let cable = known(pair(diameter, 1.6 * diameter, 3.048), 0.005, &[]);
        Chain { amplifier: Amplifier::ideal(), ..chain(cable, Loudspeaker::resistor(ohm)) }
    };
    for (ohm, expected) in [(8.0, 0.0375), (4.0, 0.0747)] {
        let found = Difference::between(&of(9.0, ohm), &of(14.0, ohm), &[20.0]).expect("solvable").gain_db[0];
        assert!((found / expected - 1.0).abs() < 0.02, "{found} {expected}");
    }
}

/// Common practice, no source: resistance decides first, then inductance, then capacitance.
#[test]
fn resistance_matters_before_inductance_before_capacitance() {
    let limits = [Quantity::Capacitance, Quantity::Inductance, Quantity::Resistance]
        .map(|quantity| limit(quantity, 0.1));
    let load = Loudspeaker::resistor(8.0);
    let a = chain(known(pair(1.63e-3, 3.5e-3, 3.0), 0.0, &limits), load.clone());
    let found = unknown(&a, &chain(Cable::Direct, load), &[]);
    let order: Vec<Quantity> = found.contributions.iter().map(|part| part.quantity).collect();
    assert_eq!(order, [Quantity::Resistance, Quantity::Inductance, Quantity::Capacitance]);
}
