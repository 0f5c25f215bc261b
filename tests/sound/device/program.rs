//! The real program on the device: `run` with a person's lines, `devices`.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};

use super::account::{Frame, Word, account_for, frames, recorded, stretches};
use super::{Lines, VirtualDevice, pause, playing, signal};
use crate::commands::{PROGRAM, earwitness, ran};

const SESSION: &str = r#"
title = "Invented flex against no cable"
invented = true
protocol = "abx"
trials = 2
alpha = 0.3

[amplifier]
output_resistance = "30 mohm"

[loudspeaker]
resistance = "8 ohm"

[cables.flex]
construction = "parallel-pair"
length = "30 m"
conductor = "0.5 mm2"
spacing = "2.9 mm"
permittivity = 4.0

[cables.none]
construction = "direct"

[clips.noise]
synth = "pink-noise"
length = "3 s"

[[comparisons]]
name = "flex-none"
a = "flex"
b = "none"
clips = ["noise"]
"#;

/// A folder with the session.
fn session() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("session.toml"), SESSION).expect("a session");
    folder
}

/// How many milliseconds a slot is listened to where nothing else is said: X must be heard for a second, as the device counts,
/// before an answer is taken.
const LONG_ENOUGH: u64 = 1_600;

/// The program in plain lines, with a person who types.
struct Sitting {
    child: Child,
    keys: ChildStdin,
    said: Lines,
}

impl Sitting {
    /// Starts a sitting on a device, up to the first trial, at the clips' own level.
    fn start(folder: &Path, device: &VirtualDevice) -> Self {
        let mut child = playing(PROGRAM)
            .args(["run", ".", "--listener", "Mara", "--output", "device", "--plain"])
            .current_dir(folder)
            .envs(device.environment.iter().cloned())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let keys = child.stdin.take().expect("a pipe");
        let said = Lines::of(child.stdout.take().expect("a pipe"));
        let mut sitting = Self { child, keys, said };
        sitting.say("\nour hand\n\n");
        sitting.said.wait_for("== Set the level ==");
        sitting.say(&"louder\n".repeat(12));
        sitting.say("\n");
        sitting.said.wait_for("Level: 0 dB");
        sitting.said.wait_for("== Trial 1 of 2");
        // Silence enough to tell the level check from the trial: on a quick disk there is hardly any between them.
        pause(500);
        sitting
    }

    fn say(&mut self, lines: &str) {
        self.keys.write_all(lines.as_bytes()).expect("the program reads");
    }

    /// Listens to slots for a while each.
    fn listen(&mut self, slots: &[&str]) {
        for slot in slots {
            self.say(&format!("{slot}\n"));
            pause(LONG_ENOUGH);
        }
    }

    /// Listens to slots for so many milliseconds each; false as soon as a hole has made the trial void.
    fn listen_undisturbed(&mut self, slots: &[&str], milliseconds: u64) -> bool {
        slots.iter().all(|slot| {
            self.say(&format!("{slot}\n"));
            pause(milliseconds);
            !self.said.has_said("is drawn again")
        })
    }

    /// Ends the program in the middle.
    fn give_up(mut self) {
        self.child.kill().expect("it can be ended");
        self.child.wait().expect("it ends");
    }

    /// Answers the trial that is on.
    fn answer(&mut self) {
        self.say("answer 1\nrecord\n");
    }

    /// Memory in use in KiB (Linux tells; 0 elsewhere), and bytes in all files of the sittings.
    fn footprint(&self, folder: &Path) -> (u64, u64) {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap_or_default();
        let resident = status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:")?.split_whitespace().next()?.parse().ok())
            .unwrap_or(0);
        let files = std::fs::read_dir(folder.join("sittings"))
            .expect("sittings")
            .map(|entry| entry.expect("an entry").metadata().expect("metadata").len())
            .sum();
        (resident, files)
    }

    /// Waits until the seal is open; false where a hole has made the trial void instead.
    fn is_over(&mut self) -> bool {
        self.said.wait_for_one_of(&["Your receipt (public)", "is drawn again"]).contains("receipt")
    }

    /// Leaves after the seal was opened; everything that was said.
    fn end(mut self) -> String {
        self.say("\n");
        drop(self.keys);
        let said = self.said.all();
        let ended = ran(&self.child.wait_with_output().expect("it ends"), &["run", "--plain"]);
        assert_eq!(ended.code, 0, "{said}\n{}", ended.err);
        assert!(!ended.err.contains("ALSA lib"), "{}", ended.err);
        said
    }
}

/// The journal in a folder, checked.
fn journal(folder: &Path) -> String {
    let paths: Vec<PathBuf> = std::fs::read_dir(folder.join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "jsonl") && !path.ends_with("register.jsonl"))
        .collect();
    let [path] = paths.as_slice() else { panic!("one journal is expected: {paths:?}") };
    let checked = crate::trial::kit::check(path);
    assert!(checked.problems.is_empty(), "{:?}", checked.problems);
    std::fs::read_to_string(path).expect("a journal")
}

