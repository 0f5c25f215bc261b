//! Opening a night: what is asked for, what is taken from the world, and in which order things are made.

use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex, RwLock};

use zeroize::Zeroizing;

use super::HostedNight;
use super::proof::Proof;
use crate::ballot::NightError;
use crate::ballot::addresses::SeatsOf;
use crate::ballot::guard::{HostCheck, Paces, RateLimiter};
use crate::ballot::night::Night;
use crate::ballot::pass::{PassFile, Passes};
use crate::ballot::presentation::{self, Timing};
use crate::ballot::qr;
use crate::ballot::refused::Log;
use crate::ballot::reveal::Place;
use crate::ballot::room::Room;
use crate::ballot::routes::{Shared, serve};
use crate::ballot::view::Snapshot;
use crate::conduct::{Driver, Environment, Folder, Output, SittingClock, Switched, folder};
use crate::player::{OutputChoice, PlayerOptions};
use crate::session::Session;
use crate::session::caution::Caution;
use crate::stimulus::StimulusSet;
use crate::trial::balance::draws_a;
use crate::trial::record::StoppingTerms;
use crate::trial::sittings::Secrets;
use crate::trial::{
    Digest, Draft, Occasion, Opening, Record, SittingsError, Terms, Unfinished, journal, told,
};
use crate::verdict::known_differences;

/// The port that a night listens on where none is given: stable, so that phones find it again after a restart.
pub const PORT: u16 = 8410;
/// Requests from phones that may wait; more are told to come again.
pub(super) const WAITING_REQUESTS: usize = 4096;
/// Every start and stop of a stimulus has the same fade, in seconds: soft, and equal for all slots.
const FADE_SECONDS: f64 = 0.05;

/// What is to be hosted.
#[derive(Debug, Clone)]
pub struct NightRequest {
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
    /// A guest locks the night with a passphrase.
    pub guest: bool,
    /// Seats that phones may hold at once.
    pub seats: u32,
    /// The first and the last seat that phones do not get.
    pub paper_seats: Option<(u32, u32)>,
    /// How many tables there are; 0: none.
    pub tables: u32,
}

/// Which passphrase a night needs before it is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PassphraseNeeded {
    /// None.
    None,
    /// A new one, which a guest chooses.
    New,
    /// The one that locked the night that was cut off.
    ToGoOn,
}

/// What a night takes from the world, replaceable as a whole.
pub struct NightEnvironment {
    /// What it shares with a sitting.
    pub common: Environment,
    /// The secret of the passes; `None` asks the operating system.
    pub passes: Option<[u8; 32]>,
    /// How much of what is taken from whom.
    pub paces: Paces,
}

impl NightEnvironment {
    /// The real one.
    pub fn real() -> Self {
        Self { common: Environment::real(), passes: None, paces: Paces::default() }
    }
}

/// A night before it is opened: what can refuse it without its stimuli has been asked, and nothing is on the disk.
pub struct BeforeNight {
    request: NightRequest,
    environment: NightEnvironment,
    folder: Folder,
    /// A night of this session that was cut off, and what was agreed then.
    cut_off: Option<(Unfinished, Opening)>,
    /// The secrets of the night that was cut off, where it was locked and the passphrase is right.
    unlocked: Option<Secrets>,
    /// The passphrase that locks a new night.
    locking: Option<Zeroizing<String>>,
    known: Option<PassFile>,
    terms: Terms,
    notes: Vec<String>,
    listener: TcpListener,
    address: SocketAddr,
}

