//! One score, everything about it: the numbers that `score`, verdicts and reports share.

use serde::Serialize;

use super::interval::{self, Interval};
use super::looks::LookLimits;
use super::protocol::{Inquiry, Sides};
use super::psychometric::{self, Model};
use super::sequential::{Decision, SequentialTest};
use super::special::beta_quantile;
use super::tally::Tally;
use super::{Protocol, StatsError, binomial, error};

/// An estimate with the ends of its confidence interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// Best single value.
    pub estimate: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

/// What an extreme score does to d-prime.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Extreme {
    /// Everything right: any large d-prime agrees with it. Value and upper end are finite stand-ins.
    AllRight,
    /// At or below chance: d-prime is taken as 0.
    AtOrBelowChance,
    /// Two-sided only: all for side A; value and lower end are finite stand-ins.
    NoneRight,
}

/// d-prime with the ends of its confidence interval and the model behind.
///
/// The ends are the exact (Clopper-Pearson) ends of the proportion, carried through the psychometric function, which is
/// monotone and so keeps the coverage. Where all answers are right, d-prime has no finite estimate and no finite upper
/// end. Then the value is taken at a proportion of (n - 1/2)/n (the 1/(2n) correction, Macmillan & Creelman), the upper
/// end at the upper limit under Jeffreys' prior, the lower end is the exact one, and `extreme` says so.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DPrime {
    /// Best single value.
    pub value: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// How the listener is thought to answer.
    pub model: Model,
    /// Whether the value is a stand-in.
    pub extreme: Option<Extreme>,
}

/// Everything about one score.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Analysis {
    /// Protocol.
    pub protocol: Protocol,
    /// Whether the test is one- or two-sided.
    pub sides: Sides,
    /// Counted answers: right ones, or those for side B where nobody is right or the test is two-sided.
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// A guesser's probability of a right answer in one trial.
    pub chance: f64,
    /// Probability that a guesser does at least as well (two-sided: deviates at least as far to either side).
    pub p_value: f64,
    /// Common logarithm of the p-value, which also tells p-values apart that are smaller than the smallest double.
    pub log10_p_value: f64,
    /// Probability that a guesser deviates at least as far from what guessing gives, to either side: twice the smaller
    /// tail, at most 1. The same as `p_value` in a two-sided test.
    pub two_sided_p_value: f64,
    /// A one-sided score is so far below what guessing gives that it disagrees with guessing all the same
    /// ([`below_guessing`]): something was heard, and answered the other way round, or the conduct went wrong.
    pub below_guessing: bool,
    /// The p-value with half of the probability of the very score (Lancaster 1961).
    pub mid_p: f64,
    /// Right answers over trials.
    pub proportion: f64,
    /// Clopper-Pearson, two-sided.
    pub interval: Interval,
    /// Wilson's score interval, two-sided.
    pub wilson: Interval,
    /// Jeffreys, two-sided.
    pub jeffreys: Interval,
    /// Least score with a p-value of at most `alpha`; nothing where no score reaches it.
    pub critical: Option<u64>,
    /// Proportion of discriminators, from the exact interval, kept inside 0..1 (two-sided: the lead of side B, -1..1).
    pub discriminators: Estimate,
    /// Where answers point to one of two sides: the lead of the counted side over the other as a share of all answers,
    /// -1..1, from the exact interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lead: Option<Estimate>,
    /// d-prime under the protocol's usual model.
    pub d_prime: DPrime,
    /// ABX only: d-prime under the other model.
    pub d_prime_independent_observation: Option<DPrime>,
    /// How many times better "hears something" predicts the score than guessing does. Prior: the proportion of
    /// discriminators is anything from 0 to 1 with equal weight (preference: the proportion is anything from 0 to 1).
    /// At most the largest double; see [`Analysis::ln_bayes_factor_10`].
    pub bayes_factor_10: f64,
    /// Natural logarithm of it, which never overflows.
    pub ln_bayes_factor_10: f64,
    /// The prior in words.
    pub bayes_prior: &'static str,
    /// The risk that `critical` was computed for.
    pub alpha: f64,
    /// Whether the p-value is at most `alpha`.
    pub significant: bool,
    /// One-sided lower limit of the proportion of discriminators at `interval.level`; above 0 exactly where the one-sided
    /// p-value is below 1 - level.
    pub discriminators_at_least: f64,
    /// One-sided upper limit of the proportion of discriminators at `interval.level`.
    pub discriminators_at_most: f64,
    /// One-sided upper limit of d-prime at `interval.level` (all right: a finite stand-in as in [`DPrime`]).
    pub d_prime_at_most: f64,
}

