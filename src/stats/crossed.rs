//! Listeners and clips crossed: how often a difference is heard on average over both, and how much each of them matters.
//!
//! A logistic mixed model with the guessing rate in its link: right with probability c + (1 - c) / (1 + exp(-eta)), eta the
//! comparison's own value plus one normal deviation per listener and one per clip (the link is that of Knoblauch & Maloney,
//! Modeling Psychophysical Data in R, 2012, ch. 4). The likelihood is that of Laplace's approximation with the expected
//! information (Bates, Maechler, Bolker & Walker, Journal of Statistical Software 67 (2015) 1), held against lme4 in
//! `tests/stats/panel_reference.rs`.

use serde::Serialize;

use super::{StatsError, error};

/// Answers of one listener to one comparison on one clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Number of the listener, from 0.
    pub listener: usize,
    /// Number of the clip, from 0.
    pub clip: usize,
    /// Number of the comparison, from 0.
    pub comparison: usize,
    /// Right answers.
    pub correct: u64,
    /// Trials.
    pub trials: u64,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Crossed {
    /// Of each comparison: log odds of hearing it, for the listener and clip in the middle.
    pub log_odds: Vec<f64>,
    /// Standard errors of these; nothing where the likelihood is too flat.
    pub standard_errors: Vec<Option<f64>>,
    /// Standard deviation between listeners, in log odds.
    pub listeners: f64,
    /// Standard deviation between clips, in log odds.
    pub clips: f64,
    /// Log-likelihood, binomial coefficients included.
    pub ln_likelihood: f64,
}

impl Crossed {
    /// Share of trials in which a comparison is heard, for the listener and clip in the middle.
    pub fn heard(&self, comparison: usize) -> f64 {
        logistic(self.log_odds[comparison])
    }
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// Log odds beyond this are "always" or "never".
const FARTHEST: f64 = 15.0;

struct Model<'c> {
    cells: &'c [Cell],
    listeners: usize,
    clips: usize,
    comparisons: usize,
    chance: f64,
}

/// What one cell contributes at its value of eta.
struct Slope {
    score: f64,
    weight: f64,
    ln: f64,
}

impl Model<'_> {
    fn slope(&self, cell: &Cell, eta: f64) -> Slope {
        let heard = logistic(eta);
        let c = self.chance;
        let (right, wrong) = (c + (1.0 - c) * heard, (1.0 - c) * (1.0 - heard));
        let (right, wrong) = (right.max(1e-300), wrong.max(1e-300));
        let by_eta = (1.0 - c) * heard * (1.0 - heard);
        let (x, n) = (cell.correct as f64, cell.trials as f64);
        Slope {
            score: (x - n * right) * by_eta / (right * wrong),
            weight: n * by_eta * by_eta / (right * wrong),
            ln: super::binomial::ln_mass(cell.correct, cell.trials, right.min(1.0)),
        }
    }

    /// Laplace's approximation to the log-likelihood at parameters: a value for each comparison, and both deviations.
    fn value(&self, parameters: &[f64]) -> f64 {
        let (fixed, deviations) = parameters.split_at(self.comparisons);
        let (of_listeners, of_clips) = (deviations[0].abs(), deviations[1].abs());
        let mut modes = vec![0.0; self.listeners + self.clips];
        let eta = |modes: &[f64], cell: &Cell| {
            fixed[cell.comparison]
                + of_listeners * modes[cell.listener]
                + of_clips * modes[self.listeners + cell.clip]
        };
        let penalised = |modes: &[f64]| {
            let ln: f64 = self.cells.iter().map(|cell| self.slope(cell, eta(modes, cell)).ln).sum();
            ln - 0.5 * modes.iter().map(|mode| mode * mode).sum::<f64>()
        };
        let mut here = penalised(&modes);
        let mut ln_determinant = 0.0;
        for _ in 0..60 {
            // The information is diagonal but for listener and clip of a cell: listeners are eliminated first.
            let (mut own, mut clip) = (vec![1.0; self.listeners], vec![vec![0.0; self.clips]; self.clips]);
            let mut mixed = vec![vec![0.0; self.clips]; self.listeners];
            let mut gradient: Vec<f64> = modes.iter().map(|mode| -mode).collect();
            for (place, row) in clip.iter_mut().enumerate() {
                row[place] = 1.0;
            }
            for cell in self.cells {
                let Slope { score, weight, .. } = self.slope(cell, eta(&modes, cell));
                own[cell.listener] += of_listeners * of_listeners * weight;
                clip[cell.clip][cell.clip] += of_clips * of_clips * weight;
                mixed[cell.listener][cell.clip] += of_listeners * of_clips * weight;
                gradient[cell.listener] += of_listeners * score;
                gradient[self.listeners + cell.clip] += of_clips * score;
            }
            let mut right: Vec<f64> = gradient[self.listeners..].to_vec();
            for (listener, row) in mixed.iter().enumerate() {
                for i in 0..self.clips {
                    right[i] -= row[i] * gradient[listener] / own[listener];
                    for j in 0..self.clips {
                        clip[i][j] -= row[i] * row[j] / own[listener];
                    }
                }
            }
            let Some((steps, ln_clips)) = solved(clip, right) else { return f64::NEG_INFINITY };
            ln_determinant = ln_clips + own.iter().map(|own| own.ln()).sum::<f64>();
            let of_listener = |listener: usize| {
                let both: f64 = mixed[listener].iter().zip(&steps).map(|(a, b)| a * b).sum();
                (gradient[listener] - both) / own[listener]
            };
            let step: Vec<f64> = (0..self.listeners).map(of_listener).chain(steps.iter().copied()).collect();
            let (mut scale, mut moved) = (1.0, false);
            while scale > 1e-6 {
                let next: Vec<f64> =
                    modes.iter().zip(&step).map(|(mode, step)| mode + scale * step).collect();
                let there = penalised(&next);
                if there >= here {
                    moved = there - here > 1e-12;
                    (modes, here) = (next, there);
                    break;
                }
                scale *= 0.5;
            }
            if !moved {
                break;
            }
        }
        here - 0.5 * ln_determinant
    }
}

