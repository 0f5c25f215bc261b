//! Several p-values at once, against published examples and counting.

use earwitness::stats::many;
use proptest::prelude::*;

use super::close;

#[test]
fn holm_example() {
    // After Holm 1979 (memory).
    let adjusted = many::holm(&[0.01, 0.04, 0.03, 0.005]).expect("p-values");
    for (found, expected) in adjusted.into_iter().zip([0.03, 0.06, 0.06, 0.02]) {
        close(found, expected, 1e-14);
    }
}

#[test]
fn fifteen_comparisons() {
    // Source: Benjamini & Hochberg 1995 (second hand).
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
        0.6528, 0.7590, 1.0,
    ];
    let holm = many::holm(&p).expect("p-values");
    for (found, expected) in holm.iter().zip([0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278]) {
        close(*found, expected, 1e-12);
    }
    assert_eq!(holm.iter().filter(|p| **p <= 0.05).count(), 3);
}

#[test]
fn combinations() {
    // Source: Fisher, Statistical Methods for Research Workers 21.1 (memory).
    let fisher = many::fisher(&[0.145, 0.263, 0.087]).expect("p-values");
    close(fisher.statistic, 11.417, 1e-4);
    close(fisher.p_value, 0.0763, 1e-3);
    // Source: scipy 1.17.1, docstring of combine_pvalues.
    let p = [0.1, 0.05, 0.02, 0.3];
    let fisher = many::fisher(&p).expect("p-values");
    close(fisher.statistic, 20.828626352604235, 1e-13);
    close(fisher.p_value, 0.007616871850449092, 1e-12);
    close(many::stouffer(&p, &[1.0, 2.0, 3.0, 4.0]).expect("p-values").p_value, 0.009578891494533616, 1e-12);
}

#[test]
fn lucky_passers() {
    // Three coins of different weight, counted by hand.
    let lucky = many::lucky_passers(&[0.5, 0.25, 0.1], 2).expect("risks");
    close(lucky.expected, 0.85, 1e-14);
    close(lucky.at_least_one, 1.0 - 0.5 * 0.75 * 0.9, 1e-14);
    close(
        lucky.at_least_seen,
        0.5 * 0.25 * 0.9 + 0.5 * 0.75 * 0.1 + 0.5 * 0.25 * 0.1 + 0.5 * 0.25 * 0.1,
        1e-13,
    );
    // Alike ones are binomial.
    let lucky = many::lucky_passers(&[0.038; 30], 4).expect("risks");
    close(lucky.at_least_seen, earwitness::stats::binomial::upper(4, 30, 0.038), 1e-12);
    assert_eq!(many::lucky_passers(&[0.1, 0.1], 0).expect("risks").at_least_seen, 1.0);
}

proptest! {
    #[test]
    fn adjusted_values_are_never_smaller_and_keep_the_order(p in prop::collection::vec(0.0..=1.0_f64, 1..40)) {
        let holm = many::holm(&p).expect("p-values");
        for i in 0..p.len() {
            prop_assert!(holm[i] >= p[i] && holm[i] <= 1.0);
            for j in 0..p.len() {
                if p[i] < p[j] {
                    prop_assert!(holm[i] <= holm[j]);
                }
            }
        }
    }
}
