//! The web server: which paths there are, who may ask for them, and what they get.
//!
//! There are no files behind it: pages, style and scripts are in the program, the journal is the one file that is ever
//! sent, and only after the closing. Everything that changes something goes to the host's thread and is
//! answered when its record is on the disk.

mod hands;
mod taking;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{self, ConnectInfo, DefaultBodyLimit, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::{get, post};
use serde::Serialize;
use tokio::sync::oneshot;

use super::addresses::SeatsOf;
use super::asked::{Ask, Request};
use super::guard::{Counted, HostCheck, RateLimiter, Sender, Turned};
use super::listener::{self, BoundedListener, Peer};
use super::pass::{Holder, Passes, join_address};
use super::refused::{Log, Refused};
use super::view::{OwnVote, Snapshot};
use super::{NightError, Refusal, pages, qr};
use crate::conduct::SittingClock;
use crate::files;
use crate::session::Club;

/// Longest body of a request in bytes: a typed hand of 200 characters fits six times.
pub(super) const LONGEST_BODY: usize = 4096;
/// How long a request waits for the host's thread.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long a phone's browser keeps its seat's token, in seconds: one night.
const COOKIE_SECONDS: u32 = 86_400;

/// What it gets, once it is on the disk.
#[derive(Debug)]
pub(crate) enum Answer {
    Seated(Holder),
    Voted { vote: OwnVote, sequence: u64 },
    Done,
}

/// What a phone asks of the host's thread, and where it waits.
#[derive(Debug)]
pub(crate) struct PhoneRequest {
    pub(crate) ask: Ask,
    pub(crate) reply: oneshot::Sender<Result<Answer, Refusal>>,
}

/// What the server and the host's thread share.
pub(crate) struct Shared {
    pub(crate) host_check: HostCheck,
    pub(crate) passes: Passes,
    pub(crate) limiter: Mutex<RateLimiter>,
    pub(crate) log: Mutex<Log>,
    pub(crate) snapshot: RwLock<Arc<Snapshot>>,
    pub(crate) requests: SyncSender<PhoneRequest>,
    pub(crate) clock: SittingClock,
    pub(crate) address: SocketAddr,
    pub(crate) journal: PathBuf,
    /// Whose night it is.
    pub(crate) club: Option<Club>,
    /// Who took how many seats.
    pub(crate) seats_of: Mutex<SeatsOf>,
}

impl Shared {
    pub(crate) fn snapshot(&self) -> Arc<Snapshot> {
        self.snapshot.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The address that phones open.
    pub(crate) fn join_address(&self) -> String {
        join_address(self.address, &self.passes.room_code())
    }

    /// The address of the room's display, with its key.
    pub(crate) fn room_address(&self) -> String {
        format!("http://{}/room#{}", self.address, self.passes.display_key())
    }

    fn take(&self, counted: Counted) -> Result<(), Turned> {
        self.limiter().take(counted, self.clock.now_ms())
    }

    /// Counts one more seat for this sender, if it may have one.
    fn reserve_a_seat(&self, sender: Sender) -> bool {
        let most = self.limiter().seats_of(sender);
        let most = most.filter(|_| !self.snapshot().shared);
        self.seats().reserve(sender, most)
    }

    pub(crate) fn seats(&self) -> MutexGuard<'_, SeatsOf> {
        self.seats_of.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn may_try_a_code(&self, peer: Peer) -> Result<(), Turned> {
        self.limiter().may_try_a_code(peer.address(), self.clock.now_ms())
    }

    fn was_wrong(&self, peer: Peer) {
        self.limiter().was_wrong(peer.address(), self.clock.now_ms());
    }

    fn peek(&self, counted: Counted) -> Result<(), Turned> {
        self.limiter().peek(counted, self.clock.now_ms())
    }

    fn limiter(&self) -> MutexGuard<'_, RateLimiter> {
        self.limiter.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn note(&self, asked: &'static str, why: &str, seat: Option<u32>) {
        let refused = Refused { at_ms: self.clock.now_ms(), asked, why, seat };
        self.log.lock().unwrap_or_else(PoisonError::into_inner).note(&refused);
    }
}

type App = State<Arc<Shared>>;

/// The running server; stops when dropped.
#[derive(Debug)]
pub(crate) struct Server {
    runtime: Option<tokio::runtime::Runtime>,
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(Duration::from_millis(500));
        }
    }
}

