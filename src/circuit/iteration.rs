//! Linear systems that change slowly from one solve to the next: GMRES on top of what earlier solutions already span.

use num_complex::Complex64;

use super::CircuitError;

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
/// Earlier solutions that are kept.
const MOST_KEPT: usize = 40;

/// Orthonormal earlier solutions and their translations, which do not depend on frequency.
#[derive(Default)]
pub(super) struct Basis {
    solutions: Vec<Vec<Complex64>>,
    translated: Vec<Vec<Complex64>>,
}

fn dot(a: &[Complex64], b: &[Complex64]) -> Complex64 {
    a.iter().zip(b).map(|(a, b)| a.conj() * b).sum()
}

fn norm(a: &[Complex64]) -> f64 {
    a.iter().map(Complex64::norm_sqr).sum::<f64>().sqrt()
}

fn add(a: &mut [Complex64], factor: Complex64, b: &[Complex64]) {
    for (a, b) in a.iter_mut().zip(b) {
        *a += factor * b;
    }
}

/// Orthonormalises `vector` against `basis` (twice, so that rounding is gone too); the factors and what was left.
fn orthogonalise(vector: &mut [Complex64], basis: &[Vec<Complex64>]) -> (Vec<Complex64>, f64) {
    let mut factors = vec![ZERO; basis.len()];
    for _ in 0..2 {
        for (total, member) in factors.iter_mut().zip(basis) {
            let factor = dot(member, vector);
            add(vector, -factor, member);
            *total += factor;
        }
    }
    let left = norm(vector);
    if left > 0.0 {
        for value in vector.iter_mut() {
            *value /= left;
        }
    }
    (factors, left)
}

/// Solves `operator(x, translate(x)) = right` to a relative residual of `tolerance`.
///
/// First the combination of `basis` with the smallest residual, then full GMRES (Saad & Schultz 1986, SIAM J. Sci. Stat.
/// Comput. 7:856) on what is left; a solution that needed GMRES joins the basis.
pub(super) fn minimise_residual(
    right: &[Complex64],
    basis: &mut Basis,
    translate: impl Fn(&[Complex64]) -> Vec<Complex64>,
    operator: impl Fn(&[Complex64], &[Complex64]) -> Result<Vec<Complex64>, CircuitError>,
    tolerance: f64,
) -> Result<Vec<Complex64>, CircuitError> {
    let goal = tolerance * norm(right);
    let mut solution = vec![ZERO; right.len()];
    let mut residual = right.to_vec();
    if goal == 0.0 {
        return Ok(solution);
    }
    // Images of the basis, orthonormalised with the basis carried along.
    let mut images: Vec<Vec<Complex64>> = Vec::new();
    let mut sources: Vec<Vec<Complex64>> = Vec::new();
    for (member, translated) in basis.solutions.iter().zip(&basis.translated) {
        let mut image = operator(member, translated)?;
        let (factors, left) = orthogonalise(&mut image, &images);
        if left < 1e-13 {
            continue;
        }
        let mut source = member.clone();
        for (factor, earlier) in factors.iter().zip(&sources) {
            add(&mut source, -factor, earlier);
        }
        for value in &mut source {
            *value /= left;
        }
        let share = dot(&image, &residual);
        add(&mut residual, -share, &image);
        add(&mut solution, share, &source);
        images.push(image);
        sources.push(source);
    }
    if norm(&residual) <= goal {
        return Ok(solution);
    }
    gmres(&mut solution, residual, goal, &translate, &operator)?;
    if basis.solutions.len() < MOST_KEPT {
        let mut member = solution.clone();
        let size = norm(&member);
        let (_, left) = orthogonalise(&mut member, &basis.solutions);
        if left > 1e-12 * size {
            basis.translated.push(translate(&member));
            basis.solutions.push(member);
        }
    }
    Ok(solution)
}

fn gmres(
    solution: &mut [Complex64],
    residual: Vec<Complex64>,
    goal: f64,
    translate: &impl Fn(&[Complex64]) -> Vec<Complex64>,
    operator: &impl Fn(&[Complex64], &[Complex64]) -> Result<Vec<Complex64>, CircuitError>,
) -> Result<(), CircuitError> {
    let start = norm(&residual);
    let mut directions = vec![residual];
    for value in &mut directions[0] {
        *value /= start;
    }
    // Columns of the triangular factor, Givens rotations, and the rotated right side.
    let mut columns: Vec<Vec<Complex64>> = Vec::new();
    let mut rotations: Vec<(f64, Complex64)> = Vec::new();
    let mut rotated = vec![Complex64::new(start, 0.0)];
    for step in 0..solution.len() {
        let mut next = operator(&directions[step], &translate(&directions[step]))?;
        let (mut column, left) = orthogonalise(&mut next, &directions);
        for (index, (cosine, sine)) in rotations.iter().enumerate() {
            let (a, b) = (column[index], column[index + 1]);
            column[index] = cosine * a + sine * b;
            column[index + 1] = -sine.conj() * a + cosine * b;
        }
        let a = column[step];
        let length = a.norm().hypot(left);
        let (cosine, sine) = if a == ZERO {
            (0.0, Complex64::new(1.0, 0.0))
        } else {
            (a.norm() / length, a / a.norm() * left / length)
        };
        column[step] = cosine * a + sine * left;
        let before = rotated[step];
        rotated[step] = cosine * before;
        rotated.push(-sine.conj() * before);
        rotations.push((cosine, sine));
        columns.push(column);
        directions.push(next);
        if rotated[step + 1].norm() <= goal || left == 0.0 {
            break;
        }
    }
    let count = columns.len();
    if rotated[count].norm() > 1e3 * goal {
        return Err(CircuitError::Geometry(
            "the conductors' fields did not settle; increase the gaps between conductors".to_owned(),
        ));
    }
    let mut weights = vec![ZERO; count];
    for row in (0..count).rev() {
        let known: Complex64 = (row + 1..count).map(|column| columns[column][row] * weights[column]).sum();
        weights[row] = (rotated[row] - known) / columns[row][row];
    }
    for (weight, direction) in weights.iter().zip(&directions) {
        add(solution, *weight, direction);
    }
    Ok(())
}
