//! Measured tables: CSV with a header, `#` starts a comment.
//!
//! Comes in: the text of a table and the name to complain about. Goes out: [`LcrTable`], [`ImpedanceTable`],
//! [`ResponseTable`]. Between its points a table is a monotone cubic in log frequency; outside, its end values are held.

use num_complex::Complex64;

use super::interpolation::{ComplexOverFrequency, OverFrequency};
use super::line::PerMetre;
use crate::units::{self, Dimension};

/// What is wrong with a measured table, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{name}{}: {message}", line.map(|line| format!(":{line}")).unwrap_or_default())]
pub struct TableError {
    /// The table's name.
    pub name: String,
    /// Line, from 1, where there is one.
    pub line: Option<usize>,
    /// What was tried, with which value, what is allowed.
    pub message: String,
}

impl TableError {
    pub(super) fn new(name: &str, line: impl Into<Option<usize>>, message: impl Into<String>) -> Self {
        Self { name: name.to_owned(), line: line.into(), message: message.into() }
    }
}

/// Series resistance and inductance with the far end shorted, parallel capacitance and loss with it open, of a sample.
///
/// Valid while the sample is electrically short: a meter's reading departs from the sum over the length by about
/// `|Z Y|/3`, see [`LcrTable::electrical_length`].
#[derive(Debug, Clone, PartialEq)]
pub struct LcrTable {
    sample_length_m: f64,
    resistance: OverFrequency,
    inductance: OverFrequency,
    capacitance: OverFrequency,
    loss: Loss,
    range_hz: (f64, f64),
}

#[derive(Debug, Clone, PartialEq)]
enum Loss {
    None,
    Conductance(OverFrequency),
    DissipationFactor(OverFrequency),
}

impl LcrTable {
    /// Reads a table that was measured on `sample_length_m` metres of cable.
    ///
    /// Heads: `frequency_hz`, `series_resistance_ohm`, `series_inductance_h`, `parallel_capacitance_f`, and optionally
    /// `parallel_conductance_s` or `dissipation_factor`; or those of meters, `Freq`, `Rs`, `Ls`, `Cp`, `G`, `D`, in any
    /// case, with a unit in brackets if it is not the base unit.
    pub fn parse(text: &str, name: &str, sample_length_m: f64) -> Result<Self, TableError> {
        if !(sample_length_m.is_finite() && sample_length_m > 0.0) {
            return Err(TableError::new(
                name,
                None,
                format!("the sample length is {sample_length_m} m; it must be larger than 0 m"),
            ));
        }
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let needed = |column: &Column| {
            sheet
                .values(column)?
                .ok_or_else(|| sheet.missing(column))
                .and_then(|values| sheet.not_negative(column, values))
        };
        let resistance = needed(&SERIES_RESISTANCE)?;
        let inductance = needed(&SERIES_INDUCTANCE)?;
        let capacitance = needed(&PARALLEL_CAPACITANCE)?;
        let optional = |column: &Column| {
            sheet.values(column)?.map(|values| sheet.not_negative(column, values)).transpose()
        };
        let loss = match (optional(&PARALLEL_CONDUCTANCE)?, optional(&DISSIPATION_FACTOR)?) {
            (Some(conductance), _) => Loss::Conductance(OverFrequency::new(&frequency, conductance)),
            (None, Some(factor)) => Loss::DissipationFactor(OverFrequency::new(&frequency, factor)),
            (None, None) => Loss::None,
        };
        Ok(Self {
            sample_length_m,
            resistance: OverFrequency::new(&frequency, resistance),
            inductance: OverFrequency::new(&frequency, inductance),
            capacitance: OverFrequency::new(&frequency, capacitance),
            loss,
            range_hz: (frequency[0], frequency[frequency.len() - 1]),
        })
    }

