//! `predict` and `check` as other people's scripts rely on them.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use super::close;
use crate::commands::succeeded;

/// Standard output of the program, which has to end well.
fn run(folder: &Path, arguments: &[&str]) -> String {
    succeeded(folder, arguments).out
}

/// A session that compares `one` with `two` in a folder of its own, which holds the ready-made loads.
fn session(amplifier: &str, loudspeaker: &str, one: &str, two: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let loads = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions/loads");
    for file in std::fs::read_dir(loads).expect("the loads are there") {
        let path = file.expect("an entry").path();
        std::fs::copy(&path, folder.path().join(path.file_name().expect("a name"))).expect("copied");
    }
    let text = format!(
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\n{amplifier}\n[loudspeaker]\n\
         {loudspeaker}\n[cables.one]\n{one}\n[cables.two]\n{two}\n[clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 \
         s\"\n[[comparisons]]\nname = \"pair\"\na = \"one\"\nb = \"two\"\n"
    );
    std::fs::write(folder.path().join("session.toml"), text).expect("written");
    folder
}

const FLEX: &str = "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\nspacing = \"3.2 mm\"\npermittivity = 3.5";
const LUMPED: &str =
    "construction = \"lumped\"\nresistance = \"100 mohm\"\ninductance = \"4 uH\"\ncapacitance = \"1 nF\"";

fn keys(value: &Value) -> BTreeSet<String> {
    value.as_object().expect("an object").keys().cloned().collect()
}

fn set(names: &[&str]) -> BTreeSet<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

#[test]
fn the_document_of_predict_has_its_keys_and_values() {
    let folder = session(
        "output_resistance = \"40 mohm\"",
        "resistance = \"8 ohm\"",
        LUMPED,
        "response = \"captured.csv\"",
    );
    std::fs::write(
        folder.path().join("captured.csv"),
        "frequency_hz,gain_db,phase_deg\n10,-0.2,0\n1000,-0.2,0\n40000,-0.7,-2\n",
    )
    .expect("written");
    let text = run(folder.path(), &["predict", ".", "--json", "--frequencies", "20,1000,20000"]);
    let document: Value = serde_json::from_str(&text).expect("JSON");
    assert!(text.trim_start().starts_with("{\n  \"schema\": \"earwitness.predict/1\""), "{text}");
    assert_eq!(document["frequency_hz"], serde_json::json!([20.0, 1000.0, 20000.0]));
    let comparison = &document["comparisons"][0];
    assert_eq!(keys(comparison), set(&["name", "a", "b", "difference", "summary", "uncertainty"]));
    let side = set(&[
        "cable",
        "gain_db",
        "phase_deg",
        "loop_resistance_ohm",
        "loop_inductance_h",
        "capacitance_f",
        "dc_resistance_ohm",
        "damping_factor",
    ]);
    assert_eq!(keys(&comparison["a"]), side);
    assert_eq!(keys(&comparison["b"]), side);
    assert_eq!(keys(&comparison["difference"]), set(&["gain_db", "phase_deg"]));
    assert_eq!(
        keys(&comparison["summary"]),
        set(&[
            "max_abs_db",
            "max_abs_at_hz",
            "shape_max_abs_db",
            "at_1khz_db",
            "at_20khz_db",
            "signal_db",
            "delay_s",
            "same_polarity"
        ])
    );
    for (side, name) in [("a", "one"), ("b", "two")] {
        assert_eq!(comparison[side]["cable"], name);
        assert_eq!(comparison[side]["gain_db"].as_array().expect("a list").len(), 3);
    }
    for key in
        ["loop_resistance_ohm", "loop_inductance_h", "capacitance_f", "dc_resistance_ohm", "damping_factor"]
    {
        assert!(comparison["b"][key].is_null(), "{key} of a measured response is not known");
    }
    close(comparison["a"]["dc_resistance_ohm"].as_f64().expect("ohm"), 0.1, 1e-12, "resistance at rest");
    close(comparison["a"]["loop_inductance_h"][1].as_f64().expect("henry"), 4e-6, 1e-12, "inductance");
    close(comparison["a"]["capacitance_f"][1].as_f64().expect("farad"), 1e-9, 1e-12, "capacitance");
    // 8 ohm over 140 mohm and 4 uH at 20 Hz; 8/8.14 as a level.
    close(
        comparison["a"]["damping_factor"][0].as_f64().expect("a factor"),
        8.0 / 0.14,
        1e-4,
        "damping factor",
    );
    let gain = |side: &str, index: usize| comparison[side]["gain_db"][index].as_f64().expect("dB");
    close(gain("a", 0), 20.0 * (8.0_f64 / 8.14).log10(), 1e-5, "gain");
    // Smoothed over 1/24 octave, like every table that no circuit fits.
    close(gain("b", 1), -0.2, 1e-4, "gain of the table");
    for index in 0..3 {
        let difference = comparison["difference"]["gain_db"][index].as_f64().expect("dB");
        assert!((difference - (gain("a", index) - gain("b", index))).abs() < 1e-9, "A minus B");
    }
    assert_eq!(comparison["summary"]["at_20khz_db"], comparison["difference"]["gain_db"][2]);
    assert!(document["cautions"].as_array().expect("a list").len() >= 3);
}

/// Source: scikit-rf reads what `predict --touchstone` writes; the transfer function from its networks is the one that
/// `predict` says.
#[test]
fn touchstone_files_are_read_by_scikit_rf() {
    let folder = session(
        "output_resistance = \"40 mohm\"\noutput_inductance = \"2 uH\"",
        "impedance_table = \"three-way-nasty.csv\"",
        FLEX,
        LUMPED,
    );
    let frequencies = "20,300,1000,5000,20000";
    let text =
        run(folder.path(), &["predict", ".", "--json", "--frequencies", frequencies, "--touchstone", "rf"]);
    let document: Value = serde_json::from_str(&text).expect("JSON");
    let script = "import json, numpy as np, skrf\n\
                  load, source = skrf.Network('rf/loudspeaker.s1p').z[:, 0, 0], skrf.Network('rf/amplifier.s1p').z[:, 0, 0]\n\
                  out = {}\n\
                  for side in ('one', 'two'):\n\
                  \x20   n = skrf.Network(f'rf/{side}.s2p')\n\
                  \x20   a = n.a\n\
                  \x20   h = 1 / (a[:, 0, 0] + a[:, 0, 1] / load + source * (a[:, 1, 0] + a[:, 1, 1] / load))\n\
                  \x20   out[side] = [n.f.tolist(), (20 * np.log10(abs(h))).tolist(), np.degrees(np.angle(h)).tolist(), bool(n.is_reciprocal()), \
                  bool(n.is_passive())]\n\
                  print(json.dumps(out))\n";
    let python = crate::tool("EARWITNESS_PYTHON");
    let ran = Command::new(python).args(["-c", script]).current_dir(folder.path()).output().expect("Python");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let read: Value = serde_json::from_slice(&ran.stdout).expect("JSON");
    for (side, name) in [("a", "one"), ("b", "two")] {
        assert_eq!(read[name][0], document["frequency_hz"]);
        for index in 0..5 {
            for (key, place) in [("gain_db", 1), ("phase_deg", 2)] {
                let expected = document["comparisons"][0][side][key][index].as_f64().expect("a number");
                let found = read[name][place][index].as_f64().expect("a number");
                assert!(
                    (found - expected).abs() < 1e-9 * expected.abs().max(1.0),
                    "{name} {key}: {found} {expected}"
                );
            }
        }
        assert_eq!(read[name][3], true, "reciprocal");
        assert_eq!(read[name][4], true, "passive");
    }
}

#[test]
fn every_caution_has_its_occasion() {
    let names = |folder: &tempfile::TempDir| -> Vec<String> {
        let text = run(folder.path(), &["predict", ".", "--json", "--frequencies", "1000"]);
        let document: Value = serde_json::from_str(&text).expect("JSON");
        document["cautions"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|caution| {
                let (text, remedy) = (caution["text"].as_str(), caution["remedy"].as_str());
                assert!(text.is_some_and(|t| t.len() > 20) && remedy.is_some_and(|r| r.len() > 20));
                caution["caution"].as_str().expect("a name").to_owned()
            })
            .collect()
    };
    let benign = session(
        "output_resistance = \"40 mohm\"\nlowest_load = \"4 ohm\"",
        "impedance_table = \"two-way-benign.csv\"\nrated_impedance = \"8 ohm\"",
        "construction = \"parallel-pair\"\nlength = \"3 m\"\nconductor = \"2.5 mm2\"\nspacing = \"5 mm\"",
        "construction = \"direct\"",
    );
    assert_eq!(names(&benign), ["hearing", "amplifier-off", "in-wall"]);
    let nasty = session(
        "output_resistance = \"40 mohm\"\nlowest_load = \"4 ohm\"",
        "impedance_table = \"three-way-nasty.csv\"\nrated_impedance = \"4 ohm\"",
        "construction = \"parallel-pair\"\nlength = \"15 m\"\nconductor = \"24 AWG\"\nspacing = \"1.5 mm\"",
        "construction = \"lumped\"\nresistance = \"10 mohm\"\ncapacitance = \"30 nF\"",
    );
    assert_eq!(
        names(&nasty),
        [
            "low-load",
            "below-rating",
            "loop-resistance",
            "thin-conductor",
            "capacitance",
            "hearing",
            "amplifier-off",
            "in-wall"
        ]
    );
    let electrostatic = session(
        "damping_factor = 400\nlowest_load = \"2 ohm\"",
        "impedance_table = \"electrostatic.csv\"",
        FLEX,
        "construction = \"direct\"",
    );
    assert!(names(&electrostatic).contains(&"low-load".to_owned()));
    let said = run(electrostatic.path(), &["check", "."]).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("1.0") && said.contains("20 kHz") && said.contains("ask its maker"), "{said}");
}

