//! Overdetermined real linear systems.

/// The `x` that minimises `|A x - b|`, by Householder reflections (Golub & Van Loan, Matrix Computations, 5.3.2).
///
/// `columns` are those of `A`, each as long as `right`; they are scaled to equal length first, and one that depends on
/// those before it gets 0.
pub(super) fn solve(mut columns: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let count = columns.len();
    let mut scales = vec![1.0; count];
    for (column, scale) in columns.iter_mut().zip(&mut scales) {
        let length = norm(column);
        if length > 0.0 && length.is_finite() {
            *scale = length;
            for value in column.iter_mut() {
                *value /= length;
            }
        }
    }
    let mut diagonal = vec![0.0; count];
    for pivot in 0..count {
        let (before, after) = columns.split_at_mut(pivot + 1);
        let column = &mut before[pivot];
        if pivot >= column.len() {
            break;
        }
        let length = norm(&column[pivot..]);
        if length < 1e-14 {
            continue;
        }
        let end = if column[pivot] > 0.0 { -length } else { length };
        column[pivot] -= end;
        diagonal[pivot] = end;
        let reflector = &column[pivot..];
        let half = reflector.iter().map(|value| value * value).sum::<f64>() / 2.0;
        for other in after.iter_mut().chain(std::iter::once(&mut right)) {
            let target = &mut other[pivot..];
            let share = dot(reflector, target) / half;
            for (value, along) in target.iter_mut().zip(reflector) {
                *value -= share * along;
            }
        }
    }
    let mut solution = vec![0.0; count];
    for row in (0..count).rev() {
        if diagonal[row] != 0.0 {
            let known: f64 = (row + 1..count).map(|column| columns[column][row] * solution[column]).sum();
            solution[row] = (right[row] - known) / diagonal[row];
        }
    }
    solution.iter().zip(&scales).map(|(value, scale)| value / scale).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (a, b) in a.iter().zip(b) {
        sum += a * b;
    }
    sum
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_parabola_through_more_points_than_it_needs() {
        let x: Vec<f64> = (0..9).map(|i| f64::from(i) / 4.0).collect();
        let right = x.iter().map(|x| 2.0 - 3.0 * x + 0.5 * x * x).collect();
        let columns = (0..3).map(|power| x.iter().map(|x| x.powi(power)).collect()).collect();
        let found = super::solve(columns, right);
        for (found, expected) in found.iter().zip([2.0, -3.0, 0.5]) {
            assert!((found - expected).abs() < 1e-12, "{found} is not {expected}");
        }
    }
}
