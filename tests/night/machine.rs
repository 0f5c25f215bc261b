//! The pure machine: every phase, every refusal, without clock, disk or web.

use earwitness::ballot::command::{Command, DoorWish};
use earwitness::ballot::night::Now;
use earwitness::ballot::paper::PaperBallot;
use earwitness::ballot::pass::Holder;
use earwitness::ballot::presentation::Timing;
use earwitness::ballot::room::Room;
use earwitness::ballot::{Night, Phase, Refusal};
use earwitness::conduct::Machine as _;
use earwitness::session::Session;
use earwitness::trial::OutputKind;
use earwitness::trial::{
    Ballot, Conductor, Digest, Effect, Event, Occasion, Opening, Output, Part, Record, Secret, Terms,
    TrialId, VoidedBy,
};

use earwitness::trial::record::StimulusTerms;

use super::stage;

/// A night whose disk is a list.
struct Machine {
    night: Night,
    records: Vec<Record>,
    digests: Vec<Digest>,
    other: Vec<Effect>,
    at_ms: u64,
}

const TIMING: Timing = Timing { gap_ms: 100, vote_ms: 5000, pause_ms: None, rounds: 1 };
const CLIP_MS: u64 = 1000;

fn opening(session: &Session) -> Opening {
    let secret = Secret::from_bytes([7; 32]);
    Opening {
        format: earwitness::trial::record::FORMAT,
        program: "earwitness test".to_owned(),
        utc: "2026-01-31T20:15:00Z".to_owned(),
        occasion: Occasion::Night,
        listener: "Mill".to_owned(),
        alias: None,
        commitment: secret.commitment(earwitness::trial::record::FORMAT),
        register: Digest::NOTHING,
        session: Digest::of(session.source.as_bytes()),
        terms: Terms::of(session),
        stimuli: StimulusTerms::of(&stage::stimuli()),
        output: Output {
            kind: OutputKind::Device,
            name: "invented".to_owned(),
            host: String::new(),
            rate_hz: 8000,
            format: "f32".to_owned(),
            buffer_frames: 0,
            channels: 1,
            path: None,
        },
        simulated: None,
        invented: true,
        sitting: Some(1),
        lock: None,
        inputs: Some(Vec::new()),
        earlier: None,
        facts: None,
        rows: None,
    }
}

impl Machine {
    fn new(protocol: &str, trials: u32, timing: Timing, by_hand: bool) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        Self::of(&stage::session(folder.path(), protocol, trials, ""), timing, by_hand)
    }

    fn of(session: &Session, timing: Timing, by_hand: bool) -> Self {
        let (conductor, effects) =
            Conductor::open(opening(session), Secret::from_bytes([7; 32])).expect("it can be conducted");
        let night = Night::new(conductor, &[], &[], timing, by_hand);
        let mut machine =
            Self { night, records: Vec::new(), digests: Vec::new(), other: Vec::new(), at_ms: 0 };
        machine.carry_out(effects);
        machine
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Append(record) => {
                    let digest = Digest::of(format!("{} {record:?}", self.records.len()).as_bytes());
                    self.night.written(&record, digest);
                    self.records.push(*record);
                    self.digests.push(digest);
                }
                Effect::Load { .. } => self.night.loaded(CLIP_MS),
                other => self.other.push(other),
            }
        }
    }

    fn say(&mut self, command: &Command) -> Result<(), Refusal> {
        let effects = self.night.host(self.at_ms, command)?;
        self.carry_out(effects);
        Ok(())
    }

    fn pass(&mut self, milliseconds: u64) {
        // In steps, as the loop does.
        let until = self.at_ms + milliseconds;
        while self.at_ms < until {
            let step = self.night.wake_in(self.at_ms).unwrap_or(50).clamp(1, 50);
            self.at_ms = (self.at_ms + step).min(until);
            let effects = self.night.tick(self.at_ms);
            self.carry_out(effects);
        }
    }

    fn phase(&self) -> Phase {
        self.night.phase(&self.night.view().stage)
    }

    fn join(&mut self, alias: &str, seat: Option<u32>) -> Result<Holder, Refusal> {
        let (holder, effects) = self.night.join(self.at_ms, alias, seat, None, Ballot::Phone)?;
        self.carry_out(effects);
        Ok(holder)
    }

    fn vote(&mut self, holder: Holder, trial: &str, answer: &str, sequence: u64) -> Result<TrialId, Refusal> {
        let (id, effects) = self.night.vote(self.at_ms, holder, trial, answer, sequence)?;
        self.carry_out(effects);
        Ok(id)
    }

    /// From the welcome to open votes in the first trial.
    fn reach_the_first_votes(&mut self) {
        for _ in 0..3 {
            self.say(&Command::Next).expect("accept, seal, begin");
        }
        assert_eq!(self.phase(), Phase::Presenting);
        self.pass(3 * (CLIP_MS + 100) + 50);
        assert_eq!(self.phase(), Phase::Voting);
    }

    fn votes(&self) -> usize {
        self.records.iter().filter(|record| matches!(record, Record::Vote { .. })).count()
    }
}

