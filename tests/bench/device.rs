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
    let equipment = equipment(&device, "straight");
    let folder = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str]| -> String {
        let output = Command::new(PROGRAM)
            .args(arguments)
            .current_dir(folder.path())
            .env("NO_COLOR", "1")
            .envs(device.environment.iter().cloned())
            .stdin(Stdio::null())
            .output()
            .expect("the program starts");
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success() && !err.contains("ALSA lib"), "{arguments:?}\n{err}");
        String::from_utf8(output.stdout).unwrap()
    };
    // Three sweeps, so that a dropout of a busy machine costs one of them.
    let shape = ["--from", "30", "--seconds", "0.6", "--repeats", "3", "--pause", "0.4"];
    let said = run(&[&["bench", "capture", "--out", "cable.wav"][..], &shape].concat());
    assert!(said.contains("peaks -12.9 dBFS and"), "{said}");
    drop(equipment);
    let document: Value =
        serde_json::from_str(&run(&["bench", "response", "cable.wav", "--out", "cable.csv", "--json"]))
            .unwrap();
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
    std::fs::write(
        folder.path().join("session.toml"),
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\noutput_resistance = \"0 ohm\"\n\
         [loudspeaker]\nresistance = \"8 ohm\"\n[cables.captured]\nresponse = \"cable.csv\"\n[cables.none]\nconstruction = \
         \"direct\"\n[clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 s\"\n[[comparisons]]\nname = \"pair\"\na = \
         \"captured\"\nb = \"none\"\n",
    )
    .unwrap();
    let said = run(&["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "1", "--plain"]);
    assert!(said.to_lowercase().contains("simulated"), "{said}");
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
