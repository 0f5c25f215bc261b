//! Each protocol's psychometric function against a listener who decides by the rule that the function describes.
//!
//! The listener observes each slot as a normal deviate of deviation 1, about 0 for side A and about d-prime for side B, and
//! answers by the rule. No wildcard below: a new protocol or model does not compile until its rule is written here.

use earwitness::stats::protocol::{Asks, Definition, Side};
use earwitness::stats::psychometric::{self, Model};
use earwitness::stats::simulate::{Generator, means};
use earwitness::stats::{Protocol, binomial};

/// Two independent normal deviates (Box & Muller 1958).
fn normals(generator: &mut Generator) -> [f64; 2] {
    let radius = (-2.0 * (1.0 - generator.uniform()).ln()).sqrt();
    let angle = std::f64::consts::TAU * generator.uniform();
    [radius * angle.cos(), radius * angle.sin()]
}

/// Index of the alternative that a listener answers who observes `x` in the slots.
fn answer(protocol: Protocol, x: &[f64], d_prime: f64) -> usize {
    let near = |i: usize, j: usize| (x[i] - x[j]).abs();
    match protocol {
        Protocol::Abx => usize::from(near(2, 1) < near(2, 0)),
        Protocol::DuoTrio => usize::from(near(0, 2) < near(0, 1)),
        Protocol::Triangle => {
            let pairs = [near(1, 2), near(0, 2), near(0, 1)];
            (0..3).min_by(|&i, &j| pairs[i].total_cmp(&pairs[j])).expect("three pairs")
        }
        Protocol::Tetrad => {
            let mut order = [0, 1, 2, 3];
            order.sort_by(|&i, &j| x[i].total_cmp(&x[j]));
            let with_first = if order[..2].contains(&0) { &order[..2] } else { &order[2..] };
            with_first.iter().find(|&&slot| slot != 0).expect("a partner") - 1
        }
        Protocol::TwoAfc | Protocol::Preference => usize::from(x[1] > x[0]),
        // The best line: held to be the best by `the_line_between_same_and_different_is_the_best` below.
        Protocol::SameDifferent => usize::from(near(0, 1) > best_line(d_prime)),
        // The reference tells where side A lies; the line is half way to side B.
        Protocol::ANotA => usize::from(x[1] > d_prime / 2.0),
    }
}

/// Where the densities of the distance between two equal and two different presentations cross: by bisection.
fn best_line(d: f64) -> f64 {
    let density = |x: f64| (-x * x / 4.0).exp();
    let excess = |k: f64| density(k - d) + density(k + d) - 2.0 * density(k);
    let (mut low, mut high) = (0.0, d + 5.0);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if excess(middle) < 0.0 { low = middle } else { high = middle }
    }
    high
}

#[test]
fn each_protocol_is_right_as_often_as_its_rule_makes_it() {
    for protocol in Protocol::ALL {
        let definition = Definition::of(protocol);
        for d_prime in [0.7, 1.5, 3.0] {
            let expected = definition.model.proportion(d_prime);
            let [right] = means(60_000, 5, |generator: &mut Generator| {
                let order = (generator.uniform() * definition.orders.len() as f64) as usize;
                let noise = [normals(generator), normals(generator)].concat();
                let x: Vec<f64> = definition.orders[order]
                    .iter()
                    .zip(noise)
                    .map(|(side, noise)| noise + if *side == Side::B { d_prime } else { 0.0 })
                    .collect();
                let given = answer(protocol, &x, d_prime);
                let counts = match definition.asks {
                    Asks::Difference | Asks::Attribute => definition.right(order, Side::B) == Some(given),
                    Asks::Preference => definition.chosen(order, given) == Some(Side::B),
                };
                [f64::from(u8::from(counts))]
            });
            assert!(
                (right.value - expected).abs() < 4.5 * right.standard_error,
                "{protocol} at d-prime {d_prime}: {right:?}, expected {expected}"
            );
        }
    }
}

#[test]
fn the_line_between_same_and_different_is_the_best() {
    for d in [0.3, 1.0, 2.5, 6.0] {
        let phi = earwitness::stats::special::normal;
        let k = best_line(d);
        let root2 = std::f64::consts::SQRT_2;
        let hits = phi((d - k) / root2) + phi((-d - k) / root2);
        let false_alarms = 2.0 * phi(-k / root2);
        let found = psychometric::same_different(hits, false_alarms);
        super::close(found.d_prime, d, 1e-3);
        super::close(found.criterion, k, 1e-3);
        super::close(found.best_criterion, k, 1e-3);
        super::close(Model::SameDifferent.proportion(d), 0.5 * (1.0 + hits - false_alarms), 1e-12);
        // A listener who leans to "same" has the same d-prime, a farther line and fewer right.
        let far = k + 0.5;
        let leaning = psychometric::same_different(
            phi((d - far) / root2) + phi((-d - far) / root2),
            2.0 * phi(-far / root2),
        );
        super::close(leaning.d_prime, d, 2e-3);
        assert!(leaning.criterion > leaning.best_criterion + 0.4);
    }
}

#[test]
fn a_not_a_by_hand() {
    // z(0.84134) = 1 and z(0.15866) = -1: d-prime 2 without bias (tables of the normal distribution).
    super::close(Model::YesNo.proportion(2.0), 0.841344746068543, 1e-12);
}

#[test]
fn whatever_the_bias_a_guesser_is_right_by_chance() {
    // A guesser answers each alternative with any fixed probability; orders are equally likely.
    for protocol in Protocol::ALL {
        let definition = Definition::of(protocol);
        for always in 0..definition.alternatives.len() {
            let counts = (0..definition.orders.len())
                .filter(|&order| match definition.asks {
                    Asks::Difference | Asks::Attribute => definition.right(order, Side::A) == Some(always),
                    Asks::Preference => definition.chosen(order, always) == Some(Side::B),
                })
                .count();
            super::close(counts as f64 / definition.orders.len() as f64, protocol.chance(), 1e-15);
        }
        super::close(binomial::upper(1, 1, protocol.chance()), protocol.chance(), 1e-15);
    }
}
