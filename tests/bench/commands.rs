//! `earwitness bench` as its users run it.

use std::io::Write as _;

use serde_json::Value;

use super::{RATE, filtered, read, reference, write};
use crate::commands::material::{PAIR, RESISTOR, SYNTH, session, wav};
use crate::commands::{refused, succeeded};

const SHORT: [&str; 8] = ["--from", "30", "--seconds", "0.5", "--repeats", "2", "--level", "-6"];

#[test]
fn a_response_goes_from_the_sweep_into_a_session() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let ran = succeeded(folder, &[&["bench", "sweep", "--out", "sweep.wav"][..], &SHORT].concat());
    assert!(ran.out.contains("2 sweeps of 0.44 s, 30 to 22560 Hz, \u{2212}6.0 dBFS"), "{}", ran.out);
    assert!(ran.err.contains("switch the amplifier off before anything is joined"), "{}", ran.err);
    let sweep = read(&folder.join("sweep.wav"));
    let shelf = filtered(&reference("filters.json")["filters"]["shelf"]["sections"], &sweep);
    write(&folder.join("cable.wav"), 48_000, &[&sweep, &shelf]);
    let ran = succeeded(folder, &["bench", "response", "cable.wav", "--out", "cable.csv", "--json"]);
    let document: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!((&document["schema"], &document["bench"]), (&"earwitness.bench/1".into(), &"response".into()));
    for key in ["frequency_hz", "gain_db", "phase_deg", "gain_std_db", "phase_std_deg"] {
        assert!(
            document[key].as_array().is_some_and(|values| values.len() > 200),
            "{key}: {}",
            document[key]
        );
    }
    for (key, value) in [("polarity", 1), ("repeats", 2)] {
        assert_eq!(document[key], value, "{key}");
    }
    assert!(document["delay_s"].as_f64().unwrap().abs() < 1e-8 && document["clock_ppm"].is_number());
    // The table is a cable of a session.
    std::fs::write(
        folder.join("session.toml"),
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\noutput_resistance = \"0 ohm\"\n\
         [loudspeaker]\nresistance = \"8 ohm\"\n[cables.captured]\nresponse = \"cable.csv\"\n[cables.none]\nconstruction = \
         \"direct\"\n[clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 s\"\n[[comparisons]]\nname = \"pair\"\na = \
         \"captured\"\nb = \"none\"\n",
    )
    .unwrap();
    let ran = succeeded(folder, &["predict", ".", "--json", "--frequencies", "1000,8000,20000"]);
    let predicted: Value = serde_json::from_str(&ran.out).unwrap();
    let gains = super::numbers(&predicted["comparisons"][0]["difference"]["gain_db"]);
    let filters = reference("filters.json");
    let exact = super::numbers(&filters["filters"]["shelf"]["gain_db"]);
    for (gain, at) in gains.iter().zip([7, 10, 13]) {
        assert!((gain - exact[at]).abs() < 0.01, "{gains:?} {exact:?}");
    }
    // Two cables against each other, and a page of it with pictures.
    write(&folder.join("short.wav"), 48_000, &[&sweep, &sweep]);
    let ran = succeeded(folder, &["bench", "response", "cable.wav", "--against", "short.wav"]);
    assert!(ran.out.contains("the two responses are at most"), "{}", ran.out);
    let music: Vec<f64> = (0..48_000).map(|n| super::music(f64::from(n) / RATE)).collect();
    write(&folder.join("music.wav"), 48_000, &[&music]);
    let report = [
        "bench",
        "report",
        "cable.wav",
        "short.wav",
        "--again",
        "cable.wav",
        "--names",
        "Long <1>,Short",
        "--out",
    ];
    let more = [
        "bench.html",
        "--music",
        "music.wav,music.wav",
        "--music-again",
        "music.wav",
        "--figures",
        "pictures",
        "--json",
    ];
    let ran = succeeded(folder, &[&report[..], &more].concat());
    let document: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(document["difference"]["is_there"], true, "{document}");
    let page = std::fs::read_to_string(folder.join("bench.html")).unwrap();
    // The first cable was put back: page, terminal and JSON say the same, and tell nobody to do it.
    let sentence = document["difference"]["sentence"].as_str().unwrap();
    assert!(page.contains(sentence) && !sentence.contains("put the first cable back"), "{sentence}");
    let ran = succeeded(folder, &[&report[..], &["again.html"]].concat());
    assert!(ran.out.contains(sentence), "{}", ran.out);
    let digest =
        earwitness::session::input::Contents::of(&std::fs::read(folder.join("cable.wav")).unwrap()).sha256;
    let digits = earwitness::trial::Digest(digest).hex();
    assert_eq!(page.matches(&*digits).count(), 2, "the sweep, and the same file as the second time");
    assert!(page.contains("Long &lt;1&gt;") && !page.contains("<script") && page.contains("Null test"));
    // Nothing is fetched: the only addresses are the names of the SVG standard.
    assert_eq!(
        page.matches("http").count(),
        page.matches("http://www.w3.org/2000/svg").count() + page.matches("http-equiv").count()
    );
    for name in ["set-up", "responses", "difference", "null"] {
        let drawn = std::fs::read_to_string(folder.join(format!("pictures/{name}.svg"))).unwrap();
        assert!(drawn.starts_with("<?xml") && drawn.trim_end().ends_with("</svg>"), "{name}");
    }
    refused(
        folder,
        &[&report[..], &["x.html", "--music", "music.wav"]].concat(),
        &["--music names one", "two are needed"],
    );
    // Everything is known of what was played, so one channel will do.
    write(&folder.join("one.wav"), 48_000, &[&shelf]);
    let ran = succeeded(folder, &["bench", "response", "one.wav", "--sweep", "sweep.wav"]);
    assert!(ran.out.contains("mean of 2 sweeps") && ran.out.contains("delay"), "{}", ran.out);
    refused(folder, &["bench", "response", "one.wav"], &["one.wav: it has one channel", "--sweep"]);
    refused(folder, &["bench", "response", "nowhere.wav"], &["nowhere.wav", "no such file"]);
    std::fs::write(folder.join("broken.wav"), &std::fs::read(folder.join("cable.wav")).unwrap()[..30])
        .unwrap();
    refused(folder, &["bench", "response", "broken.wav"], &["broken.wav"]);
    refused(folder, &["bench", "sweep", "--out", "x.wav", "--level", "3"], &["level is 3", "-80 to 0"]);
    refused(folder, &["bench", "sweep", "--out", "x.wav", "--to", "30000"], &["end is 30000"]);
    assert!(!folder.join("x.wav").exists());
}

