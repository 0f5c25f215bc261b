//! Listeners like these: identities of the profile, and its coverage by simulation.

use earwitness::stats::population::{Profile, population};
use earwitness::stats::special::beta_quantile;
use earwitness::stats::tally::Tally;

use super::close;

/// splitmix64.
struct Numbers(u64);

impl Numbers {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Scores of a panel whose listeners' shares are drawn from a beta distribution.
fn panel(numbers: &mut Numbers, listeners: usize, trials: u64, mean: f64, gamma: f64) -> Vec<Tally> {
    let size = 1.0 / gamma - 1.0;
    (0..listeners)
        .map(|_| {
            let share =
                beta_quantile(mean * size, (1.0 - mean) * size, numbers.uniform().clamp(1e-12, 1.0 - 1e-12));
            let right = share + (1.0 - share) / 3.0;
            Tally::new((0..trials).filter(|_| numbers.uniform() < right).count() as u64, trials)
        })
        .collect()
}

/// Shares of simulated panels whose interval holds the true mean, and in which the one-sided upper limit lies below it.
fn coverage(
    panels: usize,
    (listeners, trials, mean, gamma): (usize, u64, f64, f64),
    level: f64,
) -> (f64, f64) {
    let mut numbers = Numbers(listeners as u64 * 1000 + trials);
    let (mut held, mut wrong) = (0, 0);
    for _ in 0..panels {
        let found = population(&panel(&mut numbers, listeners, trials, mean, gamma), 1.0 / 3.0, level)
            .expect("a fit");
        held += usize::from(found.lower <= mean && mean <= found.upper);
        wrong += usize::from(found.at_most < mean);
    }
    (held as f64 / panels as f64, wrong as f64 / panels as f64)
}

#[test]
fn limits_are_where_the_claim_turns() {
    let scores =
        [(9, 18), (12, 18), (7, 18), (17, 18), (6, 18), (10, 18), (18, 18), (5, 18)].map(Tally::from);
    let found = population(&scores, 1.0 / 3.0, 0.95).expect("a fit");
    assert!(0.0 < found.lower && found.lower < found.at_least && found.at_least < found.mean);
    assert!(found.mean < found.at_most && found.at_most < found.upper && found.upper < 1.0);
    assert!(found.gamma > 0.1, "these listeners differ");
    let profile = Profile::new(&scores, 1.0 / 3.0).expect("a fit");
    close(profile.p_value_at_most(found.at_most), 0.05, 1e-3);
    close(profile.p_value_at_most(found.upper), 0.025, 1e-3);
    // Guessers: the mean may be nothing at all, and the limit closes in with more of them.
    let few =
        population(&[(6, 18), (5, 18), (7, 18), (6, 18)].map(Tally::from), 1.0 / 3.0, 0.95).expect("a fit");
    let many = population(&[(6, 18), (5, 18), (7, 18), (6, 18)].map(Tally::from).repeat(8), 1.0 / 3.0, 0.95)
        .expect("a fit");
    assert_eq!((few.lower, many.lower), (0.0, 0.0));
    assert!(many.at_most < few.at_most / 2.0, "{few:?} {many:?}");
    assert!(population(&[(9, 18)].map(Tally::from), 1.0 / 3.0, 0.95).is_err());
}

#[test]
fn the_interval_holds_the_mean_of_listeners_who_differ() {
    // The panel of whose pooled binomial interval only 72 % held the mean.
    let (held, wrong) = coverage(30, (20, 18, 0.3, 0.4), 0.95);
    // 30 panels: a true coverage of 95 % gives fewer than 25 with probability below 0.01.
    assert!(held >= 25.0 / 30.0, "{held}");
    assert!(wrong <= 5.0 / 30.0, "{wrong}");
}

/// The table of twelve designs, 2000 panels each: `EARWITNESS_COVERAGE=2000 cargo test population -- --nocapture`; a few
/// panels of each otherwise.
#[test]
fn coverage_over_designs() {
    let panels = std::env::var("EARWITNESS_COVERAGE").ok().and_then(|n| n.parse().ok()).unwrap_or(2);
    let mut all = 0.0;
    for listeners in [10, 20] {
        for (trials, mean) in [(12, 0.3), (18, 0.3), (18, 0.6)] {
            for gamma in [0.1, 0.4] {
                let (held, wrong) = coverage(panels, (listeners, trials, mean, gamma), 0.95);
                println!(
                    "{listeners} listeners, {trials} trials, mean {mean}, spread {gamma}: {held:.3}, above the limit {wrong:.3}"
                );
                all += held / 12.0;
            }
        }
    }
    // 24 panels and 95 %: fewer than 20 with probability below 0.01.
    assert!(all >= 20.0 / 24.0, "{all}");
}
