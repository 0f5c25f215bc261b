//! Sittings without a screen: simulated, in plain lines, refused; and disks that are full.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use earwitness::screen::keys::bindings;
use earwitness::screen::{Notice, StageKind};
use earwitness::sitting::{Ending, Resuming};
use earwitness::stats::Protocol;
use earwitness::trial::Outcome;

use super::rig::{self, Setting, keys, sit};
use crate::commands::{PROGRAM, earwitness, ran, refused};

fn journal(folder: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder.join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "jsonl"))
        .filter(|path| !path.ends_with("register.jsonl"))
        .collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn a_simulated_listener_says_so_everywhere() {
    for protocol in Protocol::ALL {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let head = if protocol == Protocol::TwoAfc {
            "attribute = \"brighter\"\nattribute_side = \"b\""
        } else {
            ""
        };
        rig::session(folder.path(), protocol.name(), 8, head, "");
        let arguments = ["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "1"];
        let ran = earwitness(folder.path(), &arguments);
        assert_eq!(ran.code, 0, "{protocol}: {}", ran.err);
        assert!(ran.out.contains("Simulated: a program answered"), "{protocol}: {}", ran.out);
        assert!(ran.out.contains("no listening test"), "{protocol}: {}", ran.out);
        if protocol != Protocol::Preference {
            assert!(ran.out.contains("8 right of 8"), "{protocol}: {}", ran.out);
        }
        let checked = crate::trial::kit::check(&journal(folder.path()));
        assert!(checked.is_sound(), "{protocol}: {:?}", checked.problems);
        assert_eq!(checked.opening.expect("an opening").simulated, Some(1.0));
    }
}

#[test]
fn plain_lines_from_a_file_play_a_whole_sitting() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", 2, "confidence = true", "");
    let lines = "\nour hand\n\n\nhelp\nanswer 1\na\nb\nx\nat 1.5\nfrom\nwhole\nnonsense\nanswer 7\nwait 1.2\nanswer 2\nback\n\
                 k\n\n4\nx\nwait 1.2\npause\nreceipt\nj\nrecord\n1\ntrials\n\nnext\nx\nback\nleave\n";
    let arguments = ["run", ".", "--listener", "Mara", "--output", "silent", "--plain"];
    let ran = rig::piped(folder.path(), &arguments, lines);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    for words in [
        "== The terms, before anything is heard ==",
        "== The seal: your hand and the computer's secret decide every trial ==",
        "== Trial 1 of 2 ==",
        "Listen to X before you answer.",
        "You hear X.",
        "\"nonsense\" is not understood here",
        "a number from 1 to 2",
        "Chosen: same as B. Press Enter to record it",
        "How sure are you?",
        "Receipt so far: ",
        "== Nothing was played. ==",
        "no listening test",
        "-- Trial by trial --",
        "You said: same as A.",
        "== Trial 2 of 2: ",
    ] {
        assert!(ran.out.contains(words), "{words} is missing in\n{}", ran.out);
    }
    assert!(!ran.out.contains('\u{1b}'), "no control sequence belongs into plain lines");
    let checked = crate::trial::kit::check(&journal(folder.path()));
    assert!(checked.is_sound(), "{:?}", checked.problems);
    let sure: Vec<_> = checked.answers.iter().map(|answer| answer.confidence).collect();
    assert_eq!(sure, [Some(4), Some(1)]);
}