    /// Values per metre at a frequency in Hz.
    pub fn per_metre(&self, frequency_hz: f64) -> PerMetre {
        let capacitance = self.capacitance.at(frequency_hz);
        let conductance = match &self.loss {
            Loss::None => 0.0,
            Loss::Conductance(conductance) => conductance.at(frequency_hz),
            Loss::DissipationFactor(factor) => {
                factor.at(frequency_hz) * std::f64::consts::TAU * frequency_hz * capacitance
            }
        };
        PerMetre {
            resistance: self.resistance.at(frequency_hz) / self.sample_length_m,
            inductance: self.inductance.at(frequency_hz) / self.sample_length_m,
            capacitance: capacitance / self.sample_length_m,
            conductance: conductance / self.sample_length_m,
        }
    }

    /// Length in metres of the cable that was measured.
    pub fn sample_length_m(&self) -> f64 {
        self.sample_length_m
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }

    /// `|Z Y|` of the whole sample at the highest measured frequency; the meter reads the sum over the length only
    /// while this is small against 1.
    pub fn electrical_length(&self) -> f64 {
        let frequency = self.range_hz.1;
        let metre = self.per_metre(frequency);
        let omega = std::f64::consts::TAU * frequency;
        let series = Complex64::new(metre.resistance, omega * metre.inductance);
        let shunt = Complex64::new(metre.conductance, omega * metre.capacitance);
        (series * shunt).norm() * self.sample_length_m.powi(2)
    }
}

/// A measured impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpedanceTable {
    values: ComplexOverFrequency,
    range_hz: (f64, f64),
}

impl ImpedanceTable {
    /// Reads `frequency_hz, magnitude_ohm, phase_deg` or `frequency_hz, resistance_ohm, reactance_ohm`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let values = match (sheet.values(&MAGNITUDE)?, sheet.values(&PHASE)?) {
            (Some(magnitude), Some(phase)) => {
                let magnitude = sheet.positive(&MAGNITUDE, magnitude)?;
                ComplexOverFrequency::polar(&frequency, magnitude, phase)
            }
            (Some(_), None) => return Err(sheet.missing(&PHASE)),
            (None, _) => {
                let resistance = sheet.values(&RESISTANCE)?;
                let reactance = sheet.values(&REACTANCE)?;
                let (Some(resistance), Some(reactance)) = (resistance, reactance) else {
                    return Err(TableError::new(
                        name,
                        sheet.header_line,
                        "an impedance table has the columns frequency_hz, magnitude_ohm, phase_deg or frequency_hz, \
                         resistance_ohm, reactance_ohm",
                    ));
                };
                let values: Vec<Complex64> =
                    resistance.iter().zip(&reactance).map(|(re, im)| Complex64::new(*re, *im)).collect();
                if let Some(row) = values.iter().position(|value| value.norm() == 0.0) {
                    return Err(sheet.at(row, "the impedance is 0 ohm; a measured impedance is larger"));
                }
                ComplexOverFrequency::new(&frequency, &values)
            }
        };
        Ok(Self { values, range_hz: (frequency[0], frequency[frequency.len() - 1]) })
    }

    /// From values in ohm at strictly increasing, positive frequencies in Hz.
    pub fn new(frequencies_hz: &[f64], values: &[Complex64]) -> Self {
        Self {
            values: ComplexOverFrequency::new(frequencies_hz, values),
            range_hz: (frequencies_hz[0], frequencies_hz[frequencies_hz.len() - 1]),
        }
    }

    /// Impedance in ohm at a frequency in Hz; at 0 Hz the resistance of the lowest frequency.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        self.values.at(frequency_hz)
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}

/// A measured transfer function.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseTable {
    gain_db: OverFrequency,
    phase: OverFrequency,
    range_hz: (f64, f64),
}

