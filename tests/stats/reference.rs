//! Against mpmath, scipy and statsmodels: see `tests/reference/stats.py` for how the values were made.

use std::sync::OnceLock;

use earwitness::stats::power::{Design, Effect};
use earwitness::stats::psychometric::Model;
use earwitness::stats::sequential::SequentialTest;
use earwitness::stats::special::{chi_squared_upper, normal, normal_quantile};
use earwitness::stats::tally::Tally;
use earwitness::stats::{Protocol, beta_binomial, binomial, description, interval, many};
use serde_json::Value;

use super::close;

fn data(key: &str) -> &'static Vec<Value> {
    static DATA: OnceLock<Value> = OnceLock::new();
    let all = DATA.get_or_init(|| {
        serde_json::from_str(include_str!("../reference/stats.json")).expect("generated JSON")
    });
    let rows = all[key].as_array().expect("an array");
    assert!(rows.len() >= 4, "{key}");
    rows
}

fn number(value: &Value) -> f64 {
    value.as_f64().or_else(|| value.as_str()?.parse().ok()).expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("an array").iter().map(number).collect()
}

#[test]
fn binomial_tails_down_to_the_smallest_doubles() {
    let mut least = 1.0_f64;
    for row in data("tails") {
        let (k, n) = (row[0].as_u64().expect("k"), row[1].as_u64().expect("n"));
        let p = match row[2].as_str() {
            Some("1/3") => 1.0 / 3.0,
            Some("1/2") => 0.5,
            _ => 0.75,
        };
        let expected = number(&row[3]);
        least = least.min(expected);
        close(binomial::upper(k, n, p), expected, 1e-10);
        // The same tail seen from the other side.
        if p == 0.5 && k > 0 {
            close(binomial::lower(n - k, n, p), expected, 1e-10);
        }
    }
    assert!(least < 1e-270, "the table must reach far down: {least:e}");
}

#[test]
fn tails_near_the_smallest_double() {
    // 2^-996 and 2^-1000 are exact.
    close(binomial::upper(996, 996, 0.5), 2.0_f64.powi(-996), 1e-12);
    close(binomial::upper(1000, 1000, 0.5), 2.0_f64.powi(-1000), 1e-12);
    close(binomial::upper(999, 1000, 0.5), 1001.0 * 2.0_f64.powi(-1000), 1e-12);
    close(binomial::ln_upper(100_000, 100_000, 1.0 / 3.0), -100_000.0 * 3.0_f64.ln(), 1e-13);
}

#[test]
fn normal_distribution_and_chi_squared() {
    for row in data("normals") {
        let (z, expected) = (number(&row[0]), number(&row[1]));
        close(normal(z), expected, 1e-12);
        if z.abs() > 0.0 && z < 3.0 {
            close(normal_quantile(expected), z, 1e-11);
        }
    }
    for row in data("chi_squared") {
        close(chi_squared_upper(number(&row[0]), number(&row[1])), number(&row[2]), 1e-10);
    }
}

#[test]
fn psychometric_functions() {
    for row in data("psychometric") {
        let model = match row[0].as_str() {
            Some("two-afc") => Model::TwoAfc,
            Some("differencing") => Model::Differencing,
            Some("independent-observation") => Model::IndependentObservation,
            Some("triangle") => Model::Triangle,
            Some("tetrad") => Model::Tetrad,
            Some("same-different") => Model::SameDifferent,
            Some("yes-no") => Model::YesNo,
            other => panic!("{other:?} is none of our models"),
        };
        let (d, expected) = (number(&row[1]), number(&row[2]));
        close(model.proportion(d), expected, 1e-14);
        // Near chance the functions are flat, so the way back amplifies rounding by 1/d.
        if (0.25..5.0).contains(&d) {
            close(model.d_prime(expected).expect("inside"), d, 1e-10);
        }
    }
}

#[test]
fn intervals() {
    for row in data("intervals") {
        let (x, n, level) = (row[0].as_u64().expect("x"), row[1].as_u64().expect("n"), number(&row[2]));
        let methods = [interval::clopper_pearson, interval::wilson, interval::jeffreys];
        for (index, method) in methods.into_iter().enumerate() {
            let found = method(x, n, level).expect("counts");
            let ends = numbers(&row[3 + index]);
            // statsmodels lets the score interval round to just outside 0..1.
            for (value, expected) in [(found.lower, ends[0]), (found.upper, ends[1])] {
                if expected > 1e-12 && expected < 1.0 {
                    close(value, expected, 1e-9);
                } else {
                    assert!(value == expected.clamp(0.0, 1.0) || value < 1e-12, "{value} {expected} {row}");
                }
            }
        }
    }
}

#[test]
fn adjusted_and_combined_p_values() {
    for row in data("families") {
        let p = numbers(&row["p"]);
        for (found, expected) in many::holm(&p).expect("p").iter().zip(numbers(&row["holm"])) {
            close(*found, expected, 1e-13);
        }
        let fisher = many::fisher(&p).expect("p");
        let stouffer = many::stouffer(&p, &numbers(&row["weights"])).expect("p");
        for (found, expected) in [(fisher, &row["fisher"]), (stouffer, &row["stouffer"])] {
            close(found.statistic, number(&expected[0]), 1e-11);
            close(found.p_value, number(&expected[1]), 1e-10);
        }
    }
}

/// Right answers and trials of each listener.
fn scores(row: &Value) -> Vec<Tally> {
    let pairs = row["scores"].as_array().expect("scores").iter();
    pairs.map(|s| Tally::new(s[0].as_u64().expect("x"), s[1].as_u64().expect("n"))).collect()
}

