//! The operator's page: a person out of the listener's sight is told which terminal to connect, and confirms it.
//!
//! The page's address ends in a code that browsers do not send. The first page that shows it becomes the operator's, and nobody
//! after that: a listener who saw the code has nothing of it. What is to be connected is masked with the code and with
//! what the page drew for itself, so that the network carries no terminal that is read in passing. The page knows nothing of
//! trials, slots and answers: there is nothing of them on the [`Board`].

use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{ConnectInfo, State as From};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use axum::routing::{get, post};
use serde::{Deserialize, Serialize};

use super::asked::{DoneBody, OperatorBody, understood};
use super::gate::{self, Gate, Gated, refused, same};
use super::hosting::listen;
use super::listener::Peer;
use super::pass::{Passes, join_address};
use super::routes::{Server, json};
use super::witnessing::Code;
use super::{NightError, pages, qr};
use crate::conduct::Operated;
use crate::conduct::witness::Invitation;
use crate::session::Switcher;
use crate::switcher::{Board, Task, Terminal};
use crate::trial::Digest;

/// The port that the operator's page is served on where none is given.
pub const PORT: u16 = 8412;

/// What the pages and the sitting share.
struct Shared {
    code: Code,
    board: Arc<Board>,
    /// Seconds that the operator has for each step: apart, connected.
    seconds: (f64, f64),
    gate: Gate,
}

/// What a page gets: as long, byte for byte, whichever terminal is meant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// Number of the task.
    pub number: u64,
    /// `wait`, `label`, `disconnect`, `connect` or `over`.
    pub task: String,
    /// It was confirmed.
    pub done: bool,
    /// The terminal that is meant, 0 to 2 (for labels: which of `names` gets label 1), plus the task's mask, modulo 3.
    pub masked: u8,
    /// The cables to be labelled, in the order of the alphabet; empty for every other task.
    pub names: Vec<String>,
    /// Seconds in which it has to be done; 0: any time.
    pub seconds: f64,
}

/// The mask of a task's terminal.
pub fn mask(code: &Code, holder: &str, number: u64) -> u8 {
    let proof = code.proof("terminal", &format!("{number} {holder}"));
    Digest::from_hex(&proof).map_or(0, |digest| digest.0[0] % 3)
}

/// Seconds that the operator has for each step: apart, connected.
pub fn seconds(switcher: &Switcher) -> (f64, f64) {
    (switcher.apart_ms as f64 / 1000.0, switcher.settle_ms as f64 / 1000.0)
}

/// A task as the page gets it; `seconds` are those for which nothing is connected, and those to connect.
pub fn state(task: &Task, number: u64, done: bool, code: &Code, holder: &str, seconds: (f64, f64)) -> State {
    let (task, meant, names, seconds) = match task {
        Task::Wait => ("wait", 0, Vec::new(), 0.0),
        Task::Label(labels) => {
            let mut names = labels.to_vec();
            names.sort();
            let first = u8::from(names[0] != labels[0]);
            ("label", first, names, 0.0)
        }
        Task::Disconnect => ("disconnect", 0, Vec::new(), seconds.0),
        Task::Connect(Terminal::Two) => ("connect", 2, Vec::new(), seconds.1),
        Task::Connect(_) => ("connect", 1, Vec::new(), seconds.1),
        Task::Over => ("over", 0, Vec::new(), 0.0),
    };
    let masked = (meant + mask(code, holder, number)) % 3;
    State { number, task: task.to_owned(), done, masked, names, seconds }
}

fn shown(shared: &Shared, holder: &str) -> State {
    let shown = shared.board.shown();
    state(&shown.task, shown.number, shown.done, &shared.code, holder, shared.seconds)
}

/// The operator's page, served as long as this lives.
pub struct OperatorPage {
    operated: Operated,
    _server: Server,
}

impl std::fmt::Debug for OperatorPage {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("OperatorPage").field("board", &self.operated.board).finish_non_exhaustive()
    }
}

impl OperatorPage {
    /// Serves the page on this address, under a fresh code.
    ///
    /// # Errors
    /// The address cannot be had.
    pub fn serve(wanted: SocketAddr, switcher: &Switcher) -> Result<Self, NightError> {
        let (listener, address) = listen(wanted)?;
        let passes =
            Passes::draw().map_err(|error| NightError::Refused(format!("no code can be drawn: {error}")))?;
        let code = passes.witness_code();
        let board = Arc::new(Board::default());
        let shared = Shared {
            code: Code::new(&code),
            board: Arc::clone(&board),
            seconds: seconds(switcher),
            gate: Gate::new(address),
        };
        let server = serve(listener, address, shared)?;
        let address = join_address(address, &code);
        let invitation = Invitation { code: qr::terminal_lines(&address), address };
        Ok(Self { operated: Operated { board, invitation }, _server: server })
    }

    /// The board, and how the operator finds the page.
    pub fn operated(&self) -> Operated {
        self.operated.clone()
    }
}

/// The page shows that it is over before the server goes.
impl Drop for OperatorPage {
    fn drop(&mut self) {
        if self.operated.board.holder().is_some() {
            self.operated.board.finish();
            std::thread::sleep(std::time::Duration::from_millis(1200));
        }
    }
}

type App = From<Arc<Shared>>;

impl Gated for Shared {
    fn gate(&self) -> &Gate {
        &self.gate
    }
}

fn serve(listener: TcpListener, address: SocketAddr, shared: Shared) -> Result<Server, NightError> {
    let own = Router::new()
        .route("/operator-state", get(look))
        .route("/operator-join", post(join))
        .route("/operator-done", post(done));
    let script = ("/operator.js", pages::OPERATOR_SCRIPT);
    gate::serve(listener, address, pages::operator(), script, own, Arc::new(shared))
}

/// The operator, if this request is the operator's page.
fn operator(shared: &Shared, headers: &HeaderMap) -> Option<String> {
    let holder = shared.board.holder()?;
    let key = headers.get("x-operator").and_then(|value| value.to_str().ok())?;
    same(key, &shared.code.proof("operate", &holder)).then_some(holder)
}

async fn look(From(shared): App, ConnectInfo(peer): ConnectInfo<Peer>, headers: HeaderMap) -> Response {
    match operator(&shared, &headers) {
        Some(holder) => json(StatusCode::OK, &shown(&shared, &holder)),
        None => shared.gate.stranger(peer),
    }
}

async fn join(From(shared): App, ConnectInfo(peer): ConnectInfo<Peer>, body: Bytes) -> Response {
    let Ok(OperatorBody { holder, proof }) = understood(&body) else {
        return shared.gate.stranger(peer);
    };
    let holder = holder.hex();
    if !same(&proof, &shared.code.proof("operator", &holder)) {
        return shared.gate.stranger(peer);
    }
    if shared.board.join(&holder) {
        json(StatusCode::OK, &serde_json::json!({ "taken": true }))
    } else {
        refused(
            StatusCode::CONFLICT,
            "another page is the operator's. If it is not yours, tell the person at the computer",
        )
    }
}

async fn done(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let (Some(holder), Ok(DoneBody { number, proof })) =
        (operator(&shared, &headers), understood::<DoneBody>(&body))
    else {
        return shared.gate.stranger(peer);
    };
    if !same(&proof, &shared.code.proof("done", &format!("{number} {holder}"))) {
        return shared.gate.stranger(peer);
    }
    shared.board.confirm(number);
    json(StatusCode::OK, &shown(&shared, &holder))
}
