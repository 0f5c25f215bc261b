//! `earwitness plan`.

mod planned;
mod session;
mod text;
mod threshold;

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::score::{inquiry, model_named, protocol_named, sides, whole};
use super::{Failure, print_json};
use crate::report::power_figure;
use crate::report::svg::Figure;
use crate::stats::panel_power::{self, PanelDesign, PanelPower};
use crate::stats::power::{Design, Effect, Risks};
use crate::stats::protocol::{Inquiry, Sides};
use crate::stats::sequential::{Exact, SequentialTest};
use crate::stats::similarity::{self, SimilarityPlan};
use crate::stats::{MOST_TRIALS, Protocol};

/// What was typed after `plan`.
#[derive(Debug, clap::Args)]
pub struct PlanArguments {
    /// What this session's panel can show, and what it cannot. Without a size: the smallest difference that it finds with
    /// the given power
    #[arg(long, value_name = "SESSION", group = "several", conflicts_with_all = ["protocol", "sides", "alpha", "trials", "table", "plot", "similarity", "beta", "threshold", "sequential"])]
    session: Option<PathBuf>,
    #[arg(long, help = format!("Protocol: {}", Protocol::names()), default_value = "abx")]
    protocol: String,
    /// 2-AFC only: one (a claim about which side has more) or two (either side may lead)
    #[arg(long, value_name = "one|two", value_parser = sides)]
    sides: Option<Sides>,
    /// Error risk: how often a guesser may pass
    #[arg(long, default_value_t = 0.05, allow_negative_numbers = true)]
    alpha: f64,
    /// Power: how often a difference of the stated size must be found
    #[arg(long, default_value_t = 0.8, allow_negative_numbers = true)]
    power: f64,
    /// Size of the difference as proportion right
    #[arg(long, group = "effect", value_name = "Q", allow_negative_numbers = true)]
    proportion: Option<f64>,
    /// Size of the difference as the share of trials in which it is heard; the others are guessed
    #[arg(long, group = "effect", value_name = "D", allow_negative_numbers = true)]
    discriminators: Option<f64>,
    /// Size of the difference as d-prime
    #[arg(long = "d-prime", group = "effect", value_name = "X", allow_negative_numbers = true)]
    d_prime: Option<f64>,
    /// ABX only, what d-prime means: differencing or independent-observation
    #[arg(long, requires = "d_prime")]
    model: Option<String>,
    /// What this many trials can show (with --listeners: of each listener). Without a size: the smallest difference that
    /// they find with the given power
    #[arg(long, value_name = "N", value_parser = whole, allow_negative_numbers = true)]
    trials: Option<u64>,
    /// A table over numbers of trials, such as 10..30 (of a panel: trials of each listener)
    #[arg(long, value_name = "FROM..TO", conflicts_with = "sequential")]
    table: Option<String>,
    /// Draw the power curve (of a panel: over the trials of each listener)
    #[arg(long, value_name = "FILE.svg", conflicts_with = "sequential")]
    plot: Option<PathBuf>,
    /// Plan to support "no difference": heard in at most this share of trials
    #[arg(long, value_name = "D", allow_negative_numbers = true, conflicts_with_all = ["listeners", "sequential", "table", "plot"])]
    similarity: Option<f64>,
    /// Risk of supporting "no difference" wrongly; in a sequential test, of missing the difference
    #[arg(long, value_name = "RISK", allow_negative_numbers = true)]
    beta: Option<f64>,
    /// A panel of this many listeners, answers pooled: by simulation, and exactly where that is quick
    #[arg(long, value_name = "M", value_parser = whole, allow_negative_numbers = true, group = "several", conflicts_with = "sequential")]
    listeners: Option<u64>,
    /// How much listeners differ, from 0 (all alike) to below 1: the over-dispersion of the shares heard
    #[arg(
        long,
        visible_alias = "gamma",
        value_name = "GAMMA",
        default_value_t = 0.0,
        requires = "several",
        allow_negative_numbers = true
    )]
    overdispersion: f64,
    /// With --session: share of the invited who do not come or do not finish, such as 0.15; says how many to invite
    #[arg(long, value_name = "SHARE", requires = "session", allow_negative_numbers = true)]
    drop_outs: Option<f64>,
    /// Simulated panels
    #[arg(long, value_name = "K", default_value_t = 20_000, requires = "several")]
    simulations: u64,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Trials until the 95 % interval of a threshold is narrow enough, by simulation (at most --trials, 120 unless given)
    #[arg(long, conflicts_with_all = ["effect", "table", "plot", "similarity", "listeners", "sequential", "sides"])]
    threshold: bool,
    /// With --threshold: narrow enough means upper bound over lower bound, reached in --power of sittings
    #[arg(
        long,
        value_name = "RATIO",
        default_value_t = 4.0,
        requires = "threshold",
        allow_negative_numbers = true
    )]
    width: f64,
    /// With --threshold: the smallest size presented
    #[arg(
        long,
        value_name = "S",
        default_value_t = 0.5,
        requires = "threshold",
        allow_negative_numbers = true
    )]
    smallest: f64,
    /// With --threshold: the largest
    #[arg(
        long,
        value_name = "L",
        default_value_t = 32.0,
        requires = "threshold",
        allow_negative_numbers = true
    )]
    largest: f64,
    /// With --threshold: simulated sittings
    #[arg(long, value_name = "K", default_value_t = 400, requires = "threshold")]
    sittings: u64,
    /// Wald's sequential test: its lines, exact risks and length (at most --trials, 200 unless given)
    #[arg(long)]
    sequential: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// A planned panel.
