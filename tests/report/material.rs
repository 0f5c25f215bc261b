//! Invented sittings, written by the library with fixed secrets: the same bytes each time.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use earwitness::session::{Session, load};
use earwitness::trial::OutputKind;
use earwitness::trial::journal_writer::utc_ms;
use earwitness::trial::ledger::Ledger;
use earwitness::trial::record::{
    Ballot, Closing, FORMAT, InputTerms, Listening, Occasion, Opening, Outcome, Output, Presentation, Record,
    StimulusTerms, Terms,
};
use earwitness::trial::register::Entry;
use earwitness::trial::rounds;
use earwitness::trial::schedule::{Draws, Subject};
use earwitness::trial::score::RunningCounts;
use earwitness::trial::seal::Secret;
use earwitness::trial::waits;
use earwitness::trial::witness::{Links, trial_key};
use earwitness::trial::{Definition, Digest, VoidedBy, chain};

/// A session of the tests' own: tiny, so that reports are quick. Everything in it is invented.
pub(crate) const SESSION: &str = r#"title = "Two invented cables"
protocol = "abx"
trials = 12
warm_up = 1
alpha = 0.05
levels = "as-wired"
switching = "instant"
confidence = true

[amplifier]
output_resistance = "30 mohm"

[loudspeaker]
resistance = "6 ohm"

[cables.thin]
construction = "parallel-pair"
length = "10 m"
conductor = "0.5 mm2"
spacing = "2.4 mm"
permittivity = 4.5

[cables.thick]
construction = "parallel-pair"
length = "10 m"
conductor = "4 mm2"
spacing = "5.5 mm"
permittivity = 3.2

[clips.plucked]
synth = "plucked-strings"
length = "1 s"
seed = 4

[[comparisons]]
name = "thin-thick"
a = "thin"
b = "thick"
clips = ["plucked"]

[[controls]]
kind = "level"
amount = "2 dB"
trials = 2

[[controls]]
kind = "identical"
trials = 2
"#;

/// The same with so many comparisons.
pub(crate) fn many_comparisons(count: usize) -> String {
    use std::fmt::Write as _;
    let mut more = String::new();
    for number in 2..=count {
        let _ = write!(
            more,
            "[[comparisons]]\nname = \"thin-none-{number}\"\na = \"thin\"\nb = \"none\"\nclips = [\"plucked\"]\n\n"
        );
    }
    let controls = "[[controls]]\nkind = \"level\"";
    SESSION.replace(controls, &format!("{more}{controls}")) + "\n[cables.none]\nconstruction = \"direct\"\n"
}

/// How an invented sitting goes.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    /// The listener, or the host of a night.
    pub(crate) listener: String,
    /// Another name to be shown.
    pub(crate) alias: Option<String>,
    /// Makes secret and answers.
    pub(crate) seed: u64,
    /// Probability of a right answer to comparisons; controls that can be heard are always right.
    pub(crate) right: f64,
    /// A simulated listener's.
    pub(crate) simulated: Option<f64>,
    /// `device`, `silent` or `file`.
    pub(crate) output: OutputKind,
    /// Sample format, and what is noted of it before the first trial.
    pub(crate) words: (&'static str, Option<earwitness::stimulus::WordFacts>),
    /// Typed hands: who and what.
    pub(crate) hands: Vec<(String, String)>,
    /// Witnesses whose phones hold the other half of every draw.
    pub(crate) watched: Vec<String>,
    /// Stop after so many answers.
    pub(crate) stop: Option<(u32, bool)>,
    /// Every how many-th attempt is void first.
    pub(crate) void_every: u32,
    /// Hears no control either.
    pub(crate) deaf: bool,
    /// Answers this alternative whatever is heard.
    pub(crate) always: Option<usize>,
    /// Is right in identical controls too: something gives X away.
    pub(crate) knows: bool,
    /// How long each answer takes, if not as long as people take.
    pub(crate) took_ms: Option<u64>,
    /// What was asked about listener and place.
    pub(crate) facts: Option<Vec<earwitness::session::SittingFact>>,
    /// Hears a difference on this clip only.
    pub(crate) only_clip: Option<usize>,
    /// Plays only the last of the sounds.
    pub(crate) only_last: bool,
    /// Every how many-th trial of a night the ballots on paper are entered only after the votes were closed.
    pub(crate) late_every: u32,
    /// What happens to the device in every attempt without disturbing it.
    pub(crate) event: Option<String>,
    /// Seats of a night, with their probability of a right answer.
    pub(crate) seats: Vec<(String, f64)>,
}

