//! `earwitness plan --session`: what the panel that a session declares can show, and what it cannot.

use std::io::Write;

use serde_json::json;

use super::planned::{Alone, Claim, DropOuts, Leaving, PlannedLook, SessionPlan, Supported};
use super::{Failure, PlanArguments, effect, print_json, sized, text};
use crate::cli::rounds_time::RoundsTime;
use crate::evidence::controls_missed;
use crate::session::{Family, ForWhom, LeaveOut, Panel, Session, Stopping};
use crate::stats::looks::Looks;
use crate::stats::panel_power::{self, PanelDesign};
use crate::stats::power::Design;
use crate::stats::protocol::Inquiry;
use crate::stats::sequential::SequentialTest;
use crate::stats::similarity;
use crate::stats::tally::Tally;
use crate::stats::{binomial, one};

/// Panels of guessers that are simulated at most: each is fitted, which takes milliseconds.
const MOST_FITTED: u64 = 2000;

/// How surely a panel is to be complete. Common practice, no source.
const COMPLETE: f64 = 0.9;
/// Most invitations that are looked through.
const MOST_INVITED: u64 = 100_000;

/// Invitations for a panel of which this share does not come, each by itself.
fn drop_outs(panel: Option<&Panel>, share: Option<f64>) -> Result<Option<DropOuts>, Failure> {
    let Some(share) = share else { return Ok(None) };
    let Some(panel) = panel else {
        return Err(Failure::bad(
            "--drop-outs is about a panel: declare [panel] with `listeners` in the session",
        ));
    };
    if !(0.0..=0.95).contains(&share) {
        return Err(Failure::bad(format!(
            "--drop-outs is {share}: the share of the invited who do not come, 0 to 0.95, such as 0.15"
        )));
    }
    let needed = u64::from(panel.listeners);
    let complete = |invited: u64| binomial::upper(needed, invited, 1.0 - share);
    let invite = (needed..=MOST_INVITED).find(|invited| complete(*invited) >= COMPLETE);
    let invite = invite.ok_or_else(|| {
        Failure::bad(format!("so many stay away that more than {MOST_INVITED} would have to be invited"))
    })?;
    Ok(Some(DropOuts { share, invite, complete: complete(invite), complete_without_more: complete(needed) }))
}

/// The looks as they will be if nobody is left out.
fn looks(session: &Session, design: &Design, trials_each: u64) -> Vec<PlannedLook> {
    let Some(panel) = session.panel.as_ref().filter(|panel| !panel.looks.is_empty()) else {
        return Vec::new();
    };
    let after: Vec<u32> = panel.looks.iter().copied().chain([panel.listeners]).collect();
    let shares: Vec<(u64, f64)> = after
        .iter()
        .map(|look| (u64::from(*look) * trials_each, f64::from(*look) / f64::from(panel.listeners)))
        .collect();
    let Ok(looks) = Looks::new(session.inquiry(), &shares, design.alpha) else { return Vec::new() };
    let ends = looks.ending(design.proportion);
    let planned = after.into_iter().zip(looks.looks()).zip(ends);
    planned
        .map(|((listeners, look), ends)| PlannedLook {
            listeners,
            critical: look.critical,
            trials: look.trials,
            ends,
        })
        .collect()
}

/// How often the rule leaves somebody out who hears nine of ten controls, and a guesser.
fn leaving(session: &Session, sittings: u64) -> Option<Leaving> {
    session.panel.as_ref().filter(|panel| panel.leave_out == LeaveOut::MissedControls)?;
    let positive = session.controls.iter().filter(|control| control.kind.is_positive());
    let trials = positive.map(|control| u64::from(control.trials)).sum::<u64>() * sittings;
    let missed = |correct: &u64| controls_missed(session.protocol, Tally::new(*correct, trials));
    let most = (0..=trials).rev().find(missed)?;
    let chance = session.protocol.chance();
    Some(Leaving {
        trials,
        able: binomial::lower(most, trials, 0.9),
        guessing: binomial::lower(most, trials, chance),
    })
}

