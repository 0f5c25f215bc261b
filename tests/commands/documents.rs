//! README and notes for developers name only commands and options that there are.

use std::collections::BTreeMap;

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
            let command = words.next().unwrap_or_default().to_owned();
            let own = help.entry(command.clone()).or_insert_with(|| {
                let ran = earwitness(folder.path(), &[&command, "--help"]);
                assert_eq!(ran.code, 0, "{file}: there is no command in: {call}");
                ran.out
            });
            for option in words.filter(|word| word.starts_with("--")) {
                let option = option.trim_end_matches(|c: char| !c.is_alphanumeric());
                assert!(own.contains(option), "{file}: {command} has no {option}: {call}");
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
