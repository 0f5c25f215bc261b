//! Bias, learning, fatigue, confidence.

use earwitness::stats::description::{self, Table};
use earwitness::stats::psychometric::Model;

use super::close;

#[test]
fn bias_of_a_published_table() {
    // Source: Boley & Lester 2009, AES 127th Convention (d-prime printed): X = A answered A 29, B 11; X = B answered A 31, B 29.
    let table = Table { a_as_a: 29, a_as_b: 11, b_as_a: 31, b_as_b: 29 };
    let bias = description::bias(table, Model::Differencing).expect("counts").expect("both sides");
    close(bias.d_prime, 1.17, 5e-3);
    close(bias.criterion, -0.32, 2e-2);
    assert!(!bias.corrected);
    close(bias.share_of_first.lower, 0.4972, 1e-3);
}

#[test]
fn bias_at_the_extremes_is_finite() {
    let always_a = Table { a_as_a: 8, a_as_b: 0, b_as_a: 8, b_as_b: 0 };
    let bias = description::bias(always_a, Model::Differencing).expect("counts").expect("both sides");
    assert!(bias.corrected && bias.criterion < -1.0 && bias.d_prime == 0.0);
    let perfect = Table { a_as_a: 8, a_as_b: 0, b_as_a: 0, b_as_b: 8 };
    let bias = description::bias(perfect, Model::Differencing).expect("counts").expect("both sides");
    assert!(bias.criterion.abs() < 1e-12 && bias.d_prime > 2.0 && bias.d_prime.is_finite());
    let one_sided = Table { a_as_a: 8, ..Table::default() };
    assert!(description::bias(one_sided, Model::Differencing).expect("counts").is_none());
}

#[test]
fn learning_and_fatigue_have_opposite_signs() {
    let late: Vec<bool> = (0..16).map(|t| t >= 8).collect();
    let early: Vec<bool> = late.iter().map(|r| !r).collect();
    let (learning, fatigue) =
        (description::course(&late).expect("answers"), description::course(&early).expect("answers"));
    assert_eq!((learning.first_correct, learning.second_correct), (0, 8));
    close(learning.trend_z.expect("both kinds"), -fatigue.trend_z.expect("both kinds"), 1e-14);
    // Rank sum 100 against 68, variance 8*8*17/12.
    close(learning.trend_z.expect("both kinds"), 32.0 / (8.0 * 8.0 * 17.0 / 12.0_f64).sqrt(), 1e-14);
    assert!(learning.change.lower > 0.0 && fatigue.change.upper < 0.0);
    assert!(description::course(&[true; 9]).expect("answers").trend_z.is_none());
    assert!(description::course(&[true]).is_err());
}

#[test]
fn confidence_counts_pairs() {
    // Right: 5, 4, 2; wrong: 1, 4. Pairs: 5>1, 5>4, 4>1, 4=4, 2>1, 2<4.
    let found = description::confidence(&[(true, 5), (true, 4), (true, 2), (false, 1), (false, 4)])
        .expect("both kinds");
    close(found.area, 4.5 / 6.0, 1e-14);
    close(found.gamma.expect("no tie of all"), 3.0 / 5.0, 1e-14);
    close(found.when_right, 11.0 / 3.0, 1e-14);
    close(found.when_wrong, 2.5, 1e-14);
    assert!(description::confidence(&[(true, 3)]).is_none());
    assert!(description::confidence(&[(true, 3), (false, 3)]).expect("both kinds").gamma.is_none());
}

#[test]
fn answers_lean_by_place() {
    // Triangle: the first place was right 5 times and given 9 times.
    let rows = [vec![4, 1, 0], vec![3, 2, 1], vec![2, 0, 2]];
    let lean = description::lean(&rows).expect("rows").expect("answers");
    assert_eq!((lean.given, lean.right, lean.found), (vec![9, 3, 3], vec![5, 6, 4], vec![4, 2, 2]));
    close(lean.share[0].estimate, 0.6, 1e-14);
    let exact = earwitness::stats::interval::clopper_pearson(9, 15, 0.95).expect("counts");
    assert_eq!((lean.share[0].lower, lean.share[0].upper), (exact.lower, exact.upper));
    // Preference has nothing right, and no answers have no lean.
    let preferred = description::lean(&[vec![7, 5]]).expect("one row").expect("answers");
    assert!(preferred.right.is_empty() && preferred.found.is_empty());
    assert!(
        description::lean(&[vec![0, 0]]).expect("rows").is_none()
            && description::lean(&[]).expect("none").is_none()
    );
    assert!(description::lean(&[vec![1, 2], vec![1]]).is_err());
    // Two alternatives make the table that bias is taken from.
    let table = Table::of(&[vec![29, 11], vec![31, 29]]).expect("two by two");
    assert_eq!(table, Table { a_as_a: 29, a_as_b: 11, b_as_a: 31, b_as_b: 29 });
    assert!(Table::of(&rows).is_none() && Table::of(&[vec![7, 5]]).is_none());
}

