//! Touchstone files of one and two ports, versions 1.1 and 2.0, in and out.
//!
//! Comes in: text. Goes out: impedances in ohm or scattering parameters at a reference resistance. Version 1 data of Z, Y,
//! H and G parameters are normalised to the reference, version 2 data are in ohm and siemens; in version 1 a two-port's
//! 21 comes before 12 (Touchstone File Format Specification 2.0, IBIS Open Forum 2009).

use std::fmt::Write as _;

use num_complex::Complex64;

use super::table::TableError;
use super::twoport::Abcd;
use crate::units::foreign::shortened;
use crate::units::printed::count;

/// What a file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Touchstone {
    /// Frequencies in Hz, increasing; a row at 0 Hz is left out, for it has no place on a logarithmic axis.
    pub frequencies_hz: Vec<f64>,
    /// Reference resistance in ohm.
    pub reference_ohm: f64,
    /// One or two ports.
    pub data: PortData,
}

/// Data of one or two ports.
#[derive(Debug, Clone, PartialEq)]
pub enum PortData {
    /// Impedance in ohm.
    OnePort(Vec<Complex64>),
    /// Scattering parameters 11, 12, 21, 22 at the reference resistance.
    TwoPort(Vec<[Complex64; 4]>),
}

/// Which version to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// 1.1
    One,
    /// 2.0
    Two,
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Scattering,
    Admittance,
    Impedance,
    Hybrid,
    InverseHybrid,
}

#[derive(Clone, Copy)]
enum Format {
    Decibel,
    Magnitude,
    Rectangular,
}

struct Options {
    hertz: f64,
    kind: Kind,
    format: Format,
    reference: f64,
}

