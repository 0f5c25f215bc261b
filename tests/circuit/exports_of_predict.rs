//! What `predict` writes for other programs, and lengths.

use std::path::Path;

use serde_json::Value;

use crate::commands::{refused, succeeded};

const SESSION: &str = r#"
title = "Invented"
invented = true
protocol = "abx"
trials = 8
amplifier = { output_resistance = "20 mohm" }
loudspeaker = { resistance = "6 ohm", impedance_tolerance = "5 %", zobel = { resistance = "8 ohm", capacitance = "1 uF" } }
comparisons = [{ a = "thin", b = "sheet" }]

[cables.thin]
construction = "parallel-pair"
length = "6 m"
conductor = "0.75 mm2"
spacing = "3.2 mm"
insulation = "pvc"
insulation_thickness = "0.7 mm"
resistance_tolerance = "2 %"
length_tolerance = "2 cm"
contact_resistance = "3 mohm"

[cables.sheet]
construction = "data-sheet"
length = "20 ft"
conductor = "12 AWG"
inductance = "0.21 uH/ft"
capacitance = "24 pF/ft"
inductance_tolerance = "10 %"

[clips.plucked]
synth = "plucked-strings"
length = "2 s"
"#;

fn session() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("session.toml"), SESSION).expect("written");
    folder
}

fn document(folder: &Path, arguments: &[&str]) -> Value {
    serde_json::from_str(&succeeded(folder, arguments).out).expect("JSON")
}

/// What is written as a response is the same cable when it is read.
#[test]
fn a_response_comes_back_as_the_cable_it_was() {
    let folder = session();
    let frequencies = "--frequencies=20,200,2000,20000";
    succeeded(folder.path(), &["predict", ".", "--responses", "out"]);
    let text = std::fs::read_to_string(folder.path().join("out/thin.csv")).expect("written");
    assert!(
        text.lines().nth(1) == Some("frequency_hz,gain_db,phase_deg") && text.lines().count() == 202,
        "{text}"
    );
    let start = SESSION.find("[cables.thin]").expect("there");
    let end = SESSION.find("[cables.sheet]").expect("there");
    let read =
        format!("{}[cables.thin]\nresponse = \"out/thin.csv\"\n{}", &SESSION[..start], &SESSION[end..]);
    let before = document(folder.path(), &["predict", ".", "--json", frequencies]);
    std::fs::write(folder.path().join("session.toml"), read).expect("written");
    let after = document(folder.path(), &["predict", ".", "--json", frequencies]);
    for index in 0..4 {
        let gain = |from: &Value| from["comparisons"][0]["a"]["gain_db"][index].as_f64().expect("a number");
        assert!((gain(&before) - gain(&after)).abs() < 5e-4, "{} {}", gain(&before), gain(&after));
    }
}

/// The taps, added up by the definition of the transform, are the cable.
#[test]
fn a_filter_is_its_cable() {
    let folder = session();
    succeeded(folder.path(), &["predict", ".", "--filters", "out", "--rate", "44100"]);
    let text = std::fs::read_to_string(folder.path().join("out/thin-44100.txt")).expect("written");
    let taps: Vec<f64> =
        text.lines().filter(|line| !line.starts_with('#')).map(|line| line.parse().expect("a tap")).collect();
    let expected = document(folder.path(), &["predict", ".", "--json", "--frequencies=100,1000,10000"]);
    for (index, frequency) in [100.0, 1000.0, 10_000.0].into_iter().enumerate() {
        let turn = -std::f64::consts::TAU * frequency / 44_100.0;
        let (re, im) = taps.iter().enumerate().fold((0.0, 0.0), |(re, im), (i, tap)| {
            (re + tap * (turn * i as f64).cos(), im + tap * (turn * i as f64).sin())
        });
        let gain = 20.0 * f64::hypot(re, im).log10();
        let wanted = expected["comparisons"][0]["a"]["gain_db"][index].as_f64().expect("a number");
        assert!((gain - wanted).abs() < 5e-4, "{frequency} Hz: {gain} {wanted}");
    }
    refused(folder.path(), &["predict", ".", "--filters", "out", "--rate", "5"], &["5"]);
}

#[test]
fn the_difference_grows_with_the_length_and_carries_its_uncertainty() {
    let folder = session();
    let found = document(folder.path(), &["predict", ".", "--json", "--lengths", "1m,3 m,20 ft"]);
    let lengths = found["comparisons"][0]["lengths"].as_array().expect("a list");
    assert_eq!(lengths.len(), 3);
    let of = |index: usize, key: &str| lengths[index][key].as_f64().expect("a number");
    assert!((of(2, "length_m") - 6.096).abs() < 1e-12);
    assert!(of(0, "max_abs_db") < of(1, "max_abs_db") && of(1, "max_abs_db") < of(2, "max_abs_db"));
    assert!(lengths[0]["uncertainty"]["max_abs_db"].as_f64().expect("a number") > 0.0);
    let lines = succeeded(folder.path(), &["predict", ".", "--lengths", "3m"]).out;
    assert!(lines.contains("both 3m: largest") && lines.contains("dB (95 %)"), "{lines}");
    refused(folder.path(), &["predict", ".", "--lengths", "3"], &["no unit"]);
}

