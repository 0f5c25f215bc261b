//! Delay, polarity and noise of measured responses: found, removed or kept, and said.

use std::fmt::Write as _;

use earwitness::circuit::table::ResponseTable;
use earwitness::filter::design;
use earwitness::hearing::Summary;
use earwitness::session::{Session, parse};
use num_complex::Complex64;

use super::close;

/// 0.2 ohm and 2 uH into 8 ohm in series with 0.3 mH: an invented chain.
fn chain(frequency: f64) -> Complex64 {
    let omega = std::f64::consts::TAU * frequency;
    let load = Complex64::new(8.0, omega * 0.3e-3);
    load / (load + Complex64::new(0.2, omega * 2e-6))
}

/// Noise that is the same in every run, of unit deviation: the sum of twelve uniform numbers less their mean.
fn noise(seed: &mut u64) -> f64 {
    (0..12)
        .map(|_| {
            *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (*seed >> 11) as f64 / (1_u64 << 53) as f64
        })
        .sum::<f64>()
        - 6.0
}

/// A table of `count` points of the chain, late by `delay_s`, times `sign`, with noise in dB and degrees.
fn export(count: usize, delay_s: f64, sign: f64, decibels: f64, degrees: f64) -> String {
    let mut text = "frequency_hz,gain_db,phase_deg\n".to_owned();
    let mut seed = 7;
    for index in 0..count {
        let frequency = 20.0 * 1000_f64.powf(index as f64 / (count - 1) as f64);
        let value = sign * chain(frequency) * Complex64::cis(-std::f64::consts::TAU * frequency * delay_s);
        let gain = 20.0 * value.norm().log10() + decibels * noise(&mut seed);
        let phase = value.arg().to_degrees() + degrees * noise(&mut seed);
        let _ = writeln!(text, "{frequency:.6},{gain:.6},{phase:.5}");
    }
    text
}

#[test]
fn latency_is_found_through_many_turns_and_noise() {
    // 1 ms at 48 points a decade turns the phase by a whole turn from one point to the next; 5 ms by five.
    for (count, delay_s, decibels, degrees) in [
        (145, 1e-3, 0.0, 0.0),
        (145, 1e-3, 0.01, 0.1),
        (300, 5e-3, 0.01, 0.1),
        (300, 0.0, 0.01, 0.1),
        (300, 0.12, 0.002, 0.02),
        (1000, -2.5e-3, 0.01, 0.1),
    ] {
        let text = export(count, delay_s, 1.0, decibels, degrees);
        let table = ResponseTable::parse(&text, "captured.csv").expect("readable");
        let excess = table.excess();
        assert!((excess.delay_s - delay_s).abs() < 3e-7, "{delay_s}: {excess:?}");
        assert!(!excess.inverted && excess.largest_step_degrees < 120.0, "{delay_s}: {excess:?}");
        for frequency in [25.0, 300.0, 1000.0, 5000.0, 18_000.0] {
            let ratio = table.at(frequency) / chain(frequency);
            let (error_db, error_degrees) = (20.0 * ratio.norm().log10(), ratio.arg().to_degrees());
            assert!(error_db.abs() < 0.003 + 0.5 * decibels, "{delay_s}, {frequency} Hz: {error_db} dB");
            assert!(error_degrees.abs() < 2.0, "{delay_s}, {frequency} Hz: {error_degrees} degrees");
        }
        let fir =
            design(&|f: &[f64]| Ok(f.iter().map(|f| table.at(*f)).collect()), 48_000).expect("a filter");
        assert!(fir.taps.len() < 20_000, "{delay_s}: {} taps", fir.taps.len());
    }
}

#[test]
fn steps_that_may_hide_a_turn_are_told() {
    let rows = (0..30).map(|index| {
        let frequency = 20.0 * 1000_f64.powf(f64::from(index) / 29.0);
        format!("{frequency},0,{}\n", if index == 17 { 140.0 } else { 0.0 })
    });
    let text = format!("frequency_hz,gain_db,phase_deg\n{}", rows.collect::<String>());
    let excess = ResponseTable::parse(&text, "x.csv").expect("readable").excess();
    assert!(excess.largest_step_degrees > 120.0 && excess.step_at_hz > 900.0, "{excess:?}");
}