impl BeforeNight {
    /// Looks at the folder and takes the address. A night of this session that was cut off will be resumed, unless the
    /// request says otherwise.
    ///
    /// # Errors
    /// Another host, an address that cannot be had, a session that is not for a room.
    pub fn check(request: NightRequest, environment: NightEnvironment) -> Result<Self, NightError> {
        let session = &request.session;
        let folder = Folder::look(session.sittings_folder(), &environment.common).map_err(locked)?;
        let (terms, mut notes) = terms_of_a_room(session)?;
        notes.extend(told::in_folder(&session.sittings_folder()));
        if draws_a(&terms) {
            notes.push(
                "The seal draws which cable is A. `ears` names them as the session does: tell the room that A may be the other \
                 one in the test. The results say which it was."
                    .to_owned(),
            );
        }
        if session.switcher.is_some() && request.by_hand {
            return Err(refused(
                "--by-hand plays at once what the host names, and a real cable has to be connected first: leave --by-hand out",
            ));
        }
        let digest = Digest::of(session.source.as_bytes());
        let cut_off = folder.sittings().and_then(|sittings| {
            let ours = |night: &Unfinished| night.occasion == Occasion::Night && night.session == digest;
            let night = sittings.unfinished().into_iter().rfind(|night| ours(night) && !request.anew)?;
            let opening = journal::read(&folder.path().join(&night.journal)).ok()?.opening()?.clone();
            Some((night, opening))
        });
        if let (None, false, Some(closed)) = (&cut_off, request.anew, closed(session)) {
            return Err(refused(format!(
                "{}: this session's night is closed. --show brings its results back, --new begins another night",
                closed.display()
            )));
        }
        let known = match &cut_off {
            Some((night, _)) => PassFile::read(&PassFile::beside(&folder.path().join(&night.journal)))?,
            None => None,
        };
        let wanted = request
            .listen
            .or(known.as_ref().map(|file| file.address))
            .unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], PORT)));
        let (listener, address) = listen(wanted)?;
        let (unlocked, locking) = (None, None);
        if let (Some((night, opening)), true) = (&cut_off, request.guest)
            && opening.lock.is_none()
        {
            return Err(refused(format!(
                "the night in {} was opened without a guest's passphrase, so none can lock it now: leave --guest out, or \
                 start anew with --new",
                night.journal
            )));
        }
        Ok(Self {
            request,
            environment,
            folder,
            cut_off,
            unlocked,
            locking,
            known,
            terms,
            notes,
            listener,
            address,
        })
    }

    /// Whether a guest's passphrase is needed before the night is opened, and which.
    pub fn passphrase(&self) -> PassphraseNeeded {
        match &self.cut_off {
            Some((_, opening)) if opening.lock.is_some() => PassphraseNeeded::ToGoOn,
            None if self.request.guest => PassphraseNeeded::New,
            _ => PassphraseNeeded::None,
        }
    }

    /// A new night is locked with this passphrase.
    pub fn lock(&mut self, passphrase: Zeroizing<String>) {
        self.locking = Some(passphrase);
    }

    /// Tries a passphrase on the night that was cut off. Nothing is changed, so it can be asked for again.
    ///
    /// # Errors
    /// It is not the one that locked it, or the secrets cannot be had.
    pub fn unlock(&mut self, passphrase: &str) -> Result<(), SittingsError> {
        if let (Some(sittings), Some((night, _))) = (self.folder.sittings(), &self.cut_off) {
            self.unlocked = Some(sittings.secrets(&night.journal, Some(passphrase))?);
        }
        Ok(())
    }

    /// Opens or resumes the night: output, journal, passes, web server.
    ///
    /// # Errors
    /// The output, a night that cannot go on, the folder, the journal.
    pub fn open(self, stimuli: StimulusSet) -> Result<HostedNight, NightError> {
        let Self {
            request, environment, folder, cut_off, unlocked, locking, known, terms, mut notes, ..
        } = self;
        let (listener, address) = (self.listener, self.address);
        let NightRequest {
            session, host, output, timing, by_hand, seats, paper_seats: paper, tables, ..
        } = request;
        let room = Room { seats, paper, open: true, tables, shared: false };
        let NightEnvironment { common, passes, paces } = environment;
        let options = PlayerOptions {
            start_ramp_seconds: FADE_SECONDS,
            fade_seconds: FADE_SECONDS,
            ..PlayerOptions::default()
        };
        let output = Output::open(&common, &output, options, &stimuli)?
            .ok_or_else(|| refused("the session has nothing to play"))?;
        let description = output.description();
        notes.splice(0..0, session.notes.iter().chain(&stimuli.notes).cloned());
        if let Some((night, opening)) = &cut_off {
            folder::may_go_on(opening, &session, &stimuli, &description)
                .map_err(|why| refused(format!("the night in {} cannot go on: {why}", night.journal)))?;
        }
        let switched = Switched::open(&session, &common).map_err(refused)?;
        let agreed = terms.clone();
        let resumed = cut_off.is_some();
        let utc = common.utc();
        let sittings = folder.take(&common).map_err(locked)?;
        let secret =
            (common.secret)().map_err(|error| refused(format!("no secret can be drawn: {error}")))?;
        let opened = if let Some((night, _)) = &cut_off {
            let secrets = match unlocked {
                Some(secrets) => secrets,
                None => sittings.secrets(&night.journal, None).map_err(refused)?,
            };
            let output = (&description).into();
            sittings.resume_with(&night.journal, &utc, output, secrets, secret).map_err(refused)?
        } else {
            let mut draft = Draft::new(&session, &stimuli, &description, &host, &utc).map_err(refused)?;
            draft.occasion = Occasion::Night;
            draft.terms = terms;
            let passphrase = locking.as_ref().map(|typed| typed.as_str());
            sittings.open(draft, secret, passphrase).map_err(refused)?
        };
        let path = opened.writer.path();
        let passes = match (known, passes) {
            (Some(file), _) => Passes::from_bytes(file.secret.0),
            (None, Some(bytes)) => Passes::from_bytes(bytes),
            (None, None) => {
                Passes::draw().map_err(|error| refused(format!("no room code can be drawn: {error}")))?
            }
        };
        let passes_file = PassFile::beside(&path);
        PassFile { secret: Digest(*passes.secret()), address, shown: 0 }.write(&passes_file)?;

        let read = journal::read(&path).map_err(refused)?;
        let clock = SittingClock::start(common.clock.clone(), opened.conductor.at_ms());
        let night = Night::new(opened.conductor, &read.records, &read.digests, timing, by_hand)
            .in_room(room)
            .blinded(Digest::of_parts(&[b"earwitness blind v2", passes.secret()]))
            .through(&agreed);
        if session.switcher.is_some() {
            let seconds = night.gap_ms() as f64 / 1000.0;
            let silent = match night.fillings() {
                0 => String::new(),
                fillings => format!(", and {fillings} of each round silent by design"),
            };
            notes.push(format!(
                "Real cables are switched: {seconds} s of silence before each stimulus{silent}, in an order drawn for each round. {}",
                Caution::Switched.remedy()
            ));
        }
        let operator = common.operator.as_ref().map(|operated| operated.invitation.address.clone());
        if let Some(address) = &operator {
            notes.insert(0, format!("For the operator alone, out of everybody's sight: open {address}"));
        }
        let labels: Vec<&str> = night.definition().slots.iter().map(|slot| slot.label).collect();
        let order = if by_hand { labels.join(", ") } else { presentation::order(&labels, timing.rounds) };
        let (sender, requests) = sync_channel(WAITING_REQUESTS);
        let seats_of = SeatsOf::beside(&path, &passes)?;
        let shared = Arc::new(Shared {
            host_check: HostCheck::new(address),
            passes,
            limiter: Mutex::new(RateLimiter::new(paces)),
            log: Mutex::new(Log::beside(&path)?),
            snapshot: RwLock::new(Arc::new(Snapshot::of(&night, clock.now_ms(), &order, None))),
            requests: sender,
            clock: clock.clone(),
            address,
            journal: path,
            club: session.club.clone(),
            seats_of: Mutex::new(seats_of),
        });
        let server = serve(listener, shared.clone())?;
        let mut driver = Driver::new(night, opened.writer, clock.clone(), output, stimuli).through(switched);
        // A night is played at the clips' own level: it has no other. What stopped it is kept by the driver.
        let _ = driver.carry_out(opened.effects).and_then(|()| driver.keep_level());
        driver.with(|night, at_ms| (night.announce_tables(at_ms), ()));
        notes.extend(driver.resolved().and_then(|facts| facts.caution(&session)));
        let known = known_differences(&session);
        let mut night = HostedNight {
            known,
            qr: qr::terminal_lines(&shared.join_address()),
            practised: read.records.iter().any(|record| matches!(record, Record::VotesClosed { .. })),
            driver,
            clock,
            shared,
            requests,
            passes_file,
            order,
            results: None,
            place: Place::default(),
            notices: Vec::new(),
            notes,
            resumed,
            operator,
            proof: Proof::of(session, common.bench),
            asked_to_close: None,
            told_stop: false,
            _server: server,
        };
        night.take_news();
        night.publish();
        Ok(night)
    }
}

