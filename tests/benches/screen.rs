//! How long a frame and a key take, and whether a switch takes the same time for both assignments.
//!
//! The second is a test with a stated rule. Sittings with X being A and with X being B take turns; in each, a listener
//! switches to X again and again, and the time from the wish to the end of the player's own part is taken. Times of one
//! sitting depend on each other (the machine warms up, drifts, is interrupted), so a sitting is one observation: its
//! median, and its 90th percentile for the tail. Each is compared between the two assignments by the two-sample
//! Kolmogorov-Smirnov test; a p-value below 0.001 is reported as a failure, exit status 1. That the test could have found
//! something is shown beside it: the same test on the same times, those of one assignment made longer on purpose.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

#[path = "../blind.rs"]
#[expect(dead_code, reason = "tests of blindness share more than a benchmark needs")]
mod blind;

use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};

use earwitness::clip::Playable;
use earwitness::conduct::Environment;
use earwitness::player::{
    OutputChoice, OutputDescription, Pace, PlayerEvent, PlayerOptions, Sound, Status, Transport, open,
};
use earwitness::screen::terminal::{InputSource, Screen};
use earwitness::screen::{Input, Intent, Key, Palette, Scene, Slot, Stage, StageKind, TrialScene};
use earwitness::session::{self, Session};
use earwitness::sitting::{self, Face, FaceError, Request, Resuming};
use earwitness::stimulus::{Pair, PairKind, StimulusSet};
use earwitness::trial::Digest;

/// Timed switches of one sitting.
const SWITCHES: usize = 200;
/// Pairs of sittings, one of each assignment.
const PAIRS: usize = 150;
/// Pairs before them that are not counted: the machine warms up.
const WARM_UP: usize = 10;
/// So much longer is one assignment made on purpose, in seconds, to show that the test sees.
const ON_PURPOSE: f64 = 50e-9;
/// Below this p-value the two distributions count as different.
const RISK: f64 = 0.001;

fn main() -> std::process::ExitCode {
    divan::main();
    if std::env::args().any(|argument| argument == "--list") || cfg!(debug_assertions) {
        return std::process::ExitCode::SUCCESS;
    }
    response_times()
}

fn scene() -> Scene {
    let slot = |label, role: &str| Slot { label, role: role.to_string(), unheard: false };
    Scene {
        title: "Hall flex against the heavy pair".to_string(),
        listener: "Mara".to_string(),
        marks: vec!["INVENTED DATA".to_string()],
        notice: None,
        stage: Stage::Trial(TrialScene {
            kind: StageKind::Trial,
            heading: "Trial 5 of 16".to_string(),
            about: String::new(),
            done: 4,
            total: 16,
            question: "Is X the same as A or as B?".to_string(),
            slots: vec![slot('A', "side A"), slot('B', "side B"), slot('X', "A or B?")],
            hearing: Some(2),
            playing: true,
            position: 3.2,
            length: 8.0,
            region: Some((2.0, 6.0)),
            answers: vec!["same as A".to_string(), "same as B".to_string()],
            chosen: None,
            elapsed: 763.0,
            stoppable: true,
            in_rounds: false,
            trail: Vec::new(),
            receipt: None,
        }),
    }
}

struct Endless;

impl InputSource for Endless {
    fn next(&mut self, _wait: Duration) -> std::io::Result<Option<Input>> {
        Ok(Some(Input::Key(Key::Character('x'))))
    }

    fn size(&self) -> std::io::Result<(u16, u16)> {
        Ok((80, 24))
    }
}

/// A whole frame of the trial whose time has moved on.
#[divan::bench]
fn frame(bencher: divan::Bencher) {
    let mut screen = Screen::new(Endless, std::io::sink(), Palette::coloured()).expect("nothing is written");
    let mut scene = scene();
    bencher.bench_local(|| {
        if let Stage::Trial(trial) = &mut scene.stage {
            trial.position = (trial.position + 0.05) % trial.length;
        }
        screen.show(&scene)
    });
}

/// From a key to what the listener wants by it.
#[divan::bench]
fn key(bencher: divan::Bencher) {
    let mut screen = Screen::new(Endless, std::io::sink(), Palette::coloured()).expect("nothing is written");
    screen.show(&scene()).expect("nothing is written");
    bencher.bench_local(|| screen.wait(Duration::ZERO));
}

