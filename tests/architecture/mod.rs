//! The map in `src/lib.rs` is held by reading the sources: who may use whom, and who may name which crate.

use std::path::{Path, PathBuf};

/// The rooms in the order the data flows; a room may use those above it.
const ROOMS: [&str; 18] = [
    "units", "circuit", "filter", "clip", "hearing", "stats", "session", "stimulus", "trial", "player",
    "evidence", "verdict", "report", "screen", "conduct", "sitting", "ballot", "cli",
];

/// Crates that only some rooms may name.
const OWNED: [(&str, &[&str]); 10] = [
    ("cpal", &["player"]),
    ("rtrb", &["player"]),
    ("ratatui", &["screen"]),
    ("crossterm", &["screen"]),
    ("clap", &["cli"]),
    ("indicatif", &["cli"]),
    ("axum", &["ballot"]),
    ("nalgebra", &["circuit"]),
    ("chacha20", &["trial"]),
    ("argon2", &["trial"]),
];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("the folder is there") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn source_root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Code without comments, so that documentation may point anywhere.
fn code(path: &Path) -> String {
    let text = std::fs::read_to_string(path).expect("a source file is text");
    text.lines().map(|line| line.find("//").map_or(line, |at| &line[..at])).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_map_names_every_room_in_order() {
    let map = std::fs::read_to_string(source_root().join("lib.rs")).expect("src/lib.rs");
    let mut last = 0;
    for room in ROOMS {
        let at = map.find(&format!("//! | [`{room}`]")).unwrap_or_else(|| panic!("{room} is not on the map"));
        assert!(at > last, "{room} stands in the wrong place of the map");
        last = at;
        assert!(map.contains(&format!("pub mod {room};")), "{room} is on the map and not in the crate");
    }
    let folders =
        std::fs::read_dir(source_root()).expect("src").filter(|e| e.as_ref().expect("entry").path().is_dir());
    assert_eq!(folders.count(), ROOMS.len(), "each folder below src is a room on the map");
}

#[test]
fn a_room_uses_only_the_rooms_above_it() {
    let mut wrong = Vec::new();
    for (place, room) in ROOMS.iter().enumerate() {
        for path in sources(&source_root().join(room)) {
            let code = code(&path);
            for below in &ROOMS[place + 1..] {
                if code.contains(&format!("crate::{below}::")) || code.contains(&format!("crate::{below};")) {
                    wrong.push(format!("{} uses {below}", path.display()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "rooms that use a room below them:\n{}", wrong.join("\n"));
}

#[test]
fn only_its_room_names_a_crate() {
    let mut wrong = Vec::new();
    for room in ROOMS {
        for path in sources(&source_root().join(room)) {
            let code = code(&path);
            for (name, owners) in OWNED {
                let named = code.contains(&format!("use {name}::")) || code.contains(&format!(" {name}::"));
                if named && !owners.contains(&room) {
                    wrong.push(format!("{} names {name}", path.display()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "crates named outside their room:\n{}", wrong.join("\n"));
}

#[test]
fn a_protocol_is_defined_in_one_file() {
    // Protocols without sentences of their own: nothing but their definition may name them.
    let mut wrong = Vec::new();
    for path in sources(&source_root()) {
        let code = code(&path);
        let code = code.split("#[cfg(test)]").next().unwrap_or_default();
        let named =
            ["DuoTrio", "Triangle", "Tetrad"].iter().any(|name| code.contains(&format!("Protocol::{name}")));
        if named != path.ends_with("stats/protocol.rs") {
            wrong.push(path.display().to_string());
        }
    }
    assert!(wrong.is_empty(), "a protocol is named outside its definition:\n{}", wrong.join("\n"));
}

#[test]
fn files_stay_readable() {
    let mut long = Vec::new();
    for path in sources(&source_root()) {
        let lines = std::fs::read_to_string(&path).expect("text").lines().count();
        if lines > 600 {
            long.push(format!("{} has {lines} lines", path.display()));
        }
    }
    assert!(long.is_empty(), "files above 600 lines, to be split by subject:\n{}", long.join("\n"));
}
