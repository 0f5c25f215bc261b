//! `score --levels` as its users run it.

use std::path::Path;

use serde_json::Value;

use crate::commands::{self, refused, succeeded};

fn counts(folder: &Path, text: &str) {
    std::fs::write(folder.join("levels.csv"), text).expect("the file");
}

fn line<'l>(more: &[&'l str]) -> Vec<&'l str> {
    [&["score", "--levels", "levels.csv", "--protocol", "abx"], more].concat()
}

/// The worked case of `tests/reference/threshold.json`, by numpy.
const WORKED: &str = "multiple,correct,trials\n1,5,10\n2,6,10\n4,8,10\n8,10,10\n";

#[test]
fn counts_at_sizes_give_the_agreed_document() {
    let folder = tempfile::tempdir().expect("a folder");
    counts(folder.path(), WORKED);
    let found = commands::json(folder.path(), &line(&["--smallest", "0.5", "--largest", "32", "--json"]));
    assert_eq!(found.as_object().expect("an object").keys().next().expect("a key"), "schema");
    let near = |value: &Value, expected: f64| {
        let value = value.as_f64().expect("a number");
        assert!((value - expected).abs() < 2e-3 * expected, "{value} is not {expected}");
    };
    near(&found["threshold"]["estimate"], 3.50361);
    near(&found["threshold"]["lower"], 1.786216);
    near(&found["threshold"]["upper"], 6.721963);
    assert_eq!(found["threshold"]["level"], 0.95);
    // What people are told, against numpy as well.
    near(&found["confidence"]["lower"], 1.2574646);
    near(&found["confidence"]["upper"], 6.7743762);
    near(&found["at_one"]["discriminators"]["estimate"], 0.0482);
    near(&found["at_one"]["discriminators"]["upper"], 0.3209);
    assert_eq!(found["points"].as_array().expect("points").len(), 4);
    assert!(found["fit"]["p_value"]["value"].as_f64().expect("a p-value") > 0.2);
}

#[test]
fn people_read_the_answer_first_and_what_limits_it() {
    let folder = tempfile::tempdir().expect("a folder");
    counts(folder.path(), WORKED);
    let said = succeeded(folder.path(), &line(&["--smallest", "0.5", "--largest", "32"])).out;
    assert!(
        said.starts_with(
            "Heard in every second trial at 3.5 times the real difference (1.3 to 6.8, with 95 % confidence"
        ),
        "{said}"
    );
    assert!(said.contains("At its real size the difference is heard in 5 % of trials"), "{said}");
    // Semicolons, another order, a comment, the same size twice.
    counts(folder.path(), "# ours\ntrials;multiple;correct\n20;32;10\n20;32;10\n");
    let said = succeeded(folder.path(), &line(&["--smallest", "0.5"])).out;
    assert!(
        said.starts_with("Not heard reliably even at the largest size, 32 times the real difference."),
        "{said}"
    );
    assert!(said.contains("The threshold is above 3"), "{said}");
    assert!(said.contains("20 of 40"), "{said}");
}

#[test]
fn bad_counts_at_sizes_name_file_line_and_cause() {
    let folder = tempfile::tempdir().expect("a folder");
    for (text, words) in [
        ("multiple,right,trials\n1,5,10\n", vec!["levels.csv", "\"correct\"", "multiple,correct,trials"]),
        ("multiple,correct,trials\n", vec!["no counts"]),
        ("multiple,correct,trials\n1,5,10\n2,11,10\n", vec!["line 3", "11 right of 10"]),
        ("multiple,correct,trials\n1,0,0\n", vec!["line 2", "no trials"]),
        ("multiple,correct,trials\n-1,5,10\n", vec!["line 2", "multiple", "\"-1\""]),
        ("multiple,correct,trials\nNaN,5,10\n", vec!["line 2", "multiple"]),
        ("multiple,correct,trials\n2,5,10\n", vec!["smallest", "--largest"]),
    ] {
        counts(folder.path(), text);
        refused(folder.path(), &line(&[]), &words);
    }
    counts(folder.path(), WORKED);
    refused(folder.path(), &line(&["--smallest", "4", "--largest", "2"]), &["smallest"]);
    refused(
        folder.path(),
        &["score", "--levels", "levels.csv", "--protocol", "preference"],
        &["preference", "abx"],
    );
    refused(folder.path(), &["score", "--levels", "levels.csv"], &["--protocol"]);
    refused(folder.path(), &["score", "--protocol", "abx"], &["--correct"]);
}

#[test]
fn plans_say_how_many_trials_a_width_takes() {
    let folder = tempfile::tempdir().expect("a folder");
    let plan = |more: &str| -> Vec<String> {
        format!("plan --threshold --sittings 4 --trials 14 {more}")
            .split_whitespace()
            .map(str::to_owned)
            .collect()
    };
    let wide = plan("--width 60 --json");
    let wide: Vec<&str> = wide.iter().map(String::as_str).collect();
    let found = commands::json(folder.path(), &wide);
    let trials = found["trials"].as_u64().expect("a plan");
    assert!((2..=14).contains(&trials), "{found}");
    let reached = found["by_trials"].as_array().expect("trial by trial");
    assert_eq!(reached.len(), 14);
    assert!(reached[13]["width"].as_f64() < reached[0]["width"].as_f64());
    let narrow = plan("--width 1.1");
    let narrow: Vec<&str> = narrow.iter().map(String::as_str).collect();
    assert!(succeeded(folder.path(), &narrow).out.starts_with("14 trials are too few"));
    for (more, word) in [
        ("--width 1", "--width"),
        ("--smallest 9 --largest 2", "smallest"),
        ("--protocol preference", "preference"),
    ] {
        let line = plan(more);
        refused(folder.path(), &line.iter().map(String::as_str).collect::<Vec<_>>(), &[word]);
    }
}
