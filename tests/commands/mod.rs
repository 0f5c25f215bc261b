//! The real program as its users run it: exit status, standard output, standard error.

mod archive;
mod bad_input;
mod check_page;
pub(crate) mod documents;
pub(crate) mod material;
pub(crate) mod photographs;
mod refusals;
pub(crate) mod sealed_inputs;
mod session_plan;
mod sound_device;
mod switcher;
mod thresholds;
mod usage;
mod whole_job;

use std::path::Path;
use std::process::{Command, Output};

/// The built program.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_earwitness");

/// What a run gave.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs the program in `folder` without a terminal, and insists that it ended by itself and without a panic.
pub(crate) fn earwitness(folder: &Path, arguments: &[&str]) -> Ran {
    let output = Command::new(PROGRAM)
        .args(arguments)
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .stdin(std::process::Stdio::null())
        .output()
        .expect("the program starts");
    ran(&output, arguments)
}

pub(crate) fn ran(output: &Output, arguments: &[&str]) -> Ran {
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!err.contains("panicked at"), "{arguments:?} panicked:\n{err}");
    Ran {
        code: output.status.code().unwrap_or_else(|| panic!("{arguments:?} was killed by a signal:\n{err}")),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err,
    }
}

/// Runs the program and insists that it ended well.
pub(crate) fn succeeded(folder: &Path, arguments: &[&str]) -> Ran {
    let ran = earwitness(folder, arguments);
    assert_eq!(ran.code, 0, "{arguments:?}\n{}\n{}", ran.out, ran.err);
    ran
}

/// The JSON document that a command prints; its schema comes first.
pub(crate) fn json(folder: &Path, arguments: &[&str]) -> serde_json::Value {
    let ran = succeeded(folder, arguments);
    let first = format!("{{\n  \"schema\": \"earwitness.{}/1\"", arguments[0]);
    let compact = format!("{{\"schema\":\"earwitness.{}/1\"", arguments[0]);
    assert!(
        ran.out.starts_with(&first) || ran.out.starts_with(&compact),
        "the schema comes first: {}",
        ran.out
    );
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{arguments:?}: {error}\n{}", ran.out))
}

/// Insists on exit status 2, nothing on standard output, and every word on standard error.
pub(crate) fn refused(folder: &Path, arguments: &[&str], words: &[&str]) {
    let ran = earwitness(folder, arguments);
    assert_eq!(ran.code, 2, "{arguments:?} gave\n{}\n{}", ran.out, ran.err);
    assert!(ran.out.is_empty(), "{arguments:?} printed a result: {}", ran.out);
    for word in words {
        assert!(ran.err.contains(word), "{arguments:?}: \"{word}\" is missing in\n{}", ran.err);
    }
}
