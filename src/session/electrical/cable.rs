//! `[cables.NAME]`: constructions, measured cables, and cables made of cables.

use std::path::Path;

use super::conductor::{COPPER, material, wire};
use super::tolerance;
use super::{file, held, not_negative, one_of, positive, told, told_left_out};
use crate::circuit::Cable;
use crate::circuit::braid::{Braid, BraidPolarity};
use crate::circuit::cable::{BiWiredVoltage, TwoPortTable};
use crate::circuit::coaxial::{Coaxial, Shield};
use crate::circuit::crosssection::{CrossSection, RoundConductor};
use crate::circuit::delay::SAFE_STEP_DEGREES;
use crate::circuit::flat::{Arrangement, FlatPair};
use crate::circuit::insulation::{self, Insulation};
use crate::circuit::layout;
use crate::circuit::line::{DataSheet, Line, LineParameters, PerMetre};
use crate::circuit::pair::ParallelPair;
use crate::circuit::table::{LcrTable, ResponseTable};
use crate::circuit::touchstone::{self, PortData};
use crate::session::reader::{SessionError, Table};
use crate::units::Dimension;
use crate::units::printed;

/// One `[cables.NAME]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn cable(table: &mut Table<'_>, folder: &Path, notes: &mut Vec<String>) -> Result<Cable, SessionError> {
    let kinds = ["construction", "lcr_table", "response", "touchstone", "sections", "parallel", "low"];
    one_of(table, &kinds, "construction = \"parallel-pair\"")?;
    let count = table.whole("count", 1, 1000)?.unwrap_or(1) as usize;
    let cable = if table.has("construction") {
        constructed(table, notes)?
    } else if let Some((text, name)) = file(table, "lcr_table", folder)? {
        measured(table, folder, (&text, &name), notes)?
    } else if let Some((text, name)) = file(table, "response", folder)? {
        let response = ResponseTable::parse(&text, &name)
            .map_err(|error| table.error_at("response", error.to_string()))?;
        Cable::Response(with_its_excess(table, response, &name, notes)?)
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
        found_in_two_port(table, &two_port, &name, notes)?;
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
        let voltages = [
            ("power-mean", BiWiredVoltage::PowerMean),
            ("low", BiWiredVoltage::Low),
            ("high", BiWiredVoltage::High),
            ("in-phase-sum", BiWiredVoltage::InPhaseSum),
        ];
        let heard = table.choice("bi_wired_voltage", &voltages)?.unwrap_or(BiWiredVoltage::PowerMean);
        let words = match heard {
            BiWiredVoltage::PowerMean => {
                "the mean of both, weighted by the power that the crossover passes on at each frequency"
            }
            BiWiredVoltage::Low => "the one at the low-frequency terminals",
            BiWiredVoltage::High => "the one at the high-frequency terminals",
            BiWiredVoltage::InPhaseSum => "what the drivers' voltages add up to in phase",
        };
        notes.push(format!(
            "[{}]: a bi-wired loudspeaker has two voltages and a stimulus has one: it is {words}; bi_wired_voltage = \
             \"power-mean\", \"low\", \"high\" or \"in-phase-sum\" chooses",
            table.name()
        ));
        Cable::BiWired { low, high, heard }
    } else {
        let key = if table.has("sections") { "sections" } else { "parallel" };
        let mut parts = Vec::new();
        for mut inner in table.tables(key)? {
            let part = cable(&mut inner, folder, notes)?;
            if part.is_no_two_port() {
                return Err(inner.error("a measured response or a bi-wired pair cannot be a part of a cable"));
            }
            parts.push(part);
            inner.finish()?;
        }
        if parts.is_empty() {
            return Err(table.error_at(key, "the list is empty; give at least one cable"));
        }
        if key == "sections" {
            Cable::Series(parts)
        } else {
            uncoupled(table, notes);
            Cable::Parallel(parts)
        }
    };
    if count == 1 {
        return tolerance::of(table, folder, cable);
    }
    if matches!(cable, Cable::Response(_) | Cable::BiWired { .. }) {
        return Err(table.error_at("count", "only cables of known parameters can be laid side by side"));
    }
    uncoupled(table, notes);
    tolerance::of(table, folder, Cable::Parallel(vec![cable; count]))
}

