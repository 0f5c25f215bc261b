//! A declared panel: no verdict on it before everybody has sat, the result with and without those who are left out, and for
//! whom it holds.

use std::collections::BTreeSet;

use super::findings::{ComparisonResult, Everybody, LeftOut, LookFacts, Method, WorstCase};
use super::{Finding, Looked, Verdict, title};
use crate::evidence::{Agreed, Evidence, NotCounted, PanelStanding, TrialFacts};
use crate::session::{CableA, ComparisonOrder, Family, ForWhom, LeaveOut, Panel};
use crate::stats::looks::{LookLimits, Looks};
use crate::stats::mixture::{self, Mixture};
use crate::stats::population::Profile;
use crate::stats::similarity::{self, Similarity};
use crate::stats::tally::Tally;
use crate::stats::{one, population, psychometric, room};
use crate::units::printed::{count, percent};

/// The looks at a comparison that have come.
#[derive(Debug, Default)]
pub(super) struct Looking {
    looks: Vec<LookFacts>,
    /// What the score of the last of them says, the looks included.
    limits: Option<LookLimits>,
    /// Where one of them ended it, the listeners by then.
    pub(super) ended: Option<BTreeSet<usize>>,
}

/// Takes the agreed looks, each after so many listeners in the order of the register, and the last one when the panel is
/// complete. Nobody need have looked: the scores say what each look would have said. A session whose comparisons are judged
/// together shares the risk among them (Bonferroni).
pub(super) fn looking(agreed: &Agreed, evidence: &Evidence, trials: &[&TrialFacts]) -> Looking {
    let Some(standing) = evidence.panel.as_ref().filter(|panel| !panel.agreed.looks.is_empty()) else {
        return Looking::default();
    };
    let panel = &standing.agreed;
    let mut after: Vec<u32> = panel.looks.iter().copied().filter(|look| *look <= standing.sat).collect();
    if standing.is_complete() {
        after.push(panel.listeners);
    }
    let members = |listeners: u32| -> BTreeSet<usize> {
        standing.order.iter().copied().take(listeners as usize).collect()
    };
    let score = |listeners: u32| {
        let members = members(listeners);
        let own =
            trials.iter().filter(|trial| trial.listener.is_some_and(|own| members.contains(&(own as usize))));
        own.map(|trial| Tally::new(u64::from(trial.is_hit()), 1)).sum()
    };
    let scores: Vec<Tally> = after.iter().map(|look| score(*look)).collect();
    // A look at which nobody new counts says nothing new.
    let new = |at: &usize| scores[*at].trials > if *at == 0 { 0 } else { scores[*at - 1].trials };
    let kept: Vec<usize> = (0..scores.len()).filter(new).collect();
    // The share is that of the planned trials, so that what a look said stays said, whoever is left out later.
    let planned =
        f64::from(panel.listeners) * f64::from(panel.sittings_each) * f64::from(agreed.terms.trials);
    let sizes: Vec<(u64, f64)> = kept
        .iter()
        .map(|at| {
            let last = after[*at] == panel.listeners;
            (scores[*at].trials, if last { 1.0 } else { scores[*at].trials as f64 / planned })
        })
        .collect();
    let family = match agreed.family {
        Family::Holm => agreed.terms.comparisons.len().max(1) as f64,
        Family::None => 1.0,
    };
    let Ok(looks) = Looks::new(agreed.inquiry, &sizes, agreed.terms.alpha / family) else {
        return Looking::default();
    };
    let mut found = Looking::default();
    for (number, at) in kept.into_iter().enumerate() {
        let Tally { trials, correct } = scores[at];
        let ended = looks.ends(number, correct);
        let look = looks.looks()[number];
        found.looks.push(LookFacts {
            listeners: after[at],
            correct,
            trials,
            critical: look.critical,
            spent: look.spent,
            p_value: looks.p_value(number, correct),
            ended,
        });
        found.limits = looks.limits(number, correct, 0.95).ok();
        if ended {
            found.ended = Some(members(after[at]));
            break;
        }
    }
    found
}

/// Puts the looks into a result: its p-value is that of the last of them.
pub(super) fn looked(agreed: &Agreed, looking: &Looking, result: &mut ComparisonResult) {
    if let Some(last) = looking.looks.last().filter(|_| result.p_value.is_some()) {
        result.p_value = Some(last.p_value);
        result.method = Method::Looks;
        result.look_limits = looking.limits;
        let (inquiry, score) = (agreed.inquiry, Tally::new(result.correct, result.trials));
        let analysis = looking
            .limits
            .and_then(|limits| one::analyse_at_look(inquiry, &limits, score, agreed.terms.alpha).ok());
        result.analysis = analysis.or(result.analysis.take());
    }
    result.looks.clone_from(&looking.looks);
}

