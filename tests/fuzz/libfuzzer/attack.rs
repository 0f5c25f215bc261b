//! The program for libFuzzer: it attacks the reader of `tests/fuzz/targets.rs` that `EARWITNESS_TARGET` names.

#![no_main]

#[path = "../targets.rs"]
#[allow(dead_code, reason = "the dictionary is written by the tests")]
mod targets;

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

/// What is read from files only is written here.
static FOLDER: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
    let folder = tempfile::tempdir().expect("a folder");
    // What forged journals are held against.
    if let Some(seeds) = std::env::var_os("EARWITNESS_SEEDS") {
        let honest = targets::chained::HONEST;
        let _ = std::fs::copy(std::path::Path::new(&seeds).join(honest), folder.path().join(honest));
    }
    folder
});

/// The reader that is attacked.
static TARGET: LazyLock<&targets::Target> = LazyLock::new(|| {
    let name = std::env::var("EARWITNESS_TARGET")
        .expect("EARWITNESS_TARGET names a target of tests/fuzz/targets.rs");
    targets::TARGETS.iter().find(|target| target.name == name).expect("a target of this name")
});

fuzz_target!(|bytes: &[u8]| {
    let _ = targets::attempt(&TARGET, bytes, FOLDER.path());
});
