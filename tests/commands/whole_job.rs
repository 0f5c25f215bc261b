//! The whole job with a real sound file and a meter's table, from `check` to `verify`, and the demonstration.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::material::{LCR, RESISTOR, good_wav, session};
use super::{earwitness, json, refused, succeeded};

fn has_keys(value: &Value, keys: &[&str]) {
    for key in keys {
        assert!(value.get(key).is_some(), "`{key}` is missing in {value}");
    }
}

/// A folder with a session on a FLAC file, a cable from a meter's table, against no cable.
fn material() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("whole.wav"), good_wav(44_100)).expect("writing");
    let flac = std::process::Command::new("flac")
        .args(["--silent", "-o", "song.flac", "whole.wav"])
        .current_dir(folder.path())
        .status()
        .expect("flac is installed by tests/run");
    assert!(flac.success());
    std::fs::write(folder.path().join("lcr.csv"), LCR).expect("writing");
    let cable = "lcr_table = \"lcr.csv\"\nsample_length = \"10 ft\"\nlength = \"30 ft\"";
    session(folder.path(), "file = \"song.flac\"\nstart = \"0.2 s\"\nlength = \"1.5 s\"", cable, RESISTOR);
    folder
}

fn journals(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder.join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "jsonl") && !path.ends_with("register.jsonl"))
        .collect();
    found.sort();
    found
}

