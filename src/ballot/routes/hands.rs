//! What phones put into the draws: typed words, their own hands, and links.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{App, Shared, deliver, json, refuse, seated};
use crate::ballot::Refusal;
use crate::ballot::asked::Request;
use crate::ballot::guard::Counted;
use crate::ballot::listener::Peer;

pub(super) async fn typed(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    put(shared, peer, headers, body, Request::TypedHand, "added").await
}

/// A phone's hand: closed, its hash; opened, its bytes.
pub(super) async fn hand(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    put(shared, peer, headers, body, Request::Hand, "taken").await
}

/// A phone's chain: before the sealing its end, when a trial begins the trial's link.
pub(super) async fn link(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    put(shared, peer, headers, body, Request::Link, "taken").await
}

async fn put(
    shared: Arc<Shared>,
    peer: Peer,
    headers: HeaderMap,
    body: Bytes,
    request: Request,
    done: &'static str,
) -> Response {
    let asked = request.name();
    let holder = match seated(&shared, peer, &headers, asked) {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    let seat = Some(holder.seat);
    if request == Request::TypedHand && shared.take(Counted::TypedHand(holder.seat)).is_err() {
        return refuse(&shared, asked, &Refusal::Pace, seat);
    }
    let ask = match request.read(holder, &body) {
        Ok(ask) => ask,
        Err(refusal) => return refuse(&shared, asked, &refusal, seat),
    };
    match deliver(&shared, ask).await {
        Ok(_) => json(StatusCode::OK, &serde_json::json!({ done: true })),
        Err(refusal) => refuse(&shared, asked, &refusal, seat),
    }
}
