//! Clock, disk, player and web tied together around the [`Night`].
//!
//! One thread, the host's, does everything that changes something. Letters from phones wait in a queue; each turn of the
//! loop takes all that have come, steps the machine, writes all records in one write and one flush to the disk, carries
//! out what the player must do, shows the new state, and only then answers the letters. So an acknowledged vote is in the
//! journal whatever happens next, and a thousand votes cost a few writes.

mod opening;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use tokio::sync::oneshot;

use super::command::{self, Command};
use super::night::{Night, Phase};
use super::results::{self, NightResults};
use super::routes::{Answer, Ask, Letter, Server, Shared};
use super::view::{Snapshot, own_vote};
use super::{NightError, Refusal, paper};
use crate::clip::Playable;
use crate::player::{OutputChoice, PlayerEvent, PlayerOptions, Transport};
use crate::stimulus::StimulusSet;
use crate::trial::{Ballot, Digest, Effect, Keeper, Record, Side, Stage, TrialId};

pub use opening::{Clock, Invitation, Open, PORT, Prepare, RealClock, World};

/// Letters that one turn takes.
const LETTERS_A_TURN: usize = 512;
/// Every start and stop of a stimulus has the same fade, in seconds: soft, and equal for all slots.
const FADE_SECONDS: f64 = 0.05;
/// A stimulus is stopped this long before its end, so that the player does not begin it again.
const BEFORE_THE_END_MS: u64 = 80;

/// A night that is going on.
pub struct Club {
    night: Night,
    keeper: Keeper,
    records: Vec<Record>,
    digests: Vec<Digest>,
    stimuli: StimulusSet,
    player: Box<dyn Transport>,
    open: Open,
    output: OutputChoice,
    /// Rate and channels that the output was opened for.
    opened: (u32, u16),
    clock: Arc<dyn Clock>,
    shared: Arc<Shared>,
    letters: Receiver<Letter>,
    passes_file: PathBuf,
    order: String,
    results: Option<Arc<NightResults>>,
    /// The code to point a camera at, as lines.
    qr: Vec<String>,
    /// Votes on a trial were closed at least once.
    practised: bool,
    notices: Vec<String>,
    notes: Vec<String>,
    resumed: bool,
    _server: Server,
}

impl std::fmt::Debug for Club {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("Club").field("address", &self.shared.address).finish_non_exhaustive()
    }
}

/// Where a phone waits.
type Reply = oneshot::Sender<Result<Answer, Refusal>>;

/// What is due to a phone, once everything is on the disk.
enum Due {
    Seated(super::pass::Holder),
    Voted { seat: u32, id: TrialId },
    Done,
}

fn refused(error: impl std::fmt::Display) -> NightError {
    NightError::Refused(error.to_string())
}

fn options() -> PlayerOptions {
    PlayerOptions { start_ramp_seconds: FADE_SECONDS, fade_seconds: FADE_SECONDS, ..PlayerOptions::default() }
}

impl Club {
    /// The night's journal.
    pub fn journal(&self) -> &Path {
        &self.shared.journal
    }

    /// The log of what was refused.
    pub fn refused_log(&self) -> PathBuf {
        self.shared.log.lock().unwrap_or_else(PoisonError::into_inner).path().to_path_buf()
    }

    /// The address that phones open, with the room's code.
    pub fn join_address(&self) -> String {
        self.shared.join_address()
    }

    /// The code to point a camera at, as lines.
    pub fn qr_lines(&self) -> &[String] {
        &self.qr
    }

    /// The address of the room's display, with its key.
    pub fn room_address(&self) -> String {
        self.shared.room_address()
    }

    /// The room's code.
    pub fn room_code(&self) -> String {
        self.shared.passes.room_code()
    }

    /// Where the server listens.
    pub fn address(&self) -> SocketAddr {
        self.shared.address
    }

    /// The night was cut off before and goes on.
    pub fn is_resumed(&self) -> bool {
        self.resumed
    }

    /// What the host should know: notes of the session and its stimuli, and what a room changes.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// What everybody may see now.
    pub fn snapshot(&self) -> Arc<Snapshot> {
        self.shared.snapshot()
    }

