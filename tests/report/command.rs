//! `earwitness report` as its users run it.

use std::process::{Command, Stdio};

use super::material::{Plan, SESSION, Site};
use crate::commands::{PROGRAM, Ran, earwitness, ran, refused};

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
    // Every figure of the page as files of their own, which programs draw that know no style sheets.
    let drawn = earwitness(site.path(), &["report", ".", "--figures", "figures"]);
    assert_eq!(drawn.code, 0, "{}", drawn.err);
    let page = String::from_utf8(read("report.html")).expect("text");
    let mut files: Vec<std::path::PathBuf> = std::fs::read_dir(site.path().join("figures"))
        .expect("the folder")
        .map(|entry| entry.expect("an entry").path())
        .collect();
    files.sort();
    assert_eq!(
        files.len(),
        2 * page.matches("<figure").count(),
        "each figure of the page once as SVG and once as PDF"
    );
    for file in &files {
        let bytes = std::fs::read(file).expect("a file");
        if file.extension().is_some_and(|extension| extension == "svg") {
            let svg = String::from_utf8(bytes).expect("text");
            assert!(
                svg.starts_with("<?xml") && svg.contains("fill=\"#") && svg.contains("width=\"85mm\""),
                "{svg}"
            );
        } else {
            // 85 mm are 240.94 points.
            let pdf = String::from_utf8_lossy(&bytes);
            assert!(pdf.starts_with("%PDF-") && pdf.contains("/MediaBox [0 0 240.94"), "{pdf}");
            assert!(pdf.trim_end().ends_with("%%EOF") && pdf.contains("Tj"), "{pdf}");
        }
    }
    let csv = earwitness(site.path(), &["report", ".", "--csv"]);
    assert_eq!(csv.out.as_bytes(), read("report.csv"));
}

#[test]
fn a_figure_that_cannot_be_written_hides_no_report_that_was() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    assert_eq!(earwitness(site.path(), &["report", ".", "--figures", "figures"]).code, 0);
    let figures = site.path().join("figures");
    let mut names: Vec<std::path::PathBuf> =
        std::fs::read_dir(&figures).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
    names.sort();
    std::fs::remove_file(&names[0]).expect("a figure");
    std::fs::create_dir(&names[0]).expect("a folder in its place");
    let ran = earwitness(site.path(), &["report", ".", "--figures", "figures"]);
    assert_eq!(ran.code, 2, "{}{}", ran.out, ran.err);
    let name = names[0].file_name().expect("a name").to_string_lossy();
    assert!(ran.out.contains("thin-thick") && ran.err.contains(&*name), "{}{}", ran.out, ran.err);
    assert!(
        ran.err.contains("written: report.html, certificates.html, report.csv and report.json"),
        "{}",
        ran.err
    );
}

/// Writes the report where no file may be longer than so many blocks of 1024 bytes, which stands in for a disk that fills up.
fn with_room_for(site: &Site, blocks: u32) -> Ran {
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" report .");
    let output = Command::new("bash")
        .args(["-c", &script, PROGRAM])
        .current_dir(site.path())
        .stdin(Stdio::null())
        .output()
        .expect("bash");
    ran(&output, &["report on a full disk"])
}

