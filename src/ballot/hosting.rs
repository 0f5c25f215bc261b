//! A night in front of its host, its phones and its display.
//!
//! One thread, the host's, does everything that changes something. Requests from phones wait in a queue; each turn of the
//! loop takes all that have come, steps the machine, writes all records in one write and one flush to the disk, carries
//! out what the player must do, shows the new state, and only then answers the phones. So an acknowledged vote is in the
//! journal whatever happens next, and a thousand votes cost a few writes.

mod proof;
pub(in crate::ballot) mod setup;
mod showing;

use std::borrow::Cow;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use tokio::sync::oneshot;

use super::addresses::SeatsOf;
use super::asked::Due;
use super::command::{self, Command};
use super::night::{Night, Phase};
use super::results::{self, NightResults};
use super::reveal::{Place, Step};
use super::routes::{Answer, PhoneRequest, Server, Shared};
use super::view::{NightPart, Snapshot, own_vote};
use super::{Refusal, paper};
use crate::conduct::{Driver, News, SittingClock, SoundNews, Stopped};
use crate::trial::{Ballot, Effect, Event, Record, TrialId, journal};
use crate::units::printed;

pub(super) use setup::listen;
pub use setup::{BeforeNight, NightEnvironment, NightRequest, PORT, PassphraseNeeded};
pub use showing::ShownNight;

/// Requests from phones that one turn takes.
const REQUESTS_A_TURN: usize = 512;

/// A night that is going on.
pub struct HostedNight {
    driver: Driver<Night>,
    clock: SittingClock,
    shared: Arc<Shared>,
    requests: Receiver<PhoneRequest>,
    passes_file: PathBuf,
    order: String,
    results: Option<Arc<NightResults>>,
    /// Where their reveal is.
    place: Place,
    /// The code to point a camera at, as lines.
    qr: Vec<String>,
    /// Votes on a trial were closed at least once.
    practised: bool,
    notices: Vec<String>,
    notes: Vec<String>,
    /// How well the differences that are played are known, for after the closing.
    known: Vec<String>,
    resumed: bool,
    /// Where the operator of real cables opens the page.
    operator: Option<String>,
    /// What is left to be measured of real cables.
    proof: proof::Proof,
    /// The trial of which the host was asked whether its votes are to close though some are missing.
    asked_to_close: Option<TrialId>,
    /// The host was told that the night has stopped.
    told_stop: bool,
    _server: Server,
}

impl std::fmt::Debug for HostedNight {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("HostedNight").field("address", &self.shared.address).finish_non_exhaustive()
    }
}

/// Where a phone waits.
type Reply = oneshot::Sender<Result<Answer, Refusal>>;

impl HostedNight {
    /// The night's journal.
    pub fn journal(&self) -> &Path {
        &self.shared.journal
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
    pub fn next_step(&self) -> Cow<'static, str> {
        let snapshot = self.snapshot();
        if self.operator_is_awaited() {
            return Cow::Borrowed("waiting for the operator to confirm that nothing is connected");
        }
        if let Some(say) = self.night().by_hand_next() {
            return Cow::Owned(format!("ready; say {say}"));
        }
        if let Some(links) = snapshot.links {
            let words = "the phones open this trial, which then begins by itself";
            return Cow::Owned(format!("{words}: {} of {}", links.opened, links.of));
        }
        match (snapshot.phase, &snapshot.trial) {
            (Phase::Ready, Some(trial))
                if self.practised && trial.part == NightPart::Main && trial.number == 1 =>
            {
                Cow::Borrowed("the warm-up is over; next begins the trials that count")
            }
            (phase, _) => Cow::Borrowed(words(phase)),
        }
    }

    /// A trial is on, and the operator has not confirmed that it may begin.
    pub fn operator_is_awaited(&self) -> bool {
        let ready = self.snapshot().phase == Phase::Ready && self.snapshot().trial.is_some();
        ready && self.driver.board().is_some() && self.driver.is_switch_busy()
    }

    /// Milliseconds of the night.
    pub fn now_ms(&self) -> u64 {
        self.clock.now_ms()
    }

    /// The results, after the closing.
    pub fn results(&self) -> Option<&NightResults> {
        self.results.as_deref()
    }

    /// Why the night cannot go on, if so.
    pub fn stopped(&self) -> Option<&Stopped> {
        self.driver.stopped()
    }

    fn night(&self) -> &Night {
        self.driver.machine()
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
        command::parse(line, self.night().definition(), self.night().main_trials())
    }

