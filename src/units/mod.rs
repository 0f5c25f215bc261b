//! Quantities with units as people write them (`"10 ft"`, `"8 ohm"`), turned into SI values.
//!
//! Comes in: text from a session file or the command line. Goes out: `f64` in SI base units. Must not know: physics.
//!
//! A quantity is a number, a space or none, and a unit: `"10 ft"`, `"0.2 uH/ft"`, `"2.5 mm2"`. Micro may be written
//! `u` or as its sign, ohm as a word or as its sign, square as `2`, `^2` or raised. A wire size may also be a gauge,
//! `"18 AWG"` or `"2/0 AWG"` (ASTM B258). A bare number is an error that names the units it could be.
//!
//! ```
//! use earwitness_numerics::units::{Dimension, parse};
//! let length = parse("10 ft", Dimension::Length).expect("a length");
//! assert!((length - 3.048).abs() < 1e-12);
//! assert!(parse("10", Dimension::Length).is_err());
//! ```

pub mod foreign;
pub mod pieces;
pub mod printed;
mod spelling;

/// What kind of quantity is expected, which fixes the units that are understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dimension {
    /// Metres: `m`, `cm`, `mm`, `um`, `km`, `ft`, `in`, `yd`.
    Length,
    /// Square metres: `mm2`, `cm2`, `m2`, `in2`, or a gauge such as `18 AWG`.
    Area,
    /// The size of a round solid wire, as its diameter in metres; understood as a diameter (`1.6 mm`), as the area of
    /// a round wire (`2.5 mm2`) or as a gauge (`14 AWG`).
    WireSize,
    /// Ohm.
    Resistance,
    /// Henry.
    Inductance,
    /// Farad.
    Capacitance,
    /// Siemens.
    Conductance,
    /// Ohm metre.
    Resistivity,
    /// Hertz.
    Frequency,
    /// Seconds: `s`, `ms`, `min`.
    Time,
    /// Degrees Celsius: `C`, `K`, `F`.
    Temperature,
    /// Decibel.
    Level,
    /// A share of something: `%`, `ppm`.
    Ratio,
    /// Ohm per metre.
    ResistancePerLength,
    /// Henry per metre.
    InductancePerLength,
    /// Farad per metre.
    CapacitancePerLength,
    /// Siemens per metre.
    ConductancePerLength,
}

/// Why a text is not the expected quantity: what was tried and which units would do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{0}")]
pub struct UnitError(pub String);

/// The SI value of a quantity such as `"0.2 uH/ft"`: metres, ohm, henry, farad, hertz, seconds, degrees Celsius,
/// decibel, or these per metre; a wire size is its diameter in metres.
///
/// # Errors
/// The text is not a finite number followed by a unit of this dimension; the message names the units that are.
pub fn parse(text: &str, dimension: Dimension) -> Result<f64, UnitError> {
    let text = text.trim();
    let trimmed = &foreign::shortened(text);
    if let Some(diameter) = gauge(text)? {
        return match dimension {
            Dimension::WireSize => Ok(diameter),
            Dimension::Area => Ok(std::f64::consts::FRAC_PI_4 * diameter * diameter),
            _ => Err(UnitError(format!(
                "\"{trimmed}\" is a wire gauge, {} is expected, in {}",
                dimension.article(),
                dimension.units_named()
            ))),
        };
    }
    let (number, rest) = split_number(text);
    if number.is_empty() {
        return Err(not_a_number(text, dimension));
    }
    let value: f64 = number.parse().map_err(|_| not_a_number(text, dimension))?;
    let unit = spelling::normal(rest);
    if unit.is_empty() {
        return Err(UnitError(format!(
            "\"{trimmed}\" has no unit: {} is written with one of {}, for example \"{} {}\"",
            dimension.article(),
            dimension.units_named(),
            foreign::shortened(number),
            dimension.example_unit()
        )));
    }
    if unit.starts_with(',') {
        return Err(UnitError(format!("\"{trimmed}\": the decimal sign is a point, as in \"3.2 mm\"")));
    }
    let Some(converted) = dimension.convert(value, &unit) else {
        return Err(wrong_unit(trimmed, &foreign::shortened(rest.trim()), value, &unit, dimension));
    };
    if !converted.is_finite() {
        return Err(UnitError(format!("\"{trimmed}\" is too large to compute with; give a finite number")));
    }
    if dimension == Dimension::Temperature && converted < -273.15 {
        return Err(UnitError(format!("\"{trimmed}\" is below absolute zero, -273.15 C")));
    }
    Ok(converted)
}

