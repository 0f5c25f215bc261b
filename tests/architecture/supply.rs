//! What the program is built from: the bill of materials, licences, crates that are built in twice, and the list of those that the
//! proof stands on.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Crates that hash, draw, lock, write and read evidence.
const OF_THE_PROOF: [&str; 11] = [
    "sha2",
    "chacha20",
    "chacha20poly1305",
    "argon2",
    "hmac",
    "zeroize",
    "serde",
    "serde_json",
    "tar",
    "tempfile",
    "rustix",
];

#[test]
fn the_bill_of_materials_is_whole_and_the_crates_of_the_proof_are_listed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let ran = Command::new("python3")
        .arg(root.join(".ci/sbom"))
        .env("CARGO_NET_OFFLINE", "true")
        .output()
        .expect("Python");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let bill: serde_json::Value = serde_json::from_slice(&ran.stdout).expect("JSON");
    assert_eq!((&bill["bomFormat"], &bill["specVersion"]), (&"CycloneDX".into(), &"1.5".into()));
    let components = bill["components"].as_array().expect("components");
    assert!(components.len() > 150, "{} components", components.len());
    let mut versions: BTreeMap<&str, u32> = BTreeMap::new();
    for component in components {
        let name = component["name"].as_str().expect("a name");
        *versions.entry(name).or_default() += 1;
        // The digest of our own lower rooms is part of the program's, which `--version` says.
        let digest = component["hashes"][0]["content"].as_str().unwrap_or_default();
        assert_eq!(digest.len(), if name == "earwitness-numerics" { 0 } else { 64 }, "{name}'s digest");
        let licence = component["licenses"][0]["expression"].as_str().expect("a licence");
        let allowed = ["MIT", "Apache-2.0", "Zlib", "MPL-2.0"];
        assert!(allowed.iter().any(|one| licence.contains(one)), "{name}: {licence}");
    }
    // Another version of a crate is read twice by whoever reads it all.
    let twice: BTreeSet<&str> =
        versions.iter().filter(|(_, count)| **count > 1).map(|(name, _)| *name).collect();
    assert!(
        twice.is_subset(&BTreeSet::from(["syn", "thiserror", "thiserror-impl"])),
        "built in twice: {twice:?}"
    );

    let name = |reference: &str| {
        reference.trim_start_matches("pkg:cargo/").split('@').next().unwrap_or_default().to_owned()
    };
    let uses: BTreeMap<String, Vec<String>> = bill["dependencies"]
        .as_array()
        .expect("dependencies")
        .iter()
        .map(|one| {
            let of = one["dependsOn"]
                .as_array()
                .expect("a list")
                .iter()
                .filter_map(|used| used.as_str())
                .map(name)
                .collect();
            (name(one["ref"].as_str().expect("a name")), of)
        })
        .collect();
    let (mut reached, mut waiting) = (BTreeSet::new(), OF_THE_PROOF.map(str::to_owned).to_vec());
    while let Some(one) = waiting.pop() {
        waiting.extend(uses.get(&one).unwrap_or_else(|| panic!("{one} is not built in")).clone());
        if !reached.insert(one) {
            continue;
        }
        assert!(reached.len() < 200, "the crates of the proof are too many");
    }
    let notes = std::fs::read_to_string(root.join("DEVELOPERS.md")).expect("DEVELOPERS.md");
    let table = notes
        .split("| maintained by | crates |")
        .nth(1)
        .expect("the table")
        .split("\n\n")
        .next()
        .expect("its end");
    let listed: BTreeSet<String> = table
        .lines()
        .filter_map(|row| row.split('|').nth(2))
        .flat_map(|cell| cell.split([',', ';']).flat_map(|piece| piece.split(" and ")))
        .map(|piece| piece.split('(').next().unwrap_or_default().trim().to_owned())
        .filter(|piece| !piece.is_empty() && !piece.starts_with("---"))
        .collect();
    assert_eq!(listed, reached, "the list in DEVELOPERS.md and what the proof stands on");
}

/// What `.ci/reproduce` finds by building twice, as far as the sources tell: the same sources give the same bytes, so nothing of
/// the place or the hour of a build is compiled in, but for the commit and the digest of the sources.
#[test]
fn nothing_of_where_or_when_it_was_built_is_compiled_in() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (mut asked, mut wrong) = (BTreeSet::new(), Vec::new());
    for path in super::sources(&root.join("src")) {
        let code = super::code(&path);
        let built = code.split("#[cfg(test)]").next().unwrap_or_default();
        for piece in built.split("env!(\"").skip(1) {
            asked.insert(piece.split('"').next().unwrap_or_default().to_owned());
        }
        if built.contains("file!()") || built.contains("include!(") {
            wrong.push(path.display().to_string());
        }
    }
    assert!(wrong.is_empty(), "paths of the builder: {wrong:?}");
    let allowed = BTreeSet::from(["CARGO_PKG_VERSION".to_owned(), "EARWITNESS_BUILD".to_owned()]);
    assert!(asked.is_subset(&allowed), "asked of the builder: {asked:?}");
    let build = super::code(&root.join("src/build.rs"));
    let variables: Vec<&str> =
        build.split("env::var(").skip(1).map(|piece| piece.split(')').next().unwrap_or_default()).collect();
    assert_eq!(variables, ["\"PROFILE\""], "what the build script asks");
    for word in ["SystemTime", "Instant", "hostname", "temp_dir"] {
        assert!(!build.contains(word), "the build script uses {word}");
    }
}

/// Cargo strips what it links only where the program's own crate has the settings of its profile: an override for that crate by name,
/// even of its optimisation alone, makes the released program 6 MB larger.
#[test]
fn no_override_of_a_profile_names_the_program_itself() {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml"))
        .expect("a manifest");
    let manifest: toml::Table = text.parse().expect("TOML");
    let mut overridden = 0;
    for (name, profile) in manifest["profile"].as_table().expect("profiles") {
        let Some(crates) = profile.get("package").and_then(toml::Value::as_table) else { continue };
        let named = crates.keys().any(|spec| spec.split('@').next() == Some("earwitness"));
        assert!(!named, "profile {name} would not be stripped");
        overridden += crates.len();
    }
    // A level for every other crate is one for macros and build scripts too, which run for less time than that takes.
    let all = &manifest["profile"]["release"]["package"]["*"];
    assert!(all.get("codegen-units").is_some() && all.get("opt-level").is_none(), "{all}");
    assert!(overridden > 10, "{overridden} overrides: read from the wrong place");
    assert_eq!(manifest["profile"]["release"]["strip"].as_str(), Some("symbols"));
}
