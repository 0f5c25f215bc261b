//! A night that nobody attends: a program takes the seats and votes, so that a host sees room, reveal and report before anyone
//! comes. Everything is drawn, sealed and written as on any night, and the first record says that it is simulated.

use std::path::PathBuf;

use super::NightError;
use super::hosting::setup::{refused, terms_of_a_room};
use crate::conduct::{Environment, Preparation};
use crate::session::Session;
use crate::sitting::simulated::{Ability, Simulated};
use crate::trial::{
    Ballot, Conductor, Draft, Effect, Event, JournalWriter, Occasion, Output, OutputKind, Sittings, Stage,
};

/// The guests of a rehearsed night.
#[derive(Debug, Clone, PartialEq)]
pub struct Guests {
    /// Probability of a right answer on average; it goes into the journal.
    pub mean: f64,
    /// Probability of each guest, 0 to 1.
    pub each: Vec<f64>,
    /// What else they are able to do.
    pub ability: Ability,
}

/// A conductor with the disk behind it. No sound is played, so nothing else is carried out.
struct Rehearsal {
    conductor: Conductor,
    writer: JournalWriter,
    utc: String,
    at_ms: u64,
}

impl Rehearsal {
    fn carry_out(&mut self, effects: Vec<Effect>) -> Result<(), NightError> {
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let receipt = self.writer.append(&record).map_err(refused)?;
                    self.conductor.step(self.at_ms, Event::Durable(receipt));
                }
                Effect::Close => self.writer.close(Some(&self.utc)).map_err(refused)?,
                Effect::Refuse(why) => return Err(refused(why)),
                _ => {}
            }
        }
        Ok(())
    }

    fn event(&mut self, event: Event) -> Result<(), NightError> {
        self.at_ms += 1;
        let effects = self.conductor.step(self.at_ms, event);
        self.carry_out(effects)
    }
}

/// Holds a night of a session with these guests; its journal is where any night's would be.
///
/// # Errors
/// A session that is not for a room, stimuli that cannot be made, the folder, the journal.
pub fn rehearse(
    session: &Session,
    host: &str,
    guests: &Guests,
    environment: &Environment,
) -> Result<PathBuf, NightError> {
    let (terms, _) = terms_of_a_room(session)?;
    let preparation = Preparation::start(session, environment);
    let stimuli = loop {
        if let Some(made) = preparation.take(std::time::Duration::from_secs(1)) {
            break made?;
        }
    };
    let rate_hz = stimuli.pairs.first().map_or(0, |pair| pair.a.rate_hz);
    let output = Output {
        kind: OutputKind::Silent,
        name: String::new(),
        host: String::new(),
        rate_hz,
        format: "f32".to_owned(),
        buffer_frames: 0,
        channels: 2,
        path: None,
    };
    let utc = environment.utc();
    let mut draft = Draft::new(session, &stimuli, output, host, &utc).map_err(refused)?;
    (draft.occasion, draft.terms, draft.simulated) = (Occasion::Night, terms, Some(guests.mean));
    let sittings = Sittings::lock(&session.sittings_folder(), &utc).map_err(refused)?;
    let secret =
        (environment.secret)().map_err(|error| refused(format!("no secret can be drawn: {error}")))?;
    let opened = sittings.open(draft, secret, None).map_err(refused)?;
    let mut night = Rehearsal { conductor: opened.conductor, writer: opened.writer, utc, at_ms: 0 };
    night.carry_out(opened.effects)?;
    let path = night.writer.path();
    for number in 1..=guests.each.len() as u32 {
        let alias = format!("Guest {number:02}");
        night.event(Event::Join { seat: number, alias, by: Ballot::Phone, table: None })?;
    }
    let mut voters: Vec<Simulated> = guests
        .each
        .iter()
        .zip(1..)
        .map(|(own, number)| Simulated::new(*own, environment.seed.wrapping_add(number)))
        .collect();
    loop {
        match night.conductor.view().stage {
            Stage::Terms { parties, accepted } => match parties.into_iter().find(|by| !accepted.contains(by))
            {
                Some(by) => night.event(Event::Accept { by })?,
                None => return Err(refused("nobody has to accept the terms")),
            },
            Stage::Sealing { .. } => night.event(Event::Seal)?,
            Stage::Announce { .. } | Stage::Rest { .. } | Stage::Counting => night.event(Event::Continue)?,
            Stage::Trial(trial) => {
                let right = night.conductor.simulated_answer();
                let control = night.conductor.simulated_control();
                let share = heard(&night.conductor, guests.mean);
                for (voter, seat) in voters.iter_mut().zip(1..) {
                    let chance = night.conductor.opening().terms.protocol.chance();
                    let alternative = voter.vote(
                        trial.alternatives.len(),
                        right,
                        control,
                        (share, chance),
                        &guests.ability,
                    );
                    night.event(Event::Vote { id: trial.id, seat, alternative, by: Ballot::Phone })?;
                }
                night.event(Event::CloseVotes)?;
            }
            Stage::Result(_) => return Ok(path),
            Stage::Stopped { reason } => return Err(refused(reason)),
            _ => return Err(refused("the rehearsal stands where no night does")),
        }
    }
}

/// How much of what a guest hears at the largest size is left at the size that is on: all of it where sizes are fixed.
fn heard(conductor: &Conductor, mean: f64) -> f64 {
    let chance = conductor.opening().terms.protocol.chance();
    match conductor.simulated_probability() {
        Some(now) if mean > chance => (now - chance) / (mean - chance),
        _ => 1.0,
    }
}
