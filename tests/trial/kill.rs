//! The real program, killed in the middle of a sitting, resumed, finished, verified.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use super::python;
use crate::commands::earwitness;

const SESSION: &str = r#"
title = "Invented flex against no cable"
invented = true
protocol = "triangle"
trials = 150
warm_up = 1
alpha = 0.05

[amplifier]
output_resistance = "30 mohm"

[loudspeaker]
resistance = "8 ohm"

[cables.flex]
construction = "parallel-pair"
length = "8 m"
conductor = "0.75 mm2"
spacing = "2.9 mm"
permittivity = 4.0

[cables.none]
construction = "direct"

[clips.plucked]
synth = "plucked-strings"
length = "1 s"

[[comparisons]]
name = "flex-none"
a = "flex"
b = "none"
clips = ["plucked"]

[[controls]]
kind = "identical"
trials = 5
"#;

const RUN: [&str; 7] =
    ["run", ".", "--listener", "Invented Listener", "--simulate", "0.7", "--output=silent"];

fn journal(sittings: &Path) -> Option<PathBuf> {
    std::fs::read_dir(sittings).ok()?.filter_map(Result::ok).map(|entry| entry.path()).find(|path| {
        path.extension().is_some_and(|extension| extension == "jsonl")
            && path.file_name().is_some_and(|name| name != "register.jsonl")
    })
}

#[test]
fn a_sitting_killed_three_times_resumes_finishes_and_verifies() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("session.toml"), SESSION).unwrap();
    let sittings = folder.path().join("sittings");
    let mut kept = Vec::new();
    for round in 1..=3 {
        let mut arguments = RUN.to_vec();
        if round > 1 {
            arguments.push("--resume");
        }
        let mut child = Command::new(env!("CARGO_BIN_EXE_earwitness"))
            .args(&arguments)
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let started = Instant::now();
        loop {
            let lines = journal(&sittings)
                .and_then(|path| std::fs::read(path).ok())
                .map_or(0, |bytes| bytes.iter().filter(|&&byte| byte == b'\n').count());
            if lines >= 20 * round {
                break;
            }
            assert!(started.elapsed() < Duration::from_secs(120), "the sitting does not go on");
            std::thread::sleep(Duration::from_millis(1));
        }
        // SIGKILL: nothing can be tidied up.
        child.kill().unwrap();
        child.wait().unwrap();
        let path = journal(&sittings).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        let whole = bytes.iter().rposition(|&byte| byte == b'\n').unwrap() + 1;
        assert!(bytes.starts_with(&kept), "round {round}: a durable record is gone");
        kept = bytes[..whole].to_vec();
        assert_eq!(crate::trial::kit::check(&path).problems, []);
    }
    let mut arguments = RUN.to_vec();
    arguments.push("--resume");
    let ran = earwitness(folder.path(), &arguments);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let path = journal(&sittings).unwrap();
    assert!(std::fs::read(&path).unwrap().starts_with(&kept));
    python::agree(&path);
    let checked = crate::trial::kit::check(&path);
    assert_eq!(checked.resumed, 3);
    assert_eq!(checked.total().unwrap().trials, 150);
    let ran = earwitness(folder.path(), &["verify", ".", "--session", "."]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("simulated"), "{}", ran.out);
}