/// Starts serving on a socket that is listening already.
pub(crate) fn serve(listener: std::net::TcpListener, shared: Arc<Shared>) -> Result<Server, NightError> {
    serve_router(listener, shared.address, router(shared))
}

/// Serves these paths on a socket that is listening already.
pub(super) fn serve_router(
    listener: std::net::TcpListener,
    address: SocketAddr,
    router: Router,
) -> Result<Server, NightError> {
    more_files();
    let failed = |error: std::io::Error| NightError::Address {
        address: address.to_string(),
        reason: crate::files::reason(&error),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_name("night-web")
        .enable_io()
        .enable_time()
        .build()
        .map_err(failed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    let entered = runtime.enter();
    let listener = tokio::net::TcpListener::from_std(listener).map_err(failed)?;
    drop(entered);
    let service = router.into_make_service_with_connect_info::<Peer>();
    runtime.spawn(async move {
        // Serving ends with the runtime only; errors of single connections are handled where they occur.
        let _ = axum::serve(BoundedListener::new(listener), service).await;
    });
    Ok(Server { runtime: Some(runtime) })
}

/// Each connection is an open file, and many systems begin with a limit of 1,024: a flood would use them up and nothing could
/// be accepted. Where the limit cannot be raised, the night goes on with it.
fn more_files() {
    crate::system::allow_files(listener::CONNECTIONS as u64 + 256);
}

fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(|| async { page(pages::phone(), HTML) }))
        .route("/room", get(|| async { page(pages::room(), HTML) }))
        .route("/night.css", get(|| async { page(pages::STYLE, "text/css; charset=utf-8") }))
        .route("/room.css", get(|| async { page(pages::ROOM_STYLE, "text/css; charset=utf-8") }))
        .route("/texts.js", get(|| async { page(pages::texts(), SCRIPT) }))
        .route("/common.js", get(|| async { page(pages::COMMON_SCRIPT, SCRIPT) }))
        .route("/hand.js", get(|| async { page(pages::HAND_SCRIPT, SCRIPT) }))
        .route("/links.js", get(|| async { page(pages::LINKS_SCRIPT, SCRIPT) }))
        .route("/result.js", get(|| async { page(pages::RESULT_SCRIPT, SCRIPT) }))
        .route("/phone.js", get(|| async { page(pages::PHONE_SCRIPT, SCRIPT) }))
        .route("/room.js", get(|| async { page(pages::ROOM_SCRIPT, SCRIPT) }))
        .route("/favicon.ico", get(|| async { empty(StatusCode::NO_CONTENT) }))
        .route("/state", get(state))
        .route("/join", post(taking::join))
        .route("/return", post(taking::come_back))
        .route("/leave", post(taking::leave))
        .route("/vote", post(vote))
        .route("/typed-hand", post(hands::typed))
        .route("/hand", post(hands::hand))
        .route("/link", post(hands::link))
        .route("/room-state", get(room_state))
        .route("/room-join", get(room_join))
        .route("/journal", get(journal))
        .fallback(unknown)
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(shared.clone(), door))
        .with_state(shared)
}

const WRONG_ADDRESS: &str = "This address is not served here. Open the one on the room's display.";
const FOREIGN_PAGE: &str = "Only the night's own pages may do this. Open the address on the room's display.";