impl ResponseTable {
    /// Reads `frequency_hz, gain_db, phase_deg`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        let frequency = sheet.frequencies()?;
        let gain = sheet.values(&GAIN)?.ok_or_else(|| sheet.missing(&GAIN))?;
        let phase = sheet.values(&PHASE)?.ok_or_else(|| sheet.missing(&PHASE))?;
        Ok(Self {
            gain_db: OverFrequency::new(&frequency, gain),
            phase: OverFrequency::new(&frequency, super::interpolation::unwrapped(phase)),
            range_hz: (frequency[0], frequency[frequency.len() - 1]),
        })
    }

    /// The transfer function at a frequency in Hz; at 0 Hz it keeps the held gain, with the sign of its real part.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let gain = 10_f64.powf(self.gain_db.at(frequency_hz) / 20.0);
        let phase = self.phase.at(frequency_hz);
        if frequency_hz == 0.0 {
            return Complex64::new(gain.copysign(phase.cos()), 0.0);
        }
        Complex64::from_polar(gain, phase)
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}

/// A column that is looked for: its name in messages, the heads it may have in lower case without unit, its unit.
struct Column {
    name: &'static str,
    heads: &'static [&'static str],
    unit: Unit,
}

#[derive(Clone, Copy)]
enum Unit {
    Quantity(Dimension),
    /// Degrees, or radians if the head says so; kept in radians.
    Angle,
    Decibel,
    One,
}

const FREQUENCY: Column = Column {
    name: "frequency_hz",
    heads: &["frequency", "freq", "f", "freq.", "test frequency", "test freq"],
    unit: Unit::Quantity(Dimension::Frequency),
};
const SERIES_RESISTANCE: Column = Column {
    name: "series_resistance_ohm",
    heads: &["series_resistance", "series resistance", "rs", "r", "esr"],
    unit: Unit::Quantity(Dimension::Resistance),
};
const SERIES_INDUCTANCE: Column = Column {
    name: "series_inductance_h",
    heads: &["series_inductance", "series inductance", "ls", "l"],
    unit: Unit::Quantity(Dimension::Inductance),
};
const PARALLEL_CAPACITANCE: Column = Column {
    name: "parallel_capacitance_f",
    heads: &["parallel_capacitance", "parallel capacitance", "cp", "c"],
    unit: Unit::Quantity(Dimension::Capacitance),
};
const PARALLEL_CONDUCTANCE: Column = Column {
    name: "parallel_conductance_s",
    heads: &["parallel_conductance", "parallel conductance", "g", "gp"],
    unit: Unit::Quantity(Dimension::Conductance),
};
const DISSIPATION_FACTOR: Column = Column {
    name: "dissipation_factor",
    heads: &["dissipation_factor", "dissipation factor", "d", "df", "tan_d", "tan d"],
    unit: Unit::One,
};
const MAGNITUDE: Column = Column {
    name: "magnitude_ohm",
    heads: &["magnitude", "|z|", "z", "mag", "impedance", "modulus"],
    unit: Unit::Quantity(Dimension::Resistance),
};
const PHASE: Column =
    Column { name: "phase_deg", heads: &["phase", "theta", "\u{3b8}", "angle"], unit: Unit::Angle };
const RESISTANCE: Column = Column {
    name: "resistance_ohm",
    heads: &["resistance", "r", "rs", "re", "real"],
    unit: Unit::Quantity(Dimension::Resistance),
};
const REACTANCE: Column = Column {
    name: "reactance_ohm",
    heads: &["reactance", "x", "xs", "im", "imag", "imaginary"],
    unit: Unit::Quantity(Dimension::Resistance),
};
const GAIN: Column =
    Column { name: "gain_db", heads: &["gain", "magnitude", "mag", "spl", "level"], unit: Unit::Decibel };

/// A CSV text as cells with their lines.
struct Sheet<'t> {
    name: &'t str,
    header_line: usize,
    heads: Vec<(String, String)>,
    rows: Vec<(usize, Vec<&'t str>)>,
}

