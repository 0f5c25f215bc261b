//! The map in `src/lib.rs` is held by reading the sources: who may use whom, and who may name which crate.

mod circles;
mod supply;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// The rooms in the order the data flows; a room may use those above it.
const ROOMS: [&str; 22] = [
    "system", "units", "files", "circuit", "filter", "clip", "hearing", "stats", "session", "stimulus",
    "trial", "player", "switcher", "bench", "evidence", "verdict", "report", "screen", "conduct", "sitting",
    "ballot", "cli",
];

/// Crates that only some rooms may name.
const OWNED: [(&str, &[&str]); 20] = [
    ("rustix", &["system"]),
    ("serial2", &["switcher"]),
    ("tar", &["report"]),
    ("cpal", &["player"]),
    ("rtrb", &["player"]),
    ("ratatui", &["screen"]),
    ("crossterm", &["screen"]),
    ("clap", &["cli"]),
    ("clap_complete", &["cli"]),
    ("clap_mangen", &["cli"]),
    ("indicatif", &["cli"]),
    ("axum", &["ballot"]),
    ("nalgebra", &["circuit"]),
    ("chacha20", &["trial"]),
    ("argon2", &["trial"]),
    ("symphonia", &["clip"]),
    ("maud", &["report", "ballot"]),
    ("tokio", &["ballot"]),
    ("signal_hook", &["system"]),
    ("multiversion", &["system"]),
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
    let read = |name: &str| std::fs::read_to_string(source_root().join(name)).expect("a root of a crate");
    let (map, lower) = (read("lib.rs"), read("numerics.rs"));
    let mut last = 0;
    let last_of_numerics = ROOMS.iter().position(|room| *room == "stats").expect("it is on the map");
    for (place, room) in ROOMS.into_iter().enumerate() {
        let at = map.find(&format!("//! | [`{room}`]")).unwrap_or_else(|| panic!("{room} is not on the map"));
        assert!(at > last, "{room} stands in the wrong place of the map");
        last = at;
        let here = [&map, &lower].map(|root| root.contains(&format!("pub mod {room};")));
        let ends = last_of_numerics < place;
        assert_eq!(here, [ends, !ends], "{room} is in the other crate, in both or in none");
    }
    let folders =
        std::fs::read_dir(source_root()).expect("src").filter(|e| e.as_ref().expect("entry").path().is_dir());
    assert_eq!(
        folders.count(),
        ROOMS.len() + 1,
        "each folder below src is a room on the map, or names the crate of the lower rooms"
    );
}

/// The first segments of all paths that begin with `root::`, those of `use root::{first::.., second}` among them.
fn first_segments(code: &str, root: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let root = format!("{root}::");
    for (at, _) in code.match_indices(&root) {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|letter| letter.is_alphanumeric() || letter == '_' || letter == ':') {
            continue;
        }
        let rest = code[at + root.len()..].trim_start();
        let Some(group) = rest.strip_prefix('{') else {
            found.insert(word(rest));
            continue;
        };
        let (mut depth, mut begins) = (0_usize, true);
        for (index, letter) in group.char_indices() {
            match letter {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                ',' if depth == 0 => begins = true,
                _ if begins && !letter.is_whitespace() => {
                    found.insert(word(&group[index..]));
                    begins = false;
                }
                _ => {}
            }
        }
    }
    found
}

fn word(text: &str) -> String {
    text.chars().take_while(|letter| letter.is_alphanumeric() || *letter == '_').collect()
}

#[test]
fn every_way_to_write_an_import_is_seen() {
    let seen = |code: &str| first_segments(code, "crate").into_iter().collect::<Vec<_>>().join(" ");
    assert_eq!(seen("use crate::cli;"), "cli");
    assert_eq!(seen("let x = crate::report::verdict::y();"), "report");
    assert_eq!(seen("use crate::{\n    clip::{self, write::{A, B}},\n    screen,\n};"), "clip screen");
    assert_eq!(seen("use crate::{sitting as s, units::*};"), "sitting units");
    assert_eq!(seen("use another_crate::player; x::crate::y"), "", "only this crate's root counts");
}

