//! The confidence interval of a threshold: which thresholds agree with the answers, whatever slope and lapses are.
//!
//! The posterior's own bounds hold the threshold in 95 % of sittings on average over listeners as its prior has them, but not
//! for each kind of listener: 91 % where the curve is shallow, 99 % where it is steep (50 trials). Here each threshold is tried
//! with the slope and lapses that suit it best, and stays unless the best of all is more likely by more than chi-squared with
//! one degree of freedom allows (Venzon & Moolgavkar 1988, Applied Statistics 37:87, from memory). With so few answers the
//! slope would run to its ends, so it carries a penalty (Cole, Chu & Greenland 2014, American Journal of Epidemiology 179:252,
//! from memory): the weight 1/b, which makes all widths of the curve alike, and no slope below 0.7. Both were chosen by
//! simulation; `cargo bench --bench stats` prints how often the interval holds.

use super::grid::{Grid, LAPSES, SLOPES};
use super::posterior::Posterior;
use super::summary::Estimate;

/// Twice the difference of log-likelihoods up to which a threshold agrees with the answers: the 95 % point of chi-squared with
/// one degree of freedom.
pub const AGREES: f64 = 3.841_458_820_694_124;
/// The smallest slopes of the grid that are left out.
pub(super) const TOO_SHALLOW: usize = 2;

impl Posterior {
    /// The posterior's middle with the bounds of the 95 % confidence interval; a bound that the grid does not reach is the
    /// grid's end.
    pub fn confidence(&self) -> Estimate {
        let ln_t = self.grid().ln_thresholds();
        let apart = self.apart();
        let agrees = |apart: &f64| *apart <= AGREES;
        let first = apart.iter().position(agrees).unwrap_or(0);
        let last = apart.iter().rposition(agrees).unwrap_or(ln_t.len() - 1);
        let edge = |inside: usize, outside: usize| {
            let share = (AGREES - apart[inside]) / (apart[outside] - apart[inside]);
            ln_t[inside] + share * (ln_t[outside] - ln_t[inside])
        };
        let lower = if first == 0 { ln_t[0] } else { edge(first, first - 1) };
        let upper = if last + 1 == ln_t.len() { ln_t[last] } else { edge(last, last + 1) };
        Estimate { estimate: self.threshold_at(0.5), lower: lower.exp(), upper: upper.exp() }
    }

    /// Of each threshold: twice the log-likelihood, penalised, that is missing to the best one.
    fn apart(&self) -> Vec<f64> {
        let penalties = penalties(self.grid());
        let best: Vec<f64> = self
            .weights()
            .chunks_exact(SLOPES * LAPSES.len())
            .map(|of_threshold| {
                let of_slopes = of_threshold.chunks_exact(LAPSES.len()).zip(&penalties).skip(TOO_SHALLOW);
                of_slopes
                    .map(|(of, penalty)| penalty * of.iter().fold(0.0, |most: f64, one| most.max(*one)))
                    .fold(0.0, f64::max)
            })
            .collect();
        let most = best.iter().copied().fold(0.0, f64::max);
        best.iter().map(|one| 2.0 * (most / one).ln()).collect()
    }
}

/// Of each slope: what turns its prior weight into 1/b.
fn penalties(grid: &Grid) -> [f64; SLOPES] {
    std::array::from_fn(|slope| {
        let ln_b = grid.ln_slopes()[slope];
        (-ln_b).exp() / super::grid::prior_of_slope(ln_b)
    })
}
