//! Nobody's name, path or machine gets out that was not meant to.

use earwitness::evidence::Options;
use earwitness::report::page;

use super::material::{Plan, SESSION, Site};
use super::{everything, report_of, report_with, without_journals};

#[test]
fn names_are_text_whatever_they_hold() {
    let nasty = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>";
    let mut site = Site::new(&SESSION.replace("Two invented cables", "<b>Title</b> & more"));
    site.hold(&Plan::new(nasty, 1, 0.6));
    site.hold(&Plan { phrases: vec![(nasty.to_owned(), nasty.to_owned())], ..Plan::new("Bel", 2, 0.5) });
    let report = report_of(&site);
    for html in [page::page(&report), page::certificates(&report)] {
        assert!(!html.contains("<script>alert") && !html.contains("<img") && !html.contains("<b>Title"));
        assert!(html.matches("<script").count() <= 1, "the report's own script, and no other");
        assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
        assert!(html.contains("&lt;b&gt;Title&lt;/b&gt; &amp; more"));
    }
}

#[test]
fn a_spreadsheet_takes_no_name_for_a_formula() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("=HYPERLINK(\"x\")", 1, 0.6));
    let csv = super::csv_of(&report_of(&site));
    assert!(csv.contains("'=HYPERLINK") && !csv.contains(",=HYPERLINK") && !csv.contains(",\"=HYPERLINK"));
}

#[test]
fn an_alias_hides_the_name_everywhere() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan {
        alias: Some("Night Owl".to_owned()),
        phrases: Vec::new(),
        ..Plan::new("Zacharias", 1, 0.6)
    });
    let report = report_of(&site);
    let all = everything(&report);
    assert!(all.contains("Night Owl"));
    assert!(!all.to_lowercase().contains("zacharias"), "the journal's file name holds the hidden name");
}

#[test]
fn no_path_device_or_user_leaves_the_machine() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.6));
    std::fs::write(site.path().join("sittings/x.jsonl"), "no journal").expect("written");
    std::fs::create_dir(site.path().join("sittings/y.jsonl")).expect("a folder named like a journal");
    let all = without_journals(&everything(&report_of(&site)));
    let folder = site.path().file_name().expect("a name").to_string_lossy().into_owned();
    for secret in
        [site.path().display().to_string(), folder, "/home/somebody".to_owned(), "Invented device".to_owned()]
    {
        assert!(!all.contains(&secret), "{secret} is in the report");
    }
}

#[test]
fn anonymous_replaces_every_name() {
    let wager = "[wager]\nclaimant = \"Zacharias\"\nskeptic = \"Yolanda\"\nclaim = \"Zacharias hears it\"\n\
                 claimant_wins = \"Yolanda cooks\"\nskeptic_wins = \"Zacharias cooks\"\n\n[amplifier]";
    let mut site = Site::new(&SESSION.replace("[amplifier]", wager));
    site.hold(&Plan {
        phrases: vec![("Yolanda".to_owned(), "Yolanda was here".to_owned())],
        ..Plan::new("Zacharias", 1, 0.6)
    });
    site.hold(&Plan {
        seats: vec![("Xenia".to_owned(), 0.6), ("Wilhelm".to_owned(), 0.5)],
        ..Plan::new("Viktor", 2, 0.5)
    });
    site.hold(&Plan { stop: Some((3, false)), ..Plan::new("Ursula", 3, 0.5) });
    std::fs::write(site.path().join("sittings/20260101T000000Z-tobias.jsonl"), "no journal\n")
        .expect("written");
    let report = report_with(&site, Options { anonymous: true });
    let all = everything(&report).to_lowercase();
    for name in ["zacharias", "yolanda", "xenia", "wilhelm", "viktor", "ursula", "tobias"] {
        assert!(!all.contains(name), "{name} is in the anonymous report");
    }
    assert!(all.contains("listener 1") && all.contains("the skeptic") && all.contains("withheld"));
    assert!(!all.contains("19:30"), "times of day are withheld");
    let named = everything(&report_of(&site));
    assert!(
        named.contains("Zacharias") && named.contains("Xenia"),
        "and without it the chosen names stand there"
    );
}