struct Panel {
    listeners: u64,
    trials: u64,
    gamma: f64,
    power: PanelPower,
}

/// A planned sequential test.
struct Sequential {
    test: SequentialTest,
    guessing: Exact,
    hearing: Exact,
}

/// Runs the command.
pub fn run(arguments: &PlanArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let protocol = protocol_named(&arguments.protocol)?;
    let inquiry = inquiry(protocol, arguments.sides)?;
    for (name, value) in
        [("--alpha", Some(arguments.alpha)), ("--power", Some(arguments.power)), ("--beta", arguments.beta)]
    {
        if let Some(value) = value
            && !(value > 0.0 && value < 1.0)
        {
            return Err(Failure::bad(format!(
                "{name} is {value}, but must lie between 0 and 1, both excluded"
            )));
        }
    }
    super::timings::stage("statistics");
    if let Some(path) = &arguments.session {
        return session::run(arguments, path, out);
    }
    arguments.plot.as_deref().map_or(Ok(()), |path| super::check_ending("--plot", path, "svg"))?;
    if let Some(trials) = arguments.trials
        && !(1..=MOST_TRIALS).contains(&trials)
    {
        return Err(Failure::bad(format!("--trials is {trials}, but must be 1 to {MOST_TRIALS}")));
    }
    if arguments.threshold {
        return threshold::run(arguments, out);
    }
    if let Some(limit) = arguments.similarity {
        return similarity(arguments, inquiry, limit, out);
    }
    let sized = sized(arguments);
    if let (Some(trials), false, false, None) =
        (arguments.trials, sized, arguments.sequential, arguments.listeners)
    {
        return within_reach(arguments, inquiry, trials, out);
    }
    let design = Design::new(inquiry, arguments.alpha, effect(arguments, protocol)?).map_err(Failure::bad)?;
    if arguments.sequential {
        return sequential(arguments, &design, out);
    }
    if let Some(listeners) = arguments.listeners {
        return panel(arguments, &design, listeners, out);
    }
    let plan = match arguments.trials {
        Some(_) => None,
        None => Some(design.plan(arguments.power).map_err(Failure::bad)?),
    };
    let risks = match (arguments.trials, &plan) {
        (Some(trials), _) => design.risks(trials).map_err(Failure::bad)?,
        (None, Some(plan)) => plan.first,
        (None, None) => return Err(Failure::bad("nothing to plan")),
    };
    let table = table(arguments, &design)?;
    if let Some(path) = &arguments.plot {
        let most = plan.map_or(risks.trials * 2, |plan| plan.stable.trials + plan.stable.trials / 2);
        let figure =
            power_figure::over_trials(&design, arguments.power, plan.as_ref(), most.min(MOST_TRIALS))
                .map_err(Failure::bad)?;
        plot(path, &figure)?;
    }
    if arguments.json {
        let mut document = base(&design, &risks);
        if let Some(plan) = &plan {
            document["wanted_power"] = json!(arguments.power);
            document["stable"] = json!(plan.stable);
        }
        if let Some(table) = &table {
            document["table"] = json!(table);
        }
        return print_json(out, &document);
    }
    text::plan(out, &design, arguments.power, &risks, plan.as_ref())?;
    if let Some(table) = table {
        text::table(out, &table)?;
    }
    Ok(())
}

/// The risks of a number of trials where no size of the difference is given: what it would find.
fn within_reach(
    arguments: &PlanArguments,
    inquiry: Inquiry,
    trials: u64,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    if arguments.table.is_some() || arguments.plot.is_some() {
        effect(arguments, inquiry.protocol)?;
    }
    let design =
        Design::within_reach(inquiry, arguments.alpha, trials, arguments.power).map_err(Failure::bad)?;
    let risks = design.risks(trials).map_err(Failure::bad)?;
    if arguments.json {
        let mut document = base(&design, &risks);
        document["wanted_power"] = json!(arguments.power);
        return print_json(out, &document);
    }
    text::within_reach(out, &design, arguments.power, &risks)
}

