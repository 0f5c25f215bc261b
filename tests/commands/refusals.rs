//! What the program refuses, it refuses in words for people: never with those of the operating system or the compiler.

use super::earwitness;

/// Words that come from the operating system, a library or the compiler, and tell nobody what to do.
const FOREIGN: [&str; 13] = [
    "os error",
    "invalid socket address",
    "invalid float literal",
    "invalid digit",
    "Some(",
    "None)",
    "Err(",
    "Error {",
    "Utf8Error",
    ".part",
    "panicked",
    "unwrap",
    "as a value, use",
];

#[test]
fn no_refusal_speaks_in_the_words_of_a_library() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    assert_eq!(earwitness(here, &["new", "s"]).code, 0);
    std::fs::create_dir(here.join("empty")).expect("a folder");
    std::fs::write(here.join("noise.bin"), [0xff, 0xfe, 0x00, 0x80]).expect("a file");
    std::fs::write(here.join("table.csv"), "listener,correct\nAda,3\n").expect("a file");
    std::fs::write(here.join("broken.jsonl"), "{\"format\":").expect("a file");
    for arguments in [
        &["check", "nowhere"][..],
        &["check", "empty"],
        &["check", "noise.bin"],
        &["check", "s/session.toml/deeper"],
        &["new", "s"],
        &["new", "noise.bin/below"],
        &["demo", "--dir", "noise.bin/below"],
        &["predict", "s", "--frequencies", "a,b"],
        &["predict", "s", "--frequencies", "-5"],
        &["night", "s", "--prot", "8410"],
        &["predict", "s", "--plot", "picture.png"],
        &["predict", "s", "--plot", "nowhere/picture.svg"],
        &["render", "s", "--out", "noise.bin/below"],
        &["plan", "--proportion", "most"],
        &["plan", "--proportion", "0.75", "--trials", "many"],
        &["plan", "--protocol", "abz", "--proportion", "0.75"],
        &["run", "s", "--listener", "Ada", "--output", "loud"],
        &["run", "s", "--listener", "Ada", "--simulate", "often"],
        &["run", "s", "--listener", "Ada", "--simulate", "0.5", "--output", "nowhere/x.wav"],
        &["run", "s", "--listener", "Ada", "--witness", "--listen", "here"],
        &["run", "nowhere", "--listener", "Ada"],
        &["audition", "nowhere"],
        &["witness", "here", "--name", "Ben"],
        &["night", "nowhere"],
        &["night", "s", "--listen", "here:there"],
        &["night", "s", "--listen", "203.0.113.7:8410"],
        &["score", "nowhere.csv"],
        &["score", "table.csv"],
        &["score", "noise.bin"],
        &["score", "--protocol", "abx", "--correct", "some", "--trials", "16"],
        &["report", "nowhere"],
        &["verify", "nowhere.jsonl"],
        &["verify", "broken.jsonl"],
        &["verify", "empty"],
        &["verify", "noise.bin"],
        &["bench", "sweep", "--out", "nowhere/sweep.wav"],
        &["bench", "sweep", "--out", "sweep.mp3"],
        &["report", "s", "--figures", "noise.bin"],
        &["bench", "response", "nowhere.wav", "--out", "x.csv"],
        &["bench", "response", "noise.bin", "--out", "x.csv"],
        &["bench", "null", "a.wav", "b.wav"],
        &["bench", "impedance", "nowhere.wav", "--resistor", "ten", "--out", "x.csv"],
    ] {
        let ran = earwitness(here, arguments);
        let said = format!("{}{}", ran.out, ran.err);
        assert!(ran.code == 2 || ran.code == 1, "{arguments:?}: {} {said}", ran.code);
        for word in FOREIGN {
            assert!(!said.contains(word), "{arguments:?} says \"{word}\": {said}");
        }
        assert!(said.trim().len() > 20, "{arguments:?}: {said}");
    }
}

#[test]
fn a_misspelt_key_is_named_before_a_missing_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    assert_eq!(earwitness(here, &["new", "s"]).code, 0);
    let file = here.join("s/session.toml");
    let sound = std::fs::read_to_string(&file).expect("the template");
    for (right, wrong, key) in [
        ("\ntrials = 16", "\ntrails = 16", "`trials`"),
        ("\nprotocol = \"abx\"", "\nprotocoll = \"abx\"", "`protocol`"),
        ("[loudspeaker]", "[loudspeakers]", "`loudspeaker`"),
    ] {
        assert!(sound.contains(right), "{right}");
        std::fs::write(&file, sound.replacen(right, wrong, 1)).expect("written");
        let ran = earwitness(here, &["check", "s"]);
        let line = sound[..sound.find(right).expect("there")].lines().count() + 1;
        assert_eq!(ran.code, 2, "{}", ran.out);
        assert!(ran.err.contains("did you mean") && ran.err.contains(key), "{}", ran.err);
        assert!(ran.err.contains(&format!("session.toml:{line}:")), "{line}: {}", ran.err);
    }
    // A short key that stands there rightly is no slip of the one that is missing.
    assert!(sound.contains("\na = \"thin\"\n"));
    std::fs::write(&file, sound.replacen("\na = \"thin\"\n", "\n", 1)).expect("written");
    let ran = earwitness(here, &["check", "s"]);
    assert!(ran.err.contains("needs the key `a`") && !ran.err.contains("did you mean"), "{}", ran.err);
}
