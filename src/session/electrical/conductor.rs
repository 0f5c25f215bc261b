//! Conductors: material, size, strands, and what a standard allows.

use super::positive;
use crate::circuit::conductor::{BUNCH_FILL, ConductorClass, Material, Wire, iec_60228_resistance};
use crate::session::reader::{SessionError, Table};
use crate::units::Dimension;
use crate::units::printed::written;

/// What a conductor is made of if nobody says more: copper at 20 C.
pub(super) const COPPER: (Material, f64) = (Material::COPPER, 20.0);

/// The metal of a conductor and its temperature in degrees Celsius; `usual` where the table is silent.
pub(super) fn material(
    table: &mut Table<'_>,
    usual: (Material, f64),
) -> Result<(Material, f64), SessionError> {
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
            let material = named.unwrap_or(usual.0);
            Material {
                temperature_coefficient: coefficient.unwrap_or(material.temperature_coefficient),
                ..material
            }
        }
        (None, Some(resistivity_ohm_m), coefficient) => {
            Material { resistivity_ohm_m, temperature_coefficient: coefficient.unwrap_or(0.0) }
        }
    };
    let celsius = table.quantity("temperature", Dimension::Temperature)?.unwrap_or(usual.1);
    if !(-60.0..=200.0).contains(&celsius) {
        return Err(table.error_at(
            "temperature",
            format!("{} C is outside what is allowed, -60 C to 200 C", written(celsius)),
        ));
    }
    Ok((material, celsius))
}

/// A conductor of the `usual` material where the table is silent.
pub(super) fn wire(table: &mut Table<'_>, usual: (Material, f64)) -> Result<Wire, SessionError> {
    let diameter = positive(table, "conductor", Dimension::WireSize)?
        .ok_or_else(|| table.missing("conductor", "\"2.5 mm2\""))?;
    let (material, celsius) = material(table, usual)?;
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
    if table.flag("insulated_strands")?.unwrap_or(false) {
        if strands < 2 {
            return Err(table
                .error_at("insulated_strands", "there is only one strand; say how many with strands = 19"));
        }
        wire = wire.insulated(strands as usize);
    }
    wire.check().map_err(|error| table.error_at("conductor", error.to_string()))?;
    Ok(wire)
}
