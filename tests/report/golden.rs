//! Golden files of a small invented session. After a change that is meant, run with `EARWITNESS_BLESS=1` and read the
//! difference.

use std::path::{Path, PathBuf};

use earwitness::evidence::Options;
use earwitness::report::{drawn, page, summary};
use serde_json::Value;

use super::material::{Plan, Site, many_comparisons};
use super::{csv_of, json_of, report_of, report_with};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/report/golden").join(name)
}

/// Holds a text against its golden file.
fn hold(name: &str, text: &str) {
    let path = golden(name);
    if std::env::var_os("EARWITNESS_BLESS").is_some() {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(&path, text).expect("written");
    }
    let expected =
        std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    if let Some((line, (is, was))) =
        text.lines().zip(expected.lines()).enumerate().find(|(_, (is, was))| is != was)
    {
        panic!("{name}, line {}:\n is  {is}\n was {was}", line + 1);
    }
    assert_eq!(text.len(), expected.len(), "{name} has another length");
}

/// The same document, numbers within a relative 1e-9: the last digits of logarithms differ between machines.
fn same(is: &Value, was: &Value, place: &str) {
    match (is, was) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().expect("finite"), b.as_f64().expect("finite"));
            assert!((a - b).abs() <= 1e-9 * a.abs().max(b.abs()), "{place}: {a} was {b}");
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (index, (a, b)) in a.iter().zip(b).enumerate() {
                same(a, b, &format!("{place}[{index}]"));
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>(), "{place}");
            for (key, value) in a {
                same(value, &b[key], &format!("{place}.{key}"));
            }
        }
        (a, b) => assert_eq!(a, b, "{place}"),
    }
}

/// A page with a line for each block, so that a difference can be read.
fn lined(html: &str) -> String {
    const BLOCKS: [&str; 22] = [
        "<header", "<main", "<section", "<article", "<h1", "<h2", "<h3", "<h4", "<p", "<ul", "<li", "<dl",
        "<dt", "<div", "<table", "<tr", "<th", "<td", "<figure", "<svg", "<text", "<details",
    ];
    let mut lines = html.to_owned();
    for block in BLOCKS {
        for end in [" ", ">"] {
            lines = lines.replace(&format!("{block}{end}"), &format!("\n{block}{end}"));
        }
    }
    lines
}

#[test]
fn the_report_of_a_small_session() {
    let mut site = Site::new(&many_comparisons(2));
    site.hold(&Plan::new("Ada", 1, 0.9));
    site.hold(&Plan { void_every: 6, ..Plan::new("Bel", 2, 0.5) });
    site.hold(&Plan { stop: Some((5, false)), ..Plan::new("Cas", 3, 0.5) });
    let report = report_of(&site);
    hold("report.csv", &csv_of(&report));
    hold("summary.txt", &(summary(&report).join("\n") + "\n"));
    hold("certificates.html", &lined(&page::certificates(&report)));
    hold("report.html", &lined(&page::page(&report)));
    for report in [&report, &report_with(&site, Options { anonymous: true })] {
        let mut written = Vec::new();
        page::write(report, &mut written).expect("memory can be written");
        let given = page::page(report);
        assert!(
            written == given.as_bytes() && given.ends_with("</html>"),
            "written piece by piece it is the same page"
        );
        assert_eq!(given.matches("<pre class=\"self-check-journal\"").count(), 3, "with the journals of all");
    }
    let json = json_of(&report);
    if std::env::var_os("EARWITNESS_BLESS").is_some() {
        std::fs::write(golden("report.json"), &json).expect("written");
    }
    let was = std::fs::read_to_string(golden("report.json")).expect("the golden file");
    same(&serde_json::from_str(&json).expect("JSON"), &serde_json::from_str(&was).expect("JSON"), "report");
}

/// README shows the first figure of a report: one listener's bet, invented.
#[test]
fn the_picture_of_a_verdict_is_current() {
    let mut site = Site::new(&many_comparisons(1));
    site.hold(&Plan::new("Ida", 4, 0.95));
    let figures = drawn::every(&report_of(&site));
    hold(
        "../../pictures/verdict.svg",
        &figures.first().expect("a report has a figure on page one").standalone(),
    );
}
