//! Whatever a folder holds, the report says so.

use earwitness::report::model::{Basis, State};
use earwitness::report::{page, summary};

use super::material::{Plan, SESSION, Site};
use super::{everything, kinds, report_of};

#[test]
fn a_folder_without_sittings() {
    let site = Site::new(SESSION);
    let report = report_of(&site);
    assert_eq!(kinds(&report)[0], "no-sittings");
    assert_eq!(report.comparisons[0].verdict.finding, "no-trials");
    assert!(page::page(&report).contains("No complete, valid sitting: there is no verdict."));
    assert!(page::certificates(&report).contains("nothing to certify"));
    std::fs::remove_dir_all(site.path().join("sittings")).expect("removed");
    assert_eq!(kinds(&report_of(&site))[0], "no-sittings", "and without the folder itself");
}

#[test]
fn only_simulated_sittings_say_so_in_the_verdict() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { simulated: Some(0.95), ..Plan::new("Ada", 1, 0.95) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.basis, Basis::Simulated);
    assert_eq!(comparison.verdict.finding, "no-listening-test");
    assert!(comparison.verdict.headline.contains("simulated"), "{}", comparison.verdict.headline);
    assert!(report.sittings[0].counted && comparison.trials == 12);
    let page = page::page(&report);
    let why = "This is no listening test: the answers were simulated, nobody listened.";
    assert!(comparison.verdict.headline.starts_with(why), "{}", comparison.verdict.headline);
    assert!(page.contains(why) && page::certificates(&report).contains(why));
    assert!(summary(&report).iter().any(|line| line == why));
}

#[test]
fn only_silent_sittings_say_so_in_the_verdict() {
    for output in ["silent", "file"] {
        let mut site = Site::new(SESSION);
        site.hold(&Plan { output, ..Plan::new("Ada", 1, 0.95) });
        let report = report_of(&site);
        assert_eq!(report.comparisons[0].basis, Basis::Silent, "{output}");
        assert_eq!(report.comparisons[0].verdict.finding, "no-listening-test");
        assert!(report.comparisons[0].verdict.headline.contains("nothing was played"));
        assert!(kinds(&report).contains(&"silent"));
    }
}

#[test]
fn people_who_listened_are_not_mixed_with_simulated_or_silent_ones() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan { simulated: Some(1.0), ..Plan::new("Robot", 2, 1.0) });
    site.hold(&Plan { output: "silent", ..Plan::new("Deaf", 3, 1.0) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!((comparison.basis, comparison.trials, comparison.listeners), (Basis::Listening, 12, 1));
    assert_eq!(report.sittings.iter().filter(|sitting| sitting.counted).count(), 1);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"simulated") && kinds.contains(&"silent"), "{kinds:?}");
}

#[test]
fn unfinished_and_stopped_sittings_stay_visible_and_do_not_count() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan { stop: Some((7, false)), ..Plan::new("Bel", 2, 1.0) });
    site.hold(&Plan { stop: Some((9, true)), ..Plan::new("Cas", 3, 1.0) });
    let report = report_of(&site);
    let states: Vec<State> = report.sittings.iter().map(|sitting| sitting.state).collect();
    assert_eq!(states, [State::Complete, State::Unfinished, State::StoppedEarly]);
    assert_eq!(report.comparisons[0].trials, 12);
    assert_eq!((report.register.announced, report.register.unfinished), (3, 1));
    assert_eq!(report.sittings[1].secret, None, "the seal of an unfinished sitting stays closed");
    assert_eq!(report.sittings[1].correct, None);
    let page = page::page(&report);
    assert!(page.contains("abandoned or still open") && page.contains("stopped early"));
    assert!(page.contains("1 sitting was opened and never finished"));
}

