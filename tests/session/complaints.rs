//! Every complaint names file, line and key, and says what is allowed.

use std::path::Path;

use earwitness::session::{SessionError, load, parse};

use super::reading::SMALLEST;

fn complaint(text: &str) -> SessionError {
    parse(Path::new("bet/session.toml"), text).expect_err("this must be refused")
}

/// Replaces one piece of the smallest session, and returns the complaint together with the line it must name.
fn spoiled(piece: &str, by: &str) -> (SessionError, usize) {
    assert!(SMALLEST.contains(piece), "the piece to spoil is in the text");
    let text = SMALLEST.replacen(piece, by, 1);
    let line = SMALLEST[..SMALLEST.find(piece).expect("it is there")].lines().count().max(1);
    (complaint(&text), line + usize::from(!piece.starts_with('\n') && SMALLEST.find(piece) != Some(0)))
}

#[test]
fn each_mistake_is_named_with_its_remedy() {
    let cases: [(&str, &str, &[&str]); 40] = [
        ("protocol = \"abx\"", "protocol = \"abxx\"", &["protocol", "abxx", "did you mean `abx`"]),
        ("protocol = \"abx\"", "protocol = 3", &["protocol", "the number 3", "a text in quotes"]),
        ("trials = 16", "trials = 0", &["trials", "0", "1 to 1000"]),
        ("trials = 16", "trials = -4", &["trials", "-4", "1 to 1000"]),
        ("trials = 16", "trials = 16.5", &["trials", "16.5", "whole number"]),
        ("trials = 16", "trials = 99999999999999999999999", &["trials"]),
        ("trials = 16", "trials = 16\nalpha = 0", &["alpha", "between 0 and 1"]),
        ("trials = 16", "trials = 16\nalpha = nan", &["alpha", "not finite"]),
        ("trials = 16", "trials = 16\nalpha = inf", &["alpha", "not finite"]),
        ("trials = 16", "trials = 16\ntrails = 3", &["unknown key `trails`", "did you mean `trials`"]),
        ("trials = 16", "trials = 16\nrest_after = \"40 min\"", &["rest_after", "1 to 20 min"]),
        ("trials = 16", "trials = 16\nattribute = \"brighter\"", &["attribute", "two-afc"]),
        (
            "trials = 16",
            "trials = 16\nstopping = { kind = \"sequential\", proportion = 0.4 }",
            &["proportion", "0.4", "guessing"],
        ),
        (
            "trials = 16",
            "trials = 16\nqualification = { trials = 3, correct = 2 }",
            &["qualification", "[[controls]]"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"preference\"\nqualification = { trials = 3, correct = 2 }\n\
             controls = [{ kind = \"level\", amount = \"1 dB\", trials = 2 }]",
            &["qualification", "preference", "triangle"],
        ),
        ("trials = 16", "trials = 16\nheard_at_least = \"0.2 s\"", &["heard_at_least", "0.2", "1 to 30 s"]),
        ("trials = 16", "trials = 16\nsides = \"two\"", &["sides", "two-afc"]),
        (
            "trials = 16",
            "trials = 4\nstopping = { kind = \"sequential\", proportion = 0.75 }",
            &["stopping", "always right", "8 or more"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"preference\"\nstopping = { kind = \"sequential\", proportion = 0.75 }",
            &["two-sided", "remove `stopping`"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"brighter than the other one\"\nattribute_side = \"a\"",
            &["attribute", "one or two words"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"brighter\"",
            &["attribute_side", "sides = \"two\""],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"brighter\"\nsides = \"two\"\nattribute_side = \"a\"",
            &["no side is claimed"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"brighter\"\nattribute_side = \"a\"\n\
             controls = [{ kind = \"level\", amount = \"3 dB\", trials = 2 }]",
            &["level control has no right answer", "kind = \"tilt\""],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"louder\"\nattribute_side = \"a\"\n\
             controls = [{ kind = \"level\", amount = \"-6 dB\", trials = 2, more = \"b\" }]",
            &["more", "-6 dB", "side A"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"wider\"\nattribute_side = \"a\"\n\
             controls = [{ kind = \"head-movement\", amount = \"10 cm\", trials = 2 }]",
            &["more", "wider", "altered"],
        ),
        (
            "trials = 16",
            "trials = 16\ncontrols = [{ kind = \"level\", amount = \"1 dB\", trials = 2, more = \"b\" }]",
            &["more", "two-afc"],
        ),
        (
            "protocol = \"abx\"",
            "protocol = \"preference\"\nwager = { claimant = \"I\", skeptic = \"J\", claim = \"c\", claimant_wins = \"w\", \
             skeptic_wins = \"s\" }",
            &["wager", "cable"],
        ),
        (
            "trials = 16",
            "trials = 16\nwager = { claimant = \"I\", skeptic = \"J\", claim = \"c\", claimant_wins = \"w\", skeptic_wins = \
             \"s\", cable = \"thin\" }",
            &["cable", "preference", "remove it"],
        ),
        ("resistance = \"8 ohm\"", "resistance = 8", &["loudspeaker.resistance", "ohm"]),
        ("resistance = \"8 ohm\"", "resistance = \"8 volt\"", &["loudspeaker.resistance", "volt", "ohm"]),
        ("resistance = \"8 ohm\"", "resistanse = \"8 ohm\"", &["resistance"]),
        ("length = \"6 m\"", "length = \"-6 m\"", &["cables.thin", "length"]),
        ("length = \"6 m\"", "length = \"nan m\"", &["cables.thin.length"]),
        ("length = \"6 m\"", "length = \"6 m\"\nlenght = \"6 m\"", &["lenght", "did you mean `length`"]),
        ("a = \"thin\"", "a = \"tin\"", &["comparisons[1].a", "did you mean `thin`"]),
        ("a = \"thin\"", "a = \"thin\", clips = [\"pluked\"]", &["clips", "did you mean `plucked`"]),
        ("a = \"thin\"", "a = \"thin\", clips = []", &["at least one clip"]),
        (
            "synth = \"plucked-strings\"",
            "synth = \"plucked-string\"",
            &["synth", "did you mean `plucked-strings`"],
        ),
        ("synth = \"plucked-strings\"", "file = \"nowhere.wav\"", &["clips.plucked.file", "nowhere.wav"]),
        (
            "synth = \"plucked-strings\"",
            "synth = \"plucked-strings\"\nrate = \"0 Hz\"",
            &["clips.plucked.rate", "0 Hz", "8000 Hz to 384000 Hz"],
        ),
    ];
    for (piece, by, words) in cases {
        let (error, _) = spoiled(piece, by);
        let message = error.to_string();
        assert!(message.starts_with("bet/session.toml:"), "{by}: no file and line in: {message}");
        for word in words {
            assert!(message.contains(word), "{by}: \"{word}\" is missing in: {message}");
        }
    }
}

#[test]
fn the_line_is_the_line_of_the_value() {
    for (piece, by) in [
        ("trials = 16", "trials = 0"),
        ("length = \"6 m\"", "length = \"6 parsec\""),
        ("synth = \"plucked-strings\"", "synth = \"bagpipe\""),
    ] {
        let (error, line) = spoiled(piece, by);
        assert_eq!(error.line, Some(line), "{error}");
    }
}

#[test]
fn what_is_missing_is_named_with_an_example() {
    for (piece, words) in [
        ("title = \"Thin against thick\"\n", "`title`"),
        ("protocol = \"abx\"\n", "`protocol`"),
        ("trials = 16\n", "`trials`"),
        ("loudspeaker = { resistance = \"8 ohm\" }\n", "`loudspeaker`"),
        ("amplifier = { output_resistance = \"20 mohm\" }\n", "`amplifier`"),
        ("comparisons = [{ a = \"thin\", b = \"none\" }]\n", "`comparisons`"),
    ] {
        let message = complaint(&SMALLEST.replacen(piece, "", 1)).to_string();
        assert!(message.contains(words) && message.contains("for example"), "{message}");
    }
}

#[test]
fn controls_are_bounded_for_the_sake_of_ears() {
    for (control, word) in [
        ("kind = \"level\"\namount = \"20 dB\"\ntrials = 2", "at most 6 dB"),
        ("kind = \"level\"\namount = \"0 dB\"\ntrials = 2", "identical"),
        ("kind = \"tilt\"\namount = \"-7 dB\"\ntrials = 2", "at most 6 dB"),
        ("kind = \"head-movement\"\namount = \"0.6 m\"\ntrials = 2", "at most 0.5 m"),
        ("kind = \"identical\"\namount = \"1 dB\"\ntrials = 2", "no amount"),
        ("kind = \"loud\"\namount = \"1 dB\"\ntrials = 2", "level"),
        ("kind = \"level\"\namount = \"1 dB\"", "`trials`"),
    ] {
        let message = complaint(&format!("{SMALLEST}\n[[controls]]\n{control}\n")).to_string();
        assert!(message.contains("controls[1]") && message.contains(word), "{message}");
    }
}

/// A value far outside is shown as somebody would write it, not with its three hundred digits.
#[test]
fn a_number_out_of_range_is_shown_readably() {
    let template = include_str!("../../src/session/template.toml");
    let driver =
        "driver = { dc_resistance = \"6 ohm\", resonance = \"40 Hz\", q_mechanical = 3, q_electrical = 1 }";
    let extra = format!(
        "{}\n[[controls]]\nkind = \"head-movement\"\namount = \"1 cm\"\ntrials = 1\n",
        SMALLEST
            .replace("resistance = \"8 ohm\"", driver)
            .replace("protocol", "rest_after = \"15 min\"\nprotocol")
            .replace("spacing", "length_tolerance = \"2 cm\"\ntemperature = \"20 C\"\nspacing")
    );
    let excerpt = "file = \"LICENSE\"\nstart = \"1 s\"\nlength = \"2 s\"";
    let excerpt = SMALLEST.replace("synth = \"plucked-strings\"", excerpt);
    let mut refused = 0;
    for text in [template, &extra, &excerpt] {
        for (at, _) in text.match_indices("= \"") {
            let value = &text[at + 3..];
            let digits = value.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(0);
            if digits == 0 || !value[digits..].starts_with(' ') {
                continue;
            }
            for extreme in ["1e300", "-1e300", "1e-300", "5e-324"] {
                let spoiled = format!("{}{extreme}{}", &text[..at + 3], &value[digits..]);
                let Err(error) = parse(Path::new("session.toml"), &spoiled) else { continue };
                let message = error.to_string();
                let longest = message.split(|c: char| !c.is_ascii_digit()).map(str::len).max();
                assert!(longest < Some(20), "{message}");
                refused += 1;
            }
        }
    }
    assert!(refused > 60, "{refused} refused");
}

#[test]
fn two_comparisons_cannot_share_a_file_name() {
    let twice = SMALLEST.replace(
        "comparisons = [{ a = \"thin\", b = \"none\" }]",
        "comparisons = [{ a = \"thin\", b = \"none\" }, { a = \"thin\", b = \"none\" }]",
    );
    assert!(complaint(&twice).to_string().contains("a second comparison is named"));
    let collide = SMALLEST.replace(
        "comparisons = [{ a = \"thin\", b = \"none\" }]",
        "comparisons = [{ name = \"p\", a = \"thin\", b = \"none\", clips = [\"q-r\"] }, \
         { name = \"p-q\", a = \"thin\", b = \"none\", clips = [\"r\"] }]",
    ) + "[clips.q-r]\nsynth = \"multitone\"\n[clips.r]\nsynth = \"multitone\"\n";
    assert!(complaint(&collide).to_string().contains("would share the file name"));
    let slash = SMALLEST.replace("a = \"thin\", b", "name = \"../x\", a = \"thin\", b");
    assert!(complaint(&slash).to_string().contains("cannot be the name of a comparison"));
}

#[test]
fn what_is_no_session_file_is_refused_in_words() {
    let message = complaint("title = ").to_string();
    assert!(message.starts_with("bet/session.toml:1: this is not TOML"), "{message}");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let message = load(folder.path()).expect_err("there is none").to_string();
    assert!(message.contains("session.toml") && message.contains("earwitness new"), "{message}");
    let file = folder.path().join("session.toml");
    std::fs::write(&file, b"title = \"x\"\n\xff\n").expect("writing");
    let error = load(folder.path()).expect_err("not UTF-8");
    assert_eq!(error.line, Some(2));
    assert!(error.message.contains("UTF-8"));
    std::fs::write(&file, vec![b'#'; 5 * 1024 * 1024]).expect("writing");
    assert!(load(folder.path()).expect_err("too long").message.contains("bytes long"));
}
