//! Opening a night: what is asked for, what is taken from the world, and in which order things are made.

use std::net::{SocketAddr, TcpListener};
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex, RwLock};
use std::time::Instant;

use super::{Club, options, refused};
use crate::ballot::NightError;
use crate::ballot::guard::{Door, Paces, Tally};
use crate::ballot::night::Night;
use crate::ballot::pass::{PassFile, Passes};
use crate::ballot::presentation::{self, Timing};
use crate::ballot::qr;
use crate::ballot::refused::Log;
use crate::ballot::routes::{Shared, serve};
use crate::ballot::view::Snapshot;
use crate::player::{OutputChoice, PlayerOptions, Transport};
use crate::session::Session;
use crate::stimulus::{DeviceWords, Progress, StimulusSet};
use crate::trial::record::StoppingTerms;
use crate::trial::{Digest, Draft, Occasion, Output, Record, Secret, Sittings, journal};

/// The port that a night listens on where none is given: stable, so that phones find it again after a restart.
pub const PORT: u16 = 8410;
/// Letters that may wait; more are told to come again.
const LETTERS: usize = 4096;

/// Time as a night needs it.
pub trait Clock: Send + Sync {
    /// Milliseconds of the night; never runs backwards.
    fn now_ms(&self) -> u64;
    /// The date and time in UTC, RFC 3339 with whole seconds.
    fn utc(&self) -> String;
    /// The night goes on at this time: it was resumed.
    fn go_on_at(&self, at_ms: u64);
}

/// The computer's clock.
#[derive(Debug)]
pub struct RealClock {
    started: Instant,
    offset_ms: std::sync::atomic::AtomicU64,
}

impl Default for RealClock {
    fn default() -> Self {
        Self { started: Instant::now(), offset_ms: std::sync::atomic::AtomicU64::new(0) }
    }
}

impl Clock for RealClock {
    fn now_ms(&self) -> u64 {
        self.started.elapsed().as_millis() as u64 + self.offset_ms.load(std::sync::atomic::Ordering::Relaxed)
    }

    fn utc(&self) -> String {
        let now = jiff::Timestamp::now();
        jiff::Timestamp::from_second(now.as_second()).unwrap_or(now).to_string()
    }

    fn go_on_at(&self, at_ms: u64) {
        let behind = at_ms.saturating_sub(self.now_ms());
        self.offset_ms.fetch_add(behind, std::sync::atomic::Ordering::Relaxed);
    }
}

/// What is to be hosted.
#[derive(Debug, Clone)]
pub struct Invitation {
    /// The session.
    pub session: Session,
    /// The host's name.
    pub host: String,
    /// Where the sound goes.
    pub output: OutputChoice,
    /// The address to listen on; `None`: the one of the night that is resumed, or loopback.
    pub listen: Option<SocketAddr>,
    /// Gaps and countdowns.
    pub timing: Timing,
    /// The host plays every stimulus and opens the votes.
    pub by_hand: bool,
    /// A new night also where an older one was cut off.
    pub anew: bool,
}

/// Makes a session's stimuli.
pub type Prepare =
    Box<dyn Fn(&Session, &dyn Progress) -> Result<StimulusSet, crate::stimulus::StimulusError>>;
/// Opens an output.
pub type Open = Box<
    dyn Fn(&OutputChoice, u32, u16, PlayerOptions) -> Result<Box<dyn Transport>, crate::player::PlayerError>,
>;

/// What a night takes from the world, replaceable as a whole.
pub struct World {
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// Stimuli.
    pub prepare: Prepare,
    /// Sound.
    pub open: Open,
    /// The secret of the seal; `None` asks the operating system.
    pub secret: Option<[u8; 32]>,
    /// The secret of the passes; `None` asks the operating system.
    pub passes: Option<[u8; 32]>,
    /// Tests of blindness only: presentation orders in turn instead of the sealed ones.
    pub forced_orders: Vec<usize>,
    /// How much of what is taken from whom.
    pub paces: Paces,
}

impl World {
    /// The real one.
    pub fn real() -> Self {
        Self {
            clock: Arc::new(RealClock::default()),
            prepare: Box::new(|session, progress| crate::stimulus::prepare(session, progress)),
            open: Box::new(crate::player::open),
            secret: None,
            passes: None,
            forced_orders: Vec::new(),
            paces: Paces::default(),
        }
    }
}