/// Most that a two-port may differ from its reverse, or give more than it takes, before it is refused; and before it is said.
const NOT_A_CABLE: f64 = 0.2;
const WORTHY_OF_A_NOTE: f64 = 0.02;
/// A file that begins above this, in Hz, has no point in the audio band.
const AUDIO_BAND_HZ: f64 = 20_000.0;

/// Refuses a file that is no cable's, and says what is wrong or guessed in another.
fn found_in_two_port(
    table: &Table<'_>,
    two_port: &TwoPortTable,
    name: &str,
    notes: &mut Vec<String>,
) -> Result<(), SessionError> {
    let (found, (low, high)) = (two_port.findings(), two_port.range_hz());
    let refused = |message: String| Err(table.error_at("touchstone", format!("{name}: {message}")));
    if found.reversed {
        return refused(
            "the polarity is reversed at its lowest frequency; swap the wires at one port and measure again"
                .into(),
        );
    }
    if found.not_reciprocal > NOT_A_CABLE {
        return refused(format!(
            "S12 and S21 differ by {}, and a cable is the same both ways; calibrate and measure again",
            printed::percent(found.not_reciprocal)
        ));
    }
    if found.active > NOT_A_CABLE {
        return refused(format!(
            "{} more power comes out than goes in, and a cable gives none; calibrate and measure again",
            printed::percent(found.active)
        ));
    }
    if found.not_reciprocal > WORTHY_OF_A_NOTE {
        notes.push(format!(
            "{name}: S12 and S21 differ by {}; a cable is the same both ways",
            printed::percent(found.not_reciprocal)
        ));
    }
    if found.active > WORTHY_OF_A_NOTE {
        notes.push(format!(
            "{name}: {} more power comes out than goes in; a cable gives none",
            printed::percent(found.active)
        ));
    }
    if let Some(farad) = found.negative_capacitance_f {
        notes.push(format!(
            "{name}: the capacitance at {low} Hz reads {}, below 0: an error of calibration or of the fixture, and the \
             cable's is not known from this file",
            printed::fixed(1e12 * farad, 3, "pF")
        ));
    }
    match two_port.continuation_left() {
        Some(left) => notes.push(format!(
            "{name} begins at {low} Hz; below, R, L, C and G go on as those of a round wire with skin effect, which fits what is \
             above within {}",
            printed::percent(left))),
        None if low > AUDIO_BAND_HZ => {
            return refused(format!(
                "it begins at {low} Hz, without a point in the audio band, and no round wire explains its values well enough to go \
                 on downwards; measure R, L and C with a meter (lcr_table), or from 20 Hz on"
            ));
        }
        None => {}
    }
    if let Some(series) = two_port.series() {
        told_left_out(notes, name, series);
    }
    if two_port.continuation_left().is_none() || high < AUDIO_BAND_HZ {
        held(notes, name, (low, high));
    }
    Ok(())
}