    /// What the evening is at, and what `next` does now.
    pub fn next_step(&self) -> &'static str {
        let snapshot = self.snapshot();
        match (snapshot.phase, &snapshot.trial) {
            (Phase::Ready, Some(trial)) if self.practised && trial.part == "main" && trial.number == 1 => {
                "the practice is over; next begins the trials that count"
            }
            (phase, _) => words(phase),
        }
    }

    /// Milliseconds of the night.
    pub fn now_ms(&self) -> u64 {
        self.clock.now_ms()
    }

    /// The results, after the closing.
    pub fn results(&self) -> Option<&NightResults> {
        self.results.as_deref()
    }

    /// Why the night cannot go on, if its journal could not be written.
    pub fn stopped(&self) -> Option<String> {
        match self.night.view().stage {
            Stage::Stopped { reason } => Some(reason),
            _ => None,
        }
    }

    /// What has happened since the last call, in lines for the host.
    pub fn take_notices(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notices)
    }

    /// Understands a line of the host's.
    ///
    /// # Errors
    /// What was not understood.
    pub fn understand(&self, line: &str) -> Result<Command, String> {
        command::parse(line, self.night.definition(), self.night.main_trials())
    }

    /// Does what the host says, and says what came of it.
    ///
    /// # Errors
    /// Why it was not done.
    pub fn say(&mut self, command: &Command) -> Result<Vec<String>, String> {
        let at_ms = self.clock.now_ms();
        let lines = match command {
            Command::Help => command::help(),
            Command::Status => self.status(),
            Command::Import(path) => {
                let file =
                    std::fs::File::open(path).map_err(|error| format!("{}: {error}", path.display()))?;
                let ballots = paper::import(file, self.night.definition(), self.night.main_trials())
                    .map_err(|error| format!("{}: {error}", path.display()))?;
                let effects = self.night.paper(at_ms, &ballots).map_err(|refusal| refusal.message())?;
                self.carry_out(effects);
                vec![format!("{} ballots taken", ballots.len())]
            }
            other => {
                if matches!(other, Command::Next | Command::Close) {
                    self.note_refused(at_ms);
                }
                let effects = self.night.host(at_ms, other).map_err(|refusal| refusal.message())?;
                self.carry_out(effects);
                match other {
                    Command::Release(seat) => {
                        vec![format!("seat {seat} is free for the next phone that joins with this number")]
                    }
                    Command::Stop => vec![
                        "End the night before its last trial? The seal is opened and there is no verdict: confirm or back"
                            .to_owned(),
                    ],
                    _ => Vec::new(),
                }
            }
        };
        let late = self.night.tick(self.clock.now_ms());
        self.carry_out(late);
        self.publish();
        Ok(lines)
    }

    /// How things stand, in lines.
    pub fn status(&self) -> Vec<String> {
        let shown = self.snapshot();
        let mut lines = vec![format!("{}: {}", shown.title, words(shown.phase))];
        if let Some(trial) = &shown.trial {
            lines.push(format!("{} {} of {}: {}", trial.part, trial.number, trial.of, trial.question));
        }
        lines.push(format!("{} seats taken, {} voted", shown.taken, shown.voted));
        lines.push(format!("join {}", self.join_address()));
        lines.push(format!("display {}", self.room_address()));
        lines.push(format!("seal {}", shown.commitment.hex));
        lines
    }

    /// What was refused since the last trial goes into the journal as a count.
    fn note_refused(&mut self, at_ms: u64) {
        let summary = self.shared.log.lock().unwrap_or_else(PoisonError::into_inner).summary();
        if let Some(text) = summary {
            let effects = self.night.note(at_ms, text);
            self.carry_out(effects);
        }
    }

    /// One turn of the loop; waits at most this long for something to do.
    pub fn turn(&mut self, wait: Duration) {
        let now_ms = self.clock.now_ms();
        let until = self.night.wake_in(now_ms).map_or(wait, |due| wait.min(Duration::from_millis(due)));
        let mut letters = Vec::new();
        match self.letters.recv_timeout(until) {
            Ok(letter) => letters.push(letter),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {}
        }
        while letters.len() < LETTERS_A_TURN {
            match self.letters.try_recv() {
                Ok(letter) => letters.push(letter),
                Err(_) => break,
            }
        }
        let at_ms = self.clock.now_ms();
        let mut effects = Vec::new();
        let mut replies = Vec::with_capacity(letters.len());
        for Letter { ask, reply } in letters {
            let result = self.read(at_ms, ask, &mut effects);
            replies.push((reply, result));
        }
        for event in self.player.take_events() {
            effects.extend(self.heard(at_ms, event));
        }
        effects.extend(self.night.tick(at_ms));
        let written = self.carry_out(effects);
        self.publish();
        self.answer(replies, written);
    }

    fn read(&mut self, at_ms: u64, ask: Ask, effects: &mut Vec<Effect>) -> Result<Due, Refusal> {
        Ok(match ask {
            Ask::Join { alias, seat } => {
                let (holder, more) = self.night.join(at_ms, &alias, seat, Ballot::Phone)?;
                effects.extend(more);
                Due::Seated(holder)
            }
            Ask::Return { holder } => {
                let (holder, more) = self.night.come_back(at_ms, holder)?;
                effects.extend(more);
                Due::Seated(holder)
            }
            Ask::Leave { holder } => {
                effects.extend(self.night.leave(at_ms, holder)?);
                Due::Done
            }
            Ask::Vote { holder, trial, answer, sequence } => {
                let (id, more) = self.night.vote(at_ms, holder, &trial, &answer, sequence)?;
                effects.extend(more);
                Due::Voted { seat: holder.seat, id }
            }
            Ask::Phrase { holder, text } => {
                effects.extend(self.night.phrase(at_ms, holder, &text)?);
                Due::Done
            }
        })
    }

    fn answer(&self, replies: Vec<(Reply, Result<Due, Refusal>)>, written: bool) {
        for (reply, due) in replies {
            let answer = match due {
                Ok(_) if !written => Err(Refusal::Busy),
                Ok(Due::Seated(holder)) => Ok(Answer::Seated(holder)),
                Ok(Due::Done) => Ok(Answer::Done),
                Ok(Due::Voted { seat, id }) => {
                    let seat = self.night.seats().get(seat);
                    let vote = seat.and_then(|seat| seat.votes.get(&id));
                    match (seat, vote, vote.and_then(|vote| vote.receipt)) {
                        (Some(seat), Some(vote), Some(receipt)) => Ok(Answer::Voted {
                            vote: own_vote(&vote.answer, receipt),
                            sequence: seat.sequence,
                        }),
                        // The trial was voided in the same turn: the vote is in the journal and counts for nothing.
                        _ => Err(Refusal::OtherTrial),
                    }
                }
                Err(refusal) => Err(refusal),
            };
            // A phone that is gone does not wait for an answer.
            let _ = reply.send(answer);
        }
    }

    fn heard(&mut self, at_ms: u64, event: PlayerEvent) -> Vec<Effect> {
        match event {
            PlayerEvent::Underrun => {
                self.night.disturbed(at_ms, "underrun: what was heard had a hole".to_owned())
            }
            PlayerEvent::DeviceLost { reason } => {
                self.notices.push(format!("the sound device is lost: {reason}"));
                self.night.disturbed(at_ms, format!("device lost: {reason}"))
            }
            PlayerEvent::DeviceBack => {
                self.notices.push("the sound device is back".to_owned());
                self.night.note(at_ms, "device back".to_owned())
            }
            PlayerEvent::DeviceChanged => {
                self.notices.push("the system moved the sound to another device".to_owned());
                self.night.disturbed(at_ms, "the system moved the sound to another device".to_owned())
            }
            PlayerEvent::WriteFailed { reason } => {
                self.notices.push(format!("the sound file cannot be written: {reason}"));
                self.night.disturbed(at_ms, format!("sound file: {reason}"))
            }
            PlayerEvent::RateSuspected { measured_hz } => {
                let text = format!("the device seems to run at {measured_hz} Hz: sample-rate conversion");
                self.notices.push(text.clone());
                self.night.disturbed(at_ms, text)
            }
        }
    }

    /// Carries out effects in order. Records that follow each other go to the disk together; nothing after a record is
    /// done before it is there. `false`: the journal could not be written, and the night has stopped.
    fn carry_out(&mut self, effects: Vec<Effect>) -> bool {
        let mut waiting: Vec<Record> = Vec::new();
        for effect in effects {
            if let Effect::Append(record) = effect {
                waiting.push(*record);
                continue;
            }
            if !self.write(&mut waiting) {
                return false;
            }
            self.perform(effect);
        }
        self.write(&mut waiting)
    }

    fn write(&mut self, waiting: &mut Vec<Record>) -> bool {
        if waiting.is_empty() {
            return true;
        }
        match self.keeper.append_all(waiting) {
            Ok(digests) => {
                for (record, digest) in waiting.drain(..).zip(digests) {
                    self.night.written(&record, digest);
                    if let Some(notice) = notice(&record) {
                        self.notices.push(notice);
                    }
                    self.practised |= matches!(record, Record::VotesClosed { .. });
                    self.records.push(record);
                    self.digests.push(digest);
                }
                true
            }
            Err(error) => {
                waiting.clear();
                self.notices.push(format!("the journal cannot be written: {error}; the night has stopped"));
                // Only silence is left to carry out: nothing is written after a failed write.
                for effect in self.night.failed(error.to_string()) {
                    if effect == Effect::Pause {
                        self.player.pause();
                    }
                }
                false
            }
        }
    }

    fn perform(&mut self, effect: Effect) {
        match effect {
            Effect::Load { pair, sides } => {
                let Some(pair) = self.stimuli.pair(pair) else {
                    self.notices.push("a stimulus was not made; this is a fault of the program".to_owned());
                    return;
                };
                let list: Vec<Playable> = sides
                    .iter()
                    .map(|side| match side {
                        Side::A => pair.a.clone(),
                        Side::B => pair.b.clone(),
                    })
                    .collect();
                let length_ms = pair.a.frames() as u64 * 1000 / u64::from(pair.a.rate_hz.max(1));
                let wanted = (pair.a.rate_hz, pair.a.channels);
                if wanted != self.opened {
                    match (self.open)(&self.output, wanted.0, wanted.1, options()) {
                        Ok(player) => {
                            self.player = player;
                            self.opened = wanted;
                        }
                        Err(error) => self.notices.push(error.to_string()),
                    }
                }
                self.player.load(&list);
                self.night.loaded(length_ms.saturating_sub(BEFORE_THE_END_MS).max(length_ms / 2));
            }
            Effect::SwitchTo(slot) => self.player.switch_to(slot),
            Effect::Play => self.player.play(),
            Effect::Pause => self.player.pause(),
            Effect::Seek(frame) => self.player.seek(frame),
            Effect::SetLoop(region) => self.player.set_loop(region),
            Effect::Close => self.close(),
            Effect::Append(_) | Effect::ShowReceipt(_) | Effect::Refuse(_) => {}
        }
    }

    fn close(&mut self) {
        if let Err(error) = self.keeper.close(Some(&self.clock.utc())) {
            self.notices.push(error.to_string());
        }
        match results::compute(&self.records, &self.digests) {
            Ok(results) => self.results = Some(Arc::new(results)),
            Err(message) => self.notices.push(format!("the results cannot be shown: {message}")),
        }
    }

    /// Shows the new state to whoever asks.
    fn publish(&self) {
        let snapshot = Snapshot::of(&self.night, self.clock.now_ms(), &self.order, self.results.clone());
        *self.shared.snapshot.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(snapshot);
    }

    /// The host leaves. After the closing the passes are of no use any more and are removed; before it they stay for the
    /// restart.
    pub fn leave(self) {
        if self.results.is_some() {
            let _ = std::fs::remove_file(&self.passes_file);
        }
    }
}