#[test]
fn a_journal_that_was_tampered_with_is_shown_as_invalid() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let path = site.hold(&Plan::new("Bel", 2, 1.0));
    let text = std::fs::read_to_string(&path).expect("the journal");
    let changed = text.replacen("\"answer\":\"a\"", "\"answer\":\"b\"", 1);
    assert_ne!(changed, text);
    std::fs::write(&path, changed).expect("changed");
    let report = report_of(&site);
    let bel = report.sittings.iter().find(|sitting| sitting.name == "Bel").expect("Bel is listed");
    assert_eq!((bel.state, bel.counted), (State::Invalid, false));
    assert!(!bel.problems.is_empty());
    assert_eq!(report.comparisons[0].listeners, 1);
    assert!(kinds(&report).contains(&"invalid-journals"));
    assert!(page::page(&report).contains("invalid"));
    assert!(!super::csv_of(&report).contains("Bel"), "no number of an invalid journal is handed on");
}

#[test]
fn files_that_are_no_journals_and_missing_ones_are_named() {
    let mut site = Site::new(SESSION);
    let path = site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan::new("Bel", 2, 0.5));
    std::fs::write(site.path().join("sittings/20260301T000000Z-notes.jsonl"), "shopping list\n")
        .expect("written");
    std::fs::remove_file(path).expect("removed");
    let report = report_of(&site);
    assert_eq!(report.unusable.len(), 1);
    assert_eq!(report.unusable[0].file, "20260301T000000Z-notes.jsonl");
    assert_eq!(report.register.missing, ["a sitting opened 2026-02-01 19:30:00"]);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"journals-missing") && kinds.contains(&"invalid-journals"), "{kinds:?}");
}

#[test]
fn journals_of_another_session_are_left_out_by_name() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let mut other = Site::new(&SESSION.replace("Two invented cables", "Another one"));
    let path = other.hold(&Plan::new("Gus", 9, 1.0));
    std::fs::copy(&path, site.path().join("sittings").join(path.file_name().expect("a name")))
        .expect("copied");
    let report = report_of(&site);
    let foreign = report.sittings.iter().find(|sitting| sitting.name == "Gus").expect("listed");
    assert_eq!((foreign.state, foreign.counted), (State::Foreign, false));
    assert_eq!(report.register.unregistered, 1);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"foreign-journals") && kinds.contains(&"unregistered"), "{kinds:?}");
}

#[test]
fn a_register_that_cannot_be_trusted_is_said() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let register = site.path().join("sittings/register.jsonl");
    let text = std::fs::read_to_string(&register).expect("the register");
    std::fs::write(&register, text.replacen("Ada", "Eve", 1)).expect("changed");
    let report = report_of(&site);
    assert!(report.register.problem.is_some());
    assert!(kinds(&report).contains(&"register-broken"));
    assert!(!everything(&report).contains(&site.path().display().to_string()));
}

#[test]
fn missed_controls_and_leaks_are_caveats() {
    let mut site =
        Site::new(&SESSION.replace("amount = \"2 dB\"\ntrials = 2", "amount = \"2 dB\"\ntrials = 10"));
    // Nobody hears the control: its answers are guesses.
    site.hold(&Plan { deaf: true, ..Plan::new("Ada", 5, 0.5) });
    let report = report_of(&site);
    let level = report.controls.iter().find(|control| control.positive).expect("the level control");
    assert_eq!(level.trials, 10);
    assert!(level.correct <= 7, "{}", level.correct);
    assert!(kinds(&report).contains(&"controls-missed"), "{:?}", kinds(&report));
    assert_eq!(report.comparisons[0].verdict.finding, "controls-missed");
}

#[test]
fn a_summary_has_at_most_ten_lines_and_no_control_characters() {
    let mut site = Site::new(&super::material::many_comparisons(14));
    site.hold(&Plan::new("\u{1b}[2J", 1, 0.5));
    site.hold(&Plan { stop: Some((3, false)), ..Plan::new("Bel", 2, 1.0) });
    let lines = summary(&report_of(&site));
    assert!(lines.len() <= 10, "{lines:#?}");
    assert!(lines.iter().all(|line| !line.chars().any(char::is_control)));
}