impl<'t> Sheet<'t> {
    fn read(text: &'t str, name: &'t str) -> Result<Self, TableError> {
        let text = text.trim_start_matches('\u{feff}');
        let mut lines = text
            .lines()
            .enumerate()
            .map(|(index, line)| (index + 1, line.trim()))
            .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
        let Some((header_line, header)) = lines.next() else {
            return Err(TableError::new(
                name,
                None,
                "the table is empty; a header and at least two rows are needed",
            ));
        };
        let separator = [';', '\t'].into_iter().find(|sign| header.contains(*sign)).unwrap_or(',');
        let cells = cells(header, separator);
        if cells.iter().any(|cell| cell.parse::<f64>().is_ok()) {
            return Err(TableError::new(
                name,
                header_line,
                format!("a header such as \"frequency_hz,...\" is expected, \"{header}\" was found"),
            ));
        }
        let heads: Vec<(String, String)> = cells.iter().map(|cell| head_and_unit(cell)).collect();
        let mut rows = Vec::new();
        for (line, row) in lines {
            let row = self::cells(row, separator);
            if row.len() != heads.len() {
                return Err(TableError::new(
                    name,
                    line,
                    format!(
                        "{} cells stand under {} heads; each row needs one per head",
                        row.len(),
                        heads.len()
                    ),
                ));
            }
            rows.push((line, row));
        }
        if rows.len() < 2 {
            return Err(TableError::new(
                name,
                rows.first().map_or(header_line, |row| row.0),
                format!("the table has {} point(s); at least two are needed", rows.len()),
            ));
        }
        Ok(Self { name, header_line, heads, rows })
    }

    fn at(&self, row: usize, message: impl Into<String>) -> TableError {
        TableError::new(self.name, self.rows[row].0, message)
    }

    fn missing(&self, column: &Column) -> TableError {
        let heads: Vec<&str> = self.heads.iter().map(|(head, _)| head.as_str()).collect();
        TableError::new(
            self.name,
            self.header_line,
            format!(
                "the column {} is missing (also understood: {}); the header has {}",
                column.name,
                column.heads.join(", "),
                heads.join(", ")
            ),
        )
    }

    /// The values of a column in SI units, if the header has it.
    fn values(&self, column: &Column) -> Result<Option<Vec<f64>>, TableError> {
        let fits = |(head, unit): &(String, String)| {
            column.heads.contains(&head.as_str()) && factor(column, unit).is_some()
        };
        let found: Vec<usize> = (0..self.heads.len()).filter(|&index| fits(&self.heads[index])).collect();
        let index = match found.as_slice() {
            [] => {
                // The right head with a unit of something else is a mistake worth naming.
                let wrong = self.heads.iter().find(|(head, unit)| {
                    head.len() > 1 && column.heads[0] == head && factor(column, unit).is_none()
                });
                return match wrong {
                    Some((head, unit)) => Err(TableError::new(
                        self.name,
                        self.header_line,
                        format!("\"{unit}\" is not a unit of the column {head}; {} is expected", column.name),
                    )),
                    None => Ok(None),
                };
            }
            [index] => *index,
            _ => {
                return Err(TableError::new(
                    self.name,
                    self.header_line,
                    format!("more than one column reads as {}; keep one", column.name),
                ));
            }
        };
        let factor = factor(column, &self.heads[index].1).unwrap_or(1.0);
        let mut values = Vec::with_capacity(self.rows.len());
        for (line, cells) in &self.rows {
            let cell = cells[index];
            let value: f64 = cell.parse().map_err(|_| {
                TableError::new(self.name, *line, format!("{}: \"{cell}\" is not a number", column.name))
            })?;
            if !value.is_finite() {
                return Err(TableError::new(
                    self.name,
                    *line,
                    format!("{}: {cell} is not finite; remove the row or measure again", column.name),
                ));
            }
            values.push(value * factor);
        }
        Ok(Some(values))
    }

    fn frequencies(&self) -> Result<Vec<f64>, TableError> {
        let values = self.values(&FREQUENCY)?.ok_or_else(|| self.missing(&FREQUENCY))?;
        for (row, &value) in values.iter().enumerate() {
            if value <= 0.0 {
                return Err(self.at(
                    row,
                    format!("the frequency is {value} Hz; it must be larger than 0 Hz (0 Hz has no place on a log axis)"),
                ));
            }
            if row > 0 && value == values[row - 1] {
                return Err(
                    self.at(row, format!("the frequency {value} Hz stands here a second time; keep one row"))
                );
            }
            if row > 0 && value < values[row - 1] {
                return Err(self.at(
                    row,
                    format!("the frequency {value} Hz follows {} Hz; sort the rows upwards", values[row - 1]),
                ));
            }
        }
        Ok(values)
    }

