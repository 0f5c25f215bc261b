//! The part of `check` that tries a switch: does it answer, does it connect, and within the times that the session gives it?

use super::Failure;
use crate::conduct::{Clock as _, RealClock};
use crate::session::Session;
use crate::switcher::{self, Terminal};

/// Connects each terminal twice and parks, and says how long the switch took.
///
/// # Errors
/// There is no switch, it does not answer, or it takes longer than the session gives it.
pub(super) fn tried(session: &Session) -> Result<String, Failure> {
    let Some(switcher) = &session.switcher else {
        return Err(Failure::bad(
            "--switch tries the switch of real cables, and the session has no [switcher]",
        ));
    };
    let mut switch = switcher::open(switcher).map_err(Failure::bad)?;
    let clock = RealClock::default();
    let mut slowest_ms = 0;
    for terminal in [Terminal::One, Terminal::Two, Terminal::One, Terminal::Two, Terminal::Parked] {
        let before = clock.elapsed();
        switch.connect(terminal).map_err(|error| Failure::No(error.to_string()))?;
        slowest_ms = slowest_ms.max(clock.elapsed().saturating_sub(before).as_millis() as u64);
    }
    let given_ms = switcher.apart_ms.min(switcher.settle_ms);
    if slowest_ms >= given_ms {
        return Err(Failure::No(format!(
            "the switch takes up to {slowest_ms} ms to connect and to read back, and `apart` and `settle` give it {given_ms} ms: write \
             longer ones, or every attempt will be void"
        )));
    }
    Ok(format!(
        "The switch connected each terminal twice and is parked. It took {slowest_ms} ms at most, of the {given_ms} ms that it has."
    ))
}
