//! What a session reads is sealed: whoever changes a file after the sittings is found out by every command that is asked.

use std::path::Path;

use earwitness::trial::register::{self, Entry};
use earwitness::trial::{Digest, Draft, Secret, Sittings, chain};

use super::material::{LCR, RESISTOR, good_wav, session};
use super::{earwitness, json, succeeded};
use crate::fuzz::targets::chained::{bodies, chained, checked};

/// A folder with a complete simulated sitting, on a measured cable and a sound file.
pub(crate) fn sat() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("song.wav"), good_wav(8_000)).expect("writing");
    std::fs::write(folder.path().join("lcr.csv"), LCR).expect("writing");
    let cable = "lcr_table = \"lcr.csv\"\nsample_length = \"10 ft\"\nlength = \"30 ft\"";
    session(folder.path(), "file = \"song.wav\"", cable, RESISTOR);
    let run = ["run", ".", "--listener", "Program", "--simulate", "1", "--output", "silent"];
    succeeded(folder.path(), &run);
    folder
}

/// A forger's folder: words of the journal changed, the journal chained anew, and its new receipt in the register.
fn forge(at: &Path, was: &str, is: &str) {
    let sittings = at.join("sittings");
    let known = register::read(&sittings).expect("a register");
    let (mut chain, mut lines) = (Digest::NOTHING, Vec::new());
    for (number, mut entry) in (1..).zip(known.entries) {
        if let Entry::Closed { journal, receipt, .. } = &mut entry {
            let path = sittings.join(journal);
            let mut changed = bodies(&std::fs::read(&path).expect("a journal"));
            assert!(changed[0].contains(was), "{was}");
            changed[0] = changed[0].replace(was, is);
            let bytes = chained(changed);
            *receipt = checked(&bytes).and_then(|checked| checked.receipt).expect("a journal");
            std::fs::write(path, bytes).expect("written");
        }
        let line = chain::encode(number, chain, None, &entry).expect("written");
        chain = Digest::of(&line);
        lines.extend([line, b"\n".to_vec()].concat());
    }
    std::fs::write(sittings.join(register::REGISTER), lines).expect("written");
}

/// Found by an attack: a session that nobody touched, and a journal that agrees on another error risk.
#[test]
fn terms_that_the_session_does_not_give_are_told_by_every_command_though_all_was_chained_anew() {
    for (was, is, name) in [
        ("\"alpha\":0.05", "\"alpha\":0.4", "alpha"),
        ("\"levels\":\"as-wired\"", "\"levels\":\"matched\"", "levels"),
    ] {
        let folder = sat();
        let here = folder.path();
        succeeded(here, &["score", "."]);
        let before = json(here, &["report", ".", "--json"]);
        assert_eq!(before["sittings"][0]["state"], "complete");
        forge(here, was, is);
        let told = format!("its terms are not those that the session gives: {name}");
        for command in ["verify", "score"] {
            let ran = earwitness(here, &[command, "."]);
            assert_eq!(ran.code, 1, "{command}: {}{}", ran.out, ran.err);
            assert!(ran.out.contains(&told), "{command}: {}", ran.out);
        }
        let after = json(here, &["report", ".", "--json"]);
        assert_eq!(after["sittings"][0]["state"], "invalid", "{name}");
    }
}

/// The measured table with every resistance five times as large: a cable that nobody heard.
fn five_times(folder: &Path) {
    let table = LCR.replace("0.021,", "0.105,").replace("0.0211,", "0.1055,");
    assert_ne!(table, LCR);
    std::fs::write(folder.join("lcr.csv"), table).expect("writing");
}

