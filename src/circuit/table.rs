//! Measured tables: CSV with a header, `#` starts a comment.
//!
//! Comes in: the text of a table and the name to complain about. Goes out: [`LcrTable`], [`ImpedanceTable`],
//! [`ResponseTable`]. Between its points an LCR table is a monotone cubic in log frequency; outside, its end values are
//! held. Impedances and responses are smooth functions, see [`measured`](super::measured).

mod cells;
mod columns;
mod error;
mod impedances;
mod lcr;
mod response;
mod sheet;

use num_complex::Complex64;

pub use cells::decode;
use columns::{MAGNITUDE, PHASE};
pub use error::TableError;
use impedances::impedances;
pub use lcr::{AccuracyTable, LcrTable};
pub use response::{Distortion, ResponseTable};
use sheet::Sheet;

use super::limit::{Limit, Quantity};
use super::measured::Measured;
use super::vector_fit::Shape;

/// A measured impedance.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpedanceTable {
    values: Measured,
    range_hz: (f64, f64),
    /// Smallest and largest magnitude in ohm.
    magnitudes_ohm: (f64, f64),
    /// Where the phase is furthest beyond a quarter turn, in Hz, and the phase there in degrees.
    active: Option<(f64, f64)>,
    notes: Vec<String>,
}

impl ImpedanceTable {
    /// Reads `frequency_hz, magnitude_ohm, phase_deg` or `frequency_hz, resistance_ohm, reactance_ohm`.
    pub fn parse(text: &str, name: &str) -> Result<Self, TableError> {
        let sheet = Sheet::read(text, name)?;
        sheet.at_least_two()?;
        let frequency = sheet.frequencies()?;
        let Some(values) = impedances(&sheet)? else {
            if sheet.has(&MAGNITUDE) {
                return Err(sheet.missing(&PHASE));
            }
            return Err(TableError::new(
                name,
                sheet.header_line(),
                "an impedance table has the columns frequency_hz, magnitude_ohm, phase_deg or frequency_hz, \
                 resistance_ohm, reactance_ohm",
            ));
        };
        if let Some(row) = values.iter().position(|value| value.norm() == 0.0) {
            return Err(sheet.at(row, "the impedance is 0 ohm; a measured impedance is larger"));
        }
        let mut table = Self::new(&frequency, &values);
        table.notes = sheet.notes().to_vec();
        let largest = values.iter().map(|value| value.arg().abs().to_degrees()).fold(0.0, f64::max);
        if sheet.is_bare(&PHASE) && largest < 1.6 {
            table.notes.push(format!(
                "its phase has no unit and is read as degrees, at most {largest:.2}; if it is in radians, write phase (rad)"
            ));
        }
        Ok(table)
    }

    /// From values in ohm at strictly increasing, positive frequencies in Hz.
    pub fn new(frequencies_hz: &[f64], values: &[Complex64]) -> Self {
        Self {
            values: Measured::new(frequencies_hz, values, Shape::Impedance),
            range_hz: (frequencies_hz[0], frequencies_hz[frequencies_hz.len() - 1]),
            magnitudes_ohm: values
                .iter()
                .map(|value| value.norm())
                .fold((f64::INFINITY, 0.0), |(least, most): (f64, f64), ohm| (least.min(ohm), most.max(ohm))),
            active: (frequencies_hz.iter().zip(values))
                .map(|(frequency, value)| (*frequency, value.arg().to_degrees()))
                .filter(|(_, degrees)| degrees.abs() > 90.0)
                .max_by(|one, other| one.1.abs().total_cmp(&other.1.abs())),
            notes: Vec::new(),
        }
    }

    /// Impedance in ohm at a frequency in Hz; real at 0 Hz.
    pub fn impedance(&self, frequency_hz: f64) -> Complex64 {
        self.values.at(frequency_hz)
    }

    /// The function that stands for the table's values, and what it leaves out of them.
    pub fn values(&self) -> &Measured {
        &self.values
    }

    /// What is unknown about it, along its magnitude and across, by what smoothing left out.
    pub(super) fn scatter(&self, along: Quantity, across: Quantity) -> impl Iterator<Item = Limit> {
        let part = self.values.scatter();
        [along, across].into_iter().filter_map(move |quantity| Some(Limit::new(quantity, part?)))
    }

    /// What was put in order, averaged or left out when the table was read.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// The measured frequency in Hz whose phase is furthest beyond a quarter turn, where the resistance is negative, which no
    /// loudspeaker's is; and that phase in degrees.
    pub fn active(&self) -> Option<(f64, f64)> {
        self.active
    }

    /// Smallest and largest measured magnitude in ohm.
    pub fn magnitudes_ohm(&self) -> (f64, f64) {
        self.magnitudes_ohm
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }
}
