//! Sound that is wrong in every way a file can be, given to the real program: a message that names file, value and
//! remedy, exit 2, nothing left behind; or a correct result and a note.

use std::os::unix::fs::{FileExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use super::files::tool;
use crate::commands::material::{PAIR, RESISTOR, good_wav, session, wav};
use crate::commands::{PROGRAM, earwitness, ran, refused};

const RUN: [&str; 8] = ["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.8"];

/// Half a second of 16-bit samples, so many channels.
fn pcm(channels: u32) -> Vec<u8> {
    (0..24_000 * channels).flat_map(|i| (((i * 7919) % 20_011) as i16 - 10_000).to_le_bytes()).collect()
}

fn float(values: impl IntoIterator<Item = f32>) -> Vec<u8> {
    let data: Vec<u8> = values.into_iter().flat_map(f32::to_le_bytes).collect();
    wav(48_000, 1, 32, 3, &data, data.len() as u32)
}

/// A session around one clip, in a folder of its own.
fn folder_with(name: &str, bytes: &[u8]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join(name), bytes).expect("a file");
    session(folder.path(), &format!("file = \"{name}\""), PAIR, RESISTOR);
    folder
}

/// Every command that needs the sound refuses it in the same words, and leaves neither stimuli nor a sitting.
fn refused_cleanly(folder: &Path, words: &[&str]) {
    refused(folder, &["check", "."], words);
    refused(folder, &["render", ".", "--out", "out"], words);
    assert!(!folder.join("out").exists(), "something was rendered");
    refused(folder, &RUN, words);
    if let Ok(sittings) = std::fs::read_dir(folder.join("sittings")) {
        let bytes: u64 = sittings.map(|entry| entry.unwrap().metadata().unwrap().len()).sum();
        assert_eq!(bytes, 0, "a sitting was opened, or the register written");
    }
}

/// What was printed as one line: where it is broken is not the matter here.
fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Every command does its work; `check` says these words among what is worth knowing.
fn accepted(folder: &Path, words: &[&str], silences: &[&str]) {
    rendered(folder, words, silences);
    let simulated = earwitness(folder, &RUN);
    assert_eq!(simulated.code, 0, "{}", simulated.err);
}

/// Every command that needs no listener does its work.
fn rendered(folder: &Path, words: &[&str], silences: &[&str]) {
    let checked = earwitness(folder, &["check", "."]);
    assert_eq!(checked.code, 0, "{}", checked.err);
    let said = one_line(&checked.out);
    for word in words {
        assert!(said.contains(word), "\"{word}\" is missing in\n{said}");
    }
    for word in silences {
        assert!(!said.contains(word), "\"{word}\" is said in\n{said}");
    }
    let rendered = earwitness(folder, &["render", ".", "--out", "out"]);
    assert_eq!(rendered.code, 0, "{}", rendered.err);
    let said = one_line(&rendered.err);
    for word in words {
        assert!(said.contains(word), "\"{word}\" is missing in\n{said}");
    }
    for side in ["a", "b"] {
        let mut reader =
            hound::WavReader::open(folder.join(format!("out/one-none-song-{side}.wav"))).unwrap();
        assert!(reader.samples::<f32>().all(|sample| sample.is_ok_and(|sample| sample.abs() <= 0.8913)));
    }
}

