//! First-order propagation against seeded draws of all values at once, and against differences worked out by hand.
//!
//! Sources: JCGM 100:2008 (first order: 5.1; rectangular limits: 4.3.7), JCGM 101:2008 (drawing at random). From memory,
//! the documents were not open.

use std::fmt::Write;

use earwitness::circuit::cable::Cable;
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::limit::{Limit, Quantity};
use earwitness::circuit::line::{Line, LineParameters};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::tolerance::Toleranced;
use earwitness::circuit::uncertain::Uncertain;
use earwitness::circuit::{Amplifier, Chain, Loudspeaker};
use earwitness::hearing::difference::{Difference, Summary};
use earwitness::hearing::uncertainty::{COVERAGE_FACTOR, Uncertainty};
use earwitness::session::Session;
use num_complex::Complex64;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::lumped;

fn limit(quantity: Quantity, half_width: f64) -> Limit {
    Limit::new(quantity, half_width)
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
        known(lumped(0.2, 0.0, 0.0), 0.0, &[limit(Quantity::Resistance, 0.03)]),
        Loudspeaker::resistor(8.0),
    );
    let a = Chain { amplifier: Amplifier::lumped(0.0, 0.0), ..a };
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
        amplifier: Amplifier::lumped(0.0, 0.0),
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
    let a = chain(lumped(0.2, 0.0, 0.0), load.clone());
    let b = chain(lumped(0.1, 0.0, 0.0), load);
    let found = unknown(&a, &b, &[1000.0]);
    let size = Difference::between(&a, &b, &[1000.0]).expect("solvable").gain_db[0].abs();
    let share = found.gain_db[0] / size;
    let expected = COVERAGE_FACTOR * 0.1 / 3.0_f64.sqrt();
    assert!((share / expected - 1.0).abs() < 0.03, "{share} {expected}");
}

/// Everything at once, drawn 20,000 times with a fixed seed.
#[test]
fn first_order_agrees_with_drawing_all_values_at_random() {
    let mut load = Loudspeaker::of(earwitness::circuit::loudspeaker::Load::Driver(
        earwitness::circuit::loudspeaker::Driver {
            dc_resistance_ohm: 3.4,
            voice_coil: earwitness::circuit::loudspeaker::VoiceCoil::Inductance(0.3e-3),
            resonance_hz: 58.0,
            q_mechanical: 3.8,
            q_electrical: 0.52,
        },
    ));
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
        known(lumped(0.03, 2e-6, 1e-9), 0.0, &[limit(Quantity::Resistance, 0.1)]),
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
    let (a, b) = (chain(lumped(0.2, 0.0, 0.0), load.clone()), chain(Cable::Direct, load));
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
        Chain { amplifier: Amplifier::lumped(0.0, 0.0), ..chain(cable, Loudspeaker::resistor(ohm)) }
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

/// A session in a folder of its own with these files beside it.
fn session_with(
    cables: &str,
    load: &str,
    files: &[(&str, String)],
) -> (tempfile::TempDir, Result<Session, String>) {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).expect("a file");
    }
    let text = format!(
        "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n{load}\n{cables}\n[cables.none]\nconstruction = \"direct\"\n\
         [clips.p]\nsynth = \"plucked-strings\"\nlength = \"10 s\"\n[[comparisons]]\nname = \"c\"\na = \"x\"\nb = \"none\"\n\
         clips = [\"p\"]\n"
    );
    let read = earwitness::session::parse(&folder.path().join("session.toml"), &text);
    (folder, read.map_err(|error| error.to_string()))
}

const SIMPLE: &str = "[amplifier]\noutput_resistance = \"20 mohm\"\n[loudspeaker]\nresistance = \"8 ohm\"";

fn unknown_of(session: &Session, frequencies: &[f64]) -> Uncertainty {
    unknown(&session.chain(0), &session.chain(1), frequencies)
}