/// Diameter in metres of a solid round wire of American Wire Gauge number `gauge`; 0 is 1/0, -1 is 2/0 and so on.
///
/// Source: ASTM B258: 0.127 mm * 92^((36 - n)/39).
pub fn awg_diameter_m(gauge: f64) -> f64 {
    0.127e-3 * 92_f64.powf((36.0 - gauge) / 39.0)
}

/// The diameter in metres of `"18 AWG"`, `"AWG 18"`, `"2/0 AWG"` or `"00 AWG"`; `None` if the text is no gauge at all.
fn gauge(text: &str) -> Result<Option<f64>, UnitError> {
    let lower = text.to_ascii_lowercase();
    let Some(number) = lower.strip_suffix("awg").or_else(|| lower.strip_prefix("awg")) else {
        return Ok(None);
    };
    let number = number.trim().trim_start_matches('#').trim();
    let wrong = || {
        UnitError(format!(
            "\"{}\" is not a wire gauge: a gauge is a whole number from 0 to 50 such as \"18 AWG\", or \"2/0 AWG\" \
             to \"4/0 AWG\"",
            foreign::shortened(text)
        ))
    };
    let value = if let Some(aughts) = number.strip_suffix("/0") {
        let aughts: u8 = aughts.trim().parse().map_err(|_| wrong())?;
        if !(1..=4).contains(&aughts) {
            return Err(wrong());
        }
        1.0 - f64::from(aughts)
    } else if number.len() > 1 && number.len() <= 4 && number.bytes().all(|byte| byte == b'0') {
        1.0 - number.len() as f64
    } else {
        let whole: u8 = number.parse().map_err(|_| wrong())?;
        if whole > 50 {
            return Err(wrong());
        }
        f64::from(whole)
    };
    Ok(Some(awg_diameter_m(value)))
}

/// The longest leading text that reads as a decimal number, and what is left.
fn split_number(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let digits = |mut position: usize| {
        while bytes.get(position).is_some_and(u8::is_ascii_digit) {
            position += 1;
        }
        position
    };
    let start = end;
    end = digits(end);
    let mut count = end - start;
    if bytes.get(end) == Some(&b'.') {
        let after = digits(end + 1);
        count += after - end - 1;
        end = after;
    }
    if count == 0 {
        return ("", text);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let after = digits(end + 1 + sign);
        if after > end + 1 + sign {
            end = after;
        }
    }
    text.split_at(end)
}

fn not_a_number(text: &str, dimension: Dimension) -> UnitError {
    let lower = text.trim_start_matches(['+', '-']).to_ascii_lowercase();
    let text = foreign::shortened(text);
    if lower.starts_with("nan") || lower.starts_with("inf") {
        return UnitError(format!(
            "\"{text}\" is not finite; {} is a finite number with a unit",
            dimension.article()
        ));
    }
    let shown = if text.is_empty() { "an empty text".to_owned() } else { format!("\"{text}\"") };
    UnitError(format!(
        "{shown} does not begin with a number: {} is a number and one of {}, for example \"{}\"",
        dimension.article(),
        dimension.units_named(),
        dimension.example()
    ))
}

fn wrong_unit(text: &str, written: &str, value: f64, unit: &str, dimension: Dimension) -> UnitError {
    let other = Dimension::ALL.iter().find(|other| other.convert(value, unit).is_some());
    match other {
        Some(other) => UnitError(format!(
            "\"{text}\" is {}, {} is expected, in {}",
            other.article(),
            dimension.article(),
            dimension.units_named()
        )),
        None => UnitError(format!(
            "\"{text}\": \"{written}\" is not a unit of {}; known are {}",
            dimension.article(),
            dimension.units_named()
        )),
    }
}