#[test]
fn rates_and_channels_that_nothing_plays() {
    let (one, six) = (pcm(2), pcm(6));
    let length = one.len() as u32;
    for (rate, said) in [(0, "rate of 0 Hz"), (7, "rate of 7 Hz"), (4_000_000_000, "rate of 4000000000 Hz")] {
        let folder = folder_with("song.wav", &wav(rate, 2, 16, 1, &one, length));
        refused_cleanly(folder.path(), &["song.wav", said, "8000 to 384000 Hz", "44.1 or 48 kHz"]);
    }
    let folder = folder_with("song.wav", &wav(44_101, 2, 16, 1, &one, length));
    accepted(folder.path(), &["song.wav", "44101 Hz, which is unusual", "if 44100 Hz is meant"], &[]);
    let spec = hound::WavReader::open(folder.path().join("out/one-none-song-a.wav")).unwrap().spec();
    assert_eq!(spec.sample_rate, 44_101);
    for rate in [8_000, 44_100, 96_000, 384_000] {
        let folder = folder_with("song.wav", &wav(rate, 2, 16, 1, &one, length));
        accepted(folder.path(), &[], &["unusual"]);
    }
    let folder = folder_with("song.wav", &wav(48_000, 6, 16, 1, &six, six.len() as u32));
    refused_cleanly(folder.path(), &["song.wav", "6 channels", "one or two", "mix it down"]);
    tool("ffmpeg", &["-v", "error", "-i", "song.wav", "song.flac"], folder.path());
    session(folder.path(), "file = \"song.flac\"", PAIR, RESISTOR);
    refused_cleanly(folder.path(), &["song.flac", "6 channels", "one or two", "mix it down"]);
    let folder = folder_with("song.wav", &wav(48_000, 0, 16, 1, &one, length));
    refused_cleanly(folder.path(), &["song.wav", "0 channels", "one or two"]);
}

#[test]
fn headers_that_lie() {
    let one = pcm(2);
    let length = one.len() as u32;
    for (bytes, words) in [
        (
            wav(48_000, 2, 16, 1, &one, length + 100_000),
            ["promises 196000 bytes", "has 96000", "copy or export"],
        ),
        (wav(48_000, 2, 16, 1, &one, 0), ["promises 0 bytes", "has 96000", "editor"]),
        (wav(48_000, 2, 16, 1, &one, u32::MAX), ["promises 4294967295 bytes", "has 96000", "editor"]),
        (wav(48_000, 2, 16, 1, &[], 0), ["holds no sound", "sample", "another file"]),
        (wav(48_000, 2, 16, 1, &one[..3], 3), ["holds no sound", "sample", "another file"]),
        (wav(48_000, 2, 17, 1, &one, length), ["17 bits", "integers of 8 to 32 bits", "24-bit WAV or FLAC"]),
        (wav(48_000, 2, 0, 1, &one, length), ["0 bits", "float of 32 or 64", "24-bit WAV or FLAC"]),
        (wav(48_000, 2, 8, 7, &one, length), ["format 7", "integers of 8 to 32 bits", "24-bit WAV or FLAC"]),
        (good_wav(48_000)[..30].to_vec(), ["ends inside its header", "song.wav", "again"]),
        (good_wav(48_000)[..40].to_vec(), ["no data chunk", "song.wav", "again"]),
    ] {
        let folder = folder_with("song.wav", &bytes);
        refused_cleanly(folder.path(), &words);
    }
    // Shorter than the file: what is promised is played, and said.
    let folder = folder_with("song.wav", &wav(48_000, 2, 16, 1, &one, length / 2));
    accepted(folder.path(), &["promises 48000 bytes", "48000 more bytes", "export the file again"], &[]);
    let frames = |name: &str| hound::WavReader::open(folder.path().join(name)).unwrap().duration();
    assert_eq!(frames("out/one-none-song-a.wav"), 12_000);
    // Odd: the broken sample is left out.
    let mut odd = one.clone();
    odd.extend_from_slice(&[1, 2, 3]);
    let folder = folder_with("song.wav", &wav(48_000, 2, 16, 1, &odd, odd.len() as u32));
    accepted(folder.path(), &["96003 bytes", "not a whole number of samples", "last 3 are left out"], &[]);
    let frames = |name: &str| hound::WavReader::open(folder.path().join(name)).unwrap().duration();
    assert_eq!(frames("out/one-none-song-b.wav"), 24_000);
    // A tag at the end and a byte of padding are no lie.
    let mut tagged = good_wav(48_000);
    tagged.extend_from_slice(b"TAG");
    tagged.extend_from_slice(&[0; 125]);
    accepted(folder_with("song.wav", &tagged).path(), &[], &["promises", "left out"]);
}

