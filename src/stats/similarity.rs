//! "No difference" is a claim too: similarity tests after ISO 4120 and ISO 10399, and what a null result excludes.
//!
//! The claim is "at most this share of discriminators". It is supported at risk beta when a score as low as the seen one
//! would come up in at most beta of tests if the share were just that. In a two-sided test the claim is that neither side is
//! chosen more often than that share says, by two one-sided tests. A score that disagrees with guessing from below
//! ([`one::below_guessing`]) supports the claim nowhere: it is no sign that nothing was heard.

use serde::Serialize;

use super::protocol::Inquiry;
use super::psychometric::{Model, discriminators, proportion_of_discriminators};
use super::{MOST_TRIALS, StatsError, binomial, error, interval, one};

/// The similarity verdict on one score.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Similarity {
    /// Share of discriminators that the claim allows at most.
    pub limit: f64,
    /// Risk of supporting the claim when the share is just above the limit.
    pub beta: f64,
    /// Probability of so low a score if the share were the limit: the p-value of the claim.
    pub p_value: f64,
    /// Largest score that supports the claim; nothing where none does.
    pub critical: Option<u64>,
    /// Whether this score supports it.
    pub similar: bool,
    /// One-sided upper limit of the share at 1 - beta.
    pub discriminators_at_most: f64,
    /// One-sided upper limit of d-prime at 1 - beta, nothing where all answers are right.
    pub d_prime_at_most: Option<f64>,
    /// The score is below what guessing gives on average. ISO 4120 8.2 concludes nothing there: something else may be
    /// wrong.
    pub below_chance: bool,
    /// The score disagrees with guessing from below ([`one::below_guessing`]), which rules the claim out.
    pub below_guessing: bool,
}

fn check(limit: f64, beta: f64) -> Result<(), StatsError> {
    error::inside("the limit of the share of discriminators", limit, 0.0, 1.0)?;
    error::inside("beta", beta, 0.0, 1.0)
}

/// Largest score for which P(X <= score) is at most `beta` when the share of discriminators is `limit`. ISO 5495 Table A.3,
/// ISO 4120.
///
/// # Errors
/// No or too many trials; limit or beta outside 0..1.
pub fn critical(
    inquiry: impl Into<Inquiry>,
    trials: u64,
    limit: f64,
    beta: f64,
) -> Result<Option<u64>, StatsError> {
    let protocol = inquiry.into().protocol;
    error::counts(0, trials)?;
    check(limit, beta)?;
    Ok(binomial::critical_lower(trials, proportion_of_discriminators(protocol, limit), beta))
}

/// The similarity verdict on a score.
///
/// # Errors
/// Impossible counts; limit or beta outside 0..1.
pub fn test(
    inquiry: impl Into<Inquiry>,
    correct: u64,
    trials: u64,
    limit: f64,
    beta: f64,
) -> Result<Similarity, StatsError> {
    let inquiry = inquiry.into();
    let protocol = inquiry.protocol;
    error::counts(correct, trials)?;
    let critical = critical(inquiry, trials, limit, beta)?;
    // Two-sided: the side with more answers must have few enough.
    let score = if inquiry.two_sided() { correct.max(trials - correct) } else { correct };
    let below_guessing = one::below_guessing(inquiry, correct, trials);
    let p_value = binomial::lower(score, trials, proportion_of_discriminators(protocol, limit));
    let upper = interval::upper_limit(score, trials, 1.0 - beta)?;
    let d_prime_at_most = if upper < 1.0 { Some(Model::of(protocol).d_prime(upper)?.max(0.0)) } else { None };
    Ok(Similarity {
        limit,
        beta,
        p_value,
        critical,
        similar: binomial::at_most(p_value, beta) && !below_guessing,
        discriminators_at_most: discriminators(protocol, upper).max(0.0),
        d_prime_at_most,
        below_chance: (score as f64) < trials as f64 * protocol.chance(),
        below_guessing,
    })
}