/// Delay and polarity of a measured response as the session wants them, and what to say about them.
fn with_its_excess(
    table: &mut Table<'_>,
    mut response: ResponseTable,
    name: &str,
    notes: &mut Vec<String>,
) -> Result<ResponseTable, SessionError> {
    notes.extend(response.notes().iter().map(|note| format!("{name}: {note}")));
    told(notes, name, response.range_hz(), response.values());
    for (largest, what) in response.distortion().largest().into_iter().zip(["THD", "THD+N"]) {
        if let Some((percent, frequency)) = largest {
            notes.push(format!(
                "{name}: {what} of at most {percent}, at {frequency}, is kept for the report; no filter plays it",
                percent = printed::fine_percent(percent),
                frequency = printed::hertz(frequency)
            ));
        }
    }
    let excess = response.excess();
    response.delay_kept = table.choice("delay", &[("removed", false), ("kept", true)])?.unwrap_or(false);
    if excess.delay_s != 0.0 {
        let size = format!(
            "{} of {} (give or take {})",
            if excess.delay_s > 0.0 { "a delay" } else { "an advance" },
            printed::fixed(1e3 * excess.delay_s.abs(), 3, "ms"),
            printed::fixed((2e6 * excess.error_s).max(0.1), 1, "µs")
        );
        notes.push(if response.delay_kept {
            format!("{name}: {size} is kept, as the session asks: the sound jumps by it at every switch")
        } else {
            format!(
                "{name}: {size} that its gain does not explain was removed, as latency of the measurement; delay = \"kept\" \
                 keeps it"
            )
        });
    }
    if excess.largest_step_degrees > SAFE_STEP_DEGREES {
        notes.push(format!(
            "{name}: its phase steps by {} to {}, so a turn may be missing there: measure more points",
            printed::fixed(excess.largest_step_degrees, 0, "degrees"),
            printed::hertz(excess.step_at_hz)
        ));
    }
    match (excess.inverted, table.choice("polarity", &[("inverted", true), ("corrected", false)])?) {
        (true, None) => {
            return Err(table.error_at(
                "response",
                format!(
                    "{name}: the polarity is reversed, as if + and - were swapped at one end or at the probe; measure again, or \
                     write polarity = \"corrected\" to turn it round, or polarity = \"inverted\" to play it so"
                ),
            ));
        }
        (false, Some(_)) => {
            return Err(table.error_at("polarity", format!("{name} is not reversed; remove the key")));
        }
        (true, Some(kept)) => {
            response.polarity_kept = kept;
            notes.push(if kept {
                format!("{name}: its reversed polarity is kept, as the session asks")
            } else {
                format!("{name}: its reversed polarity was turned round, as the session asks")
            });
        }
        (false, None) => {}
    }
    Ok(response)
}

/// What side by side leaves out.
fn uncoupled(table: &Table<'_>, notes: &mut Vec<String>) {
    notes.push(format!(
        "[{}]: cables side by side are computed as if far apart; close together they change each other's inductance and \
         capacitance. Give them as one construction = \"cross-section\" where that matters",
        table.name()
    ));
}

#[derive(Clone, Copy)]
enum Construction {
    Pair,
    Coaxial,
    CrossSection,
    Ring,
    Braid,
    TwistedPairs,
    FlatPair,
    DataSheet,
    Line,
    Lumped,
    Direct,
}

