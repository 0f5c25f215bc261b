//! The electrical tables of a session: `[amplifier]`, `[loudspeaker]`, `[cables.*]`.
//!
//! | table | keys |
//! | --- | --- |
//! | amplifier | `output_resistance`, `output_inductance`, or `impedance_table` |
//! | loudspeaker | `resistance`, or `impedance_table`, or `[loudspeaker.driver]`; `rated_impedance` |
//! | driver | `dc_resistance`, `voice_coil_inductance`, `resonance`, `q_mechanical`, `q_electrical` |
//! | cable | `construction = "direct"`, `construction = "parallel-pair"`, `lcr_table`, or `response` |

use std::path::Path;

use super::reader::{SessionError, Table, not_among};
use crate::circuit::amplifier::OutputImpedance;
use crate::circuit::conductor::{Material, Wire};
use crate::circuit::line::{Line, LineParameters};
use crate::circuit::loudspeaker::{Driver, Load, VoiceCoil};
use crate::circuit::pair::ParallelPair;
use crate::circuit::table::{ImpedanceTable, LcrTable, ResponseTable, TableError};
use crate::circuit::{Amplifier, Cable, Loudspeaker};
use crate::units::Dimension;

/// The band that a measured table should cover, in Hz.
const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// `[amplifier]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn amplifier(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Amplifier, SessionError> {
    let resistance = at_least_zero(table, "output_resistance", Dimension::Resistance)?;
    let inductance = at_least_zero(table, "output_inductance", Dimension::Inductance)?;
    match (measured(table, folder, "impedance_table", ImpedanceTable::parse)?, resistance) {
        (Some(_), Some(_)) => {
            Err(table.error("has both `output_resistance` and `impedance_table`; give one of them"))
        }
        (Some((read, name)), None) => {
            held(notes, &name, read.range_hz());
            Ok(Amplifier { output: OutputImpedance::Table(read), lowest_load_ohm: None })
        }
        (None, Some(ohm)) => Ok(Amplifier::lumped(ohm, inductance.unwrap_or(0.0))),
        (None, None) => Err(table.missing("output_resistance", "\"20 mohm\"")),
    }
}

/// `[loudspeaker]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn loudspeaker(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Loudspeaker, SessionError> {
    let rated_impedance_ohm = above_zero(table, "rated_impedance", Dimension::Resistance)?;
    let mut loads = Vec::new();
    if let Some(ohm) = above_zero(table, "resistance", Dimension::Resistance)? {
        loads.push(Load::Resistor(ohm));
    }
    if let Some((read, name)) = measured(table, folder, "impedance_table", ImpedanceTable::parse)? {
        held(notes, &name, read.range_hz());
        loads.push(Load::Table(read));
    }
    if let Some(mut inner) = table.table("driver")? {
        loads.push(Load::Driver(driver(&mut inner)?));
        inner.finish()?;
    }
    match loads.len() {
        1 => Ok(Loudspeaker { load: loads.remove(0), rated_impedance_ohm }),
        0 => Err(table.missing("resistance", "\"8 ohm\"")),
        _ => {
            Err(table
                .error("is described more than once; give one of `resistance`, `impedance_table`, `driver`"))
        }
    }
}

fn driver(table: &mut Table<'_>) -> Result<Driver, SessionError> {
    Ok(Driver {
        dc_resistance_ohm: above_zero(table, "dc_resistance", Dimension::Resistance)?
            .ok_or_else(|| table.missing("dc_resistance", "\"6.2 ohm\""))?,
        voice_coil: VoiceCoil::Inductance(
            at_least_zero(table, "voice_coil_inductance", Dimension::Inductance)?.unwrap_or(0.0),
        ),
        resonance_hz: above_zero(table, "resonance", Dimension::Frequency)?
            .ok_or_else(|| table.missing("resonance", "\"40 Hz\""))?,
        q_mechanical: table
            .number_within("q_mechanical", 0.01, 1000.0)?
            .ok_or_else(|| table.missing("q_mechanical", "6.15"))?,
        q_electrical: table
            .number_within("q_electrical", 0.01, 1000.0)?
            .ok_or_else(|| table.missing("q_electrical", "0.42"))?,
    })
}