/// Both sides as `render` writes them.
fn rendered(folder: &Path) -> [Vec<Frame<f32>>; 2] {
    let ran = earwitness(folder, &["render", ".", "--out", "stimuli"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    ["a", "b"].map(|side| {
        let path = folder.join(format!("stimuli/flex-none-noise-{side}.wav"));
        let samples: Vec<f32> = hound::WavReader::open(path)
            .expect("a WAV file")
            .into_samples::<f32>()
            .map(|sample| sample.expect("a sample"))
            .collect();
        frames(&samples)
    })
}

/// What is listened to in the first trial, and in the second.
const FIRST: [&str; 12] = ["a", "b", "x", "a", "b", "x", "b", "a", "x", "b", "a", "b"];
const SECOND: [&str; 3] = ["x", "b", "a"];

/// So many sittings are tried on a busy machine until one has no hole.
const SITTINGS: usize = 12;

/// A whole sitting of two trials, recorded, each slot of the first for so many milliseconds; what was said, the journal, and the
/// recording. Again where the machine was too busy to feed the device: then the journal says so.
fn sitting<W: Word>(
    folder: &Path,
    settings: &[(&str, &str)],
    format: &str,
    milliseconds: u64,
) -> (String, String, Vec<Frame<W>>) {
    for _ in 0..SITTINGS {
        let _ = std::fs::remove_dir_all(folder.join("sittings"));
        let mut device = VirtualDevice::start(settings);
        let path = device.record("48000", format);
        let mut sitting = Sitting::start(folder, &device);
        // A trial that a hole made void is repeated: it cannot be compared, and all begins anew.
        if !sitting.listen_undisturbed(&FIRST, milliseconds) {
            sitting.give_up();
            continue;
        }
        sitting.answer();
        if sitting.said.wait_for_one_of(&["== Trial 2 of 2", "is drawn again"]).contains("is drawn again") {
            sitting.give_up();
            continue;
        }
        // Silence enough to tell the trials apart.
        pause(500);
        if !sitting.listen_undisturbed(&SECOND, LONG_ENOUGH) {
            sitting.give_up();
            continue;
        }
        sitting.answer();
        if !sitting.is_over() {
            sitting.give_up();
            continue;
        }
        let said = sitting.end();
        device.stop_recording();
        let journal = journal(folder);
        if !journal.contains("the sound dropped out") {
            return (said, journal, recorded(&path));
        }
    }
    panic!(
        "the machine is too busy for sound: in each of {SITTINGS} sittings there was a hole, and it was said"
    );
}

/// Every frame of both trials is one of the rendered stimuli at its place, or a crossfade between them: no frame is lost,
/// doubled or changed by a bit, over the loops of the clip and the switches.
fn check_trials<W: Word>(played: &[Frame<W>], stimuli: &[Vec<Frame<f32>>; 2], milliseconds: u64) {
    // Each step of the level check is shorter than a trial.
    let trials: Vec<_> = stretches(played).into_iter().filter(|stretch| stretch.len() > 2 * 48_000).collect();
    assert_eq!(trials.len(), 2, "two trials were played");
    for (trial, (slots, each)) in
        trials.into_iter().zip([(FIRST.len(), milliseconds), (SECOND.len(), LONG_ENOUGH)])
    {
        let each = usize::try_from(each).expect("seconds");
        let account = account_for(trial, stimuli, 48_000);
        assert!(account.explained > (slots * each - 600) * 48, "{account:?}");
        // Some of the switches to or from X lead to the same stimulus, and are not to be heard.
        assert!(account.switches >= 1 && account.switches < slots, "{account:?}");
        assert_eq!(account.steady + account.switches * 240, account.explained, "{account:?}");
    }
}

#[test]
fn half_a_minute_of_a_sitting_is_played_bit_for_bit_as_it_is_rendered() {
    let folder = session();
    let stimuli = rendered(folder.path());
    let (_, journal, played) = sitting::<f32>(folder.path(), &[], "float32le", 2_600);
    check_trials(&played, &stimuli, 2_600);
    assert!(journal.contains("\"format\":\"f32\"") && journal.contains("\"rate_hz\":48000"), "{journal}");
    assert!(journal.contains("\"bit_depth\":32"), "what the device resolves is journalled: {journal}");
    assert!(!journal.contains("caution: the sound device"), "{journal}");
}

#[test]
fn a_sitting_on_a_device_that_takes_integers_is_played_bit_for_bit_too() {
    let folder = session();
    let stimuli = rendered(folder.path());
    let settings = [("FORMAT", "s32le"), ("WORDS", "S32_LE")];
    let (_, journal, played) = sitting::<i32>(folder.path(), &settings, "s32le", LONG_ENOUGH);
    check_trials(&played, &stimuli, LONG_ENOUGH);
    assert!(journal.contains("\"format\":\"s32\""), "{journal}");
}

#[test]
fn a_device_unplugged_in_mid_trial_makes_the_trial_void_and_the_sitting_goes_on() {
    let folder = session();
    let device = VirtualDevice::start(&[]);
    let mut sitting = Sitting::start(folder.path(), &device);
    sitting.listen(&["a", "b"]);
    let before = sitting.footprint(folder.path());
    device.unplug();
    sitting.said.wait_for("== The sound device is gone ==");
    pause(500);
    // A server that is killed sends errors by the hundred thousand until its stream is dropped.
    let after = sitting.footprint(folder.path());
    assert!(after.0 < before.0 + 16_384, "memory in KiB grew from {} to {}", before.0, after.0);
    assert!(after.1 < before.1 + 2_048, "files grew from {} to {} bytes", before.1, after.1);
    device.plug_in_again();
    sitting.said.wait_for("The sound device is back");
    sitting.listen(&["a", "b", "x"]);
    sitting.answer();
    sitting.said.wait_for("== Trial 2 of 2");
    // The program sleeps longer than the device can wait: a hole.
    sitting.listen(&["a"]);
    let process = sitting.child.id().to_string();
    signal("-STOP", &process);
    pause(600);
    signal("-CONT", &process);
    sitting.said.wait_for("This trial is drawn again");
    // A busy machine may make more of them.
    loop {
        sitting.listen(&["a", "b", "x"]);
        sitting.answer();
        if sitting.is_over() {
            break;
        }
    }
    sitting.end();
    let journal = journal(folder.path());
    for words in ["sound device lost: ", "sound device back", "the sound dropped out"] {
        assert!(journal.contains(words), "\"{words}\" is missing in\n{journal}");
    }
    assert!(journal.contains("\"attempt\":2"), "{journal}");
    let ran = earwitness(folder.path(), &["verify", ".", "--session", "."]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
}

#[test]
fn a_device_that_keeps_no_time_is_suspected_and_the_trial_is_void() {
    let folder = session();
    // It takes hours of sound in a second.
    let device = VirtualDevice::start(&[("CLOCK", "none")]);
    let mut sitting = Sitting::start(folder.path(), &device);
    sitting.listen(&["a"]);
    sitting.said.wait_for("the device seems to run at");
    drop(sitting.keys);
    let left = ran(&sitting.child.wait_with_output().expect("it ends"), &["run", "--plain"]);
    assert_eq!(left.code, 1, "{}", left.err);
    let journal = journal(folder.path());
    assert!(journal.contains("the device seems to run at "), "{journal}");
}

#[test]
fn devices_are_listed_with_what_they_can_do() {
    let device = VirtualDevice::start(&[]);
    let list = |arguments: &[&str]| {
        let output = Command::new(PROGRAM)
            .args(arguments)
            .envs(device.environment.iter().cloned())
            .stdin(Stdio::null())
            .output()
            .expect("the program starts");
        let ran = ran(&output, arguments);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert!(ran.err.is_empty(), "nothing of the sound system's own complaints: {}", ran.err);
        ran.out
    };
    let text = list(&["devices"]);
    for words in
        ["Default Audio Device", "(default)", "ALSA", "48000", "f32", "buffers of", "cannot see that"]
    {
        assert!(text.contains(words), "\"{words}\" is missing in\n{text}");
    }
    let document: serde_json::Value = serde_json::from_str(&list(&["devices", "--json"])).expect("JSON");
    assert_eq!(document["schema"], "earwitness.devices/1");
    assert_eq!(document["usable"], true);
    let found = document["devices"].as_array().expect("a list");
    let ours = found.iter().find(|device| device["default"] == true).expect("a default");
    assert_eq!(ours["answers"], true);
    assert!(ours["problem"].is_null(), "{ours}");
    for (key, value) in [("formats", "f32"), ("formats", "s32"), ("formats", "s16")] {
        assert!(
            ours[key].as_array().expect("a list").iter().any(|entry| entry == value),
            "{key} {value}: {ours}"
        );
    }
    assert!(ours["rates_hz"].as_array().expect("a list").iter().any(|rate| rate == 48_000), "{ours}");
    let range = ours["buffer_frames"].as_array().expect("two numbers");
    assert!(range[0].as_u64() < range[1].as_u64(), "{ours}");
    device.unplug();
    let text = list(&["devices"]);
    assert!(text.contains("No sound device answers.") && text.contains("--output silent"), "{text}");
    let document: serde_json::Value = serde_json::from_str(&list(&["devices", "--json"])).expect("JSON");
    assert_eq!(document["usable"], false);
}
