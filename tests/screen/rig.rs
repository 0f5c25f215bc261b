//! A sitting with everything replaced that could differ between two runs: clock, keys, sound, secret.

use std::cell::Cell;
use std::collections::VecDeque;
use std::io::{self, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use earwitness::clip::Playable;
use earwitness::conduct::witness::WitnessService;
use earwitness::conduct::{Clock, Environment};
use earwitness::player::{OutputChoice, OutputDescription, PlayerEvent, Sound, Status, Transport};
use earwitness::screen::terminal::{InputSource, Screen};
use earwitness::screen::{Input, Intent, Key, Palette, Scene};
use earwitness::session::{self, Session};
use earwitness::sitting::audition::Heard;
use earwitness::sitting::plain::{Plain, lines_of};
use earwitness::sitting::{self, Face, FaceError, Finished, Request, Resuming, SittingError};
use earwitness::stimulus::{Pair, PairKind, StimulusSet};
use earwitness::trial::OutputKind;
use earwitness::trial::Secret;

use crate::blind;
use crate::commands::{PROGRAM, Ran, ran};

/// Rate of the test stimuli in Hz.
pub(crate) const RATE: u32 = 8000;

/// A clock that only runs while somebody waits.
#[derive(Debug, Clone, Default)]
pub(crate) struct TestClock(Arc<AtomicU64>);

impl TestClock {
    pub(crate) fn pass(&self, time: Duration) {
        self.0.fetch_add(time.as_nanos() as u64, Ordering::SeqCst);
    }
}

impl Clock for TestClock {
    fn elapsed(&self) -> Duration {
        Duration::from_nanos(self.0.load(Ordering::SeqCst))
    }

    fn utc(&self) -> jiff::Timestamp {
        let start: jiff::Timestamp = "2026-01-05T19:30:00Z".parse().expect("a time");
        start + jiff::SignedDuration::try_from(self.elapsed()).expect("a short time")
    }
}

/// How long the listener listens without a key.
const LISTENED: Duration = Duration::from_millis(1100);

/// Keys in a list; the clock runs while they are waited for. At the end of the list the listener leaves.
pub(crate) struct Keys {
    keys: VecDeque<Option<Input>>,
    clock: TestClock,
    size: (u16, u16),
    pace: u32,
}

impl InputSource for Keys {
    fn next(&mut self, wait: Duration) -> io::Result<Option<Input>> {
        let next = self.keys.pop_front().unwrap_or(Some(Input::Key(Key::Interrupt)));
        // Nothing typed is time to listen: long enough for what is asked about to have been heard.
        let time = if next.is_none() { LISTENED } else { wait };
        self.clock.pass(time * self.pace);
        Ok(next)
    }

    fn size(&self) -> io::Result<(u16, u16)> {
        Ok(self.size)
    }
}

/// A face in front of another one that keeps what was shown, and may hide the digests that the seal publishes.
struct Watched<'f> {
    face: &'f mut dyn Face,
    scenes: Vec<Scene>,
    /// When each of them was first shown.
    shown: Vec<Duration>,
    now: Arc<dyn Clock>,
    hidden: bool,
    /// The clock of plain lines, which runs only while something is listened to.
    clock: Option<TestClock>,
    listening: Option<TestClock>,
}

impl<'f> Watched<'f> {
    fn new(face: &'f mut dyn Face, now: &Arc<dyn Clock>, hidden: bool) -> Self {
        let (scenes, shown, now) = (Vec::new(), Vec::new(), Arc::clone(now));
        Self { face, scenes, shown, now, hidden, clock: None, listening: None }
    }
}

impl Face for Watched<'_> {
    fn show(&mut self, scene: &Scene) -> Result<(), FaceError> {
        let scene = if self.hidden { blind::scene_without_digests(scene) } else { scene.clone() };
        self.face.show(&scene)?;
        if self.scenes.last() != Some(&scene) {
            self.scenes.push(scene);
            self.shown.push(self.now.elapsed());
        }
        Ok(())
    }

    fn wait(&mut self, wait: Duration) -> Result<Vec<Intent>, FaceError> {
        if let Some(clock) = self.listening.take() {
            clock.pass(LISTENED);
        }
        let intents = self.face.wait(wait)?;
        if intents.iter().any(|intent| matches!(intent, Intent::Listen(_))) {
            self.listening.clone_from(&self.clock);
        }
        Ok(intents)
    }
}

