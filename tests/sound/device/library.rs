//! The player, driven by this test binary in a role.

#![expect(clippy::print_stdout, reason = "a child process reports to the test by its output")]

use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use earwitness::player::{OutputChoice, PlayerEvent, PlayerOptions, Transport, open};

use super::account::{Account, Frame, Word, account_for, frames, recorded};
use super::{Lines, VirtualDevice, pause, playing, signal};
use crate::sound::noise;

const ROLE: &str = "EARWITNESS_TEST_ROLE";
const FRAMES: usize = 96_000;
/// A buffer of a sixth of a second.
const LARGE: u32 = 8192;

impl VirtualDevice {
    /// This binary in a role, with its standard error kept.
    fn play(&self, role: &str) -> Child {
        playing(std::env::current_exe().expect("this binary"))
            .args(["--exact", "sound::device::library::role", "--nocapture", "--test-threads=1"])
            .env(ROLE, role)
            .envs(self.environment.iter().cloned())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("this binary runs")
    }
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

// ---- Roles -------------------------------------------------------------------------------------------------------

/// A player with this buffer: large where every frame counts and the machine may be busy.
fn player(buffer_frames: u32) -> Box<dyn Transport> {
    let options = PlayerOptions { buffer_frames, ..PlayerOptions::default() };
    let mut player = open(&OutputChoice::Device(None), 48_000, 2, options).expect("the device opens");
    player.load(&[noise(FRAMES, 2, 48_000, 1), noise(FRAMES, 2, 48_000, 2)]);
    player
}

/// Plays for so long with a switch every two seconds, then pauses.
fn play_with_switches(seconds: u64) {
    let mut player = player(LARGE);
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
    // A hole that only the pace shows is known after some windows of it.
    pause(5_000);
    for event in player.take_events() {
        println!("> event {event:?}");
    }
    let closing = Instant::now();
    drop(player);
    println!("> closed in {} ms", closing.elapsed().as_millis());
}

/// Plays until standard output has told of an event of each kind that is waited for.
fn play_until(wanted: &[&str], limit: Duration) {
    let mut player = player(2048);
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
        "short" => play_with_switches(8),
        "underrun" => play_until(&["Underrun"], Duration::from_secs(10)),
        "unplugged" => play_until(&["DeviceLost", "DeviceBack"], Duration::from_secs(20)),
        "hung" => play_until(&["DeviceLost"], Duration::from_secs(10)),
        "rates" => {
            let mut player = player(LARGE);
            player.load(&[noise(44_100, 2, 44_100, 3)]);
            println!("> {:?}", player.description());
            player.play();
            pause(1_500);
            player.pause();
            pause(200);
            for event in player.take_events() {
                println!("> event {event:?}");
            }
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

// ---- Scenarios ---------------------------------------------------------------------------------------------------

fn stimuli() -> [Vec<Frame<f32>>; 2] {
    [1, 2].map(|seed| frames(&noise(FRAMES, 2, 48_000, seed).samples))
}

fn pace(lines: &[String]) -> f64 {
    lines
        .iter()
        .find_map(|line| line.strip_prefix("pace "))
        .and_then(|text| text.parse().ok())
        .expect("the role tells its pace")
}

/// Runs a scenario again where the machine was too busy to feed the device: then the player must have said so.
fn undisturbed<T>(mut scenario: impl FnMut() -> (Vec<String>, T)) -> (Vec<String>, T) {
    for _ in 0..5 {
        let (lines, result) = scenario();
        if !lines.iter().any(|line| line.contains("Underrun")) {
            return (lines, result);
        }
    }
    panic!("the machine is too busy for sound: five underruns, all of them reported");
}

/// So many seconds, a switch every two seconds, the loop every two seconds: every frame is accounted for.
fn check<W: Word>(lines: &[String], played: &[Frame<W>], seconds: usize) {
    let account: Account = account_for(played, &stimuli(), 48_000);
    assert_eq!(account.switches, seconds / 2);
    assert!(account.explained > seconds * 48_000, "{account:?}");
    assert!(account.steady > account.explained - (seconds / 2 + 1) * 240, "{account:?}");
    let pace = pace(lines);
    // What is counted comes in whole blocks, so the ends are uncertain by one.
    let block = f64::from(LARGE) / (seconds * 48_000) as f64;
    assert!((pace / 48_000.0 - 1.0).abs() < 0.002 + block, "{pace} Hz");
    assert!(lines[0].contains("rate_hz: 48000") && lines[0].contains("ALSA"), "{}", lines[0]);
}

#[test]
fn switches_and_loops_are_bit_exact() {
    let (lines, played) = undisturbed(|| {
        let mut device = VirtualDevice::start(&[]);
        let path = device.record("48000", "float32le");
        let lines = finish(device.play("short"));
        device.stop_recording();
        (lines, recorded::<f32>(&path))
    });
    check(&lines, &played, 8);
    assert!(lines[0].contains("format: \"f32\""), "{}", lines[0]);
}

#[test]
fn a_device_of_32_bit_integers_is_bit_exact_too() {
    let (lines, played) = undisturbed(|| {
        let mut device = VirtualDevice::start(&[("FORMAT", "s32le"), ("WORDS", "S32_LE")]);
        let path = device.record("48000", "s32le");
        let lines = finish(device.play("short"));
        device.stop_recording();
        (lines, recorded::<i32>(&path))
    });
    check(&lines, &played, 8);
    assert!(lines[0].contains("format: \"s32\""), "{}", lines[0]);
}

#[test]
fn an_underrun_is_an_event() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("underrun");
    let process = child.id().to_string();
    let mut said = Lines::of(child.stdout.take().expect("a pipe"));
    said.wait_for("ready");
    pause(1_500);
    // The program sleeps longer than the device can wait.
    signal("-STOP", &process);
    pause(600);
    signal("-CONT", &process);
    said.wait_for("event Underrun");
    let closed = said.wait_for("closed in");
    assert!(child.wait().expect("the role ends").success(), "{closed}");
}

#[test]
fn a_device_that_is_unplugged_and_plugged_in_again_plays_on() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("unplugged");
    let mut said = Lines::of(child.stdout.take().expect("a pipe"));
    said.wait_for("ready");
    pause(1_500);
    device.unplug();
    let unplugged = Instant::now();
    let line = said.wait_for("event DeviceLost");
    assert!(unplugged.elapsed() < Duration::from_secs(5), "{line}");
    pause(500);
    device.plug_in_again();
    said.wait_for("event DeviceBack");
    said.wait_for("closed in");
    assert!(child.wait().expect("the role ends").success());
}

#[test]
fn a_sound_server_that_hangs_is_a_lost_device_and_closing_does_not_hang() {
    let device = VirtualDevice::start(&[]);
    let mut child = device.play("hung");
    let mut said = Lines::of(child.stdout.take().expect("a pipe"));
    said.wait_for("ready");
    pause(1_500);
    let daemon = device.daemon();
    signal("-STOP", &daemon);
    said.wait_for("event DeviceLost");
    let closed = said.wait_for("closed in");
    signal("-CONT", &daemon);
    assert!(child.wait().expect("the role ends").success(), "{closed}");
}

#[test]
fn a_clip_of_another_rate_opens_the_device_at_that_rate() {
    let (lines, played) = undisturbed(|| {
        let mut device = VirtualDevice::start(&[("RATE", "44100")]);
        let path = device.record("44100", "float32le");
        let lines = finish(device.play("rates"));
        device.stop_recording();
        (lines, recorded::<f32>(&path))
    });
    assert!(
        lines[0].contains("rate_hz: 44100") && lines[0].contains("resampled_from_hz: None"),
        "{}",
        lines[0]
    );
    assert_eq!(lines.len(), 1, "nothing happened: {lines:?}");
    // Not a sample was touched by any other rate.
    let clip = frames(&noise(44_100, 2, 44_100, 3).samples);
    let account = account_for(&played, &[clip.clone(), clip], 44_100);
    assert!(account.explained > 44_100 && account.switches == 0, "{account:?}");
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
