//! The electrical tables of a session: `[amplifier]`, `[loudspeaker]`, `[cables.*]`.
//!
//! Comes in: a table of the session file and the folder that its paths are relative to. Goes out: [`Amplifier`],
//! [`Loudspeaker`], [`Cable`] in SI units, checked. Quantities carry their unit.
//!
//! | table | key | meaning |
//! | --- | --- | --- |
//! | amplifier | `output_resistance`, `output_inductance` | what is behind its terminals; 0 if absent |
//! | | `impedance_table` | the same, measured, instead of the two |
//! | | `lowest_load` | lowest load impedance that its maker allows, for a caution |
//! | loudspeaker | `resistance` | a resistor, or |
//! | | `impedance_table`, `touchstone` | a measured impedance (CSV, or a one-port `.s1p`), or |
//! | | `[loudspeaker.driver]` | one driver, or |
//! | | `[[loudspeaker.network]]` | branches of a crossover, from the terminals inwards |
//! | | `rated_impedance` | what its maker says, for cautions |
//! | driver | `dc_resistance`, `resonance`, `q_mechanical`, `q_electrical` | Re, fs, Qms, Qes |
//! | | `voice_coil_inductance` | Le, or |
//! | | `coil_coefficient`, `coil_exponent` | a lossy voice coil, K (jw)^n, or |
//! | | `coil_resistance_coefficient`, `coil_resistance_exponent`, `coil_reactance_coefficient`, `coil_reactance_exponent` | Kr w^xr + j Ki w^xi |
//! | network | `way` | which way the branch belongs to; absent: the only one |
//! | | `place` | `series` or `shunt` |
//! | | `resistance`, `inductance`, `capacitance`, `[loudspeaker.network.driver]` | the branch's parts |
//! | | `joined` | `series` (default) or `parallel` |
//! | | `terminals` | `low` or `high`, on loudspeakers with two pairs; said once per way |
//! | cable | `construction` | `parallel-pair`, `coaxial`, `cross-section`, `ring`, `line`, `lumped`, `direct` |
//! | | `lcr_table`, `sample_length` | an LCR meter's table, instead |
//! | | `response` | a measured transfer function, load included, instead |
//! | | `touchstone` | a measured two-port (`.s2p`), instead |
//! | | `[[cables.NAME.sections]]` | cables one after another from the amplifier on, instead |
//! | | `[[cables.NAME.parallel]]` | cables side by side, instead |
//! | | `[cables.NAME.low]`, `[cables.NAME.high]` | bi-wiring, instead |
//! | | `count` | so many equal ones side by side; 1 if absent |
//! | | `length` | length from end to end; with `lcr_table` the sample's if absent |
//! | | `permittivity`, `loss_tangent` | effective, of the insulation; 1 and 0 if absent |
//! | parallel-pair | `spacing` | centre to centre |
//! | coaxial | `shield_inner_diameter`, and `shield_thickness` or `shield_resistance` (per length) | the outer conductor |
//! | cross-section | `[[cables.NAME.conductors]]` with `polarity`, `x`, `y` | one per conductor |
//! | | `transposed` | true: equal currents; false: equal voltages |
//! | ring | `conductors`, `circle_diameter` | an even number with alternating polarity on a circle: braids, star quads |
//! | line | `resistance`, `inductance`, `capacitance`, `conductance` | per length |
//! | lumped | `resistance`, `inductance`, `capacitance`, `conductance` | totals; half the shunt at each end |
//! | conductor | `conductor` | diameter, area or gauge |
//! | | `material` | `copper` (default), `silver`, `aluminium`, `copper-clad-aluminium` |
//! | | `resistivity`, `temperature_coefficient` | at 20 C and per kelvin, instead of a material |
//! | | `temperature` | 20 C if absent |
//! | | `strands`, `outer_diameter` | so many bare strands in a bunch, and its diameter (three quarters metal if absent) |
//! | | `iec_60228`, `tinned` | `class-1`, `class-2`, `class-5`, `class-6`: the largest allowed resistance instead of the area's |

use std::path::Path;