/// Analyses a score at the usual 95 % level.
///
/// # Errors
/// No trials, more right than trials, too many trials, `alpha` outside 0..1.
pub fn analyse(
    inquiry: impl Into<Inquiry>,
    correct: u64,
    trials: u64,
    alpha: f64,
) -> Result<Analysis, StatsError> {
    analyse_at(inquiry, correct, trials, alpha, 0.95)
}

/// Analyses a score with intervals at a level of choice.
///
/// # Errors
/// As [`analyse`]; `level` outside 0..1.
pub fn analyse_at(
    inquiry: impl Into<Inquiry>,
    correct: u64,
    trials: u64,
    alpha: f64,
    level: f64,
) -> Result<Analysis, StatsError> {
    let inquiry = inquiry.into();
    let protocol = inquiry.protocol;
    error::counts(correct, trials)?;
    error::inside("alpha", alpha, 0.0, 1.0)?;
    error::inside("the confidence level", level, 0.0, 1.0)?;
    let exact = interval::clopper_pearson(correct, trials, level)?;
    let p_value = p_value(inquiry, correct, trials);
    let ln_bayes = ln_bayes_factor(inquiry, correct, trials);
    let limits = Limits {
        interval: exact,
        lower: interval::lower_limit(correct, trials, level)?,
        upper: interval::upper_limit(correct, trials, level)?,
    };
    let shares = limits.shares(inquiry, correct, trials)?;
    Ok(Analysis {
        protocol,
        sides: inquiry.sides,
        correct,
        trials,
        chance: protocol.chance(),
        p_value,
        log10_p_value: ln_p_value(inquiry, correct, trials) * std::f64::consts::LOG10_E,
        two_sided_p_value: two_sided_p_value(inquiry, correct, trials),
        below_guessing: below_guessing(inquiry, correct, trials),
        mid_p: mid_p(inquiry, correct, trials),
        proportion: correct as f64 / trials as f64,
        interval: exact,
        wilson: interval::wilson(correct, trials, level)?,
        jeffreys: interval::jeffreys(correct, trials, level)?,
        critical: critical(inquiry, trials, alpha),
        discriminators: shares.discriminators,
        lead: shares.lead,
        d_prime: shares.d_prime,
        d_prime_independent_observation: shares.d_prime_independent_observation,
        bayes_factor_10: ln_bayes.exp().min(f64::MAX),
        ln_bayes_factor_10: ln_bayes,
        bayes_prior: if inquiry.two_sided() {
            "proportion for side B uniform from 0 to 1"
        } else {
            "proportion of discriminators uniform from 0 to 1"
        },
        alpha,
        significant: binomial::at_most(p_value, alpha),
        discriminators_at_least: shares.discriminators_at_least,
        discriminators_at_most: shares.discriminators_at_most,
        d_prime_at_most: shares.d_prime_at_most,
    })
}

