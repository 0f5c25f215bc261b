//! What the host says and types: commands, and ballots from paper.

use super::{Night, Phase, Show};
use crate::ballot::Refusal;
use crate::ballot::command::{Command, DoorWish};
use crate::ballot::paper::PaperBallot;
use crate::trial::{Ballot, Effect, Event, Part, Stage, TrialId, TrialView, VoidedBy};

/// Why a host has to wait.
const IN_ROUND: &str = "a round of real cables goes on to its end; void gives the trial up";

impl Night {
    /// Does what the host says. [`Command::Import`], [`Command::Status`], [`Command::Help`] and [`Command::Quit`] are not
    /// for the machine and do nothing here.
    ///
    /// # Errors
    /// Why not, in words for the host.
    pub fn host(&mut self, at_ms: u64, command: &Command) -> Result<Vec<Effect>, Refusal> {
        let stage = self.conductor.view().stage;
        let phase = self.phase(&stage);
        let nothing = |text: &str| Err(Refusal::NothingHere(text.to_owned()));
        let in_trial = matches!(stage, Stage::Trial(_));
        let mut effects = Vec::new();
        match command {
            Command::Ears(number) => return self.open_ears(at_ms, &stage, *number),
            Command::Next | Command::Repeat if self.ears.is_some() => {
                let ears = self.ears.ok_or(Refusal::Malformed)?;
                let again = *command == Command::Repeat;
                return if again { self.repeat_ears(at_ms, ears) } else { self.next_ears(at_ms, ears) };
            }
            Command::Back if self.ears.is_some() => return Ok(self.stop_ears(at_ms)),
            Command::Stop | Command::Break | Command::Void(_) if self.ears.is_some() => {
                return nothing("open ears are on: next goes on, back ends them");
            }
            Command::Next => return self.next(at_ms, stage, phase),
            Command::Repeat if in_trial && self.open && self.show == Show::Quiet && !self.by_hand => {
                self.present(at_ms);
            }
            Command::Repeat => return nothing("a trial can be repeated while votes are open"),
            Command::Play(_) if self.switched_ms.is_some() => {
                return nothing("real cables are presented in their order: next, or repeat");
            }
            Command::Play(slot) if in_trial && !matches!(self.show, Show::Presenting { .. }) => {
                self.start_ms = None;
                self.start_slot(at_ms, *slot, &mut effects);
                self.show = Show::Hand { slot: *slot, until_ms: at_ms + self.clip_ms };
            }
            Command::Play(_) => return nothing("nothing can be played by hand now"),
            Command::Silence | Command::Close | Command::Stop if self.is_in_round() => {
                return nothing(IN_ROUND);
            }
            Command::Silence if self.show != Show::Quiet => {
                self.show = Show::Quiet;
                self.push(at_ms, Event::Pause, &mut effects);
                // A presentation that was cut short while votes were open goes on with the votes.
                if self.open && !self.by_hand {
                    self.open_votes(at_ms);
                }
            }
            Command::Silence => return nothing("nothing plays"),
            Command::Open => {
                let Stage::Trial(trial) = &stage else { return nothing("no trial is on") };
                if self.open {
                    return nothing("votes are open");
                }
                if !trial.unheard.is_empty() {
                    let say =
                        self.by_hand_next().unwrap_or_else(|| "next, which presents the trial".to_owned());
                    return nothing(&format!(
                        "the room has not heard what is asked about for {} s each; say {say}",
                        f64::from(self.opening().terms.heard_at_least_ms.unwrap_or(0)) / 1000.0
                    ));
                }
                self.open = true;
                self.deadline_ms = if self.by_hand { None } else { Some(at_ms + self.timing.vote_ms) };
            }
            Command::Close if self.open => {
                if self.show != Show::Quiet {
                    self.push(at_ms, Event::Pause, &mut effects);
                }
                self.close_votes(at_ms, &mut effects);
            }
            Command::More(seconds) if self.open => {
                if let Some(deadline) = &mut self.deadline_ms {
                    *deadline = (*deadline).max(at_ms) + seconds * 1000;
                }
            }
            Command::Close | Command::More(_) => return nothing("votes are not open"),
            Command::WhenAll(wanted) => self.when_all = *wanted,
            Command::Break => {
                if phase != Phase::Ready {
                    return nothing("a break can be made between two trials");
                }
                self.start_ms = None;
                return self.step(at_ms, Event::Rest);
            }
            // Of what is on as soon as something of it was heard; before that, of the trial that was closed last.
            Command::Void(reason) => {
                let cause = format!("host: {reason}");
                let heard = |trial: &TrialView| trial.listening.listens.iter().any(|&listens| listens > 0);
                let on = self.show != Show::Quiet || self.trial().is_some_and(|trial| heard(&trial));
                let event = if in_trial && on {
                    Event::Disturbed { cause, by: Some(VoidedBy::Host) }
                } else {
                    Event::VoidVotes { cause }
                };
                return self.step(at_ms, event);
            }
            Command::Hand(text) => {
                let by = self.conductor.opening().listener.clone();
                return self.add_hand(at_ms, by, text);
            }
            Command::Paper(seat, name) => {
                // `Ida @2`: at table 2.
                let (name, table) = match name.rsplit_once('@') {
                    Some((name, table)) if table.trim().parse::<u32>().is_ok() => {
                        (name, table.trim().parse().ok())
                    }
                    _ => (name.as_str(), None),
                };
                let joined = self.join(at_ms, name, *seat, table, Ballot::Paper);
                return joined.map(|(_, effects)| effects);
            }
            Command::Answers(seat, answers) => {
                let (alias, table) = (String::new(), None);
                let ballot = PaperBallot { seat: *seat, alias, table, answers: answers.clone() };
                return self.paper(at_ms, std::slice::from_ref(&ballot));
            }
            Command::Release(seat) => {
                if self.seats.get(*seat).is_none() {
                    return nothing("nobody ever sat there");
                }
                self.removed.remove(seat);
                self.released.insert(*seat);
            }
            Command::Remove(first, last) => {
                let range = *first..=*last;
                let there = self.seats.iter().filter(|(number, seat)| range.contains(number) && !seat.left);
                let there: Vec<u32> = there.map(|(number, _)| number).collect();
                if there.is_empty() {
                    return nothing("nobody sits there");
                }
                for seat in there {
                    effects.extend(self.step(at_ms, Event::Leave { seat, removed: true })?);
                }
            }
            Command::Door(wish) => {
                let mut room = self.room;
                match wish {
                    DoorWish::Open => room.open = true,
                    DoorWish::Shut => room.open = false,
                    DoorWish::Seats(seats) => room.seats = *seats,
                    DoorWish::Shared => room.shared = true,
                }
                return self.step(at_ms, Self::door_of(room));
            }
            Command::Gone(seat) => {
                return self.step(at_ms, Event::Leave { seat: *seat, removed: false });
            }
            Command::Stop => {
                self.quiet();
                return self.step(at_ms, Event::Stop);
            }
            Command::Confirm => return self.step(at_ms, Event::Confirm),
            Command::Back => return self.step(at_ms, Event::Back),
            Command::Results => return nothing("the seal is closed: there are no results yet"),
            Command::Import(_) | Command::Status | Command::Help | Command::Quit => {}
        }
        Ok(effects)
    }