use super::reader::{SessionError, Table};
use crate::circuit::amplifier::OutputImpedance;
use crate::circuit::cable::TwoPortTable;
use crate::circuit::coaxial::{Coaxial, Shield};
use crate::circuit::conductor::{BUNCH_FILL, ConductorClass, Material, Wire, iec_60228_resistance};
use crate::circuit::crosssection::{CrossSection, RoundConductor};
use crate::circuit::line::{Line, LineParameters, PerMetre};
use crate::circuit::loudspeaker::{Driver, Load, VoiceCoil};
use crate::circuit::network::{Branch, Joined, Network, Place, Terminals, Way};
use crate::circuit::pair::ParallelPair;
use crate::circuit::table::{ImpedanceTable, LcrTable, ResponseTable};
use crate::circuit::touchstone::{self, PortData};
use crate::circuit::{Amplifier, Cable, Loudspeaker};
use crate::units::Dimension;

/// Largest measured table that is read.
const LARGEST_TABLE_BYTES: u64 = 64 * 1024 * 1024;

/// `[amplifier]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn amplifier(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Amplifier, SessionError> {
    let lowest_load_ohm = positive(table, "lowest_load", Dimension::Resistance)?;
    let resistance = not_negative(table, "output_resistance", Dimension::Resistance)?;
    let inductance = not_negative(table, "output_inductance", Dimension::Inductance)?;
    let output = match file(table, "impedance_table", folder)? {
        Some((text, name)) => {
            if resistance.is_some() || inductance.is_some() {
                return Err(table.error_at(
                    "impedance_table",
                    "a table stands beside output_resistance or output_inductance; keep one of them",
                ));
            }
            let measured = ImpedanceTable::parse(&text, &name)
                .map_err(|error| table.error_at("impedance_table", error.to_string()))?;
            held(notes, &name, measured.range_hz());
            OutputImpedance::Table(measured)
        }
        None => OutputImpedance::Lumped {
            resistance_ohm: resistance.unwrap_or(0.0),
            inductance_h: inductance.unwrap_or(0.0),
        },
    };
    Ok(Amplifier { output, lowest_load_ohm })
}

/// `[loudspeaker]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn loudspeaker(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Loudspeaker, SessionError> {
    let rated_impedance_ohm = positive(table, "rated_impedance", Dimension::Resistance)?;
    let kinds = ["resistance", "impedance_table", "touchstone", "driver", "network"];
    one_of(table, &kinds, "resistance = \"8 ohm\"")?;
    let load = if let Some(ohm) = positive(table, "resistance", Dimension::Resistance)? {
        Load::Resistor(ohm)
    } else if let Some((text, name)) = file(table, "impedance_table", folder)? {
        let measured = ImpedanceTable::parse(&text, &name)
            .map_err(|error| table.error_at("impedance_table", error.to_string()))?;
        held(notes, &name, measured.range_hz());
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
        held(notes, &name, measured.range_hz());
        Load::Table(measured)
    } else if let Some(mut inner) = table.table("driver")? {
        let driver = driver(&mut inner)?;
        inner.finish()?;
        Load::Driver(driver)
    } else {
        Load::Network(network(table)?)
    };
    Ok(Loudspeaker { load, rated_impedance_ohm })
}

fn driver(table: &mut Table<'_>) -> Result<Driver, SessionError> {
    let needed = |table: &mut Table<'_>, key, dimension, example: &str| {
        positive(table, key, dimension)?.ok_or_else(|| table.missing(key, example))
    };
    let dc_resistance_ohm = needed(table, "dc_resistance", Dimension::Resistance, "\"6.2 ohm\"")?;
    let resonance_hz = needed(table, "resonance", Dimension::Frequency, "\"40 Hz\"")?;
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

