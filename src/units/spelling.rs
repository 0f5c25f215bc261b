//! The units of each dimension and how they are written.

use super::Dimension;

const LENGTH: &[(&str, f64)] = &[
    ("m", 1.0),
    ("cm", 1e-2),
    ("mm", 1e-3),
    ("um", 1e-6),
    ("km", 1e3),
    ("ft", 0.3048),
    ("in", 0.0254),
    ("yd", 0.9144),
    // Understood, but not recommended in messages.
    ("feet", 0.3048),
    ("foot", 0.3048),
    ("inch", 0.0254),
    ("inches", 0.0254),
    ("mil", 2.54e-5),
    ("kft", 304.8),
];
const LENGTH_NAMED: usize = 8;

const AREA: &[(&str, f64)] = &[
    ("mm2", 1e-6),
    ("cm2", 1e-4),
    ("m2", 1.0),
    ("in2", 0.0254 * 0.0254),
    ("sqmm", 1e-6),
    // A thousand circular mils: the area of a circle of one mil diameter, a thousand times.
    ("kcmil", 1e3 * std::f64::consts::FRAC_PI_4 * 2.54e-5 * 2.54e-5),
];
const AREA_NAMED: usize = 4;

const RESISTANCE: &[(&str, f64)] = &[
    ("ohm", 1.0),
    ("mohm", 1e-3),
    ("kohm", 1e3),
    ("uohm", 1e-6),
    ("Mohm", 1e6),
    ("ohms", 1.0),
    // Two spellings of one, so that `MOHM` is neither: it may be milliohm in capitals.
    ("MOhm", 1e6),
];
const INDUCTANCE: &[(&str, f64)] = &[("H", 1.0), ("mH", 1e-3), ("uH", 1e-6), ("nH", 1e-9), ("pH", 1e-12)];
const CAPACITANCE: &[(&str, f64)] = &[("F", 1.0), ("mF", 1e-3), ("uF", 1e-6), ("nF", 1e-9), ("pF", 1e-12)];
const CONDUCTANCE: &[(&str, f64)] = &[("S", 1.0), ("mS", 1e-3), ("uS", 1e-6), ("nS", 1e-9), ("pS", 1e-12)];
const RESISTIVITY: &[(&str, f64)] =
    &[("ohm m", 1.0), ("nohm m", 1e-9), ("uohm cm", 1e-8), ("ohm mm2/m", 1e-6)];