fn constructed(table: &mut Table<'_>, notes: &mut Vec<String>) -> Result<Cable, SessionError> {
    let choices = [
        ("parallel-pair", Construction::Pair),
        ("coaxial", Construction::Coaxial),
        ("cross-section", Construction::CrossSection),
        ("ring", Construction::Ring),
        ("braid", Construction::Braid),
        ("twisted-pairs", Construction::TwistedPairs),
        ("flat-pair", Construction::FlatPair),
        ("data-sheet", Construction::DataSheet),
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
        return line(table, length_m, LineParameters::Constant { per_metre, loss_tangent });
    }
    if let Construction::DataSheet = construction {
        let sheet = data_sheet(table, loss_tangent)?;
        return line(table, length_m, LineParameters::DataSheet(sheet));
    }
    let pair_like = matches!(construction, Construction::Pair | Construction::TwistedPairs);
    if pair_like && (table.has("insulation") || table.has("insulation_thickness")) {
        let (pair, loss_tangent) = insulated_pair(table)?;
        let parameters = if let Construction::TwistedPairs = construction {
            let (pairs, lay) = twist(table)?;
            layout::twisted_pairs(pair, pairs, lay, loss_tangent)
        } else {
            LineParameters::Pair { pair, loss_tangent }
        };
        return line(table, length_m, parameters);
    }
    let permittivity = table.number_within("permittivity", 1.0, 100.0)?.unwrap_or(1.0);
    let parameters = match construction {
        Construction::Coaxial => {
            let coaxial = coaxial(table, permittivity)?;
            coaxial.check().map_err(|error| table.error(error.to_string()))?;
            LineParameters::Coaxial { coaxial, loss_tangent }
        }
        Construction::CrossSection => {
            LineParameters::CrossSection { section: cross_section(table, permittivity)?, loss_tangent }
        }
        Construction::Ring => {
            let mut section = ring(table, permittivity)?;
            section.transposed = table.flag("transposed")?.unwrap_or(true);
            LineParameters::CrossSection { section, loss_tangent }
        }
        Construction::Braid => {
            LineParameters::Braid { braid: braid(table, permittivity, notes)?, loss_tangent }
        }
        Construction::TwistedPairs => {
            let (pairs, lay) = twist(table)?;
            layout::twisted_pairs(pair(table, permittivity)?, pairs, lay, loss_tangent)
        }
        Construction::FlatPair => {
            LineParameters::Flat { flat: flat_pair(table, permittivity)?, loss_tangent }
        }
        _ => LineParameters::Pair { pair: pair(table, permittivity)?, loss_tangent },
    };
    line(table, length_m, parameters)
}

/// A line, if something arrives at its end: a long one is tried up to the highest frequency that a clip can hold.
fn line(table: &Table<'_>, length_m: f64, parameters: LineParameters) -> Result<Cable, SessionError> {
    let line = Line { length_m, parameters };
    if length_m > 1e3 {
        line.solve(&[20.0, 20e3, 96e3]).map_err(|error| table.error_at("length", error.to_string()))?;
    }
    Ok(Cable::Line(line))
}

fn pair(table: &mut Table<'_>, permittivity: f64) -> Result<ParallelPair, SessionError> {
    let spacing_m = positive(table, "spacing", Dimension::Length)?
        .ok_or_else(|| table.missing("spacing", "\"3.2 mm\""))?;
    let pair = ParallelPair { wire: wire(table, COPPER)?, spacing_m, permittivity };
    pair.check().map_err(|error| table.error_at("spacing", error.to_string()))?;
    Ok(pair)
}

fn twist(table: &mut Table<'_>) -> Result<(usize, Option<f64>), SessionError> {
    let pairs = table.whole("pairs", 1, 1000)?.ok_or_else(|| table.missing("pairs", "4"))?;
    Ok((pairs as usize, positive(table, "lay_length", Dimension::Length)?))
}

/// A pair whose effective permittivity and loss are computed from what its wires are coated with.
fn insulated_pair(table: &mut Table<'_>) -> Result<(ParallelPair, f64), SessionError> {
    if table.has("permittivity") || table.has("loss_tangent") {
        return Err(table.error(
            "permittivity and loss_tangent are effective ones, and insulation with insulation_thickness is what they are \
             computed from; keep one of the two",
        ));
    }
    let known = [
        ("pvc", Insulation::PVC),
        ("polyethylene", Insulation::POLYETHYLENE),
        ("foam-polyethylene", Insulation::FOAM_POLYETHYLENE),
        ("polypropylene", Insulation::POLYPROPYLENE),
        ("ptfe", Insulation::PTFE),
        ("rubber", Insulation::RUBBER),
    ];
    let named = table.choice("insulation", &known)?.ok_or_else(|| table.missing("insulation", "\"pvc\""))?;
    let coating = Insulation {
        permittivity: table
            .number_within("insulation_permittivity", 1.0, 100.0)?
            .unwrap_or(named.permittivity),
        loss_tangent: table.number_within("insulation_loss_tangent", 0.0, 1.0)?.unwrap_or(named.loss_tangent),
    };
    let thickness = positive(table, "insulation_thickness", Dimension::Length)?
        .ok_or_else(|| table.missing("insulation_thickness", "\"0.8 mm\""))?;
    let bare = pair(table, 1.0)?;
    let effective = insulation::of_pair(&bare, thickness, coating)
        .map_err(|error| table.error_at("insulation_thickness", error.to_string()))?;
    Ok((ParallelPair { permittivity: effective.permittivity, ..bare }, effective.loss_tangent))
}