impl Club {
    /// Opens the night: locks the folder, makes the stimuli, opens the output, the journal and the doors. A night of this
    /// session that was cut off is resumed, unless the invitation says otherwise.
    ///
    /// # Errors
    /// Another host, an address that cannot be had, a session that is not for a room, stimuli, output, journal.
    pub fn open(invitation: Invitation, world: World, progress: &dyn Progress) -> Result<Self, NightError> {
        let Invitation { session, host, output, listen, timing, by_hand, anew } = invitation;
        let World { clock, prepare, open, secret, passes, forced_orders, paces } = world;
        let utc = clock.utc();
        let folder = session.sittings_folder();
        let sittings = Sittings::lock(&folder, &utc).map_err(|error| match error {
            crate::trial::SittingsError::Busy { .. } => NightError::Refused(format!(
                "{error}. If it is a night, this one would be its second host: there is one host at a time"
            )),
            other => refused(other),
        })?;
        let digest = Digest::of(session.source.as_bytes());
        let cut_off = sittings
            .unfinished()
            .into_iter()
            .rfind(|night| night.occasion == Occasion::Night && night.session == digest && !anew);
        let stimuli = prepare(&session, progress)?;
        let first = stimuli.pairs.first().ok_or_else(|| refused("the session has nothing to play"))?;
        let opened = (first.a.rate_hz, first.a.channels);
        let player = open(&output, opened.0, opened.1, options())?;
        let description = player.description();
        let mut notes: Vec<String> = session.notes.iter().chain(&stimuli.notes).cloned().collect();
        let words = (description.kind == "device").then(|| DeviceWords::of(&stimuli, &description.format));
        let caution = words.as_ref().and_then(|words| words.caution(&session, 0.0));
        notes.extend(caution.clone());

        // The doors before the journal: a night that nobody can come to must not be announced.
        let known = match &cut_off {
            Some(night) => PassFile::read(&PassFile::beside(&folder.join(&night.journal)))?,
            None => None,
        };
        let wanted = listen
            .or(known.as_ref().map(|file| file.address))
            .unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], PORT)));
        let listener = TcpListener::bind(wanted).map_err(|error| NightError::Address {
            address: wanted.to_string(),
            reason: error.to_string(),
        })?;
        let address = listener.local_addr().map_err(|error| NightError::Address {
            address: wanted.to_string(),
            reason: error.to_string(),
        })?;
        if address.ip().is_unspecified() {
            return Err(NightError::Address {
                address: wanted.to_string(),
                reason:
                    "it stands for every address of this machine, and a night has one that phones can be told"
                        .to_owned(),
            });
        }

        let resumed = cut_off.is_some();
        let opened_sitting = if let Some(night) = &cut_off {
            sittings.resume(&night.journal, &utc, Output::from(&description), None).map_err(refused)?
        } else {
            let mut draft = Draft::new(&session, &stimuli, &description, &host, &utc);
            draft.occasion = Occasion::Night;
            fit_for_a_room(&mut draft, &mut notes)?;
            let secret = match secret {
                Some(bytes) => Secret::from_bytes(bytes),
                None => {
                    Secret::draw().map_err(|error| refused(format!("no secret can be drawn: {error}")))?
                }
            };
            sittings.open(draft, secret, None).map_err(refused)?
        };
        let (keeper, mut conductor, effects) =
            (opened_sitting.keeper, opened_sitting.conductor, opened_sitting.effects);
        if !forced_orders.is_empty() {
            conductor = conductor.with_forced_orders(&forced_orders);
        }
        let path = keeper.path();
        let passes = match (known, passes) {
            (Some(file), _) => Passes::from_bytes(file.secret.0),
            (None, Some(bytes)) => Passes::from_bytes(bytes),
            (None, None) => {
                Passes::draw().map_err(|error| refused(format!("no room code can be drawn: {error}")))?
            }
        };
        let passes_file = PassFile::beside(&path);
        PassFile { secret: Digest(*passes.secret()), address }.write(&passes_file)?;

        let read = journal::read(&path).map_err(refused)?;
        clock.go_on_at(conductor.at_ms());
        let night = Night::new(conductor, &read.records, &read.digests, timing, by_hand);
        let labels: Vec<&str> = night.definition().slots.iter().map(|slot| slot.label).collect();
        let order = if by_hand { labels.join(", ") } else { presentation::order(&labels, timing.rounds) };
        let (sender, letters) = sync_channel(LETTERS);
        let shared = Arc::new(Shared {
            door: Door::new(address),
            passes,
            tally: Mutex::new(Tally::new(paces)),
            log: Mutex::new(Log::beside(&path)?),
            snapshot: RwLock::new(Arc::new(Snapshot::of(&night, clock.now_ms(), &order, None))),
            letters: sender,
            clock: clock.clone(),
            address,
            journal: path,
        });
        let server = serve(listener, shared.clone())?;
        let mut club = Self {
            qr: qr::terminal_lines(&shared.join_address()),
            practised: read.records.iter().any(|record| matches!(record, Record::VotesClosed { .. })),
            night,
            keeper,
            records: read.records,
            digests: read.digests,
            stimuli,
            player,
            open,
            output,
            opened,
            clock,
            shared,
            letters,
            passes_file,
            order,
            results: None,
            notices: Vec::new(),
            notes,
            resumed,
            _server: server,
        };
        club.carry_out(effects);
        // What the device's words make of the differences, at the clips' own level: a night has no other.
        let facts = words.map(|words| words.facts(0.0).to_string());
        for text in facts.into_iter().chain(caution.map(|caution| format!("caution: {caution}"))) {
            let effects = club.night.note(club.clock.now_ms(), text);
            club.carry_out(effects);
        }
        club.publish();
        Ok(club)
    }
}

/// What a room changes in a session's terms, told to the host.
fn fit_for_a_room(draft: &mut Draft, notes: &mut Vec<String>) -> Result<(), NightError> {
    let terms = &mut draft.terms;
    if !matches!(terms.stopping, StoppingTerms::AllTrials {}) {
        return Err(NightError::Refused(
            "stopping: a sequential rule ends each listener's test at another trial, and a room hears the same trials; \
             take the stopping rule out of the session for a night"
                .to_owned(),
        ));
    }
    if terms.qualification.take().is_some() {
        notes.push("The session's qualification is for single listeners; this night has none. Controls are reported.".into());
    }
    if terms.wager.take().is_some() {
        notes.push("The session's wager is for a single listener; this night has none.".into());
    }
    if terms.confidence {
        terms.confidence = false;
        notes.push("Confidence is not asked on a night.".into());
    }
    if terms.warm_up == 0 {
        terms.warm_up = 1;
        notes.push("A night begins with a practice trial that does not count.".into());
    }
    Ok(())
}