/// A seat's vote in the first attempt of a trial of the main part.
fn vote_of(machine: &Machine, trial: u32, seat: u32) -> Option<(usize, Ballot)> {
    machine.night.vote_of(TrialId { part: Part::Main, trial, attempt: 1 }, seat)
}

#[test]
fn an_evening_goes_through_its_phases() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    assert_eq!(machine.phase(), Phase::Welcome);
    let ida = machine.join("Ida", None).expect("a seat");
    assert_eq!(ida, Holder { seat: 1, generation: 1 });
    assert_eq!(
        machine.night.type_hand(0, ida, "lamp"),
        Err(Refusal::HandsOver),
        "not before the doors are open for them"
    );
    machine.say(&Command::Next).expect("accepted");
    assert_eq!(machine.phase(), Phase::Joining);
    let effects = machine.night.type_hand(0, ida, " lamp on the stairs ").expect("a hand");
    machine.carry_out(effects);
    machine.say(&Command::Next).expect("sealed");
    assert_eq!(machine.phase(), Phase::Ready);
    assert_eq!(machine.night.type_hand(0, ida, "late"), Err(Refusal::HandsOver));
    machine.say(&Command::Next).expect("presented");
    assert_eq!(machine.phase(), Phase::Presenting);
    assert_eq!(machine.night.now(machine.at_ms).0, Now::Gap { slot: 0 });
    machine.pass(150);
    assert_eq!(machine.night.now(machine.at_ms).0, Now::Playing { slot: 0 });
    assert_eq!(machine.vote(ida, "practice-1-1", "a", 1), Err(Refusal::NotOpen), "not before all was heard");
    machine.pass(3 * (CLIP_MS + 100));
    assert_eq!(machine.phase(), Phase::Voting);
    let plays = [Effect::SwitchTo(0), Effect::Seek(0), Effect::Play, Effect::Pause];
    assert_eq!(machine.other[..4], plays);
    assert_eq!(machine.other[4], Effect::SwitchTo(1));
    assert_eq!(machine.other[8], Effect::SwitchTo(2));
    assert_eq!(machine.other.len(), 12, "each slot once: switch, seek, play, pause");

    machine.vote(ida, "practice-1-1", "a", 1).expect("a vote");
    machine.vote(ida, "practice-1-1", "b", 2).expect("changed");
    machine.pass(5100);
    assert_eq!(machine.phase(), Phase::Ready, "votes close by themselves");
    assert!(matches!(machine.records.last(), Some(Record::VotesClosed { voted: 1, seats: 1, .. })));
    assert_eq!(machine.vote(ida, "practice-1-1", "a", 3), Err(Refusal::NotOpen), "after the close");

    // Two counted trials and one control.
    for trial in 1..=3_u32 {
        while machine.phase() != Phase::Presenting {
            machine.say(&Command::Next).expect("announced, presented");
        }
        machine.pass(3 * (CLIP_MS + 100) + 50);
        machine.vote(ida, &format!("main-{trial}-1"), "a", 2 + u64::from(trial)).expect("a vote");
        machine.say(&Command::Close).expect("closed");
    }
    assert_eq!(machine.phase(), Phase::Counting);
    machine.say(&Command::Next).expect("opened");
    assert_eq!(machine.phase(), Phase::Result);
    assert_eq!(machine.join("Late", None), Err(Refusal::Over));
    assert_eq!(machine.vote(ida, "main-3-1", "b", 6), Err(Refusal::Over));
}