/// Runs the command.
pub(super) fn run(
    arguments: &PlanArguments,
    path: &std::path::Path,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let session = crate::session::load(path).map_err(Failure::bad)?;
    if let Stopping::Sequential { alpha, beta, proportion } = session.stopping {
        return sequential(&session, (alpha, beta, proportion), arguments, out);
    }
    let time = RoundsTime::of(&session)?;
    let plan = of(&session, arguments)?;
    let risks = plan.design.risks(plan.listeners * plan.trials_each).map_err(Failure::bad)?;
    if !arguments.json {
        text::session(out, &plan, &risks, arguments.power)?;
        return time.map_or(Ok(()), |time| text::said(out, "Time", &time.words()));
    }
    let mut document = super::base(&plan.design, &risks);
    if !plan.sized {
        document["wanted_power"] = json!(arguments.power);
    }
    document["session"] = json!({
        "declared": plan.panel,
        "listeners": plan.listeners,
        "trials_each": plan.trials_each,
        "comparisons_together": plan.together,
        "session_alpha": session.alpha,
        "gamma": plan.gamma,
        "power_if_differing": plan.differing,
        "no_difference": plan.claim.as_ref().map(|claim| {
            let (supported, standard_error) = match &claim.supported {
                Supported::Exactly(value) => (*value, None),
                Supported::Simulated(value) => (value.value, Some(value.standard_error)),
            };
            json!({
                "limit": claim.limit,
                "risk": claim.risk,
                "critical": claim.critical,
                "supported_if_nobody_hears": supported,
                "standard_error": standard_error,
            })
        }),
        "looks": plan.looks,
        "left_out": plan.leaving,
        "drop_outs": plan.drop_outs,
        "rounds": RoundsTime::document(time),
        "alone": plan.alone.as_ref().map(|alone| {
            json!({ "tests": alone.tests, "critical": alone.critical, "power": alone.power })
        }),
    });
    print_json(out, &document)
}

/// A panel whose listeners each stop by a sequential rule: how many of them the rule must find, and what that can show.
fn sequential(
    session: &Session,
    (alpha, beta, proportion): (f64, f64, f64),
    arguments: &PlanArguments,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let inquiry = session.inquiry();
    let most = u64::from(session.trials);
    let test = SequentialTest::new(inquiry, alpha, beta, proportion, most).map_err(Failure::bad)?;
    let guesser = test.exact(test.chance).map_err(Failure::bad)?;
    let able = if sized(arguments) {
        Design::new(inquiry, alpha, effect(arguments, session.protocol)?).map_err(Failure::bad)?.proportion
    } else {
        proportion
    };
    let listener = test.exact(able).map_err(Failure::bad)?;
    let listeners = session.panel.as_ref().map_or(1, |panel| u64::from(panel.listeners));
    let together = if session.family == Family::Holm { session.comparisons.len() as f64 } else { 1.0 };
    // One listener is judged by the rule itself.
    let needed = if listeners == 1 {
        Some(1)
    } else {
        binomial::critical(listeners, guesser.difference, session.alpha / together)
    };
    let power = needed.map_or(0.0, |needed| binomial::upper(needed, listeners, listener.difference));
    let time = RoundsTime::of(session)?;
    if arguments.json {
        let document = json!({
            "schema": "earwitness.plan/1",
            "protocol": session.protocol,
            "session": {
                "rounds": RoundsTime::document(time),
                "listeners": listeners,
                "most_trials": most,
                "proportion": able,
                "needed": needed,
                "power": power,
                "guesser": guesser,
                "listener": listener,
            },
        });
        return print_json(out, &document);
    }
    text::sequential_session(out, session.protocol, (listeners, most, needed, power), (&guesser, &listener))?;
    time.map_or(Ok(()), |time| text::said(out, "Time", &time.words()))
}