/// What a record is to the host: nothing about votes but their number.
fn notice(record: &Record) -> Option<String> {
    Some(match record {
        Record::Seat { seat, alias, by, .. } => {
            let how = if *by == Ballot::Paper { ", on paper" } else { "" };
            format!("seat {seat}: {alias}{how}")
        }
        Record::SeatLeft { seat, .. } => format!("seat {seat} has left"),
        Record::Phrase { by, .. } => format!("a phrase from {by}"),
        Record::Sealed { phrases, .. } => format!("sealed with {phrases} phrases"),
        Record::VotesClosed { id, voted, seats, .. } => {
            format!("{}: votes closed, {voted} of {seats}", super::seats::id_text(*id))
        }
        Record::Void { id, cause, .. } => {
            format!("{} is void and will be repeated: {cause}", super::seats::id_text(*id))
        }
        Record::Rest { .. } => "the break is over".to_owned(),
        Record::Closing(_) => "the seal is open".to_owned(),
        _ => return None,
    })
}

/// A phase in words.
pub fn words(phase: Phase) -> &'static str {
    match phase {
        Phase::Welcome => "welcome; next opens the doors for phrases",
        Phase::Joining => "joining; next seals the draws",
        Phase::Ready => "ready; next presents the trial",
        Phase::Presenting => "presenting",
        Phase::Voting => "voting; next closes the votes",
        Phase::Break => "a break; next goes on",
        Phase::Counting => "counting; enter paper ballots, then next opens the seal",
        Phase::Result => "the seal is open; phones show their results until quit ends the program",
        Phase::Stopped => "stopped",
    }
}