#[test]
fn beta_binomial_fits() {
    for row in data("beta_binomials") {
        let scores = scores(row);
        let fit = beta_binomial::fit(&scores, 0.0).expect("scores");
        close(fit.ln_likelihood, number(&row["ln_likelihood"]), 1e-11);
        // The maximum is flat: half of the digits of the likelihood.
        close(fit.mu, number(&row["mu"]), 1e-5);
        close(fit.gamma, number(&row["gamma"]), 1e-4);
    }
}

#[test]
fn change_between_halves() {
    for row in data("changes") {
        let count = |i: usize| row[i].as_u64().expect("a count") as usize;
        let (x, m, y, n) = (count(0), count(1), count(2), count(3));
        if m < n || m > n + 1 {
            continue;
        }
        let half = |right: usize, of: usize| (0..of).map(move |i| i < right);
        let answers: Vec<bool> = half(x, m).chain(half(y, n)).collect();
        let course = description::course(&answers).expect("answers");
        close(course.change.lower, number(&row[4]), 1e-10);
        close(course.change.upper, number(&row[5]), 1e-10);
    }
}

fn chance(value: &Value) -> f64 {
    match value.as_str() {
        Some("1/2") => 0.5,
        Some("1/3") => 1.0 / 3.0,
        Some(other) => other.parse().expect("a number"),
        None => 0.0,
    }
}

#[test]
fn standard_errors_of_the_beta_binomial() {
    for row in data("beta_binomial_errors") {
        let scores = scores(row);
        let fit = beta_binomial::fit(&scores, chance(&row["chance"])).expect("scores");
        close(fit.ln_likelihood, number(&row["ln_likelihood"]), 1e-11);
        close(fit.mu, number(&row["mu"]), 1e-7);
        close(fit.gamma, number(&row["gamma"]), 1e-7);
        let errors =
            [fit.mu_standard_error, fit.gamma_standard_error].map(|e| e.expect("inside the borders"));
        // Ours are from differences of exact slopes.
        close(errors[0], number(&row["mu_standard_error"]), 1e-6);
        close(errors[1], number(&row["gamma_standard_error"]), 1e-6);
        if let Some(numeric) = row.get("numeric") {
            // statsmodels differences the likelihood twice: a few digits.
            for (ours, theirs) in errors.into_iter().zip(numbers(numeric)) {
                close(ours, theirs, 1e-4);
            }
        }
    }
}

#[test]
fn sequential_tests() {
    for row in data("sequential") {
        let most = row[4].as_u64().expect("a number");
        let (p1, alpha, beta) = (number(&row[1]), number(&row[2]), number(&row[3]));
        let two_sided = row[5].as_bool().expect("a flag");
        let test =
            SequentialTest::between(chance(&row[0]), p1, alpha, beta, most, two_sided).expect("a test");
        let found = test.exact(number(&row[6])).expect("a proportion");
        let ours = [found.difference, found.no_difference, found.undecided, found.expected_trials];
        for (index, value) in ours.into_iter().enumerate() {
            let expected = number(&row[7 + index]);
            // A sum of many paths loses what lies 15 digits below the largest of them.
            if expected > 1e-12 {
                close(value, expected, 1e-10);
            } else {
                assert!(value <= 1e-11, "{row}: {value:e}");
            }
        }
    }
}

#[test]
fn plans_by_trying_all() {
    let rows = data("plans");
    assert!(rows.len() >= 50);
    for row in rows {
        let protocol = Protocol::from_name(row[0].as_str().expect("a name")).expect("a protocol");
        let (share, alpha, power) = (number(&row[1]), number(&row[2]), number(&row[3]));
        let plan = Design::new(protocol, alpha, Effect::Discriminators(share))
            .and_then(|design| design.plan(power))
            .expect("a plan");
        assert_eq!(Some(plan.first.trials), row[4].as_u64(), "{row}");
        assert_eq!(Some(plan.stable.trials), row[5].as_u64(), "{row}");
        assert_eq!(plan.first.critical, row[6].as_u64(), "{row}");
        close(plan.first.power, number(&row[7]), 1e-10);
    }
}

/// The package that gives distributions is exact enough for the start of a quantile, and not for a tail.
#[test]
fn statrs_loses_digits_where_ours_keep_them() {
    use statrs::distribution::{Binomial, ContinuousCDF as _, DiscreteCDF as _, Normal};
    let off = |found: f64, expected: f64| (found / expected - 1.0).abs();
    let (mut theirs, mut ours) = (0.0_f64, 0.0_f64);
    for row in data("tails").iter().filter(|row| row[0].as_u64() > Some(0)) {
        let (k, n) = (row[0].as_u64().expect("k"), row[1].as_u64().expect("n"));
        let p = match row[2].as_str() {
            Some("1/3") => 1.0 / 3.0,
            Some("1/2") => 0.5,
            _ => 0.75,
        };
        let expected = number(&row[3]);
        theirs = theirs.max(off(Binomial::new(p, n).expect("a distribution").sf(k - 1), expected));
        ours = ours.max(off(binomial::upper(k, n, p), expected));
    }
    println!("binomial tails: statrs off by {theirs:.1e}, ours by {ours:.1e}");
    assert!(theirs > 1e-12 && theirs > 3.0 * ours, "binomial: {theirs:e} against {ours:e}");
    let standard = Normal::standard();
    let (mut theirs, mut ours) = (0.0_f64, 0.0_f64);
    for row in data("normals") {
        let (z, expected) = (number(&row[0]), number(&row[1]));
        theirs = theirs.max(off(standard.cdf(z), expected));
        ours = ours.max(off(normal(z), expected));
    }
    println!("normal distribution: statrs off by {theirs:.1e}, ours by {ours:.1e}");
    assert!(theirs > 1e-12 && theirs > 3.0 * ours, "normal: {theirs:e} against {ours:e}");
}
