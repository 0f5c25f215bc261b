//! From journals to facts: verified, one journal of each sitting, one table of answers, what counts and what is missing, who
//! was there.
//!
//! Comes in: a [`Session`] and what its folders of sittings hold ([`folder`]). Goes out: [`Evidence`], everything that a
//! verdict may rest on, with names withheld where that was asked for. Must not: judge. What follows from the facts is the
//! next room's matter.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`journal`] | reads and verifies the journals of a folder, and reduces each to its facts |
//! | [`facts`] | the facts as data |
//! | [`register`] | the register held against the journals in its folder |
//! | [`inputs`] | the files that sittings read, against those that are here now |
//! | [`published`] | what of a journal readers get, to check it by themselves |
//! | [`hide`] | names and places that are withheld |

pub mod facts;
pub mod hide;
pub mod inputs;
pub mod journal;
pub mod published;
pub mod register;
mod wager;

use std::collections::{BTreeSet, HashMap};

pub use facts::{
    Basis, DeviceFacts, EventFacts, ListenerFacts, RegisterFacts, SittingFacts, State, StimulusFacts,
    StimulusSetFacts, TrialFacts, Unusable,
};
use inputs::Inputs;
pub use inputs::{InputFacts, InputSetFacts};
use journal::OpeningFacts;
pub use journal::{Gathered, Reading, Readings, folder};
pub use published::Published;

use crate::session::{ControlKind, Session};
use crate::trial::Digest;
use crate::trial::record::{Part, Terms, WagerTerms};
use crate::trial::wager::Settlement;

/// How a report is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Options {
    /// Replace listeners' names, and withhold what could give them away.
    pub anonymous: bool,
}

/// What the journals of a session say, ready to be judged.
#[derive(Debug)]
pub struct Evidence {
    /// Names are withheld.
    pub anonymous: bool,
    /// The best that there is to rest on.
    pub basis: Basis,
    /// Listeners in order of appearance (anonymous: of their number).
    pub listeners: Vec<ListenerFacts>,
    /// Those of them who prepared the session, also where their names are withheld.
    pub preparers: BTreeSet<usize>,
    /// Every sitting whose journal can be read, counted or not.
    pub sittings: Vec<SittingFacts>,
    /// Journals that cannot be used at all.
    pub unusable: Vec<Unusable>,
    /// Files that the sittings read, each different set once.
    pub inputs: Vec<InputSetFacts>,
    /// Digests of the stimuli of all usable sittings, each different set once.
    pub stimuli: Vec<StimulusSetFacts>,
    /// The register against the folder.
    pub register: RegisterFacts,
    /// Number and name of the place of each sitting; empty where only one place is looked at.
    pub places: Vec<(usize, String)>,
    /// Every finished attempt and every vote.
    pub trials: Vec<TrialFacts>,
}

impl Evidence {
    /// Collects what the folders of a session hold.
    pub fn of(session: &Session, readings: Vec<Readings>, options: Options) -> Self {
        let mut builder = Builder::new(session, options);
        let register = register::held(&readings, options);
        builder.take(readings, Digest::of(session.source.as_bytes()));
        let places = builder.places();
        let mut evidence = Self {
            anonymous: options.anonymous,
            basis: builder.basis,
            listeners: builder.listeners,
            preparers: builder.preparers,
            sittings: builder.sittings,
            unusable: builder.unusable,
            inputs: builder.inputs.facts,
            stimuli: builder.stimuli,
            register,
            places,
            trials: builder.trials,
        };
        evidence.count_controls(session);
        evidence
    }

    /// Names of the files that were changed since a sitting that counts was opened.
    pub fn changed_inputs(&self) -> Vec<String> {
        let counts =
            |set: &&InputSetFacts| set.sittings.iter().any(|sitting| self.sittings[*sitting].counted);
        let mut changed: Vec<String> = Vec::new();
        for file in self.inputs.iter().filter(counts).flat_map(|set| &set.files) {
            if file.changed && !changed.contains(&file.name) {
                changed.push(file.name.clone());
            }
        }
        changed
    }

