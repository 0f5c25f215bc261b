//! Phones that hold the other half of every draw of a night: who is waited for, who is passed over, and what their copies prove.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use earwitness::ballot::Phase;
use earwitness::trial::copy::{SCHEMA, WitnessCopy};
use earwitness::trial::witness::{LINKS_WAIT_MS, Links};
use earwitness::trial::{Digest, Part, Record, TrialId, journal, verify};

use super::stage::{HandClock, Host, Phone, Recorder, environment, join, request_of, session};
use crate::commands::earwitness;
use crate::trial::kit;

/// A phone with its chain.
struct Linked {
    phone: Phone,
    links: Links,
    given: usize,
    opened: Vec<(Digest, Digest)>,
}

impl Linked {
    /// Joins, with a chain whose last link is made of this number.
    fn join(host: &Host, name: &str, last: u8) -> Self {
        let mut own = Self {
            phone: Phone::join(host, name, None),
            links: Links::from_last(Digest([last; 32]), 60),
            given: 0,
            opened: Vec::new(),
        };
        own.give_end(last);
        own
    }

    fn give_end(&mut self, last: u8) {
        self.links = Links::from_last(Digest([last; 32]), 60);
        self.given = 0;
        assert_eq!(self.phone.state()["link"], "wanted");
        let reply = self.phone.post("/link", &serde_json::json!({ "end": self.links.end() }));
        assert_eq!(reply.status, 200, "{reply:?}");
        assert_eq!(self.phone.state()["link"], "kept");
    }

    /// The next link, with the receipt at which it is asked for; it is never given twice.
    fn next_link(&mut self) -> Digest {
        let state = self.phone.state();
        assert_eq!(state["link"], "asked", "{state}");
        self.given += 1;
        let link = self.links.link(self.given).expect("a link");
        self.opened
            .push((link, Digest::from_hex(state["head"].as_str().expect("a receipt")).expect("digits")));
        link
    }

    fn give(&self, link: Digest) -> u16 {
        self.phone.post("/link", &serde_json::json!({ "link": link })).status
    }

    fn open(&mut self) {
        let link = self.next_link();
        assert_eq!(self.give(link), 200);
    }

    fn copy(&self, folder: &Path, read: &journal::Journal) -> String {
        let copy = WitnessCopy {
            schema: SCHEMA.to_owned(),
            name: format!("Seat {}", self.phone.seat),
            sitting: read.digests[0],
            receipts: read.digests.clone(),
            opened: self.opened.clone(),
        };
        let name = format!("copy-{}.json", self.phone.seat);
        std::fs::write(folder.join(&name), serde_json::to_string(&copy).expect("plain data"))
            .expect("written");
        name
    }
}

/// A night whose clock is moved by hand.
struct Evening {
    host: Host,
    clock: Arc<HandClock>,
}

impl Evening {
    fn open(folder: &Path, trials: u32) -> Self {
        let session = session(folder, "abx", trials, "");
        let clock = Arc::new(HandClock::default());
        let hers = clock.clone();
        let host = Host::start(move || (request_of(session), environment(hers, &Recorder::default())))
            .expect("open");
        Self { host, clock }
    }

    fn pass(&self, milliseconds: u64) {
        for _ in 0..milliseconds.div_ceil(50) {
            self.clock.0.fetch_add(50, Ordering::SeqCst);
            self.host.settle();
        }
    }

    /// The trial plays by itself, is voted on and closed.
    fn through(&self, phones: &[&Linked]) {
        assert_eq!(self.host.look().phase, Phase::Presenting);
        self.pass(1000);
        let seen = self.host.until(Phase::Voting);
        let trial = seen.trial.as_ref().expect("a trial").id.clone();
        for phone in phones {
            assert_eq!(phone.phone.vote(&trial, "a").status, 200);
        }
        self.host.say("close").expect("closed");
    }
}

/// A change of a journal's records, and its name.
type Change<'c> = (&'c str, Box<dyn Fn(&mut Vec<Record>)>);

