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

/// Where `tests/run` has put a reference tool.
fn tool(variable: &str) -> String {
    std::env::var(variable).unwrap_or_else(|_| {
        panic!(
            "{variable} is not set: run `bash tests/run`, which installs the reference tools and sets it, or set it to an \
             installation of what tests/reference/requirements.txt (Python) or package.json (Node) lists"
        )
    })
}