    /// Nothing was played aloud in any sitting that counts.
    pub fn is_silent(&self) -> bool {
        self.sittings.iter().filter(|sitting| sitting.counted).all(|sitting| sitting.silent)
    }

    /// Answers to a control of counted sittings, with the control's number.
    pub fn control_answers(&self) -> impl Iterator<Item = (usize, &TrialFacts, bool)> {
        self.trials.iter().filter_map(|trial| {
            let (control, correct) = (trial.control?, trial.correct?);
            let counts = trial.part == Part::Main && self.sittings[trial.sitting as usize].counted;
            counts.then_some((usize::from(control), trial, correct))
        })
    }

    fn count_controls(&mut self, session: &Session) {
        let answers: Vec<(usize, usize, bool)> = self
            .control_answers()
            .filter_map(|(control, trial, correct)| Some((control, trial.listener? as usize, correct)))
            .collect();
        for (control, listener, correct) in answers {
            let (Some(control), Some(listener)) =
                (session.controls.get(control), self.listeners.get_mut(listener))
            else {
                continue;
            };
            let sum = if control.kind == ControlKind::Identical {
                &mut listener.identical_controls
            } else {
                &mut listener.positive_controls
            };
            sum.0 += u64::from(correct);
            sum.1 += 1;
        }
    }
}

/// Whether a row is a counted trial of its sitting: an answer to a comparison, or a vote that never came where the session
/// counts that as wrong.
pub fn counts(trial: &TrialFacts) -> bool {
    trial.part == Part::Main
        && trial.control.is_none()
        && trial.comparison.is_some()
        && trial.listener.is_some()
        && (trial.answer.is_some() || (!trial.void && trial.correct == Some(false)))
}

/// Words and numbers of a control, such as "level 1 dB" or "head-movement 10 cm".
pub fn control_words(kind: ControlKind) -> String {
    match kind {
        ControlKind::Level { decibels } => format!("level {decibels} dB"),
        ControlKind::Tilt { decibels } => format!("tilt {decibels} dB"),
        ControlKind::HeadMovement { metres } => {
            format!("head-movement {} cm", (metres * 1e4).round() / 100.0)
        }
        ControlKind::Identical => "identical".to_owned(),
    }
}

/// A listener is known by place and name; a seat by its night and number.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Known {
    Person(usize, String),
    Seat(usize, u32),
}

/// A journal's facts with the place that holds it and its file name.
type Held = (usize, String, Box<Gathered>);

struct Builder<'s> {
    session: &'s Session,
    options: Options,
    names: Vec<Option<String>>,
    sittings: Vec<SittingFacts>,
    sitting_place: Vec<usize>,
    listeners: Vec<ListenerFacts>,
    known: HashMap<Known, usize>,
    /// Listeners who prepared the session, also where their names are withheld.
    preparers: BTreeSet<usize>,
    unusable: Vec<Unusable>,
    inputs: Inputs,
    stimuli: Vec<StimulusSetFacts>,
    trials: Vec<TrialFacts>,
    basis: Basis,
}

impl<'s> Builder<'s> {
    fn new(session: &'s Session, options: Options) -> Self {
        Self {
            session,
            options,
            names: Vec::new(),
            sittings: Vec::new(),
            sitting_place: Vec::new(),
            listeners: Vec::new(),
            known: HashMap::new(),
            preparers: BTreeSet::new(),
            unusable: Vec::new(),
            inputs: Inputs::of(session, options.anonymous),
            stimuli: Vec::new(),
            trials: Vec::new(),
            basis: Basis::Nothing,
        }
    }

