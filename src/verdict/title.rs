//! A verdict in a few words, the largest on every surface that shows it.

use super::words::found_side;
use super::{Finding, VerdictInput};
use crate::stats::protocol::Asks;
use crate::stats::threshold::summary::Place;
use crate::units::printed;

/// The title of a panel that has not sat yet.
pub(super) const INCOMPLETE: &str = "The panel is not complete.";

/// What the answers support, as the title of a page: "A difference was heard."
pub(super) fn title(finding: Finding, input: &VerdictInput) -> String {
    let preference = input.protocol.asks() == Asks::Preference;
    match finding {
        Finding::NoListeningTest if input.simulated => "Nobody listened.",
        Finding::NoListeningTest => "Nothing was played.",
        Finding::NoTrials => "No answers yet.",
        Finding::StoppedEarly => "Stopped before the end: no verdict.",
        Finding::RigSuspect => "Something other than the sound gave it away.",
        Finding::Difference => match input.protocol.asks() {
            Asks::Difference => "A difference was heard.",
            Asks::Attribute | Asks::Preference => {
                return printed::capital(&format!(
                    "{}.",
                    input.inquiry().found(&input.compared(), found_side(input))
                ));
            }
        },
        Finding::BelowGuessing => "The answers point the other way.",
        Finding::NotShown if preference => "No preference was shown.",
        Finding::NotShown => "No difference was shown.",
        Finding::ControlsMissed => "This test could hardly have shown a difference.",
        Finding::Excluded => "No difference of the agreed size was heard.",
        Finding::Undecided => "Undecided.",
        Finding::PanelIncomplete => INCOMPLETE,
        Finding::NotComputed => "There is no verdict.",
        Finding::Threshold => "How much of the difference is needed.",
    }
    .to_owned()
}

/// The same of a threshold, where one was found, or none within the sizes that were played.
pub(super) fn of_threshold(finding: Finding, place: &Place, input: &VerdictInput) -> String {
    match (finding, place) {
        (Finding::Threshold, Place::Within) => "A threshold was found.".to_owned(),
        (Finding::Threshold, Place::AboveLargest { .. }) => {
            "No size that was played was heard reliably.".to_owned()
        }
        (Finding::Threshold, Place::BelowSmallest { .. }) => {
            "Every size that was played was heard.".to_owned()
        }
        _ => title(finding, input),
    }
}
