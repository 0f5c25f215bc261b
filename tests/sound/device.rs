//! The player on a sound device that runs in real time: a PulseAudio null sink behind ALSA, recorded from its monitor.
//!
//! ALSA is set up through the environment, so each scenario plays in a process of its own: this test binary again, with
//! a role.

#![expect(clippy::print_stdout, reason = "a child process reports to the test by its output")]

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use earwitness::player::{OutputChoice, PlayerEvent, PlayerOptions, Transport, open};

use super::noise;

const ROLE: &str = "EARWITNESS_TEST_ROLE";
const FRAMES: usize = 96_000;

/// Scenarios are timed, so one at a time.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

struct VirtualDevice {
    folder: PathBuf,
    environment: Vec<(String, String)>,
    recorder: Option<Child>,
    _guard: MutexGuard<'static, ()>,
    _root: tempfile::TempDir,
}

fn script(verb: &str, folder: &Path, settings: &[(&str, &str)]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/virtual-device.sh");
    let output = Command::new("sh")
        .arg(script)
        .arg(verb)
        .arg(folder)
        .envs(settings.iter().copied())
        .output()
        .expect("sh runs");
    assert!(
        output.status.success(),
        "the virtual device needs pulseaudio, pulseaudio-utils and libasound2-plugins: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("text")
}

impl VirtualDevice {
    fn start(settings: &[(&str, &str)]) -> Self {
        let guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let root = tempfile::tempdir().expect("a folder");
        let folder = root.path().join("device");
        let environment = script("start", &folder, settings)
            .lines()
            .filter_map(|line| line.split_once('='))
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        Self { folder, environment, recorder: None, _guard: guard, _root: root }
    }

    fn plug_in_again(&self) {
        script("start", &self.folder, &[]);
    }

    fn unplug(&self) {
        script("unplug", &self.folder, &[]);
    }

    fn daemon(&self) -> String {
        std::fs::read_to_string(self.folder.join("pid")).expect("a process id").trim().to_owned()
    }

    fn record(&mut self, rate: &str) -> PathBuf {
        let path = self.folder.join("played.raw");
        let recorder = Command::new("parec")
            .args(["-d", "bench.monitor", "--raw", "--format=float32le", "--channels=2", "--latency-msec=50"])
            .arg(format!("--rate={rate}"))
            .envs(self.environment.iter().cloned())
            .stdout(File::create(&path).expect("a file"))
            .spawn()
            .expect("parec runs");
        self.recorder = Some(recorder);
        std::thread::sleep(Duration::from_millis(500));
        path
    }

    fn stop_recording(&mut self) {
        if let Some(mut recorder) = self.recorder.take() {
            std::thread::sleep(Duration::from_millis(300));
            let _ = recorder.kill();
            let _ = recorder.wait();
        }
    }

    /// This binary in a role, with its standard error kept.
    fn play(&self, role: &str) -> Child {
        Command::new(std::env::current_exe().expect("this binary"))
            .args(["--exact", "sound::device::role", "--nocapture", "--test-threads=1"])
            .env(ROLE, role)
            .envs(self.environment.iter().cloned())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("this binary runs")
    }
}

impl Drop for VirtualDevice {
    fn drop(&mut self) {
        self.stop_recording();
        script("stop", &self.folder, &[]);
    }
}

/// Sends a signal to a process that this test started.
fn signal(name: &str, process: &str) {
    assert!(Command::new("kill").args([name, process]).status().expect("kill runs").success());
}

/// Lines that a role has printed, until its end.
fn finish(child: Child) -> Vec<String> {
    let output = child.wait_with_output().expect("the role ends");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{text}\n{errors}");
    assert!(!errors.contains("ALSA lib"), "the sound system's complaints stay off standard error: {errors}");
    text.lines().filter_map(said).map(str::to_owned).collect()
}

/// What a role says in a line; the test harness may have begun it with a name.
fn said(line: &str) -> Option<&str> {
    line.split_once("> ").map(|(_, text)| text.trim())
}

/// Waits for a line that a role prints.
fn wait_for(reader: &mut impl BufRead, wanted: &str) -> String {
    let mut line = String::new();
    loop {
        line.clear();
        let read = reader.read_line(&mut line).expect("text");
        assert!(read > 0, "the role ended without \"{wanted}\"");
        if let Some(text) = said(&line).filter(|text| text.contains(wanted)) {
            return text.to_owned();
        }
    }
}

// ---- Roles -------------------------------------------------------------------------------------------------------

fn player() -> Box<dyn Transport> {
    let options = PlayerOptions { buffer_frames: 2048, ..PlayerOptions::default() };
    let mut player = open(&OutputChoice::Device(None), 48_000, 2, options).expect("the device opens");
    player.load(&[noise(FRAMES, 2, 48_000, 1), noise(FRAMES, 2, 48_000, 2)]);
    player
}

fn pause(milliseconds: u64) {
    std::thread::sleep(Duration::from_millis(milliseconds));
}

/// Plays for so long with a switch every two seconds, then pauses.
fn play_with_switches(seconds: u64) {
    let mut player = player();
    println!("> {:?}", player.description());
    player.play();
    pause(1_000);
    let (start, from) = (Instant::now(), player.status().played);
    for index in 1..=seconds / 2 {
        player.switch_to((index % 2) as usize);
        pause(2_000);
    }
    let pace = (player.status().played - from) as f64 / start.elapsed().as_secs_f64();
    println!("> pace {pace:.1}");
    player.pause();
    pause(200);
    for event in player.take_events() {
        println!("> event {event:?}");
    }
    let closing = Instant::now();
    drop(player);
    println!("> closed in {} ms", closing.elapsed().as_millis());
}

/// Plays until standard output has told of an event of each kind that is waited for.
fn play_until(wanted: &[&str], limit: Duration) {
    let mut player = player();
    player.play();
    let start = Instant::now();
    let mut left: Vec<&str> = wanted.to_vec();
    println!("> ready");
    while start.elapsed() < limit && !left.is_empty() {
        pause(20);
        for event in player.take_events() {
            println!("> event {event:?} after {} ms", start.elapsed().as_millis());
            if let PlayerEvent::DeviceLost { .. } = event {
                assert!(!player.status().playing, "a lost device does not play");
            }
            let name = format!("{event:?}");
            left.retain(|kind| !name.starts_with(kind));
        }
    }
    assert!(left.is_empty(), "still waiting for {left:?}");
    if wanted.contains(&"DeviceBack") {
        // The trial is void and starts anew.
        player.switch_to(1);
        player.play();
        let before = player.status().played;
        pause(1_500);
        assert!(player.status().played > before + 24_000, "it plays again");
    }
    let closing = Instant::now();
    drop(player);
    let closed = closing.elapsed();
    println!("> closed in {} ms", closed.as_millis());
    assert!(closed < Duration::from_secs(5), "closing is limited in time");
}

/// Plays a role where one is given; started by the tests below.
#[test]
fn role() {
    let Ok(role) = std::env::var(ROLE) else {
        // Started as a test like any other: there must be no device that the tests did not make.
        assert!(std::env::var_os("ALSA_CONFIG_PATH").is_none_or(|path| Path::new(&path).is_absolute()));
        return;
    };
    match role.as_str() {
        "long" => play_with_switches(60),
        "short" => play_with_switches(4),
        "underrun" => play_until(&["Underrun"], Duration::from_secs(10)),
        "unplugged" => play_until(&["DeviceLost", "DeviceBack"], Duration::from_secs(20)),
        "hung" => play_until(&["DeviceLost"], Duration::from_secs(10)),
        "rates" => {
            let mut player = player();
            player.load(&[noise(44_100, 2, 44_100, 3)]);
            println!("> {:?}", player.description());
            player.play();
            pause(1_200);
            assert!(player.status().played > 22_050);
            let events = player.take_events();
            // A busy machine may be late once; anything else would be the rate's fault.
            assert!(events.iter().all(|event| *event == PlayerEvent::Underrun), "{events:?}");
        }
        "missing" => {
            let error =
                open(&OutputChoice::Device(Some("theremin".into())), 48_000, 2, PlayerOptions::default())
                    .map(|_| ())
                    .expect_err("there is no such device");
            println!("> {error}");
        }
        "none" => {
            let error = open(&OutputChoice::Device(None), 48_000, 2, PlayerOptions::default())
                .map(|_| ())
                .expect_err("there is no device");
            println!("> {error}");
        }
        other => panic!("there is no role {other}"),
    }
}

// ---- What was played ---------------------------------------------------------------------------------------------

type Frame = [f32; 2];

fn frames(samples: &[f32]) -> Vec<Frame> {
    samples.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect()
}

fn recorded(path: &Path) -> Vec<Frame> {
    let bytes = std::fs::read(path).expect("a recording");
    let samples: Vec<f32> =
        bytes.chunks_exact(4).map(|word| f32::from_le_bytes([word[0], word[1], word[2], word[3]])).collect();
    frames(&samples)
}

/// What a recording holds, frame by frame.
#[derive(Debug, Default)]
struct Account {
    steady: usize,
    switches: usize,
    /// Frames from the first steady one to the fade of the pause.
    explained: usize,
}

fn rising(step: usize, length: usize) -> f32 {
    (0.5 - 0.5 * (std::f64::consts::PI * (step as f64 + 0.5) / length as f64).cos()) as f32
}

/// Explains every frame of a recording from the first steady one on: a stimulus at the one position that follows the
/// last, a crossfade, or the fade of the pause followed by silence. Nothing may be lost, doubled or changed by a bit.
fn account_for(played: &[Frame], stimuli: &[Vec<Frame>; 2]) -> Account {
    const SWITCH: usize = 240;
    const FADE: usize = 480;
    let begin = played.iter().position(|frame| *frame != [0.0; 2]).expect("something was played");
    // The start ramp is 0.3 s long.
    let first = begin + 16_000;
    let run: Vec<Frame> = played[first..first + 8].to_vec();
    let mut position = (0..FRAMES)
        .find(|&p| run.iter().enumerate().all(|(i, frame)| *frame == stimuli[0][(p + i) % FRAMES]))
        .expect("the first stimulus is heard after the ramp");
    let mut account = Account::default();
    let mut current = 0;
    let mut at = first;
    while at < played.len() {
        if played[at] == stimuli[current][position] {
            account.steady += 1;
            at += 1;
            position = (position + 1) % FRAMES;
            continue;
        }
        // The first weights may be too small to change a sample.
        let other = 1 - current;
        let crossfade = (0..3).find(|&late| {
            (late..SWITCH).all(|step| {
                let place = (position + step - late) % FRAMES;
                let Some(heard) = played.get(at + step - late) else { return false };
                (0..2).all(|channel| {
                    let (x, y) = (stimuli[current][place][channel], stimuli[other][place][channel]);
                    heard[channel] == x + rising(step, SWITCH) * (y - x)
                })
            })
        });
        if let Some(late) = crossfade {
            account.switches += 1;
            current = other;
            at += SWITCH - late;
            position = (position + SWITCH - late) % FRAMES;
            continue;
        }
        let fade = (0..3).any(|late| {
            (late..FADE).all(|step| {
                let place = (position + step - late) % FRAMES;
                (0..2).all(|channel| {
                    played.get(at + step - late).is_some_and(|frame| {
                        frame[channel] == rising(FADE - 1 - step, FADE) * stimuli[current][place][channel]
                    })
                })
            })
        });
        assert!(
            fade,
            "frame {at} ({} s) is neither stimulus nor fade: {:?}",
            at as f64 / 48_000.0,
            played[at]
        );
        assert!(
            played[at + FADE..].iter().all(|frame| *frame == [0.0; 2]),
            "after the pause there is silence"
        );
        account.explained = at - first;
        return account;
    }
    panic!("the recording ends before the pause");
}

fn stimuli() -> [Vec<Frame>; 2] {
    [1, 2].map(|seed| frames(&noise(FRAMES, 2, 48_000, seed).samples))
}

fn pace(lines: &[String]) -> f64 {
    lines
        .iter()
        .find_map(|line| line.strip_prefix("pace "))
        .and_then(|text| text.parse().ok())
        .expect("the role tells its pace")
}

// ---- Scenarios ---------------------------------------------------------------------------------------------------

/// Runs a scenario again where the machine was too busy to feed the device: then the player must have said so.
fn undisturbed<T>(mut scenario: impl FnMut() -> (Vec<String>, T)) -> (Vec<String>, T) {
    for _ in 0..3 {
        let (lines, result) = scenario();
        if !lines.iter().any(|line| line.contains("Underrun")) {
            return (lines, result);
        }
    }
    panic!("the machine is too busy for sound: three underruns, all of them reported");
}

#[test]
fn a_minute_with_switches_and_loops_is_bit_exact() {
    let (lines, played) = undisturbed(|| {
        let mut device = VirtualDevice::start(&[]);
        let path = device.record("48000");
        let lines = finish(device.play("long"));
        device.stop_recording();
        (lines, recorded(&path))
    });
    let account = account_for(&played, &stimuli());
    assert_eq!(account.switches, 30);
    assert!(account.explained > 60 * 48_000, "{account:?}");
    assert!(account.steady > account.explained - 31 * 240, "{account:?}");
    let pace = pace(&lines);
    assert!((pace / 48_000.0 - 1.0).abs() < 0.002, "{pace} Hz");
    assert!(lines[0].contains("rate_hz: 48000") && lines[0].contains("ALSA"), "{}", lines[0]);
}

#[test]
fn an_integer_device_of_32_bits_is_bit_exact_too() {
    let (_, played) = undisturbed(|| {
        let mut device = VirtualDevice::start(&[("FORMAT", "s32le")]);
        let path = device.record("48000");
        let lines = finish(device.play("short"));
        device.stop_recording();
        (lines, recorded(&path))
    });
    // The crossfades have more bits than a 32-bit integer that is read back as a float; the rest is exact.
    let stimuli = stimuli();
    let exact = (0..2).map(|index| {
        let mut longest = 0;
        for start in (0..played.len().saturating_sub(48_000)).step_by(4_000) {
            if let Some(place) = stimuli[index].iter().position(|frame| *frame == played[start]) {
                let run = (0..).take_while(|i| {
                    played.get(start + i).is_some_and(|frame| *frame == stimuli[index][(place + i) % FRAMES])
                });
                longest = longest.max(run.count());
            }
        }
        longest
    });
    for longest in exact {
        assert!(longest > 70_000, "{longest} frames in a row are exact");
    }
}

#[test]
fn an_underrun_is_an_event() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("underrun");
    let process = child.id().to_string();
    let mut reader = BufReader::new(child.stdout.take().expect("a pipe"));
    wait_for(&mut reader, "ready");
    pause(1_500);
    // The program sleeps longer than the device can wait.
    signal("-STOP", &process);
    pause(600);
    signal("-CONT", &process);
    wait_for(&mut reader, "event Underrun");
    let closed = wait_for(&mut reader, "closed in");
    assert!(child.wait().expect("the role ends").success(), "{closed}");
}

