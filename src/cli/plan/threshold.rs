//! `plan --threshold`: how many trials until a threshold is known well enough, by simulation.

use std::io::Write;

use serde_json::json;

use super::super::score::protocol_named;
use super::super::{Failure, print_json};
use super::PlanArguments;
use crate::stats::simulate::Simulated;
use crate::stats::threshold::grid::Grid;
use crate::stats::threshold::simulated::{Reach, progress};
use crate::stats::threshold::track::Method;
use crate::stats::threshold::{self, Range};
use crate::units::printed::{count, percent, significant, stated};

/// Most trials of a simulated sitting: nobody sits longer.
const MOST_TRIALS: u64 = 400;
/// Most simulated sittings.
const MOST_SITTINGS: u64 = 20_000;

/// Runs it.
pub(super) fn run(arguments: &PlanArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let protocol = protocol_named(&arguments.protocol)?;
    let chance = threshold::chance(protocol).map_err(|error| Failure::bad(format!("--protocol: {error}")))?;
    let range = Range::new(arguments.smallest, arguments.largest)
        .map_err(|error| Failure::bad(format!("--smallest and --largest: {error}")))?;
    let (ratio, trials) = (arguments.width, arguments.trials.unwrap_or(120));
    if !(ratio > 1.0 && ratio.is_finite()) {
        return Err(Failure::bad(format!(
            "--width is {ratio}: the upper bound over the lower one, above 1, is expected, such as 3"
        )));
    }
    if !(1..=MOST_TRIALS).contains(&trials) {
        return Err(Failure::bad(format!("--trials is {trials}, but must be 1 to {MOST_TRIALS} here")));
    }
    let sittings = arguments.sittings;
    if !(2..=MOST_SITTINGS).contains(&sittings) {
        return Err(Failure::bad(format!("--sittings is {sittings}, but must be 2 to {MOST_SITTINGS}")));
    }
    let grid = Grid::new(range, chance);
    let reached = progress(&grid, Method::Bayes, ratio, trials as usize, sittings, arguments.seed);
    let enough = reached.iter().find(|reach| reach.narrow.value >= arguments.power);
    if arguments.json {
        let document = json!({
            "schema": "earwitness.plan/1",
            "protocol": protocol,
            "smallest": range.smallest,
            "largest": range.largest,
            "width": ratio,
            "power": arguments.power,
            "sittings": sittings,
            "seed": arguments.seed,
            "trials": enough.map(|reach| reach.trials),
            "by_trials": reached,
        });
        return print_json(out, &document);
    }
    let share = |of: &Simulated| format!("{} \u{b1} {}", percent(of.value), percent(of.standard_error));
    match enough {
        Some(Reach { trials, narrow, .. }) => writeln!(
            out,
            "{}: then the 95 % interval is no wider than {} to 1 in {} of simulated sittings.",
            count(*trials as u64, "trial"),
            significant(ratio),
            share(narrow)
        )?,
        None => writeln!(
            out,
            "{} are too few: the 95 % interval is no wider than {} to 1 in fewer than {} of simulated sittings. Ask for a wider one \
             with --width, or for more with --trials.",
            count(trials, "trial"),
            significant(ratio),
            stated(arguments.power)
        )?,
    }
    writeln!(out)?;
    writeln!(out, "  trials  upper over lower bound  narrow enough      holds the listener's threshold")?;
    for reach in reached.iter().filter(|reach| reach.trials % 10 == 0 || reach.trials == reached.len()) {
        let width = significant(reach.width);
        writeln!(
            out,
            "  {:>6}  {width:>22}  {:<17}  {}",
            reach.trials,
            share(&reach.narrow),
            share(&reach.coverage)
        )?;
    }
    writeln!(out)?;
    writeln!(
        out,
        "{sittings} simulated listeners of {protocol}, seed {}: thresholds alike in logarithm between {} and {}, slopes and lapses as \
         the prior has them.",
        arguments.seed,
        significant(range.smallest),
        significant(range.largest)
    )?;
    Ok(())
}
