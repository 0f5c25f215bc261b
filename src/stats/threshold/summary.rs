//! The threshold with its interval, the slope, and the share of trials in which a size is heard.

use serde::Serialize;

use super::posterior::Posterior;

/// The level of the intervals.
pub const LEVEL: f64 = 0.95;

/// The middle of a distribution with the bounds of its central 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// 50 % point.
    pub estimate: f64,
    /// 2.5 % point.
    pub lower: f64,
    /// 97.5 % point.
    pub upper: f64,
}

/// Where a threshold lies to the sizes that could be presented.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "where", rename_all = "kebab-case")]
pub enum Place {
    /// Among them.
    Within,
    /// Above them all, as far as the answers tell: with 95 % confidence it is above the bound.
    AboveLargest {
        /// The lower end of the confidence interval.
        bound: f64,
    },
    /// Below them all: with 95 % confidence it is below the bound.
    BelowSmallest {
        /// The upper end of the confidence interval.
        bound: f64,
    },
}

/// What a posterior says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// The threshold, with the posterior's own bounds.
    pub threshold: Estimate,
    /// The same middle with the bounds of the confidence interval: what people are told.
    pub confidence: Estimate,
    /// The slope b.
    pub slope: Estimate,
    /// The share of trials in which size 1 is heard: the real difference, or a step of 1 dB.
    pub at_one: Estimate,
    /// Where the threshold lies to the range.
    pub place: Place,
}

impl Posterior {
    /// Everything at once.
    pub fn summary(&self) -> Summary {
        Summary {
            threshold: self.threshold(),
            confidence: self.confidence(),
            slope: self.slope(),
            at_one: self.heard_at(1.0),
            place: self.place_in_range(),
        }
    }

    /// The threshold.
    pub fn threshold(&self) -> Estimate {
        let marginal = self.of_thresholds();
        let at = |q| quantile(self.grid().ln_thresholds(), &marginal, q).exp();
        three(at)
    }

    /// The threshold that so much of the mass lies below.
    pub(super) fn threshold_at(&self, probability: f64) -> f64 {
        quantile(self.grid().ln_thresholds(), &self.of_thresholds(), probability).exp()
    }

    fn slope(&self) -> Estimate {
        let marginal = self.of_slopes();
        three(|q| quantile(self.grid().ln_slopes(), &marginal, q).exp())
    }

    /// The share of trials in which size `g` is heard, over all cells in the order of that share.
    pub fn heard_at(&self, g: f64) -> Estimate {
        let missed = self.grid().missed_at(g);
        let lapses = super::grid::LAPSES;
        let mut cells: Vec<(f64, f64)> = self
            .weights()
            .iter()
            .enumerate()
            .map(|(cell, weight)| {
                let (lapse, _) = lapses[cell % lapses.len()];
                ((1.0 - lapse) * (1.0 - missed[cell / lapses.len()]), *weight)
            })
            .collect();
        cells.sort_by(|one, other| one.0.total_cmp(&other.0));
        let (shares, weights): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
        three(|q| quantile(&shares, &weights, q))
    }

    /// Where the threshold lies to the sizes that could be presented: its middle decides.
    pub fn place_in_range(&self) -> Place {
        let (range, middle) = (self.grid().range(), self.threshold_at(0.5));
        if middle > range.largest {
            Place::AboveLargest { bound: self.confidence().lower }
        } else if middle < range.smallest {
            Place::BelowSmallest { bound: self.confidence().upper }
        } else {
            Place::Within
        }
    }
}

pub(super) fn three(at: impl Fn(f64) -> f64) -> Estimate {
    let tail = (1.0 - LEVEL) / 2.0;
    Estimate { estimate: at(0.5), lower: at(tail), upper: at(1.0 - tail) }
}

/// The cumulated mass at each point, less half of the point's own.
fn middles(masses: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    masses
        .iter()
        .map(|mass| {
            sum += mass;
            sum - mass / 2.0
        })
        .collect()
}

/// The value at which the cumulated mass, less half of a point's own, reaches `probability`, by linear interpolation.
pub(super) fn quantile(values: &[f64], masses: &[f64], probability: f64) -> f64 {
    let middles = middles(masses);
    let next = middles.partition_point(|middle| *middle < probability);
    match (next.checked_sub(1), middles.get(next)) {
        (None, _) => values[0],
        (Some(last), None) => values[last],
        (Some(last), Some(upper)) => {
            let share = (probability - middles[last]) / (upper - middles[last]);
            values[last] + share * (values[next] - values[last])
        }
    }
}
