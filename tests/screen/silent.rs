//! A sitting that nobody could hear says so in the same words on every surface: result, `verify`, `score`, report.

use std::path::Path;

use earwitness::stats::Protocol;
use earwitness::trial::OutputKind;
use earwitness::trial::{Output, Sittings};
use earwitness::verdict;

use super::rig;
use crate::commands::{Ran, earwitness};
use crate::trial::kit::{self, Resume as _};

const SILENT: &str = "This is no listening test: nothing was played aloud, so nothing could be heard.";
const BOTH: &str = "This is no listening test: the answers were simulated, and nothing was played aloud.";

/// A person's sitting in plain lines with this output.
fn person(folder: &Path, output: &str) -> Ran {
    let arguments = ["run", ".", "--listener", "Mara", "--plain", "--output", output];
    rig::piped(folder, &arguments, "\n\n\n\nx\nwait 1.2\nanswer 1\nrecord\nx\nwait 1.2\nanswer 1\nrecord\n\n")
}

/// Text as one line, so that it is found however it was wrapped.
fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn says_everywhere(folder: &Path, result: &Ran, sentence: &str) {
    assert_eq!(result.code, 0, "{}\n{}", result.out, result.err);
    let says = |what: &str, text: &str| {
        assert!(one_line(text).contains(sentence), "{what} does not say so:\n{text}");
    };
    says("the result", &result.out);
    let succeeds = |arguments: &[&str]| {
        let ran = earwitness(folder, arguments);
        assert_eq!(ran.code, 0, "{arguments:?}: {}\n{}", ran.out, ran.err);
        ran
    };
    says("verify", &succeeds(&["verify", "."]).out);
    says("score", &succeeds(&["score", "."]).out);
    let json = |arguments: &[&str]| -> serde_json::Value {
        serde_json::from_str(&succeeds(arguments).out).expect("a document")
    };
    assert_eq!(json(&["verify", ".", "--json"])["journals"][0]["silent"], true);
    assert_eq!(json(&["score", ".", "--json"])["listening_test"], false);
    says("the report's summary", &succeeds(&["report", "."]).out);
    says("the report", &std::fs::read_to_string(folder.join("report/report.html")).expect("the report"));
}

#[test]
fn nothing_played_and_a_sound_file_are_both_silent_on_every_surface() {
    crate::unless_sound_drops_out(|| {
        for output in ["silent", "sitting.wav"] {
            let folder = tempfile::tempdir().expect("a temporary folder");
            rig::session(folder.path(), "abx", 2, "", "");
            let result = person(folder.path(), output);
            says_everywhere(folder.path(), &result, SILENT);
            assert_eq!(folder.path().join("sitting.wav").exists(), output != "silent");

            let folder = tempfile::tempdir().expect("a temporary folder");
            rig::session(folder.path(), "abx", 2, "", "");
            let arguments = ["run", ".", "--listener", "Mara", "--simulate", "0.9", "--output", output];
            let result = earwitness(folder.path(), &arguments);
            says_everywhere(folder.path(), &result, BOTH);
        }
    });
}

#[test]
fn a_sitting_that_went_on_in_silence_is_silent_however_it_began() {
    for kind in [OutputKind::Silent, OutputKind::File, OutputKind::Device] {
        let folder = kit::folder();
        let draft = kit::draft(kit::terms(Protocol::Abx));
        assert_eq!(draft.output.kind, OutputKind::Device);
        let lock = || Sittings::lock(folder.path(), kit::UTC).expect("a free folder");
        let opened = lock().open(draft, kit::secret(80), None).expect("it opens");
        let name = opened.writer.path().file_name().expect("a name").to_string_lossy().into_owned();
        let mut scripted = kit::in_folder(opened);
        for _ in 0..8 {
            scripted.step();
        }
        assert!(!scripted.conductor.view().silent);
        drop(scripted);
        let output = Output { kind, ..kit::silent() };
        let resumed = lock().resume(&name, kit::UTC, output, kit::secret(999), None).expect("it goes on");
        assert_eq!(resumed.conductor.view().silent, kind != OutputKind::Device);
        kit::in_folder(resumed).finish();
        let checked = kit::check(&folder.path().join(&name));
        assert!(checked.is_sound(), "{:?}", checked.problems);
        assert_eq!(checked.silent(), kind != OutputKind::Device, "{kind:?}");
        let (_, _, findings) =
            verdict::of_journal(&checked, &earwitness::verdict::OnPaper::default()).expect("it is closed");
        assert!(!findings.comparisons.is_empty());
        for found in findings.comparisons {
            let headline = found.verdict.headline;
            assert_eq!(headline.starts_with(SILENT), kind != OutputKind::Device, "{kind:?}: {headline}");
        }
    }
}