/// Analyses a score at which a sequential test ended: p-values, intervals and limits take the rule for stopping into
/// account, by ordering the ends stage by stage ([`SequentialTest::interval`]). No score is needed, the rule decides.
/// `mid_p`, `wilson` and `jeffreys` stay those of a fixed number of trials; the Bayes factor does not depend on the rule.
///
/// # Errors
/// As [`analyse`] and [`SequentialTest::interval`]: among others a score at which nothing ends.
pub fn analyse_sequential(
    inquiry: impl Into<Inquiry>,
    test: &SequentialTest,
    correct: u64,
    trials: u64,
    alpha: f64,
) -> Result<Analysis, StatsError> {
    let inquiry = inquiry.into();
    let fixed = analyse(inquiry, correct, trials, alpha)?;
    let level = fixed.interval.level;
    let limits = Limits {
        interval: test.interval(correct, trials, level)?,
        lower: test.at_least_right(correct, trials, level)?,
        upper: test.at_most(correct, trials, level)?,
    };
    let found = test.decision(correct, trials) == Decision::Difference;
    fixed.with(inquiry, &limits, test.p_values(correct, trials)?, found)
}

/// Analyses the answers of several listeners who each stopped by the same rule, which found a difference for `found` of
/// them: the number found is what is tested, and limits are those of [`SequentialTest::interval_of_found`]. `score` is
/// that of all together, whose quotient estimates the proportion whatever the rule (Wald's identity).
///
/// # Errors
/// As [`analyse`] and [`SequentialTest::interval_of_found`].
pub fn analyse_found(
    inquiry: impl Into<Inquiry>,
    test: &SequentialTest,
    Tally { correct: found, trials: listeners }: Tally,
    score: Tally,
    alpha: f64,
) -> Result<Analysis, StatsError> {
    let inquiry = inquiry.into();
    let fixed = analyse(inquiry, score.correct, score.trials, alpha)?;
    let (interval, lower, upper) = test.interval_of_found(found, listeners, fixed.interval.level)?;
    let guesser = test.exact(test.chance)?.difference;
    let tails = (binomial::upper(found, listeners, guesser), binomial::lower(found, listeners, guesser));
    let limits = Limits { interval, lower, upper };
    fixed.with(inquiry, &limits, tails, binomial::at_most(tails.0, alpha))
}

/// Analyses a score at a look that shares its risk with others: p-value, intervals and limits take all looks so far into
/// account ([`super::looks::Looks::limits`]), and so does the score needed. `mid_p`, `wilson` and `jeffreys` stay those of a test that is
/// looked at once; the Bayes factor does not depend on the looks.
///
/// # Errors
/// As [`analyse`].
pub fn analyse_at_look(
    inquiry: impl Into<Inquiry>,
    limits: &LookLimits,
    score: Tally,
    alpha: f64,
) -> Result<Analysis, StatsError> {
    let inquiry = inquiry.into();
    let fixed = analyse(inquiry, score.correct, score.trials, alpha)?;
    let &LookLimits { interval, lower, upper, tails } = limits;
    fixed.with(inquiry, &Limits { interval, lower, upper }, tails, binomial::at_most(tails.0, alpha))
}

impl Analysis {
    /// The same score with other limits and other probabilities that a guesser gets at least as far up and down.
    fn with(
        self,
        inquiry: Inquiry,
        limits: &Limits,
        (above, below): (f64, f64),
        significant: bool,
    ) -> Result<Self, StatsError> {
        let shares = limits.shares(inquiry, self.correct, self.trials)?;
        Ok(Self {
            p_value: above,
            log10_p_value: above.max(f64::MIN_POSITIVE).log10(),
            two_sided_p_value: (2.0 * above.min(below)).min(1.0),
            below_guessing: below <= BELOW_GUESSING_RISK / 2.0,
            interval: limits.interval,
            critical: None,
            discriminators: shares.discriminators,
            lead: shares.lead,
            d_prime: shares.d_prime,
            d_prime_independent_observation: shares.d_prime_independent_observation,
            significant,
            discriminators_at_least: shares.discriminators_at_least,
            discriminators_at_most: shares.discriminators_at_most,
            d_prime_at_most: shares.d_prime_at_most,
            ..self
        })
    }
}