#[test]
fn trends_of_several_listeners_join() {
    let late = description::course(&(0..16).map(|t| t >= 8).collect::<Vec<_>>()).expect("answers");
    let none = description::course(&[true; 4]).expect("answers");
    let z = late.trend_z.expect("both kinds");
    close(description::joined_trend([&late, &late, &none]).expect("two"), 2.0 * z / 2.0_f64.sqrt(), 1e-14);
    assert!(description::joined_trend([&none]).is_none());
}

#[test]
fn same_different_and_yes_no_have_a_d_prime_without_the_leaning() {
    // Yes-no: H = 0.8413 and F = 0.1587 are z = 1 and -1, so d-prime 2; its variance by Gourevitch & Galanter (1967) is
    // H(1-H)/(n phi(1)^2) + F(1-F)/(m phi(1)^2).
    let table = Table { a_as_a: 841_345, a_as_b: 158_655, b_as_a: 158_655, b_as_b: 841_345 };
    let bias = description::bias(table, Model::YesNo).expect("counts").expect("both");
    close(bias.d_prime, 2.0, 1e-5);
    let phi = (-0.5_f64).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let error = (2.0_f64 * 0.841_345 * 0.158_655 / 1e6).sqrt() / phi;
    close(bias.d_prime_standard_error.expect("above 0"), error, 1e-4);
    // Same-different: somebody who says "different" to half of the different pairs and to one equal pair in ten leans to
    // "same", has the same d-prime by the model's own function, and less by proportion right.
    let table = Table { a_as_a: 90, a_as_b: 10, b_as_a: 50, b_as_b: 50 };
    let bias = description::bias(table, Model::SameDifferent).expect("counts").expect("both");
    let by_rates = earwitness::stats::psychometric::same_different(0.5, 0.1);
    close(bias.d_prime, by_rates.d_prime, 2e-2);
    assert!(bias.criterion < 0.0, "{bias:?}");
    assert!(bias.d_prime > Model::SameDifferent.d_prime(0.7).expect("a proportion"));
    assert!(bias.words(Model::SameDifferent).contains("d-prime with the leaning taken out"));
    // Nothing told apart: no d-prime, and no error of it.
    let table = Table { a_as_a: 60, a_as_b: 40, b_as_a: 60, b_as_b: 40 };
    let bias = description::bias(table, Model::SameDifferent).expect("counts").expect("both");
    assert_eq!((bias.d_prime, bias.d_prime_standard_error), (0.0, None));
}

#[test]
fn confidence_draws_a_characteristic() {
    // Signal rated 5, 3, -1, noise 3, -1, -5: wins 3, 2.5, 1.5 of 3 each; placements of noise 2.5/3, 1.5/3, 3/3 ...
    let answers = [
        (true, true, 5),
        (true, true, 3),
        (true, false, 1),
        (false, true, 3),
        (false, false, 1),
        (false, false, 5),
    ];
    let found = description::roc(&answers).expect("both kinds");
    let (signal, noise) = ([3.0 / 3.0, 2.5 / 3.0, 1.5 / 3.0], [1.5 / 3.0, 2.5 / 3.0, 3.0 / 3.0]);
    let area = 7.0 / 9.0;
    close(found.area, area, 1e-14);
    let spread = |values: [f64; 3]| values.iter().map(|v| (v - area).powi(2)).sum::<f64>() / 6.0;
    close(found.standard_error.expect("three of each"), (spread(signal) + spread(noise)).sqrt(), 1e-14);
    assert_eq!(found.points.first(), Some(&(0.0, 1.0 / 3.0)));
    assert_eq!(found.points.last(), Some(&(1.0, 1.0)));
    assert!(description::roc(&[(true, true, 3)]).is_none());
}
