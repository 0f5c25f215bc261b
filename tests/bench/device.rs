//! From capture to a sitting on a sound device that runs in real time, with simulated equipment between output and input.

use std::path::Path;
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use super::{numbers, reference};
use crate::commands::PROGRAM;
use crate::sound::device::{VirtualDevice, playing};

/// Processes that end with the test.
struct Equipment(Vec<Child>);

impl Drop for Equipment {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Puts simulated equipment between the device's output and its input.
fn equipment(device: &VirtualDevice, kind: &str) -> Equipment {
    let stream = ["--raw", "--format=float32le", "--rate=48000", "--channels=2"];
    let environment = || device.environment.iter().cloned();
    let mut heard = playing("parec")
        .args(["-d", "bench.monitor", "--latency-msec=20"])
        .args(stream)
        .envs(environment())
        .stdout(Stdio::piped())
        .spawn()
        .expect("parec runs");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/equipment.py");
    let mut changed = playing(crate::tool("EARWITNESS_PYTHON"))
        .arg(script)
        .arg(kind)
        .stdin(heard.stdout.take().expect("its output"))
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python runs");
    let played = playing("pacat")
        .args(["-d", "equipment", "--latency-msec=150"])
        .args(stream)
        .envs(environment())
        .stdin(changed.stdout.take().expect("its output"))
        .spawn()
        .expect("pacat runs");
    std::thread::sleep(std::time::Duration::from_millis(2500));
    Equipment(vec![heard, changed, played])
}

#[test]
fn a_cable_goes_from_the_capture_to_a_verdict() {
    let device = VirtualDevice::start(&[("RATE", "48000"), ("INPUT", "simulated")]);
    let folder = tempfile::tempdir().unwrap();
    let attempt = |arguments: &[&str]| -> Result<String, String> {
        // What only computes takes no time from the sound.
        let sounds = arguments.iter().any(|own| ["capture", "--loopback"].contains(own));
        let mut program = if sounds { playing(PROGRAM) } else { Command::new(PROGRAM) };
        let output = program
            .args(arguments)
            .current_dir(folder.path())
            .env("NO_COLOR", "1")
            .envs(device.environment.iter().cloned())
            .stdin(Stdio::null())
            .output()
            .expect("the program starts");
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!err.contains("ALSA lib"), "{arguments:?}\n{err}");
        if output.status.success() { Ok(String::from_utf8(output.stdout).unwrap()) } else { Err(err) }
    };
    let run = |arguments: &[&str]| -> String {
        attempt(arguments).unwrap_or_else(|err| panic!("{arguments:?}\n{err}"))
    };
    // Three sweeps, so that a dropout of a busy machine costs one of them; where it costs two, the program says so, and all are
    // made again.
    let shape = ["--from", "30", "--seconds", "0.6", "--repeats", "3", "--pause", "0.4"];
    let loud = ["--level", "-12", "--yes"];
    let mut tries = 0;
    let document: Value = loop {
        let equipment = self::equipment(&device, "straight");
        let said = run(&[&["bench", "capture", "--out", "cable.wav"][..], &shape, &loud].concat());
        assert!(said.contains("peaks −12.9 dBFS and"), "{said}");
        drop(equipment);
        let message = match attempt(&["bench", "response", "cable.wav", "--out", "cable.csv", "--json"]) {
            Ok(document) => break serde_json::from_str(&document).unwrap(),
            Err(message) => message,
        };
        tries += 1;
        assert!(message.contains("dropout") && tries < 5, "{message}");
    };
    // Music through the same cable twice, and through none: the recordings are what is played.
    let music: Vec<f64> = (0..72_000)
        .map(|n| {
            let edge = f64::from(n.min(71_999 - n)) / 4800.0;
            super::music(f64::from(n) / super::RATE) * edge.min(1.0)
        })
        .collect();
    super::write(&folder.path().join("music.wav"), 48_000, &[&music]);
    let record = |name: &str| {
        run(&["bench", "capture", "--play", "music.wav", "--level", "-20", "--yes", "--out", name]);
    };
    assert!(document["repeats"].as_u64().unwrap() >= 2, "{}", document["notes"]);
    let filters = reference("filters.json");
    let exact = numbers(&filters["filters"]["shelf"]["gain_db"]);
    let (frequencies, gain) = (numbers(&document["frequency_hz"]), numbers(&document["gain_db"]));
    // The aim: 0.002 dB on the loop.
    for (frequency, exact) in numbers(&filters["frequency_hz"]).iter().zip(exact).filter(|(f, _)| **f > 60.0)
    {
        let own = super::between(&frequencies, &gain, *frequency);
        assert!((own - exact).abs() < 0.002, "{frequency} Hz: {own} dB, not {exact} dB");
    }
    assert!(document["delay_s"].as_f64().unwrap().abs() * 48_000.0 < 0.02, "{}", document["delay_s"]);
    let session = folder.path().join("session.toml");
    std::fs::write(
        &session,
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\noutput_resistance = \"0 ohm\"\n\
         [loudspeaker]\nresistance = \"8 ohm\"\n[cables.captured]\nresponse = \"cable.csv\"\n[cables.none]\nconstruction = \
         \"direct\"\n[clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 s\"\n[[comparisons]]\nname = \"pair\"\na = \
         \"captured\"\nb = \"none\"\n",
    )
    .unwrap();
    let said = run(&["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "1", "--plain"]);
    assert!(said.to_lowercase().contains("simulated"), "{said}");
    // From recordings to a verdict: what was recorded differs as the cable was measured to.
    std::fs::write(
        &session,
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\noutput_resistance = \"0 ohm\"\n\
         [loudspeaker]\nresistance = \"8 ohm\"\n[cables.long]\nresponse = \"cable.csv\"\nrecording = \"long.wav\"\n\
         recording_again = \"again.wav\"\n[cables.short]\nconstruction = \"direct\"\nrecording = \"short.wav\"\n[clips.music]\n\
         file = \"music.wav\"\n[[comparisons]]\nname = \"pair\"\na = \"long\"\nb = \"short\"\n[[controls]]\n\
         kind = \"identical\"\ntrials = 2\n",
    )
    .unwrap();
    std::fs::remove_dir_all(folder.path().join("sittings")).unwrap();
    // On a busy machine a recording has a dropout now and then: the program says so, and all are made again.
    let mut tries = 0;
    let (document, plain): (Value, Equipment) = loop {
        let straight = self::equipment(&device, "straight");
        record("long.wav");
        record("again.wav");
        drop(straight);
        let plain = self::equipment(&device, "plain");
        record("short.wav");
        let message = match attempt(&["check", ".", "--json", "--output", "silent"]) {
            Ok(document) => break (serde_json::from_str(&document).unwrap(), plain),
            Err(message) => message,
        };
        tries += 1;
        let lost = ["dropout", "not found on it", "in the middle of the clip"];
        assert!(lost.iter().any(|words| message.contains(words)) && tries < 5, "{message}");
    };
    let found = &document["recorded"][0];
    for key in ["level_off_db", "shape_off_db"] {
        assert!(found[key].as_f64().unwrap().abs() < 0.02, "{key}: {found}");
    }
    let said = run(&["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "1", "--plain"]);
    assert!(said.to_lowercase().contains("simulated"), "{said}");
    run(&["report", "."]);
    let page = std::fs::read_to_string(folder.path().join("report/report.html")).unwrap();
    assert!(page.contains("both sides are recordings") && page.contains("long.wav"));
    // The device itself, its output joined to its input.
    let chain = ["check", ".", "--json", "--sound-path", "--loopback"];
    let mut tries = 0;
    let document: Value = loop {
        let message = match attempt(&chain) {
            Ok(document) => break serde_json::from_str(&document).unwrap(),
            Err(message) => message,
        };
        tries += 1;
        // The sound server's own dropouts, in two sweeps of three. That the sweep is another one is never the answer.
        let lost = ["no sweep on it is whole", "sweeps is whole", "sweeps agree"];
        assert!(lost.iter().any(|words| message.contains(words)) && tries < 5, "{message}");
    };
    let chain = &document["loopback"];
    assert!((chain["gain_db"].as_f64().unwrap() + 0.915).abs() < 0.01, "{chain}");
    assert!(chain["thd_percent"].as_f64().unwrap() < 0.01, "{chain}");
    assert!(chain["against"][0]["over_noise_db"].as_f64().is_none_or(|margin| margin > 20.0), "{chain}");
    drop(plain);
    // Nobody is there to be asked, and the level is not low.
    let asked = Command::new(PROGRAM)
        .args(["bench", "capture", "--out", "x.wav", "--level", "-12"])
        .current_dir(folder.path())
        .envs(device.environment.iter().cloned())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(asked.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&asked.stderr).contains("add --yes"), "{asked:?}");
    // An input that is not there, and a rate that the device does not run at, are sentences.
    let refused = Command::new(PROGRAM)
        .args(["bench", "capture", "--out", "x.wav", "--input", "nowhere"])
        .current_dir(folder.path())
        .envs(device.environment.iter().cloned())
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("There is no input \"nowhere\""));
}
