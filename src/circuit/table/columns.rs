//! The columns of measured tables: the heads they may have, and what a unit in a head is worth.
//!
//! Heads in English are those that meters and analysers write. Heads in other languages are the words that their textbooks
//! use for the quantity, put together here; nobody has held them against instruments that are set to these languages.

use super::cells::LARGEST;
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

impl Column {
    /// The largest value that an instrument or program writes, in radians, decibels and so on: beyond, it is no reading.
    pub(super) fn largest(&self) -> f64 {
        match self.unit {
            Unit::Angle => 1e18,
            Unit::Decibel | Unit::Level => 1e3,
            _ => LARGEST,
        }
    }
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
    /// Decibels, and never without saying so.
    Level,
    /// A share in percent.
    Percent,
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
        "frequenz",
        "fréquence",
        "frequence",
        "frecuencia",
        "frequenza",
        "frequentie",
        "frekvens",
        "frequência",
        "częstotliwość",
        "周波数",
        "频率",
    ],
    unit: Unit::Quantity(Dimension::Frequency),
};
pub(super) const SERIES_RESISTANCE: Column = Column {
    name: "series_resistance_ohm",
    heads: &[
        "series_resistance",
        "series resistance",
        "rs",
        "r",
        "esr",
        "rser",
        "resistance",
        "serienwiderstand",
        "widerstand",
        "résistance",
        "résistance série",
        "resistencia",
        "resistenza",
        "weerstand",
        "resistans",
        "resistência",
        "rezystancja",
        "抵抗",
        "电阻",
    ],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const SERIES_INDUCTANCE: Column = Column {
    name: "series_inductance_h",
    heads: &[
        "series_inductance",
        "series inductance",
        "ls",
        "l",
        "lser",
        "inductance",
        "serieninduktivität",
        "induktivität",
        "inductance série",
        "inductancia",
        "induttanza",
        "zelfinductie",
        "induktans",
        "indutância",
        "indukcyjność",
        "インダクタンス",
        "电感",
    ],
    unit: Unit::Quantity(Dimension::Inductance),
};
pub(super) const PARALLEL_CAPACITANCE: Column = Column {
    name: "parallel_capacitance_f",
    heads: &[
        "parallel_capacitance",
        "parallel capacitance",
        "cp",
        "c",
        "cpar",
        "capacitance",
        "parallelkapazität",
        "kapazität",
        "capacité",
        "capacidad",
        "capacitancia",
        "capacità",
        "capaciteit",
        "kapacitans",
        "capacitância",
        "pojemność",
        "静電容量",
        "电容",
    ],
    unit: Unit::Quantity(Dimension::Capacitance),
};
pub(super) const PARALLEL_CONDUCTANCE: Column = Column {
    name: "parallel_conductance_s",
    heads: &[
        "parallel_conductance",
        "parallel conductance",
        "g",
        "gp",
        "conductance",
        "leitwert",
        "conductancia",
        "conduttanza",
        "geleiding",
        "konduktans",
    ],
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
        "verlustfaktor",
        "facteur de dissipation",
        "factor de disipación",
        "fattore di dissipazione",
        "verliesfactor",
        "förlustfaktor",
    ],
    unit: Unit::One,
};
pub(super) const MAGNITUDE: Column = Column {
    name: "magnitude_ohm",
    heads: &[
        "magnitude",
        "|z|",
        "z",
        "mag",
        "impedance",
        "modulus",
        "impedanz",
        "betrag",
        "scheinwiderstand",
        "impédance",
        "module",
        "impedancia",
        "módulo",
        "impedenza",
        "modulo",
        "impedantie",
        "impedans",
        "impedância",
        "impedancja",
        "インピーダンス",
        "阻抗",
    ],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const PHASE: Column = Column {
    name: "phase_deg",
    heads: &[
        "phase",
        "theta",
        "\u{3b8}",
        "phi",
        "\u{3c6}",
        "angle",
        "phasenwinkel",
        "déphasage",
        "fase",
        "desfase",
        "fas",
        "faza",
        "位相",
        "相位",
    ],
    unit: Unit::Angle,
};
pub(super) const RESISTANCE: Column = Column {
    name: "resistance_ohm",
    heads: &[
        "resistance",
        "r",
        "rs",
        "re",
        "real",
        "wirkwiderstand",
        "widerstand",
        "résistance",
        "resistencia",
        "resistenza",
        "weerstand",
        "resistans",
    ],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const REACTANCE: Column = Column {
    name: "reactance_ohm",
    heads: &[
        "reactance",
        "x",
        "xs",
        "im",
        "imag",
        "imaginary",
        "blindwiderstand",
        "reaktanz",
        "réactance",
        "reactancia",
        "reattanza",
        "reactantie",
        "reaktans",
    ],
    unit: Unit::Quantity(Dimension::Resistance),
};
pub(super) const GAIN: Column = Column {
    name: "gain_db",
    heads: &[
        "gain",
        "magnitude",
        "mag",
        "spl",
        "level",
        "amplitude",
        "pegel",
        "verst\u{e4}rkung",
        "niveau",
        "ganancia",
        "nivel",
        "guadagno",
        "livello",
        "versterking",
        "f\u{f6}rst\u{e4}rkning",
        "niv\u{e5}",
    ],
    unit: Unit::Decibel,
};
/// The standard deviation of a gain.
pub(super) const GAIN_DEVIATION: Column =
    Column { name: "gain_std_db", heads: &["gain_std", "gain std", "gain sd"], unit: Unit::Decibel };
/// The standard deviation of a phase.
pub(super) const PHASE_DEVIATION: Column =
    Column { name: "phase_std_deg", heads: &["phase_std", "phase std", "phase sd"], unit: Unit::Angle };
/// How far a meter's readings may be off.
pub(super) const ACCURACY: [Column; 3] = [
    Column { name: "resistance_percent", heads: &["resistance", "r", "rs"], unit: Unit::Percent },
    Column { name: "inductance_percent", heads: &["inductance", "l", "ls"], unit: Unit::Percent },
    Column { name: "capacitance_percent", heads: &["capacitance", "c", "cp"], unit: Unit::Percent },
];
pub(super) const QUALITY_FACTOR: Column = Column {
    name: "quality_factor",
    heads: &["q", "quality", "quality factor", "quality_factor"],
    unit: Unit::One,
};
pub(super) const PARALLEL_RESISTANCE: Column = Column {
    name: "parallel_resistance_ohm",
    heads: &["parallel_resistance", "parallel resistance", "rp", "epr"],
    unit: Unit::Quantity(Dimension::Resistance),
};
const DISTORTION_HEADS: &[&str] = &[
    "thd",
    "thd ratio",
    "total harmonic distortion",
    "klirrfaktor",
    "distorsion",
    "distorsi\u{f3}n",
    "distorsione",
];
const DISTORTION_AND_NOISE_HEADS: &[&str] = &["thd+n", "thd + n", "thdn", "thd+n ratio", "thd+noise"];
/// Distortion in percent or ppm, then in dB.
pub(super) const DISTORTION: [Column; 2] = [
    Column { name: "thd_percent", heads: DISTORTION_HEADS, unit: Unit::Percent },
    Column { name: "thd_db", heads: DISTORTION_HEADS, unit: Unit::Level },
];
/// Distortion and noise in percent or ppm, then in dB.
pub(super) const DISTORTION_AND_NOISE: [Column; 2] = [
    Column { name: "thd_n_percent", heads: DISTORTION_AND_NOISE_HEADS, unit: Unit::Percent },
    Column { name: "thd_n_db", heads: DISTORTION_AND_NOISE_HEADS, unit: Unit::Level },
];

/// What a value under a head with this unit is multiplied by, if the unit fits the column.
pub(super) fn factor(column: &Column, unit: &str) -> Option<f64> {
    match column.unit {
        Unit::Quantity(_) if unit.is_empty() => Some(1.0),
        // Nobody measures a cable in megohm: whoever writes so may mean milliohm, and is asked.
        Unit::Quantity(Dimension::Resistance)
            if column.name == SERIES_RESISTANCE.name && unit.starts_with('M') =>
        {
            None
        }
        Unit::Quantity(dimension) => units::parse(&format!("1 {unit}"), dimension)
            .ok()
            .or_else(|| units::parse(&format!("1 {}", as_written_usually(unit, dimension)?), dimension).ok()),
        Unit::Angle => match unit.to_lowercase().as_str() {
            "" | "deg" | "deg." | "degree" | "degrees" | "\u{b0}" => Some(std::f64::consts::PI / 180.0),
            "rad" | "radian" | "radians" => Some(1.0),
            _ => None,
        },
        Unit::Decibel => matches!(unit.to_lowercase().as_str(), "" | "db").then_some(1.0),
        Unit::Level => unit.eq_ignore_ascii_case("db").then_some(1.0),
        Unit::Percent => match unit.to_lowercase().as_str() {
            "" | "%" | "percent" => Some(1.0),
            "ppm" => Some(1e-4),
            _ => None,
        },
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
    // Some meters write the prefix alone: `Freq(k)`, `Ls(u)`.
    let lower = match lower.as_str() {
        "k" | "m" | "u" | "n" | "p" => format!("{lower}{base}"),
        _ => lower,
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
const SUFFIXES: [&str; 22] = [
    "hz", "khz", "mhz", "ohm", "mohm", "kohm", "uohm", "h", "mh", "uh", "nh", "f", "uf", "nf", "pf", "s",
    "us", "ns", "deg", "rad", "db", "percent",
];
/// What meters call the two readings of their display.
const READINGS: [&str; 8] =
    ["primary", "secondary", "main", "sub", "param a", "param b", "display 1", "display 2"];

/// A head such as `Rs [mohm]`, `Ls(uH)`, `Cp/pF`, `Rs in Ohm` or `series_inductance_h` as its name in lower case and its
/// unit as written.
pub(super) fn head_and_unit(cell: &str) -> (String, String) {
    let cell = cell.trim();
    let both = |name: &str, unit: &str| (name.trim().to_lowercase(), unit.trim().to_owned());
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = cell.strip_suffix(close)
            && let Some((name, unit)) = inner.rsplit_once(open)
        {
            // `Primary(Ls)` and `Ls(Primary)` are both Ls.
            if READINGS.contains(&name.trim().to_lowercase().as_str()) {
                return head_and_unit(unit);
            }
            if READINGS.contains(&unit.trim().to_lowercase().as_str()) {
                return head_and_unit(name);
            }
            let (name, _) = head_and_unit(name);
            return both(&name, unit);
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

/// What a cable's value per metre may be, and the unit that is likely meant if it is not.
pub(super) struct Plausible {
    /// Smallest and largest value per metre in the base unit.
    pub(super) per_metre: (f64, f64),
    /// Units that may have been meant, the likeliest first, and what each is worth.
    pub(super) meant: &'static [(&'static str, f64)],
}

/// Anything between a thumb-thick bar and two hairs of 36 AWG.
pub(super) const PLAUSIBLE_RESISTANCE: Plausible =
    Plausible { per_metre: (1e-5, 5.0), meant: &[("mohm", 1e-3), ("uohm", 1e-6), ("ohm", 1.0)] };
/// A tenth of what the closest strands have, to a loop as wide as a street.
pub(super) const PLAUSIBLE_INDUCTANCE: Plausible =
    Plausible { per_metre: (1e-8, 5e-6), meant: &[("uH", 1e-6), ("nH", 1e-9), ("mH", 1e-3), ("H", 1.0)] };
/// Less than free wires have, to a hundred braids side by side.
pub(super) const PLAUSIBLE_CAPACITANCE: Plausible =
    Plausible { per_metre: (5e-13, 5e-8), meant: &[("pF", 1e-12), ("nF", 1e-9), ("uF", 1e-6), ("F", 1.0)] };
