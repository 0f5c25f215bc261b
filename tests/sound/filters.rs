//! Filters against the responses that they are made from, by the defining sum at every frequency.

use std::path::Path;

use earwitness::circuit::Chain;
use earwitness::filter::{FilterError, Fir, PASS_BAND_FRACTION, design};
use num_complex::Complex64;

use super::{DRIVER, pair, session};

const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// Chains with much skin effect, a loudspeaker's resonance, a meter's table, a measured response.
fn chains(folder: &Path) -> Vec<(String, Chain)> {
    std::fs::write(
        folder.join("meter.csv"),
        "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f\n\
         20,0.061,2.1e-6,4.0e-10\n1000,0.062,2.0e-6,3.9e-10\n10000,0.07,1.9e-6,3.8e-10\n100000,0.13,1.8e-6,3.8e-10\n",
    )
    .expect("a table");
    std::fs::write(
        folder.join("captured.csv"),
        "frequency_hz,gain_db,phase_deg\n10,-0.10,0.0\n100,-0.12,-0.1\n1000,-0.15,-0.4\n5000,-0.3,-2\n\
         20000,-0.9,-7\n96000,-4,-20\n",
    )
    .expect("a table");
    let text = format!(
        "
[amplifier]
output_resistance = \"40 mohm\"
output_inductance = \"2 uH\"
{DRIVER}{}{}
[cables.metered]
lcr_table = \"meter.csv\"
sample_length = \"3 m\"
length = \"9 m\"
[cables.captured]
response = \"captured.csv\"
[clips.pluck]
synth = \"plucked-strings\"
[[comparisons]]
name = \"all\"
a = \"bell\"
b = \"heavy\"
clips = [\"pluck\"]
[[comparisons]]
name = \"measured\"
a = \"metered\"
b = \"captured\"
clips = [\"pluck\"]
",
        pair("bell", 15.0, 0.4, 3.0, 4.0) + "loss_tangent = 0.05\n",
        pair("heavy", 8.0, 6.0, 7.0, 2.3) + "loss_tangent = 0.001\n",
    );
    let session = session(folder, &text);
    (0..session.cables.len())
        .map(|cable| (session.cables[cable].name.as_written().to_owned(), session.chain(cable)))
        .collect()
}
/// The filter's own response at a frequency in Hz: the sum itself, by Horner's scheme.
fn response_at(fir: &Fir, frequency_hz: f64) -> Complex64 {
    let turn = -std::f64::consts::TAU * frequency_hz / f64::from(fir.rate_hz);
    let (across, along) = turn.sin_cos();
    let (re, im) = fir
        .taps
        .iter()
        .rev()
        .fold((0.0, 0.0), |(re, im), tap| (re * along - im * across + tap, re * across + im * along));
    Complex64::new(re, im) * Complex64::cis(turn * fir.start as f64)
}

#[test]
fn magnitude_and_phase_are_those_of_the_response_at_every_rate() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, chain) in chains(folder.path()) {
        for rate in RATES {
            let response = |f: &[f64]| chain.transfer(f).map_err(|error| error.to_string());
            let fir = design(&response, rate).expect("a filter");
            let highest = 20_000_f64.min(PASS_BAND_FRACTION * f64::from(rate));
            // 61 frequencies that are no bins of any transform.
            let frequencies: Vec<f64> =
                (0..=60).map(|i| 10.0 * (highest / 10.0).powf(f64::from(i) / 60.0)).collect();
            let exact = chain.transfer(&frequencies).expect("a response");
            for (f, h) in frequencies.iter().zip(exact) {
                let ratio = response_at(&fir, *f) / h;
                let (decibels, degrees) = (20.0 * ratio.norm().log10(), ratio.arg().to_degrees());
                assert!(decibels.abs() < 0.001, "{name} at {rate} Hz, {f:.1} Hz: {decibels} dB");
                assert!(degrees.abs() < 0.01, "{name} at {rate} Hz, {f:.1} Hz: {degrees} degree");
            }
            assert!(fir.accuracy.max_abs_db < 0.001 && fir.accuracy.max_abs_degrees < 0.01);
            assert_eq!(fir.delay, 0);
        }
    }
}

#[test]
fn above_the_band_the_filter_is_bounded_by_the_response() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, chain) in chains(folder.path()) {
        for rate in [44_100, 48_000, 96_000] {
            let response = |f: &[f64]| chain.transfer(f).map_err(|error| error.to_string());
            let fir = design(&response, rate).expect("a filter");
            let edge = PASS_BAND_FRACTION * f64::from(rate);
            let half = f64::from(rate) / 2.0;
            let frequencies: Vec<f64> =
                (0..=40).map(|i| edge + (half - edge) * f64::from(i) / 40.0).collect();
            let exact = chain.transfer(&frequencies).expect("a response");
            let largest = exact.iter().map(|h| h.norm()).fold(0.0, f64::max);
            for f in frequencies {
                assert!(response_at(&fir, f).norm() < largest * 1.0001, "{name} at {rate} Hz, {f} Hz");
            }
        }
    }
}

