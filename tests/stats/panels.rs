//! Panels: the beta-binomial fit against published data, and the whole panel analysis.

use earwitness::stats::tally::Tally;
use earwitness::stats::{Protocol, beta_binomial, panel};

use super::close;

/// Source: Brockhoff's data (printed).
const RIGHT: [u64; 18] = [3, 2, 6, 8, 3, 4, 6, 0, 9, 9, 0, 2, 1, 2, 8, 9, 5, 7];
const OF: [u64; 18] = [10, 9, 8, 9, 8, 6, 9, 10, 10, 10, 9, 9, 10, 10, 10, 10, 9, 10];

fn scores() -> Vec<Tally> {
    RIGHT.into_iter().zip(OF).map(Tally::from).collect()
}

#[test]
fn beta_binomial_of_published_data() {
    let fit = beta_binomial::fit(&scores(), 0.0).expect("scores");
    close(fit.mu, 0.493812346, 1e-8);
    close(fit.gamma, 0.314425783, 1e-8);
    close(fit.ln_likelihood, -41.708680, 2e-8);
    close(fit.ln_likelihood_binomial, -59.954767, 2e-8);
    close(fit.g_squared, 36.4922, 2e-6);
    close(fit.p_value_chi_squared, 1.533e-9, 1e-3);
    close(fit.p_value, fit.p_value_chi_squared / 2.0, 1e-14);
    // Corrected for the chance of a duo-trio test; recomputed.
    let corrected = beta_binomial::fit(&scores(), 0.5).expect("scores");
    close(corrected.mu, 0.176051, 1e-5);
    close(corrected.gamma, 0.504272, 1e-5);
    assert!(corrected.mu_standard_error.is_some_and(|error| (0.02..0.2).contains(&error)));
}

#[test]
fn the_fit_is_a_maximum() {
    for chance in [0.0, 1.0 / 3.0, 0.5] {
        let fit = beta_binomial::fit(&scores(), chance).expect("scores");
        // A fit of data with one more listener cannot be more likely than these data alone at their own maximum.
        let mut more = scores();
        more.push(Tally::new(5, 10));
        assert!(beta_binomial::fit(&more, chance).expect("scores").ln_likelihood < fit.ln_likelihood);
        assert!(fit.ln_likelihood >= fit.ln_likelihood_binomial);
    }
}

#[test]
fn listeners_who_are_all_alike_fit_at_the_border() {
    let fit = beta_binomial::fit(&[Tally::new(5, 10); 12], 0.0).expect("scores");
    assert_eq!((fit.gamma, fit.g_squared, fit.p_value), (0.0, 0.0, 1.0));
    close(fit.mu, 0.5, 1e-12);
    for scores in [[(0, 10), (0, 10)], [(10, 10), (10, 10)], [(1, 10), (0, 3)]] {
        for chance in [0.0, 0.5] {
            let fit = beta_binomial::fit(&scores.map(Tally::from), chance).expect("scores");
            assert!(fit.mu.is_finite() && fit.gamma.is_finite() && fit.ln_likelihood.is_finite(), "{fit:?}");
        }
    }
    // Half always right, half always wrong: as different as can be, and still finite.
    let fit =
        beta_binomial::fit(&[(10, 10), (0, 10), (10, 10), (0, 10)].map(Tally::from), 0.0).expect("scores");
    assert!(fit.gamma > 0.99 && fit.p_value < 1e-4, "{fit:?}");
}

#[test]
fn a_panel_of_guessers_and_one_who_hears() {
    let scores = [(8, 16), (7, 16), (16, 16), (9, 16), (6, 16)].map(Tally::from);
    let found = panel::analyse(Protocol::Abx, &scores, 0.05).expect("scores");
    assert_eq!((found.pooled.correct, found.pooled.trials), (46, 80));
    assert_eq!(found.best.index, 2);
    close(found.best.p_value_alone, 2.0_f64.powi(-16), 1e-12);
    // Only all 16 right is as good, for each of five.
    close(found.best.p_value, 1.0 - (1.0 - 2.0_f64.powi(-16)).powi(5), 1e-10);
    close(found.holm[2], 5.0 * 2.0_f64.powi(-16), 1e-12);
    assert_eq!((found.passers.seen, found.passers_holm), (1, 1));
    // 12 of 16 is needed, and a guesser gets there in 2517/65536.
    close(found.passers.expected, 5.0 * 2517.0 / 65536.0, 1e-12);
    assert!(found.heterogeneity.is_some_and(|h| h.p_value < 0.01 && h.degrees == 4));
    assert!(found.beta_binomial.is_some_and(|fit| fit.p_value < 0.05));
}

#[test]
fn the_best_of_unequal_listeners_counts_what_each_could_reach() {
    // Three trials cannot give a p-value of 1/16, so only the second listener could be as good as itself.
    let found = panel::analyse(Protocol::Abx, &[(2, 3), (4, 4)].map(Tally::from), 0.05).expect("scores");
    close(found.best.p_value, 1.0 / 16.0, 1e-12);
}

#[test]
fn opposite_preferences_cancel_in_the_combination() {
    let found =
        panel::analyse(Protocol::Preference, &[(14, 16), (2, 16)].map(Tally::from), 0.05).expect("scores");
    assert!(found.stouffer.p_value > 0.99, "{found:?}");
    // Two-sided p-values have no direction: Fisher's combination would count the two as agreeing.
    assert_eq!(found.fisher, None);
}