    fn take(&mut self, readings: Vec<Readings>, digest: Digest) {
        let mut sittings: Vec<Held> = Vec::new();
        for (place, reading) in readings.into_iter().enumerate() {
            let name = match (&reading.place, self.options.anonymous) {
                (Some(_), true) => Some(format!("Place {}", place + 1)),
                (name, _) => name.clone(),
            };
            self.names.push(name.clone());
            for journal in reading.journals {
                match journal.content {
                    Ok(gathered) => sittings.push((place, journal.file, gathered)),
                    Err(reason) => {
                        let file = self.withheld(journal.file);
                        self.unusable.push(Unusable { file, place: name.clone(), reason });
                    }
                }
            }
        }
        let mut sittings = self.one_of_each(sittings);
        if self.options.anonymous {
            // The order of the seals, which are random, says nothing about who sat first.
            sittings.sort_by_key(|(_, _, gathered)| gathered.opening.commitment);
        } else {
            sittings.sort_by(|a, b| (a.0, &a.2.opening.utc, &a.1).cmp(&(b.0, &b.2.opening.utc, &b.1)));
        }
        for (_, _, gathered) in &mut sittings {
            if gathered.opening.session != digest && gathered.state != State::Invalid {
                gathered.state = State::Foreign;
            }
        }
        self.basis =
            sittings.iter().filter_map(|(_, _, gathered)| basis(gathered)).min().unwrap_or(Basis::Nothing);
        let total = sittings.iter().map(|(_, _, gathered)| gathered.trials.len()).sum();
        self.trials.reserve_exact(total);
        let terms = Terms::of(self.session).wager;
        if let Some(terms) = &terms {
            for (held, settlement) in wager::settlements(&sittings, terms).into_iter().enumerate() {
                sittings[held].2.settlement = settlement;
            }
        }
        for (place, file, gathered) in sittings {
            self.sitting(place, file, *gathered, terms.as_ref());
        }
    }

    /// Leaves one journal of each sitting: a copy, or a shorter state of the same sitting, is no further evidence. Two
    /// closed ones with one seal and different ends contradict each other, and neither counts.
    fn one_of_each(&mut self, found: Vec<Held>) -> Vec<Held> {
        let mut kept: Vec<Held> = Vec::with_capacity(found.len());
        let mut by_seal: HashMap<Digest, usize> = HashMap::new();
        for mut held in found {
            if held.2.state == State::Invalid {
                kept.push(held);
                continue;
            }
            let seal = held.2.opening.commitment;
            let Some(&index) = by_seal.get(&seal) else {
                by_seal.insert(seal, kept.len());
                kept.push(held);
                continue;
            };
            let first = &mut kept[index];
            if first.2.opened.is_some() && held.2.opened.is_some() && first.2.receipt != held.2.receipt {
                for gathered in [&mut first.2, &mut held.2] {
                    gathered.state = State::Invalid;
                    gathered.problems.push(
                        "another journal here has the same seal and other records: one of them was written anew"
                            .to_owned(),
                    );
                }
                kept.push(held);
                continue;
            }
            if first.2.opened.is_none() {
                std::mem::swap(first, &mut held);
            }
            let file = self.withheld(held.1);
            self.unusable.push(Unusable {
                file,
                place: self.names[held.0].clone(),
                reason: "it holds the same sitting as another journal here, and a sitting counts once"
                    .to_owned(),
            });
        }
        kept
    }

    /// The name of a file that is not used, as far as it may be shown.
    fn withheld(&self, file: String) -> String {
        if self.options.anonymous { format!("file {}", self.unusable.len() + 1) } else { file }
    }

