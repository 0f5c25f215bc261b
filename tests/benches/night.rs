//! A full room votes: the whole way from the phones' requests over the web and the disk to their answers.
//!
//! Figure to hold: with five hundred seats voting within two seconds, one vote in a hundred waits longer than 100 ms at
//! most. The run prints median and 99th percentile; traffic goes to 127.0.0.1 only and is bounded.

#![allow(
    clippy::disallowed_methods,
    reason = "benchmarks measure real time and write whatever files they need"
)]

#[path = "../night/stage.rs"]
#[expect(dead_code, reason = "the stage of the tests holds more than a benchmark needs")]
mod stage;

use std::io::Write as _;
use std::time::{Duration, Instant};

use stage::{Host, Phone, Recorder, real_environment, request_of, session};

const SEATS: usize = 500;
const SENDERS: usize = 25;

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let host = Host::start(move || (request_of(session), real_environment(&Recorder::default())))
        .expect("the night is open");
    let phones: Vec<Phone> =
        (0..SEATS).map(|number| Phone::join(&host, &format!("Listener {number}"), None)).collect();
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    let began = Instant::now();
    let mut waits: Vec<Duration> = std::thread::scope(|scope| {
        let senders: Vec<_> = phones
            .chunks(SEATS / SENDERS)
            .enumerate()
            .map(|(sender, share)| {
                let trial = &trial;
                scope.spawn(move || {
                    let mut waits = Vec::new();
                    for (index, phone) in share.iter().enumerate() {
                        let due = Duration::from_millis(4 * (index * SENDERS + sender) as u64);
                        std::thread::sleep(due.saturating_sub(began.elapsed()));
                        let sent = Instant::now();
                        assert_eq!(phone.vote_as(trial, "a", 1).status, 200);
                        waits.push(sent.elapsed());
                    }
                    waits
                })
            })
            .collect();
        senders.into_iter().flat_map(|sender| sender.join().expect("a sender")).collect()
    });
    let took = began.elapsed();
    waits.sort();
    let text = format!(
        "{SEATS} votes in {took:.2?}: median {:.2?}, 99th percentile {:.2?}, longest {:.2?}",
        waits[SEATS / 2],
        waits[SEATS * 99 / 100],
        waits[SEATS - 1]
    );
    let _ = writeln!(std::io::stdout().lock(), "{text}");
    host.leave();
}
