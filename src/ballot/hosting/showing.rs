//! A closed night brought back: its results, the room's display and the phones' pages, step by step as on the evening.
//!
//! Comes in: the journal of a closed night, and its passes where they are still there. Goes out: pages. Nothing is written
//! but the place of the reveal, and nothing is opened: no seat, no vote, no draw.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::Duration;

use super::setup::{PORT, closed, listen, refused};
use crate::ballot::addresses::SeatsOf;
use crate::ballot::command::Command;
use crate::ballot::guard::{HostCheck, Paces, RateLimiter};
use crate::ballot::pass::{PassFile, Passes};
use crate::ballot::refused::Log;
use crate::ballot::results::{self, NightResults};
use crate::ballot::reveal::{Place, Step};
use crate::ballot::routes::{PhoneRequest, Server, Shared, serve};
use crate::ballot::view::Snapshot;
use crate::ballot::{NightError, Refusal};
use crate::conduct::{Environment, SittingClock};
use crate::session::Session;
use crate::trial::Digest;
use crate::trial::journal::{self, Journal};

/// A closed night that is shown.
pub struct ShownNight {
    shared: Arc<Shared>,
    requests: Receiver<PhoneRequest>,
    journal: Journal,
    results: Arc<NightResults>,
    place: Place,
    passes_file: PathBuf,
    _server: Server,
}

impl std::fmt::Debug for ShownNight {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("ShownNight").field("address", &self.shared.address).finish_non_exhaustive()
    }
}

impl ShownNight {
    /// Brings the newest closed night of a session back.
    ///
    /// # Errors
    /// None was closed, it does not verify, or the address cannot be had.
    pub fn open(
        session: &Session,
        wanted: Option<SocketAddr>,
        environment: &Environment,
        paces: Paces,
    ) -> Result<Self, NightError> {
        let path = closed(session).ok_or_else(|| {
            refused(format!(
                "{}: no night of this session was closed, so there is nothing to show; `earwitness night SESSION` opens one",
                session.sittings_folder().display()
            ))
        })?;
        let journal = journal::read(&path).map_err(refused)?;
        let results = results::compute(&journal.records, &journal.digests)
            .map(Arc::new)
            .map_err(|why| refused(format!("{}: {why}", path.display())))?;
        let passes_file = PassFile::beside(&path);
        let known = PassFile::read(&passes_file)?;
        let wanted = wanted
            .or(known.as_ref().map(|file| file.address))
            .unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], PORT)));
        let (listener, address) = listen(wanted)?;
        let passes = match &known {
            Some(file) => Passes::from_bytes(file.secret.0),
            None => Passes::draw().map_err(|error| refused(format!("no key can be drawn: {error}")))?,
        };
        let last = results.steps.len() - 1;
        let shown = known.map_or(0, |file| file.shown).min(last);
        let place = Place { at: shown, furthest: shown };
        let clock = SittingClock::start(environment.clock.clone(), 0);
        let (sender, requests) = sync_channel(super::setup::WAITING_REQUESTS);
        let snapshot = Snapshot::closed(&journal, results.clone(), place).map_err(refused)?;
        let seats_of = SeatsOf::closed(&path, &passes);
        let shared = Arc::new(Shared {
            host_check: HostCheck::new(address),
            passes,
            limiter: Mutex::new(RateLimiter::new(paces)),
            log: Mutex::new(Log::beside(&path)?),
            snapshot: RwLock::new(Arc::new(snapshot)),
            requests: sender,
            clock,
            address,
            journal: path,
            club: session.club.clone(),
            seats_of: Mutex::new(seats_of),
        });
        let server = serve(listener, shared.clone())?;
        let night = Self { shared, requests, journal, results, place, passes_file, _server: server };
        night.keep_place();
        Ok(night)
    }

    /// The address of the room's display, with its key.
    pub fn room_address(&self) -> String {
        self.shared.room_address()
    }

    /// The address that phones open.
    pub fn join_address(&self) -> String {
        self.shared.join_address()
    }

    /// The night's journal.
    pub fn journal(&self) -> &Path {
        &self.shared.journal
    }

    /// What everybody may see.
    pub fn snapshot(&self) -> Arc<Snapshot> {
        self.shared.snapshot()
    }

    /// The results.
    pub fn results(&self) -> &NightResults {
        &self.results
    }

    /// The step that is shown, its number from 1, and how many there are.
    pub fn step(&self) -> (&Step, usize, usize) {
        (&self.results.steps[self.place.at], self.place.at + 1, self.results.steps.len())
    }

    /// Does what the host says.
    ///
    /// # Errors
    /// Why not.
    pub fn say(&mut self, command: &Command) -> Result<(), String> {
        self.place.follow(command, self.results.steps.len())?;
        self.keep_place();
        let snapshot = Snapshot::closed(&self.journal, self.results.clone(), self.place)?;
        *self.shared.snapshot.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(snapshot);
        Ok(())
    }

    /// A power cut in the reveal loses nothing but a step.
    fn keep_place(&self) {
        keep_place(&self.shared, &self.passes_file, self.place);
    }

    /// Answers phones that still want something: the night is over.
    pub fn turn(&self, wait: Duration) {
        match self.requests.recv_timeout(wait) {
            Ok(PhoneRequest { reply, .. }) => {
                let _ = reply.send(Err(Refusal::Over));
            }
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {}
        }
    }
}

/// Writes how far the reveal is. It is no evidence: where it cannot be written, the next start begins earlier.
pub(super) fn keep_place(shared: &Shared, passes_file: &Path, place: Place) {
    let file =
        PassFile { secret: Digest(*shared.passes.secret()), address: shared.address, shown: place.furthest };
    let _ = file.write(passes_file);
}
