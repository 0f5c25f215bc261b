//! What an earlier report remembers of sittings that were cut out of the folder.

use earwitness::trial::register::{self, Entry};
use earwitness::trial::{Digest, chain};

use super::material::{Plan, SESSION, Site};
use super::{kinds, report_of};
use crate::commands::earwitness;
use crate::fuzz::targets::chained::{bodies, chained};

/// The last sitting is cut out of the register together with its journal: nothing in the folder's `sittings` tells, but an
/// earlier report does, to everybody who asks the folder, and goes on doing so when it is written over; until it is back.
#[test]
fn sittings_that_an_earlier_report_told_of_are_asked_for_until_they_are_back() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan { simulated: Some(0.9), ..Plan::new("Rehearsal", 3, 0.9) });
    let losing = site.hold(&Plan::new("Bel", 2, 0.2));
    let here = site.path();
    let gone = |report: &earwitness::report::model::Report| kinds(report).contains(&"sittings-gone");
    assert_eq!(earwitness(here, &["report", "."]).code, 0);
    assert!(!gone(&report_of(&site)));
    let register = here.join("sittings/register.jsonl");
    let (lines, journal) =
        (std::fs::read_to_string(&register).expect("lines"), std::fs::read(&losing).expect("it"));
    // The rehearsal goes too: nobody asks for that.
    let kept: String = lines.split_inclusive('\n').take(2).collect();
    std::fs::write(&register, kept).expect("cut");
    std::fs::remove_file(&losing).expect("removed");
    let rehearsal = std::fs::read_dir(here.join("sittings")).expect("a folder").filter_map(Result::ok);
    let rehearsal =
        rehearsal.map(|entry| entry.path()).find(|path| path.to_string_lossy().contains("rehearsal"));
    let rehearsal = rehearsal.expect("it is there");
    let kept_rehearsal = std::fs::read(&rehearsal).expect("it");
    std::fs::remove_file(&rehearsal).expect("removed");
    for _ in 0..2 {
        let ran = earwitness(here, &["verify", "."]);
        assert_eq!(ran.code, 1, "{}", ran.out);
        assert!(ran.out.contains("told of 1 sitting that the register no longer knows"), "{}", ran.out);
        assert!(gone(&report_of(&site)));
        let ran = earwitness(here, &["report", "."]);
        assert!(ran.out.contains("told of 1 sitting"), "{}", ran.out);
    }
    let lines_typed = "leave\n";
    let ran = crate::screen::rig::piped(
        here,
        &["run", ".", "--listener", "Cai", "--output", "silent", "--plain"],
        lines_typed,
    );
    assert!(
        ran.out.replace('\n', " ").contains("told of 1 sitting that the register no longer knows"),
        "{}",
        ran.out
    );
    // And where every journal is gone, too.
    let first = std::fs::read_dir(here.join("sittings")).expect("a folder").filter_map(Result::ok);
    let first =
        first.map(|entry| entry.path()).find(|path| path.to_string_lossy().contains("-ada")).expect("it");
    let kept_first = std::fs::read(&first).expect("it");
    std::fs::remove_file(&first).expect("removed");
    std::fs::write(&register, "").expect("emptied");
    let ran = earwitness(here, &["verify", "."]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("told of 2 sittings that the register no longer knows"), "{}", ran.out);
    std::fs::write(&first, kept_first).expect("back");
    std::fs::write(&register, lines).expect("back");
    std::fs::write(&losing, journal).expect("back");
    std::fs::write(&rehearsal, kept_rehearsal).expect("back");
    assert_eq!(earwitness(here, &["verify", "."]).code, 0);
    assert!(!gone(&report_of(&site)));
    // What is no report says nothing, and breaks nothing.
    for other in ["", "[]", "{\"sittings\":3}"] {
        std::fs::write(here.join("report/report.json"), other).expect("written");
        assert_eq!(earwitness(here, &["verify", "."]).code, 0, "{other}");
    }
}

/// A closed journal is written anew, its register too: an earlier report knows another receipt, until the journal is back.
#[test]
fn a_sitting_that_ended_otherwise_when_an_earlier_report_told_of_it_is_asked_for() {
    let mut site = Site::new(SESSION);
    let path = site.hold(&Plan::new("Ada", 1, 0.5));
    let here = site.path();
    assert_eq!(earwitness(here, &["report", "."]).code, 0);
    let (sittings, lines) = (here.join("sittings"), here.join("sittings/register.jsonl"));
    let (kept, kept_lines) = (std::fs::read(&path).expect("it"), std::fs::read(&lines).expect("lines"));
    let mut changed = bodies(&kept);
    let answer =
        changed.iter_mut().rev().find(|body| body.contains("\"kind\":\"answer\"")).expect("an answer");
    *answer = answer.replace("\"took_ms\":", "\"took_ms\":1");
    let anew = chained(&changed);
    std::fs::write(&path, &anew).expect("written");
    let ends = Digest::of(
        anew.strip_suffix(b"\n").expect("lines").rsplit(|&byte| byte == b'\n').next().expect("one"),
    );
    let (mut bytes, mut head) = (Vec::new(), Digest::NOTHING);
    for (index, mut entry) in register::read(&sittings).expect("a register").entries.into_iter().enumerate() {
        if let Entry::Closed { receipt, .. } = &mut entry {
            *receipt = ends;
        }
        let line = chain::encode(index as u64 + 1, head, None, &entry).expect("a line");
        head = Digest::of(&line);
        bytes.extend([line.as_slice(), b"\n"].concat());
    }
    std::fs::write(&lines, bytes).expect("written");
    for _ in 0..2 {
        let ran = earwitness(here, &["verify", "."]);
        assert!(
            ran.out.contains("checked from the opened seal"),
            "the journal alone tells nothing: {}",
            ran.out
        );
        assert_eq!(ran.code, 1, "{}", ran.out);
        assert!(ran.out.contains("told of 1 sitting that the register no longer knows"), "{}", ran.out);
        assert!(kinds(&report_of(&site)).contains(&"sittings-gone"));
        assert_eq!(earwitness(here, &["report", ".", "--json"]).code, 0);
    }
    std::fs::write(&path, kept).expect("back");
    std::fs::write(&lines, kept_lines).expect("back");
    assert_eq!(earwitness(here, &["verify", "."]).code, 0);
}