/// What every request passes through, in this order: who may ask at all, then the handler, then the headers that every
/// answer carries.
async fn door(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    request: extract::Request,
    next: Next,
) -> Response {
    let turned = admit(&shared, peer, request.method(), request.headers());
    let mut response = match turned {
        Ok(()) => next.run(request).await,
        Err(turned) => {
            let (status, why, message) = match turned {
                Turned::Host => (StatusCode::MISDIRECTED_REQUEST, "host", WRONG_ADDRESS),
                Turned::Origin => (StatusCode::FORBIDDEN, "origin", FOREIGN_PAGE),
                Turned::Pace => {
                    (StatusCode::TOO_MANY_REQUESTS, "too-many", "Too many requests. Please wait a moment.")
                }
            };
            shared.note("door", why, None);
            json(status, &RefusalBody { refused: why, message, seat: None })
        }
    };
    protect(&mut response);
    response
}

/// The headers that every answer carries.
pub(super) fn protect(response: &mut Response) {
    let headers = response.headers_mut();
    let fixed: [(HeaderName, &'static str); 6] = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; base-uri 'none'; \
             img-src data:; form-action 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    // A page may be found again in a phone's history when the night is over; what a night says may not.
    let kept = headers.contains_key(KEPT);
    headers.remove(KEPT);
    let cached = if kept { "no-cache" } else { "no-store" };
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(cached));
}

/// Marks a page on its way through the program.
const KEPT: HeaderName = HeaderName::from_static("x-kept");

fn admit(shared: &Shared, peer: Peer, method: &Method, headers: &HeaderMap) -> Result<(), Turned> {
    let all = |name: HeaderName| {
        headers.get_all(name).into_iter().map(|value| value.to_str().unwrap_or("?")).collect::<Vec<_>>()
    };
    shared.take(Counted::Sender(peer.sender()))?;
    let checked = shared.host_check.host(all(header::HOST).into_iter()).and_then(|()| {
        if *method == Method::GET || *method == Method::HEAD {
            Ok(())
        } else {
            shared.host_check.origin(all(header::ORIGIN).into_iter())
        }
    });
    if checked.is_err() {
        shared.take(Counted::Stranger(peer.address()))?;
    }
    checked
}

pub(super) const HTML: &str = "text/html; charset=utf-8";
pub(super) const SCRIPT: &str = "text/javascript; charset=utf-8";

pub(super) fn page(text: &'static str, kind: &'static str) -> Response {
    let mut response = Response::new(Body::from(text));
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    response.headers_mut().insert(KEPT, HeaderValue::from_static("yes"));
    response
}

pub(super) fn empty(status: StatusCode) -> Response {
    let mut response = Response::new(Body::empty());
    *response.status_mut() = status;
    response
}

fn text_json(status: StatusCode, text: String) -> Response {
    let mut response = Response::new(Body::from(text));
    *response.status_mut() = status;
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
    response
}

pub(super) fn json(status: StatusCode, value: &impl Serialize) -> Response {
    text_json(status, serde_json::to_string(value).expect("plain data becomes JSON"))
}

#[derive(Serialize)]
struct RefusalBody<'r> {
    refused: &'r str,
    message: &'r str,
    #[serde(skip_serializing_if = "Option::is_none")]
    seat: Option<u32>,
}

/// Answers with a refusal and notes it.
fn refuse(shared: &Shared, asked: &'static str, refusal: &Refusal, seat: Option<u32>) -> Response {
    shared.note(asked, refusal.name(), seat);
    let status = match refusal {
        Refusal::Code => StatusCode::FORBIDDEN,
        Refusal::NotSeated | Refusal::Released(_) => StatusCode::UNAUTHORIZED,
        Refusal::Over => StatusCode::GONE,
        Refusal::Pace => StatusCode::TOO_MANY_REQUESTS,
        Refusal::Busy | Refusal::Full | Refusal::ManySeats => StatusCode::SERVICE_UNAVAILABLE,
        Refusal::Alias
        | Refusal::HostName
        | Refusal::SeatNumber
        | Refusal::PaperSeat
        | Refusal::Table(_)
        | Refusal::Alternative
        | Refusal::Hand
        | Refusal::Malformed => StatusCode::BAD_REQUEST,
        _ => StatusCode::CONFLICT,
    };
    let seat = if let Refusal::Released(seat) = refusal { Some(*seat) } else { None };
    json(status, &RefusalBody { refused: refusal.name(), message: &refusal.message(), seat })
}