/// One `[cables.NAME]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn cable(table: &mut Table<'_>, folder: &Path, notes: &mut Vec<String>) -> Result<Cable, SessionError> {
    let kinds = ["construction", "lcr_table", "response", "touchstone", "sections", "parallel", "low"];
    one_of(table, &kinds, "construction = \"parallel-pair\"")?;
    let count = table.whole("count", 1, 1000)?.unwrap_or(1) as usize;
    let cable = if table.has("construction") {
        constructed(table)?
    } else if let Some((text, name)) = file(table, "lcr_table", folder)? {
        measured(table, &text, &name, notes)?
    } else if let Some((text, name)) = file(table, "response", folder)? {
        let response = ResponseTable::parse(&text, &name)
            .map_err(|error| table.error_at("response", error.to_string()))?;
        held(notes, &name, response.range_hz());
        Cable::Response(response)
    } else if let Some((text, name)) = file(table, "touchstone", folder)? {
        let read = touchstone::parse(&text, &name, 2)
            .map_err(|error| table.error_at("touchstone", error.to_string()))?;
        let PortData::TwoPort(scattering) = &read.data else {
            return Err(table.error_at("touchstone", "a cable has two ports; give a .s2p file"));
        };
        if scattering
            .iter()
            .any(|values| values.iter().any(|value| !value.is_finite()) || values[2].norm() == 0.0)
        {
            return Err(table.error_at("touchstone", format!("{name}: nothing passes from port 1 to port 2")));
        }
        let two_port = TwoPortTable::new(&read.frequencies_hz, scattering, read.reference_ohm);
        held(notes, &name, two_port.range_hz());
        Cable::TwoPort(two_port)
    } else if table.has("low") {
        let mut half = |key: &'static str| -> Result<Box<Cable>, SessionError> {
            let mut inner = table
                .table(key)?
                .ok_or_else(|| table.missing(key, "{ construction = \"parallel-pair\", ... }"))?;
            let part = cable(&mut inner, folder, notes)?;
            inner.finish()?;
            Ok(Box::new(part))
        };
        let (low, high) = (half("low")?, half("high")?);
        Cable::BiWired { low, high }
    } else {
        let key = if table.has("sections") { "sections" } else { "parallel" };
        let mut parts = Vec::new();
        for mut inner in table.tables(key)? {
            let part = cable(&mut inner, folder, notes)?;
            if matches!(part, Cable::Response(_) | Cable::BiWired { .. }) {
                return Err(inner.error("a measured response or a bi-wired pair cannot be a part of a cable"));
            }
            parts.push(part);
            inner.finish()?;
        }
        if parts.is_empty() {
            return Err(table.error_at(key, "the list is empty; give at least one cable"));
        }
        if key == "sections" { Cable::Series(parts) } else { Cable::Parallel(parts) }
    };
    if count == 1 {
        return Ok(cable);
    }
    if matches!(cable, Cable::Response(_) | Cable::BiWired { .. }) {
        return Err(table.error_at("count", "only cables of known parameters can be laid side by side"));
    }
    Ok(Cable::Parallel(vec![cable; count]))
}

#[derive(Clone, Copy)]
enum Construction {
    Pair,
    Coaxial,
    CrossSection,
    Ring,
    Line,
    Lumped,
    Direct,
}

fn constructed(table: &mut Table<'_>) -> Result<Cable, SessionError> {
    let choices = [
        ("parallel-pair", Construction::Pair),
        ("coaxial", Construction::Coaxial),
        ("cross-section", Construction::CrossSection),
        ("ring", Construction::Ring),
        ("line", Construction::Line),
        ("lumped", Construction::Lumped),
        ("direct", Construction::Direct),
    ];
    let construction = table
        .choice("construction", &choices)?
        .ok_or_else(|| table.missing("construction", "\"parallel-pair\""))?;
    match construction {
        Construction::Direct => return Ok(Cable::Direct),
        Construction::Lumped => return lumped(table),
        _ => {}
    }
    let length_m = not_negative(table, "length", Dimension::Length)?
        .ok_or_else(|| table.missing("length", "\"6 m\""))?;
    let loss_tangent = table.number_within("loss_tangent", 0.0, 10.0)?.unwrap_or(0.0);
    if let Construction::Line = construction {
        let per = |table: &mut Table<'_>, key, dimension| not_negative(table, key, dimension);
        let per_metre = PerMetre {
            resistance: per(table, "resistance", Dimension::ResistancePerLength)?
                .ok_or_else(|| table.missing("resistance", "\"13 mohm/m\""))?,
            inductance: per(table, "inductance", Dimension::InductancePerLength)?.unwrap_or(0.0),
            capacitance: per(table, "capacitance", Dimension::CapacitancePerLength)?.unwrap_or(0.0),
            conductance: per(table, "conductance", Dimension::ConductancePerLength)?.unwrap_or(0.0),
        };
        let parameters = LineParameters::Constant { per_metre, loss_tangent };
        return Ok(Cable::Line(Line { length_m, parameters }));
    }
    let permittivity = table.number_within("permittivity", 1.0, 100.0)?.unwrap_or(1.0);
    let parameters = match construction {
        Construction::Coaxial => {
            let coaxial = coaxial(table, permittivity)?;
            coaxial.check().map_err(|error| table.error(error.to_string()))?;
            LineParameters::Coaxial { coaxial, loss_tangent }
        }
        Construction::CrossSection => {
            let transposed = table.flag("transposed")?.unwrap_or(false);
            let mut conductors = Vec::new();
            for mut inner in table.tables("conductors")? {
                let positive = inner
                    .choice("polarity", &[("+", true), ("-", false)])?
                    .ok_or_else(|| inner.missing("polarity", "\"+\""))?;
                let x_m = inner
                    .quantity("x", Dimension::Length)?
                    .ok_or_else(|| inner.missing("x", "\"1.7 mm\""))?;
                let y_m =
                    inner.quantity("y", Dimension::Length)?.ok_or_else(|| inner.missing("y", "\"0 mm\""))?;
                conductors.push(RoundConductor { wire: wire(&mut inner)?, x_m, y_m, positive });
                inner.finish()?;
            }
            let section = CrossSection { conductors, permittivity, transposed };
            section.check().map_err(|error| table.error(error.to_string()))?;
            LineParameters::CrossSection { section, loss_tangent }
        }
        Construction::Ring => {
            let wire = wire(table)?;
            let count = table.whole("conductors", 2, 256)?.ok_or_else(|| table.missing("conductors", "8"))?;
            if count % 2 == 1 {
                return Err(
                    table.error_at("conductors", format!("{count} is odd; half of them are + and half -"))
                );
            }
            let circle = positive(table, "circle_diameter", Dimension::Length)?
                .ok_or_else(|| table.missing("circle_diameter", "\"8 mm\""))?;
            let mut section = CrossSection::ring(wire, count as usize, circle, permittivity);
            section.transposed = table.flag("transposed")?.unwrap_or(true);
            section.check().map_err(|error| table.error(error.to_string()))?;
            LineParameters::CrossSection { section, loss_tangent }
        }
        _ => {
            let spacing_m = positive(table, "spacing", Dimension::Length)?
                .ok_or_else(|| table.missing("spacing", "\"3.2 mm\""))?;
            let pair = ParallelPair { wire: wire(table)?, spacing_m, permittivity };
            pair.check().map_err(|error| table.error_at("spacing", error.to_string()))?;
            LineParameters::Pair { pair, loss_tangent }
        }
    };
    Ok(Cable::Line(Line { length_m, parameters }))
}

