//! Seats: taken, left, and taken again.

use axum::body::Bytes;
use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Answer, App, deliver, json, refuse, seated, stranger, token_holder, with_seat};
use crate::ballot::Refusal;
use crate::ballot::asked::{Ask, JoinBody, understood};
use crate::ballot::listener::Peer;
use crate::ballot::view::SeatFacts;

pub(super) async fn join(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    if shared.may_try_a_code(peer).is_err() {
        return refuse(&shared, "join", &Refusal::Pace, None);
    }
    let wish: JoinBody = match understood(&body) {
        Ok(wish) => wish,
        Err(refusal) => return stranger(&shared, peer, "join", &refusal),
    };
    if !shared.passes.is_room_code(&wish.code) {
        shared.was_wrong(peer);
        return stranger(&shared, peer, "join", &Refusal::Code);
    }
    // A phone that has a seat does not take another one: it gets its own again.
    let own = token_holder(&shared, &headers).filter(|own| {
        let there = |seat: &SeatFacts| seat.generation == own.generation && !seat.left;
        shared.snapshot().seats.get(&own.seat).is_some_and(there)
    });
    if let Some(own) = own {
        return with_seat(&shared, own);
    }
    let sender = peer.sender();
    if !shared.reserve_a_seat(sender) {
        return refuse(&shared, "join", &Refusal::ManySeats, None);
    }
    let refusal = match deliver(&shared, wish.ask()).await {
        Ok(Answer::Seated(holder)) => {
            shared.seats().keep(sender);
            return with_seat(&shared, holder);
        }
        Ok(_) => Refusal::Busy,
        Err(refusal) => refusal,
    };
    shared.seats().give_back(sender);
    refuse(&shared, "join", &refusal, None)
}

pub(super) async fn come_back(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "return") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    match deliver(&shared, Ask::Return { holder }).await {
        Ok(Answer::Seated(holder)) => with_seat(&shared, holder),
        Ok(_) => refuse(&shared, "return", &Refusal::Busy, Some(holder.seat)),
        Err(refusal) => refuse(&shared, "return", &refusal, Some(holder.seat)),
    }
}

pub(super) async fn leave(
    State(shared): App,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
) -> Response {
    let holder = match seated(&shared, peer, &headers, "leave") {
        Ok(holder) => holder,
        Err(response) => return *response,
    };
    match deliver(&shared, Ask::Leave { holder }).await {
        Ok(_) => json(StatusCode::OK, &serde_json::json!({ "left": true })),
        Err(refusal) => refuse(&shared, "leave", &refusal, Some(holder.seat)),
    }
}
