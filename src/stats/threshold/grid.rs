//! Which thresholds, slopes and lapses are considered, with which prior; and which sizes can be presented.

use std::f64::consts::LN_2;
use std::sync::{Arc, Mutex};

use super::{Curve, Range};

/// Thresholds considered.
pub const THRESHOLDS: usize = 241;
/// Slopes considered.
pub const SLOPES: usize = 17;
/// Shares of lapses considered, with their prior weights.
pub const LAPSES: [(f64, f64); 5] = [(0.0, 0.4), (0.01, 0.25), (0.02, 0.2), (0.04, 0.1), (0.08, 0.05)];
/// Sizes that can be presented.
pub const LEVELS: usize = 19;
/// Cells of the grid: threshold by slope by lapse, the lapse running fastest.
pub const CELLS: usize = THRESHOLDS * SLOPES * LAPSES.len();

/// Everything that depends on the range and on chance alone, computed once.
#[derive(Debug)]
pub struct Grid {
    range: Range,
    chance: f64,
    ln_thresholds: Vec<f64>,
    ln_slopes: Vec<f64>,
    levels: Vec<f64>,
    prior: Vec<f64>,
    /// For each level, threshold and slope: 2^-((g/t)^b), the share that is not heard where nobody lapses.
    missed: Vec<f64>,
}

/// `count` equal steps from `first` to `last`, both ends exact.
pub(super) fn steps(first: f64, last: f64, count: usize) -> Vec<f64> {
    (0..count)
        .map(|index| {
            if index + 1 == count { last } else { first + (last - first) * index as f64 / (count - 1) as f64 }
        })
        .collect()
}

/// Prior weight of a slope: normal in ln b about ln 2, deviation 0.7.
pub(super) fn prior_of_slope(ln_b: f64) -> f64 {
    (-0.5 * ((ln_b - LN_2) / 0.7).powi(2)).exp()
}

impl Grid {
    /// The grid of a range and a protocol's chance. Those in use are kept, since every sitting of a session has the same.
    pub fn new(range: Range, chance: f64) -> Arc<Self> {
        const KEPT: usize = 8;
        static KNOWN: Mutex<Vec<Arc<Grid>>> = Mutex::new(Vec::new());
        let same = |grid: &Arc<Self>| grid.range == range && grid.chance.to_bits() == chance.to_bits();
        let mut known = KNOWN.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(found) = known.iter().find(|grid| same(grid)) {
            return Arc::clone(found);
        }
        let made = Arc::new(Self::make(range, chance));
        if known.len() == KEPT {
            known.remove(0);
        }
        known.push(Arc::clone(&made));
        made
    }

    fn make(range: Range, chance: f64) -> Self {
        let ln_thresholds = steps((range.smallest / 4.0).ln(), (range.largest * 4.0).ln(), THRESHOLDS);
        let ln_slopes = steps(0.5_f64.ln(), 8.0_f64.ln(), SLOPES);
        let levels = range.levels();
        // Flat in ln t.
        let of_slope: Vec<f64> = ln_slopes.iter().copied().map(prior_of_slope).collect();
        let total =
            THRESHOLDS as f64 * of_slope.iter().sum::<f64>() * LAPSES.iter().map(|(_, w)| w).sum::<f64>();
        let mut prior = Vec::with_capacity(CELLS);
        for _ in 0..THRESHOLDS {
            for slope in &of_slope {
                prior.extend(LAPSES.iter().map(|(_, weight)| slope * weight / total));
            }
        }
        let mut grid = Self { range, chance, ln_thresholds, ln_slopes, levels, prior, missed: Vec::new() };
        grid.missed = grid.levels.iter().flat_map(|&g| grid.missed_at(g)).collect();
        grid
    }

    /// For each threshold and slope: the share that is not heard at size `g` where nobody lapses.
    pub(super) fn missed_at(&self, g: f64) -> Vec<f64> {
        let slopes: Vec<f64> = self.ln_slopes.iter().map(|ln_b| ln_b.exp()).collect();
        let mut missed = Vec::with_capacity(THRESHOLDS * SLOPES);
        for ln_t in &self.ln_thresholds {
            let ratio = g / ln_t.exp();
            missed.extend(slopes.iter().map(|&b| (-LN_2 * ratio.powf(b)).exp()));
        }
        missed
    }

    /// The same for a level.
    pub(super) fn missed(&self, level: usize) -> &[f64] {
        &self.missed[level * THRESHOLDS * SLOPES..][..THRESHOLDS * SLOPES]
    }

    /// The range.
    pub fn range(&self) -> Range {
        self.range
    }

    /// The proportion right of a guesser.
    pub fn chance(&self) -> f64 {
        self.chance
    }

    /// The sizes that can be presented, rising.
    pub fn levels(&self) -> &[f64] {
        &self.levels
    }

    /// ln of the thresholds considered, rising.
    pub fn ln_thresholds(&self) -> &[f64] {
        &self.ln_thresholds
    }

    /// ln of the slopes considered, rising.
    pub fn ln_slopes(&self) -> &[f64] {
        &self.ln_slopes
    }

    /// Prior weight of each cell; they sum to 1.
    pub(super) fn prior(&self) -> &[f64] {
        &self.prior
    }

    /// The curve of a cell.
    pub fn curve(&self, cell: usize) -> Curve {
        let (place, lapse) = (cell / LAPSES.len(), LAPSES[cell % LAPSES.len()].0);
        Curve {
            threshold: self.ln_thresholds[place / SLOPES].exp(),
            slope: self.ln_slopes[place % SLOPES].exp(),
            lapse,
        }
    }
}
