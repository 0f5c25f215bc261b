//! From journals to facts: verified, one journal of each sitting, one table of answers, what counts and what is missing, who
//! was there.
//!
//! Comes in: what was [`Agreed`], and what folders of sittings hold ([`folder`]), or one checked journal. Goes out:
//! [`Evidence`], everything that a verdict may rest on, with names withheld where that was asked for. Must not: judge. What
//! follows from the facts is the next room's matter.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`agreed`] | what was agreed before anyone listened |
//! | [`journal`] | reads and verifies the journals of a folder, and reduces each to its facts |
//! | [`facts`] | the facts as data |
//! | [`register`] | the register held against the journals in its folder |
//! | [`inputs`] | the files that sittings read, against those that are here now |
//! | [`published`] | what of a journal readers get, to check it by themselves |
//! | [`hide`] | names and places that are withheld |

pub mod agreed;
pub mod facts;
pub mod hide;
pub mod inputs;
pub mod journal;
pub mod published;
pub mod register;
mod wager;

use std::collections::{BTreeSet, HashMap};

pub use agreed::{Agreed, control_words};
pub use facts::{
    Basis, DeviceFacts, EventFacts, ListenerFacts, RegisterFacts, SittingFacts, State, StimulusFacts,
    StimulusSetFacts, Tally, TrialFacts, Unusable,
};
use inputs::Inputs;
pub use inputs::{InputFacts, InputSetFacts};
use journal::OpeningFacts;
pub use journal::{Gathered, Reading, Readings, announced, folder};
pub use published::Published;