/// Probability that the claim is supported when the share is really `share`: the power of the standards' rule. That a
/// score far below guessing supports nothing takes off less than 2.5 points, and less the larger the share.
///
/// # Errors
/// As [`critical`]; a share outside 0..=1.
pub fn power(
    inquiry: impl Into<Inquiry>,
    trials: u64,
    limit: f64,
    beta: f64,
    share: f64,
) -> Result<f64, StatsError> {
    let inquiry = inquiry.into();
    if !(0.0..=1.0).contains(&share) {
        return Err(StatsError::Outside {
            what: "the true share of discriminators",
            value: share,
            above: 0.0,
            below: 1.0,
        });
    }
    Ok(critical(inquiry, trials, limit, beta)?.map_or(0.0, |critical| {
        let p = proportion_of_discriminators(inquiry.protocol, share);
        if !inquiry.two_sided() {
            return binomial::lower(critical, trials, p);
        }
        if 2 * critical < trials {
            return 0.0;
        }
        // Too few for this side is too many for the other.
        let excluded =
            (trials - critical).checked_sub(1).map_or(0.0, |most| binomial::lower(most, trials, p));
        (binomial::lower(critical, trials, p) - excluded).max(0.0)
    }))
}

/// A plan for a similarity test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SimilarityPlan {
    /// First number of trials that reaches the power.
    pub trials: u64,
    /// Largest score that supports the claim.
    pub critical: u64,
    /// Achieved risk, at most the wanted beta.
    pub beta: f64,
    /// Achieved power.
    pub power: f64,
    /// Number of trials from which the power is not missed again (within the numbers searched).
    pub stable_trials: u64,
}

/// First and stable number of trials for which a similarity test at `limit` and `beta` succeeds with probability `power`
/// when the share is really `share`. Searched around the normal approximation.
///
/// # Errors
/// Values outside their ranges, a share that is not below the limit, more than a million trials.
pub fn plan(
    inquiry: impl Into<Inquiry>,
    limit: f64,
    beta: f64,
    wanted: f64,
    share: f64,
) -> Result<SimilarityPlan, StatsError> {
    let inquiry = inquiry.into();
    let protocol = inquiry.protocol;
    check(limit, beta)?;
    error::inside("the power", wanted, 0.0, 1.0)?;
    if !(share >= 0.0 && share < limit) {
        return Err(StatsError::Other(format!(
            "the true share of discriminators is {share}, but must be at least 0 and below the limit {limit}: a claim that \
             does not hold cannot be planned for"
        )));
    }
    let (p, q) =
        (proportion_of_discriminators(protocol, limit), proportion_of_discriminators(protocol, share));
    let z = |risk: f64| -super::special::normal_quantile(risk);
    let spread = (z(beta) * (p * (1.0 - p)).sqrt() + z(1.0 - wanted) * (q * (1.0 - q)).sqrt()) / (p - q);
    let about = spread * spread;
    if about > 1_000_000.0_f64.min(MOST_TRIALS as f64) {
        return Err(StatsError::Other(format!(
            "a limit of {limit} with a true share of {share} needs about {about:.0} trials: plan for a larger limit"
        )));
    }
    let reach = |trials: u64| {
        power(inquiry, trials, limit, beta, share).map(|reached| reached >= wanted * (1.0 - 1e-12))
    };
    // The approximation is off by a few times 1/(p - q) trials, which is also the width of the sawtooth.
    let margin = 30.0 + 3.0 * about.sqrt() + 12.0 / (p - q);
    let from = (about - margin).max(1.0) as u64;
    let to = (about + margin) as u64;
    let (mut first, mut stable) = (None, from);
    for trials in from..=to {
        if reach(trials)? {
            first.get_or_insert(trials);
        } else {
            stable = trials + 1;
        }
    }
    let Some(first) = first else {
        return Err(StatsError::Other(format!(
            "no number of trials up to {to} reaches a power of {wanted}: ask for less power or a larger limit"
        )));
    };
    let critical = critical(inquiry, first, limit, beta)?.unwrap_or(0);
    Ok(SimilarityPlan {
        trials: first,
        critical,
        beta: binomial::lower(critical, first, p),
        power: power(inquiry, first, limit, beta, share)?,
        stable_trials: stable.max(first),
    })
}