/// A request that got nowhere costs its sender some of its patience with us.
fn stranger(shared: &Shared, peer: Peer, asked: &'static str, refusal: &Refusal) -> Response {
    match shared.take(Counted::Stranger(peer.address())) {
        Ok(()) => refuse(shared, asked, refusal, None),
        Err(_) => refuse(shared, asked, &Refusal::Pace, None),
    }
}

async fn unknown(State(shared): App, ConnectInfo(peer): ConnectInfo<Peer>) -> Response {
    let mut response = stranger(&shared, peer, "door", &Refusal::Malformed);
    if response.status() == StatusCode::BAD_REQUEST {
        *response.status_mut() = StatusCode::NOT_FOUND;
    }
    response
}

/// The holder of the token in the cookie or in the header `X-Seat`.
fn token_holder(shared: &Shared, headers: &HeaderMap) -> Option<Holder> {
    if let Some(token) = headers.get("x-seat").and_then(|value| value.to_str().ok()) {
        return shared.passes.holder(token);
    }
    let name = shared.passes.cookie_name();
    headers
        .get_all(header::COOKIE)
        .into_iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(key, _)| *key == name)
        .and_then(|(_, token)| shared.passes.holder(token))
}

/// The seat that a request comes from, if its token is good and has not been given to another phone.
fn seated(
    shared: &Shared,
    peer: Peer,
    headers: &HeaderMap,
    asked: &'static str,
) -> Result<Holder, Box<Response>> {
    let holder = token_holder(shared, headers)
        .filter(|holder| {
            shared.snapshot().seats.get(&holder.seat).is_some_and(|seat| seat.generation == holder.generation)
        })
        .ok_or_else(|| {
            // Who once had the seat is told why it is gone, and is no stranger.
            let once = token_holder(shared, headers).filter(|once| {
                shared.snapshot().seats.get(&once.seat).is_some_and(|seat| seat.generation > once.generation)
            });
            Box::new(match once {
                Some(once) => refuse(shared, asked, &Refusal::Released(once.seat), None),
                None => stranger(shared, peer, asked, &Refusal::NotSeated),
            })
        })?;
    shared
        .take(Counted::Seat(holder.seat))
        .map_err(|_| Box::new(refuse(shared, asked, &Refusal::Pace, Some(holder.seat))))?;
    Ok(holder)
}

async fn deliver(shared: &Shared, ask: Ask) -> Result<Answer, Refusal> {
    let (reply, answer) = oneshot::channel();
    match shared.requests.try_send(PhoneRequest { ask, reply }) {
        Ok(()) => {}
        Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => return Err(Refusal::Busy),
    }
    match tokio::time::timeout(PATIENCE, answer).await {
        Ok(Ok(result)) => result,
        _ => Err(Refusal::Busy),
    }
}

