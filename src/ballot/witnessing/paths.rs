//! The server of a sitting's witnesses: its paths, who may ask, what they get.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{ConnectInfo, Query, State as From};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::Response;
use axum::routing::{get, post};
use serde::Deserialize;
use tokio::sync::oneshot;

use super::{Published, Shared, state};
use crate::ballot::asked::{OpenedBody, WitnessBody, understood};
use crate::ballot::gate::{self, Gate, Gated, refused, same};
use crate::ballot::listener::Peer;
use crate::ballot::routes::{Server, json};
use crate::ballot::{NightError, pages};
use crate::conduct::witness::{Ask, Request};

/// How long a page waits for news before it asks again.
const NEWS: Duration = Duration::from_secs(5);
/// How long an answer of the sitting is waited for.
const PATIENCE: Duration = Duration::from_secs(5);

type App = From<Arc<Shared>>;

impl Gated for Shared {
    fn gate(&self) -> &Gate {
        &self.gate
    }
}

pub(super) fn serve(listener: std::net::TcpListener, shared: Shared) -> Result<Server, NightError> {
    let own = Router::new()
        .route("/witness-state", get(look))
        .route("/witness-join", post(join))
        .route("/witness-link", post(link));
    let script = ("/witness.js", pages::WITNESS_SCRIPT);
    gate::serve(listener, shared.address, pages::witness(), script, own, Arc::new(shared))
}

fn stranger(shared: &Shared, peer: Peer) -> Response {
    shared.gate.stranger(peer)
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
    let (text, version) = {
        let published = news.borrow();
        (state(&published, looking.after.unwrap_or(0), &shared.code), published.version)
    };
    shared.told.fetch_max(version, std::sync::atomic::Ordering::Relaxed);
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

async fn join(
    From(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let Ok(wish) = understood::<WitnessBody>(&body) else {
        return stranger(&shared, peer);
    };
    if !looks(&shared, &headers) || !same(&wish.proof, &shared.code.join(&wish.name, wish.end)) {
        return stranger(&shared, peer);
    }
    if !wish.is_named() {
        return refused(StatusCode::BAD_REQUEST, "choose a name of 1 to 40 characters");
    }
    deliver(&shared, Ask::Join { name: wish.name, end: wish.end }).await
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
    match understood::<OpenedBody>(&body) {
        Ok(OpenedBody { last, link }) => deliver(&shared, Ask::Open { last, link }).await,
        Err(_) => stranger(&shared, peer),
    }
}
