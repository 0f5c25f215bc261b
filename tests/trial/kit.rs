//! Openings made by hand, and a listener who answers by a script.

use std::path::Path;

use earwitness::session::{ControlName, Family, Levels, Switching};
use earwitness::stats::Protocol;
use earwitness::stats::protocol::Inquiry;
use earwitness::trial::OutputKind;
use earwitness::trial::against::{self, Registers};
use earwitness::trial::chain;
use earwitness::trial::record::{
    ComparisonTerms, ControlTerms, InputTerms, QualificationTerms, StimulusTerms, StoppingTerms, WagerTerms,
};
use earwitness::trial::terms::DecidingTerms;
use earwitness::trial::verify::Checked;
use earwitness::trial::witness::Links;
use earwitness::trial::{
    Closing, Conductor, Digest, Draft, Effect, Event, Occasion, Opened, Outcome, Output, Record, Secret,
    Side, Sittings, SittingsError, Stage, Step, Terms, View,
};

/// Checks a journal in its folder, with the register beside it.
pub(crate) fn check(path: &Path) -> Checked {
    against::check(path, &mut Registers::default())
}

/// A verdict may be drawn: sound, and ended as its rule says.
pub(crate) fn has_verdict(checked: &Checked) -> bool {
    let ended = |closing: &Closing| matches!(closing.outcome, Outcome::AllTrials | Outcome::Sequential);
    checked.is_sound() && checked.closing.as_ref().is_some_and(ended)
}

/// Goes on with a sitting that was cut off, in one step.
pub(crate) trait Resume {
    fn resume(
        self,
        name: &str,
        utc: &str,
        output: Output,
        fresh: Secret,
        passphrase: Option<&str>,
    ) -> Result<Opened, SittingsError>;
}

impl Resume for Sittings {
    fn resume(
        self,
        name: &str,
        utc: &str,
        output: Output,
        fresh: Secret,
        passphrase: Option<&str>,
    ) -> Result<Opened, SittingsError> {
        let secrets = self.secrets(name, passphrase)?;
        self.resume_with(name, utc, output, secrets, fresh)
    }
}

pub(crate) const UTC: &str = "2026-01-31T20:15:00Z";

/// Terms of an invented session: two comparisons on two clips, four controls.
pub(crate) fn terms(protocol: Protocol) -> Terms {
    let comparison = |name: &str, a: &str, b: &str, clips: &[usize]| ComparisonTerms {
        name: name.to_owned(),
        a: a.to_owned(),
        b: b.to_owned(),
        clips: clips.to_vec(),
        recorded: None,
    };
    let control = |control: ControlName, amount: f64, unit: &str, trials: u32| ControlTerms {
        control,
        amount,
        unit: unit.to_owned(),
        trials,
        more: None,
    };
    Terms {
        title: "Invented flex against an invented braid".to_owned(),
        protocol,
        attribute: (protocol == Protocol::TwoAfc).then(|| "brighter".to_owned()),
        attribute_side: if protocol == Protocol::TwoAfc { Side::B } else { Side::A },
        trials: 4,
        warm_up: 1,
        alpha: 0.05,
        levels: Levels::AsWired,
        switching: Switching::Instant,
        family: Family::Holm,
        stopping: StoppingTerms::AllTrials {},
        confidence: false,
        missing_as_wrong: false,
        rest_after_minutes: 20.0,
        qualification: None,
        clips: vec!["strings".to_owned(), "plucked".to_owned()],
        comparisons: vec![
            comparison("flex-braid", "flex", "braid", &[0, 1]),
            comparison("flex-none", "flex", "none", &[1]),
        ],
        controls: vec![
            control(ControlName::Level, 1.0, "dB", 1),
            control(ControlName::Tilt, 2.0, "dB", 0),
            control(ControlName::HeadMovement, 0.05, "m", 1),
            control(ControlName::Identical, 0.0, "", 1),
        ],
        wager: None,
        sides: Some(Inquiry::from(protocol).sides),
        // The script waits a quarter of a second between two events.
        heard_at_least_ms: Some(200),
        threshold: None,
        panel: None,
        switcher: None,
    }
}