#[test]
fn a_room_uses_only_the_rooms_above_it() {
    let mut wrong = Vec::new();
    for (place, room) in ROOMS.iter().enumerate() {
        for path in sources(&source_root().join(room)) {
            let used = first_segments(&code(&path), "crate");
            for below in ROOMS[place + 1..].iter().filter(|below| used.contains(**below)) {
                wrong.push(format!("{} uses {below}", path.display()));
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
                let named = !first_segments(&code, name).is_empty()
                    || code.contains(&format!("use {name};"))
                    || code.contains(&format!("use {name} as "));
                if named && !owners.contains(&room) {
                    wrong.push(format!("{} names {name}", path.display()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "crates named outside their room:\n{}", wrong.join("\n"));
}

#[test]
fn randomness_from_the_operating_system_is_drawn_where_secrets_are_made() {
    // The seal's secrets and salts, phones' passes and the seed of simulated listeners; nothing else is random.
    const PLACES: [&str; 3] = ["trial", "conduct", "ballot"];
    let mut wrong = Vec::new();
    for room in ROOMS.iter().filter(|room| !PLACES.contains(room)) {
        for path in sources(&source_root().join(room)) {
            let code = code(&path);
            if ["SysRng", "OsRng", "getrandom", "rand::rng()", "rand::random"]
                .iter()
                .any(|n| code.contains(n))
            {
                wrong.push(path.display().to_string());
            }
        }
    }
    assert!(wrong.is_empty(), "randomness outside its place:\n{}", wrong.join("\n"));
}

#[test]
fn a_protocol_is_defined_in_one_file() {
    // What a protocol asks, means and is called is data: nothing but its definition names it. ABX is also what a command
    // assumes where none is given.
    let mut wrong = Vec::new();
    for path in sources(&source_root()) {
        let code = code(&path);
        let code = code.split("#[cfg(test)]").next().unwrap_or_default();
        let named = ["DuoTrio", "Triangle", "Tetrad", "TwoAfc", "SameDifferent", "ANotA"]
            .iter()
            .any(|name| code.contains(&format!("Protocol::{name}")));
        if named != path.ends_with("stats/protocol/entries.rs") {
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

#[test]
fn every_dependency_has_a_reason() {
    let mut checked = 0;
    for file in ["Cargo.toml", "src/numerics/Cargo.toml"] {
        let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).expect(file);
        let mut among_dependencies = false;
        for line in text.lines() {
            if line.starts_with('[') {
                among_dependencies = line.contains("dependencies");
            } else if among_dependencies && line.contains(" = ") && !line.starts_with('#') {
                let reason = line.rsplit_once(" # ").map_or("", |(_, reason)| reason.trim());
                assert!(reason.split_whitespace().count() >= 2, "{file} does not say what for: {line}");
                checked += 1;
            }
        }
    }
    assert!(checked > 55, "only {checked} dependencies were found");
}

/// Where a number with a chosen count of decimals stands before one of these, it was formatted outside the room for that.
const PRINTED_UNITS: [&str; 14] =
    ["%", "dB", "dBFS", "dBTP", "Hz", "kHz", "ohm", "Ω", "ms", "s", "W", "ppm", "uH", "degrees"];

/// Numbers that a line of source formats by itself: a placeholder with decimals before a unit, or before "p".
fn formats_by_itself(line: &str) -> bool {
    let decimals = line.match_indices('}').any(|(end, _)| {
        let Some(start) = line[..end].rfind('{') else { return false };
        let unit: String = line[end + 1..]
            .strip_prefix([' ', '\u{a0}'])
            .unwrap_or_default()
            .chars()
            .take_while(|letter| letter.is_alphanumeric() || *letter == '%')
            .collect();
        line[start..end].contains(":.") && PRINTED_UNITS.contains(&unit.as_str())
            || line[start..end].contains(":+.") && PRINTED_UNITS.contains(&unit.as_str())
    });
    decimals || ["(p {}", " p {},", " p {}.", "p = {", " p = \""].iter().any(|sign| line.contains(sign))
}

#[test]
fn one_room_formats_what_people_read() {
    assert!(
        formats_by_itself(r#"format!("{db:.2} dB off")"#)
            && formats_by_itself(r#"format!("{:+.1} dBFS", x)"#)
    );
    assert!(
        formats_by_itself(r#""alone (p = {})","#) && !formats_by_itself(r#""{} dB and {:.3} of d-prime""#)
    );
    let mut wrong = Vec::new();
    for path in sources(&source_root()).into_iter().filter(|path| !path.ends_with("units/printed.rs")) {
        let code = code(&path);
        let shown = code.split("#[cfg(test)]\nmod").next().unwrap_or_default();
        for line in shown.lines().filter(|line| formats_by_itself(line)) {
            wrong.push(format!("{}: {}", path.display(), line.trim()));
        }
    }
    assert!(wrong.is_empty(), "numbers that units::printed should format:\n{}", wrong.join("\n"));
}

#[test]
fn only_the_room_of_the_system_names_one_system() {
    let mut wrong = Vec::new();
    for path in sources(&source_root()).iter().filter(|path| !path.starts_with(source_root().join("system")))
    {
        let code = code(path);
        let built = code.split("#[cfg(test)]").next().unwrap_or_default();
        for word in ["std::os::", "cfg(unix)", "cfg(windows)", "target_os", "/proc/"] {
            if built.contains(word) {
                wrong.push(format!("{}: {word}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "what differs between systems belongs to src/system:\n{}", wrong.join("\n"));
}

/// What a person wrote reaches a report through the anonymiser and in no other way.
#[test]
fn only_the_anonymiser_clears_what_people_wrote() {
    let mut wrong = Vec::new();
    for path in sources(&source_root()) {
        let (file, code) = (path.display().to_string(), code(&path));
        let clears = code.contains("Written::cleared(");
        if clears && !["evidence/hide.rs", "session/written.rs"].iter().any(|own| file.ends_with(own)) {
            wrong.push(format!("{file} clears words"));
        }
        if file.contains("src/report") && code.contains(".as_written(") {
            wrong.push(format!("{file} reads words that nobody cleared"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Whether a literal is more than one word: a sentence, or a part of one.
fn is_sentence(literal: &str) -> bool {
    let long = |word: &&str| word.len() > 1 && word.chars().all(|letter| letter.is_ascii_alphabetic());
    literal.split(' ').filter(long).count() > 1
}

/// Meaning travels in types: nothing is decided by what a sentence says, so that a sentence can be changed. Files of other
/// people's formats, the operating system's messages and the notes of old journals are read as they were written.
#[test]
fn no_decision_asks_what_a_sentence_says() {
    let mut wrong = Vec::new();
    for path in sources(&source_root()) {
        let file = path.display().to_string();
        if file.ends_with("tests.rs")
            || ["circuit/touchstone.rs", "files/mod.rs", "evidence/noted.rs"]
                .iter()
                .any(|own| file.ends_with(own))
        {
            continue;
        }
        let code = code(&path);
        let code = code.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
        for asks in [
            "== ",
            "!= ",
            "starts_with(",
            "ends_with(",
            "contains(",
            "strip_prefix(",
            "strip_suffix(",
            "split_once(",
            "find(",
        ] {
            for (at, _) in code.match_indices(&format!("{asks}\"")) {
                let literal = code[at + asks.len() + 1..].split(['"', '\n']).next().unwrap_or_default();
                if is_sentence(literal) {
                    wrong.push(format!("{file}: {asks}\"{literal}\""));
                }
            }
        }
        for line in code.lines() {
            let arm = line.split_once("\" =>").and_then(|(before, _)| before.split_once('"'));
            if arm.is_some_and(|(_, pattern)| pattern.split('"').any(is_sentence)) {
                wrong.push(format!("{file}: {}", line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "decisions that ask what a sentence says:\n{}", wrong.join("\n"));
}
