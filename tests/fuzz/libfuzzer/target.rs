//! A program for libFuzzer. Each target of `tests/fuzz/targets.rs` is a program of this one file, and reads what its name says.

#![no_main]

#[path = "../targets.rs"]
#[allow(dead_code, reason = "the dictionary is written by the tests")]
mod targets;

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

/// What is read from files only is written here.
static FOLDER: LazyLock<tempfile::TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a folder"));

fuzz_target!(|bytes: &[u8]| {
    let target = targets::TARGETS.iter().find(|target| target.name == env!("CARGO_BIN_NAME"));
    let _ = targets::attempt(target.expect("a target of this name"), bytes, FOLDER.path());
});