/// A captured response whose bench says how it scatters: 0.02 dB at 100 Hz, 0.004 dB at 10 kHz; 1.96 times that is stated.
#[test]
fn standard_deviations_of_a_response_are_its_uncertainty() {
    let rows: Vec<String> = (0..40)
        .map(|step| {
            let frequency = 20.0 * 1000_f64.powf(f64::from(step) / 39.0);
            let deviation = 0.02 * (frequency / 100.0).powf(-0.349_485);
            format!("{frequency},-0.3,-0.1,{deviation},{}\n", 10.0 * deviation)
        })
        .collect();
    let files = [(
        "captured.csv",
        format!("frequency_hz,gain_db,phase_deg,gain_std_db,phase_std_deg\n{}", rows.concat()),
    )];
    let (_folder, session) = session_with("[cables.x]\nresponse = \"captured.csv\"", SIMPLE, &files);
    let found = unknown_of(&session.expect("readable"), &[100.0, 10_000.0]);
    for (found, deviation) in found.gain_db.iter().zip([0.02, 0.004]) {
        assert!((found / (COVERAGE_FACTOR * deviation) - 1.0).abs() < 0.01, "{found} of {deviation}");
    }
    for (found, deviation) in found.phase_deg.iter().zip([0.2, 0.04]) {
        assert!((found / (COVERAGE_FACTOR * deviation) - 1.0).abs() < 0.01, "{found} of {deviation}");
    }
    // What scatters from frequency to frequency has no mean worth matching.
    assert!(found.level_db < 1e-12 && found.contributions[0].quantity == Quantity::GainScatter);
    let negative = files[0].1.replace("-0.3,-0.1,0.0", "-0.3,-0.1,-0.0");
    let (_folder, session) =
        session_with("[cables.x]\nresponse = \"captured.csv\"", SIMPLE, &[("captured.csv", negative)]);
    let error = session.expect_err("a deviation below 0");
    assert!(error.contains("gain_std_db"), "{error}");
}

/// Noise of 0.01 dB and 0.066 degrees that a fit leaves out is stated as 1.96 times that.
#[test]
fn noise_that_was_smoothed_away_is_uncertainty() {
    let mut random = StdRng::seed_from_u64(16);
    let mut noise = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
    let rows: Vec<String> = (0..300)
        .map(|step| {
            let frequency = 20.0 * 1000_f64.powf(f64::from(step) / 299.0);
            format!("{frequency},{},{}\n", -0.3 + 0.01 * noise(), 0.066 * noise())
        })
        .collect();
    let files = [("captured.csv", format!("frequency_hz,gain_db,phase_deg\n{}", rows.concat()))];
    let (_folder, session) = session_with("[cables.x]\nresponse = \"captured.csv\"", SIMPLE, &files);
    let found = unknown_of(&session.expect("readable"), &[1000.0]).gain_db[0];
    assert!((found / (COVERAGE_FACTOR * 0.01) - 1.0).abs() < 0.1, "{found}");
    // A load that scatters by 3 % makes 0.22 dB unknown by about 3 %/sqrt 2, in and across its angle; a smooth one by nothing.
    for (scatter, least, most) in [(0.0, 0.0, 0.0), (0.03, 0.005, 0.02)] {
        let rows: Vec<String> = (0..200)
            .map(|step| {
                let frequency = 20.0 * 1000_f64.powf(f64::from(step) / 199.0);
                let angle = (20.0 + 57.3 * scatter * noise() / 2.0_f64.sqrt()).clamp(-80.0, 80.0);
                format!("{frequency},{},{angle}\n", 8.0 * (1.0 + scatter * noise() / 2.0_f64.sqrt()))
            })
            .collect();
        let files = [("load.csv", format!("frequency_hz,magnitude_ohm,phase_deg\n{}", rows.concat()))];
        let load =
            "[amplifier]\noutput_resistance = \"20 mohm\"\n[loudspeaker]\nimpedance_table = \"load.csv\"";
        let cable = "[cables.x]\nconstruction = \"lumped\"\nresistance = \"0.2 ohm\"";
        let (_folder, session) = session_with(cable, load, &files);
        let session = session.expect("readable");
        let (a, b) = (session.chain(0), session.chain(1));
        let found = earwitness::hearing::uncertainty::unknown_at(&a, &b, &[1000.0]).expect("solvable");
        let found = found.map_or(0.0, |values| values[0]);
        assert!(found >= least && found <= most, "{scatter}: {found}");
    }
}

