//! A declared panel: no verdict on it before everybody has sat, the result with and without those who are left out, and for
//! whom it holds.

use serde::Serialize;

use super::findings::{ComparisonResult, Method};
use super::{Finding, Verdict, title};
use crate::evidence::{Agreed, Evidence, NotCounted, PanelStanding, TrialFacts};
use crate::session::{ForWhom, LeaveOut};
use crate::stats::population::Profile;
use crate::stats::similarity::{self, Similarity};
use crate::stats::{one, population, psychometric};
use crate::units::printed::count;

/// Somebody who is left out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// Name shown.
    pub name: String,
    /// Counted answers.
    pub correct: u64,
    /// Trials.
    pub trials: u64,
    /// Audible controls: right and all.
    pub positive_controls: (u64, u64),
}

/// The result of everybody who sat, where some are left out by the agreed rule.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Everybody {
    /// Those who are left out.
    pub left_out: Vec<LeftOut>,
    /// Counted answers of everybody.
    pub correct: u64,
    /// Trials of everybody.
    pub trials: u64,
    /// Binomial p-value of these.
    pub p_value: f64,
}

/// What everybody who sat came to, with those who are left out.
pub(super) fn everybody(
    agreed: &Agreed,
    evidence: &Evidence,
    index: usize,
    counted: &ComparisonResult,
) -> Option<Everybody> {
    let panel = evidence.panel.as_ref().filter(|panel| !panel.left_out.is_empty() && panel.is_complete())?;
    let of = |listener: usize| {
        let own = evidence.trials.iter().filter(|trial: &&TrialFacts| {
            trial.listener == Some(listener as u32)
                && trial.comparison == Some(index as u16)
                && crate::evidence::counts(trial)
                && evidence.sittings[trial.sitting as usize].not_counted == Some(NotCounted::LeftOut)
        });
        own.fold((0, 0), |(correct, trials), trial| (correct + u64::from(trial.is_hit()), trials + 1))
    };
    let left_out: Vec<LeftOut> = panel
        .left_out
        .iter()
        .map(|&listener| {
            let facts = &evidence.listeners[listener];
            let (correct, trials) = of(listener);
            LeftOut { name: facts.name.clone(), correct, trials, positive_controls: facts.positive_controls }
        })
        .collect();
    let correct = counted.correct + left_out.iter().map(|own| own.correct).sum::<u64>();
    let trials = counted.trials + left_out.iter().map(|own| own.trials).sum::<u64>();
    (trials > 0).then(|| Everybody {
        left_out,
        correct,
        trials,
        p_value: one::p_value(agreed.inquiry, correct, trials),
    })
}

/// For whom a result of several listeners holds, and the agreed claim that no difference is worth mentioning.
pub(super) fn claims(agreed: &Agreed, result: &mut ComparisonResult) {
    let Some(panel) =
        agreed.terms.panel.filter(|_| matches!(result.method, Method::OneListener | Method::Pooled))
    else {
        return;
    };
    let scores: Vec<(u64, u64)> = result.results.iter().map(|own| (own.correct, own.trials)).collect();
    let profile = match panel.for_whom {
        ForWhom::ListenersLikeThem if !agreed.inquiry.two_sided() => {
            let chance = agreed.terms.protocol.chance();
            result.population = population::population(&scores, chance, 0.95).ok();
            Profile::new(&scores, chance).ok()
        }
        _ => None,
    };
    let Some(limit) = panel.no_difference_above else { return };
    let risk = panel.no_difference_risk;
    let Ok(mut claim) = similarity::test(agreed.inquiry, result.correct, result.trials, limit, risk) else {
        return;
    };
    if panel.for_whom == ForWhom::ListenersLikeThem {
        // Without a fit nothing is claimed for anybody else.
        let (p_value, at_most) =
            profile.map_or((1.0, 1.0), |profile| (profile.p_value_at_most(limit), profile.at_most(risk)));
        claim = Similarity {
            p_value,
            critical: None,
            similar: p_value <= risk && !claim.below_guessing,
            discriminators_at_most: at_most,
            d_prime_at_most: psychometric::Model::of(agreed.terms.protocol)
                .d_prime(psychometric::proportion_of_discriminators(agreed.terms.protocol, at_most))
                .ok(),
            ..claim
        };
    }
    result.similarity = vec![claim];
}

/// Takes away whatever is about the panel as a whole: nobody looks before it is complete.
pub(super) fn not_complete(panel: &PanelStanding, result: &mut ComparisonResult) {
    result.p_value = None;
    result.adjusted_p_value = None;
    result.analysis = None;
    result.room = None;
    result.population = None;
    result.similarity.clear();
    result.panel = None;
    result.one_by_one = None;
    result.verdict = Verdict {
        finding: Finding::PanelIncomplete,
        title: title::INCOMPLETE.to_owned(),
        headline: format!(
            "Not complete: {} of {} have sat. The agreement is to look once, at the end, so there is no verdict on {} and {} \
             yet.",
            panel.sat,
            count(u64::from(panel.agreed.listeners), "listener"),
            result.a,
            result.b
        ),
        ..Verdict::default()
    };
}

/// The rule by which listeners are left out, in words.
pub fn leave_out_words(rule: LeaveOut) -> &'static str {
    match rule {
        LeaveOut::None => "nobody is left out",
        LeaveOut::MissedControls => {
            "who misses the controls that should be heard is left out: so few right that somebody who hears nine of ten \
             would do so badly in at most one test of ten"
        }
        LeaveOut::NotQualified => "who does not qualify is left out, and fills a seat all the same",
    }
}

/// For whom the result is to hold, in words.
pub fn for_whom_words(whom: ForWhom) -> &'static str {
    match whom {
        ForWhom::TheseListeners => "on average over these listeners; it says nothing about others",
        ForWhom::ListenersLikeThem => "for listeners like them: how much they differ makes the limits wider",
    }
}