pub(crate) fn stimuli(terms: &Terms) -> Vec<StimulusTerms> {
    let controls = std::iter::once(None).chain((0..terms.controls.len()).map(Some));
    let mut stimuli = Vec::new();
    for control in controls {
        for (comparison, of) in terms.comparisons.iter().enumerate() {
            for &clip in &of.clips {
                let digest =
                    |side: &str| Digest::of(format!("{control:?} {comparison} {clip} {side}").as_bytes());
                let identical = control.is_some_and(|control| !terms.controls[control].is_positive());
                let (a, b) = (digest("a"), digest(if identical { "a" } else { "b" }));
                stimuli.push(StimulusTerms {
                    comparison,
                    clip,
                    control,
                    a,
                    b,
                    rate_hz: Some(48_000),
                    level: None,
                    recorded: None,
                });
            }
        }
    }
    stimuli
}

pub(crate) fn silent() -> Output {
    Output {
        kind: OutputKind::Silent,
        name: String::new(),
        host: String::new(),
        rate_hz: 48000,
        format: "f32".to_owned(),
        buffer_frames: 0,
        channels: 2,
        path: None,
    }
}

pub(crate) fn draft(terms: Terms) -> Draft {
    Draft {
        utc: UTC.to_owned(),
        occasion: Occasion::Sitting,
        listener: "Ottilie Invented".to_owned(),
        alias: None,
        session: Digest::of(b"title = \"invented\""),
        inputs: vec![InputTerms {
            name: "session.toml".to_owned(),
            bytes: 18,
            sha256: Digest::of(b"title = \"invented\""),
        }],
        stimuli: stimuli(&terms),
        terms,
        output: Output { kind: OutputKind::Device, ..silent() },
        simulated: None,
        invented: true,
        facts: Vec::new(),
    }
}

/// A session with everything on: qualification, confidence, wager.
pub(crate) fn full(protocol: Protocol) -> Draft {
    let mut terms = terms(protocol);
    terms.confidence = true;
    // Where nobody is right or wrong, the controls are asked as the odd one out.
    let own = (!protocol.asks().has_right_answer()).then_some(Protocol::Triangle);
    terms.qualification = Some(QualificationTerms { trials: 2, correct: 0, protocol: own });
    terms.wager = Some(WagerTerms {
        claimant: "Ida".to_owned(),
        skeptic: "Jorin".to_owned(),
        claim: "I hear it every time".to_owned(),
        claimant_wins: "Jorin cooks".to_owned(),
        skeptic_wins: "Ida cooks".to_owned(),
        needed: 7,
        side: None,
        deciding: Some(DecidingTerms::First {}),
    });
    draft(terms)
}

pub(crate) use crate::blind::{opening, secret};

/// Where the records of a scripted sitting go.
pub(crate) trait Journal {
    fn append(&mut self, record: &Record) -> Digest;
    fn keep_secret(&mut self, _fresh: &earwitness::trial::Secret) {}
    fn close(&mut self) {}
}

/// The clock of an invented sitting: as it should be.
pub(crate) fn utc_ms(record: &Record) -> i64 {
    earwitness::trial::journal_writer::utc_ms(UTC) + record.at_ms() as i64
}

/// A journal in memory.
#[derive(Default)]
pub(crate) struct Memory {
    pub(crate) bytes: Vec<u8>,
    pub(crate) records: Vec<Record>,
    chain: Option<Digest>,
}

impl Journal for Memory {
    fn append(&mut self, record: &Record) -> Digest {
        let number = self.records.len() as u64 + 1;
        let line = chain::encode(number, self.chain.unwrap_or(Digest::NOTHING), Some(utc_ms(record)), record)
            .unwrap();
        let digest = Digest::of(&line);
        self.bytes.extend_from_slice(&line);
        self.bytes.push(b'\n');
        self.records.push(record.clone());
        self.chain = Some(digest);
        digest
    }
}