#[test]
fn a_name_of_any_kind_makes_a_safe_file_and_is_kept_whole() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", 2, "", "");
    let long = "Ottilie ".repeat(38).trim_end().to_string();
    assert!(long.chars().count() > 300);
    let names = ["../../etc/Mara", "🎧🎻", &long, "-rf *", "a\"b\\c'd"];
    for name in names {
        let named = format!("--listener={name}");
        let ran = earwitness(folder.path(), &["run", ".", &named, "--output", "silent", "--simulate", "1"]);
        assert_eq!(ran.code, 0, "{name}: {}", ran.err);
    }
    let files: Vec<String> = std::fs::read_dir(folder.path().join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").file_name().into_string().expect("text"))
        .collect();
    let safe = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.');
    assert!(files.iter().all(|file| file.chars().all(safe) && file.len() < 100), "{files:?}");
    assert_eq!(
        files.iter().filter(|file| file.ends_with("Z-Mara.jsonl") || file.contains("etc-Mara")).count(),
        1
    );
    let verified = earwitness(folder.path(), &["verify", ".", "--json"]);
    assert_eq!(verified.code, 0, "{}", verified.err);
    let document: serde_json::Value = serde_json::from_str(&verified.out).expect("a document");
    let mut kept: Vec<&str> = document["journals"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|journal| journal["listener"].as_str().expect("a name"))
        .collect();
    kept.sort_unstable();
    let mut expected = names.to_vec();
    expected.sort_unstable();
    assert_eq!(kept, expected);
}

#[test]
fn refusals_say_what_to_do() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", 2, "", "");
    let run = |more: &[&'static str], words: &[&str]| {
        let all = [&["run", ".", "--listener", "Mara"][..], more].concat();
        refused(folder.path(), &all, words);
    };
    run(&["--output", "silent"], &["needs a terminal", "--plain", "--simulate"]);
    run(&["--simulate", "1.5"], &["--simulate is 1.5", "from 0 to 1"]);
    run(&["--output", "loud", "--plain"], &["--output is \"loud\"", "silent", ".wav"]);
    run(&["--output", "silent", "--device", "x", "--plain"], &["--device", "leave one of the two out"]);
    run(&["--output", "silent", "--simulate", "0.5", "--opponent"], &["--opponent needs a person"]);
    run(&["--output", "silent", "--simulate", "0.5", "--resume"], &["no sitting of \"Mara\" to resume"]);
    refused(folder.path(), &["run", "nowhere", "--listener", "M", "--plain"], &["nowhere", "cannot be read"]);
    refused(folder.path(), &["audition", "."], &["needs a terminal"]);
    assert!(
        !folder.path().join("sittings").join("register.jsonl").exists() || {
            let register =
                std::fs::read_to_string(folder.path().join("sittings/register.jsonl")).expect("there");
            register.is_empty()
        }
    );
}

#[test]
fn a_full_disk_stops_the_sitting_loudly_and_it_can_be_resumed() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", 12, "", "");
    // Files may not grow beyond eight blocks of 512 bytes; the signal is ignored, so that writing fails as on a full
    // disk.
    let script =
        "trap '' XFSZ; ulimit -f 8; exec \"$0\" run . --listener Mara --output silent --simulate 0.8";
    let output = Command::new("sh")
        .args(["-c", script, PROGRAM])
        .current_dir(folder.path())
        .stdin(Stdio::null())
        .output()
        .expect("sh starts");
    let full = ran(&output, &["run, on a full disk"]);
    assert_eq!(full.code, 2, "{}\n{}", full.out, full.err);
    assert!(full.out.is_empty(), "{}", full.out);
    for words in ["the journal cannot be written", "resume"] {
        assert!(full.err.contains(words), "{words} is missing in {}", full.err);
    }
    let file = journal(folder.path());
    let before = std::fs::read(&file).expect("the journal is there");
    let arguments = ["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "0.8", "--resume"];
    let resumed = earwitness(folder.path(), &arguments);
    assert_eq!(resumed.code, 0, "{}", resumed.err);
    let checked = crate::trial::kit::check(&file);
    assert!(checked.is_sound() && checked.resumed == 1, "{:?}", checked.problems);
    let whole = before.iter().rposition(|&byte| byte == b'\n').expect("a whole line") + 1;
    let after = std::fs::read(&file).expect("the journal is there");
    assert!(after.starts_with(&before[..whole]), "nothing that was written has changed");
}

