//! An evening as a script: what phones, host, operator and witnesses send, in the bytes that the servers read, and time that passes.
//! Whatever comes in whatever order, the journal that it leads to replays, and is sound once it is closed.
//!
//! A line is `host WORDS`, `wait MILLISECONDS`, `dropout`, `join BODY`, `witness BODY`, `opened BODY`, `operator BODY`, `done BODY`, or
//! `SEAT REQUEST BODY`. In place of a body that nobody guesses, `mine` is what an honest phone would send.

use std::collections::BTreeMap;
use std::path::Path;

use earwitness::ballot::asked::understood;
use earwitness::ballot::asked::{
    Ask, DoneBody, Due, JoinBody, OpenedBody, OperatorBody, Request, WitnessBody,
};
use earwitness::ballot::command;
use earwitness::ballot::pass::Holder;
use earwitness::ballot::presentation::Timing;
use earwitness::ballot::view::Snapshot;
use earwitness::ballot::{Night, Refusal};
use earwitness::conduct::Machine as _;
use earwitness::stats::protocol::Inquiry;
use earwitness::switcher::Board;
use earwitness::trial::hands::Progress;
use earwitness::trial::record::{FORMAT, InputTerms};
use earwitness::trial::seal::hand_hash;
use earwitness::trial::witness::Links;
use earwitness::trial::{Conductor, Digest, Effect, Event, Opening, Record, Secret, chain, journal, verify};

use super::Outcome;

/// An invented night that was held with an early version; its terms are those of the evenings here.
const NIGHT: &[u8] = include_bytes!("../journals/format-1-night.jsonl");
/// Lines of a script that are read.
const LINES: usize = 400;
/// Length of a stimulus in milliseconds.
const CLIP_MS: u64 = 400;

/// A night whose disk is memory.
struct Evening {
    night: Night,
    secrets: Vec<Secret>,
    bytes: Vec<u8>,
    records: Vec<Record>,
    chain: Digest,
    at_ms: u64,
    holders: BTreeMap<u32, Holder>,
    /// Chains of the phones, and how many of their links are open.
    links: BTreeMap<u32, (Links, usize)>,
    board: Board,
}

/// The opening of that night, as this version writes it.
fn opening(secret: &Secret) -> Opening {
    let kept = journal::read_from(Path::new("night"), &mut &NIGHT[..]).expect("a kept journal");
    let Some(Record::Opening(kept)) = kept.records.first() else { panic!("it begins with its opening") };
    let mut opening = (**kept).clone();
    opening.format = FORMAT;
    opening.commitment = secret.commitment(FORMAT);
    opening.sitting = Some(1);
    let name = "session.toml".to_owned();
    opening.inputs = Some(vec![InputTerms { name, bytes: 18, sha256: opening.session }]);
    opening.terms.sides = Some(Inquiry::from(opening.terms.protocol).sides);
    opening.terms.heard_at_least_ms = Some(100);
    for stimulus in &mut opening.stimuli {
        stimulus.rate_hz = Some(48_000);
    }
    opening
}

