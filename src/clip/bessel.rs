//! The function behind Kaiser's windows.

/// Modified Bessel function of the first kind, order zero, by its power series.
pub(super) fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..200 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-18 * sum {
            break;
        }
    }
    sum
}