#[test]
fn a_trial_begins_when_the_phones_that_are_there_have_opened_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let evening = Evening::open(folder.path(), 4);
    let host = &evening.host;
    let mut ida = Linked::join(host, "Ida", 1);
    let mut ola = Linked::join(host, "Ola", 2);
    let mut eva = Linked::join(host, "Eva", 3);
    // A phone that only votes.
    let old = Phone::join(host, "An old phone", None);
    assert_eq!(
        ida.phone.post("/link", &serde_json::json!({ "end": Digest([9; 32]) })).status,
        409,
        "one chain a seat"
    );
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    assert_eq!(ida.phone.state()["link"], "kept", "nothing is asked for before the trial begins");
    assert_eq!(ida.give(ida.links.link(1).expect("a link")), 409, "nor taken");

    // The practice trial: all three.
    host.say("next").expect("asked");
    assert_eq!(host.look().phase, Phase::Ready);
    assert!(host.say("next").is_err(), "it begins by itself");
    ida.open();
    ola.open();
    evening.pass(LINKS_WAIT_MS - 200);
    assert_eq!(host.look().phase, Phase::Ready, "Eva is waited for");
    assert_eq!(host.look().links.map(|links| (links.opened, links.of)), Some((2, 3)));
    eva.open();
    evening.through(&[&ida, &ola, &eva]);
    assert_eq!(old.state()["link"], "nothing");

    // The votes that were just closed may be made void, as long as the next trial has not begun.
    host.say("void a tram passed").expect("void");
    host.say("next").expect("asked");
    let refused = host.say("void a tram passed").expect_err("its links are asked for");
    assert!(refused.contains("cannot be made void any more"), "{refused}");
    // Eva's phone is late: its link is in no draw, and never given again.
    ida.open();
    ola.open();
    let late = eva.next_link();
    evening.pass(LINKS_WAIT_MS - 100);
    assert_eq!(host.look().phase, Phase::Ready);
    evening.pass(200);
    assert_eq!(host.look().phase, Phase::Presenting, "passed over");
    assert_eq!(eva.give(late), 409);
    evening.through(&[&ida, &ola, &eva]);

    // Who was passed over is not waited for, but may be back, with the link after the one that came too late.
    host.say("next").expect("announced or asked");
    ida.open();
    eva.open();
    ola.open();
    evening.through(&[&ida, &ola, &eva]);
    // A listener leaves with the phone: nobody waits for it.
    assert_eq!(eva.phone.post("/leave", &serde_json::json!({})).status, 200);
    host.say("next").expect("asked");
    ida.open();
    ola.open();
    evening.pass(1600);
    evening.through(&[&ida, &ola]);
    // Nobody opens anything: the trial is played all the same.
    host.say("next").expect("asked");
    evening.pass(LINKS_WAIT_MS + 100);
    evening.through(&[&ida, &ola]);

    // The computer is killed while a trial waits for its links: nothing of it was heard, and the phones give fresh chains.
    host.say("next").expect("asked");
    ola.open();
    let Evening { host, .. } = evening;
    host.leave();
    let evening = Evening::open(folder.path(), 4);
    let host = &evening.host;
    let again = |linked: &mut Linked, name: &str, last: u8| {
        linked.phone.address = host.address;
        assert_eq!(linked.phone.state()["alias"], name);
        linked.give_end(last);
    };
    again(&mut ida, "Ida", 4);
    again(&mut ola, "Ola", 5);
    host.say("next").expect("sealed");
    for _ in 0..3 {
        if host.look().phase == Phase::Counting {
            break;
        }
        host.say("next").expect("asked");
        ida.open();
        ola.open();
        evening.through(&[&ida, &ola]);
    }
    host.until(Phase::Counting);
    host.say("next").expect("opened");
    host.until(Phase::Result);
    let path = host.journal.clone();
    evening.host.leave();

    // Strangers find the same draws.
    crate::trial::python::agree(&path);
    let found = crate::report::self_check::says_of(&std::fs::read(&path).expect("the journal"));
    assert!(found["summary"].as_str().expect("a summary").contains("everything below holds"), "{found:#}");
    let checked = kit::check(&path);
    assert_eq!(
        checked.passed_over(),
        [("Eva", 2), ("Ida", 1), ("Ola", 1)],
        "the void attempt is not counted"
    );
    let said = checked.witnessed_sentence().expect("it was witnessed");
    assert!(said.starts_with("4 of 5 trials witnessed by Ida, Ola, Eva; passed over:"), "{said}");
    // Each phone's copy fits, and says what came too late.
    let read = journal::read(&path).expect("a journal");
    // The journal without its session: the stage's sounds are shorter than a session file may agree on.
    let (_alone, alone) = kit::written(&std::fs::read(&path).expect("the journal"));
    for (linked, late) in [(&ida, false), (&ola, false), (&eva, true)] {
        let copy = linked.copy(folder.path(), &read);
        let held = earwitness(folder.path(), &["verify", alone.to_str().expect("text"), "--witness", &copy]);
        assert_eq!(held.code, 0, "{}{}", held.out, held.err);
        assert_eq!(held.out.contains("1 link came too late and was passed over"), late, "{}", held.out);
    }
    dropped(folder.path(), &read, &ida);
    each_rule_broken(&read);
    let kinds = crate::trial::cut::after_every_record(&path, drop);
    for kind in [
        "seat",
        "seat-left",
        "witness-joined",
        "links-asked",
        "link-opened",
        "links-passed",
        "vote",
        "votes-closed",
        "votes-void",
        "resumed",
    ] {
        assert!(kinds.contains(kind), "{kind} is not among {kinds:?}");
    }
}

