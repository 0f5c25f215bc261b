//! What a session file means once it is read.

use std::path::Path;

use earwitness::clip::ClipSource;
use earwitness::session::{ControlKind, Family, Levels, Stopping, Switching, Written, parse};
use earwitness::stats::Protocol;

pub(crate) const SMALLEST: &str = r#"
title = "Thin against thick"
protocol = "abx"
trials = 16
amplifier = { output_resistance = "20 mohm" }
loudspeaker = { resistance = "8 ohm" }
comparisons = [{ a = "thin", b = "none" }]

[cables.thin]
construction = "parallel-pair"
length = "6 m"
conductor = "0.75 mm2"
spacing = "3.2 mm"
permittivity = 3.5

[cables.none]
construction = "direct"

[clips.plucked]
synth = "plucked-strings"
"#;

#[test]
fn the_smallest_session_has_the_documented_defaults() {
    let session = parse(Path::new("here/session.toml"), SMALLEST).expect("it is valid");
    assert_eq!(session.title.as_written(), "Thin against thick");
    assert_eq!(session.protocol, Protocol::Abx);
    assert_eq!((session.trials, session.warm_up), (16, 0));
    assert_eq!(session.alpha, 0.05);
    assert_eq!(session.levels, Levels::AsWired);
    assert_eq!(session.switching, Switching::Instant);
    assert_eq!(session.family, Family::Holm);
    assert_eq!(session.stopping, Stopping::AllTrials);
    assert_eq!(session.rest_after_minutes, 20.0);
    assert!(!session.confidence && !session.invented);
    assert_eq!(session.folder, Path::new("here"));
    assert_eq!(session.comparisons.len(), 1);
    assert_eq!(session.comparisons[0].name.as_written(), "thin-none");
    assert_eq!(session.comparisons[0].clips, vec![0]);
    assert_eq!(session.cables[session.comparisons[0].a].name.as_written(), "thin");
    assert_eq!(session.cables[session.comparisons[0].b].name.as_written(), "none");
    let ClipSource::Synth { name, length_seconds, rate_hz, seed } = &session.clips[0].source else {
        panic!("a synthesised clip is expected");
    };
    assert_eq!((name.as_str(), *length_seconds, *rate_hz, *seed), ("plucked-strings", 10.0, 48_000, 1));
}

#[test]
fn every_part_of_a_session_is_read() {
    let text = SMALLEST
        .replace(
            "trials = 16",
            "trials = 12\nalpha = 0.01\nlevels = \"matched\"\nswitching = \"gap\"\nfamily = \"none\"\nwarm_up = 3\n\
             confidence = true\nrest_after = \"15 min\"\ninvented = true\n\
             stopping = { kind = \"sequential\", alpha = 0.05, beta = 0.2, proportion = 0.8 }\n\
             qualification = { trials = 4, correct = 3 }",
        )
        .replace("synth = \"plucked-strings\"", "synth = \"pink-noise\"\nlength = \"4 s\"\nseed = 9\nrate = \"96 kHz\"")
        + r#"
[[controls]]
kind = "level"
amount = "1 dB"
trials = 2
[[controls]]
kind = "tilt"
amount = "-1.5 dB"
trials = 1
[[controls]]
kind = "head-movement"
amount = "10 cm"
trials = 1
[[controls]]
kind = "identical"
trials = 4
[wager]
claimant = "Ada"
skeptic = "Ben"
claim = "I hear it every time"
claimant_wins = "Ben cooks"
skeptic_wins = "Ada cooks"
"#;
    let session = parse(Path::new("session.toml"), &text).expect("it is valid");
    assert_eq!(session.alpha, 0.01);
    assert_eq!(session.levels, Levels::Matched);
    assert_eq!(session.switching, Switching::Gap);
    assert_eq!(session.family, Family::None);
    assert_eq!(session.warm_up, 3);
    assert!(session.confidence && session.invented);
    assert_eq!(session.rest_after_minutes, 15.0);
    assert_eq!(session.stopping, Stopping::Sequential { alpha: 0.05, beta: 0.2, proportion: 0.8 });
    let qualification = session.qualification.expect("it was given");
    assert_eq!((qualification.trials, qualification.correct), (4, 3));
    let kinds: Vec<ControlKind> = session.controls.iter().map(|control| control.kind).collect();
    assert_eq!(
        kinds,
        vec![
            ControlKind::Level { decibels: 1.0 },
            ControlKind::Tilt { decibels: -1.5 },
            ControlKind::HeadMovement { metres: 0.1 },
            ControlKind::Identical
        ]
    );
    assert_eq!(session.controls.iter().map(|control| control.trials).sum::<u32>(), 8);
    assert_eq!(session.wager.expect("it was given").claimant.as_written(), "Ada");
    let ClipSource::Synth { rate_hz, seed, .. } = session.clips[0].source else { panic!("synthesised") };
    assert_eq!((rate_hz, seed), (96_000, 9));
}

#[test]
fn a_named_attribute_says_beforehand_which_side_has_more_of_it() {
    let text = SMALLEST.replace(
        "protocol = \"abx\"",
        "protocol = \"two-afc\"\nattribute = \"brighter\"\nattribute_side = \"b\"",
    );
    let session = parse(Path::new("session.toml"), &text).expect("it is valid");
    assert_eq!(session.attribute.as_ref().map(Written::as_written), Some("brighter"));
    assert!(session.attribute_side_b);
}