/// When a switch was asked for, and how long each took to reach the player.
struct Stopwatch {
    pressed: Rc<Cell<Option<Instant>>>,
    times: Rc<RefCell<Vec<f64>>>,
}

/// The silent player, which tells when it was told to switch and has done its own part.
struct Sent {
    player: Box<dyn Transport>,
    done: std::sync::mpsc::Sender<Instant>,
}

impl Transport for Sent {
    fn load_sounds(&mut self, stimuli: &[Sound]) {
        self.player.load_sounds(stimuli);
    }
    fn switch_to(&mut self, index: usize) {
        self.player.switch_to(index);
        let _ = self.done.send(Instant::now());
    }
    fn play(&mut self) {
        self.player.play();
    }
    fn pause(&mut self) {
        self.player.pause();
    }
    fn seek(&mut self, frame: u64) {
        self.player.seek(frame);
    }
    fn set_loop(&mut self, region: Option<(u64, u64)>) {
        self.player.set_loop(region);
    }
    fn status(&self) -> Status {
        self.player.status()
    }
    fn take_events(&mut self) -> Vec<PlayerEvent> {
        self.player.take_events()
    }
    fn description(&self) -> OutputDescription {
        self.player.description()
    }
}

/// A face that first agrees to everything and then switches to X again and again.
struct Switcher {
    before: VecDeque<Intent>,
    left: usize,
    watch: Stopwatch,
    switched: std::sync::mpsc::Receiver<Instant>,
}

impl Face for Switcher {
    fn show(&mut self, _scene: &Scene) -> Result<(), FaceError> {
        Ok(())
    }

    fn wait(&mut self, _wait: Duration) -> Result<Vec<Intent>, FaceError> {
        if let (Some(pressed), Ok(at)) = (self.watch.pressed.take(), self.switched.try_recv()) {
            self.watch.times.borrow_mut().push(at.duration_since(pressed).as_secs_f64());
        }
        if let Some(intent) = self.before.pop_front() {
            return Ok(vec![intent]);
        }
        if self.left == 0 {
            return Ok(vec![Intent::Leave]);
        }
        self.left -= 1;
        // Away from X and back: only the way back is timed.
        if self.left.is_multiple_of(2) {
            let _ = self.switched.try_iter().count();
            self.watch.pressed.set(Some(Instant::now()));
            Ok(vec![Intent::Listen(2)])
        } else {
            Ok(vec![Intent::Listen(self.left / 2 % 2)])
        }
    }
}

fn session(folder: &Path) -> Session {
    let text = r#"title = "Response times"
invented = true
protocol = "abx"
trials = 4
[amplifier]
output_resistance = "20 mohm"
[loudspeaker]
resistance = "8 ohm"
[cables.one]
construction = "direct"
[cables.two]
construction = "direct"
[clips.p]
synth = "plucked-strings"
[[comparisons]]
name = "c"
a = "one"
b = "two"
clips = ["p"]
"#;
    session::parse(&folder.join("session.toml"), text).expect("the session is valid")
}

fn times(order: usize) -> Vec<f64> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = session(folder.path());
    let sound = |level: f32| Playable {
        rate_hz: 8000,
        channels: 1,
        samples: (0..16_000).map(|n| level * (n as f32 * 0.3).sin()).collect(),
    };
    let pair = Pair {
        kind: PairKind::Comparison { comparison: 0, clip: 0 },
        a: sound(0.5).into(),
        b: sound(0.4).into(),
        digest_a: Digest::of(b"a").0,
        digest_b: Digest::of(b"b").0,
    };
    let made = StimulusSet { pairs: vec![pair], levels: Vec::new(), notes: Vec::new(), recorded: Vec::new() };
    let (sender, switched) = std::sync::mpsc::channel();
    let secret = blind::secret_of_session(&session, &made, &[], &[order]);
    let environment = Environment {
        prepare: Arc::new(move |_, _| Ok(made.clone())),
        in_background: false,
        open: Arc::new(move |_, rate_hz, channels, options| {
            let options = PlayerOptions { pace: Pace::Unpaced, ..options };
            let player = open(&OutputChoice::Silent, rate_hz, channels, options)?;
            Ok(Box::new(Sent { player, done: sender.clone() }))
        }),
        secret: Arc::new(move || Ok(secret.clone())),
        ending: || false,
        ..Environment::real()
    };
    let request = Request {
        ability: earwitness::sitting::simulated::Ability::default(),
        facts: Vec::new(),
        session,
        listener: "bench".to_string(),
        alias: None,
        output: OutputChoice::Silent,
        simulate: None,
        opponent: false,
        resuming: Resuming::Anew,
    };
    let times = Rc::new(RefCell::new(Vec::new()));
    let watch = Stopwatch { pressed: Rc::default(), times: Rc::clone(&times) };
    let mut face =
        Switcher { before: VecDeque::from(vec![Intent::Proceed; 4]), left: 2 * SWITCHES, watch, switched };
    sitting::conduct(&request, &environment, &mut face).expect("it runs");
    times.take()
}