impl Journal for earwitness::trial::JournalWriter {
    fn append(&mut self, record: &Record) -> Digest {
        earwitness::trial::JournalWriter::append(self, record).unwrap()
    }

    fn keep_secret(&mut self, fresh: &earwitness::trial::Secret) {
        earwitness::trial::JournalWriter::keep_secret(self, fresh).unwrap();
    }

    fn close(&mut self) {
        earwitness::trial::JournalWriter::close(self, Some("2026-01-31T21:00:00Z")).unwrap();
    }
}

/// What the scripted people type.
pub(crate) const HANDS: [&str; 2] = ["und noch eine: ÄÖÜ 🎻", "a hand of Jorin's"];

/// How the scripted listener answers.
#[derive(Clone, Copy)]
pub(crate) enum Answering {
    /// The n-th answer is alternative n modulo their number.
    InTurn,
    /// Asks the conductor, which tells simulated listeners only.
    Right,
}

/// A scripted witness's phone.
pub(crate) struct Phone {
    pub(crate) name: &'static str,
    pub(crate) awake: bool,
    /// Chains so far: each sealing has a fresh one.
    pub(crate) chains: u64,
    pub(crate) links: Links,
    pub(crate) opened: usize,
}

impl Phone {
    pub(crate) fn new(name: &'static str) -> Self {
        Self { name, awake: true, chains: 0, links: Links::from_last(Digest::NOTHING, 0), opened: 0 }
    }

    /// A fresh chain's end.
    fn chain(&mut self) -> Digest {
        self.chains += 1;
        self.opened = 0;
        self.links = Links::from_last(Digest::of(format!("{} {}", self.name, self.chains).as_bytes()), 100);
        self.links.end()
    }

    /// The next link.
    fn open(&mut self) -> Digest {
        self.opened += 1;
        self.links.link(self.opened).unwrap()
    }
}

/// A scripted listener in front of a conductor.
pub(crate) struct Scripted<J> {
    pub(crate) conductor: Conductor,
    pub(crate) journal: J,
    pub(crate) effects: Vec<Effect>,
    pub(crate) views: Vec<View>,
    pub(crate) now: u64,
    pub(crate) answering: Answering,
    pub(crate) hands: Vec<(&'static str, &'static str)>,
    /// Phones of witnesses.
    pub(crate) phones: Vec<Phone>,
    /// Rounds in which each trial over real cables is presented, where they come in rounds.
    pub(crate) rounds: usize,
    /// Disturb the attempt with this number, from 1.
    pub(crate) disturb: Option<u32>,
    attempts: u32,
}

