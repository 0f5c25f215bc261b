//! What the tests of a night share: a session, stimuli, a player and a clock of their own, and a small web client.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use earwitness::ballot::command::Command;
use earwitness::ballot::guard::{Pace, Paces};
use earwitness::ballot::hosting::{BeforeNight, NightEnvironment, NightRequest, PassphraseNeeded};
use earwitness::ballot::presentation::Timing;
use earwitness::ballot::view::Snapshot;
use earwitness::ballot::{NightError, Phase, scene};
use earwitness::clip::Playable;
use earwitness::conduct::{Clock, Environment, RealClock};
use earwitness::filter::NoProgress;
use earwitness::player::{OutputChoice, OutputDescription, PlayerEvent, Sound, Status, Transport};
use earwitness::screen::{self, Scene};
use earwitness::session::{self, Session};
use earwitness::stimulus::{Pair, PairKind, StimulusSet};
use earwitness::trial::OutputKind;
use earwitness::trial::{Digest, Secret};

/// An invented session in a folder.
pub(super) fn session(folder: &Path, protocol: &str, trials: u32, more: &str) -> Session {
    let attribute =
        if protocol == "two-afc" { "attribute = \"brighter\"\nattribute_side = \"b\"\n" } else { "" };
    // A level step makes nothing brighter.
    let control = if protocol == "two-afc" { "tilt" } else { "level" };
    let text = format!(
        "title = \"An invented night\"\ninvented = true\nprotocol = \"{protocol}\"\ntrials = {trials}\nwarm_up = 1\n\
         {attribute}{more}\n\
         [amplifier]\noutput_resistance = \"50 mohm\"\n\
         [loudspeaker]\nresistance = \"6 ohm\"\n\
         [cables.bell]\nconstruction = \"parallel-pair\"\nlength = \"10 m\"\nconductor = \"0.5 mm2\"\nspacing = \"2.4 mm\"\n\
         permittivity = 4.5\nloss_tangent = 0.08\n\
         [cables.none]\nconstruction = \"direct\"\n\
         [clips.chord]\nsynth = \"slow-chord\"\nlength = \"1.2 s\"\n\
         [[comparisons]]\nname = \"bell-none\"\na = \"bell\"\nb = \"none\"\nclips = [\"chord\"]\n\
         [[controls]]\nkind = \"{control}\"\namount = \"1.5 dB\"\ntrials = 1\n"
    );
    let file = folder.join("session.toml");
    std::fs::write(&file, &text).expect("the session is written");
    let mut session = session::load(&file).expect("the session is sound");
    // The stimuli of this stage last a fifth of a second, and are presented once.
    session.heard_at_least_ms = 100;
    session
}

/// Stimuli of the right shape and 200 ms: the tests of a night are about people, not about sound.
pub(super) fn stimuli() -> StimulusSet {
    let make = |level: f32| Playable { rate_hz: 8000, channels: 1, samples: vec![level; 1600].into() };
    let pair = |kind| Pair {
        kind,
        a: make(0.1).into(),
        b: make(0.2).into(),
        digest_a: Digest::of(b"a").0,
        digest_b: Digest::of(b"b").0,
    };
    StimulusSet {
        pairs: vec![
            pair(PairKind::Comparison { comparison: 0, clip: 0 }),
            pair(PairKind::Control { control: 0, comparison: 0, clip: 0 }),
        ],
        ..StimulusSet::default()
    }
}

/// What a player was told, in order, and what it has to report.
#[derive(Debug, Default)]
pub(super) struct Tape {
    pub(super) calls: Vec<String>,
    /// Which levels were loaded: the only trace of the draw, for tests that need to know it.
    pub(super) loaded: Vec<Vec<f32>>,
    pub(super) events: Vec<PlayerEvent>,
    /// The device's sample format, where it is not `f32`.
    pub(super) format: Option<&'static str>,
}

/// A player that writes down what it is told.
#[derive(Debug, Clone, Default)]
pub(super) struct Recorder(pub(super) Arc<Mutex<Tape>>);

impl Recorder {
    fn call(&self, what: String) {
        self.0.lock().expect("the tape").calls.push(what);
    }
}