#[test]
fn a_device_that_is_unplugged_and_plugged_in_again_plays_on() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("unplugged");
    let mut reader = BufReader::new(child.stdout.take().expect("a pipe"));
    wait_for(&mut reader, "ready");
    pause(1_500);
    device.unplug();
    let unplugged = Instant::now();
    let line = wait_for(&mut reader, "event DeviceLost");
    assert!(unplugged.elapsed() < Duration::from_millis(1_500), "{line}");
    pause(500);
    device.plug_in_again();
    wait_for(&mut reader, "event DeviceBack");
    wait_for(&mut reader, "closed in");
    assert!(child.wait().expect("the role ends").success());
}

#[test]
fn a_sound_server_that_hangs_is_a_lost_device_and_closing_does_not_hang() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("hung");
    let mut reader = BufReader::new(child.stdout.take().expect("a pipe"));
    wait_for(&mut reader, "ready");
    pause(1_500);
    let daemon = device.daemon();
    signal("-STOP", &daemon);
    wait_for(&mut reader, "event DeviceLost");
    let closed = wait_for(&mut reader, "closed in");
    signal("-CONT", &daemon);
    assert!(child.wait().expect("the role ends").success(), "{closed}");
}

#[test]
fn a_clip_of_another_rate_opens_the_device_at_that_rate() {
    let device = VirtualDevice::start(&[("RATE", "44100")]);
    let lines = finish(device.play("rates"));
    assert!(
        lines[0].contains("rate_hz: 44100") && lines[0].contains("resampled_from_hz: None"),
        "{}",
        lines[0]
    );
}

#[test]
fn missing_devices_are_explained() {
    let device = VirtualDevice::start(&[]);
    let lines = finish(device.play("missing"));
    assert!(
        lines[0].contains("There is no sound device \"theremin\"") && lines[0].contains("default"),
        "{lines:?}"
    );
    device.unplug();
    let lines = finish(device.play("none"));
    assert!(lines[0].contains("No sound device could be opened"), "{lines:?}");
    assert!(lines[0].contains("--output silent") && lines[0].contains("libasound2-plugins"), "{lines:?}");
}