#[test]
fn open_ears_are_told_recorded_and_over_before_the_first_trial() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    assert!(machine.say(&Command::Ears(1)).is_err(), "not before the cautions were accepted");
    machine.say(&Command::Next).expect("accepted");
    assert!(machine.say(&Command::Ears(2)).is_err(), "one comparison");
    machine.say(&Command::Ears(1)).expect("A and B by name");
    assert_eq!(machine.phase(), Phase::Ears);
    machine.pass(2 * (CLIP_MS + 100) + 50);
    let played: Vec<usize> = machine
        .other
        .iter()
        .filter_map(|effect| if let Effect::SwitchTo(slot) = effect { Some(*slot) } else { None })
        .collect();
    assert_eq!(played, [0, 1]);
    assert_eq!(machine.night.now(machine.at_ms).0, Now::None);
    machine.say(&Command::Next).expect("a step in level");
    assert!(matches!(&machine.other[..], [.., Effect::Demonstrate { slots, .. }] if slots[1].1 == -1.0));
    machine.pass(2 * (CLIP_MS + 100) + 50);
    machine.say(&Command::Next).expect("a practice");
    assert!(machine.say(&Command::Next).is_err(), "it is told when all was heard");
    machine.pass(3 * (CLIP_MS + 100) + 50);
    assert!(machine.night.ears().is_some_and(|ears| !ears.told));
    machine.say(&Command::Next).expect("told");
    assert!(machine.night.ears().is_some_and(|ears| ears.told));
    machine.say(&Command::Next).expect("over");
    assert_eq!(machine.phase(), Phase::Joining);
    let recorded = machine.records.iter().filter(|record| matches!(record, Record::OpenEars { .. })).count();
    assert_eq!(recorded, 3);
    machine.say(&Command::Next).expect("sealed");
    machine.say(&Command::Ears(1)).expect("also between sealing and the first trial");
    machine.say(&Command::Back).expect("enough");
    machine.say(&Command::Next).expect("the first trial");
    assert_eq!(machine.phase(), Phase::Presenting);
    machine.pass(3 * (CLIP_MS + 100) + 50);
    machine.say(&Command::Close).expect("closed");
    assert_eq!(machine.phase(), Phase::Ready);
    assert!(machine.say(&Command::Ears(1)).is_err(), "never after the first trial");
    assert_eq!(machine.phase(), Phase::Ready);
}

#[test]
fn a_trial_that_was_just_closed_is_void_as_long_as_the_next_is_unheard() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", None).expect("a seat");
    machine.reach_the_first_votes();
    machine.vote(ida, "practice-1-1", "a", 1).expect("a vote");
    machine.say(&Command::Close).expect("closed");
    machine.say(&Command::Void("a tram passed".to_owned())).expect("void");
    assert!(
        matches!(machine.records.last(), Some(Record::VotesVoid { cause, .. }) if cause == "host: a tram passed")
    );
    assert!(machine.night.again().is_some(), "the pages say so");
    assert_eq!(machine.vote(ida, "practice-1-1", "b", 2), Err(Refusal::OtherTrial));
    machine.say(&Command::Next).expect("again");
    machine.pass(3 * (CLIP_MS + 100) + 50);
    machine.vote(ida, "practice-1-2", "b", 2).expect("the new attempt");
    machine.say(&Command::Close).expect("closed");
    assert!(machine.night.again().is_none());
    // A restart has the same from the records.
    assert_eq!(machine.night.seats().closed().len(), 1);
}

