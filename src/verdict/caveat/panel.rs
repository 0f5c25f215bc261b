//! Caveats about who belongs to a panel.

use super::{Case, Caveat, Kind, Weight, when};
use crate::units::printed::{count, verb};

pub(super) fn open(case: &Case<'_>) -> Vec<Caveat> {
    let listeners = case.evidence.listeners.iter().filter(|own| own.counted && own.seat.is_none()).count();
    when(case.evidence.panel.is_none() && listeners > 1, || Caveat {
        kind: Kind::OpenPanel,
        weight: Weight::Serious,
        text: format!(
            "Nobody said beforehand how many listeners there would be ({listeners} so far). Who looks after each one and stops \
             when the result pleases finds a difference among guessers far more often than agreed."
        ),
        remedy: "Declare the panel in the session: `[panel]` with `listeners`.",
    })
}

pub(super) fn incomplete(case: &Case<'_>) -> Vec<Caveat> {
    let panel = case.evidence.panel.as_ref().filter(|panel| !panel.is_complete());
    let caveat = panel.map(|panel| Caveat {
        kind: Kind::PanelIncomplete,
        weight: Weight::Decisive,
        text: format!(
            "The panel is not complete: {} of {} have sat.",
            panel.sat,
            count(u64::from(panel.agreed.listeners), "listener")
        ),
        remedy: "Let the others sit; the report judges when the last one has.",
    });
    caveat.into_iter().collect()
}

pub(super) fn beyond(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = case.evidence.panel.as_ref().map_or(0, |panel| panel.beyond as u64);
    when(sittings > 0, || Caveat {
        kind: Kind::BeyondPanel,
        weight: Weight::Minor,
        text: format!(
            "{} came after the agreed panel was full and {} not counted.",
            count(sittings, "sitting"),
            verb(sittings, "is", "are")
        ),
        remedy: "Nothing to do: they are listed.",
    })
}

pub(super) fn left_out(case: &Case<'_>) -> Vec<Caveat> {
    let left_out = case.evidence.panel.as_ref().map_or(&[][..], |panel| &panel.left_out);
    let names: Vec<&str> =
        left_out.iter().map(|&index| case.evidence.listeners[index].name.as_str()).collect();
    when(!names.is_empty(), || Caveat {
        kind: Kind::LeftOut,
        weight: Weight::Minor,
        text: format!(
            "Left out by the agreed rule, for missing the controls: {}. The result of everybody stands beside the verdict.",
            names.join(", ")
        ),
        remedy: "Compare both results.",
    })
}
