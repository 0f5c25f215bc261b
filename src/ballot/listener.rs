//! A listener that cannot be exhausted: a bounded number of connections, in all and for each sender, and none that is
//! kept open by a slow sender.

use std::collections::HashMap;
use std::future::Future as _;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep};

use super::guard::Sender;

/// Connections in all: a phone uses one or two.
pub(super) const CONNECTIONS: usize = 2048;
/// Connections of one address that is not this machine. A room may share an address, a phone opens at most six.
const CONNECTIONS_PER_ADDRESS: usize = 256;
/// Connections of this machine itself, where tests, tunnels and the display come from, and of a network of IPv6, which may be
/// everybody's: never all of them.
const CONNECTIONS_OF_MANY: usize = CONNECTIONS / 2;
/// Longest request in bytes, head and body: the longest that the pages send is a tenth of it.
const LONGEST_REQUEST: usize = 16_384;
/// Where so many of all connections are open, one address gets no more than a few.
const CROWDED: usize = CONNECTIONS * 3 / 4;
/// Connections of one address in a crowd.
const CONNECTIONS_IN_A_CROWD: usize = 32;
/// A request must have been answered this long after its first byte.
const REQUEST: Duration = Duration::from_secs(10);
/// A connection without any request is closed after this.
const IDLE: Duration = Duration::from_secs(60);

/// Who is on the other end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Peer(pub(crate) SocketAddr);

impl Peer {
    /// As whom the other end is counted.
    pub(crate) fn sender(self) -> Sender {
        self.0.ip().into()
    }
}

type Counts = Arc<Mutex<HashMap<Sender, usize>>>;

/// A TCP listener with bounds.
#[derive(Debug)]
pub(crate) struct BoundedListener {
    inner: TcpListener,
    permits: Arc<Semaphore>,
    counts: Counts,
}

impl BoundedListener {
    /// Puts bounds on a listener.
    pub(crate) fn new(inner: TcpListener) -> Self {
        Self { inner, permits: Arc::new(Semaphore::new(CONNECTIONS)), counts: Counts::default() }
    }
}

impl Listener for BoundedListener {
    type Io = BoundedStream;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        loop {
            let Ok(permit) = self.permits.clone().acquire_owned().await else {
                // The semaphore is never closed; if it were, nobody would be let in.
                std::future::pending::<()>().await;
                continue;
            };
            match self.inner.accept().await {
                Ok((stream, address)) => {
                    let Some(place) =
                        Place::take(&self.counts, Peer(address).sender(), self.permits.available_permits())
                    else {
                        continue;
                    };
                    // Answers are small and must not wait for more to be sent.
                    let _ = stream.set_nodelay(true);
                    return (BoundedStream::new(stream, permit, place), address);
                }
                // Out of file descriptors, or a connection that is gone already: try again soon.
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.inner.local_addr()
    }
}

impl Connected<IncomingStream<'_, BoundedListener>> for Peer {
    fn connect_info(stream: IncomingStream<'_, BoundedListener>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// One connection's place among those of its sender; given back when the connection ends.
#[derive(Debug)]
struct Place {
    counts: Counts,
    sender: Sender,
}

impl Place {
    /// `left`: connections that are still to be had, of all.
    fn take(counts: &Counts, sender: Sender, left: usize) -> Option<Self> {
        let crowd = CONNECTIONS - left.min(CONNECTIONS) > CROWDED;
        let most = match sender {
            Sender::ThisMachine | Sender::Network(_) => CONNECTIONS_OF_MANY,
            Sender::Address(_) if crowd => CONNECTIONS_IN_A_CROWD,
            Sender::Address(_) => CONNECTIONS_PER_ADDRESS,
        };
        let mut all = counts.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(sender).or_insert(0);
        if *count >= most {
            return None;
        }
        *count += 1;
        Some(Self { counts: counts.clone(), sender })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut all = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.sender) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.sender);
            }
        }
    }
}

/// A connection that ends when it stays idle, or when a request is not complete in time.
pub(crate) struct BoundedStream {
    inner: TcpStream,
    timer: Pin<Box<Sleep>>,
    /// A request's first byte has come and nothing has been answered yet.
    asked: bool,
    /// Bytes that came since something was answered.
    came: usize,
    _permit: OwnedSemaphorePermit,
    _place: Place,
}

impl BoundedStream {
    fn new(inner: TcpStream, permit: OwnedSemaphorePermit, place: Place) -> Self {
        // The first request must come soon: whoever only holds connections open asks for nothing.
        let timer = Box::pin(tokio::time::sleep(REQUEST));
        Self { inner, timer, asked: false, came: 0, _permit: permit, _place: place }
    }
}

impl BoundedStream {
    /// After a write: an answer ends the request; one that nobody reads ends the connection when its time is over.
    fn wrote(
        &mut self,
        context: &mut Context<'_>,
        result: Poll<io::Result<usize>>,
    ) -> Poll<io::Result<usize>> {
        match result {
            Poll::Ready(Ok(_)) => {
                self.asked = false;
                self.came = 0;
                self.timer.as_mut().reset(Instant::now() + IDLE);
                result
            }
            Poll::Ready(Err(_)) => result,
            Poll::Pending => match self.timer.as_mut().poll(context) {
                Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
                Poll::Pending => Poll::Pending,
            },
        }
    }
}

impl AsyncRead for BoundedStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buffer.filled().len();
        match Pin::new(&mut self.inner).poll_read(context, buffer) {
            Poll::Ready(result) => {
                self.came += buffer.filled().len() - before;
                if self.came > LONGEST_REQUEST {
                    return Poll::Ready(Err(io::ErrorKind::InvalidData.into()));
                }
                if result.is_ok() && buffer.filled().len() > before && !self.asked {
                    self.asked = true;
                    self.timer.as_mut().reset(Instant::now() + REQUEST);
                }
                Poll::Ready(result)
            }
            Poll::Pending => match self.timer.as_mut().poll(context) {
                Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
                Poll::Pending => Poll::Pending,
            },
        }
    }
}

impl AsyncWrite for BoundedStream {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.inner).poll_write(context, bytes);
        self.wrote(context, result)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.inner).poll_write_vectored(context, pieces);
        self.wrote(context, result)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }
}
