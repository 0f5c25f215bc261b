//! A full room votes beside a flood: the whole way from the phones' requests over the web and the disk to their answers.
//!
//! Figure to hold: with five hundred seats voting within two seconds, one vote in a hundred waits longer than 100 ms at
//! most. The run prints median, 99th percentile and longest wait; traffic goes to this machine only and is bounded.

#![allow(
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "benchmarks measure real time, say what they measured and write whatever files they need"
)]

#[path = "../night/load.rs"]
mod load;
#[path = "../night/stage.rs"]
#[expect(dead_code, reason = "the stage of the tests holds more than a benchmark needs")]
mod stage;

use std::time::Duration;

fn main() {
    let p99 = load::votes_beside_a_flood();
    assert!(p99 <= Duration::from_millis(100), "one vote in a hundred waits for {p99:.1?}");
}