fn lumped(table: &mut Table<'_>) -> Result<Cable, SessionError> {
    Ok(Cable::Lumped(PerMetre {
        resistance: not_negative(table, "resistance", Dimension::Resistance)?
            .ok_or_else(|| table.missing("resistance", "\"80 mohm\""))?,
        inductance: not_negative(table, "inductance", Dimension::Inductance)?.unwrap_or(0.0),
        capacitance: not_negative(table, "capacitance", Dimension::Capacitance)?.unwrap_or(0.0),
        conductance: not_negative(table, "conductance", Dimension::Conductance)?.unwrap_or(0.0),
    }))
}

fn coaxial(table: &mut Table<'_>, permittivity: f64) -> Result<Coaxial, SessionError> {
    let inner = wire(table)?;
    let shield_inner_diameter_m = positive(table, "shield_inner_diameter", Dimension::Length)?
        .ok_or_else(|| table.missing("shield_inner_diameter", "\"2.95 mm\""))?;
    let thickness = positive(table, "shield_thickness", Dimension::Length)?;
    let resistance = not_negative(table, "shield_resistance", Dimension::ResistancePerLength)?;
    let shield = match (thickness, resistance) {
        (Some(thickness_m), None) => {
            let (material, celsius) = material(table)?;
            Shield::tube(thickness_m, material, celsius)
        }
        (None, Some(ohm_per_m)) => Shield::Thin { ohm_per_m },
        _ => {
            return Err(table.error(
                "the shield needs shield_thickness = \"0.2 mm\" (a tube) or shield_resistance = \"10 mohm/m\" (a braid \
                 or foil), one of the two",
            ));
        }
    };
    Ok(Coaxial { inner, shield_inner_diameter_m, shield, permittivity })
}

fn measured(
    table: &mut Table<'_>,
    text: &str,
    name: &str,
    notes: &mut Vec<String>,
) -> Result<Cable, SessionError> {
    let sample = positive(table, "sample_length", Dimension::Length)?
        .ok_or_else(|| table.missing("sample_length", "\"10 ft\""))?;
    let length_m = not_negative(table, "length", Dimension::Length)?.unwrap_or(sample);
    let lcr = LcrTable::parse(text, name, sample)
        .map_err(|error| table.error_at("lcr_table", error.to_string()))?;
    held(notes, name, lcr.range_hz());
    if lcr.electrical_length() > 0.01 {
        notes.push(format!(
            "{name}: at {} Hz the sample is no longer electrically short, so the meter's reading is off by about {:.1} %; \
             measure a shorter sample",
            lcr.range_hz().1,
            100.0 * lcr.electrical_length() / 3.0
        ));
    }
    Ok(Cable::Line(Line { length_m, parameters: LineParameters::Measured(lcr) }))
}

