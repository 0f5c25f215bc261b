//! Which requests are looked at, at all.
//!
//! Comes in: the `Host` and `Origin` of a request, who sends it, and the time in milliseconds. Goes out: yes, or why not.
//! Pure: no clock, no sockets.

use std::collections::HashMap;
use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

/// Why a request was not even looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Turned {
    /// The `Host` is missing, doubled or not the stated address: a name that was made to point here.
    Host,
    /// The `Origin` is missing or another site's.
    Origin,
    /// Too many requests.
    Pace,
}

/// The hosts that the server answers to: the stated address and nothing else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HostCheck {
    hosts: Vec<String>,
}

impl HostCheck {
    /// Of a server that listens on this address. A loopback address may also be called `localhost`.
    pub fn new(address: SocketAddr) -> Self {
        let mut hosts = vec![address.to_string()];
        let own = SocketAddr::new(address.ip().to_canonical(), address.port());
        if own != address {
            hosts.push(own.to_string());
        }
        if own.ip().is_loopback() {
            hosts.push(format!("localhost:{}", address.port()));
        }
        if address.port() == 80 {
            let bare: Vec<String> =
                hosts.iter().map(|host| host.trim_end_matches(":80").to_owned()).collect();
            hosts.extend(bare);
        }
        Self { hosts }
    }

    /// Checks the `Host` header; there must be exactly one.
    pub fn host<'h>(&self, mut hosts: impl Iterator<Item = &'h str>) -> Result<(), Turned> {
        match (hosts.next(), hosts.next()) {
            (Some(host), None) if self.hosts.iter().any(|known| known.eq_ignore_ascii_case(host)) => Ok(()),
            _ => Err(Turned::Host),
        }
    }

    /// Checks the `Origin` header of a request that changes something; there must be exactly one.
    pub fn origin<'h>(&self, mut origins: impl Iterator<Item = &'h str>) -> Result<(), Turned> {
        match (origins.next(), origins.next()) {
            (Some(origin), None)
                if origin
                    .strip_prefix("http://")
                    .is_some_and(|host| self.hosts.iter().any(|known| known.eq_ignore_ascii_case(host))) =>
            {
                Ok(())
            }
            _ => Err(Turned::Origin),
        }
    }
}

/// A pace: so many at once, then so many a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// At once.
    pub burst: f64,
    /// A second, after that.
    pub per_second: f64,
}

/// What is counted, and at which pace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paces {
    /// Requests of one seat of any kind: a phone asks about once a second.
    pub seat: Pace,
    /// Votes of one seat.
    pub vote: Pace,
    /// Typed hands of one seat.
    pub typed_hand: Pace,
    /// Requests of one address that got nowhere: wrong codes, wrong tokens, unknown paths.
    pub stranger: Pace,
    /// Wrong room codes in all, from whatever addresses: so nobody guesses the code with many addresses.
    pub wrong_codes: Pace,
    /// Codes that a network of IPv6 may try while too many are wrong, right ones too: it has an unused address for each guess.
    pub codes_of_network: Pace,
    /// The same of all networks of IPv6 together: in four hours 720,000 of 28^6 codes, 0.15 %.
    pub codes_of_networks: Pace,
    /// Seats that one sender may take in all, unless guests share it.
    pub seats_per_address: u32,
    /// The host's own machine may take as many seats as the room has.
    pub own_machine_is_free: bool,
    /// Requests of one sender of any kind. A whole room may be one, so this one is wide.
    pub sender: Pace,
}

impl Default for Paces {
    fn default() -> Self {
        Self {
            seat: Pace { burst: 30.0, per_second: 5.0 },
            vote: Pace { burst: 10.0, per_second: 1.0 },
            typed_hand: Pace { burst: 3.0, per_second: 0.1 },
            stranger: Pace { burst: 20.0, per_second: 0.5 },
            wrong_codes: Pace { burst: 60.0, per_second: 1.0 },
            codes_of_network: Pace { burst: 60.0, per_second: 5.0 },
            codes_of_networks: Pace { burst: 300.0, per_second: 50.0 },
            seats_per_address: 6,
            own_machine_is_free: true,
            sender: Pace { burst: 3000.0, per_second: 1500.0 },
        }
    }
}