/// An owner writes the journal anew without a link that did not suit: the phone's copy tells.
fn dropped(folder: &Path, read: &journal::Journal, ida: &Linked) {
    let copy: WitnessCopy =
        serde_json::from_str(&std::fs::read_to_string(folder.join(ida.copy(folder, read))).expect("a copy"))
            .expect("a copy");
    let own = copy.opened[0].0;
    let mut records = read.records.clone();
    records.retain(|record| !matches!(record, Record::LinkOpened { link, .. } if *link == own));
    let bytes = crate::trial::tampering::rewritten(&records);
    let (_folder, path) = kit::written(&bytes);
    let forged = journal::read(&path).expect("a journal");
    // As its own first record has another digest in a file that was written anew, the copy names the night by what it saw.
    let held = WitnessCopy { sitting: forged.digests[0], ..copy }.against(&forged).expect("the same night");
    assert!(
        held.problems.iter().any(|problem| problem.message.contains("written anew")),
        "{:?}",
        held.problems
    );
}

/// Each rule of the records, broken by itself.
fn each_rule_broken(read: &journal::Journal) {
    let passed = |nth: usize| {
        let all =
            read.records.iter().enumerate().filter(|(_, one)| matches!(one, Record::LinksPassed { .. }));
        all.map(|(index, _)| index).nth(nth).expect("a record")
    };
    let first = passed(0);
    let asked = |before: usize| {
        read.records[..before]
            .iter()
            .rposition(|one| matches!(one, Record::LinksAsked { .. }))
            .expect("a record")
    };
    let changes: Vec<Change> = vec![
        (
            "passed over before its time",
            Box::new(move |records| {
                let Record::LinksPassed { at_ms, .. } = &mut records[first] else { unreachable!() };
                *at_ms -= 200;
                let mut latest = 0;
                for record in &mut records[..first] {
                    latest = latest.max(record.at_ms());
                }
                assert!(latest < records[first].at_ms(), "times still run forwards");
            }),
        ),
        (
            "are others",
            Box::new(move |records| {
                let Record::LinksPassed { missing, .. } = &mut records[first] else { unreachable!() };
                *missing = vec![1];
            }),
        ),
        ("asked for twice", {
            let at = asked(first);
            Box::new(move |records| records.insert(at, records[at].clone()))
        }),
        ("not asked for", {
            let at = asked(first);
            Box::new(move |records| drop(records.remove(at)))
        }),
        ("began before its witnesses", Box::new(move |records| drop(records.remove(first)))),
        ("void after links", {
            let begins = |one: &Record, trial: u32| matches!(one, Record::LinksAsked { id, .. } if id.part == Part::Main && id.trial == trial);
            let at = read.records.iter().position(|one| begins(one, 2)).expect("a record");
            Box::new(move |records| {
                let (at_ms, cause) = (records[at].at_ms(), "a tram passed".to_owned());
                let id = TrialId { part: Part::Main, trial: 1, attempt: 1 };
                records.insert(at + 1, Record::VotesVoid { at_ms, id, cause });
            })
        }),
    ];
    for (said, change) in changes {
        let mut records = read.records.clone();
        change(&mut records);
        let (_folder, path) = kit::written(&crate::trial::tampering::rewritten(&records));
        let checked = verify::alone(&path);
        assert!(!checked.is_sound(), "{said}");
        let message = &checked.problems[0].message;
        let said = if said == "began before its witnesses" { "before its witnesses opened" } else { said };
        assert!(message.contains(said), "{said}: {message}");
    }
}

#[test]
fn a_guest_opens_only_the_own_link_and_nobody_is_asked_twice() {
    let folder = tempfile::tempdir().expect("a folder");
    let evening = Evening::open(folder.path(), 1);
    let host = &evening.host;
    let mut ida = Linked::join(host, "Ida", 1);
    let ola = Linked::join(host, "Ola", 2);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    host.say("next").expect("asked");
    // Another's link, a link of nobody's, the one after the next, both in one body, from a phone without a seat.
    let skipped = ida.links.link(2).expect("a link");
    for link in [ola.links.link(1).expect("a link"), Digest([7; 32]), skipped] {
        assert_eq!(ida.give(link), 409);
    }
    let both = serde_json::json!({ "link": skipped, "end": skipped });
    assert_eq!(ida.phone.post("/link", &both).status, 400);
    let stranger = Phone { cookie: "seat=1".to_owned(), ..ida.phone.clone() };
    assert_eq!(stranger.post("/link", &serde_json::json!({ "link": skipped })).status, 401);
    let link = ida.next_link();
    assert_eq!(ida.give(link), 200);
    assert_eq!(ida.give(link), 409, "a link is taken once");
    // What a phone is asked at is a receipt with bytes that no guest knows.
    let read = journal::read(&host.journal).expect("a journal");
    let nonce =
        |record: &Record| if let Record::LinksAsked { nonce, .. } = record { Some(*nonce) } else { None };
    let nonces: Vec<Digest> = read.records.iter().filter_map(nonce).collect();
    assert_eq!(nonces.len(), 1);
    assert_ne!(nonces[0], Digest([0; 32]));
    // The door is closed to chains once the draws are sealed.
    let late = Phone::seated(host.address, &join(host.address, &host.code, "Late", None));
    assert_eq!(late.state()["link"], "nothing");
    assert_eq!(late.post("/link", &serde_json::json!({ "end": Digest([5; 32]) })).status, 409);
    evening.host.leave();
}