    fn next(&mut self, at_ms: u64, stage: Stage, phase: Phase) -> Result<Vec<Effect>, Refusal> {
        let nothing = |text: &str| Err(Refusal::NothingHere(text.to_owned()));
        let mut effects = Vec::new();
        match (stage, phase) {
            (Stage::Terms { parties, accepted }, _) => {
                for by in parties.into_iter().filter(|party| !accepted.contains(party)) {
                    effects.extend(self.step(at_ms, Event::Accept { by })?);
                }
            }
            (Stage::Sealing { .. }, _) => effects = self.step(at_ms, Event::Seal)?,
            (Stage::Announce { .. }, _) => {
                effects = self.step(at_ms, Event::Continue)?;
                if self.waiting().is_some() {
                    effects.extend(self.ask_links(at_ms)?);
                } else if !self.by_hand {
                    self.present(at_ms);
                }
            }
            (Stage::Waiting { .. }, _) => effects = self.ask_links(at_ms)?,
            (Stage::Rest { .. } | Stage::Counting, _) => effects = self.step(at_ms, Event::Continue)?,
            (Stage::Trial(_), Phase::Ready) if self.by_hand => {
                return nothing(&format!("say {}", self.by_hand_next().unwrap_or_default()));
            }
            (Stage::Trial(_), Phase::Ready) => self.present(at_ms),
            (Stage::Trial(_), Phase::Voting) => self.close_votes(at_ms, &mut effects),
            (Stage::Trial(_), _) if self.is_in_round() => return nothing(IN_ROUND),
            (Stage::Trial(_), _) => return nothing("the trial is being presented; silence stops it"),
            (Stage::ConfirmStop { .. }, _) => return nothing("say confirm to end the night, or back"),
            (Stage::Result(_), _) => return nothing("the seal is open; quit ends the program"),
            _ => return nothing("nothing comes next"),
        }
        Ok(effects)
    }

