//! The electrical tables of a session: `[amplifier]`, `[loudspeaker]`, `[cables.*]`.
//!
//! Comes in: a table of the session file and the folder that its paths are relative to. Goes out: [`Amplifier`],
//! [`Loudspeaker`], [`Cable`](crate::circuit::Cable) in SI units, checked. Quantities carry their unit.
//!
//! | table | key | meaning |
//! | --- | --- | --- |
//! | amplifier | `output_resistance`, `output_inductance` | what is behind its terminals; 0 if absent |
//! | | `damping_factor`, `damping_load` | instead of the resistance: its load (8 ohm if absent) over the resistance |
//! | | `impedance_table` | the same, measured, instead |
//! | | `lowest_load` | lowest load impedance that its maker allows, for a caution |
//! | | `impedance_tolerance` | share within which its output impedance is known |
//! | loudspeaker | `resistance` | a resistor, or |
//! | | `impedance_table`, `touchstone` | a measured impedance (CSV, or a one-port `.s1p`), or |
//! | | `[loudspeaker.driver]` | one driver, or |
//! | | `[[loudspeaker.network]]` | branches of a crossover, from the terminals inwards |
//! | | `rated_impedance` | what its maker says, for cautions |
//! | | `impedance_tolerance` | share within which its impedance is known |
//! | | `[loudspeaker.zobel]`: `resistance`, `capacitance` | both in series across its terminals |
//! | driver | `dc_resistance`, `resonance`, `q_mechanical`, `q_electrical` | Re, fs, Qms, Qes |
//! | | `voice_coil_inductance` | Le, or |
//! | | `coil_coefficient`, `coil_exponent` | a lossy voice coil, K (jw)^n, or |
//! | | `coil_resistance_coefficient`, `coil_resistance_exponent`, `coil_reactance_coefficient`, `coil_reactance_exponent` | Kr w^xr + j Ki w^xi |
//! | network | `way` | which way the branch belongs to; absent: the only one |
//! | | `place` | `series` or `shunt` |
//! | | `resistance`, `inductance`, `capacitance`, `[loudspeaker.network.driver]` | the branch's parts |
//! | | `joined` | `series` (default) or `parallel` |
//! | | `terminals` | `low` or `high`, on loudspeakers with two pairs; said once per way |
//! | cable | `construction` | `parallel-pair`, `coaxial`, `cross-section`, `ring`, `braid`, `twisted-pairs`, `flat-pair`, `data-sheet`, `line`, `lumped`, `direct` |
//! | | `lcr_table`, `sample_length` | an LCR meter's table, instead |
//! | | `open_table` | the meter's sweep with the far end open, if `lcr_table` has only the one with it shorted |
//! | | `response` | a measured transfer function, load included, instead |
//! | | `recording` | a recording at the loudspeaker's terminals, played in place of what is computed: a file, or one for each clip |
//! | | `recording_again` | the same cable recorded once more, for identical controls |
//! | | `recording_polarity` | of a recording that is reversed: `corrected` or `inverted` (kept so); refused without this |
//! | | `delay` | of a response: `removed` (default) or `kept` |
//! | | `polarity` | of a response that is reversed: `corrected` or `inverted` (kept so); refused without this |
//! | | `touchstone` | a measured two-port (`.s2p`), instead |
//! | | `[[cables.NAME.sections]]` | cables one after another from the amplifier on, instead |
//! | | `[[cables.NAME.parallel]]` | cables side by side, instead |
//! | | `[cables.NAME.low]`, `[cables.NAME.high]` | bi-wiring, instead |
//! | | `bi_wired_voltage` | `power-mean` (default), `low`, `high`, `in-phase-sum`: which voltage of a bi-wired loudspeaker is heard |
//! | | `count` | so many equal ones side by side; 1 if absent |
//! | | `resistance_tolerance`, `inductance_tolerance`, `capacitance_tolerance` | shares within which they are known |
//! | | `length_tolerance` | length or share within which the length is known |
//! | | `contact_resistance`, `contact_tolerance` | of each of the four joints; known within half of it if nothing is said |
//! | | `lcr_accuracy` | share within which a meter reads, a table with `resistance`, `inductance`, `capacitance`, or a CSV file of them over frequency |
//! | | `gain_tolerance` | decibels within which each point of a measured response is known |
//! | | `length` | length from end to end; with `lcr_table` the sample's if absent |
//! | | `permittivity`, `loss_tangent` | effective, of the insulation; 1 and 0 if absent |
//! | parallel-pair | `spacing` | centre to centre |
//! | coaxial | `shield_inner_diameter`, and `shield_thickness` or `shield_resistance` (per length) | the outer conductor |
//! | cross-section | `[[cables.NAME.conductors]]` with `polarity`, `x`, `y` | one per conductor |
//! | | `transposed` | true: equal currents; false: equal voltages |
//! | ring | `conductors`, `circle_diameter` | an even number with alternating polarity on a circle, such as a star quad |
//! | braid | `conductors`, `circle_diameter`, `lay_length` | half of the strands each way around, once in a lay |
//! | | `polarity` | `by-direction` (default): one polarity each way; `mixed`: in turn, in both ways |
//! | | `insulation_thickness` | of a strand: how far apart two are where they cross |
//! | twisted-pairs | `pairs`, `spacing`, `lay_length` | so many pairs side by side, each twisted once in a lay |
//! | parallel-pair, twisted-pairs | `insulation`, `insulation_thickness` | in place of `permittivity`, which is computed: `pvc`, `polyethylene`, `foam-polyethylene`, `polypropylene`, `ptfe`, `rubber` |
//! | | `insulation_permittivity`, `insulation_loss_tangent` | of the material, if known better |
//! | flat-pair | `width`, `thickness`, `spacing`, `arrangement` | two strips, `stacked` (default) or `side-by-side`, centre to centre |
//! | data-sheet | `conductor`, `inductance`, `capacitance` | gauge and printed values per length, with skin effect |
//! | | `resistance`, `inductance_at` | of the loop per length, instead of the gauge's; the inductance's frequency, 1 kHz if absent |
//! | line | `resistance`, `inductance`, `capacitance`, `conductance` | per length |
//! | lumped | `resistance`, `inductance`, `capacitance`, `conductance` | totals; half the shunt at each end |
//! | conductor | `conductor` | diameter, area or gauge |
//! | | `material` | `copper` (default), `silver`, `aluminium`, `copper-clad-aluminium` |
//! | | `resistivity`, `temperature_coefficient` | at 20 C and per kelvin, instead of a material |
//! | | `temperature` | 20 C if absent; on a cross-section, material and temperature are those of its conductors that say nothing |
//! | | `strands`, `outer_diameter` | so many bare strands in a bunch, and its diameter (three quarters metal if absent) |
//! | | `insulated_strands` | true: the strands are insulated from each other and change places |
//! | | `iec_60228`, `tinned` | `class-1`, `class-2`, `class-5`, `class-6`: the largest allowed resistance instead of the area's |

