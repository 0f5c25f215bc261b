//! Caveats about who belongs to a panel.

use super::{Case, Caveat, Kind, Weight, when};
use crate::units::printed::{count, verb};

pub(super) fn open(case: &Case<'_>) -> Vec<Caveat> {
    let listeners = case.evidence.listeners.iter().filter(|own| own.counted && own.seat.is_none()).count();
    when(case.evidence.panel.is_none() && listeners > 1, || Caveat {
        kind: Kind::OpenPanel,
        weight: Weight::Serious,
        text: format!(
            "Nobody said beforehand how many listeners there would be ({listeners} so far). Looking after each one, and stopping when \
             the result pleases, finds a difference among guessers far more often than agreed."
        ),
        remedy: "Declare the panel in the session: `[panel]` with `listeners`.",
    })
}

pub(super) fn incomplete(case: &Case<'_>) -> Vec<Caveat> {
    // A look that ended every comparison ends the panel.
    let ended = case.comparisons.iter().all(|comparison| comparison.looks.iter().any(|look| look.ended));
    let panel = case.evidence.panel.as_ref().filter(|panel| !panel.is_complete() && !ended);
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

pub(super) fn lost(case: &Case<'_>) -> Vec<Caveat> {
    let lost = case.evidence.panel.as_ref().map_or(0, |panel| u64::from(panel.lost));
    when(lost > 0, || Caveat {
        kind: Kind::PanelLost,
        weight: Weight::Decisive,
        text: format!(
            "The register says that {} of this panel {} completed, but no journal of {} verifies. Another listener in that \
             place would be a choice of who counts.",
            count(lost, "sitting"),
            verb(lost, "was", "were"),
            if lost == 1 { "it" } else { "them" }
        ),
        remedy: "Bring the journals back from a copy. If there is none, the panel cannot be completed: declare a new one in a \
                 new folder.",
    })
}

pub(super) fn broken_off(case: &Case<'_>) -> Vec<Caveat> {
    let begun = case.evidence.panel.as_ref().map_or(0, |panel| u64::from(panel.broken_off));
    when(begun > 0, || Caveat {
        kind: Kind::PanelBrokenOff,
        weight: Weight::Serious,
        text: format!(
            "{} of this panel {} begun and not completed, so {} place went to another sitting. Anybody who holds the computer can \
             read an open sitting's secret and leave a sitting that goes badly.",
            count(begun, "sitting"),
            verb(begun, "was", "were"),
            if begun == 1 { "its" } else { "their" }
        ),
        remedy: "Read the result that counts all of their answers as wrong. Next time let somebody else lock the secret.",
    })
}

pub(super) fn beyond(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = case.evidence.panel.as_ref().map_or(0, |panel| panel.beyond as u64);
    let seats = case.evidence.panel.as_ref().map_or(0, |panel| panel.beyond_seats as u64);
    let what: Vec<String> = [(sittings, "sitting"), (seats, "seat of a night")]
        .into_iter()
        .filter(|(number, _)| *number > 0)
        .map(|(number, what)| match (number, what) {
            (2.., "seat of a night") => format!("{number} seats of nights"),
            _ => count(number, what),
        })
        .collect();
    let verb = verb(sittings + seats, "is", "are");
    when(!what.is_empty(), || Caveat {
        kind: Kind::BeyondPanel,
        weight: Weight::Minor,
        text: format!("{} came after the agreed panel was full and {verb} not counted.", what.join(" and ")),
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
            "Left out by the agreed rule, for missing the controls: {}. The result of everybody stands next to the verdict.",
            names.join(", ")
        ),
        remedy: "Compare both results.",
    })
}