fn material(table: &mut Table<'_>) -> Result<(Material, f64), SessionError> {
    let known = [
        ("copper", Material::COPPER),
        ("silver", Material::SILVER),
        ("aluminium", Material::ALUMINIUM),
        ("copper-clad-aluminium", Material::COPPER_CLAD_ALUMINIUM),
    ];
    let named = table.choice("material", &known)?;
    let resistivity = positive(table, "resistivity", Dimension::Resistivity)?;
    let coefficient = table.number_within("temperature_coefficient", -0.1, 0.1)?;
    let material = match (named, resistivity, coefficient) {
        (Some(_), Some(_), _) => {
            return Err(table.error_at("resistivity", "a material is given too; keep one of them"));
        }
        (named, None, coefficient) => {
            let material = named.unwrap_or(Material::COPPER);
            Material {
                temperature_coefficient: coefficient.unwrap_or(material.temperature_coefficient),
                ..material
            }
        }
        (None, Some(resistivity_ohm_m), coefficient) => {
            Material { resistivity_ohm_m, temperature_coefficient: coefficient.unwrap_or(0.0) }
        }
    };
    let celsius = table.quantity("temperature", Dimension::Temperature)?.unwrap_or(20.0);
    if !(-60.0..=200.0).contains(&celsius) {
        return Err(
            table.error_at("temperature", format!("{celsius} C is outside what is allowed, -60 C to 200 C"))
        );
    }
    Ok((material, celsius))
}

fn wire(table: &mut Table<'_>) -> Result<Wire, SessionError> {
    let diameter = positive(table, "conductor", Dimension::WireSize)?
        .ok_or_else(|| table.missing("conductor", "\"2.5 mm2\""))?;
    let (material, celsius) = material(table)?;
    let strands = table.whole("strands", 1, 100_000)?.unwrap_or(1);
    let outer = positive(table, "outer_diameter", Dimension::Length)?;
    let mut wire = match (strands, outer) {
        (1, None) => Wire::solid(diameter, material, celsius),
        (_, Some(outer)) if outer < diameter => {
            return Err(table.error_at(
                "outer_diameter",
                format!(
                    "{:.4} mm is less than the {:.4} mm of the bare metal, solid; give the diameter over all strands",
                    outer * 1e3,
                    diameter * 1e3
                ),
            ));
        }
        (_, Some(outer)) => Wire::stranded(diameter, (diameter / outer).powi(2), material, celsius),
        (_, None) => Wire::stranded(diameter, BUNCH_FILL, material, celsius),
    };
    let classes = [
        ("class-1", ConductorClass::Fixed),
        ("class-2", ConductorClass::Fixed),
        ("class-5", ConductorClass::Flexible),
        ("class-6", ConductorClass::Flexible),
    ];
    let tinned = table.flag("tinned")?.unwrap_or(false);
    if let Some(class) = table.choice("iec_60228", &classes)? {
        let area = std::f64::consts::FRAC_PI_4 * diameter * diameter * 1e6;
        let resistance = iec_60228_resistance((area * 1e4).round() / 1e4, class, tinned)
            .map_err(|error| table.error_at("conductor", error.to_string()))?;
        wire = wire.with_resistance(resistance * material.temperature_factor(celsius));
    }
    wire.check().map_err(|error| table.error_at("conductor", error.to_string()))?;
    Ok(wire)
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
    let length = std::fs::metadata(&path).map_err(|error| failed(&error))?.len();
    if length > LARGEST_TABLE_BYTES {
        return Err(failed(&format!("it is {length} bytes long, at most {LARGEST_TABLE_BYTES} are read")));
    }
    let bytes = std::fs::read(&path).map_err(|error| failed(&error))?;
    let text = String::from_utf8(bytes).map_err(|_| failed(&"it is not text in UTF-8"))?;
    Ok(Some((text, written)))
}

fn held(notes: &mut Vec<String>, name: &str, (low, high): (f64, f64)) {
    if low > 20.0 || high < 20_000.0 {
        notes.push(format!(
            "{name} covers {low} Hz to {high} Hz; outside, its end values are held, and what is computed there is a guess"
        ));
    }
}