mod cable;
mod conductor;
mod tolerance;

use std::path::Path;

pub use cable::cable;

use super::reader::{SessionError, Table};
use crate::circuit::amplifier::OutputImpedance;
use crate::circuit::loudspeaker::{Driver, Load, VoiceCoil, Zobel};
use crate::circuit::measured::{Measured, WINDOW_OCTAVES};
use crate::circuit::network::{Branch, Joined, Network, Place, Terminals, Way};
use crate::circuit::table::{self, ImpedanceTable};
use crate::circuit::touchstone::{self, PortData};
use crate::circuit::{Amplifier, Loudspeaker};
use crate::files;
use crate::units::{Dimension, printed};

/// A loudspeaker's impedance in ohm, wherever it was measured or said: far wider than any loudspeaker, so that what is refused is a
/// unit or a digit gone wrong.
const LOUDSPEAKER_OHM: (f64, f64) = (0.01, 1e6);
/// The largest output resistance in ohm and inductance in henry of an amplifier, as wide.
const LARGEST_SOURCE: (f64, f64) = (1e6, 1.0);
/// Phases of a loudspeaker beyond a quarter turn by more than this, in degrees, are no error of an instrument's last digit.
const BEYOND_PASSIVE_DEGREES: f64 = 5.0;
/// What a function leaves out of a table's values is worth a note above this root mean square, relative ...
const WORTHY_LEFT_OUT: f64 = 1e-3;
/// ... or above this at any one value.
const LARGE_LEFT_OUT: f64 = 2e-2;