/// Bytes that can be read while they are written.
#[derive(Debug, Clone, Default)]
pub(crate) struct Bytes(pub(crate) Arc<Mutex<Vec<u8>>>);

impl Write for Bytes {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().expect("nobody panicked").extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A player that writes down what it was asked for.
pub(crate) struct Recorder {
    calls: Arc<Mutex<Vec<String>>>,
    disturb_after: u64,
    disturb_times: u32,
    disturb_with: PlayerEvent,
    kind: OutputKind,
    format: &'static str,
    playing: bool,
    index: usize,
    position: u64,
    asked: Cell<u64>,
}

impl Recorder {
    fn note(&self, call: String) {
        self.calls.lock().expect("nobody panicked").push(call);
    }
}

impl Transport for Recorder {
    fn load_sounds(&mut self, stimuli: &[Sound]) {
        // What is in the list is what the draw decides; that there is one, how long and at which rate must not be.
        let shape: Vec<String> =
            stimuli.iter().map(|s| format!("{}x{}@{}", s.frames(), s.channels, s.rate_hz)).collect();
        self.note(format!("load {}", shape.join(" ")));
        (self.playing, self.index, self.position) = (false, 0, 0);
    }

    fn switch_to(&mut self, index: usize) {
        self.note(format!("switch_to {index}"));
        self.index = index;
    }

    fn play(&mut self) {
        self.note("play".to_string());
        self.playing = true;
    }

    fn pause(&mut self) {
        self.note("pause".to_string());
        self.playing = false;
    }

    fn seek(&mut self, frame: u64) {
        self.note(format!("seek {frame}"));
        self.position = frame;
    }

    fn set_loop(&mut self, region: Option<(u64, u64)>) {
        self.note(format!("set_loop {region:?}"));
    }

    fn status(&self) -> Status {
        // The position moves on with each look, so that the time on the screen is seen to move.
        if self.playing {
            self.asked.set(self.asked.get() + 1);
        }
        Status {
            playing: self.playing,
            index: self.index,
            position: (self.position + 40 * self.asked.get()) % u64::from(2 * RATE),
            played: 0,
        }
    }

    fn take_events(&mut self) -> Vec<PlayerEvent> {
        if self.disturb_after > 0 && self.asked.get() >= self.disturb_after {
            self.disturb_times -= 1;
            self.disturb_after = if self.disturb_times == 0 { 0 } else { self.asked.get() + 3 };
            return vec![self.disturb_with.clone()];
        }
        Vec::new()
    }

