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

/// Runs the program on a folder in a browser, by a script of tests/reference, which ends with "WHO in a browser: all held" or says what does not.
/// What it printed.
fn in_browser(script: &str, folder: &std::path::Path, who: &str) -> String {
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(script);
    let output = std::process::Command::new("node")
        .arg(script)
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

/// Where `tests/run` has put a reference tool.
fn tool(variable: &str) -> String {
    std::env::var(variable).unwrap_or_else(|_| {
        panic!(
            "{variable} is not set: run `bash tests/run`, which installs the reference tools and sets it, or set it to an \
             installation of what tests/reference/requirements.txt (Python) or package.json (Node) lists"
        )
    })
}