#[test]
fn the_door_and_what_was_taken_away_are_in_the_journal() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", None).expect("a seat");
    let ola = machine.join("Ola", None).expect("a seat");
    for wish in [DoorWish::Seats(7), DoorWish::Shared, DoorWish::Shut] {
        machine.say(&Command::Door(wish)).expect("the door");
    }
    machine.say(&Command::Remove(1, 1)).expect("taken away");
    let session = stage::session(tempfile::tempdir().expect("a folder").path(), "abx", 2, "");
    let (conductor, _) =
        Conductor::open(opening(&session), Secret::from_bytes([7; 32])).expect("it can be conducted");
    let again =
        Night::new(conductor, &machine.records, &machine.digests, TIMING, false).in_room(Room::default());
    assert_eq!(again.room(), Room { seats: 7, open: false, shared: true, ..Room::default() });
    assert_eq!(again.check(ida), Err(Refusal::NotSeated));
    assert_eq!(again.check(ola), Ok(()));
}

#[test]
fn whoever_joins_at_tables_stays_at_one() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    machine.night = machine.night.in_room(Room { tables: 3, ..Room::default() });
    assert_eq!(machine.join("Ida", None), Err(Refusal::Table(3)), "which one?");
    for none in [0, 4] {
        let refused = machine.night.join(0, "Ida", None, Some(none), Ballot::Phone);
        assert_eq!(refused.err(), Some(Refusal::Table(3)));
    }
    let (ida, effects) =
        machine.night.join(0, "Ida", None, Some(2), Ballot::Phone).expect("a seat at table 2");
    machine.carry_out(effects);
    machine.say(&Command::Paper(Some(9), "Pia @3".to_owned())).expect("paper at table 3");
    machine.reach_the_first_votes();
    // A new phone for a seat, and a listener who comes back, stay where they sat, whatever they say.
    machine.say(&Command::Release(1)).expect("released");
    let (again, effects) =
        machine.night.join(machine.at_ms, "Ida", Some(1), Some(3), Ballot::Phone).expect("taken over");
    machine.carry_out(effects);
    assert_eq!(again, Holder { generation: 2, ..ida });
    let tables: Vec<_> = machine.night.seats().iter().map(|(number, seat)| (number, seat.table)).collect();
    assert_eq!(tables, [(1, Some(2)), (9, Some(3))]);
    let seat = Record::Seat {
        at_ms: machine.at_ms,
        seat: 1,
        alias: "Ida".to_owned(),
        by: Ballot::Phone,
        table: Some(1),
    };
    let mut ledger =
        earwitness::trial::ledger::Ledger::new(machine.night.opening().clone()).expect("an opening");
    for record in &machine.records[1..] {
        ledger.apply(record).expect("as it was written");
    }
    assert!(ledger.apply(&seat).expect_err("refused").contains("changed tables"));
}

#[test]
fn votes_are_counted_once_and_in_order() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", None).expect("a seat");
    let ola = machine.join("Ola", None).expect("a seat");
    machine.reach_the_first_votes();
    let trial = "practice-1-1";
    machine.vote(ida, trial, "a", 1).expect("a vote");
    assert_eq!(machine.votes(), 1);
    machine.vote(ida, trial, "a", 1).expect("sent again because the answer got lost");
    machine.vote(ida, trial, "a", 2).expect("tapped again");
    assert_eq!(machine.votes(), 1, "neither makes a second record");
    assert_eq!(machine.vote(ida, trial, "b", 1), Err(Refusal::Replayed), "an old number with another answer");
    assert_eq!(machine.vote(ida, trial, "b", 9), Err(Refusal::Replayed), "a number from the future");
    machine.vote(ida, trial, "b", 2).expect("changed");
    assert_eq!(
        machine.vote(ida, trial, "a", 1),
        Err(Refusal::Replayed),
        "the first vote, replayed, does not come back"
    );
    assert_eq!(machine.vote(ida, trial, "c", 3), Err(Refusal::Alternative));
    assert_eq!(machine.vote(ida, "main-1-1", "a", 3), Err(Refusal::OtherTrial));
    let thief = Holder { generation: 2, ..ola };
    assert_eq!(machine.vote(thief, trial, "a", 1), Err(Refusal::NotSeated));
    assert_eq!(machine.night.seats().get(1).map(|seat| seat.sequence), Some(2));
    assert_eq!(machine.votes(), 2);
}