/// `[amplifier]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn amplifier(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Amplifier, SessionError> {
    let lowest_load_ohm = ohm_of_a_loudspeaker(table, "lowest_load")?;
    let impedance_tolerance = tolerance::share(table, "impedance_tolerance")?.unwrap_or(0.0);
    let resistance = output_resistance(table)?;
    let inductance = at_most(table, "output_inductance", Dimension::Inductance, (LARGEST_SOURCE.1, "H"))?;
    let output = match file(table, "impedance_table", folder)? {
        Some((text, name)) => {
            if resistance.is_some() || inductance.is_some() {
                return Err(table.error_at(
                    "impedance_table",
                    "give a table, or output_resistance, damping_factor and output_inductance, but not both",
                ));
            }
            let measured = ImpedanceTable::parse(&text, &name)
                .map_err(|error| table.error_at("impedance_table", error.to_string()))?;
            told_of_impedance(notes, &name, &measured);
            if measured.magnitudes_ohm().1 > LARGEST_SOURCE.0 {
                let most = format!(
                    "{name}: its largest impedance is {} ohm, and 1000000 ohm is allowed; check the unit",
                    measured.magnitudes_ohm().1
                );
                return Err(table.error_at("impedance_table", most));
            }
            if let Some((frequency, _)) = measured.active() {
                notes.push(format!(
                    "{name}: the output resistance is negative at {}: few amplifiers are made so; look for a reversed probe, \
                     and measure again",
                    printed::hertz(frequency)
                ));
            }
            OutputImpedance::Table(measured)
        }
        None => OutputImpedance::Lumped {
            resistance_ohm: resistance.unwrap_or(0.0),
            inductance_h: inductance.unwrap_or(0.0),
        },
    };
    let mut amplifier = Amplifier::of(output);
    amplifier.lowest_load_ohm = lowest_load_ohm;
    amplifier.impedance_tolerance = impedance_tolerance;
    Ok(amplifier)
}

/// The output resistance in ohm, as it is or from a damping factor at a load (IEC 60268-3: load over resistance).
fn output_resistance(table: &mut Table<'_>) -> Result<Option<f64>, SessionError> {
    let resistance = at_most(table, "output_resistance", Dimension::Resistance, (LARGEST_SOURCE.0, "ohm"))?;
    let factor = table.number_within("damping_factor", 1e-3, 1e9)?;
    let load = ohm_of_a_loudspeaker(table, "damping_load")?;
    match (resistance, factor, load) {
        (Some(_), Some(_), _) => {
            Err(table.error_at("damping_factor", "output_resistance is given too; keep one of them"))
        }
        (None, Some(factor), load) => Ok(Some(load.unwrap_or(8.0) / factor)),
        (_, None, Some(_)) => {
            Err(table.error_at("damping_load", "it needs damping_factor, which is missing"))
        }
        (resistance, None, None) => Ok(resistance),
    }
}

/// `[loudspeaker]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn loudspeaker(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Loudspeaker, SessionError> {
    let rated_impedance_ohm = ohm_of_a_loudspeaker(table, "rated_impedance")?;
    let impedance_tolerance = tolerance::share(table, "impedance_tolerance")?.unwrap_or(0.0);
    let zobel = zobel(table)?;
    let kinds = ["resistance", "impedance_table", "touchstone", "driver", "network"];
    one_of(table, &kinds, "resistance = \"8 ohm\"")?;
    let load = if let Some(ohm) = ohm_of_a_loudspeaker(table, "resistance")? {
        Load::Resistor(ohm)
    } else if let Some((text, name)) = file(table, "impedance_table", folder)? {
        let measured = ImpedanceTable::parse(&text, &name)
            .map_err(|error| table.error_at("impedance_table", error.to_string()))?;
        told_of_loudspeaker(notes, &name, &measured)
            .map_err(|error| table.error_at("impedance_table", error))?;
        Load::Table(measured)
    } else if let Some((text, name)) = file(table, "touchstone", folder)? {
        let read = touchstone::parse(&text, &name, 1)
            .map_err(|error| table.error_at("touchstone", error.to_string()))?;
        let PortData::OnePort(impedances) = &read.data else {
            return Err(table.error_at("touchstone", "a loudspeaker has one port; give a .s1p file"));
        };
        if let Some(index) = impedances.iter().position(|z| !z.is_finite() || z.norm() == 0.0) {
            return Err(table.error_at(
                "touchstone",
                format!(
                    "{name}: the impedance at {} Hz is not finite and above 0 ohm",
                    read.frequencies_hz[index]
                ),
            ));
        }
        let measured = ImpedanceTable::new(&read.frequencies_hz, impedances);
        told_of_loudspeaker(notes, &name, &measured).map_err(|error| table.error_at("touchstone", error))?;
        Load::Table(measured)
    } else if let Some(mut inner) = table.table("driver")? {
        let driver = driver(&mut inner)?;
        inner.finish()?;
        Load::Driver(driver)
    } else {
        Load::Network(network(table)?)
    };
    let mut loudspeaker = Loudspeaker::of(load);
    loudspeaker.rated_impedance_ohm = rated_impedance_ohm;
    loudspeaker.impedance_tolerance = impedance_tolerance;
    loudspeaker.zobel = zobel;
    Ok(loudspeaker)
}