/// What is known about the proportion of counted answers.
#[derive(Clone, Copy)]
struct Limits {
    /// Two-sided.
    interval: Interval,
    /// One-sided lower limit.
    lower: f64,
    /// One-sided upper limit.
    upper: f64,
}

/// The same about what the proportion means.
struct Shares {
    discriminators: Estimate,
    lead: Option<Estimate>,
    d_prime: DPrime,
    d_prime_independent_observation: Option<DPrime>,
    discriminators_at_least: f64,
    discriminators_at_most: f64,
    d_prime_at_most: f64,
}

impl Limits {
    fn shares(&self, inquiry: Inquiry, correct: u64, trials: u64) -> Result<Shares, StatsError> {
        let protocol = inquiry.protocol;
        let share = |p: f64| {
            let value = psychometric::discriminators(protocol, p);
            if inquiry.two_sided() { value } else { value.max(0.0) }
        };
        let through = |of: &dyn Fn(f64) -> f64| Estimate {
            estimate: of(correct as f64 / trials as f64),
            lower: of(self.interval.lower),
            upper: of(self.interval.upper),
        };
        let model = Model::of(protocol);
        let other = Model::IndependentObservation;
        Ok(Shares {
            discriminators: through(&share),
            lead: protocol.asks().has_lead().then(|| through(&|p| 2.0 * p - 1.0)),
            d_prime: d_prime(inquiry, model, correct, trials, self.interval)?,
            d_prime_independent_observation: (protocol == Protocol::Abx)
                .then(|| d_prime(inquiry, other, correct, trials, self.interval))
                .transpose()?,
            discriminators_at_least: share(self.lower),
            discriminators_at_most: share(self.upper),
            d_prime_at_most: if correct == trials || self.upper >= 1.0 {
                model.d_prime(all_right_upper(trials, self.interval.level))?
            } else {
                clamp_d(inquiry, model.d_prime(self.upper)?)
            },
        })
    }
}

