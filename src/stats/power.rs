//! Planning: how many trials for given risks, and which risks a number of trials has.
//!
//! Power is not monotone in the number of trials: it climbs while the critical score stays and drops when that moves up
//! by one (a sawtooth). So there are two answers: the first number of trials that reaches the power, and the stable one
//! from which it never drops below again. Both are found exactly; see [`Design::plan`] for how without trying every number.

use serde::Serialize;

use super::protocol::{Inquiry, Sides};
use super::psychometric::{self, Model, proportion_of_discriminators};
use super::{MOST_TRIALS, Protocol, StatsError, binomial, error, one};

/// The size of difference that a plan is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effect {
    /// Proportion right.
    Proportion(f64),
    /// Proportion of discriminators: trials in which the difference is heard.
    Discriminators(f64),
    /// d-prime under the protocol's usual model.
    DPrime(f64),
    /// d-prime under a model of choice.
    DPrimeUnder(f64, Model),
}

impl Effect {
    /// The proportion right that it means.
    ///
    /// # Errors
    /// At or below chance, where there is nothing to find (two-sided: at exactly one half), or above what is possible.
    pub fn proportion(self, inquiry: impl Into<Inquiry>) -> Result<f64, StatsError> {
        let inquiry = inquiry.into();
        let protocol = inquiry.protocol;
        let chance = protocol.chance();
        match self {
            Self::Proportion(p) if inquiry.two_sided() => {
                if !(p > 0.0 && p <= 1.0) {
                    return Err(StatsError::Other(format!(
                        "the proportion of answers for one side is {p}, but must be above 0 and at most 1"
                    )));
                }
                if p == 0.5 {
                    return Err(StatsError::Other(
                        "a proportion of 0.5 is no lead of either side: there is nothing to find".to_string(),
                    ));
                }
                Ok(p.max(1.0 - p))
            }
            Self::Proportion(p) => {
                if !(p > chance && p <= 1.0) {
                    return Err(StatsError::Other(format!(
                        "the proportion right to be found is {p}, but must be above {chance:.3}, which is guessing in \
                         {protocol}, and at most 1"
                    )));
                }
                Ok(p)
            }
            Self::Discriminators(share) => {
                if !(share > 0.0 && share <= 1.0) {
                    return Err(StatsError::Other(format!(
                        "the proportion of discriminators to be found is {share}, but must be above 0 and at most 1"
                    )));
                }
                Ok(proportion_of_discriminators(protocol, share))
            }
            Self::DPrime(d) => Self::DPrimeUnder(d, Model::of(protocol)).proportion(inquiry),
            Self::DPrimeUnder(d, model) => {
                error::inside("d-prime", d, 0.0, 20.0)?;
                Ok(model.proportion(d))
            }
        }
    }
}

/// What is tested at which risk, to find what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Design {
    /// Protocol.
    pub protocol: Protocol,
    /// One- or two-sided.
    pub sides: Sides,
    /// Risk of "a difference" for a guesser.
    pub alpha: f64,
    /// Proportion right to be found.
    pub proportion: f64,
}

/// The risks of a number of trials.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Risks {
    /// Trials.
    pub trials: u64,
    /// Least score that shows a difference; nothing where no score does.
    pub critical: Option<u64>,
    /// Achieved risk of "a difference" for a guesser, at most the wanted one.
    pub alpha: f64,
    /// Achieved probability of finding what the design is for.
    pub power: f64,
}

/// Answer of [`Design::plan`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plan {
    /// First number of trials that reaches the power, and its risks.
    pub first: Risks,
    /// Number of trials from which the power is never missed again, and its risks.
    pub stable: Risks,
}

impl Design {
    /// A design.
    ///
    /// # Errors
    /// `alpha` outside 0..1; an effect that is none.
    pub fn new(inquiry: impl Into<Inquiry>, alpha: f64, effect: Effect) -> Result<Self, StatsError> {
        let inquiry = inquiry.into();
        error::inside("alpha", alpha, 0.0, 1.0)?;
        let Inquiry { protocol, sides } = inquiry;
        Ok(Self { protocol, sides, alpha, proportion: effect.proportion(inquiry)? })
    }

    /// What is asked, and in which direction it is tested.
    pub fn inquiry(&self) -> Inquiry {
        Inquiry { protocol: self.protocol, sides: self.sides }
    }

    fn two_sided(&self) -> bool {
        self.sides == Sides::Two
    }

    /// Risk per side.
    fn one_side(&self) -> f64 {
        self.sides.of_risk(self.alpha)
    }

    /// Probability that a listener with this proportion right gets a score that shows a difference.
    fn reached(&self, trials: u64, critical: u64, proportion: f64) -> f64 {
        let other = if self.two_sided() && 2 * critical > trials {
            binomial::lower(trials - critical, trials, proportion)
        } else {
            0.0
        };
        (binomial::upper(critical, trials, proportion) + other).min(1.0)
    }

    /// The risks of this number of trials.
    ///
    /// # Errors
    /// No trials, or more than [`MOST_TRIALS`].
    pub fn risks(&self, trials: u64) -> Result<Risks, StatsError> {
        error::counts(0, trials)?;
        Ok(self.risks_unchecked(trials))
    }

    fn risks_unchecked(&self, trials: u64) -> Risks {
        let critical = one::critical(self.inquiry(), trials, self.alpha);
        let (alpha, power) = critical.map_or((0.0, 0.0), |critical| {
            (
                self.reached(trials, critical, self.protocol.chance()),
                self.reached(trials, critical, self.proportion),
            )
        });
        Risks { trials, critical, alpha, power }
    }

