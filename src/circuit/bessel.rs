//! Ratios of modified Bessel functions of the first kind, complex argument, any size.
//!
//! `I_n` itself overflows; its ratios do not, and the backward recurrence
//! `I_n/I_(n-1) = 1 / (2n/z + I_(n+1)/I_n)` (Abramowitz & Stegun 9.6.26) forgets its starting value, because `I_n` is the
//! minimal solution for growing order.

use num_complex::Complex64;

/// `I_n(z)/I_(n-1)(z)` for `n = 1..=highest`; `Re z > 0` or `z = 0`.
pub(super) fn ratios(z: Complex64, highest: usize) -> Vec<Complex64> {
    let mut result = vec![Complex64::new(0.0, 0.0); highest];
    if z == Complex64::new(0.0, 0.0) {
        return result;
    }
    // The recurrence contracts an error by about exp(-m^2 Re(1/z)) on its way down from order m < |z|.
    let start = highest + 30 + (9.0 * z.norm().sqrt()) as usize;
    // Leading term of the uniform expansion for large order (Abramowitz & Stegun 9.7.7).
    let order = start as f64;
    let mut ratio = z / (order + (order * order + z * z).sqrt());
    let over = 2.0 / z;
    for n in (1..start).rev() {
        ratio = (over * n as f64 + ratio).inv();
        if n <= highest {
            result[n - 1] = ratio;
        }
    }
    result
}

/// `(z/2) I_0(z)/I_1(z)`: internal impedance of a round wire over its DC resistance, `z = a sqrt(j w mu/rho)`.
pub(super) fn wire_ratio(z: Complex64) -> Complex64 {
    if z.norm() > 1e6 {
        // Abramowitz & Stegun 9.7.1: I_0/I_1 = 1 + 1/(2z) + 3/(8z^2) + ...
        return z / 2.0 + 0.25 + 3.0 / (16.0 * z);
    }
    if z.norm() < 1e-9 {
        return Complex64::new(1.0, 0.0) + z * z / 8.0;
    }
    // I_0/I_1 = 2/z + I_2/I_1.
    Complex64::new(1.0, 0.0) + z / 2.0 * ratios(z, 2)[1]
}

/// `I_(n+1)(z)/I_(n-1)(z)` for `n = 1..=highest`: how a round wire answers the n-th multipole of the field around it,
/// 0 for no conduction, 1 for a perfect conductor.
pub(super) fn multipole_ratios(z: Complex64, highest: usize) -> Vec<Complex64> {
    let ratios = ratios(z, highest + 1);
    (1..=highest).map(|n| ratios[n] * ratios[n - 1]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: NBS Circular 74, Table 22, through Terman, Radio Engineers' Handbook (1943): R/R0 and L/L0 of a round
    /// wire over x. The page was not open; each value was recomputed with mpmath to the digits shown.
    #[test]
    fn skin_effect_of_a_round_wire_follows_the_printed_table() {
        for (x, resistance, inductance) in [
            (0.5, 1.00033, 0.99984),
            (1.0, 1.00519, 0.99741),
            (1.5, 1.02582, 0.98711),
            (2.0, 1.07816, 0.96114),
            (2.14, 1.10053, 0.95010),
            (2.5, 1.17538, 0.91347),
            (3.0, 1.31809, 0.84517),
            (4.0, 1.67787, 0.68632),
            (5.0, 2.04273, 0.55597),
            (7.0, 2.74319, 0.40021),
            (10.0, 3.79858, 0.28162),
            (20.0, 7.32767, 0.14128),
            (50.0, 17.93032, 0.05656),
            (100.0, 35.60666, 0.02828),
        ] {
            let z = Complex64::new(0.0, 1.0).sqrt() * x;
            let q = wire_ratio(z);
            assert!((q.re - resistance).abs() < 6e-6, "R/R0 at x={x}: {}", q.re);
            assert!((q.im / (x * x / 8.0) - inductance).abs() < 6e-6, "L/L0 at x={x}");
        }
    }

    #[test]
    fn nothing_overflows_and_the_switch_to_the_asymptote_is_smooth() {
        let direction = Complex64::new(0.0, 1.0).sqrt();
        let (below, above) = (wire_ratio(direction * 0.999_999_9e6), wire_ratio(direction * 1.000_000_1e6));
        let slope = (above - below) / (direction * 0.2);
        assert!((slope - 0.5).norm() < 1e-6, "{slope}");
        let huge = wire_ratio(direction * 1e12);
        assert!(huge.re.is_finite() && huge.im.is_finite());
        let tiny = wire_ratio(direction * 1e-12);
        assert!((tiny - 1.0).norm() < 1e-15);
    }

    #[test]
    fn ratios_satisfy_the_recurrence() {
        for size in [0.01, 0.3, 2.0, 9.0, 80.0, 3000.0] {
            let z = Complex64::from_polar(size, std::f64::consts::FRAC_PI_4);
            let found = ratios(z, 40);
            for n in 1..40 {
                let other = (2.0 * n as f64 / z + found[n]).inv();
                assert!((found[n - 1] - other).norm() < 1e-13 * other.norm(), "n={n} |z|={size}");
            }
        }
    }
}