/// Probability that a guesser does at least as well; two-sided: deviates at least as far to either side.
pub fn p_value(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> f64 {
    let inquiry = inquiry.into();
    match inquiry.sides {
        Sides::One => binomial::upper(correct, trials, inquiry.chance()),
        Sides::Two => binomial::two_sided_half(correct, trials),
    }
}

/// Twice the smaller tail of a guesser's score, at most 1: how surprising a score is whichever way it deviates.
pub fn two_sided_p_value(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> f64 {
    let chance = inquiry.into().chance();
    let tail = binomial::upper(correct, trials, chance).min(binomial::lower(correct, trials, chance));
    (2.0 * tail).min(1.0)
}

/// Risk, two-sided, at which a score counts as disagreeing with guessing from below (common practice, no source).
pub const BELOW_GUESSING_RISK: f64 = 0.05;

/// Whether a one-sided score disagrees with guessing from below: a guesser scores as low in at most half of
/// [`BELOW_GUESSING_RISK`] of tests. Such a score is evidence of a difference the other way round, or of a mistake in
/// the conduct, and supports no claim of similarity. Never so in a two-sided test, which looks both ways already.
pub fn below_guessing(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> bool {
    let inquiry = inquiry.into();
    most_below_guessing(inquiry, trials).is_some_and(|most| correct <= most)
}

/// Largest score that counts as [`below_guessing`]; nothing where none does.
pub fn most_below_guessing(inquiry: impl Into<Inquiry>, trials: u64) -> Option<u64> {
    let inquiry = inquiry.into();
    match inquiry.sides {
        Sides::One => binomial::critical_lower(trials, inquiry.chance(), BELOW_GUESSING_RISK / 2.0),
        Sides::Two => None,
    }
}

/// Mid-p value, one- or two-sided as the inquiry is.
pub fn mid_p(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> f64 {
    let inquiry = inquiry.into();
    match inquiry.sides {
        Sides::One => binomial::mid_upper(correct, trials, inquiry.chance()),
        Sides::Two => (2.0 * binomial::mid_upper(correct.max(trials - correct), trials, 0.5)).min(1.0),
    }
}

/// Least score with a p-value of at most `alpha`; two-sided: for whichever side has more.
pub fn critical(inquiry: impl Into<Inquiry>, trials: u64, alpha: f64) -> Option<u64> {
    let inquiry = inquiry.into();
    binomial::critical(trials, inquiry.chance(), inquiry.sides.of_risk(alpha))
}

/// ln of the Bayes factor of "hears something" against guessing.
///
/// One-sided: the integral of the likelihood over a uniform prior on chance..1 is P(Y <= correct)/((n+1)(1-chance)) with
/// Y ~ binomial(n+1, chance); exact. Two-sided: uniform on 0..1 gives 1/(n+1).
pub fn ln_bayes_factor(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> f64 {
    let inquiry = inquiry.into();
    let chance = inquiry.chance();
    let guessing = binomial::ln_mass(correct, trials, chance);
    let whole = ((trials + 1) as f64).ln();
    match inquiry.sides {
        Sides::One => {
            binomial::ln_lower(correct, trials + 1, chance) - whole - (1.0 - chance).ln() - guessing
        }
        Sides::Two => -whole - guessing,
    }
}

fn clamp_d(inquiry: Inquiry, value: f64) -> f64 {
    if inquiry.two_sided() { value } else { value.max(0.0) }
}

/// Upper limit of the proportion under Jeffreys' prior where all answers are right, finite in d-prime.
fn all_right_upper(trials: u64, level: f64) -> f64 {
    let q = beta_quantile(0.5, trials as f64 + 0.5, (1.0 - level) / 2.0);
    // Below this the proportion would round to 1.
    1.0 - q.max(1e-15)
}

/// d-prime of a score under a model, with the exact interval of the proportion carried through.
pub fn d_prime(
    inquiry: impl Into<Inquiry>,
    model: Model,
    correct: u64,
    trials: u64,
    exact: Interval,
) -> Result<DPrime, StatsError> {
    let inquiry = inquiry.into();
    let n = trials as f64;
    let proportion = correct as f64 / n;
    let of = |p: f64| -> Result<f64, StatsError> {
        if p <= 0.0 { Ok(0.0) } else { Ok(clamp_d(inquiry, model.d_prime(p)?)) }
    };
    let signed = inquiry.two_sided();
    if correct == trials {
        let value = of(if trials == 1 { 0.75 } else { (n - 0.5) / n })?;
        return Ok(DPrime {
            value,
            lower: of(exact.lower)?,
            upper: of(all_right_upper(trials, exact.level))?.max(value),
            model,
            extreme: Some(Extreme::AllRight),
        });
    }
    if correct == 0 && signed {
        let value = of(0.5 / n)?;
        return Ok(DPrime {
            value,
            lower: (-of(all_right_upper(trials, exact.level))?).min(value),
            upper: of(exact.upper)?,
            model,
            extreme: Some(Extreme::NoneRight),
        });
    }
    let value = of(proportion)?;
    // An interval that knows the rule for stopping may reach 1 without all answers right.
    let upper = if exact.upper >= 1.0 {
        of(all_right_upper(trials, exact.level))?.max(value)
    } else {
        of(exact.upper)?
    };
    Ok(DPrime {
        value,
        lower: of(exact.lower)?,
        upper,
        model,
        extreme: (!signed && proportion <= inquiry.chance()).then_some(Extreme::AtOrBelowChance),
    })
}

/// ln of the p-value, for scores whose p-value is below the smallest double.
pub fn ln_p_value(inquiry: impl Into<Inquiry>, correct: u64, trials: u64) -> f64 {
    let inquiry = inquiry.into();
    match inquiry.sides {
        Sides::One => binomial::ln_upper(correct, trials, inquiry.chance()),
        Sides::Two => {
            (binomial::ln_upper(correct.max(trials - correct), trials, 0.5) + 2.0_f64.ln()).min(0.0)
        }
    }
}
