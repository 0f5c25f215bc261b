//! Puts the journals of all places together: one of each sitting, listeners by name or seat, one table of answers.

use std::collections::{BTreeSet, HashMap};

use super::facts::{
    self, Basis, InRegister, ListenerFacts, SittingFacts, State, StimulusFacts, StimulusSetFacts,
    TrainingFacts, TrialFacts, Unusable,
};
use super::inputs::Inputs;
use super::journal::{self, Gathered, Held, OpeningFacts, Readings};
use super::panel::{Members, NotCounted, Turn};
use super::{Agreed, Anonymiser, Published, hide, wager};
use crate::session::{SittingFact, Written};
use crate::stats::tally::Tally;
use crate::trial::Digest;
use crate::trial::OutputKind;
use crate::trial::against;
use crate::trial::hands::LastWord;
use crate::trial::record::WagerTerms;
use crate::trial::training::Trained;
use crate::trial::wager::Settlement;

/// A listener is known by place and name, whatever alias is shown and however it is spelled; a seat by its night and number.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Known {
    Person(usize, String),
    Seat(usize, u32),
}

pub(super) struct Builder<'s> {
    agreed: &'s Agreed,
    anonymiser: &'s Anonymiser,
    /// One journal is looked at by itself: it counts also where it was stopped early.
    alone: bool,
    names: Vec<Option<String>>,
    pub(super) sittings: Vec<SittingFacts>,
    sitting_place: Vec<usize>,
    pub(super) listeners: Vec<ListenerFacts>,
    known: HashMap<Known, usize>,
    /// Listeners who prepared the session, also where their names are withheld.
    pub(super) preparers: BTreeSet<usize>,
    pub(super) unusable: Vec<Unusable>,
    pub(super) inputs: Inputs,
    pub(super) stimuli: Vec<StimulusSetFacts>,
    pub(super) trials: Vec<TrialFacts>,
    pub(super) training: Vec<TrainingFacts>,
    pub(super) basis: Basis,
    /// Who belongs to a declared panel, and who came too late.
    pub(super) members: Members,
}

impl<'s> Builder<'s> {
    pub(super) fn new(agreed: &'s Agreed, anonymiser: &'s Anonymiser, alone: bool) -> Self {
        Self {
            agreed,
            anonymiser,
            alone,
            names: Vec::new(),
            sittings: Vec::new(),
            sitting_place: Vec::new(),
            listeners: Vec::new(),
            known: HashMap::new(),
            preparers: BTreeSet::new(),
            unusable: Vec::new(),
            inputs: Inputs::of(agreed, anonymiser.hides()),
            stimuli: Vec::new(),
            trials: Vec::new(),
            training: Vec::new(),
            basis: Basis::Nothing,
            members: Members::default(),
        }
    }

