//! Witnesses' phones: Chromium through a whole sitting, a second terminal, and who is let in.

use std::path::Path;
use std::process::Command;

use crate::commands::earwitness;

/// A sitting long enough for everything that happens to it, with a simulated listener.
fn session(folder: &Path) {
    super::stage::session(folder, "abx", 500, "");
}

#[test]
fn chromium_as_witness_through_sleep_reload_death_and_a_killed_computer() {
    let modules = crate::tool("EARWITNESS_NODE_MODULES");
    let folder = tempfile::tempdir().expect("a folder");
    session(folder.path());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/witness.mjs");
    let output = Command::new("node")
        .arg(script)
        .args([Path::new(env!("CARGO_BIN_EXE_earwitness")), folder.path()])
        .args(std::env::var_os("EARWITNESS_PICTURES"))
        .env("EARWITNESS_NODE_MODULES", modules)
        .output()
        .expect("node runs");
    let said =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && said.contains("witnesses in a browser: all held"), "{said}");
    let held = earwitness(
        folder.path(),
        &["verify", ".", "--witness", "copy-first.json", "--witness", "copy-second.json"],
    );
    assert_eq!(held.code, 0, "{}{}{said}", held.out, held.err);
    assert!(held.out.contains("trials witnessed by Jorin, Pia"), "{}", held.out);
    assert!(held.out.contains("copy held against it"), "{}", held.out);
}