    fn not_negative(&self, column: &Column, values: Vec<f64>) -> Result<Vec<f64>, TableError> {
        match values.iter().position(|value| *value < 0.0) {
            Some(row) => Err(self.at(
                row,
                format!(
                    "{} is {}; a cable's is not negative: remove the row or measure again",
                    column.name, values[row]
                ),
            )),
            None => Ok(values),
        }
    }

    fn positive(&self, column: &Column, values: Vec<f64>) -> Result<Vec<f64>, TableError> {
        match values.iter().position(|value| *value <= 0.0) {
            Some(row) => {
                Err(self.at(row, format!("{} is {}; it must be larger than 0", column.name, values[row])))
            }
            None => Ok(values),
        }
    }
}

/// What a value under a head with this unit is multiplied by, if the unit fits the column.
fn factor(column: &Column, unit: &str) -> Option<f64> {
    match column.unit {
        Unit::Quantity(_) if unit.is_empty() => Some(1.0),
        // Heads in lower case throughout still mean hertz, henry, farad and siemens.
        Unit::Quantity(dimension) => units::parse(&format!("1 {unit}"), dimension)
            .or_else(|_| units::parse(&format!("1 {}", capital(unit)), dimension))
            .ok(),
        Unit::Angle => match unit.to_lowercase().as_str() {
            "" | "deg" | "degree" | "degrees" | "\u{b0}" => Some(std::f64::consts::PI / 180.0),
            "rad" | "radian" | "radians" => Some(1.0),
            _ => None,
        },
        Unit::Decibel => matches!(unit.to_lowercase().as_str(), "" | "db").then_some(1.0),
        Unit::One => unit.is_empty().then_some(1.0),
    }
}

fn capital(unit: &str) -> String {
    let mut letters: Vec<char> = unit.chars().collect();
    if matches!(unit, "hz" | "khz" | "mhz") {
        // "mhz" means megahertz: nobody measures a cable in millihertz.
        return unit.replace("mhz", "MHz").replace("khz", "kHz").replace("hz", "Hz");
    }
    if let Some(last) = letters.last_mut() {
        *last = last.to_ascii_uppercase();
    }
    letters.into_iter().collect()
}

/// Cells of a row; quotes keep a separator inside a cell.
fn cells(row: &str, separator: char) -> Vec<&str> {
    let mut cells = Vec::new();
    let (mut start, mut quoted) = (0, false);
    for (position, letter) in row.char_indices() {
        if letter == '"' {
            quoted = !quoted;
        } else if letter == separator && !quoted {
            cells.push(&row[start..position]);
            start = position + letter.len_utf8();
        }
    }
    cells.push(&row[start..]);
    cells.into_iter().map(|cell| cell.trim().trim_matches('"').trim()).collect()
}

/// Units that a head may end with after an underscore.
const SUFFIXES: [&str; 17] = [
    "hz", "khz", "ohm", "mohm", "kohm", "h", "mh", "uh", "nh", "f", "uf", "nf", "pf", "s", "deg", "rad", "db",
];

/// A head such as `Rs [mohm]`, `Ls (uH)` or `series_inductance_h` as its name in lower case and its unit as written.
fn head_and_unit(cell: &str) -> (String, String) {
    let cell = cell.trim();
    for (open, close) in [('(', ')'), ('[', ']')] {
        if let Some(inner) = cell.strip_suffix(close)
            && let Some((name, unit)) = inner.split_once(open)
        {
            return (name.trim().to_lowercase(), unit.trim().to_owned());
        }
    }
    if let Some((name, unit)) = cell.rsplit_once('_')
        && SUFFIXES.contains(&unit.to_lowercase().as_str())
    {
        return (name.trim().to_lowercase(), unit.to_owned());
    }
    (cell.to_lowercase(), String::new())
}