#[test]
fn more_than_four_gibibytes() {
    // A hole instead of sound: the file system stores nothing, and the header is right.
    let large = |magic: &[u8; 4], bytes: u64| {
        let mut head = magic.to_vec();
        head.extend_from_slice(&u32::MAX.to_le_bytes());
        head.extend_from_slice(b"WAVE");
        if magic != b"RIFF" {
            head.extend_from_slice(b"ds64\x1c\0\0\0");
            for value in [bytes + 72, bytes, bytes / 4] {
                head.extend_from_slice(&value.to_le_bytes());
            }
            head.extend_from_slice(&[0; 4]);
        }
        head.extend_from_slice(&wav(48_000, 2, 16, 1, &[], u32::MAX)[12..]);
        let folder = folder_with("song.wav", &head);
        let file = std::fs::OpenOptions::new().write(true).open(folder.path().join("song.wav")).unwrap();
        file.set_len(head.len() as u64 + bytes).unwrap();
        // Two seconds of sound, 22400 seconds into the file: behind the fourth gibibyte.
        let at = head.len() as u64 + 22_400 * 48_000 * 4;
        if at + 400_000 < head.len() as u64 + bytes {
            file.write_all_at(&good_wav(48_000)[44..], at).unwrap();
        }
        folder
    };
    // Each command reads it whole, so it is hardly longer than 4 GiB.
    let bytes: u64 = (4 << 30) + (8 << 20);
    for magic in [b"RF64", b"BW64"] {
        let folder = large(magic, bytes);
        let clip = "file = \"song.wav\"\nstart = \"22400 s\"\nlength = \"2 s\"";
        session(folder.path(), clip, PAIR, RESISTOR);
        accepted(folder.path(), &[], &["silent", "promises"]);
        session(folder.path(), "file = \"song.wav\"\nstart = \"8 h\"", PAIR, RESISTOR);
        let ran = earwitness(folder.path(), &["check", "."]);
        assert_eq!(ran.code, 2, "{}", ran.out);
        // Cut off: the header promises more than there is.
        let file = std::fs::OpenOptions::new().write(true).open(folder.path().join("song.wav")).unwrap();
        file.set_len(1 << 20).unwrap();
        session(folder.path(), "file = \"song.wav\"", PAIR, RESISTOR);
        refused(folder.path(), &["check", "."], &[&format!("promises {bytes} bytes"), "cut off", "again"]);
    }
    let folder = large(b"RIFF", 5 << 30);
    refused_cleanly(folder.path(), &["song.wav", "5.0 GiB", "only count to 4 GiB", "RF64 or FLAC"]);
}

#[test]
fn samples_that_are_no_sound() {
    let with = |value: f32| {
        float((0..24_000).map(|i| if i == 12_000 { value } else { (i as f32 * 0.1).sin() * 0.2 }))
    };
    for (value, said) in [
        (f32::NAN, "not a number"),
        (f32::INFINITY, "infinite sample"),
        (f32::NEG_INFINITY, "infinite sample"),
        (32_768.0, "far beyond full scale"),
    ] {
        let folder = folder_with("song.wav", &with(value));
        refused_cleanly(
            folder.path(),
            &["song.wav", said, "0.2500 s into the excerpt", "export the file again"],
        );
    }
}

/// The same session with matched levels.
fn matched(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("session.toml")).unwrap();
    std::fs::write(
        folder.join("session.toml"),
        text.replace("trials = 6", "trials = 6\nlevels = \"matched\""),
    )
    .unwrap();
}