#[test]
fn check_says_how_large_the_difference_is_to_an_ear_on_each_clip() {
    let folder =
        session("output_resistance = \"40 mohm\"", "impedance_table = \"three-way-nasty.csv\"", FLEX, LUMPED);
    let said = run(folder.path(), &["check", ".", "--full"]);
    assert!(said.lines().all(|line| line.chars().count() <= 100), "{said}");
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in ["K-weighted level A minus B", "auditory band", "Jesteadt", "blind test can tell"] {
        assert!(said.contains(words), "\"{words}\" is missing in\n{said}");
    }
    let document: Value = serde_json::from_str(&run(folder.path(), &["check", ".", "--json"])).expect("JSON");
    let clip = &document["comparisons"][0]["clips"][0];
    let (loudness, a, b) = (&clip["loudness_db"], &clip["loudness_a_lufs"], &clip["loudness_b_lufs"]);
    // Gates and the filter's edges aside, the spectrum's loudness difference is the meter's.
    let metered = a.as_f64().expect("LUFS") - b.as_f64().expect("LUFS");
    assert!((loudness.as_f64().expect("dB") - metered).abs() < 0.02, "{loudness} {metered}");
    assert!(clip["band_db"].is_f64() && clip["band_hz"].is_f64() && clip["sentence"].is_string());
}

#[test]
fn a_picture_says_everything_in_words_too_and_is_the_same_each_time() {
    let folder =
        session("output_resistance = \"40 mohm\"", "impedance_table = \"three-way-nasty.csv\"", FLEX, LUMPED);
    run(folder.path(), &["predict", ".", "--plot", "one.svg"]);
    run(folder.path(), &["predict", ".", "--plot", "two.svg"]);
    let picture = std::fs::read_to_string(folder.path().join("one.svg")).expect("written");
    assert_eq!(picture, std::fs::read_to_string(folder.path().join("two.svg")).expect("written"));
    for words in [
        "level at the loudspeaker",
        "difference against thresholds",
        "loop resistance",
        "loop inductance",
        "capacitance",
        "frequency, Hz",
        "dB",
        "nF",
        "Jesteadt",
        "aria-label",
    ] {
        assert!(picture.contains(words), "\"{words}\" is missing");
    }
    assert!(!picture.contains("NaN") && !picture.contains("inf"));
}