impl Plan {
    pub(crate) fn new(listener: &str, seed: u64, right: f64) -> Self {
        Self {
            listener: listener.to_owned(),
            alias: None,
            seed,
            right,
            simulated: None,
            output: OutputKind::Device,
            words: ("f32", None),
            hands: vec![(listener.to_owned(), format!("phrase number {seed}"))],
            watched: Vec::new(),
            stop: None,
            void_every: 0,
            deaf: false,
            always: None,
            knows: false,
            took_ms: None,
            facts: None,
            only_clip: None,
            only_last: false,
            late_every: 0,
            event: None,
            seats: Vec::new(),
        }
    }
}

/// A folder with a session and its sittings.
pub(crate) struct Site {
    pub(crate) folder: tempfile::TempDir,
    pub(crate) session: Session,
    lines: u64,
    chain: Digest,
    /// What the clock says next: a forger sets it.
    pub(crate) day: u32,
    /// Sittings announced so far.
    sitting: u32,
    /// Goes into the digests of the stimuli: another number is other sound.
    pub(crate) stimuli: u8,
}

/// A small generator for tests: splitmix64.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn chance(&mut self, probability: f64) -> bool {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64 <= probability && probability > 0.0
    }
}

impl Site {
    pub(crate) fn new(session: &str) -> Self {
        Self::with_files(session, |_| {})
    }

    /// With files that the session reads, put there first.
    pub(crate) fn with_files(session: &str, put: impl FnOnce(&Path)) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        put(folder.path());
        std::fs::write(folder.path().join("session.toml"), session).expect("session");
        std::fs::create_dir_all(folder.path().join("sittings")).expect("sittings");
        let session = load(folder.path()).expect("the session is valid");
        Self { folder, session, lines: 0, chain: Digest::NOTHING, day: 1, sitting: 0, stimuli: 0 }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    fn enter(&mut self, entry: &Entry) -> Digest {
        self.lines += 1;
        let line = chain::encode(self.lines, self.chain, None, entry).expect("encodes");
        self.chain = Digest::of(&line);
        let path = self.path().join("sittings/register.jsonl");
        let mut register =
            std::fs::OpenOptions::new().create(true).append(true).open(path).expect("register");
        register.write_all(&[line.as_slice(), b"\n"].concat()).expect("register");
        self.chain
    }

    /// Holds a sitting and writes its journal and the register; returns the journal's path.
    pub(crate) fn hold(&mut self, plan: &Plan) -> PathBuf {
        let utc = format!("2026-02-{:02}T19:30:00Z", self.day);
        self.day = self.day % 28 + 1;
        self.sitting += 1;
        let mut numbers = Numbers(plan.seed);
        let secret = Secret::from_bytes(std::array::from_fn(|_| numbers.next() as u8));
        let name = format!(
            "{}-{:05}-{}.jsonl",
            utc.replace([':', '-'], ""),
            self.lines,
            plan.listener.to_lowercase().replace(|c: char| !c.is_ascii_alphanumeric(), "-")
        );
        let mut opening = self.opening(plan, &secret, &utc);
        let entry = Entry::Opened {
            utc: utc.clone(),
            journal: name.clone(),
            occasion: opening.occasion,
            listener: plan.listener.clone(),
            commitment: opening.commitment,
            session: opening.session,
            simulated: plan.simulated,
        };
        opening.register = self.enter(&entry);
        let records = records(plan, opening, &secret, &mut numbers);
        let path = self.path().join("sittings").join(&name);
        let mut bytes = Vec::new();
        let wall = utc_ms(&utc);
        let mut chain = Digest::NOTHING;
        for (index, record) in records.iter().enumerate() {
            let line = chain::encode(index as u64 + 1, chain, Some(wall + record.at_ms() as i64), record)
                .expect("encodes");
            chain = Digest::of(&line);
            bytes.extend_from_slice(&line);
            bytes.push(b'\n');
        }
        std::fs::write(&path, bytes).expect("journal");
        if let Some(Record::Closing(closing)) = records.last() {
            self.enter(&Entry::Closed { utc, journal: name, receipt: chain, outcome: closing.outcome });
        }
        path
    }