    /// Does what the host says, and says what came of it.
    ///
    /// # Errors
    /// Why it was not done.
    pub fn say(&mut self, command: &Command) -> Result<Vec<String>, String> {
        let lines = match (command, self.results.clone()) {
            (Command::Next | Command::Back | Command::Results, Some(results)) => {
                self.place.follow(command, results.steps.len())?;
                showing::keep_place(&self.shared, &self.passes_file, self.place);
                Vec::new()
            }
            (Command::Next, None) if let Some(question) = self.question_before_closing() => vec![question],
            (Command::Next, None) if let Some(words) = self.measures_first() => vec![words],
            (command, _) => self.do_as_said(command)?,
        };
        self.tick();
        self.take_news();
        self.publish();
        Ok(lines)
    }

    /// Time has passed; nothing is presented before the cable of the trial before is gone.
    fn tick(&mut self) {
        let held = self.driver.is_switch_busy();
        self.driver.with(|night, at_ms| {
            night.hold(held);
            (night.tick(at_ms), ())
        });
    }

    /// Seats whose votes are missing in the trial whose votes are open.
    pub fn missing(&self) -> Vec<u32> {
        let shown = self.snapshot();
        if !shown.open {
            return Vec::new();
        }
        let missing = shown.seats.iter().filter(|(_, seat)| !seat.left && seat.vote.is_none());
        missing.map(|(number, _)| *number).collect()
    }

    /// What the host is asked, once in each trial, before votes close while some are missing.
    fn question_before_closing(&mut self) -> Option<String> {
        let id = self.night().voting()?;
        let missing = self.missing();
        if missing.is_empty() || self.asked_to_close.replace(id) == Some(id) {
            return None;
        }
        Some(format!("Missing: {}. next once more closes the votes without them.", ranges(&missing)))
    }

    /// The step of the reveal that is shown, its number from 1, and how many there are.
    pub fn step(&self) -> Option<(&Step, usize, usize)> {
        let results = self.results()?;
        Some((results.steps.get(self.place.at)?, self.place.at + 1, results.steps.len()))
    }

    /// Everything was shown.
    pub fn revealed(&self) -> bool {
        self.results().is_some_and(|results| self.place.furthest + 1 >= results.steps.len())
    }

    fn do_as_said(&mut self, command: &Command) -> Result<Vec<String>, String> {
        Ok(match command {
            Command::Help => command::help(),
            Command::Status => self.status(),
            Command::Import(path) => {
                let file = crate::files::open(path)
                    .map_err(|error| format!("{}: {}", path.display(), crate::files::reason(&error)))?;
                let ballots = paper::import(file, self.night().definition(), self.night().main_trials())
                    .map_err(|error| format!("{}: {error}", path.display()))?;
                self.ask(|night, at_ms| night.paper(at_ms, &ballots)).map_err(|refusal| refusal.message())?;
                vec![format!("{} taken", printed::count(ballots.len() as u64, "ballot"))]
            }
            other => {
                if matches!(other, Command::Next | Command::Close) {
                    self.note_refused();
                }
                self.ask(|night, at_ms| night.host(at_ms, other)).map_err(|refusal| refusal.message())?;
                match other {
                    Command::Release(seat) => {
                        vec![format!("seat {seat} is free for the next phone that joins with this number")]
                    }
                    Command::Door(_) => {
                        let room = self.night().room();
                        let open = if room.open { "open" } else { "shut" };
                        let shared = if room.shared { ", also all from one address" } else { "" };
                        vec![format!("the door is {open}; phones may hold {} seats{shared}", room.seats)]
                    }
                    Command::WhenAll(true) => vec!["votes close soon after everybody has voted".to_owned()],
                    Command::WhenAll(false) => vec!["votes stay open until their time is over".to_owned()],
                    Command::Answers(seat, answers) => {
                        let given = answers.iter().flatten().count();
                        vec![format!("seat {seat}: {} taken", printed::count(given as u64, "paper answer"))]
                    }
                    Command::Stop => vec![
                        "End the night before its last trial? The seal is opened and there is no verdict: confirm or back"
                            .to_owned(),
                    ],
                    _ => Vec::new(),
                }
            }
        })
    }

    /// Lets the night take something, and carries out what follows from it.
    fn ask(
        &mut self,
        take: impl FnOnce(&mut Night, u64) -> Result<Vec<Effect>, Refusal>,
    ) -> Result<(), Refusal> {
        self.driver.with(|night, at_ms| match take(night, at_ms) {
            Ok(effects) => (effects, Ok(())),
            Err(refusal) => (Vec::new(), Err(refusal)),
        })
    }