/// Solves a symmetric positive system by Cholesky's method; also the logarithm of its determinant.
fn solved(mut matrix: Vec<Vec<f64>>, mut right: Vec<f64>) -> Option<(Vec<f64>, f64)> {
    let size = right.len();
    let mut ln_determinant = 0.0;
    for i in 0..size {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| matrix[i][k] * matrix[j][k]).sum();
            let rest = matrix[i][j] - sum;
            if i == j {
                if rest <= 0.0 {
                    return None;
                }
                matrix[i][i] = rest.sqrt();
                ln_determinant += rest.ln();
            } else {
                matrix[i][j] = rest / matrix[j][j];
            }
        }
    }
    for i in 0..size {
        let sum: f64 = (0..i).map(|k| matrix[i][k] * right[k]).sum();
        right[i] = (right[i] - sum) / matrix[i][i];
    }
    for i in (0..size).rev() {
        let sum: f64 = (i + 1..size).map(|k| matrix[k][i] * right[k]).sum();
        right[i] = (right[i] - sum) / matrix[i][i];
    }
    Some((right, ln_determinant))
}

/// The simplex method of Nelder & Mead (The Computer Journal 7 (1965) 308-313), from a start, downhill.
fn simplex(start: &[f64], step: f64, value: impl Fn(&[f64]) -> f64) -> (Vec<f64>, f64) {
    let size = start.len();
    let mut points: Vec<(Vec<f64>, f64)> = vec![(start.to_vec(), value(start))];
    for place in 0..size {
        let mut point = start.to_vec();
        point[place] += step;
        let height = value(&point);
        points.push((point, height));
    }
    for _ in 0..400 * size {
        points.sort_by(|a, b| a.1.total_cmp(&b.1));
        if points[size].1 - points[0].1 < 1e-10 {
            break;
        }
        let centre: Vec<f64> = (0..size)
            .map(|i| points[..size].iter().map(|point| point.0[i]).sum::<f64>() / size as f64)
            .collect();
        let along = |factor: f64| -> (Vec<f64>, f64) {
            let point: Vec<f64> =
                centre.iter().zip(&points[size].0).map(|(c, worst)| c + factor * (c - worst)).collect();
            let height = value(&point);
            (point, height)
        };
        let reflected = along(1.0);
        let next = if reflected.1 < points[0].1 {
            let farther = along(2.0);
            if farther.1 < reflected.1 { Some(farther) } else { Some(reflected) }
        } else if reflected.1 < points[size - 1].1 {
            Some(reflected)
        } else {
            let nearer = if reflected.1 < points[size].1 { along(0.5) } else { along(-0.5) };
            (nearer.1 < points[size].1.min(reflected.1)).then_some(nearer)
        };
        if let Some(next) = next {
            points[size] = next;
        } else {
            let best = points[0].0.clone();
            for point in &mut points[1..] {
                point.0 = point.0.iter().zip(&best).map(|(own, best)| 0.5 * (own + best)).collect();
                point.1 = value(&point.0);
            }
        }
    }
    points.sort_by(|a, b| a.1.total_cmp(&b.1));
    points.swap_remove(0)
}