/// A session of two measured responses, with more keys for the second.
fn session(folder: &std::path::Path, keys: &str) -> Result<Session, String> {
    let text = format!(
        "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n[amplifier]\noutput_resistance = \"0 ohm\"\n[loudspeaker]\nresistance \
         = \"8 ohm\"\n[cables.one]\nresponse = \"one.csv\"\n[cables.two]\nresponse = \"two.csv\"\n{keys}\n[clips.p]\nsynth = \
         \"plucked-strings\"\nlength = \"1 s\"\n[[comparisons]]\nname = \"c\"\na = \"one\"\nb = \"two\"\nclips = [\"p\"]\n"
    );
    parse(&folder.join("session.toml"), &text).map_err(|error| error.to_string())
}

fn summary(session: &Session) -> Summary {
    Summary::between(&session.chain(0), &session.chain(1)).expect("solvable")
}

#[test]
fn a_delay_is_removed_unless_the_session_keeps_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: String| std::fs::write(folder.path().join(name), text).expect("written");
    write("one.csv", export(145, 0.0, 1.0, 0.0, 0.0));
    write("two.csv", export(145, 1e-3, 1.0, 0.0, 0.0));

    let removed = session(folder.path(), "").expect("readable");
    let found = summary(&removed);
    assert_eq!(found.delay_s, 0.0);
    assert!(found.signal_db < -60.0 && !found.reversed, "{found:?}");
    assert!(
        removed.notes.iter().any(|n| n.contains("two.csv")
            && n.contains("1.000 ms (give or take 0.1 µs)")
            && n.contains("removed")),
        "{:?}",
        removed.notes
    );

    let kept = session(folder.path(), "delay = \"kept\"").expect("readable");
    let found = summary(&kept);
    close(found.delay_s, -1e-3, 1e-3, "A is earlier");
    // A difference of two signals that are a millisecond apart is as loud as they are.
    assert!(found.signal_db > -6.0 && found.max_abs_db < 0.01, "{found:?}");
    assert!(found.signal_words().contains("1.000 ms earlier"), "{}", found.signal_words());
    assert!(kept.notes.iter().any(|n| n.contains("two.csv") && n.contains("kept")), "{:?}", kept.notes);
    let proof =
        earwitness::stimulus::transparency::prove(&kept, &earwitness::filter::NoProgress).expect("a proof");
    assert_eq!((proof.pairs[0].latency_difference, proof.pairs[0].expected_latency), (48, 48));
    let lines = proof.lines().join("\n");
    assert!(lines.contains("two keeps its delay of 1.000 ms"), "{lines}");
}

#[test]
fn a_reversed_side_is_refused_unless_the_session_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("one.csv"), export(145, 0.0, 1.0, 0.0, 0.0)).expect("written");
    // Reversed and late: neither hides the other.
    std::fs::write(folder.path().join("two.csv"), export(145, 2e-3, -1.0, 0.005, 0.05)).expect("written");

    let error = session(folder.path(), "").expect_err("reversed");
    assert!(
        error.contains("two.csv") && error.contains("polarity is reversed") && error.contains("corrected"),
        "{error}"
    );
    let corrected = session(folder.path(), "polarity = \"corrected\"").expect("readable");
    assert!(!summary(&corrected).reversed && summary(&corrected).signal_db < -40.0);
    let kept = session(folder.path(), "polarity = \"inverted\"").expect("readable");
    let found = summary(&kept);
    // A minus B of opposite sides is twice A.
    assert!(found.reversed && (found.signal_db - 6.02).abs() < 0.05, "{found:?}");
    assert!(found.signal_words().contains("REVERSED"));
    std::fs::write(folder.path().join("two.csv"), export(145, 0.0, 1.0, 0.0, 0.0)).expect("written");
    let error = session(folder.path(), "polarity = \"corrected\"").expect_err("it is not reversed");
    assert!(error.contains("not reversed"), "{error}");
}

#[test]
fn a_frequency_that_nobody_measured_neither_hangs_nor_passes() {
    use earwitness::circuit::table::ResponseTable;
    let table = |hertz: &str| {
        ResponseTable::parse(
            &format!("frequency_hz,gain_db,phase_deg\n20,0,-1\n1000,0,-10\n20000,-0.1,-30\n{hertz},-1,-60\n"),
            "r.csv",
        )
    };
    // Found by machine: the delay was looked for at as many places as this frequency has turns.
    let error = table("71999999999999999999992.450").expect_err("absurd").to_string();
    assert!(error.starts_with("r.csv:5: the frequency is") && error.contains("1e12"), "{error}");
    let read = table("1e9").expect("a gigahertz is only far away");
    assert!((read.at(1000.0).norm() - 1.0).abs() < 0.01);
}
