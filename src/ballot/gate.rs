//! The gate of the pages that belong to one sitting (witnesses, the operator): who may ask at all, and at which pace.

use std::net::{SocketAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};

use axum::Router;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::get;

use super::guard::{Counted, HostCheck, Paces, RateLimiter, Turned};
use super::listener::Peer;
use super::routes::{HTML, LONGEST_BODY, SCRIPT, Server, empty, json, page, protect, serve_router};
use super::{NightError, pages};

const TOO_MANY: &str = "too many requests: wait a moment";

/// What a page and its sitting share stands behind a gate.
pub(super) trait Gated: Send + Sync + 'static {
    /// The gate.
    fn gate(&self) -> &Gate;
}

/// Serves a page with its style and scripts behind the gate, and the paths that only this page has.
pub(super) fn serve<S: Gated>(
    listener: TcpListener,
    address: SocketAddr,
    html: &'static str,
    (script_path, script): (&'static str, &'static str),
    own: Router<Arc<S>>,
    shared: Arc<S>,
) -> Result<Server, NightError> {
    let router = own
        .route("/", get(move || async move { page(html, HTML) }))
        .route("/night.css", get(|| async { page(pages::STYLE, "text/css; charset=utf-8") }))
        .route("/hand.js", get(|| async { page(pages::HAND_SCRIPT, SCRIPT) }))
        .route(script_path, get(move || async move { page(script, SCRIPT) }))
        .route("/favicon.ico", get(|| async { empty(StatusCode::NO_CONTENT) }))
        .fallback(unknown::<S>)
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(shared.clone(), pass::<S>))
        .with_state(shared);
    serve_router(listener, address, router)
}

/// What every request passes through.
async fn pass<S: Gated>(
    State(shared): State<Arc<S>>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    request: Request,
    next: Next,
) -> Response {
    shared.gate().pass(peer, request, next).await
}

/// A path that there is not.
async fn unknown<S: Gated>(State(shared): State<Arc<S>>, ConnectInfo(peer): ConnectInfo<Peer>) -> Response {
    let mut response = shared.gate().stranger(peer);
    if response.status() == StatusCode::FORBIDDEN {
        *response.status_mut() = StatusCode::NOT_FOUND;
    }
    response
}

/// The gate.
pub(super) struct Gate {
    limiter: Mutex<RateLimiter>,
    host_check: HostCheck,
    started: tokio::time::Instant,
}

impl Gate {
    /// Of a server that listens on this address.
    pub(super) fn new(address: SocketAddr) -> Self {
        Self {
            limiter: Mutex::new(RateLimiter::new(Paces::default())),
            host_check: HostCheck::new(address),
            started: tokio::time::Instant::now(),
        }
    }

    fn take(&self, counted: Counted) -> Result<(), Turned> {
        let now_ms = self.started.elapsed().as_millis() as u64;
        self.limiter.lock().unwrap_or_else(PoisonError::into_inner).take(counted, now_ms)
    }

    /// Who may ask at all: as on a night.
    fn admit(&self, peer: Peer, method: &Method, headers: &HeaderMap) -> Result<(), Turned> {
        let all = |name| headers.get_all(name).into_iter().map(|value| value.to_str().unwrap_or("?"));
        self.take(Counted::Sender(peer.sender()))?;
        self.host_check.host(all(header::HOST))?;
        if matches!(*method, Method::GET | Method::HEAD) {
            Ok(())
        } else {
            self.host_check.origin(all(header::ORIGIN))
        }
    }

    async fn pass(&self, peer: Peer, request: Request, next: Next) -> Response {
        let mut response = match self.admit(peer, request.method(), request.headers()) {
            Ok(()) => next.run(request).await,
            Err(Turned::Pace) => refused(StatusCode::TOO_MANY_REQUESTS, TOO_MANY),
            Err(Turned::Host) => refused(
                StatusCode::MISDIRECTED_REQUEST,
                "this address is not served here: open the one on the computer's screen",
            ),
            Err(Turned::Origin) => refused(
                StatusCode::FORBIDDEN,
                "only this sitting's own pages may do this: open the address on the computer's screen",
            ),
        };
        protect(&mut response);
        response
    }

    /// A request that got nowhere costs its sender some of its patience with us.
    pub(super) fn stranger(&self, peer: Peer) -> Response {
        match self.take(Counted::Stranger(peer.address())) {
            Ok(()) => refused(
                StatusCode::FORBIDDEN,
                "this is not the code: scan it again from the computer's screen",
            ),
            Err(_) => refused(StatusCode::TOO_MANY_REQUESTS, TOO_MANY),
        }
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