/// Fits cells of at least two listeners and two clips; `chance` is the guessing rate.
///
/// # Errors
/// Impossible counts, fewer listeners or clips, a comparison without trials, a guessing rate outside 0..1.
pub fn fit(cells: &[Cell], chance: f64) -> Result<Crossed, StatsError> {
    error::inside("the chance level", chance, 0.0, 1.0)?;
    for cell in cells {
        error::counts(cell.correct, cell.trials)?;
    }
    let most = |of: fn(&Cell) -> usize| cells.iter().map(of).max().map_or(0, |most| most + 1);
    let (listeners, clips) = (most(|cell| cell.listener), most(|cell| cell.clip));
    let comparisons = most(|cell| cell.comparison);
    if listeners < 2 || clips < 2 {
        return Err(StatsError::Other(format!(
            "a model of listeners and clips needs at least 2 of each, but there are {listeners} and {clips}"
        )));
    }
    let mut start = Vec::with_capacity(comparisons + 2);
    for comparison in 0..comparisons {
        let own = cells.iter().filter(|cell| cell.comparison == comparison);
        let (correct, trials) = own.fold((0, 0), |sum, cell| (sum.0 + cell.correct, sum.1 + cell.trials));
        if trials == 0 {
            return Err(StatsError::NoTrials);
        }
        let heard = ((correct as f64 / trials as f64 - chance) / (1.0 - chance)).clamp(0.02, 0.98);
        start.push((heard / (1.0 - heard)).ln());
    }
    start.extend([0.5, 0.5]);
    let model = Model { cells, listeners, clips, comparisons, chance };
    let downhill = |parameters: &[f64]| {
        let far = parameters.iter().any(|value| value.abs() > FARTHEST);
        if far { f64::INFINITY } else { -model.value(parameters) }
    };
    let (first, _) = simplex(&start, 0.4, downhill);
    // Begun anew where it ended: a simplex that has collapsed too early opens again.
    let (best, height) = simplex(&first, 0.1, downhill);
    let standard_errors = standard_errors(&best, comparisons, downhill);
    Ok(Crossed {
        log_odds: best[..comparisons].to_vec(),
        standard_errors,
        listeners: best[comparisons].abs(),
        clips: best[comparisons + 1].abs(),
        ln_likelihood: -height,
    })
}

/// Square roots of the diagonal of the inverse curvature over the comparisons' values, the deviations held.
fn standard_errors(best: &[f64], comparisons: usize, value: impl Fn(&[f64]) -> f64) -> Vec<Option<f64>> {
    let step = 0.02;
    let at = |moves: [(usize, f64); 2]| {
        let mut point = best.to_vec();
        for (place, by) in moves {
            point[place] += by;
        }
        value(&point)
    };
    let second = |i: usize, j: usize| {
        let sum = at([(i, step), (j, step)]) + at([(i, -step), (j, -step)]);
        (sum - at([(i, step), (j, -step)]) - at([(i, -step), (j, step)])) / (4.0 * step * step)
    };
    let curvature: Vec<Vec<f64>> =
        (0..comparisons).map(|i| (0..comparisons).map(|j| second(i, j)).collect()).collect();
    let variance = |place: usize| {
        let mut unit = vec![0.0; comparisons];
        unit[place] = 1.0;
        let (column, _) = solved(curvature.clone(), unit)?;
        Some(column[place].sqrt()).filter(|error| error.is_finite())
    };
    (0..comparisons).map(variance).collect()
}
