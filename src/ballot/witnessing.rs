//! Where a sitting's witnesses sit: a page on their phones, served on the network that the machine is in.
//!
//! The page's address ends in a code that browsers do not send. From it both sides derive what they say to each other: a
//! key to look with, a proof that a witness was invited, and the sitting's signature under each request for a link. So
//! somebody on the same network who has not seen the code can neither look, nor join, nor ask a phone for its link.

mod paths;
pub mod terminal;

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use serde::Serialize;
use tokio::sync::watch;

use super::NightError;
use super::gate::Gate;
use super::hosting::listen;
use super::pass::{PassFile, Passes, join_address};
use super::qr;
use super::routes::Server;
use crate::conduct::witness::{At, Invitation, Request, Shown, WitnessService};
use crate::trial::Digest;
use crate::trial::lock::hmac_sha256;

/// The port that witnesses' pages are served on where none is given: stable, so that phones find it after a restart.
pub const PORT: u16 = 8411;

/// Requests that may wait.
const WAITING_REQUESTS: usize = 64;

/// What is derived from the code of a witness's address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Code(String);

impl Code {
    /// The code as it stands behind the hash sign; case, spaces and hyphens do not matter.
    pub fn new(typed: &str) -> Self {
        let kept = typed.chars().filter(|character| !character.is_whitespace() && *character != '-');
        Self(kept.map(|character| character.to_ascii_uppercase()).collect())
    }

    /// The key to look with.
    pub fn look(&self) -> String {
        self.proof("look", "")
    }

    /// The proof that a witness was invited.
    pub fn join(&self, name: &str, end: Digest) -> String {
        self.proof("join", &format!("{} {name}", end.hex()))
    }

    /// The sitting's signature under a request for links.
    pub fn ask(&self, trial: &str, receipt: Digest) -> String {
        self.proof("ask", &format!("{} {trial}", receipt.hex()))
    }

    /// What a page and its server prove to each other.
    pub fn proof(&self, purpose: &str, of: &str) -> String {
        hmac_sha256(self.0.as_bytes(), format!("earwitness {purpose} v2 {of}").as_bytes()).hex()
    }
}

/// What is published: with a number, so that a page can wait for the next.
#[derive(Debug, Clone, Default)]
struct Published {
    version: u64,
    shown: Arc<Shown>,
}

/// What the server and the sitting share.
struct Shared {
    address: SocketAddr,
    code: Code,
    published: watch::Sender<Published>,
    /// The newest version that somebody was told.
    told: Arc<AtomicU64>,
    requests: SyncSender<Request>,
    gate: Gate,
}

/// What a page gets.
#[derive(Debug, Clone, Serialize)]
struct State<'s> {
    version: u64,
    #[serde(flatten)]
    shown: &'s Shown,
    /// Number of the first of `receipts`, from 1.
    first: usize,
    /// Digests of records from there on.
    receipts: &'s [Digest],
    /// All records so far.
    records: usize,
    /// Where links are asked for: the trial as text, the receipt at that moment, and the signature under both.
    #[serde(skip_serializing_if = "Option::is_none")]
    asked: Option<Asked>,
}

/// A request for links.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, serde::Deserialize)]
pub struct Asked {
    /// Part, trial and attempt, between spaces.
    pub trial: String,
    /// The last receipt.
    pub receipt: Digest,
    /// The sitting's signature.
    pub signature: String,
}

impl Asked {
    fn of(shown: &Shown, code: &Code) -> Option<Self> {
        let id = shown.trial.filter(|_| shown.at == At::Asking)?;
        let part = match id.part {
            crate::trial::Part::Qualification => "qualification",
            crate::trial::Part::WarmUp => "warm-up",
            crate::trial::Part::Main => "main",
        };
        let trial = format!("{} {part} {} {}", shown.commitment, id.trial, id.attempt);
        let receipt = *shown.receipts.last()?;
        Some(Self { signature: code.ask(&trial, receipt), trial, receipt })
    }
}

