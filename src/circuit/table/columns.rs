//! The columns of measured tables: the heads they may have, and what a unit in a head is worth.

use crate::units::{self, Dimension};

/// A column that is looked for.
pub(super) struct Column {
    /// Its name in messages.
    pub(super) name: &'static str,
    /// The heads it may have, in lower case and without unit.
    pub(super) heads: &'static [&'static str],
    /// What its values are.
    pub(super) unit: Unit,
}

/// What the values of a column are.
#[derive(Clone, Copy)]
pub(super) enum Unit {
    /// A quantity; kept in SI.
    Quantity(Dimension),
    /// Degrees, or radians if the head says so; kept in radians.
    Angle,
    /// Decibels.
    Decibel,
    /// A bare number.
    One,
}

pub(super) const FREQUENCY: Column = Column {
    name: "frequency_hz",
    heads: &[
        "frequency",
        "freq",
        "f",
        "freq.",
        "frequ.",
        "test frequency",
        "test freq",
        "test freq.",
        "hz",
        "khz",
    ],
    unit: Unit::Quantity(Dimension::Frequency),
};
pub(super) const SERIES_RESISTANCE: Column = Column {
    name: "series_resistance_ohm",
    heads: &["series_resistance", "series resistance", "rs", "r", "esr", "rser", "resistance"],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const SERIES_INDUCTANCE: Column = Column {
    name: "series_inductance_h",
    heads: &["series_inductance", "series inductance", "ls", "l", "lser", "inductance"],
    unit: Unit::Quantity(Dimension::Inductance),
};
pub(super) const PARALLEL_CAPACITANCE: Column = Column {
    name: "parallel_capacitance_f",
    heads: &["parallel_capacitance", "parallel capacitance", "cp", "c", "cpar", "capacitance"],
    unit: Unit::Quantity(Dimension::Capacitance),
};
pub(super) const PARALLEL_CONDUCTANCE: Column = Column {
    name: "parallel_conductance_s",
    heads: &["parallel_conductance", "parallel conductance", "g", "gp", "conductance"],
    unit: Unit::Quantity(Dimension::Conductance),
};
pub(super) const DISSIPATION_FACTOR: Column = Column {
    name: "dissipation_factor",
    heads: &[
        "dissipation_factor",
        "dissipation factor",
        "dissipation",
        "d",
        "df",
        "tan_d",
        "tan d",
        "tan \u{3b4}",
        "tan\u{3b4}",
    ],
    unit: Unit::One,
};
pub(super) const MAGNITUDE: Column = Column {
    name: "magnitude_ohm",
    heads: &["magnitude", "|z|", "z", "mag", "impedance", "modulus"],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const PHASE: Column = Column {
    name: "phase_deg",
    heads: &["phase", "theta", "\u{3b8}", "phi", "\u{3c6}", "angle"],
    unit: Unit::Angle,
};
pub(super) const RESISTANCE: Column = Column {
    name: "resistance_ohm",
    heads: &["resistance", "r", "rs", "re", "real"],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const REACTANCE: Column = Column {
    name: "reactance_ohm",
    heads: &["reactance", "x", "xs", "im", "imag", "imaginary"],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const GAIN: Column =
    Column { name: "gain_db", heads: &["gain", "magnitude", "mag", "spl", "level"], unit: Unit::Decibel };

/// What a value under a head with this unit is multiplied by, if the unit fits the column.
pub(super) fn factor(column: &Column, unit: &str) -> Option<f64> {
    match column.unit {
        Unit::Quantity(_) if unit.is_empty() => Some(1.0),
        Unit::Quantity(dimension) => units::parse(&format!("1 {unit}"), dimension)
            .ok()
            .or_else(|| units::parse(&format!("1 {}", as_written_usually(unit, dimension)?), dimension).ok()),
        Unit::Angle => match unit.to_lowercase().as_str() {
            "" | "deg" | "deg." | "degree" | "degrees" | "\u{b0}" => Some(std::f64::consts::PI / 180.0),
            "rad" | "radian" | "radians" => Some(1.0),
            _ => None,
        },
        Unit::Decibel => matches!(unit.to_lowercase().as_str(), "" | "db").then_some(1.0),
        Unit::One => matches!(unit, "" | "1" | "-").then_some(1.0),
    }
}

/// A unit in letters of the wrong case as it is usually written, where that leaves no doubt: `KHZ`, `uh`, `PF`, `Ohms`.
/// `MOHM` could be milliohm or megohm, and stays unknown; nobody measures a cable in millihertz or megahenry.
fn as_written_usually(unit: &str, dimension: Dimension) -> Option<String> {
    let lower = unit.replace(['\u{b5}', '\u{3bc}'], "u").to_lowercase();
    let base = match dimension {
        Dimension::Frequency => "hz",
        Dimension::Resistance => "ohm",
        Dimension::Inductance => "h",
        Dimension::Capacitance => "f",
        Dimension::Conductance => "s",
        _ => return None,
    };
    let lower = if dimension == Dimension::Resistance { lower.trim_end_matches('s') } else { lower.as_str() };
    let prefix = lower.strip_suffix(base)?;
    if prefix == "m" && dimension == Dimension::Resistance && !unit.starts_with('m') {
        return None;
    }
    let prefix = match (prefix, dimension) {
        ("m", Dimension::Frequency) => "M",
        ("g", Dimension::Frequency) => "G",
        (prefix, _) => prefix,
    };
    let base = match dimension {
        Dimension::Frequency => "Hz".to_owned(),
        Dimension::Resistance => base.to_owned(),
        _ => base.to_uppercase(),
    };
    Some(format!("{prefix}{base}"))
}

/// Units that a head may end with after an underscore.
const SUFFIXES: [&str; 18] = [
    "hz", "khz", "mhz", "ohm", "mohm", "kohm", "h", "mh", "uh", "nh", "f", "uf", "nf", "pf", "s", "deg",
    "rad", "db",
];

/// A head such as `Rs [mohm]`, `Ls(uH)`, `Cp/pF`, `Rs in Ohm` or `series_inductance_h` as its name in lower case and its
/// unit as written.
pub(super) fn head_and_unit(cell: &str) -> (String, String) {
    let cell = cell.trim();
    let both = |name: &str, unit: &str| (name.trim().to_lowercase(), unit.trim().to_owned());
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = cell.strip_suffix(close)
            && let Some((name, unit)) = inner.rsplit_once(open)
        {
            return both(name, unit);
        }
    }
    if let Some((name, unit)) = cell.rsplit_once('_')
        && SUFFIXES.contains(&unit.to_lowercase().as_str())
    {
        return both(name, unit);
    }
    // Standards write a quantity over its unit, `Rs/Ohm`; a few exports say it in a word.
    for between in ["/", " in "] {
        if let Some((name, unit)) = cell.rsplit_once(between) {
            return both(name, unit);
        }
    }
    match cell.to_lowercase().as_str() {
        head @ ("hz" | "khz") => (head.to_owned(), head.to_owned()),
        head => (head.to_owned(), String::new()),
    }
}