/// The look that a verdict rests on.
pub(super) fn at_look(evidence: &Evidence, result: &ComparisonResult) -> Option<Looked> {
    let of = evidence.panel.as_ref()?.agreed.listeners;
    let last = result.looks.last().filter(|_| result.method == Method::Looks)?;
    Some(Looked {
        listeners: last.listeners,
        of,
        p_value: last.p_value,
        critical: last.critical,
        limits: result.look_limits,
    })
}

/// The result with everything against it that was begun and not completed.
pub(super) fn worst_case(
    agreed: &Agreed,
    evidence: &Evidence,
    counted: &ComparisonResult,
) -> Option<WorstCase> {
    let panel = evidence.panel.as_ref().filter(|panel| panel.is_complete() && panel.broken_off > 0)?;
    if !matches!(counted.method, Method::OneListener | Method::Pooled | Method::Looks) {
        return None;
    }
    let more = u64::from(panel.broken_off) * u64::from(agreed.terms.trials);
    let (correct, trials) = (counted.correct, counted.trials + more);
    // In a two-sided test they speak against the side that leads.
    let against = agreed.inquiry.two_sided() && 2 * correct < counted.trials;
    let correct = if against { correct + more } else { correct };
    let p_value = one::p_value(agreed.inquiry, correct, trials);
    Some(WorstCase { sittings: panel.broken_off, correct, trials, p_value })
}