#[test]
fn a_table_that_was_changed_after_the_sittings_is_said_and_not_drawn() {
    let folder = sat();
    let here = folder.path();
    let holds = earwitness(here, &["verify", "."]);
    assert_eq!(holds.code, 0, "{}{}", holds.out, holds.err);
    let before = json(here, &["report", ".", "--json"]);
    let files = &before["inputs"][0]["files"];
    let names: Vec<&str> =
        files.as_array().expect("files").iter().filter_map(|file| file["name"].as_str()).collect();
    assert_eq!(names, ["session.toml", "lcr.csv", "song.wav"]);
    assert!(files.as_array().expect("files").iter().all(|file| file["changed"] == false));
    assert_eq!(files[1]["bytes"], LCR.len());
    assert_eq!(files[1]["sha256"], earwitness::trial::Digest::of(LCR.as_bytes()).hex());
    assert!(!before["compared"]["differences"].as_array().expect("differences").is_empty());

    five_times(here);
    let verified = earwitness(here, &["verify", "."]);
    assert_eq!(verified.code, 1, "{}", verified.out);
    assert!(verified.out.contains("lcr.csv is not what was sealed"), "{}", verified.out);
    let journals = std::fs::read_dir(here.join("sittings")).expect("sittings");
    let journal = journals
        .map(|file| file.expect("a file").path())
        .find(|path| path.extension().is_some_and(|end| end == "jsonl") && !path.ends_with("register.jsonl"));
    for given in [".", journal.expect("a journal").to_str().expect("text")] {
        let scored = earwitness(here, &["score", given]);
        assert_eq!(scored.code, 1, "{}", scored.out);
        assert!(scored.out.contains("lcr.csv is not what was sealed"), "{}", scored.out);
    }
    let after = json(here, &["report", ".", "--json"]);
    assert_eq!(after["inputs"][0]["files"][1]["changed"], true);
    assert_eq!(after["compared"]["changed"], serde_json::json!(["lcr.csv"]));
    for nothing in ["cables", "differences", "clips"] {
        assert_eq!(after["compared"][nothing], serde_json::json!([]), "{nothing} were heard by nobody");
    }
    let caveat =
        after["caveats"].as_array().expect("caveats").iter().find(|one| one["kind"] == "inputs-changed");
    assert_eq!(caveat.expect("the caveat")["weight"], "decisive");
    // The answers are the same evidence as before: they are about what was sealed.
    assert_eq!(after["comparisons"][0]["correct"], before["comparisons"][0]["correct"]);
    succeeded(here, &["report", "."]);
    let page = std::fs::read_to_string(here.join("report/report.html")).expect("the page");
    assert!(
        page.contains("Not what was heard: lcr.csv"),
        "the page says so where the circuit would be drawn"
    );

    // The next listener reads it on the first page, before anything is agreed on.
    let first_page = || {
        let run = ["run", ".", "--listener", "Mara", "--output", "silent", "--plain"];
        crate::screen::rig::piped(here, &run, "leave\n").out.replace('\n', " ")
    };
    let said = first_page();
    assert!(said.contains("lcr.csv has changed since the last sitting in this folder"), "{said}");

    // Put back, everything holds again.
    std::fs::write(here.join("lcr.csv"), LCR).expect("writing");
    assert_eq!(earwitness(here, &["verify", "."]).code, 0);
    assert!(!first_page().contains("has changed since"));
}

#[test]
fn other_sound_or_no_sound_is_not_what_was_sealed() {
    let folder = sat();
    let here = folder.path();
    let mut sound = good_wav(8_000);
    *sound.last_mut().expect("a byte") ^= 1;
    std::fs::write(here.join("song.wav"), sound).expect("writing");
    let changed = earwitness(here, &["verify", "."]);
    assert!(changed.code == 1 && changed.out.contains("song.wav is not what was sealed"), "{}", changed.out);
    std::fs::remove_file(here.join("song.wav")).expect("removed");
    let gone = earwitness(here, &["verify", "."]);
    assert!(gone.code == 1 && gone.out.contains("cannot be read any more"), "{}", gone.out);
}

#[test]
fn nothing_goes_on_with_other_files_than_were_sealed() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    std::fs::write(here.join("lcr.csv"), LCR).expect("writing");
    let cable = "lcr_table = \"lcr.csv\"\nsample_length = \"10 ft\"\nlength = \"30 ft\"";
    session(here, super::material::SYNTH, cable, RESISTOR);
    // A sitting that is left after its opening.
    let loaded = earwitness::session::load(here).expect("a session");
    let stimuli = earwitness::stimulus::prepare(&loaded, &earwitness::stimulus::NoProgress).expect("stimuli");
    let draft = Draft::new(&loaded, &stimuli, crate::trial::kit::silent(), "Ida", "2026-01-31T20:15:00Z");
    let sittings = Sittings::lock(&here.join("sittings"), "2026-01-31T20:15:00Z").expect("a free folder");
    let opened = sittings.open(draft.expect("its files are there"), Secret::from_bytes([3; 32]), None);
    drop(opened.expect("it opens"));
    five_times(here);
    let before = std::fs::read_dir(here.join("sittings")).expect("sittings").count();
    let refused =
        earwitness(here, &["run", ".", "--listener", "Ida", "--output", "silent", "--plain", "--resume"]);
    assert_eq!(refused.code, 2, "{}", refused.err);
    assert!(refused.err.contains("lcr.csv changed since it was opened"), "{}", refused.err);
    assert_eq!(std::fs::read_dir(here.join("sittings")).expect("sittings").count(), before);
}