pub(in crate::ballot) fn refused(error: impl std::fmt::Display) -> NightError {
    NightError::Refused(error.to_string())
}

fn locked(error: SittingsError) -> NightError {
    match error {
        SittingsError::Busy { .. } => NightError::Refused(format!(
            "{error}. If it is a night, this one would be its second host: there is one host at a time"
        )),
        other => refused(other),
    }
}

/// Takes the address, so that nobody else has it when the night is announced.
pub(in crate::ballot) fn listen(wanted: SocketAddr) -> Result<(TcpListener, SocketAddr), NightError> {
    let failed = |reason: String| NightError::Address { address: wanted.to_string(), reason };
    let listener = TcpListener::bind(wanted).map_err(|error| failed(crate::files::reason(&error)))?;
    let address = listener.local_addr().map_err(|error| failed(crate::files::reason(&error)))?;
    if address.ip().is_unspecified() {
        return Err(failed(
            "it stands for every address of this machine, and a night has one that phones can be told"
                .to_owned(),
        ));
    }
    Ok((listener, address))
}

/// A session's terms for a room, and what a room changes in them, to be told to the host.
pub(in crate::ballot) fn terms_of_a_room(session: &Session) -> Result<(Terms, Vec<String>), NightError> {
    let terms = Terms::of(session);
    let mut notes: Vec<String> = Vec::new();
    if !matches!(terms.stopping, StoppingTerms::AllTrials {}) {
        return Err(NightError::Refused(
            "stopping: a sequential rule ends each listener's test at another trial, and a room hears the same trials; \
             take the stopping rule out of the session for a night"
                .to_owned(),
        ));
    }
    if terms.qualification.is_some() {
        notes.push(
            "A qualification is for single listeners, so this night has none. Its controls are reported."
                .into(),
        );
    }
    if terms.wager.is_some() {
        notes.push("A wager is for a single listener, so this night has none.".into());
    }
    if terms.confidence {
        notes.push("A night does not ask how sure you are.".into());
    }
    if terms.warm_up == 0 {
        notes.push("A night begins with a warm-up trial that does not count.".into());
    }
    Ok((terms.in_a_room(), notes))
}

/// The newest closed night of this session in its folder; `None` if none was closed.
pub(super) fn closed(session: &Session) -> Option<PathBuf> {
    let digest = Digest::of(session.source.as_bytes());
    // Names begin with the time.
    let names = crate::files::with_extension(&session.sittings_folder(), "jsonl").ok()?;
    names.into_iter().rev().find(|path| {
        let read = journal::read(path).ok();
        read.is_some_and(|read| {
            let night = read.opening().is_some_and(|o| o.occasion == Occasion::Night && o.session == digest);
            night && read.closing().is_some()
        })
    })
}
