//! README and notes for developers name only commands and options that there are.

use std::collections::{BTreeMap, BTreeSet};

use super::earwitness;

/// Every `earwitness COMMAND ...` in code of a document.
fn calls(document: &str) -> Vec<String> {
    let mut calls = Vec::new();
    let mut fenced = false;
    for line in document.lines() {
        if line.trim_start().starts_with("```") {
            fenced = !fenced;
        } else if fenced {
            let code = line.split('#').next().unwrap_or_default();
            if let Some(at) = code.find("earwitness ") {
                calls.push(code[at..].trim().to_owned());
            }
        } else {
            calls.extend(
                line.split('`')
                    .skip(1)
                    .step_by(2)
                    .filter(|c| c.starts_with("earwitness "))
                    .map(str::to_owned),
            );
        }
    }
    calls
}

#[test]
fn documents_name_only_commands_and_options_that_there_are() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut help: BTreeMap<String, String> = BTreeMap::new();
    let mut seen = 0;
    for file in
        ["README.md", "DEVELOPERS.md", "sessions/bet-at-home/session.toml", "src/session/template.toml"]
    {
        let text = std::fs::read_to_string(root.join(file)).expect("the document is there");
        let text = text.replace("#   earwitness", "`earwitness").replace("# Edit it, then: ", "");
        for call in calls(&text) {
            let mut words = call.split_whitespace().skip(1);
            let mut command = vec![words.next().unwrap_or_default()];
            // The bench has commands of its own.
            if command[0] == "bench" {
                command.extend(words.next());
            }
            let own = help.entry(command.join(" ")).or_insert_with(|| {
                let ran = earwitness(folder.path(), &[&command[..], &["--help"]].concat());
                assert_eq!(ran.code, 0, "{file}: there is no command in: {call}");
                ran.out
            });
            for option in words.filter(|word| word.starts_with("--")) {
                let option = option.trim_end_matches(|c: char| !c.is_alphanumeric());
                assert!(own.contains(option), "{file}: there is no {option} in: {call}");
            }
            seen += 1;
        }
    }
    assert!(seen >= 12, "only {seen} calls were found; is the search still right?");
}

#[test]
fn files_that_documents_point_to_are_there() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    for file in ["README.md", "DEVELOPERS.md"] {
        let text = std::fs::read_to_string(root.join(file)).expect("the document is there");
        for word in text.split('`').skip(1).step_by(2) {
            let path = ["src/", "tests/", "sessions/", ".ci/"].iter().any(|start| word.starts_with(start));
            if path && !word.contains(' ') && !word.contains('*') {
                assert!(root.join(word).exists(), "{file} points to {word}, which is not there");
            }
        }
    }
}

/// Words of letters, digits and underscores, and with them whatever stands between spaces.
fn words(text: &str) -> BTreeSet<String> {
    let parts = text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').map(str::to_owned);
    parts
        .chain(
            text.split_whitespace().map(|word| word.trim_matches(&[',', ';', '(', ')', '|'][..]).to_owned()),
        )
        .collect()
}

fn sources(folder: &std::path::Path, of: &mut Vec<String>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            sources(&path, of);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = std::fs::read_to_string(path).expect("a source file is text");
            let code = text.split("#[cfg(test)]").next().unwrap_or_default();
            of.push(
                code.lines()
                    .filter(|line| !line.trim_start().starts_with("//"))
                    .collect::<Vec<_>>()
                    .join("\n"),
            );
        }
    }
}

/// The first literal after each of these, where it is a key: lower-case letters, digits and underscores.
fn literals_after(code: &str, before: &str, found: &mut BTreeSet<String>) {
    for (at, _) in code.match_indices(before) {
        let rest = code[at + before.len()..].trim_start();
        let Some((literal, _)) = rest.strip_prefix('"').and_then(|rest| rest.split_once('"')) else {
            continue;
        };
        if literal.starts_with(|c: char| c.is_ascii_lowercase())
            && literal.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
        {
            found.insert(literal.to_owned());
        }
    }
}

