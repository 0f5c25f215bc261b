//! `earwitness night --simulate`: a night that nobody attends.

use std::io::Write;

use super::super::run::check_probability;
use super::{Failure, NightArguments};
use crate::ballot::rehearsed::{self, Guests};
use crate::conduct::Environment;
use crate::session::Session;
use crate::sitting::simulated::{self, Ability};

/// Rehearses the night, and says where its journal is.
pub(super) fn run(
    arguments: &NightArguments,
    session: &Session,
    mean: f64,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    check_probability("--simulate", mean)?;
    check_probability("--simulate-spread", arguments.simulate_spread)?;
    check_probability("--simulate-lapse", arguments.simulate_lapse)?;
    check_probability("--simulate-controls", arguments.simulate_controls.unwrap_or(0.5))?;
    crate::trial::private::process();
    super::super::timings::stage("night");
    let environment = Environment::real();
    let chance = session.protocol.chance();
    let (spread, number) = (arguments.simulate_spread, arguments.simulate_guests);
    let guests = Guests {
        mean,
        each: simulated::panel(mean, chance, spread, number, environment.seed),
        ability: Ability { controls: arguments.simulate_controls, lapse: arguments.simulate_lapse },
    };
    let journal =
        rehearsed::rehearse(session, &arguments.host, &guests, &environment).map_err(Failure::bad)?;
    for (own, seat) in guests.each.iter().zip(1..) {
        writeln!(out, "Guest {seat:02}: simulated, right with probability {own}")?;
    }
    writeln!(out, "journal {}", journal.display())?;
    writeln!(
        out,
        "Nobody listened. `earwitness night --show` and `earwitness report` say so, and show what a night's results look like."
    )?;
    Ok(())
}