#[test]
fn seats_are_kept_left_and_given_to_a_new_phone() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", Some(7)).expect("a seat");
    assert_eq!(machine.join("Thief", Some(7)), Err(Refusal::SeatTaken(7)));
    assert_eq!(machine.join("Nobody", Some(0)), Err(Refusal::SeatNumber));
    assert_eq!(machine.join(" \u{7} ", None), Err(Refusal::Alias));
    machine.reach_the_first_votes();
    machine.vote(ida, "practice-1-1", "a", 1).expect("a vote");
    let effects = machine.night.leave(machine.at_ms, ida).expect("left");
    machine.carry_out(effects);
    assert_eq!(machine.vote(ida, "practice-1-1", "b", 2), Err(Refusal::Left));
    assert_eq!(machine.join("Thief", Some(7)), Err(Refusal::SeatTaken(7)), "a left seat still is somebody's");
    let (back, effects) = machine.night.come_back(machine.at_ms, ida).expect("back");
    machine.carry_out(effects);
    assert_eq!(back, Holder { seat: 7, generation: 2 });
    machine.vote(back, "practice-1-1", "b", 2).expect("the count goes on");
    // The phone dies; the host releases the seat; the next phone gets it under the old name, the old token is void.
    machine.say(&Command::Release(7)).expect("released");
    let new = machine.join("Ida's other phone", Some(7)).expect("taken over");
    assert_eq!(new, Holder { seat: 7, generation: 3 });
    assert_eq!(machine.night.seats().get(7).map(|seat| seat.alias.as_str()), Some("Ida"));
    assert_eq!(machine.vote(back, "practice-1-1", "a", 3), Err(Refusal::NotSeated));
    machine.vote(new, "practice-1-1", "a", 3).expect("votes are kept and can be changed");
    assert_eq!(machine.join("Thief", Some(7)), Err(Refusal::SeatTaken(7)), "released once, taken once");
}

#[test]
fn paper_counts_until_the_closing_and_never_replaces_a_phone() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", Some(1)).expect("a seat");
    machine.reach_the_first_votes();
    machine.say(&Command::Close).expect("closed");
    let ballot = |seat, answers: &[Option<usize>]| PaperBallot {
        seat,
        alias: "Ola".to_owned(),
        table: None,
        answers: answers.to_vec(),
    };
    let early = machine.night.paper(machine.at_ms, &[ballot(2, &[Some(0)])]);
    assert!(matches!(early, Err(Refusal::NothingHere(text)) if text.contains("trial 1")));
    for trial in 1..=3 {
        while machine.phase() != Phase::Presenting {
            machine.say(&Command::Next).expect("presented");
        }
        machine.pass(3 * (CLIP_MS + 100) + 50);
        if trial == 1 {
            machine.vote(ida, "main-1-1", "a", 1).expect("a vote");
        }
        machine.say(&Command::Close).expect("closed");
    }
    assert_eq!(machine.phase(), Phase::Counting);
    let conflict = machine.night.paper(machine.at_ms, &[ballot(2, &[Some(0)]), ballot(1, &[Some(1)])]);
    assert_eq!(conflict, Err(Refusal::PhoneVoted(1)));
    assert!(machine.night.seats().get(2).is_none(), "all ballots or none");
    // Seat 1's phone died after the first trial: the rest comes on paper; the same answer again is no conflict.
    let effects = machine
        .night
        .paper(
            machine.at_ms,
            &[ballot(2, &[Some(0), None, Some(1)]), ballot(1, &[Some(0), Some(1), Some(1)])],
        )
        .expect("ballots");
    machine.carry_out(effects);
    assert_eq!(machine.votes(), 1 + 2 + 2);
    let by: Vec<Ballot> = (1..=3).map(|trial| vote_of(&machine, trial, 1).expect("a vote").1).collect();
    assert_eq!(by, [Ballot::Phone, Ballot::Paper, Ballot::Paper]);
    // A typing error is put right: both entries stay in the journal, the later one counts.
    let effects = machine.night.paper(machine.at_ms, &[ballot(2, &[Some(1)])]).expect("corrected");
    machine.carry_out(effects);
    assert_eq!(machine.votes(), 6);
    machine.say(&Command::Next).expect("opened");
    assert_eq!(machine.night.paper(machine.at_ms, &[ballot(3, &[Some(0)])]), Err(Refusal::Over));
}