fn data_sheet(table: &mut Table<'_>, loss_tangent: f64) -> Result<DataSheet, SessionError> {
    let mut wire = wire(table, COPPER)?;
    if let Some(ohm_per_m) = positive(table, "resistance", Dimension::ResistancePerLength)? {
        // There and back.
        wire = wire.with_resistance(ohm_per_m / 2.0);
    }
    let sheet = DataSheet {
        wire,
        inductance: positive(table, "inductance", Dimension::InductancePerLength)?
            .ok_or_else(|| table.missing("inductance", "\"0.2 uH/ft\""))?,
        inductance_at_hz: positive(table, "inductance_at", Dimension::Frequency)?.unwrap_or(1000.0),
        capacitance: not_negative(table, "capacitance", Dimension::CapacitancePerLength)?
            .ok_or_else(|| table.missing("capacitance", "\"24 pF/ft\""))?,
        loss_tangent,
    };
    sheet.check().map_err(|error| table.error_at("inductance", error.to_string()))?;
    Ok(sheet)
}

fn flat_pair(table: &mut Table<'_>, permittivity: f64) -> Result<FlatPair, SessionError> {
    let needed = |table: &mut Table<'_>, key, example| {
        positive(table, key, Dimension::Length)?.ok_or_else(|| table.missing(key, example))
    };
    let width_m = needed(table, "width", "\"10 mm\"")?;
    let thickness_m = needed(table, "thickness", "\"0.3 mm\"")?;
    let spacing_m = needed(table, "spacing", "\"0.5 mm\"")?;
    let kinds = [("stacked", Arrangement::Stacked), ("side-by-side", Arrangement::SideBySide)];
    let arrangement = table.choice("arrangement", &kinds)?.unwrap_or(Arrangement::Stacked);
    let (metal, celsius) = material(table, COPPER)?;
    let resistivity_ohm_m = metal.resistivity_at(celsius);
    let flat = FlatPair { width_m, thickness_m, spacing_m, arrangement, resistivity_ohm_m, permittivity };
    flat.check().map_err(|error| table.error_at("spacing", error.to_string()))?;
    Ok(flat)
}

/// Insulation of a braid's strands as a share of the conductor's diameter, if nobody says more (common practice, no source).
const STRAND_INSULATION: f64 = 0.25;

fn braid(table: &mut Table<'_>, permittivity: f64, notes: &mut Vec<String>) -> Result<Braid, SessionError> {
    let wire = wire(table, COPPER)?;
    let strands =
        table.whole("conductors", 2, 128)?.ok_or_else(|| table.missing("conductors", "8"))? as usize;
    let circle_diameter_m = positive(table, "circle_diameter", Dimension::Length)?
        .ok_or_else(|| table.missing("circle_diameter", "\"8 mm\""))?;
    let kinds = [("by-direction", BraidPolarity::ByDirection), ("mixed", BraidPolarity::Mixed)];
    let polarity = table.choice("polarity", &kinds)?.unwrap_or(BraidPolarity::ByDirection);
    let bare = 2.0 * wire.radius_m;
    let thickness = positive(table, "insulation_thickness", Dimension::Length)?.unwrap_or_else(|| {
        notes.push(format!(
            "[{}]: no insulation_thickness is given; the strands cross as if their insulation were {:.2} mm thick, and capacitance and inductance depend on that",
            table.name(),
            STRAND_INSULATION * bare * 1e3
        ));
        STRAND_INSULATION * bare
    });
    let braid = Braid {
        wire,
        strands,
        circle_diameter_m,
        lay_length_m: positive(table, "lay_length", Dimension::Length)?,
        strand_diameter_m: bare + 2.0 * thickness,
        polarity,
        permittivity,
    };
    braid.check().map_err(|error| table.error_at("circle_diameter", error.to_string()))?;
    Ok(braid)
}