#[test]
fn a_report_of_which_one_file_cannot_be_written_says_which_are_new_and_which_are_not() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    assert_eq!(earwitness(site.path(), &["report", "."]).code, 0);
    let folder = site.path().join("report");
    let read = |name: &str| std::fs::read(folder.join(name)).expect("a file");
    let names = ["certificates.html", "report.csv", "report.html", "report.json"];
    let earlier = names.map(read);
    site.hold(&Plan::new("Bel", 2, 0.5));
    let hundred_kilobytes = 100 * 1024;
    for (name, bytes) in names.iter().zip(&earlier) {
        assert_eq!(bytes.len() > hundred_kilobytes, *name == "report.html", "{name}: {}", bytes.len());
    }

    let half = with_room_for(&site, 100);
    assert_eq!(half.code, 2, "{}", half.out);
    for words in [
        "report.html: it cannot be written",
        "Written: certificates.html, report.csv, report.json.",
        "Not written: report.html (the one that is there is older).",
    ] {
        assert!(half.err.contains(words), "{words}: {}", half.err);
    }
    assert!(read("report.html") == earlier[2], "the earlier page is whole");
    // What is there of today is whole, and nothing else lies beside it.
    for (name, option) in [("report.csv", "--csv"), ("report.json", "--json")] {
        let whole = earwitness(site.path(), &["report", ".", option]);
        assert!(whole.out.as_bytes() == read(name), "{name} is whole");
    }
    assert!(read("certificates.html").ends_with(b"</html>"), "the certificates are whole");
    assert_eq!(std::fs::read_dir(&folder).expect("the folder").count(), 4, "nothing half-written is left");

    // None was written: three are older, and one is not there.
    let before = names.map(read);
    std::fs::remove_file(folder.join("report.csv")).expect("it is there");
    let none = with_room_for(&site, 0);
    assert_eq!(none.code, 2, "{}", none.out);
    for words in ["None of the report's files was written", "certificates.html", "report.csv", "report.json"]
    {
        assert!(none.err.contains(words), "{words}: {}", none.err);
    }
    for (name, bytes) in names.iter().zip(&before).filter(|(name, _)| **name != "report.csv") {
        assert!(read(name) == *bytes, "{name} is whole");
    }
    assert_eq!(std::fs::read_dir(&folder).expect("the folder").count(), 3, "nothing half-written is left");

    // A folder stands in the place of one.
    std::fs::create_dir(folder.join("report.csv")).expect("a folder");
    let ran = earwitness(site.path(), &["report", "."]);
    assert_eq!(ran.code, 2, "{}", ran.out);
    for words in [
        "report.csv: it cannot be written: it is a folder",
        "Written: report.html, certificates.html, report.json.",
        "Not written: report.csv.",
        "Put this right and write the report again.",
    ] {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
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
    refused(here.path(), &["report", ".", "--pool", "."], &["in the report already"]);
    refused(here.path(), &["report", ".", "--pool", &place, &place], &["in the report already"]);
}

#[test]
fn refuses_what_it_cannot_do() {
    let site = Site::new(SESSION);
    refused(site.path(), &["report", "absent"], &["absent"]);
    refused(site.path(), &["report", ".", "--csv", "--json"], &["--json"]);
    std::fs::write(site.path().join("file"), "x").expect("written");
    refused(site.path(), &["report", ".", "--out", "file"], &["file"]);
}

#[test]
fn what_the_report_says_to_run_does_what_it_says() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    site.hold(&Plan::new("Bel", 2, 0.5));
    let html = {
        let ran = earwitness(site.path(), &["report", "."]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        std::fs::read_to_string(site.path().join("report/report.html")).expect("the report")
    };
    assert!(html.contains("earwitness verify .\nearwitness report ."));
    let ran = earwitness(site.path(), &["verify", "."]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    // What a shell makes of sittings/*.jsonl holds the register too, which is no journal.
    let mut files: Vec<String> = std::fs::read_dir(site.path().join("sittings"))
        .expect("sittings")
        .map(|entry| format!("sittings/{}", entry.expect("an entry").file_name().to_string_lossy()))
        .collect();
    files.sort();
    assert!(files.contains(&"sittings/register.jsonl".to_owned()));
    for command in ["verify", "score"] {
        let line: Vec<&str> = std::iter::once(command).chain(files.iter().map(String::as_str)).collect();
        let ran = earwitness(site.path(), &line);
        assert_eq!(ran.code, 0, "{command}: {}{}", ran.out, ran.err);
        assert!(!ran.out.contains("does not verify") && !ran.out.contains("a journal begins"), "{}", ran.out);
    }
    refused(site.path(), &["score", "sittings/register.jsonl"], &["not a journal"]);
}