fn of(session: &Session, arguments: &PlanArguments) -> Result<SessionPlan, Failure> {
    if session.threshold.is_some() {
        return Err(Failure::bad(
            "this session looks for a threshold, so no one size of difference is tested: use earwitness plan --threshold",
        ));
    }
    if session.stopping != Stopping::AllTrials {
        return Err(Failure::bad("this session has a sequential rule, so its panel is planned by its rule"));
    }
    let panel = session.panel.clone();
    let (listeners, sittings) =
        panel.as_ref().map_or((1, 1), |panel| (u64::from(panel.listeners), u64::from(panel.sittings_each)));
    let trials_each = u64::from(session.trials) * sittings;
    let inquiry = session.inquiry();
    let together = if session.family == Family::Holm { session.comparisons.len() as u64 } else { 1 };
    let alpha = session.alpha / together as f64;
    let all = listeners * trials_each;
    if all > crate::stats::MOST_TRIALS {
        return Err(Failure::bad(format!(
            "{listeners} listeners of {trials_each} trials each are {all} trials: at most {} can be planned",
            crate::stats::MOST_TRIALS
        )));
    }
    let sized = sized(arguments);
    let design = if sized {
        Design::new(inquiry, alpha, effect(arguments, session.protocol)?)
    } else {
        Design::within_reach(inquiry, alpha, all, arguments.power)
    }
    .map_err(Failure::bad)?;
    let gamma = arguments.overdispersion;
    let differing = if gamma == 0.0 {
        None
    } else {
        panel_power::pooled_power(&PanelDesign { design, listeners, trials: trials_each, gamma })
            .map_err(Failure::bad)?
    };
    let tests = listeners * together;
    let alone = if listeners > 1 {
        let alone = Design { alpha: session.alpha / tests as f64, ..design };
        let risks = alone.risks(trials_each).map_err(Failure::bad)?;
        Some(Alone { tests, critical: risks.critical, power: risks.power })
    } else {
        None
    };
    let claim = match panel.as_ref().and_then(|panel| Some((panel, panel.no_difference_above?))) {
        Some((panel, limit)) => Some(claim(panel, limit, inquiry, trials_each, arguments)?),
        None => None,
    };
    let drop_outs = drop_outs(panel.as_ref(), arguments.drop_outs)?;
    let (looks, leaving) = (looks(session, &design, trials_each), leaving(session, sittings));
    Ok(SessionPlan {
        panel,
        listeners,
        trials_each,
        together,
        design,
        sized,
        gamma,
        differing,
        claim,
        alone,
        looks,
        leaving,
        drop_outs,
    })
}

fn claim(
    panel: &Panel,
    limit: f64,
    inquiry: Inquiry,
    trials_each: u64,
    arguments: &PlanArguments,
) -> Result<Claim, Failure> {
    let listeners = u64::from(panel.listeners);
    let (all, risk) = (listeners * trials_each, panel.no_difference_risk);
    if panel.for_whom == ForWhom::ListenersLikeThem {
        if inquiry.two_sided() {
            // There is no fit of listeners who may lean either way, so nothing is claimed for others.
            return Ok(Claim { limit, risk, critical: None, supported: Supported::Exactly(0.0) });
        }
        let simulations = arguments.simulations.min(MOST_FITTED);
        let supported = panel_power::supported_for_others(
            inquiry,
            listeners,
            trials_each,
            (limit, risk),
            simulations,
            arguments.seed,
        )
        .map_err(Failure::bad)?;
        return Ok(Claim { limit, risk, critical: None, supported: Supported::Simulated(supported) });
    }
    let critical = similarity::critical(inquiry, all, limit, risk).map_err(Failure::bad)?;
    let power = similarity::power(inquiry, all, limit, risk, 0.0).map_err(Failure::bad)?;
    // A score that guessing hardly gives, because it is so low, supports nothing.
    let below = one::most_below_guessing(inquiry, all)
        .map_or(0.0, |most| binomial::lower(most, all, inquiry.chance()));
    Ok(Claim { limit, risk, critical, supported: Supported::Exactly((power - below).max(0.0)) })
}