use crate::session::ControlKind;
use crate::trial::Digest;
use crate::trial::record::{Part, WagerTerms};
use crate::trial::register::Register;
use crate::trial::verify::Checked;
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
    pub fn of(agreed: &Agreed, readings: Vec<Readings>, options: Options) -> Self {
        Self::collect(agreed, readings, options, false)
    }

    /// What one journal says by itself, however it ended.
    ///
    /// # Errors
    /// It does not verify, or is not closed: then nothing of it is evidence.
    pub fn of_journal(agreed: &Agreed, checked: &Checked) -> Result<Self, String> {
        if !checked.is_sound() {
            return Err("the journal does not verify or is not closed: nothing of it is evidence".to_owned());
        }
        let content = journal::facts_of(checked).map(Box::new)?;
        let reading = Reading { file: String::new(), content: Ok(content) };
        let readings = Readings { place: None, journals: vec![reading], register: Ok(Register::default()) };
        Ok(Self::collect(agreed, vec![readings], Options::default(), true))
    }

    fn collect(agreed: &Agreed, readings: Vec<Readings>, options: Options, alone: bool) -> Self {
        let mut builder = Builder::new(agreed, options, alone);
        let register = register::held(&readings, options);
        builder.take(readings, agreed.session);
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
        evidence.count_controls(&agreed.controls);
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

    /// A sitting that is looked at by itself was stopped before its rule allowed it.
    pub fn stopped_early(&self) -> bool {
        self.sittings.iter().any(|sitting| sitting.counted && sitting.state == State::StoppedEarly)
    }

    /// Answers to a control of counted sittings, with the control's number.
    pub fn control_answers(&self) -> impl Iterator<Item = (usize, &TrialFacts, bool)> {
        self.trials.iter().filter_map(|trial| {
            let (control, correct) = (trial.control?, trial.correct?);
            let counts = trial.part == Part::Main && self.sittings[trial.sitting as usize].counted;
            counts.then_some((usize::from(control), trial, correct))
        })
    }

    /// All attempts that were not void, each with the rows of everybody who was there.
    pub fn attempts(&self) -> impl Iterator<Item = Vec<&TrialFacts>> {
        let mut attempts: Vec<Vec<&TrialFacts>> = Vec::new();
        for trial in self.trials.iter().filter(|trial| !trial.void) {
            let of = |trial: &TrialFacts| (trial.sitting, trial.part, trial.trial, trial.attempt);
            match attempts.last_mut().filter(|last| of(last[0]) == of(trial)) {
                Some(last) => last.push(trial),
                None => attempts.push(vec![trial]),
            }
        }
        attempts.into_iter()
    }

    /// Counted trials and right ones of a listener, all comparisons together.
    pub fn total(&self, listener: usize) -> Tally {
        let own = self.trials.iter().filter(|trial| trial.listener == Some(listener as u32) && counts(trial));
        own.fold(Tally::default(), |sum, trial| Tally {
            correct: sum.correct + u64::from(trial.is_hit()),
            trials: sum.trials + 1,
        })
    }

    /// Votes on counted trials that never came from a listener who was there.
    pub fn missing(&self, listener: usize) -> u64 {
        let own = self.trials.iter().filter(|trial| trial.listener == Some(listener as u32));
        own.filter(|trial| trial.is_missing()).count() as u64
    }

    /// Counted trials of a listener's sittings that took place before the listener came or after the listener left.
    pub fn absent(&self, listener: usize) -> u64 {
        let there =
            |attempt: &[&TrialFacts]| attempt.iter().any(|trial| trial.listener == Some(listener as u32));
        let sittings = &self.listeners[listener].sittings;
        self.attempts()
            .filter(|attempt| sittings.contains(&(attempt[0].sitting as usize)))
            .filter(|attempt| is_counted_trial(attempt[0]) && !there(attempt))
            .count() as u64
    }

    fn count_controls(&mut self, controls: &[ControlKind]) {
        let answers: Vec<(usize, usize, bool)> = self
            .control_answers()
            .filter_map(|(control, trial, correct)| Some((control, trial.listener? as usize, correct)))
            .collect();
        for (control, listener, correct) in answers {
            let (Some(control), Some(listener)) = (controls.get(control), self.listeners.get_mut(listener))
            else {
                continue;
            };
            let sum = if *control == ControlKind::Identical {
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
    is_counted_trial(trial)
        && trial.listener.is_some()
        && (trial.answer.is_some() || (!trial.void && trial.correct == Some(false)))
}

/// Whether a row belongs to a counted trial of a comparison, whatever came of it.
pub fn is_counted_trial(trial: &TrialFacts) -> bool {
    trial.part == Part::Main && trial.control.is_none() && trial.comparison.is_some()
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
    agreed: &'s Agreed,
    options: Options,
    /// One journal is looked at by itself: it counts also where it was stopped early.
    alone: bool,
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
    fn new(agreed: &'s Agreed, options: Options, alone: bool) -> Self {
        Self {
            agreed,
            options,
            alone,
            names: Vec::new(),
            sittings: Vec::new(),
            sitting_place: Vec::new(),
            listeners: Vec::new(),
            known: HashMap::new(),
            preparers: BTreeSet::new(),
            unusable: Vec::new(),
            inputs: Inputs::of(agreed, options.anonymous),
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
            if gathered.opening.session != digest {
                gathered.state = State::Foreign;
            }
        }
        self.basis = sittings
            .iter()
            .filter_map(|(_, _, gathered)| basis(gathered, self.alone))
            .min()
            .unwrap_or(Basis::Nothing);
        let total = sittings.iter().map(|(_, _, gathered)| gathered.trials.len()).sum();
        self.trials.reserve_exact(total);
        let terms = self.agreed.terms.wager.clone();
        if let Some(terms) = &terms {
            for (held, settlement) in wager::settlements(&sittings, terms).into_iter().enumerate() {
                sittings[held].2.settlement = settlement;
            }
        }
        for (place, file, gathered) in sittings {
            self.sitting(place, file, *gathered, terms.as_ref());
        }
    }

    /// Leaves one journal of each sitting: a copy, or a shorter state of the same sitting, is no further evidence, and one
    /// that does not hold takes nothing from the one that does. Two closed ones that both hold, with one seal and different
    /// ends, contradict each other, and neither counts.
    fn one_of_each(&mut self, mut found: Vec<Held>) -> Vec<Held> {
        let mut kept: Vec<Held> = Vec::with_capacity(found.len());
        let mut by_seal: HashMap<Digest, usize> = HashMap::new();
        found.sort_by_key(|held| held.2.state == State::Invalid);
        for mut held in found {
            let seal = held.2.opening.commitment;
            let Some(&index) = by_seal.get(&seal) else {
                if held.2.state != State::Invalid {
                    by_seal.insert(seal, kept.len());
                }
                kept.push(held);
                continue;
            };
            let first = &mut kept[index];
            let holds = held.2.state != State::Invalid;
            let ends_differ =
                first.2.opened.is_some() && held.2.opened.is_some() && first.2.receipt != held.2.receipt;
            if holds && ends_differ {
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
            if holds && first.2.opened.is_none() {
                std::mem::swap(first, &mut held);
            }
            let reason = if ends_differ {
                "it has the seal of another journal here and other records, and no register announces it"
            } else {
                "it holds the same sitting as another journal here, and a sitting counts once"
            };
            let file = self.withheld(held.1);
            self.unusable.push(Unusable {
                file,
                place: self.names[held.0].clone(),
                reason: reason.to_owned(),
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
        let counted = basis(&gathered, self.alone) == Some(self.basis);
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
                    .agreed
                    .terms
                    .comparisons
                    .get(pair.comparison)
                    .map_or_else(String::new, |comparison| comparison.name.clone()),
                clip: self.agreed.terms.clips.get(pair.clip).cloned().unwrap_or_default(),
                control: pair
                    .control
                    .and_then(|control| self.agreed.controls.get(control))
                    .map(|control| control_words(*control)),
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
            .agreed
            .prepared_by
            .iter()
            .any(|by| names.iter().any(|name| crate::session::same_person(by, name)));
        if prepared {
            self.preparers.insert(listener);
        }
        if !self.options.anonymous && !self.agreed.prepared_by.is_empty() {
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
                Some(hide::wager(&settlement.sentence(wager), Some(wager), anonymous))
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
            words: if usable { facts::of_device(&gathered.words, &self.agreed.terms) } else { None },
            silent: opening.silent,
            seats: opening.night.then_some(gathered.seats.len()),
            answered: journal::answered(&gathered.trials),
            correct: opened.map(|_| journal::correct(counts)),
            qualification: opened
                .filter(|_| counts.qualification.trials > 0)
                .map(|_| (u64::from(counts.qualification.correct), u64::from(counts.qualification.trials))),
            missing_votes: opening
                .night
                .then(|| gathered.trials.iter().filter(|trial| trial.is_missing()).count() as u64),
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
fn basis(gathered: &Gathered, alone: bool) -> Option<Basis> {
    let ended = matches!(gathered.state, State::Complete | State::Decided);
    let counts = ended || alone && gathered.state == State::StoppedEarly;
    if !counts {
        return None;
    }
    Some(match (gathered.opening.simulated, gathered.opening.silent) {
        (Some(_), _) => Basis::Simulated,
        (None, true) => Basis::Silent,
        (None, false) => Basis::Listening,
    })
}