    /// Takes ballots from paper: all of them or none.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn paper(&mut self, at_ms: u64, ballots: &[PaperBallot]) -> Result<Vec<Effect>, Refusal> {
        if self.over() {
            return Err(Refusal::Over);
        }
        let mut votes = Vec::new();
        for ballot in ballots {
            if let Some(table) = ballot.table {
                let seat = ballot.seat;
                let wrong = |what: String| Refusal::NothingHere(format!("seat {seat}: {what}"));
                if self.room.tables == 0 {
                    return Err(wrong(format!("it is at table {table}, but this night has no tables")));
                }
                if let Some(known) = self.seats.get(seat).filter(|known| known.table != Some(table)) {
                    let there = known.table.map_or("no table".to_owned(), |table| format!("table {table}"));
                    return Err(wrong(format!("it is at {there} here, not at table {table}")));
                }
            }
            for (index, answer) in ballot.answers.iter().enumerate() {
                let Some(alternative) = *answer else { continue };
                let trial = index as u32 + 1;
                let Some(id) = self.main_trial(trial) else {
                    return Err(Refusal::NothingHere(format!(
                        "seat {}: trial {trial} is not over yet; enter ballots after it",
                        ballot.seat
                    )));
                };
                match self.conductor.vote_of(id, ballot.seat) {
                    Some((given, _)) if given == alternative => {}
                    Some((_, Ballot::Phone)) => return Err(Refusal::PhoneVoted(ballot.seat)),
                    _ => votes.push((id, ballot.seat, alternative)),
                }
            }
        }
        let mut effects = Vec::new();
        for ballot in ballots {
            if self.seats.get(ballot.seat).is_none() {
                let alias = if ballot.alias.is_empty() {
                    format!("Seat {}", ballot.seat)
                } else {
                    ballot.alias.clone()
                };
                effects.extend(self.join(at_ms, &alias, Some(ballot.seat), ballot.table, Ballot::Paper)?.1);
            }
        }
        for (id, seat, alternative) in votes {
            effects.extend(self.step(at_ms, Event::Vote { id, seat, alternative, by: Ballot::Paper })?);
        }
        Ok(effects)
    }

    /// The attempt of the main part's trial with this number that counts, if its votes are open or closed.
    fn main_trial(&self, trial: u32) -> Option<TrialId> {
        let closed =
            self.seats.closed().iter().find(|id| id.part == Part::Main && id.trial == trial).copied();
        closed.or_else(|| {
            self.trial()
                .filter(|view| self.open && view.id.part == Part::Main && view.id.trial == trial)
                .map(|view| view.id)
        })
    }
}