#[test]
fn by_hand_the_host_plays_everything_first() {
    let mut machine = Machine::new("abx", 2, TIMING, true);
    let ida = machine.join("Ida", None).expect("a seat");
    for _ in 0..3 {
        machine.say(&Command::Next).expect("accept, seal, begin");
    }
    assert_eq!(machine.phase(), Phase::Ready);
    assert!(machine.say(&Command::Next).is_err(), "nothing is presented by itself");
    let refused = machine.say(&Command::Open).expect_err("X has not been heard").message();
    assert!(refused.contains("0.1 s") && refused.ends_with("say play X, then open"), "{refused}");
    machine.say(&Command::Play(2)).expect("X");
    assert_eq!(machine.night.now(machine.at_ms).0, Now::Playing { slot: 2 });
    machine.pass(50);
    machine.say(&Command::Silence).expect("cut short");
    assert_eq!(
        machine.night.by_hand_next().as_deref(),
        Some("play X, then open"),
        "50 ms are not the agreed 100"
    );
    machine.say(&Command::Play(2)).expect("X");
    machine.pass(CLIP_MS + 10);
    assert_eq!(machine.night.by_hand_next().as_deref(), Some("open"));
    assert_eq!(machine.phase(), Phase::Ready, "a stimulus ends by itself");
    machine.say(&Command::Open).expect("votes are open");
    machine.pass(60_000);
    assert_eq!(machine.phase(), Phase::Voting, "and stay open until the host closes them");
    machine.say(&Command::Play(0)).expect("A again");
    machine.vote(ida, "practice-1-1", "a", 1).expect("also while it plays");
    machine.say(&Command::Close).expect("closed");
    assert_eq!(machine.other.last(), Some(&Effect::Pause), "closing stops the sound");
}

#[test]
fn a_short_clip_is_presented_until_the_room_has_heard_enough() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut session = stage::session(folder.path(), "triangle", 2, "");
    session.heard_at_least_ms = 1500;
    let mut machine = Machine::of(&session, TIMING, false);
    for _ in 0..3 {
        machine.say(&Command::Next).expect("accept, seal, begin");
    }
    machine.pass(3 * (CLIP_MS + 100) + 50);
    assert_eq!(machine.phase(), Phase::Presenting, "each sounded for less than a second");
    let refused = machine.say(&Command::Open).expect_err("not heard for long enough").message();
    assert!(refused.contains("1.5 s"), "{refused}");
    machine.pass(3 * (CLIP_MS + 100));
    assert_eq!(machine.phase(), Phase::Voting);
}

#[test]
fn a_repeat_keeps_votes_open_and_more_time_is_more_time() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", None).expect("a seat");
    assert!(machine.say(&Command::Repeat).is_err());
    machine.reach_the_first_votes();
    machine.say(&Command::Repeat).expect("again");
    assert_eq!(machine.phase(), Phase::Presenting);
    machine.vote(ida, "practice-1-1", "a", 1).expect("votes stay open");
    machine.pass(3 * (CLIP_MS + 100) + 50);
    assert_eq!(machine.phase(), Phase::Voting);
    machine.say(&Command::More(10)).expect("more");
    machine.pass(14_000);
    assert_eq!(machine.phase(), Phase::Voting);
    machine.pass(1_100);
    assert_eq!(machine.phase(), Phase::Ready);
}