impl Transport for Recorder {
    fn load_sounds(&mut self, stimuli: &[Sound]) {
        self.call(format!("load {}", stimuli.len()));
        let levels = stimuli.iter().map(|stimulus| stimulus.whole().expect("in memory").samples[0]).collect();
        self.0.lock().expect("the tape").loaded.push(levels);
    }
    fn switch_to(&mut self, index: usize) {
        self.call(format!("switch {index}"));
    }
    fn play(&mut self) {
        self.call("play".to_owned());
    }
    fn pause(&mut self) {
        self.call("pause".to_owned());
    }
    fn seek(&mut self, frame: u64) {
        self.call(format!("seek {frame}"));
    }
    fn set_loop(&mut self, region: Option<(u64, u64)>) {
        self.call(format!("loop {region:?}"));
    }
    fn status(&self) -> Status {
        Status::default()
    }
    fn take_events(&mut self) -> Vec<PlayerEvent> {
        std::mem::take(&mut self.0.lock().expect("the tape").events)
    }
    fn description(&self) -> OutputDescription {
        OutputDescription {
            kind: OutputKind::Device,
            name: "invented".to_owned(),
            host: String::new(),
            rate_hz: 8000,
            format: self.0.lock().expect("the tape").format.unwrap_or("f32").to_owned(),
            buffer_frames: 0,
            channels: 1,
            resampled_from_hz: None,
            path: None,
        }
    }
}

/// A clock that stands still until it is told.
#[derive(Debug, Default)]
pub(super) struct HandClock(pub(super) AtomicU64);

impl Clock for HandClock {
    fn elapsed(&self) -> Duration {
        Duration::from_millis(self.0.load(Ordering::SeqCst))
    }
    fn utc(&self) -> jiff::Timestamp {
        "2026-01-31T20:15:00Z".parse().expect("a time")
    }
}

pub(super) fn request_of(session: Session) -> NightRequest {
    NightRequest {
        guest: false,
        seats: earwitness::ballot::seats::MOST_SEATS,
        paper_seats: None,
        tables: 0,
        session,
        host: "Mill".to_owned(),
        output: OutputChoice::Silent,
        listen: Some(SocketAddr::from(([127, 0, 0, 1], 0))),
        timing: Timing { gap_ms: 50, vote_ms: 60_000, pause_ms: None, rounds: 1 },
        by_hand: false,
        anew: false,
    }
}

pub(super) fn environment(clock: Arc<dyn Clock>, recorder: &Recorder) -> NightEnvironment {
    let recorder = recorder.clone();
    let common = Environment {
        clock,
        prepare: Arc::new(|_, _| Ok(stimuli())),
        in_background: false,
        open: Arc::new(move |_, _, _, _| Ok(Box::new(recorder.clone()))),
        switch: Arc::new(earwitness::switcher::open),
        operator: None,
        bench: None,
        report: None,
        secret: Arc::new(|| Ok(Secret::from_bytes([7; 32]))),
        seed: 1,
        ending: || false,
    };
    NightEnvironment { common, passes: Some([9; 32]), paces: hasty() }
}

/// Paces for listeners that are programs: a whole evening passes in seconds, or while the clock stands still.
fn hasty() -> Paces {
    let wide = Pace { burst: 1e6, per_second: 1e6 };
    Paces {
        seat: wide,
        vote: wide,
        typed_hand: wide,
        sender: wide,

        seats_per_address: u32::MAX,
        ..Paces::default()
    }
}

pub(super) fn real_environment(recorder: &Recorder) -> NightEnvironment {
    environment(Arc::new(RealClock::default()), recorder)
}

/// What a test wants of the host's thread.
enum Wish {
    Say(String, Sender<Result<Vec<String>, String>>),
    Look(Sender<Arc<Snapshot>>),
    Screen(Sender<Scene>),
    /// Answered when a whole turn has passed since it was read.
    Settle(Sender<()>),
    Leave(Sender<()>),
}

/// A night on a thread of its own, as the program runs it.
pub(super) struct Host {
    wishes: Sender<Wish>,
    thread: Option<std::thread::JoinHandle<()>>,
    pub(super) address: SocketAddr,
    pub(super) code: String,
    pub(super) key: String,
    pub(super) journal: std::path::PathBuf,
    pub(super) refused_log: std::path::PathBuf,
    /// What the host is told at the beginning.
    pub(super) notes: Vec<String>,
}

