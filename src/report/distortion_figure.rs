//! A figure of the distortion that an analyser exported beside a measured response.
//!
//! No filter plays it: it is drawn so that nobody takes a response for all that was measured.

use std::fmt::Write as _;

use super::response_figures::{axis, ends, points};
use super::svg::{Axis, Chart, Figure, Tone, cut};
use crate::circuit::Cable;
use crate::session::Session;
use crate::units::printed;

/// Most curves that one picture can carry and still be told apart.
const MOST_CURVES: usize = 4;
/// Where the axis ends below, in percent: less than any converter adds.
const LEAST_PERCENT: f64 = 1e-6;

/// Total harmonic distortion, and the same with noise, of every measured response whose table has it; `None` if none has.
pub fn distortion(session: &Session) -> Option<Figure> {
    let mut curves = Vec::new();
    for cable in &session.cables {
        let Cable::Response(response) = cable.cable.bare() else { continue };
        let found = response.distortion();
        for (what, values) in [("THD", &found.thd_percent), ("THD+N", &found.thd_plus_noise_percent)] {
            if let Some(values) = values {
                curves.push((
                    format!("{}, {what}", cut(cable.name.shown(), 24)),
                    &found.frequency_hz,
                    values,
                ));
            }
        }
    }
    let shown = &curves[..curves.len().min(MOST_CURVES)];
    let (low, high) = ends(shown.iter().flat_map(|(_, _, values)| *values));
    if shown.is_empty() || high <= 0.0 {
        return None;
    }
    let low = low.max(LEAST_PERCENT).min(high);
    let title = "Distortion as measured with the responses";
    let mut chart =
        Chart::new(title, axis(), Axis::logarithmic("%", low / 1.5, high * 1.5)).tall(240.0).right(20.0);
    let mut words = String::from("Measured, and played by no filter:");
    for (order, (name, frequencies, values)) in shown.iter().enumerate() {
        chart.line(Tone::of(order), &points(frequencies, values));
        chart.name(Tone::of(order), name.clone());
        let (value, at) = values
            .iter()
            .zip(frequencies.iter())
            .fold((0.0, 0.0), |best, (value, at)| if *value > best.0 { (*value, *at) } else { best });
        let _ = write!(
            words,
            " {name} at most {value}, at {at};",
            value = printed::fine_percent(value),
            at = printed::hertz(at)
        );
    }
    if curves.len() > shown.len() {
        let _ = write!(words, " {} more curves are left out;", curves.len() - shown.len());
    }
    words.pop();
    words.push('.');
    Some(chart.finish(words))
}
