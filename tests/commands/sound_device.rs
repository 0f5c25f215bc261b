//! `check` asks the sound device that `run` would use, and holds its words against the difference. The devices are ALSA's
//! own plugins in front of its null device: they take one format, as hardware does, and play at no pace.

use std::path::Path;
use std::process::Command;

use super::{PROGRAM, Ran, ran, refused};

/// An invented session whose sides are so long.
fn session(folder: &Path, a: &str, b: &str) {
    let cable = |name: &str, length: &str| {
        format!(
            "[cables.{name}]\nconstruction = \"parallel-pair\"\nlength = \"{length}\"\nconductor = \"0.75 mm2\"\n\
             spacing = \"3.2 mm\"\n"
        )
    };
    let text = format!(
        "title = \"Two lengths\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n\
         [amplifier]\noutput_resistance = \"20 mohm\"\n[loudspeaker]\nresistance = \"8 ohm\"\n\
         {}{}[clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 s\"\n\
         [[comparisons]]\nname = \"one-two\"\na = \"one\"\nb = \"two\"\nclips = [\"plucked\"]\n",
        cable("one", a),
        cable("two", b)
    );
    std::fs::write(folder.join("session.toml"), text).expect("a session");
}

/// Everything, where people read it.
fn full<'a>(arguments: &[&str]) -> &'a [&'static str] {
    if arguments.contains(&"--json") { &[] } else { &["--full"] }
}

/// `check` where the default device is this one of ALSA's.
fn check(folder: &Path, device: &str, arguments: &[&str]) -> Ran {
    let configuration = folder.join("asound.conf");
    std::fs::write(&configuration, format!("pcm.null {{ type null }}\npcm.!default {{ {device} }}\n"))
        .expect("a configuration");
    let arguments: Vec<&str> =
        ["check", "."].iter().chain(full(arguments)).chain(arguments).copied().collect();
    let output = Command::new(PROGRAM)
        .args(&arguments)
        .current_dir(folder)
        .env("ALSA_CONFIG_PATH", configuration)
        .stdin(std::process::Stdio::null())
        .output()
        .expect("the program starts");
    let mut ran = ran(&output, &arguments);
    assert_eq!(ran.code, 0, "{arguments:?}: {}", ran.err);
    // Where a line is broken is not looked at.
    ran.out = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    ran
}

/// Takes 16-bit words and nothing else (the plugin comes with libasound2-plugins).
const SIXTEEN: &str = "type vdownmix slave.pcm \"null\"";
/// Takes integers, of which 32 bits are the best.
const INTEGERS: &str = "type linear slave { pcm \"null\" format S16_LE }";
/// Takes everything.
const ANY: &str = "type copy slave.pcm \"null\"";

fn document(ran: &Ran) -> serde_json::Value {
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {}", ran.out))
}

#[test]
fn each_device_is_held_against_the_difference_by_its_own_words() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    session(here, "6 m", "1 m");
    let mut margins = Vec::new();
    for (device, format, words, noise) in [
        (SIXTEEN, "s16", "16-bit", -93.3),
        (INTEGERS, "s32", "32-bit", -152.3),
        (ANY, "f32", "32-bit", -152.3),
    ] {
        let text = check(here, device, &[]).out;
        assert!(text.contains(&format!("{format}: {words}, noise {:.1} dB below", -noise)), "{text}");
        assert!(
            text.contains("one-two on plucked") && !text.contains("this bit depth could hide it:"),
            "{text}"
        );
        let behind = "if a device of 16 bits stands behind the sound server";
        assert_eq!(text.contains(behind), format != "s16", "{text}");
        let found = document(&check(here, device, &["--json"]));
        let found = &found["sound_device"];
        assert_eq!((found["format"].as_str(), found["words"].as_str()), (Some(format), Some(words)));
        let difference = &found["differences"][0];
        let number = |key: &str| difference[key].as_f64().unwrap_or_else(|| panic!("{key} in {difference}"));
        // What stands out of the noise is the difference less the noise, in one band.
        let apart = number("difference_in_band_db") - number("noise_in_band_db");
        assert!((apart - number("margin_db")).abs() < 1e-9, "{difference}");
        assert_eq!(difference["could_hide"], false);
        margins.push((number("margin_db"), number("margin_16_bit_db")));
    }
    let [(sixteen, same), (integers, behind), float] = margins[..] else { panic!("{margins:?}") };
    assert!((sixteen - same).abs() < 1e-9 && (sixteen - behind).abs() < 1e-9, "{margins:?}");
    // 2^-32 / 4 for a step of 16 bits against 2^-48 / 12 of a float: 59 dB.
    assert!((integers - sixteen - 59.0).abs() < 0.1 && float == (integers, behind), "{margins:?}");
}

#[test]
fn words_that_could_hide_the_difference_are_cautioned_about() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    session(here, "6 m", "6.00005 m");
    let text = check(here, SIXTEEN, &[]).out;
    for said in ["caution: 10 dB are wanted, so this bit depth could hide it", "24 or 32 bits", "louder clip"]
    {
        assert!(text.contains(said), "\"{said}\" is missing in\n{text}");
    }
    let found = document(&check(here, SIXTEEN, &["--json"]));
    assert_eq!(found["sound_device"]["differences"][0]["could_hide"], true);
    session(here, "6 m", "6 m");
    let text = check(here, SIXTEEN, &[]).out;
    assert!(text.contains("the sides are identical, there is nothing to resolve"), "{text}");
}

#[test]
fn without_a_device_check_says_so_and_goes_on() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    session(here, "6 m", "1 m");
    // A card that no machine has.
    let nothing = "type hw card 31";
    let ran = check(here, nothing, &[]);
    assert!(ran.out.contains("No sound device found"), "{}", ran.out);
    assert!(ran.out.contains("Be careful"), "the rest is there: {}", ran.out);
    assert!(!ran.err.contains("ALSA lib"), "libasound's own lines are kept away: {}", ran.err);
    assert_eq!(document(&check(here, nothing, &["--json"]))["sound_device"], serde_json::Value::Null);
    let silent = check(here, ANY, &["--output", "silent"]).out;
    assert!(silent.contains("Silent: nothing is played"), "{silent}");
    let file = check(here, ANY, &["--output", "heard.wav"]).out;
    assert!(file.contains("A WAV file of 32-bit floats") && !here.join("heard.wav").exists(), "{file}");
    refused(here, &["check", ".", "--output", "loud"], &["--output is \"loud\"", ".wav"]);
    refused(here, &["check", ".", "--output", "silent", "--device", "x"], &["leave one of the two out"]);
    refused(here, &["check", ".", "--device", "no such device"], &["no such device", "earwitness devices"]);
}