#[test]
fn distortion_impedance_and_null_answer_on_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    succeeded(folder, &["bench", "sweep", "--out", "sweep.wav", "--seconds", "1.2", "--repeats", "2"]);
    let sweep = read(&folder.join("sweep.wav"));
    let bent: Vec<f64> = sweep.iter().map(|x| x + 0.01 * x * x).collect();
    let half: Vec<f64> = sweep.iter().map(|x| 0.5 * x).collect();
    write(&folder.join("bent.wav"), 48_000, &[&sweep, &bent]);
    write(&folder.join("half.wav"), 48_000, &[&sweep, &half]);
    let parsed = |arguments: &[&str]| -> Value {
        let ran = succeeded(folder, arguments);
        assert!(ran.out.starts_with("{\n  \"schema\": \"earwitness.bench/1\""), "{}", ran.out);
        serde_json::from_str(&ran.out).unwrap()
    };
    let document = parsed(&["bench", "distortion", "bent.wav", "--against", "half.wav", "--json"]);
    // 0.01 x^2 at -12 dBFS: half of 0.01 times 0.2512, 0.1256 %.
    assert!(
        (document["thd_percent"][5].as_f64().unwrap() - 0.1256).abs() < 0.001,
        "{}",
        document["thd_percent"]
    );
    assert_eq!(document["harmonics"].as_array().unwrap().len(), 8);
    assert!(
        document["difference"]["sentence"].as_str().unwrap().contains("more than repeating"),
        "{document}"
    );
    let ran =
        succeeded(folder, &["bench", "impedance", "half.wav", "--resistor", "10 ohm", "--out", "load.csv"]);
    assert!(
        ran.out.contains("impedance_table = \"load.csv\"") && ran.out.contains("10.000 ohm"),
        "{}",
        ran.out
    );
    let document = parsed(&[
        "bench",
        "null",
        "sweep.wav",
        "half.wav",
        "--baseline",
        "sweep.wav",
        "--residual",
        "left.wav",
        "--json",
    ]);
    for key in ["delay_s", "gain_db", "clock_ppm", "residual_dbfs", "residual_db", "bands", "baseline"] {
        assert!(!document[key].is_null(), "{key}");
    }
    assert!((document["gain_db"].as_f64().unwrap() + 6.0206).abs() < 1e-3, "{document}");
    assert!(document["residual_db"].as_f64().unwrap() < -120.0, "{}", document["residual_db"]);
    assert!(folder.join("left.wav").exists());
    refused(folder, &["bench", "impedance", "half.wav", "--resistor", "10"], &["--resistor", "ohm"]);
    // What the circuit predicts, beside it: a pair of wires against none nulls to some -30 dB.
    session(folder, SYNTH, PAIR, RESISTOR);
    let predicted = ["bench", "null", "sweep.wav", "half.wav", "--session", ".", "--comparison"];
    let document = parsed(&[&predicted[..], &["one-none", "--json"]].concat());
    let residual = document["predicted"]["residual_db"].as_f64().unwrap();
    assert!((-70.0..-20.0).contains(&residual), "{residual}");
    assert_eq!(
        document["predicted"]["bands_db"].as_array().unwrap().len(),
        document["bands"].as_array().unwrap().len()
    );
    let ran = succeeded(folder, &predicted[..6]);
    assert!(ran.out.contains("predicted") && ran.out.contains("less than the circuit says"), "{}", ran.out);
    refused(folder, &[&predicted[..], &["none-one"]].concat(), &["no such comparison", "one-none"]);
    refused(folder, &["bench", "null", "sweep.wav", "gone.wav"], &["gone.wav"]);
    refused(folder, &["bench", "distortion", "sweep.wav", "--channel", "2"], &["no channel 2"]);
}

#[test]
fn a_file_longer_than_ten_minutes_is_refused_by_every_command() {
    // A header that tells the truth of a file with a hole in it: 10 minutes and 10 s at the lowest rate.
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let bytes = 610 * 8000 * 2 * 2;
    let mut file = std::fs::File::create(folder.join("long.wav")).unwrap();
    file.write_all(&wav(8000, 2, 16, 1, &[], bytes)).unwrap();
    file.set_len(u64::from(bytes) + 44).unwrap();
    let short = vec![0.1; 8000];
    write(&folder.join("short.wav"), 8000, &[&short, &short]);
    for arguments in [
        &["response", "long.wav"][..],
        &["response", "short.wav", "--sweep", "long.wav"],
        &["distortion", "long.wav"],
        &["distortion", "--signal", "steps", "long.wav"],
        &["impedance", "long.wav", "--resistor", "10 ohm"],
        &["null", "long.wav", "short.wav"],
        &["null", "short.wav", "long.wav"],
        &["report", "long.wav", "short.wav", "--out", "page.html"],
    ] {
        let words = ["long.wav: it is 10.2 min long", "10 min at most", "cut it"];
        refused(folder, &[&["bench"], arguments].concat(), &words);
    }
    assert!(!folder.join("page.html").exists());
}