/// What everybody who sat came to, with those who are left out.
pub(super) fn everybody(
    agreed: &Agreed,
    evidence: &Evidence,
    index: usize,
    counted: &ComparisonResult,
) -> Option<Everybody> {
    let panel = evidence.panel.as_ref().filter(|panel| !panel.left_out.is_empty() && panel.is_complete())?;
    let rows = |wanted: &dyn Fn(usize) -> bool| -> Vec<&TrialFacts> {
        let of = |trial: &&TrialFacts| {
            let sitting = &evidence.sittings[trial.sitting as usize];
            trial.listener.is_some_and(|listener| wanted(listener as usize))
                && trial.comparison == Some(index as u16)
                && crate::evidence::counts(trial)
                && (sitting.counted || sitting.not_counted == Some(NotCounted::LeftOut))
        };
        evidence.trials.iter().filter(of).collect()
    };
    let of = |listener: usize| {
        let own = rows(&|other| other == listener);
        (own.iter().filter(|trial| trial.is_hit()).count() as u64, own.len() as u64)
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
    let p_value = match &counted.room {
        None => one::p_value(agreed.inquiry, correct, trials),
        Some(_) => {
            let sat =
                |listener: usize| evidence.listeners[listener].counted || panel.left_out.contains(&listener);
            let rooms = super::rooms::room_trials(agreed.terms.protocol, &rows(&sat));
            room::test(agreed.inquiry, &rooms, agreed.terms.alpha).ok()?.p_value
        }
    };
    (trials > 0).then_some(Everybody { left_out, correct, trials, p_value })
}

/// What each listener got.
fn scores(result: &ComparisonResult) -> Vec<Tally> {
    result.results.iter().map(|own| Tally::new(own.correct, own.trials)).collect()
}

/// For whom a result of several listeners holds, and the agreed claim that no difference is worth mentioning.
pub(super) fn claims(agreed: &Agreed, result: &mut ComparisonResult) {
    let Some(panel) =
        agreed.terms.panel.as_ref().filter(|_| matches!(result.method, Method::OneListener | Method::Pooled))
    else {
        return;
    };
    let scores = scores(result);
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

/// Fewest listeners of whom a share is worth estimating. Common practice, no source.
const LISTENERS_OF_A_SHARE: usize = 6;

/// The share of listeners who hear it, where each has draws of their own and a guesser's score is known.
pub(super) fn mixture(agreed: &Agreed, result: &ComparisonResult) -> Option<Mixture> {
    let fits = result.method == Method::Pooled
        && !agreed.inquiry.two_sided()
        && result.results.len() >= LISTENERS_OF_A_SHARE;
    let scores = scores(result);
    fits.then(|| mixture::fit(&scores, agreed.terms.protocol.chance()).ok()).flatten()
}

/// That some hear it while most do not, where the share's interval lies above nobody and below one half.
pub fn some_hear_it(mixture: &Mixture, listeners: usize) -> Option<String> {
    let of = |share: f64| share * listeners as f64;
    (mixture.lower > 0.0 && mixture.upper < 0.5).then(|| {
        format!(
            "Some hear it and most do not: about {:.0} of the {listeners} listeners, in about {} of trials (95 % interval: between \
             {:.0} and {:.0} listeners). The others may be guessing.",
            of(mixture.share).max(1.0),
            percent(mixture.heard),
            of(mixture.lower).floor().max(1.0),
            of(mixture.upper).ceil()
        )
    })
}

/// Takes away whatever is about the panel as a whole: nobody looks before it is complete.
pub(super) fn not_complete(panel: &PanelStanding, result: &mut ComparisonResult) {
    result.p_value = None;
    result.adjusted_p_value = None;
    result.analysis = None;
    result.room = None;
    result.population = None;
    result.mixture = None;
    result.clips = None;
    result.similarity.clear();
    result.panel = None;
    result.one_by_one = None;
    let looks = match (panel.agreed.looks.is_empty(), result.looks.last()) {
        (true, _) => "The agreement is to look once, at the end".to_owned(),
        (false, None) => "No agreed look has come".to_owned(),
        (false, Some(look)) => format!(
            "The look after {} found {} of {}{}, so the panel goes on",
            count(u64::from(look.listeners), "listener"),
            look.correct,
            look.trials,
            look.critical.map_or_else(String::new, |critical| format!("; the score needed was {critical}"))
        ),
    };
    result.verdict = Verdict {
        finding: Finding::PanelIncomplete,
        title: title::INCOMPLETE.to_owned(),
        headline: format!(
            "Not complete: {} of {} have sat{}. {looks}: there is no verdict on {} and {} yet.",
            panel.sat,
            count(u64::from(panel.agreed.listeners), "listener"),
            lost_words(panel),
            result.a,
            result.b
        ),
        ..Verdict::default()
    };
}

/// How many complete sittings of the panel are gone, as a clause; empty if none.
pub fn lost_words(panel: &PanelStanding) -> String {
    match panel.lost {
        0 => String::new(),
        lost => format!(
            ", and {} whose journal is gone or does not verify; nobody else may take that place",
            count(u64::from(lost), "complete sitting")
        ),
    }
}

/// The rule by which listeners are left out, in words.
pub fn leave_out_words(rule: LeaveOut) -> &'static str {
    match rule {
        LeaveOut::None => "nobody",
        LeaveOut::MissedControls => {
            "anyone who misses the controls that should be heard: so few right that somebody who hears nine of ten would do so \
             badly in at most one test of ten"
        }
        LeaveOut::NotQualified => "anyone who does not qualify, and fills a seat all the same",
    }
}

/// When the result is looked at, in words.
pub fn looks_words(panel: &Panel) -> String {
    if panel.looks.is_empty() {
        return "once, when the panel is complete".to_owned();
    }
    let looks: Vec<String> = panel.looks.iter().map(u32::to_string).collect();
    format!(
        "after {} and {} listeners; the looks share the error risk, most of it kept for the last",
        looks.join(", "),
        panel.listeners
    )
}

/// What is balanced over the panel's sittings, in words; nothing where nothing is.
pub fn balance_words(panel: &Panel) -> Option<&'static str> {
    match (panel.order_of_comparisons, panel.cable_a) {
        (ComparisonOrder::Mixed, CableA::AsWritten) => None,
        (ComparisonOrder::Williams, CableA::AsWritten) => Some(
            "comparisons come one after the other, in an order that the seal draws from a Williams design (Williams 1949)",
        ),
        (ComparisonOrder::Mixed, CableA::Drawn) => Some("the seal draws in each sitting which cable is A"),
        (ComparisonOrder::Williams, CableA::Drawn) => Some(
            "comparisons come one after the other, in an order that the seal draws from a Williams design (Williams 1949); it \
             also draws in each sitting which cable is A",
        ),
    }
}

/// For whom the result is to hold, in words.
pub fn for_whom_words(whom: ForWhom) -> &'static str {
    match whom {
        ForWhom::TheseListeners => "on average over these listeners; it says nothing about others",
        ForWhom::ListenersLikeThem => "for listeners like them: how much they differ makes the limits wider",
    }
}
