//! `earwitness predict --lengths`: the difference with both cables as long as one likes.

use serde_json::{Value, json};

use super::Failure;
use crate::circuit::Chain;
use crate::hearing::{Summary, Uncertainty};
use crate::session::{Comparison, Session};
use crate::units::printed;
use crate::units::printed::plus_minus;
use crate::units::{self, Dimension};

/// A length as it was typed and in metres.
pub(super) struct Length {
    typed: String,
    metres: f64,
}

/// What was typed after `--lengths`.
pub(super) fn parse(typed: &[String]) -> Result<Vec<Length>, Failure> {
    typed
        .iter()
        .map(|text| match units::parse(text, Dimension::Length) {
            Ok(metres) if metres > 0.0 => Ok(Length { typed: text.trim().to_owned(), metres }),
            Ok(_) => Err(Failure::bad(format!(
                "--lengths holds {text}: lengths above 0 are allowed, such as 3m,10ft"
            ))),
            Err(error) => Err(Failure::bad(format!("--lengths: {error}"))),
        })
        .collect()
}

/// Both chains with cables of one length; `None` if the length of one of them is not known. No cable stays none.
fn both_of_length(session: &Session, comparison: &Comparison, metres: f64) -> Option<[Chain; 2]> {
    let of = |index: usize| -> Option<Chain> {
        let chain = session.chain(index);
        let length = chain.cable.length_m()?;
        let cable = if length > 0.0 { chain.cable.stretched(metres / length)? } else { chain.cable.clone() };
        Some(Chain { cable, ..chain })
    };
    Some([of(comparison.a)?, of(comparison.b)?])
}

/// One line for each length.
pub(super) fn lines(
    session: &Session,
    comparison: &Comparison,
    lengths: &[Length],
) -> Result<Vec<String>, Failure> {
    let mut lines = Vec::new();
    for Length { typed, metres } in lengths {
        let Some([a, b]) = both_of_length(session, comparison, *metres) else {
            return Ok(vec!["  --lengths: the length of one of the cables is not known".to_owned()]);
        };
        let summary = Summary::between(&a, &b).map_err(Failure::bad)?;
        let unknown = Uncertainty::between(&a, &b, &summary, &[]).map_err(Failure::bad)?;
        let size = match &unknown {
            Some(unknown) => plus_minus(summary.max_abs_db, unknown.max_abs_db),
            None => printed::decibels(summary.max_abs_db),
        };
        lines.push(format!(
            "  both {typed}: largest {size} at {}, after the best level match {}",
            printed::hertz(summary.max_abs_at_hz),
            printed::decibels(summary.shape_max_abs_db)
        ));
    }
    Ok(lines)
}

/// One object for each length; nothing but the length if that of one of the cables is not known.
pub(super) fn json(session: &Session, comparison: &Comparison, lengths: &[Length]) -> Result<Value, Failure> {
    let one = |metres: f64| -> Result<Value, Failure> {
        let Some([a, b]) = both_of_length(session, comparison, metres) else {
            return Ok(json!({ "length_m": metres }));
        };
        let summary = Summary::between(&a, &b).map_err(Failure::bad)?;
        let unknown = Uncertainty::between(&a, &b, &summary, &[]).map_err(Failure::bad)?;
        Ok(json!({
            "length_m": metres,
            "max_abs_db": summary.max_abs_db,
            "max_abs_at_hz": summary.max_abs_at_hz,
            "shape_max_abs_db": summary.shape_max_abs_db,
            "at_1khz_db": summary.at_1khz_db,
            "at_20khz_db": summary.at_20khz_db,
            "uncertainty": unknown.map(|unknown| json!({
                "max_abs_db": unknown.max_abs_db,
                "shape_max_abs_db": unknown.shape_max_abs_db,
                "at_1khz_db": unknown.at_1khz_db,
                "at_20khz_db": unknown.at_20khz_db,
            })),
        }))
    };
    lengths.iter().map(|length| one(length.metres)).collect::<Result<Vec<_>, _>>().map(Value::Array)
}
