//! The part of `check` that tries a switch: does it answer, does it connect, and within the times that the session gives it?
//! With a microphone: can what it connects be told from its sound?

use std::cell::RefCell;

use rand::SeedableRng as _;
use rand::rngs::StdRng;
use rand::seq::SliceRandom as _;

use super::Failure;
use crate::bench::clicks::{Microphone, clicks};
use crate::conduct::{Clock as _, Environment, RealClock};
use crate::session::{Session, SwitcherKind};
use crate::switcher::{self, Switch, Terminal};
use crate::units::printed;

/// Recordings of each position.
const RECORDINGS: usize = 6;
/// When a position is connected and disconnected again in a recording, and its length, in seconds.
const CONNECTS_S: f64 = 0.4;
const PARTS_S: f64 = 1.0;
const RECORDED_S: f64 = 1.6;
/// A p-value up to this says that the positions sound different.
const ALPHA: f64 = 0.05;

/// Connects each terminal twice and parks, and says how long the switch took.
///
/// # Errors
/// There is no switch, it does not answer, or it takes longer than the session gives it.
pub(super) fn tried(session: &Session, microphone: Option<&str>) -> Result<String, Failure> {
    let Some(switcher) = &session.switcher else {
        return Err(Failure::bad(
            "--switch tries the switch of real cables, and the session has no [switcher]",
        ));
    };
    if switcher.kind == SwitcherKind::Operator {
        return Err(Failure::bad(
            "--switch tries a relay, and this session's switch is a person. To rehearse with the operator's page: `earwitness run . \
             --listener Rehearsal --simulate 0.5 --output silent`",
        ));
    }
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
    let sound = microphone.map(|name| heard(&mut *switch, name)).transpose()?;
    Ok(format!(
        "The switch connected each terminal twice and is parked. It took {slowest_ms} ms at most, of the {given_ms} ms that it has. {}",
        sound.as_deref().unwrap_or(
            "Its own sound was not measured: with --microphone, a microphone at the listener's place compares both positions."
        )
    ))
}

/// Whether a microphone tells the positions apart by the sound of connecting and disconnecting them.
fn heard(switch: &mut dyn Switch, name: &str) -> Result<String, Failure> {
    let mut microphone = Microphone::open(Some(name).filter(|name| *name != "default"))?;
    let mut order: Vec<Terminal> = [Terminal::One, Terminal::Two].repeat(RECORDINGS);
    // Whatever a room does in the meantime, it does to both alike.
    order.shuffle(&mut StdRng::seed_from_u64(Environment::real().seed));
    let switch = RefCell::new(switch);
    let mut recorded = (Vec::new(), Vec::new());
    for terminal in order {
        let connect =
            |terminal| switch.borrow_mut().connect(terminal).map_err(|error| Failure::No(error.to_string()));
        let sound = microphone.during::<Failure>(
            RECORDED_S,
            &mut [(CONNECTS_S, &mut || connect(terminal)), (PARTS_S, &mut || connect(Terminal::Parked))],
        )?;
        let own = if terminal == Terminal::One { &mut recorded.0 } else { &mut recorded.1 };
        own.push(sound);
    }
    let found = clicks(&recorded.0, &recorded.1, microphone.rate_hz())?;
    let measured = format!(
        "Its sound, recorded {RECORDINGS} times at each position, differs most around {}, by {} ({})",
        printed::hertz(found.at_hz),
        printed::decibels(found.apart_db.abs()),
        printed::p_value(found.p_value)
    );
    Ok(if found.p_value <= ALPHA {
        format!(
            "{measured}: a listener who hears the switch can tell what it connects. Put it further away, or into a box, and try again."
        )
    } else {
        format!(
            "{measured}: this microphone does not tell the positions apart. An ear closer to it still might."
        )
    })
}