impl Evening {
    fn new() -> Self {
        let secret = Secret::from_bytes([7; 32]);
        let opened = Conductor::open(opening(&secret), secret.clone());
        let (conductor, effects) = opened.expect("it can be conducted");
        let timing = Timing { gap_ms: 50, vote_ms: 5000, pause_ms: None, rounds: 1 };
        let mut evening = Self {
            night: Night::new(conductor, &[], &[], timing, false),
            secrets: vec![secret],
            bytes: Vec::new(),
            records: Vec::new(),
            chain: Digest::NOTHING,
            at_ms: 0,
            holders: BTreeMap::new(),
            links: BTreeMap::new(),
            board: Board::default(),
        };
        evening.carry_out(effects);
        evening
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let (number, utc_ms) =
                        (self.records.len() as u64 + 1, 1_769_890_500_000 + self.at_ms as i64);
                    let line = chain::encode(number, self.chain, Some(utc_ms), &*record).expect("written");
                    self.chain = Digest::of(&line);
                    self.bytes.extend_from_slice(&line);
                    self.bytes.push(b'\n');
                    self.night.written(&record, self.chain);
                    self.records.push(*record);
                }
                Effect::Load { .. } => self.night.loaded(CLIP_MS),
                Effect::KeepSecret(fresh) => self.secrets.push(fresh),
                _ => {}
            }
        }
    }

    /// The body of an honest phone.
    fn honest(&mut self, seat: u32, request: Request) -> String {
        let hand = Digest::of(format!("hand of {seat}").as_bytes());
        let taking = self.night.sealing().progress == Progress::Taking;
        match request {
            Request::Vote => {
                let sequence = self.night.seats().get(seat).map_or(0, |seat| seat.sequence) + 1;
                let trial = self.night.voting().map(earwitness::ballot::seats::id_text).unwrap_or_default();
                serde_json::json!({ "trial": trial, "answer": "a", "sequence": sequence }).to_string()
            }
            Request::TypedHand => "{\"text\":\"lamp on the stairs\"}".to_owned(),
            Request::Hand if taking => format!("{{\"hash\":\"{}\"}}", hand_hash(&hand)),
            Request::Hand => format!("{{\"hand\":\"{hand}\"}}"),
            Request::Link => match self.links.get(&seat) {
                Some((links, opened)) if self.night.links().is_some() => {
                    format!("{{\"link\":\"{}\"}}", links.link(opened + 1).unwrap_or(Digest::NOTHING))
                }
                _ => {
                    let links = Links::from_last(Digest::of(format!("chain of {seat}").as_bytes()), 60);
                    let end = links.end();
                    self.links.insert(seat, (links, 0));
                    format!("{{\"end\":\"{end}\"}}")
                }
            },
        }
    }

    fn asked(&mut self, ask: Ask) -> Result<(), Refusal> {
        let opens = if let Ask::OpenLink { holder, .. } = &ask { Some(holder.seat) } else { None };
        let (due, effects) = self.night.asked(self.at_ms, ask)?;
        self.carry_out(effects);
        if let Due::Seated(holder) = due {
            self.holders.insert(holder.seat, holder);
        }
        if let Some((_, opened)) = opens.and_then(|seat| self.links.get_mut(&seat)) {
            *opened += 1;
        }
        Ok(())
    }

    /// In steps, as the loop of a night does.
    fn wait(&mut self, milliseconds: u64) {
        let until = self.at_ms + milliseconds;
        while self.at_ms < until {
            let step = self.night.wake_in(self.at_ms).unwrap_or(milliseconds).clamp(20, 1000);
            self.at_ms = (self.at_ms + step).min(until);
            let effects = self.night.tick(self.at_ms);
            self.carry_out(effects);
        }
    }

    fn say(&mut self, line: &str) -> Result<(), String> {
        let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
        let refused = |refusal: Refusal| refusal.message();
        let body = rest.as_bytes();
        match word {
            "" => {}
            "host" => {
                let trials = self.night.main_trials();
                let said = command::parse(rest, self.night.definition(), trials)?;
                let effects = self.night.host(self.at_ms, &said).map_err(refused)?;
                self.carry_out(effects);
            }
            "wait" => self.wait(rest.parse().unwrap_or(0).min(20_000)),
            "dropout" => {
                let event = Event::Disturbed { cause: "the sound dropped out".to_owned(), by: None };
                let effects = self.night.event(self.at_ms, event);
                self.carry_out(effects);
            }
            "join" => {
                let wish: JoinBody = understood(body).map_err(refused)?;
                self.asked(wish.ask()).map_err(refused)?;
            }
            "witness" => {
                let wish: WitnessBody = understood(body).map_err(refused)?;
                assert!(!wish.is_named() || (1..=40).contains(&wish.name.chars().count()), "{wish:?}");
            }
            "opened" => {
                understood::<OpenedBody>(body).map_err(refused)?;
            }
            "operator" => {
                let wish: OperatorBody = understood(body).map_err(refused)?;
                let first = self.board.holder().is_none_or(|holder| holder == wish.holder.hex());
                assert_eq!(self.board.join(&wish.holder.hex()), first, "one operator");
            }
            "done" => drop(self.board.confirm(understood::<DoneBody>(body).map_err(refused)?.number)),
            seat => {
                let seat: u32 = seat.parse().map_err(|_| "no such line is read here".to_owned())?;
                let (name, body) = rest.split_once(' ').unwrap_or((rest, ""));
                // Who has no seat has a token of nobody's.
                let holder = self.holders.get(&seat).copied().unwrap_or(Holder { seat, generation: 1 });
                let request = match name {
                    "leave" => return self.asked(Ask::Leave { holder }).map_err(refused),
                    "return" => return self.asked(Ask::Return { holder }).map_err(refused),
                    name => [Request::Vote, Request::TypedHand, Request::Hand, Request::Link]
                        .into_iter()
                        .find(|request| request.name() == name)
                        .ok_or_else(|| "there is no such request".to_owned())?,
                };
                let own = if body == "mine" { self.honest(seat, request) } else { body.to_owned() };
                self.asked(request.read(holder, own.as_bytes()).map_err(refused)?).map_err(refused)?;
            }
        }
        Ok(())
    }

    /// What phones and display would be shown is data, and what was written replays.
    fn holds(&self) {
        let shown = Snapshot::of(&self.night, self.at_ms, "", None);
        for seat in shown.seats.keys() {
            let text = shown.phone(*seat, self.at_ms).expect("a seat");
            serde_json::from_str::<serde_json::Value>(&text).expect("JSON");
        }
        serde_json::from_str::<serde_json::Value>(&shown.room(self.at_ms)).expect("JSON");
        let read = journal::read_from(Path::new("evening"), &mut &self.bytes[..]).expect("a journal");
        assert_eq!(read.records.len(), self.records.len());
        if read.closing().is_some() {
            let checked = verify::verify(&read);
            assert!(checked.is_sound(), "{:?}", checked.problems);
        } else {
            Conductor::resume(&read.records, &self.secrets).expect("it goes on");
        }
    }
}

