//! `earwitness report` as its users run it.

use super::material::{Plan, SESSION, Site};
use crate::commands::{earwitness, refused};

#[test]
fn writes_four_files_and_ten_lines() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    let ran = earwitness(site.path(), &["report", "."]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(ran.out.lines().count() <= 10 && ran.out.contains("thin-thick"), "{}", ran.out);
    let mut names: Vec<String> = std::fs::read_dir(site.path().join("report"))
        .expect("the folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(names, ["certificates.html", "report.csv", "report.html", "report.json"]);
    let read = |name: &str| std::fs::read(site.path().join("report").join(name)).expect("a file");
    let first: Vec<Vec<u8>> = names.iter().map(|name| read(name)).collect();
    let again = earwitness(site.path(), &["report", "session.toml", "--out", "report"]);
    assert_eq!((again.code, &again.out), (0, &ran.out));
    let second: Vec<Vec<u8>> = names.iter().map(|name| read(name)).collect();
    assert!(first == second, "the same files give the same bytes");
    let json = earwitness(site.path(), &["report", ".", "--json"]);
    assert_eq!(json.out.as_bytes(), read("report.json"));
    let csv = earwitness(site.path(), &["report", ".", "--csv"]);
    assert_eq!(csv.out.as_bytes(), read("report.csv"));
}

#[test]
fn joins_places_from_the_command_line() {
    let mut here = Site::new(SESSION);
    here.hold(&Plan::new("Ada", 1, 0.9));
    let mut there = Site::new(SESSION);
    there.hold(&Plan::new("Bel", 2, 0.5));
    let place = format!("Lower Mill={}", there.path().display());
    let ran = earwitness(here.path(), &["report", ".", "--json", "--pool", &place]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let value: serde_json::Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!(value["places"][0]["name"], "here");
    assert_eq!(value["places"][1]["name"], "Lower Mill");
    assert_eq!(value["comparisons"][0]["listeners"], 2);
    refused(here.path(), &["report", ".", "--pool", "nowhere"], &["nowhere", "no such folder"]);
}

#[test]
fn refuses_what_it_cannot_do() {
    let site = Site::new(SESSION);
    refused(site.path(), &["report", "absent"], &["absent"]);
    refused(site.path(), &["report", ".", "--csv", "--json"], &["--json"]);
    std::fs::write(site.path().join("file"), "x").expect("written");
    refused(site.path(), &["report", ".", "--out", "file"], &["file"]);
}