/// Reads a file's text; `ports` is 1 or 2 as its name says (`.s1p`, `.s2p`) and must agree with a version 2 file.
pub fn parse(text: &str, name: &str, ports: usize) -> Result<Touchstone, TableError> {
    let fail = |line: usize, message: String| TableError::new(name, line, message);
    let mut options: Option<Options> = None;
    let (mut second, mut swapped, mut full, mut lower) = (false, true, true, false);
    let mut reference: Option<f64> = None;
    let mut rows: Vec<(usize, Vec<f64>)> = Vec::new();
    let mut pending: Vec<f64> = Vec::new();
    let (mut pending_line, mut skipping, mut references_wanted) = (0, false, 0);
    for (index, whole) in text.lines().enumerate() {
        let number = index + 1;
        let line = whole.split('!').next().unwrap_or_default().trim();
        if line.is_empty() {
            continue;
        }
        if let Some(option_line) = line.strip_prefix('#') {
            // Only the first option line counts.
            if options.is_none() {
                options = Some(read_options(option_line, name, number)?);
            }
            continue;
        }
        if let Some(bracketed) = line.strip_prefix('[') {
            let (keyword, value) = bracketed.split_once(']').unwrap_or((bracketed, ""));
            let (keyword, value) = (keyword.trim().to_lowercase(), value.trim().to_lowercase());
            match keyword.as_str() {
                "version" => second = value.starts_with('2'),
                "number of ports" if value.parse::<usize>() != Ok(ports) => {
                    return Err(fail(
                        number,
                        format!("the file has {} ports, {ports} are expected here", shortened(&value)),
                    ));
                }
                "two-port data order" | "two-port order" => swapped = value == "21_12",
                "matrix format" => {
                    full = value == "full";
                    lower = value == "lower";
                }
                "reference" => {
                    references_wanted = ports;
                    read_references(&value, name, number, &mut reference, &mut references_wanted)?;
                }
                "begin information" => skipping = true,
                "end information" => skipping = false,
                "noise data" | "end" => break,
                "mixed-mode order" => {
                    return Err(fail(
                        number,
                        "mixed-mode data are not understood; export single-ended ones".into(),
                    ));
                }
                _ => {}
            }
            continue;
        }
        if skipping {
            continue;
        }
        if references_wanted > 0 {
            read_references(line, name, number, &mut reference, &mut references_wanted)?;
            continue;
        }
        for word in line.split_whitespace() {
            let value: f64 =
                word.parse().map_err(|_| fail(number, format!("\"{}\" is not a number", shortened(word))))?;
            if !value.is_finite() {
                return Err(fail(
                    number,
                    format!("{} is not finite; remove the row or measure again", shortened(word)),
                ));
            }
            if pending.is_empty() {
                pending_line = number;
            }
            pending.push(value);
        }
        let complete = if ports == 1 {
            3
        } else if full {
            9
        } else {
            7
        };
        if pending.len() == complete {
            let row = std::mem::take(&mut pending);
            // In version 1 a step back in frequency begins the noise data.
            if !second && rows.last().is_some_and(|(_, last)| row[0] < last[0]) && ports == 2 {
                break;
            }
            rows.push((pending_line, row));
        } else if pending.len() > complete {
            return Err(fail(
                pending_line,
                format!(
                    "{} numbers stand here; a row of {} has {complete}",
                    pending.len(),
                    count(ports as u64, "port")
                ),
            ));
        } else if !second && pending.len() == 5 && rows.last().is_some_and(|(_, last)| pending[0] <= last[0])
        {
            // Five numbers a line: noise data of version 1.
            pending.clear();
            break;
        }
    }
    if !pending.is_empty() {
        return Err(fail(pending_line, "the last row is incomplete".into()));
    }
    let options = options.unwrap_or(Options {
        hertz: 1e9,
        kind: Kind::Scattering,
        format: Format::Magnitude,
        reference: 50.0,
    });
    let reference = reference.unwrap_or(options.reference);
    let mut frequencies_hz: Vec<f64> = Vec::new();
    let mut one = Vec::new();
    let mut two = Vec::new();
    for (line, row) in &rows {
        let frequency = row[0] * options.hertz;
        if frequency < 0.0 {
            return Err(fail(*line, format!("the frequency is {frequency} Hz; it must not be negative")));
        }
        if frequency == 0.0 && frequencies_hz.is_empty() {
            continue;
        }
        if let Some(last) = frequencies_hz.last()
            && frequency <= *last
        {
            return Err(fail(
                *line,
                format!(
                    "the frequency {frequency} Hz does not rise above {last} Hz of the row before; sort the rows"
                ),
            ));
        }
        let values: Vec<Complex64> =
            row[1..].chunks_exact(2).map(|pair| value(pair[0], pair[1], options.format)).collect();
        frequencies_hz.push(frequency);
        if ports == 1 {
            one.push(one_port(values[0], options.kind, second, reference));
        } else {
            let ordered = match (full, lower) {
                (true, _) if swapped => [values[0], values[2], values[1], values[3]],
                (true, _) => [values[0], values[1], values[2], values[3]],
                // A triangle of a symmetric matrix: 11, 21, 22 or 11, 12, 22.
                (false, _) => [values[0], values[1], values[1], values[2]],
            };
            two.push(two_port(ordered, options.kind, second, reference));
        }
    }
    if frequencies_hz.len() < 2 {
        return Err(TableError::new(
            name,
            rows.last().map(|row| row.0),
            format!(
                "the file has {} above 0 Hz; at least two are needed",
                count(frequencies_hz.len() as u64, "point")
            ),
        ));
    }
    let data = if ports == 1 { PortData::OnePort(one) } else { PortData::TwoPort(two) };
    Ok(Touchstone { frequencies_hz, reference_ohm: reference, data })
}

fn read_options(text: &str, name: &str, line: usize) -> Result<Options, TableError> {
    let mut options =
        Options { hertz: 1e9, kind: Kind::Scattering, format: Format::Magnitude, reference: 50.0 };
    let mut words = text.split_whitespace();
    while let Some(word) = words.next() {
        match word.to_lowercase().as_str() {
            "hz" => options.hertz = 1.0,
            "khz" => options.hertz = 1e3,
            "mhz" => options.hertz = 1e6,
            "ghz" => options.hertz = 1e9,
            "s" => options.kind = Kind::Scattering,
            "y" => options.kind = Kind::Admittance,
            "z" => options.kind = Kind::Impedance,
            "h" => options.kind = Kind::Hybrid,
            "g" => options.kind = Kind::InverseHybrid,
            "db" => options.format = Format::Decibel,
            "ma" => options.format = Format::Magnitude,
            "ri" => options.format = Format::Rectangular,
            "r" => {
                let value = words.next().and_then(|value| value.parse::<f64>().ok());
                match value {
                    Some(value) if value.is_finite() && value > 0.0 => options.reference = value,
                    _ => {
                        return Err(TableError::new(
                            name,
                            line,
                            "R in the option line needs a resistance in ohm above 0, such as R 50",
                        ));
                    }
                }
            }
            other => {
                return Err(TableError::new(
                    name,
                    line,
                    format!(
                        "\"{}\" is not known in an option line; it is # Hz|kHz|MHz|GHz S|Y|Z|H|G DB|MA|RI R ohm",
                        shortened(other)
                    ),
                ));
            }
        }
    }
    Ok(options)
}