/// The only journal of a folder of sittings.
fn only_journal(sittings: &Path) -> std::path::PathBuf {
    let files = std::fs::read_dir(sittings).expect("sittings").map(|file| file.expect("a file").path());
    let mut journals = files.filter(|path| {
        path.extension().is_some_and(|end| end == "jsonl") && !path.ends_with(register::REGISTER)
    });
    journals.next().expect("a journal")
}

const NOT_COMPARED: &str = "its files and terms were not compared";

/// What `verify` and `score` say of a journal that is given by itself: both the same.
fn of_a_single_journal(folder: &Path, journal: &str) -> (Option<i32>, bool) {
    let said = ["verify", "score"].map(|command| {
        let ran = earwitness(folder, &[command, journal]);
        let compared = !ran.out.contains(NOT_COMPARED);
        let document: serde_json::Value =
            serde_json::from_str(&earwitness(folder, &[command, journal, "--json"]).out).expect("JSON");
        assert_eq!(document["journals"][0]["session_compared"], compared, "{command}: {}", ran.out);
        (Some(ran.code), compared)
    });
    assert_eq!(said[0], said[1], "verify and score agree");
    said[0]
}

#[test]
fn a_journal_by_itself_is_compared_with_the_session_next_to_it_by_verify_and_score_alike() {
    let folder = sat();
    let here = folder.path();
    let journal = only_journal(&here.join("sittings"));
    let name = journal.file_name().and_then(|name| name.to_str()).expect("a name");
    let inside = format!("sittings/{name}");
    assert_eq!(of_a_single_journal(here, &inside), (Some(0), true));
    assert_eq!(of_a_single_journal(&here.join("sittings"), name), (Some(0), true));

    // Put elsewhere: alone, with another one's session, and with its own.
    let other = tempfile::tempdir().expect("a folder");
    std::fs::copy(&journal, other.path().join(name)).expect("copied");
    assert_eq!(of_a_single_journal(other.path(), name), (Some(0), false));
    std::fs::write(other.path().join("session.toml"), "title = \"another one's\"\n").expect("written");
    assert_eq!(of_a_single_journal(other.path(), name), (Some(0), false));
    for file in ["session.toml", "lcr.csv", "song.wav"] {
        std::fs::copy(here.join(file), other.path().join(file)).expect("copied");
    }
    assert_eq!(of_a_single_journal(other.path(), name), (Some(0), true));

    for changed in [here, other.path()] {
        five_times(changed);
    }
    assert_eq!(of_a_single_journal(here, &inside), (Some(1), true));
    assert_eq!(of_a_single_journal(other.path(), name), (Some(1), true));
}

#[test]
fn sittings_behind_a_link_are_compared_with_the_session_beside_the_link_whatever_stands_there() {
    let folder = sat();
    let other = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink(folder.path().join("sittings"), other.path().join("sittings"))
        .expect("a link");
    for file in ["session.toml", "lcr.csv", "song.wav"] {
        std::fs::copy(folder.path().join(file), other.path().join(file)).expect("copied");
    }
    assert_eq!(earwitness(other.path(), &["verify", "."]).code, 0);
    five_times(other.path());
    assert_eq!(earwitness(other.path(), &["verify", "."]).code, 1);
    // A folder where the file was is no session, and not none.
    let session = other.path().join("session.toml");
    std::fs::remove_file(&session).expect("removed");
    std::fs::create_dir(&session).expect("a folder");
    let ran = earwitness(other.path(), &["verify", "."]);
    assert!(
        ran.code != 0 && format!("{}{}", ran.out, ran.err).contains("session.toml"),
        "{}{}",
        ran.out,
        ran.err
    );
}
