//! The gate of the pages that belong to one sitting (witnesses, the operator): who may ask at all, and at which pace.

use std::net::SocketAddr;
use std::sync::{Mutex, PoisonError};

use axum::extract::Request;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

use super::guard::{Counted, Door, Paces, Tally, Turned};
use super::listener::Peer;
use super::routes::{json, protect};

/// The gate.
pub(super) struct Gate {
    tally: Mutex<Tally>,
    door: Door,
    started: tokio::time::Instant,
}

impl Gate {
    /// Of a server that listens on this address.
    pub(super) fn new(address: SocketAddr) -> Self {
        Self {
            tally: Mutex::new(Tally::new(Paces::default())),
            door: Door::new(address),
            started: tokio::time::Instant::now(),
        }
    }

    fn take(&self, counted: Counted) -> Result<(), Turned> {
        let now_ms = self.started.elapsed().as_millis() as u64;
        self.tally.lock().unwrap_or_else(PoisonError::into_inner).take(counted, now_ms)
    }

    /// Who may ask at all: as on a night.
    fn admit(&self, peer: Peer, method: &Method, headers: &HeaderMap) -> Result<(), Turned> {
        let all = |name| headers.get_all(name).into_iter().map(|value| value.to_str().unwrap_or("?"));
        self.take(Counted::Address(peer.0.ip()))?;
        self.door.host(all(header::HOST))?;
        if matches!(*method, Method::GET | Method::HEAD) {
            Ok(())
        } else {
            self.door.origin(all(header::ORIGIN))
        }
    }

    /// What every request passes through.
    pub(super) async fn pass(&self, peer: Peer, request: Request, next: Next) -> Response {
        let mut response = match self.admit(peer, request.method(), request.headers()) {
            Ok(()) => next.run(request).await,
            Err(Turned::Pace) => refused(StatusCode::TOO_MANY_REQUESTS, "too many requests"),
            Err(Turned::Host) => refused(StatusCode::MISDIRECTED_REQUEST, "this address is not served here"),
            Err(Turned::Origin) => {
                refused(StatusCode::FORBIDDEN, "only this sitting's own pages may do this")
            }
        };
        protect(&mut response);
        response
    }

    /// A request that got nowhere costs its sender some of its patience with us.
    pub(super) fn stranger(&self, peer: Peer) -> Response {
        match self.take(Counted::Stranger(peer.0.ip())) {
            Ok(()) => refused(
                StatusCode::FORBIDDEN,
                "this is not the code: scan it again from the computer's screen",
            ),
            Err(_) => refused(StatusCode::TOO_MANY_REQUESTS, "too many requests"),
        }
    }

    /// A path that there is not.
    pub(super) fn unknown(&self, peer: Peer) -> Response {
        let mut response = self.stranger(peer);
        if response.status() == StatusCode::FORBIDDEN {
            *response.status_mut() = StatusCode::NOT_FOUND;
        }
        response
    }
}

/// A refusal with its reason.
pub(super) fn refused(status: StatusCode, message: &str) -> Response {
    json(status, &serde_json::json!({ "refused": message }))
}

/// Compares in a time that does not depend on where the difference is.
pub(super) fn same(left: &str, right: &str) -> bool {
    let pairs = left.bytes().zip(right.bytes());
    left.len() == right.len() && pairs.fold(0_u8, |all, (left, right)| all | (left ^ right)) == 0
}