/// Who is counted as one: an address of IPv4, or a network of 64 bits of IPv6. There a phone has several addresses at once and makes
/// new ones as it likes (RFC 8981), and no customer gets less than such a network (RFC 6177).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sender {
    /// The address that this machine calls itself by: tests, tunnels and the display come from there.
    ThisMachine,
    /// An address, also where it is written as one of IPv6.
    Address(Ipv4Addr),
    /// A network, by its first 64 bits. It may be the whole room's.
    Network(u64),
}

impl From<IpAddr> for Sender {
    fn from(address: IpAddr) -> Self {
        match address.to_canonical() {
            IpAddr::V4(Ipv4Addr::LOCALHOST) | IpAddr::V6(Ipv6Addr::LOCALHOST) => Self::ThisMachine,
            IpAddr::V4(address) => Self::Address(address),
            IpAddr::V6(address) => Self::Network((address.to_bits() >> 64) as u64),
        }
    }
}

impl fmt::Display for Sender {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ThisMachine => formatter.write_str("this machine"),
            Self::Address(address) => address.fmt(formatter),
            Self::Network(bits) => write!(formatter, "{}/64", Ipv6Addr::from_bits(u128::from(*bits) << 64)),
        }
    }
}

/// Who or what is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Counted {
    /// A seat's requests.
    Seat(u32),
    /// A seat's votes.
    Vote(u32),
    /// A seat's typed hands.
    TypedHand(u32),
    /// An address whose requests get nowhere: not its network, or one guest could keep a whole room out.
    Stranger(IpAddr),
    /// All wrong room codes.
    WrongCodes,
    /// Those of an address.
    WrongCodesOf(IpAddr),
    /// Codes that a network of IPv6 tries while too many are wrong.
    CodesOf(u64),
    /// The same of all networks.
    CodesOfNetworks,
    /// Everything that comes from a sender.
    Sender(Sender),
}

#[derive(Debug, Clone, Copy)]
struct Bucket {
    left: f64,
    at_ms: u64,
}

/// Counts requests; remembers a bounded number of senders.
#[derive(Debug)]
pub struct RateLimiter {
    paces: Paces,
    buckets: HashMap<Counted, Bucket>,
}

/// Senders that are remembered; full buckets are forgotten first.
const REMEMBERED: usize = 8192;

impl RateLimiter {
    /// Nobody has asked for anything.
    pub fn new(paces: Paces) -> Self {
        Self { paces, buckets: HashMap::new() }
    }

    fn pace(&self, counted: Counted) -> Pace {
        match counted {
            Counted::Seat(_) => self.paces.seat,
            Counted::Vote(_) => self.paces.vote,
            Counted::TypedHand(_) => self.paces.typed_hand,
            Counted::Stranger(_) | Counted::WrongCodesOf(_) => self.paces.stranger,
            Counted::WrongCodes => self.paces.wrong_codes,
            Counted::CodesOf(_) => self.paces.codes_of_network,
            Counted::CodesOfNetworks => self.paces.codes_of_networks,
            Counted::Sender(_) => self.paces.sender,
        }
    }

    /// Seats that this sender may take in all; `None`: as many as the room has.
    pub fn seats_of(&self, sender: Sender) -> Option<u32> {
        let free = sender == Sender::ThisMachine && self.paces.own_machine_is_free;
        (!free).then_some(self.paces.seats_per_address)
    }

    /// Whether something was counted lately.
    pub fn was_counted(&mut self, counted: Counted, now_ms: u64) -> bool {
        let pace = self.pace(counted);
        self.buckets.get_mut(&counted).is_some_and(|bucket| {
            refill(bucket, pace, now_ms);
            bucket.left < pace.burst
        })
    }