#[test]
fn every_document_says_how_sure_the_difference_is() {
    let folder = session();
    let found = document(folder.path(), &["predict", ".", "--json", "--frequencies=20,1000,20000"]);
    let unknown = &found["comparisons"][0]["uncertainty"];
    assert_eq!(unknown["gain_db"].as_array().map(Vec::len), Some(3));
    assert_eq!(unknown["gain_db"][1], unknown["at_1khz_db"]);
    assert_eq!(unknown["larger_than_unknown"], true);
    let quantities: Vec<&str> = unknown["contributions"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|part| part["quantity"].as_str().expect("a text"))
        .collect();
    for quantity in ["resistance", "length", "contacts", "inductance", "load-impedance"] {
        assert!(quantities.contains(&quantity), "{quantities:?}");
    }
    let lines = succeeded(folder.path(), &["predict", "."]).out;
    assert!(
        lines.contains("is larger than what is unknown about it") && lines.contains("What matters most"),
        "{lines}"
    );
    let table = succeeded(folder.path(), &["predict", ".", "--csv", "--frequencies=1000"]).out;
    let last = table.lines().nth(1).and_then(|line| line.rsplit(',').next()).expect("a column").to_owned();
    let stated = unknown["at_1khz_db"].as_f64().expect("a number");
    assert!((last.parse::<f64>().expect("a number") / stated - 1.0).abs() < 1e-9, "{last} {stated}");
    let picture = folder.path().join("all.svg");
    succeeded(folder.path(), &["predict", ".", "--plot", "all.svg"]);
    let svg = std::fs::read_to_string(picture).expect("written");
    for title in [
        "what is unknown about the difference",
        "group delay",
        "Impedance of the loudspeaker",
        "Loss at 20 kHz over length, at 4 Ω",
    ] {
        assert!(svg.contains(title), "{title}");
    }
    assert!(!svg.contains("var(--") && !svg.contains("currentColor\""), "literal colours");
    assert!(!svg.contains("Distortion as measured"), "nobody measured any");
    // A response whose analyser wrote its distortion: drawn, in the picture and in the report.
    let (start, end) = (SESSION.find("[cables.thin]"), SESSION.find("[cables.sheet]"));
    let (start, end) = (start.expect("there"), end.expect("there"));
    let read = format!(
        "{}[cables.thin]\nresponse = \"thd.csv\"\n{}",
        &SESSION[..start].replace("abx", "duo-trio"),
        &SESSION[end..]
    );
    let table = "frequency_hz,gain_db,phase_deg,thd (%)\n20,-0.2,0,0.04\n200,-0.2,0,0.002\n2000,-0.2,0,0.003\n20000,-0.2,-1,0.01\n";
    std::fs::write(folder.path().join("thd.csv"), table).expect("written");
    std::fs::write(folder.path().join("session.toml"), read).expect("written");
    succeeded(folder.path(), &["predict", ".", "--plot", "thd.svg"]);
    succeeded(folder.path(), &["report", "."]);
    for file in ["thd.svg", "report/report.html"] {
        let text = std::fs::read_to_string(folder.path().join(file)).expect("written");
        for words in [
            "Distortion as measured",
            "thin, THD at most 0.040 %, at 20 Hz",
            "group delay",
            "Impedance of the",
        ] {
            assert!(text.contains(words), "{file}: {words}");
        }
    }
}

/// The report's verdict repeats it, and a session without tolerances says nothing of the kind.
#[test]
fn the_report_says_how_well_the_difference_is_known() {
    let folder = session();
    let names = |text: &str| {
        std::fs::write(folder.path().join("session.toml"), text).expect("written");
        let found = document(folder.path(), &["report", ".", "--json"]);
        let caveats = found["caveats"].as_array().expect("a list").clone();
        caveats.into_iter().filter(|caveat| caveat["kind"] == "known-difference").collect::<Vec<_>>()
    };
    let found = names(SESSION);
    assert_eq!(found.len(), 1, "{found:?}");
    let text = found[0]["text"].as_str().expect("a text");
    assert!(
        text.contains("thin-sheet: the stimuli were made from a difference of") && text.contains("dB (95 %)"),
        "{text}"
    );
    // So does the page after a sitting, once something was answered.
    let run = succeeded(
        folder.path(),
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.9"],
    );
    let page = run.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains("the stimuli were made from a difference of"), "{}", run.out);
    let kept: Vec<&str> = SESSION
        .lines()
        .filter(|line| !line.contains("tolerance") && !line.contains("contact_resistance"))
        .collect();
    let silent = kept.join("\n");
    let silent = silent.replace("amplifier =", "loudspeaker = { resistance = \"6 ohm\" }\namplifier =");
    assert!(names(&silent).is_empty());
}