/// Keys that the reader of sessions asks for with these calls.
pub(crate) fn keys_after(calls: &[&str]) -> BTreeSet<String> {
    let mut codes = Vec::new();
    sources(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/session"), &mut codes);
    let mut keys = BTreeSet::new();
    for code in &codes {
        for call in calls {
            literals_after(code, call, &mut keys);
        }
    }
    keys
}

/// A key that the reader of sessions asks for stands in the template or in README, or this fails.
#[test]
fn every_key_of_a_session_is_documented() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let keys = keys_after(&[
        ".has(",
        ".is_table(",
        ".is_text(",
        ".text(",
        ".required_text(",
        ".quantity(",
        ".number(",
        ".number_within(",
        ".whole(",
        ".flag(",
        ".choice(",
        ".texts(",
        ".table(",
        ".tables(",
        "written(",
        "table, ",
        "&mut inner, ",
        "inner, ",
        "&mut branch, ",
    ]);
    assert!(keys.len() > 110, "only {} keys were found; is the search still right?", keys.len());
    let read = |file: &str| std::fs::read_to_string(root.join(file)).expect("the document is there");
    let documented = words(&(read("README.md") + &read("src/session/template.toml")));
    let missing: Vec<&String> = keys.iter().filter(|key| !documented.contains(*key)).collect();
    assert!(missing.is_empty(), "keys that neither README.md nor the template names: {missing:?}");
}

/// A unit that is understood stands in README's table of units, or this fails.
#[test]
fn every_unit_is_documented() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |file: &str| std::fs::read_to_string(root.join(file)).expect("the document is there");
    let readme = read("README.md");
    let table = readme.split("| quantity | units |").nth(1).expect("README has a table of units");
    let table = table.split("\n\n").next().unwrap_or_default();
    let documented = words(table);
    let mut units = 0;
    for line in read("src/units/spelling.rs").lines().take_while(|line| !line.contains("fn ")) {
        for unit in line.split("(\"").skip(1).filter_map(|rest| rest.split_once("\", ")) {
            let there =
                if unit.0.contains(' ') { table.contains(unit.0) } else { documented.contains(unit.0) };
            assert!(there, "README's table of units has no {}", unit.0);
            units += 1;
        }
    }
    assert!(units >= 60, "only {units} units were found; is the search still right?");
}

/// A protocol stands in README's table of protocols, or this fails.
#[test]
fn every_protocol_is_documented() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = std::fs::read_to_string(root.join("README.md")).expect("README");
    let table = readme.split("| protocol | you are asked |").nth(1).expect("README has a table of protocols");
    let table = table.split("\n\n").next().unwrap_or_default();
    for protocol in earwitness::stats::Protocol::ALL {
        assert!(
            table.contains(&format!("\n| `{protocol}` | ")),
            "README's table of protocols has no {protocol}"
        );
    }
}

/// A command that help lists stands in README, or this fails.
#[test]
fn every_command_is_documented() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = std::fs::read_to_string(root.join("README.md")).expect("README");
    let help = earwitness(root, &["--help"]).out;
    let list = help.split("Commands:").nth(1).expect("a list of commands");
    let mut commands = 0;
    for line in list.lines().take_while(|line| !line.starts_with("Options")) {
        let Some(command) = line.strip_prefix("  ").filter(|line| !line.starts_with(' ')) else { continue };
        let command = command.split_whitespace().next().unwrap_or_default();
        if command != "help" {
            let named = ["earwitness ", "`", "-- "].iter().any(|before| {
                let named = format!("{before}{command}");
                readme.split(&named).skip(1).any(|rest| !rest.starts_with(char::is_alphanumeric))
            });
            assert!(named, "README does not name the command {command}");
            commands += 1;
        }
    }
    assert!(commands >= 14, "{commands}: {help}");
}

/// A field that openings have only since format 2 is refused in those of format 1, and stands on the page for strangers, or
/// this fails.
#[test]
fn every_later_field_of_an_opening_is_checked_and_described() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |file: &str| std::fs::read_to_string(root.join(file)).expect("the file is there");
    let (record, terms) = (read("src/trial/record.rs"), read("src/trial/terms.rs"));
    let after = |text: &str, start: &str, end: &str| {
        let rest = text.split_once(start).expect("it is still called so").1;
        rest.split_once(end).expect("it ends").0.to_owned()
    };
    let checked = after(&record, "fn fits_its_format", "\n    }\n");
    let described = words(&read("src/trial/FORMAT.md"));
    let opening = format!("Opening {{{}", after(&record, "pub struct Opening {", "\n}"));
    let structs = terms.split("pub struct ").skip(1).filter_map(|own| own.split_once("\n}"));
    let mut fields = 0;
    for own in structs.map(|(own, _)| own).chain([opening.as_str()]) {
        for field in own.split("skip_serializing_if = \"Option::is_none\")]\n    pub ").skip(1) {
            let name = field.split(':').next().unwrap_or_default();
            // A switch is refused as a whole.
            let whole = own.starts_with("SwitcherTerms");
            let refused = whole || checked.contains(&format!(".{name}.is_some()"));
            assert!(refused, "`Opening::fits_its_format` does not know the field {name}");
            assert!(described.contains(name), "src/trial/FORMAT.md does not name the field {name}");
            fields += 1;
        }
    }
    assert!(fields >= 18, "only {fields} fields were found; is the search still right?");
}