impl<J: Journal> Scripted<J> {
    pub(crate) fn new((conductor, effects): (Conductor, Vec<Effect>), journal: J) -> Self {
        let now = conductor.at_ms();
        let mut scripted = Self {
            conductor,
            journal,
            effects: Vec::new(),
            views: Vec::new(),
            now,
            answering: Answering::InTurn,
            hands: vec![("Ida", HANDS[0]), ("Jorin", HANDS[1])],
            phones: Vec::new(),
            rounds: 1,
            disturb: None,
            attempts: 0,
        };
        scripted.carry_out(effects);
        scripted
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            if let Effect::Append(record) = &effect {
                let digest = self.journal.append(record);
                self.conductor.step(self.now, Event::Durable(digest));
            }
            if let Effect::KeepSecret(fresh) = &effect {
                self.journal.keep_secret(fresh);
            }
            if effect == Effect::Close {
                self.journal.close();
            }
            self.effects.push(effect);
        }
        self.views.push(self.conductor.view());
    }

    pub(crate) fn event(&mut self, event: Event) {
        self.now += 250;
        let effects = self.conductor.step(self.now, event);
        self.carry_out(effects);
    }

    /// The places of the round that comes next.
    fn round(&self) -> Option<Vec<usize>> {
        match self.conductor.view().stage {
            Stage::Trial(trial) => trial.round.map(|round| round.order),
            _ => None,
        }
    }

    /// One step of the script; `false` at the end.
    pub(crate) fn step(&mut self) -> bool {
        match self.conductor.view().stage {
            Stage::Terms { parties, accepted } => {
                let by = parties.into_iter().find(|party| !accepted.contains(party)).unwrap();
                self.event(Event::Accept { by });
            }
            Stage::Sealing { .. }
                if self.conductor.sealing().witnesses.len()
                    < self.phones.iter().filter(|phone| phone.awake).count() =>
            {
                let joined = self.conductor.sealing().witnesses.len();
                let phone = self.phones.iter_mut().filter(|phone| phone.awake).nth(joined).unwrap();
                let (name, end) = (phone.name.to_owned(), phone.chain());
                self.event(Event::JoinWitness { name, end, seat: None });
            }
            Stage::Waiting { .. } => {
                let awaited = self.conductor.sealing().awaited();
                let names: Vec<String> =
                    self.conductor.sealing().witnesses.iter().map(|known| known.name.clone()).collect();
                for witness in awaited {
                    let name = &names[witness as usize - 1];
                    let phone = self.phones.iter_mut().find(|phone| phone.name == name && phone.awake);
                    if let Some(link) = phone.map(Phone::open) {
                        self.event(Event::OpenLink { witness, link });
                    }
                }
                if matches!(self.conductor.view().stage, Stage::Waiting { .. }) {
                    self.event(Event::Reseal(secret(self.now)));
                }
            }
            Stage::Sealing { hands, .. } if hands.len() < self.hands.len() => {
                let (by, text) = self.hands[hands.len()];
                self.event(Event::Hand { by: by.to_owned(), text: text.to_owned() });
            }
            Stage::Sealing { .. } => self.event(Event::Seal),
            Stage::Announce { .. } | Stage::Rest { .. } | Stage::Counting => self.event(Event::Continue),
            Stage::Trial(trial) => {
                self.attempts += 1;
                for _ in 0..self.rounds * usize::from(trial.round.is_some()) {
                    let order = self.round().unwrap_or_default();
                    for place in order {
                        self.event(Event::Present(0));
                        if place < trial.slots.len() {
                            self.event(Event::Play);
                        }
                    }
                    self.event(Event::RoundOver);
                }
                for slot in (0..trial.slots.len()).filter(|_| trial.round.is_none()) {
                    if self.conductor.view().terms.switcher.is_some() {
                        self.event(Event::Present(slot));
                    }
                    self.event(Event::Select(slot));
                    self.event(Event::Play);
                }
                if self.disturb == Some(self.attempts) {
                    self.event(Event::Disturbed { cause: "underrun".to_owned(), by: None });
                    return true;
                }
                if trial.step == Step::Voting {
                    self.event(Event::CloseVotes);
                    return true;
                }
                let count = trial.alternatives.len();
                let choice = match self.answering {
                    Answering::InTurn => trial.id.trial as usize % count,
                    Answering::Right => self.conductor.simulated_answer().unwrap_or(0),
                };
                self.event(Event::Choose(choice));
                self.event(Event::Confirm);
                if self.conductor.view().terms.confidence {
                    self.event(Event::Confidence(1 + (trial.id.trial % 5) as u8));
                }
            }
            Stage::ConfirmStop { .. } => self.event(Event::Confirm),
            Stage::Closing | Stage::Result(_) | Stage::Stopped { .. } => return false,
        }
        true
    }

    pub(crate) fn finish(mut self) -> Self {
        while self.step() {}
        self
    }
}

/// A whole sitting in memory.
pub(crate) fn in_memory(draft: &Draft, seed: u64) -> Scripted<Memory> {
    let secret = secret(seed);
    let opened = Conductor::open(opening(draft, &secret), secret).unwrap();
    Scripted::new(opened, Memory::default())
}

/// A sitting in a folder.
pub(crate) fn in_folder(opened: Opened) -> Scripted<earwitness::trial::JournalWriter> {
    Scripted::new((opened.conductor, opened.effects), opened.writer)
}

pub(crate) fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

/// A journal's bytes in a file of their own, without a register.
pub(crate) fn written(bytes: &[u8]) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = folder();
    let path = folder.path().join("journal.jsonl");
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}