/// Most receipts in one answer.
const RECEIPTS: usize = 400;

fn state(published: &Published, after: usize, code: &Code) -> String {
    let shown = &published.shown;
    let from = after.min(shown.receipts.len());
    let until = shown.receipts.len().min(from + RECEIPTS);
    let state = State {
        version: published.version,
        shown,
        first: from + 1,
        receipts: &shown.receipts[from..until],
        records: shown.receipts.len(),
        asked: Asked::of(shown, code),
    };
    serde_json::to_string(&state).expect("plain data becomes JSON")
}

/// Serves witnesses on the own network.
pub struct WitnessServer {
    listener: Option<TcpListener>,
    address: SocketAddr,
    published: watch::Sender<Published>,
    told: Arc<AtomicU64>,
    requests: Receiver<Request>,
    sender: SyncSender<Request>,
    server: Option<Server>,
    says: fn(&str),
}

impl std::fmt::Debug for WitnessServer {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("WitnessServer").field("address", &self.address).finish_non_exhaustive()
    }
}

impl WitnessServer {
    /// Takes the address; nobody is served before the sitting is open, when `says` is given the address to be opened.
    ///
    /// # Errors
    /// The address cannot be had.
    pub fn at(wanted: SocketAddr, says: fn(&str)) -> Result<Self, NightError> {
        let (listener, address) = listen(wanted)?;
        let (sender, requests) = sync_channel(WAITING_REQUESTS);
        let (published, _) = watch::channel(Published::default());
        Ok(Self {
            listener: Some(listener),
            address,
            published,
            told: Arc::default(),
            requests,
            sender,
            server: None,
            says,
        })
    }
}

impl WitnessService for WitnessServer {
    fn open(&mut self, journal: &Path) -> Result<Invitation, String> {
        let said = |error: NightError| error.to_string();
        let file = PassFile::beside(journal);
        // Pages that were open before an interruption know the code.
        let passes = match PassFile::read(&file).map_err(said)? {
            Some(known) => Passes::from_bytes(known.secret.0),
            None => Passes::draw().map_err(|error| format!("no code for witnesses: {error}"))?,
        };
        PassFile { secret: Digest(*passes.secret()), address: self.address, shown: 0 }
            .write(&file)
            .map_err(said)?;
        let code = passes.witness_code();
        let address = join_address(self.address, &code);
        if let Some(listener) = self.listener.take() {
            let shared = Shared {
                address: self.address,
                code: Code::new(&code),
                published: self.published.clone(),
                told: self.told.clone(),
                requests: self.sender.clone(),
                gate: Gate::new(self.address),
            };
            self.server = Some(paths::serve(listener, shared).map_err(said)?);
        }
        (self.says)(&address);
        Ok(Invitation { code: qr::terminal_lines(&address), address })
    }

    fn next(&mut self, wait: Duration) -> Option<Request> {
        if wait.is_zero() { self.requests.try_recv().ok() } else { self.requests.recv_timeout(wait).ok() }
    }

    fn publish(&mut self, shown: Shown) {
        let version = self.published.borrow().version + 1;
        self.published.send_replace(Published { version, shown: Arc::new(shown) });
    }
}

/// How often is looked whether the last state was told, and how many times.
const LOOK_AGAIN: (Duration, u32) = (Duration::from_millis(20), 150);

/// The last state is shown until somebody who looked before has it, and a moment longer for the others: a witness that never
/// sees the closing would wait for it.
impl Drop for WitnessServer {
    fn drop(&mut self) {
        let told = || self.told.load(Ordering::Relaxed);
        if self.server.is_none() || told() == 0 {
            return;
        }
        let last = self.published.borrow().version;
        for _ in 0..LOOK_AGAIN.1 {
            if told() >= last {
                break;
            }
            std::thread::sleep(LOOK_AGAIN.0);
        }
        std::thread::sleep(Duration::from_millis(300));
    }
}