#[test]
fn length_follows_the_response_and_not_a_constant() {
    let one_pole = |corner: f64| {
        move |f: &[f64]| Ok(f.iter().map(|f| 1.0 / Complex64::new(1.0, f / corner)).collect::<Vec<_>>())
    };
    let short = design(&one_pole(30_000.0), 48_000).expect("a filter").taps.len();
    let long = design(&one_pole(30.0), 48_000).expect("a filter").taps.len();
    // exp(-2 pi 30 t) falls to 1e-6 in 73 ms, 3500 samples.
    assert!(short < 1_200, "{short}");
    assert!((2_800..6_000).contains(&long), "{long}");
}

#[test]
fn a_resistive_chain_is_one_tap() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(
        folder.path(),
        "
[amplifier]
output_resistance = \"0.5 ohm\"
[loudspeaker]
resistance = \"7.5 ohm\"
[cables.none]
construction = \"direct\"
[cables.also]
construction = \"direct\"
[clips.pluck]
synth = \"plucked-strings\"
[[comparisons]]
name = \"nothing\"
a = \"none\"
b = \"also\"
clips = [\"pluck\"]
",
    );
    let chain = session.chain(0);
    let fir =
        design(&|f: &[f64]| chain.transfer(f).map_err(|error| error.to_string()), 48_000).expect("a filter");
    assert!(fir.is_gain());
    // Voltage divider: 7.5 / (7.5 + 0.5).
    assert!((fir.taps[0] - 0.9375).abs() < 1e-15, "{}", fir.taps[0]);
}

#[test]
fn a_whole_delay_is_found_and_kept_out_of_the_taps() {
    let rate = 48_000;
    let delayed = |f: &[f64]| {
        Ok(f.iter()
            .map(|f| Complex64::from_polar(0.9, -std::f64::consts::TAU * f * 100.25 / 48_000.0))
            .collect::<Vec<_>>())
    };
    let fir = design(&delayed, rate).expect("a filter");
    assert_eq!(fir.delay, 100);
    for f in [50.0, 1_000.0, 19_000.0] {
        let exact = delayed(&[f]).expect("a value")[0];
        assert!((response_at(&fir, f) / exact - 1.0).norm() < 1e-5, "{f}");
    }
}

#[test]
fn what_cannot_be_a_filter_is_refused() {
    let constant = |value: f64| move |f: &[f64]| Ok(vec![Complex64::new(value, 0.0); f.len()]);
    assert!(matches!(design(&constant(11.0), 48_000), Err(FilterError::TooMuchGain { .. })));
    assert!(matches!(design(&constant(f64::NAN), 48_000), Err(FilterError::NotFinite { .. })));
    assert!(matches!(design(&constant(1.0), 0), Err(FilterError::Rate { rate_hz: 0 })));
    // A resonance of Q 100000 at 30 Hz rings for minutes.
    let endless = |f: &[f64]| {
        Ok(f.iter()
            .map(|f| {
                let x = Complex64::new(0.0, f / 30.0);
                1.0 + (x / 1e5) / (1.0 + x / 1e5 + x * x)
            })
            .collect::<Vec<_>>())
    };
    let error = design(&endless, 48_000).expect_err("it rings too long");
    assert!(
        matches!(error, FilterError::TooLong { .. }) && error.to_string().contains("narrow resonance"),
        "{error}"
    );
    let told = design(&|_: &[f64]| Err("the table ends at 20 Hz".to_owned()), 48_000).expect_err("no answer");
    assert_eq!(told.to_string(), "the table ends at 20 Hz");
}