    fn description(&self) -> OutputDescription {
        OutputDescription {
            kind: self.kind,
            name: if self.kind == OutputKind::Silent { String::new() } else { "test".to_string() },
            host: String::new(),
            rate_hz: RATE,
            format: self.format.to_string(),
            buffer_frames: 0,
            channels: 1,
            resampled_from_hz: None,
            path: None,
        }
    }
}

/// A wager of invented people, for the end of a session.
pub(crate) const WAGER: &str = r#"
[wager]
claimant = "Mara"
skeptic = "Tomas"
claim = "I hear hall flex on any recording"
claimant_wins = "Tomas cooks for four"
skeptic_wins = "Mara never mentions cables at dinner again"
"#;

/// The real program with lines from a pipe, from its start to its end.
pub(crate) fn piped(folder: &Path, arguments: &[&str], lines: &str) -> Ran {
    let mut child = Command::new(PROGRAM)
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    child.stdin.take().expect("a pipe").write_all(lines.as_bytes()).expect("it reads");
    ran(&child.wait_with_output().expect("it ends"), arguments)
}

/// A session in `folder` with this protocol and these further lines.
pub(crate) fn session(folder: &Path, protocol: &str, trials: u32, head: &str, tail: &str) -> Session {
    let text = format!(
        r#"title = "Hall flex against the heavy pair"
invented = true
protocol = "{protocol}"
trials = {trials}
{head}
[amplifier]
output_resistance = "20 mohm"
[loudspeaker]
resistance = "8 ohm"
[cables.flex]
construction = "parallel-pair"
length = "6 m"
conductor = "0.75 mm2"
spacing = "3.2 mm"
[cables.none]
construction = "direct"
[clips.plucked]
synth = "plucked-strings"
length = "2 s"
[[comparisons]]
name = "flex-none"
a = "flex"
b = "none"
clips = ["plucked"]
{tail}
"#
    );
    let file = folder.join("session.toml");
    std::fs::write(&file, &text).expect("a temporary folder can be written");
    session::parse(&file, &text).unwrap_or_else(|error| panic!("{error}"))
}

/// Stimuli of two seconds, side A and side B of different sound.
pub(crate) fn stimuli(session: &Session) -> StimulusSet {
    stimuli_apart(session, 0.1)
}

/// The same, both sides of each comparison alike.
pub(crate) fn stimuli_alike(session: &Session) -> StimulusSet {
    stimuli_apart(session, 0.0)
}

/// The same, the sides of each comparison apart by so much at their peaks (full scale 1.0).
fn stimuli_apart(session: &Session, apart: f32) -> StimulusSet {
    let sound = |level: f32| Playable {
        rate_hz: RATE,
        channels: 1,
        samples: (0..2 * RATE).map(|n| level * (n as f32 * 0.3).sin()).collect(),
    };
    let digest = |playable: &Playable| {
        let bytes: Vec<u8> = playable.samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        earwitness::trial::Digest::of(&bytes).0
    };
    let pair = |kind, other: f32| {
        let (a, b) = (sound(0.5), sound(other));
        Pair { kind, digest_a: digest(&a), digest_b: digest(&b), a: a.into(), b: b.into() }
    };
    let mut pairs = Vec::new();
    for (comparison, of) in session.comparisons.iter().enumerate() {
        pairs.extend(
            of.clips.iter().map(|&clip| pair(PairKind::Comparison { comparison, clip }, 0.5 - apart)),
        );
    }
    for (control, of) in session.controls.iter().enumerate() {
        let other = if of.kind.is_positive() { 0.3 } else { 0.5 };
        for (comparison, of) in session.comparisons.iter().enumerate() {
            let made = of.clips.iter().map(|&clip| PairKind::Control { control, comparison, clip });
            pairs.extend(made.map(|kind| pair(kind, other)));
        }
    }
    StimulusSet { pairs, levels: Vec::new(), notes: Vec::new(), recorded: Vec::new() }
}

/// What a sitting left behind.
pub(crate) struct Sat {
    pub(crate) result: Result<Finished, SittingError>,
    pub(crate) bytes: Vec<u8>,
    pub(crate) calls: Vec<String>,
    /// Every scene that was shown, where it differs from the one before.
    pub(crate) scenes: Vec<Scene>,
    /// When each of them was first shown, by the sitting's clock.
    pub(crate) shown: Vec<Duration>,
}

/// How a test sitting differs from the usual one.
pub(crate) struct Setting<'s> {
    pub(crate) size: (u16, u16),
    /// The secret behind the draws.
    pub(crate) secret: Secret,
    /// Digests that the seal publishes are hidden from the face: they differ from secret to secret.
    pub(crate) hidden: bool,
    pub(crate) simulate: Option<f64>,
    pub(crate) opponent: bool,
    pub(crate) resuming: Resuming,
    pub(crate) kind: OutputKind,
    /// The output's sample format.
    pub(crate) format: &'static str,
    /// Difference of the sides at their peaks, full scale 1.0.
    pub(crate) apart: f32,
    /// The sound has a hole after so many looks at the player that plays; 0 is never.
    pub(crate) disturb_after: u64,
    /// How often, a few looks apart.
    pub(crate) disturb_times: u32,
    /// What happens to the sound then.
    pub(crate) disturb_with: PlayerEvent,
    /// How many times as fast as usual time passes while keys are waited for.
    pub(crate) pace: u32,
    pub(crate) session: &'s Session,
}

impl<'s> Setting<'s> {
    /// The first trials are presented in these orders, if these hands are typed.
    pub(crate) fn draw(&mut self, hands: &[&str], orders: &[usize]) {
        let stimuli = stimuli_apart(self.session, self.apart);
        self.secret = blind::secret_of_session(self.session, &stimuli, hands, orders);
        self.hidden = true;
    }

