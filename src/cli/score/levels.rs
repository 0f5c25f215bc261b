//! `score --levels`: the threshold from anybody's counts at several sizes.

use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};

use super::super::{Failure, extend, print_json, print_lines};
use super::table::lines;
use super::{ScoreArguments, protocol_named};
use crate::session::Scale;
use crate::stats::threshold::grid::Grid;
use crate::stats::threshold::posterior::Posterior;
use crate::stats::threshold::summary::{Estimate, LEVEL};
use crate::stats::threshold::{self, Point, Range, fit};
use crate::units::printed;
use crate::units::printed::{percent, significant};
use crate::verdict::threshold::{ThresholdResult, at_one, d_prime, headline, limits};

/// The names of the columns.
const COLUMNS: [&str; 3] = ["multiple", "correct", "trials"];

/// Scores counts at several sizes.
pub(super) fn run(arguments: &ScoreArguments, file: &Path, out: &mut dyn Write) -> Result<(), Failure> {
    let Some(protocol) = &arguments.protocol else {
        return Err(Failure::bad("--levels needs --protocol, for example --protocol abx"));
    };
    let protocol = protocol_named(protocol)?;
    let chance = threshold::chance(protocol).map_err(|error| Failure::bad(format!("--protocol: {error}")))?;
    let points = read(file)?;
    let sizes = || points.iter().map(|point| point.multiple).filter(|multiple| *multiple > 0.0);
    let smallest = arguments.smallest.unwrap_or_else(|| sizes().fold(f64::INFINITY, f64::min));
    let largest = arguments.largest.unwrap_or_else(|| sizes().fold(0.0, f64::max));
    let range = Range::new(smallest, largest).map_err(|error| {
        Failure::bad(format!(
            "{error}; --smallest and --largest say between which sizes the threshold was looked for"
        ))
    })?;
    let grid = Grid::new(range, chance);
    let summary = Posterior::of(&grid, &points).map_err(Failure::bad)?.summary();
    let result = ThresholdResult {
        scale: Scale::Multiple,
        range,
        chance,
        d_prime: d_prime(protocol, &summary.at_one),
        on_paper: None,
        summary,
        fit: Some(fit::fit(&grid, &points).map_err(Failure::bad)?),
        points: fit::together(&points),
        heard: Vec::new(),
    };
    if arguments.json {
        let mut document = json!({ "schema": "earwitness.score/1", "protocol": protocol, "chance": chance });
        extend(&mut document, document_of(&result));
        return print_json(out, &document);
    }
    print(&result, out)
}

/// The keys of a threshold in JSON, the same for `score` and `report`.
pub(super) fn document_of(result: &ThresholdResult) -> Value {
    let interval = |of: &Estimate| json!({ "estimate": of.estimate, "lower": of.lower, "upper": of.upper, "level": LEVEL });
    let summary = &result.summary;
    json!({
        "scale": result.scale,
        "smallest": result.range.smallest,
        "largest": result.range.largest,
        "threshold": interval(&summary.threshold),
        "confidence": interval(&summary.confidence),
        "place": summary.place,
        "slope": interval(&summary.slope),
        "at_one": {
            "discriminators": interval(&summary.at_one),
            "d_prime": result.d_prime.as_ref().map(interval),
        },
        "points": result.points,
        "fit": result.fit,
    })
}

/// For people.
fn print(result: &ThresholdResult, out: &mut dyn Write) -> Result<(), Failure> {
    let summary = &result.summary;
    writeln!(out, "{}", headline(result.scale, result.range, summary))?;
    writeln!(out, "{}", at_one(result))?;
    print_lines(out, limits(result))?;
    writeln!(out)?;
    for point in &result.points {
        writeln!(
            out,
            "  {:>8} times {:>5} of {:<5} {}",
            significant(point.multiple),
            point.correct,
            point.trials,
            percent(point.correct as f64 / point.trials as f64)
        )?;
    }
    let slope = summary.slope;
    writeln!(
        out,
        "  slope {} ({} to {})",
        significant(slope.estimate),
        significant(slope.lower),
        significant(slope.upper)
    )?;
    if let Some(fit) = &result.fit {
        writeln!(
            out,
            "  fit: deviance {:.2} at {} sizes, {} (simulated)",
            fit.deviance,
            fit.sizes,
            printed::p_value(fit.p_value.value)
        )?;
    }
    Ok(())
}

/// Reads a CSV file of counts at sizes.
fn read(path: &Path) -> Result<Vec<Point>, Failure> {
    let mut points = Vec::new();
    for line in lines(path, COLUMNS)? {
        let line = line?;
        let multiple = line
            .cell(0)
            .parse::<f64>()
            .ok()
            .filter(|multiple| multiple.is_finite() && *multiple >= 0.0)
            .ok_or_else(|| line.wrong(0, "a number, 0 or more"))?;
        let (correct, trials) = (line.whole(1)?, line.whole(2)?);
        points.push(Point::new(multiple, correct, trials).map_err(|error| line.complaint(error))?);
    }
    if points.is_empty() {
        return Err(Failure::bad(format!("{}: there are no counts in it: only a header", path.display())));
    }
    Ok(points)
}
