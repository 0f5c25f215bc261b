//! Training that was kept: listed in the report, and counted nowhere.

use std::io::Write as _;
use std::process::{Command, Stdio};

use earwitness::evidence::Options;
use earwitness::report::page;

use super::material::{Plan, SESSION, Site};
use super::{csv_of, report_of, report_with};
use crate::commands::{PROGRAM, ran};

/// An audition by plain lines, with these lines typed.
fn audition(site: &Site, typed: &str) -> crate::commands::Ran {
    let arguments = ["audition", ".", "--train", "--listener", "Mara", "--plain", "--output", "silent"];
    let mut child = Command::new(PROGRAM)
        .args(arguments)
        .current_dir(site.path())
        .env("NO_COLOR", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    child.stdin.take().expect("lines are taken").write_all(typed.as_bytes()).expect("written");
    ran(&child.wait_with_output().expect("it ends"), &arguments)
}

#[test]
fn training_is_listed_and_counts_nowhere() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Mara", 3, 0.8));
    let before = report_of(&site);
    // Two answers on the comparison; then the identical control, the last pair, on which there is nothing to be right in.
    let said = audition(&site, "x\nanswer 1\ntell\nx\nanswer 1\ntell\nback\nprevious\ntrain\nx\nleave\n");
    assert_eq!(said.code, 0, "{}\n{}", said.out, said.err);
    assert!(said.out.contains("of 2 answers") && said.out.contains("never counts"), "{}", said.out);
    assert!(said.out.contains("there is nothing to train on"), "{}", said.out);
    let after = report_of(&site);
    assert_eq!(after.training.len(), 1, "the identical pair leaves no row: {:?}", after.training);
    let own = &after.training[0];
    assert_eq!((own.listener.as_str(), own.answers, own.criterion, own.silent), ("Mara", 2, 5, true));
    assert!(own.right <= 2 && own.reached == 0);
    // Every number, every answer and every count is as before.
    assert_eq!(csv_of(&after), csv_of(&before));
    assert_eq!(format!("{:?}", after.comparisons), format!("{:?}", before.comparisons));
    assert_eq!(after.register.announced, before.register.announced);
    let html = page::page(&after);
    assert!(html.contains("Training before the sittings") && html.contains("never counted"));
    let hidden = report_with(&site, Options { anonymous: true });
    assert!(!page::page(&hidden).contains("Mara"));

    // Making it look better, or taking a bad one away, is told.
    let list = site.path().join("sittings/training.log");
    let kept = std::fs::read_to_string(&list).expect("the list");
    for forged in [kept.replace("\"answers\":2", "\"answers\":1"), kept.trim_end().to_owned()] {
        std::fs::write(&list, forged).expect("written");
        let report = report_of(&site);
        assert!(report.training.is_empty());
        let told = report.unusable.iter().find(|own| own.file == "training.log").expect("told");
        assert!(told.reason.contains("cannot be trusted"), "{}", told.reason);
    }
}
