//! What phones put into the draws: typed words, their own hands, and links.

use axum::body::Bytes;
use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use serde::Deserialize;

use super::{App, Ask, deliver, json, refuse, seated, understood};
use crate::ballot::Refusal;
use crate::ballot::guard::Counted;
use crate::ballot::listener::Peer;
use crate::trial::Digest;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedBody {
    text: String,
}

pub(super) async fn typed(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "typed-hand") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    let seat = Some(holder.seat);
    if shared.take(Counted::TypedHand(holder.seat)).is_err() {
        return refuse(&shared, "typed-hand", &Refusal::Pace, seat);
    }
    let TypedBody { text } = match understood(&body) {
        Ok(body) => body,
        Err(refusal) => return refuse(&shared, "typed-hand", &refusal, seat),
    };
    match deliver(&shared, Ask::TypeHand { holder, text }).await {
        Ok(_) => json(StatusCode::OK, &serde_json::json!({ "added": true })),
        Err(refusal) => refuse(&shared, "typed-hand", &refusal, seat),
    }
}

/// A phone's hand: closed, its hash; opened, its bytes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HandBody {
    hash: Option<Digest>,
    hand: Option<Digest>,
}

pub(super) async fn hand(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "hand") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    let seat = Some(holder.seat);
    let ask = match understood(&body) {
        Ok(HandBody { hash: Some(hash), hand: None }) => Ask::CloseHand { holder, hash },
        Ok(HandBody { hash: None, hand: Some(hand) }) => Ask::OpenHand { holder, hand },
        Ok(_) => return refuse(&shared, "hand", &Refusal::Malformed, seat),
        Err(refusal) => return refuse(&shared, "hand", &refusal, seat),
    };
    match deliver(&shared, ask).await {
        Ok(_) => json(StatusCode::OK, &serde_json::json!({ "taken": true })),
        Err(refusal) => refuse(&shared, "hand", &refusal, seat),
    }
}

/// A phone's chain: before the sealing its end, when a trial begins the trial's link.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LinkBody {
    end: Option<Digest>,
    link: Option<Digest>,
}

pub(super) async fn link(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "link") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    let seat = Some(holder.seat);
    let ask = match understood(&body) {
        Ok(LinkBody { end: Some(end), link: None }) => Ask::JoinWitness { holder, end },
        Ok(LinkBody { end: None, link: Some(link) }) => Ask::OpenLink { holder, link },
        Ok(_) => return refuse(&shared, "link", &Refusal::Malformed, seat),
        Err(refusal) => return refuse(&shared, "link", &refusal, seat),
    };
    match deliver(&shared, ask).await {
        Ok(_) => json(StatusCode::OK, &serde_json::json!({ "taken": true })),
        Err(refusal) => refuse(&shared, "link", &refusal, seat),
    }
}