    /// Power of the randomised test whose risk is exactly `size` per side: never falls as trials are added, because a
    /// test may ignore a trial, and no test of that risk has more.
    fn randomised_power(&self, trials: u64, size: f64) -> f64 {
        let chance = self.protocol.chance();
        // The score below the critical one counts with a probability that uses up the risk.
        let critical = binomial::critical(trials, chance, size).unwrap_or(trials + 1);
        if critical == 0 {
            return 1.0;
        }
        let left = size - binomial::upper(critical, trials, chance);
        let share = (left / binomial::mass(critical - 1, trials, chance)).clamp(0.0, 1.0);
        let near =
            |p: f64| binomial::upper(critical, trials, p) + share * binomial::mass(critical - 1, trials, p);
        let far = if self.two_sided() { near(1.0 - self.proportion) } else { 0.0 };
        (near(self.proportion) + far).min(1.0)
    }

    /// A lower bound of the power with this many trials or more: the randomised test at a risk that is smaller by the
    /// most that a whole-number critical score can waste (twice the hazard of the score below the critical one).
    fn sure_power(&self, trials: u64) -> f64 {
        let chance = self.protocol.chance();
        let size = self.one_side();
        let Some(critical) = binomial::critical(trials, chance, size) else { return 0.0 };
        if critical == 0 {
            return 1.0;
        }
        let below = binomial::upper(critical - 1, trials, chance);
        let hazard = binomial::mass(critical - 1, trials, chance) / below;
        let wasted = (1.5 * hazard).min(0.95);
        self.randomised_power(trials, size * (1.0 - wasted))
    }

    /// First number of trials, by bisection, for which a condition that stays true holds.
    fn first_where(holds: impl Fn(u64) -> bool) -> Option<u64> {
        let mut high = 1_u64;
        while !holds(high) {
            if high >= MOST_TRIALS {
                return None;
            }
            high = (high * 2).min(MOST_TRIALS);
        }
        let mut low = high / 2;
        while high - low > 1 {
            let middle = u64::midpoint(low, high);
            if holds(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }

    /// The first and the stable number of trials that reach `power`.
    ///
    /// No number below the one at which the randomised test reaches the power can do so: the search for the first starts
    /// there. From the number at which a lower bound reaches it (`sure_power`) on all do: the search for the
    /// stable one goes down from there.
    ///
    /// # Errors
    /// Power outside 0..1, or more trials needed than [`MOST_TRIALS`].
    pub fn plan(&self, power: f64) -> Result<Plan, StatsError> {
        error::inside("the power", power, 0.0, 1.0)?;
        let enough = |trials: u64| self.risks_unchecked(trials).power >= power * (1.0 - 1e-12);
        let too_many = || {
            StatsError::Other(format!(
                "a proportion right of {:.6} against {:.6} for guessing needs more than {MOST_TRIALS} trials: plan for a larger difference or \
                 less power",
                self.proportion,
                self.protocol.chance()
            ))
        };
        let start = Self::first_where(|trials| {
            self.randomised_power(trials, self.one_side()) >= power * (1.0 - 1e-11)
        })
        .ok_or_else(too_many)?;
        let sure =
            Self::first_where(|trials| self.sure_power(trials) >= power).ok_or_else(too_many)?.max(start);
        let first = (start..=MOST_TRIALS).find(|&trials| enough(trials)).ok_or_else(too_many)?;
        let last_short = (first..sure).rev().find(|&trials| !enough(trials));
        let stable = last_short.map_or(first, |trials| trials + 1);
        Ok(Plan { first: self.risks_unchecked(first), stable: self.risks_unchecked(stable) })
    }

    /// The design for the smallest difference that this number of trials finds with this power: what a result of "not
    /// shown" would speak against.
    ///
    /// # Errors
    /// `alpha` or power outside 0..1, no trials, no score that is rare enough by luck, or a power that guessing has.
    pub fn within_reach(
        inquiry: impl Into<Inquiry>,
        alpha: f64,
        trials: u64,
        power: f64,
    ) -> Result<Self, StatsError> {
        let Inquiry { protocol, sides } = inquiry.into();
        error::inside("alpha", alpha, 0.0, 1.0)?;
        error::inside("the power", power, 0.0, 1.0)?;
        let chance = protocol.chance();
        let of = |proportion: f64| Self { protocol, sides, alpha, proportion };
        let guessing = of(chance).risks(trials)?;
        if guessing.critical.is_none() {
            return Err(StatsError::Other(format!(
                "no score of {trials} trials is rare enough by chance for a risk of {alpha}, so nothing can be shown: plan \
                 more trials"
            )));
        }
        if guessing.power >= power {
            return Err(StatsError::Other(format!(
                "guessing alone passes {trials} trials with a probability of {:.6}, so a power of {power} says nothing",
                guessing.power
            )));
        }
        // The power grows with the proportion; halving until doubles can tell no more.
        let (mut low, mut high) = (chance, 1.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if of(middle).risks_unchecked(trials).power < power { low = middle } else { high = middle }
        }
        Ok(of(high))
    }

    /// The d-prime (usual model) and the proportion of discriminators that the design is for.
    pub fn effect(&self) -> (f64, f64) {
        let share = psychometric::discriminators(self.protocol, self.proportion);
        // A proportion of 1 has no finite d-prime; the largest that double precision tells from it stands in.
        let d = Model::of(self.protocol).d_prime(self.proportion.min(1.0 - 1e-15)).unwrap_or(0.0);
        (d, share)
    }
}
