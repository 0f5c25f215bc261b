//! One integration binary, one folder per room.

#![allow(clippy::disallowed_methods, reason = "tests watch real programs and write whatever files they need")]
#![allow(clippy::unwrap_used, reason = "a failed assumption of a test is its result")]

mod architecture;
mod bench;
mod blind;
mod circuit;
mod commands;
mod fuzz;
mod night;
mod report;
mod screen;
mod session;
mod sound;
mod stats;
mod trial;
mod verdict;

/// Makes a test in which sound runs in real time. A machine that stands still for half a second makes a hole in that, which voids
/// the trial, as it should (`screen::killed` and the browsers' night see to that); a test of something else is then made again.
fn unless_sound_drops_out(test: impl Fn()) {
    for _ in 0..2 {
        let Err(failed) = std::panic::catch_unwind(std::panic::AssertUnwindSafe(&test)) else { return };
        let said = failed.downcast_ref::<String>().is_some_and(|said| said.contains("sound dropped out"));
        if !said {
            std::panic::resume_unwind(failed);
        }
    }
    test();
}

/// Runs the program on a folder in a browser, by a script of tests/reference, which ends with "WHO in a browser: all held" or says what does not.
/// What it printed.
fn in_browser(script: &str, folder: &std::path::Path, who: &str) -> String {
    let output = node(script)
        .args([std::path::Path::new(env!("CARGO_BIN_EXE_earwitness")), folder])
        .args(std::env::var_os("EARWITNESS_PICTURES"))
        .env("EARWITNESS_NODE_MODULES", tool("EARWITNESS_NODE_MODULES"))
        .output()
        .expect("node runs");
    let said =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && said.contains(&format!("{who} in a browser: all held")), "{said}");
    said
}

/// Node with a script of tests/reference.
fn node(script: &str) -> std::process::Command {
    let mut command = std::process::Command::new("node");
    command.arg(std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(script));
    command
}

/// What a script of tests/reference found in pages, each opened in a browser; with pictures of them in the folder
/// `EARWITNESS_SHOTS`, if that is set.
fn pages_in_browser(script: &str, more: &[&str], files: &[std::path::PathBuf]) -> Vec<serde_json::Value> {
    let mut command = node(script);
    command.args(["--modules", &tool("EARWITNESS_NODE_MODULES")]).args(more).args(files);
    if let Some(shots) = std::env::var_os("EARWITNESS_SHOTS") {
        command.arg("--shots").arg(shots);
    }
    let run = command.output().expect("node starts");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    serde_json::from_slice(&run.stdout).expect("JSON")
}

/// Where `tests/run` has put a reference tool.
fn tool(variable: &str) -> String {
    std::env::var(variable).unwrap_or_else(|_| {
        panic!(
            "{variable} is not set: run `bash tests/run`, which installs the reference tools and sets it, or set it to an \
             installation of what tests/reference/requirements.txt (Python) or package.json (Node) lists"
        )
    })
}