#[test]
fn from_check_to_verify_with_a_flac_file_and_a_meters_table() {
    let folder = material();
    let here = folder.path();
    let checked = succeeded(here, &["check", ".", "--full"]);
    assert!(checked.out.contains("How you could still be cheated"), "{}", checked.out);
    for word in ["one-none", "song", "dB"] {
        assert!(checked.out.contains(word), "\"{word}\" is missing in\n{}", checked.out);
    }

    let predicted = json(here, &["predict", ".", "--json", "--frequencies", "20,1000,20000"]);
    assert_eq!(predicted["frequency_hz"], serde_json::json!([20.0, 1000.0, 20000.0]));
    let comparison = &predicted["comparisons"][0];
    has_keys(comparison, &["name", "a", "b", "difference", "summary"]);
    has_keys(
        &comparison["summary"],
        &["max_abs_db", "max_abs_at_hz", "shape_max_abs_db", "at_1khz_db", "at_20khz_db"],
    );
    for side in ["a", "b"] {
        has_keys(
            &comparison[side],
            &[
                "cable",
                "gain_db",
                "phase_deg",
                "loop_resistance_ohm",
                "loop_inductance_h",
                "capacitance_f",
                "dc_resistance_ohm",
                "damping_factor",
            ],
        );
    }
    // A voltage divider by hand: 3 times 0.0211 ohm at 1 kHz in front of 8 ohm, 20 mohm of amplifier on both sides;
    // the inductance (3 times 0.616 uH, 11.6 mohm) stands in quadrature.
    let by_hand = {
        let (r, x) = (3.0 * 0.0211 + 0.02, std::f64::consts::TAU * 1000.0 * 3.0 * 0.616e-6);
        let with: f64 = 8.0 / ((8.0 + r) * (8.0 + r) + x * x).sqrt();
        let without: f64 = 8.0 / 8.02;
        20.0 * (with / without).log10()
    };
    let computed = comparison["difference"]["gain_db"][1].as_f64().expect("a number");
    assert!((computed - by_hand).abs() < 2e-4, "{computed} against {by_hand}");

    succeeded(here, &["render", ".", "--out", "stimuli", "--format", "s24"]);
    for side in ["a", "b"] {
        let file = here.join(format!("stimuli/one-none-song-{side}.wav"));
        let reader =
            hound::WavReader::open(&file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
        let spec = reader.spec();
        assert_eq!((spec.sample_rate, spec.channels, spec.bits_per_sample), (44_100, 2, 24));
        assert_eq!(reader.duration(), 66_150);
    }

    let run =
        succeeded(here, &["run", ".", "--listener", "Nora Ö/..", "--output", "silent", "--simulate", "0.9"]);
    assert!(run.out.to_lowercase().contains("simulated"), "{}", run.out);
    let journals = journals(here);
    assert_eq!(journals.len(), 1, "{journals:?}");
    let journal = journals[0].to_str().expect("UTF-8");
    let text = std::fs::read_to_string(journal).expect("reading");
    assert!(text.contains("Nora Ö/.."), "the name is kept whole inside");
    assert!(text.contains("\"simulated\":0.9"));

    let verified = json(here, &["verify", journal, "--json"]);
    let entry = &verified["journals"][0];
    has_keys(entry, &["file", "listener", "ok", "problems", "trials", "correct"]);
    assert_eq!(entry["ok"], true);
    assert_eq!(entry["trials"], 6);
    assert_eq!(entry["listener"], "Nora Ö/..");

    let correct = entry["correct"].as_u64().expect("a count").to_string();
    let scored =
        json(here, &["score", "--protocol", "abx", "--correct", &correct, "--trials", "6", "--json"]);
    has_keys(
        &scored,
        &[
            "protocol",
            "correct",
            "trials",
            "chance",
            "p_value",
            "mid_p",
            "proportion",
            "interval",
            "wilson",
            "jeffreys",
            "critical",
            "discriminators",
            "d_prime",
            "bayes_factor_10",
        ],
    );
    let of_journal = succeeded(here, &["score", journal]);
    assert!(of_journal.out.contains("Nora"), "{}", of_journal.out);

    succeeded(here, &["report", "."]);
    let report = std::fs::read_to_string(here.join("report/report.html")).expect("the report");
    assert!(report.contains("Nora Ö/..") && report.to_lowercase().contains("simulated"));
}

#[test]
fn a_changed_byte_anywhere_makes_verify_say_no() {
    let folder = material();
    let here = folder.path();
    succeeded(here, &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.9"]);
    let journal = journals(here).remove(0);
    let whole = std::fs::read(&journal).expect("reading");
    let copy = here.join("copy.jsonl");
    // Every 97th byte: every record is hit, and the test stays quick.
    for place in (0..whole.len()).step_by(whole.len() / 60) {
        let mut changed = whole.clone();
        changed[place] ^= 0x01;
        std::fs::write(&copy, &changed).expect("writing");
        let ran = earwitness(here, &["verify", "copy.jsonl"]);
        assert!(ran.code == 1 || ran.code == 2, "byte {place} was changed unseen:\n{}\n{}", ran.out, ran.err);
    }
}

#[test]
fn a_listener_appears_under_the_alias_that_was_chosen() {
    let folder = material();
    let here = folder.path();
    let sitting = ["run", ".", "--listener", "Nora Real", "--output", "silent", "--simulate", "0.9"];
    refused(here, &[&sitting[..], &["--alias", " "]].concat(), &["--alias is blank", "give a name"]);
    refused(here, &["run", ".", "--listener", " ", "--simulate", "0.9"], &["--listener is blank"]);
    succeeded(here, &[&sitting[..], &["--alias", "Panel 01"]].concat());
    let said = [["report", "."].as_slice(), &["report", ".", "--csv"], &["report", ".", "--json"]]
        .map(|arguments| succeeded(here, arguments).out)
        .concat();
    let page = std::fs::read_to_string(here.join("report/report.html")).expect("the report");
    for text in [&said, &page] {
        assert!(text.contains("Panel 01") && !text.contains("Nora"), "{text}");
    }
}

#[test]
fn the_demonstration_without_terminal_and_device_is_simulated_and_silent_and_says_so() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let output = std::process::Command::new(super::PROGRAM)
        .args(["demo", "--dir", "demo"])
        .current_dir(folder.path())
        // No sound system answers here, whatever the machine has.
        .env("ALSA_CONFIG_PATH", "/dev/null")
        .env("PULSE_SERVER", "unix:/nonexistent")
        .stdin(std::process::Stdio::null())
        .output()
        .expect("the program starts");
    let ran = super::ran(&output, &["demo"]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    for line in ran.out.lines().filter(|line| !line.trim().is_empty()) {
        assert!(line.contains("simulated"), "a line that does not say simulated: {line}");
    }
    assert!(ran.out.contains("no listening test"), "{}", ran.out);
    let journals = journals(&folder.path().join("demo"));
    assert_eq!(journals.len(), 1);
    let verified = earwitness(folder.path(), &["verify", journals[0].to_str().expect("UTF-8")]);
    assert_eq!(verified.code, 0, "{}\n{}", verified.out, verified.err);
}