    pub(crate) fn new(session: &'s Session) -> Self {
        Self {
            size: (80, 24),
            secret: secret(),
            hidden: false,
            simulate: None,
            opponent: false,
            resuming: Resuming::Ask,
            kind: OutputKind::Silent,
            format: "f32",
            apart: 0.1,
            disturb_after: 0,
            disturb_times: 1,
            disturb_with: PlayerEvent::Underrun,
            pace: 1,
            session,
        }
    }
}

/// The secret of every sitting here.
pub(crate) fn secret() -> Secret {
    Secret::from_bytes([42; 32])
}

/// Letters and names as keys: `a`, `Enter`, `Up`, `.` for nothing within one wait.
pub(crate) fn keys(text: &str) -> Vec<Option<Input>> {
    text.split_whitespace()
        .map(|word| {
            Some(Input::Key(match word {
                "." => return None,
                "Enter" => Key::Enter,
                "Esc" => Key::Escape,
                "Up" => Key::Up,
                "Down" => Key::Down,
                "Left" => Key::Left,
                "Right" => Key::Right,
                "PgDn" => Key::PageDown,
                "Home" => Key::Home,
                "Tab" => Key::Tab,
                "Space" => Key::Character(' '),
                "Ctrl-C" => Key::Interrupt,
                letter => Key::Character(letter.chars().next().expect("a letter")),
            }))
        })
        .collect()
}

pub(crate) fn request(setting: &Setting<'_>) -> Request {
    Request {
        ability: earwitness::sitting::simulated::Ability::default(),
        facts: Vec::new(),
        session: setting.session.clone(),
        listener: "Mara".to_string(),
        alias: None,
        output: OutputChoice::Silent,
        simulate: setting.simulate,
        opponent: setting.opponent,
        resuming: setting.resuming,
    }
}

/// Plays a sitting by keys, with witnesses at this desk, which is given the sitting's clock.
pub(crate) fn sit_watched<D: WitnessService>(
    setting: &Setting<'_>,
    keys: Vec<Option<Input>>,
    secrets: Vec<Secret>,
    desk: impl FnOnce(TestClock) -> D,
) -> (Sat, D) {
    let request = request(setting);
    let bytes = Bytes::default();
    let (calls, (result, scenes, shown, desk)) = around(setting, |environment, clock| {
        let source = Keys { keys: keys.into(), clock: clock.clone(), size: setting.size, pace: setting.pace };
        let mut screen =
            Screen::new(source, bytes.clone(), Palette::coloured()).expect("memory can be written");
        let mut watched = Watched::new(&mut screen, &environment.clock, setting.hidden);
        let secrets = Mutex::new(secrets.into_iter());
        let mut environment = environment.clone();
        environment.secret = Arc::new(move || {
            Ok(secrets.lock().expect("nobody panicked").next().expect("a secret for each seal"))
        });
        let mut desk = desk(clock.clone());
        let result = sitting::conduct_watched(&request, &environment, &mut watched, Some(&mut desk));
        (result, watched.scenes, watched.shown, desk)
    });
    let bytes = bytes.0.lock().expect("nobody panicked").clone();
    (Sat { result, bytes, calls, scenes, shown }, desk)
}

/// Plays a sitting by keys on a screen that writes to memory.
pub(crate) fn sit(setting: &Setting<'_>, keys: Vec<Option<Input>>) -> Sat {
    sit_in(setting, keys, |_| {})
}

/// The same, with something changed in the environment.
pub(crate) fn sit_in(
    setting: &Setting<'_>,
    keys: Vec<Option<Input>>,
    change: impl FnOnce(&mut Environment),
) -> Sat {
    let request = request(setting);
    let (bytes, calls, (result, scenes, shown)) = in_front(setting, keys, |environment, screen| {
        let mut changed = environment.clone();
        change(&mut changed);
        let environment = &changed;
        let mut watched = Watched::new(screen, &environment.clock, setting.hidden);
        let result = sitting::conduct(&request, environment, &mut watched);
        (result, watched.scenes, watched.shown)
    });
    Sat { result, bytes, calls, scenes, shown }
}