/// Whether a size of the difference was given.
fn sized(arguments: &PlanArguments) -> bool {
    arguments.proportion.is_some() || arguments.discriminators.is_some() || arguments.d_prime.is_some()
}

fn effect(arguments: &PlanArguments, protocol: Protocol) -> Result<Effect, Failure> {
    match (arguments.proportion, arguments.discriminators, arguments.d_prime) {
        (Some(p), None, None) => Ok(Effect::Proportion(p)),
        (None, Some(share), None) => Ok(Effect::Discriminators(share)),
        (None, None, Some(d)) => match &arguments.model {
            Some(name) => Ok(Effect::DPrimeUnder(d, model_named(name, protocol)?)),
            None => Ok(Effect::DPrime(d)),
        },
        _ => Err(Failure::bad(
            "how large is the difference to be found? Give one of --proportion (right answers, such as 0.75), \
             --discriminators (trials in which it is heard, such as 0.5) or --d-prime. For a session's own plan: --session DIR",
        )),
    }
}

/// The keys that every plan has.
fn base(design: &Design, risks: &Risks) -> Value {
    let (d_prime, discriminators) = design.effect();
    // Who is always right has no finite d-prime.
    let d_prime = (design.proportion < 1.0 && design.protocol.asks().has_right_answer()).then_some(d_prime);
    json!({
        "schema": "earwitness.plan/1",
        "trials": risks.trials,
        "critical": risks.critical,
        "alpha": risks.alpha,
        "power": risks.power,
        "protocol": design.protocol,
        "sides": design.sides,
        "wanted_alpha": design.alpha,
        "proportion": design.proportion,
        "discriminators": discriminators,
        "d_prime": d_prime,
    })
}

/// The two numbers of a table.
fn range(text: &str) -> Result<std::ops::RangeInclusive<u64>, Failure> {
    let ends = text.split_once("..").and_then(|(from, to)| {
        Some((from.trim().parse::<u64>().ok()?, to.trim().trim_start_matches('=').parse::<u64>().ok()?))
    });
    let Some((from, to)) = ends.filter(|(from, to)| *from >= 1 && from <= to && *to <= MOST_TRIALS) else {
        return Err(Failure::bad(format!(
            "--table is \"{text}\", but must be two numbers of trials such as 10..30, the smaller one first"
        )));
    };
    if to - from >= 10_000 {
        return Err(Failure::bad(format!(
            "--table {text} has {} lines: at most 10000 are printed",
            to - from + 1
        )));
    }
    Ok(from..=to)
}

fn table(arguments: &PlanArguments, design: &Design) -> Result<Option<Vec<Risks>>, Failure> {
    let Some(text) = &arguments.table else { return Ok(None) };
    range(text)?.map(|trials| design.risks(trials)).collect::<Result<_, _>>().map(Some).map_err(Failure::bad)
}

/// Writes a picture beside what is printed.
fn plot(path: &std::path::Path, figure: &Figure) -> Result<(), Failure> {
    super::whole::write(path, &figure.standalone())?;
    super::note(&format!("power curve written to {}", path.display()));
    Ok(())
}

fn similarity(
    arguments: &PlanArguments,
    inquiry: Inquiry,
    limit: f64,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let protocol = inquiry.protocol;
    if !protocol.asks().has_right_answer() {
        return Err(Failure::bad(format!(
            "--similarity: that neither of two is preferred does not show that they sound the same, since tastes differ; \
             {protocol} cannot support it: plan with another protocol, such as abx"
        )));
    }
    let beta = arguments.beta.unwrap_or(0.05);
    let share = match (arguments.discriminators, arguments.proportion, arguments.d_prime) {
        (Some(share), None, None) => share,
        (None, None, None) => 0.0,
        _ => {
            return Err(Failure::bad(
                "with --similarity the true size of the difference is given by --discriminators (0 unless given)",
            ));
        }
    };
    let plan = match arguments.trials {
        None => similarity::plan(inquiry, limit, beta, arguments.power, share).map_err(Failure::bad)?,
        Some(trials) => {
            let critical = similarity::critical(inquiry, trials, limit, beta).map_err(Failure::bad)?;
            let p = crate::stats::psychometric::proportion_of_discriminators(protocol, limit);
            let power = similarity::power(inquiry, trials, limit, beta, share).map_err(Failure::bad)?;
            let Some(critical) = critical else {
                return Err(Failure::bad(format!(
                    "no score of {trials} trials supports \"at most {limit} discriminators\" at a risk of {beta}: plan more trials"
                )));
            };
            let achieved = crate::stats::binomial::lower(critical, trials, p);
            SimilarityPlan { trials, critical, beta: achieved, power, stable_trials: trials }
        }
    };
    if arguments.json {
        return print_json(
            out,
            &json!({
                "schema": "earwitness.plan/1",
                "trials": plan.trials,
                "critical": plan.critical,
                "beta": plan.beta,
                "power": plan.power,
                "protocol": protocol,
                "similarity_limit": limit,
                "wanted_beta": beta,
                "discriminators": share,
                "stable_trials": plan.stable_trials,
            }),
        );
    }
    text::similarity(out, protocol, limit, beta, share, &plan)
}

