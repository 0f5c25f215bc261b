//! A threshold from session to report, as its users run it.

use crate::commands::{self, material, refused, succeeded};

fn session(folder: &std::path::Path, table: &str) {
    material::session(folder, material::SYNTH, material::PAIR, material::RESISTOR);
    let file = folder.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    std::fs::write(&file, format!("{text}\n[threshold]\n{table}\n")).expect("the session");
}

#[test]
fn a_simulated_listener_gets_a_threshold_that_verifies_and_is_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    session(at, "smallest = 0.5\nlargest = 4\ntrials = 12");
    let checked = succeeded(at, &["check", ".", "--full"]).out;
    assert!(checked.contains("sizes, on paper") && checked.contains("4.0 times"), "{checked}");
    assert!(checked.contains("trials at the largest size"), "{checked}");
    let checked = checked.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in ["in one auditory band:", "a published model expects it to be heard", "1.12 times"] {
        assert!(checked.contains(words), "{words}: {checked}");
    }
    let said =
        succeeded(at, &["run", ".", "--listener", "Una", "--simulate", "0.98", "--output", "silent"]).out;
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in
        ["This is no listening test", "the real difference", "At its real size", "right of", "d-prime"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(!said.contains("p ="), "nothing is tested: {said}");
    let verified = succeeded(at, &["verify", "."]).out;
    assert!(verified.contains("control largest"), "{verified}");
    let report = commands::json(at, &["report", ".", "--json"]);
    let found = &report["comparisons"][0]["threshold"]["listeners"][0];
    assert_eq!(found["trace"].as_array().expect("a trace").len(), 12, "{found}");
    // Sizes differed from trial to trial, so the score as such tests nothing.
    let own = &report["comparisons"][0]["results"][0];
    for key in ["analysis", "adjusted_p_value"] {
        assert!(
            own.as_object().is_some_and(|own| own.contains_key(key)) && own[key].is_null(),
            "{key}: {own}"
        );
    }
    assert!(report["comparisons"][0]["p_value"].is_null(), "{report}");
    let table = succeeded(at, &["report", ".", "--csv"]).out;
    let mut table = csv::Reader::from_reader(table.as_bytes());
    let heads = table.headers().expect("a head").clone();
    let column = |name: &str| heads.iter().position(|head| head == name).expect("a column");
    let (size, correct, control) = (column("size"), column("correct"), column("control"));
    let rows = table.records().map(|row| row.expect("a row")).filter(|row| row[control].is_empty());
    let trials: Vec<(f64, bool)> =
        rows.map(|row| (row[size].parse().expect("a size"), &row[correct] == "1")).collect();
    let traced: Vec<(f64, bool)> = serde_json::from_value(found["trace"].clone()).expect("a trace");
    assert_eq!(trials, traced, "the table has the sizes on which the threshold stands");
    // On paper: decibels grow with the multiple, and metres with the decibels.
    if found["place"]["where"] == "within" {
        let paper = &found["on_paper"];
        let (multiple, decibels) = (&found["threshold"]["estimate"], &paper["largest_db"]["estimate"]);
        let (multiple, decibels) = (multiple.as_f64().expect("a size"), decibels.as_f64().expect("dB"));
        let real = commands::json(at, &["predict", ".", "--clips", "--multiples", "1", "--json"]);
        let real = &real["comparisons"][0];
        let one = real["multiples"][0]["max_abs_db"].as_f64().expect("dB");
        assert!((decibels / (multiple * one) - 1.0).abs() < 0.01, "{decibels} {multiple} {one}");
        assert!(
            real["clips"][0]["expected_multiple"]["size"].as_f64().is_some_and(|size| size > 1.0),
            "{real}"
        );
        let length = paper["lengths_m"][0][1]["estimate"].as_f64().expect("metres");
        let of = commands::json(at, &["predict", ".", "--reach", &format!("{decibels}"), "--json"]);
        let reached = of["comparisons"][0]["reach"]["a_length_m"].as_f64().expect("metres");
        assert!((length / reached - 1.0).abs() < 0.03, "{length} {reached}");
    }
    let certificates = std::fs::read_to_string(at.join("report/certificates.html"));
    if let Ok(certificates) = certificates {
        assert!(!certificates.contains("p alone"), "nothing is tested where the size changes");
    }
    let threshold = &found["threshold"];
    assert!(threshold["lower"].as_f64() < threshold["upper"].as_f64());
    let page = std::fs::read_to_string(at.join("report/report.html")).unwrap_or_else(|_| {
        succeeded(at, &["report", "."]);
        std::fs::read_to_string(at.join("report/report.html")).expect("the page")
    });
    assert!(page.contains("share right by size") && page.contains("sizes in order"));
}