/// One `[cables.NAME]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn cable(table: &mut Table<'_>, folder: &Path, notes: &mut Vec<String>) -> Result<Cable, SessionError> {
    if table.has("response") {
        let read = measured(table, folder, "response", ResponseTable::parse)?;
        let (read, name) = read.ok_or_else(|| table.missing("response", "\"captured.csv\""))?;
        held(notes, &name, read.range_hz());
        return Ok(Cable::Response(read));
    }
    if table.has("lcr_table") {
        let sample = above_zero(table, "sample_length", Dimension::Length)?
            .ok_or_else(|| table.missing("sample_length", "\"10 ft\""))?;
        let length = at_least_zero(table, "length", Dimension::Length)?.unwrap_or(sample);
        let parse = |text: &str, name: &str| LcrTable::parse(text, name, sample);
        let read = measured(table, folder, "lcr_table", parse)?;
        let (read, name) = read.ok_or_else(|| table.missing("lcr_table", "\"braid.csv\""))?;
        held(notes, &name, read.range_hz());
        return Ok(Cable::Line(Line { length_m: length, parameters: LineParameters::Measured(read) }));
    }
    match table.required_text("construction", "\"parallel-pair\"")?.as_str() {
        "direct" => Ok(Cable::Direct),
        "parallel-pair" => parallel_pair(table),
        other => Err(table.error_at("construction", not_among(other, &["direct", "parallel-pair"]))),
    }
}

fn parallel_pair(table: &mut Table<'_>) -> Result<Cable, SessionError> {
    let length_m = at_least_zero(table, "length", Dimension::Length)?
        .ok_or_else(|| table.missing("length", "\"6 m\""))?;
    let diameter_m = above_zero(table, "conductor", Dimension::WireSize)?
        .ok_or_else(|| table.missing("conductor", "\"2.5 mm2\""))?;
    let spacing_m = above_zero(table, "spacing", Dimension::Length)?
        .ok_or_else(|| table.missing("spacing", "\"3.2 mm\""))?;
    let permittivity = table.number_within("permittivity", 1.0, 100.0)?.unwrap_or(1.0);
    let loss_tangent = table.number_within("loss_tangent", 0.0, 1.0)?.unwrap_or(0.0);
    let celsius = table.quantity("temperature", Dimension::Temperature)?.unwrap_or(20.0);
    let pair =
        ParallelPair { wire: Wire::solid(diameter_m, Material::COPPER, celsius), spacing_m, permittivity };
    pair.check().map_err(|error| table.error(error.to_string()))?;
    Ok(Cable::Line(Line { length_m, parameters: LineParameters::Pair { pair, loss_tangent } }))
}

fn at_least_zero(
    table: &mut Table<'_>,
    key: &'static str,
    dimension: Dimension,
) -> Result<Option<f64>, SessionError> {
    match table.quantity(key, dimension)? {
        Some(value) if value < 0.0 => Err(table.error_at(key, "a negative value has no meaning here")),
        other => Ok(other),
    }
}

fn above_zero(
    table: &mut Table<'_>,
    key: &'static str,
    dimension: Dimension,
) -> Result<Option<f64>, SessionError> {
    match table.quantity(key, dimension)? {
        Some(value) if value <= 0.0 => Err(table.error_at(key, "a value above 0 is needed")),
        other => Ok(other),
    }
}

/// Reads and parses the table that a key names; with it the name to speak of it by.
fn measured<T>(
    table: &mut Table<'_>,
    folder: &Path,
    key: &'static str,
    parse: impl Fn(&str, &str) -> Result<T, TableError>,
) -> Result<Option<(T, String)>, SessionError> {
    let Some(file) = table.text(key)? else { return Ok(None) };
    let path = folder.join(&file);
    let bytes = std::fs::read(&path).map_err(|error| {
        table.error_at(
            key,
            format!(
                "{} cannot be read ({error}); paths are relative to the session's folder",
                path.display()
            ),
        )
    })?;
    let text = String::from_utf8_lossy(&bytes);
    parse(&text, &path.display().to_string()).map(|read| Some((read, file))).map_err(|error| SessionError {
        file: path.clone(),
        line: error.line,
        message: error.message,
    })
}

/// Says so when a table does not cover the audible band.
fn held(notes: &mut Vec<String>, name: &str, (lowest, highest): (f64, f64)) {
    if lowest > BAND_HZ.0 || highest < BAND_HZ.1 {
        notes.push(format!(
            "{name} covers {lowest} Hz to {highest} Hz; outside it, in 20 Hz to 20 kHz, its end values are held"
        ));
    }
}