    fn opening(&self, plan: &Plan, secret: &Secret, utc: &str) -> Opening {
        let night = !plan.seats.is_empty();
        let session = &self.session;
        let terms = Terms::of(session);
        let terms = if night { terms.in_a_room() } else { terms };
        let mut stimuli = Vec::new();
        for (comparison, of) in session.comparisons.iter().enumerate() {
            for clip in &of.clips {
                stimuli.push(stimulus(comparison, *clip, None, self.stimuli));
            }
        }
        let own = stimuli.clone();
        for control in 0..session.controls.len() {
            for pair in &own {
                let mut made = stimulus(pair.comparison, pair.clip, Some(control), self.stimuli);
                if !terms.controls[control].is_positive() {
                    made.b = made.a;
                }
                stimuli.push(made);
            }
        }
        let mut opening = Opening {
            format: FORMAT,
            program: "earwitness 0.1.0".to_owned(),
            utc: utc.to_owned(),
            occasion: if night { Occasion::Night } else { Occasion::Sitting },
            listener: plan.listener.clone(),
            alias: plan.alias.clone(),
            commitment: secret.commitment(FORMAT),
            register: Digest::NOTHING,
            session: Digest::of(session.source.as_bytes()),
            terms,
            stimuli,
            output: Output {
                kind: plan.output,
                name: "Invented device of /home/somebody".to_owned(),
                host: "ALSA".to_owned(),
                rate_hz: 48_000,
                format: plan.words.0.to_owned(),
                buffer_frames: 1024,
                channels: 2,
                path: None,
            },
            simulated: plan.simulated,
            invented: session.invented,
            sitting: Some(u64::from(self.sitting)),
            lock: None,
            inputs: Some(InputTerms::of(session).expect("its files are there")),
            earlier: None,
            facts: plan.facts.clone(),
            rows: earwitness::trial::balance::rows(&Terms::of(session), &[]),
        };
        if session.switcher.is_some() {
            // A cable makes the difference, and not the sound.
            let own = opening.stimuli.iter_mut().filter(|stimulus| stimulus.control.is_none());
            own.for_each(|stimulus| stimulus.b = stimulus.a);
        }
        // Each tells of none before it, as a forger would.
        let wager = opening.terms.wager.as_ref();
        opening.earlier = wager.filter(|wager| opening.is_claimants(wager)).map(|_| Vec::new());
        opening
    }
}

fn stimulus(comparison: usize, clip: usize, control: Option<usize>, made: u8) -> StimulusTerms {
    let digest = |side: u8| {
        Digest::of(&[comparison as u8, clip as u8, control.map_or(255, |c| c as u8), side + 2 * made])
    };
    StimulusTerms {
        comparison,
        clip,
        control,
        a: digest(0),
        b: digest(1),
        rate_hz: Some(48_000),
        level: None,
        recorded: None,
    }
}