#[test]
fn a_disturbed_trial_is_void_and_its_votes_with_it() {
    let mut machine = Machine::new("abx", 2, TIMING, false);
    let ida = machine.join("Ida", None).expect("a seat");
    machine.reach_the_first_votes();
    machine.vote(ida, "practice-1-1", "a", 1).expect("a vote");
    let effects =
        machine.night.event(machine.at_ms, Event::Disturbed { cause: "underrun".to_owned(), by: None });
    machine.carry_out(effects);
    assert!(matches!(machine.records.last(), Some(Record::Void { by: None, .. })));
    assert_eq!(machine.phase(), Phase::Ready);
    assert!(!machine.night.is_open());
    assert_eq!(machine.vote(ida, "practice-1-1", "b", 2), Err(Refusal::OtherTrial));
    machine.say(&Command::Next).expect("again");
    machine.pass(3 * (CLIP_MS + 100) + 50);
    machine.vote(ida, "practice-1-2", "b", 2).expect("the second attempt");
    machine.say(&Command::Void("a tram".to_owned())).expect("by the host");
    assert!(matches!(
        machine.records.last(),
        Some(Record::Void { cause, by: Some(VoidedBy::Host), .. }) if cause == "host: a tram"
    ));
}

#[test]
fn trials_follow_each_other_by_themselves_when_asked_to() {
    let timing = Timing { pause_ms: Some(2000), ..TIMING };
    let mut machine = Machine::new("abx", 3, timing, false);
    machine.join("Ida", None).expect("a seat");
    machine.reach_the_first_votes();
    machine.pass(5000);
    // After the practice part the host announces the counted part.
    machine.say(&Command::Next).expect("announced and begun");
    machine.pass(3 * (CLIP_MS + 100) + 5000 + 100);
    assert_eq!(machine.phase(), Phase::Ready);
    machine.pass(2100);
    assert_eq!(machine.phase(), Phase::Presenting, "two seconds later the next one begins");
    machine.pass(3 * (CLIP_MS + 100) + 5000 + 1000);
    machine.say(&Command::Break).expect("a break");
    assert_eq!(machine.phase(), Phase::Break);
    machine.pass(60_000);
    assert_eq!(machine.phase(), Phase::Break, "nobody is called back by a clock");
    machine.say(&Command::Next).expect("everybody is back");
    assert_ne!(machine.phase(), Phase::Break);
}

#[test]
fn a_replay_of_the_records_is_the_same_night_again() {
    for protocol in ["abx", "duo-trio", "triangle", "tetrad", "preference"] {
        let mut machine = Machine::new(protocol, 2, TIMING, false);
        let ida = machine.join("Ida", None).expect("a seat");
        let ola = machine.join("Ola", None).expect("a seat");
        for _ in 0..3 {
            machine.say(&Command::Next).expect("accept, seal, begin");
        }
        machine.pass(5 * (CLIP_MS + 100));
        let answer = machine.night.definition().alternatives[1].name;
        machine.vote(ida, "practice-1-1", answer, 1).expect("a vote");
        machine.vote(ola, "practice-1-1", answer, 1).expect("a vote");
        for length in 1..=machine.records.len() {
            let (conductor, _) =
                Conductor::resume(&machine.records[..length], &[Secret::from_bytes([7; 32])])
                    .expect("a prefix");
            let again =
                Night::new(conductor, &machine.records[..length], &machine.digests[..length], TIMING, false);
            if length == machine.records.len() {
                assert_eq!(again.seats(), machine.night.seats(), "{protocol}");
            }
            assert!(!again.is_open(), "{protocol}: after a restart the host presents the trial again");
        }
    }
}

#[test]
fn a_night_cannot_be_conducted_by_a_rule_for_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = stage::session(
        folder.path(),
        "abx",
        20,
        "stopping = { kind = \"sequential\", alpha = 0.05, beta = 0.1, proportion = 0.8 }",
    );
    let (host, recorder) = (session, stage::Recorder::default());
    let refused = stage::Host::start(move || (stage::request_of(host), stage::real_environment(&recorder)));
    let message = refused.err().expect("refused").to_string();
    assert!(message.contains("sequential") && message.contains("stopping"), "{message}");
}