    fn sitting(&mut self, place: usize, file: String, mut gathered: Gathered, wager: Option<&WagerTerms>) {
        let number = self.sittings.len();
        let counted = basis(&gathered) == Some(self.basis);
        let usable = !matches!(gathered.state, State::Invalid | State::Foreign);
        let night = gathered.opening.night;
        let person = (usable && !night).then(|| self.person(place, &gathered.opening));
        if usable {
            self.publish(number, &gathered.opening);
            self.inputs.publish(number, gathered.opening.inputs.as_deref());
        }
        let seats: HashMap<u32, usize> = if usable && night {
            gathered
                .seats
                .iter()
                .map(|(seat, alias)| (*seat, self.seat(number, place, *seat, alias)))
                .collect()
        } else {
            HashMap::new()
        };
        for listener in person.iter().chain(seats.values()) {
            let listener = &mut self.listeners[*listener];
            listener.sittings.push(number);
            listener.counted |= counted;
        }
        let mut facts = self.facts(place, file, &gathered, counted, wager);
        if usable {
            let names = !self.options.anonymous && gathered.opening.file_is_public;
            facts.published = Published::of(std::mem::take(&mut gathered.bytes), names);
        }
        facts.name = match person {
            Some(person) => self.listeners[person].name.clone(),
            None if self.options.anonymous => if night { "Night" } else { "Listener" }.to_owned(),
            None => gathered.opening.name.clone(),
        };
        if usable {
            for mut trial in gathered.trials {
                trial.sitting = number as u32;
                trial.listener = match (person, trial.listener) {
                    (Some(person), _) => Some(person as u32),
                    (None, Some(seat)) => seats.get(&seat).map(|listener| *listener as u32),
                    (None, None) => None,
                };
                self.trials.push(trial);
            }
        }
        self.sittings.push(facts);
        self.sitting_place.push(place);
    }

    /// Notes the digests that a sitting published, together with those of the sittings that published the same.
    fn publish(&mut self, sitting: usize, opening: &OpeningFacts) {
        let pairs: Vec<StimulusFacts> = opening
            .stimuli
            .iter()
            .map(|pair| StimulusFacts {
                comparison: self
                    .session
                    .comparisons
                    .get(pair.comparison)
                    .map_or_else(String::new, |comparison| comparison.name.clone()),
                clip: self.session.clips.get(pair.clip).map_or_else(String::new, |clip| clip.name.clone()),
                control: pair
                    .control
                    .and_then(|control| self.session.controls.get(control))
                    .map(|control| control_words(control.kind)),
                rate_hz: pair.rate_hz,
                a_sha256: pair.a.hex(),
                b_sha256: pair.b.hex(),
            })
            .collect();
        match self.stimuli.iter_mut().find(|set| set.pairs == pairs) {
            Some(set) => set.sittings.push(sitting),
            None => self.stimuli.push(StimulusSetFacts { sittings: vec![sitting], pairs }),
        }
    }

    fn person(&mut self, place: usize, opening: &OpeningFacts) -> usize {
        let index = self.listener(Known::Person(place, opening.name.clone()), &opening.name, place, None);
        self.prepared(index, &[&opening.listener, &opening.name]);
        index
    }

    fn seat(&mut self, sitting: usize, place: usize, seat: u32, alias: &str) -> usize {
        let index = self.listener(Known::Seat(sitting, seat), alias, place, Some(seat));
        self.prepared(index, &[alias]);
        index
    }

    /// Holds a listener's names against those who prepared the session.
    fn prepared(&mut self, listener: usize, names: &[&str]) {
        let prepared = self
            .session
            .prepared_by
            .iter()
            .any(|by| names.iter().any(|name| crate::session::same_person(by, name)));
        if prepared {
            self.preparers.insert(listener);
        }
        if !self.options.anonymous && !self.session.prepared_by.is_empty() {
            self.listeners[listener].prepared_session = Some(self.preparers.contains(&listener));
        }
    }

    fn listener(&mut self, known: Known, name: &str, place: usize, seat: Option<u32>) -> usize {
        let next = self.listeners.len();
        let index = *self.known.entry(known).or_insert(next);
        if index == next {
            self.listeners.push(ListenerFacts {
                name: if self.options.anonymous { format!("Listener {}", next + 1) } else { name.to_owned() },
                place: self.names[place].clone(),
                sittings: Vec::new(),
                seat,
                positive_controls: (0, 0),
                identical_controls: (0, 0),
                counted: false,
                prepared_session: None,
            });
        }
        index
    }