#[test]
fn a_sitting_that_cannot_go_on_says_why() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 2, "", "");
    let start = ". PgDn PgDn PgDn Enter . h i Enter Enter . Enter x . Down Enter .";
    let left = sit(&Setting::new(&session), keys(start)).result.expect("it ran");
    assert_eq!(left.ending, Ending::Left);
    let arguments = ["run", ".", "--listener", "Mara", "--output", "silent", "--plain", "--resume"];
    let sittings = folder.path().join("sittings");
    let secret = std::fs::read_dir(&sittings)
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.extension().is_some_and(|extension| extension == "secret"))
        .expect("the secret's file");
    let kept = std::fs::read(&secret).expect("it reads");
    std::fs::remove_file(&secret).expect("it can be removed");
    refused(folder.path(), &arguments, &["cannot go on", ".secret", "--new", "stays in the register"]);
    std::fs::write(&secret, b"{}").expect("it can be written");
    refused(folder.path(), &arguments, &["the file is damaged", "--new"]);
    std::fs::write(&secret, kept).expect("it can be written");
    let mut bytes = std::fs::read(&left.journal).expect("it reads");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&left.journal, bytes).expect("it can be written");
    refused(folder.path(), &arguments, &["Mara.jsonl: record ", "cannot go on", "--new"]);
    let asked = sit(&Setting::new(&session), keys(". ."));
    let notices: Vec<&str> =
        asked.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text)).collect();
    assert!(notices[0].starts_with("An earlier sitting cannot go on (record "), "{notices:?}");
}

#[test]
fn the_other_party_locks_the_secret_and_is_needed_to_resume() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 2, "", "");
    let mut setting = Setting::new(&session);
    setting.opponent = true;
    let start = ". PgDn PgDn PgDn Enter s h o r t Enter s e c r e t s e c r e t Enter o t h e r s Enter \
                 s e c r e t s e c r e t Enter s e c r e t s e c r e t Enter . h i Enter Enter . Enter x . Down Enter .";
    let sat = sit(&setting, keys(start));
    assert_eq!(sat.result.as_ref().expect("it ran").ending, Ending::Left);
    let refused = |words: &str| {
        sat.scenes
            .iter()
            .any(|scene| scene.notice.as_ref().is_some_and(|notice| notice.text().contains(words)))
    };
    assert!(refused("at least 10 characters") && refused("not the same"), "both were refused first");
    let secret = std::fs::read_dir(folder.path().join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.extension().is_some_and(|extension| extension == "secret"))
        .expect("the secret's file");
    let text = std::fs::read_to_string(&secret).expect("readable");
    assert!(text.contains("locked") && !text.contains(&"2a".repeat(32)), "{text}");

    setting.opponent = false;
    setting.resuming = Resuming::Resume;
    let wrong = sit(&setting, keys(". . w r o n g 1 Enter . w r o n g 2 Enter . Enter . ."));
    let notices: Vec<&str> =
        wrong.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text)).collect();
    for tries in ["2 more tries", "one more try"] {
        assert!(notices.iter().any(|notice| notice.contains(tries)), "{notices:?}");
    }
    let refused = wrong.result.expect_err("the passphrase is wrong").to_string();
    assert!(refused.contains("wrong 3 times") && refused.contains("asks again"), "{refused}");
    let right = sit(
        &setting,
        keys(
            ". . w r o n g 1 Enter . s e c r e t s e c r e t Enter . Enter . Enter . x . Down Enter . PgDn PgDn PgDn q",
        ),
    );
    assert_eq!(right.result.expect("it ran").ending, Ending::Closed(Outcome::AllTrials));
    assert!(!secret.exists(), "the opened secret's file is removed");
}

#[test]
fn a_device_starts_low_and_a_lost_one_is_waited_for() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 2, "", "");
    let mut setting = Setting::new(&session);
    setting.kind = earwitness::trial::OutputKind::Device;
    let start = ". PgDn PgDn PgDn Enter . h i Enter Enter . + + + - . Enter . x . Down Enter .";
    let sat = sit(&setting, keys(start));
    let journal = sat.result.expect("it ran").journal;
    let text = std::fs::read_to_string(journal).expect("the journal is there");
    assert!(
        text.contains("\"kind\":\"level\",") && text.contains("\"level_db\":-24.0"),
        "-36, three steps of 6 dB up, one down: {text}"
    );
    let first = sat.calls.iter().position(|call| call == "play").expect("something is played");
    assert_eq!(sat.calls[0], "load 16000x1@8000", "the level check plays one stimulus: {:?}", sat.calls);
    assert_eq!(first, 2, "{:?}", sat.calls);
    assert!(sat.calls.iter().any(|call| call.matches("16000x1@8000").count() == 3), "{:?}", sat.calls);
}

