//! The functions behind: normal distribution, incomplete beta and its inverse, quadrature, root finding.
//!
//! Incomplete beta and binomial probabilities are our own because log-gamma differences lose digits as trials grow
//! (at 100,000 trials about six of sixteen); Loader's saddle-point form keeps them. The complementary error function is
//! that of `libm`, because that of `statrs` is off by 1e-10 relative above 0.5; of it is the start of the normal quantile.

use std::f64::consts::{PI, SQRT_2};
use std::sync::OnceLock;

use statrs::function::erf;

/// Half of ln(2 pi).
const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// Standard normal density.
pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z - HALF_LN_TWO_PI).exp()
}

/// Standard normal distribution function, accurate in the lower tail.
pub fn normal(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}

/// Standard normal quantile; infinite at 0 and 1.
pub fn normal_quantile(probability: f64) -> f64 {
    if probability <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if probability >= 1.0 {
        return f64::INFINITY;
    }
    // The lower tail is the accurate one; 1 - p is exact for p >= 1/2 (Sterbenz).
    if probability > 0.5 {
        return -normal_quantile(1.0 - probability);
    }
    let mut z = -SQRT_2 * erf::erfc_inv(2.0 * probability);
    // Newton steps on the logarithm bring the rational start to full precision.
    for _ in 0..2 {
        let value = normal(z);
        if value > 0.0 {
            z -= (value / probability).ln() * value / normal_density(z);
        }
    }
    z
}

/// Upper tail of the chi-squared distribution: the regularised upper incomplete gamma function Q(degrees/2, value/2).
/// Series below the mean, continued fraction above (Abramowitz & Stegun 6.5.29 and 6.5.31).
pub fn chi_squared_upper(degrees: f64, value: f64) -> f64 {
    let (a, x) = (degrees / 2.0, value / 2.0);
    if x <= 0.0 {
        return 1.0;
    }
    // ln of x^a e^-x / Gamma(a + 1)
    let ln_front = -stirling_remainder(a) - deviance_part(a, x) - 0.5 * (2.0 * PI * a).ln();
    if x < a + 1.0 {
        let (mut sum, mut term) = (1.0_f64, 1.0_f64);
        for k in 1..10_000_000_u32 {
            term *= x / (a + f64::from(k));
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        return (1.0 - (ln_front + sum.ln()).exp()).max(0.0);
    }
    let mut b = x + 1.0 - a;
    let mut c = 1e300;
    let mut d = 1.0 / b;
    let mut fraction = d;
    for k in 1..10_000_000_u32 {
        let k = f64::from(k);
        let an = -k * (k - a);
        b += 2.0;
        d = 1.0 / (an * d + b);
        c = b + an / c;
        fraction *= c * d;
        if (c * d - 1.0).abs() < 2e-16 {
            break;
        }
    }
    (ln_front + a.ln() + fraction.ln()).exp().min(1.0)
}

/// Remainder of Stirling's formula: ln(x!) - (x + 1/2) ln x + x - ln(2 pi)/2, for x > 0.
pub(crate) fn stirling_remainder(x: f64) -> f64 {
    // Below 16 the series is too short: go up by recurrence, remainder(x) - remainder(x+1) =
    // (x + 1/2) ln((x+1)/x) - 1.
    let mut lifted = 0.0;
    let mut y = x;
    while y < 16.0 {
        lifted += (y + 0.5) * (1.0 / y).ln_1p() - 1.0;
        y += 1.0;
    }
    let r = 1.0 / (y * y);
    lifted
        + (1.0 / 12.0
            - r * (1.0 / 360.0
                - r * (1.0 / 1260.0 - r * (1.0 / 1680.0 - r * (1.0 / 1188.0 - r * 691.0 / 360_360.0)))))
            / y
}

/// Deviance part x ln(x/m) + m - x without cancellation (Loader 2000).
fn deviance_part(x: f64, m: f64) -> f64 {
    let difference = x - m;
    if difference.abs() < 0.1 * (x + m) {
        let v = difference / (x + m);
        let mut sum = difference * v;
        let mut term = 2.0 * x * v;
        let square = v * v;
        for j in 1..1000_u32 {
            term *= square;
            let next = sum + term / f64::from(2 * j + 1);
            if next == sum {
                break;
            }
            sum = next;
        }
        sum
    } else {
        x * (x / m).ln() - difference
    }
}

/// Logarithm of the binomial probability with real counts (Loader, "Fast and accurate computation of binomial
/// probabilities", 2000): `right` of `right + wrong` with probabilities `p` and `q = 1 - p`.
pub(crate) fn ln_binomial_raw(right: f64, wrong: f64, p: f64, q: f64) -> f64 {
    let n = right + wrong;
    if p <= 0.0 {
        return if right == 0.0 { 0.0 } else { f64::NEG_INFINITY };
    }
    if q <= 0.0 {
        return if wrong == 0.0 { 0.0 } else { f64::NEG_INFINITY };
    }
    if right == 0.0 {
        return n * if p < 0.1 { (-p).ln_1p() } else { q.ln() };
    }
    if wrong == 0.0 {
        return n * if q < 0.1 { (-q).ln_1p() } else { p.ln() };
    }
    stirling_remainder(n)
        - stirling_remainder(right)
        - stirling_remainder(wrong)
        - deviance_part(right, n * p)
        - deviance_part(wrong, n * q)
        - 0.5 * (2.0 * PI * right * wrong / n).ln()
}

/// Logarithms of the regularised incomplete beta function I_x(a, b) and of its complement, for a, b > 0 and
/// `x + y = 1` given both so that neither loses digits. Continued fraction (Abramowitz & Stegun 26.5.8, evaluated by
/// the modified Lentz method) on the side where it converges fast.
fn ln_beta_both(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    if x <= 0.0 {
        return (f64::NEG_INFINITY, 0.0);
    }
    if y <= 0.0 {
        return (0.0, f64::NEG_INFINITY);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        let (upper, lower) = ln_beta_lower(b, a, y, x);
        return (lower, upper);
    }
    ln_beta_lower(a, b, x, y)
}

/// The side of [`ln_beta_both`] where the fraction converges.
fn ln_beta_lower(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    const TINY: f64 = 1e-300;
    let mut c = 1.0;
    let mut d = 1.0 - (a + b) * x / (a + 1.0);
    if d.abs() < TINY {
        d = TINY;
    }
    d = 1.0 / d;
    let mut fraction = d;
    // About sqrt(a + b) steps are needed; the bound only guards against an endless loop.
    for m in 1..1_000_000_u32 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        for step in [even, odd] {
            d = 1.0 + step * d;
            if d.abs() < TINY {
                d = TINY;
            }
            c = 1.0 + step / c;
            if c.abs() < TINY {
                c = TINY;
            }
            d = 1.0 / d;
            fraction *= c * d;
        }
        if (c * d - 1.0).abs() < 2e-16 {
            break;
        }
    }
    // x^a y^b / (a B(a, b)) = binomial(a; a + b, x) * b / (a + b)
    let ln_lower = (ln_binomial_raw(a, b, x, y) + (b / (a + b)).ln() + fraction.ln()).min(0.0);
    (ln_lower, ln_one_minus_exp(ln_lower))
}

