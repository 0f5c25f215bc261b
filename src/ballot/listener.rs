//! A listener that cannot be exhausted: a bounded number of connections, in all and for each sender, and none that is
//! kept open by a slow sender.

use std::collections::HashMap;
use std::future::Future as _;
use std::io::{self, Write as _};
use std::net::{IpAddr, SocketAddr};
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
/// Connections of one address that is not this machine. A room may share one of IPv4, a phone opens at most six.
const CONNECTIONS_PER_ADDRESS: usize = 256;
/// Connections of this machine itself, where tests, tunnels and the display come from, and of a network of IPv6, which may be
/// everybody's: never all of them.
const CONNECTIONS_OF_MANY: usize = CONNECTIONS / 2;
/// Longest request in bytes, head and body: the longest that the pages send is a tenth of it.
const LONGEST_REQUEST: usize = 16_384;
/// Where so many of all connections are open, or of those of a network, one address gets no more than a few.
const CROWDED: (usize, usize) = (CONNECTIONS * 3 / 4, CONNECTIONS_OF_MANY * 3 / 4);
/// Connections of one address in a crowd.
const CONNECTIONS_IN_A_CROWD: usize = 32;
/// A request must have been answered this long after its first byte.
const REQUEST: Duration = Duration::from_secs(10);
/// A connection without any request is closed after this.
const IDLE: Duration = Duration::from_secs(60);

/// What is said to who has too many connections already.
const TOO_MANY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\n\
    Content-Length: 116\r\nConnection: close\r\nRetry-After: 10\r\n\r\n\
    Too many pages are open from your network address. Close those you do not use, wait a minute, then reload this page.";

/// Who is on the other end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Peer(pub(crate) SocketAddr);

impl Peer {
    /// The other end's address; one of IPv4 may be written as one of IPv6.
    pub(crate) fn address(self) -> IpAddr {
        self.0.ip().to_canonical()
    }

    /// As whom the other end is counted.
    pub(crate) fn sender(self) -> Sender {
        self.address().into()
    }
}

/// Whose connections are counted: those of a network of IPv6 also for each of its addresses, so that one guest does not use up
/// what the whole room has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Whose {
    Sender(Sender),
    Address(IpAddr),
}

