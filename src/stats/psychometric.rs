//! From d-prime to proportion right and back, for each protocol by its own psychometric function.
//!
//! d-prime is the distance between the two stimuli on the listener's internal axis in units of the internal noise.
//! Sources: Macmillan & Creelman, Detection Theory (2-AFC, ABX by both models); Frijters 1980 (triangle); Ennis et al.
//! (tetrad); duo-trio as ABX by differencing; same-different by differencing and yes-no (A-not-A) after Macmillan &
//! Creelman, Detection Theory, 2nd edition 2005, chapters 1, 2 and 9 (from memory; held by simulation of the decision
//! rule). Same-different and yes-no depend on where the listener draws the line between "same" and "different": the
//! proportion right is taken at the best place, so that d-prime from it is never too large; [`SameDifferentRates`] separates d-prime from
//! that bias.

use std::f64::consts::SQRT_2;

use serde::Serialize;

pub use super::model::Model;
use super::special::{integrate, normal, normal_density, root};
use super::{Protocol, StatsError, error};

impl Model {
    /// The model that is used for a protocol unless another is asked for: [`Definition::model`].
    ///
    /// [`Definition::model`]: super::protocol::Definition::model
    pub fn of(protocol: Protocol) -> Self {
        super::protocol::Definition::of(protocol).model
    }

    /// Name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Differencing => "differencing",
            Self::IndependentObservation => "independent-observation",
            Self::TwoAfc => "two-afc",
            Self::Triangle => "triangle",
            Self::Tetrad => "tetrad",
            Self::SameDifferent => "same-different",
            Self::YesNo => "yes-no",
        }
    }

    /// Proportion right of a guesser, d-prime 0.
    pub fn chance(self) -> f64 {
        match self {
            Self::Differencing
            | Self::IndependentObservation
            | Self::TwoAfc
            | Self::SameDifferent
            | Self::YesNo => 0.5,
            Self::Triangle | Self::Tetrad => 1.0 / 3.0,
        }
    }

    /// Proportion right at a d-prime. Negative values mean the same as positive ones, but in 2-AFC, where they mean
    /// that the other one is heard as larger.
    pub fn proportion(self, d_prime: f64) -> f64 {
        let d = d_prime;
        // Both tails of each product: right by both judgements, or by two errors that cancel.
        let pair = |u: f64, v: f64| normal(u) * normal(v) + normal(-u) * normal(-v);
        match self {
            Self::TwoAfc => normal(d / SQRT_2),
            Self::Differencing => pair(d / SQRT_2, d / 6.0_f64.sqrt()),
            Self::IndependentObservation => pair(d / SQRT_2, d / 2.0),
            Self::Triangle => {
                let shift = d.abs() * (2.0_f64 / 3.0).sqrt();
                let root3 = 3.0_f64.sqrt();
                let value = 2.0
                    * integrate(0.0, 9.0, 12, |u| {
                        (normal(shift - u * root3) + normal(-shift - u * root3)) * normal_density(u)
                    });
                value.min(1.0)
            }
            Self::Tetrad => {
                // 1 - 2 int phi(u) [2 Phi(u) Phi(u-d) - Phi(u-d)^2] du
                let d = d.abs();
                let wrong = 2.0
                    * integrate(-9.0, 9.0, 20, |u| {
                        let shifted = normal(u - d);
                        normal_density(u) * shifted * (2.0 * normal(u) - shifted)
                    });
                1.0 - wrong
            }
            Self::SameDifferent => {
                let k = best_same_different_criterion(d);
                0.5 * (1.0 + different_when_different(d, k) - different_when_same(k))
            }
            Self::YesNo => normal(d.abs() / 2.0),
        }
    }

    /// The d-prime at which this proportion is right: 0 at or below chance (2-AFC: negative below chance).
    pub fn d_prime(self, proportion: f64) -> Result<f64, StatsError> {
        if self == Self::TwoAfc {
            error::inside("the proportion right", proportion, 0.0, 1.0)?;
            return Ok(SQRT_2 * super::special::normal_quantile(proportion));
        }
        if proportion <= self.chance() {
            return Ok(0.0);
        }
        error::inside("the proportion right", proportion, 0.0, 1.0)?;
        // At 40 every function has reached 1 in double precision.
        let mut high = 2.0;
        while high < 40.0 && self.proportion(high) < proportion {
            high *= 2.0;
        }
        Ok(root(0.0, high, |d| self.proportion(d) - proportion))
    }
}

/// The distance beyond which "different" is the better answer where same and different are equally frequent, in units of
/// the internal noise: where the likelihood ratio of the observed distance is 1, exp(-d^2/4) cosh(k d/2) = 1.
fn best_same_different_criterion(d_prime: f64) -> f64 {
    let d = d_prime.abs();
    if d < 1e-4 {
        // The limit, to the second order.
        return SQRT_2 * (1.0 + d * d / 24.0);
    }
    // acosh(exp(x)) = x + ln(1 + sqrt(1 - exp(-2 x))), which does not overflow.
    let x = d * d / 4.0;
    2.0 / d * (x + (-(-2.0 * x).exp_m1()).sqrt().ln_1p())
}

/// Probability of "different" for two different presentations with criterion `k`.
fn different_when_different(d_prime: f64, k: f64) -> f64 {
    normal((d_prime - k) / SQRT_2) + normal((-d_prime - k) / SQRT_2)
}

/// Probability of "different" for two equal presentations with criterion `k`.
fn different_when_same(k: f64) -> f64 {
    2.0 * normal(-k / SQRT_2)
}

/// d-prime and criterion of a same-different listener by the differencing model, bias set apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SameDifferentRates {
    /// d-prime; 0 where "different" is no more frequent for different pairs than for equal ones.
    pub d_prime: f64,
    /// Distance beyond which the listener says "different", in units of the internal noise.
    pub criterion: f64,
    /// The criterion that would be right most often at this d-prime: a larger one of the listener's means a leaning to
    /// "same".
    pub best_criterion: f64,
}

/// From rates of "different", to different and to equal pairs and both inside 0..1, to d-prime by the differencing model
/// (Macmillan & Creelman 2005, chapter 9; from memory).
pub fn same_different(hits: f64, false_alarms: f64) -> SameDifferentRates {
    let criterion = -SQRT_2 * super::special::normal_quantile(false_alarms / 2.0);
    let d_prime = if hits <= false_alarms {
        0.0
    } else {
        root(0.0, 40.0, |d| different_when_different(d, criterion) - hits)
    };
    SameDifferentRates { d_prime, criterion, best_criterion: best_same_different_criterion(d_prime) }
}

/// Proportion of discriminators, who are always right, that together with guessers give this proportion right
/// (Abbott's formula): (p - chance)/(1 - chance). Negative below chance.
pub fn discriminators(protocol: Protocol, proportion: f64) -> f64 {
    let chance = protocol.chance();
    (proportion - chance) / (1.0 - chance)
}

/// Proportion right when this proportion are discriminators and the others guess.
pub fn proportion_of_discriminators(protocol: Protocol, discriminators: f64) -> f64 {
    let chance = protocol.chance();
    discriminators + (1.0 - discriminators) * chance
}
