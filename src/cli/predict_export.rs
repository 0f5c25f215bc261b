//! What `earwitness predict` writes for other programs: transfer functions and filters.

use std::fmt::Write as _;
use std::path::Path;

use super::predict_touchstone::file_name;
use super::{Failure, whole};
use crate::hearing::difference::gain_db;
use crate::session::Session;
use crate::units::printed;

/// The cables that are compared, by their index.
fn compared(session: &Session) -> Vec<usize> {
    (0..session.cables.len())
        .filter(|index| session.comparisons.iter().any(|one| one.a == *index || one.b == *index))
        .collect()
}

/// Writes each compared cable's transfer function as `CABLE.csv`, which `response =` in a session reads.
pub(super) fn responses(session: &Session, frequencies_hz: &[f64], folder: &Path) -> Result<(), Failure> {
    whole::folder(folder)?;
    for index in compared(session) {
        let name = session.cables[index].name.as_written();
        let response = session.chain(index).transfer(frequencies_hz).map_err(Failure::bad)?;
        let mut text = format!(
            "# {name}, computed by Earwitness: voltage at the loudspeaker over the amplifier's without load\n\
             frequency_hz,gain_db,phase_deg\n"
        );
        for (frequency, value) in
            frequencies_hz.iter().zip(response).filter(|(frequency, _)| **frequency > 0.0)
        {
            let _ = writeln!(text, "{frequency},{},{}", gain_db(value), value.arg().to_degrees());
        }
        whole::write(&folder.join(format!("{}.csv", file_name(name)?)), &text)?;
    }
    Ok(())
}

/// Writes each compared cable's filter as `CABLE-RATE.txt`: remarks after `#`, then one tap in each line.
pub(super) fn filters(session: &Session, rate_hz: u32, folder: &Path) -> Result<(), Failure> {
    whole::folder(folder)?;
    for index in compared(session) {
        let name = session.cables[index].name.as_written();
        let chain = session.chain(index);
        let response = |frequencies: &[f64]| chain.transfer(frequencies).map_err(|error| error.to_string());
        let fir = crate::filter::design(&response, rate_hz).map_err(Failure::bad)?;
        let mut text = format!(
            "# {name}, computed by Earwitness: finite impulse response at {rate_hz} Hz, {} taps\n# the first tap belongs to \
             sample {} of the output for an impulse at sample 0\n# largest error from 20 Hz to 20 kHz: {}\n",
            fir.taps.len(),
            fir.start,
            printed::fixed(fir.accuracy.max_abs_db, 6, "dB")
        );
        for tap in &fir.taps {
            let _ = writeln!(text, "{tap}");
        }
        whole::write(&folder.join(format!("{}-{rate_hz}.txt", file_name(name)?)), &text)?;
    }
    Ok(())
}