/// ln(1 - e^v) for v <= 0.
pub(crate) fn ln_one_minus_exp(v: f64) -> f64 {
    if v >= 0.0 {
        f64::NEG_INFINITY
    } else if v > -std::f64::consts::LN_2 {
        (-v.exp_m1()).ln()
    } else {
        (-v.exp()).ln_1p()
    }
}

/// Regularised incomplete beta function I_x(a, b) for a, b > 0 and 0 <= x <= 1.
pub fn beta_lower(a: f64, b: f64, x: f64) -> f64 {
    ln_beta_both(a, b, x, 1.0 - x).0.exp()
}

/// Quantile of the beta distribution: the x with I_x(a, b) = `probability`; a, b > 0.
///
/// Newton's method on the logarithm of the smaller tail over logit(x), where that logarithm is concave, kept in a
/// bracket. Relative precision about 1e-13, also for tiny results.
pub fn beta_quantile(a: f64, b: f64, probability: f64) -> f64 {
    if probability <= 0.0 {
        return 0.0;
    }
    if probability >= 1.0 {
        return 1.0;
    }
    let upper_side = probability > 0.5;
    let target = if upper_side { (-probability).ln_1p() } else { probability.ln() };
    let (mut low, mut high) = (-745.0_f64, 745.0_f64);
    let mut t = (a / b).ln();
    for _ in 0..200 {
        let x = 1.0 / (1.0 + (-t).exp());
        let y = 1.0 / (1.0 + t.exp());
        let (ln_lower, ln_upper) = ln_beta_both(a, b, x, y);
        let ln_value = if upper_side { ln_upper } else { ln_lower };
        let difference = ln_value - target;
        // The tail grows with t on the lower side and shrinks on the upper side.
        if (difference > 0.0) == upper_side {
            low = t;
        } else {
            high = t;
        }
        // d I / d logit(x) = x^a y^b / B(a, b)
        let ln_slope = ln_binomial_raw(a, b, x, y) + (a * b / (a + b)).ln();
        let slope = (ln_slope - ln_value).exp() * if upper_side { -1.0 } else { 1.0 };
        let mut next = t - difference / slope;
        if !(next > low && next < high) {
            next = 0.5 * (low + high);
        }
        if (next - t).abs() <= 1e-15 * (1.0 + t.abs()) {
            t = next;
            break;
        }
        t = next;
    }
    1.0 / (1.0 + (-t).exp())
}