    /// Takes one; refuses if there is none left.
    pub fn take(&mut self, counted: Counted, now_ms: u64) -> Result<(), Turned> {
        let pace = self.pace(counted);
        if self.buckets.len() >= REMEMBERED && !self.buckets.contains_key(&counted) {
            self.forget(now_ms);
        }
        let bucket = self.buckets.entry(counted).or_insert(Bucket { left: pace.burst, at_ms: now_ms });
        refill(bucket, pace, now_ms);
        if bucket.left < 1.0 {
            return Err(Turned::Pace);
        }
        bucket.left -= 1.0;
        Ok(())
    }

    /// Whether one is left, without taking it.
    pub fn peek(&mut self, counted: Counted, now_ms: u64) -> Result<(), Turned> {
        let pace = self.pace(counted);
        match self.buckets.get_mut(&counted) {
            Some(bucket) => {
                refill(bucket, pace, now_ms);
                if bucket.left < 1.0 { Err(Turned::Pace) } else { Ok(()) }
            }
            None => Ok(()),
        }
    }

    /// Whoever guesses codes is slowed down before the code is looked at: then a right guess is refused as well. Who was
    /// never wrong is not locked out by those who were, and waits at most for its network's turn.
    ///
    /// # Errors
    /// This address has no more guesses for now.
    pub fn may_try_a_code(&mut self, address: IpAddr, now_ms: u64) -> Result<(), Turned> {
        let address = address.to_canonical();
        self.peek(Counted::Stranger(address), now_ms)?;
        if self.peek(Counted::WrongCodes, now_ms).is_ok() {
            return Ok(());
        }
        if self.was_counted(Counted::WrongCodesOf(address), now_ms) {
            return Err(Turned::Pace);
        }
        match Sender::from(address) {
            Sender::Network(network) => {
                self.take(Counted::CodesOf(network), now_ms)?;
                self.take(Counted::CodesOfNetworks, now_ms)
            }
            Sender::ThisMachine | Sender::Address(_) => Ok(()),
        }
    }

    /// Counts a wrong room code.
    pub fn was_wrong(&mut self, address: IpAddr, now_ms: u64) {
        let _ = self.take(Counted::WrongCodes, now_ms);
        let _ = self.take(Counted::WrongCodesOf(address.to_canonical()), now_ms);
    }

    /// Forgets who has a full bucket again; if that is nobody, addresses of IPv6, of which an attack has any number; if that is not
    /// enough, everybody but what bounds guesses of the code in all, and the seats: an attack must not fill the memory.
    fn forget(&mut self, now_ms: u64) {
        let paces: Vec<(Counted, Pace)> = self.buckets.keys().map(|&key| (key, self.pace(key))).collect();
        for (key, pace) in paces {
            if let Some(bucket) = self.buckets.get_mut(&key) {
                refill(bucket, pace, now_ms);
                if bucket.left >= pace.burst {
                    self.buckets.remove(&key);
                }
            }
        }
        if self.buckets.len() >= REMEMBERED {
            let endless = |key: &Counted| {
                matches!(key, Counted::Stranger(IpAddr::V6(_)) | Counted::WrongCodesOf(IpAddr::V6(_)))
            };
            self.buckets.retain(|key, _| !endless(key));
        }
        if self.buckets.len() >= REMEMBERED {
            let kept = |key: &Counted| {
                let seats = matches!(key, Counted::Seat(_) | Counted::Vote(_) | Counted::TypedHand(_));
                seats || matches!(key, Counted::WrongCodes | Counted::CodesOfNetworks)
            };
            self.buckets.retain(|key, _| kept(key));
        }
    }
}

