//! `earwitness predict --touchstone DIR`: cables, loudspeaker and amplifier as Touchstone files for other programs.

use std::path::Path;

use num_complex::Complex64;

use super::{Failure, whole};
use crate::circuit::cable::Solved;
use crate::circuit::touchstone::{self, PortData, Touchstone, Version};
use crate::session::Session;

/// Reference resistance in ohm: that of most measuring instruments.
const REFERENCE_OHM: f64 = 50.0;

/// Writes `<cable>.s2p` for every cable that is compared and is a two-port, `loudspeaker.s1p` and `amplifier.s1p` into a
/// folder, which is made if it is not there. A frequency of 0 Hz is left out.
pub(super) fn write(session: &Session, frequencies_hz: &[f64], folder: &Path) -> Result<(), Failure> {
    let mut frequencies_hz: Vec<f64> = frequencies_hz.iter().copied().filter(|f| *f > 0.0).collect();
    frequencies_hz.sort_by(f64::total_cmp);
    frequencies_hz.dedup();
    if frequencies_hz.len() < 2 {
        return Err(Failure::bad("--touchstone needs at least two frequencies above 0 Hz"));
    }
    whole::folder(folder)?;
    let save = |name: &str, data: PortData| -> Result<(), Failure> {
        let file = Touchstone { frequencies_hz: frequencies_hz.clone(), reference_ohm: REFERENCE_OHM, data };
        let text = format!("! {name}, computed by Earwitness\n{}", touchstone::write(&file, Version::One));
        whole::write(&folder.join(name), &text)
    };
    for (index, named) in session.cables.iter().enumerate() {
        if !session.comparisons.iter().any(|comparison| comparison.a == index || comparison.b == index) {
            continue;
        }
        if named.cable.is_no_two_port() {
            super::note(&format!(
                "{}: a measured response or a bi-wired pair is not a two-port, so it has no file",
                named.name.as_written()
            ));
            continue;
        }
        if let Solved::TwoPort(solved) = named.cable.solve(&frequencies_hz).map_err(Failure::bad)? {
            let scattering = solved.iter().map(|(_, chain)| chain.to_scattering(REFERENCE_OHM)).collect();
            save(&format!("{}.s2p", file_name(named.name.as_written())?), PortData::TwoPort(scattering))?;
        }
    }
    let one_port = |impedance: &dyn Fn(f64) -> Complex64| -> PortData {
        PortData::OnePort(frequencies_hz.iter().map(|&frequency| impedance(frequency)).collect())
    };
    let loudspeaker = one_port(&|frequency| session.loudspeaker.immittance(frequency).to_impedance());
    save("loudspeaker.s1p", loudspeaker)?;
    save("amplifier.s1p", one_port(&|frequency| session.amplifier.impedance(frequency)))
}

/// A cable's name as a file's name.
pub(super) fn file_name(cable: &str) -> Result<&str, Failure> {
    if cable.is_empty() || cable.starts_with('.') || cable.contains(['/', '\\', ':', '\0']) {
        return Err(Failure::bad(format!(
            "the cable \"{cable}\" cannot name a file; take a name without / \\ : and without a point in front"
        )));
    }
    Ok(cable)
}
