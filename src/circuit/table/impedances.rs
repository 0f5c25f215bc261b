//! Columns that hold impedances.

use num_complex::Complex64;

use super::columns::{MAGNITUDE, PHASE, REACTANCE, RESISTANCE};
use super::error::TableError;
use super::sheet::Sheet;

/// An angle in radians beyond half a turn, rounding excepted.
const HALF_A_TURN: f64 = std::f64::consts::PI * (1.0 + 1e-6);

/// Impedances in ohm of the columns `Z` and `theta`, or `R` and `X`.
pub(super) fn impedances(sheet: &Sheet<'_>) -> Result<Option<Vec<Complex64>>, TableError> {
    if let (Some(magnitude), Some(phase)) = (sheet.values(&MAGNITUDE)?, sheet.values(&PHASE)?) {
        let magnitude = sheet.positive(&MAGNITUDE, magnitude)?;
        if let Some(row) = phase.iter().position(|angle| angle.abs() > HALF_A_TURN) {
            let message = format!(
                "{} is {} degrees; the phase of an impedance is from -180 to 180 degrees",
                PHASE.name,
                phase[row].to_degrees()
            );
            return Err(sheet.at(row, message));
        }
        return Ok(Some(
            magnitude.into_iter().zip(phase).map(|(ohm, phase)| Complex64::from_polar(ohm, phase)).collect(),
        ));
    }
    if !sheet.has(&REACTANCE) {
        return Ok(None);
    }
    let (Some(resistance), Some(reactance)) = (sheet.values(&RESISTANCE)?, sheet.values(&REACTANCE)?) else {
        return Ok(None);
    };
    Ok(Some(resistance.iter().zip(&reactance).map(|(re, im)| Complex64::new(*re, *im)).collect()))
}