/// Two-sample Kolmogorov-Smirnov statistic and its asymptotic p-value (Kolmogorov 1933, Smirnov 1948).
fn kolmogorov_smirnov(a: &mut [f64], b: &mut [f64]) -> (f64, f64) {
    a.sort_by(f64::total_cmp);
    b.sort_by(f64::total_cmp);
    let (mut i, mut j, mut most) = (0, 0, 0.0_f64);
    while i < a.len() && j < b.len() {
        let value = a[i].min(b[j]);
        while i < a.len() && a[i] <= value {
            i += 1;
        }
        while j < b.len() && b[j] <= value {
            j += 1;
        }
        most = most.max((i as f64 / a.len() as f64 - j as f64 / b.len() as f64).abs());
    }
    let effective = (a.len() * b.len()) as f64 / (a.len() + b.len()) as f64;
    let lambda = effective.sqrt() * most;
    let tail: f64 = (1..=100)
        .map(|k| {
            let sign = if k % 2 == 1 { 2.0 } else { -2.0 };
            sign * (-2.0 * f64::from(k * k) * lambda * lambda).exp()
        })
        .sum();
    (most, if lambda < 0.2 { 1.0 } else { tail.clamp(0.0, 1.0) })
}

/// The value below which this share of the sorted values lies.
fn percentile(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * share) as usize]
}

#[expect(clippy::print_stdout, reason = "a bench reports on standard output")]
fn response_times() -> std::process::ExitCode {
    // Median and 90th percentile of each sitting, by what X was.
    let mut seen: [Vec<[f64; 2]>; 2] = [Vec::new(), Vec::new()];
    for pair in 0..WARM_UP + PAIRS {
        // Which comes first changes, so that a machine that drifts favours neither.
        for order in if pair % 2 == 0 { [0, 1] } else { [1, 0] } {
            let mut times = times(order);
            times.sort_by(f64::total_cmp);
            if pair >= WARM_UP {
                seen[order].push([percentile(&times, 0.5), percentile(&times, 0.9)]);
            }
        }
    }
    let mut different = false;
    for (index, what) in ["median", "90th percentile"].into_iter().enumerate() {
        let of = |order: usize, more: f64| -> Vec<f64> {
            seen[order].iter().map(|sitting| sitting[index] + more).collect()
        };
        let (mut x_is_a, mut x_is_b) = (of(0, 0.0), of(1, 0.0));
        let (statistic, p_value) = kolmogorov_smirnov(&mut x_is_a, &mut x_is_b);
        different |= p_value < RISK;
        println!(
            "switch, {what} of a sitting: {:.0} ns where X is A, {:.0} ns where X is B (middle of {PAIRS} sittings each)",
            percentile(&x_is_a, 0.5) * 1e9,
            percentile(&x_is_b, 0.5) * 1e9
        );
        println!(
            "  Kolmogorov-Smirnov: D = {statistic:.4}, p = {p_value:.3}; below {RISK} they would count as different"
        );
        let (statistic, p_value) = kolmogorov_smirnov(&mut of(0, 0.0), &mut of(1, ON_PURPOSE));
        println!(
            "  the same with {:.0} ns added to one of them on purpose: D = {statistic:.4}, p = {p_value:.1e}",
            ON_PURPOSE * 1e9
        );
    }
    if different { std::process::ExitCode::FAILURE } else { std::process::ExitCode::SUCCESS }
}