#[test]
fn a_held_end_of_an_impedance_table_does_not_ring_for_ever() {
    // Held down to 0 Hz, a phase other than 0 is a step there: no filter that is real can follow it, and one that tried
    // would ring for ever. From 10 Hz on the filter is the response all the same. The tables are invented.
    for table in [
        "frequency_hz,magnitude_ohm,phase_deg\n20,8,30\n100,6,-40\n1000,6,-10\n20000,9,45\n",
        "frequency_hz,magnitude_ohm,phase_deg\n12,9.1,41\n35,31,2\n90,7.5,-38\n400,5.1,-4\n3000,11,33\n20000,6,-20\n",
        "frequency_hz,magnitude_ohm,phase_deg\n200,4,-60\n2000,4,60\n",
    ] {
        let loudspeaker =
            earwitness::circuit::table::ImpedanceTable::parse(table, "held.csv").expect("a table");
        let chain = earwitness::circuit::Chain {
            amplifier: earwitness::circuit::Amplifier::lumped(0.05, 1e-6),
            cable: crate::circuit::lumped(0.4, 5e-6, 1e-9),
            loudspeaker: earwitness::circuit::Loudspeaker::of(earwitness::circuit::loudspeaker::Load::Table(
                loudspeaker,
            )),
        };
        let response = |frequencies: &[f64]| chain.transfer(frequencies).map_err(|error| error.to_string());
        let fir = earwitness::filter::design(&response, 48_000).expect("a filter");
        assert!(fir.taps.len() < 24 * 48_000, "{} taps", fir.taps.len());
        for frequency in [10.0, 10.7, 13.0, 20.0, 21.0, 55.0, 200.0, 1000.0, 7000.0, 20_000.0] {
            let ratio = response_at(&fir, frequency) / response(&[frequency]).expect("finite")[0];
            let (decibels, degrees) = (20.0 * ratio.norm().log10(), ratio.arg().to_degrees());
            assert!(
                decibels.abs() < 0.001 && degrees.abs() < 0.01,
                "{frequency} Hz: {decibels} dB, {degrees} degree"
            );
        }
    }
}

#[test]
fn filters_of_the_shipped_sessions_are_as_long_as_their_physics() {
    // A loudspeaker behind a small resistance has forgotten after a tenth of a second. What would ring on is a kink, and a
    // table that is interpolated has one at each of its points.
    let sessions = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions");
    for name in ["bet-at-home", "club-night", "reviewer-panel"] {
        let session = earwitness::session::load(&sessions.join(name)).expect("a session");
        for (cable, named) in session.cables.iter().enumerate() {
            let chain = session.chain(cable);
            let response = |f: &[f64]| chain.transfer(f).map_err(|error| error.to_string());
            let fir = design(&response, 48_000).expect("a filter");
            println!("{name}, {}: {} taps, {:?}", named.name.as_written(), fir.taps.len(), fir.accuracy);
            assert!(fir.taps.len() <= 16_384, "{name}, {}: {} taps", named.name.as_written(), fir.taps.len());
            for step in 0..=40 {
                let f = 20.0 * 1000_f64.powf(f64::from(step) / 40.0);
                let error = 20.0 * (response_at(&fir, f) / response(&[f]).expect("finite")[0]).norm().log10();
                assert!(error.abs() < 0.0005, "{name}, {} at {f:.0} Hz: {error} dB", named.name.as_written());
            }
        }
    }
}

#[test]
fn what_passes_below_ten_hertz_does_not_make_a_filter_long() {
    // The electrostatic loudspeaker is a transformer whose primary is a short at 0 Hz: with 0.15 ohm before it, the
    // memory of that is a second, and no sound. The three-way's woofer does ring, with a time constant of 65 ms: no filter
    // of 16,384 taps is within 0.0005 dB of it at its resonance (half of what is cut off there remains whatever the taps
    // are: Nehari 1957, Ann. Math. 65:153; from memory). From 10 Hz on every filter is the response.
    for (name, longest) in [("two-way-benign", 8_192), ("electrostatic", 16_384), ("three-way-nasty", 20_000)]
    {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("sessions/loads/{name}.csv"));
        let text = std::fs::read_to_string(path).expect("the load");
        let table = earwitness::circuit::table::ImpedanceTable::parse(&text, name).expect("a table");
        let chain = Chain {
            amplifier: earwitness::circuit::Amplifier::lumped(0.05, 1e-6),
            cable: crate::circuit::lumped(0.1, 2e-6, 1e-9),
            loudspeaker: earwitness::circuit::Loudspeaker::of(earwitness::circuit::loudspeaker::Load::Table(
                table,
            )),
        };
        let response = |f: &[f64]| chain.transfer(f).map_err(|error| error.to_string());
        let fir = design(&response, 48_000).expect("a filter");
        println!("{name}: {} taps, {:?}", fir.taps.len(), fir.accuracy);
        assert!(fir.taps.len() <= longest, "{name}: {} taps", fir.taps.len());
        for f in [10.0, 11.0, 13.0, 15.0, 20.0, 24.0, 25.0, 26.0, 27.0, 28.0, 30.0, 100.0, 3e3, 2e4] {
            let ratio = response_at(&fir, f) / response(&[f]).expect("finite")[0];
            let (decibels, degrees) = (20.0 * ratio.norm().log10(), ratio.arg().to_degrees());
            assert!(
                decibels.abs() < 0.0005 && degrees.abs() < 0.005,
                "{name} at {f} Hz: {decibels} dB, {degrees}"
            );
        }
        // Below, where nothing is asked of it, it adds nothing either.
        for step in 0..40 {
            let f = f64::from(step) / 4.0;
            assert!(response_at(&fir, f).norm() < 1.01, "{name} at {f} Hz");
        }
    }
}