#[test]
fn stopping_for_good_is_asked_twice_and_has_no_verdict() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 6, "", "");
    let start = ". PgDn PgDn PgDn Enter . h i Enter Enter . Enter x . Down Enter . q s . Esc . q s . Enter . \
                 PgDn PgDn PgDn Enter";
    let sat = sit(&Setting::new(&session), keys(start));
    let finished = sat.result.expect("it ran");
    assert_eq!(finished.ending, Ending::Closed(Outcome::StoppedEarly));
    assert!(finished.lines.join(" ").contains("no verdict"), "{:?}", finished.lines);
    assert!(crate::trial::kit::check(&finished.journal).is_sound());
}

#[test]
fn training_tells_at_once_and_leaves_nothing_behind() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(
        folder.path(),
        "abx",
        6,
        "",
        "[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 1",
    );
    let mut text = String::from(". a . b . n . p . t .");
    for _ in 0..40 {
        text.push_str(" x . Down Enter . t");
    }
    let (bytes, _, heard) = rig::audition(&session, keys(&text));
    let heard = heard.expect("it ran");
    assert!(heard.answers > 0 && heard.right <= heard.answers, "{heard:?}");
    let shown = String::from_utf8_lossy(&bytes);
    assert!(shown.contains("AUDITION: NEVER COUNTED") && shown.contains("Training on"));
    // There is no receipt to show and no journal to come back to.
    let offered: Vec<&str> = bindings(StageKind::Training).map(|binding| binding.word).collect();
    assert!(["tell", "back", "leave"].iter().all(|word| offered.contains(word)), "{offered:?}");
    assert!(!["receipt", "rest", "record"].iter().any(|word| offered.contains(word)), "{offered:?}");
    assert!(bindings(StageKind::Training).all(|binding| !binding.says.contains("resumed")));
    assert!(shown.contains("Enter tells whether "), "what Enter does is said");
    assert!(!folder.path().join("sittings").exists(), "nothing is journalled");
}

#[test]
fn training_asks_in_the_sessions_own_protocol() {
    let control = "[[controls]]\nkind = \"tilt\"\namount = \"6 dB\"\ntrials = 1\n[[controls]]\nkind = \"identical\"\ntrials = 1";
    let brighter = "attribute = \"brighter\"\nattribute_side = \"b\"";
    for (protocol, more, hears, question, answer) in [
        ("triangle", "", "1 . 2 . 3 .", "Which one is different?", "is different"),
        ("tetrad", "", "1 . 2 . 3 . 4 .", "two pairs that sound the same", "1 with"),
        ("two-afc", brighter, "1 . 2 .", "Which of the two is brighter?", "is brighter"),
        ("a-not-a", "", "r . x .", "same as the reference R?", "the reference"),
    ] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), protocol, 6, more, control);
        // The identical pair is no training; an answer before listening is refused; then six are given.
        let text = format!(". p . t . n . t . Down Enter {}", format!("{hears} Down Enter . t ").repeat(6));
        let (_, scenes, heard) = rig::audition(&session, keys(&text));
        let heard = heard.expect("it ran");
        assert!(heard.answers > 0, "{protocol}: {heard:?}");
        let shown = format!("{scenes:?}");
        for words in [question, answer, "before you answer", "nothing to train on", " in a row"] {
            assert!(shown.contains(words), "{protocol}: {words}\n{shown}");
        }
        assert!(!shown.contains("same as A"), "{protocol} is no ABX");
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "preference", 6, "", control);
    let (_, scenes, heard) = rig::audition(&session, keys(". t . 1 . 2 . Down Enter ."));
    assert_eq!(heard.expect("it ran").answers, 0);
    assert!(format!("{scenes:?}").contains("no right answer to train on"));
}