fn with_seat(shared: &Shared, holder: Holder) -> Response {
    let mut response = json(StatusCode::OK, &serde_json::json!({ "seat": holder.seat }));
    let token = shared.passes.token(holder);
    let cookie = format!(
        "{}={token}; Path=/; Max-Age={COOKIE_SECONDS}; HttpOnly; SameSite=Strict",
        shared.passes.cookie_name()
    );
    if let Ok(value) = HeaderValue::from_str(&cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

async fn state(State(shared): App, ConnectInfo(peer): ConnectInfo<Peer>, headers: HeaderMap) -> Response {
    if token_holder(&shared, &headers).is_none() && !headers.contains_key("x-seat") {
        // A phone that has not joined yet asks, too; that is no attempt at anything.
        return json(
            StatusCode::UNAUTHORIZED,
            &serde_json::json!({ "refused": "not-seated", "message": "", "tables": shared.snapshot().tables }),
        );
    }
    let holder = match seated(&shared, peer, &headers, "state") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    match shared.snapshot().phone(holder.seat, shared.clock.now_ms()) {
        Some(text) => text_json(StatusCode::OK, text),
        None => refuse(&shared, "state", &Refusal::NotSeated, None),
    }
}

#[derive(Serialize)]
struct VotedBody {
    vote: OwnVote,
    sequence: u64,
}

async fn vote(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "vote") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    let seat = Some(holder.seat);
    if shared.take(Counted::Vote(holder.seat)).is_err() {
        return refuse(&shared, "vote", &Refusal::Pace, seat);
    }
    let ask = match Request::Vote.read(holder, &body) {
        Ok(ask) => ask,
        Err(refusal) => return refuse(&shared, "vote", &refusal, seat),
    };
    match deliver(&shared, ask).await {
        Ok(Answer::Voted { vote, sequence }) => json(StatusCode::OK, &VotedBody { vote, sequence }),
        Ok(_) => refuse(&shared, "vote", &Refusal::Busy, seat),
        Err(refusal) => refuse(&shared, "vote", &refusal, seat),
    }
}

/// Whether a request comes from the room's display.
fn display(shared: &Shared, peer: Peer, headers: &HeaderMap) -> Result<(), Box<Response>> {
    let key = headers.get("x-room-key").and_then(|value| value.to_str().ok()).unwrap_or_default();
    if shared.peek(Counted::Stranger(peer.address())).is_err() {
        return Err(Box::new(refuse(shared, "state", &Refusal::Pace, None)));
    }
    if shared.passes.is_display_key(key) {
        Ok(())
    } else {
        Err(Box::new(stranger(shared, peer, "state", &Refusal::NotSeated)))
    }
}

async fn room_state(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
) -> Response {
    match display(&shared, peer, &headers) {
        Ok(()) => text_json(StatusCode::OK, shared.snapshot().room(shared.clock.now_ms())),
        Err(response) => *response,
    }
}

#[derive(Serialize)]
struct JoinFacts<'s> {
    club: Option<&'s str>,
    logo: Option<String>,
    address: String,
    code: String,
    modules: Vec<String>,
}

async fn room_join(State(shared): App, ConnectInfo(peer): ConnectInfo<Peer>, headers: HeaderMap) -> Response {
    match display(&shared, peer, &headers) {
        Ok(()) => json(
            StatusCode::OK,
            &JoinFacts {
                club: shared.club.as_ref().map(|club| club.name.as_written()),
                logo: shared.club.as_ref().and_then(Club::logo_address),
                address: format!("http://{}/", shared.address),
                code: shared.passes.room_code(),
                modules: qr::modules(&shared.join_address()),
            },
        ),
        Err(response) => *response,
    }
}

/// The journal, after the closing, for whoever sat in the room and for the display.
async fn journal(State(shared): App, ConnectInfo(peer): ConnectInfo<Peer>, headers: HeaderMap) -> Response {
    if let Err(response) = seated(&shared, peer, &headers, "journal")
        && display(&shared, peer, &headers).is_err()
    {
        return *response;
    }
    if shared.snapshot().results.is_none() {
        return refuse(&shared, "journal", &Refusal::NotOpen, None);
    }
    let path = shared.journal.clone();
    match tokio::task::spawn_blocking(move || files::read(&path, files::LARGEST_JOURNAL_BYTES)).await {
        Ok(Ok(bytes)) => {
            let mut response = Response::new(Body::from(bytes));
            let headers = response.headers_mut();
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/jsonl"));
            headers.insert(
                header::CONTENT_DISPOSITION,
                HeaderValue::from_static("attachment; filename=\"night.jsonl\""),
            );
            response
        }
        _ => refuse(&shared, "journal", &Refusal::Busy, None),
    }
}
