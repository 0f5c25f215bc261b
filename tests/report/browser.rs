//! The pages in headless Chromium: no messages, no requests, no sideways scroll, no accessibility violation, nothing cut in
//! print.

use std::path::{Path, PathBuf};

use earwitness::evidence::{self, Options};
use earwitness::report::model::Report;
use earwitness::report::{self, page};

use super::material::{Plan, SESSION, Site, many_comparisons};
use super::report_of;

/// A sequential rule at two places, with a simulated sitting, one that was tampered with, a file that is no journal, and
/// a listener who prepared the session; as simple as `report --pool` joins them.
fn pool() -> Report {
    let rule = "stopping = { kind = \"sequential\", alpha = 0.1, beta = 0.1, proportion = 0.8 }";
    let text = SESSION
        .replace("trials = 12\n", "trials = 40\n")
        .replace("alpha = 0.05", &format!("alpha = 0.05\n{rule}\nprepared_by = [\"Ida\"]"));
    let (mut here, mut there) = (Site::new(&text), Site::new(&text));
    for (seed, name) in [(1, "Ida"), (2, "Jon"), (3, "Kim")] {
        here.hold(&Plan { event: Some("the device was slow".to_owned()), ..Plan::new(name, seed, 0.9) });
    }
    for (seed, name) in [(4, "Lea"), (5, "Max")] {
        there.hold(&Plan { deaf: true, ..Plan::new(name, seed, 0.5) });
    }
    there.hold(&Plan { simulated: Some(0.9), ..Plan::new("Program", 6, 0.9) });
    let tampered = there.hold(&Plan::new("Nan", 7, 0.7));
    let journal = std::fs::read_to_string(&tampered).expect("the journal");
    std::fs::write(&tampered, journal.replacen("\"answer\":\"a\"", "\"answer\":\"b\"", 1)).expect("written");
    std::fs::write(there.path().join("sittings/note.jsonl"), "no journal\n").expect("written");
    let readings = [("here", &here), ("Lower Mill", &there)]
        .into_iter()
        .map(|(name, site)| {
            evidence::folder(&site.session.sittings_folder(), Some(name.to_owned()))
                .expect("the folder can be read")
        })
        .collect();
    report::report(&here.session, readings, Options::default())
}

/// Most pages of a panel's report in print: four for everybody, six of appendix.
const MOST_PAGES: u64 = 10;

fn pages(folder: &Path) -> Vec<PathBuf> {
    let mut panel = Site::new(&many_comparisons(2).replace(
        "Two invented cables",
        "A-very-long-title-without-any-place-to-break-it-anywhere-at-all-that-goes-on-and-on",
    ));
    for seed in 0..7 {
        panel.hold(&Plan {
            void_every: 5,
            ..Plan::new(&format!("Listener {seed} {}", "Wolkenkuckucksheim".repeat(3)), seed, 0.62)
        });
    }
    panel.hold(&Plan { stop: Some((3, false)), ..Plan::new("<script>console.log(1)</script>", 90, 0.5) });
    panel.hold(&Plan { stop: Some((3, true)), ..Plan::new("Dov", 91, 0.5) });
    let mut night = Site::new(SESSION);
    let seats = (0..60).map(|seat| (format!("Seat {seat}"), 0.6)).collect();
    night.hold(&Plan { seats, ..Plan::new("Host", 92, 0.5) });
    let empty = Site::new(SESSION);
    let mut files = Vec::new();
    let reports = [
        ("panel", report_of(&panel)),
        ("night", report_of(&night)),
        ("empty", report_of(&empty)),
        ("pool", pool()),
    ];
    for (name, report) in reports {
        for (kind, html) in [("report", page::page(&report)), ("certificates", page::certificates(&report))] {
            let file = folder.join(format!("{name}-{kind}.html"));
            std::fs::write(&file, html).expect("written");
            files.push(file);
        }
    }
    files
}

#[test]
fn pages_hold_in_a_browser() {
    let folder = tempfile::tempdir().expect("a folder");
    let files = pages(folder.path());
    let found = crate::pages_in_browser("browser.mjs", &[], &files);
    assert_eq!(found.len(), files.len());
    for page in &found {
        let name = page["page"].as_str().expect("a name");
        for nothing in ["console", "requests", "errors"] {
            assert_eq!(page[nothing], serde_json::json!([]), "{name}: {nothing}");
        }
        let own = u8::from(name.ends_with("-report.html") && !name.starts_with("empty"));
        assert_eq!(page["scripts"], own, "{name}: the script that checks the page, and no other");
        assert_eq!(page["audits"], 2, "{name}");
        for at in page["widths"].as_array().expect("widths") {
            assert_eq!(at["overflow"], 0, "{name} scrolls sideways: {at}");
            assert_eq!(at["violations"], serde_json::json!([]), "{name}: {at}");
            assert_eq!(at["unnamed"], 0, "{name}: a figure without words: {at}");
            if at["width"] == 320 {
                assert_eq!(at["wider"], serde_json::json!([]), "{name}: something lies off a phone's screen");
            }
        }
        for print in page["print"].as_array().expect("formats") {
            assert_eq!(print["cut"], serde_json::json!([]), "{name} is cut in print: {print}");
            // The text of a page is 257 mm (A4) or 239 mm (Letter) high, 96 units to the inch.
            assert!(print["tallestFigure"].as_f64().expect("a number") < 900.0, "{name}: {print}");
            assert!(print["pages"].as_u64().expect("a number") >= 1, "{name}: {print}");
        }
    }
    let panel = found.iter().find(|page| page["page"] == "panel-report.html").expect("the panel");
    assert!(panel["widths"][0]["figures"].as_u64().expect("a number") >= 7);
    for print in panel["print"].as_array().expect("formats") {
        assert!(print["pages"].as_u64().expect("a number") <= MOST_PAGES, "the panel is too long: {print}");
    }
}
