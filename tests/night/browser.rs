//! Headless Chromium as six phones and the room's display through a whole night on loopback.

use std::path::Path;
use std::process::Command;

#[test]
fn six_phones_and_the_display_through_a_whole_night() {
    let modules = crate::tool("EARWITNESS_NODE_MODULES");
    let folder = tempfile::tempdir().expect("a folder");
    super::stage::session(folder.path(), "abx", 2, "");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/night.mjs");
    let output = Command::new("node")
        .arg(script)
        .arg(env!("CARGO_BIN_EXE_earwitness"))
        .arg(folder.path())
        .env("EARWITNESS_NODE_MODULES", modules)
        .output()
        .expect("node runs");
    let said =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}");
    assert!(said.contains("night in a browser: all held"), "{said}");
}