fn refill(bucket: &mut Bucket, pace: Pace, now_ms: u64) {
    let seconds = now_ms.saturating_sub(bucket.at_ms) as f64 / 1000.0;
    bucket.left = (bucket.left + seconds * pace.per_second).min(pace.burst);
    bucket.at_ms = bucket.at_ms.max(now_ms);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_stated_address_is_a_host() {
        let check = HostCheck::new("127.0.0.1:8410".parse().expect("an address"));
        assert_eq!(check.host(["127.0.0.1:8410"].into_iter()), Ok(()));
        assert_eq!(check.host(["LOCALHOST:8410"].into_iter()), Ok(()));
        for wrong in ["", "127.0.0.1", "127.0.0.1:8411", "evil.example", "127.0.0.1:8410.evil.example"] {
            assert_eq!(check.host([wrong].into_iter()), Err(Turned::Host), "{wrong}");
        }
        assert_eq!(check.host(["127.0.0.1:8410", "127.0.0.1:8410"].into_iter()), Err(Turned::Host));
        assert_eq!(check.host(std::iter::empty()), Err(Turned::Host));
        let check = HostCheck::new("192.168.1.20:8410".parse().expect("an address"));
        assert_eq!(check.host(["localhost:8410"].into_iter()), Err(Turned::Host), "one stated address");
        // An address of IPv4, written as one of IPv6 (RFC 4291, 2.5.5.2).
        let check = HostCheck::new("[::ffff:127.0.0.1]:8410".parse().expect("an address"));
        for host in ["[::ffff:127.0.0.1]:8410", "127.0.0.1:8410", "localhost:8410"] {
            assert_eq!(check.host([host].into_iter()), Ok(()), "{host}");
        }
    }

    #[test]
    fn only_the_own_pages_may_change_something() {
        let check = HostCheck::new("127.0.0.1:8410".parse().expect("an address"));
        assert_eq!(check.origin(["http://127.0.0.1:8410"].into_iter()), Ok(()));
        for wrong in [
            "",
            "null",
            "https://127.0.0.1:8410",
            "http://evil.example",
            "http://127.0.0.1:8410/",
            "127.0.0.1:8410",
        ] {
            assert_eq!(check.origin([wrong].into_iter()), Err(Turned::Origin), "{wrong}");
        }
        assert_eq!(check.origin(std::iter::empty()), Err(Turned::Origin));
    }

    #[test]
    fn a_pace_lets_a_burst_through_and_then_so_many_a_second() {
        let mut limiter =
            RateLimiter::new(Paces { vote: Pace { burst: 2.0, per_second: 1.0 }, ..Paces::default() });
        assert_eq!(limiter.take(Counted::Vote(1), 0), Ok(()));
        assert_eq!(limiter.take(Counted::Vote(1), 0), Ok(()));
        assert_eq!(limiter.take(Counted::Vote(1), 900), Err(Turned::Pace));
        assert_eq!(limiter.take(Counted::Vote(2), 900), Ok(()), "another seat is not slowed down");
        assert_eq!(limiter.take(Counted::Vote(1), 1100), Ok(()));
        assert_eq!(limiter.take(Counted::Vote(1), 1100), Err(Turned::Pace));
    }

    #[test]
    fn a_phone_of_many_addresses_is_one_sender() {
        let sender = |text: &str| Sender::from(text.parse::<IpAddr>().expect("an address"));
        // Addresses for documents: RFC 3849, RFC 5737.
        assert_eq!(sender("2001:db8:0:7::1"), sender("2001:db8:0:7:5c1d:ffee:9a01:22"));
        assert_ne!(sender("2001:db8:0:7::1"), sender("2001:db8:0:8::1"));
        assert_ne!(sender("192.0.2.7"), sender("192.0.2.8"));
        assert_eq!(sender("::ffff:192.0.2.7"), sender("192.0.2.7"), "another spelling");
        assert_eq!(sender("::1"), Sender::ThisMachine);
        assert_eq!(sender("::ffff:127.0.0.1"), Sender::ThisMachine);
        assert_ne!(sender("::2"), Sender::ThisMachine, "not this machine's network");
        assert_eq!(sender("2001:db8:0:7::1").to_string(), "2001:db8:0:7::/64");
        let mut limiter =
            RateLimiter::new(Paces { sender: Pace { burst: 2.0, per_second: 1.0 }, ..Paces::default() });
        let came = ["2001:db8::1", "2001:db8::2", "2001:db8::3"]
            .map(|text| limiter.take(Counted::Sender(sender(text)), 0));
        assert_eq!(came, [Ok(()), Ok(()), Err(Turned::Pace)]);
    }

    #[test]
    fn strangers_do_not_fill_the_memory() {
        let mut limiter = RateLimiter::new(Paces::default());
        for number in 0..20_000_u32 {
            let address = IpAddr::from(number.to_be_bytes());
            let _ = limiter.take(Counted::Stranger(address), 0);
            let _ = limiter.take(Counted::Stranger(of_network(7, number)), 0);
            let _ = limiter.take(Counted::CodesOf(u64::from(number)), 0);
        }
        assert!(limiter.buckets.len() <= REMEMBERED);
    }

    /// Address number `host` of a network for documents (RFC 3849).
    fn of_network(network: u16, host: u32) -> IpAddr {
        let [high, low] = [(host >> 16) as u16, host as u16];
        IpAddr::V6(Ipv6Addr::new(0x2001, 0xdb8, 0, network, 0, 1, high, low))
    }

    /// A limiter whose codes in all are used up by somebody else.
    fn used_up() -> RateLimiter {
        let mut limiter = RateLimiter::new(Paces::default());
        for number in 0..60_u8 {
            limiter.was_wrong(IpAddr::from([192, 0, 2, number]), 0);
        }
        limiter
    }

    #[test]
    fn a_guest_who_guesses_locks_nobody_else_of_the_network_out() {
        let mut limiter = used_up();
        let guesser = of_network(7, 1);
        for number in 0..30 {
            let now_ms = 1000 * number;
            if limiter.may_try_a_code(guesser, now_ms).is_ok() {
                limiter.was_wrong(guesser, now_ms);
            }
            // Others keep too many codes wrong.
            limiter.was_wrong(IpAddr::from([198, 51, 100, 1]), now_ms);
            let guest = of_network(7, 100 + number as u32);
            assert_eq!(limiter.may_try_a_code(guest, now_ms), Ok(()), "guest {number}");
        }
        limiter.was_wrong(guesser, 30_000);
        assert_eq!(
            limiter.may_try_a_code(guesser, 30_000),
            Err(Turned::Pace),
            "its own guesses are slowed down"
        );
    }

    #[test]
    fn a_new_address_for_each_guess_does_not_help() {
        let guesses = |networks: u32| {
            let mut limiter = used_up();
            let mut tried = 0;
            for number in 0..60_000_u32 {
                // A thousand a second, for a minute.
                let now_ms = u64::from(number);
                let address = of_network((number % networks) as u16, number);
                if limiter.may_try_a_code(address, now_ms).is_ok() {
                    tried += 1;
                    limiter.was_wrong(address, now_ms);
                }
            }
            tried
        };
        // Five a second of one network, fifty of all, and once what may come at once; one a second in all besides.
        assert!((360..=420).contains(&guesses(1)), "{}", guesses(1));
        assert!((3300..=3360).contains(&guesses(40_000)), "{}", guesses(40_000));
    }

    #[test]
    fn a_flood_of_addresses_gives_no_guesses_back() {
        let mut limiter = RateLimiter::new(Paces::default());
        let guesser = IpAddr::from([192, 0, 2, 7]);
        let guess = |limiter: &mut RateLimiter| {
            let may = limiter.may_try_a_code(guesser, 0);
            if may.is_ok() {
                limiter.was_wrong(guesser, 0);
                let _ = limiter.take(Counted::Stranger(guesser), 0);
            }
            may.is_ok()
        };
        assert_eq!((0..100).filter(|_| guess(&mut limiter)).count(), 20);
        for number in 0..20_000 {
            let _ = limiter.take(Counted::Stranger(of_network(7, number)), 0);
            let _ = limiter.take(Counted::WrongCodesOf(of_network(8, number)), 0);
        }
        assert!(limiter.buckets.len() <= REMEMBERED);
        assert!(!guess(&mut limiter));
    }
}