#[test]
fn the_same_cable_on_both_sides_is_allowed_and_noted() {
    let text = SMALLEST.replace("b = \"none\"", "b = \"thin\"");
    let session = parse(Path::new("session.toml"), &text).expect("it is valid");
    assert!(
        session.notes.iter().any(|note| note.contains("both sides are the cable thin")),
        "{:?}",
        session.notes
    );
}

#[test]
fn every_file_that_a_session_reads_is_sealed_with_what_was_read() {
    use sha2::{Digest as _, Sha256};
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("a file");
    let table = "frequency_hz,gain_db,phase_deg\n20,-0.1,0\n20000,-0.2,-1\n";
    let load = "frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n20000,9,10\n";
    write("thin.csv", table);
    write("tower.csv", load);
    write("song.wav", "not sound, and not read before stimuli are made");
    let text = SMALLEST
        .replace("{ resistance = \"8 ohm\" }", "{ impedance_table = \"tower.csv\" }")
        .replace("construction = \"direct\"", "response = \"thin.csv\"")
        .replace("synth = \"plucked-strings\"", "file = \"song.wav\"\n[clips.later]\nfile = \"song.wav\"");
    write("session.toml", &text);
    let session = earwitness::session::load(folder.path()).expect("it is valid");
    // Tables are sealed as they were read, whatever stands there afterwards; sound as it is now.
    write("thin.csv", "frequency_hz,gain_db,phase_deg\n20,-5,0\n20000,-5,-1\n");
    let sealed = session.sealed_inputs().expect("all are there");
    let found: Vec<(&str, u64)> =
        sealed.iter().map(|input| (input.name.as_str(), input.contents.bytes)).collect();
    let expected = [
        ("session.toml", text.len() as u64),
        ("tower.csv", load.len() as u64),
        ("thin.csv", table.len() as u64),
        ("song.wav", 47),
    ];
    assert_eq!(found, expected, "each file once, the session's own first");
    assert_eq!(sealed[2].contents.sha256[..], Sha256::digest(table.as_bytes())[..]);
    assert_eq!(sealed[0].contents.sha256[..], Sha256::digest(text.as_bytes())[..]);
    std::fs::remove_file(folder.path().join("song.wav")).expect("removed");
    let error = session.sealed_inputs().expect_err("a file is gone").to_string();
    assert!(error.contains("song.wav") && error.contains("stay where it is"), "{error}");
}

#[test]
fn which_sitting_decides_a_wager_is_fixed_beforehand() {
    use earwitness::session::Deciding;
    let with = |more: &str| {
        let wager = format!(
            "[wager]\nclaimant = \"Ida\"\nskeptic = \"Jorin\"\nclaim = \"I hear it\"\nclaimant_wins = \"a\"\nskeptic_wins = \"b\"\n{more}\n"
        );
        parse(Path::new("here/session.toml"), &format!("{SMALLEST}\n{wager}"))
            .map(|session| session.wager.expect("a wager").deciding)
    };
    assert_eq!(with(""), Ok(Deciding::First));
    assert_eq!(with("deciding_sitting = \"first\""), Ok(Deciding::First));
    let together = with("deciding_sitting = \"all-together\"\nsittings = 3");
    assert_eq!(together, Ok(Deciding::AllTogether { sittings: 3 }));
    for (wrong, says) in [
        ("deciding_sitting = \"best\"", "\"best\" is not known; known: first, all-together"),
        ("deciding_sitting = \"all-together\"", "needs the key `sittings`"),
        ("sittings = 3", "belongs to deciding_sitting"),
        ("deciding_sitting = \"all-together\"\nsittings = 0", "outside what is allowed"),
        (
            "deciding_sitting = \"all-together\"\nsittings = 2\n[stopping]\nkind = \"sequential\"\nproportion = 0.8",
            "decides within one sitting",
        ),
    ] {
        let message = with(wrong).expect_err(wrong).to_string();
        assert!(message.contains(says), "{wrong}: {message}");
    }
}

#[test]
fn a_qualification_may_be_asked_with_a_protocol_of_its_own() {
    let with = |protocol: &str, control: &str| {
        let head =
            format!("{protocol}\nqualification = {{ trials = 4, correct = 3, protocol = \"triangle\" }}");
        let text = SMALLEST.replace("protocol = \"abx\"", &head) + "\n[[controls]]\n" + control;
        parse(Path::new("session.toml"), &text)
    };
    let brighter = "protocol = \"two-afc\"\nattribute = \"brighter\"\nattribute_side = \"b\"";
    // A level step makes nothing brighter, but everybody hears which one is different.
    for protocol in ["protocol = \"preference\"", brighter] {
        let session = with(protocol, "kind = \"level\"\namount = \"1 dB\"\ntrials = 0").expect("it is valid");
        assert_eq!(session.qualification.map(|own| own.protocol), Some(Protocol::Triangle));
        assert_eq!(session.controls[0].trials, 0);
    }
    let error =
        with(brighter, "kind = \"level\"\namount = \"1 dB\"\ntrials = 2").expect_err("among the counted");
    assert!(error.to_string().contains("tilt"), "{error}");
    let error = with(brighter, "kind = \"identical\"\ntrials = 0").expect_err("nothing is there");
    assert!(error.to_string().contains("trials"), "{error}");
}