fn cross_section(table: &mut Table<'_>, permittivity: f64) -> Result<CrossSection, SessionError> {
    let transposed = table.flag("transposed")?.unwrap_or(false);
    let usual = material(table, COPPER)?;
    let mut conductors = Vec::new();
    for mut inner in table.tables("conductors")? {
        let positive = inner
            .choice("polarity", &[("+", true), ("-", false)])?
            .ok_or_else(|| inner.missing("polarity", "\"+\""))?;
        let x_m = inner.quantity("x", Dimension::Length)?.ok_or_else(|| inner.missing("x", "\"1.7 mm\""))?;
        let y_m = inner.quantity("y", Dimension::Length)?.ok_or_else(|| inner.missing("y", "\"0 mm\""))?;
        conductors.push(RoundConductor { wire: wire(&mut inner, usual)?, x_m, y_m, positive });
        inner.finish()?;
    }
    let section = CrossSection { conductors, permittivity, transposed };
    section.check().map_err(|error| table.error_at("conductors", error.to_string()))?;
    Ok(section)
}

fn ring(table: &mut Table<'_>, permittivity: f64) -> Result<CrossSection, SessionError> {
    let wire = wire(table, COPPER)?;
    let count = table.whole("conductors", 2, 128)?.ok_or_else(|| table.missing("conductors", "8"))?;
    if count % 2 == 1 {
        return Err(table.error_at("conductors", format!("{count} is odd; half of them are + and half -")));
    }
    let circle = positive(table, "circle_diameter", Dimension::Length)?
        .ok_or_else(|| table.missing("circle_diameter", "\"8 mm\""))?;
    let section = CrossSection::ring(wire, count as usize, circle, permittivity);
    section.check().map_err(|error| table.error_at("circle_diameter", error.to_string()))?;
    Ok(section)
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
    let inner = wire(table, COPPER)?;
    let shield_inner_diameter_m = positive(table, "shield_inner_diameter", Dimension::Length)?
        .ok_or_else(|| table.missing("shield_inner_diameter", "\"2.95 mm\""))?;
    let thickness = positive(table, "shield_thickness", Dimension::Length)?;
    let resistance = not_negative(table, "shield_resistance", Dimension::ResistancePerLength)?;
    let shield = match (thickness, resistance) {
        (Some(thickness_m), None) => {
            let (material, celsius) = material(table, COPPER)?;
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
    folder: &Path,
    (text, name): (&str, &str),
    notes: &mut Vec<String>,
) -> Result<Cable, SessionError> {
    let sample = positive(table, "sample_length", Dimension::Length)?
        .ok_or_else(|| table.missing("sample_length", "\"10 ft\""))?;
    let length_m = not_negative(table, "length", Dimension::Length)?.unwrap_or(sample);
    let lcr = match file(table, "open_table", folder)? {
        Some((open, open_name)) => LcrTable::parse_two((text, name), (&open, &open_name), sample),
        None => LcrTable::parse(text, name, sample),
    }
    .map_err(|error| table.error_at("lcr_table", error.to_string()))?;
    notes.extend(lcr.notes().iter().map(|note| format!("{name}: {note}")));
    held(notes, name, lcr.range_hz());
    if lcr.electrical_length() > 0.01 {
        notes.push(format!(
            "{name}: at {} Hz the sample is no longer electrically short, so the meter's reading is off by about {}; \
             measure a shorter sample",
            lcr.range_hz().1,
            printed::percent(lcr.electrical_length() / 3.0)));
    }
    line(table, length_m, LineParameters::Measured(lcr))
}