fn read_references(
    text: &str,
    name: &str,
    line: usize,
    reference: &mut Option<f64>,
    wanted: &mut usize,
) -> Result<(), TableError> {
    for word in text.split_whitespace() {
        let value =
            word.parse::<f64>().ok().filter(|value| value.is_finite() && *value > 0.0).ok_or_else(|| {
                TableError::new(
                    name,
                    line,
                    format!("\"{}\" is not a reference resistance in ohm above 0", shortened(word)),
                )
            })?;
        if reference.is_some_and(|other| other != value) {
            return Err(TableError::new(
                name,
                line,
                "the ports have different reference resistances; export with the same one for both",
            ));
        }
        *reference = Some(value);
        *wanted = wanted.saturating_sub(1);
    }
    Ok(())
}

fn value(first: f64, second: f64, format: Format) -> Complex64 {
    match format {
        Format::Decibel => Complex64::from_polar(10_f64.powf(first / 20.0), second.to_radians()),
        Format::Magnitude => Complex64::from_polar(first, second.to_radians()),
        Format::Rectangular => Complex64::new(first, second),
    }
}

fn one_port(value: Complex64, kind: Kind, second: bool, reference: f64) -> Complex64 {
    let scale = if second { 1.0 } else { reference };
    match kind {
        Kind::Scattering => reference * (1.0 + value) / (1.0 - value),
        Kind::Impedance | Kind::Hybrid => value * scale,
        Kind::Admittance | Kind::InverseHybrid => scale / value,
    }
}

fn two_port(
    [v11, v12, v21, v22]: [Complex64; 4],
    kind: Kind,
    second: bool,
    reference: f64,
) -> [Complex64; 4] {
    let r = if second { 1.0 } else { reference };
    let chain = match kind {
        Kind::Scattering => return [v11, v12, v21, v22],
        Kind::Impedance => Abcd::from_impedance([v11 * r, v12 * r, v21 * r, v22 * r]),
        Kind::Admittance => Abcd::from_admittance([v11 / r, v12 / r, v21 / r, v22 / r]),
        Kind::Hybrid => Abcd::from_hybrid([v11 * r, v12, v21, v22 / r]),
        Kind::InverseHybrid => Abcd::from_inverse_hybrid([v11 / r, v12, v21, v22 * r]),
    };
    chain.to_scattering(reference)
}

/// The text of a file with scattering parameters in Hz and real and imaginary parts, every digit kept.
pub fn write(file: &Touchstone, version: Version) -> String {
    let mut text = String::new();
    let ports = match file.data {
        PortData::OnePort(_) => 1,
        PortData::TwoPort(_) => 2,
    };
    // Writing to a String cannot fail.
    if version == Version::Two {
        let _ = writeln!(text, "[Version] 2.0");
    }
    let _ = writeln!(text, "# Hz S RI R {}", file.reference_ohm);
    if version == Version::Two {
        let _ = writeln!(text, "[Number of Ports] {ports}");
        if ports == 2 {
            let _ = writeln!(text, "[Two-Port Data Order] 21_12");
        }
        let _ = writeln!(text, "[Number of Frequencies] {}", file.frequencies_hz.len());
        let _ = writeln!(text, "[Network Data]");
    }
    for (index, frequency) in file.frequencies_hz.iter().enumerate() {
        let values = match &file.data {
            PortData::OnePort(impedances) => {
                let impedance = impedances[index];
                vec![if impedance.is_finite() {
                    (impedance - file.reference_ohm) / (impedance + file.reference_ohm)
                } else {
                    Complex64::new(1.0, 0.0)
                }]
            }
            PortData::TwoPort(scattering) => {
                let [s11, s12, s21, s22] = scattering[index];
                vec![s11, s21, s12, s22]
            }
        };
        let _ = write!(text, "{frequency:e}");
        for value in values {
            let _ = write!(text, " {:e} {:e}", value.re, value.im);
        }
        text.push('\n');
    }
    if version == Version::Two {
        text.push_str("[End]\n");
    }
    text
}