fn sequential(arguments: &PlanArguments, design: &Design, out: &mut dyn Write) -> Result<(), Failure> {
    let beta = arguments.beta.unwrap_or(1.0 - arguments.power);
    let most = arguments.trials.unwrap_or(200);
    if design.inquiry().two_sided() {
        return Err(Failure::bad(format!(
            "--sequential: a two-sided test, as {} is here, has no right answer to count towards one line: plan a fixed \
             number of trials",
            design.protocol
        )));
    }
    let test = SequentialTest::new(design.inquiry(), design.alpha, beta, design.proportion, most)
        .map_err(Failure::bad)?;
    if !test.can_find() {
        return Err(Failure::bad(format!(
            "with at most {most} trials not even a listener who is always right reaches the upper line: give --trials more"
        )));
    }
    let guessing = test.exact(test.chance).map_err(Failure::bad)?;
    let hearing = test.exact(test.proportion).map_err(Failure::bad)?;
    let plan = Sequential { test, guessing, hearing };
    if arguments.json {
        let lines: Vec<Value> = (1..=most.min(1000))
            .map(|trials| {
                let (no_difference, difference) = test.boundaries(trials);
                json!({ "trials": trials, "no_difference_at_most": no_difference, "difference_at_least": difference })
            })
            .collect();
        let mut document = base(design, &design.risks(most).map_err(Failure::bad)?);
        // Of the sequential test, not of a fixed number of trials.
        document["critical"] = Value::Null;
        document["alpha"] = json!(guessing.difference);
        document["power"] = json!(hearing.difference);
        document["sequential"] = json!({
            "wanted_beta": beta,
            "slope": test.slope(),
            "lower_intercept": test.intercepts().0,
            "upper_intercept": test.intercepts().1,
            "guessing": guessing,
            "hearing": hearing,
            "boundaries": lines,
        });
        return print_json(out, &document);
    }
    text::sequential(out, design, &plan)
}

fn panel(
    arguments: &PlanArguments,
    design: &Design,
    listeners: u64,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let of = |trials| PanelDesign { design: *design, listeners, trials, gamma: arguments.overdispersion };
    let trials = if let Some(trials) = arguments.trials {
        trials
    } else {
        let most = 200;
        panel_power::trials_needed(&of(1), arguments.power, most)
            .map_err(Failure::bad)?
            .ok_or_else(|| {
                Failure::bad(format!(
                    "not even {most} trials of each of {listeners} listeners reach a power of {}: take more listeners",
                    arguments.power
                ))
            })?
            .0
    };
    let power =
        panel_power::simulate(&of(trials), arguments.simulations, arguments.seed).map_err(Failure::bad)?;
    let panel = Panel { listeners, trials, gamma: arguments.overdispersion, power };
    let rows = match &arguments.table {
        Some(text) => Some(panel_power::table(&of(1), range(text)?).map_err(Failure::bad)?),
        None => None,
    };
    if let Some(path) = &arguments.plot {
        let rows = panel_power::table(&of(1), 1..=(trials * 2).clamp(10, 400)).map_err(Failure::bad)?;
        plot(path, &power_figure::of_panel(&of(trials), arguments.power, &rows))?;
    }
    if arguments.json {
        let mut document = base(design, &panel.power.alike);
        document["power"] = json!(panel.power.pooled_exact.unwrap_or(panel.power.pooled.value));
        document["panel"] = json!({
            "listeners": listeners,
            "trials_each": trials,
            "gamma": panel.gamma,
            "power_if_alike": panel.power.alike.power,
            "pooled_exact": panel.power.pooled_exact,
            "pooled": panel.power.pooled,
            "any_listener": panel.power.any_listener,
            "passers_alone": panel.power.passers_alone,
            "seed": panel.power.seed,
        });
        if let Some(rows) = &rows {
            document["table"] = json!(rows);
        }
        return print_json(out, &document);
    }
    text::panel(out, design, &panel)?;
    rows.map_or(Ok(()), |rows| text::panel_table(out, &rows))
}