#[test]
fn tables_that_cannot_be_meant_are_refused_where_they_stand() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    for (table, words) in [
        ("smallest = 4\nlargest = 2", vec!["smallest", "session.toml"]),
        ("scale = \"loudness\"", vec!["scale", "multiple"]),
        ("scale = \"level\"\nlargest = \"9 dB\"", vec!["largest", "6 dB"]),
        ("rule = \"two-down\"", vec!["rule", "staircase"]),
        ("trials = 3", vec!["trials"]),
        ("larges = 3", vec!["larges", "largest"]),
        ("largest = 5000\nsmallest = 1", vec!["largest", "or less"]),
    ] {
        session(at, table);
        refused(at, &["check", "."], &words);
    }
    refused(at, &["predict", ".", "--multiples=-1"], &["--multiples"]);
    session(at, "largest = 4");
    refused(at, &["predict", ".", "--multiples", "1e9"], &["1000000000 times", "smaller"]);
    let found = commands::json(at, &["predict", ".", "--multiples", "1,2", "--json"]);
    let sizes = found["comparisons"][0]["multiples"].as_array().expect("sizes").clone();
    let decibels = |index: usize| sizes[index]["max_abs_db"].as_f64().expect("dB");
    assert!((decibels(1) - 2.0 * decibels(0)).abs() < 1e-9, "decibels scale with the multiple");
}

#[test]
fn a_listeners_own_smallest_step_stands_next_to_every_verdict() {
    let folder = tempfile::tempdir().expect("a folder");
    let (bet, own) = (folder.path().join("bet"), folder.path().join("own"));
    for at in [&bet, &own] {
        std::fs::create_dir(at).expect("a folder");
    }
    session(&own, "scale = \"level\"\nlargest = 2\ntrials = 20");
    material::session(&bet, material::SYNTH, material::PAIR, material::RESISTOR);
    let file = bet.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    std::fs::write(&file, format!("yardstick = \"../nowhere\"\n{text}")).expect("the session");
    refused(&bet, &["check", "."], &["yardstick", "no such folder"]);
    std::fs::write(&file, format!("yardstick = \"../own\"\n{text}")).expect("the session");
    let run = ["run", ".", "--listener", "Una", "--simulate", "0.9", "--output", "silent"];
    let before = succeeded(&bet, &run).out;
    assert!(!before.contains("The yardstick"), "{before}");
    succeeded(&own, &run);
    let plain = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut again = run.to_vec();
    again.push("--new");
    let said = plain(succeeded(&bet, &again).out);
    assert!(said.contains("The yardstick: Una hears steps in level"), "{said}");
    assert!(said.contains("A program answered in that test"), "nobody is believed to have heard it: {said}");
    let report = commands::json(&bet, &["report", ".", "--json"]).to_string();
    assert!(report.contains("The yardstick: Una") && report.contains("the cables differ by"), "{report}");
    let hidden = commands::json(&bet, &["report", ".", "--anonymous", "--json"]).to_string();
    assert!(!hidden.contains("Una"), "a yardstick names people");
    // A session that measures no step is no yardstick.
    session(&own, "largest = 4");
    refused(&bet, &run, &["yardstick", "scale"]);
}