    fn facts(
        &self,
        place: usize,
        file: String,
        gathered: &Gathered,
        counted: bool,
        wager: Option<&WagerTerms>,
    ) -> SittingFacts {
        let anonymous = self.options.anonymous;
        let opening = &gathered.opening;
        let usable = !matches!(gathered.state, State::Invalid | State::Foreign);
        let counts = &gathered.counts;
        let output = &opening.output;
        let opened = gathered.opened.as_ref();
        let wager = match (wager, gathered.settlement) {
            // Sittings of others decide nothing, and the report says so once.
            (Some(wager), Some(settlement)) if usable && gathered.opening.claimants.is_some() => {
                Some(hide::wager(&settlement.sentence(wager), self.session, anonymous))
            }
            _ => None,
        };
        SittingFacts {
            name: String::new(),
            place: self.names[place].clone(),
            night: opening.night,
            state: gathered.state,
            counted,
            opened_utc: if anonymous {
                opening.utc.chars().take(10).collect()
            } else {
                opening.utc.chars().take(19).collect::<String>().replace('T', " ")
            },
            journal: (!anonymous && opening.file_is_public).then_some(file),
            simulated: opening.simulated,
            output: match output.kind.as_str() {
                "silent" => "silent".to_owned(),
                kind => format!("{kind}, {} Hz, {}", output.rate_hz, output.format),
            },
            words: if usable { facts::of_device(&gathered.words, self.session) } else { None },
            silent: opening.silent,
            seats: opening.night.then_some(gathered.seats.len()),
            answered: journal::answered(&gathered.trials),
            correct: opened.map(|_| journal::correct(counts)),
            qualification: opened
                .filter(|_| counts.qualification.trials > 0)
                .map(|_| (u64::from(counts.qualification.correct), u64::from(counts.qualification.trials))),
            missing_votes: opening.night.then(|| {
                gathered.trials.iter().filter(|trial| trial.answer.is_none() && !trial.void).count() as u64
            }),
            void: gathered.void,
            events: gathered.events.clone(),
            resumed: gathered.resumed,
            length_s: gathered.length_ms as f64 / 1000.0,
            commitment: opening.commitment.hex(),
            phrases: gathered
                .phrases
                .iter()
                .map(|(by, text)| {
                    if anonymous {
                        (
                            String::new(),
                            format!("withheld; its SHA-256 is {}", Digest::of(text.as_bytes()).hex()),
                        )
                    } else {
                        (by.clone(), text.clone())
                    }
                })
                .collect(),
            secret: opened.map(|(secret, _)| secret.hex()),
            key: opened.map(|(_, key)| key.hex()),
            receipt: gathered.receipt.map(|receipt| receipt.hex()),
            receipt_phrase: gathered.receipt.map(|receipt| receipt.phrase()),
            problems: gathered.problems.clone(),
            wager,
            claimant_won: gathered.settlement.and_then(Settlement::claimant_won).filter(|_| usable),
            published: Published::Nothing,
        }
    }

    /// Number and name of the place of each sitting; empty where only one place is reported.
    fn places(&self) -> Vec<(usize, String)> {
        if self.names.iter().all(Option::is_none) {
            return Vec::new();
        }
        self.sitting_place
            .iter()
            .map(|place| (*place, self.names[*place].clone().unwrap_or_default()))
            .collect()
    }
}

/// What a sitting could be the basis of; nothing for one that cannot count.
fn basis(gathered: &Gathered) -> Option<Basis> {
    if !matches!(gathered.state, State::Complete | State::Decided) {
        return None;
    }
    Some(match (gathered.opening.simulated, gathered.opening.silent) {
        (Some(_), _) => Basis::Simulated,
        (None, true) => Basis::Silent,
        (None, false) => Basis::Listening,
    })
}