/// Place and height of a peak of `f` between `low` and `high`, by so many steps of golden section (Kiefer 1953): each leaves
/// 0.618 of the stretch. The ends themselves are not looked at.
pub fn peak(low: f64, high: f64, steps: u32, f: impl Fn(f64) -> f64) -> (f64, f64) {
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (low, high);
    let (mut c, mut d) = (high - ratio * (high - low), low + ratio * (high - low));
    let (mut at_c, mut at_d) = (f(c), f(d));
    for _ in 0..steps {
        if at_c > at_d {
            (high, d, at_d) = (d, c, at_c);
            c = high - ratio * (high - low);
            at_c = f(c);
        } else {
            (low, c, at_c) = (c, d, at_d);
            d = low + ratio * (high - low);
            at_d = f(d);
        }
    }
    if at_c > at_d { (c, at_c) } else { (d, at_d) }
}

/// A root of `f` between `low` and `high`, where it changes sign (Brent 1973). Without a change of sign the end with
/// the smaller absolute value is returned.
pub fn root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return a;
    }
    if fb == 0.0 {
        return b;
    }
    if (fa > 0.0) == (fb > 0.0) {
        return if fa.abs() < fb.abs() { a } else { b };
    }
    let (mut c, mut fc) = (a, fa);
    let mut step = b - a;
    let mut previous = step;
    for _ in 0..300 {
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            step = b - a;
            previous = step;
        }
        if fc.abs() < fb.abs() {
            (a, b, c) = (b, c, b);
            (fa, fb, fc) = (fb, fc, fb);
        }
        let tolerance = 2.0 * f64::EPSILON * b.abs() + 1e-300;
        let half = 0.5 * (c - b);
        if half.abs() <= tolerance || fb == 0.0 {
            break;
        }
        if previous.abs() >= tolerance && fa.abs() > fb.abs() {
            let s = fb / fa;
            let (mut p, mut q) = if a == c {
                (2.0 * half * s, 1.0 - s)
            } else {
                let q = fa / fc;
                let r = fb / fc;
                (s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)), (q - 1.0) * (r - 1.0) * (s - 1.0))
            };
            if p > 0.0 {
                q = -q;
            } else {
                p = -p;
            }
            if 2.0 * p < (3.0 * half * q - (tolerance * q).abs()).min((previous * q).abs()) {
                previous = step;
                step = p / q;
            } else {
                step = half;
                previous = half;
            }
        } else {
            step = half;
            previous = half;
        }
        (a, fa) = (b, fb);
        b += if step.abs() > tolerance { step } else { tolerance.copysign(half) };
        fb = f(b);
    }
    b
}

/// Nodes and weights of Gauss-Legendre quadrature with 16 points on -1..1, from the Legendre recurrence.
fn legendre() -> &'static [(f64, f64); 16] {
    static NODES: OnceLock<[(f64, f64); 16]> = OnceLock::new();
    NODES.get_or_init(|| {
        let mut nodes = [(0.0, 0.0); 16];
        for (index, node) in nodes.iter_mut().enumerate() {
            let mut x = (PI * (index as f64 + 0.75) / 16.5).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut p, mut below) = (1.0, 0.0);
                for j in 1..=16_u32 {
                    let j = f64::from(j);
                    (p, below) = (((2.0 * j - 1.0) * x * p - (j - 1.0) * below) / j, p);
                }
                slope = 16.0 * (x * p - below) / (x * x - 1.0);
                let step = p / slope;
                x -= step;
                if step.abs() < 1e-16 {
                    break;
                }
            }
            *node = (x, 2.0 / ((1.0 - x * x) * slope * slope));
        }
        nodes
    })
}

/// Integral of `f` from `low` to `high` in `panels` panels of 16-point Gauss-Legendre quadrature.
pub(crate) fn integrate(low: f64, high: f64, panels: u32, f: impl Fn(f64) -> f64) -> f64 {
    let half = 0.5 * (high - low) / f64::from(panels);
    (0..panels)
        .map(|panel| {
            let middle = low + half * f64::from(2 * panel + 1);
            legendre().iter().map(|(x, weight)| weight * f(middle + half * x)).sum::<f64>() * half
        })
        .sum()
}