const FREQUENCY: &[(&str, f64)] = &[("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)];
const TIME: &[(&str, f64)] =
    &[("s", 1.0), ("ms", 1e-3), ("min", 60.0), ("us", 1e-6), ("ns", 1e-9), ("h", 3600.0), ("sec", 1.0)];
const RATIO: &[(&str, f64)] = &[("%", 1e-2), ("ppm", 1e-6), ("percent", 1e-2)];
const LEVEL: &[(&str, f64)] = &[("dB", 1.0)];

/// Of all dimensions.
const EVERY: [&[(&str, f64)]; 11] = [
    LENGTH,
    AREA,
    RESISTANCE,
    INDUCTANCE,
    CAPACITANCE,
    CONDUCTANCE,
    RESISTIVITY,
    FREQUENCY,
    TIME,
    RATIO,
    LEVEL,
];
/// Units whose first letter is no prefix.
const WORDS: [&str; 4] = ["mil", "min", "percent", "ppm"];

/// The unit as the tables above write it: one spelling of micro, ohm, square and degree, single spaces.
pub(super) fn normal(written: &str) -> String {
    let mut text = String::with_capacity(written.len());
    for letter in written.trim().chars() {
        match letter {
            '\u{b5}' | '\u{3bc}' => text.push('u'),
            '\u{2126}' | '\u{3a9}' => text.push_str("ohm"),
            '\u{b2}' => text.push('2'),
            '^' | '\u{b0}' => {}
            letter if letter.is_whitespace() => {
                if !text.ends_with(' ') {
                    text.push(' ');
                }
            }
            letter => text.push(letter),
        }
    }
    text
}

/// The unit in small letters, but for a first letter that means something else in the other case: milli and mega, pico and peta,
/// and `CM`, which are circular mils to some.
fn in_small_letters(unit: &str) -> String {
    let small = |word: &str| {
        let lower = word.to_lowercase();
        match word.chars().next() {
            Some(first @ ('m' | 'M' | 'p' | 'P' | 'c' | 'C')) if !WORDS.contains(&lower.as_str()) => {
                format!("{first}{}", &lower[1..])
            }
            _ => lower,
        }
    };
    unit.split(' ').map(small).collect::<Vec<_>>().join(" ")
}

/// Factor of a unit as it is written; else in letters of any case, where no other unit of any dimension is spelled so.
fn find(units: &[(&str, f64)], unit: &str) -> Option<f64> {
    let written = units.iter().find(|(name, _)| *name == unit);
    let (_, factor) = written.or_else(|| {
        let wanted = in_small_letters(unit);
        // One letter is a unit in one case and another one in the other: s and S, h and H.
        let same = |(name, _): &&(&str, f64)| name.len() > 1 && in_small_letters(name) == wanted;
        let one = EVERY.into_iter().flatten().filter(same).count() == 1;
        units.iter().find(same).filter(|_| one)
    })?;
    Some(*factor)
}

/// Factor of a unit per length: `uH/ft`, `ohm/km`, `ohm/1000 ft`.
fn per_length(units: &[(&str, f64)], unit: &str) -> Option<f64> {
    let (above, below) = unit.split_once('/').or_else(|| unit.split_once(" per "))?;
    let above = find(units, above.trim())?;
    let (count, length) = super::split_number(below.trim());
    let count =
        if count.is_empty() { 1.0 } else { count.parse::<f64>().ok().filter(|count| *count > 0.0)? };
    Some(above / (count * find(LENGTH, length.trim())?))
}

impl Dimension {
    /// Every dimension, the most common reading of an ambiguous unit first.
    pub(super) const ALL: [Self; 17] = [
        Self::Length,
        Self::Area,
        Self::Resistance,
        Self::Inductance,
        Self::Capacitance,
        Self::Conductance,
        Self::Resistivity,
        Self::Frequency,
        Self::Time,
        Self::Temperature,
        Self::Level,
        Self::Ratio,
        Self::ResistancePerLength,
        Self::InductancePerLength,
        Self::CapacitancePerLength,
        Self::ConductancePerLength,
        Self::WireSize,
    ];

    /// The value in SI, if the unit is one of this dimension's.
    pub(super) fn convert(self, value: f64, unit: &str) -> Option<f64> {
        let factor = match self {
            Self::Length => find(LENGTH, unit)?,
            Self::Area => find(AREA, unit)?,
            Self::WireSize => {
                if let Some(area) = find(AREA, unit) {
                    return Some((4.0 * value.abs() * area / std::f64::consts::PI).sqrt() * value.signum());
                }
                find(LENGTH, unit)?
            }
            Self::Resistance => find(RESISTANCE, unit)?,
            Self::Inductance => find(INDUCTANCE, unit)?,
            Self::Capacitance => find(CAPACITANCE, unit)?,
            Self::Conductance => find(CONDUCTANCE, unit)?,
            Self::Resistivity => find(RESISTIVITY, unit)?,
            Self::Frequency => find(FREQUENCY, unit)?,
            Self::Time => find(TIME, unit)?,
            Self::Temperature => {
                return match unit {
                    "C" | "degC" => Some(value),
                    "K" => Some(value - 273.15),
                    "F" | "degF" => Some((value - 32.0) / 1.8),
                    _ => None,
                };
            }
            Self::Level => find(LEVEL, unit)?,
            Self::Ratio => find(RATIO, unit)?,
            Self::ResistancePerLength => per_length(RESISTANCE, unit)?,
            Self::InductancePerLength => per_length(INDUCTANCE, unit)?,
            Self::CapacitancePerLength => per_length(CAPACITANCE, unit)?,
            Self::ConductancePerLength => per_length(CONDUCTANCE, unit)?,
        };
        Some(value * factor)
    }

    /// What it is, with its article, for messages.
    pub(super) fn article(self) -> &'static str {
        match self {
            Self::Length => "a length",
            Self::Area => "an area",
            Self::WireSize => "a wire size",
            Self::Resistance => "a resistance",
            Self::Inductance => "an inductance",
            Self::Capacitance => "a capacitance",
            Self::Conductance => "a conductance",
            Self::Resistivity => "a resistivity",
            Self::Frequency => "a frequency",
            Self::Time => "a time",
            Self::Temperature => "a temperature",
            Self::Level => "a level",
            Self::Ratio => "a share",
            Self::ResistancePerLength => "a resistance per length",
            Self::InductancePerLength => "an inductance per length",
            Self::CapacitancePerLength => "a capacitance per length",
            Self::ConductancePerLength => "a conductance per length",
        }
    }

    /// The units that a message recommends.
    pub(super) fn units_named(self) -> String {
        let names = |units: &[(&str, f64)], count: usize| {
            units.iter().take(count).map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
        };
        let lengths = names(LENGTH, LENGTH_NAMED);
        match self {
            Self::Length => lengths,
            Self::Area => format!("{}, AWG", names(AREA, AREA_NAMED)),
            Self::WireSize => "mm (diameter), mm2 (area), AWG (gauge), in (diameter)".to_owned(),
            Self::Resistance => names(RESISTANCE, 5),
            Self::Inductance => names(INDUCTANCE, 5),
            Self::Capacitance => names(CAPACITANCE, 5),
            Self::Conductance => names(CONDUCTANCE, 5),
            Self::Resistivity => names(RESISTIVITY, 4),
            Self::Frequency => names(FREQUENCY, 4),
            Self::Time => names(TIME, 6),
            Self::Temperature => "C, K, F".to_owned(),
            Self::Level => "dB".to_owned(),
            Self::Ratio => names(RATIO, 2),
            Self::ResistancePerLength => "ohm/m, mohm/m, ohm/km, mohm/ft, ohm/1000 ft".to_owned(),
            Self::InductancePerLength => "uH/m, nH/m, uH/ft, mH/km".to_owned(),
            Self::CapacitancePerLength => "pF/m, nF/m, pF/ft, nF/km".to_owned(),
            Self::ConductancePerLength => "S/m, uS/m, nS/m, uS/km".to_owned(),
        }
    }

    /// One unit for the example in a message.
    pub(super) fn example_unit(self) -> &'static str {
        match self {
            Self::Length => "m",
            Self::Area | Self::WireSize => "mm2",
            Self::Resistance => "ohm",
            Self::Inductance => "uH",
            Self::Capacitance => "nF",
            Self::Conductance => "uS",
            Self::Resistivity => "nohm m",
            Self::Frequency => "Hz",
            Self::Time => "s",
            Self::Temperature => "C",
            Self::Level => "dB",
            Self::Ratio => "%",
            Self::ResistancePerLength => "mohm/m",
            Self::InductancePerLength => "uH/m",
            Self::CapacitancePerLength => "pF/m",
            Self::ConductancePerLength => "nS/m",
        }
    }

    /// A whole quantity for the example in a message.
    pub(super) fn example(self) -> &'static str {
        match self {
            Self::Length => "6 m",
            Self::Area => "2.5 mm2",
            Self::WireSize => "14 AWG",
            Self::Resistance => "8 ohm",
            Self::Inductance => "2 uH",
            Self::Capacitance => "10 nF",
            Self::Conductance => "1 uS",
            Self::Resistivity => "17.241 nohm m",
            Self::Frequency => "1 kHz",
            Self::Time => "8 s",
            Self::Temperature => "20 C",
            Self::Level => "1 dB",
            Self::Ratio => "0.5 %",
            Self::ResistancePerLength => "13 mohm/m",
            Self::InductancePerLength => "0.2 uH/ft",
            Self::CapacitancePerLength => "30 pF/ft",
            Self::ConductancePerLength => "10 nS/m",
        }
    }
}
