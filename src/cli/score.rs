//! `earwitness score`.

mod counts;
mod journals;
mod levels;
mod table;
mod text;

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Failure, extend, print_json};
use crate::session::Family;
use crate::stats::one::{self, Analysis};
use crate::stats::protocol::{Inquiry, Side, Sides};
use crate::stats::psychometric::Model;
use crate::stats::{Protocol, similarity};
use crate::units::foreign;
use crate::verdict::{self, VerdictInput};

/// What was typed after `score`.
#[derive(Debug, clap::Args)]
pub struct ScoreArguments {
    /// Journals (.jsonl), folders with sittings, or one CSV file of counts with the header
    /// listener,comparison,protocol,correct,trials
    #[arg(value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Find the threshold from a CSV file of counts at several sizes, with the header multiple,correct,trials
    #[arg(long, value_name = "FILE", requires = "protocol", conflicts_with_all = ["files", "correct", "similarity", "family"])]
    levels: Option<PathBuf>,
    /// With --levels: the smallest size that was possible [default: the smallest in the file]
    #[arg(long, value_name = "S", requires = "levels", allow_negative_numbers = true)]
    smallest: Option<f64>,
    /// With --levels: the largest [default: the largest in the file]
    #[arg(long, value_name = "L", requires = "levels", allow_negative_numbers = true)]
    largest: Option<f64>,
    #[arg(long, help = format!("Protocol: {}", Protocol::names()))]
    protocol: Option<String>,
    /// 2-AFC only: one (a claim said which side has more) or two (either may lead; --correct counts side B)
    #[arg(long, value_name = "one|two", value_parser = sides, requires = "protocol")]
    sides: Option<Sides>,
    /// Right answers (preference, or --sides two: answers for side B)
    #[arg(long, value_name = "C", value_parser = whole, allow_negative_numbers = true, requires_all = ["protocol", "trials"], conflicts_with = "files")]
    correct: Option<u64>,
    /// Counted trials
    #[arg(long, value_name = "N", value_parser = whole, allow_negative_numbers = true, requires_all = ["protocol", "correct"], conflicts_with = "files")]
    trials: Option<u64>,
    /// Error risk: how often a guesser may pass [default: what the journals agreed on, otherwise 0.05]
    #[arg(long, allow_negative_numbers = true)]
    alpha: Option<f64>,
    /// Confidence level of the intervals
    #[arg(long, default_value_t = 0.95, allow_negative_numbers = true)]
    level: f64,
    /// ABX only, how a listener is thought to answer: differencing or independent-observation
    #[arg(long)]
    model: Option<String>,
    /// Also test "no difference": heard in at most this share of trials (several listeners: pooled)
    #[arg(long, value_name = "D", allow_negative_numbers = true)]
    similarity: Option<f64>,
    /// Risk of supporting "no difference" wrongly
    #[arg(long, default_value_t = 0.05, requires = "similarity", allow_negative_numbers = true)]
    beta: f64,
    /// With a CSV of counts: comparisons are judged together (holm) or each by itself (none) [default: holm]
    #[arg(long, value_parser = family, conflicts_with = "correct")]
    family: Option<Family>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// The risk where nothing was agreed on.
const ALPHA: f64 = 0.05;

/// Runs the command.
pub fn run(arguments: &ScoreArguments, out: &mut dyn Write) -> Result<(), Failure> {
    check_risks(arguments)?;
    super::timings::stage("statistics");
    if let Some(file) = &arguments.levels {
        return levels::run(arguments, file, out);
    }
    if arguments.protocol.is_some() && arguments.correct.is_none() {
        return Err(Failure::bad(
            "--protocol needs --correct and --trials with it, or --levels FILE.csv; files say their protocol themselves",
        ));
    }
    if let (Some(protocol), Some(correct), Some(trials)) =
        (&arguments.protocol, arguments.correct, arguments.trials)
    {
        let protocol = protocol_named(protocol)?;
        let inquiry = inquiry(protocol, arguments.sides)?;
        let alpha = arguments.alpha.unwrap_or(ALPHA);
        similarity_fits(arguments, inquiry)?;
        let analysis = analyse(arguments, inquiry, correct, trials, alpha)?;
        let similar = match arguments.similarity {
            Some(limit) => Some(
                similarity::test(inquiry, correct, trials, limit, arguments.beta).map_err(Failure::bad)?,
            ),
            None => None,
        };
        if arguments.json {
            let mut document = document(&analysis)?;
            if let Some(similar) = &similar {
                extend(&mut document, json!({ "similarity": similar }));
            }
            return print_json(out, &document);
        }
        let more = if inquiry.two_sided() { Side::B } else { Side::A };
        let verdict = verdict::sentence(&VerdictInput {
            sides: inquiry.sides,
            more,
            ..VerdictInput::new(protocol, correct, trials, alpha)
        })
        .map_err(Failure::bad)?;
        text::one(out, &analysis, &verdict)?;
        return similar.map_or(Ok(()), |similar| text::similarity(out, &similar));
    }
    if arguments.files.is_empty() {
        return Err(Failure::bad(
            "nothing to score: give journals, a CSV file of counts, or --protocol, --correct and --trials",
        ));
    }
    let is_csv = |path: &PathBuf| path.extension().is_some_and(|end| end.eq_ignore_ascii_case("csv"));
    match arguments.files.iter().filter(|file| is_csv(file)).count() {
        0 => journals::run(arguments, out),
        all if all == arguments.files.len() => counts::run(arguments, out),
        _ => Err(Failure::bad("journals and CSV files of counts cannot be scored together: give one kind")),
    }
}

/// Refuses `--similarity` where answers for two sides cancel: that neither leads is no sign of equal sound.
pub(super) fn similarity_fits(arguments: &ScoreArguments, inquiry: Inquiry) -> Result<(), Failure> {
    if arguments.similarity.is_some() && inquiry.two_sided() {
        return Err(Failure::bad(format!(
            "--similarity: {} is tested two-sided here, and answers for both sides cancel, so no score is a sign of equal \
             sound; ask with a protocol such as abx or triangle",
            inquiry.protocol
        )));
    }
    Ok(())
}

/// What is asked: the protocol with the sides of choice, or a complaint.
pub(super) fn inquiry(protocol: Protocol, sides: Option<Sides>) -> Result<Inquiry, Failure> {
    let Some(sides) = sides else { return Ok(Inquiry::from(protocol)) };
    Inquiry::new(protocol, sides).ok_or_else(|| {
        let only = match Inquiry::from(protocol).sides {
            Sides::One => "one-sided",
            Sides::Two => "two-sided",
        };
        Failure::bad(format!("--sides: {protocol} is always {only}; only two-afc lets you choose"))
    })
}

/// Sides as people type them.
pub(super) fn sides(text: &str) -> Result<Sides, String> {
    match text {
        "one" => Ok(Sides::One),
        "two" => Ok(Sides::Two),
        _ => Err(crate::session::reader::not_among(text, &["one", "two"])),
    }
}

/// A count as people type it.
pub(super) fn whole(text: &str) -> Result<u64, String> {
    text.trim().parse().map_err(|_| {
        let hint = without_groups(text)
            .map_or_else(String::new, |plain| format!("; write {}", foreign::shortened(&plain)));
        format!("\"{}\" must be a whole number, 0 or more{hint}", foreign::shortened(text))
    })
}

/// A whole number whose digits somebody put into groups of three ("1,000"), without what stands between them; `None` of any other
/// text.
pub(super) fn without_groups(text: &str) -> Option<String> {
    let groups: Vec<&str> = text.trim().split([',', '.', '\'', '_', ' ', '\u{a0}']).collect();
    let (first, rest) = groups.split_first()?;
    let digits = |group: &&str| group.bytes().all(|byte| byte.is_ascii_digit());
    let grouped = !rest.is_empty() && rest.iter().all(|group| group.len() == 3 && digits(group));
    (grouped && matches!(first.len(), 1..=3) && digits(first)).then(|| groups.concat())
}

/// The rule over several comparisons with this name.
fn family(text: &str) -> Result<Family, String> {
    match text {
        "holm" => Ok(Family::Holm),
        "none" => Ok(Family::None),
        _ => Err(crate::session::reader::not_among(text, &["holm", "none"])),
    }
}

fn check_risks(arguments: &ScoreArguments) -> Result<(), Failure> {
    for (name, value) in [
        ("--alpha", arguments.alpha.unwrap_or(ALPHA)),
        ("--level", arguments.level),
        ("--beta", arguments.beta),
        ("--similarity", arguments.similarity.unwrap_or(0.5)),
    ] {
        if !(value > 0.0 && value < 1.0) {
            return Err(Failure::bad(format!(
                "{name} is {value}, but must lie between 0 and 1, both excluded"
            )));
        }
    }
    Ok(())
}

/// The protocol with this name, or a complaint that lists all.
pub(super) fn protocol_named(name: &str) -> Result<Protocol, Failure> {
    Protocol::from_name(name).ok_or_else(|| {
        let names: Vec<&str> = Protocol::ALL.iter().map(|protocol| protocol.name()).collect();
        Failure::bad(format!("protocol {}", crate::session::reader::not_among(name, &names)))
    })
}

/// The model with this name for a protocol, or a complaint.
pub(super) fn model_named(name: &str, protocol: Protocol) -> Result<Model, Failure> {
    let usual = Model::of(protocol);
    match name {
        "independent-observation" if protocol == Protocol::Abx => Ok(Model::IndependentObservation),
        _ if name == usual.name() => Ok(usual),
        _ if protocol == Protocol::Abx => Err(Failure::bad(format!(
            "unknown model \"{name}\": for abx it can be differencing or independent-observation"
        ))),
        _ => Err(Failure::bad(format!("the model of {protocol} is {}, not \"{name}\"", usual.name()))),
    }
}

fn analyse(
    arguments: &ScoreArguments,
    inquiry: impl Into<Inquiry>,
    correct: u64,
    trials: u64,
    alpha: f64,
) -> Result<Analysis, Failure> {
    let inquiry = inquiry.into();
    let mut analysis =
        one::analyse_at(inquiry, correct, trials, alpha, arguments.level).map_err(Failure::bad)?;
    if let Some(name) = &arguments.model
        && model_named(name, inquiry.protocol)? == Model::IndependentObservation
        && let Some(other) = analysis.d_prime_independent_observation
    {
        analysis.d_prime = other;
    }
    Ok(analysis)
}

/// The JSON document of one score.
fn document(analysis: &Analysis) -> Result<Value, Failure> {
    let mut document = json!({ "schema": "earwitness.score/1" });
    extend(&mut document, serde_json::to_value(analysis).map_err(Failure::bad)?);
    Ok(document)
}