/// Plays a script; what was refused first.
fn played(bytes: &[u8]) -> (Evening, Option<String>) {
    let script = String::from_utf8_lossy(bytes);
    let mut evening = Evening::new();
    let mut refused = None;
    for line in script.lines().take(LINES) {
        if let Err(message) = evening.say(line) {
            refused.get_or_insert(message);
        }
    }
    (evening, refused)
}

/// Plays a script, and holds what came of it.
pub(super) fn evening(bytes: &[u8], _: &Path) -> Outcome {
    let (evening, refused) = played(bytes);
    evening.holds();
    refused.map_or(Ok(()), |message| Err(earwitness::units::foreign::shown(&message)))
}

/// The journals of the evenings in [`seeds`].
#[allow(dead_code, reason = "libFuzzer needs none")]
pub(crate) fn journals() -> Vec<Vec<u8>> {
    seeds().iter().map(|seed| played(seed).0.bytes).collect()
}

/// Whole evenings: by phone with a hand and links; on paper, with everything that a host says.
#[allow(dead_code, reason = "seeds are written by the tests")]
pub(crate) fn seeds() -> Vec<Vec<u8>> {
    let trial = "host next\n1 link mine\nwait 3000\n1 vote mine\nwait 6000\n".repeat(7);
    let one_phone = format!(
        "join {{\"code\":\"x\",\"alias\":\"Ida\"}}\nhost next\n1 typed-hand mine\n1 hand mine\n1 link mine\nhost next\n1 hand mine\n\
         {trial}host next\n"
    );
    let trial = "host next\nwait 500\ndropout\nhost next\nwait 3000\n2 vote mine\nhost close\n".repeat(7);
    let paper = format!(
        "host paper 31 Bel\njoin {{\"code\":\"x\",\"alias\":\"Ola\",\"seat\":2}}\nhost next\nhost hand a lamp\nhost next\n{trial}\
         2 leave\n2 return\nhost 31 a b a b a b\nhost next\n"
    );
    vec![one_phone.into_bytes(), paper.into_bytes()]
}
