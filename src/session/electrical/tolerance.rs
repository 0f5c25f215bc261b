//! Keys that say how well a cable is known, and its contacts.

use std::path::Path;

use super::{file, not_negative, positive};
use crate::circuit::Cable;
use crate::circuit::limit::{Limit, Quantity};
use crate::circuit::table::AccuracyTable;
use crate::circuit::tolerance::Toleranced;
use crate::session::reader::{SessionError, Table};
use crate::units::Dimension;
use crate::units::printed::written;

/// Largest share by which a value may be off: beyond, nothing is known of it.
const LARGEST_SHARE: f64 = 0.9;
/// Share of a contact's resistance that it may be off by, if nobody says more (common practice, no source).
const CONTACT_SHARE: f64 = 0.5;

/// A share such as `"0.5 %"`, at least 0 and below all of it.
pub(super) fn share(table: &mut Table<'_>, key: &'static str) -> Result<Option<f64>, SessionError> {
    match not_negative(table, key, Dimension::Ratio)? {
        Some(share) if share > LARGEST_SHARE => Err(table.error_at(
            key,
            format!(
                "{} % is too much to compute with; at most {} % is allowed",
                100.0 * share,
                100.0 * LARGEST_SHARE
            ),
        )),
        other => Ok(other),
    }
}

/// The cable with its contacts and tolerances; the cable itself if the table has none.
pub(super) fn of(table: &mut Table<'_>, folder: &Path, cable: Cable) -> Result<Cable, SessionError> {
    let mut limits = Vec::new();
    let mut add = |quantity, half_width: Option<f64>| {
        limits.extend(half_width.filter(|half| *half > 0.0).map(|half| Limit::new(quantity, half)));
    };
    add(Quantity::Resistance, share(table, "resistance_tolerance")?);
    add(Quantity::Inductance, share(table, "inductance_tolerance")?);
    add(Quantity::Capacitance, share(table, "capacitance_tolerance")?);
    add(Quantity::Length, length(table, &cable)?);
    let contact = not_negative(table, "contact_resistance", Dimension::Resistance)?;
    let contact_share = share(table, "contact_tolerance")?;
    if contact.is_none() && contact_share.is_some() {
        return Err(table.error_at("contact_tolerance", "it needs contact_resistance, which is missing"));
    }
    let contact_ohm = contact.unwrap_or(0.0);
    add(Quantity::Contacts, Some(contact_share.unwrap_or(CONTACT_SHARE)).filter(|_| contact_ohm > 0.0));
    let measured = table.has("lcr_table") || table.has("touchstone");
    let meter = meter(table, folder)?;
    if !measured && !meter.is_empty() {
        return Err(
            table.error_at("lcr_accuracy", "nothing here was read from a meter: there is no lcr_table")
        );
    }
    let gain = positive(table, "gain_tolerance", Dimension::Level)?;
    add(Quantity::Gain, gain);
    limits.extend(meter);
    let is_response = matches!(cable, Cable::Response(_));
    if gain.is_some() && !is_response {
        return Err(table.error_at(
            "gain_tolerance",
            "only a measured response has one; give resistance_tolerance, inductance_tolerance or capacitance_tolerance",
        ));
    }
    let anything = !limits.is_empty() || contact_ohm > 0.0;
    if anything && matches!(cable, Cable::BiWired { .. }) {
        return Err(table.error(
            "contacts and tolerances of a bi-wired pair belong to each of its two cables: write them below low and high",
        ));
    }
    if is_response && (contact_ohm > 0.0 || limits.iter().any(|limit| limit.quantity != Quantity::Gain)) {
        return Err(table.error(
            "a measured response holds cable, contacts and load in one: only gain_tolerance says how well it is known",
        ));
    }
    match &cable {
        Cable::Response(response) => limits.extend(response.scatter()),
        Cable::TwoPort(two_port) => limits.extend(two_port.scatter()),
        _ => {}
    }
    if limits.is_empty() && contact_ohm == 0.0 {
        return Ok(cable);
    }
    Ok(Cable::Toleranced(Box::new(Toleranced::new(cable, contact_ohm, limits))))
}

/// `length_tolerance` as a share of the length.
fn length(table: &mut Table<'_>, cable: &Cable) -> Result<Option<f64>, SessionError> {
    let key = "length_tolerance";
    if !table.has(key) {
        return Ok(None);
    }
    if table.text(key)?.is_some_and(|text| text.contains(['%', 'p'])) {
        return share(table, key);
    }
    let Some(metres) = not_negative(table, key, Dimension::Length)? else { return Ok(None) };
    match cable.length_m() {
        Some(length) if metres <= LARGEST_SHARE * length => {
            Ok(Some(if length > 0.0 { metres / length } else { 0.0 }))
        }
        Some(length) => Err(table.error_at(
            key,
            format!(
                "{} m is too much for a length of {} m; write a smaller one",
                written(metres),
                written(length)
            ),
        )),
        None => Err(table.error_at(key, "this cable has no length that could be off")),
    }
}

/// `lcr_accuracy`: one share for everything that a meter reads, one for each, or a CSV file of them over frequency.
fn meter(table: &mut Table<'_>, folder: &Path) -> Result<Vec<Limit>, SessionError> {
    let key = "lcr_accuracy";
    let kinds = [
        ("resistance", Quantity::MeterResistance),
        ("inductance", Quantity::MeterInductance),
        ("capacitance", Quantity::MeterCapacitance),
    ];
    let limit = |quantity, half: f64| (half > 0.0).then(|| Limit::new(quantity, half));
    if table.is_table(key) {
        let Some(mut inner) = table.table(key)? else { return Ok(Vec::new()) };
        let mut found = Vec::new();
        for (key, quantity) in kinds {
            found.extend(share(&mut inner, key)?.and_then(|half| limit(quantity, half)));
        }
        inner.finish()?;
        return Ok(found);
    }
    if table.text(key)?.is_some_and(|text| text.to_lowercase().ends_with(".csv")) {
        let Some((text, name)) = file(table, key, folder)? else { return Ok(Vec::new()) };
        let read =
            AccuracyTable::parse(&text, &name).map_err(|error| table.error_at(key, error.to_string()))?;
        let pairs = kinds.into_iter().zip(read.shares);
        return Ok(pairs
            .filter_map(|((_, quantity), shares)| Some(Limit::over_frequency(quantity, shares?)))
            .collect());
    }
    let one = share(table, key)?;
    Ok(one.into_iter().flat_map(|half| kinds.map(|(_, quantity)| limit(quantity, half))).flatten().collect())
}
