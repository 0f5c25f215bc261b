//! What each size of a threshold is in decibels, for `check` and `predict --multiples`.

use serde_json::{Value, json};

use super::Failure;
use crate::hearing::difference::logarithmic;
use crate::session::{Comparison, Scale, Session};
use crate::stimulus::sizes::{Sized, sized};

/// The sizes of a comparison on paper.
fn table(
    session: &Session,
    comparison: &Comparison,
    scale: Scale,
    sizes: &[f64],
) -> Result<Vec<Sized>, Failure> {
    let frequencies = logarithmic(20.0, 20_000.0, 600);
    let one = |size: &f64| sized(session, comparison, scale, *size, &frequencies);
    sizes
        .iter()
        .map(one)
        .collect::<Result<_, _>>()
        .map_err(|error| Failure::bad(format!("comparison \"{}\": {error}", comparison.name)))
}

/// Refuses sizes that are none.
pub(super) fn check(multiples: &[f64]) -> Result<(), Failure> {
    match multiples.iter().find(|size| !(size.is_finite() && **size >= 0.0)) {
        Some(wrong) => Err(Failure::bad(format!(
            "--multiples holds {wrong}: multiples of the real difference are expected, 0 or more, such as 1,4,16"
        ))),
        None => Ok(()),
    }
}

/// The sizes that a session asks for, if it looks for a threshold.
pub(super) fn of_session(session: &Session) -> Option<(Scale, Vec<f64>)> {
    session.threshold.map(|threshold| (threshold.scale, threshold.range.levels()))
}

/// One line for each size.
pub(super) fn lines(
    session: &Session,
    comparison: &Comparison,
    scale: Scale,
    sizes: &[f64],
) -> Result<Vec<String>, Failure> {
    let table = table(session, comparison, scale, sizes)?;
    Ok(table
        .iter()
        .map(|sized| {
            format!(
                "  {:<22} largest {:.3} dB, after the best level match {:.3} dB",
                scale.words(sized.size),
                sized.largest_db(),
                sized.shape_db()
            )
        })
        .collect())
}

/// One object for each size.
pub(super) fn json(
    session: &Session,
    comparison: &Comparison,
    scale: Scale,
    sizes: &[f64],
) -> Result<Value, Failure> {
    let table = table(session, comparison, scale, sizes)?;
    let one = |sized: &Sized| json!({ "size": sized.size, "max_abs_db": sized.largest_db(), "shape_max_abs_db": sized.shape_db() });
    Ok(Value::Array(table.iter().map(one).collect()))
}