    /// How things stand, in lines.
    pub fn status(&self) -> Vec<String> {
        let shown = self.snapshot();
        let mut lines = vec![format!("{}: {}", shown.title, self.next_step())];
        if let Some(trial) = &shown.trial {
            lines.push(format!("{}: {}", trial.name(), trial.question));
        }
        lines.push(format!("{} taken, {} voted", printed::count(shown.taken.into(), "seat"), shown.voted));
        let missing = self.missing();
        if !missing.is_empty() {
            lines.push(format!("missing: {}", ranges(&missing)));
        }
        lines.extend(shown.seats.iter().map(|(number, seat)| {
            let how = match (seat.left, seat.paper) {
                (true, _) => ", has left",
                (false, true) => ", on paper",
                _ => "",
            };
            format!("  {number} {}{how}", seat.alias)
        }));
        if let Some(operator) = &self.operator
            && self.driver.board().is_some_and(|board| board.holder().is_none())
        {
            lines.push(format!("operator {operator}"));
        }
        lines.push(format!("join {}", self.join_address()));
        lines.push(format!("display {}", self.room_address()));
        lines.push(format!("seal {}", shown.commitment.hex));
        lines
    }

    /// What was refused since the last trial goes into the journal as a count.
    fn note_refused(&mut self) {
        let summary = self.shared.log.lock().unwrap_or_else(PoisonError::into_inner).summary();
        if let Some(text) = summary {
            // What stopped it is kept by the driver.
            let _ = self.driver.event(Event::Note { text });
        }
    }

    /// One turn of the loop; waits at most this long for something to do.
    pub fn turn(&mut self, wait: Duration) {
        let due =
            [self.night().wake_in(self.now_ms()), self.driver.switch_due_in_ms()].into_iter().flatten().min();
        let until = due.map_or(wait, |due| wait.min(Duration::from_millis(due)));
        let mut requests = Vec::new();
        match self.requests.recv_timeout(until) {
            Ok(request) => requests.push(request),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {}
        }
        while requests.len() < REQUESTS_A_TURN {
            match self.requests.try_recv() {
                Ok(request) => requests.push(request),
                Err(_) => break,
            }
        }
        let replies = self.driver.with(|night, at_ms| {
            let mut effects = Vec::new();
            let mut replies = Vec::with_capacity(requests.len());
            for PhoneRequest { ask, reply } in requests {
                let asked = night.asked(at_ms, ask).map(|(due, more)| {
                    effects.extend(more);
                    due
                });
                replies.push((reply, asked));
            }
            (effects, replies)
        });
        self.take_sound();
        self.prove_the_switch();
        self.tick();
        self.take_news();
        self.publish();
        self.answer(replies);
    }