fn zobel(table: &mut Table<'_>) -> Result<Option<Zobel>, SessionError> {
    let Some(mut inner) = table.table("zobel")? else { return Ok(None) };
    let resistance_ohm = not_negative(&mut inner, "resistance", Dimension::Resistance)?
        .ok_or_else(|| inner.missing("resistance", "\"10 ohm\""))?;
    let capacitance_f = positive(&mut inner, "capacitance", Dimension::Capacitance)?
        .ok_or_else(|| inner.missing("capacitance", "\"100 nF\""))?;
    inner.finish()?;
    Ok(Some(Zobel { resistance_ohm, capacitance_f }))
}

fn driver(table: &mut Table<'_>) -> Result<Driver, SessionError> {
    let dc_resistance_ohm = ohm_of_a_loudspeaker(table, "dc_resistance")?
        .ok_or_else(|| table.missing("dc_resistance", "\"6.2 ohm\""))?;
    let resonance_hz = positive(table, "resonance", Dimension::Frequency)?
        .ok_or_else(|| table.missing("resonance", "\"40 Hz\""))?;
    if !(1e-3..=1e6).contains(&resonance_hz) {
        let outside =
            format!("{} Hz is outside what is allowed, 0.001 Hz to 1 MHz", printed::written(resonance_hz));
        return Err(table.error_at("resonance", outside));
    }
    let number = |table: &mut Table<'_>, key, example: &str| {
        table.number_within(key, 1e-3, 1e3)?.ok_or_else(|| table.missing(key, example))
    };
    let q_mechanical = number(table, "q_mechanical", "6.15")?;
    let q_electrical = number(table, "q_electrical", "0.42")?;
    let inductance = not_negative(table, "voice_coil_inductance", Dimension::Inductance)?;
    let lossy =
        (table.number_within("coil_coefficient", 0.0, 1e6)?, table.number_within("coil_exponent", 0.0, 1.0)?);
    let powers = [
        table.number_within("coil_resistance_coefficient", 0.0, 1e6)?,
        table.number_within("coil_resistance_exponent", 0.0, 2.0)?,
        table.number_within("coil_reactance_coefficient", 0.0, 1e6)?,
        table.number_within("coil_reactance_exponent", 0.0, 2.0)?,
    ];
    let voice_coil = match (inductance, lossy, powers) {
        (inductance, (None, None), [None, None, None, None]) => {
            VoiceCoil::Inductance(inductance.unwrap_or(0.0))
        }
        (None, (Some(coefficient), Some(exponent)), [None, None, None, None]) => {
            VoiceCoil::Lossy { coefficient, exponent }
        }
        (None, (None, None), [Some(kr), Some(xr), Some(ki), Some(xi)]) => VoiceCoil::TwoPowers {
            resistance_coefficient: kr,
            resistance_exponent: xr,
            reactance_coefficient: ki,
            reactance_exponent: xi,
        },
        _ => {
            return Err(table.error(
                "the voice coil is one of: voice_coil_inductance; coil_coefficient and coil_exponent; or all four of \
                 coil_resistance_coefficient, coil_resistance_exponent, coil_reactance_coefficient and \
                 coil_reactance_exponent",
            ));
        }
    };
    Ok(Driver { dc_resistance_ohm, voice_coil, resonance_hz, q_mechanical, q_electrical })
}

