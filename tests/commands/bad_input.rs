//! Bad input: a message that names file, line or key, what was expected and what to do; exit 2; nothing lost.

use std::path::Path;

use super::material::{LCR, PAIR, RESISTOR, SYNTH, good_wav, session};
use super::{earwitness, refused};

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

fn write(folder: &Path, name: &str, bytes: impl AsRef<[u8]>) {
    std::fs::write(folder.join(name), bytes).expect("writing");
}

/// Every command that reads the session refuses it with the same words.
fn refused_everywhere(folder: &Path, words: &[&str]) {
    refused(folder, &["check", "."], words);
    refused(folder, &["predict", "."], words);
    refused(folder, &["render", ".", "--out", "out"], words);
    refused(folder, &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"], words);
    assert!(
        !folder.join("out").exists() || std::fs::read_dir(folder.join("out")).expect("out").next().is_none()
    );
    assert!(!folder.join("sittings").exists(), "a session that cannot be read opens no sitting");
}

/// Commands that need the sound refuse it with the same words, and leave no half-written stimuli.
fn sound_refused(folder: &Path, words: &[&str]) {
    refused(folder, &["render", ".", "--out", "out"], words);
    if let Ok(mut entries) = std::fs::read_dir(folder.join("out")) {
        assert!(entries.next().is_none(), "half-written stimuli are left");
    }
    refused(folder, &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"], words);
}

#[test]
fn what_is_not_there_is_named() {
    let folder = folder();
    refused(folder.path(), &["check", "nowhere"], &["nowhere", "earwitness new"]);
    session(folder.path(), "file = \"gone.wav\"", PAIR, RESISTOR);
    refused_everywhere(folder.path(), &["session.toml:", "clips.song.file", "gone.wav"]);
    session(folder.path(), SYNTH, "lcr_table = \"gone.csv\"\nsample_length = \"3 m\"", RESISTOR);
    refused_everywhere(folder.path(), &["session.toml:", "gone.csv"]);
    session(folder.path(), SYNTH, PAIR, "impedance_table = \"gone.csv\"");
    refused_everywhere(folder.path(), &["session.toml:", "gone.csv"]);
}

#[test]
fn tables_with_mistakes_are_refused_with_file_and_line() {
    let head = "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f\n";
    let cases: [(&str, &[&str]); 5] = [
        ("20,0.02,6e-7,1e-9\n1000,abc,6e-7,1e-9\n", &["lcr.csv:3", "abc"]),
        ("-20,0.02,6e-7,1e-9\n20,0.02,6e-7,1e-9\n", &["lcr.csv:2", "-20"]),
        ("20,0.02,6e-7,1e-9\n30,0.02,6e-7\n", &["lcr.csv:3"]),
        ("20,0.02,6e-7,1e-9\n30,-0.02,6e-7,1e-9\n", &["lcr.csv:3", "-0.02"]),
        ("", &["lcr.csv"]),
    ];
    for (rows, words) in cases {
        let folder = folder();
        write(folder.path(), "lcr.csv", format!("{head}{rows}"));
        session(folder.path(), SYNTH, "lcr_table = \"lcr.csv\"\nsample_length = \"3 m\"", RESISTOR);
        refused_everywhere(folder.path(), words);
    }
    for (text, words) in [
        ("frequency_hz,magnitude\n20,8\n30,8\n", &["z.csv:1", "magnitude"][..]),
        ("frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n", &["z.csv", "two"]),
        ("frequency_hz,magnitude_ohm,phase_deg\n20,0,0\n30,8,0\n", &["z.csv:2", "0"]),
        // An overload mark is what meters send, and nothing else; a tiny number is not spelt out.
        (
            "frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n30,8,1e300\n40,8,0\n",
            &["z.csv:3", "1e300 is no reading"],
        ),
        (
            "frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n30,8,1e30\n40,8,0\n",
            &["z.csv:3", "1e30 is no reading"],
        ),
        ("frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n30,5e-324,0\n40,8,0\n", &["z.csv", "5e-324 ohm"]),
        ("frequency_hz,magnitude_ohm,phase_deg\n20,8,0\n30,8,-120\n40,8,0\n", &["z.csv", "quarter turn"]),
        ("", &["z.csv"]),
        ("\u{0}\u{1}\u{2}", &["z.csv"]),
    ] {
        let folder = folder();
        write(folder.path(), "z.csv", text);
        session(folder.path(), SYNTH, PAIR, "impedance_table = \"z.csv\"");
        refused_everywhere(folder.path(), words);
    }
}

#[test]
fn rows_as_meters_write_them_are_put_right_and_said() {
    let head = "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f\n";
    for (rows, word) in [
        ("20,0.02,6e-7,1e-9\n10,0.02,6e-7,1e-9\n", "sorted"),
        ("20,0.02,6e-7,1e-9\n20,0.04,6e-7,1e-9\n30,0.03,6e-7,1e-9\n", "averaged"),
        ("20,0.02,6e-7,1e-9\n30,nan,6e-7,1e-9\n", "left out"),
        ("20,0.02,6e-7,1e-9\n", "one point"),
    ] {
        let folder = folder();
        write(folder.path(), "lcr.csv", format!("{head}{rows}"));
        session(folder.path(), SYNTH, "lcr_table = \"lcr.csv\"\nsample_length = \"3 m\"", RESISTOR);
        let ran = earwitness(folder.path(), &["check", "."]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert!(ran.out.contains("lcr.csv") && ran.out.contains(word), "{word}: {}", ran.out);
    }
}

#[test]
fn a_table_that_does_not_cover_the_band_is_held_and_said() {
    let folder = folder();
    write(folder.path(), "z.csv", "frequency_hz,magnitude_ohm,phase_deg\n100,8,0\n1000,6,-10\n");
    session(folder.path(), SYNTH, PAIR, "impedance_table = \"z.csv\"");
    let ran = earwitness(folder.path(), &["check", "."]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let said = format!("{}{}", ran.out, ran.err);
    assert!(said.contains("z.csv") && said.contains("held"), "{said}");
}

#[test]
fn excerpts_past_the_end_and_empty_ones_are_refused() {
    let folder = folder();
    write(folder.path(), "song.wav", good_wav(48_000));
    session(folder.path(), "file = \"song.wav\"\nstart = \"5 s\"", PAIR, RESISTOR);
    sound_refused(folder.path(), &["song", "5"]);
    session(folder.path(), "file = \"song.wav\"\nstart = \"1 s\"\nlength = \"20 s\"", PAIR, RESISTOR);
    sound_refused(folder.path(), &["song", "21.000 s", "at most 1.000 s"]);
    session(folder.path(), "file = \"song.wav\"\nlength = \"0 s\"", PAIR, RESISTOR);
    refused(folder.path(), &["check", "."], &["clips.song.length"]);
    session(folder.path(), "file = \"song.wav\"\nlength = \"1 ms\"", PAIR, RESISTOR);
    sound_refused(folder.path(), &["song"]);
}

#[test]
fn truncated_compressed_files_do_not_panic() {
    let folder = folder();
    write(folder.path(), "whole.wav", good_wav(44_100));
    let flac = std::process::Command::new("flac")
        .args(["--silent", "-o", "song.flac", "whole.wav"])
        .current_dir(folder.path())
        .status()
        .expect("flac is installed by tests/run");
    assert!(flac.success());
    let bytes = std::fs::read(folder.path().join("song.flac")).expect("reading");
    session(folder.path(), "file = \"song.flac\"", PAIR, RESISTOR);
    let whole = earwitness(folder.path(), &["render", ".", "--out", "out"]);
    assert_eq!(whole.code, 0, "{}", whole.err);
    std::fs::remove_dir_all(folder.path().join("out")).expect("removing");
    for part in [0, 10, 50, 500, bytes.len() / 2, bytes.len() - 100] {
        write(folder.path(), "song.flac", &bytes[..part]);
        sound_refused(folder.path(), &["song.flac"]);
    }
}

#[test]
fn an_unwritable_place_is_refused_before_anything_is_lost() {
    let folder = folder();
    session(folder.path(), SYNTH, PAIR, RESISTOR);
    write(folder.path(), "out", "a file where a folder is wanted");
    refused(folder.path(), &["render", ".", "--out", "out"], &["out"]);
    write(folder.path(), "sittings", "a file where a folder is wanted");
    refused(
        folder.path(),
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"],
        &["sittings"],
    );
    assert_eq!(
        std::fs::read(folder.path().join("sittings")).expect("reading"),
        b"a file where a folder is wanted"
    );
}

#[test]
fn a_full_disk_while_journalling_stops_the_sitting_loudly() {
    let folder = folder();
    session(folder.path(), SYNTH, PAIR, RESISTOR);
    // A limit on the size of written files stands in for the full disk: the write fails in mid-journal.
    let output = std::process::Command::new("bash")
        .arg("-c")
        .arg("trap '' XFSZ; ulimit -f 3; exec \"$0\" run . --listener Nora --output silent --simulate 0.8")
        .arg(super::PROGRAM)
        .current_dir(folder.path())
        .stdin(std::process::Stdio::null())
        .output()
        .expect("bash");
    let ran = super::ran(&output, &["run with a full disk"]);
    assert_eq!(ran.code, 2, "{}\n{}", ran.out, ran.err);
    assert!(ran.err.contains("journal"), "{}", ran.err);
    // What was written before is there, and the sitting can be resumed to its end when there is room again.
    let again = earwitness(
        folder.path(),
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8", "--resume"],
    );
    assert_eq!(again.code, 0, "{}\n{}", again.out, again.err);
}

#[test]
fn a_full_disk_leaves_nothing_half_made_behind() {
    let folder = folder();
    session(folder.path(), SYNTH, PAIR, RESISTOR);
    let before = std::fs::read_dir(folder.path()).expect("a folder").count();
    for command in [
        "new evening",
        "night . --ballots ballots.html",
        "predict . --plot plot.svg",
        "render . --out stimuli",
        "man pages",
    ] {
        let script = format!("trap '' XFSZ; ulimit -f 0; exec \"$0\" {command}");
        let output = std::process::Command::new("bash")
            .args(["-c", &script, super::PROGRAM])
            .current_dir(folder.path())
            .stdin(std::process::Stdio::null())
            .output()
            .expect("bash");
        let ran = super::ran(&output, &[command]);
        assert_eq!(ran.code, 2, "{command}: {}\n{}", ran.out, ran.err);
        assert!(ran.err.contains("would be too large"), "{command}: {}", ran.err);
    }
    // A folder that was asked for may stand there, empty.
    for asked in ["stimuli", "pages"] {
        let _ = std::fs::remove_dir(folder.path().join(asked));
    }
    assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), before);
}

#[test]
fn a_meters_table_is_read_as_exported() {
    let folder = folder();
    write(folder.path(), "lcr.csv", LCR);
    session(
        folder.path(),
        SYNTH,
        "lcr_table = \"lcr.csv\"\nsample_length = \"10 ft\"\nlength = \"10 ft\"",
        RESISTOR,
    );
    let ran = earwitness(folder.path(), &["predict", ".", "--json", "--frequencies", "1000"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(ran.out.contains("\"loop_resistance_ohm\""), "{}", ran.out);
}

/// A named pipe would be waited for, a device has no end, a socket and a folder are no files: each is said and refused, in
/// every place where a file is named, at once.
#[test]
fn only_regular_files_are_read() {
    let folder = folder();
    let here = folder.path();
    let made = std::process::Command::new("mkfifo").arg(here.join("pipe")).status().expect("mkfifo");
    assert!(made.success());
    let _socket = std::os::unix::net::UnixListener::bind(here.join("socket")).expect("a socket");
    std::os::unix::fs::symlink("/dev/zero", here.join("device")).expect("a link");
    std::fs::create_dir(here.join("folder")).expect("a folder");
    for (name, what) in
        [("pipe", "a named pipe"), ("socket", "a socket"), ("device", "a device"), ("folder", "a folder")]
    {
        let words = [what, name];
        if name != "folder" {
            refused(here, &["check", name], &words);
            refused(here, &["score", name], &[what]);
        }
        if name != "folder" {
            let ran = earwitness(here, &["verify", name]);
            assert!(ran.code == 2 && ran.out.contains(what), "{name}: {} {}{}", ran.code, ran.out, ran.err);
        }
        session(here, SYNTH, PAIR, &format!("impedance_table = \"{name}\""));
        refused(here, &["check", "."], &words);
        session(here, SYNTH, &format!("response = \"{name}\""), RESISTOR);
        refused(here, &["predict", "."], &words);
        for ending in ["wav", "flac"] {
            let sound = format!("{name}.{ending}");
            std::os::unix::fs::symlink(name, here.join(&sound)).expect("a link");
            session(here, &format!("file = \"{sound}\""), PAIR, RESISTOR);
            let words = [if name == "folder" { "folder" } else { "a pipe or a device" }, name];
            refused(here, &["check", "."], &words);
            sound_refused(here, &words);
        }
    }
    // The register as a pipe: nobody waits for it, and nothing is reported without it.
    session(here, SYNTH, PAIR, RESISTOR);
    std::fs::create_dir_all(here.join("sittings")).expect("a folder");
    std::fs::rename(here.join("pipe"), here.join("sittings/register.jsonl")).expect("moved");
    refused(
        here,
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"],
        &["a named pipe"],
    );
    // So with the folder's lock, and a journal, which is named while the rest is scored.
    std::fs::rename(here.join("sittings/register.jsonl"), here.join("sittings/.lock")).expect("moved");
    refused(
        here,
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"],
        &["a named pipe"],
    );
    std::fs::rename(here.join("sittings/.lock"), here.join("sittings/a.jsonl")).expect("moved");
    for command in ["score", "verify"] {
        let ran = earwitness(here, &[command, "."]);
        assert!(
            format!("{}{}", ran.out, ran.err).contains("a named pipe"),
            "{command}: {} {}",
            ran.out,
            ran.err
        );
    }
    std::fs::remove_dir_all(here.join("sittings")).expect("removed");
    // A regular file that is too long, and sparse so that it costs nothing.
    let long = std::fs::File::create(here.join("long.csv")).expect("a file");
    long.set_len(65 * 1024 * 1024).expect("a length");
    session(here, SYNTH, PAIR, "impedance_table = \"long.csv\"");
    refused(here, &["check", "."], &["long.csv", "more than 67108864 bytes long"]);
}