    fn answer(&self, replies: Vec<(Reply, Result<Due, Refusal>)>) {
        let written = self.driver.stopped().is_none();
        for (reply, due) in replies {
            let answer = match due {
                Ok(_) if !written => Err(Refusal::Busy),
                Ok(Due::Seated(holder)) => Ok(Answer::Seated(holder)),
                Ok(Due::Done) => Ok(Answer::Done),
                Ok(Due::Voted { seat, id }) => {
                    let answer = self.night().answer_of(id, seat);
                    let seat = self.night().seats().get(seat);
                    match (seat, answer, seat.and_then(|seat| seat.receipts.get(&id))) {
                        (Some(seat), Some(answer), Some(receipt)) => {
                            Ok(Answer::Voted { vote: own_vote(answer, *receipt), sequence: seat.sequence })
                        }
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

    /// Takes what happened to the sound, and says it to the host.
    fn take_sound(&mut self) {
        // What stopped it is kept by the driver.
        for news in self.driver.take_sound().unwrap_or_default() {
            // A void trial is told with its cause.
            if !matches!(news, SoundNews::Dropout) {
                self.notices.push(news.cause());
            }
        }
    }

    /// Takes what has been done, and says what the host should know of it.
    fn take_news(&mut self) {
        let stopped = self.driver.stopped().is_some();
        for news in self.driver.take_news() {
            match news {
                News::Written(record, _) => {
                    self.notices.extend(notice(&record));
                    self.practised |= matches!(*record, Record::VotesClosed { .. });
                }
                News::Closed => {
                    // From the journal as it lies on the disk: what it proves is what is shown.
                    let read = journal::read(&self.shared.journal).map_err(|error| error.to_string());
                    match read.and_then(|read| results::compute(&read.records, &read.digests)) {
                        Ok(mut results) => {
                            results.room.extend(self.known.iter().cloned());
                            self.results = Some(Arc::new(results));
                            let shared = &self.shared;
                            *shared.seats() = SeatsOf::closed(&shared.journal, &shared.passes);
                        }
                        Err(message) => self.notices.push(format!("the results cannot be shown: {message}")),
                    }
                }
                News::Refused(_) | News::Receipt(_) => {}
            }
        }
        if stopped && !self.told_stop {
            self.told_stop = true;
            let why = self.stopped().map(ToString::to_string).unwrap_or_default();
            self.notices.push(format!("{why}; the night has stopped"));
        }
    }

    /// Shows the new state to whoever asks.
    fn publish(&self) {
        let snapshot = Snapshot::of(
            self.night(),
            self.now_ms(),
            &self.order,
            self.results.clone().map(|results| (results, self.place)),
        );
        *self.shared.snapshot.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(snapshot);
    }

    /// The host leaves. The passes stay: before the closing for the restart, after it for whoever shows the night again.
    pub fn leave(self) {}
}

/// What a record is to the host: nothing about votes but their number.
fn notice(record: &Record) -> Option<String> {
    Some(match record {
        Record::Seat { seat, alias, by, table, .. } => {
            let how = if *by == Ballot::Paper { ", on paper" } else { "" };
            let table = table.map_or_else(String::new, |table| format!(", table {table}"));
            format!("seat {seat}: {alias}{how}{table}")
        }
        Record::SeatLeft { seat, removed, .. } => {
            format!("seat {seat} {}", if removed.is_some() { "was taken away" } else { "has left" })
        }
        Record::VotesVoid { id, .. } => format!("{} is void and will be repeated", trial_words(*id)),
        Record::Hand { by, .. } => format!("a hand from {by}"),
        Record::HandsClosed { closed, .. } => {
            let phones = printed::count(u64::from(*closed), "phone");
            format!("{phones} to open their part of the draws; if one does not, next starts over")
        }
        Record::HandsVoid { closed, .. } => {
            let seats: Vec<String> = closed.iter().map(ToString::to_string).collect();
            format!(
                "the hand of seat {} stayed closed: the sealing starts over, and the journal says so",
                seats.join(", ")
            )
        }
        Record::Sealed { hands, .. } => {
            format!("sealed with {}", printed::count(hands.unwrap_or_default().into(), "hand"))
        }
        Record::VotesClosed { id, voted, seats, .. } => {
            format!("{}: votes closed, {voted} of {seats} voted", trial_words(*id))
        }
        Record::Void { id, cause, .. } => {
            format!("{} is void and will be repeated: {cause}", trial_words(*id))
        }
        Record::LinksPassed { missing, .. } => {
            let phones = if missing.len() == 1 { "phone" } else { "phones" };
            format!("{} {phones} did not open the trial in time; it begins without them", missing.len())
        }
        Record::Measured { positions, .. } => {
            format!("measured: {}", positions.found().words())
        }
        Record::Rest { .. } => "the break is over".to_owned(),
        Record::Closing(_) => "the seal is open".to_owned(),
        _ => return None,
    })
}

/// Numbers as people list them: `3, 8 to 12`.
pub fn ranges(numbers: &[u32]) -> String {
    let mut runs: Vec<(u32, u32)> = Vec::new();
    for &number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let said = runs.iter().map(|(first, last)| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first} to {last}"),
    });
    said.collect::<Vec<_>>().join(", ")
}

/// A trial as people say it.
fn trial_words(id: TrialId) -> String {
    format!("{} {}", NightPart::of(id.part).title(), id.trial)
}

/// A phase in words.
pub fn words(phase: Phase) -> &'static str {
    match phase {
        Phase::Welcome => "welcome; guests can join already; next goes on to the draws",
        Phase::Ears => "open ears, no part of the test; next goes on, repeat plays it again, back ends it",
        Phase::Joining => {
            "joining; when everybody is in, next fixes the draws (a guest may still join later)"
        }
        Phase::Ready => "ready; next presents the trial",
        Phase::Presenting => "presenting",
        Phase::Voting => "voting; next closes the votes",
        Phase::Break => "a break; next goes on",
        Phase::Counting => "counting; enter paper ballots, then next opens the seal",
        Phase::Result => {
            "the seal is open; next shows the results step by step, back goes back, results shows everything"
        }
        Phase::Stopped => "stopped",
    }
}