fn network(table: &mut Table<'_>) -> Result<Network, SessionError> {
    let mut ways: Vec<Way> = Vec::new();
    for mut branch in table.tables("network")? {
        let name = branch.text("way")?.unwrap_or_else(|| "all".to_owned());
        let terminals = branch.choice("terminals", &[("low", Terminals::Low), ("high", Terminals::High)])?;
        let place = branch
            .choice("place", &[("series", Place::Series), ("shunt", Place::Shunt)])?
            .ok_or_else(|| branch.missing("place", "\"series\""))?;
        let joined = branch
            .choice("joined", &[("series", Joined::Series), ("parallel", Joined::Parallel)])?
            .unwrap_or(Joined::Series);
        let parsed_driver = match branch.table("driver")? {
            Some(mut inner) => {
                let driver = driver(&mut inner)?;
                inner.finish()?;
                Some(driver)
            }
            None => None,
        };
        let parts = Branch {
            resistance_ohm: not_negative(&mut branch, "resistance", Dimension::Resistance)?,
            inductance_h: not_negative(&mut branch, "inductance", Dimension::Inductance)?,
            capacitance_f: positive(&mut branch, "capacitance", Dimension::Capacitance)?,
            driver: parsed_driver,
            joined,
        };
        if parts.resistance_ohm.is_none()
            && parts.inductance_h.is_none()
            && parts.capacitance_f.is_none()
            && parts.driver.is_none()
        {
            return Err(
                branch.error("the branch is empty; give it resistance, inductance, capacitance or a driver")
            );
        }
        let way = match ways.iter_mut().position(|way| way.name == name) {
            Some(index) => &mut ways[index],
            None => {
                ways.push(Way { name, terminals: Terminals::Low, branches: Vec::new() });
                let last = ways.len() - 1;
                &mut ways[last]
            }
        };
        if let Some(terminals) = terminals {
            way.terminals = terminals;
        }
        way.branches.push((place, parts));
        branch.finish()?;
    }
    for way in &ways {
        if !way.branches.iter().any(|(place, _)| *place == Place::Shunt) {
            return Err(table.error_at(
                "network",
                format!(
                    "the way \"{}\" has no branch with place = \"shunt\", so no current can flow; a driver is a shunt",
                    way.name
                ),
            ));
        }
    }
    Ok(Network { ways })
}

/// Refuses none or more than one of `kinds`.
fn one_of(table: &mut Table<'_>, kinds: &[&'static str], example: &str) -> Result<(), SessionError> {
    let given: Vec<&'static str> = kinds.iter().copied().filter(|key| table.has(key)).collect();
    match given.as_slice() {
        [_] => Ok(()),
        [] => Err(table.error(format!("needs one of {}, for example {example}", kinds.join(", ")))),
        [first, second, ..] => {
            Err(table.error_at(second, format!("{first} is given too; keep one of {}", kinds.join(", "))))
        }
    }
}

fn positive(
    table: &mut Table<'_>,
    key: &'static str,
    dimension: Dimension,
) -> Result<Option<f64>, SessionError> {
    match table.quantity(key, dimension)? {
        Some(value) if value <= 0.0 => Err(table.error_at(key, "must be larger than 0")),
        other => Ok(other),
    }
}

fn not_negative(
    table: &mut Table<'_>,
    key: &'static str,
    dimension: Dimension,
) -> Result<Option<f64>, SessionError> {
    match table.quantity(key, dimension)? {
        Some(value) if value < 0.0 => Err(table.error_at(key, "must not be negative")),
        other => Ok(other),
    }
}

/// An impedance of a loudspeaker in ohm, within what any has.
fn ohm_of_a_loudspeaker(table: &mut Table<'_>, key: &'static str) -> Result<Option<f64>, SessionError> {
    let (least, most) = LOUDSPEAKER_OHM;
    match positive(table, key, Dimension::Resistance)? {
        Some(ohm) if !(least..=most).contains(&ohm) => Err(table.error_at(
            key,
            format!("{} ohm is outside what is allowed, {least} ohm to {most} ohm", printed::written(ohm)),
        )),
        other => Ok(other),
    }
}

/// A quantity from 0 to what is allowed.
fn at_most(
    table: &mut Table<'_>,
    key: &'static str,
    dimension: Dimension,
    (most, unit): (f64, &str),
) -> Result<Option<f64>, SessionError> {
    match not_negative(table, key, dimension)? {
        Some(value) if value > most => Err(table.error_at(
            key,
            format!(
                "{} {unit} is outside what is allowed, 0 {unit} to {most} {unit}",
                printed::written(value)
            ),
        )),
        other => Ok(other),
    }
}