#[test]
fn silence_direct_current_and_squares() {
    let folder = folder_with("song.wav", &float(std::iter::repeat_n(0.0, 24_000)));
    rendered(folder.path(), &["is silent (below -70 LUFS", "nobody can hear a difference"], &[]);
    // Both sides of silence are the same bytes: a sitting on them would ask what has no answer.
    let refused = earwitness(folder.path(), &RUN);
    assert_eq!(refused.code, 2, "{}", refused.err);
    assert!(refused.err.contains("both sides of a pair are the same sound"), "{}", refused.err);
    for entry in std::fs::read_dir(folder.path().join("sittings")).unwrap() {
        let path = entry.unwrap().path();
        assert_eq!(std::fs::metadata(&path).unwrap().len(), 0, "nothing was opened: {}", path.display());
    }
    std::fs::remove_dir_all(folder.path().join("sittings")).unwrap();
    matched(folder.path());
    std::fs::remove_dir_all(folder.path().join("out")).unwrap();
    refused_cleanly(folder.path(), &["song", "nothing to match levels on", "as-wired"]);

    let folder = folder_with("song.wav", &float(std::iter::repeat_n(0.9, 24_000)));
    accepted(folder.path(), &["carries a DC offset", "% of full scale", "remove it in an editor"], &[]);

    let square = float((0..24_000).map(|i| if i / 50 % 2 == 0 { 1.0 } else { -1.0 }));
    let folder = folder_with("song.wav", &square);
    accepted(folder.path(), &[], &["DC offset", "silent"]);
    matched(folder.path());
    accepted(folder.path(), &[], &["DC offset"]);
}

#[test]
fn excerpts_that_do_not_fit() {
    let folder = folder_with("song.wav", &good_wav(48_000));
    for (clip, words) in [
        ("start = \"3 s\"", ["starts at 3 s", "ends at 2.000 s", "earlier start"]),
        ("start = \"1 s\"\nlength = \"1.5 s\"", ["ends at 2.500 s", "2.000 s", "at most 1.000 s"]),
        ("length = \"20 ms\"", ["0.020 s is too short", "0.06 s", "longer excerpt"]),
    ] {
        session(folder.path(), &format!("file = \"song.wav\"\n{clip}"), PAIR, RESISTOR);
        refused_cleanly(folder.path(), &words);
    }
    // Shorter than the filter: a loudspeaker's resonance rings for longer.
    let driver = "[loudspeaker.driver]\ndc_resistance = \"6 ohm\"\nvoice_coil_inductance = \"0.5 mH\"\n\
                  resonance = \"20 Hz\"\nq_mechanical = 12\nq_electrical = 0.4";
    session(folder.path(), "file = \"song.wav\"\nlength = \"70 ms\"", PAIR, driver);
    accepted(folder.path(), &["0.07 s) ends before a filter", "has rung out", "is not heard"], &[]);
    // A filter that is longer than the clip by what nobody hears is no reason to say so.
    session(folder.path(), "file = \"song.wav\"\nlength = \"1 s\"", PAIR, driver);
    accepted(folder.path(), &[], &["rung out"]);
}

