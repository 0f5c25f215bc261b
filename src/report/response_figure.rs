//! Pictures of what two cables do: responses, their difference with thresholds, resistance, inductance, capacitance.
//!
//! Comes in: numbers over frequency. Goes out: figures, and one SVG that stacks them.

use std::fmt::Write as _;

use super::svg::{Axis, Chart, Figure, STYLE, Tone, WIDTH, escape};

/// One side over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    /// Name of the cable.
    pub name: String,
    /// Gain in dB.
    pub gain_db: Vec<f64>,
    /// Loop resistance in ohm, if known.
    pub resistance_ohm: Option<Vec<f64>>,
    /// Loop inductance in henry, if known.
    pub inductance_h: Option<Vec<f64>>,
    /// Capacitance in farad, if known.
    pub capacitance_f: Option<Vec<f64>>,
}

/// Figures of one comparison over increasing frequencies in Hz above 0.
///
/// `difference_db` is A minus B; `level_db` the best single level match that the shape is left after;
/// `noticeable_db` the smallest and largest published just-noticeable step, drawn as bands.
pub fn figures(
    name: &str,
    frequency_hz: &[f64],
    sides: [&Side; 2],
    difference_db: &[f64],
    level_db: f64,
    noticeable_db: (f64, f64),
) -> Vec<Figure> {
    let mut all = vec![
        of_both(
            &format!("{name}: response"),
            "gain, dB",
            frequency_hz,
            sides,
            |side| Some(&side.gain_db),
            1.0,
            false,
        ),
        Some(difference(name, frequency_hz, difference_db, level_db, noticeable_db)),
    ];
    let mohm = of_both(
        &format!("{name}: loop resistance"),
        "milliohm",
        frequency_hz,
        sides,
        |side| side.resistance_ohm.as_ref(),
        1e3,
        true,
    );
    let henry = of_both(
        &format!("{name}: loop inductance"),
        "microhenry",
        frequency_hz,
        sides,
        |side| side.inductance_h.as_ref(),
        1e6,
        true,
    );
    let farad = of_both(
        &format!("{name}: capacitance"),
        "nanofarad",
        frequency_hz,
        sides,
        |side| side.capacitance_f.as_ref(),
        1e9,
        true,
    );
    all.extend([mohm, henry, farad]);
    all.into_iter().flatten().collect()
}

fn axis_x(frequency_hz: &[f64]) -> Axis {
    let ends =
        (frequency_hz.first().copied().unwrap_or(20.0), frequency_hz.last().copied().unwrap_or(20_000.0));
    Axis::logarithmic("frequency, Hz", ends.0, ends.1)
}

/// Room around values so that no line runs along a border; from 0 on if asked for.
fn axis_y(label: &str, values: impl Iterator<Item = f64>, from_zero: bool) -> Axis {
    let (low, high) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |ends, value| (ends.0.min(value), ends.1.max(value)));
    let low = if from_zero { low.min(0.0) } else { low };
    let room = (0.08 * (high - low)).max(0.02 * high.abs()).max(1e-6);
    Axis::linear(label, if from_zero && low == 0.0 { 0.0 } else { low - room }, high + room)
}

fn points(frequency_hz: &[f64], values: &[f64], scale: f64) -> Vec<(f64, f64)> {
    frequency_hz.iter().zip(values).map(|(f, value)| (*f, value * scale)).collect()
}

fn of_both<'s>(
    title: &str,
    label: &str,
    frequency_hz: &[f64],
    sides: [&'s Side; 2],
    pick: impl Fn(&'s Side) -> Option<&'s Vec<f64>>,
    scale: f64,
    from_zero: bool,
) -> Option<Figure> {
    let picked = sides.map(&pick);
    let values: Vec<f64> = picked.iter().copied().flatten().flatten().map(|value| value * scale).collect();
    if values.is_empty() {
        return None;
    }
    let mut chart =
        Chart::new(title, axis_x(frequency_hz), axis_y(label, values.iter().copied(), from_zero)).tall(240.0);
    let mut said = String::new();
    for (index, (side, values)) in sides.iter().zip(picked).enumerate() {
        if let Some(values) = values {
            let tone = Tone::of(index);
            chart.line(tone, &points(frequency_hz, values, scale));
            chart.name(tone, format!("{} ({})", side.name, ["A", "B"][index]));
            let ends = (values.first().copied().unwrap_or(0.0), values.last().copied().unwrap_or(0.0));
            let _ = write!(said, "{}: {:.4} to {:.4} {label}. ", side.name, ends.0 * scale, ends.1 * scale);
        }
    }
    Some(chart.finish(said.trim_end().to_owned()))
}

fn difference(
    name: &str,
    frequency_hz: &[f64],
    difference_db: &[f64],
    level_db: f64,
    (smallest, largest): (f64, f64),
) -> Figure {
    let shape: Vec<f64> = difference_db.iter().map(|gain| gain - level_db).collect();
    let edge = difference_db.iter().chain(&shape).map(|gain| gain.abs()).fold(1.1 * largest, f64::max) * 1.05;
    let mut chart = Chart::new(
        format!("{name}: difference, A minus B"),
        axis_x(frequency_hz),
        Axis::linear("difference, dB", -edge, edge),
    );
    let flat = |value: f64| -> Vec<(f64, f64)> {
        [frequency_hz.first(), frequency_hz.last()].into_iter().flatten().map(|f| (*f, value)).collect()
    };
    for sign in [1.0, -1.0] {
        chart.band(Tone::Quiet, &flat(sign * smallest), &flat(sign * largest));
    }
    chart.across(Tone::Quiet, 0.0);
    chart.line(Tone::First, &points(frequency_hz, difference_db, 1.0));
    chart.line(Tone::Second, &points(frequency_hz, &shape, 1.0));
    chart.name(Tone::First, "as wired");
    chart.name(Tone::Second, format!("levels matched ({level_db:+.3} dB)"));
    chart.name(
        Tone::Quiet,
        format!("{smallest:.2} to {largest:.2} dB: just noticeable, tones (Jesteadt 1977)"),
    );
    let size = difference_db.iter().map(|gain| gain.abs()).fold(0.0, f64::max);
    chart.finish(format!(
        "Largest difference as wired {size:.4} dB. Bands mark the level steps of tones that listeners just noticed, \
         {smallest:.2} to {largest:.2} dB."
    ))
}

/// One SVG file with the figures below each other, each under its title.
pub fn stacked(figures: &[Figure]) -> String {
    let mut body = String::new();
    let mut top = 0.0;
    for figure in figures {
        let height = view_height(&figure.inline);
        let _ = write!(
            body,
            "<text class=\"label\" x=\"12\" y=\"{:.0}\">{}</text>",
            top + 18.0,
            escape(&figure.title)
        );
        let placed = format!("<svg y=\"{:.0}\" width=\"{WIDTH:.0}\" height=\"{height:.0}\" ", top + 24.0);
        body.push_str(&figure.inline.replacen("<svg ", &placed, 1));
        top += height + 40.0;
    }
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" viewBox=\"0 0 \
         {WIDTH:.0} {top:.0}\" width=\"{WIDTH:.0}\" height=\"{top:.0}\"><style>{STYLE}</style><rect class=\"paper\" \
         width=\"100%\" height=\"100%\"/>{body}</svg>\n"
    )
}

fn view_height(svg: &str) -> f64 {
    svg.split("viewBox=\"")
        .nth(1)
        .and_then(|rest| rest.split('"').next())
        .and_then(|numbers| numbers.split_whitespace().nth(3))
        .and_then(|height| height.parse().ok())
        .unwrap_or(300.0)
}