    pub(super) fn take(&mut self, readings: Vec<Readings>, digest: Digest) {
        let mut sittings: Vec<Held> = Vec::new();
        let mut turns = Vec::new();
        for (place, reading) in readings.into_iter().enumerate() {
            let name = reading.place.as_ref();
            let name = name.map(|name| self.anonymiser.shown(name, || format!("Place {}", place + 1)));
            self.names.push(name.clone());
            if let Ok(register) = &reading.register {
                turns.extend(Turn::of(place, register));
            }
            if let Err(reason) = &reading.training {
                let file = crate::trial::training::TRAINING.to_owned();
                self.unusable.push(Unusable { file, place: name.clone(), reason: reason.clone() });
            }
            let trained = reading.training.iter().flatten().filter(|own| own.session == digest);
            self.training.extend(trained.map(|own| trained_facts(own, self.anonymiser)));
            for journal in reading.journals {
                match journal.content {
                    Ok(gathered) => sittings.push((place, journal.file, gathered)),
                    Err(reason) => {
                        let file = self.withheld(&journal.file);
                        let reason = self.anonymiser.text(&reason);
                        self.unusable.push(Unusable { file, place: name.clone(), reason });
                    }
                }
            }
        }
        // What was changed takes nothing from what holds.
        for (_, _, gathered) in &mut sittings {
            self.compare_terms(gathered, digest);
        }
        let mut sittings = self.one_of_each(sittings);
        if self.anonymiser.hides() {
            // The order of the seals, which are random, says nothing about who sat first.
            sittings.sort_by_key(|(_, _, gathered)| gathered.opening.commitment);
        } else {
            sittings.sort_by(|a, b| (a.0, &a.2.opening.utc, &a.1).cmp(&(b.0, &b.2.opening.utc, &b.1)));
        }
        for (_, _, gathered) in sittings.iter_mut().filter(|held| held.2.opening.session != digest) {
            gathered.state = State::Foreign;
        }
        self.basis = sittings
            .iter()
            .filter_map(|(_, _, gathered)| basis(gathered, self.alone))
            .min()
            .unwrap_or(Basis::Nothing);
        if let Some(panel) = self.agreed.terms.panel.as_ref().filter(|_| !self.alone) {
            self.members =
                Members::of(panel, self.basis, digest, turns, &sittings, |held| basis(&held.2, false));
        }
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

    /// A journal of this session whose terms are not the session's does not hold.
    fn compare_terms(&self, gathered: &mut Gathered, digest: Digest) {
        if self.alone || gathered.opening.session != digest {
            return;
        }
        let OpeningFacts { terms, format, night, .. } = &gathered.opening;
        if let Some(problem) = against::other_terms(&self.agreed.given, terms, *night, *format) {
            gathered.state = State::Invalid;
            gathered.problems.push(format!("record 1: {problem}"));
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
            let file = self.withheld(&held.1);
            self.unusable.push(Unusable {
                file,
                place: self.names[held.0].clone(),
                reason: reason.to_owned(),
            });
        }
        kept
    }

    /// The name of a file that is not used, as far as it may be shown.
    fn withheld(&self, file: &Written) -> String {
        self.anonymiser.shown(file, || format!("file {}", self.unusable.len() + 1))
    }

    fn sitting(&mut self, place: usize, file: Written, mut gathered: Gathered, wager: Option<&WagerTerms>) {
        let number = self.sittings.len();
        let seal = gathered.opening.commitment;
        let beyond = self.members.beyond.contains(&seal);
        let counted = !beyond && basis(&gathered, self.alone) == Some(self.basis);
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
                .map(|(seat, alias)| {
                    let listener = self.seat(number, place, *seat, alias);
                    self.listeners[listener].table = gathered.tables.get(seat).copied();
                    (*seat, listener)
                })
                .collect()
        } else {
            HashMap::new()
        };
        if let Some(person) = person {
            self.listeners[person].sittings.push(number);
            self.listeners[person].counted |= counted;
        }
        for (seat, listener) in &seats {
            self.listeners[*listener].sittings.push(number);
            self.listeners[*listener].counted |=
                counted && !self.members.beyond_seats.contains(&(seal, *seat));
        }
        let mut facts = self.facts(place, file, &gathered, counted, wager);
        if usable {
            let names = !self.anonymiser.hides() && gathered.opening.file_is_public;
            facts.published = Published::of(std::mem::take(&mut gathered.bytes), names);
        }
        facts.name = match person {
            Some(person) => self.listeners[person].name.clone(),
            None => self
                .anonymiser
                .shown(&gathered.opening.name, || if night { "Night" } else { "Listener" }.to_owned()),
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
                    .map(ToString::to_string),
                size: pair.level.and_then(|level| self.agreed.terms.threshold?.size_words(level)),
                rate_hz: pair.rate_hz,
                a_sha256: pair.a.hex(),
                b_sha256: pair.b.hex(),
                recorded: pair.recorded.clone(),
            })
            .collect();
        match self.stimuli.iter_mut().find(|set| set.pairs == pairs) {
            Some(set) => set.sittings.push(sitting),
            None => self.stimuli.push(StimulusSetFacts { sittings: vec![sitting], pairs }),
        }
    }

    fn person(&mut self, place: usize, opening: &OpeningFacts) -> usize {
        let index =
            self.listener(Known::Person(place, opening.listener.folded()), &opening.name, place, None);
        self.prepared(index, &[&opening.listener, &opening.name]);
        index
    }

    fn seat(&mut self, sitting: usize, place: usize, seat: u32, alias: &Written) -> usize {
        let index = self.listener(Known::Seat(sitting, seat), alias, place, Some(seat));
        self.prepared(index, &[alias]);
        index
    }

    /// Holds a listener's names against those who prepared the session.
    fn prepared(&mut self, listener: usize, names: &[&Written]) {
        let prepared = self.agreed.prepared_by.iter().any(|by| names.iter().any(|name| by.is_person(name)));
        if prepared {
            self.preparers.insert(listener);
        }
        if !self.anonymiser.hides() && !self.agreed.prepared_by.is_empty() {
            self.listeners[listener].prepared_session = Some(self.preparers.contains(&listener));
        }
    }

    fn listener(&mut self, known: Known, name: &Written, place: usize, seat: Option<u32>) -> usize {
        let next = self.listeners.len();
        let index = *self.known.entry(known).or_insert(next);
        if index == next {
            self.listeners.push(ListenerFacts {
                name: self.anonymiser.shown(name, || format!("Listener {}", next + 1)),
                place: self.names[place].clone(),
                sittings: Vec::new(),
                seat,
                table: None,
                positive_controls: Tally::default(),
                identical_controls: Tally::default(),
                counted: false,
                prepared_session: None,
            });
        }
        index
    }

    fn facts(
        &self,
        place: usize,
        file: Written,
        gathered: &Gathered,
        counted: bool,
        wager: Option<&WagerTerms>,
    ) -> SittingFacts {
        let anonymiser = self.anonymiser;
        let anonymous = anonymiser.hides();
        let opening = &gathered.opening;
        let named = !anonymous && opening.file_is_public;
        let usable = !matches!(gathered.state, State::Invalid | State::Foreign);
        let counts = &gathered.counts;
        let output = &opening.output;
        let opened = gathered.opened.as_ref();
        let wager = match (wager, gathered.settlement) {
            // Sittings of others decide nothing, and the report says so once.
            (Some(wager), Some(settlement)) if usable && gathered.opening.claimants.is_some() => {
                Some(settlement.sentence(wager))
            }
            _ => None,
        };
        SittingFacts {
            name: String::new(),
            place: self.names[place].clone(),
            night: opening.night,
            state: gathered.state,
            counted,
            not_counted: self.members.beyond.contains(&opening.commitment).then_some(NotCounted::BeyondPanel),
            opened_utc: if anonymous {
                opening.utc.chars().take(10).collect()
            } else {
                opening.utc.chars().take(19).collect::<String>().replace('T', " ")
            },
            journal: named.then(|| anonymiser.shown(&file, String::new)),
            simulated: opening.simulated,
            output: match output.kind {
                OutputKind::Silent => "silent".to_owned(),
                OutputKind::Device => format!("device, {} Hz, {}", output.rate_hz, output.format),
                OutputKind::File => format!("file, {} Hz, {}", output.rate_hz, output.format),
            },
            output_path: output.path,
            words: if usable { facts::of_device(&gathered.words, &self.agreed.terms) } else { None },
            positions: gathered.positions.iter().map(facts::PositionsFacts::of).collect(),
            silent: opening.silent,
            seats: opening.night.then_some(gathered.seats.len()),
            answered: journal::answered(&gathered.trials),
            correct: opened.map(|_| journal::correct(counts)),
            qualification: opened.filter(|_| counts.qualification.trials > 0).map(|_| counts.qualification),
            missing_votes: opening
                .night
                .then(|| gathered.trials.iter().filter(|trial| trial.is_missing()).count() as u64),
            void: gathered.void,
            events: gathered.events.iter().map(|event| event.shown(anonymiser)).collect(),
            resumed: gathered.resumed,
            length_s: gathered.length_ms as f64 / 1000.0,
            commitment: opening.commitment.hex(),
            hands: gathered
                .hands
                .iter()
                .map(|(by, text)| {
                    let withheld = || format!("withheld; its SHA-256 is {}", hide::digest(text));
                    (anonymiser.shown(by, String::new), anonymiser.shown(text, withheld))
                })
                .collect(),
            last_hand: gathered.last_hand.clone().map(|word| match word {
                LastWord::Typed(by) => {
                    LastWord::Typed(anonymiser.shown(&Written::new(by), || "a person".to_owned()))
                }
                other => other,
            }),
            witnessed: gathered.witnessed.as_ref().map(|own| facts::WitnessedFacts {
                trials: own.trials,
                of: own.of,
                by: own.by.iter().map(|name| anonymiser.shown(name, || "a person".to_owned())).collect(),
                passed_over: own
                    .passed
                    .iter()
                    .map(|(name, times)| (anonymiser.shown(name, || "a person".to_owned()), *times))
                    .collect(),
            }),
            secret: opened.map(|(secret, _)| secret.hex()),
            in_register: InRegister {
                sitting: opening.sitting,
                announced: Some(opening.register.hex()).filter(|_| named),
                head: gathered.register_at_closing.map(|(head, _)| head.hex()).filter(|_| named),
                sittings: gathered.register_at_closing.map(|(_, sittings)| sittings),
            },
            key: opened.map(|(_, key)| key.hex()),
            receipt: gathered.receipt.map(|receipt| receipt.hex()),
            receipt_words: gathered.receipt.map(|receipt| receipt.in_words()),
            problems: gathered.problems.iter().map(|problem| anonymiser.text(problem)).collect(),
            wager,
            claimant_won: gathered.settlement.and_then(Settlement::claimant_won).filter(|_| usable),
            facts: if usable { self.told(&opening.facts) } else { Vec::new() },
            drawn: gathered.drawn.clone().filter(|_| usable),
            published: Published::Nothing,
        }
    }

    /// Facts that may be shown, names in them withheld where they are.
    fn told(&self, facts: &[SittingFact]) -> Vec<SittingFact> {
        let hides = self.anonymiser.hides();
        let shown = facts.iter().filter(|told| !hides || !told.fact.identifies());
        shown.map(|told| SittingFact { answer: self.anonymiser.text(&told.answer), ..told.clone() }).collect()
    }

    /// Number and name of the place of each sitting; empty where only one place is reported.
    pub(super) fn places(&self) -> Vec<(usize, String)> {
        if self.names.iter().all(Option::is_none) {
            return Vec::new();
        }
        self.sitting_place
            .iter()
            .map(|place| (*place, self.names[*place].clone().unwrap_or_default()))
            .collect()
    }
}

/// Training, with names withheld where they are.
fn trained_facts(own: &Trained, anonymiser: &Anonymiser) -> TrainingFacts {
    TrainingFacts {
        listener: anonymiser.shown(&Written::new(&own.listener), || "a listener".to_owned()),
        utc: if anonymiser.hides() {
            String::new()
        } else {
            own.utc.chars().take(19).collect::<String>().replace('T', " ")
        },
        pair: anonymiser.text(&own.pair),
        criterion: own.criterion,
        answers: own.answers,
        right: own.right,
        reached: own.reached,
        silent: own.silent,
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