#[test]
fn what_is_no_sound_file_at_all() {
    let text = b"Dear friend, this is a letter and no sound.\n".repeat(20);
    for (name, bytes, words) in [
        ("song.wav", &b""[..], ["song.wav", "the file is empty", "copy or export it again"]),
        ("song.flac", b"", ["song.flac", "the file is empty", "copy or export it again"]),
        ("song.wav", &text, ["song.wav", "not a WAV file", "right ending"]),
        ("song.flac", &text, ["song.flac", "no sound format is recognised", "right ending"]),
        ("song", &text, ["song", "no sound format is recognised", "WAV, FLAC, MP3"]),
    ] {
        refused_cleanly(folder_with(name, bytes).path(), &words);
    }
    let folder = folder_with("letter.txt", &text);
    std::fs::create_dir(folder.path().join("song.wav")).unwrap();
    session(folder.path(), "file = \"song.wav\"", PAIR, RESISTOR);
    refused_cleanly(
        folder.path(),
        &["session.toml:", "clips.song.file", "song.wav is a folder", "one sound file"],
    );
    std::fs::remove_dir(folder.path().join("song.wav")).unwrap();
    refused_cleanly(folder.path(), &["session.toml:", "clips.song.file", "no file", "song.wav"]);
    tool("mkfifo", &["song.wav"], folder.path());
    refused_cleanly(folder.path(), &["song.wav", "a pipe or a device", "save it as a file first"]);
    // An MP3 that calls itself WAV, and the other way round.
    std::fs::remove_file(folder.path().join("song.wav")).unwrap();
    std::fs::write(folder.path().join("in.wav"), good_wav(48_000)).unwrap();
    tool("ffmpeg", &["-v", "error", "-i", "in.wav", "-f", "mp3", "song.wav"], folder.path());
    refused_cleanly(folder.path(), &["song.wav", "not a WAV file", "right ending"]);
    std::fs::copy(folder.path().join("in.wav"), folder.path().join("song.flac")).unwrap();
    session(folder.path(), "file = \"song.flac\"", PAIR, RESISTOR);
    accepted(folder.path(), &[], &["lossy"]);
}

#[test]
fn a_file_that_may_not_be_read() {
    let mode = |path: &Path, mode: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    let folder = folder_with("song.wav", &good_wav(48_000));
    let song = folder.path().join("song.wav");
    mode(folder.path(), 0o755);
    mode(&song, 0o000);
    let arguments = ["check", "."];
    let words = ["song.wav", "cannot be read", "the right to read it"];
    if std::fs::File::open(&song).is_err() {
        return refused_cleanly(folder.path(), &words);
    }
    // The superuser may read everything: somebody else is asked, with a copy of the program where everybody can go.
    let program = folder.path().join("earwitness");
    // Copied by another process: one that a test beside this one starts meanwhile would hold it open for writing.
    assert!(Command::new("cp").arg(PROGRAM).arg(&program).status().unwrap().success());
    mode(&program, 0o755);
    let output =
        Command::new(&program).args(arguments).current_dir(folder.path()).uid(65_534).output().unwrap();
    let ran = ran(&output, &arguments);
    assert_eq!(ran.code, 2, "{}", ran.out);
    for word in words {
        assert!(ran.err.contains(word), "{}", ran.err);
    }
}

#[test]
fn lossy_files_are_told_from_lossless_ones() {
    let folder = folder_with("in.wav", &good_wav(48_000));
    let words = ["lossy file", "the same for both sides", "what the difference lives in", "FLAC, WAV"];
    for (name, coder) in [("song.mp3", "libmp3lame"), ("song.ogg", "libvorbis"), ("song.m4a", "aac")] {
        tool("ffmpeg", &["-v", "error", "-i", "in.wav", "-c:a", coder, name], folder.path());
        session(folder.path(), &format!("file = \"{name}\""), PAIR, RESISTOR);
        accepted(folder.path(), &words, &[]);
    }
    tool("ffmpeg", &["-v", "error", "-i", "in.wav", "song.flac"], folder.path());
    for name in ["song.flac", "in.wav"] {
        session(folder.path(), &format!("file = \"{name}\""), PAIR, RESISTOR);
        accepted(folder.path(), &[], &["lossy"]);
    }
    // Once for each clip, however many comparisons it is in.
    session(folder.path(), "file = \"song.mp3\"", PAIR, RESISTOR);
    let text = std::fs::read_to_string(folder.path().join("session.toml")).unwrap();
    let more = "\n[[comparisons]]\nname = \"none-one\"\na = \"none\"\nb = \"one\"\n";
    std::fs::write(folder.path().join("session.toml"), text + more).unwrap();
    let checked = earwitness(folder.path(), &["check", "."]);
    assert_eq!(one_line(&checked.out).matches("lossy file").count(), 1, "{}", checked.out);
}
