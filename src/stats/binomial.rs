//! Binomial probabilities, tails and critical scores, exact to about 1e-13 relative, also at 1e-300.
//!
//! Counts are numbers of trials; `p` is the probability of a right answer in one trial.

use super::special::{ln_binomial_raw, ln_one_minus_exp};

/// Rounding allowance when a computed risk is held against a stated one: a tail that equals alpha exactly in rational
/// arithmetic (1/16 against 0.0625) must count as reached.
const ALLOWANCE: f64 = 1e-12;

/// Whether a computed risk is at most the stated one, up to rounding.
pub fn at_most(risk: f64, limit: f64) -> bool {
    risk <= limit * (1.0 + ALLOWANCE)
}

/// ln P(X = k) for X ~ binomial(n, p).
pub fn ln_mass(k: u64, n: u64, p: f64) -> f64 {
    if k > n { f64::NEG_INFINITY } else { ln_binomial_raw(k as f64, (n - k) as f64, p, 1.0 - p) }
}

/// P(X = k) for X ~ binomial(n, p).
pub fn mass(k: u64, n: u64, p: f64) -> f64 {
    ln_mass(k, n, p).exp()
}

/// Sum of P(X = j)/P(X = k) over j >= k; the terms must fall from k on, that is k >= (n + 1) p.
fn upper_ratio_sum(k: u64, n: u64, p: f64) -> f64 {
    let odds = p / (1.0 - p);
    let (mut sum, mut term) = (1.0_f64, 1.0_f64);
    let mut j = k;
    while j < n {
        term *= (n - j) as f64 / (j + 1) as f64 * odds;
        sum += term;
        // What is left is at most geometric, so a relative 1e-17 of the sum is safely below rounding.
        if term < sum * 1e-18 {
            break;
        }
        j += 1;
    }
    sum
}

/// ln P(X >= k), by summing the terms of the smaller tail, which are all positive.
pub fn ln_upper(k: u64, n: u64, p: f64) -> f64 {
    if k == 0 {
        return 0.0;
    }
    if k > n || p <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if p >= 1.0 {
        return 0.0;
    }
    if k as f64 >= (n as f64 + 1.0) * p {
        (ln_mass(k, n, p) + upper_ratio_sum(k, n, p).ln()).min(0.0)
    } else {
        ln_one_minus_exp(ln_lower(k - 1, n, p))
    }
}

/// ln P(X <= k).
pub fn ln_lower(k: u64, n: u64, p: f64) -> f64 {
    if k >= n || p <= 0.0 {
        return 0.0;
    }
    if p >= 1.0 {
        return f64::NEG_INFINITY;
    }
    let q = 1.0 - p;
    if (n - k) as f64 >= (n as f64 + 1.0) * q {
        let mirrored = {
            let odds = q / p;
            let (mut sum, mut term) = (1.0_f64, 1.0_f64);
            let mut j = k;
            while j > 0 {
                term *= j as f64 / (n - j + 1) as f64 * odds;
                sum += term;
                if term < sum * 1e-18 {
                    break;
                }
                j -= 1;
            }
            sum
        };
        (ln_mass(k, n, p) + mirrored.ln()).min(0.0)
    } else {
        ln_one_minus_exp(ln_upper(k + 1, n, p))
    }
}

/// P(X >= k): the one-sided p-value of k right of n.
pub fn upper(k: u64, n: u64, p: f64) -> f64 {
    ln_upper(k, n, p).exp()
}

/// P(X <= k).
pub fn lower(k: u64, n: u64, p: f64) -> f64 {
    ln_lower(k, n, p).exp()
}

/// P(X > k) + P(X = k)/2: the mid-p value (Lancaster 1961), less conservative than the exact one.
pub fn mid_upper(k: u64, n: u64, p: f64) -> f64 {
    upper(k + 1, n, p) + 0.5 * mass(k, n, p)
}

/// Two-sided p-value at p = 1/2, where both tails are mirror images: twice the smaller tail, at most 1.
pub fn two_sided_half(k: u64, n: u64) -> f64 {
    (2.0 * upper(k.max(n - k), n, 0.5)).min(1.0)
}

/// Smallest k with P(X >= k) <= `alpha`, or nothing where even k = n is more likely than that.
pub fn critical(n: u64, p: f64, alpha: f64) -> Option<u64> {
    if !at_most(upper(n, n, p), alpha) {
        return None;
    }
    let (mut low, mut high) = (0, n);
    while low < high {
        let middle = u64::midpoint(low, high);
        if at_most(upper(middle, n, p), alpha) { high = middle } else { low = middle + 1 }
    }
    Some(low)
}

/// Largest k with P(X <= k) <= `beta`, or nothing where even k = 0 is more likely than that.
pub fn critical_lower(n: u64, p: f64, beta: f64) -> Option<u64> {
    if !at_most(lower(0, n, p), beta) {
        return None;
    }
    let (mut low, mut high) = (0, n);
    while low < high {
        let middle = u64::midpoint(low, high) + (low + high) % 2;
        if at_most(lower(middle, n, p), beta) { low = middle } else { high = middle - 1 }
    }
    Some(low)
}