type Counts = Arc<Mutex<HashMap<Whose, usize>>>;

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
                    let left = self.permits.available_permits();
                    let Some(place) = Place::take(&self.counts, Peer(address).address(), left) else {
                        refuse(stream);
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

/// Says why, if that takes no time.
fn refuse(stream: TcpStream) {
    if let Ok(mut stream) = stream.into_std() {
        let _ = stream.write(TOO_MANY);
    }
}

/// One connection's place among those of its sender and its address; given back when the connection ends.
#[derive(Debug)]
struct Place {
    counts: Counts,
    taken: Vec<Whose>,
}

impl Place {
    /// `left`: connections that are still to be had, of all.
    fn take(counts: &Counts, address: IpAddr, left: usize) -> Option<Self> {
        let mut all = counts.lock().unwrap_or_else(PoisonError::into_inner);
        let count = |whose: Whose| all.get(&whose).copied().unwrap_or(0);
        let sender = Sender::from(address);
        let (own, many) = (Whose::Address(address), Whose::Sender(sender));
        let crowd = CONNECTIONS - left.min(CONNECTIONS) > CROWDED.0
            || matches!(sender, Sender::Network(_)) && count(many) >= CROWDED.1;
        let most = if crowd { CONNECTIONS_IN_A_CROWD } else { CONNECTIONS_PER_ADDRESS };
        let taken: Vec<(Whose, usize)> = match sender {
            Sender::ThisMachine => vec![(many, CONNECTIONS_OF_MANY)],
            Sender::Address(_) => vec![(own, most)],
            Sender::Network(_) => vec![(own, most), (many, CONNECTIONS_OF_MANY)],
        };
        if taken.iter().any(|(whose, most)| count(*whose) >= *most) {
            return None;
        }
        let taken: Vec<Whose> = taken.into_iter().map(|(whose, _)| whose).collect();
        for whose in &taken {
            *all.entry(*whose).or_insert(0) += 1;
        }
        drop(all);
        Some(Self { counts: counts.clone(), taken })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut all = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        for whose in &self.taken {
            if let Some(count) = all.get_mut(whose) {
                *count -= 1;
                if *count == 0 {
                    all.remove(whose);
                }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Addresses for documents: RFC 3849, RFC 5737.
    fn address(text: &str) -> IpAddr {
        Peer(SocketAddr::new(text.parse().expect("an address"), 1)).address()
    }

    /// So many places of one address, as far as there are any.
    fn places(counts: &Counts, of: IpAddr, wanted: usize) -> Vec<Place> {
        (0..wanted).map_while(|_| Place::take(counts, of, CONNECTIONS)).collect()
    }

    #[test]
    fn one_guest_does_not_use_up_what_a_network_has() {
        let counts = Counts::default();
        let guest = places(&counts, address("2001:db8::1"), CONNECTIONS);
        assert_eq!(guest.len(), CONNECTIONS_PER_ADDRESS);
        let other = places(&counts, address("2001:db8::2"), 6);
        assert_eq!(other.len(), 6, "another guest of the same network comes in");
        drop(guest);
        drop(other);
        assert!(counts.lock().expect("counts").is_empty(), "everything is given back");
    }

    #[test]
    fn a_network_does_not_use_up_what_all_have() {
        let counts = Counts::default();
        let of = |number: usize| address(&format!("2001:db8::{number:x}"));
        let mut taken: Vec<Place> =
            (0..CONNECTIONS).filter_map(|number| Place::take(&counts, of(number), CONNECTIONS)).collect();
        assert_eq!(taken.len(), CONNECTIONS_OF_MANY);
        assert!(Place::take(&counts, address("2001:db8:0:1::1"), CONNECTIONS).is_some(), "another network");
        assert!(Place::take(&counts, address("192.0.2.1"), CONNECTIONS).is_some());
        // Where a network is crowded, each of its addresses gets no more than a few.
        taken.truncate(CROWDED.1);
        let late = places(&counts, address("2001:db8::ffff"), CONNECTIONS);
        assert_eq!(late.len(), CONNECTIONS_IN_A_CROWD);
    }

    #[test]
    fn an_address_of_ipv4_is_the_same_in_either_spelling() {
        let counts = Counts::default();
        let first = places(&counts, address("192.0.2.7"), CONNECTIONS);
        assert_eq!(first.len(), CONNECTIONS_PER_ADDRESS);
        assert!(Place::take(&counts, address("::ffff:192.0.2.7"), CONNECTIONS).is_none());
        let own = places(&counts, address("::ffff:127.0.0.1"), CONNECTIONS);
        assert_eq!(own.len(), CONNECTIONS_OF_MANY, "this machine, where the display and tunnels come from");
        assert!(Place::take(&counts, address("::1"), CONNECTIONS).is_none(), "it is one sender");
    }

    #[test]
    fn in_a_crowd_each_address_gets_a_few() {
        for guest in ["192.0.2.7", "2001:db8::7"] {
            let counts = Counts::default();
            let left = CONNECTIONS - CROWDED.0 - 1;
            let taken: Vec<Place> =
                (0..CONNECTIONS).map_while(|_| Place::take(&counts, address(guest), left)).collect();
            assert_eq!(taken.len(), CONNECTIONS_IN_A_CROWD, "{guest}");
        }
    }

    #[test]
    fn who_has_too_many_connections_is_told_what_to_do() {
        let text = std::str::from_utf8(TOO_MANY).expect("text");
        let (head, body) = text.split_once("\r\n\r\n").expect("head and body");
        assert!(head.contains(&format!("Content-Length: {}\r\n", body.len())), "{}", body.len());
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let mut guest =
            std::net::TcpStream::connect(listener.local_addr().expect("an address")).expect("open");
        let (stream, _) = listener.accept().expect("accepted");
        stream.set_nonblocking(true).expect("as a server's");
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().expect("a runtime");
        runtime.block_on(async { refuse(TcpStream::from_std(stream).expect("a stream")) });
        let mut said = String::new();
        io::Read::read_to_string(&mut guest, &mut said).expect("it is closed");
        assert_eq!(said, text);
    }
}