impl Host {
    pub(super) fn start(
        make: impl FnOnce() -> (NightRequest, NightEnvironment) + Send + 'static,
    ) -> Result<Self, NightError> {
        let (wishes, wished) = channel::<Wish>();
        let (opened, ready) = channel();
        let thread = std::thread::spawn(move || {
            let (request, environment) = make();
            let made = (environment.common.prepare)(&request.session, &NoProgress).map_err(NightError::from);
            let hosted = made.and_then(|stimuli| {
                let mut before = BeforeNight::check(request, environment)?;
                if before.passphrase() == PassphraseNeeded::New {
                    before.lock("lamp on the stairs".to_owned().into());
                }
                before.open(stimuli)
            });
            let mut night = match hosted {
                Ok(night) => night,
                Err(error) => {
                    opened.send(Err(error)).expect("the test waits");
                    return;
                }
            };
            let facts = (
                night.address(),
                night.room_code(),
                night.room_address().split('#').nth(1).expect("a key").to_owned(),
                night.journal().to_path_buf(),
                night.journal().with_extension("refused"),
                night.notes().to_vec(),
            );
            opened.send(Ok(facts)).expect("the test waits");
            let mut news = VecDeque::new();
            let mut settling: Vec<Sender<()>> = Vec::new();
            loop {
                night.turn(Duration::from_millis(2));
                for answer in settling.drain(..) {
                    let _ = answer.send(());
                }
                while let Ok(wish) = wished.try_recv() {
                    match wish {
                        Wish::Say(line, answer) => {
                            let result = night.understand(&line).and_then(|command| match command {
                                Command::Quit => Ok(Vec::new()),
                                command => night.say(&command),
                            });
                            let _ = answer.send(result);
                        }
                        Wish::Look(answer) => {
                            let _ = answer.send(night.snapshot());
                        }
                        Wish::Screen(answer) => {
                            news.extend(night.take_notices());
                            let _ = answer.send(screen::night::scene(
                                &scene::host(&night, news.iter().cloned().collect(), 0),
                                true,
                            ));
                        }
                        Wish::Settle(answer) => settling.push(answer),
                        Wish::Leave(answer) => {
                            night.leave();
                            let _ = answer.send(());
                            return;
                        }
                    }
                }
            }
        });
        let (address, code, key, journal, refused_log, notes) = ready.recv().expect("the thread answers")?;
        Ok(Self { wishes, thread: Some(thread), address, code, key, journal, refused_log, notes })
    }

    pub(super) fn say(&self, line: &str) -> Result<Vec<String>, String> {
        let (answer, said) = channel();
        self.wishes.send(Wish::Say(line.to_owned(), answer)).expect("the host is there");
        said.recv().expect("the host answers")
    }

    pub(super) fn look(&self) -> Arc<Snapshot> {
        let (answer, seen) = channel();
        self.wishes.send(Wish::Look(answer)).expect("the host is there");
        seen.recv().expect("the host answers")
    }

    /// Waits until the host's thread has taken a whole turn at the time that the clock shows now.
    pub(super) fn settle(&self) {
        for _ in 0..2 {
            let (answer, settled) = channel();
            self.wishes.send(Wish::Settle(answer)).expect("the host is there");
            settled.recv().expect("the host answers");
        }
    }

    /// What the host's terminal shows.
    pub(super) fn screen(&self) -> Scene {
        let (answer, seen) = channel();
        self.wishes.send(Wish::Screen(answer)).expect("the host is there");
        seen.recv().expect("the host answers")
    }

    /// Waits until the evening is at this phase.
    pub(super) fn until(&self, phase: Phase) -> Arc<Snapshot> {
        for _ in 0..2000 {
            let seen = self.look();
            if seen.phase == phase {
                return seen;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        panic!("the night is at {:?} and does not come to {phase:?}", self.look().phase);
    }

    /// Presents the trial that comes next and waits until votes are open.
    pub(super) fn to_the_votes(&self) -> String {
        self.say("next").expect("the trial is presented");
        self.until(Phase::Voting).trial.as_ref().expect("a trial").id.clone()
    }

    pub(super) fn leave(mut self) {
        let (answer, done) = channel();
        self.wishes.send(Wish::Leave(answer)).expect("the host is there");
        done.recv().expect("the host leaves");
        self.thread.take().expect("a thread").join().expect("the thread ends well");
    }
}

/// An answer of the server.
#[derive(Debug, Clone)]
pub(super) struct Reply {
    pub(super) status: u16,
    pub(super) head: String,
    pub(super) body: String,
}

impl Reply {
    pub(super) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    pub(super) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }
}

/// Sends bytes as they are, to 127.0.0.1 only, and reads one answer.
pub(super) fn raw(address: SocketAddr, bytes: &[u8]) -> std::io::Result<Reply> {
    assert!(address.ip().is_loopback(), "tests speak to this machine only");
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(Duration::from_secs(20)))?;
    stream.write_all(bytes)?;
    read_reply(&mut stream)
}