/// All records of a sitting, each accepted by the ledger.
fn records(plan: &Plan, opening: Opening, secret: &Secret, numbers: &mut Numbers) -> Vec<Record> {
    let night = opening.occasion == Occasion::Night;
    let definition = Definition::of(opening.terms.protocol);
    let slots = definition.slots.len();
    let mut ledger = Ledger::new(opening.clone()).expect("the opening is valid");
    let mut tally = RunningCounts::new(&opening);
    let mut all = vec![Record::Opening(Box::new(opening.clone()))];
    let mut at_ms = 0;
    let mut put = |ledger: &mut Ledger, record: Record| {
        ledger.apply(&record).expect("the record may stand here");
        all.push(record);
    };
    for by in ledger.parties() {
        at_ms += 1000;
        put(&mut ledger, Record::Accepted { at_ms, by });
    }
    for (by, text) in &plan.hands {
        at_ms += 4000;
        put(&mut ledger, Record::Hand { at_ms, by: by.clone(), text: text.clone() });
    }
    for (index, (alias, _)) in plan.seats.iter().enumerate() {
        at_ms += 500;
        let by = if index % 5 == 4 { Ballot::Paper } else { Ballot::Phone };
        put(
            &mut ledger,
            Record::Seat { at_ms, seat: index as u32 + 1, alias: alias.clone(), by, table: None },
        );
    }
    let chain = |name: &String| Links::from_last(Digest::of(name.as_bytes()), 500);
    let chains: Vec<Links> = plan.watched.iter().map(chain).collect();
    for (index, (name, links)) in plan.watched.iter().zip(&chains).enumerate() {
        let (witness, name, end) = (index as u32 + 1, name.clone(), links.end());
        put(&mut ledger, Record::WitnessJoined { at_ms, witness, name, end, seat: None });
    }
    put(&mut ledger, Record::Sealed { at_ms, phrases: None, hands: Some(plan.hands.len() as u32) });
    if let Some(facts) = plan.words.1 {
        put(&mut ledger, Record::Resolution { at_ms, resolved: facts.into() });
    }
    let key = secret.key(FORMAT, plan.hands.iter().map(|(_, text)| text.as_bytes()));
    let mut draws = Draws::new(&opening, key);
    let mut outcome = None;
    while let Some(id) = ledger.next() {
        if outcome.is_some() {
            break;
        }
        if let Some((answers, close)) = plan.stop
            && ledger.answered() >= answers
        {
            outcome = close.then_some(Outcome::StoppedEarly);
            break;
        }
        let place = ledger.attempts.len() + 1;
        let opened: Vec<Digest> = chains.iter().filter_map(|links| links.link(place)).collect();
        for (index, link) in opened.iter().enumerate() {
            put(&mut ledger, Record::LinkOpened { at_ms, id, witness: index as u32 + 1, link: *link });
        }
        if !opened.is_empty() {
            draws.draw_anew(trial_key(&key, &opened), id);
        }
        let presented = draws.present(id).expect("the trial is scheduled");
        let took_ms = plan.took_ms.unwrap_or(9000 + numbers.next() % 14_000);
        at_ms += took_ms + 700;
        let listening = Listening {
            listens: (1..=slots).map(|slot| if plan.only_last && slot < slots { 0 } else { 2 }).collect(),
            heard_ms: vec![took_ms / slots as u64; slots],
            switches: 3 + (numbers.next() % 6) as u32,
            took_ms,
            events: plan.event.iter().cloned().collect(),
            presented: opening.terms.switcher.as_ref().map(|terms| {
                let places = slots + rounds::fillings(&opening.terms, id.part);
                let presentation = |(at, slot): (usize, usize)| Presentation {
                    slot,
                    at_ms: at_ms - took_ms + 1800 * at as u64,
                    apart_ms: waits::apart_ms(&key, terms, id, at + 1),
                };
                rounds::order(&key, id, 1, places).into_iter().enumerate().map(presentation).collect()
            }),
        };
        if plan.void_every > 0 && id.attempt == 1 && id.trial % plan.void_every == 0 {
            // On a night the host says why.
            let (cause, by) = if night {
                ("host: Quirin fell over a cable", Some(VoidedBy::Host))
            } else {
                ("underrun", None)
            };
            put(&mut ledger, Record::Void { at_ms, id, cause: cause.to_owned(), listening, by });
        } else if night {
            let mut voted = 0;
            let mut late = Vec::new();
            for (index, (alias, right)) in plan.seats.iter().enumerate() {
                if numbers.chance(0.04) {
                    continue;
                }
                let answer = answer(&opening, &presented, *right, plan, numbers);
                let by = if index % 5 == 4 { Ballot::Paper } else { Ballot::Phone };
                let vote = Record::Vote {
                    at_ms,
                    id,
                    seat: index as u32 + 1,
                    alias: alias.clone(),
                    answer: definition.alternatives[answer].name.to_owned(),
                    by,
                };
                if by == Ballot::Paper && plan.late_every > 0 && id.trial % plan.late_every == 0 {
                    late.push(vote);
                } else {
                    voted += 1;
                    put(&mut ledger, vote);
                }
            }
            let seats = plan.seats.len() as u32;
            put(&mut ledger, Record::VotesClosed { at_ms, id, voted, seats, listening });
            for vote in late {
                put(&mut ledger, vote);
            }
        } else {
            let answer = answer(&opening, &presented, plan.right, plan, numbers);
            let confidence = opening.terms.confidence.then(|| 1 + (numbers.next() % 5) as u8);
            let answer = definition.alternatives[answer].name.to_owned();
            put(&mut ledger, Record::Answer { at_ms, id, answer, confidence, listening });
        }
        let attempt = ledger.attempts.last().expect("an attempt was finished");
        tally.add(&opening, attempt, &presented);
        outcome = tally.ended(&ledger);
    }
    if let Some(outcome) = outcome {
        let closing = Closing {
            at_ms,
            outcome,
            secret: Digest(*secret.bytes()),
            key,
            counts: tally.counts.clone(),
            simulated: opening.simulated,
            earlier: Some(Vec::new()),
            proof: None,
            register: Some(opening.register),
            sittings: opening.sitting,
            drawn: draws.once().cloned(),
        };
        put(&mut ledger, Record::Closing(Box::new(closing)));
    }
    all
}

fn answer(
    opening: &Opening,
    presented: &earwitness::trial::schedule::Presented,
    right: f64,
    plan: &Plan,
    numbers: &mut Numbers,
) -> usize {
    if let Some(always) = plan.always {
        return always;
    }
    let alternatives = Definition::of(opening.terms.protocol).alternatives.len();
    let audible = match presented.subject {
        Subject::Comparison(_)
            if plan.only_clip.is_some_and(|clip| clip != opening.stimuli[presented.stimulus].clip) =>
        {
            1.0 / alternatives as f64
        }
        Subject::Comparison(_) => right,
        Subject::Control(_) if plan.knows => 1.0,
        Subject::Control(control) if !plan.deaf && opening.terms.controls[control].is_positive() => 1.0,
        Subject::Control(_) => 1.0 / alternatives as f64,
    };
    match presented.right(opening) {
        Some(answer) if numbers.chance(audible) => answer,
        Some(answer) => (answer + 1 + numbers.next() as usize % (alternatives - 1)) % alternatives,
        None => usize::from(numbers.chance(right)),
    }
}