/// The text of a file that a key names, and the name to complain about.
fn file(
    table: &mut Table<'_>,
    key: &'static str,
    folder: &Path,
) -> Result<Option<(String, String)>, SessionError> {
    let Some(written) = table.text(key)? else { return Ok(None) };
    let path = folder.join(&written);
    let failed = |error: &dyn std::fmt::Display| {
        table.error_at(key, format!("\"{written}\" cannot be read as {}: {error}", path.display()))
    };
    let bytes =
        files::read(&path, files::LARGEST_TABLE_BYTES).map_err(|error| failed(&files::reason(&error)))?;
    table.reads(&written, &path, Some(&bytes));
    Ok(Some((table::decode(&bytes), written)))
}

/// What a table says nothing about, and what was left out of it.
fn told(notes: &mut Vec<String>, name: &str, (low, high): (f64, f64), values: &Measured) {
    if low > 20.0 || high < 20_000.0 {
        let outside = match values.poles() {
            Some(poles) => format!("outside, the circuit of {poles} poles that its values fit goes on"),
            None => "outside, its end values are held".to_owned(),
        };
        notes.push(format!(
            "{name} covers {low} Hz to {high} Hz; {outside}, and what is computed there is a guess"
        ));
    }
    told_left_out(notes, name, values);
}

/// What was left out of a table's values.
fn told_left_out(notes: &mut Vec<String>, name: &str, values: &Measured) {
    let left = values.left_out();
    if left.rms < WORTHY_LEFT_OUT && left.largest < LARGE_LEFT_OUT {
        return;
    }
    let how = match values.poles() {
        Some(poles) => format!("a circuit of {poles} poles stands for its {} points", values.points()),
        None => format!(
            "no circuit fits its {} points: they are averaged over 1/{:.0} octave",
            values.points(),
            1.0 / WINDOW_OCTAVES
        ),
    };
    notes.push(format!(
        "{name}: {how}, and {} of them (root mean square; {} at {}) is left out as noise and counted in the uncertainty",
        printed::fine_percent(100.0 * left.rms),
        printed::percent(left.largest),
        printed::hertz(left.at_hz)
    ));
}

/// [`told`], and what was put in order in an impedance table.
fn told_of_impedance(notes: &mut Vec<String>, name: &str, table: &ImpedanceTable) {
    notes.extend(table.notes().iter().map(|note| format!("{name}: {note}")));
    told(notes, name, table.range_hz(), table.values());
}

/// [`told_of_impedance`] of a loudspeaker.
///
/// # Errors
/// Values that no loudspeaker has: a magnitude far outside, or a phase far beyond a quarter turn.
fn told_of_loudspeaker(notes: &mut Vec<String>, name: &str, table: &ImpedanceTable) -> Result<(), String> {
    let ((least, most), (smallest, largest)) = (LOUDSPEAKER_OHM, table.magnitudes_ohm());
    if let Some(ohm) = [smallest, largest].into_iter().find(|ohm| !(least..=most).contains(ohm)) {
        return Err(format!(
            "{name}: an impedance of {} ohm stands in it, and a loudspeaker has from {least} ohm to {most} ohm; check the unit \
             of the column, or remove the row",
            printed::written(ohm)
        ));
    }
    if let Some((frequency, degrees)) = table.active() {
        let what = format!(
            "{name}: the phase is {} at {}, beyond a quarter turn, as if the loudspeaker gave power away: look for a reversed probe \
             or a wrong reference, and measure again",
            printed::fixed(degrees, 1, "degrees"),
            printed::hertz(frequency)
        );
        if degrees.abs() > 90.0 + BEYOND_PASSIVE_DEGREES {
            return Err(what);
        }
        notes.push(what);
    }
    told_of_impedance(notes, name, table);
    Ok(())
}

fn held(notes: &mut Vec<String>, name: &str, (low, high): (f64, f64)) {
    if low > 20.0 || high < 20_000.0 {
        notes.push(format!(
            "{name} covers {low} Hz to {high} Hz; outside, its end values are held, and what is computed there is a guess"
        ));
    }
}