/// Reads one answer with its stated length.
pub(super) fn read_reply(stream: &mut TcpStream) -> std::io::Result<Reply> {
    let mut head = Vec::new();
    let mut seen = [0_u8; 4096];
    while !head.ends_with(b"\r\n\r\n") {
        // What comes after the empty line is left to the body.
        let waiting = stream.peek(&mut seen)?;
        if waiting == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        let before = head.len();
        head.extend_from_slice(&seen[..waiting]);
        let from = before.saturating_sub(3);
        let end = head[from..].windows(4).position(|four| four == b"\r\n\r\n");
        head.truncate(end.map_or(head.len(), |at| from + at + 4));
        stream.read_exact(&mut seen[..head.len() - before])?;
    }
    let head = String::from_utf8_lossy(&head).into_owned();
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).expect("a status line");
    let mut reply = Reply { status, head, body: String::new() };
    let length = reply.header("content-length").map_or(0, |length| length.parse().expect("a length"));
    let mut body = vec![0_u8; length];
    stream.read_exact(&mut body)?;
    reply.body = String::from_utf8(body).expect("text");
    Ok(reply)
}

pub(super) fn request(
    address: SocketAddr,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Vec<u8> {
    let mut text = format!("{method} {path} HTTP/1.1\r\nHost: {address}\r\n");
    if method == "POST" {
        let length = body.len();
        text.push_str("Content-Type: application/json\r\n");
        let _ = write!(text, "Origin: http://{address}\r\nContent-Length: {length}\r\n");
    }
    for (name, value) in headers {
        let _ = write!(text, "{name}: {value}\r\n");
    }
    text.push_str("\r\n");
    text.push_str(body);
    text.into_bytes()
}

/// So many connections from other addresses of this machine that ask nothing: half of them send half a request, the others
/// a whole one whose answer they never read. They are open as long as this is held, as far as the server lets them.
pub(super) fn flood(address: SocketAddr, connections: usize) -> Vec<TcpStream> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().expect("a runtime");
    let open = async |number: usize| {
        let socket = tokio::net::TcpSocket::new_v4()?;
        socket.bind(SocketAddr::from(([127, 0, 0, 2 + (number % 3) as u8], 0)))?;
        socket.connect(address).await?.into_std()
    };
    let streams: Vec<TcpStream> =
        (0..connections).filter_map(|number| runtime.block_on(open(number)).ok()).collect();
    for (number, mut stream) in streams.iter().enumerate() {
        let whole = format!("GET /common.js HTTP/1.1\r\nHost: {address}\r\n\r\n");
        // The server may have closed it at once, as one too many of its address.
        let _ =
            stream.write_all(if number % 2 == 0 { b"GET /state HTTP/1.1\r\nHo" } else { whole.as_bytes() });
    }
    streams
}

/// A listener's phone: keeps its cookie.
#[derive(Debug, Clone)]
pub(super) struct Phone {
    pub(super) address: SocketAddr,
    pub(super) cookie: String,
    pub(super) seat: u32,
}

impl Phone {
    pub(super) fn join(host: &Host, alias: &str, seat: Option<u32>) -> Self {
        let reply = join(host.address, &host.code, alias, seat);
        assert_eq!(reply.status, 200, "{reply:?}");
        Self::seated(host.address, &reply)
    }

    pub(super) fn seated(address: SocketAddr, reply: &Reply) -> Self {
        let cookie =
            reply.header("set-cookie").expect("a cookie").split(';').next().expect("a value").to_owned();
        let seat = reply.json()["seat"].as_u64().expect("a seat") as u32;
        Self { address, cookie, seat }
    }

    pub(super) fn get(&self, path: &str) -> Reply {
        raw(self.address, &request(self.address, "GET", path, &[("Cookie", &self.cookie)], ""))
            .expect("an answer")
    }

    pub(super) fn post(&self, path: &str, body: &serde_json::Value) -> Reply {
        raw(
            self.address,
            &request(self.address, "POST", path, &[("Cookie", &self.cookie)], &body.to_string()),
        )
        .expect("an answer")
    }

    pub(super) fn state(&self) -> serde_json::Value {
        let reply = self.get("/state");
        assert_eq!(reply.status, 200, "{reply:?}");
        reply.json()
    }

    pub(super) fn vote(&self, trial: &str, answer: &str) -> Reply {
        let sequence = self.state()["sequence"].as_u64().expect("a number") + 1;
        self.vote_as(trial, answer, sequence)
    }

    pub(super) fn vote_as(&self, trial: &str, answer: &str, sequence: u64) -> Reply {
        self.post("/vote", &serde_json::json!({ "trial": trial, "answer": answer, "sequence": sequence }))
    }
}

pub(super) fn join(address: SocketAddr, code: &str, alias: &str, seat: Option<u32>) -> Reply {
    let body = serde_json::json!({ "code": code, "alias": alias, "seat": seat }).to_string();
    raw(address, &request(address, "POST", "/join", &[], &body)).expect("an answer")
}
