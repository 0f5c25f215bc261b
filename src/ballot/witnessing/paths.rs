//! The server of a sitting's witnesses: its paths, who may ask, what they get.

use std::sync::{Arc, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{ConnectInfo, DefaultBodyLimit, Query, Request as Asking, State as From};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::{get, post};
use serde::Deserialize;
use tokio::sync::oneshot;

use super::{Published, Shared, state};
use crate::ballot::guard::{Counted, Turned};
use crate::ballot::listener::Peer;
use crate::ballot::routes::{
    HTML, LONGEST_BODY, SCRIPT, Server, empty, json, page, protect, serve_router, understood,
};
use crate::ballot::{NightError, pages};
use crate::conduct::witness::{Ask, Request};
use crate::trial::Digest;

/// How long a page waits for news before it asks again.
const NEWS: Duration = Duration::from_secs(5);
/// How long an answer of the sitting is waited for.
const PATIENCE: Duration = Duration::from_secs(5);

type App = From<Arc<Shared>>;

pub(super) fn serve(listener: std::net::TcpListener, shared: Arc<Shared>) -> Result<Server, NightError> {
    let address = shared.address;
    let router = Router::new()
        .route("/", get(|| async { page(pages::witness(), HTML) }))
        .route("/night.css", get(|| async { page(pages::STYLE, "text/css; charset=utf-8") }))
        .route("/hand.js", get(|| async { page(pages::HAND_SCRIPT, SCRIPT) }))
        .route("/witness.js", get(|| async { page(pages::WITNESS_SCRIPT, SCRIPT) }))
        .route("/favicon.ico", get(|| async { empty(StatusCode::NO_CONTENT) }))
        .route("/witness-state", get(look))
        .route("/witness-join", post(join))
        .route("/witness-link", post(link))
        .fallback(unknown)
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(shared.clone(), door))
        .with_state(shared);
    serve_router(listener, address, router)
}

impl Shared {
    fn take(&self, counted: Counted) -> Result<(), Turned> {
        let now_ms = self.started.elapsed().as_millis() as u64;
        self.tally.lock().unwrap_or_else(PoisonError::into_inner).take(counted, now_ms)
    }
}

fn refused(status: StatusCode, message: &str) -> Response {
    json(status, &serde_json::json!({ "refused": message }))
}

/// Who may ask at all: as on a night.
fn admit(shared: &Shared, peer: Peer, method: &Method, headers: &HeaderMap) -> Result<(), Turned> {
    let all = |name| headers.get_all(name).into_iter().map(|value| value.to_str().unwrap_or("?"));
    shared.take(Counted::Address(peer.0.ip()))?;
    shared.door.host(all(header::HOST))?;
    if matches!(*method, Method::GET | Method::HEAD) {
        Ok(())
    } else {
        shared.door.origin(all(header::ORIGIN))
    }
}

async fn door(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    request: Asking,
    next: Next,
) -> Response {
    let mut response = match admit(&shared, peer, request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err(Turned::Pace) => refused(StatusCode::TOO_MANY_REQUESTS, "too many requests"),
        Err(Turned::Host) => refused(StatusCode::MISDIRECTED_REQUEST, "this address is not served here"),
        Err(Turned::Origin) => refused(StatusCode::FORBIDDEN, "only the witness's own page may do this"),
    };
    protect(&mut response);
    response
}

/// A request that got nowhere costs its sender some of its patience with us.
fn stranger(shared: &Shared, peer: Peer) -> Response {
    match shared.take(Counted::Stranger(peer.0.ip())) {
        Ok(()) => {
            refused(StatusCode::FORBIDDEN, "this is not the code: scan it again from the computer's screen")
        }
        Err(_) => refused(StatusCode::TOO_MANY_REQUESTS, "too many requests"),
    }
}

async fn unknown(From(shared): App, ConnectInfo(peer): ConnectInfo<Peer>) -> Response {
    let mut response = stranger(&shared, peer);
    if response.status() == StatusCode::FORBIDDEN {
        *response.status_mut() = StatusCode::NOT_FOUND;
    }
    response
}

/// Compares in a time that does not depend on where the difference is.
fn same(left: &str, right: &str) -> bool {
    let pairs = left.bytes().zip(right.bytes());
    left.len() == right.len() && pairs.fold(0_u8, |all, (left, right)| all | (left ^ right)) == 0
}

fn looks(shared: &Shared, headers: &HeaderMap) -> bool {
    let key = headers.get("x-witness").and_then(|value| value.to_str().ok());
    key.is_some_and(|key| same(key, &shared.code.look()))
}

#[derive(Deserialize)]
struct Looking {
    /// The version that the page has seen.
    seen: Option<u64>,
    /// Records whose receipts it has.
    after: Option<usize>,
}

async fn look(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    Query(looking): Query<Looking>,
    headers: HeaderMap,
) -> Response {
    if !looks(&shared, &headers) {
        return stranger(&shared, peer);
    }
    let mut news = shared.published.subscribe();
    let seen = looking.seen.unwrap_or(0);
    // Before the sitting is open again after a restart nothing can be shown: no records are not those that were there before.
    let fresh = |published: &Published| published.version != 0 && published.version != seen;
    let _ = tokio::time::timeout(NEWS, news.wait_for(fresh)).await;
    if news.borrow().version == 0 {
        return refused(StatusCode::SERVICE_UNAVAILABLE, "the sitting is not open yet");
    }
    let text = state(&news.borrow(), looking.after.unwrap_or(0), &shared.code);
    let mut response = Response::new(Body::from(text));
    response.headers_mut().insert(header::CONTENT_TYPE, header::HeaderValue::from_static("application/json"));
    response
}

/// Hands it to the sitting and waits until it is on the disk.
async fn deliver(shared: &Shared, ask: Ask) -> Response {
    let (sender, answer) = oneshot::channel();
    let reply = Box::new(move |result: Result<(), &'static str>| {
        // A phone that is gone does not wait for an answer.
        let _ = sender.send(result);
    });
    if shared.requests.try_send(Request { ask, reply }).is_err() {
        return refused(StatusCode::SERVICE_UNAVAILABLE, "the computer is busy");
    }
    match tokio::time::timeout(PATIENCE, answer).await {
        Ok(Ok(Ok(()))) => json(StatusCode::OK, &serde_json::json!({ "taken": true })),
        Ok(Ok(Err(why))) => refused(StatusCode::CONFLICT, why),
        _ => refused(StatusCode::SERVICE_UNAVAILABLE, "the computer is busy"),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JoinBody {
    name: String,
    end: Digest,
    proof: String,
}

async fn join(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let Ok(JoinBody { name, end, proof }) = understood::<JoinBody>(&body) else {
        return stranger(&shared, peer);
    };
    if !looks(&shared, &headers) || !same(&proof, &shared.code.join(&name, end)) {
        return stranger(&shared, peer);
    }
    let shown = name.trim();
    if shown.is_empty() || shown != name || name.chars().count() > 40 || name.chars().any(char::is_control) {
        return refused(StatusCode::BAD_REQUEST, "choose a name of 1 to 40 characters");
    }
    deliver(&shared, Ask::Join { name, end }).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LinkBody {
    last: Digest,
    link: Digest,
}

async fn link(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    if !looks(&shared, &headers) {
        return stranger(&shared, peer);
    }
    match understood::<LinkBody>(&body) {
        Ok(LinkBody { last, link }) => deliver(&shared, Ask::Open { last, link }).await,
        Err(_) => stranger(&shared, peer),
    }
}
