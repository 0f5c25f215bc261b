//! Which files of a room import one another in a circle: those listed here, and no others.

use std::collections::{BTreeMap, BTreeSet};

use super::{code, source_root, sources};

/// Files that stay in a circle, and why.
const STAY: [(&str, &str); 1] = [(
    "circuit::cable circuit::tolerance",
    "one type, each half of it in a file: a cable within limits is a cable around another one",
)];

/// A file as its path below the root, and an item as the path of its file and more.
type Segments = Vec<String>;

/// The paths of a tree of imports, groups written out: `a::{b, c::{d, e}}` is `a::b`, `a::c::d`, `a::c::e`.
fn paths(tree: &str) -> Vec<String> {
    let Some((before, group)) = tree.trim().split_once('{') else {
        return vec![tree.split(" as ").next().unwrap_or(tree).trim().to_owned()];
    };
    let group = group.trim_end().strip_suffix('}').unwrap_or(group);
    let (mut depth, mut from, mut found) = (0, 0, Vec::new());
    for (at, letter) in group.char_indices().chain([(group.len(), ',')]) {
        match letter {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                let inner = group[from..at].trim();
                found.extend(paths(inner).into_iter().filter(|path| !path.is_empty()));
                from = at + 1;
            }
            _ => {}
        }
    }
    found.into_iter().map(|path| format!("{}{path}", before.trim())).collect()
}

/// The same from the root, as seen from a file; `None` for another crate's.
fn from_root(file: &[String], path: &str, files: &BTreeMap<Segments, String>) -> Option<Segments> {
    let mut here = file.to_vec();
    let mut rest = path.split("::").filter(|segment| !matches!(*segment, "self" | "*")).peekable();
    match *rest.peek()? {
        "crate" => {
            here.clear();
            rest.next();
        }
        "super" => {}
        first => {
            let inner: Segments = here.iter().cloned().chain([first.to_owned()]).collect();
            files.contains_key(&inner).then_some(())?;
        }
    }
    for segment in rest {
        if segment == "super" {
            here.pop();
        } else {
            here.push(segment.to_owned());
        }
    }
    Some(here)
}

/// Files with what each imports of its own room, names that are handed on followed to where they come from.
fn imports() -> BTreeMap<Segments, BTreeSet<Segments>> {
    let root = source_root();
    let mut files = BTreeMap::new();
    for path in sources(&root) {
        let name = path.strip_prefix(&root).expect("below src").with_extension("");
        let mut file: Segments = name.iter().map(|part| part.to_string_lossy().into_owned()).collect();
        if file.last().is_some_and(|last| last == "mod") {
            file.pop();
        }
        let code = code(&path);
        files.insert(file, code.split("#[cfg(test)]\nmod ").next().unwrap_or_default().to_owned());
    }
    let (mut used, mut handed_on) = (Vec::new(), BTreeMap::new());
    for (file, code) in &files {
        for statement in code.replace('\n', " ").split(';') {
            let words = statement.rsplit_once("use ").filter(|(before, tree)| {
                let before = before.trim_end();
                let starts =
                    before.is_empty() || before.ends_with(['}', ']', ')', '{']) || before.ends_with("pub");
                starts && !tree.contains(['=', '('])
            });
            let Some((before, tree)) = words else { continue };
            let public = before.trim_end().ends_with("pub") || before.trim_end().ends_with(')');
            for path in paths(tree).iter().filter_map(|path| from_root(file, path, &files)) {
                if public {
                    let name = path.last().expect("a name").clone();
                    handed_on.insert((file.clone(), name), path);
                } else {
                    used.push((file, path));
                }
            }
        }
    }
    let home = |path: &Segments| (1..=path.len()).rev().find(|length| files.contains_key(&path[..*length]));
    let mut found: BTreeMap<Segments, BTreeSet<Segments>> = BTreeMap::new();
    for (file, mut path) in used {
        for _ in 0..6 {
            let Some(length) = home(&path) else { break };
            let key = path.get(length).map(|name| (path[..length].to_vec(), name.clone()));
            match key.and_then(|key| handed_on.get(&key)).filter(|other| **other != path) {
                Some(other) => path = other.iter().chain(&path[length + 1..]).cloned().collect(),
                None => break,
            }
        }
        let Some(length) = home(&path) else { continue };
        let target = path[..length].to_vec();
        if target != *file && target[0] == file[0] {
            found.entry(file.clone()).or_default().insert(target);
        }
    }
    found
}

#[test]
fn no_files_import_one_another_in_a_circle_but_those_that_say_why() {
    let imports = imports();
    assert!(imports.values().map(BTreeSet::len).sum::<usize>() > 800, "imports are seen");
    let reached = |from: &Segments| {
        let (mut all, mut next) = (BTreeSet::new(), vec![from.clone()]);
        while let Some(file) = next.pop() {
            next.extend(
                imports.get(&file).into_iter().flatten().filter(|to| all.insert((*to).clone())).cloned(),
            );
        }
        all
    };
    let reached: BTreeMap<&Segments, BTreeSet<Segments>> =
        imports.keys().map(|file| (file, reached(file))).collect();
    let mut circles = BTreeSet::new();
    for (file, all) in &reached {
        let circle: Vec<String> = all
            .iter()
            .filter(|other| reached.get(other).is_some_and(|back| back.contains(*file)))
            .map(|other| other.join("::"))
            .collect();
        if circle.len() > 1 {
            circles.insert(circle.join(" "));
        }
    }
    let stay: BTreeSet<String> = STAY.iter().map(|(circle, _)| (*circle).to_owned()).collect();
    assert_eq!(circles, stay);
}

#[test]
fn trees_of_imports_are_written_out() {
    assert_eq!(paths("a::{b, c::{d as x, e}}"), ["a::b", "a::c::d", "a::c::e"]);
    assert_eq!(paths("super::face::TICK"), ["super::face::TICK"]);
}