/// An amplifier's table of 0.5 ohm that scatters by 5 %: half its power lies along the resistance, so the difference is
/// unknown as by a resistance with a standard deviation of 5 %/sqrt 2; across, a resistance changes nothing.
#[test]
fn noise_of_an_amplifiers_table_is_uncertainty() {
    let mut random = StdRng::seed_from_u64(5);
    let mut noise = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
    for scatter in [0.0, 0.05] {
        let part = scatter / 2.0_f64.sqrt();
        let rows: Vec<String> = (0..300)
            .map(|step| {
                let frequency = 20.0 * 1000_f64.powf(f64::from(step) / 299.0);
                format!("{frequency},{},{}\n", 0.5 * (1.0 + part * noise()), 0.5 * part * noise())
            })
            .collect();
        let files = [("amp.csv", format!("frequency_hz,resistance_ohm,reactance_ohm\n{}", rows.concat()))];
        let load = "[amplifier]\nimpedance_table = \"amp.csv\"\n[loudspeaker]\nresistance = \"8 ohm\"";
        let cable = "[cables.x]\nconstruction = \"lumped\"\nresistance = \"0.2 ohm\"";
        let (_folder, session) = session_with(cable, load, &files);
        let session = session.expect("readable");
        let (a, b) = (session.chain(0), session.chain(1));
        let found = earwitness::hearing::uncertainty::unknown_at(&a, &b, &[1000.0]).expect("solvable");
        let found = found.map_or(0.0, |values| values[0]);
        let expected = COVERAGE_FACTOR * 8.685_889_638 * 0.2 * 0.5 * part / (8.5 * 8.7);
        assert!((found - expected).abs() <= 0.1 * expected, "{scatter}: {found} {expected}");
        if scatter > 0.0 {
            let known = unknown_of(&session, &[1000.0]);
            assert_eq!(known.contributions[0].quantity, Quantity::OutputScatter);
        }
    }
}

/// 20 mohm within 20 % before 8 ohm and 0.2 ohm of cable: d = 20 log10(1 + Rc/(Ra + 8)), so u = 8.686 Rc Ra 0.2/sqrt(3)
/// / ((Ra + 8)(Ra + 8 + Rc)); by hand. A meter's accuracy over frequency counts as it is there.
#[test]
fn amplifier_and_meter_over_frequency() {
    let load = "[amplifier]\noutput_resistance = \"0.5 ohm\"\nimpedance_tolerance = \"20 %\"\n[loudspeaker]\nresistance = \"8 ohm\"";
    let cable = "[cables.x]\nconstruction = \"lumped\"\nresistance = \"0.2 ohm\"";
    let (_folder, session) = session_with(cable, load, &[]);
    let found = unknown_of(&session.expect("readable"), &[1000.0]).gain_db[0];
    let expected = COVERAGE_FACTOR * 8.685_889_638 * 0.2 * 0.5 * 0.2 / 3.0_f64.sqrt() / (8.5 * 8.7);
    assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");

    let meter = "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f\n100,0.2,1e-9,1e-12\n\
                 1000,0.2,1e-9,1e-12\n10000,0.2,1e-9,1e-12\n";
    let accuracy = "frequency_hz,resistance_percent\n100,5\n10000,0.5\n";
    let cable =
        "[cables.x]\nlcr_table = \"lcr.csv\"\nsample_length = \"3 m\"\nlcr_accuracy = \"accuracy.csv\"";
    let files = [("lcr.csv", meter.to_owned()), ("accuracy.csv", accuracy.to_owned())];
    let (_folder, session) = session_with(cable, SIMPLE, &files);
    let found = unknown_of(&session.expect("readable"), &[100.0, 10_000.0]).gain_db;
    let expected = COVERAGE_FACTOR * 8.685_889_638 * 0.2 * 0.05 / 3.0_f64.sqrt() / 8.22;
    assert!(
        (found[0] / expected - 1.0).abs() < 1e-3 && (found[0] / found[1] - 10.0).abs() < 0.05,
        "{found:?}"
    );
    for (accuracy, word) in [
        ("frequency_hz,resistance_percent\n100,95\n10000,0.5\n", "at most 90 %"),
        ("frequency_hz,resistance_ohm\n100,95\n", "resistance_percent"),
    ] {
        let files = [("lcr.csv", meter.to_owned()), ("accuracy.csv", accuracy.to_owned())];
        let (_folder, session) = session_with(cable, SIMPLE, &files);
        let error = session.expect_err("refused");
        assert!(error.contains(word) && error.contains("lcr_accuracy"), "{error}");
    }
}