/// Plays an audition by keys.
pub(crate) fn audition(
    session: &Session,
    keys: Vec<Option<Input>>,
) -> (Vec<u8>, Vec<Scene>, Result<Heard, SittingError>) {
    let (bytes, _, (heard, scenes)) = in_front(&Setting::new(session), keys, |environment, screen| {
        let mut watched = Watched::new(screen, &environment.clock, false);
        let heard =
            sitting::audition::audition(session, &OutputChoice::Silent, environment, &mut watched, false);
        (heard, watched.scenes)
    });
    (bytes, scenes, heard)
}

/// Lines that say when all of them have been read.
struct WholeLines {
    lines: io::Cursor<Vec<u8>>,
    read: std::sync::mpsc::Sender<()>,
}

impl io::Read for WholeLines {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.lines.read(buffer)?;
        if count == 0 {
            let _ = self.read.send(());
        }
        Ok(count)
    }
}

/// Plays a sitting by plain lines.
pub(crate) fn sit_plain(setting: &Setting<'_>, lines: &str) -> Sat {
    let request = request(setting);
    let bytes = Bytes::default();
    // All lines are there before the sitting begins, so that nothing depends on how fast they are read.
    let (read, all_read) = std::sync::mpsc::channel();
    let lines = WholeLines { lines: io::Cursor::new(lines.as_bytes().to_vec()), read };
    let mut plain = Plain::taking(lines_of(io::BufReader::new(lines)), bytes.clone());
    all_read.recv().expect("the lines are read");
    std::thread::sleep(Duration::from_millis(20));
    let (calls, (result, scenes, shown)) = around(setting, |environment, clock| {
        let mut watched = Watched {
            clock: Some(clock.clone()),
            ..Watched::new(&mut plain, &environment.clock, setting.hidden)
        };
        let result = sitting::conduct(&request, environment, &mut watched);
        (result, watched.scenes, watched.shown)
    });
    let bytes = bytes.0.lock().expect("nobody panicked").clone();
    Sat { result, bytes, calls, scenes, shown }
}

/// Lends out a screen and an environment; gives the bytes, the calls to the player, and what came of it.
pub(crate) fn in_front<T>(
    setting: &Setting<'_>,
    keys: Vec<Option<Input>>,
    work: impl FnOnce(&Environment, &mut dyn Face) -> T,
) -> (Vec<u8>, Vec<String>, T) {
    let bytes = Bytes::default();
    let (calls, result) = around(setting, |environment, clock| {
        let source = Keys { keys: keys.into(), clock: clock.clone(), size: setting.size, pace: setting.pace };
        let mut screen =
            Screen::new(source, bytes.clone(), Palette::coloured()).expect("memory can be written");
        work(environment, &mut screen)
    });
    let bytes = bytes.0.lock().expect("nobody panicked").clone();
    (bytes, calls, result)
}

/// Lends out an environment; gives the calls to the player, and what came of it.
fn around<T>(setting: &Setting<'_>, work: impl FnOnce(&Environment, &TestClock) -> T) -> (Vec<String>, T) {
    let clock = TestClock::default();
    let calls = Arc::new(Mutex::new(Vec::new()));
    let (log, kind, disturb_after) = (Arc::clone(&calls), setting.kind, setting.disturb_after);
    let disturb_times = setting.disturb_times;
    let format = setting.format;
    let disturb_with = setting.disturb_with.clone();
    let made = stimuli_apart(setting.session, setting.apart);
    let secret = setting.secret.clone();
    let environment = Environment {
        clock: Arc::new(clock.clone()),
        prepare: Arc::new(move |_, _| Ok(made.clone())),
        in_background: false,
        open: Arc::new(move |_, _, _, _| {
            Ok(Box::new(Recorder {
                calls: Arc::clone(&log),
                disturb_after,
                disturb_times,
                disturb_with: disturb_with.clone(),
                kind,
                format,
                playing: false,
                index: 0,
                position: 0,
                asked: Cell::new(0),
            }))
        }),
        switch: Arc::new(earwitness::switcher::open),
        operator: None,
        bench: None,
        report: None,
        secret: Arc::new(move || Ok(secret.clone())),
        seed: 7,
        ending: || false,
    };
    let result = work(&environment, &clock);
    let calls = calls.lock().expect("nobody panicked").clone();
    (calls, result)
}
