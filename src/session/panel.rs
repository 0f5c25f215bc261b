//! What a panel is, agreed on before anyone listens: how many, who is left out by which rule, for whom the result is to
//! hold, and which difference would be worth mentioning.

use serde::{Deserialize, Serialize};

use super::reader::{SessionError, Table};
use super::{ControlKind, Stopping};
use crate::stats::protocol::{Asks, Inquiry};

/// Whose answers are left out of the panel's result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeaveOut {
    /// Nobody's.
    #[default]
    None,
    /// Those of listeners who missed the controls that should be heard.
    MissedControls,
    /// Those who did not qualify have no counted answers; they fill their seat on the panel all the same.
    NotQualified,
}

/// For whom a panel's result is to hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ForWhom {
    /// On average over the very listeners who sat.
    #[default]
    TheseListeners,
    /// For listeners like them: how much they differ counts.
    ListenersLikeThem,
}

/// How several comparisons come in a sitting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ComparisonOrder {
    /// Mixed: one trial of each, in an order that is drawn anew each time.
    #[default]
    Mixed,
    /// One after the other, in an order that a Williams design balances over the panel's sittings.
    Williams,
}

/// Which cable of a comparison is heard as A.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CableA {
    /// The one that the comparison names as its `a`.
    #[default]
    AsWritten,
    /// Drawn for each sitting.
    Drawn,
}

fn is_usual<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// A panel as agreed on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Panel {
    /// Listeners.
    pub listeners: u32,
    /// Complete sittings of each.
    pub sittings_each: u32,
    /// Who is left out.
    pub leave_out: LeaveOut,
    /// The claim of similarity: the difference is heard in at most this share of trials; `None` claims none.
    pub no_difference_above: Option<f64>,
    /// The risk of claiming that wrongly.
    pub no_difference_risk: f64,
    /// For whom the result is to hold.
    pub for_whom: ForWhom,
    /// Numbers of listeners after which the result is looked at before the panel is complete; they share the error risk.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub looks: Vec<u32>,
    /// How several comparisons come in a sitting.
    #[serde(default, skip_serializing_if = "is_usual")]
    pub order_of_comparisons: ComparisonOrder,
    /// Which cable of a comparison is heard as A.
    #[serde(default, skip_serializing_if = "is_usual")]
    pub cable_a: CableA,
}

/// The table `panel`.
pub(super) fn panel(
    table: &mut Table<'_>,
    inquiry: Inquiry,
    stopping: Stopping,
    controls: &[super::Control],
    qualifies: bool,
    comparisons: usize,
) -> Result<Option<Panel>, SessionError> {
    let Some(mut inner) = table.table("panel")? else { return Ok(None) };
    let listeners = inner.whole("listeners", 1, 10_000)?.ok_or_else(|| inner.missing("listeners", "20"))?;
    let sittings_each = inner.whole("sittings_each", 1, 100)?.unwrap_or(1);
    let leave_out = inner
        .choice(
            "leave_out",
            &[
                ("none", LeaveOut::None),
                ("missed-controls", LeaveOut::MissedControls),
                ("not-qualified", LeaveOut::NotQualified),
            ],
        )?
        .unwrap_or_default();
    let asks = inquiry.protocol.asks();
    match leave_out {
        LeaveOut::MissedControls if !asks.has_right_answer() => {
            return Err(inner.error_at(
                "leave_out",
                "a preference has no right answer, so nobody misses a control; write leave_out = \"none\"",
            ));
        }
        LeaveOut::MissedControls if controls.iter().all(|control| control.kind == ControlKind::Identical) => {
            return Err(inner.error_at(
                "leave_out",
                "there is no control that should be heard; add a [[controls]] table such as kind = \"level\"",
            ));
        }
        LeaveOut::NotQualified if !qualifies => {
            return Err(inner.error_at(
                "leave_out",
                "nobody has to qualify; add [qualification], or write leave_out = \"none\"",
            ));
        }
        _ => {}
    }
    let no_difference_above = inner.probability("no_difference_above")?;
    let risk = inner.probability("no_difference_risk")?;
    if no_difference_above.is_none() && risk.is_some() {
        return Err(inner.missing(
            "no_difference_above",
            "0.2 (the share of trials up to which no difference is worth mentioning)",
        ));
    }
    if no_difference_above.is_some() && (asks == Asks::Preference || stopping != Stopping::AllTrials) {
        return Err(inner.error_at(
            "no_difference_above",
            "tastes that cancel do not show equal sound, and a sequential rule has its own \"no difference\": remove it",
        ));
    }
    let for_whom = inner
        .choice(
            "for_whom",
            &[
                ("these-listeners", ForWhom::TheseListeners),
                ("listeners-like-them", ForWhom::ListenersLikeThem),
            ],
        )?
        .unwrap_or_default();
    if for_whom == ForWhom::ListenersLikeThem && (listeners < 2 || stopping != Stopping::AllTrials) {
        return Err(inner.error_at(
            "for_whom",
            "how much listeners differ shows only where several of them answer the same number of trials: ask for more \
             listeners and leave [stopping] out, or write \"these-listeners\"",
        ));
    }
    let looks = inner.growing("looks", 1, listeners.saturating_sub(1))?.unwrap_or_default();
    if !looks.is_empty() && stopping != Stopping::AllTrials {
        return Err(inner.error_at(
            "looks",
            "with a sequential rule each listener's trials end by themselves: remove [stopping], or the looks",
        ));
    }
    let order_of_comparisons = inner
        .choice(
            "order_of_comparisons",
            &[("mixed", ComparisonOrder::Mixed), ("williams", ComparisonOrder::Williams)],
        )?
        .unwrap_or_default();
    if order_of_comparisons == ComparisonOrder::Williams && comparisons < 2 {
        return Err(inner.error_at(
            "order_of_comparisons",
            "one comparison has no order: remove it, or add another [[comparisons]] table",
        ));
    }
    let cable_a = inner
        .choice("cable_a", &[("as-written", CableA::AsWritten), ("drawn", CableA::Drawn)])?
        .unwrap_or_default();
    if cable_a == CableA::Drawn && !inquiry.protocol.has_a() {
        return Err(inner.error_at(
            "cable_a",
            "only abx and a-not-a have an A that stays the same; in this protocol each cable stands in each place equally \
             often already: remove it",
        ));
    }
    inner.finish()?;
    Ok(Some(Panel {
        listeners: listeners as u32,
        sittings_each: sittings_each as u32,
        leave_out,
        no_difference_above,
        no_difference_risk: risk.unwrap_or(0.05),
        for_whom,
        looks: looks.into_iter().map(|look| look as u32).collect(),
        order_of_comparisons,
        cable_a,
    }))
}