/// A cable as a network analyser writes it, with noise: no kinks at its points, and what was smoothed away is unknown.
#[test]
fn a_noisy_two_port_is_smooth_and_says_how_sure_it_is() {
    let mut random = StdRng::seed_from_u64(3);
    let mut noise = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
    let table = |scatter: f64, noise: &mut dyn FnMut() -> f64| {
        let mut text = "# Hz S RI R 50\n".to_owned();
        for step in 0..120 {
            let frequency = 20.0 * 5000_f64.powf(f64::from(step) / 119.0);
            let omega = std::f64::consts::TAU * frequency;
            let series = Complex64::new(0.12, omega * 2e-6)
                * Complex64::new(1.0 + scatter * noise(), scatter * noise());
            let shunt = Complex64::new(0.0, omega * 300e-12);
            // A series impedance with half the shunt at each end, in 50 ohm (Pozar, Microwave Engineering, Table 4.2).
            let (a, b, c) =
                (1.0 + series * shunt / 2.0, series / 50.0, 50.0 * shunt * (1.0 + series * shunt / 4.0));
            let sum = a + b + c + a;
            let (s11, s21) = ((b - c) / sum, 2.0 / sum);
            let _ = writeln!(
                text,
                "{frequency:e} {:e} {:e} {:e} {:e} {:e} {:e} {:e} {:e}",
                s11.re, s11.im, s21.re, s21.im, s21.re, s21.im, s11.re, s11.im
            );
        }
        text
    };
    for (scatter, longest) in [(0.0, 2_000), (0.01, 16_384)] {
        let files = [("cable.s2p", table(scatter, &mut noise))];
        let (_folder, session) = session_with("[cables.x]\ntouchstone = \"cable.s2p\"", SIMPLE, &files);
        let session = session.expect("readable");
        let chain = session.chain(0);
        let response = |f: &[f64]| chain.transfer(f).map_err(|error| error.to_string());
        let fir = earwitness::filter::design(&response, 48_000).expect("a filter");
        assert!(fir.taps.len() <= longest, "{scatter}: {} taps", fir.taps.len());
        for frequency in [20.0, 1000.0, 20_000.0] {
            let omega = std::f64::consts::TAU * frequency;
            let exact = 8.0 / Complex64::new(8.14, omega * 2e-6);
            let error = 20.0 * (response(&[frequency]).expect("finite")[0] / exact).norm().log10();
            assert!(error.abs() < 5e-5 + 0.1 * scatter, "{scatter} at {frequency} Hz: {error} dB");
        }
        let (a, b) = (session.chain(0), session.chain(1));
        let unknown = earwitness::hearing::uncertainty::unknown_at(&a, &b, &[1000.0]).expect("solvable");
        let unknown = unknown.map_or(0.0, |values| values[0]);
        let expected = COVERAGE_FACTOR * 8.685_889_638 * 0.12 / 8.14 * scatter;
        assert!((unknown - expected).abs() <= 0.2 * expected, "{scatter}: {unknown} {expected}");
    }
}
